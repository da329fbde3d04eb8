//! The planar double pendulum: arm about a hub that may move, club about the wrist.
//!
//! α is the angle that the arm has swept since the start, β the wrist's cock (0 with arm and club in line, positive
//! with the club behind). The arm starts at `start` from the downward direction of the plane and is there at
//! start − α. The equations are those of C.-C. Chiang's report on swing simulation of 2016 (eqs 1 to 10),
//! derived anew with a gravity that may have any direction in the plane, so that a hub that is accelerated is
//! gravity less that acceleration.

use ode_solvers::{Dop853, OutputType, SVector, System};

/// State: α, α', β, β', the work of the torques, and the time (rad, rad/s, J, s). The time is a state of its own
/// since `ode_solvers` 0.6.2 asks for the twelfth stage of its method at the wrong time.
type State = SVector<f64, 6>;
/// Relative and absolute tolerance of the integration.
const TOLERANCE: f64 = 1e-11;
/// Least distance between two output points that is asked for, s.
const OUTPUT_STEP_S: f64 = 2.5e-4;

/// First and longest step of the integration, s, and how many at most.
const FIRST_STEP_S: f64 = 1e-4;
const LONGEST_STEP_S: f64 = 2e-3;
const STEPS_MAX: u32 = 100_000;

/// The measures of arm and club, SI.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pendulum {
    /// Hub to wrist, m.
    pub arm_m: f64,
    /// Inertia of the arms about the hub, kg·m².
    pub arm_inertia: f64,
    /// First moment of the arms about the hub, kg·m.
    pub arm_moment: f64,
    /// Mass of the club, kg.
    pub club_kg: f64,
    /// First moment of the club about the wrist, kg·m.
    pub club_moment: f64,
    /// Inertia of the club about the wrist, kg·m².
    pub club_inertia: f64,
    /// Wrist to the middle of the head, m.
    pub club_m: f64,
}

/// Why a pendulum cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Impossible {
    /// Mass at its distance has more inertia than that.
    #[error("expected a club inertia of at least S²/M = {least:.6} kg·m² about the wrist, found {found:.6}")]
    Inertia {
        /// S²/M.
        least: f64,
        /// What was given.
        found: f64,
    },
    /// A length, mass or moment that is none.
    #[error("expected positive finite measures of arm and club, found {0:?}")]
    Measure(Pendulum),
    /// The integration did not get to its end.
    #[error("the motion could not be integrated: {0}")]
    Integration(String),
}

impl Pendulum {
    /// Checks the measures.
    ///
    /// # Errors
    /// When no rigid bodies have them.
    pub fn checked(self) -> Result<Pendulum, Impossible> {
        let all = [
            self.arm_m,
            self.arm_inertia,
            self.arm_moment,
            self.club_kg,
            self.club_moment,
            self.club_inertia,
            self.club_m,
        ];
        if !all.iter().all(|value| value.is_finite() && *value > 0.0) {
            return Err(Impossible::Measure(self));
        }
        let least = self.club_moment * self.club_moment / self.club_kg;
        if self.club_inertia < least {
            return Err(Impossible::Inertia { least, found: self.club_inertia });
        }
        Ok(self)
    }

    /// Mass matrix of α and β: (αα, −αβ, ββ).
    fn masses(&self, cock: f64) -> (f64, f64, f64) {
        let along = self.arm_m * self.club_moment * cock.cos();
        let both =
            self.arm_inertia + self.club_inertia + self.club_kg * self.arm_m * self.arm_m + 2.0 * along;
        (both, self.club_inertia + along, self.club_inertia)
    }

    /// What gravity and the turning frames do to α and β, N·m. `arm` is the arm's angle from the plane's
    /// downward direction.
    fn loads(&self, motion: &Motion, arm: f64, gravity: [f64; 2]) -> (f64, f64) {
        let pull = |angle: f64| gravity[0] * angle.sin() + gravity[1] * angle.cos();
        let Motion { swept_rate, cock, cock_rate, .. } = *motion;
        let bend = self.arm_m * self.club_moment * cock.sin();
        let club = self.club_moment * pull(arm + cock);
        let arm = (self.arm_moment + self.club_kg * self.arm_m) * pull(arm);
        let on_arm = -(cock_rate * cock_rate - 2.0 * swept_rate * cock_rate) * bend + club + arm;
        (on_arm, -swept_rate * swept_rate * bend - club)
    }

