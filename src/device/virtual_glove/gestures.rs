//! Everything a player does between swings: calibration, waggles, rehearsals, walking, teeing up.

use super::activity::{Activity, ActivityKind, Along};
use super::body::{Joint, Posture};
use crate::sample::{CalibrationPart, Marker};
use rand::Rng;
use rand::rngs::StdRng;

/// The posture at the ball, a little different each time. The plane lies 48 to 56° from the horizontal.
#[must_use]
pub fn address(at: Posture, rng: &mut StdRng) -> Posture {
    let mut posture = Posture::hanging()
        .with(Joint::HubZ, 1.30)
        .with(Joint::Lift, rng.random_range(34.0..42.0))
        .with(Joint::Elbow, 6.0)
        .with(Joint::Roll, rng.random_range(-3.0..3.0))
        .with(Joint::Flexion, rng.random_range(-12.0..-5.0))
        .with(Joint::Hinge, rng.random_range(-15.0..-8.0));
    for joint in [Joint::HubX, Joint::HubY, Joint::Heading] {
        posture = posture.with(joint, at.get(joint));
    }
    posture
}

/// Goes over to `posture` within `duration_s`, all joints together.
#[must_use]
pub fn settle(start_s: f64, from: Posture, to: Posture, duration_s: f64) -> Activity {
    let mut activity = Activity::new(ActivityKind::Settle, start_s, from);
    for joint in Joint::ALL {
        activity.step_to(joint, 0.0, duration_s, to.get(joint));
    }
    activity.duration_s = duration_s;
    activity
}

/// How a player does a part of the calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Manner {
    /// As it is asked for.
    AsAsked,
    /// Not at all: a moment of waiting.
    NotAtAll,
    /// With movements of a fifth of the size.
    Small,
    /// Three times as fast.
    Fast,
    /// A single time.
    Once,
    /// The forearm turns along with the wrist, and the wrist bends along with the forearm.
    Along,
}

/// One part of the calibration, announced by its prompt.
#[must_use]
pub fn calibration(part: CalibrationPart, start_s: f64, from: Posture, rng: &mut StdRng) -> Activity {
    let mut activity = calibration_part(part, Manner::AsAsked, start_s, from, rng);
    activity.markers.push(Marker::Prompt(part));
    activity
}

/// One part of the calibration, done in some manner, unannounced: somebody else leads the player.
#[must_use]
pub fn calibration_part(
    part: CalibrationPart,
    manner: Manner,
    start_s: f64,
    from: Posture,
    rng: &mut StdRng,
) -> Activity {
    let mut activity = Activity::new(ActivityKind::Calibration(part), start_s, from);
    if manner == Manner::NotAtAll {
        activity.rest(1.5);
        return activity;
    }
    match part {
        CalibrationPart::Still => {
            settle_into(&mut activity, Posture::hanging().with(Joint::Elbow, 70.0), 0.8);
            activity.rest(2.4);
        }
        CalibrationPart::Flex => cycles(&mut activity, Joint::Flexion, [35.0, -35.0], manner, rng),
        CalibrationPart::Hinge => cycles(&mut activity, Joint::Hinge, [20.0, -20.0], manner, rng),
        CalibrationPart::Roll => cycles(&mut activity, Joint::Roll, [50.0, -50.0], manner, rng),
        CalibrationPart::Address => {
            let posture = address(from, rng);
            settle_into(&mut activity, posture, 0.9);
            activity.rest(2.2);
        }
    }
    activity
}

fn settle_into(activity: &mut Activity, posture: Posture, duration_s: f64) {
    for joint in Joint::ALL {
        activity.step_to(joint, 0.4, duration_s, posture.get(joint));
    }
}

/// To and fro between two ends, with the unevenness of a person, and back to where it began.
fn cycles(activity: &mut Activity, joint: Joint, ends: [f64; 2], manner: Manner, rng: &mut StdRng) {
    let home = activity.end_posture();
    let count = if manner == Manner::Once { 1 } else { 4 };
    let size = if manner == Manner::Small { 0.2 } else { 1.0 };
    let pace = if manner == Manner::Fast { 3.0 } else { 1.0 };
    let other = if joint == Joint::Roll { Joint::Flexion } else { Joint::Roll };
    let mut at_s = 0.45;
    let move_to = |activity: &mut Activity, at_s: &mut f64, change: f64, duration_s: f64| {
        activity.step_to(joint, *at_s, duration_s, home.get(joint) + change);
        *at_s += duration_s;
    };
    for _ in 0..count {
        for end in ends {
            let duration_s = rng.random_range(0.55..0.7) / pace;
            move_to(activity, &mut at_s, size * end * rng.random_range(0.9..1.05), duration_s);
        }
    }
    move_to(activity, &mut at_s, 0.0, 0.45 / pace);
    if manner == Manner::Along {
        activity.along(joint, other, Along { share: 0.9, late_s: 0.0 });
    }
    activity.rest(0.3);
}

