//! What a change would be worth: the player's own swing as a pendulum with the same effort of the arm, and one thing
//! changed.

use super::levers::Levers;
use super::pendulum::{Drive, Motion, Pendulum, integrate};
use super::plane::{PlaneStep, PlaneSwing, pendulum_of};
use crate::detect::SwingMotion;
use crate::record::measures::{ArmMeasures, ClubMeasures};

/// A wrist takes at least so long from the top, or from the set, to its release, s.
const LEAST_COURSE_S: f64 = 0.01;
/// A changed swing may last so much longer than the player's, s.
const LONGER_S: f64 = 0.12;

/// What is changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Change {
    /// The release begins so many ms later (negative: thrown so much earlier).
    Release,
    /// The hinge is set so many ms later (negative: earlier).
    Set,
    /// The club is so many cm longer.
    Length,
    /// The head is so many g heavier.
    HeadMass,
    /// The arm pulls so many per cent more.
    Effort,
}

impl Change {
    /// All of them, each with the values that a curve has.
    pub const ALL: [(Change, [f64; 9]); 5] = [
        (Change::Release, [-40.0, -30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 30.0, 40.0]),
        (Change::Set, [-80.0, -60.0, -40.0, -20.0, 0.0, 20.0, 40.0, 60.0, 80.0]),
        (Change::Length, [-4.0, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, 4.0]),
        (Change::HeadMass, [-20.0, -15.0, -10.0, -5.0, 0.0, 5.0, 10.0, 15.0, 20.0]),
        (Change::Effort, [-10.0, -7.5, -5.0, -2.5, 0.0, 2.5, 5.0, 7.5, 10.0]),
    ];

    /// The key in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Change::Release => "release-later",
            Change::Set => "set-later",
            Change::Length => "club-longer",
            Change::HeadMass => "head-heavier",
            Change::Effort => "arm-effort",
        }
    }

    /// The unit of its values.
    #[must_use]
    pub fn unit(self) -> &'static str {
        match self {
            Change::Release | Change::Set => "ms",
            Change::Length => "cm",
            Change::HeadMass => "g",
            Change::Effort => "%",
        }
    }

    /// Decimals of its values: those in which they are chosen.
    #[must_use]
    pub fn decimals(self) -> usize {
        match self {
            Change::Release | Change::Set | Change::HeadMass => 0,
            Change::Length | Change::Effort => 1,
        }
    }

    /// What is done more of, and what less, in words after a number with its unit.
    #[must_use]
    pub fn more_and_less(self) -> (&'static str, &'static str) {
        match self {
            Change::Release => ("held longer", "thrown earlier"),
            Change::Set => ("set later", "set earlier"),
            Change::Length => ("longer", "shorter"),
            Change::HeadMass => ("heavier", "lighter"),
            Change::Effort => ("harder", "less hard"),
        }
    }

    /// A sentence for a reader.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Change::Release => "the hinge held longer in the downswing; negative: thrown earlier",
            Change::Set => "the hinge set later against the top; negative: earlier",
            Change::Length => "a longer club",
            Change::HeadMass => "a heavier head",
            Change::Effort => "the arm pulls harder",
        }
    }
}

/// What keeps the effort the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Same {
    /// The torque at each angle of the arm, so the arm does the same work.
    ByAngle,
    /// The torque at each instant after the top.
    ByTime,
}

/// How a changed swing ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    /// The head's speed when the club is where it was at the ball, m/s.
    pub head_mps: f64,
    /// The largest torque that holds the hinge back before the release, N·m.
    pub hold_nm: f64,
    /// From the top to the ball, s.
    pub lasts_s: f64,
}

/// Which instant of the player's own wrist a led one shows at an instant: straight lines between knots (both s after
/// the top), at its slope before the first two and after the last two.
struct Course(Vec<(f64, f64)>);

impl Course {
    /// The instant shown, and how fast it passes.
    fn shown(&self, t_s: f64) -> (f64, f64) {
        let after = self.0.partition_point(|(t, _)| *t <= t_s).clamp(1, self.0.len() - 1);
        let ((t0, s0), (t1, s1)) = (self.0[after - 1], self.0[after]);
        let slope = (s1 - s0) / (t1 - t0);
        (s0 + (t_s - t0) * slope, slope)
    }

