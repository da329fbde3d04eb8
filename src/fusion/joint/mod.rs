//! The wrist as a joint with two axes: a batch estimate, over any number of windows, of the axes in the
//! sensors' frames, of the clock between the nodes, of what is wrong with the sensors, and of the relative
//! orientation at each start.
//!
//! The flexion axis, fixed in the forearm, and the deviation axis, fixed in the hand, stay perpendicular
//! whatever the wrist does (orientation-based constraint of a two-axis joint: Laidig et al. 2019; Laidig,
//! Weygers & Seel 2022, Sensors 22:9850). Every instant of every window gives one residual, the cosine of
//! the angle between them; what each node's own stillnesses say about its sensors comes on top.
//! Gauss-Newton with robust weights drives the residuals to zero.

pub mod relative;
mod system;

use super::clock::ClockMap;
use super::clock_bends::BENDS;
use super::errors::{GloveErrors, NODE, NodeErrors};
use super::self_calibration::Evidence;
use super::soft_tissue::SoftTissue;
use super::track::Track;
use super::wrist::WristAxes;
use nalgebra::{Matrix3, Matrix3x2, SMatrix, SVector, Unit, UnitQuaternion, Vector3};
use system::{Looked, Normal, Prior};

/// Unknowns of the axes, two each; they come first.
pub const AXES: usize = 4;
/// Where the clock's offset stands among the unknowns, its skew and its bends after it.
pub const CLOCK: usize = AXES;
/// Where the share that soft tissue hides stands.
pub const TISSUE: usize = CLOCK + 2 + BENDS;
/// Unknowns of the joint itself: axes, clock, soft tissue.
pub const JOINT: usize = TISSUE + 1;
/// Unknowns shared by all windows: those of the joint, then the errors of hand and forearm node.
pub const SHARED: usize = JOINT + 2 * NODE;
/// Unknowns of a window: the relative start orientation.
pub const OWN: usize = 3;
/// Unknowns that bear on one window.
pub const UNKNOWNS: usize = SHARED + OWN;

/// No more of a window than this is looked at, s.
const LONGEST_WINDOW_S: f64 = 60.0;
/// Steps before the residuals, and the gyros' matrices, tell of their own spread.
const FIRST_STEPS: usize = 1;
/// A step smaller than this in every unknown is the last (rad, s, g alike).
const SMALL_STEP: f64 = 1e-6;

/// Settings of the estimate. Angles in rad, times in s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JointParams {
    /// How far the axes may lie from where the search starts (standard deviation).
    pub axes_sd: f64,
    /// How far the clock offset may lie from where the search starts.
    pub offset_sd_s: f64,
    /// How far the clocks' skew may lie from zero.
    pub skew_sd: f64,
    /// How far the errors of a node may lie from what its tracks were made with.
    pub node_sd: NodeErrors,
    /// How far the levels of the two nodes may disagree besides, at one start.
    pub level_sd: f64,
    /// Residual expected before any was seen.
    pub residual_sd: f64,
    /// Least residual that is believed.
    pub residual_floor: f64,
    /// What is wrong with the residuals hangs together over so much turning …
    pub hangs_together: f64,
    /// … and over so much time where nothing turns.
    pub hangs_together_s: f64,
    /// White noise on top, as a share of the residuals' standard deviation.
    pub white_share: f64,
    /// Spacing of the residuals: so much turning …
    pub spacing: f64,
    /// … or so much time where nothing turns.
    pub spacing_s: f64,
    /// Gauss-Newton steps at most.
    pub iterations: usize,
}

