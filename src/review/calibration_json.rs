//! The calibration as it stands in the JSON object.

use super::json::{fraction, hundredths};
use crate::detect::CalibrationQuality;
use crate::detect::calibration_part::PartQuality;
use serde::Serialize;

#[derive(Serialize)]
pub(super) struct CalibrationObject {
    grade: &'static str,
    hinge_axis_sd_deg: Option<f64>,
    flexion_axis_sd_deg: Option<f64>,
    clock_sd_ms: Option<f64>,
    hinge_from_nominal_deg: Option<f64>,
    flexion_from_nominal_deg: Option<f64>,
    between_axes_deg: Option<f64>,
    parts: Vec<PartObject>,
    sentences: Vec<String>,
}

impl CalibrationObject {
    pub(super) fn of(quality: &CalibrationQuality) -> CalibrationObject {
        let axes = quality.axes;
        CalibrationObject {
            grade: quality.grade().word(),
            hinge_axis_sd_deg: axes.and_then(|axes| hundredths(axes.hinge_axis_sd_deg)),
            flexion_axis_sd_deg: axes.and_then(|axes| hundredths(axes.flexion_axis_sd_deg)),
            clock_sd_ms: axes.and_then(|axes| hundredths(axes.clock_sd_ms)),
            hinge_from_nominal_deg: axes.and_then(|axes| hundredths(axes.hinge_from_nominal_deg)),
            flexion_from_nominal_deg: axes.and_then(|axes| hundredths(axes.flexion_from_nominal_deg)),
            between_axes_deg: quality.between_axes_deg.and_then(hundredths),
            parts: quality.parts.iter().map(PartObject::of).collect(),
            sentences: quality.sentences(),
        }
    }
}

#[derive(Serialize)]
struct PartObject {
    part: &'static str,
    repetitions: usize,
    turn_deg: Option<f64>,
    about_one_axis: Option<f64>,
    arm_against_hand: Option<f64>,
    still_s: Option<f64>,
    problem: Option<&'static str>,
}

impl PartObject {
    fn of(part: &PartQuality) -> PartObject {
        PartObject {
            part: part.part.word(),
            repetitions: part.repetitions,
            turn_deg: hundredths(part.turn_deg),
            about_one_axis: fraction(part.about_one_axis),
            arm_against_hand: part.arm_against_hand.and_then(fraction),
            still_s: hundredths(part.still_s),
            problem: part.problem.map(|problem| problem.word()),
        }
    }
}
