//! The truth of a swing's speeds: how hand and head move at the ball and where that comes from, the release before it,
//! the flat wrist after it, and the hand's path. By differences of places on the noiseless pose.

use super::activity::{Activity, Restlessness};
use super::body::{GRIPPED_M, Joint, UPPER_ARM_M, head_in_hand_m, segment_motion};
use super::truth_power::{TrueClub, mirrored};
use super::vector::{Vec3, add, apply, cross, dot, norm, scale};
use crate::sample::NodeRole;
use crate::units::PlayerHand;

/// Half of the time that a difference of places is taken over, s.
const HALF_S: f64 = 1e-4;
/// Step of what is followed over time, s.
const STEP_S: f64 = 1e-3;
/// The release has begun when this share of the change to the ball is gone, if that is more than so many degrees.
const RELEASE: (f64, f64) = (0.1, 8.0);
/// The wrist is flat until it has bent back by so much, degrees.
const FLAT_WITHIN_DEG: f64 = 5.0;

/// Speeds of a swing, and what is near to them. Speeds in m/s, angles in degrees.
#[derive(Clone, Debug, PartialEq)]
pub struct TrueSpeed {
    /// Middle of the lead hand on the grip.
    pub hand_mps: f64,
    /// Along the head's way: what the shoulder gives, the arm about it, the wrist, the forearm's roll.
    pub parts_mps: [f64; 4],
    /// Way of the head against the horizontal; negative is downward.
    pub attack_deg: f64,
    /// Lean of the shaft towards where the head goes.
    pub shaft_lean_deg: f64,
    /// Angle between arm and shaft with the arm horizontal in the downswing, if it was above.
    pub arm_shaft_arm_horizontal_deg: Option<f64>,
    /// The same at the ball; 180 is a straight line.
    pub arm_shaft_at_ball_deg: f64,
    /// The same where the release begins, with how long before the ball that is, ms, and how far the arm has turned
    /// since the top; none where there is none.
    pub release: Option<TrueRelease>,
    /// Flexion at the ball from the anatomical zero.
    pub flexion_at_ball_deg: f64,
    /// What the wrist gives to the club from the release to the ball; none where there is none.
    pub wrist: Option<TrueWork>,
    /// How long the wrist stays flat after the ball, ms, and how far the head goes meanwhile, mm.
    pub flat: Option<(f64, f64)>,
    /// Largest speed of the hand in the downswing.
    pub hand_peak_mps: f64,
    /// Radius of the hand's arc at the ball, m.
    pub hand_radius_m: f64,
    /// How far the lead shoulder is at the ball from where it was at the top, m.
    pub hub_travel_m: f64,
    /// The hand's way from takeaway to top and to the ball: towards the target, up, away from the body, m.
    pub hand_way_m: [Vec3; 2],
}

/// The beginning of the release.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueRelease {
    /// Angle between arm and shaft, degrees.
    pub arm_shaft_deg: f64,
    /// Before the ball, ms.
    pub before_ball_ms: f64,
    /// Turned since the top, degrees.
    pub arm_from_top_deg: f64,
}

/// Power of the couple at the wrist with the wrist's own rate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TrueWork {
    /// Its mean, W.
    pub mean_w: f64,
    /// Summed up, J.
    pub work_j: f64,
}

/// One swing of one player.
pub(super) struct Player<'a> {
    pub activity: &'a Activity,
    pub restless: &'a Restlessness,
    pub hand: PlayerHand,
    pub club: &'a str,
}

/// Arm, hand and club at one instant, world frame.
struct Pose {
    arm: Vec3,
    arm_rate: Vec3,
    hand_rate: Vec3,
    shoulder: Vec3,
    wrist: Vec3,
    grip: Vec3,
    head: Vec3,
    flexion_deg: f64,
}

impl Pose {
    fn swing_rate(&self) -> Vec3 {
        add(self.arm_rate, scale(self.arm, -dot(self.arm, self.arm_rate)))
    }

    /// Angle between arm and shaft, degrees; 180 is a straight line.
    fn arm_shaft_deg(&self) -> f64 {
        let shaft = minus(self.head, self.grip);
        180.0 - (dot(shaft, self.arm) / norm(shaft)).clamp(-1.0, 1.0).acos().to_degrees()
    }
}

fn minus(a: Vec3, b: Vec3) -> Vec3 {
    add(a, scale(b, -1.0))
}

fn unit(v: Vec3) -> Vec3 {
    scale(v, 1.0 / norm(v))
}

