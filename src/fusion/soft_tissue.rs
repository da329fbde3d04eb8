//! Soft tissue: a cuff that is dragged along by the wrist, and skin on the hand that gives way. Both make the
//! wrist seem to bend less than it does, in proportion, which the two-axis joint hardly shows. The cuff's part
//! shows in the calibration, where the arm is asked to be still while the wrist bends; what the arm turned along all the
//! same is told apart by [`super::arm_answer`].

use super::calibration::Biases;
use super::clock::ClockMap;
use super::errors::NodeErrors;
use super::series::{Reading, between};
use super::track::Track;
use nalgebra::{Matrix2, Unit, UnitQuaternion, Vector2, Vector3};

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
/// How tissue creeps, s (standard deviation, judgement: tens of ms) …
const LAG_SD_S: f64 = 0.015;
/// … and how well that shows in the cuff beside the arm's own lateness, as a share of the bend times s: a sway of a
/// millimetre at the pace of the waving passes for it, and clocks (judgement).
const LATE_SD_S: f64 = 0.0006;
/// How far the hand's skin may give way otherwise than the cuff, as a share of what the cuff takes along: anything
/// between not at all and twice as much is as likely (standard deviation of that; judgement).
const HAND_UNLIKE_CUFF: f64 = 0.58;
/// Half the stretch over which the change of a rate is taken, s.
const HALF_S: f64 = 0.02;
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
    /// Time constant by which what is hidden creeps after the bend, s.
    pub lag_s: f64,
}

impl SoftTissue {
    /// Where no calibration has looked.
    pub const UNSEEN: SoftTissue = SoftTissue { share: 0.0, sd: UNSEEN_SD, lag_s: 0.0 };

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
            lag_s: mean(CuffTurn::dragged_late_s).max(0.0) * dragged
                / (dragged * dragged + (LATE_SD_S / LAG_SD_S).powi(2)),
        }
    }
}

/// How the cuff turned in a part of the calibration, as shares of the wrist's bend that the nodes saw.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct CuffTurn {
    /// All of it.
    pub seen: f64,
    /// How late it came, times that share, s.
    pub seen_late_s: f64,
    /// What the arm under it turned.
    pub arm: f64,
    /// How late that came, times that share, s.
    pub arm_late_s: f64,
}

impl CuffTurn {
    /// What the cuff turned on the arm.
    fn dragged(&self) -> f64 {
        self.seen - self.arm
    }

    /// How late that came, times its share, s.
    fn dragged_late_s(&self) -> f64 {
        self.seen_late_s - self.arm_late_s
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

/// How far a wrist that has turned like this, forearm from hand, is bent about its two axes, as a rotation in the forearm,
/// rad. That is what tissue follows.
#[must_use]
pub fn bend(forearm_from_hand: &UnitQuaternion<f64>) -> Vector3<f64> {
    two_axes(forearm_from_hand.scaled_axis())
}

/// Without the part about the forearm's long axis: a turn about one axis and then about the other, told as one rotation,
/// has half their product there (7° of 40° and 20°), and the wrist has no such axis.
#[must_use]
pub fn two_axes(turn: Vector3<f64>) -> Vector3<f64> {
    Vector3::new(turn.x, 0.0, turn.z)
}

/// Tissue that creeps after the bone with one time constant.
#[derive(Clone, Copy, Debug)]
pub struct Creep {
    lag_s: f64,
    last: Option<(f64, Vector3<f64>, Vector3<f64>)>,
}

impl Creep {
    /// At rest wherever it is first asked; with a lag of 0 it follows at once.
    #[must_use]
    pub fn new(lag_s: f64) -> Creep {
        Creep { lag_s, last: None }
    }

    /// Where it is when the bone is at `bend`. Has to be asked in order of time.
    pub fn follow(&mut self, t_s: f64, bend: Vector3<f64>) -> Vector3<f64> {
        let crept = match self.last {
            Some((last_s, last_bend, crept)) if self.lag_s > 0.0 && t_s > last_s => {
                let behind = (bend - last_bend) * (self.lag_s / (t_s - last_s));
                bend - behind + (crept - last_bend + behind) * (-(t_s - last_s) / self.lag_s).exp()
            }
            _ => bend,
        };
        self.last = Some((t_s, bend, crept));
        crept
    }

    /// How fast it goes where it was last asked, the bone going at `bend_rate`.
    #[must_use]
    pub fn rate(&self, bend_rate: Vector3<f64>) -> Vector3<f64> {
        let behind = self.last.map(|(_, bend, crept)| bend - crept).filter(|_| self.lag_s > 0.0);
        behind.map_or(bend_rate, |behind| behind / self.lag_s)
    }
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
    /// Change of that rate, rad/s².
    pub bend_change: f64,
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
            bend_change: 0.0,
            own,
            sideways_g: (other.force_g - up).dot(&sideways),
        })
    };
    let mut waving: Vec<Waving> = hand.readings.iter().filter_map(at).collect();
    tell_changes(&mut waving);
    waving
}

