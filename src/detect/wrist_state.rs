//! What is known of this glove on this wrist: from the nominal mounting, the calibration and the swings.

use super::calibration_quality::{AxesQuality, CalibrationQuality};
use super::episode::{CalibrationEpisodes, Episode};
use super::measure::WristKnowledge;
use crate::fusion::arm_answer::arm_share;
use crate::fusion::calibration::{Biases, PartReadings, first_axes, hand_axes};
use crate::fusion::clock::{self, ClockMap, offset_from_motion};
use crate::fusion::errors::GloveErrors;
use crate::fusion::joint::{self, GloveEvidence, JointEstimate, JointParams, JointWindow};
use crate::fusion::series::{Reading, usual_step_s};
use crate::fusion::soft_tissue::{self, BentAbout, CuffTurn, SoftTissue};
use crate::fusion::track::Track;
use crate::fusion::wrist::WristAxes;
use crate::sample::{CalibrationPart, DeviceDescription};
use nalgebra::{SMatrix, Unit, Vector3};
use std::collections::VecDeque;

/// Farther apart than this the clocks are not looked for around the order of arrival, s.
const CLOCK_REACH_S: f64 = 0.15;
/// But where they are not found within that: a node may be late on the wire by more.
const CLOCK_FAR_S: f64 = 0.35;
/// Middles of what was seen of one movement lie no farther apart than this, s.
const SAME_MOVEMENT_S: f64 = 0.1;
/// So many movements tell the line of the clocks.
const OFFSETS_MAX: usize = 64;
/// How far a mounting may lie from the nominal one where nobody calibrated (standard deviation), rad.
const NOMINAL_AXES_SD: f64 = 0.21;
/// How well the roll of a calibration shows the forearm's long axis, rad (standard deviation).
const ROLLED_AXIS_SD: f64 = 2.0 * std::f64::consts::PI / 180.0;
/// So many swings tell as much as a calibration.
const SWINGS_AS_CALIBRATION: usize = 5;

/// The glove on the wrist, as far as it is known.
#[derive(Clone, Debug)]
pub struct WristState {
    /// Axes in the sensors' frames.
    pub axes: WristAxes,
    /// Clock of the forearm node, once it is known.
    pub clock: Option<ClockMap>,
    /// +1 for a right lead arm, −1 for a left one.
    pub lead_arm_sign: f64,
    /// Sentences for the reader.
    pub notes: Vec<String>,
    /// How good the calibration was, after one.
    pub quality: Option<CalibrationQuality>,
    nominal: WristAxes,
    calibrated: bool,
    /// The hand node's axes come from a calibration that it was alone in.
    hand_calibrated: bool,
    tissue: SoftTissue,
    windows: Vec<JointWindow>,
    /// Offsets that single movements have shown: hand clock, forearm clock less hand clock, s.
    offsets_s: VecDeque<(f64, f64)>,
    /// By how much the order of arrival says more than the clock, s: the forearm's readings may be longer under way.
    arrival_off_s: f64,
    /// [`Episode::clocks_begun`] where the clock was learnt.
    clocks_begun: u32,
}

impl WristState {
    /// Before any calibration.
    #[must_use]
    pub fn nominal(device: &DeviceDescription) -> WristState {
        let nominal = WristAxes::of_glove(device);
        WristState {
            axes: nominal,
            clock: None,
            lead_arm_sign: device.player_hand.lead_arm_sign(),
            notes: Vec::new(),
            quality: None,
            nominal,
            calibrated: false,
            hand_calibrated: false,
            tissue: SoftTissue::UNSEEN,
            windows: Vec::new(),
            offsets_s: VecDeque::new(),
            arrival_off_s: 0.0,
            clocks_begun: 0,
        }
    }

    /// The same wrist after a node's clock has started anew: what was timed on the old clocks is gone, the
    /// axes stay.
    #[must_use]
    pub fn on_new_clocks(&self) -> WristState {
        WristState {
            clock: None,
            notes: Vec::new(),
            windows: Vec::new(),
            offsets_s: VecDeque::new(),
            arrival_off_s: 0.0,
            ..self.clone()
        }
    }

