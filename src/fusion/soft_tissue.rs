//! Soft tissue: a cuff that is dragged along by the wrist, and skin on the hand that gives way. Both make the
//! wrist seem to bend less than it does, in proportion, which the two-axis joint hardly shows. The cuff's part
//! shows in the calibration, where the arm is asked to be still while the wrist bends.

use super::calibration::Biases;
use super::clock::ClockMap;
use super::series::{Reading, between, usual_step_s};
use nalgebra::{Unit, Vector3};

/// Share that comes from an arm that nobody holds and that answers to the waving hand, either way: no smaller one says
/// anything, and none is known better (judgement).
const INCIDENTAL: f64 = 0.02;
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

    /// From what the cuff took along in the parts of a calibration; the skin of the hand, which nothing shows,
    /// is taken to give way as much.
    #[must_use]
    pub fn from_cuff(shares: &[f64]) -> SoftTissue {
        if shares.is_empty() {
            return SoftTissue::UNSEEN;
        }
        let cuff = (shares.iter().sum::<f64>() / shares.len() as f64).clamp(0.0, MOST);
        SoftTissue {
            share: (2.0 * cuff - INCIDENTAL).max(0.0),
            sd: INCIDENTAL.hypot(HAND_UNLIKE_CUFF * cuff),
        }
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

/// Share of the wrist's bending about one axis by which the forearm node turned along: least squares of its
/// rate against the rate of the hand relative to it. `None` for too little of it.
#[must_use]
pub fn cuff_share(hand: BentAbout, forearm: BentAbout, biases: &Biases, clock: &ClockMap) -> Option<f64> {
    let (mut product, mut square, mut count) = (0.0, 0.0, 0);
    for reading in hand.readings {
        let there_s = clock.forearm_s(reading.t_s);
        let near = between(forearm.readings, there_s - 0.02, there_s + 0.02);
        let Some(other) =
            near.iter().min_by(|a, b| (a.t_s - there_s).abs().total_cmp(&(b.t_s - there_s).abs()))
        else {
            continue;
        };
        let own = (other.rate - biases.forearm).dot(&forearm.axis);
        let bend = (reading.rate - biases.hand).dot(&hand.axis) - own;
        product += own * bend;
        square += bend * bend;
        count += 1;
    }
    let seen_s = f64::from(count) * usual_step_s(hand.readings).unwrap_or(0.0);
    (seen_s > BENT_S && square / f64::from(count) > 0.1).then(|| product / square)
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

    #[test]
    fn a_cuff_that_follows_shows_while_the_arm_is_still() {
        let (hand, forearm) = (rocking(1.0, 0.1), rocking(0.08, 0.1));
        let about = |readings| BentAbout { readings, axis: Vector3::z_axis() };
        let share = cuff_share(about(&hand), about(&forearm), &Biases::default(), &ClockMap::IDENTITY);
        // The cuff turns by 8 % of what the hand turns, so by 0.08/0.92 of the bend between them.
        assert!((share.unwrap() - 0.08 / 0.92).abs() < 0.01, "{share:?}");
        let tissue = SoftTissue::from_cuff(&[share.unwrap()]);
        assert!((tissue.share - (0.16 / 0.92 - INCIDENTAL)).abs() < 0.02, "{tissue:?}");
        assert!(tissue.sd > 0.05, "{tissue:?}");
    }

    #[test]
    fn a_quiet_cuff_hides_nothing() {
        assert_eq!(SoftTissue::from_cuff(&[0.0, 0.5 * INCIDENTAL]).share, 0.0);
        assert_eq!(SoftTissue::from_cuff(&[-0.05]), SoftTissue { share: 0.0, sd: INCIDENTAL });
        assert!((given_back(0.2) - 0.25).abs() < 1e-12);
    }

    /// What is enough is a matter of time, not of how often a glove reads.
    #[test]
    fn slow_and_quick_gloves_are_asked_for_as_much() {
        for rate_hz in [50.0, 250.0, 2000.0] {
            let share = |lasts_s| {
                let [hand, forearm] = [1.0, 0.08].map(|share| rocking_at(rate_hz, lasts_s, share, 0.0));
                let about = |readings| BentAbout { readings, axis: Vector3::z_axis() };
                cuff_share(about(&hand), about(&forearm), &Biases::default(), &ClockMap::IDENTITY)
            };
            assert_eq!(share(0.1), None, "{rate_hz} Hz");
            assert!(share(1.0).is_some(), "{rate_hz} Hz");
        }
    }

    #[test]
    fn a_still_wrist_shows_nothing() {
        let still = rocking(0.0, 0.0);
        let about = BentAbout { readings: &still, axis: Vector3::z_axis() };
        assert_eq!(cuff_share(about, about, &Biases::default(), &ClockMap::IDENTITY), None);
    }
}
