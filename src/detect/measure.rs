//! The numbers of one swing, with their uncertainty, from its candidate and what is known of the wrist.

use super::address::Address;
use super::candidate::Candidate;
use super::impact::{self, ImpactParams};
use super::phases::Phases;
use super::set::{Crossings, HingeCurve, SET, SHARES, SetWindow};
use super::swing::{AtEvents, Class, CurvePoint, EventSds, SetTimes, Swing};
use super::uncertainty::{self, Spread};
use super::{Bands, body_turn, flags, hand_alone, instant_sd, motion};
use crate::fusion::both_ends::NodeCovariance;
use crate::fusion::calibration::Biases;
use crate::fusion::clock::ClockMap;
use crate::fusion::clock_bends::BENDS;
use crate::fusion::errors::{GloveErrors, NODE};
use crate::fusion::joint::{CLOCK, JOINT, UNKNOWNS};
use crate::fusion::series::{Reading, value_at};
use crate::fusion::soft_tissue::{Creep, bend, given_back};
use crate::fusion::wrist::{self, WristAxes};
use crate::units::{DeviceTime, Measured};
use nalgebra::{SMatrix, SVector, UnitQuaternion, Vector3};

/// The shock comes no later than this after the arm is back at its address angle, s.
pub(super) const SHOCK_WITHIN_S: f64 = 0.1;
/// Where no shock tells the ball, the arm being back does, as well as this, s (judgement).
const ARM_BACK_SD_S: f64 = 0.015;
/// Offset, skew and bends of a clock.
const CLOCK_UNKNOWNS: usize = 2 + BENDS;
/// Share of the downswing in which the hinge may still grow and count.
pub(super) const AFTER_TOP: f64 = 0.4;

/// What is known of the wrist when a swing is measured.
#[derive(Clone, Debug)]
pub struct WristKnowledge {
    /// Axes in the sensors' frames.
    pub axes: WristAxes,
    /// Clock of the forearm node.
    pub clock: ClockMap,
    /// Some motion has shown it; otherwise it was begun from the order of arrival, which a late node spoils.
    pub clock_shown: bool,
    /// What comes on top of the sensor errors that the candidate was made with.
    pub error_changes: GloveErrors,
    /// `forearm level from hand level` of this swing.
    pub start: UnitQuaternion<f64>,
    /// Share of the wrist's bend that soft tissue hides.
    pub tissue: f64,
    /// Time constant by which that creeps after the bend, s.
    pub tissue_lag_s: f64,
    /// Covariance of the unknowns.
    pub covariance: SMatrix<f64, UNKNOWNS, UNKNOWNS>,
    /// So many swings were estimated together, this one among them.
    pub swings: usize,
    /// The axes come from a calibration or from enough swings, not from the nominal mounting alone.
    pub calibrated: bool,
    /// How well the forearm's long axis is known, rad (standard deviation): no swing shows it, only a roll does.
    pub long_axis_sd: f64,
}

impl WristKnowledge {
    /// How far the errors of the hand and of the forearm node may be from what is known.
    #[must_use]
    pub fn node_covariances(&self) -> [NodeCovariance; 2] {
        [JOINT, JOINT + NODE].map(|first| self.covariance.fixed_view::<NODE, NODE>(first, first).into_owned())
    }

    /// Standard deviation of the forearm's clock against the hand's at an instant, from that of its offset, its skew and its
    /// bends, s.
    #[must_use]
    pub fn clock_sd_s(&self, at_s: f64) -> f64 {
        let dt_s = at_s - self.clock.reference_s;
        let line = [1.0, dt_s].into_iter();
        let by =
            SVector::<f64, CLOCK_UNKNOWNS>::from_iterator(line.chain(self.clock.bends.polynomials_at(dt_s)));
        let covariance = self.covariance.fixed_view::<CLOCK_UNKNOWNS, CLOCK_UNKNOWNS>(CLOCK, CLOCK);
        by.dot(&(covariance * by)).max(0.0).sqrt()
    }

    /// The same for a swing before which the gyros' biases may have run away so far: all swings share what is known,
    /// and none of them this.
    #[must_use]
    fn with_wander(&self, wander: &Biases) -> WristKnowledge {
        let mut wrist = self.clone();
        for (first, sd) in [(JOINT, wander.hand), (JOINT + NODE, wander.forearm)] {
            (0..3).for_each(|i| wrist.covariance[(first + i, first + i)] += sd[i] * sd[i]);
        }
        wrist
    }
}