    /// Whether an episode was timed by other clocks than those known: a node has started anew, or the order of
    /// arrival says so.
    #[must_use]
    pub fn has_other_clocks(&self, episode: &Episode) -> bool {
        let known = self.clock.zip(episode.hand.last()).filter(|_| !episode.forearm.is_empty());
        known.is_some_and(|(clock, last)| {
            let expected_s = clock.forearm_s(last.t_s) - last.t_s + self.arrival_off_s;
            episode.clocks_begun != self.clocks_begun
                || (expected_s - episode.clock_guess_s).abs() > CLOCK_REACH_S
        })
    }

    /// The clock, or what the order of arrival says while nothing better is known.
    #[must_use]
    pub fn clock_for(&self, episode: &Episode) -> ClockMap {
        let reference_s = episode.hand.last().map_or(0.0, |last| last.t_s);
        self.clock.unwrap_or(ClockMap::line(episode.clock_guess_s, 0.0, reference_s))
    }

    /// Looks for the clocks' offset in the motion of an episode, and lays a line through what all of them
    /// have shown: quartz drifts by tens of ppm, which is ms within a minute. Without enough motion, what is
    /// known already stands, or else what the order of arrival says.
    pub fn learn_clock(&mut self, episode: &Episode) {
        let Some((first, last)) = episode.hand.first().zip(episode.hand.last()) else { return };
        let at_s = 0.5 * (first.t_s + last.t_s);
        self.clocks_begun = episode.clocks_begun;
        let around_s = self.clock.map_or(episode.clock_guess_s, |clock| clock.forearm_s(at_s) - at_s);
        let Some(offset_s) = clock_offset_s(episode, around_s) else {
            self.clock = Some(self.clock_for(episode));
            return;
        };
        self.arrival_off_s = episode.clock_guess_s - offset_s;
        // A longer look at the same movement takes the shorter one's place.
        self.offsets_s.pop_back_if(|(before_s, _)| (at_s - *before_s).abs() < SAME_MOVEMENT_S);
        self.offsets_s.push_back((at_s, offset_s));
        if self.offsets_s.len() > OFFSETS_MAX {
            self.offsets_s.pop_front();
        }
        self.clock = clock::line_through(self.offsets_s.make_contiguous());
    }

    /// Starts anew from a calibration.
    pub fn calibrate(&mut self, calibration: &CalibrationEpisodes) {
        let part = |wanted| {
            calibration.parts.iter().rev().find(|(part, _)| *part == wanted).map(|(_, episode)| episode)
        };
        let Some(any) = calibration.parts.last().map(|(_, episode)| episode) else { return };
        if calibration.parts.iter().all(|(_, episode)| episode.forearm.is_empty()) {
            self.calibrate_hand(calibration);
            return;
        }
        let side = |wanted, hand: bool| -> &[Reading] {
            part(wanted).map_or(&[], |episode| if hand { &episode.hand } else { &episode.forearm })
        };
        let parts = PartReadings {
            hand_in_hinge: side(CalibrationPart::Hinge, true),
            hand_in_roll: side(CalibrationPart::Roll, true),
            forearm_in_roll: side(CalibrationPart::Roll, false),
        };
        let (axes, complaints) = first_axes(&parts, &any.biases, &self.nominal);
        self.calibrated = complaints.is_empty();
        self.axes = axes;
        self.clock = None;
        self.offsets_s.clear();
        self.learn_clock(part(CalibrationPart::Roll).unwrap_or(any));
        let clock = self.clock_for(any);
        let moving = [CalibrationPart::Flex, CalibrationPart::Hinge, CalibrationPart::Roll];
        self.tissue = soft_tissue(&self.axes, &clock, part);
        self.windows =
            moving.into_iter().filter_map(part).filter_map(|episode| part_window(episode, &clock)).collect();
        self.judge(calibration, complaints);
    }

