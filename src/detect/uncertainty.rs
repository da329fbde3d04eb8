//! How certain the angles and the set are: the joint estimate's covariance carried through to them, and
//! what the signal itself shows of the model's limits.

use super::address::ADDRESS_S;
use super::candidate::Candidate;
use super::instant_sd;
use super::measure::{Curves, Instants, MeasureParams, WristKnowledge, mean_between, roll_from};
use super::set::{Crossings, HingeCurve, SET, SHARES};
use crate::fusion::errors::GloveErrors;
use crate::fusion::hub::HubEstimate;
use crate::fusion::joint::relative::{NodeAt, Pair, Relative};
use crate::fusion::joint::{AXES, TISSUE, UNKNOWNS, moved_axis};
use crate::fusion::series::value_at;
use crate::fusion::wrist::{self, WristAxes};
use nalgebra::{DMatrix, DVector, Matrix2x3, SVector, UnitQuaternion, Vector2, Vector3};
use std::rc::Rc;

/// Angle error that no estimate sees: noise, counts, g-sensitivity, rad.
const SENSOR_SD: f64 = 0.02 * std::f64::consts::PI / 180.0;
/// The third angle is what the fit has left of the model's error: so much of its variance where very many swings were
/// estimated together (judgement, from study buckets with seeds under 100, as the next one) …
const LEFT: f64 = 0.25;
/// … and less where few were: the unknowns that swings share take so many times as much, divided among them.
const SHARED_TAKE: f64 = 4.0;
/// Least timing error: sampling jitter and what is left of filter delays, s.
const TIMING_SD_S: f64 = 0.0002;
/// Soft tissue creeps after the bone by so much, s (judgement: tens of ms): what it hides comes late.
const CREEP_S: f64 = 0.02;
/// Peaks of the hinge nearer to each other than this are looked at, rad.
const ALIKE: f64 = std::f64::consts::PI / 180.0;
/// Spacing of the derivatives, s.
const SPACING_S: f64 = 0.008;
/// The derivatives end so long after the ball, s.
const AFTER_BALL_S: f64 = 0.2;
/// Step of the numerical derivatives, rad.
const STEP: f64 = 1e-4;

/// The hub's priors reach for every body that there is, so its deviations are wide for most: so much of them counts
/// (judgement, from virtual buckets with seeds under 100, as the next one) …
const HUB_SHARE: f64 = 0.7;
/// … and so much of that for a set's level, which most errors leave as it is and few move far.
const HUB_LEVEL_SHARE: f64 = 0.6;
/// The hub's model rounds off where a wrist begins and ends to move, by so much, rad (judgement, from study buckets
/// with seeds under 100, as the next one).
const HUB_QUICK_SD: f64 = 0.4 * std::f64::consts::PI / 180.0;
/// A body that moves otherwise than the hub's model expects moves hinge and flexion over the whole swing, rad: the
/// wandering of the shoulder stands for some of that only.
const HUB_STEADY_SD: [f64; 2] = [1.5 * std::f64::consts::PI / 180.0, 8.0 * std::f64::consts::PI / 180.0];

type Derivatives = SVector<f64, UNKNOWNS>;

/// Derivatives of one angle, counted from address, by the unknowns, over time.
pub(super) struct AngleSpread {
    t_s: Vec<f64>,
    by_unknown: Vec<DVector<f64>>,
    covariance: Rc<DMatrix<f64>>,
    model_sd: f64,
    /// Error of the model that stays the same over the swing once the wrist has moved, rad.
    steady_sd: f64,
    /// How well it is known where the angle counts from, rad.
    zero_sd: f64,
    /// Variance of what had to be mended since address, rad².
    mended: Vec<f64>,
}

impl AngleSpread {
    fn derivatives_at(&self, t_s: f64) -> DVector<f64> {
        let after = self.t_s.partition_point(|t| *t <= t_s);
        let Some(before) = after.checked_sub(1) else {
            let none = || DVector::zeros(self.covariance.nrows());
            return self.by_unknown.first().cloned().unwrap_or_else(none);
        };
        let (d0, t0) = (&self.by_unknown[before], self.t_s[before]);
        let next = self.by_unknown.get(after).zip(self.t_s.get(after));
        next.map_or_else(|| d0.clone(), |(d1, t1)| d0 + (d1 - d0) * ((t_s - t0) / (t1 - t0)))
    }

