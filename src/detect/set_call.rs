//! The set of a swing that is still going on: said as soon as it can be told.
//!
//! The set is the last crossing of 90 % of the hinge range, and the range is only known when the hinge has
//! stopped growing. So the range is foretold, from two sides: what this player reaches with this club, and how
//! far the hinging has slowed down. A hinging that goes from rest to rest in one smooth move is near its end as
//! its rate says (minimum jerk: Flash & Hogan 1985, J Neurosci 5:1688, from memory); how far that holds for
//! this swing is left open by its share in the mean of both. At the top the same is said again from what was
//! really reached.

use super::habits::Habit;
use super::measure::AFTER_TOP;
use super::set::{HingeCurve, SET, SHARES};
use super::{Bands, Class};
use crate::fusion::series::value_at;
use crate::units::DeviceTime;

/// What is seen of a backswing at one instant. Angles in rad, rates in rad/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// Hand clock, s.
    pub t_s: f64,
    /// Arm travel since the takeaway.
    pub travel: f64,
    /// Its rate.
    pub arm_rate: f64,
    /// Hinge, counted from address.
    pub hinge: f64,
    /// Its rate.
    pub hinge_rate: f64,
    /// Where the arm has turned, its instant, hand clock, s.
    pub top_s: Option<f64>,
}

/// What a call is based on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// The range is foretold.
    AtSet,
    /// The arm has turned: the range is the largest hinge so far.
    AtTop,
}

/// The set, as it can be told while the swing goes on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SetCall {
    /// What it is based on.
    pub stage: Stage,
    /// The set, hand clock.
    pub set: DeviceTime,
    /// The instant of the deciding sample, hand clock.
    pub decided_at: DeviceTime,
    /// Arm travel at the set, as a share of the usual one at the top; from the top on, of this swing's.
    pub arm_travel: f64,
    /// How unsure that is (standard deviation): the range is foretold, and so is the top.
    pub arm_travel_sd: f64,
    /// Arm travel at the top that is usual for this player with this club, rad.
    pub usual_travel: f64,
    /// The class that follows.
    pub class: Class,
}

impl SetCall {
    /// Whether it lies clear of every one of these edges of arm travel: near one, saying nothing is better than
    /// saying the wrong thing.
    #[must_use]
    pub fn is_clear_of(&self, edges: &[f64]) -> bool {
        let after_top = self.class == Class::AfterTop;
        after_top || edges.iter().all(|edge| (self.arm_travel - edge).abs() > CLEAR_BY * self.arm_travel_sd)
    }
}

/// So many standard deviations from an edge a call is clear of it.
const CLEAR_BY: f64 = 1.0;

/// Least hinge before the set is said, as a share of 90 % of the least range seen of this player.
const HINGE_MIN: f64 = 0.85;
/// Least peak rate of the hinging, as a share of the slowest seen.
const HINGE_RATE_MIN: f64 = 0.55;
/// Least rate of the arm, as a share of what the slowest swing seen had so far into the backswing.
const ARM_RATE_MIN: f64 = 0.75;
/// Least arm travel, as a share of the usual one at the top.
const TRAVEL_MIN: f64 = 0.06;
/// With this share of all that makes a swing a set may be told soon (judgement): a tenth of a second before it at the
/// rates of a swing.
const NEAR: f64 = 0.5;
/// The hinging is slowing down from this share of its peak rate on.
const SLOWING: f64 = 0.75;
/// Of the way that a slowing move has still to go, this share is unsure (judgement) …
const REST_UNSURE: f64 = 0.6;
/// … and this much besides, rad.
const RANGE_UNSURE: f64 = 1.5 * std::f64::consts::PI / 180.0;
/// Least spread of a player's hinge range that is believed, rad.
const HABIT_SD_MIN: f64 = 1.5 * std::f64::consts::PI / 180.0;
/// A hinging that has more than this share of its peak rate left at the top goes on.
const GOES_ON: f64 = 0.25;
/// Least arm travel at the set that is unsure: the wrist's angles while the swing goes on, the takeaway.
const TRAVEL_SD_MIN: f64 = 0.02;
/// The hinging slows towards its end: no less than this share of its peak rate tells when the set was.
const RATE_AT_SET_MIN: f64 = 0.2;