/// What the measurement needs to be told.
#[derive(Clone, Copy, Debug)]
pub struct MeasureParams {
    /// Class bands.
    pub bands: Bands,
    /// +1 for a right lead arm, −1 for a left one.
    pub lead_arm_sign: f64,
    /// Angle between the hand's long axis and the shaft, towards the thumb, rad.
    pub grip: f64,
    /// Impact.
    pub impact: ImpactParams,
}

impl MeasureParams {
    /// The shaft leaves the hand between its long axis and the thumb, which lies along z on a right hand.
    pub(super) fn shaft_in_hand(&self) -> Vector3<f64> {
        Vector3::new(0.0, -self.grip.cos(), self.lead_arm_sign * self.grip.sin())
    }
}

/// Wrist and arm over the swing. Angles in rad; wrist angles not yet counted from address.
pub(super) struct Curves {
    pub t_s: Vec<f64>,
    pub hinge: Vec<f64>,
    pub flexion: Vec<f64>,
    pub axial: Vec<f64>,
    pub arm_shaft: Vec<f64>,
}

/// The instants that everything is read off at, hand clock, s.
#[derive(Clone, Copy, Debug)]
pub(super) struct Instants {
    /// Where the player stood still.
    pub address_s: (f64, f64),
    /// What the angles count from: the address, where there was one.
    pub zero_s: (f64, f64),
    pub takeaway_s: f64,
    pub top_s: f64,
    pub impact_s: Option<f64>,
    /// Impact, or where it would be.
    pub ball_s: f64,
}

impl Instants {
    /// Nobody stood still before the swing: the angles count from a hand on the move.
    pub fn counts_from_a_move(&self) -> bool {
        self.zero_s.0 > self.address_s.0
    }

    /// End of the window in which the largest hinge is looked for.
    pub fn window_end_s(&self) -> f64 {
        self.top_s + AFTER_TOP * (self.ball_s - self.top_s)
    }

    /// Where the set is looked for, with the largest hinge up to here.
    fn window_until(&self, to_s: f64) -> SetWindow {
        SetWindow { counted_from_s: self.zero_s.0, from_s: self.takeaway_s, to_s }
    }
}

/// Measures the swing.
#[must_use]
pub fn measure(candidate: &Candidate, wrist: &WristKnowledge, params: &MeasureParams) -> Swing {
    let wrist = &wrist.with_wander(&candidate.episode.bias_wander);
    let instants = instants(candidate, &wrist.clock, params);
    let curves = match &candidate.hub {
        Some(hub) => hand_alone::curves(candidate, hub, params),
        None => curves(candidate, wrist, params),
    };
    let address = mean_between(&curves.t_s, &curves.hinge, instants.zero_s);
    let hinge: Vec<f64> = curves.hinge.iter().map(|value| value - address).collect();
    let curve = HingeCurve { t_s: &curves.t_s, hinge: &hinge };
    let spread = match &candidate.hub {
        Some(hub) => uncertainty::spread_of_hub(candidate, hub, &instants),
        None => uncertainty::spread(candidate, wrist, params, &instants, &curves),
    };
    let crossings_until =
        |end_s: f64| usable(candidate, curve.crossings(&instants.window_until(end_s)), params);
    let crossings = crossings_until(instants.window_end_s());
    let crossings_to_top = crossings_until(instants.top_s);
    let times = |crossings: &Crossings| set_times(candidate, &curve, crossings, &instants, &spread);
    let set = crossings.as_ref().map(times);
    let set_sd_s = set.map_or(0.0, |set| set.sds_ms[SET] * 1e-3);
    let impact_sd_s = instants.impact_s.map(|at_s| instant_sd::impact_s(&candidate.episode.hand, at_s));
    let read = |values: &[f64], counted: Counted| {
        at_events(candidate, &instants, crossings.as_ref(), (&curves.t_s, values), counted)
    };
    let swing = Swing {
        club: candidate.episode.club.clone(),
        takeaway: DeviceTime::at_seconds(instants.takeaway_s),
        top: DeviceTime::at_seconds(instants.top_s),
        arm_horizontal_down: candidate.phases.arm_horizontal_s.map(DeviceTime::at_seconds),
        impact: instants.impact_s.map(DeviceTime::at_seconds),
        finish: candidate.phases.finish_s.map(DeviceTime::at_seconds),
        sds: EventSds {
            takeaway_ms: spread.takeaway_sd_s * 1e3,
            top_ms: spread.top_sd_s * 1e3,
            impact_ms: impact_sd_s.map(|sd_s| sd_s * 1e3),
            finish_ms: instant_sd::finish_s(candidate, wrist).map(|sd_s| sd_s * 1e3),
        },
        class: set.map_or(Class::None, |set| {
            params.bands.class(set.set_to_top_ms.value, set.arm_travel_at_set.value)
        }),
        set,
        set_backswing_only: crossings_to_top.as_ref().map(times),
        hinge_deg: read(&curves.hinge, Counted::FromAddress(&spread.hinge, 0.0)),
        flexion_deg: read(&curves.flexion, Counted::FromAddress(&spread.flexion, set_sd_s)),
        arm_shaft_deg: read(&curves.arm_shaft, Counted::AsItIs(&spread.hinge)),
        tempo: tempo(&instants, &spread, impact_sd_s),
        flags: Vec::new(),
        curve: points(candidate, &curves, &instants, address),
        body: body_turn::measure(candidate, (&instants, spread.top_sd_s), set.as_ref(), params.lead_arm_sign),
        motion: motion::motion(candidate, wrist, &instants, (params.lead_arm_sign, params.grip)),
    };
    let third = uncertainty::third_angle_rms(&curves, &instants);
    let flags = flags::of(candidate, wrist, &swing, &curve, crossings.as_ref(), &instants, third);
    Swing { flags, ..swing }
}

