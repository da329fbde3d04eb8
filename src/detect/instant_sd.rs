//! How certain takeaway, top, impact and finish are.

use super::candidate::Candidate;
use super::measure::WristKnowledge;
use super::phases::{FINISH, TAKEAWAY_RATE, rests_s};
use super::set::HingeCurve;
use crate::fusion::errors::NODE;
use crate::fusion::hub::HubEstimate;
use crate::fusion::joint::{JOINT, TISSUE};
use crate::fusion::series::{Reading, between, step_over_s, usual_step_s, value_at};
use nalgebra::{DMatrix, DVector, Vector3};

/// Readings stand for instants that are known to so many steps between them: what is left of filters' delays (judgement,
/// on study buckets with seeds under 100).
const TIMING_STEPS: f64 = 0.15;
/// An instant that falls into a gap is off by so much of the gap's square, 1/s: what a bridge knows of a rate that turns
/// round (judgement, from study buckets with seeds under 100). Between two readings in a row that is nothing.
const IN_GAP_PER_S: f64 = 1.0;
/// The shock came anywhere between two readings: the standard deviation of that, steps.
const SHOCK_STEPS: f64 = 0.289;
/// Noise is looked at so far before and after an instant, s.
const NOISE_WITHIN_S: f64 = 0.05;
/// A takeaway is looked for so long before the one that is told, s.
const EARLIER_S: f64 = 0.3;
/// With the hand node alone the shoulders' turn at the top leads that of the arm, which moves it, s (judgement, from
/// virtual buckets with seeds under 100, as the next ones).
const HUB_TOP_SD_S: f64 = 0.002;
/// Where the hand tells takeaway or finish the wrist may yet move a little, s; …
const HAND_FOR_ARM_SD_S: f64 = 0.003;
/// … and at the takeaway so much of the time to where the model has it counts, since that may be right.
const APART_SHARE: f64 = 0.5;
/// The model's own takeaway, s; …
const HUB_TAKEAWAY_SD_S: f64 = 0.015;
/// … which tells nothing more where it begins at the hand's, and so lies nearer to it than this, s.
const SAME_S: f64 = 0.001;

/// How well the shock is timed, s: readings show it as a step.
pub(super) fn impact_s(hand: &[Reading], impact_s: f64) -> f64 {
    let step_s = usual_step_s(between(hand, impact_s - 0.05, impact_s + 0.05)).unwrap_or(0.0);
    (SHOCK_STEPS * step_s).hypot(TIMING_STEPS * step_s)
}

/// How well the takeaway is known, s.
pub(super) fn takeaway_s(candidate: &Candidate, wrist: &WristKnowledge) -> f64 {
    let at_s = candidate.phases.takeaway_s;
    let rate = in_plane(candidate);
    let shift_s = takeaway_moves_s(candidate, &rate, rate_sd(candidate, wrist, &rate, at_s));
    shift_s.hypot(of_arm_s(candidate, wrist, at_s))
}

/// How well the top is known, s: it is where the arm's rate passes zero.
pub(super) fn top_s(candidate: &Candidate, wrist: &WristKnowledge) -> f64 {
    let at_s = candidate.phases.top_s;
    let rate_sd = rate_sd(candidate, wrist, &in_plane(candidate), at_s);
    at_zero_s(candidate, rate_sd).hypot(of_arm_s(candidate, wrist, at_s))
}

/// How well the finish is known, s, where there is one: it is where the forearm falls below a rate for good. What one and
/// two deviations of that rate do to the instant is asked of the rate itself.
pub(super) fn finish_s(candidate: &Candidate, wrist: &WristKnowledge) -> Option<f64> {
    let Candidate { phases, arm, forearm, .. } = candidate;
    let at_s = phases.finish_s?;
    let (level_from_sensor, sensed) = forearm.at(wrist.clock.forearm_s(at_s));
    let along = (level_from_sensor * sensed).try_normalize(1e-9).unwrap_or_else(Vector3::z);
    let rate_sd = turning_sd(candidate, wrist, &along, at_s).hypot(noise(&arm.t_s, &arm.rate, at_s));
    let back = arm.t_s.partition_point(|t_s| *t_s < phases.back_s);
    let rests = |by: f64| rests_s(arm, back, (FINISH.0 + by, FINISH.1));
    let shift = |by: f64| match (rests(by), rests(-by)) {
        (Some(early_s), Some(late_s)) => 0.5 * (late_s - early_s).abs(),
        // Nobody watched for long enough to see the lower one.
        (Some(early_s), None) => (at_s - early_s).abs(),
        (None, _) => 0.0,
    };
    let shift_s = shift(rate_sd).max(0.5 * shift(2.0 * rate_sd));
    let for_arm_s = if candidate.hand_alone { HAND_FOR_ARM_SD_S } else { of_arm_s(candidate, wrist, at_s) };
    Some(shift_s.hypot(for_arm_s))
}

