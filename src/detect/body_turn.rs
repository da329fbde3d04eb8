//! What pelvis and chest do in a swing: how far they are turned at the top, how far they lean at impact, and when
//! they start back: the last change of sign of the turning rate before its fastest downswing instant, as the top
//! is for the arm.
//!
//! A turning rate that falls through zero slowly makes that instant unsure. So it is looked for at rates off zero by
//! what the rate may be off as well: by bias and noise, by a long axis that is not quite known, by a strap that
//! gives way. How far the instant moves then is its uncertainty.

use super::body_watch::TrunkReadings;
use super::candidate::Candidate;
use super::flags::has_gap;
use super::measure::Instants;
use super::swing::SetTimes;
use crate::fusion::errors::NodeErrors;
use crate::fusion::series::between;
use crate::fusion::trunk::{STRAP_SD_S2, SegmentTrack};
use crate::units::{DeviceTime, Measured};

/// The fastest downswing instant is looked for from so long before the top …
const BEFORE_TOP_S: f64 = 0.3;
/// … to so long after the ball, s.
const AFTER_BALL_S: f64 = 0.05;
/// The address pose is looked for from so long before the glove's own, s.
const EARLIER_S: f64 = 0.2;
/// Gyro bias that is left, rad/s (judgement: rest shows it to a few hundredths of a degree per second).
const BIAS_SD: f64 = 0.1 * std::f64::consts::PI / 180.0;
/// Scale error of a common gyro, as a share of what it sums up (from memory, data sheets of common parts).
const SCALE_SD: f64 = 0.005;
/// The same where the gyro was clipped so near to the peak, s: what is carried on there is a guess.
const CLIPPED_SD: f64 = 0.05;
const NEAR_PEAK_S: f64 = 0.05;
/// Where the long axis shows forwards at address, a lean of some degrees lets it be off by so much, rad.
const FORWARDS_SD: f64 = 0.15;
/// Where the nominal mounting has to, rad.
const FORWARDS_NOMINAL_SD: f64 = 0.25;
/// The level at address: sway and the accelerometer, rad (judgement).
const LEVEL_SD: f64 = 0.5 * std::f64::consts::PI / 180.0;
/// A start that is known no better than this is flat, s.
const FLAT_SD_S: f64 = 0.010;
/// Clocks known worse than this show in the lead, s.
const CLOCK_SD_S: f64 = 0.0025;
/// A node less still than this at address leaves the zero of the turn uncertain, rad/s.
const RESTLESS: f64 = 0.1;
/// A segment that turned back less than this had no backswing of its own, rad.
const LEAST_TURN: f64 = 3.0 * std::f64::consts::PI / 180.0;
/// The curve has a point every so often, s: between two a trunk's turning leaves the straight line by some 0.01°.
const CURVE_STEP_S: f64 = 0.005;

/// Why a number of a segment deserves less trust.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum BodyFlag {
    /// The turning rate fell through zero slowly.
    FlatTurnaround,
    /// The node's clock is known from the order of arrival only, or badly.
    ClocksUnsure,
    /// No upright pose was seen: the long axis is that of the nominal mounting.
    NominalMounting,
    /// An angular rate reached the sensor's full scale.
    GyroClipped,
    /// Samples are missing within the swing.
    DataGap,
    /// The segment was not still at address.
    RestlessAddress,
}

impl BodyFlag {
    /// The word in tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            BodyFlag::FlatTurnaround => "flat-turnaround",
            BodyFlag::ClocksUnsure => "clocks-unsure",
            BodyFlag::NominalMounting => "nominal-mounting",
            BodyFlag::GyroClipped => "gyro-clipped",
            BodyFlag::DataGap => "data-gap",
            BodyFlag::RestlessAddress => "restless-address",
        }
    }

    /// The same in a sentence for a reader who has not read the manual.
    #[must_use]
    pub fn explanation(self) -> &'static str {
        match self {
            BodyFlag::FlatTurnaround => "it turned round slowly, so the instant is hard to time",
            BodyFlag::ClocksUnsure => "its clock could not be compared well with the hand's",
            BodyFlag::NominalMounting => {
                "no upright pose was seen (calibrate standing): it is taken to sit as it should"
            }
            BodyFlag::GyroClipped => "the sensor turned faster than it can measure",
            BodyFlag::DataGap => "samples are missing within the swing",
            BodyFlag::RestlessAddress => "it was not still at address, so the zero of its turn is uncertain",
        }
    }
}