    /// Starts anew from a calibration with the hand node alone: its axes show as they do with both nodes, as
    /// long as the arm was still while the wrist was hinged.
    fn calibrate_hand(&mut self, calibration: &CalibrationEpisodes) {
        let part = |wanted| {
            let found = calibration.parts.iter().rev().find(|(part, _)| *part == wanted);
            found.map_or((&[][..], Vector3::zeros()), |(_, episode)| (&episode.hand[..], episode.biases.hand))
        };
        let (hinge, roll) = (part(CalibrationPart::Hinge), part(CalibrationPart::Roll));
        let (axes, complaints) = hand_axes(hinge, roll, &self.nominal);
        self.axes = axes;
        self.hand_calibrated = complaints.is_empty();
        self.notes
            .push("calibration: the hand node alone was there, so only its own axes are known".to_owned());
        self.notes.extend(complaints);
    }

    /// Says how good the calibration was. `complaints` are those of the first axes.
    fn judge(&mut self, calibration: &CalibrationEpisodes, complaints: Vec<String>) {
        let axes = AxesQuality::of(&self.estimate([], &GloveEvidence::default()), &self.nominal);
        let quality = CalibrationQuality::of(calibration, axes, &self.nominal, self.lead_arm_sign);
        self.calibrated &= !quality.is_worn_wrong();
        self.notes.extend(quality.sentences());
        if quality.parts.iter().all(|part| part.problem.is_none()) {
            self.notes.extend(complaints);
        }
        self.quality = Some(quality);
    }

    /// The joint estimate over the calibration and these swings, with what the nodes' stillnesses say. The
    /// last windows are the swings'.
    #[must_use]
    pub fn estimate<'a>(
        &'a self,
        swings: impl IntoIterator<Item = &'a JointWindow>,
        evidence: &GloveEvidence,
    ) -> JointEstimate {
        let mut params = JointParams::default();
        if !self.calibrated {
            params.axes_sd = NOMINAL_AXES_SD;
        }
        let windows: Vec<&JointWindow> = self.windows.iter().chain(swings).collect();
        joint::estimate(
            &windows,
            &self.axes,
            &self.clock.unwrap_or(ClockMap::IDENTITY),
            &self.tissue,
            evidence,
            &params,
        )
    }

    /// What these swings alone say of the joint, beginning at an estimate.
    #[must_use]
    pub fn estimate_alone(
        &self,
        swings: &[&JointWindow],
        begin: &JointEstimate,
        evidence: &GloveEvidence,
    ) -> JointEstimate {
        joint::estimate(swings, &begin.axes, &begin.clock, &self.tissue, evidence, &JointParams::default())
    }

    /// The same wrist in a glove that has moved on it: the axes that it had until then, as far as they were known, are a
    /// first guess now.
    #[must_use]
    pub fn after_moving(&self, axes_until_then: &WristAxes) -> WristState {
        WristState {
            axes: *axes_until_then,
            calibrated: false,
            hand_calibrated: false,
            windows: Vec::new(),
            notes: Vec::new(),
            ..self.clone()
        }
    }

    /// Whether a calibration has succeeded.
    #[must_use]
    pub fn is_calibrated(&self) -> bool {
        self.calibrated
    }

    /// What a calibration has shown: nothing, the hand node's own axes, or both nodes'.
    fn shown(&self) -> u8 {
        if self.calibrated { 2 } else { u8::from(self.hand_calibrated) }
    }

    /// Whether a calibration, even of the hand node alone, has succeeded.
    #[must_use]
    pub fn has_calibration(&self) -> bool {
        self.shown() > 0
    }

    /// Whether this one, of a newer calibration, takes the place of the one before: not where it shows less.
    #[must_use]
    pub fn follows(&self, before: &WristState) -> bool {
        self.shown() >= before.shown()
    }

    /// Number of windows that come from the calibration.
    #[must_use]
    pub fn calibration_windows(&self) -> usize {
        self.windows.len()
    }

    /// What there is to say where the glove has the hand node alone.
    #[must_use]
    pub fn knowledge_without_forearm(&self) -> WristKnowledge {
        WristKnowledge {
            axes: self.axes,
            clock: ClockMap::IDENTITY,
            clock_shown: false,
            error_changes: GloveErrors::default(),
            start: nalgebra::UnitQuaternion::identity(),
            tissue: self.tissue.share,
            tissue_lag_s: self.tissue.lag_s,
            covariance: SMatrix::zeros(),
            swings: 0,
            calibrated: self.hand_calibrated,
            long_axis_sd: self.long_axis_sd(),
        }
    }

    /// What an estimate says of one of its windows.
    #[must_use]
    pub fn knowledge(&self, estimate: &JointEstimate, window: usize) -> WristKnowledge {
        let swings = estimate.windows() - self.windows.len();
        WristKnowledge {
            axes: estimate.axes,
            clock: estimate.clock,
            clock_shown: !self.offsets_s.is_empty(),
            error_changes: estimate.error_changes,
            start: estimate.starts[window],
            tissue: estimate.tissue,
            tissue_lag_s: self.tissue.lag_s,
            covariance: estimate.covariance(window),
            swings,
            calibrated: self.calibrated || swings >= SWINGS_AS_CALIBRATION,
            long_axis_sd: self.long_axis_sd(),
        }
    }

    fn long_axis_sd(&self) -> f64 {
        if self.calibrated { ROLLED_AXIS_SD } else { NOMINAL_AXES_SD }
    }
}

