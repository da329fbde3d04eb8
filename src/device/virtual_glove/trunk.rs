//! The trunk under a swing: how pelvis and chest turn, lean and sway, each with joints of its own.
//!
//! Frames as ISB (Wu et al. 2002 and 2005 [M]): x forwards, y up along the segment, z to the player's right. From
//! the world a segment is bent about z, then leant about x, then turned about its own y, so its turning rate is the
//! rate along its long axis. Built for a right-handed player, mirrored for a left-handed one, as the arm is.
//!
//! The trunk is drawn from random numbers of its own and moves along with the script of the arm: what the arm
//! does hangs on nothing here. Peak rates lie about those of Cheetham et al. 2008 (pelvis 477, chest 727 °/s [R2]),
//! turns at the top of a full swing within what Penn State's golf biomechanics pages call typical (pelvis 35 to 55°,
//! torso 85 to 110°; golf.psu.edu/interactives/rotation [A]), the lead of the pelvis about 30 to 120 ms (judgement).
//! Steps back and down overlap by so much that a segment gets from its turning point to its peak rate in the two tenths
//! of a second that the published instants of the peaks leave for it.

use super::activity::{Activity, ActivityKind};
use super::body::{JOINTS, Joint, SegmentMotion};
use super::curve::{Jet, Step, Wave};
use super::swing::{SwingPlan, SwingSize};
use super::vector::Vec3;
use crate::sample::NodeRole;
use crate::units::PlayerHand;
use rand::Rng;
use rand::rngs::StdRng;
use std::collections::VecDeque;

/// A freedom of one segment, degrees.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Axis {
    /// About its own long axis, away from the target positive.
    Turn,
    /// Forwards.
    Bend,
    /// Away from the target.
    Lean,
}

/// Number of freedoms of a segment.
const AXES: usize = 3;
/// Arm planes farther off the vertical than this are those of a player at the ball, degrees.
const AT_BALL_LIFT_DEG: f64 = 20.0;
/// The turning point is settled by so many halvings, the turn at the top by so many rounds of them.
const HALVINGS: usize = 40;
const ROUNDS: usize = 8;

/// A segment's value on every axis, degrees.
type Pose = [f64; AXES];

/// The two segments that carry a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Segment {
    /// Under the node on the belt.
    Pelvis,
    /// Under the node on the breastbone.
    Chest,
}

impl Segment {
    /// Both.
    pub const ALL: [Segment; 2] = [Segment::Pelvis, Segment::Chest];

    /// The segment under a node, if that is on the trunk.
    #[must_use]
    pub fn under(role: NodeRole) -> Option<Segment> {
        match role {
            NodeRole::Chest => Some(Segment::Chest),
            NodeRole::Belt => Some(Segment::Pelvis),
            NodeRole::Hand | NodeRole::Forearm => None,
        }
    }
}

/// The player's own posture, drawn once for a bucket, degrees.
#[derive(Clone, Copy, Debug)]
struct Build {
    upright: Pose,
    at_ball: Pose,
    waves: [Wave; AXES],
}

/// One segment during one activity.
#[derive(Clone, Debug)]
struct Moves {
    base: Pose,
    steps: Vec<(Axis, Step)>,
    /// Follows the shoulders of the arm's chain by this share, away from its start.
    with_shoulders: f64,
}

impl Moves {
    fn from(base: Pose) -> Moves {
        Moves { base, steps: Vec::new(), with_shoulders: 0.0 }
    }

    fn step(&mut self, axis: Axis, start_s: f64, duration_s: f64, change: f64) {
        self.steps.push((axis, Step { start_s, duration_s, change }));
    }

    fn end(&self) -> Pose {
        let mut end = self.base;
        self.steps.iter().for_each(|(axis, step)| end[*axis as usize] += step.change);
        end
    }

    fn at(&self, t_s: f64) -> [Jet; AXES] {
        let mut jets = self.base.map(|value| Jet { value, ..Jet::default() });
        for (axis, step) in &self.steps {
            jets[*axis as usize] = jets[*axis as usize].plus(step.at(t_s));
        }
        jets
    }
}

/// The trunk during one activity.
#[derive(Clone, Debug)]
struct TrunkActivity {
    start_s: f64,
    end_s: f64,
    moves: [Moves; 2],
}

