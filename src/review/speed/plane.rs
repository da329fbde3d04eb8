//! The downswing as a planar double pendulum: how arm and club turn in the swing plane, how the hub moves, and the
//! torques that this takes.

use super::flat_wrist::RELEASED;
use super::hub::Pose;
use super::levers::Levers;
use super::pendulum::{Drive, Motion, Pendulum, integrate};
use crate::detect::{MotionPoint, Swing};
use crate::fusion::polynomial;
use crate::record::measures::{ArmMeasures, ClubMeasures};
use crate::units::GRAVITY_MPS2;
use nalgebra::{Vector1, Vector3};

/// Step of the planar curves, s.
pub const STEP_S: f64 = 0.002;
/// So much before the top is taken along, s.
const BEFORE_TOP_S: f64 = 0.1;
/// Half of the stretch that a derivative is taken over, steps: of rates, and of the hub's velocity.
const RATE_HALF: usize = 5;
const HUB_HALF: usize = 10;
/// Arms of C.-C. Chiang's report of 2016: inertia and first moment about the hub for a length, SI; others in proportion.
const ARMS: (f64, f64, f64) = (0.575_413, 0.446_074, 1.236_994);
/// The plane has to carry the head's speed to within this share.
const PLANE_WITHIN: f64 = 0.15;

/// Said where a planar pendulum does not come to the measured head speed.
const NO_PLANE: &str = "the downswing lies too far from one plane for a planar pendulum";
const TOO_SHORT: &str = "too little of the downswing was seen";
const NO_FIT: &str = "the pendulum could not be made to follow this swing";

/// The pendulum for a player and a club. `in_plane` are the shares of arm and club that lie in the plane at the ball:
/// what leans out of it goes round the plane's normal nearer by.
#[must_use]
pub fn pendulum_of(
    levers: &Levers,
    arm: &ArmMeasures,
    club: &ClubMeasures,
    [arm_share, club_share]: [f64; 2],
) -> Pendulum {
    let (length_m, inertia, moment) = ARMS;
    let scale = arm_share * arm.arm_length_m / length_m;
    let balance_m = club_share * levers.on_shaft(club.balance_m).norm();
    Pendulum {
        arm_m: arm_share * arm.arm_length_m,
        arm_inertia: inertia * scale * scale,
        arm_moment: moment * scale,
        club_kg: club.mass_kg,
        club_moment: club.mass_kg * balance_m,
        club_inertia: club.inertia_kgm2 * club_share * club_share + club.mass_kg * balance_m * balance_m,
        club_m: club_share * levers.head().norm(),
    }
}

/// One step of the planar curves.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PlaneStep {
    /// Arm swept since the top, rad.
    pub swept: f64,
    /// rad/s.
    pub swept_rate: f64,
    /// rad/s².
    pub swept_change: f64,
    /// Cock, rad.
    pub cock: f64,
    /// rad/s.
    pub cock_rate: f64,
    /// rad/s².
    pub cock_change: f64,
    /// Hub along the plane's downward direction and across it, m/s.
    pub hub_velocity: [f64; 2],
    /// Gravity less the hub's acceleration, likewise, m/s².
    pub gravity: [f64; 2],
    /// At the hub, N·m.
    pub arm_torque: f64,
    /// At the wrist, N·m; negative opens it.
    pub wrist_torque: f64,
}

/// The downswing of one swing in its plane, with the torques that give it.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaneSwing {
    /// The bodies.
    pub pendulum: Pendulum,
    /// Shares of arm and club that lie in the plane at the ball.
    pub in_plane: [f64; 2],
    /// Angle of the arm at the top from the plane's downward direction, rad.
    pub start: f64,
    /// The steps before the top, then those from it to the ball.
    steps: Vec<PlaneStep>,
    /// Index of the top.
    pub top: usize,
    /// Index, from the top on, where the release begins: the last step with nine tenths of the cock that is lost until
    /// the ball still there.
    pub release: usize,
    /// How far the fitted pendulum's wrist is from the measured one: root mean square over the downswing, mm.
    pub wrist_rms_mm: f64,
    /// The head's speed at the ball in the fitted pendulum, m/s.
    pub head_mps: f64,
}

impl PlaneSwing {
    /// The step at a time against the top, s; held at the ends.
    #[must_use]
    pub fn at(&self, t_s: f64) -> PlaneStep {
        let place = (t_s / STEP_S + self.top as f64).clamp(0.0, (self.steps.len() - 1) as f64);
        self.between(place)
    }

    /// The step at which the arm has swept so far; held at the ends.
    #[must_use]
    pub fn at_swept(&self, swept: f64) -> PlaneStep {
        let down = self.down();
        let after = down.partition_point(|step| step.swept <= swept).clamp(1, down.len() - 1);
        let (a, b) = (&down[after - 1], &down[after]);
        let share = if b.swept > a.swept { (swept - a.swept) / (b.swept - a.swept) } else { 0.0 };
        self.between((self.top + after - 1) as f64 + share.clamp(0.0, 1.0))
    }

