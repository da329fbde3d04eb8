//! How well the player did one part of the calibration, in numbers, and what was wrong, in words.
//! The same judgement leads the player live and stands in the report afterwards.

use super::node_motion::NodeMotion;
use crate::fusion::calibration::Biases;
use crate::fusion::series::{Reading, usual_step_s};
use crate::fusion::wrist::WristAxes;
use crate::sample::CalibrationPart;
use nalgebra::{Unit, Vector3};

/// So long a still pose has to be held, s: as long as the gyro bias needs.
pub const STILL_S: f64 = 2.0;
/// And so long the address, s.
pub const ADDRESS_STILL_S: f64 = 1.0;
/// Repetitions below this leave the axis to chance.
const FEWEST: usize = 3;
/// Turns there and back that are worth the name, degrees: flexion, hinge, roll. About a third of what a
/// healthy wrist and forearm can do without strain (judgement).
const LEAST_TURNS_DEG: [f64; 3] = [25.0, 15.0, 40.0];
/// The least share of the motion about its main axis; what the first axes ask for as well.
const LEAST_SHARE: f64 = 0.85;
/// The forearm turns along when its rate reaches this share of the hand's.
const ALONG: f64 = 0.5;
/// In the roll hand and forearm turn as one: their rates may differ by this factor.
const AS_ONE: f64 = 1.1;
/// Least share about the main axis of the hand while the forearm rolls.
const LEAST_HAND_SHARE: f64 = 0.8;
/// Faster than this the skin moves against the bone and straps sway (judgement), rad/s.
const TOO_FAST: f64 = 600.0_f64.to_radians();
/// Hand and forearm faster than these together are a swing, rad/s.
const SWING: [f64; 2] = [800.0_f64.to_radians(), 500.0_f64.to_radians()];
/// Slower than this in the mean a node hardly moved, rad/s.
const HARDLY: f64 = 6.0_f64.to_radians();
/// Even a hand that is held still sways and breathes: means of the rate scatter more than this, rad/s.
const LIFELESS: f64 = 0.04_f64.to_radians();
/// A node is silent when it was heard for less than this share of the other's time.
const SILENT_SHARE: f64 = 0.2;
/// Readings from which anything can be said.
const FEWEST_READINGS: usize = 20;
/// At address gravity must not point the wrong way along the arm, or out of the thumb, by more than this, g.
const WRONG_WAY_G: f64 = 0.25;

/// What was wrong with a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Problem {
    /// The part was not done at all.
    Missing,
    /// The hand node is not heard.
    HandSilent,
    /// The forearm node is not heard.
    ForearmSilent,
    /// The glove lies somewhere.
    PutDown,
    /// A swing came between.
    Swing,
    /// The gyro went past its range.
    Clipped,
    /// The forearm node moved and the hand node did not.
    Swapped,
    /// Not still for long enough.
    Restless,
    /// The fingers' end of the glove points to the body.
    BackToFront,
    /// The glove's back lies on the palm, or the player's side is set wrong.
    UpsideDown,
    /// Hardly any movement.
    NoMotion,
    /// Another movement than the one asked for.
    Other(CalibrationPart),
    /// The forearm turned along.
    ArmMoved,
    /// The wrist moved along while the forearm rolled.
    WristMoved,
    /// About several axes at once.
    ManyAxes,
    /// Too fast.
    TooFast,
    /// Too small.
    TooSmall,
    /// Too few repetitions.
    TooFew,
}

