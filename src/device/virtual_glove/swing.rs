//! From the design of a swing (durations, travel, when the hinge is set) to the joints' motion.

use super::activity::{Activity, ActivityKind};
use super::body::{Joint, Posture};
use super::curve::{Step, smooth_step, smooth_step_inverse};
use rand::Rng;
use rand::rngs::StdRng;
use std::ops::Range;

/// How large a swing is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SwingSize {
    /// A full swing.
    Full,
    /// Three quarters and slower.
    Pitch,
    /// Short and slow.
    Chip,
}

/// When the hinge reaches 90 % of its range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum SetAim {
    /// At this fraction of the arm travel.
    Travel(f64),
    /// This long after the top, s (negative: before).
    AfterTop(f64),
    /// The hinge stays under 8°: there is no set.
    NoSet,
}

/// A swing as it is wanted. The measured events lie a few hundredths of a second inside these durations,
/// because a smooth motion starts slowly.
#[derive(Clone, Debug, PartialEq)]
pub struct SwingDesign {
    /// Full, pitch or chip.
    pub size: SwingSize,
    /// When the hinge is set.
    pub set: SetAim,
    /// Whether there is a ball.
    pub air: bool,
    /// Stillness at address before anything moves, s.
    pub still_s: f64,
    /// Stillness at the finish, s.
    pub rest_s: f64,
    /// Duration of the arm's way back, s.
    pub backswing_s: f64,
    /// How long the way back and the way down overlap, s.
    pub overlap_s: f64,
    /// A pause near the top, s; the arm goes on creeping.
    pub pause_s: f64,
    /// Start of the way down to impact, s.
    pub downswing_s: f64,
    /// Arm travel to the top, degrees.
    pub travel_deg: f64,
    /// Arm travel after impact, degrees.
    pub follow_deg: f64,
    /// Duration of the hinge's main motion, s.
    pub hinge_move_s: f64,
    /// Largest hinge, degrees.
    pub hinge_peak_deg: f64,
    /// Hinge at impact minus hinge at address, degrees.
    pub hinge_at_impact_deg: f64,
    /// Flexion at the top, degrees.
    pub flexion_top_deg: f64,
    /// Flexion at impact, degrees.
    pub flexion_impact_deg: f64,
    /// Pronation at the top, degrees.
    pub roll_top_deg: f64,
    /// Peak of the shock at the hand, g.
    pub shock_g: f64,
    /// How the hinge gets there.
    pub way: HingeWay,
    /// Forward press before the backswing: how far the arm moves towards the target, degrees.
    pub press_deg: f64,
    /// How far the wrist gives about its third axis under the load of the downswing, degrees.
    pub give_deg: f64,
    /// What the player's body does besides.
    pub body: BodyWay,
}

/// What differs from body to body: angles in degrees and ways in m of a full swing, less in a smaller one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BodyWay {
    /// Turn of the shoulders to the top.
    pub shoulders_deg: f64,
    /// Bend of the lead elbow to the top.
    pub elbow_deg: f64,
    /// How far the arm leaves the plane to the top, away from the body.
    pub out_of_plane_deg: f64,
    /// Way of the hub to the top: towards the target, away from the ball, up (for a right-handed player) …
    pub back_m: [f64; 3],
    /// … and from there to the ball.
    pub down_m: [f64; 3],
    /// What the length of the hinge's main motion is multiplied with.
    pub hinge_slower: f64,
    /// Flexion at the top more than others, degrees.
    pub more_flexion_deg: f64,
    /// Hinge at address more than others, degrees.
    pub more_address_hinge_deg: f64,
    /// How far the upper arm turns about its long axis to the top, which rolls the hand as pronation does.
    pub upper_arm_deg: f64,
    /// Pronation at the top more than others, degrees.
    pub more_roll_deg: f64,
    /// When flexion begins to change on the way back and how long it takes, as shares of the backswing; usually
    /// nearly all of it.
    pub flexes: Option<(f64, f64)>,
}

impl Default for BodyWay {
    fn default() -> BodyWay {
        BodyWay {
            shoulders_deg: 80.0,
            elbow_deg: 7.0,
            out_of_plane_deg: 6.0,
            back_m: [-0.035, 0.0, 0.0],
            down_m: [0.07, 0.0, 0.02],
            hinge_slower: 1.0,
            more_flexion_deg: 0.0,
            more_address_hinge_deg: 0.0,
            upper_arm_deg: 0.0,
            more_roll_deg: 0.0,
            flexes: None,
        }
    }
}

