//! How good a calibration is: each part, and what the joint estimate makes of all of them, in numbers and
//! in words.

use super::calibration_part::{PartQuality, PartReadings};
use super::episode::CalibrationEpisodes;
use crate::fusion::joint::{CLOCK, JointEstimate};
use crate::fusion::wrist::WristAxes;
use crate::sample::CalibrationPart;
use crate::units::times;

/// Axes known to this (standard deviation) let the first swings' sets be told within about 25 ms, before the
/// swings themselves sharpen them, degrees.
const GOOD_DEG: f64 = 2.0;
/// Axes known worse than this leave the set to chance, degrees.
const POOR_DEG: f64 = 5.0;
/// The clocks of the two nodes, likewise: a ms costs 10 ms of the set.
const GOOD_MS: f64 = 1.0;
/// And worse, ms.
const POOR_MS: f64 = 5.0;
/// Flexion and hinge lie this near to a right angle in any wrist, degrees.
const SKEW_DEG: f64 = 25.0;

/// The verdict.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grade {
    /// As good as it gets.
    Good,
    /// Good enough to play; a repetition would make it better.
    Usable,
    /// To be repeated.
    Poor,
}

impl Grade {
    /// The word in tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Grade::Good => "good",
            Grade::Usable => "usable",
            Grade::Poor => "poor",
        }
    }
}

/// How well the joint estimate knows the wrist from the calibration alone: standard deviations.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AxesQuality {
    /// Hinge axis, degrees.
    pub hinge_axis_sd_deg: f64,
    /// Flexion axis, degrees.
    pub flexion_axis_sd_deg: f64,
    /// Clock of the forearm node against the hand's, ms.
    pub clock_sd_ms: f64,
    /// Hinge axis against the nominal mounting, degrees.
    pub hinge_from_nominal_deg: f64,
    /// Flexion axis against the nominal mounting, degrees.
    pub flexion_from_nominal_deg: f64,
}

impl AxesQuality {
    /// From an estimate over the windows of the calibration; none where it has no window.
    #[must_use]
    pub fn of(estimate: &JointEstimate, nominal: &WristAxes) -> Option<AxesQuality> {
        if estimate.windows() == 0 {
            return None;
        }
        let c = estimate.covariance(0);
        // Both components of an axis move it, so its angle varies by the sum of both.
        let axis_sd_deg =
            |first: usize| (c[(first, first)] + c[(first + 1, first + 1)]).max(0.0).sqrt().to_degrees();
        let (found, axes) = (&estimate.axes, nominal);
        Some(AxesQuality {
            flexion_axis_sd_deg: axis_sd_deg(0),
            hinge_axis_sd_deg: axis_sd_deg(2),
            clock_sd_ms: c[(CLOCK, CLOCK)].max(0.0).sqrt() * 1e3,
            hinge_from_nominal_deg: found.deviation_in_hand.angle(&axes.deviation_in_hand).to_degrees(),
            flexion_from_nominal_deg: found.flexion_in_forearm.angle(&axes.flexion_in_forearm).to_degrees(),
        })
    }

    fn grade(&self) -> Grade {
        let worst_deg = self.hinge_axis_sd_deg.max(self.flexion_axis_sd_deg);
        if worst_deg <= GOOD_DEG && self.clock_sd_ms <= GOOD_MS {
            Grade::Good
        } else if worst_deg <= POOR_DEG && self.clock_sd_ms <= POOR_MS {
            Grade::Usable
        } else {
            Grade::Poor
        }
    }
}

/// How good a calibration is.
#[derive(Clone, Debug, PartialEq)]
pub struct CalibrationQuality {
    /// Every part, in the order in which they are asked for.
    pub parts: Vec<PartQuality>,
    /// The angle between the axes of flexion and hinge that the hand node showed, degrees: 90 in a wrist.
    pub between_axes_deg: Option<f64>,
    /// What the joint estimate knows; none where it could not be made.
    pub axes: Option<AxesQuality>,
}