impl Problem {
    /// The word in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Problem::Missing => "missing",
            Problem::HandSilent => "hand-silent",
            Problem::ForearmSilent => "forearm-silent",
            Problem::PutDown => "put-down",
            Problem::Swing => "swing",
            Problem::Clipped => "clipped",
            Problem::Swapped => "nodes-swapped",
            Problem::Restless => "restless",
            Problem::BackToFront => "back-to-front",
            Problem::UpsideDown => "upside-down",
            Problem::NoMotion => "no-motion",
            Problem::Other(_) => "other-movement",
            Problem::ArmMoved => "arm-moved",
            Problem::WristMoved => "wrist-moved",
            Problem::ManyAxes => "many-axes",
            Problem::TooFast => "too-fast",
            Problem::TooSmall => "too-small",
            Problem::TooFew => "too-few",
        }
    }

    /// Waiting longer may still mend it; anything else needs the part to be done again.
    #[must_use]
    pub fn is_unfinished(self) -> bool {
        matches!(
            self,
            Problem::NoMotion | Problem::TooSmall | Problem::TooFew | Problem::Restless | Problem::PutDown
        )
    }

    /// The glove is on the wrong way: no repetition helps before it is put right.
    #[must_use]
    pub fn is_worn_wrong(self) -> bool {
        matches!(self, Problem::Swapped | Problem::BackToFront | Problem::UpsideDown)
    }

    /// What went wrong and what to do, for the player.
    #[must_use]
    pub fn advice(self) -> &'static str {
        match self {
            Problem::Missing => "it was left out; repeat it",
            Problem::HandSilent => "the hand node is not heard; see that it is on",
            Problem::ForearmSilent => "the forearm node is not heard; see that it is on",
            Problem::PutDown => "nothing moves at all; put the glove on first",
            Problem::Swing => "a swing came between; repeat it without one",
            Problem::Clipped => "the movement went past the sensor's range; repeat it slowly",
            Problem::Swapped => {
                "the forearm node moved and the hand node did not; the two are swapped, put each in its place"
            }
            Problem::Restless => "you were still moving; repeat it and keep still",
            Problem::BackToFront => "the glove is on back to front; turn its fingers' end to the fingers",
            Problem::UpsideDown => {
                "the glove is on upside down, or the settings name the wrong side; put it right"
            }
            Problem::NoMotion => "hardly any movement was seen; repeat it",
            Problem::Other(CalibrationPart::Flex) => "that was a bend to the palm; repeat the one asked for",
            Problem::Other(CalibrationPart::Roll) => {
                "that was a turn of the forearm; repeat the one asked for"
            }
            Problem::Other(_) => "that was a hinge to the thumb; repeat the one asked for",
            Problem::ArmMoved => "you turned the forearm along with it; repeat it, arm still",
            Problem::WristMoved => "the wrist moved along with it; repeat it, wrist firm",
            Problem::ManyAxes => "the movement went several ways at once; repeat it, straight there and back",
            Problem::TooFast => "that was too fast; repeat it slowly",
            Problem::TooSmall => "the movement was too small; repeat it, a little farther, as far as is easy",
            Problem::TooFew => "too few repetitions; repeat it",
        }
    }
}

/// What both nodes showed in one part.
#[derive(Clone, Copy, Debug)]
pub struct PartReadings<'a> {
    /// The part that was asked for.
    pub part: CalibrationPart,
    /// Hand node, in order of time.
    pub hand: &'a [Reading],
    /// Forearm node, on its own clock; none where the glove has none.
    pub forearm: Option<&'a [Reading]>,
}

/// How well a part was done.
#[derive(Clone, Debug, PartialEq)]
pub struct PartQuality {
    /// The part.
    pub part: CalibrationPart,
    /// How often it was done.
    pub repetitions: usize,
    /// How often anything went there and back, whatever it was.
    pub movements: usize,
    /// Size of a turn there or back, the middle one, degrees.
    pub turn_deg: f64,
    /// Share of the motion about its main axis, 0 to 1.
    pub about_one_axis: f64,
    /// The forearm's rate against the hand's: near 0 with the arm quiet, near 1 when both turn as one. None without
    /// a forearm node.
    pub arm_against_hand: Option<f64>,
    /// Longest rest of the nodes, s.
    pub still_s: f64,
    /// The hand's main axis in its sensor's frame.
    pub hand_axis: Option<Unit<Vector3<f64>>>,
    /// What was wrong, if anything.
    pub problem: Option<Problem>,
}

impl PartQuality {
    /// Judges a part by its readings. `nominal` is where the glove's axes should lie; `lead_arm_sign` is +1
    /// for a right lead arm and −1 for a left one.
    #[must_use]
    pub fn of(
        readings: &PartReadings,
        biases: &Biases,
        nominal: &WristAxes,
        lead_arm_sign: f64,
    ) -> PartQuality {
        let motions = Motions {
            part: readings.part,
            hand: NodeMotion::of(readings.hand, &biases.hand),
            forearm: readings.forearm.map(|readings| NodeMotion::of(readings, &biases.forearm)),
            nominal,
            lead_arm_sign,
        };
        let problem = silent(readings).or_else(|| motions.problem());
        let main = motions.main();
        PartQuality {
            part: readings.part,
            repetitions: main.repetitions(),
            movements: motions.nodes().map(NodeMotion::repetitions).max().unwrap_or(0),
            turn_deg: main.usual_turn().to_degrees(),
            about_one_axis: main.share,
            arm_against_hand: motions.arm_against_hand(),
            still_s: motions.still_s(),
            hand_axis: motions.hand.axis,
            problem,
        }
    }

