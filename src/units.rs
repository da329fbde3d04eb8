//! Quantities that every layer shares: the three kinds of time, a number with its uncertainty, the player's hand; and how
//! a count is worded.

use serde::{Deserialize, Serialize};
use std::fmt;

/// Microseconds on the clock of one glove node, unwrapped to 64 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DeviceTime(pub i64);

/// Microseconds on the host's monotonic clock, from an arbitrary origin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct HostTime(pub i64);

/// Milliseconds since the Unix epoch. May step; never used to measure a duration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct WallTime(pub i64);

/// Standard gravity, m/s² (3rd CGPM, 1901).
pub const GRAVITY_MPS2: f64 = 9.806_65;

impl DeviceTime {
    /// The instant at which a node's counter says so many seconds, rounded to a microsecond.
    #[must_use]
    pub fn at_seconds(seconds: f64) -> DeviceTime {
        DeviceTime((seconds * 1e6).round() as i64)
    }

    /// Seconds from `earlier` to `self`; negative when `self` comes first.
    #[must_use]
    pub fn seconds_since(self, earlier: DeviceTime) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 * 1e-6
    }

    /// This instant moved by `seconds`, rounded to a microsecond.
    #[must_use]
    pub fn plus_seconds(self, seconds: f64) -> DeviceTime {
        DeviceTime(self.0.saturating_add((seconds * 1e6).round() as i64))
    }
}

impl WallTime {
    /// This instant in UTC in the form of `strftime`; empty outside the years that a calendar knows.
    #[must_use]
    pub fn utc(self, form: &str) -> String {
        jiff::Timestamp::from_millisecond(self.0)
            .map_or_else(|_| String::new(), |at| at.strftime(form).to_string())
    }

    /// The day and the minute, in UTC.
    #[must_use]
    pub fn minute(self) -> String {
        self.utc("%Y-%m-%d %H:%M")
    }
}

/// A length of time in ms as whole microseconds; none where it is not known.
#[must_use]
pub fn microseconds(ms: f64) -> Option<i64> {
    ms.is_finite().then(|| (ms * 1e3).round() as i64)
}

/// A count with its noun, whose plural ends in s: `1 swing`, `2 swings`.
pub fn counted<N: PartialEq + From<u8> + fmt::Display>(count: N, noun: &str) -> String {
    let ending = if count == N::from(1) { "" } else { "s" };
    format!("{count} {noun}{ending}")
}

/// How often: `once`, `2 times`.
pub fn times<N: PartialEq + From<u8> + fmt::Display>(count: N) -> String {
    if count == N::from(1) { "once".to_owned() } else { counted(count, "time") }
}

impl HostTime {
    /// Seconds from `earlier` to `self`; negative when `self` comes first.
    #[must_use]
    pub fn seconds_since(self, earlier: HostTime) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 * 1e-6
    }
}

/// A measured number and its standard deviation, both in the unit that the field's name gives.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Best estimate.
    pub value: f64,
    /// One standard deviation.
    pub sd: f64,
}

impl Measured {
    /// A value with its standard deviation.
    #[must_use]
    pub fn new(value: f64, sd: f64) -> Measured {
        Measured { value, sd }
    }
}

/// The side a player plays from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum PlayerHand {
    /// Right-handed: the left arm leads.
    Right,
    /// Left-handed: the right arm leads.
    Left,
}

impl PlayerHand {
    /// The word for it in files and sentences.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            PlayerHand::Right => "right",
            PlayerHand::Left => "left",
        }
    }

    /// The sign `s` of the ISB mirror rule: +1 for a right lead arm, -1 for a left lead arm.
    #[must_use]
    pub fn lead_arm_sign(self) -> f64 {
        match self {
            PlayerHand::Right => -1.0,
            PlayerHand::Left => 1.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wall_time_is_told_in_utc() {
        // 2000-03-01 00:00:00 UTC is 951 868 800 s after the epoch (POSIX: 11 017 days of 86 400 s).
        assert_eq!(WallTime(951_868_800_500).utc("%Y-%m-%d %H:%M:%S"), "2000-03-01 00:00:00");
        assert_eq!(WallTime(i64::MAX).utc("%Y"), "");
    }

    #[test]
    fn one_is_no_plural() {
        assert_eq!([0_u64, 1, 2].map(|count| counted(count, "swing")), ["0 swings", "1 swing", "2 swings"]);
        assert_eq!([0_usize, 1, 2].map(times), ["0 times", "once", "2 times"]);
    }

    #[test]
    fn durations_keep_their_sign() {
        assert_eq!(DeviceTime(1_500_000).seconds_since(DeviceTime(2_000_000)), -0.5);
        assert_eq!(DeviceTime(2_000_000).plus_seconds(-0.5), DeviceTime(1_500_000));
        assert_eq!(HostTime(2_500_000).seconds_since(HostTime(0)), 2.5);
    }
}