    /// Standard deviation from the estimate alone, rad.
    fn estimate_sd(&self, derivatives: &DVector<f64>) -> f64 {
        derivatives.dot(&(&*self.covariance * derivatives)).max(0.0).sqrt()
    }

    fn sd_of(&self, derivatives: &DVector<f64>) -> f64 {
        self.estimate_sd(derivatives).hypot(self.model_sd)
    }

    /// Standard deviation of the angle between two instants from what had to be mended, rad.
    fn mended_between(&self, from_s: f64, to_s: f64) -> f64 {
        let at = |t_s| value_at(&self.t_s, &self.mended, t_s);
        (at(to_s) - at(from_s)).abs().sqrt()
    }

    /// Standard deviation of the angle against its address value at an instant, rad.
    pub fn sd_at(&self, t_s: f64) -> f64 {
        self.sd_of(&self.derivatives_at(t_s))
            .hypot(self.steady_sd)
            .hypot(self.zero_sd)
            .hypot(value_at(&self.t_s, &self.mended, t_s).sqrt())
    }
}

/// The uncertainty of one swing.
pub(super) struct Spread {
    pub hinge: AngleSpread,
    pub flexion: AngleSpread,
    pub takeaway_sd_s: f64,
    pub top_sd_s: f64,
    /// How well the forearm's long axis is known, rad.
    long_axis_sd: f64,
    /// Share of the wrist's bend that soft tissue may well hide.
    tissue: f64,
    /// Share of the estimate's deviation by which a set's level is off.
    level_share: f64,
    /// Share of what a level moves the set that is off by two deviations.
    far_share: f64,
}

impl Spread {
    /// Standard deviation of the crossing of one of [`SHARES`], s: the hinge's error there, less the share of its error
    /// at the largest hinge that moves the level along, divided by the slope around the crossing. What is wrong with the
    /// model comes with the motion: its variance grows with the way that the hinge has gone, and is that of the set there.
    pub fn crossing_sd_s(&self, curve: &HingeCurve, crossings: &Crossings, which: usize) -> f64 {
        let (share, crossed_s) = (SHARES[which], crossings.at_s[which]);
        let at_crossing = self.hinge.derivatives_at(crossed_s);
        let at_max = self.hinge.derivatives_at(crossings.max_s);
        let mended = self.hinge.mended_between(crossed_s, crossings.max_s);
        let of_level = (at_crossing - at_max * share) * self.level_share;
        let of_model = self.hinge.model_sd.hypot(self.hinge.steady_sd * (1.0 - share));
        let level_sd = self
            .hinge
            .estimate_sd(&of_level)
            .hypot(of_model * (share / SHARES[SET]).sqrt())
            .hypot(mended)
            .hypot(self.hinge.zero_sd * (1.0 - share))
            .hypot(share * self.cut_sd(curve, crossings));
        // A level that is off by more may find another crossing: two deviations are asked, too.
        let shift = |by: f64| {
            let (before, after) = curve.shifts(crossings, which, by);
            0.5 * (after - before).abs()
        };
        shift(level_sd)
            .max(self.far_share * shift(2.0 * level_sd))
            .hypot(TIMING_SD_S)
            .hypot(CREEP_S * self.tissue)
            .hypot(self.other_peak_sd_s(curve, crossings, which))
    }

    /// Where the hinge still grows at the end of the window it is as large there as the end is late: as unsure as the
    /// top, rad.
    fn cut_sd(&self, curve: &HingeCurve, crossings: &Crossings) -> f64 {
        let end_s = crossings.window.to_s;
        if crossings.max_s < end_s {
            return 0.0;
        }
        (curve.at(end_s + self.top_sd_s) - curve.at(end_s - self.top_sd_s)).abs() * 0.5
    }

    /// Standard deviation of the arm's travel at an instant, as a share of that at the top, from a long axis that is
    /// off within the swing's plane: the roll turns it out of the plane, and with it what it adds to the travel.
    pub fn travel_sd(&self, candidate: &Candidate, instants: &Instants, at_s: f64) -> f64 {
        let Candidate { arm, phases, .. } = candidate;
        let roll = roll_from(candidate, instants.takeaway_s);
        let lost = |t_s: f64| 1.0 - value_at(&arm.t_s, &roll, t_s).cos();
        let travel = value_at(&arm.t_s, &phases.travel, at_s) / phases.travel_at_top;
        (self.long_axis_sd * (lost(at_s) - travel * lost(instants.top_s)) / phases.travel_at_top).abs()
    }

