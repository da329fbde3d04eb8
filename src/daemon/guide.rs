//! Leads a player through the calibration: which part is asked for, when, in what words. Pure; time is an
//! argument.

use crate::sample::CalibrationPart;
use crate::units::HostTime;

/// How long each part takes, s, and what the player is told.
const PARTS: [(CalibrationPart, f64, &str); 5] = [
    (CalibrationPart::Still, 5.0, "Let the lead arm hang and keep it still."),
    (
        CalibrationPart::Flex,
        7.0,
        "Arm still, bend the wrist to the palm and back, four times, slowly. Stop if it hurts.",
    ),
    (CalibrationPart::Hinge, 7.0, "Arm still, hinge the wrist towards the thumb and back, four times."),
    (CalibrationPart::Roll, 8.0, "Wrist still, turn the forearm like a key, three times."),
    (CalibrationPart::Address, 5.0, "Stand at the ball as for a shot, and keep still."),
];

/// A calibration in progress.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Guide {
    next: usize,
    due: HostTime,
}

impl Guide {
    /// Starts at once.
    #[must_use]
    pub fn start(now: HostTime) -> Guide {
        Guide { next: 0, due: now }
    }

    /// The part that is due at `now`, with its instruction; each comes once.
    pub fn poll(&mut self, now: HostTime) -> Option<(CalibrationPart, &'static str)> {
        let (part, length_s, words) = *PARTS.get(self.next)?;
        if now < self.due {
            return None;
        }
        self.next += 1;
        self.due = HostTime(now.0 + (length_s * 1e6) as i64);
        Some((part, words))
    }

    /// All parts were asked for and the last has had its time.
    #[must_use]
    pub fn is_over(&self, now: HostTime) -> bool {
        self.next == PARTS.len() && now >= self.due
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_come_once_in_order_and_take_less_than_a_minute() {
        let mut guide = Guide::start(HostTime(0));
        let mut asked = Vec::new();
        let mut now = HostTime(0);
        while !guide.is_over(now) {
            asked.extend(guide.poll(now).map(|(part, _)| part));
            now = HostTime(now.0 + 100_000);
        }
        assert_eq!(asked, CalibrationPart::ALL.map(|(part, _)| part));
        assert!(now.0 < 60_000_000);
    }
}