impl Player<'_> {
    fn at(&self, t_s: f64) -> Pose {
        let mut joints = self.activity.joints(t_s);
        self.restless.add_to(&mut joints, t_s);
        let forearm = segment_motion(NodeRole::Forearm, self.hand, &joints);
        let hand = segment_motion(NodeRole::Hand, self.hand, &joints);
        let angle = |joint: Joint| (joints[joint as usize].value * joint.si_factor()).sin_cos();
        let ((sin_elbow, cos_elbow), (sin_roll, cos_roll)) = (angle(Joint::Elbow), angle(Joint::Roll));
        // The upper arm seen from the forearm: back by the elbow, then by the roll. A right arm's z is mirrored.
        let back = -UPPER_ARM_M[1];
        let bent = -back * sin_elbow;
        let z = bent * cos_roll * -self.hand.lead_arm_sign();
        let to_shoulder = [bent * sin_roll, back * cos_elbow, z];
        let gripped = mirrored(GRIPPED_M, self.hand);
        Pose {
            arm: apply(&forearm.world_from_segment, [0.0, -1.0, 0.0]),
            arm_rate: apply(&forearm.world_from_segment, forearm.rate_rps),
            hand_rate: apply(&hand.world_from_segment, hand.rate_rps),
            shoulder: forearm.position_of(to_shoulder),
            wrist: hand.position_m,
            grip: hand.position_of(gripped),
            head: hand.position_of(head_in_hand_m(self.club, self.hand)),
            flexion_deg: joints[Joint::Flexion as usize].value,
        }
    }

    fn wrist_w(&self, t_s: f64) -> f64 {
        let mut joints = self.activity.joints(t_s);
        self.restless.add_to(&mut joints, t_s);
        let forearm = segment_motion(NodeRole::Forearm, self.hand, &joints);
        let hand = segment_motion(NodeRole::Hand, self.hand, &joints);
        TrueClub::named(self.club).load(self.club, self.hand, &hand).wrist_w(&hand, &forearm)
    }

    fn velocity(&self, t_s: f64, of: fn(&Pose) -> Vec3) -> Vec3 {
        scale(minus(of(&self.at(t_s + HALF_S)), of(&self.at(t_s - HALF_S))), 0.5 / HALF_S)
    }

    /// Towards the target, up, away from the body, as the player stands.
    fn frame(&self, t_s: f64) -> [Vec3; 3] {
        let heading = self.activity.joints(t_s)[Joint::Heading as usize].value.to_radians();
        let (sin, cos) = heading.sin_cos();
        // A right-handed player's ball lies at −y; a left-handed one is the mirror image.
        let side = -self.hand.lead_arm_sign();
        [[cos, side * sin, 0.0], [0.0, 0.0, 1.0], [sin, -side * cos, 0.0]]
    }
}

/// Measures the truth between these instants, s of true time.
pub(super) fn measure(player: &Player, [takeaway_s, top_s, ball_s]: [f64; 3]) -> TrueSpeed {
    let ball = player.at(ball_s);
    let velocity = |of| player.velocity(ball_s, of);
    let (head, wrist, shoulder) = (velocity(|p| p.head), velocity(|p| p.wrist), velocity(|p| p.shoulder));
    let grip = velocity(|p| p.grip);
    let (way, to_head) = (unit(head), minus(ball.head, ball.wrist));
    let (swing, arm) = (ball.swing_rate(), ball.arm_rate);
    let roll = minus(arm, swing);
    let parts_mps = [
        shoulder,
        add(minus(wrist, shoulder), cross(swing, to_head)),
        cross(minus(ball.hand_rate, arm), to_head),
        cross(roll, to_head),
    ]
    .map(|part| dot(part, way));
    let shaft = unit(minus(ball.head, ball.grip));
    let ahead = unit([head[0], head[1], 0.0]);
    let down: Vec<(f64, Pose)> = steps(top_s, ball_s).map(|t_s| (t_s - ball_s, player.at(t_s))).collect();
    let release = release(&down);
    let way_to = |t_s: f64| {
        let moved = minus(player.at(t_s).grip, player.at(takeaway_s).grip);
        player.frame(takeaway_s).map(|axis| dot(moved, axis))
    };
    let speed = |t_s: f64| norm(player.velocity(t_s, |p| p.grip));
    TrueSpeed {
        hand_mps: norm(grip),
        parts_mps,
        attack_deg: way[2].asin().to_degrees(),
        shaft_lean_deg: (-dot(shaft, ahead)).atan2(-shaft[2]).to_degrees(),
        arm_shaft_arm_horizontal_deg: horizontal(&down),
        arm_shaft_at_ball_deg: ball.arm_shaft_deg(),
        release,
        wrist: release.map(|release| wrist_work(player, ball_s - release.before_ball_ms * 1e-3, ball_s)),
        flexion_at_ball_deg: ball.flexion_deg,
        flat: flat(player, &ball, ball_s),
        hand_peak_mps: steps(top_s, ball_s).map(speed).fold(0.0, f64::max),
        hand_radius_m: radius_m(player, grip, ball_s),
        hub_travel_m: down.first().map_or(0.0, |(_, top)| norm(minus(ball.shoulder, top.shoulder))),
        hand_way_m: [way_to(top_s), way_to(ball_s)],
    }
}