/// How the hinge gets to its largest value and leaves it. The default goes there in one move.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct HingeWay {
    /// Share of the range that is hinged at the start of the backswing already.
    pub first_stage: f64,
    /// How far it grows on from the top into the downswing, degrees.
    pub grows_deg: f64,
    /// How far it is lost after the set, and made again, degrees.
    pub dip_deg: f64,
    /// It is released from the start of the downswing on.
    pub cast: bool,
}

/// A swing in a player's manner.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Style {
    /// Full, pitch or chip.
    pub size: SwingSize,
    /// When the hinge is set, before it grows or dips.
    pub set: SetAim,
    /// Whether there is no ball.
    pub air: bool,
    /// A pause near the top, s.
    pub pause_s: f64,
    /// How the hinge gets there.
    pub way: HingeWay,
    /// Forward press, degrees.
    pub press_deg: f64,
    /// How far the wrist gives about its third axis, degrees.
    pub give_deg: f64,
    /// What the body does besides.
    pub body: BodyWay,
    /// What all durations are multiplied with.
    pub pace: f64,
    /// What the player hinges more than others, degrees.
    pub more_hinge_deg: f64,
}

/// Where the events of a swing were planned, s of true time. The truth is measured, not taken from here.
#[derive(Clone, Debug, PartialEq)]
pub struct SwingPlan {
    /// The club in use.
    pub club: String,
    /// Full, pitch or chip.
    pub size: SwingSize,
    /// Whether there was no ball.
    pub air: bool,
    /// End of the stillness at address.
    pub still_until_s: f64,
    /// Where the arm's in-plane rate was meant to change its sign.
    pub top_s: f64,
    /// The arm back at its address angle: impact, where there is a ball.
    pub impact_s: f64,
}

/// Duration of a forward press, s.
const PRESS_S: f64 = 0.4;

fn pick(rng: &mut StdRng, range: Range<f64>) -> f64 {
    rng.random_range(range)
}

impl SwingDesign {
    /// A swing of this size with fresh durations, angles and travel.
    ///
    /// Ranges follow the published ones roughly: backswing 0.7 to 1.0 s and top to impact 0.2 to 0.3 s
    /// (McNally et al. 2019, GolfDB), peak lead arm near 980 °/s (Cheetham et al. 2008).
    #[must_use]
    pub fn fresh(size: SwingSize, set: SetAim, rng: &mut StdRng) -> SwingDesign {
        let full = SwingDesign {
            size,
            set,
            air: false,
            still_s: pick(rng, 0.9..1.2),
            rest_s: 0.45,
            backswing_s: pick(rng, 0.90..1.10),
            overlap_s: pick(rng, 0.13..0.19),
            pause_s: 0.0,
            downswing_s: pick(rng, 0.26..0.31),
            travel_deg: pick(rng, 136.0..156.0),
            follow_deg: pick(rng, 80.0..105.0),
            hinge_move_s: pick(rng, 0.26..0.38),
            hinge_peak_deg: pick(rng, 16.0..24.0),
            hinge_at_impact_deg: pick(rng, -4.0..1.0),
            flexion_top_deg: pick(rng, -4.0..6.0),
            flexion_impact_deg: pick(rng, -1.0..5.0),
            roll_top_deg: pick(rng, 42.0..62.0),
            shock_g: pick(rng, 18.0..30.0),
            way: HingeWay::default(),
            press_deg: 0.0,
            give_deg: 0.0,
            body: BodyWay::default(),
        };
        match size {
            SwingSize::Full => full,
            SwingSize::Pitch => full.shortened(0.72, rng),
            SwingSize::Chip => full.shortened(0.3, rng),
        }
    }