/// The change of the bend's rate at each instant but those near the ends.
fn tell_changes(waving: &mut [Waving]) {
    let (mut before, mut after) = (0, 0);
    for i in 0..waving.len() {
        let at_s = waving[i].t_s;
        before += waving[before..].iter().take_while(|other| other.t_s < at_s - HALF_S).count();
        after += waving[after..].iter().take_while(|other| other.t_s < at_s + HALF_S).count();
        let Some(later) = waving.get(after) else { break };
        let earlier = &waving[before];
        waving[i].bend_change = (later.bend - earlier.bend) / (later.t_s - earlier.t_s);
    }
}

/// Share of the wrist's bending about one axis by which the forearm node turned along, and that times how late it came
/// (s): least squares of its rate against the rate of the hand relative to it and the change of that. `None` for too
/// little of it.
#[must_use]
pub fn cuff_share(waving: &[Waving], step_s: f64) -> Option<(f64, f64)> {
    let mut normal = Matrix2::zeros();
    let mut right = Vector2::zeros();
    for at in waving {
        let terms = Vector2::new(at.bend, -at.bend_change);
        normal += terms * terms.transpose();
        right += terms * at.own;
    }
    let count = waving.len() as f64;
    if count * step_s <= BENT_S || normal[(0, 0)] <= 0.1 * count {
        return None;
    }
    let found = normal.cholesky()?.solve(&right);
    Some((found.x, found.y))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fusion::wrist;

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
        cuff_share(&laid, 1.0 / rate_hz).map(|(seen, _)| seen)
    }

    #[test]
    fn a_cuff_that_follows_shows_while_the_arm_is_still() {
        let seen = seen(&rocking(1.0, 0.1), &rocking(0.08, 0.1), 250.0).unwrap();
        // The cuff turns by 8 % of what the hand turns, so by 0.08/0.92 of the bend between them.
        assert!((seen - 0.08 / 0.92).abs() < 0.01, "{seen}");
        let tissue = SoftTissue::from_cuff(&[CuffTurn { seen, ..CuffTurn::default() }]);
        // The hand is taken to give way by as much: 16 % of what is then seen in all of it and 16 % more.
        assert!((given_back(tissue.share) - 0.16 / 0.92).abs() < 0.02, "{tissue:?}");
        assert!(tissue.sd > 0.05, "{tissue:?}");
    }

    /// The hand waves at 0.8 Hz, the cuff follows by `share` of that and creeps after it by `lag_s`.
    fn crept(share: f64, lag_s: f64) -> Vec<Waving> {
        let at = |i: i32| {
            let (t_s, turn_rate) = (f64::from(i) / 200.0, 5.0);
            let (sin, cos) = (turn_rate * t_s).sin_cos();
            let phase = (turn_rate * lag_s).atan();
            let own = share * phase.cos() * (turn_rate * t_s - phase).sin();
            Waving { t_s, bend: sin, bend_change: turn_rate * cos, own, sideways_g: 0.0 }
        };
        (0..1000).map(at).collect()
    }

    #[test]
    fn tissue_that_creeps_shows_its_lag_and_little_tissue_shows_none() {
        let lag_s = |share, lag_s| {
            let (seen, seen_late_s) = cuff_share(&crept(share, lag_s), 0.005).unwrap();
            SoftTissue::from_cuff(&[CuffTurn { seen, seen_late_s, ..CuffTurn::default() }]).lag_s
        };
        assert!((lag_s(0.25, 0.02) - 0.02).abs() < 0.002, "{}", lag_s(0.25, 0.02));
        assert!(lag_s(0.005, 0.02) < 0.003, "{}", lag_s(0.005, 0.02));
        assert_eq!(lag_s(0.09, -0.01), 0.0);
        // An arm that answers a fifth of a second later, on a cuff that follows at once.
        let late = CuffTurn { seen: 0.025, seen_late_s: 0.002, arm: 0.01, arm_late_s: 0.002 };
        assert_eq!(SoftTissue::from_cuff(&[late]).lag_s, 0.0);
    }

    #[test]
    fn a_creep_is_a_first_order_lag_and_none_follows_at_once() {
        let (mut creep, mut at_once) = (Creep::new(0.02), Creep::new(0.0));
        for i in 0..400 {
            let t_s = f64::from(i) * 0.005;
            let bend = Vector3::new((6.0 * t_s).sin(), 0.0, 0.0);
            assert_eq!(at_once.follow(t_s, bend), bend);
            let crept = creep.follow(t_s, bend).x;
            let phase = (6.0_f64 * 0.02).atan();
            let expected = phase.cos() * (6.0 * t_s - phase).sin();
            assert!(i < 40 || (crept - expected).abs() < 1e-3, "{crept} for {expected}");
        }
    }

    /// One that goes at 1 rad/s lies behind by as much as it takes, however seldom it is asked.
    #[test]
    fn a_creep_follows_a_steady_bone_at_its_rate() {
        for (lag_s, step_s) in [(0.02, 0.005), (0.002, 0.005), (0.0, 0.005), (0.02, 0.05)] {
            let mut creep = Creep::new(lag_s);
            let behind = (0..60).map(|i| {
                let t_s = f64::from(i) * step_s;
                t_s - creep.follow(t_s, Vector3::x() * t_s).x
            });
            let last = behind.last().unwrap();
            let rate = creep.rate(Vector3::x()).x;
            assert!((last - lag_s).abs() < 1e-5 && (rate - 1.0).abs() < 1e-2, "{lag_s}: {last}, {rate}");
        }
    }

    /// Cuff and hand turned by a share of hinge and flexion each, none of it about the long axis: told as one rotation,
    /// the wrist's bend has a part there, which given back would be 1.6° of 40° and 20°.
    #[test]
    fn what_tissue_hides_of_two_axes_is_no_turn_about_the_third() {
        let (hinge, flexion, each) = (0.7, 0.35, 0.08);
        let turn = UnitQuaternion::from_scaled_axis(Vector3::new(-hinge, 0.0, flexion) * each);
        let seen = turn.inverse() * wrist::bent(hinge, flexion, 1.0) * turn.inverse();
        let hidden = bend(&seen) * given_back(2.0 * each);
        let found = wrist::angles(&(UnitQuaternion::from_scaled_axis(hidden) * seen), 1.0);
        let off = [found.hinge - hinge, found.flexion - flexion, found.axial];
        assert!(off.iter().all(|off| off.abs().to_degrees() < 0.3), "{off:?}");
    }

    #[test]
    fn what_the_arm_turned_is_not_taken_for_skin() {
        let of = |turns: [[f64; 2]; 2]| {
            SoftTissue::from_cuff(&turns.map(|[seen, arm]| CuffTurn { seen, arm, ..CuffTurn::default() }))
        };
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