    /// The accelerations that these torques give, rad/s².
    #[must_use]
    pub fn accelerations(&self, motion: &Motion, arm: f64, gravity: [f64; 2], torques: [f64; 2]) -> [f64; 2] {
        let (aa, ab, bb) = self.masses(motion.cock);
        let (on_arm, on_wrist) = self.loads(motion, arm, gravity);
        let (p, q) = (torques[0] + on_arm, torques[1] + on_wrist);
        let determinant = aa * bb - ab * ab;
        [(bb * p + ab * q) / determinant, (ab * p + aa * q) / determinant]
    }

    /// The torques that give these accelerations, N·m.
    #[must_use]
    pub fn torques(&self, motion: &Motion, arm: f64, gravity: [f64; 2], accelerations: [f64; 2]) -> [f64; 2] {
        let (aa, ab, bb) = self.masses(motion.cock);
        let (on_arm, on_wrist) = self.loads(motion, arm, gravity);
        let [swept, cock] = accelerations;
        [aa * swept - ab * cock - on_arm, bb * cock - ab * swept - on_wrist]
    }

    /// The arm's acceleration for a torque at the hub, where the wrist is led (β'' given), and the torque at the
    /// wrist that leads it.
    #[must_use]
    pub fn led(
        &self,
        motion: &Motion,
        arm: f64,
        gravity: [f64; 2],
        arm_torque: f64,
        cock_change: f64,
    ) -> (f64, f64) {
        let (aa, ab, _) = self.masses(motion.cock);
        let (on_arm, _) = self.loads(motion, arm, gravity);
        let swept = (arm_torque + on_arm + ab * cock_change) / aa;
        (swept, self.torques(motion, arm, gravity, [swept, cock_change])[1])
    }

    /// Velocity of the head against the hub, along the plane's downward direction and across it (towards
    /// growing α), m/s.
    #[must_use]
    pub fn head_velocity(&self, motion: &Motion, start: f64) -> [f64; 2] {
        let along = |angle: f64, speed: f64| [-angle.sin() * speed, angle.cos() * speed];
        let arm = motion.swept - start;
        let a = along(arm, self.arm_m * motion.swept_rate);
        let c = along(arm - motion.cock, self.club_m * (motion.swept_rate - motion.cock_rate));
        [a[0] + c[0], a[1] + c[1]]
    }
}

/// One instant of the motion.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Motion {
    /// Since the start, s.
    pub t_s: f64,
    /// α, rad.
    pub swept: f64,
    /// α', rad/s.
    pub swept_rate: f64,
    /// β, rad.
    pub cock: f64,
    /// β', rad/s.
    pub cock_rate: f64,
    /// Work of the torques since the start, J.
    pub work_j: f64,
}

impl Motion {
    fn of(state: &State) -> Motion {
        let [swept, swept_rate, cock, cock_rate, work_j, t_s] =
            [state[0], state[1], state[2], state[3], state[4], state[5]];
        Motion { t_s, swept, swept_rate, cock, cock_rate, work_j }
    }

    fn state(&self) -> State {
        State::from([self.swept, self.swept_rate, self.cock, self.cock_rate, self.work_j, self.t_s])
    }

    /// The instant between this one and the next (each with its rates: cubic), at this share of the way.
    fn towards(&self, next: &Motion, share: f64) -> Motion {
        let step = next.t_s - self.t_s;
        let s = share;
        let value = |a: f64, ra: f64, b: f64, rb: f64| {
            a + (b - a) * s * s * (3.0 - 2.0 * s) + step * s * (1.0 - s) * (ra * (1.0 - s) - rb * s)
        };
        let rate = |a: f64, ra: f64, b: f64, rb: f64| {
            (b - a) * 6.0 * s * (1.0 - s) / step + ra * (1.0 - s) * (1.0 - 3.0 * s) - rb * s * (2.0 - 3.0 * s)
        };
        let line = |a: f64, b: f64| a + (b - a) * share;
        Motion {
            t_s: line(self.t_s, next.t_s),
            swept: value(self.swept, self.swept_rate, next.swept, next.swept_rate),
            swept_rate: rate(self.swept, self.swept_rate, next.swept, next.swept_rate),
            cock: value(self.cock, self.cock_rate, next.cock, next.cock_rate),
            cock_rate: rate(self.cock, self.cock_rate, next.cock, next.cock_rate),
            work_j: line(self.work_j, next.work_j),
        }
    }
}

