//! Whether the nodes were heard through an episode. Times in s.

use super::episode::Episode;
use crate::fusion::clock::ClockMap;
use crate::fusion::series::{Reading, between};

/// A node that is not heard for longer than this has fallen silent: no bridge over so long a gap tells how it moved, and
/// no packet on the way is that late (judgement).
const SILENT_S: f64 = 0.3;
/// Steps between readings longer than this are gaps.
const GAP_S: f64 = 0.05;

impl Episode {
    /// Whether the forearm's node is missing for most of it.
    #[must_use]
    pub fn is_hand_alone(&self) -> bool {
        covered_s(&self.forearm) < 0.5 * covered_s(&self.hand)
    }

    /// Whether the forearm fell silent for a while, or for good, between two instants of the hand clock.
    #[must_use]
    pub fn forearm_fell_silent(&self, clock: &ClockMap, from_s: f64, until_s: f64) -> bool {
        longest_silence_s(&self.forearm, clock.forearm_s(from_s), clock.forearm_s(until_s)) > SILENT_S
    }

    /// Whether either node fell silent in the fast motion; `offset_s` is the forearm clock less the hand clock, about.
    #[must_use]
    pub fn fell_silent(&self, offset_s: f64) -> bool {
        let (from_s, until_s) =
            (self.fast_from_s, self.hand.last().map_or(self.fast_from_s, |last| last.t_s));
        let clock = ClockMap::line(offset_s, 0.0, from_s);
        longest_silence_s(&self.hand, from_s, until_s) > SILENT_S
            || self.forearm_fell_silent(&clock, from_s, until_s)
    }

    /// The same as it would be with the hand node alone.
    #[must_use]
    pub fn without_forearm(&self) -> Episode {
        Episode { forearm: Vec::new(), ..self.clone() }
    }
}

/// How much time readings cover, gaps left out.
fn covered_s(readings: &[Reading]) -> f64 {
    readings.windows(2).map(|pair| (pair[1].t_s - pair[0].t_s).min(GAP_S)).sum()
}

/// For how long nothing was read in a row between two instants.
fn longest_silence_s(readings: &[Reading], from_s: f64, until_s: f64) -> f64 {
    let inside = between(readings, from_s, until_s).iter().map(|reading| reading.t_s);
    let ends = inside.chain([until_s]);
    let (longest_s, _) =
        ends.fold((0.0_f64, from_s), |(longest_s, last_s), t_s| (longest_s.max(t_s - last_s), t_s));
    longest_s
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector3;

    #[test]
    fn silence_is_the_longest_stretch_without_a_reading() {
        let reading =
            |t_s: f64| Reading { t_s, rate: Vector3::zeros(), force_g: Vector3::zeros(), clipped: false };
        let readings: Vec<Reading> = [0.0, 1.0, 1.1, 1.5, 1.6].map(reading).to_vec();
        let silence_s = |from_s, until_s| longest_silence_s(&readings, from_s, until_s);
        assert!((silence_s(1.0, 1.6) - 0.4).abs() < 1e-9, "within");
        assert!((silence_s(0.5, 1.2) - 0.5).abs() < 1e-9, "before the first");
        assert!((silence_s(1.05, 3.0) - 1.4).abs() < 1e-9, "after the last");
        assert!((silence_s(5.0, 7.0) - 2.0).abs() < 1e-9, "not heard at all");
        assert!((longest_silence_s(&[], 5.0, 7.0) - 2.0).abs() < 1e-9);
    }
}