    /// The same swing with its arm travel multiplied by `part`, and slower for it.
    fn shortened(self, part: f64, rng: &mut StdRng) -> SwingDesign {
        let no_set = self.set == SetAim::NoSet;
        SwingDesign {
            travel_deg: self.travel_deg * part,
            follow_deg: self.follow_deg * part,
            roll_top_deg: self.roll_top_deg * part,
            backswing_s: self.backswing_s * (0.9 + 0.1 * part),
            downswing_s: self.downswing_s * (1.15 - 0.15 * part),
            flexion_top_deg: self.flexion_top_deg - 4.0,
            hinge_peak_deg: if no_set { pick(rng, -8.0..-5.0) } else { self.hinge_peak_deg - 4.0 },
            hinge_at_impact_deg: if no_set { 0.0 } else { self.hinge_at_impact_deg },
            shock_g: self.shock_g * (0.25 + 0.75 * part),
            ..self
        }
    }

    /// A fresh swing in a player's manner.
    #[must_use]
    pub fn styled(style: &Style, rng: &mut StdRng) -> SwingDesign {
        let fresh = SwingDesign::fresh(style.size, style.set, rng);
        let still_s = pick(rng, 0.8..1.6) + if style.press_deg > 0.0 { PRESS_S } else { 0.0 };
        let no_set = style.set == SetAim::NoSet;
        SwingDesign {
            still_s,
            backswing_s: fresh.backswing_s * style.pace,
            downswing_s: fresh.downswing_s * style.pace.sqrt(),
            pause_s: style.pause_s,
            hinge_peak_deg: fresh.hinge_peak_deg + if no_set { 0.0 } else { style.more_hinge_deg },
            way: style.way,
            press_deg: style.press_deg,
            give_deg: style.give_deg,
            body: style.body,
            hinge_move_s: fresh.hinge_move_s * style.body.hinge_slower,
            flexion_top_deg: fresh.flexion_top_deg + style.body.more_flexion_deg,
            roll_top_deg: fresh.roll_top_deg + style.body.more_roll_deg,
            air: style.air,
            ..fresh
        }
    }

    /// A swing without a ball.
    #[must_use]
    pub fn in_the_air(self) -> SwingDesign {
        SwingDesign { air: true, ..self }
    }

    /// A swing that lingers at the top.
    #[must_use]
    pub fn with_pause(self, pause_s: f64) -> SwingDesign {
        SwingDesign { pause_s, ..self }
    }

    /// A swing of a drill: hardly a stop before it, hardly one after it.
    #[must_use]
    pub fn without_stop(self) -> SwingDesign {
        SwingDesign { still_s: 0.05, rest_s: 0.05, ..self }
    }

    /// The activity that starts at `start_s` in the address posture.
    #[must_use]
    pub fn perform(&self, club: &str, start_s: f64, address: Posture) -> Activity {
        let mut activity = Activity::new(ActivityKind::Swing, start_s, address);
        let moves = ArmMoves::new(self);
        moves.add_to(&mut activity);
        self.add_hinge(&mut activity, &moves, address);
        self.add_wrist_and_roll(&mut activity, &moves, address);
        self.add_body(&mut activity, &moves);
        self.add_press(&mut activity);
        self.add_give(&mut activity, &moves);
        if !self.air {
            activity.jolt(moves.impact_s, self.shock_g);
        }
        activity.rest(self.rest_s);
        activity.swing = Some(SwingPlan {
            club: club.to_owned(),
            size: self.size,
            air: self.air,
            still_until_s: start_s + self.still_s - if self.press_deg > 0.0 { PRESS_S } else { 0.0 },
            top_s: start_s + moves.top_s,
            impact_s: start_s + moves.impact_s,
        });
        activity
    }

