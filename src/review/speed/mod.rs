//! Where the speed comes from: what arm, wrist and forearm give to the club head, and what a change would be worth.
//!
//! Two ways lead to the hand's speed: the arm as a rod that turns about the shoulder, and the hand's accelerometer,
//! summed up from the still address. The first is sure but does not see the shoulder move; the second sees all, but
//! drifts. The second is used where it tells a speed that a shoulder can have. The head follows from the hand's
//! turning and the club's length.

pub mod carried;
pub mod flat_wrist;
pub mod hand_path;
pub mod head;
pub mod hub;
pub mod json;
pub mod levers;
pub mod pendulum;
pub mod plane;
pub mod table;
pub mod what_if;
pub mod worth;
pub mod wrist_work;

use crate::detect::Swing;
use crate::record::measures::{ClubMeasures, Measures};
use crate::review::Review;
use crate::units::Measured;
use carried::carried_on;
use flat_wrist::{FlatWrist, Release, flat_wrist, release};
use hand_path::{HandPath, hand_path};
use head::{HeadSpeed, head_speed};
use levers::Levers;
use nalgebra::Vector3;
use plane::PlaneSwing;
use wrist_work::{WristWork, wrist_work};

/// A number with its uncertainty, or why there is none.
pub type Figure = Result<Measured, &'static str>;

/// Said with every speed: what it rests on.
pub const ASSUMED: &str = "The bars are one standard deviation. The arm's and the club's measures are those of the \
    player's file or of the settings, else usual ones; the shaft is taken as stiff, the grip's angle as usual. Where \
    the club's face points, and the way of the head to the side of the target, two such sensors cannot tell.";

const NO_MOTION: &str = "the motion of both nodes up to the ball is not there";
const NO_HEADING: &str = "without a magnetometer no node knows where the target is";
const NO_FACE: &str = "the hand's node does not see the club's face";
const NO_CLUB: &str = "the club was not said";
const UNKNOWN_CLUB: &str = "no measures of this club are known: name it by its kind (driver, wood, hybrid, iron, wedge), \
    or give it some";

/// The speeds of one swing.
#[derive(Clone, Debug, PartialEq)]
pub struct SwingSpeed {
    /// The club's measures.
    pub club: ClubMeasures,
    /// Speeds at the ball.
    pub head: HeadSpeed,
    /// The hand's path, or why there is none.
    pub path: Result<HandPath, &'static str>,
    /// Arm and shaft, and the release.
    pub release: Release,
    /// The wrist at the ball and after.
    pub flat: FlatWrist,
    /// The downswing as a fitted planar pendulum, or why there is none.
    pub plane: Result<PlaneSwing, &'static str>,
    /// What the wrist gives to the club from the release to the ball.
    pub wrist: WristWork,
}

impl SwingSpeed {
    /// The speeds of a swing.
    ///
    /// # Errors
    /// The club is not known: why.
    pub fn of(swing: &Swing, measures: &Measures) -> Result<SwingSpeed, &'static str> {
        let club = measures.club(swing.club.as_deref().ok_or(NO_CLUB)?).ok_or(UNKNOWN_CLUB)?;
        let levers = Levers::of(&swing.motion, &measures.arm, &club);
        let (carried, off_mps) = match carried_on(&swing.motion, &levers) {
            Some(carried) => (Some(Swing { motion: carried.motion, ..swing.clone() }), carried.off_mps),
            None => (None, Vector3::zeros()),
        };
        let swing = carried.as_ref().unwrap_or(swing);
        let head = head_speed(swing, &measures.arm, &club, &off_mps);
        let path = hand_path(swing, &levers, measures.arm.arm_length_sd_m, &off_mps);
        let (release, released) = release(swing, &levers);
        let flat = flat_wrist(swing, &levers, head.head_mps.ok().map(|head| head.value));
        let plane = head.head_mps.and_then(|head| PlaneSwing::of(swing, &measures.arm, &club, head.value));
        let wrist = wrist_work(swing, &measures.arm, &club, released);
        Ok(SwingSpeed { club, head, path, release, flat, plane, wrist })
    }

    /// The speeds of a swing by the measures of its bucket's player.
    ///
    /// # Errors
    /// The measures or the club are not known: why.
    pub fn in_bucket<'a>(review: &'a Review, swing: &Swing) -> Result<SwingSpeed, &'a str> {
        SwingSpeed::of(swing, review.measures.as_ref().map_err(String::as_str)?)
    }

    /// Every figure by its name, in order.
    #[must_use]
    pub fn figures(&self) -> Vec<(&'static str, Figure)> {
        let SwingSpeed { head, release, flat, .. } = self;
        let path = |of: fn(&HandPath) -> Figure| self.path.as_ref().map_err(|reason| *reason).and_then(of);
        vec![
            ("hand_mps", head.hand_mps),
            ("hand_peak_mps", path(|path| path.peak_mps)),
            ("hand_peak_before_ball_ms", path(|path| path.peak_before_ball_ms)),
            ("hand_arc_radius_m", path(|path| path.radius_m)),
            ("hand_forward_at_ball_m", path(|path| path.forward_at_ball_m)),
            ("hand_up_at_ball_m", path(|path| path.up_at_ball_m)),
            ("hand_away_at_ball_m", path(|path| path.away_at_ball_m)),
            ("hub_travel_m", path(|path| path.hub_travel_m)),
            ("wrist_from_arm_mps", head.wrist_from_arm_mps),
            ("wrist_from_accelerometer_mps", head.wrist_from_accelerometer_mps),
            ("head_mps", head.head_mps),
            ("from_body_mps", head.from_body_mps),
            ("from_arm_mps", head.from_arm_mps),
            ("from_wrist_mps", head.from_wrist_mps),
            ("from_roll_mps", head.from_roll_mps),
            ("attack_deg", head.attack_deg),
            ("shaft_lean_deg", head.shaft_lean_deg),
            ("club_path_deg", Err(NO_HEADING)),
            ("face_deg", Err(NO_FACE)),
            ("arm_shaft_arm_horizontal_deg", release.arm_shaft_arm_horizontal_deg),
            ("arm_shaft_at_release_deg", release.arm_shaft_at_release_deg),
            ("arm_shaft_at_ball_deg", release.arm_shaft_at_ball_deg),
            ("release_before_ball_ms", release.release_before_ball_ms),
            ("arm_from_top_at_release_deg", release.arm_from_top_at_release_deg),
            ("wrist_power_w", self.wrist.power_w),
            ("wrist_work_j", self.wrist.work_j),
            ("flexion_at_ball_deg", flat.flexion_at_ball_deg),
            ("flat_after_ball_ms", flat.flat_after_ball_ms),
            ("flat_after_ball_mm", flat.flat_after_ball_mm),
        ]
    }
}