/// Part of the way of a smooth move at part `tau` of its time.
fn way(tau: f64) -> f64 {
    tau.powi(3) * (10.0 + tau * (6.0 * tau - 15.0))
}

/// Its rate there, as a share of the peak.
fn rate(tau: f64) -> f64 {
    16.0 * (tau * (1.0 - tau)).powi(2)
}

/// Part of the way that is done where the rate has fallen to this share of its peak.
fn way_where_slowed_to(share: f64) -> f64 {
    way(0.5 * (1.0 + (1.0 - share.clamp(0.0, 1.0).sqrt()).sqrt()))
}

/// Largest share of the peak rate that a smooth move has had up to this part of its way.
fn rate_within(part: f64) -> f64 {
    if part >= 0.5 {
        return 1.0;
    }
    let (mut low, mut high) = (0.0, 0.5);
    for _ in 0..30 {
        let middle = 0.5 * (low + high);
        if way(middle) < part { low = middle } else { high = middle }
    }
    rate(low)
}

/// The largest hinge to come, rad, and how unsure it is.
#[derive(Clone, Copy, Debug)]
struct Foretold {
    range: f64,
    sd: f64,
}

/// Follows one backswing and says its set. Memory is bounded by the length of a backswing.
#[derive(Clone, Debug)]
pub struct SetWatch {
    habit: Habit,
    bands: Bands,
    t_s: Vec<f64>,
    hinge: Vec<f64>,
    travel: Vec<f64>,
    /// The largest so far.
    most_hinge: f64,
    most_travel: f64,
    peak_hinge_rate: f64,
    peak_arm_rate: f64,
    said: bool,
    past_top: bool,
    over: bool,
}

impl SetWatch {
    /// A backswing of a player with this habit.
    #[must_use]
    pub fn new(habit: Habit, bands: Bands) -> SetWatch {
        SetWatch {
            habit,
            bands,
            t_s: Vec::new(),
            hinge: Vec::new(),
            travel: Vec::new(),
            most_hinge: 0.0,
            most_travel: 0.0,
            peak_hinge_rate: 0.0,
            peak_arm_rate: 0.0,
            said: false,
            past_top: false,
            over: false,
        }
    }

    /// Whether something may be said soon.
    #[must_use]
    pub fn is_near(&self) -> bool {
        !self.over && self.has_come(NEAR)
    }

    /// Takes the next instant; says the set when this one decides it.
    pub fn step(&mut self, look: &Look, now: DeviceTime) -> Option<SetCall> {
        if self.over {
            return None;
        }
        self.t_s.push(look.t_s);
        self.hinge.push(look.hinge);
        self.travel.push(look.travel);
        self.most_hinge = self.most_hinge.max(look.hinge);
        self.most_travel = self.most_travel.max(look.travel);
        self.peak_arm_rate = self.peak_arm_rate.max(look.arm_rate);
        if look.top_s.is_none() {
            self.peak_hinge_rate = self.peak_hinge_rate.max(look.hinge_rate);
        }
        let call = match look.top_s {
            None => self.before_top(look, now),
            Some(top_s) if !self.past_top => self.at_top(look, top_s, now),
            Some(top_s) => self.after_top(look, top_s, now),
        };
        self.said |= call.is_some();
        call
    }

    fn before_top(&self, look: &Look, now: DeviceTime) -> Option<SetCall> {
        let Foretold { range, sd } = self.foretold_range(look);
        let said = !self.said && look.hinge >= SHARES[SET] * range && self.is_a_swing();
        let top = self.habit.travel_at_top;
        // A level that is off by so much is passed so much earlier or later, while the arm goes on.
        let rate = look.hinge_rate.max(RATE_AT_SET_MIN * self.peak_hinge_rate).max(1e-6);
        let by_range = SHARES[SET] * sd / rate * look.arm_rate / top.mean;
        let by_top = look.travel / top.mean * top.sd / top.mean;
        said.then(|| self.call(Stage::AtSet, range, top.mean, by_range.hypot(by_top), None, now))
    }