    fn between(&self, place: f64) -> PlaneStep {
        let before = (place as usize).min(self.steps.len().saturating_sub(2));
        let (a, b, share) = (&self.steps[before], &self.steps[before + 1], place - before as f64);
        let line = |of: fn(&PlaneStep) -> f64| of(a) + (of(b) - of(a)) * share;
        PlaneStep {
            swept: line(|s| s.swept),
            swept_rate: line(|s| s.swept_rate),
            swept_change: line(|s| s.swept_change),
            cock: line(|s| s.cock),
            cock_rate: line(|s| s.cock_rate),
            cock_change: line(|s| s.cock_change),
            hub_velocity: [line(|s| s.hub_velocity[0]), line(|s| s.hub_velocity[1])],
            gravity: [line(|s| s.gravity[0]), line(|s| s.gravity[1])],
            arm_torque: line(|s| s.arm_torque),
            wrist_torque: line(|s| s.wrist_torque),
        }
    }

    /// From the top to the ball.
    #[must_use]
    pub fn down(&self) -> &[PlaneStep] {
        &self.steps[self.top..]
    }

    /// From top to ball, s.
    #[must_use]
    pub fn lasts_s(&self) -> f64 {
        (self.down().len() - 1) as f64 * STEP_S
    }

    /// Where the cock is largest, s after the top, not after the release.
    #[must_use]
    pub fn most_cocked_s(&self) -> f64 {
        let before = &self.steps[..=self.top + self.release];
        let most = (0..before.len()).max_by(|a, b| before[*a].cock.total_cmp(&before[*b].cock));
        (most.unwrap_or(self.top) as f64 - self.top as f64) * STEP_S
    }

    /// Where the release begins, s after the top.
    #[must_use]
    pub fn release_s(&self) -> f64 {
        self.release as f64 * STEP_S
    }

    /// Angle that the club has turned by from the top to the ball, less its cock there, rad.
    #[must_use]
    pub fn club_at_ball(&self) -> f64 {
        self.down().last().map_or(0.0, |step| step.swept - step.cock)
    }

    /// Work of the torque at the hub from top to ball, J.
    #[must_use]
    pub fn arm_work_j(&self) -> f64 {
        self.down().iter().map(|step| step.arm_torque * step.swept_rate * STEP_S).sum()
    }

    /// Puts a downswing into its plane and finds the torques.
    ///
    /// # Errors
    /// Why there is no such pendulum.
    pub fn of(
        swing: &Swing,
        arm: &ArmMeasures,
        club: &ClubMeasures,
        head_mps: f64,
    ) -> Result<PlaneSwing, &'static str> {
        let levers = Levers::of(&swing.motion, arm, club);
        let raw = Raw::of(swing, &levers)?;
        let pendulum = pendulum_of(&levers, arm, club, raw.in_plane).checked().map_err(|_| NO_FIT)?;
        let fitted = PlaneSwing { pendulum, ..raw.with_torques(&pendulum) };
        let followed = fitted.follow(&raw)?;
        if (followed.head_mps / head_mps - 1.0).abs() > PLANE_WITHIN {
            return Err(NO_PLANE);
        }
        Ok(followed)
    }

    /// Runs the pendulum with its torques and tells how near it stays to what was measured.
    fn follow(self, raw: &Raw) -> Result<PlaneSwing, &'static str> {
        let first = self.down()[0];
        let from = Motion {
            swept_rate: first.swept_rate,
            cock: first.cock,
            cock_rate: first.cock_rate,
            ..Motion::default()
        };
        let lasts_s = self.lasts_s();
        let path = integrate(&self.pendulum, &Replayed(&self), self.start, from, lasts_s + 0.05, &|motion| {
            motion.t_s - lasts_s
        })
        .map_err(|_| NO_FIT)?;
        let end = path.last().ok_or(NO_FIT)?;
        let off = |motion: &Motion| {
            let measured = raw.swept_at(self.top as f64 + motion.t_s / STEP_S) - raw.swept[self.top];
            2.0 * self.pendulum.arm_m * (0.5 * (motion.swept - measured)).sin()
        };
        let square = path.iter().map(|motion| off(motion).powi(2)).sum::<f64>() / path.len() as f64;
        let hub = self.at(lasts_s).hub_velocity;
        let [x, y] = self.pendulum.head_velocity(end, self.start);
        Ok(PlaneSwing { wrist_rms_mm: square.sqrt() * 1e3, head_mps: (x + hub[0]).hypot(y + hub[1]), ..self })
    }
}

/// The fitted torques by time.
struct Replayed<'a>(&'a PlaneSwing);

