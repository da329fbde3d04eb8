//! What deserves less trust in a swing, from the signal.

use super::candidate::Candidate;
use super::measure::{Instants, SHOCK_WITHIN_S, WristKnowledge};
use super::motion::clipped_axis;
use super::set::{Crossings, HingeCurve, SET};
use super::swing::{Flag, Swing};
use crate::fusion::series::{Reading, between, usual_step_s};

/// A set that moves more than this when the level moves by a degree is ill-conditioned, s.
const FLAT_S: f64 = 0.05;
/// The two definitions of the set differ when they lie farther apart than this, s.
const DEFINITIONS_S: f64 = 0.01;
/// A forearm clock known worse than this shows in the angles, s.
const CLOCK_SD_S: f64 = 0.002;
/// An address less still than this leaves the zero uncertain, rad/s.
const RESTLESS: f64 = 0.1;
/// What came so long after the ball had a part in what is told, s.
const AFTER_BALL_S: f64 = 0.02;
/// The onset of a shock is known to so many steps between readings.
const BEFORE_SHOCK_STEPS: f64 = 1.5;
/// A step longer than so many usual ones is a gap.
const GAP_STEPS: f64 = 2.5;
/// The third wrist angle strays farther than this only when the glove has moved, rad.
const MOVED: f64 = 0.07;

/// The flags of a swing, each once, in the order of the enum.
pub(super) fn of(
    candidate: &Candidate,
    wrist: &WristKnowledge,
    swing: &Swing,
    curve: &HingeCurve,
    crossings: Option<&Crossings>,
    instants: &Instants,
    third_angle_rms: f64,
) -> Vec<Flag> {
    let down_ms = (instants.ball_s - instants.top_s) * 1e3;
    let during = swing_readings(candidate, wrist, instants);
    let checks = [
        (Flag::FlatSlope, crossings.is_some_and(|found| is_flat(curve, found))),
        (Flag::SetRemade, crossings.is_some_and(|found| found.at_s[SET] - found.first_set_s > 0.002)),
        (Flag::HingesOnAfterTop, hinges_on(swing)),
        (Flag::GyroClipped, during.iter().any(|readings| readings.iter().any(|reading| reading.clipped))),
        (Flag::AccelerometerClipped, accelerometer_clips(candidate, instants)),
        (Flag::DataGap, during.iter().any(|readings| has_gap(readings))),
        (Flag::NominalMounting, !wrist.calibrated && !candidate.hand_alone),
        (Flag::OldMounting, wrist.calibrated && !candidate.hand_alone && third_angle_rms > MOVED),
        (Flag::HandNodeAlone, candidate.hand_alone),
        (Flag::ClocksUnsure, !candidate.hand_alone && clocks_unsure(candidate, wrist, instants)),
        (Flag::UnusualDownswing, !(200.0..=450.0).contains(&down_ms)),
        (Flag::UnusualTempo, !(2.0..=5.5).contains(&swing.tempo.value)),
        (Flag::RestlessAddress, candidate.hand.still_rms > RESTLESS || instants.counts_from_a_move()),
    ];
    checks.into_iter().filter(|(_, raised)| *raised).map(|(flag, _)| flag).collect()
}

fn is_flat(curve: &HingeCurve, crossings: &Crossings) -> bool {
    let (before, after) = curve.shifts(crossings, SET, 1.0_f64.to_radians());
    before.abs() > FLAT_S || after.abs() > FLAT_S
}

fn clocks_unsure(candidate: &Candidate, wrist: &WristKnowledge, instants: &Instants) -> bool {
    candidate.episode.clocks_doubtful || !wrist.clock_shown || wrist.clock_sd_s(instants.top_s) > CLOCK_SD_S
}

fn hinges_on(swing: &Swing) -> bool {
    let pair = swing.set.zip(swing.set_backswing_only);
    pair.is_some_and(|(set, to_top)| set.set.seconds_since(to_top.set).abs() > DEFINITIONS_S)
}

/// Readings of both nodes from takeaway to just after the ball, or as far as its shock was looked for in vain. One more
/// at the end shows a gap that goes beyond.
fn swing_readings<'a>(
    candidate: &'a Candidate,
    wrist: &WristKnowledge,
    instants: &Instants,
) -> [&'a [Reading]; 2] {
    let after_s = if instants.impact_s.is_some() { AFTER_BALL_S } else { SHOCK_WITHIN_S };
    let (from_s, to_s) = (instants.takeaway_s, instants.ball_s + after_s);
    let clock = &wrist.clock;
    [
        with_next(&candidate.episode.hand, from_s, to_s),
        with_next(&candidate.episode.forearm, clock.forearm_s(from_s), clock.forearm_s(to_s)),
    ]
}

/// The readings between two instants, and the one after them.
fn with_next(readings: &[Reading], from_s: f64, to_s: f64) -> &[Reading] {
    let start = readings.partition_point(|reading| reading.t_s < from_s);
    let end = readings.partition_point(|reading| reading.t_s < to_s);
    &readings[start..(end + 1).min(readings.len()).max(start)]
}

/// Whether the hand's accelerometer stood at its full scale where its readings are summed up: from the address to the
/// ball, whose shock counts no more.
fn accelerometer_clips(candidate: &Candidate, instants: &Instants) -> bool {
    let readings = between(&candidate.episode.hand, instants.address_s.0, instants.ball_s);
    let before_s = BEFORE_SHOCK_STEPS * usual_step_s(readings).unwrap_or(0.0);
    let used = between(readings, instants.address_s.0, instants.ball_s - before_s);
    used.iter().any(|reading| clipped_axis(reading, candidate.episode.hand_full_scale_g).is_some())
}

/// Whether readings are missing between these.
pub(super) fn has_gap(readings: &[Reading]) -> bool {
    let Some(usual_s) = usual_step_s(readings) else { return false };
    readings.windows(2).any(|pair| pair[1].t_s - pair[0].t_s > GAP_STEPS * usual_s)
}
