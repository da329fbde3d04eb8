//! Looks for the swings in a stretch of motion.

use super::episode::Episode;
use super::phases::{ArmTrack, NoSwing, PhaseParams, Phases, find_around};
use crate::fusion::series::Reading;

/// So many of the fastest instants are tried …
const PEAKS_MAX: usize = 6;
/// … and so many of those that are as fast as in a full swing at least: a drill has one in each swing.
const FULL_PEAKS_MAX: usize = 24;
/// The arm of a full swing turns so fast at least, rad/s (judgement).
const FULL_PEAK: f64 = 400.0 * std::f64::consts::PI / 180.0;
/// Fastest instants of one movement lie closer together than this, s.
const ONE_PEAK_S: f64 = 0.4;

/// Another knowledge of the wrist moves a top by less than this, s.
const SAME_TOP_S: f64 = 0.2;
/// Between two downswings the arm goes back faster than this, rad/s, …
const BACK_RATE: f64 = 60.0 * std::f64::consts::PI / 180.0;
/// … and the second is a swing's if it reaches this share of the first one's peak rate (both judgement).
const LIKE_FIRST: f64 = 0.6;

/// Finds the phases of the swing in the track: of the one with the fastest downswing, if there are several.
///
/// # Errors
/// When there is none; tells why the fastest movement is none.
pub fn find(arm: &ArmTrack, params: &PhaseParams) -> Result<Phases, NoSwing> {
    find_between(arm, (f64::NEG_INFINITY, f64::INFINITY), None, params)
}

/// Finds the swings in the track, in order of time. Of one that follows another without a stop, the one before stands
/// for the stillness.
///
/// # Errors
/// When there is none; tells why the fastest movement is none.
pub fn find_all(arm: &ArmTrack, params: &PhaseParams) -> Result<Vec<Phases>, NoSwing> {
    let first = find(arm, params)?;
    let mut found = swings_between(arm, (f64::NEG_INFINITY, first.takeaway_s), None, params);
    let after = swings_between(arm, (first.back_s, f64::INFINITY), Some(&first), params);
    found.push(first);
    found.extend(after);
    for i in 1..found.len() {
        let next_s = found[i].takeaway_s;
        found[i - 1].finish_s.take_if(|finish_s| *finish_s > next_s);
    }
    Ok(found)
}

/// The swings of a stretch of the track, in order of time; `before` is the one that it follows.
fn swings_between(
    arm: &ArmTrack,
    (from_s, until_s): (f64, f64),
    before: Option<&Phases>,
    params: &PhaseParams,
) -> Vec<Phases> {
    let Ok(found) = find_between(arm, (from_s, until_s), before, params) else { return Vec::new() };
    let mut all = swings_between(arm, (from_s, found.takeaway_s), before, params);
    let after = swings_between(arm, (found.back_s, until_s), Some(&found), params);
    all.push(found);
    all.extend(after);
    all
}

/// The swing with the fastest downswing that lies between two instants.
fn find_between(
    arm: &ArmTrack,
    (from_s, until_s): (f64, f64),
    before: Option<&Phases>,
    params: &PhaseParams,
) -> Result<Phases, NoSwing> {
    let mut first_error = None;
    for peak in peaks(arm, (from_s, until_s), params.peak_min) {
        match find_around(arm, peak, before, params) {
            Ok(phases) if phases.takeaway_s >= from_s && phases.back_s <= until_s => return Ok(phases),
            Ok(_) => {}
            Err(error) => first_error = first_error.or(Some(error)),
        }
    }
    Err(first_error.unwrap_or(NoSwing::Slow))
}

/// Indices of the fastest instants between two, apart from each other, the fastest first.
fn peaks(arm: &ArmTrack, (from_s, until_s): (f64, f64), least: f64) -> Vec<usize> {
    let rate = |i: usize| arm.swing_rate[i].norm_squared();
    let is_peak = |i: &usize| rate(*i) >= least * least && rate(*i) >= rate(i - 1) && rate(*i) > rate(i + 1);
    let place = |at_s: f64| arm.t_s.partition_point(|t_s| *t_s < at_s);
    let inside = place(from_s).max(1)..place(until_s).min(arm.t_s.len().saturating_sub(1));
    let mut all: Vec<usize> = inside.filter(is_peak).collect();
    all.sort_by(|a, b| rate(*b).total_cmp(&rate(*a)));
    let mut apart: Vec<usize> = Vec::new();
    for i in all {
        let most = if rate(i) >= FULL_PEAK * FULL_PEAK { FULL_PEAKS_MAX } else { PEAKS_MAX };
        if apart.len() < most && apart.iter().all(|j| (arm.t_s[i] - arm.t_s[*j]).abs() >= ONE_PEAK_S) {
            apart.push(i);
        }
    }
    apart
}

/// The swing whose top lies about where it was found before with another knowledge of the wrist.
#[must_use]
pub fn find_near(arm: &ArmTrack, top_s: f64, params: &PhaseParams) -> Option<Phases> {
    let found = find_all(arm, params).ok()?;
    found.into_iter().find(|phases| (phases.top_s - top_s).abs() < SAME_TOP_S)
}