/// When a segment starts back.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StartBack {
    /// On the hand node's clock.
    pub at: DeviceTime,
    /// How long before the top, ms; negative after it.
    pub lead_to_top_ms: Measured,
    /// How long before the set, ms; missing without a set.
    pub lead_to_set_ms: Option<Measured>,
}

/// A segment at one instant of a swing. Both count from address, away from the target positive.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SegmentPoint {
    /// When, on the hand node's clock.
    pub t: DeviceTime,
    /// About its own long axis, degrees.
    pub turn_deg: f64,
    /// Of its long axis in the plane of the vertical and the player's sideways axis at address, degrees.
    pub tilt_deg: f64,
}

/// One segment in a swing. Turns and leans count from address, away from the target positive.
#[derive(Clone, Debug, PartialEq)]
pub struct SegmentTurn {
    /// About its own long axis, at the top, degrees.
    pub turn_at_top_deg: Measured,
    /// Of its long axis in the plane of the vertical and the player's sideways axis at address, at impact or where
    /// that would be, degrees.
    pub tilt_at_impact_deg: Measured,
    /// Missing where the segment did not turn back.
    pub start_back: Option<StartBack>,
    /// Fastest turning towards the target, °/s.
    pub peak_dps: Measured,
    /// When, on the hand node's clock.
    pub peak: DeviceTime,
    /// What deserves less trust, in order of the enum, each once.
    pub flags: Vec<BodyFlag>,
    /// Its turning from address to finish, as far as its node was heard; straight lines between the points.
    pub curve: Vec<SegmentPoint>,
}

impl SegmentTurn {
    /// The segment at an instant; nothing where its node was not heard.
    #[must_use]
    pub fn at(&self, t: DeviceTime) -> Option<SegmentPoint> {
        let after = self.curve.partition_point(|point| point.t < t);
        let b = self.curve.get(after)?;
        if b.t == t {
            return Some(*b);
        }
        let a = self.curve.get(after.checked_sub(1)?)?;
        let part = t.seconds_since(a.t) / b.t.seconds_since(a.t);
        let between = |from: f64, to: f64| from + part * (to - from);
        Some(SegmentPoint {
            t,
            turn_deg: between(a.turn_deg, b.turn_deg),
            tilt_deg: between(a.tilt_deg, b.tilt_deg),
        })
    }
}

/// Both segments, as far as they carry a node.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyTurn {
    /// By the node on the belt.
    pub pelvis: Option<SegmentTurn>,
    /// By the node on the breastbone.
    pub chest: Option<SegmentTurn>,
}

/// Measures the trunk in a swing; nothing without a node there that was heard throughout.
#[must_use]
pub(super) fn measure(
    candidate: &Candidate,
    (instants, top_sd_s): (&Instants, f64),
    set: Option<&SetTimes>,
    lead_arm_sign: f64,
) -> Option<BodyTurn> {
    let curve_s = (instants.address_s.0, candidate.curve_end_s(instants.ball_s));
    let body = &candidate.episode.body;
    let of = |node: Option<&TrunkReadings>| {
        let segment = Segment::new(node?, instants, lead_arm_sign)?;
        segment.measure(top_sd_s, set, curve_s)
    };
    let (pelvis, chest) = (of(body.belt.as_ref()), of(body.chest.as_ref()));
    (pelvis.is_some() || chest.is_some()).then_some(BodyTurn { pelvis, chest })
}

/// One segment's track with the swing's instants, on the segment's own clock where the names say so.
struct Segment<'a> {
    node: &'a TrunkReadings,
    instants: &'a Instants,
    track: SegmentTrack,
    address_s: f64,
    top_s: f64,
    ball_s: f64,
}