/// Crossings that count: of a wrist that is seen, with a range that is large enough.
fn usable(candidate: &Candidate, crossings: Option<Crossings>, params: &MeasureParams) -> Option<Crossings> {
    crossings
        .filter(|found| candidate.sees_wrist() && found.range.to_degrees() >= params.bands.least_range_deg)
}

/// When the shock came, hand clock, s, if there was one, as far as these readings of the hand tell.
pub(super) fn shock_s(phases: &Phases, hand: &[Reading], params: &ImpactParams) -> Option<f64> {
    let downswing_s = phases.back_s - phases.top_s;
    impact::find(hand, phases.top_s + 0.5 * downswing_s, phases.back_s + SHOCK_WITHIN_S, params)
}

fn instants(candidate: &Candidate, clock: &ClockMap, params: &MeasureParams) -> Instants {
    let phases = &candidate.phases;
    let impact_s = shock_s(phases, &candidate.episode.hand, &params.impact);
    let forearm = |t_s: f64| candidate.forearm.at(clock.forearm_s(t_s)).0;
    let arm_turned = |from_s: f64, to_s: f64| forearm(from_s).angle_to(&forearm(to_s));
    let address = Address::before(&candidate.hand, arm_turned, phases.takeaway_s);
    Instants {
        address_s: address.still_s,
        zero_s: address.zero_s,
        takeaway_s: phases.takeaway_s,
        top_s: phases.top_s,
        impact_s,
        ball_s: impact_s.unwrap_or(phases.back_s),
    }
}

/// The wrist over the swing.
fn curves(candidate: &Candidate, wrist: &WristKnowledge, params: &MeasureParams) -> Curves {
    let WristKnowledge { axes, clock, start, .. } = wrist;
    let mut creep = Creep::new(wrist.tissue_lag_s);
    let forearm_from_sensor = axes.forearm_from_sensor();
    let sensor_from_hand = axes.hand_from_sensor().inverse();
    let shaft_in_hand = params.shaft_in_hand();
    let mut curves = Curves {
        t_s: candidate.arm.t_s.clone(),
        hinge: Vec::new(),
        flexion: Vec::new(),
        axial: Vec::new(),
        arm_shaft: Vec::new(),
    };
    let offset = candidate.hand.t_s.len() - tail(candidate);
    for (i, t_s) in candidate.arm.t_s.iter().enumerate() {
        let forearm = candidate.forearm.at(clock.forearm_s(*t_s)).0;
        let hand = candidate.hand.level_from_sensor[offset + i];
        let seen = forearm_from_sensor * forearm.inverse() * start * hand * sensor_from_hand;
        let hidden = creep.follow(*t_s, bend(&seen)) * given_back(wrist.tissue);
        let forearm_from_hand = UnitQuaternion::from_scaled_axis(hidden) * seen;
        let angles = wrist::angles(&forearm_from_hand, params.lead_arm_sign);
        curves.hinge.push(angles.hinge);
        curves.flexion.push(angles.flexion);
        curves.axial.push(angles.axial);
        curves.arm_shaft.push((forearm_from_hand * shaft_in_hand).angle(&Vector3::y()));
    }
    curves
}

