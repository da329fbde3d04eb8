//! Soft tissue: a cuff that is dragged along by the wrist, and skin on the hand that gives way. Both make the
//! wrist seem to bend less than it does, in proportion, which the two-axis joint hardly shows. The cuff's part
//! shows in the calibration, where the arm is asked to be still while the wrist bends; what the arm turned along all the
//! same is told apart by [`super::arm_answer`].

use super::calibration::Biases;
use super::clock::ClockMap;
use super::errors::NodeErrors;
use super::series::{Reading, between};
use super::track::Track;
use nalgebra::{Unit, Vector3};

/// How well the arm's own part is known, share of the wrist's bend: sway, and skin that slides by nearly a millimetre as
/// the wrist waves by 30° (judgement).
const ARM_SD: f64 = 0.007;
/// The same as a share of itself: arms are long or short and turn about elbow or shoulder (judgement).
const ARM_UNLIKE: f64 = 0.2;
/// What skin that twists about a place beside the sensor, some 30 mm away, passes for arm, as a share of the twist
/// (standard deviation; judgement).
const TWIST_AS_ARM: f64 = 0.13;
/// Standard deviation of the share where no calibration has looked (judgement: a few per cent).
const UNSEEN_SD: f64 = 0.03;
/// How far the hand's skin may give way otherwise than the cuff, as a share of what the cuff takes along: anything
/// between not at all and twice as much is as likely (standard deviation of that; judgement).
const HAND_UNLIKE_CUFF: f64 = 0.58;
/// So long the wrist has to be seen by both nodes, s.
const BENT_S: f64 = 0.2;
/// No strap lets more than this through and is still worn, share.
const MOST: f64 = 0.3;

/// What soft tissue does to the wrist's angles: the share of the wrist's bend that the nodes do not see.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoftTissue {
    /// The share.
    pub share: f64,
    /// Its standard deviation.
    pub sd: f64,
}

impl SoftTissue {
    /// Where no calibration has looked.
    pub const UNSEEN: SoftTissue = SoftTissue { share: 0.0, sd: UNSEEN_SD };

    /// From how the cuff turned in the parts of a calibration; the skin of the hand, which nothing shows, is taken to
    /// give way as much.
    #[must_use]
    pub fn from_cuff(turns: &[CuffTurn]) -> SoftTissue {
        if turns.is_empty() {
            return SoftTissue::UNSEEN;
        }
        let mean = |of: fn(&CuffTurn) -> f64| turns.iter().map(of).sum::<f64>() / turns.len() as f64;
        let dragged = mean(CuffTurn::dragged).clamp(0.0, MOST);
        // What is wrong with one part is mostly wrong with the other, so it does not average out.
        let cuff_sd = mean(CuffTurn::dragged_sd);
        SoftTissue {
            share: 2.0 * dragged / (1.0 + 2.0 * dragged),
            sd: (2.0 * cuff_sd).hypot(HAND_UNLIKE_CUFF * dragged),
        }
    }
}

/// How the cuff turned in a part of the calibration, as shares of the wrist's bend that the nodes saw.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CuffTurn {
    /// All of it.
    pub seen: f64,
    /// What the arm under it turned.
    pub arm: f64,
}

impl CuffTurn {
    /// What the cuff turned on the arm.
    fn dragged(&self) -> f64 {
        self.seen - self.arm
    }

    fn dragged_sd(&self) -> f64 {
        ARM_SD.hypot(ARM_UNLIKE * self.arm).hypot(TWIST_AS_ARM * self.dragged())
    }
}

/// How much further the wrist was bent than it seemed, as a share of what it seemed, for a hidden `share`.
#[must_use]
pub fn given_back(share: f64) -> f64 {
    share / (1.0 - share)
}

/// One node's readings in a part of the calibration, and the axis that the wrist was bent about, in its
/// sensor's frame.
#[derive(Clone, Copy, Debug)]
pub struct BentAbout<'a> {
    /// The readings.
    pub readings: &'a [Reading],
    /// The axis.
    pub axis: Unit<Vector3<f64>>,
}

/// An instant at which the wrist is bent about one axis while the arm is asked to be still.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Waving {
    /// Hand clock, s.
    pub t_s: f64,
    /// Rate of the hand against the forearm node, rad/s.
    pub bend: f64,
    /// Rate of the forearm node, rad/s.
    pub own: f64,
    /// What the forearm node's accelerometer feels beyond gravity the way that an arm goes which turns along, g.
    pub sideways_g: f64,
}

