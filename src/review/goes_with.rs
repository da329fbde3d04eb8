//! What an early or late set goes with in one club's swings: the angle kept between arm and shaft, the wrist at impact, the speed of the arm;
//! and what the swings in the window have in common. Pure. It tells what goes together, not what causes what.

use super::Review;
use super::motion::arm_rate_at_impact;
use super::statistics::{Trend, median, relation};
use crate::detect::{Swing, Verdict};

/// A part of the arm travel by which the set is said to come later.
pub const STEP: f64 = 0.1;

/// A number of a swing that is held against its set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quality {
    /// Angle between forearm and shaft with the arm horizontal in the downswing, degrees.
    ArmShaft,
    /// Flexion at impact against address, degrees; 0 is as at address, more is bowed, less is cupped.
    Wrist,
    /// How fast the arm comes down at impact, °/s.
    Speed,
    /// Backswing over downswing.
    Tempo,
}

impl Quality {
    /// Each of them.
    pub const ALL: [Quality; 4] = [Quality::ArmShaft, Quality::Wrist, Quality::Speed, Quality::Tempo];

    /// The number of a swing, where it is known.
    #[must_use]
    pub fn of(self, swing: &Swing) -> Option<f64> {
        let value = match self {
            Quality::ArmShaft => swing.arm_shaft_deg.arm_horizontal_down?.value,
            Quality::Wrist => swing.flexion_deg.impact?.value,
            Quality::Speed => arm_rate_at_impact(swing)?.abs(),
            Quality::Tempo => swing.tempo.value,
        };
        value.is_finite().then_some(value)
    }
}

/// A quality in the swings with one club.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GoesWith {
    /// Which.
    pub quality: Quality,
    /// Its middle over the swings in the window, and how many they are; none without a window.
    pub in_window: Option<(f64, usize)>,
    /// The same of the other swings.
    pub outside: Option<(f64, usize)>,
    /// Its change where the set comes later by [`STEP`] of the arm travel; none of fewer than ten swings.
    pub per_step: Option<Trend>,
}

/// The qualities of the swings with this club that count.
#[must_use]
pub fn of_club(review: &Review, club: Option<&str>) -> Vec<GoesWith> {
    let swings: Vec<&Swing> =
        review.counted().map(|(_, swing)| swing).filter(|swing| swing.club.as_deref() == club).collect();
    Quality::ALL.into_iter().map(|quality| one(review, &swings, quality)).collect()
}

fn one(review: &Review, swings: &[&Swing], quality: Quality) -> GoesWith {
    let middle = |good: bool| {
        let is_meant = |swing: &&&Swing| {
            review.verdict(swing).is_some_and(|judged| (judged.verdict == Verdict::InWindow) == good)
        };
        let values: Vec<f64> = swings.iter().filter(is_meant).filter_map(|swing| quality.of(swing)).collect();
        Some((median(&values)?, values.len()))
    };
    let points: Vec<(f64, f64)> = swings
        .iter()
        .filter_map(|swing| Some((swing.set?.arm_travel_at_set.value / STEP, quality.of(swing)?)))
        .collect();
    GoesWith { quality, in_window: middle(true), outside: middle(false), per_step: relation(&points) }
}