    /// At the top the hinge has reached its largest value, unless it is on its way still.
    fn at_top(&mut self, look: &Look, top_s: f64, now: DeviceTime) -> Option<SetCall> {
        self.past_top = true;
        let goes_on = look.hinge_rate > GOES_ON * self.peak_hinge_rate;
        let range = self.most_hinge;
        if !self.is_a_swing() || range < self.least_range() || goes_on {
            return None;
        }
        let at_top = value_at(&self.t_s, &self.travel, top_s);
        Some(self.call(Stage::AtTop, range, at_top, 0.0, Some(top_s), now))
    }

    fn after_top(&mut self, look: &Look, top_s: f64, now: DeviceTime) -> Option<SetCall> {
        self.over = self.said || look.t_s > top_s + AFTER_TOP * self.habit.down_s.mean;
        let range = self.foretold_range(look).range;
        if self.over || look.hinge < SHARES[SET] * range || !self.is_a_swing() {
            return None;
        }
        let at_top = value_at(&self.t_s, &self.travel, top_s);
        Some(self.call(Stage::AtSet, range, at_top, 0.0, Some(top_s), now))
    }

    /// The largest hinge to come: the player's usual one and what the slowing tells, by their variances; never
    /// less than what was reached.
    fn foretold_range(&self, look: &Look) -> Foretold {
        let Habit { range, .. } = self.habit;
        let reached = self.most_hinge;
        let usual_sd = range.sd.max(HABIT_SD_MIN);
        let usual_weight = usual_sd.powi(-2);
        let left = look.hinge_rate.max(0.0) / self.peak_hinge_rate.max(1e-9);
        if left > SLOWING {
            return Foretold { range: range.mean.max(reached), sd: usual_sd };
        }
        let slowing = look.hinge / way_where_slowed_to(left);
        let weight = (REST_UNSURE * (slowing - look.hinge)).hypot(RANGE_UNSURE).powi(-2);
        let mean = (range.mean * usual_weight + slowing * weight) / (usual_weight + weight);
        Foretold { range: mean.max(reached), sd: (usual_weight + weight).powf(-0.5) }
    }

    fn least_range(&self) -> f64 {
        self.bands.least_range_deg.to_radians()
    }

    /// The hinge that a set has at least.
    fn least_hinge(&self) -> f64 {
        SHARES[SET] * (HINGE_MIN * self.habit.range.least).max(self.least_range())
    }

    /// As large and as fast as this player's swings are: a waggle, a rehearsal and a walk are not.
    fn is_a_swing(&self) -> bool {
        self.has_come(1.0)
    }

    /// Whether everything that makes a swing has come to this share of its least.
    fn has_come(&self, share: f64) -> bool {
        let Habit { travel_at_top, hinge_rate, arm_rate, .. } = self.habit;
        let part = self.most_travel / travel_at_top.mean;
        part >= share * TRAVEL_MIN
            && self.most_hinge >= share * self.least_hinge()
            && self.peak_hinge_rate >= share * HINGE_RATE_MIN * hinge_rate.least
            && self.peak_arm_rate >= share * ARM_RATE_MIN * arm_rate.least * rate_within(part)
    }

