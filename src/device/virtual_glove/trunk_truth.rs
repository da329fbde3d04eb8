//! The truth of the trunk in a swing, measured on the noiseless pose by the definitions.

use super::activity::{Activity, Restlessness};
use super::body::{Joint, SegmentMotion};
use super::clock::NodeClock;
use super::trunk::{Segment, Trunk};
use super::truth::{SwingTruth, last_crossing};
use super::vector::{Mat3, Vec3, dot, multiply};
use crate::units::{DeviceTime, PlayerHand};

/// Step of the measured curve, s.
const STEP_S: f64 = 1e-3;
/// The address pose is that so long before the end of the stillness, s.
const ADDRESS_BEFORE_S: f64 = 0.15;
/// The fastest downswing instant lies no later than this after impact, s.
const AFTER_BALL_S: f64 = 0.05;
/// Every how many steps the true curve has a point.
const CURVE_EVERY: usize = 5;

/// One segment in a swing. Turns count from the address pose about the segment's own long axis, away from the
/// target positive; leans count from address, in the plane of the vertical and the player's sideways axis at
/// address, away from the target positive.
#[derive(Clone, Debug, PartialEq)]
pub struct SegmentTruth {
    /// Turn at the top, degrees.
    pub turn_at_top_deg: f64,
    /// Lean at impact, or with the arm back, degrees.
    pub tilt_at_impact_deg: f64,
    /// When the segment starts back: the last change of sign of its turning rate before its fastest downswing
    /// instant; on the hand node's clock.
    pub starts_back: DeviceTime,
    /// How long before the top that is, ms.
    pub lead_to_top_ms: f64,
    /// How fast the turning rate changes there, °/s²: a small value makes the instant hard to time.
    pub turnaround_dps2: f64,
    /// Fastest turning towards the target, °/s.
    pub peak_dps: f64,
    /// When, hand node's clock.
    pub peak: DeviceTime,
    /// Turn over time: hand node's clock, degrees.
    pub curve: Vec<(DeviceTime, f64)>,
}

/// Both segments.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyTruth {
    /// Under the belt's node.
    pub pelvis: SegmentTruth,
    /// Under the node on the breastbone.
    pub chest: SegmentTruth,
}

/// Measures the trunk in a swing whose other truth is known.
#[must_use]
pub fn measure(
    activity: &Activity,
    restless: &Restlessness,
    (trunk, clock): (&Trunk, &NodeClock),
    swing: &SwingTruth,
    player_hand: PlayerHand,
) -> Option<BodyTruth> {
    let plan = activity.swing.as_ref()?;
    let of = |segment: Segment| {
        let pose = |t_s: f64| {
            let mut joints = activity.joints(t_s);
            let shoulders = joints[Joint::Trunk as usize];
            restless.add_to(&mut joints, t_s);
            trunk.motion(segment, player_hand, t_s, &joints, shoulders)
        };
        let true_s = |t: DeviceTime| clock.true_s(t.0 as f64 * 1e-6 - clock.offset_s);
        let address_s = plan.still_until_s - ADDRESS_BEFORE_S;
        let view = View {
            pose: &pose,
            clock,
            hand: player_hand,
            address: pose(address_s),
            address_s,
            from_s: activity.start_s,
            to_s: activity.end_s(),
        };
        view.measure(true_s(swing.top), true_s(swing.impact.unwrap_or(swing.arm_back)))
    };
    Some(BodyTruth { pelvis: of(Segment::Pelvis)?, chest: of(Segment::Chest)? })
}

/// One segment's motion over a swing.
struct View<'a, P: Fn(f64) -> SegmentMotion> {
    pose: &'a P,
    clock: &'a NodeClock,
    hand: PlayerHand,
    address: SegmentMotion,
    address_s: f64,
    from_s: f64,
    to_s: f64,
}

impl<P: Fn(f64) -> SegmentMotion> View<'_, P> {
    /// A right-handed player's backswing goes clockwise, seen from above.
    fn away_sign(&self) -> f64 {
        self.hand.lead_arm_sign()
    }

    /// Turn since address: the part about the long axis of the rotation between (swing and twist), degrees.
    fn turn_deg(&self, t_s: f64) -> f64 {
        let now = (self.pose)(t_s).world_from_segment;
        let r = multiply(&transposed(&self.address.world_from_segment), &now);
        let (sin, cos) = (r[0][2] - r[2][0], 1.0 + r[0][0] + r[1][1] + r[2][2]);
        self.away_sign() * (2.0 * sin.atan2(cos)).to_degrees()
    }

    /// Angle of the long axis off the vertical away from the target, degrees.
    fn lean_deg(&self, t_s: f64) -> f64 {
        let long_axis = |m: &Mat3| -> Vec3 { [m[0][1], m[1][1], m[2][1]] };
        let address = &self.address.world_from_segment;
        // The player's right at address, held level; away from the target is right or left.
        let side = [address[0][2], address[1][2], 0.0];
        let length = dot(side, side).sqrt();
        let long = long_axis(&(self.pose)(t_s).world_from_segment);
        let away = -self.away_sign() * dot(long, side) / length;
        away.atan2(long[2]).to_degrees()
    }

    fn measure(&self, top_s: f64, ball_s: f64) -> Option<SegmentTruth> {
        let count = ((self.to_s - self.from_s) / STEP_S) as usize;
        let at = |i: usize| self.from_s + i as f64 * STEP_S;
        let rate = |i: usize| self.away_sign() * (self.pose)(at(i)).rate_rps[1].to_degrees();
        let rates: Vec<f64> = (0..count).map(rate).collect();
        let place = |t_s: f64| (((t_s - self.from_s) / STEP_S).max(0.0) as usize).min(count - 1);
        let (from, to) = (place(top_s - 0.3), place(ball_s + AFTER_BALL_S));
        let fastest = (from..=to).min_by(|a, b| rates[*a].total_cmp(&rates[*b]))?;
        let back = last_crossing(&rates, fastest, 0.0, false)?;
        let back_s = self.from_s + back * STEP_S;
        let i = back as usize;
        let turn_point = |i: usize| (self.clock.stamp(at(i)), self.turn_deg(at(i)));
        Some(SegmentTruth {
            turn_at_top_deg: self.turn_deg(top_s),
            tilt_at_impact_deg: self.lean_deg(ball_s) - self.lean_deg(self.address_s),
            starts_back: self.clock.stamp(back_s),
            lead_to_top_ms: (top_s - back_s) * 1e3,
            turnaround_dps2: (rates[i] - rates[i + 1]) / STEP_S,
            peak_dps: -rates[fastest],
            peak: self.clock.stamp(at(fastest)),
            curve: (0..count).step_by(CURVE_EVERY).map(turn_point).collect(),
        })
    }
}

fn transposed(m: &Mat3) -> Mat3 {
    [0, 1, 2].map(|i| [m[0][i], m[1][i], m[2][i]])
}
