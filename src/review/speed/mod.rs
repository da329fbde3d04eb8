//! Where the speed comes from: what arm, wrist and forearm give to the club head, and what a change would be worth.
//!
//! Two ways lead to the hand's speed: the arm as a rod that turns about the shoulder, and the hand's accelerometer,
//! summed up from the still address. The first is sure but does not see the shoulder move; the second sees all, but
//! drifts. The second is used where it tells a speed that a shoulder can have. The head follows from the hand's
//! turning and the club's length.

pub mod flat_wrist;
pub mod head;
pub mod hub;
pub mod levers;
pub mod pendulum;
pub mod plane;
pub mod what_if;

use crate::detect::Swing;
use crate::record::measures::{ClubMeasures, Measures};
use crate::units::Measured;
use flat_wrist::{FlatWrist, Release, flat_wrist, release};
use head::{HeadSpeed, head_speed};
use levers::Levers;

/// A number with its uncertainty, or why there is none.
pub type Figure = Result<Measured, &'static str>;

const NO_MOTION: &str = "the motion of both nodes up to the ball is not there";
const NO_CLUB: &str = "the club was not said";
const UNKNOWN_CLUB: &str = "no measures of this club are in the settings";

/// The speeds of one swing.
#[derive(Clone, Debug, PartialEq)]
pub struct SwingSpeed {
    /// The club's measures.
    pub club: ClubMeasures,
    /// Speeds at the ball.
    pub head: HeadSpeed,
    /// Lag and release.
    pub release: Release,
    /// The wrist at the ball and after.
    pub flat: FlatWrist,
}

impl SwingSpeed {
    /// The speeds of a swing.
    ///
    /// # Errors
    /// The club is not known: why.
    pub fn of(swing: &Swing, measures: &Measures) -> Result<SwingSpeed, &'static str> {
        let club = measures.club(swing.club.as_deref().ok_or(NO_CLUB)?).ok_or(UNKNOWN_CLUB)?;
        let levers = Levers::of(&swing.motion, &measures.arm, &club);
        let head = head_speed(swing, &measures.arm, &club);
        let release = release(swing, &levers);
        let flat = flat_wrist(swing, &levers, head.head_mps.ok().map(|head| head.value));
        Ok(SwingSpeed { club, head, release, flat })
    }
}