/// Small moves of wrist and arm over the ball, ending where they began.
#[must_use]
pub fn waggle(start_s: f64, from: Posture, rng: &mut StdRng) -> Activity {
    let mut activity = Activity::new(ActivityKind::Waggle, start_s, from);
    let mut at_s = 0.2;
    for _ in 0..rng.random_range(1..3) {
        let (hinge, arm) = (rng.random_range(12.0..20.0), rng.random_range(5.0..11.0));
        for sign in [1.0, -1.0] {
            activity.step(Joint::Hinge, at_s, 0.36, sign * hinge);
            activity.step(Joint::Swing, at_s, 0.4, sign * arm);
            activity.step(Joint::Roll, at_s, 0.4, sign * 8.0);
            at_s += 0.42;
        }
    }
    activity.rest(0.15);
    activity
}

/// Starts a backswing, breaks it off and comes back slowly.
#[must_use]
pub fn aborted_backswing(start_s: f64, from: Posture) -> Activity {
    partial_swing(ActivityKind::AbortedBackswing, start_s, from, [55.0, 0.6, 1.1])
}

/// A slow backswing for the feel of it, and slowly back.
#[must_use]
pub fn rehearsal(start_s: f64, from: Posture) -> Activity {
    partial_swing(ActivityKind::Rehearsal, start_s, from, [95.0, 1.6, 1.9])
}

/// Back by an arm travel of `[degrees, seconds back, seconds down]` and down to where it began.
fn partial_swing(
    kind: ActivityKind,
    start_s: f64,
    from: Posture,
    [travel, back_s, down_s]: [f64; 3],
) -> Activity {
    let mut activity = Activity::new(kind, start_s, from);
    let ways = [(0.5, back_s, 1.0), (0.75 + back_s, down_s, -1.0)];
    for (at_s, duration_s, sign) in ways {
        activity.step(Joint::Swing, at_s, duration_s, sign * travel);
        activity.step(Joint::Trunk, at_s, duration_s, sign * 0.5 * travel);
        activity.step(Joint::Roll, at_s, duration_s, sign * 0.35 * travel);
        activity.step(Joint::Hinge, at_s, duration_s, sign * 0.25 * travel);
    }
    activity.rest(0.4);
    activity
}

/// Some steps with the arm swinging, a new heading at their end, arm hanging.
#[must_use]
pub fn walk(start_s: f64, from: Posture, rng: &mut StdRng) -> Activity {
    let mut activity = Activity::new(ActivityKind::Walk, start_s, from);
    let step_s = rng.random_range(0.5..0.58);
    let mut upright = Posture::hanging();
    for joint in [Joint::HubX, Joint::HubY, Joint::Heading] {
        upright = upright.with(joint, from.get(joint));
    }
    settle_into(&mut activity, upright, 0.7);
    let mut at_s = 1.1;
    for target in [22.0, -18.0, 22.0, -18.0, 22.0, 0.0] {
        activity.step_to(Joint::Swing, at_s, step_s, target);
        activity.step(Joint::HubZ, at_s, 0.5 * step_s, 0.03);
        activity.step(Joint::HubZ, at_s + 0.5 * step_s, 0.5 * step_s, -0.03);
        at_s += step_s;
    }
    activity.step(Joint::HubX, 1.1, at_s - 1.1, rng.random_range(-2.5..2.5));
    activity.step_to(Joint::Heading, 1.4, at_s - 1.4, rng.random_range(-25.0..25.0));
    activity.rest(0.2);
    activity
}

/// Bends down, turns the hand to put a tee into the ground, and comes up with the arm hanging.
#[must_use]
pub fn tee_work(start_s: f64, from: Posture, rng: &mut StdRng) -> Activity {
    let mut activity = Activity::new(ActivityKind::TeeWork, start_s, from);
    let moves = [
        (Joint::HubZ, -0.55),
        (Joint::Lift, 18.0),
        (Joint::Elbow, 25.0),
        (Joint::Flexion, 20.0),
        (Joint::Roll, 55.0),
    ];
    for (joint, change) in moves {
        activity.step(joint, 0.1, 1.0, change);
        activity.step(joint, 2.3, 1.1, -change);
    }
    let twist = rng.random_range(12.0..20.0);
    for (at_s, sign) in [(1.2, 1.0), (1.45, -1.0), (1.7, 1.0), (1.95, -1.0)] {
        activity.step(Joint::Roll, at_s, 0.25, sign * twist);
    }
    activity
}
