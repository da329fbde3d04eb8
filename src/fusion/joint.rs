//! The wrist as a joint with two axes: a batch estimate, over any number of windows, of the axes in the
//! sensors' frames, of the clock between the nodes, and of the relative orientation at each start.
//!
//! The flexion axis, fixed in the forearm, and the deviation axis, fixed in the hand, stay perpendicular
//! whatever the wrist does (orientation-based constraint of a two-axis joint: Laidig et al. 2019; Laidig,
//! Weygers & Seel 2022, Sensors 22:9850). Every instant of every window gives one residual, the cosine of
//! the angle between them; Gauss-Newton with robust weights drives them to zero.

use super::calibration::Biases;
use super::clock::ClockMap;
use super::track::Track;
use super::wrist::WristAxes;
use nalgebra::{Matrix3, Matrix3x2, SMatrix, SVector, Unit, UnitQuaternion, Vector3};

/// Unknowns of the joint itself: two for each axis, then clock offset and skew.
pub const JOINT: usize = 6;
/// Unknowns shared by all windows: those of the joint, then the gyro biases of hand and forearm.
pub const SHARED: usize = JOINT + 6;
/// Unknowns of a window: the relative start orientation.
pub const PER_WINDOW: usize = 3;

/// No more of a window than this is looked at, s.
const LONGEST_WINDOW_S: f64 = 60.0;

/// Settings of the estimate. Angles in rad, times in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JointParams {
    /// How far the axes may lie from where the search starts (standard deviation).
    pub axes_sd: f64,
    /// How far the levels of the two nodes may disagree (accelerometer bias; standard deviation).
    pub level_sd: f64,
    /// How far the clock offset may lie from where the search starts.
    pub offset_sd_s: f64,
    /// How far the clocks' skew may lie from zero.
    pub skew_sd: f64,
    /// How far the gyro biases may lie from what rest has shown, rad/s.
    pub bias_sd: f64,
    /// Residual expected before any was seen.
    pub residual_sd: f64,
    /// Least residual that is believed: scale and cross-axis errors of cheap gyros and soft tissue stay,
    /// however well a window can be fitted.
    pub residual_floor: f64,
    /// Spacing of the residuals.
    pub spacing_s: f64,
    /// Gauss-Newton steps.
    pub iterations: usize,
}

impl Default for JointParams {
    fn default() -> JointParams {
        JointParams {
            axes_sd: 12.0_f64.to_radians(),
            level_sd: 0.7_f64.to_radians(),
            offset_sd_s: 0.02,
            skew_sd: 30e-6,
            bias_sd: 0.15_f64.to_radians(),
            residual_sd: 0.6_f64.to_radians(),
            residual_floor: 0.25_f64.to_radians(),
            spacing_s: 0.01,
            iterations: 12,
        }
    }
}

/// One window: both nodes' tracks, and the stretch of the hand clock that counts.
#[derive(Clone, Debug)]
pub struct JointWindow {
    /// Hand node.
    pub hand: Track,
    /// Forearm node, on its own clock.
    pub forearm: Track,
    /// First instant that counts, hand clock, s.
    pub from_s: f64,
    /// Last instant that counts, hand clock, s.
    pub to_s: f64,
    /// Time over which the residuals of this window hang together, s: the window says as much as its length
    /// over this.
    pub correlation_s: f64,
}

/// What the estimate says.
#[derive(Clone, Debug)]
pub struct JointEstimate {
    /// The axes.
    pub axes: WristAxes,
    /// The clock.
    pub clock: ClockMap,
    /// What is to be added to the gyro biases that the tracks were made with, rad/s.
    pub bias_changes: Biases,
    /// `forearm level from hand level` of each window.
    pub starts: Vec<UnitQuaternion<f64>>,
    /// Root mean square residual, rad.
    pub residual_rms: f64,
    /// Covariance of the shared unknowns.
    shared_covariance: SharedMatrix,
    /// Of each window: covariance of its own unknowns, and of the shared ones with them.
    window_covariances: Vec<(Matrix3<f64>, Coupling)>,
}

type SharedMatrix = SMatrix<f64, SHARED, SHARED>;
type SharedVector = SVector<f64, SHARED>;
type Coupling = SMatrix<f64, SHARED, PER_WINDOW>;

/// Unknowns of the joint and of one window.
pub const JOINT_AND_WINDOW: usize = JOINT + PER_WINDOW;

impl JointEstimate {
    /// Number of windows.
    #[must_use]
    pub fn windows(&self) -> usize {
        self.starts.len()
    }

