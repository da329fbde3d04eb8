//! What can go wrong on a link, drawn from a seed: for the firmware peer. Pure.

use crate::sample::NodeRole;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

/// How bad a link is. The default is a perfect one.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Faults {
    /// The same seed gives the same faults.
    pub seed: u64,
    /// Share of frames that never arrive, 0 to 1.
    pub loss: f64,
    /// Share of frames that arrive twice, 0 to 1.
    pub duplicate: f64,
    /// Share of frames with one flipped bit, 0 to 1. The delimiter is never hit, so the frames beside a
    /// damaged one stay whole.
    pub corruption: f64,
    /// Longest extra delay of a frame, µs. A line does not reorder: a late frame delays those behind it.
    pub jitter_us: i64,
    /// How much faster the clocks of all nodes but the hand run, parts per million.
    pub skew_ppm: f64,
}

/// What becomes of one frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fate {
    /// It arrives.
    Whole,
    /// It does not arrive.
    Lost,
    /// It arrives twice.
    Doubled,
    /// It arrives with a flipped bit.
    Damaged,
}

/// Draws faults.
#[derive(Clone, Debug)]
pub struct FaultSource {
    faults: Faults,
    rng: StdRng,
}

impl FaultSource {
    /// Faults of this kind, from their seed.
    #[must_use]
    pub fn new(faults: Faults) -> FaultSource {
        FaultSource { faults, rng: StdRng::seed_from_u64(faults.seed) }
    }

    /// What becomes of the next frame.
    pub fn fate(&mut self) -> Fate {
        let Faults { loss, duplicate, corruption, .. } = self.faults;
        let draw: f64 = self.rng.random();
        match draw {
            draw if draw < loss => Fate::Lost,
            draw if draw < loss + duplicate => Fate::Doubled,
            draw if draw < loss + duplicate + corruption => Fate::Damaged,
            _ => Fate::Whole,
        }
    }

    /// The extra delay of the next frame, µs.
    pub fn delay_us(&mut self) -> i64 {
        if self.faults.jitter_us > 0 { self.rng.random_range(0..=self.faults.jitter_us) } else { 0 }
    }

    /// Flips one bit, not of the last byte, which is the delimiter.
    pub fn flip_bit(&mut self, wire: &mut [u8]) {
        if wire.len() > 1 {
            let byte = self.rng.random_range(0..wire.len() - 1);
            wire[byte] ^= 1 << self.rng.random_range(0..8);
        }
    }

    /// What the clock of a node in this role shows at `t_us`, `origin_us` being where it is still right.
    #[must_use]
    pub fn skewed_us(&self, role: NodeRole, t_us: i64, origin_us: i64) -> i64 {
        match role {
            NodeRole::Hand => t_us,
            _ => t_us + ((t_us - origin_us) as f64 * self.faults.skew_ppm * 1e-6).round() as i64,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_faults_in_their_shares() {
        let faults = Faults { seed: 7, loss: 0.1, duplicate: 0.2, corruption: 0.3, ..Faults::default() };
        let draw = || {
            let mut source = FaultSource::new(faults);
            (0..10_000).map(|_| source.fate()).collect::<Vec<_>>()
        };
        let fates = draw();
        assert_eq!(fates, draw());
        let share = |fate| fates.iter().filter(|other| **other == fate).count();
        assert!((900..1100).contains(&share(Fate::Lost)), "{}", share(Fate::Lost));
        assert!((1850..2150).contains(&share(Fate::Doubled)), "{}", share(Fate::Doubled));
        assert!((2850..3150).contains(&share(Fate::Damaged)), "{}", share(Fate::Damaged));
    }

    #[test]
    fn a_skewed_clock_gains() {
        let source = FaultSource::new(Faults { skew_ppm: 50.0, ..Faults::default() });
        assert_eq!(source.skewed_us(NodeRole::Forearm, 11_000_000, 1_000_000), 11_000_500);
        assert_eq!(source.skewed_us(NodeRole::Hand, 11_000_000, 1_000_000), 11_000_000);
    }

    #[test]
    fn the_delimiter_is_never_hit() {
        let mut source = FaultSource::new(Faults::default());
        for _ in 0..100 {
            let mut wire = [3, 1, 2, 0];
            source.flip_bit(&mut wire);
            let flipped: u32 = wire.iter().zip([3, 1, 2, 0]).map(|(a, b)| (a ^ b).count_ones()).sum();
            assert_eq!((flipped, wire[3]), (1, 0));
        }
    }
}
