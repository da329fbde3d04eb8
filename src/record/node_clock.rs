//! Unwraps a node's time stamps and running numbers where the file gives the counters as the sensor has them.
//!
//! A counter is taken to wrap (at 2^32 µs, at 65536 samples) only where it falls by more than half of that
//! and never went beyond it. A stamp that falls by more than ten seconds without a wrap means that the
//! node was switched off and on: both counters then start anew.

/// Fall of the clock, µs, that is taken for a restart of the node.
const RESTART_US: i64 = 10_000_000;

/// One counter.
#[derive(Clone, Debug)]
struct Unwrapper {
    /// Where it wraps.
    modulus: i64,
    /// What it showed last.
    last_raw: Option<i64>,
    /// What the wraps so far add up to.
    added: i64,
    /// Values outside 0..modulus were seen, so it does not wrap there.
    wider: bool,
}

impl Unwrapper {
    fn new(modulus: i64) -> Unwrapper {
        Unwrapper { modulus, last_raw: None, added: 0, wider: false }
    }

    fn unwrap(&mut self, raw: i64) -> i64 {
        self.wider |= !(0..self.modulus).contains(&raw);
        let step = raw.saturating_sub(self.last_raw.unwrap_or(raw));
        if !self.wider && step < -self.modulus / 2 {
            self.added += self.modulus;
        } else if !self.wider && step > self.modulus / 2 && self.added > 0 {
            // A late one from before the wrap.
            self.added -= self.modulus;
        }
        self.last_raw = Some(raw);
        raw.saturating_add(self.added)
    }
}

/// Time and running number of one node.
#[derive(Clone, Debug)]
pub struct NodeClock {
    time: Unwrapper,
    number: Unwrapper,
    last_time: Option<i64>,
    /// How often the node started anew.
    pub restarts: u32,
}

impl Default for NodeClock {
    fn default() -> NodeClock {
        NodeClock {
            time: Unwrapper::new(1 << 32),
            number: Unwrapper::new(1 << 16),
            last_time: None,
            restarts: 0,
        }
    }
}

impl NodeClock {
    /// The running time in µs and the running number for what one row says. The number goes on
    /// modulo 2^32.
    pub fn unwrap(&mut self, raw_t_us: i64, raw_seq: u32) -> (i64, u32) {
        let mut t_us = self.time.unwrap(raw_t_us);
        if self.last_time.is_some_and(|last| last.saturating_sub(t_us) > RESTART_US) {
            *self = NodeClock { restarts: self.restarts + 1, ..NodeClock::default() };
            t_us = self.time.unwrap(raw_t_us);
        }
        self.last_time = Some(t_us);
        (t_us, self.number.unwrap(i64::from(raw_seq)) as u32)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(rows: &[(i64, u32)], expected: &[(i64, u32)], restarts: u32) {
        let mut clock = NodeClock::default();
        let found: Vec<_> = rows.iter().map(|&(t, seq)| clock.unwrap(t, seq)).collect();
        assert_eq!((found.as_slice(), clock.restarts), (expected, restarts));
    }

    #[test]
    fn a_16_bit_number_goes_on_after_its_wrap() {
        check(&[(0, 65535), (1, 0), (2, 1)], &[(0, 65535), (1, 65536), (2, 65537)], 0);
    }

    #[test]
    fn a_late_sample_from_before_the_wrap_stays_before_it() {
        check(
            &[(0, 65534), (2, 0), (1, 65535), (3, 1)],
            &[(0, 65534), (2, 65536), (1, 65535), (3, 65537)],
            0,
        );
    }

    #[test]
    fn a_32_bit_number_does_not_wrap_at_16_bits() {
        check(&[(0, 65_535), (1, 65_536), (2, 10)], &[(0, 65_535), (1, 65_536), (2, 10)], 0);
    }

    #[test]
    fn a_32_bit_clock_goes_on_after_its_wrap() {
        let wrap = 1_i64 << 32;
        check(&[(wrap - 1000, 1), (1000, 2)], &[(wrap - 1000, 1), (wrap + 1000, 2)], 0);
    }

    #[test]
    fn a_restarted_node_starts_anew() {
        check(&[(50_000_000, 40_000), (1_000, 0)], &[(50_000_000, 40_000), (1_000, 0)], 1);
    }

    #[test]
    fn the_ends_of_the_number_line_do_no_harm() {
        let mut clock = NodeClock::default();
        for t in [i64::MAX, i64::MIN, 0, -1, i64::MAX] {
            clock.unwrap(t, u32::MAX);
        }
    }
}