    /// Covariance of the joint's unknowns and those of one window.
    #[must_use]
    pub fn covariance(&self, window: usize) -> SMatrix<f64, JOINT_AND_WINDOW, JOINT_AND_WINDOW> {
        let (own, with_shared) = &self.window_covariances[window];
        SMatrix::from_fn(|i, j| match (i < JOINT, j < JOINT) {
            (true, true) => self.shared_covariance[(i, j)],
            (true, false) => with_shared[(i, j - JOINT)],
            (false, true) => with_shared[(j, i - JOINT)],
            (false, false) => own[(i - JOINT, j - JOINT)],
        })
    }
}

/// Where the estimate stands between two steps.
#[derive(Clone)]
struct State {
    axes: WristAxes,
    clock: ClockMap,
    bias_changes: Biases,
    starts: Vec<UnitQuaternion<f64>>,
    /// Sums of the steps so far: how far each unknown lies from where the search started.
    shared_moved: SharedVector,
    window_moved: Vec<Vector3<f64>>,
}

/// Estimates axes, clock and starts from `windows`, beginning at `axes` and `clock`.
///
/// Each window's own unknowns are eliminated before the shared ones are solved for (the matrix has the shape
/// of an arrow), so the cost grows with the number of windows and no faster.
#[must_use]
pub fn estimate(
    windows: &[&JointWindow],
    axes: &WristAxes,
    clock: &ClockMap,
    params: &JointParams,
) -> JointEstimate {
    let starts: Vec<_> = windows.iter().map(|window| first_start(window, axes, clock)).collect();
    let mut state = State {
        axes: *axes,
        clock: *clock,
        bias_changes: Biases::default(),
        shared_moved: SharedVector::zeros(),
        window_moved: vec![Vector3::zeros(); starts.len()],
        starts,
    };
    let mut residual_sd = params.residual_sd;
    let mut system = Normal::at(windows, &state, residual_sd, params);
    for iteration in 0..params.iterations {
        let Some((shared, own)) = system.solve() else { break };
        step(&mut state, &shared, &own);
        if iteration >= 2 {
            residual_sd = system.robust_rms.max(params.residual_floor);
        }
        system = Normal::at(windows, &state, residual_sd, params);
    }
    let (shared_covariance, window_covariances) = system.covariances();
    let State { axes, clock, bias_changes, starts, .. } = state;
    let residual_rms = system.rms;
    JointEstimate { axes, clock, bias_changes, starts, residual_rms, shared_covariance, window_covariances }
}

/// Two unit vectors that span the plane perpendicular to `axis`.
#[must_use]
pub fn tangents(axis: &Unit<Vector3<f64>>) -> Matrix3x2<f64> {
    let helper = if axis.x.abs() < 0.7 { Vector3::x() } else { Vector3::y() };
    let e1 = axis.cross(&helper).normalize();
    Matrix3x2::from_columns(&[e1, axis.cross(&e1)])
}

/// `axis` moved by a small step in its tangent plane.
#[must_use]
pub fn moved_axis(axis: &Unit<Vector3<f64>>, dx: f64, dy: f64) -> Unit<Vector3<f64>> {
    let e = tangents(axis);
    Unit::new_normalize(axis.into_inner() + e.column(0) * dx + e.column(1) * dy)
}

fn step(state: &mut State, shared: &SharedVector, own: &[Vector3<f64>]) {
    let axes = &mut state.axes;
    axes.flexion_in_forearm = moved_axis(&axes.flexion_in_forearm, shared[0], shared[1]);
    axes.deviation_in_hand = moved_axis(&axes.deviation_in_hand, shared[2], shared[3]);
    state.clock.offset_s += shared[4];
    state.clock.skew += shared[5];
    state.bias_changes.hand += shared.fixed_rows::<3>(JOINT);
    state.bias_changes.forearm += shared.fixed_rows::<3>(JOINT + 3);
    state.shared_moved += shared;
    for ((start, moved), turn) in state.starts.iter_mut().zip(&mut state.window_moved).zip(own) {
        *start = UnitQuaternion::from_scaled_axis(*turn) * *start;
        *moved += turn;
    }
}

/// Instants of a window at which residuals are taken, hand clock, s.
fn instants(window: &JointWindow, spacing_s: f64) -> impl Iterator<Item = f64> + '_ {
    let length_s = (window.to_s - window.from_s).clamp(0.0, LONGEST_WINDOW_S);
    let count = (length_s / spacing_s) as usize;
    (0..=count).map(move |i| window.from_s + i as f64 * spacing_s)
}