    /// Sets the hinge as aimed, and releases it through impact.
    fn add_hinge(&self, activity: &mut Activity, moves: &ArmMoves, address: Posture) {
        let from_deg = address.get(Joint::Hinge);
        let wanted_deg = self.hinge_peak_deg - from_deg;
        let range_deg = if self.set == SetAim::NoSet { wanted_deg.clamp(3.0, 7.0) } else { wanted_deg };
        let (first, way) = (self.way.first_stage, self.way);
        let to_90 = smooth_step_inverse((0.9 - first) / (1.0 - first));
        let set_s = match self.set {
            SetAim::Travel(part) => moves.time_of_travel(part),
            SetAim::AfterTop(after_s) => moves.top_s + after_s,
            SetAim::NoSet => moves.time_of_travel(0.8),
        };
        let start_s = (set_s - to_90 * self.hinge_move_s).max(self.still_s + 0.01);
        let duration_s = (set_s - start_s) / to_90;
        activity.step(Joint::Hinge, start_s, duration_s, (1.0 - first) * range_deg);
        if first > 0.0 {
            activity.step(Joint::Hinge, self.still_s + 0.02, 0.28, first * range_deg);
        }
        if way.dip_deg > 0.0 {
            activity.step(Joint::Hinge, set_s + 0.06, 0.13, -way.dip_deg);
            activity.step(Joint::Hinge, set_s + 0.21, 0.13, way.dip_deg);
        }
        if way.grows_deg > 0.0 {
            activity.step(Joint::Hinge, moves.top_s - 0.03, 0.15, way.grows_deg);
        }

        let scale = self.downswing_s / 0.30;
        let (before_s, release_s) =
            if way.cast { (0.20 * scale, 0.26 * scale) } else { (0.12 * scale, 0.16 * scale) };
        let lost_deg = range_deg + way.grows_deg - self.hinge_at_impact_deg;
        let release_deg = lost_deg / smooth_step(before_s / release_s).value;
        activity.step(Joint::Hinge, moves.impact_s - before_s, release_s, -release_deg);
        activity.step(Joint::Hinge, moves.impact_s + 0.08, 0.5, 0.5 * release_deg);
    }

    /// Flexion from address over the top to flat at impact; pronation to the top, supination through impact, and the
    /// upper arm with it.
    fn add_wrist_and_roll(&self, activity: &mut Activity, moves: &ArmMoves, address: Posture) {
        let impact_s = moves.impact_s;
        let to_top_deg = self.flexion_top_deg - address.get(Joint::Flexion);
        let usual_s = (0.1, self.backswing_s - 0.12);
        let own_s = |(from, takes): (f64, f64)| (from * self.backswing_s, takes * self.backswing_s);
        let (from_s, takes_s) = self.body.flexes.map_or(usual_s, own_s);
        activity.step(Joint::Flexion, self.still_s + from_s, takes_s, to_top_deg);
        let to_impact_deg = self.flexion_impact_deg - self.flexion_top_deg;
        activity.step(Joint::Flexion, impact_s - 0.16, 0.16, to_impact_deg);
        let follow = 0.3 * self.follow_deg;
        activity.step(Joint::Flexion, impact_s + 0.05, 0.4, -follow);
        let upper_arm_deg = self.body.upper_arm_deg * self.travel_deg / 142.0;
        for (joint, top_deg) in [(Joint::Roll, self.roll_top_deg), (Joint::UpperArm, upper_arm_deg)] {
            activity.step(joint, self.still_s + 0.06, self.backswing_s * 0.85, top_deg);
            // Half of the way back is done at impact, so the forearm is back at its address angle there.
            activity.step(joint, impact_s - 0.15, 0.30, -2.0 * top_deg);
            activity.step(joint, impact_s + 0.2, 0.5, 0.6 * top_deg);
        }
    }

    /// The wrist gives a little from the second half of the backswing on, most in the downswing, and comes back
    /// after the ball.
    fn add_give(&self, activity: &mut Activity, moves: &ArmMoves) {
        if self.give_deg == 0.0 {
            return;
        }
        let back_s = self.backswing_s;
        activity.step(Joint::Give, moves.top_s - 0.6 * back_s, 0.6 * back_s, 0.35 * self.give_deg);
        activity.step(Joint::Give, moves.impact_s - 0.24, 0.16, 0.65 * self.give_deg);
        activity.step(Joint::Give, moves.impact_s - 0.06, 0.25, -self.give_deg);
    }

    /// The hands move towards the target before the arm goes back.
    fn add_press(&self, activity: &mut Activity) {
        if self.press_deg > 0.0 {
            let at_s = self.still_s - PRESS_S;
            activity.step(Joint::Swing, at_s, 0.95 * PRESS_S, -self.press_deg);
            activity.step(Joint::Flexion, at_s, 0.95 * PRESS_S, 0.6 * self.press_deg);
            activity.step(Joint::Hinge, at_s, 0.95 * PRESS_S, -0.2 * self.press_deg);
        }
    }