/// Even steps of about [`STEP_S`], both ends among them.
fn steps(from_s: f64, to_s: f64) -> impl Iterator<Item = f64> {
    let count = ((to_s - from_s) / STEP_S).ceil();
    (0..=count as usize).map(move |i| from_s + (to_s - from_s) * i as f64 / count)
}

fn wrist_work(player: &Player, from_s: f64, ball_s: f64) -> TrueWork {
    let power: Vec<(f64, f64)> = steps(from_s, ball_s).map(|t_s| (t_s, player.wrist_w(t_s))).collect();
    let within = |pair: &[(f64, f64)]| 0.5 * (pair[0].1 + pair[1].1) * (pair[1].0 - pair[0].0);
    let work_j: f64 = power.windows(2).map(within).sum();
    TrueWork { mean_w: work_j / (ball_s - from_s), work_j }
}

/// From v² over the acceleration across the way.
fn radius_m(player: &Player, velocity: Vec3, t_s: f64) -> f64 {
    let near = |by_s: f64| player.velocity(t_s + by_s, |p| p.grip);
    let change = scale(minus(near(STEP_S), near(-STEP_S)), 0.5 / STEP_S);
    let way = unit(velocity);
    let across = minus(change, scale(way, dot(change, way)));
    dot(velocity, velocity) / norm(across)
}

/// Between two values, this share of the way.
fn between(a: f64, b: f64, share: f64) -> f64 {
    a + (b - a) * share
}

fn horizontal(down: &[(f64, Pose)]) -> Option<f64> {
    let passes = |pair: &[(f64, Pose)]| pair[0].1.arm[2] > 0.0 && pair[1].1.arm[2] <= 0.0;
    let pair = down.windows(2).rfind(|pair| passes(pair))?;
    let (above, below) = (&pair[0].1, &pair[1].1);
    let share = above.arm[2] / (above.arm[2] - below.arm[2]);
    Some(between(above.arm_shaft_deg(), below.arm_shaft_deg(), share))
}

fn release(down: &[(f64, Pose)]) -> Option<TrueRelease> {
    let angles: Vec<f64> = down.iter().map(|(_, pose)| pose.arm_shaft_deg()).collect();
    let straight = *angles.last()?;
    let least = angles.iter().copied().fold(f64::INFINITY, f64::min);
    if straight - least < RELEASE.1 {
        return None;
    }
    let level = least + RELEASE.0 * (straight - least);
    let begins = angles.iter().rposition(|angle| *angle <= level)?;
    let share = (level - angles[begins]) / (angles[begins + 1] - angles[begins]);
    let turned = |pair: &[(f64, Pose)]| {
        0.5 * (norm(pair[0].1.swing_rate()) + norm(pair[1].1.swing_rate())) * (pair[1].0 - pair[0].0)
    };
    let whole: f64 = down[..=begins].windows(2).map(turned).sum();
    let rest = share * turned(&down[begins..begins + 2]);
    Some(TrueRelease {
        arm_shaft_deg: level,
        before_ball_ms: -between(down[begins].0, down[begins + 1].0, share) * 1e3,
        arm_from_top_deg: (whole + rest).to_degrees(),
    })
}

fn flat(player: &Player, ball: &Pose, ball_s: f64) -> Option<(f64, f64)> {
    let level = ball.flexion_deg - FLAT_WITHIN_DEG;
    let after = || steps(ball_s, player.activity.end_s());
    let bent_s = after().find(|t_s| player.at(*t_s).flexion_deg <= level)?;
    let head_mps = |t_s: f64| norm(player.velocity(t_s, |p| p.head));
    let way_m: f64 = after().take_while(|t_s| *t_s < bent_s).map(|t_s| head_mps(t_s) * STEP_S).sum();
    Some(((bent_s - ball_s) * 1e3, way_m * 1e3))
}