/// The trunk of one player: asked for the same activities as the arm, in the same order.
#[derive(Clone, Debug)]
pub struct Trunk {
    builds: [Build; 2],
    live: VecDeque<TrunkActivity>,
    rng: StdRng,
}

/// What a swing's transition is made of, s and degrees.
struct Transition {
    /// When the segment starts back, s of true time.
    turns_s: f64,
    /// The arm's top, by when the segment may have come back a little.
    top_s: f64,
    start_s: f64,
    overlap_s: f64,
    down_s: f64,
    at_top_deg: f64,
    down_deg: f64,
}

impl Transition {
    /// The step back and the step down that overlap such that the rate changes its sign at the wanted instant, and
    /// the turn at the top is the wanted one.
    fn steps(&self) -> [Step; 2] {
        let mut back_deg = self.at_top_deg;
        for _ in 0..ROUNDS {
            let turn: f64 = self.turning(back_deg).iter().map(|step| step.at(self.top_s).value).sum();
            back_deg += self.at_top_deg - turn;
        }
        self.turning(back_deg)
    }

    /// The steps for so long a step back.
    fn turning(&self, back_deg: f64) -> [Step; 2] {
        let with = |down_start_s: f64| {
            let back_s = down_start_s + self.overlap_s - self.start_s;
            let back = Step { start_s: self.start_s, duration_s: back_s, change: back_deg };
            [back, Step { start_s: down_start_s, duration_s: self.down_s, change: -self.down_deg }]
        };
        let (mut early, mut late) = (self.turns_s - self.overlap_s, self.turns_s);
        for _ in 0..HALVINGS {
            let middle = 0.5 * (early + late);
            let rate: f64 = with(middle).iter().map(|step| step.at(self.turns_s).rate).sum();
            if rate > 0.0 { late = middle } else { early = middle }
        }
        with(0.5 * (early + late))
    }
}

impl Trunk {
    /// A player's trunk.
    #[must_use]
    pub fn new(mut rng: StdRng) -> Trunk {
        let rng_ref = &mut rng;
        let mut build = |bend: std::ops::Range<f64>, lean: std::ops::Range<f64>| {
            let mut wave = |amplitude: f64| Wave {
                amplitude: amplitude * rng_ref.random_range(0.5..1.3),
                frequency_hz: rng_ref.random_range(0.15..0.5),
                phase_rad: rng_ref.random_range(0.0..std::f64::consts::TAU),
            };
            let waves = [wave(0.25), wave(0.15), wave(0.15)];
            // Nobody stands quite upright.
            let upright = [0.0, rng_ref.random_range(-2.5..2.5), rng_ref.random_range(-1.5..1.5)];
            Build { upright, at_ball: [0.0, rng_ref.random_range(bend), rng_ref.random_range(lean)], waves }
        };
        let builds = [build(16.0..25.0, -1.0..3.0), build(30.0..42.0, 1.0..6.0)];
        Trunk { builds, live: VecDeque::new(), rng }
    }

    /// How many activities are held.
    #[must_use]
    pub fn held(&self) -> usize {
        self.live.len()
    }

    /// Takes the next activity of the script.
    pub fn follow(&mut self, activity: &Activity) {
        let moves = Segment::ALL.map(|segment| self.moves(segment, activity));
        self.live.push_back(TrunkActivity { start_s: activity.start_s, end_s: activity.end_s(), moves });
    }

    /// Drops what ended before this instant, as the script does.
    pub fn forget_before(&mut self, t_s: f64) {
        while self.live.len() > 1 && self.live.front().is_some_and(|first| first.end_s < t_s) {
            self.live.pop_front();
        }
    }

    fn moves(&mut self, segment: Segment, activity: &Activity) -> Moves {
        let build = self.builds[segment as usize];
        let base = self.live.back().map_or(build.upright, |last| last.moves[segment as usize].end());
        let mut moves = Moves::from(base);
        if let Some(plan) = &activity.swing {
            self.swing(segment, activity, plan, &mut moves);
            return moves;
        }
        if matches!(activity.kind, ActivityKind::AbortedBackswing | ActivityKind::Rehearsal) {
            moves.with_shoulders = if segment == Segment::Chest { 1.0 } else { 0.5 };
        }
        let at_ball = activity.end_posture().get(Joint::Lift) > AT_BALL_LIFT_DEG;
        let to = if at_ball { build.at_ball } else { build.upright };
        let duration_s = activity.duration_s.min(1.0);
        for (axis, (from, to)) in [Axis::Turn, Axis::Bend, Axis::Lean].into_iter().zip(base.iter().zip(to)) {
            if to != *from && duration_s > 0.0 {
                moves.step(axis, activity.start_s, duration_s, to - from);
            }
        }
        moves
    }