    /// The course of a wrist whose hinge is set so much later, or is released so much later, s; none where no time is
    /// left for it.
    fn of(swing: &PlaneSwing, set_later_s: f64, release_later_s: f64) -> Option<Course> {
        let (most_s, release_s) = (swing.most_cocked_s(), swing.release_s());
        if release_later_s != 0.0 {
            // From the top to the release all takes so much longer.
            let later_s = release_s + release_later_s;
            return (later_s > LEAST_COURSE_S).then(|| Course(vec![(0.0, 0.0), (later_s, release_s)]));
        }
        let set_s = most_s + set_later_s;
        let before = (set_s - 1.0, most_s - 1.0);
        if set_later_s <= 0.0 {
            // Set earlier, then held until the wrist opens as it does.
            return Some(Course(vec![
                before,
                (set_s - 1e-6, most_s),
                (most_s, most_s),
                (most_s + 1.0, most_s + 1.0),
            ]));
        }
        // Set later, and opened in what time is left.
        (release_s - set_s > LEAST_COURSE_S)
            .then(|| Course(vec![before, (set_s, most_s), (release_s, release_s)]))
    }
}

/// A changed swing.
struct Changed<'a> {
    swing: &'a PlaneSwing,
    same: Same,
    effort: f64,
    course: &'a Course,
    /// When the wrist was freed; none while it is led.
    freed_s: Option<f64>,
}

impl Changed<'_> {
    fn effort_at(&self, motion: &Motion) -> PlaneStep {
        match self.same {
            Same::ByAngle => self.swing.at_swept(motion.swept),
            Same::ByTime => self.swing.at(motion.t_s),
        }
    }
}

impl Drive for Changed<'_> {
    fn torques(&self, motion: &Motion) -> [f64; 2] {
        // After the release the wrist does what it did, from the release on.
        let wrist = self
            .freed_s
            .map_or(0.0, |freed_s| self.swing.at(self.swing.release_s() + motion.t_s - freed_s).wrist_torque);
        [self.effort_at(motion).arm_torque * self.effort, wrist]
    }

    fn gravity(&self, motion: &Motion) -> [f64; 2] {
        self.effort_at(motion).gravity
    }

    fn leads(&self, motion: &Motion) -> Option<f64> {
        let (shown_s, slope) = self.course.shown(motion.t_s);
        self.freed_s.is_none().then(|| slope * slope * self.swing.at(shown_s).cock_change)
    }
}

/// The swing with one thing changed by so much; `None` where there is no such swing: no time is left for the set, or
/// the club does not come to the ball.
#[must_use]
pub fn changed(
    swing: &PlaneSwing,
    (motion, arm, club): (&SwingMotion, &ArmMeasures, &ClubMeasures),
    (change, by): (Change, f64),
    same: Same,
) -> Option<Outcome> {
    let of = |which: Change| if change == which { by } else { 0.0 };
    let club = club.changed(of(Change::Length) * 1e-2, of(Change::HeadMass) * 1e-3).checked().ok()?;
    let levers = Levers::of(motion, arm, &club);
    let pendulum = pendulum_of(&levers, arm, &club, swing.in_plane).checked().ok()?;
    let (set_later_s, release_later_s) = (of(Change::Set) * 1e-3, of(Change::Release) * 1e-3);
    let course = Course::of(swing, set_later_s, release_later_s)?;
    let effort = 1.0 + of(Change::Effort) / 100.0;
    let led = Changed { swing, same, effort, course: &course, freed_s: None };
    let (shown_s, slope) = course.shown(0.0);
    let (first, wrist) = (swing.at(0.0), swing.at(shown_s));
    let from = Motion {
        swept_rate: first.swept_rate,
        cock: wrist.cock,
        cock_rate: wrist.cock_rate * slope,
        ..Motion::default()
    };
    let (start, freed_s) = (swing.start, swing.release_s() + release_later_s);
    let path = integrate(&pendulum, &led, start, from, freed_s + 0.001, &|m| m.t_s - freed_s).ok()?;
    let hold_nm = path.iter().map(|m| holding(&pendulum, &led, start, m)).fold(0.0, f64::max);
    let freed = *path.last()?;
    let club_at_ball = swing.club_at_ball();
    let done = |m: &Motion| m.swept - m.cock - club_at_ball;
    let free = Changed { freed_s: Some(freed.t_s), ..led };
    let path =
        integrate(&pendulum, &free, start, freed, swing.lasts_s() + LONGER_S - freed.t_s, &done).ok()?;
    let end = path.last().filter(|end| path.len() > 1 && done(end) > -1e-6)?;
    let hub = match same {
        Same::ByAngle => swing.at_swept(end.swept).hub_velocity,
        Same::ByTime => swing.at(end.t_s).hub_velocity,
    };
    let [x, y] = pendulum.head_velocity(end, start);
    Some(Outcome { head_mps: (x + hub[0]).hypot(y + hub[1]), hold_nm, lasts_s: end.t_s })
}

/// Torque that holds the hinge at an instant of a led wrist, N·m; what opens it counts as none.
fn holding(pendulum: &Pendulum, led: &Changed, start: f64, motion: &Motion) -> f64 {
    let torque = led.torques(motion)[0];
    let cock = led.leads(motion).unwrap_or(0.0);
    pendulum.led(motion, start - motion.swept, led.gravity(motion), torque, cock).1.max(0.0)
}