impl Drive for Replayed<'_> {
    fn torques(&self, motion: &Motion) -> [f64; 2] {
        let step = self.0.at(motion.t_s);
        [step.arm_torque, step.wrist_torque]
    }

    fn gravity(&self, motion: &Motion) -> [f64; 2] {
        self.0.at(motion.t_s).gravity
    }
}

/// What was measured, put into the plane at equal steps.
struct Raw {
    in_plane: [f64; 2],
    start: f64,
    top: usize,
    swept: Vec<f64>,
    swept_rate: Vec<f64>,
    cock: Vec<f64>,
    cock_rate: Vec<f64>,
    hub: Vec<[f64; 2]>,
    down_gravity: f64,
}

/// The plane: downward, across (towards growing sweep), normal.
struct Plane {
    down: Vector3<f64>,
    across: Vector3<f64>,
    normal: Vector3<f64>,
}

impl Plane {
    /// The plane that the arm's downswing turns in, each moment counted by how fast it is.
    fn of(points: &[MotionPoint]) -> Option<Plane> {
        let sum: Vector3<f64> = points.iter().map(|point| Pose::of(point).swing_rate()).sum();
        let normal = sum.try_normalize(1e-6)?;
        let down = -Vector3::z();
        let down = (down - normal * normal.dot(&down)).try_normalize(1e-3)?;
        Some(Plane { down, across: normal.cross(&down), normal })
    }

    /// Share of a vector's length that lies in the plane.
    fn share(&self, vector: &Vector3<f64>) -> f64 {
        let out = self.normal.dot(vector) / vector.norm();
        (1.0 - out * out).max(0.0).sqrt()
    }

    fn angle(&self, vector: &Vector3<f64>) -> f64 {
        vector.dot(&self.across).atan2(vector.dot(&self.down))
    }

    /// Rate of a vector's angle in the plane.
    fn rate(&self, vector: &Vector3<f64>, change: &Vector3<f64>) -> f64 {
        let flat = vector - self.normal * self.normal.dot(vector);
        self.normal.dot(&flat.cross(change)) / flat.norm_squared().max(1e-6)
    }
}

impl Raw {
    fn of(swing: &Swing, levers: &Levers) -> Result<Raw, &'static str> {
        let ball = swing.motion.ball.ok_or(TOO_SHORT)?;
        let points: Vec<MotionPoint> =
            swing.motion.points.iter().filter(|point| point.t.seconds_since(ball) < 0.0).copied().collect();
        let from_top: Vec<MotionPoint> =
            points.iter().filter(|point| point.t >= swing.top).copied().collect();
        let plane = Plane::of(&from_top).filter(|_| from_top.len() > 20).ok_or(TOO_SHORT)?;
        let t_s: Vec<f64> = points.iter().map(|point| point.t.seconds_since(swing.top)).collect();
        let curves: Vec<[f64; 6]> =
            points.iter().map(|point| planar(&Pose::of(point), levers, &plane)).collect();
        let column = |i: usize| curves.iter().map(|row| row[i]).collect::<Vec<f64>>();
        let (arm, club) = (unwrapped(column(0)), unwrapped(column(2)));
        let top = (BEFORE_TOP_S / STEP_S) as usize;
        let count = top + 1 + (ball.seconds_since(swing.top) / STEP_S) as usize;
        let even = |values: &[f64]| -> Vec<f64> {
            let at =
                |i: usize| crate::fusion::series::value_at(&t_s, values, (i as f64 - top as f64) * STEP_S);
            (0..count).map(at).collect()
        };
        let (arm, arm_rate, club, club_rate) = (even(&arm), even(&column(1)), even(&club), even(&column(3)));
        let (hub_down, hub_across) = (even(&column(4)), even(&column(5)));
        // The two are unwrapped apart; a cock lies between half a turn back and half a turn ahead.
        let turns = ((arm[top] - club[top]) / std::f64::consts::TAU).round() * std::f64::consts::TAU;
        let last = points.last().map(Pose::of).ok_or(TOO_SHORT)?;
        let head = last.level_from_hand * levers.head();
        Ok(Raw {
            in_plane: [plane.share(&last.arm), plane.share(&head)],
            start: -arm[top],
            top,
            swept: arm.clone(),
            swept_rate: arm_rate.clone(),
            cock: arm.iter().zip(&club).map(|(arm, club)| arm - club - turns).collect(),
            cock_rate: arm_rate.iter().zip(&club_rate).map(|(arm, club)| arm - club).collect(),
            hub: hub_down.into_iter().zip(hub_across).map(|(down, across)| [down, across]).collect(),
            down_gravity: GRAVITY_MPS2 * (1.0 - plane.normal.z * plane.normal.z).sqrt(),
        })
    }

    fn swept_at(&self, place: f64) -> f64 {
        let before = (place.max(0.0) as usize).min(self.swept.len() - 2);
        self.swept[before] + (self.swept[before + 1] - self.swept[before]) * (place - before as f64)
    }

    /// Smooth accelerations, the angles that they add up to from the top, and the torques behind them.
    fn with_torques(&self, pendulum: &Pendulum) -> PlaneSwing {
        let (swept_change, cock_change) =
            (derivative(&self.swept_rate, RATE_HALF), derivative(&self.cock_rate, RATE_HALF));
        let hub = |i: usize| self.hub.iter().map(|hub| hub[i]).collect::<Vec<f64>>();
        let hub_change = [derivative(&hub(0), HUB_HALF), derivative(&hub(1), HUB_HALF)];
        let swept = summed(&swept_change, self.top, (0.0, self.swept_rate[self.top]));
        let cock = summed(&cock_change, self.top, (self.cock[self.top], self.cock_rate[self.top]));
        let step = |i: usize| {
            let gravity = [self.down_gravity - hub_change[0][i], -hub_change[1][i]];
            let motion = Motion {
                swept: swept[i].0,
                swept_rate: swept[i].1,
                cock: cock[i].0,
                cock_rate: cock[i].1,
                ..Motion::default()
            };
            let changes = [swept_change[i], cock_change[i]];
            let [arm_torque, wrist_torque] =
                pendulum.torques(&motion, self.start - motion.swept, gravity, changes);
            PlaneStep {
                swept: motion.swept,
                swept_rate: motion.swept_rate,
                swept_change: changes[0],
                cock: motion.cock,
                cock_rate: motion.cock_rate,
                cock_change: changes[1],
                hub_velocity: self.hub[i],
                gravity,
                arm_torque,
                wrist_torque,
            }
        };
        let steps: Vec<PlaneStep> = (0..self.swept.len()).map(step).collect();
        let down = &steps[self.top..];
        let most = down.iter().map(|step| step.cock).fold(f64::NEG_INFINITY, f64::max);
        let level = most - RELEASED * (most - down.last().map_or(most, |step| step.cock));
        let release = down.iter().rposition(|step| step.cock >= level).unwrap_or(0);
        PlaneSwing {
            pendulum: *pendulum,
            in_plane: self.in_plane,
            start: self.start,
            release,
            top: self.top,
            steps,
            wrist_rms_mm: f64::NAN,
            head_mps: f64::NAN,
        }
    }
}