/// The relative heading at which the axes stay nearest to perpendicular, the hand pointing the way of the
/// forearm rather than back.
fn first_start(window: &JointWindow, axes: &WristAxes, clock: &ClockMap) -> UnitQuaternion<f64> {
    let poses: Vec<_> = instants(window, 0.05)
        .map(|t_s| {
            let forearm = window.forearm.at(clock.forearm_s(t_s)).0;
            let hand = window.hand.at(t_s).0;
            let turned = |axis: &Unit<Vector3<f64>>, q: &UnitQuaternion<f64>| q * axis.into_inner();
            (
                turned(&axes.flexion_in_forearm, &forearm),
                turned(&axes.deviation_in_hand, &hand),
                turned(&axes.long_in_forearm, &forearm),
                turned(&axes.long_in_hand, &hand),
            )
        })
        .collect();
    let cost = |heading: f64| -> f64 {
        let turn = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), heading);
        poses
            .iter()
            .map(|(flexion, deviation, forearm, hand)| {
                let backwards = (0.5 - forearm.dot(&(turn * hand))).max(0.0);
                flexion.dot(&(turn * deviation)).powi(2).min(0.15) + backwards * backwards
            })
            .sum()
    };
    let best = (0..120)
        .map(|i| f64::from(i) * std::f64::consts::TAU / 120.0)
        .min_by(|a, b| cost(*a).total_cmp(&cost(*b)))
        .unwrap_or(0.0);
    UnitQuaternion::from_axis_angle(&Vector3::z_axis(), best)
}

/// One window's part of the normal equations.
struct WindowPart {
    own: Matrix3<f64>,
    coupling: Coupling,
    vector: Vector3<f64>,
}

/// The normal equations: an arrow of the shared unknowns and each window's own.
struct Normal {
    shared: SharedMatrix,
    vector: SharedVector,
    parts: Vec<WindowPart>,
    rms: f64,
    robust_rms: f64,
}

impl Normal {
    /// Priors and residuals where the estimate stands.
    fn at(windows: &[&JointWindow], state: &State, residual_sd: f64, params: &JointParams) -> Normal {
        let mut normal = Normal::of_priors(state, params);
        let mut all = Vec::new();
        for (k, window) in windows.iter().enumerate() {
            let weight = (params.spacing_s / window.correlation_s).min(1.0) / residual_sd.powi(2);
            for t_s in instants(window, params.spacing_s) {
                let (residual, shared, own) = residual_row(window, t_s, state, k);
                all.push(residual.abs());
                let robust = (2.0 * residual_sd / residual.abs().max(1e-12)).min(1.0);
                normal.add(k, residual, &shared, &own, weight * robust);
            }
        }
        all.sort_by(f64::total_cmp);
        normal.rms = (all.iter().map(|r| r * r).sum::<f64>() / all.len().max(1) as f64).sqrt();
        // Median of absolute values over 0.6745 is the standard deviation of normal residuals.
        normal.robust_rms = all.get(all.len() / 2).map_or(normal.rms, |median| median / 0.6745);
        normal
    }

    fn of_priors(state: &State, params: &JointParams) -> Normal {
        let JointParams { axes_sd, offset_sd_s, skew_sd, bias_sd, level_sd, .. } = *params;
        let joint_sd = [axes_sd, axes_sd, axes_sd, axes_sd, offset_sd_s, skew_sd];
        let information = |sd: f64| 1.0 / (sd * sd);
        let shared = SharedVector::from_fn(|i, _| information(joint_sd.get(i).copied().unwrap_or(bias_sd)));
        // The heading between two nodes is free; their levels are not.
        let own = Vector3::new(level_sd, level_sd, 10.0).map(information);
        let part = |moved: &Vector3<f64>| WindowPart {
            own: Matrix3::from_diagonal(&own),
            coupling: Coupling::zeros(),
            vector: -own.component_mul(moved),
        };
        Normal {
            shared: SharedMatrix::from_diagonal(&shared),
            vector: -shared.component_mul(&state.shared_moved),
            parts: state.window_moved.iter().map(part).collect(),
            rms: 0.0,
            robust_rms: 0.0,
        }
    }

    fn add(&mut self, window: usize, residual: f64, shared: &SharedVector, own: &Vector3<f64>, weight: f64) {
        self.shared += shared * shared.transpose() * weight;
        self.vector -= shared * (weight * residual);
        let part = &mut self.parts[window];
        part.own += own * own.transpose() * weight;
        part.coupling += shared * own.transpose() * weight;
        part.vector -= own * (weight * residual);
    }