    /// A part that was not done.
    #[must_use]
    pub fn missing(part: CalibrationPart) -> PartQuality {
        PartQuality {
            part,
            repetitions: 0,
            movements: 0,
            turn_deg: 0.0,
            about_one_axis: 0.0,
            arm_against_hand: None,
            still_s: 0.0,
            hand_axis: None,
            problem: Some(Problem::Missing),
        }
    }
}

fn silent(readings: &PartReadings) -> Option<Problem> {
    // In time, not in readings: nodes need not be equally quick.
    let heard_s = |readings: &[Reading]| readings.len() as f64 * usual_step_s(readings).unwrap_or(0.0);
    let (hand_s, forearm_s) = (heard_s(readings.hand), readings.forearm.map(heard_s));
    if readings.hand.len() < FEWEST_READINGS || forearm_s.is_some_and(|other| hand_s < SILENT_SHARE * other) {
        Some(Problem::HandSilent)
    } else {
        forearm_s.filter(|forearm_s| *forearm_s < SILENT_SHARE * hand_s).map(|_| Problem::ForearmSilent)
    }
}

struct Motions<'a> {
    part: CalibrationPart,
    hand: NodeMotion,
    forearm: Option<NodeMotion>,
    nominal: &'a WristAxes,
    lead_arm_sign: f64,
}