    fn swing(&mut self, segment: Segment, activity: &Activity, plan: &SwingPlan, moves: &mut Moves) {
        let rng = &mut self.rng;
        let part = match plan.size {
            SwingSize::Full => 1.0,
            SwingSize::Pitch => 0.72,
            SwingSize::Chip => 0.35,
        };
        let pace = (plan.impact_s - plan.top_s) / 0.26;
        let chest = segment == Segment::Chest;
        let (at_top_deg, beyond_deg, down_s, lead_s) = if chest {
            (rng.random_range(88.0..105.0), 62.0, rng.random_range(0.48..0.55), rng.random_range(0.0..0.045))
        } else {
            (rng.random_range(38.0..52.0), 83.0, rng.random_range(0.50..0.60), rng.random_range(0.03..0.12))
        };
        let transition = Transition {
            turns_s: plan.top_s - lead_s,
            top_s: plan.top_s,
            start_s: plan.still_until_s + rng.random_range(0.0..0.08),
            overlap_s: rng.random_range(0.18..0.30),
            down_s: down_s * pace,
            at_top_deg: at_top_deg * part,
            down_deg: (at_top_deg + beyond_deg) * part,
        };
        for step in transition.steps() {
            moves.steps.push((Axis::Turn, step));
        }
        let (start_s, top_s, impact_s) = (plan.still_until_s, plan.top_s, plan.impact_s);
        let (lean_back, lean_down) = if chest { (-9.0, 24.0) } else { (-3.0, 10.0) };
        let size = rng.random_range(0.8..1.2) * part;
        moves.step(Axis::Lean, start_s + 0.1, top_s - start_s - 0.1, lean_back * size);
        moves.step(Axis::Lean, top_s - 0.05, (impact_s - top_s) * 1.4, lean_down * size);
        moves.step(Axis::Bend, top_s - 0.1, (impact_s - top_s) * 1.5, if chest { -7.0 } else { -9.0 } * size);
        // Upright again at the finish.
        let end_s = impact_s + 0.15;
        let rest_s = (activity.end_s() - 0.3 - end_s).clamp(0.2, 0.6);
        let pose = moves.end();
        let upright = self.builds[segment as usize].upright;
        for axis in [Axis::Bend, Axis::Lean] {
            moves.step(axis, end_s, rest_s, upright[axis as usize] - pose[axis as usize]);
        }
    }

    /// How a segment moves at `t_s` of true time: `joints` is the arm's chain at that instant, `shoulders` what the
    /// activity has its shoulders do, without restlessness.
    #[must_use]
    pub fn motion(
        &self,
        segment: Segment,
        player_hand: PlayerHand,
        t_s: f64,
        joints: &[Jet; JOINTS],
        shoulders: Jet,
    ) -> SegmentMotion {
        let axes = self.axes(segment, t_s, shoulders);
        let frame = placed(&axes, joints);
        match player_hand {
            PlayerHand::Right => frame,
            PlayerHand::Left => frame.mirrored(),
        }
    }

    /// The segment's angles, the player's restlessness included, degrees.
    fn axes(&self, segment: Segment, t_s: f64, shoulders: Jet) -> [Jet; AXES] {
        let found = self.live.iter().find(|activity| t_s < activity.end_s).or(self.live.back());
        let Some(activity) = found else { return [Jet::default(); AXES] };
        let moves = &activity.moves[segment as usize];
        let mut axes = moves.at(t_s.max(activity.start_s));
        axes[Axis::Turn as usize] = axes[Axis::Turn as usize].plus(shoulders.times(moves.with_shoulders));
        for (axis, wave) in axes.iter_mut().zip(&self.builds[segment as usize].waves) {
            *axis = axis.plus(wave.at(t_s));
        }
        axes
    }
}