    /// Shoulders, elbow, plane and the sway of the hub.
    fn add_body(&self, activity: &mut Activity, moves: &ArmMoves) {
        let (still_s, back_s, impact_s) = (self.still_s, self.backswing_s, moves.impact_s);
        let (part, way) = (self.travel_deg / 142.0, &self.body);
        activity.step(Joint::Trunk, still_s, back_s - 0.04, way.shoulders_deg * part);
        let through_deg = -(way.shoulders_deg + 50.0) * part;
        activity.step(Joint::Trunk, moves.down_s - 0.04, self.downswing_s * 2.0, through_deg);
        activity.step(Joint::Elbow, still_s + 0.3 * back_s, 0.7 * back_s, way.elbow_deg * part);
        let straightened_deg = -(way.elbow_deg + 2.0) * part;
        activity.step(Joint::Elbow, moves.down_s + 0.04, self.downswing_s - 0.04, straightened_deg);
        activity.step(Joint::Elbow, impact_s + 0.06, 0.55, 50.0 * part);
        let out_deg = way.out_of_plane_deg * part;
        activity.step(Joint::OutOfPlane, still_s + 0.2 * back_s, 0.75 * back_s, out_deg);
        activity.step(Joint::OutOfPlane, moves.down_s, self.downswing_s, -out_deg);
        for (axis, hub) in [Joint::HubX, Joint::HubY, Joint::HubZ].into_iter().enumerate() {
            activity.step(hub, still_s, back_s, way.back_m[axis] * part);
            // Sideways it begins earlier and ends later: the weight goes over first.
            let (early_s, longer_s) = if hub == Joint::HubX { (0.05, 0.1) } else { (0.0, 0.0) };
            let from_s = moves.down_s - early_s;
            activity.step(hub, from_s, self.downswing_s + longer_s, way.down_m[axis] * part);
        }
    }
}

/// The arm's moves in the swing plane; times in s after the start of the activity.
struct ArmMoves {
    back: Step,
    creep: Option<Step>,
    down: Step,
    follow: Step,
    down_s: f64,
    top_s: f64,
    impact_s: f64,
}

impl ArmMoves {
    fn new(design: &SwingDesign) -> ArmMoves {
        let back =
            Step { start_s: design.still_s, duration_s: design.backswing_s, change: design.travel_deg };
        let down_s = back.end_s() - design.overlap_s + design.pause_s;
        let creep = (design.pause_s > 0.0).then(|| Step {
            start_s: back.end_s() - 0.25,
            duration_s: design.pause_s + 0.4,
            change: 5.0,
        });
        let impact_s = down_s + design.downswing_s;
        let follow =
            Step { start_s: down_s + 0.4 * design.downswing_s, duration_s: 0.75, change: -design.follow_deg };
        let mut moves = ArmMoves {
            back,
            creep,
            down: Step { start_s: down_s, duration_s: 1.5 * design.downswing_s, change: -1.0 },
            follow,
            down_s,
            top_s: down_s,
            impact_s,
        };
        // The way down is made as long as it takes to have the arm back at its address angle at impact.
        let left_deg = moves.angle_deg(impact_s) - moves.down.at(impact_s).value;
        moves.down.change = left_deg / moves.down.at(impact_s).value;
        moves.top_s = moves.turning_time();
        moves
    }

    fn steps(&self) -> impl Iterator<Item = &Step> {
        [&self.back, &self.down, &self.follow].into_iter().chain(self.creep.as_ref())
    }

    fn angle_deg(&self, t_s: f64) -> f64 {
        self.steps().map(|step| step.at(t_s).value).sum()
    }

    /// Where the arm turns round: its rate goes from positive to negative.
    fn turning_time(&self) -> f64 {
        let rate = |t_s: f64| -> f64 { self.steps().map(|step| step.at(t_s).rate).sum() };
        bisect(self.down_s, self.down_s + 0.5 * self.down.duration_s, |t_s| rate(t_s) > 0.0)
    }

    /// When the arm passes this part of its travel on the way back.
    fn time_of_travel(&self, part: f64) -> f64 {
        let top_deg = self.angle_deg(self.top_s);
        bisect(self.back.start_s, self.top_s, |t_s| self.angle_deg(t_s) < part * top_deg)
    }

    fn add_to(&self, activity: &mut Activity) {
        for step in self.steps() {
            activity.step(Joint::Swing, step.start_s, step.duration_s, step.change);
        }
    }
}

/// The instant between `low` and `high` up to which `before` holds.
fn bisect(mut low: f64, mut high: f64, before: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if before(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}