    /// Each window's own inverse, and its coupling times that.
    fn eliminated(&self) -> Vec<(Matrix3<f64>, Coupling)> {
        let inverse = |part: &WindowPart| part.own.try_inverse().unwrap_or_else(Matrix3::zeros);
        self.parts.iter().map(|part| (inverse(part), part.coupling * inverse(part))).collect()
    }

    /// What is left for the shared unknowns when each window's own are eliminated (Schur complement).
    fn reduced(&self, eliminated: &[(Matrix3<f64>, Coupling)]) -> (SharedMatrix, SharedVector) {
        let parts = self.parts.iter().zip(eliminated);
        parts.fold((self.shared, self.vector), |(matrix, vector), (part, (_, through))| {
            (matrix - through * part.coupling.transpose(), vector - through * part.vector)
        })
    }

    /// The step: of the shared unknowns, and of each window's own.
    fn solve(&self) -> Option<(SharedVector, Vec<Vector3<f64>>)> {
        let eliminated = self.eliminated();
        let (matrix, vector) = self.reduced(&eliminated);
        let shared = matrix.cholesky()?.solve(&vector);
        let own = |(part, (inverse, _)): (&WindowPart, &(Matrix3<f64>, Coupling))| {
            inverse * (part.vector - part.coupling.transpose() * shared)
        };
        Some((shared, self.parts.iter().zip(&eliminated).map(own).collect()))
    }

    /// Covariances: of the shared unknowns, and of each window's own with them. Where the equations cannot be
    /// solved nothing was learnt, and the priors stand.
    fn covariances(&self) -> (SharedMatrix, Vec<(Matrix3<f64>, Coupling)>) {
        let eliminated = self.eliminated();
        let (matrix, _) = self.reduced(&eliminated);
        let shared = matrix.cholesky().map_or_else(SharedMatrix::identity, |factor| factor.inverse());
        let window = |(inverse, through): &(Matrix3<f64>, Coupling)| {
            let with_shared = -(shared * through);
            (inverse - through.transpose() * with_shared, with_shared)
        };
        let windows = eliminated.iter().map(window).collect();
        (shared, windows)
    }
}