/// Readings of the hand from the first that the arm track has on.
fn tail(candidate: &Candidate) -> usize {
    let first_s = candidate.arm.t_s.first().copied().unwrap_or(f64::INFINITY);
    candidate.hand.t_s.len() - candidate.hand.t_s.partition_point(|t_s| *t_s < first_s)
}

pub(super) fn mean_between(t_s: &[f64], values: &[f64], span_s: (f64, f64)) -> f64 {
    let range = t_s.partition_point(|t| *t < span_s.0)..t_s.partition_point(|t| *t <= span_s.1);
    if range.is_empty() {
        return value_at(t_s, values, span_s.1);
    }
    values[range.clone()].iter().sum::<f64>() / range.len() as f64
}

fn set_times(
    candidate: &Candidate,
    curve: &HingeCurve,
    crossings: &Crossings,
    instants: &Instants,
    spread: &Spread,
) -> SetTimes {
    let [onset_s, half_s, set_s, nearly_full_s] = crossings.at_s;
    let sds_s: [f64; SHARES.len()] =
        std::array::from_fn(|which| spread.crossing_sd_s(curve, crossings, which));
    let set_sd_s = sds_s[SET];
    let phases = &candidate.phases;
    let travel = value_at(&candidate.arm.t_s, &phases.travel, set_s) / phases.travel_at_top;
    // Each side by itself: around the top both lie lower.
    let travel_after = value_at(&candidate.arm.t_s, &phases.travel, set_s + set_sd_s) / phases.travel_at_top;
    let travel_before = value_at(&candidate.arm.t_s, &phases.travel, set_s - set_sd_s) / phases.travel_at_top;
    SetTimes {
        onset: DeviceTime::at_seconds(onset_s),
        half: DeviceTime::at_seconds(half_s),
        set: DeviceTime::at_seconds(set_s),
        nearly_full: DeviceTime::at_seconds(nearly_full_s),
        sds_ms: sds_s.map(|sd_s| sd_s * 1e3),
        set_to_top_ms: Measured::new((set_s - instants.top_s) * 1e3, set_sd_s.hypot(spread.top_sd_s) * 1e3),
        arm_travel_at_set: Measured::new(
            travel,
            (0.5 * ((travel_after - travel).abs() + (travel - travel_before).abs()))
                .hypot(spread.travel_sd(candidate, instants, set_s))
                .hypot(0.005),
        ),
    }
}