impl CalibrationQuality {
    /// Judges the parts of a calibration, the last of each kind. `axes` comes from the joint estimate.
    #[must_use]
    pub fn of(
        calibration: &CalibrationEpisodes,
        axes: Option<AxesQuality>,
        nominal: &WristAxes,
        lead_arm_sign: f64,
    ) -> CalibrationQuality {
        let parts = CalibrationPart::ALL.map(|(part, _)| {
            let found = calibration.parts.iter().rev().find(|(of, _)| *of == part);
            found.map_or_else(
                || PartQuality::missing(part),
                |(_, episode)| {
                    let readings =
                        PartReadings { part, hand: &episode.hand, forearm: Some(&episode.forearm) };
                    PartQuality::of(&readings, &episode.biases, nominal, lead_arm_sign)
                },
            )
        });
        let axis = |part: CalibrationPart| parts[part as usize].hand_axis;
        let pair = axis(CalibrationPart::Flex).zip(axis(CalibrationPart::Hinge));
        let between_axes_deg =
            pair.map(|(flexion, hinge)| flexion.dot(&hinge).abs().min(1.0).acos().to_degrees());
        CalibrationQuality { parts: parts.into(), between_axes_deg, axes }
    }

    /// Whether the glove is on the wrong way: its angles would have the wrong sign.
    #[must_use]
    pub fn is_worn_wrong(&self) -> bool {
        self.parts.iter().filter_map(|part| part.problem).any(|problem| problem.is_worn_wrong())
    }

    /// Nothing is to be said against any part.
    #[must_use]
    pub fn is_flawless(&self) -> bool {
        !self.is_skewed() && self.parts.iter().all(|part| part.problem.is_none())
    }

    fn is_skewed(&self) -> bool {
        self.between_axes_deg.is_some_and(|angle_deg| (angle_deg - 90.0).abs() > SKEW_DEG)
    }

    /// The verdict. Where every part was done well, nothing is to be repeated, however little came out of it.
    #[must_use]
    pub fn grade(&self) -> Grade {
        let Some(axes) = self.axes.filter(|_| !self.is_worn_wrong()) else { return Grade::Poor };
        match axes.grade() {
            Grade::Good if !self.is_flawless() => Grade::Usable,
            Grade::Poor if self.is_flawless() => Grade::Usable,
            grade => grade,
        }
    }

    /// The verdict and what to repeat, for the player.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let mut sentences = vec![self.verdict(), self.done()];
        let problem = |part: &PartQuality| {
            let advice = part.problem?.advice();
            Some(format!("{}: {advice}.", part_name(part.part)))
        };
        sentences.extend(self.parts.iter().filter_map(problem));
        if let Some(angle_deg) = self.between_axes_deg.filter(|_| self.is_skewed()) {
            sentences.push(format!(
                "Flex and hinge went {angle_deg:.0}° apart, about 90° is right: repeat both, one to the palm, \
                 one to the thumb."
            ));
        }
        sentences
    }

    fn verdict(&self) -> String {
        let grade = self.grade();
        let what = match self.axes {
            Some(axes) => format!(
                "hinge axis known to {:.1}°, flexion axis to {:.1}°, clocks to {:.1} ms",
                axes.hinge_axis_sd_deg, axes.flexion_axis_sd_deg, axes.clock_sd_ms
            ),
            None => "hand and forearm could not be brought together".to_owned(),
        };
        match grade {
            Grade::Good => format!("Calibration good: {what}."),
            Grade::Usable => format!("Calibration usable: {what}; the swings will sharpen it."),
            Grade::Poor => format!("Calibration not good enough: {what}. Please calibrate again."),
        }
    }

    /// What was seen of each part.
    fn done(&self) -> String {
        let part = |part: &PartQuality| match part.part {
            CalibrationPart::Still => format!("still {:.1} s", part.still_s),
            CalibrationPart::Address => format!("address still {:.1} s", part.still_s),
            _ => format!(
                "{} {}, {:.0}°, {:.0} % about one axis",
                part_name(part.part).to_lowercase(),
                times(part.repetitions),
                part.turn_deg,
                100.0 * part.about_one_axis
            ),
        };
        let seen: Vec<String> = self.parts.iter().map(part).collect();
        format!("Calibration parts: {}.", seen.join("; "))
    }
}

/// The part's name for a reader.
#[must_use]
pub fn part_name(part: CalibrationPart) -> &'static str {
    match part {
        CalibrationPart::Still => "Still",
        CalibrationPart::Flex => "Flex",
        CalibrationPart::Hinge => "Hinge",
        CalibrationPart::Roll => "Roll",
        CalibrationPart::Address => "Address",
    }
}