/// Arm's angle and rate, club's angle and rate, hub's velocity down and across.
fn planar(pose: &Pose, levers: &Levers, plane: &Plane) -> [f64; 6] {
    let club = pose.level_from_hand * levers.head();
    let hub = pose.shoulder(levers).unwrap_or_default();
    [
        plane.angle(&pose.arm),
        plane.rate(&pose.arm, &pose.swing_rate().cross(&pose.arm)),
        plane.angle(&club),
        plane.rate(&club, &pose.hand_rate.cross(&club)),
        hub.dot(&plane.down),
        hub.dot(&plane.across),
    ]
}

/// Angles without jumps of a turn.
fn unwrapped(mut angles: Vec<f64>) -> Vec<f64> {
    for i in 1..angles.len() {
        let jump = angles[i] - angles[i - 1];
        angles[i] -= (jump / std::f64::consts::TAU).round() * std::f64::consts::TAU;
    }
    angles
}

/// Derivative by a parabola through `half` values on either side (Savitzky & Golay 1964, Anal Chem 36:1627 [M]),
/// fewer at the ends.
fn derivative(values: &[f64], half: usize) -> Vec<f64> {
    let at = |i: usize| {
        let (from, to) = (i.saturating_sub(half), (i + half).min(values.len() - 1));
        let points = (from..=to).map(|j| ((j as f64 - i as f64) * STEP_S, Vector1::new(values[j])));
        polynomial::derivatives::<3, 1>(points, half as f64 * STEP_S).map_or(0.0, |fit| fit[1])
    };
    (0..values.len()).map(at).collect()
}

/// Value and rate both ways from index `start` that changes of rate, linear between the steps, add up to.
fn summed(changes: &[f64], start: usize, (value, rate): (f64, f64)) -> Vec<(f64, f64)> {
    let mut sums = vec![(value, rate); changes.len()];
    for i in start + 1..changes.len() {
        let ((value, rate), a, b) = (sums[i - 1], changes[i - 1], changes[i]);
        sums[i] = (value + STEP_S * (rate + STEP_S * (2.0 * a + b) / 6.0), rate + STEP_S * 0.5 * (a + b));
    }
    for i in (0..start).rev() {
        let ((value, rate), a, b) = (sums[i + 1], changes[i], changes[i + 1]);
        sums[i] = (value - STEP_S * (rate - STEP_S * (2.0 * b + a) / 6.0), rate - STEP_S * 0.5 * (a + b));
    }
    sums
}