impl Default for JointParams {
    /// Judgement, but for the sensors' errors.
    fn default() -> JointParams {
        JointParams {
            axes_sd: 12.0_f64.to_radians(),
            offset_sd_s: 0.02,
            skew_sd: 30e-6,
            node_sd: NodeErrors::TYPICAL,
            level_sd: 0.3_f64.to_radians(),
            residual_sd: 0.6_f64.to_radians(),
            residual_floor: 0.05_f64.to_radians(),
            hangs_together: 4.0,
            hangs_together_s: 2.0,
            white_share: 0.05,
            spacing: 0.15,
            spacing_s: 0.1,
            iterations: 8,
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
}

/// What the estimate says.
#[derive(Clone, Debug)]
pub struct JointEstimate {
    /// The axes.
    pub axes: WristAxes,
    /// The clock.
    pub clock: ClockMap,
    /// Share of the wrist's bend that soft tissue hides.
    pub tissue: f64,
    /// What comes on top of the errors that the tracks were made with.
    pub error_changes: GloveErrors,
    /// `forearm level from hand level` of each window, the level frames being those that the error changes
    /// give.
    pub starts: Vec<UnitQuaternion<f64>>,
    /// Root mean square residual, rad.
    pub residual_rms: f64,
    /// How far the axes lie from where the search started, two tangents each, rad.
    axes_moved: SVector<f64, AXES>,
    /// Covariance of the shared unknowns.
    shared_covariance: SharedMatrix,
    /// Of each window: covariance of its own unknowns, and of the shared ones with them.
    window_covariances: Vec<(Matrix3<f64>, Coupling)>,
}

type SharedMatrix = SMatrix<f64, SHARED, SHARED>;
type SharedVector = SVector<f64, SHARED>;
type Coupling = SMatrix<f64, SHARED, OWN>;

impl JointEstimate {
    /// Number of windows.
    #[must_use]
    pub fn windows(&self) -> usize {
        self.starts.len()
    }

    /// How far the axes lie from where the search started (two tangents of each), rad, and their covariance.
    #[must_use]
    pub fn axes_moved(&self) -> (SVector<f64, AXES>, SMatrix<f64, AXES, AXES>) {
        (self.axes_moved, self.shared_covariance.fixed_view::<AXES, AXES>(0, 0).into_owned())
    }

    /// Covariance of the unknowns that bear on one window: the shared ones, then its own.
    #[must_use]
    pub fn covariance(&self, window: usize) -> SMatrix<f64, UNKNOWNS, UNKNOWNS> {
        let (own, with_shared) = &self.window_covariances[window];
        let mut all = SMatrix::<f64, UNKNOWNS, UNKNOWNS>::zeros();
        all.fixed_view_mut::<SHARED, SHARED>(0, 0).copy_from(&self.shared_covariance);
        all.fixed_view_mut::<SHARED, OWN>(0, SHARED).copy_from(with_shared);
        all.fixed_view_mut::<OWN, SHARED>(SHARED, 0).copy_from(&with_shared.transpose());
        all.fixed_view_mut::<OWN, OWN>(SHARED, SHARED).copy_from(own);
        all
    }
}

/// Where the estimate stands between two steps.
#[derive(Clone)]
struct State {
    axes: WristAxes,
    clock: ClockMap,
    tissue: f64,
    errors: GloveErrors,
    starts: Vec<UnitQuaternion<f64>>,
    /// Sums of the steps so far: how far each unknown lies from where the search started.
    shared_moved: SharedVector,
    window_moved: Vec<Vector3<f64>>,
}

impl State {
    /// Where the search starts.
    fn first(windows: &[&JointWindow], axes: &WristAxes, clock: &ClockMap, tissue: &SoftTissue) -> State {
        let starts: Vec<_> = windows.iter().map(|window| first_start(window, axes, clock)).collect();
        State {
            axes: *axes,
            clock: *clock,
            tissue: tissue.share,
            errors: GloveErrors::default(),
            shared_moved: SharedVector::zeros(),
            window_moved: vec![Vector3::zeros(); starts.len()],
            starts,
        }
    }
}

/// What the nodes' own stillnesses say about their sensors.
#[derive(Clone, Debug, Default)]
pub struct GloveEvidence {
    /// Hand node.
    pub hand: Evidence,
    /// Forearm node.
    pub forearm: Evidence,
}

/// Estimates axes, clock, sensor errors and starts from `windows`, beginning at `axes` and `clock`.
///
/// Each window's own unknowns are eliminated before the shared ones are solved for (the matrix has the shape
/// of an arrow), so the cost grows with the number of windows and no faster.
#[must_use]
pub fn estimate(
    windows: &[&JointWindow],
    axes: &WristAxes,
    clock: &ClockMap,
    tissue: &SoftTissue,
    evidence: &GloveEvidence,
    params: &JointParams,
) -> JointEstimate {
    let clock = &about_all(windows, clock);
    let mut state = State::first(windows, axes, clock, tissue);
    let mut prior = Prior::new(tissue, clock.bends.half_span_s, evidence, params);
    let windows: Vec<Looked> = windows.iter().map(|window| Looked::at(window, params)).collect();
    let system = approach(&windows, &mut state, &mut prior, params);
    let (shared_covariance, window_covariances) = system.covariances(&prior);
    JointEstimate {
        axes: state.axes,
        clock: state.clock,
        tissue: state.tissue,
        error_changes: state.errors,
        starts: state.starts,
        residual_rms: system.rms,
        axes_moved: state.shared_moved.fixed_rows::<AXES>(0).into_owned(),
        shared_covariance,
        window_covariances,
    }
}

/// Steps until the unknowns move no more. The spread of the residuals, and of the gyros' matrices, is learnt on the way.
/// Gives the normal equations where the last step led to.
fn approach(windows: &[Looked], state: &mut State, prior: &mut Prior, params: &JointParams) -> Normal {
    let mut residual_sd = params.residual_sd;
    let mut system = Normal::at(windows, state, residual_sd, prior, params);
    for iteration in 0..params.iterations {
        let is_near = iteration >= FIRST_STEPS;
        if is_near {
            let freedom_lost = system.freedom_lost(prior, &system.covariances(prior));
            residual_sd = (system.robust_sd * freedom_lost).max(params.residual_floor);
        }
        // The first residuals' spread was a guess, which the gyros are not to be judged by.
        let is_judged = iteration > FIRST_STEPS;
        let step = if is_judged { system.learn(prior, &state.shared_moved) } else { system.solve() };
        let Some((shared, own)) = step else { break };
        take_step(state, &shared, &own);
        system = Normal::at(windows, state, residual_sd, prior, params);
        if is_judged && shared.amax() < SMALL_STEP {
            break;
        }
    }
    system
}

/// The clock as a straight line about the middle of the windows, to be bent over their span.
fn about_all(windows: &[&JointWindow], clock: &ClockMap) -> ClockMap {
    let from_s = windows.iter().map(|window| window.from_s).reduce(f64::min);
    let to_s = windows.iter().map(|window| window.to_s).reduce(f64::max);
    from_s.zip(to_s).map_or(*clock, |(from_s, to_s)| {
        clock.straight_about(0.5 * (from_s + to_s), 0.5 * (to_s - from_s).max(0.0))
    })
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

fn take_step(state: &mut State, shared: &SharedVector, own: &[Vector3<f64>]) {
    let axes = &mut state.axes;
    axes.flexion_in_forearm = moved_axis(&axes.flexion_in_forearm, shared[0], shared[1]);
    axes.deviation_in_hand = moved_axis(&axes.deviation_in_hand, shared[2], shared[3]);
    state.clock.offset_s += shared[CLOCK];
    state.clock.skew += shared[CLOCK + 1];
    state.clock.bends.by_s.iter_mut().zip(shared.iter().skip(CLOCK + 2)).for_each(|(bend, by)| *bend += by);
    state.tissue += shared[TISSUE];
    let node = |first: usize| NodeErrors::from_vector(&shared.fixed_rows::<NODE>(first).into_owned());
    state.errors = state.errors.plus(&GloveErrors { hand: node(JOINT), forearm: node(JOINT + NODE) });
    state.shared_moved += shared;
    for ((start, moved), turn) in state.starts.iter_mut().zip(&mut state.window_moved).zip(own) {
        *start = UnitQuaternion::from_scaled_axis(*turn) * *start;
        *moved += turn;
    }
}

/// Instants of a window at which residuals are taken, hand clock, s: so much turning apart, or so much time
/// where nothing turns.
fn instants(window: &JointWindow, spacing: f64, spacing_s: f64) -> Vec<f64> {
    let (mut kept, mut way): (Vec<f64>, f64) = (Vec::new(), 0.0);
    let until_s = window.to_s.min(window.from_s + LONGEST_WINDOW_S);
    let hand = &window.hand;
    for i in 1..hand.t_s.len() {
        let t_s = hand.t_s[i];
        if !(window.from_s..=until_s).contains(&t_s) {
            continue;
        }
        way += hand.rate[i].norm() * (t_s - hand.t_s[i - 1]);
        if way >= spacing || kept.last().is_none_or(|last| t_s - last >= spacing_s) {
            kept.push(t_s);
            way = 0.0;
        }
    }
    kept
}

/// How the scalar product of two vectors goes with a turn of the second about the vertical: its parts with the
/// heading's cosine and sine, and the one that stays.
struct ByHeading {
    cosine: f64,
    sine: f64,
    stays: f64,
}

impl ByHeading {
    fn of(a: &Vector3<f64>, b: &Vector3<f64>) -> ByHeading {
        ByHeading { cosine: a.x * b.x + a.y * b.y, sine: a.y * b.x - a.x * b.y, stays: a.z * b.z }
    }

    fn at(&self, (sine, cosine): (f64, f64)) -> f64 {
        self.cosine * cosine + self.sine * sine + self.stays
    }
}

/// The relative heading at which the axes stay nearest to perpendicular, the hand pointing the way of the
/// forearm rather than back.
fn first_start(window: &JointWindow, axes: &WristAxes, clock: &ClockMap) -> UnitQuaternion<f64> {
    let poses: Vec<(ByHeading, ByHeading)> = instants(window, 0.2, 0.1)
        .into_iter()
        .map(|t_s| {
            let (forearm, hand) = (window.forearm.at(clock.forearm_s(t_s)).0, window.hand.at(t_s).0);
            let product = |of_forearm: &Unit<Vector3<f64>>, of_hand: &Unit<Vector3<f64>>| {
                ByHeading::of(&(forearm * of_forearm.into_inner()), &(hand * of_hand.into_inner()))
            };
            (
                product(&axes.flexion_in_forearm, &axes.deviation_in_hand),
                product(&axes.long_in_forearm, &axes.long_in_hand),
            )
        })
        .collect();
    let cost = |heading: f64| -> f64 {
        let turn = heading.sin_cos();
        let cost_of = |(axes, along): &(ByHeading, ByHeading)| {
            let backwards = (0.5 - along.at(turn)).max(0.0);
            axes.at(turn).powi(2).min(0.15) + backwards * backwards
        };
        poses.iter().map(cost_of).sum()
    };
    let headings = (0..120).map(|i| f64::from(i) * std::f64::consts::TAU / 120.0);
    let best = headings.map(|heading| (cost(heading), heading)).min_by(|a, b| a.0.total_cmp(&b.0));
    UnitQuaternion::from_axis_angle(&Vector3::z_axis(), best.map_or(0.0, |(_, heading)| heading))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fusion::errors::NodeErrors;
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

        /// From 107.5 s on the hand's sensor reads no more than `full_scale`, rad/s.
        fn window(&self, full_scale: f64) -> JointWindow {
            let ideal = NodeErrors::default();
            let mut hand = Wrist::readings(Wrist::world_from_hand, self.hand_from_sensor, |t| t - 100.0);
            for reading in hand.iter_mut().filter(|r| r.t_s > 107.5 && r.rate.amax() > full_scale) {
                reading.clipped = true;
                reading.rate.apply(|rate| *rate = rate.clamp(-full_scale, full_scale));
            }
            let clock = self.clock;
            let forearm = Wrist::readings(Wrist::world_from_forearm, self.forearm_from_sensor, |t| {
                clock.hand_s(t) - 100.0
            });
            JointWindow {
                hand: Track::from_stillest(&hand, &ideal, 0.0, 101.0).unwrap(),
                forearm: Track::from_stillest(&forearm, &ideal, 0.0, 101.0).unwrap(),
                from_s: 100.2,
                to_s: 109.5,
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
        let found = check(f64::INFINITY, 0.15);
        assert!((found.clock.offset_s - 0.004).abs() < 1e-4, "{:?}", found.clock);
        assert!(found.residual_rms.to_degrees() < 0.02, "{}", found.residual_rms.to_degrees());
    }

    #[test]
    fn what_a_clipped_gyro_lost_does_not_spoil_the_axes() {
        check(0.2, 1.0);
    }

    /// Both axes are found within `within_deg`.
    fn check(full_scale: f64, within_deg: f64) -> JointEstimate {
        let clock = ClockMap::line(0.004, 0.0, 105.0);
        let wrist = Wrist {
            forearm_from_sensor: euler(0.1, -0.12, 0.05),
            hand_from_sensor: euler(-0.08, 0.1, 0.15),
            clock,
        };
        let axis = |q: UnitQuaternion<f64>, v: Vector3<f64>| Unit::new_normalize(q.inverse() * v);
        let flexion = axis(wrist.forearm_from_sensor, Vector3::z());
        let deviation = axis(wrist.hand_from_sensor, Vector3::x());
        let first = WristAxes {
            flexion_in_forearm: Vector3::z_axis(),
            deviation_in_hand: Vector3::x_axis(),
            long_in_forearm: Vector3::y_axis(),
            long_in_hand: Vector3::y_axis(),
        };
        // The sensors are ideal, so their residuals may be believed further than those of real ones.
        let params = JointParams { residual_floor: 0.02_f64.to_radians(), ..JointParams::default() };
        let clock = ClockMap::line(0.0, 0.0, 105.0);
        let (tissue, evidence) = (SoftTissue::UNSEEN, GloveEvidence::default());
        let found = estimate(&[&wrist.window(full_scale)], &first, &clock, &tissue, &evidence, &params);
        let before = first.flexion_in_forearm.angle(&flexion).to_degrees();
        let off = found.axes.flexion_in_forearm.angle(&flexion).to_degrees();
        assert!(before > 6.0 && off < within_deg, "flexion axis {before}° to {off}°");
        let off = found.axes.deviation_in_hand.angle(&deviation).to_degrees();
        assert!(off < within_deg, "deviation axis {off}°");
        found
    }
}