/// What moves the pendulum.
pub trait Drive {
    /// Torques at hub and wrist, N·m.
    fn torques(&self, motion: &Motion) -> [f64; 2];
    /// Gravity less the hub's acceleration, along the plane's downward direction and across it, m/s².
    fn gravity(&self, motion: &Motion) -> [f64; 2];
    /// β'' where the wrist is led in place of driven by its torque, rad/s².
    fn leads(&self, _motion: &Motion) -> Option<f64> {
        None
    }
}

struct Moved<'a> {
    pendulum: &'a Pendulum,
    drive: &'a dyn Drive,
    start: f64,
    done: &'a dyn Fn(&Motion) -> f64,
}

impl System<f64, State> for Moved<'_> {
    fn system(&self, _: f64, state: &State, change: &mut State) {
        let motion = Motion::of(state);
        let (arm, gravity) = (self.start - motion.swept, self.drive.gravity(&motion));
        let [arm_torque, wrist_torque] = self.drive.torques(&motion);
        let ([swept, cock], wrist_torque) = match self.drive.leads(&motion) {
            None => {
                let torques = [arm_torque, wrist_torque];
                (self.pendulum.accelerations(&motion, arm, gravity, torques), wrist_torque)
            }
            Some(cock) => {
                let (swept, holding) = self.pendulum.led(&motion, arm, gravity, arm_torque, cock);
                ([swept, cock], holding)
            }
        };
        let power = arm_torque * motion.swept_rate + wrist_torque * motion.cock_rate;
        *change = State::from([motion.swept_rate, swept, motion.cock_rate, cock, power, 1.0]);
    }

    /// The library hands over the newest point of the output, which is what is looked through afterwards.
    fn solout(&mut self, _: f64, state: &State, _: &State) -> bool {
        (self.done)(&Motion::of(state)) >= 0.0
    }
}

/// Integrates from `from` (its time counts) until `done` rises to zero, at most for `longest_s`. The last point
/// is the one where it does; where it never does, the motion ends at the time.
///
/// # Errors
/// The step became too small, or the motion no number.
pub fn integrate(
    pendulum: &Pendulum,
    drive: &dyn Drive,
    start: f64,
    from: Motion,
    longest_s: f64,
    done: &dyn Fn(&Motion) -> f64,
) -> Result<Vec<Motion>, Impossible> {
    let moved = Moved { pendulum, drive, start, done };
    let end_s = from.t_s + longest_s;
    // The library's own first step and test for stiffness look at differences of rounding when a motion begins at
    // rest. Steps are kept short enough to see every feature of a measured torque.
    let (safety, beta, least_factor, most_factor) = (0.9, 0.0, 0.333, 6.0);
    let mut solver = Dop853::from_param(
        moved,
        from.t_s,
        end_s,
        OUTPUT_STEP_S,
        from.state(),
        TOLERANCE,
        TOLERANCE,
        safety,
        beta,
        least_factor,
        most_factor,
        LONGEST_STEP_S,
        FIRST_STEP_S,
        STEPS_MAX,
        u32::MAX,
        OutputType::Dense,
    );
    solver.integrate().map_err(|error| Impossible::Integration(error.to_string()))?;
    let mut motion: Vec<Motion> = solver.y_out().iter().map(Motion::of).collect();
    if !motion.iter().all(|point| point.swept.is_finite() && point.cock.is_finite()) {
        return Err(Impossible::Integration("no number".to_owned()));
    }
    if let Some(after) = motion.windows(2).position(|pair| done(&pair[0]) < 0.0 && done(&pair[1]) >= 0.0) {
        let (before, next) = (motion[after], motion[after + 1]);
        motion.truncate(after + 1);
        motion.push(crossing(&before, &next, done));
    }
    Ok(motion)
}

fn crossing(before: &Motion, next: &Motion, done: &dyn Fn(&Motion) -> f64) -> Motion {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if done(&before.towards(next, middle)) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    before.towards(next, high)
}