    /// A hinge that is lost and made again has two peaks. Where they are so alike that the errors decide which
    /// is the larger, the set may be either's: a distribution of two points.
    fn other_peak_sd_s(&self, curve: &HingeCurve, crossings: &Crossings, which: usize) -> f64 {
        let window = &crossings.window;
        let at_max = self.hinge.derivatives_at(crossings.max_s);
        let near = crossings.range - ALIKE.max(3.0 * self.hinge.model_sd);
        let of_peak = |(t_s, height): (f64, f64)| {
            let level = SHARES[which] * crossings.range;
            let crossed_s = curve.last_upward(level, window.counted_from_s, t_s + 1e-9);
            let apart_s = (crossed_s - crossings.at_s[which]).abs();
            if apart_s < TIMING_SD_S {
                return 0.0;
            }
            let sd = self.hinge.sd_of(&(self.hinge.derivatives_at(t_s) - &at_max));
            // Logistic function in place of the normal distribution's: within 0.01 of it.
            let share = 1.0 / (1.0 + (1.702 * (crossings.range - height) / sd).exp());
            (share * (1.0 - share)).sqrt() * apart_s
        };
        curve
            .peaks((window.from_s, window.to_s))
            .filter(|(_, height)| *height > near)
            .map(of_peak)
            .fold(0.0, f64::max)
    }
}

/// Carries the covariance through.
pub(super) fn spread(
    candidate: &Candidate,
    wrist: &WristKnowledge,
    params: &MeasureParams,
    instants: &Instants,
    at_best: &Curves,
) -> Spread {
    let (from_s, to_s) = (instants.zero_s.0, instants.ball_s + AFTER_BALL_S);
    let count = ((to_s - from_s) / SPACING_S).max(0.0) as usize;
    let t_s: Vec<f64> = (0..=count).map(|i| from_s + i as f64 * SPACING_S).collect();
    let both: Vec<[Derivatives; 2]> =
        t_s.iter().map(|t_s| derivatives(candidate, wrist, params, *t_s)).collect();
    let model_sd = (taken_back(wrist.swings) * third_angle_rms(at_best, instants)).hypot(SENSOR_SD);
    let address = t_s.partition_point(|t| *t <= instants.zero_s.1).max(1);
    let address_s = instants.zero_s.1;
    let since_address = |t_s: &f64| {
        let there = |at_s: f64| wrist.clock.forearm_s(at_s);
        candidate.hand.mended_variance_between(address_s, *t_s)
            + candidate.forearm.mended_variance_between(there(address_s), there(*t_s))
    };
    let mended: Vec<f64> = t_s.iter().map(since_address).collect();
    let covariance = Rc::new(DMatrix::from_column_slice(UNKNOWNS, UNKNOWNS, wrist.covariance.as_slice()));
    let zero_sd = zero_sd(at_best, instants);
    let angle = |which: usize| {
        let by_unknown = both.iter().map(|pair| DVector::from_column_slice(pair[which].as_slice()));
        AngleSpread {
            t_s: t_s.clone(),
            by_unknown: from_address(by_unknown.collect(), address),
            covariance: covariance.clone(),
            model_sd,
            steady_sd: 0.0,
            zero_sd: zero_sd[which],
            mended: mended.clone(),
        }
    };
    Spread {
        hinge: angle(0),
        flexion: angle(1),
        takeaway_sd_s: instant_sd::takeaway_s(candidate, wrist),
        top_sd_s: instant_sd::top_s(candidate, wrist),
        long_axis_sd: wrist.long_axis_sd,
        tissue: wrist.covariance[(TISSUE, TISSUE)].max(0.0).sqrt().hypot(wrist.tissue),
        level_share: 1.0,
        far_share: 0.5,
    }
}

/// Derivatives less their mean over the first `address` of them.
fn from_address(mut by_unknown: Vec<DVector<f64>>, address: usize) -> Vec<DVector<f64>> {
    let Some(first) = by_unknown.first() else { return by_unknown };
    let none = DVector::zeros(first.len());
    let zero = by_unknown.iter().take(address).fold(none, |sum, by| sum + by) / address as f64;
    by_unknown.iter_mut().for_each(|derivatives| *derivatives -= &zero);
    by_unknown
}

