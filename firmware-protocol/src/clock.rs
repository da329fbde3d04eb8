//! Extending the wire's 32-bit microseconds, which wrap every 71.6 minutes.

/// Extends one node's 32-bit times to 64 bits. A time may lie up to 35.7 minutes before or behind the
/// latest one seen, so frames that overtook each other do no harm.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockUnwrap {
    latest_us: i64,
}

impl ClockUnwrap {
    /// Starts from a full time of the node, as in a Hello or NodeInfo.
    #[must_use]
    pub const fn from_epoch(now_us: u64) -> ClockUnwrap {
        // Beyond 2^63 µs (292 000 years) the cast would turn negative; it keeps the low bits in any case.
        ClockUnwrap { latest_us: now_us as i64 }
    }

    /// The 64-bit time with these low bits that lies nearest to the latest one seen.
    pub fn extend(&mut self, low_bits: u32) -> i64 {
        let step = low_bits.wrapping_sub(self.latest_us as u32) as i32;
        let extended_us = self.latest_us.wrapping_add(i64::from(step));
        self.latest_us = self.latest_us.max(extended_us);
        extended_us
    }

    /// The latest time seen, µs.
    #[must_use]
    pub const fn latest_us(&self) -> i64 {
        self.latest_us
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WRAP: i64 = 1 << 32;

    #[test]
    fn the_epoch_gives_the_high_bits() {
        let mut clock = ClockUnwrap::from_epoch(5 * WRAP as u64 + 10);
        assert_eq!(clock.extend(12), 5 * WRAP + 12);
    }

    #[test]
    fn times_go_on_over_the_wrap_and_back_a_bit() {
        let mut clock = ClockUnwrap::from_epoch(WRAP as u64 - 100);
        assert_eq!(clock.extend(u32::MAX), WRAP - 1);
        assert_eq!(clock.extend(400), WRAP + 400);
        assert_eq!(clock.extend(u32::MAX - 9), WRAP - 10);
        assert_eq!(clock.latest_us(), WRAP + 400, "a late one does not set the clock back");
        assert_eq!(clock.extend(401), WRAP + 401);
        assert_eq!(clock.latest_us(), WRAP + 401);
    }
}
