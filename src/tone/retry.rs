//! When to look for the sound server again, and when to say so. Pure.

use std::time::Duration;

/// First wait after a loss.
const FIRST_WAIT: Duration = Duration::from_millis(500);
/// No wait is longer.
pub const LONGEST_WAIT: Duration = Duration::from_secs(30);
/// A connection that held this long ends an outage; a shorter one may be a server that fails again and again.
pub const HELD_WELL: Duration = Duration::from_secs(10);

/// Counts the failures of one outage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Outage {
    failures: u32,
}

impl Outage {
    /// A connection failed or ended after it held for `held`. True when this begins an outage, so that it is said once.
    pub fn failed(&mut self, held: Duration) -> bool {
        if held >= HELD_WELL {
            self.failures = 0;
        }
        self.failures = self.failures.saturating_add(1);
        self.failures == 1
    }

    /// How long to wait before the next attempt: doubles from half a second, up to [`LONGEST_WAIT`].
    #[must_use]
    pub fn wait(&self) -> Duration {
        let doublings = self.failures.saturating_sub(1).min(16);
        (FIRST_WAIT * 2u32.pow(doublings)).min(LONGEST_WAIT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_up_to_a_bound() {
        let mut outage = Outage::default();
        let waits_ms: Vec<u128> = (0..9)
            .map(|_| {
                outage.failed(Duration::ZERO);
                outage.wait().as_millis()
            })
            .collect();
        assert_eq!(waits_ms, [500, 1000, 2000, 4000, 8000, 16_000, 30_000, 30_000, 30_000]);
    }

    #[test]
    fn an_outage_is_said_once_and_ends_when_the_server_held() {
        let mut outage = Outage::default();
        assert!(outage.failed(Duration::ZERO));
        assert!(!outage.failed(Duration::from_secs(3)), "a short life is the same outage");
        assert!(outage.failed(HELD_WELL));
        assert_eq!(outage.wait(), FIRST_WAIT);
    }
}