/// The same with the hand node alone: from the covariance of the hub's estimate.
pub(super) fn spread_of_hub(candidate: &Candidate, hub: &HubEstimate, instants: &Instants) -> Spread {
    let t_s: Vec<f64> = hub.by_unknown.iter().map(|(t_s, _)| *t_s).collect();
    let address_s = instants.zero_s.1;
    let address = t_s.partition_point(|t| *t <= address_s).max(1);
    let mended: Vec<f64> =
        t_s.iter().map(|t_s| candidate.hand.mended_variance_between(address_s, *t_s)).collect();
    let covariance = Rc::new(&hub.covariance * (HUB_SHARE * HUB_SHARE));
    let angle = |which: usize| AngleSpread {
        t_s: t_s.clone(),
        by_unknown: from_address(hub.by_unknown.iter().map(|(_, by)| by[which].clone()).collect(), address),
        covariance: covariance.clone(),
        model_sd: HUB_QUICK_SD,
        steady_sd: HUB_STEADY_SD[which],
        zero_sd: 0.0,
        mended: mended.clone(),
    };
    Spread {
        hinge: angle(0),
        flexion: angle(1),
        takeaway_sd_s: instant_sd::hub_takeaway_s(candidate),
        top_sd_s: instant_sd::hub_top_s(candidate, hub, &covariance),
        long_axis_sd: 0.0,
        tissue: 0.0,
        level_share: HUB_LEVEL_SHARE,
        // Two deviations reach beyond the plateau that the model itself holds flat: one tells more.
        far_share: 0.0,
    }
}

/// Hinge and flexion, rad, for these axes.
fn pair(relative: &Relative, axes: &WristAxes, turn: &Vector3<f64>, lead_arm_sign: f64) -> Vector2<f64> {
    let turn = UnitQuaternion::from_scaled_axis(*turn);
    let hand = relative.forearm.inverse() * turn * relative.hand;
    let forearm_from_hand = axes.forearm_from_sensor() * hand * axes.hand_from_sensor().inverse();
    let angles = wrist::angles(&forearm_from_hand, lead_arm_sign);
    Vector2::new(angles.hinge, angles.flexion)
}

/// Derivatives of hinge and flexion at one instant by the unknowns, in the order of the joint estimate.
fn derivatives(
    candidate: &Candidate,
    wrist: &WristKnowledge,
    params: &MeasureParams,
    t_s: f64,
) -> [Derivatives; 2] {
    let WristKnowledge { axes, clock, start, tissue, .. } = wrist;
    let none = GloveErrors::default();
    let hand = NodeAt::of(&candidate.hand, t_s);
    let relative = Pair::new(axes, clock, *tissue, &none, start).at(&hand, &candidate.forearm, t_s);
    let still = Vector3::zeros();
    let here = pair(&relative, &wrist.axes, &still, params.lead_arm_sign);
    let by = |moved: Vector2<f64>| (moved - here) / STEP;
    let by_turn = Matrix2x3::from_columns(&[0, 1, 2].map(|i| {
        let turn = Vector3::ith(i, STEP);
        by(pair(&relative, &wrist.axes, &turn, params.lead_arm_sign))
    }));
    let mut all = [0, 1].map(|angle| relative.effect_about(&by_turn.row(angle).transpose()));
    for i in 0..AXES {
        let axes = with_axis_moved(&wrist.axes, i);
        let by_axis = by(pair(&relative, &axes, &still, params.lead_arm_sign));
        all.iter_mut().zip(&by_axis).for_each(|(by, by_axis)| by[i] = *by_axis);
    }
    all
}

/// Axes with one of their unknowns moved by a step.
fn with_axis_moved(axes: &WristAxes, i: usize) -> WristAxes {
    let (dx, dy) = if i.is_multiple_of(2) { (STEP, 0.0) } else { (0.0, STEP) };
    if i < 2 {
        WristAxes { flexion_in_forearm: moved_axis(&axes.flexion_in_forearm, dx, dy), ..*axes }
    } else {
        WristAxes { deviation_in_hand: moved_axis(&axes.deviation_in_hand, dx, dy), ..*axes }
    }
}

/// How many times as large as what shows of it the model's error is where so many swings were estimated together: one
/// alone is fitted so well that it shows next to nothing.
fn taken_back(swings: usize) -> f64 {
    ((1.0 + SHARED_TAKE / swings.max(1) as f64) / LEFT).sqrt()
}