impl Motions<'_> {
    /// The node that the part is about.
    fn main(&self) -> &NodeMotion {
        self.forearm.as_ref().filter(|_| self.part == CalibrationPart::Roll).unwrap_or(&self.hand)
    }

    fn nodes(&self) -> impl Iterator<Item = &NodeMotion> {
        std::iter::once(&self.hand).chain(&self.forearm)
    }

    fn still_s(&self) -> f64 {
        self.nodes().map(|node| node.still_s).fold(f64::INFINITY, f64::min)
    }

    fn arm_against_hand(&self) -> Option<f64> {
        Some(self.forearm.as_ref()?.rms / self.hand.rms.max(1e-6))
    }

    /// The first thing that is wrong, the most telling first.
    fn problem(&self) -> Option<Problem> {
        let movement = self.part != CalibrationPart::Still && self.part != CalibrationPart::Address;
        if self.is_lifeless() && (!movement || self.hand.turns.is_empty()) {
            return Some(Problem::PutDown);
        }
        match self.part {
            CalibrationPart::Still => self.restless(STILL_S),
            CalibrationPart::Address => self.restless(ADDRESS_STILL_S).or_else(|| self.worn_wrong()),
            CalibrationPart::Flex | CalibrationPart::Hinge | CalibrationPart::Roll => self.wrong_movement(),
        }
    }

    /// No breath and no sway for as long as a still pose has to be held: nobody wears it.
    fn is_lifeless(&self) -> bool {
        self.nodes().all(|node| node.still_s >= STILL_S && node.still_sway < LIFELESS)
    }

    fn restless(&self, needed_s: f64) -> Option<Problem> {
        (self.still_s() < needed_s).then_some(Problem::Restless)
    }

    /// At address the arm points down and the thumb's side up. Gravity shows whether the nodes agree.
    fn worn_wrong(&self) -> Option<Problem> {
        let nominal = self.nominal;
        let thumb_in_hand = nominal.deviation_in_hand.cross(&nominal.long_in_hand) * self.lead_arm_sign;
        let thumb_in_forearm = nominal.flexion_in_forearm.into_inner() * self.lead_arm_sign;
        let poses = [
            (nominal.long_in_hand.into_inner(), thumb_in_hand),
            (nominal.long_in_forearm.into_inner(), thumb_in_forearm),
        ];
        let wrong = |(motion, (proximal, thumb)): (&NodeMotion, (Vector3<f64>, Vector3<f64>))| {
            let force_g = motion.pose_force_g?;
            if force_g.dot(&proximal) < -WRONG_WAY_G {
                Some(Problem::BackToFront)
            } else {
                (force_g.dot(&thumb) < -WRONG_WAY_G).then_some(Problem::UpsideDown)
            }
        };
        self.nodes().zip(poses).find_map(wrong)
    }

    fn wrong_movement(&self) -> Option<Problem> {
        self.spoilt()
            .or_else(|| self.other_movement())
            .or_else(|| self.impure())
            .or_else(|| self.too_little())
    }

    fn spoilt(&self) -> Option<Problem> {
        let hand = &self.hand;
        let forearm = |is: &dyn Fn(&NodeMotion) -> bool| self.forearm.as_ref().map(is);
        let checks = [
            (Problem::Swing, hand.peak > SWING[0] && forearm(&|it| it.peak > SWING[1]).unwrap_or(true)),
            (Problem::Clipped, self.nodes().any(|node| node.clipped)),
            // A forearm cannot turn without its hand.
            (
                Problem::Swapped,
                forearm(&|it| it.repetitions() > 1 && hand.rms < ALONG * it.rms).unwrap_or(false),
            ),
            (Problem::NoMotion, hand.rms < HARDLY && hand.turns.is_empty()),
        ];
        checks.into_iter().find(|(_, found)| *found).map(|(problem, _)| problem)
    }

    /// The movement that the hand's main axis speaks of is not the one asked for.
    fn other_movement(&self) -> Option<Problem> {
        let turns_along = self.arm_against_hand().is_some_and(|ratio| ratio > ALONG);
        let rolls = self.part == CalibrationPart::Roll && turns_along;
        if self.hand.share < LEAST_SHARE || self.hand.repetitions() == 0 || rolls {
            return None;
        }
        let axis = self.hand.axis?;
        let nominal = self.nominal;
        let (deviation, long) = (nominal.deviation_in_hand.into_inner(), nominal.long_in_hand.into_inner());
        let lines = [
            (CalibrationPart::Flex, deviation.cross(&long)),
            (CalibrationPart::Hinge, deviation),
            (CalibrationPart::Roll, long),
        ];
        let nearness = |line: &Vector3<f64>| axis.dot(line).abs();
        let nearest = lines.into_iter().max_by(|a, b| nearness(&a.1).total_cmp(&nearness(&b.1)));
        nearest.map(|(part, _)| part).filter(|part| *part != self.part).map(Problem::Other)
    }

    /// Something else moved along with it.
    fn impure(&self) -> Option<Problem> {
        let (main, ratio) = (self.main(), self.arm_against_hand());
        if self.part == CalibrationPart::Roll {
            let as_one = ratio.is_none_or(|ratio| (1.0 / AS_ONE..=AS_ONE).contains(&ratio));
            if main.repetitions() > 0 && (!as_one || self.hand.share < LEAST_HAND_SHARE) {
                return Some(Problem::WristMoved);
            }
        } else if ratio.is_some_and(|ratio| ratio > ALONG) {
            return Some(Problem::ArmMoved);
        }
        (main.share < LEAST_SHARE && !main.turns.is_empty()).then_some(Problem::ManyAxes)
    }

    fn too_little(&self) -> Option<Problem> {
        let main = self.main();
        let least_deg = match self.part {
            CalibrationPart::Flex => LEAST_TURNS_DEG[0],
            CalibrationPart::Roll => LEAST_TURNS_DEG[2],
            _ => LEAST_TURNS_DEG[1],
        };
        let checks = [
            (Problem::TooFast, main.peak > TOO_FAST),
            (Problem::TooSmall, main.usual_turn().to_degrees() < least_deg),
            (Problem::TooFew, main.repetitions() < FEWEST),
        ];
        checks.into_iter().find(|(_, found)| *found).map(|(problem, _)| problem)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Readings at this rate over `heard_s`.
    fn readings(rate_hz: f64, heard_s: f64) -> Vec<Reading> {
        let reading = |i: i32| Reading {
            t_s: f64::from(i) / rate_hz,
            rate: Vector3::zeros(),
            force_g: Vector3::y(),
            clipped: false,
        };
        (0..(heard_s * rate_hz) as i32).map(reading).collect()
    }

    #[test]
    fn a_slower_node_is_not_a_silent_one() {
        let problem = |hand: &[Reading], forearm: &[Reading]| {
            silent(&PartReadings { part: CalibrationPart::Still, hand, forearm: Some(forearm) })
        };
        let (slow, quick) = (readings(150.0, 5.0), readings(1000.0, 5.0));
        assert_eq!(problem(&slow, &quick), None);
        assert_eq!(problem(&quick, &slow), None);
        let cut_off = readings(1000.0, 0.5);
        assert_eq!(problem(&cut_off, &slow), Some(Problem::HandSilent));
        assert_eq!(problem(&slow, &cut_off), Some(Problem::ForearmSilent));
        assert_eq!(problem(&[], &slow), Some(Problem::HandSilent));
        let alone = PartReadings { part: CalibrationPart::Still, hand: &slow, forearm: None };
        assert_eq!(silent(&alone), None);
    }
}