/// Residual at one instant and its derivatives by the shared unknowns and by the window's own.
fn residual_row(
    window: &JointWindow,
    t_s: f64,
    state: &State,
    k: usize,
) -> (f64, SharedVector, Vector3<f64>) {
    let there_s = state.clock.forearm_s(t_s);
    let (forearm_turn, hand_turn) = (window.forearm.turn_at(there_s), window.hand.turn_at(t_s));
    let (forearm, forearm_rate) = window.forearm.at(there_s);
    let forearm = UnitQuaternion::from_scaled_axis(-(forearm_turn * state.bias_changes.forearm)) * forearm;
    let hand =
        UnitQuaternion::from_scaled_axis(-(hand_turn * state.bias_changes.hand)) * window.hand.at(t_s).0;
    let hand = state.starts[k] * hand;
    let flexion = forearm * state.axes.flexion_in_forearm.into_inner();
    let deviation = hand * state.axes.deviation_in_hand.into_inner();
    let e1 = tangents(&state.axes.flexion_in_forearm);
    let e2 = tangents(&state.axes.deviation_in_hand);
    let by_offset = (forearm * forearm_rate).cross(&flexion).dot(&deviation);
    let by_start = deviation.cross(&flexion);
    let by_hand_bias = -(hand_turn.transpose() * (state.starts[k].inverse() * by_start));
    let by_forearm_bias = forearm_turn.transpose() * by_start;
    let mut shared = SharedVector::zeros();
    shared[0] = (forearm * e1.column(0).into_owned()).dot(&deviation);
    shared[1] = (forearm * e1.column(1).into_owned()).dot(&deviation);
    shared[2] = flexion.dot(&(hand * e2.column(0).into_owned()));
    shared[3] = flexion.dot(&(hand * e2.column(1).into_owned()));
    shared[4] = by_offset;
    shared[5] = by_offset * (t_s - state.clock.reference_s);
    shared.fixed_rows_mut::<3>(JOINT).copy_from(&by_hand_bias);
    shared.fixed_rows_mut::<3>(JOINT + 3).copy_from(&by_forearm_bias);
    (flexion.dot(&deviation), shared, by_start)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fusion::series::Reading;
    use nalgebra::Rotation3;

    /// A wrist that moves about both axes on an arm that turns, seen by two sensors with known mounting.
    struct Wrist {
        forearm_from_sensor: UnitQuaternion<f64>,
        hand_from_sensor: UnitQuaternion<f64>,
        clock: ClockMap,
    }

    fn euler(roll: f64, pitch: f64, yaw: f64) -> UnitQuaternion<f64> {
        UnitQuaternion::from_rotation_matrix(&Rotation3::from_euler_angles(roll, pitch, yaw))
    }

    impl Wrist {
        fn world_from_forearm(t_s: f64) -> UnitQuaternion<f64> {
            let s = smooth(t_s);
            euler(1.2 + 0.5 * (1.1 * s).sin(), 0.7 * (0.9 * s).sin(), 1.5 * (0.6 * s).sin())
        }

        fn world_from_hand(t_s: f64) -> UnitQuaternion<f64> {
            let s = smooth(t_s);
            let flexion = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), 0.6 * (2.3 * s).sin());
            let ulnar = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), 0.4 * (1.7 * s).sin());
            Wrist::world_from_forearm(t_s) * flexion * ulnar
        }

        fn readings(
            pose: impl Fn(f64) -> UnitQuaternion<f64>,
            mount: UnitQuaternion<f64>,
            to_world: impl Fn(f64) -> f64,
        ) -> Vec<Reading> {
            (0..2500)
                .map(|i| {
                    let t_s = 100.0 + f64::from(i) * 0.004;
                    let at = to_world(t_s);
                    let sensor = |t: f64| pose(t) * mount;
                    let rate = (sensor(at - 1e-4).inverse() * sensor(at + 1e-4)).scaled_axis() / 2e-4;
                    Reading { t_s, rate, force_g: sensor(at).inverse() * Vector3::z(), clipped: false }
                })
                .collect()
        }

        fn window(&self) -> JointWindow {
            let zero = Vector3::zeros();
            let hand = Wrist::readings(Wrist::world_from_hand, self.hand_from_sensor, |t| t - 100.0);
            let clock = self.clock;
            let forearm = Wrist::readings(Wrist::world_from_forearm, self.forearm_from_sensor, |t| {
                clock.hand_s(t) - 100.0
            });
            JointWindow {
                hand: Track::from_stillest(&hand, &zero, 0.0, 101.0).unwrap(),
                forearm: Track::from_stillest(&forearm, &zero, 0.0, 101.0).unwrap(),
                from_s: 100.2,
                to_s: 109.5,
                correlation_s: 0.1,
            }
        }
    }

    /// Still for a second, then on with time.
    fn smooth(t_s: f64) -> f64 {
        let u = (t_s - 1.0).max(0.0);
        u * u / (1.0 + u)
    }

    #[test]
    fn axes_clock_and_start_are_found_from_the_motion() {
        let clock = ClockMap { offset_s: 0.004, skew: 0.0, reference_s: 105.0 };
        let wrist = Wrist {
            forearm_from_sensor: euler(0.1, -0.12, 0.05),
            hand_from_sensor: euler(-0.08, 0.1, 0.15),
            clock,
        };
        let axis = |q: UnitQuaternion<f64>, v: Vector3<f64>| Unit::new_normalize(q.inverse() * v);
        let truth = WristAxes {
            flexion_in_forearm: axis(wrist.forearm_from_sensor, Vector3::z()),
            deviation_in_hand: axis(wrist.hand_from_sensor, Vector3::x()),
            long_in_forearm: axis(wrist.forearm_from_sensor, Vector3::y()),
            long_in_hand: axis(wrist.hand_from_sensor, Vector3::y()),
        };
        let first = WristAxes {
            flexion_in_forearm: Vector3::z_axis(),
            deviation_in_hand: Vector3::x_axis(),
            long_in_forearm: Vector3::y_axis(),
            long_in_hand: Vector3::y_axis(),
        };
        // The sensors are ideal, so their residuals may be believed further than those of real ones.
        let params = JointParams { residual_floor: 0.02_f64.to_radians(), ..JointParams::default() };
        let clock = ClockMap { reference_s: 105.0, ..ClockMap::IDENTITY };
        let found = estimate(&[&wrist.window()], &first, &clock, &params);
        let before = first.flexion_in_forearm.angle(&truth.flexion_in_forearm).to_degrees();
        let off = found.axes.flexion_in_forearm.angle(&truth.flexion_in_forearm).to_degrees();
        assert!(before > 6.0 && off < 0.15, "flexion axis {before}° to {off}°");
        let off = found.axes.deviation_in_hand.angle(&truth.deviation_in_hand).to_degrees();
        assert!(off < 0.15, "deviation axis {off}°");
        assert!((found.clock.offset_s - 0.004).abs() < 1e-4, "{:?}", found.clock);
        assert!(found.residual_rms.to_degrees() < 0.02, "{}", found.residual_rms.to_degrees());
    }
}
