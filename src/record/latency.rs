//! How long a piece takes from its reception to the disk, as a histogram of fixed size. Pure.

/// Upper edges of the histogram's bars, µs. The last bar, without an edge, holds the rest.
pub const EDGES_US: [i64; 8] = [1_000, 3_000, 10_000, 30_000, 100_000, 300_000, 1_000_000, 3_000_000];

/// How many things took how long.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Latency {
    /// Things in each bar, the one without an edge last.
    pub bars: [u64; EDGES_US.len() + 1],
    /// All times together, µs.
    pub sum_us: u64,
}

impl Latency {
    /// Counts one thing that took so long; a clock that seems to go back counts as no time.
    pub fn note(&mut self, took_us: i64) {
        let bar = EDGES_US.iter().position(|edge_us| took_us <= *edge_us).unwrap_or(EDGES_US.len());
        self.bars[bar] += 1;
        self.sum_us += took_us.max(0).unsigned_abs();
    }

    /// Things counted.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.bars.iter().sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_time_lands_in_its_bar() {
        let mut latency = Latency::default();
        for took_us in [-5, 0, 1_000, 1_001, 3_000_000, 3_000_001, 9_000_000] {
            latency.note(took_us);
        }
        assert_eq!(latency.bars, [3, 1, 0, 0, 0, 0, 0, 1, 2]);
        assert_eq!((latency.count(), latency.sum_us), (7, 1_000 + 1_001 + 3_000_000 + 3_000_001 + 9_000_000));
    }
}