/// Whether an angle counts from its address value, its standard deviation over time, and that of the instant of the set,
/// s: none for the hinge, which is a share of its range there whenever that is. What counts as it is changes with the hinge,
/// so that one's deviation comes on top of the zero's.
enum Counted<'a> {
    FromAddress(&'a uncertainty::AngleSpread, f64),
    AsItIs(&'a uncertainty::AngleSpread),
}

/// How well the zero of an anatomical angle is known, degrees: the wrist is only roughly straight while
/// the forearm is rolled in the calibration, and a grip differs from player to player (judgement).
const ZERO_SD_DEG: f64 = 5.0;

/// An angle, rad over time, read off at the events.
fn at_events(
    candidate: &Candidate,
    instants: &Instants,
    crossings: Option<&Crossings>,
    (t_s, values): (&[f64], &[f64]),
    counted: Counted,
) -> AtEvents {
    if !candidate.sees_wrist() {
        return AtEvents::default();
    }
    let address = mean_between(t_s, values, instants.zero_s);
    let set_sd_s = if let Counted::FromAddress(_, sd_s) = counted { sd_s } else { 0.0 };
    let read = |at_s: f64| {
        let value = value_at(t_s, values, at_s);
        match &counted {
            Counted::FromAddress(spread, _) => {
                Measured::new((value - address).to_degrees(), spread.sd_at(at_s).to_degrees())
            }
            Counted::AsItIs(hinge) => {
                Measured::new(value.to_degrees(), ZERO_SD_DEG.hypot(hinge.sd_at(at_s).to_degrees()))
            }
        }
    };
    // An angle that changes quickly is known no better than the instant at which it is read.
    let timed = |read: Measured, at_s: f64, sd_s: f64| {
        let moved = value_at(t_s, values, at_s + sd_s) - value_at(t_s, values, at_s - sd_s);
        Measured::new(read.value, read.sd.hypot(0.5 * moved.to_degrees()))
    };
    let range =
        t_s.partition_point(|t| *t < instants.takeaway_s)..t_s.partition_point(|t| *t <= instants.ball_s);
    let largest = range.max_by(|a, b| values[*a].total_cmp(&values[*b]));
    AtEvents {
        address: Some(Measured::new(address.to_degrees(), ZERO_SD_DEG)),
        set: crossings.map(|found| timed(read(found.at_s[SET]), found.at_s[SET], set_sd_s)),
        top: Some(read(instants.top_s)),
        max: largest.map(|i| read(t_s[i])),
        arm_horizontal_down: candidate.phases.arm_horizontal_s.map(read),
        impact: instants
            .impact_s
            .map(|at_s| timed(read(at_s), at_s, instant_sd::impact_s(&candidate.episode.hand, at_s))),
    }
}

fn tempo(instants: &Instants, spread: &Spread, impact_sd_s: Option<f64>) -> Measured {
    let (back_s, down_s) = (instants.top_s - instants.takeaway_s, instants.ball_s - instants.top_s);
    let tempo = back_s / down_s;
    let relative = (spread.takeaway_sd_s / back_s)
        .hypot(impact_sd_s.unwrap_or(ARM_BACK_SD_S) / down_s)
        .hypot(spread.top_sd_s * (1.0 / back_s + 1.0 / down_s));
    Measured::new(tempo, tempo * relative)
}

fn points(candidate: &Candidate, curves: &Curves, instants: &Instants, address: f64) -> Vec<CurvePoint> {
    let flexion_zero = mean_between(&curves.t_s, &curves.flexion, instants.zero_s);
    let end_s = candidate.curve_end_s(instants.ball_s);
    let roll = roll_from(candidate, instants.zero_s.1);
    let seen_until_s = match &candidate.hub {
        Some(hub) => hub.t_s.last().copied().unwrap_or(f64::NEG_INFINITY),
        None if candidate.hand_alone => f64::NEG_INFINITY,
        None => f64::INFINITY,
    };
    let seen = |angle: f64, t_s: f64| if t_s > seen_until_s { f64::NAN } else { angle.to_degrees() };
    (0..curves.t_s.len())
        .filter(|i| (instants.address_s.0..=end_s).contains(&curves.t_s[*i]))
        .map(|i| CurvePoint {
            t: DeviceTime::at_seconds(curves.t_s[i]),
            hinge_deg: seen(curves.hinge[i] - address, curves.t_s[i]),
            flexion_deg: seen(curves.flexion[i] - flexion_zero, curves.t_s[i]),
            roll_deg: roll[i].to_degrees(),
            arm_travel_deg: candidate.phases.travel[i].to_degrees(),
            arm_travel: candidate.phases.travel[i] / candidate.phases.travel_at_top,
        })
        .collect()
}

/// The forearm's rotation about its own long axis since `from_s`, rad, pronation positive.
pub(super) fn roll_from(candidate: &Candidate, from_s: f64) -> Vec<f64> {
    let arm = &candidate.arm;
    let mut roll = vec![0.0; arm.t_s.len()];
    for i in 1..roll.len() {
        roll[i] =
            roll[i - 1] + 0.5 * (arm.roll_rate[i - 1] + arm.roll_rate[i]) * (arm.t_s[i] - arm.t_s[i - 1]);
    }
    let zero = value_at(&arm.t_s, &roll, from_s);
    roll.iter().map(|value| value - zero).collect()
}