/// Both nodes of a part of the calibration, laid beside each other. `long_in_forearm` points to the elbow.
#[must_use]
pub fn waving(
    hand: BentAbout,
    forearm: BentAbout,
    long_in_forearm: &Unit<Vector3<f64>>,
    biases: &Biases,
    clock: &ClockMap,
) -> Vec<Waving> {
    let (Some(first), Some(last)) = (forearm.readings.first(), forearm.readings.last()) else {
        return Vec::new();
    };
    let errors = NodeErrors::of_bias(biases.forearm);
    let track = Track::from_stillest(forearm.readings, &errors, first.t_s, last.t_s);
    let sideways = long_in_forearm.cross(&forearm.axis);
    let at = |reading: &Reading| {
        let there_s = clock.forearm_s(reading.t_s);
        let near = between(forearm.readings, there_s - 0.02, there_s + 0.02);
        let other = near.iter().min_by(|a, b| (a.t_s - there_s).abs().total_cmp(&(b.t_s - there_s).abs()))?;
        let own = (other.rate - biases.forearm).dot(&forearm.axis);
        let up = track.as_ref()?.at(other.t_s).0.inverse() * Vector3::z();
        Some(Waving {
            t_s: reading.t_s,
            bend: (reading.rate - biases.hand).dot(&hand.axis) - own,
            own,
            sideways_g: (other.force_g - up).dot(&sideways),
        })
    };
    hand.readings.iter().filter_map(at).collect()
}

/// Share of the wrist's bending about one axis by which the forearm node turned along: least squares of its
/// rate against the rate of the hand relative to it. `None` for too little of it.
#[must_use]
pub fn cuff_share(waving: &[Waving], step_s: f64) -> Option<f64> {
    let product: f64 = waving.iter().map(|at| at.own * at.bend).sum();
    let square: f64 = waving.iter().map(|at| at.bend * at.bend).sum();
    let count = waving.len() as f64;
    (count * step_s > BENT_S && square / count > 0.1).then(|| product / square)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rocking(share: f64, own: f64) -> Vec<Reading> {
        rocking_at(250.0, 4.0, share, own)
    }

    fn rocking_at(rate_hz: f64, lasts_s: f64, share: f64, own: f64) -> Vec<Reading> {
        (0..(lasts_s * rate_hz) as i32)
            .map(|i| {
                let t_s = f64::from(i) / rate_hz;
                let rate = Vector3::new(0.0, 0.0, 2.0 * share * (5.0 * t_s).sin() + own * (3.1 * t_s).cos());
                Reading { t_s, rate, force_g: Vector3::z(), clipped: false }
            })
            .collect()
    }

    fn seen(hand: &[Reading], forearm: &[Reading], rate_hz: f64) -> Option<f64> {
        let about = |readings| BentAbout { readings, axis: Vector3::z_axis() };
        let laid =
            waving(about(hand), about(forearm), &Vector3::y_axis(), &Biases::default(), &ClockMap::IDENTITY);
        cuff_share(&laid, 1.0 / rate_hz)
    }

    #[test]
    fn a_cuff_that_follows_shows_while_the_arm_is_still() {
        let seen = seen(&rocking(1.0, 0.1), &rocking(0.08, 0.1), 250.0).unwrap();
        // The cuff turns by 8 % of what the hand turns, so by 0.08/0.92 of the bend between them.
        assert!((seen - 0.08 / 0.92).abs() < 0.01, "{seen}");
        let tissue = SoftTissue::from_cuff(&[CuffTurn { seen, arm: 0.0 }]);
        // The hand is taken to give way by as much: 16 % of what is then seen in all of it and 16 % more.
        assert!((given_back(tissue.share) - 0.16 / 0.92).abs() < 0.02, "{tissue:?}");
        assert!(tissue.sd > 0.05, "{tissue:?}");
    }

    #[test]
    fn what_the_arm_turned_is_not_taken_for_skin() {
        let of =
            |turns: [[f64; 2]; 2]| SoftTissue::from_cuff(&turns.map(|[seen, arm]| CuffTurn { seen, arm }));
        let still = of([[0.03, 0.0], [0.03, 0.0]]);
        let answered = of([[0.05, 0.02], [0.01, -0.02]]);
        assert!((still.share - answered.share).abs() < 1e-12, "{still:?} {answered:?}");
        assert!(still.sd < answered.sd, "{still:?} {answered:?}");
        // An arm that is taken to have turned by more than the cuff leaves no skin, and less is not known than that.
        let none = of([[0.01, 0.02]; 2]);
        assert!(none.share == 0.0 && none.sd >= 2.0 * ARM_SD, "{none:?}");
        assert!((given_back(0.2) - 0.25).abs() < 1e-12);
    }

    /// What is enough is a matter of time, not of how often a glove reads.
    #[test]
    fn slow_and_quick_gloves_are_asked_for_as_much() {
        for rate_hz in [50.0, 250.0, 2000.0] {
            let share = |lasts_s| {
                let [hand, forearm] = [1.0, 0.08].map(|share| rocking_at(rate_hz, lasts_s, share, 0.0));
                seen(&hand, &forearm, rate_hz)
            };
            assert_eq!(share(0.1), None, "{rate_hz} Hz");
            assert!(share(1.0).is_some(), "{rate_hz} Hz");
        }
    }

    #[test]
    fn a_still_wrist_shows_nothing() {
        let still = rocking(0.0, 0.0);
        assert_eq!(seen(&still, &still, 250.0), None);
    }
}
