//! What a player usually does with each club: how far he hinges, how far his arm travels, how fast. Learnt from
//! his swings; while a swing is going on, it stands for what is still to come of it.

use super::set::{SET, SHARES};
use super::{CurvePoint, Swing};
use std::collections::{BTreeMap, VecDeque};

/// So many swings of a club are remembered.
const REMEMBERED: usize = 12;
/// So many clubs are.
const CLUBS_MAX: usize = 32;
/// Rates are taken over this stretch, s.
const RATE_OVER_S: f64 = 0.02;

/// One swing, as far as it tells of the next. Angles in rad, rates in rad/s, times in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SwingHabit {
    /// Hinge range that the set is counted by.
    pub range: f64,
    /// Arm travel at the top.
    pub travel_at_top: f64,
    /// Fastest hinging before the set.
    pub hinge_rate: f64,
    /// Fastest arm in the backswing.
    pub arm_rate: f64,
    /// From the top until the arm is back.
    pub down_s: f64,
}

impl SwingHabit {
    /// Reads a measured swing; none where it has no set.
    #[must_use]
    pub fn of(swing: &Swing) -> Option<SwingHabit> {
        let (set, hinge_at_set) = (swing.set?, swing.hinge_deg.set?);
        let before = |until| {
            let from = swing.curve.partition_point(|point| point.t < swing.takeaway);
            let to = swing.curve.partition_point(|point| point.t <= until);
            swing.curve.get(from..to).unwrap_or(&[])
        };
        let to_top = before(swing.top);
        let back = swing.curve.iter().find(|point| point.t > swing.top && point.arm_travel_deg <= 0.0)?;
        let habit = SwingHabit {
            range: hinge_at_set.value.to_radians() / SHARES[SET],
            travel_at_top: to_top.last()?.arm_travel_deg.to_radians(),
            hinge_rate: fastest_deg(before(set.set), |point| point.hinge_deg).to_radians(),
            arm_rate: fastest_deg(to_top, |point| point.arm_travel_deg).to_radians(),
            down_s: back.t.seconds_since(swing.top),
        };
        let all = [habit.range, habit.travel_at_top, habit.hinge_rate, habit.arm_rate, habit.down_s];
        all.iter().all(|value| value.is_finite() && *value > 0.0).then_some(habit)
    }
}

/// Largest rise of an angle, degrees per s.
fn fastest_deg(points: &[CurvePoint], angle_deg: impl Fn(&CurvePoint) -> f64) -> f64 {
    let mut start = 0;
    let mut fastest: f64 = 0.0;
    for point in points {
        while point.t.seconds_since(points[start].t) > RATE_OVER_S {
            start += 1;
        }
        let step_s = point.t.seconds_since(points[start].t);
        if step_s > 0.5 * RATE_OVER_S {
            fastest = fastest.max((angle_deg(point) - angle_deg(&points[start])) / step_s);
        }
    }
    fastest
}

/// A usual value and how far single swings lie from it (one standard deviation).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Usual {
    /// Mean.
    pub mean: f64,
    /// Standard deviation between swings.
    pub sd: f64,
    /// Least of them.
    pub least: f64,
}

/// What is usual for a player with one club. Angles in rad, rates in rad/s, times in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Habit {
    /// Hinge range.
    pub range: Usual,
    /// Arm travel at the top.
    pub travel_at_top: Usual,
    /// Fastest hinging before the set.
    pub hinge_rate: Usual,
    /// Fastest arm in the backswing.
    pub arm_rate: Usual,
    /// From the top until the arm is back.
    pub down_s: Usual,
}

/// Why the set of a swing was not foretold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Silence {
    /// Too few swings with this club so far.
    TooFewSwings,
    /// This player's swings with this club differ too much from each other.
    TooVaried,
    /// The set was not clear before the swing was over.
    NotClear,
}

impl Silence {
    /// The same in a sentence.
    #[must_use]
    pub fn sentence(self) -> String {
        match self {
            Silence::TooFewSwings => format!(
                "the set is said while you swing once {SWINGS_MIN} swings with this club have been measured"
            ),
            Silence::TooVaried => {
                "swings with this club differ too much to say the set while you swing".to_owned()
            }
            Silence::NotClear => "the set was not clear while you swung".to_owned(),
        }
    }
}