/// The takeaway with the hand node alone, s.
pub(super) fn hub_takeaway_s(candidate: &Candidate) -> f64 {
    let apart_s =
        (crossed_s(candidate, &in_plane(candidate), TAKEAWAY_RATE) - candidate.phases.takeaway_s).abs();
    if apart_s < SAME_S { HUB_TAKEAWAY_SD_S } else { HAND_FOR_ARM_SD_S.hypot(APART_SHARE * apart_s) }
}

/// The top with the hand node alone, s, from the covariance of the hub's estimate.
pub(super) fn hub_top_s(candidate: &Candidate, hub: &HubEstimate, covariance: &DMatrix<f64>) -> f64 {
    let off = |there: &&(f64, DVector<f64>)| (there.0 - candidate.phases.top_s).abs();
    let near = hub.rate_by_unknown.iter().min_by(|a, b| off(a).total_cmp(&off(b)));
    let rate_sd = near.map_or(0.0, |(_, by)| by.dot(&(covariance * by)).max(0.0).sqrt());
    let timing_s = timing_sd_s(&candidate.episode.hand, candidate.phases.top_s);
    at_zero_s(candidate, rate_sd).hypot(HUB_TOP_SD_S).hypot(timing_s)
}

fn at_zero_s(candidate: &Candidate, rate_sd: f64) -> f64 {
    rate_sd / candidate.phases.top_bend.abs().max(1e-6)
}

/// How well the forearm's readings stand for an instant of the hand's clock, s. What draws the clock off (tissue that swings,
/// a wrist that gives) does so in each swing alike: all of them tell it no better than one, while the estimate's covariance
/// takes them for so many witnesses.
fn of_arm_s(candidate: &Candidate, wrist: &WristKnowledge, at_s: f64) -> f64 {
    let clock_sd_s = wrist.clock_sd_s(at_s) * (wrist.swings.max(1) as f64).sqrt();
    timing_sd_s(&candidate.episode.forearm, wrist.clock.forearm_s(at_s)).hypot(clock_sd_s)
}

/// How well a node's readings stand for an instant of its clock, s.
fn timing_sd_s(readings: &[Reading], at_s: f64) -> f64 {
    let in_gap_s = IN_GAP_PER_S * step_over_s(readings, at_s).powi(2);
    (TIMING_STEPS * usual_step_s(readings).unwrap_or(0.0)).hypot(in_gap_s)
}

/// The arm's rate in the plane of the swing, rad/s.
fn in_plane(candidate: &Candidate) -> Vec<f64> {
    candidate.arm.swing_rate.iter().map(|rate| candidate.phases.normal.dot(rate)).collect()
}

/// How well the arm's in-plane rate is known at an instant, rad/s: noise, too, and a long axis that is off lets the roll in.
fn rate_sd(candidate: &Candidate, wrist: &WristKnowledge, rate: &[f64], at_s: f64) -> f64 {
    let Candidate { phases, arm, .. } = candidate;
    let roll_rate = value_at(&arm.t_s, &arm.roll_rate, at_s);
    turning_sd(candidate, wrist, &phases.normal, at_s)
        .hypot(wrist.long_axis_sd * roll_rate)
        .hypot(noise(&arm.t_s, rate, at_s))
}