    fn call(
        &self,
        stage: Stage,
        range: f64,
        travel_at_top: f64,
        travel_sd: f64,
        top_s: Option<f64>,
        now: DeviceTime,
    ) -> SetCall {
        let curve = HingeCurve { t_s: &self.t_s, hinge: &self.hinge };
        let (first_s, last_s) = (self.t_s[0], self.t_s[self.t_s.len() - 1]);
        let set_s = curve.last_upward(SHARES[SET] * range, first_s, last_s + 1e-9);
        let arm_travel = value_at(&self.t_s, &self.travel, set_s) / travel_at_top;
        let to_top_ms = top_s.map_or(f64::NEG_INFINITY, |top_s| (set_s - top_s) * 1e3);
        SetCall {
            stage,
            set: DeviceTime::at_seconds(set_s),
            decided_at: now,
            arm_travel,
            arm_travel_sd: travel_sd.hypot(TRAVEL_SD_MIN),
            usual_travel: self.habit.travel_at_top.mean,
            class: self.bands.class(to_top_ms, arm_travel),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::habits::Usual;
    use super::*;
    use proptest::prelude::*;

    /// Hinge range, arm travel and durations of the player's usual swing, rad and s.
    const USUAL: Played = Played { range: 0.5, move_s: 0.32, set_at: 0.5, travel: 2.4, back_s: 1.0 };

    /// A backswing of smooth moves; `set_at` is the part of the arm's time at which the hinge is set.
    #[derive(Clone, Copy, Debug)]
    struct Played {
        range: f64,
        move_s: f64,
        set_at: f64,
        travel: f64,
        back_s: f64,
    }

    impl Played {
        /// Value and rate of a smooth move at an instant.
        fn smooth(t_s: f64, start_s: f64, length_s: f64, change: f64) -> (f64, f64) {
            let tau = ((t_s - start_s) / length_s).clamp(0.0, 1.0);
            (change * way(tau), change * 1.875 * rate(tau) / length_s)
        }

        fn set_s(&self) -> f64 {
            self.set_at * self.back_s
        }

        /// The calls, first to last, up to shortly after the top.
        fn calls(&self) -> Vec<SetCall> {
            let even = |mean: f64| Usual { mean, sd: 0.05 * mean, least: 0.93 * mean };
            let habit = Habit {
                range: even(USUAL.range),
                travel_at_top: even(USUAL.travel),
                hinge_rate: even(1.875 * USUAL.range / USUAL.move_s),
                arm_rate: even(1.875 * USUAL.travel / USUAL.back_s),
                down_s: even(0.3),
            };
            let mut watch = SetWatch::new(habit, Bands::default());
            // A smooth move has done 90 % of its way at 0.7527 of its time.
            let start_s = self.set_s() - 0.7527 * self.move_s;
            let look = |t_s: f64| {
                let (hinge, hinge_rate) = Played::smooth(t_s, start_s, self.move_s, self.range);
                let (travel, arm_rate) = Played::smooth(t_s, 0.0, self.back_s, self.travel);
                let top_s = (t_s > self.back_s).then_some(self.back_s);
                Look { t_s, travel, arm_rate, hinge, hinge_rate, top_s }
            };
            let steps = (0..((self.back_s + 0.1) * 500.0) as i32).map(|i| f64::from(i) * 0.002);
            steps.filter_map(|t_s| watch.step(&look(t_s), DeviceTime((t_s * 1e6) as i64))).collect()
        }
    }

    #[test]
    fn a_smooth_move_is_where_its_rate_says() {
        for tau in [0.5, 0.6, 0.75, 0.9] {
            assert!((way_where_slowed_to(rate(tau)) - way(tau)).abs() < 1e-9, "{tau}");
            assert!((rate_within(way(1.0 - tau)) - rate(tau)).abs() < 1e-6, "{tau}");
        }
    }

    proptest! {
        #[test]
        fn a_swing_like_the_others_is_told_at_its_set_and_again_at_the_top(
            range in 0.45..0.55_f64, move_s in 0.28..0.36_f64, set_at in 0.4..0.7_f64,
        ) {
            let played = Played { range, move_s, set_at, ..USUAL };
            let calls = played.calls();
            let stages: Vec<Stage> = calls.iter().map(|call| call.stage).collect();
            prop_assert_eq!(stages, vec![Stage::AtSet, Stage::AtTop]);
            let decided_s = calls[0].decided_at.0 as f64 * 1e-6;
            prop_assert!((decided_s - played.set_s()).abs() < 0.045, "{decided_s} of {}", played.set_s());
            prop_assert!(calls.iter().all(|call| call.set <= call.decided_at), "nothing is said before it is seen");
            let at_top_s = calls[1].set.0 as f64 * 1e-6;
            prop_assert!((at_top_s - played.set_s()).abs() < 0.002, "the top knows the range");
        }

        #[test]
        fn a_slow_or_a_small_movement_stays_silent(slower in 2.0..6.0_f64, smaller in 0.0..0.6_f64, set_at in 0.4..0.9_f64) {
            let slow = Played { move_s: USUAL.move_s * slower, back_s: USUAL.back_s * slower, set_at, ..USUAL };
            prop_assert!(slow.calls().is_empty());
            let small = Played { range: USUAL.range * smaller, travel: USUAL.travel * 0.1, set_at, ..USUAL };
            prop_assert!(small.calls().is_empty());
        }
    }
}