/// So many swings with a club are seen before anything is foretold (judgement: fewer give no spread).
const SWINGS_MIN: usize = 3;
/// Most spread of arm travel at the top and of the hinge range, as a share, that lets anything be foretold.
const SPREAD_MAX: (f64, f64) = (0.12, 0.22);

/// What was learnt of a player, by club.
#[derive(Clone, Debug, Default)]
pub struct Habits {
    by_club: BTreeMap<Option<String>, VecDeque<SwingHabit>>,
}

impl Habits {
    /// Takes in a measured swing.
    pub fn learn(&mut self, swing: &Swing) {
        let Some(habit) = SwingHabit::of(swing) else { return };
        if self.by_club.len() >= CLUBS_MAX && !self.by_club.contains_key(&swing.club) {
            return;
        }
        self.add(swing.club.clone(), habit);
    }

    fn add(&mut self, club: Option<String>, habit: SwingHabit) {
        let swings = self.by_club.entry(club).or_default();
        swings.push_back(habit);
        if swings.len() > REMEMBERED {
            swings.pop_front();
        }
    }

    /// What is usual with a club.
    ///
    /// # Errors
    /// Too little is known, or what is known differs too much.
    pub fn with(&self, club: Option<&str>) -> Result<Habit, Silence> {
        let swings = self.by_club.get(&club.map(str::to_owned)).ok_or(Silence::TooFewSwings)?;
        if swings.len() < SWINGS_MIN {
            return Err(Silence::TooFewSwings);
        }
        let usual = |of: fn(&SwingHabit) -> f64| usual(swings.iter().map(of));
        let habit = Habit {
            range: usual(|swing| swing.range),
            travel_at_top: usual(|swing| swing.travel_at_top),
            hinge_rate: usual(|swing| swing.hinge_rate),
            arm_rate: usual(|swing| swing.arm_rate),
            down_s: usual(|swing| swing.down_s),
        };
        let spread = |usual: Usual| usual.sd / usual.mean;
        let varied = spread(habit.travel_at_top) > SPREAD_MAX.0 || spread(habit.range) > SPREAD_MAX.1;
        if varied { Err(Silence::TooVaried) } else { Ok(habit) }
    }
}

fn usual(values: impl Iterator<Item = f64> + Clone) -> Usual {
    let n = values.clone().count().max(1) as f64;
    let mean = values.clone().sum::<f64>() / n;
    let variance = values.clone().map(|value| (value - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
    Usual { mean, sd: variance.sqrt(), least: values.fold(f64::INFINITY, f64::min) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn habit(range: f64, travel_at_top: f64) -> SwingHabit {
        SwingHabit { range, travel_at_top, hinge_rate: 2.5, arm_rate: 4.0, down_s: 0.3 }
    }

    fn habits(swings: &[SwingHabit]) -> Habits {
        let mut habits = Habits::default();
        swings.iter().for_each(|swing| habits.add(None, *swing));
        habits
    }

    #[test]
    fn a_club_is_known_after_some_swings_of_its_own() {
        let few = habits(&[habit(0.5, 2.2); SWINGS_MIN - 1]);
        assert_eq!(few.with(None), Err(Silence::TooFewSwings));
        let enough = habits(&[habit(0.5, 2.2); SWINGS_MIN]);
        assert!((enough.with(None).unwrap().range.mean - 0.5).abs() < 1e-12);
        assert_eq!(enough.with(Some("iron")), Err(Silence::TooFewSwings));
    }

    #[test]
    fn chips_among_full_swings_tell_nothing_of_the_next_swing() {
        let mixed = habits(&[habit(0.5, 2.2), habit(0.4, 0.7), habit(0.5, 2.3)]);
        assert_eq!(mixed.with(None), Err(Silence::TooVaried));
    }

    proptest! {
        #[test]
        fn the_usual_lies_among_the_swings(ranges in prop::collection::vec(0.4..0.6_f64, 3..40)) {
            let swings: Vec<SwingHabit> = ranges.iter().map(|range| habit(*range, 2.2)).collect();
            let found = habits(&swings).with(None).unwrap().range;
            let recent = &ranges[ranges.len().saturating_sub(REMEMBERED)..];
            let least = recent.iter().copied().fold(f64::INFINITY, f64::min);
            let most = recent.iter().copied().fold(0.0, f64::max);
            prop_assert_eq!(found.least, least);
            prop_assert!(found.mean >= least - 1e-12 && found.mean <= most + 1e-12);
        }
    }
}