/// How well the forearm's rate about an axis of its level frame is known at an instant, but for noise, rad/s: what is left
/// of a bias, and a cuff that follows the wrist lets the hinging in.
fn turning_sd(candidate: &Candidate, wrist: &WristKnowledge, axis: &Vector3<f64>, at_s: f64) -> f64 {
    let (forearm, forearm_rate) = candidate.forearm.at(wrist.clock.forearm_s(at_s));
    let (hand, hand_rate) = candidate.hand.at(at_s);
    let bending = (wrist.start * hand * hand_rate - forearm * forearm_rate).dot(axis);
    let cuff_sd = 0.5 * wrist.covariance[(TISSUE, TISSUE)].max(0.0).sqrt();
    let in_sensor = forearm.inverse() * axis;
    let of_bias = wrist.covariance.fixed_view::<3, 3>(JOINT + NODE, JOINT + NODE);
    let bias_sd = in_sensor.dot(&(of_bias * in_sensor)).max(0.0).sqrt();
    (cuff_sd * bending).hypot(bias_sd)
}

/// Noise of a smooth curve about an instant (standard deviation of a reading): what its second differences show.
fn noise(t_s: &[f64], values: &[f64], at_s: f64) -> f64 {
    let place = |t: f64| t_s.partition_point(|t_s| *t_s < t);
    let near = &values[place(at_s - NOISE_WITHIN_S)..place(at_s + NOISE_WITHIN_S)];
    let squares = near.windows(3).map(|three| (three[2] - 2.0 * three[1] + three[0]).powi(2));
    // Independent errors give six times their variance.
    (squares.sum::<f64>() / (6.0 * near.len().saturating_sub(2).max(1) as f64)).sqrt()
}

/// Where the arm's rate last passes a level before it is fastest, s.
fn crossed_s(candidate: &Candidate, rate: &[f64], level: f64) -> f64 {
    let phases = &candidate.phases;
    let curve = HingeCurve { t_s: &candidate.arm.t_s, hinge: rate };
    let Some((fastest, fastest_s)) = curve.largest(phases.takeaway_s, phases.top_s) else {
        return phases.takeaway_s;
    };
    curve.last_upward(level.min(fastest), phases.takeaway_s - EARLIER_S, fastest_s + 1e-9)
}

/// How far the takeaway moves with a rate that is off. An arm that starts slowly lies near the threshold for long, so
/// what one and two deviations do to the instant is asked of the rate itself.
fn takeaway_moves_s(candidate: &Candidate, rate: &[f64], rate_sd: f64) -> f64 {
    let passes = |level: f64| crossed_s(candidate, rate, level);
    let shift = |by: f64| 0.5 * (passes(TAKEAWAY_RATE + by) - passes(TAKEAWAY_RATE - by)).abs();
    shift(rate_sd).max(0.5 * shift(2.0 * rate_sd))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_is_told_from_the_curve_that_it_lies_on() {
        // Uncorrelated enough: a multiple of an irrational number, modulo one, has a variance of a twelfth.
        let noisy = |i: u32| (f64::from(i * i) * 0.618_033_988_75).fract() - 0.5;
        let t_s: Vec<f64> = (0..2000).map(|i| f64::from(i) * 0.002).collect();
        let of = |size: f64| {
            let values: Vec<f64> =
                (0..2000).map(|i| (t_s[i as usize] * 3.0).powi(2) + size * noisy(i)).collect();
            (5..35).map(|i| noise(&t_s, &values, f64::from(i) * 0.1).powi(2)).sum::<f64>() / 30.0
        };
        assert!((of(1.0) * 12.0 - 1.0).abs() < 0.1, "{}", of(1.0) * 12.0);
        assert!(of(0.0).sqrt() < 1e-4);
    }

    #[test]
    fn a_shock_is_anywhere_between_two_readings() {
        let reading = |i: u32| Reading {
            t_s: f64::from(i) * 0.005,
            rate: nalgebra::Vector3::zeros(),
            force_g: nalgebra::Vector3::zeros(),
            clipped: false,
        };
        let hand: Vec<Reading> = (0..100).map(reading).collect();
        let sd_s = impact_s(&hand, 0.25);
        assert!(sd_s > 0.005 / 12.0_f64.sqrt() && sd_s < 0.005 / 2.0, "{sd_s}");
    }
}