/// A wrist has two axes, so whatever shows about the third is the error of the model: soft tissue, a strap
/// that follows, sensors. The two angles are taken to be as wrong as that one.
pub(super) fn third_angle_rms(curves: &Curves, instants: &Instants) -> f64 {
    rms_from_zero(&curves.t_s, &curves.axial, instants, (instants.takeaway_s, instants.window_end_s()))
}

/// How far an angle lies from its zero between two instants (root mean square), rad.
fn rms_from_zero(t_s: &[f64], angle: &[f64], instants: &Instants, (from_s, until_s): (f64, f64)) -> f64 {
    let range = t_s.partition_point(|t| *t < from_s)..t_s.partition_point(|t| *t <= until_s);
    let zero = mean_between(t_s, angle, instants.zero_s);
    let n = range.len().max(1) as f64;
    (angle[range].iter().map(|value| (value - zero).powi(2)).sum::<f64>() / n).sqrt()
}

/// How far hinge and flexion lie from their zero shortly before the swing (root mean square), rad, where they count
/// from a hand on the move: nobody knows which of these poses was meant.
fn zero_sd(curves: &Curves, instants: &Instants) -> [f64; 2] {
    if !instants.counts_from_a_move() {
        return [0.0; 2];
    }
    let before = (instants.takeaway_s - ADDRESS_S, instants.takeaway_s);
    [&curves.hinge, &curves.flexion].map(|angle| rms_from_zero(&curves.t_s, angle, instants, before))
}

#[cfg(test)]
mod tests {
    use super::super::set::SetWindow;
    use super::*;

    /// An angle that is known to `sd`, rad, everywhere alike.
    fn known_to(sd: f64) -> AngleSpread {
        AngleSpread {
            t_s: vec![0.0, 1.0],
            by_unknown: vec![DVector::zeros(1); 2],
            covariance: Rc::new(DMatrix::zeros(1, 1)),
            model_sd: sd,
            steady_sd: 0.0,
            zero_sd: 0.0,
            mended: vec![0.0; 2],
        }
    }

    /// A swing's uncertainty with this one of the hinge, and nothing else unknown.
    fn of_hinge(hinge: AngleSpread, level_share: f64, far_share: f64) -> Spread {
        let flexion = known_to(0.0);
        let (takeaway_sd_s, top_sd_s) = (0.0, 0.0);
        Spread {
            hinge,
            flexion,
            takeaway_sd_s,
            top_sd_s,
            long_axis_sd: 0.0,
            tissue: 0.0,
            level_share,
            far_share,
        }
    }

    /// The set's bar, s, of a curve that counts from its beginning to `to_s`.
    fn set_bar(spread: &Spread, curve: &HingeCurve, to_s: f64) -> f64 {
        let window = SetWindow { counted_from_s: 0.0, from_s: 0.0, to_s };
        spread.crossing_sd_s(curve, &curve.crossings(&window).unwrap(), SET)
    }

    /// A hinge that grows by 1 rad/s to 1 rad, resting for 0.3 s at 0.87 rad: the set's bar, s, where the estimate knows
    /// the level to `sd`, rad, and `share` of that counts.
    fn bar_above_a_rest(sd: f64, share: f64) -> f64 {
        let t_s: Vec<f64> = (0..700).map(|i| f64::from(i) * 0.002).collect();
        let hinge: Vec<f64> = t_s.iter().map(|t| t.min(0.87).max(t - 0.3).min(1.0)).collect();
        let curve = HingeCurve { t_s: &t_s, hinge: &hinge };
        // The level is what moves the set less 0.9 of what moves the largest hinge: here 10 − 9 times the unknown.
        let by_unknown = vec![DVector::from_element(1, 10.0); 2];
        let covariance = Rc::new(DMatrix::from_element(1, 1, sd * sd));
        let spread = of_hinge(AngleSpread { by_unknown, covariance, ..known_to(0.0) }, share, 0.0);
        set_bar(&spread, &curve, 1.35)
    }