/// The frame of a right-handed player's segment; its origin moves with the hub.
fn placed(axes: &[Jet; AXES], joints: &[Jet; JOINTS]) -> SegmentMotion {
    let rad = |axis: Axis, sign: f64| axes[axis as usize].times(sign * std::f64::consts::PI / 180.0);
    let heading = joints[Joint::Heading as usize].times(Joint::Heading.si_factor());
    let mut frame = SegmentMotion::at_hub(joints);
    frame.turn(2, heading);
    frame.stand_facing_ball();
    // Forwards is a negative turn about z, which points to the right; away from the target is to the right; and
    // seen from above the backswing goes clockwise.
    frame.turn(2, rad(Axis::Bend, -1.0));
    frame.turn(0, rad(Axis::Lean, 1.0));
    frame.turn(1, rad(Axis::Turn, -1.0));
    frame
}

/// How nodes on the trunk are strapped on: each draws its own from these ranges (order of magnitude; judgement).
#[derive(Clone, Debug, PartialEq)]
pub struct StrapSettings {
    /// Natural frequency at which a node wobbles about its segment's long axis, Hz; none for a stiff one.
    pub wobble_hz: Option<(f64, f64)>,
    /// Share of critical damping. 0.3 to 0.6.
    pub damping: (f64, f64),
}

impl Default for StrapSettings {
    fn default() -> StrapSettings {
        StrapSettings { wobble_hz: Some((9.0, 16.0)), damping: (0.3, 0.6) }
    }
}

impl StrapSettings {
    /// Draws a node's own.
    #[must_use]
    pub fn wobble(&self, rng: &mut StdRng) -> Wobble {
        let damping = rng.random_range(self.damping.0..self.damping.1);
        self.wobble_hz
            .map_or_else(Wobble::default, |(low, high)| Wobble::new(rng.random_range(low..high), damping))
    }
}

/// How a strapped node wobbles about the segment's long axis: a mass on a spring, driven by the segment's own
/// angular acceleration. Asked in order of time.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wobble {
    natural_rps: f64,
    damping: f64,
    last_s: Option<f64>,
    angle_rad: f64,
    rate_rps: f64,
}

impl Wobble {
    /// A node with this natural frequency and this share of critical damping.
    #[must_use]
    pub fn new(frequency_hz: f64, damping: f64) -> Wobble {
        Wobble { natural_rps: std::f64::consts::TAU * frequency_hz, damping, ..Wobble::default() }
    }

    /// The node's turn against its segment, rad, while that is accelerated like this.
    pub fn follow(&mut self, t_s: f64, accel_rps2: f64) -> Jet {
        if self.natural_rps == 0.0 {
            return Jet::default();
        }
        let pull = |angle: f64, rate: f64| {
            let (natural, damping) = (self.natural_rps, self.damping);
            -accel_rps2 - 2.0 * damping * natural * rate - natural * natural * angle
        };
        let step_s = self.last_s.map_or(0.0, |last_s| (t_s - last_s).clamp(0.0, 0.01));
        self.last_s = Some(t_s);
        // Half the change of rate before, half after: second order in the step.
        let rate = self.rate_rps + 0.5 * step_s * pull(self.angle_rad, self.rate_rps);
        self.angle_rad += step_s * rate;
        self.rate_rps = rate + 0.5 * step_s * pull(self.angle_rad, rate);
        Jet { value: self.angle_rad, rate: self.rate_rps, accel: pull(self.angle_rad, self.rate_rps) }
    }
}

/// The motion of a node that wobbles on its segment.
#[must_use]
pub fn wobbled(mut motion: SegmentMotion, wobble: &mut Wobble, t_s: f64) -> SegmentMotion {
    let jet = wobble.follow(t_s, motion.rate_change_rps2[1]);
    motion.turn(1, jet);
    motion
}

/// The knock of the ball as it comes through arm and trunk: `[share of that at the hand, delay in s]` (judgement).
#[must_use]
pub fn knock(segment: Segment) -> (f64, f64) {
    match segment {
        Segment::Chest => (0.02, 0.006),
        Segment::Pelvis => (0.008, 0.010),
    }
}

/// Where a node sits in its segment, m: on the breastbone, and on the belt at the back.
#[must_use]
pub fn node_position_m(segment: Segment) -> Vec3 {
    match segment {
        Segment::Chest => [0.11, -0.10, 0.0],
        Segment::Pelvis => [-0.12, -0.55, 0.01],
    }
}