/// Forearm clock less hand clock, as the motion of an episode shows it, s. One in which a node fell silent, or a clock
/// may have jumped, shows nothing.
fn clock_offset_s(episode: &Episode, around_s: f64) -> Option<f64> {
    if episode.clocks_doubtful || episode.fell_silent(around_s) {
        return None;
    }
    let Biases { hand, forearm } = &episode.biases;
    let within =
        |reach_s| offset_from_motion(&episode.hand, hand, &episode.forearm, forearm, around_s, reach_s);
    within(CLOCK_REACH_S).or_else(|| within(CLOCK_FAR_S))
}

/// What the cuff did while the arm was asked to be still and the wrist bent.
fn soft_tissue<'a>(
    axes: &WristAxes,
    clock: &ClockMap,
    part: impl Fn(CalibrationPart) -> Option<&'a Episode>,
) -> SoftTissue {
    let (hand, forearm) = (axes.hand_from_sensor().inverse(), axes.forearm_from_sensor().inverse());
    let bent = [(CalibrationPart::Flex, Vector3::z_axis()), (CalibrationPart::Hinge, Vector3::x_axis())];
    let turn = |(wanted, axis): (CalibrationPart, Unit<Vector3<f64>>)| {
        let episode = part(wanted)?;
        let about = |readings, sensor_from_segment| BentAbout { readings, axis: sensor_from_segment * axis };
        let waving = soft_tissue::waving(
            about(&episode.hand, hand),
            about(&episode.forearm, forearm),
            &(forearm * Vector3::y_axis()),
            &episode.biases,
            clock,
        );
        let (seen, seen_late_s) = soft_tissue::cuff_share(&waving, usual_step_s(&episode.hand)?)?;
        let (arm, arm_late_s) = arm_share(&waving)?;
        Some(CuffTurn { seen, seen_late_s, arm, arm_late_s })
    };
    SoftTissue::from_cuff(&bent.into_iter().filter_map(turn).collect::<Vec<CuffTurn>>())
}

/// A part of the calibration as a window of the joint estimate, less its ends.
fn part_window(episode: &Episode, clock: &ClockMap) -> Option<JointWindow> {
    let (first, last) = (episode.hand.first()?.t_s, episode.hand.last()?.t_s);
    let errors = GloveErrors::of_biases(&episode.biases);
    let hand = Track::from_stillest(&episode.hand, &errors.hand, first, last)?;
    let (from_s, to_s) = (clock.forearm_s(first), clock.forearm_s(last));
    let forearm = Track::from_stillest(&episode.forearm, &errors.forearm, from_s, to_s)?;
    Some(JointWindow { hand, forearm, from_s: first + 0.1, to_s: last - 0.1 })
}