    #[test]
    fn the_share_of_the_level_counts_on_the_slope_and_decides_how_far_a_rest_is_reached() {
        assert!((bar_above_a_rest(0.02, 1.0) - 0.02).abs() < 1e-3);
        assert!((bar_above_a_rest(0.02, 0.5) - 0.01).abs() < 1e-3);
        // The rest lies 0.03 rad below the level: half of its 0.3 s, as the mean of both ways has it, and the slope.
        assert!((bar_above_a_rest(0.04, 1.0) - 0.19).abs() < 2e-3, "{}", bar_above_a_rest(0.04, 1.0));
        assert!((bar_above_a_rest(0.04, 0.5) - 0.02).abs() < 1e-3);
    }

    /// A hinge that grows by 1 rad/s up to the window's end at 1 s: 0.9 of the range moves by 0.9 of what the end is off.
    #[test]
    fn a_hinge_that_is_cut_off_is_as_unsure_as_where_it_is_cut() {
        let t_s: Vec<f64> = (0..700).map(|i| f64::from(i) * 0.002).collect();
        let curve = HingeCurve { t_s: &t_s, hinge: &t_s };
        let spread = Spread { top_sd_s: 0.01, ..of_hinge(known_to(0.0), 1.0, 0.0) };
        assert!((set_bar(&spread, &curve, 1.0) - 0.009).abs() < 1e-4, "{}", set_bar(&spread, &curve, 1.0));
        let held: Vec<f64> = t_s.iter().map(|t| t.min(0.8)).collect();
        let held = HingeCurve { t_s: &t_s, hinge: &held };
        assert!(set_bar(&spread, &held, 1.0) < 1e-3, "its largest is reached before");
    }

    #[test]
    fn what_is_wrong_with_the_model_grows_with_the_way_of_the_hinge() {
        let t_s: Vec<f64> = (0..700).map(|i| f64::from(i) * 0.002).collect();
        let hinge: Vec<f64> = t_s.iter().map(|t| t.min(1.0)).collect();
        let curve = HingeCurve { t_s: &t_s, hinge: &hinge };
        let window = SetWindow { counted_from_s: 0.0, from_s: 0.0, to_s: 1.2 };
        let crossings = curve.crossings(&window).unwrap();
        let spread = of_hinge(known_to(0.02), 1.0, 0.0);
        let bar = |which| spread.crossing_sd_s(&curve, &crossings, which);
        assert!((bar(2) - 0.02).abs() < 1e-4 && (bar(0) - 0.02 / 3.0).abs() < 1e-4, "{} {}", bar(2), bar(0));
    }

    /// A hinge of half a rad that is made, lost and made again 0.4 s later, the second peak `higher` by so much: its set's
    /// bar, s, where the hinge is known to `sd`, rad.
    fn bar_of_remade_set(higher: f64, sd: f64) -> f64 {
        let t_s: Vec<f64> = (0..500).map(|i| f64::from(i) * 0.002).collect();
        let bump = |t: f64| (-(t / 0.08).powi(2)).exp();
        let hinge: Vec<f64> =
            t_s.iter().map(|t| 0.5 * bump(t - 0.3) + (0.5 + higher) * bump(t - 0.7)).collect();
        let curve = HingeCurve { t_s: &t_s, hinge: &hinge };
        let far_share = 0.5;
        set_bar(&of_hinge(known_to(sd), 1.0, far_share), &curve, 0.95)
    }

    #[test]
    fn of_two_peaks_as_high_as_each_other_the_set_may_be_eithers() {
        let sd = 1e-3;
        for higher in [1e-5, -1e-5] {
            assert!((bar_of_remade_set(higher, sd) - 0.2).abs() < 0.01, "half the way between the two");
        }
        // Two standard deviations apart: 3 % for the lower one, as the logistic function has it.
        let expected_s = 0.4 * (0.032_f64 * 0.968).sqrt();
        assert!(
            (bar_of_remade_set(2.0 * sd, sd) - expected_s).abs() < 0.005,
            "{}",
            bar_of_remade_set(2.0 * sd, sd)
        );
        assert!(bar_of_remade_set(20.0 * sd, sd) < 0.002);
    }

    /// What a swing shows of the model's error falls with the freedom that the fit has left it.
    #[test]
    fn the_fewer_swings_the_less_their_fit_shows_of_the_models_error() {
        let taken: Vec<f64> = (0..20).map(taken_back).collect();
        assert!(taken[0] == taken[1] && taken[1..].windows(2).all(|pair| pair[0] > pair[1]), "{taken:?}");
        assert!((taken_back(usize::MAX) - 2.0).abs() < 1e-9);
    }
}