impl<'a> Segment<'a> {
    fn new(node: &'a TrunkReadings, instants: &'a Instants, lead_arm_sign: f64) -> Option<Segment<'a>> {
        let at = |hand_s: f64| node.clock.node_s(hand_s);
        let address_s = (at(instants.address_s.0 - EARLIER_S), at(instants.address_s.1));
        let errors = NodeErrors::of_bias(node.bias);
        let track = SegmentTrack::new(&node.readings, &errors, node.seat, lead_arm_sign, address_s)?;
        let (top_s, ball_s) = (at(instants.top_s), at(instants.ball_s));
        let heard_throughout =
            track.span_s().is_some_and(|(first, last)| first <= address_s.0 + EARLIER_S && last >= ball_s);
        heard_throughout.then_some(Segment { node, instants, track, address_s: address_s.1, top_s, ball_s })
    }

    /// `curve_s` is the span of the swing's curve, hand clock.
    fn measure(&self, top_sd_s: f64, set: Option<&SetTimes>, curve_s: (f64, f64)) -> Option<SegmentTurn> {
        let (peak_s, peak) =
            self.track.fastest_down(self.top_s - BEFORE_TOP_S, self.ball_s + AFTER_BALL_S)?;
        let start_back = self.start_back(peak_s, top_sd_s, set);
        Some(SegmentTurn {
            turn_at_top_deg: self.turn_at_top_deg(),
            tilt_at_impact_deg: self.tilt_at_impact_deg(),
            start_back,
            peak_dps: degrees(peak, &self.peak_sds(peak_s, peak)),
            peak: DeviceTime::at_seconds(self.node.clock.hand_s(peak_s)),
            flags: self.flags(start_back.as_ref()),
            curve: self.curve(curve_s),
        })
    }

    fn curve(&self, (from_s, to_s): (f64, f64)) -> Vec<SegmentPoint> {
        let Some((first_s, last_s)) = self.track.span_s() else { return Vec::new() };
        let count = ((to_s - from_s) / CURVE_STEP_S).max(0.0).ceil() as u32;
        let instants = (0..=count).map(|i| from_s + f64::from(i) * CURVE_STEP_S);
        let points = instants.filter_map(|hand_s| {
            let node_s = self.node.clock.node_s(hand_s);
            (first_s..=last_s).contains(&node_s).then(|| SegmentPoint {
                t: DeviceTime::at_seconds(hand_s),
                turn_deg: self.track.turn(node_s).to_degrees(),
                tilt_deg: self.track.tilt(node_s).to_degrees(),
            })
        });
        points.collect()
    }

    /// What the fastest turning may be off by, each by itself, rad/s.
    fn peak_sds(&self, peak_s: f64, peak: f64) -> [f64; 5] {
        let near = between(&self.node.readings, peak_s - NEAR_PEAK_S, peak_s + NEAR_PEAK_S);
        let clipped = near.iter().any(|reading| reading.clipped);
        [
            peak * if clipped { CLIPPED_SD } else { SCALE_SD },
            BIAS_SD,
            self.rate_noise(peak_s),
            self.node.seat.long_sd * self.track.rate_across(peak_s),
            self.track.strap_answers_to(peak_s).jerk * STRAP_SD_S2,
        ]
    }

    /// What noise leaves of a turning rate that is smoothed by a parabola, rad/s.
    fn rate_noise(&self, at_s: f64) -> f64 {
        let local = self.track.local(at_s);
        1.5 * local.scatter / (local.count.max(1) as f64).sqrt()
    }

    fn turn_at_top_deg(&self) -> Measured {
        let turn = self.track.turn(self.top_s);
        let strap = self.track.strap_answers_to(self.top_s).accel * STRAP_SD_S2;
        let sds = [
            BIAS_SD * (self.top_s - self.address_s),
            SCALE_SD * turn,
            self.node.seat.long_sd * self.track.swung(self.top_s),
            strap,
            // What the clocks are off, the turn has moved on by.
            self.node.clock.sd_s * self.track.local(self.top_s).rate,
        ];
        degrees(turn, &sds)
    }

    fn tilt_at_impact_deg(&self) -> Measured {
        let turned = self.track.turn(self.ball_s);
        let forwards_sd = if self.track.forwards_from_bend() { FORWARDS_SD } else { FORWARDS_NOMINAL_SD };
        let sds = [
            LEVEL_SD,
            BIAS_SD * (self.ball_s - self.address_s),
            // A wrong long axis goes round with the segment.
            self.node.seat.long_sd * 2.0 * (0.5 * turned).sin(),
            forwards_sd * self.track.bend_change(self.ball_s),
            self.node.clock.sd_s * self.track.rate_across(self.ball_s),
        ];
        degrees(self.track.tilt(self.ball_s), &sds)
    }

    fn start_back(&self, peak_s: f64, top_sd_s: f64, set: Option<&SetTimes>) -> Option<StartBack> {
        let from_s = self.node.clock.node_s(self.instants.takeaway_s);
        let back_s = self.track.last_fall_through(0.0, from_s, peak_s)?;
        if self.track.turn(back_s) < LEAST_TURN {
            return None;
        }
        let own_sd_s = self.start_sd_s(back_s, from_s, peak_s);
        let sd_s = own_sd_s.hypot(self.node.clock.sd_s);
        let hand_s = self.node.clock.hand_s(back_s);
        let lead_ms = |to_s: f64, of_s: f64| Measured::new((to_s - hand_s) * 1e3, sd_s.hypot(of_s) * 1e3);
        let to_set = |set: &SetTimes| {
            // The set's uncertainty is that of its distance from the top; from the pelvis the top's has no part in it.
            let set_sd_s = ((set.set_to_top_ms.sd * 1e-3).powi(2) - top_sd_s * top_sd_s).max(0.0).sqrt();
            lead_ms(self.instants.top_s + set.set_to_top_ms.value * 1e-3, set_sd_s)
        };
        Some(StartBack {
            at: DeviceTime::at_seconds(hand_s),
            lead_to_top_ms: lead_ms(self.instants.top_s, top_sd_s),
            lead_to_set_ms: set.map(to_set),
        })
    }

    /// How far the start moves when the rate is off by one standard deviation either way, s.
    fn start_sd_s(&self, back_s: f64, from_s: f64, peak_s: f64) -> f64 {
        let local = self.track.local(back_s);
        let noise = self.rate_noise(back_s);
        let across = self.node.seat.long_sd * self.track.rate_across(back_s);
        let strap = self.track.strap_answers_to(back_s).jerk * STRAP_SD_S2;
        let rate_sd = BIAS_SD.hypot(noise).hypot(across).hypot(strap);
        let by_slope_s = rate_sd / local.accel.abs().max(1e-3);
        let moved_s = |level: f64| {
            let at_s = self.track.last_fall_through(level, from_s, peak_s);
            at_s.map_or(by_slope_s, |at_s| (at_s - back_s).abs())
        };
        0.5 * (moved_s(rate_sd) + moved_s(-rate_sd))
    }

    fn flags(&self, start: Option<&StartBack>) -> Vec<BodyFlag> {
        let to_s = self.ball_s + AFTER_BALL_S;
        let during = between(&self.node.readings, self.address_s, to_s);
        let flat = start.is_some_and(|start| start.lead_to_top_ms.sd > FLAT_SD_S * 1e3);
        let checks = [
            (BodyFlag::FlatTurnaround, flat),
            (BodyFlag::ClocksUnsure, self.node.clock.sd_s > CLOCK_SD_S),
            (BodyFlag::NominalMounting, !self.node.stood),
            (BodyFlag::GyroClipped, during.iter().any(|reading| reading.clipped)),
            (BodyFlag::DataGap, has_gap(during)),
            (BodyFlag::RestlessAddress, self.track.still_rms() > RESTLESS),
        ];
        checks.into_iter().filter(|(_, raised)| *raised).map(|(flag, _)| flag).collect()
    }
}

fn degrees(value: f64, sds: &[f64]) -> Measured {
    let sd = sds.iter().map(|sd| sd * sd).sum::<f64>().sqrt();
    Measured::new(value.to_degrees(), sd.to_degrees())
}
