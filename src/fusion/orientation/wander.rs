//! Whether a gyro's bias wanders faster than it is expected to: temperature moves it, and moments of rest, one after
//! the other, then differ from what is known in the same direction.

use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Share of the newest moment of rest in the mean over the recent ones (judgement: some seven of them count).
const NEWEST: f64 = 0.15;
/// A moment of rest farther off than so many standard deviations was none: a player who turns slowly.
const OUTLYING: f64 = 3.0;
/// A mean farther from none than so many of its standard deviations is no chance (squared).
const CLEAR: f64 = 4.0;

/// Means over the recent moments of rest, per axis of the sensor.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Wander {
    /// Mean rate less the bias that was known, rad/s.
    off: Vector3<f64>,
    /// Its variance if nothing wanders, (rad/s)².
    by_chance: Vector3<f64>,
}

impl Wander {
    /// Takes what the next moment of rest was off, rad/s, and what its square was expected to be. Gives by how much the
    /// bias is less sure than that for it, (rad/s)² per axis: not at all where this moment does not go with those before.
    pub fn push(&mut self, off: &Vector3<f64>, expected: &Vector3<f64>) -> Vector3<f64> {
        let believed = off.zip_map(expected, |off, expected| {
            let most = OUTLYING * expected.sqrt();
            off.clamp(-most, most)
        });
        self.off += (believed - self.off) * NEWEST;
        self.by_chance = self.by_chance * (1.0 - NEWEST).powi(2) + expected * NEWEST.powi(2);
        self.variance().zip_zip_map(off, expected, |more, off, expected| {
            let goes_along = off * off <= OUTLYING.powi(2) * (expected + more);
            if goes_along { more } else { 0.0 }
        })
    }

    /// How far the bias has run away from what is known, by more than chance, (rad/s)² per axis.
    #[must_use]
    pub fn variance(&self) -> Vector3<f64> {
        self.off.zip_map(&self.by_chance, |off, by_chance| (off * off - CLEAR * by_chance).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn after(offs: impl Iterator<Item = f64>) -> f64 {
        let mut wander = Wander::default();
        for off in offs {
            wander.push(&Vector3::repeat(off), &Vector3::repeat(0.01));
        }
        wander.variance().x.sqrt()
    }

    #[test]
    fn what_is_off_the_same_way_again_and_again_has_run_away() {
        assert!((after((0..40).map(|_| 0.2)) - 0.19).abs() < 0.02);
        assert_eq!(after((0..20).map(|i| if i % 2 == 0 { 0.2 } else { -0.2 })), 0.0, "to and fro");
        assert_eq!(after(std::iter::once(0.15)), 0.0, "once");
        assert_eq!(after((0..20).map(|_| 0.05)), 0.0, "within what is expected");
        assert_eq!(after((0..20).map(|i| if i == 10 { 3.0 } else { 0.0 })), 0.0, "one that was no rest");
    }
}