/// How many downswings as fast as that of the first swing, and in its plane, came after it and are none of these
/// swings'.
#[must_use]
pub fn untold(arm: &ArmTrack, swings: &[Phases]) -> usize {
    let Some(first) = swings.first() else { return 0 };
    let place = |at_s: f64| arm.t_s.partition_point(|t_s| *t_s < at_s);
    let rate = |i: usize| first.normal.dot(&arm.swing_rate[i]);
    let peak = (place(first.top_s)..place(first.back_s)).map(|i| -rate(i)).fold(0.0, f64::max);
    let is_told = |t_s: f64| swings.iter().any(|swing| (swing.top_s..=swing.back_s).contains(&t_s));
    let (mut went_back, mut untold) = (false, 0);
    for i in place(first.back_s)..arm.t_s.len() {
        went_back |= rate(i) > BACK_RATE;
        if went_back && rate(i) < -LIKE_FIRST * peak {
            went_back = false;
            untold += usize::from(!is_told(arm.t_s[i]));
        }
    }
    untold
}

/// A sentence where a motion goes on from one that was cut for its length, and the hand is as fast in it as in a full
/// swing: what swings it holds cannot be measured.
#[must_use]
pub fn untold_rest(episode: &Episode) -> Option<String> {
    let fast = |reading: &Reading| (reading.rate - episode.biases.hand).norm() >= FULL_PEAK;
    let rest = episode.hand.iter().filter(|reading| reading.t_s >= episode.fast_from_s);
    (episode.goes_on && rest.clone().any(fast)).then(|| {
        format!(
            "the motion that goes on after {:.1} s of the hand node's clock was too long to be looked at in one: what \
             swings it held are not told, for want of a still pose at the ball before them",
            episode.fast_from_s
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector3;

    /// How far the plane leans off the vertical.
    const LEAN: f64 = 0.6;

    /// An arm that points down and turns in a leaning plane: from each angle, degrees, to the next within its time, s.
    fn arm(moves: &[(f64, f64)]) -> ArmTrack {
        let mut arm = ArmTrack::default();
        let (mut from_s, mut from_deg) = (0.0, 0.0);
        for (to_deg, lasts_s) in moves {
            let steps = (lasts_s * 500.0) as i32;
            for i in 0..steps {
                let u = f64::from(i) / f64::from(steps);
                let angle: f64 = from_deg + (to_deg - from_deg) * u * u * u * (10.0 - 15.0 * u + 6.0 * u * u);
                let rate = (to_deg - from_deg) / lasts_s * 30.0 * (u * (1.0 - u)).powi(2);
                let (angle, rate) = (angle.to_radians(), rate.to_radians());
                arm.t_s.push(from_s + f64::from(i) * 0.002);
                arm.distal.push(Vector3::new(
                    angle.sin(),
                    angle.cos() * LEAN.sin(),
                    -angle.cos() * LEAN.cos(),
                ));
                arm.swing_rate.push(Vector3::new(0.0, -LEAN.cos(), -LEAN.sin()) * rate);
                arm.roll_rate.push(0.0);
                arm.rate.push(rate.abs());
            }
            (from_s, from_deg) = (from_s + lasts_s, *to_deg);
        }
        arm
    }

    fn tops_s(moves: &[(f64, f64)]) -> (Vec<f64>, usize) {
        let arm = arm(moves);
        let found = find_all(&arm, &PhaseParams::default()).unwrap_or_default();
        let tops_s = found.iter().map(|phases| (phases.top_s * 100.0).round() * 0.01).collect();
        (tops_s, untold(&arm, &found))
    }

    #[test]
    fn each_swing_of_a_drill_is_one_though_nobody_stood_still_between_them() {
        let once = [(110.0, 0.8), (-120.0, 0.6), (0.0, 0.8)];
        let drill: Vec<(f64, f64)> = [(0.0, 1.0)].into_iter().chain(once).chain(once).chain(once).collect();
        assert_eq!(tops_s(&drill), (vec![1.8, 4.0, 6.2], 0));
        let faster_last = [&drill[..4], &[(110.0, 0.7), (-130.0, 0.5), (0.0, 1.5)]].concat();
        assert_eq!(tops_s(&faster_last), (vec![1.8, 3.9], 0));
    }

    #[test]
    fn the_finish_is_that_of_the_swing_it_follows() {
        let drill =
            [(0.0, 1.0), (110.0, 0.8), (-120.0, 0.6), (0.0, 0.8), (110.0, 0.8), (-120.0, 0.6), (-120.0, 1.0)];
        let found = find_all(&arm(&drill), &PhaseParams::default()).unwrap();
        let finishes: Vec<bool> = found.iter().map(|phases| phases.finish_s.is_some()).collect();
        assert_eq!(finishes, [false, true]);
    }

    #[test]
    fn what_goes_on_from_the_finish_into_the_next_backswing_is_counted() {
        let to_and_fro = [
            (0.0, 1.0),
            (110.0, 0.8),
            (-120.0, 0.6),
            (110.0, 1.2),
            (-120.0, 0.6),
            (110.0, 1.2),
            (-120.0, 0.6),
        ];
        assert_eq!(tops_s(&to_and_fro), (vec![1.8], 2));
    }

    #[test]
    fn what_comes_after_a_swing_otherwise_is_none() {
        let swing = [(0.0, 1.0), (110.0, 0.8), (-120.0, 0.6)];
        let raised_and_lowered = [&swing[..], &[(0.0, 1.0), (80.0, 1.0), (0.0, 1.0)]].concat();
        assert_eq!(tops_s(&raised_and_lowered), (vec![1.8], 0));
        assert_eq!(tops_s(&swing), (vec![1.8], 0));
    }
}
