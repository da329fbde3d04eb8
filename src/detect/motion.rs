//! How arm and hand move through a swing: what speeds are worked out from.

use super::candidate::Candidate;
use super::cuff::Cuff;
use super::episode::Episode;
use super::measure::{Instants, WristKnowledge};
use crate::fusion::both_ends::NodeCovariance;
use crate::fusion::errors::{GYRO, NODE};
use crate::fusion::joint::TISSUE;
use crate::fusion::mend::mend;
use crate::fusion::series::{Reading, between, step_over_s};
use crate::fusion::strapdown::tilt_by_acc_bias;
use crate::units::{DeviceTime, GRAVITY_MPS2};
use nalgebra::{Matrix3, SMatrix, Unit, UnitQuaternion, Vector3};

/// Before the top so long, and after the ball so long, every reading is kept, s; …
const FULL_BEFORE_TOP_S: f64 = 0.1;
const FULL_AFTER_BALL_S: f64 = 0.04;
/// … before and after that one in so many seconds, …
const SPARSE_S: f64 = 0.01;
/// … until so long after the ball, s: a wrist may stay flat for a quarter of a second.
const AFTER_BALL_S: f64 = 0.3;
/// Where nothing was read about the ball for longer than this, s, no bridge tells the rates there: hand and arm change
/// theirs by several rad/s in it (judgement).
const LONGEST_AT_BALL_S: f64 = 0.06;
/// Share of the accelerometer's full scale from which it counts as clipped.
const CLIPPED_FROM: f64 = 0.999;
/// Points of the motion and readings are the same within this, s.
const SAME_S: f64 = 0.0005;
/// Entries of an accelerometer's matrix (scale, alignment) are so much worse known than those of the gyro beside it,
/// which the swings show: parts of one make are trimmed alike (judgement); …
const MATRIX_FACTOR: f64 = 2.5;
/// … and no better than this, shares.
const MATRIX_LEAST_SD: f64 = 0.001;
/// A player sways at address: the forces there are from gravity's direction by what the node turns in so much time, s, …
const SWAY_S: f64 = 0.2;
/// … and the node moves so fast, per axis, m/s (both judgement).
const SWAY_MPS: f64 = 0.02;

/// One instant. Vectors stand in one level frame (z up, any heading) for the whole swing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MotionPoint {
    /// When, on the hand node's clock.
    pub t: DeviceTime,
    /// Direction of the forearm's long axis, towards the hand.
    pub arm: Vector3<f64>,
    /// Angular rate of the forearm, rad/s.
    pub arm_rate_rps: Vector3<f64>,
    /// The hand segment (x volar, y proximal).
    pub level_from_hand: UnitQuaternion<f64>,
    /// Angular rate of the hand, rad/s.
    pub hand_rate_rps: Vector3<f64>,
    /// Velocity of the hand's node from its accelerometer, m/s; missing from the ball on, since the shock spoils it.
    pub node_velocity_mps: Option<Vector3<f64>>,
    /// Where the accelerometer stands at its full scale: the direction of that axis (of the one that is largest). Along
    /// it the velocity is summed up from too little.
    pub clipped_along: Option<Unit<Vector3<f64>>>,
}

/// The motion from takeaway to shortly after the ball; empty with the hand node alone.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SwingMotion {
    /// In order of time: sparse in the backswing, every reading from shortly before the top on.
    pub points: Vec<MotionPoint>,
    /// The ball, or where it would be: the arm back at its address angle. None where too little was read about it to tell
    /// how anything moved there.
    pub ball: Option<DeviceTime>,
    /// Where the lead arm passes the horizontal in the downswing.
    pub arm_horizontal: Option<DeviceTime>,
    /// Standard deviation of the node's velocity at the ball, per axis, clipping left out, m/s.
    pub velocity_sd_mps: f64,
    /// Covariance of the node's place at the ball against the address, which that velocity adds up to, in the level
    /// frame, m²: a tilted frame moves it along the level more than in height, and along the swing more than across.
    pub place_m2: Matrix3<f64>,
    /// How far the hand may be turned at the ball by what was mended since address, rad (standard deviation).
    pub mended_sd: f64,
    /// How far the arm's direction in the cuff may be off, about each axis across it, rad (standard deviation): a wrong
    /// one takes some of the roll for swinging.
    pub arm_axis_sd: f64,
    /// What cuff and hand node may each be turned by the wrist besides what was given back: share of its bend (standard
    /// deviation).
    pub tissue_sd: f64,
    /// The sign of the ISB mirror rule.
    pub lead_arm_sign: f64,
    /// Angle between the hand's long axis and the shaft, towards the thumb, rad.
    pub grip: f64,
}

/// The hand node's velocity by its accelerometer, at its readings.
struct Velocity {
    t_s: Vec<f64>,
    mps: Vec<Vector3<f64>>,
    /// Readings at full scale, with the axis that is.
    clipped: Vec<(f64, Unit<Vector3<f64>>)>,
    sd_mps: f64,
    place_m2: Matrix3<f64>,
}

/// What velocity and place answer to: the node's errors, the entries of its accelerometer's matrix, and the tilt of the
/// level frame at address.
const UNKNOWNS: usize = NODE + 9 + 3;
type Answer = SMatrix<f64, 3, UNKNOWNS>;

/// How specific force in the level frame answers to what may be wrong, g; the order is that of [`UNKNOWNS`].
fn answer(candidate: &Candidate, reading: &Reading) -> Answer {
    let track = &candidate.hand;
    let level_from_sensor = track.at(reading.t_s).0;
    let level = level_from_sensor.to_rotation_matrix().into_inner();
    let force = level_from_sensor * reading.force_g;
    let still = &track.still_level_from_sensor;
    let (still_force, tilt) = (still.inverse() * Vector3::z(), tilt_by_acc_bias(still));
    // A frame that is turned by θ has the force turned by θ, which is −[force]× θ.
    let turned = -force.cross_matrix();
    let mut answer = Answer::zeros();
    answer.fixed_columns_mut::<GYRO>(0).copy_from(&(turned * track.sensitivity_at(reading.t_s)));
    // What an accelerometer reads too much in the still pose has tilted the frame the other way.
    let tilted = turned * tilt;
    let by_bias = level - tilted;
    answer.fixed_columns_mut::<3>(GYRO).copy_from(&by_bias);
    // Along gravity what it reads too much at rest is known: there is 1 g.
    let known = level * still_force;
    for row in 0..3 {
        let at_rest = tilted.column(row) + known * still_force[row];
        let by_row = level.column(row) * reading.force_g.transpose() - at_rest * still_force.transpose();
        answer.fixed_columns_mut::<3>(NODE + 3 * row).copy_from(&by_row);
    }
    answer.fixed_columns_mut::<3>(NODE + 9).copy_from(&turned);
    answer
}

/// Covariance that the unknowns leave; `tilt_sd` is that of the address, rad.
fn spread(answer: &Answer, of_node: &NodeCovariance, tilt_sd: f64) -> Matrix3<f64> {
    let node = answer.fixed_columns::<NODE>(0);
    let matrix = answer.fixed_columns::<9>(NODE);
    // The heading of the address is nobody's, so only turns about level axes are errors.
    let tilt = answer.fixed_columns::<2>(NODE + 9);
    let gyro_matrix = of_node.fixed_view::<9, 9>(3, 3).trace() / 9.0;
    let matrix_sd = MATRIX_LEAST_SD.hypot(MATRIX_FACTOR * gyro_matrix.max(0.0).sqrt());
    // What the matrix adds at the poses of a swing is taken for a bias, which it is no more at other poses: 1 g of it.
    let bias = answer.fixed_columns::<3>(GYRO);
    node * of_node * node.transpose()
        + bias * bias.transpose() * (matrix_sd * matrix_sd)
        + matrix * matrix.transpose() * (matrix_sd * matrix_sd)
        + tilt * tilt.transpose() * (tilt_sd * tilt_sd)
}

/// How velocity, m/s, and place, m, at the last reading answer, summed up from the first one on.
fn answered(candidate: &Candidate, readings: &[Reading]) -> [Answer; 2] {
    let [mut velocity, mut place] = [Answer::zeros(); 2];
    let mut before: Option<(f64, Answer)> = None;
    for reading in readings {
        let now = answer(candidate, reading) * GRAVITY_MPS2;
        if let Some((before_s, before)) = before {
            let step_s = reading.t_s - before_s;
            velocity += (before + now) * (0.5 * step_s);
            place += velocity * step_s;
        }
        before = Some((reading.t_s, now));
    }
    [velocity, place]
}

/// The axis along which a reading of the accelerometer stands at its full scale, if it does.
pub(super) fn clipped_axis(reading: &Reading, full_scale_g: f64) -> Option<usize> {
    let axis = reading.force_g.iamax();
    (reading.force_g[axis].abs() >= CLIPPED_FROM * full_scale_g).then_some(axis)
}

/// The readings at full scale, each with the axis that is, in the level frame.
fn clipped(
    candidate: &Candidate,
    wrist: &WristKnowledge,
    used: &[Reading],
) -> Vec<(f64, Unit<Vector3<f64>>)> {
    let at_full_scale = |reading: &Reading| {
        let axis = clipped_axis(reading, candidate.episode.hand_full_scale_g)?;
        let along = candidate.hand.at(reading.t_s).0 * Vector3::ith(axis, 1.0);
        Some((reading.t_s, wrist.start * Unit::new_unchecked(along)))
    };
    used.iter().filter_map(at_full_scale).collect()
}

/// From rest at address to the ball. Gravity is the standard one along the level frame's z: what the forces of the
/// address itself come to has the sway of a few tenths of a second in it, which would be summed up over a second.
fn velocity(candidate: &Candidate, wrist: &WristKnowledge, instants: &Instants) -> Option<Velocity> {
    // Mended without what comes after the ball: that has the shock in it.
    let used = mend(between(&candidate.episode.hand, instants.address_s.0, instants.ball_s));
    let (used, force_variance) = (&used.readings[..], used.force_variance);
    if used.len() <= 10 {
        return None;
    }
    let offset = candidate.errors.hand.acc_bias_g;
    // Gravity is taken off in the node's own level frame: its accelerometer's errors have tilted that frame, and so
    // mostly cancel, while the joint's start also has the forearm's tilt and the joint's own errors in it.
    let force =
        |reading: &Reading| candidate.hand.at(reading.t_s).0 * (reading.force_g - offset) * GRAVITY_MPS2;
    let forces: Vec<Vector3<f64>> = used.iter().map(force).collect();
    let at_address = used.partition_point(|reading| reading.t_s <= instants.address_s.1).max(2);
    let gravity = Vector3::new(0.0, 0.0, GRAVITY_MPS2);
    let mut mps = vec![Vector3::zeros()];
    let mut sum = Vector3::zeros();
    for i in 1..used.len() {
        let step_s = used[i].t_s - used[i - 1].t_s;
        sum += ((forces[i - 1] + forces[i]) * 0.5 - gravity) * step_s;
        mps.push(sum);
    }
    let rest = mps[..at_address].iter().sum::<Vector3<f64>>() / at_address as f64;
    mps.iter_mut().for_each(|velocity| *velocity = wrist.start * (*velocity - rest));
    let lasted_s = instants.ball_s - instants.address_s.1;
    let [of_node, _] = wrist.node_covariances();
    let (mended_mps, mended_m) = of_mending(candidate, used, &forces, &force_variance);
    let tilt_sd = SWAY_S * candidate.hand.still_rms;
    // From the last reading of the address on.
    let [velocity_m2ps2, place_m2] =
        answered(candidate, &used[at_address - 1..]).map(|answer| spread(&answer, &of_node, tilt_sd));
    let start = wrist.start.to_rotation_matrix().into_inner();
    Some(Velocity {
        t_s: used.iter().map(|reading| reading.t_s).collect(),
        mps,
        clipped: clipped(candidate, wrist, used),
        sd_mps: (velocity_m2ps2.trace() / 3.0).max(0.0).sqrt().hypot(SWAY_MPS).hypot(mended_mps),
        place_m2: start * place_m2 * start.transpose()
            + Matrix3::identity() * ((SWAY_MPS * lasted_s).powi(2) + mended_m.powi(2)),
    })
}

/// How far the velocity, m/s, and the place, m, at the last reading may be off per axis for what was mended: the force over
/// a gap, and the turn since address by which all forces after it lie askew.
fn of_mending(
    candidate: &Candidate,
    used: &[Reading],
    forces: &[Vector3<f64>],
    force_variance: &[f64],
) -> (f64, f64) {
    let last_s = used.last().map_or(0.0, |last| last.t_s);
    let [mut askew_mps, mut askew_m] = [Vector3::zeros(); 2];
    let (mut mps2, mut m2) = (0.0, 0.0);
    for i in 1..used.len() {
        let step_s = used[i].t_s - used[i - 1].t_s;
        askew_mps += forces[i] * (mended_sd(candidate, used[i].t_s) * step_s);
        askew_m += askew_mps * step_s;
        let pushed_m2ps2 = force_variance[i] * (GRAVITY_MPS2 * GRAVITY_MPS2);
        mps2 += pushed_m2ps2;
        m2 += pushed_m2ps2 * (last_s - used[i].t_s).powi(2);
    }
    // A force that is turned is off along two axes.
    let per_axis = |squared: f64, askew: Vector3<f64>| (squared + 0.5 * askew.norm_squared()).sqrt();
    (per_axis(mps2, askew_mps), per_axis(m2, askew_m))
}

/// How far the hand may be turned at an instant by what was mended since address, rad.
fn mended_sd(candidate: &Candidate, at_s: f64) -> f64 {
    candidate.hand.mended_variance_between(candidate.hand.still_s.1, at_s).max(0.0).sqrt()
}

impl Velocity {
    fn clipped_at(&self, t_s: f64) -> Option<Unit<Vector3<f64>>> {
        let near = |(clipped_s, _): &&(f64, Unit<Vector3<f64>>)| (clipped_s - t_s).abs() < SAME_S;
        self.clipped.iter().find(near).map(|(_, along)| *along)
    }

    fn at(&self, t_s: f64) -> Option<Vector3<f64>> {
        let after = self.t_s.partition_point(|t| *t <= t_s);
        let before = after.checked_sub(1)?;
        if t_s == self.t_s[before] {
            return Some(self.mps[before]);
        }
        let (t0, v0, t1, v1) =
            (self.t_s[before], self.mps[before], self.t_s.get(after)?, self.mps.get(after)?);
        Some(v0 + (v1 - v0) * ((t_s - t0) / (t1 - t0)))
    }
}

/// The arm's direction in the cuff is the long axis, laid across the flexion axis: one way it is off as the long axis
/// is, the other way as the flexion axis is. Rad.
fn arm_axis_sd(wrist: &WristKnowledge) -> f64 {
    let flexion_axis = 0.5 * (wrist.covariance[(0, 0)] + wrist.covariance[(1, 1)]).max(0.0);
    (0.5 * (wrist.long_axis_sd.powi(2) + flexion_axis)).sqrt()
}

/// Whether both nodes were read about the ball, as far as rates there can be told.
fn ball_seen(candidate: &Candidate, wrist: &WristKnowledge, ball_s: f64) -> bool {
    let Episode { hand, forearm, .. } = &candidate.episode;
    step_over_s(hand, ball_s).max(step_over_s(forearm, wrist.clock.forearm_s(ball_s))) <= LONGEST_AT_BALL_S
}

/// The motion of a swing. `grip` and `lead_arm_sign` as the measurement has them.
pub(super) fn motion(
    candidate: &Candidate,
    wrist: &WristKnowledge,
    instants: &Instants,
    (lead_arm_sign, grip): (f64, f64),
) -> SwingMotion {
    if candidate.hand_alone {
        return SwingMotion { lead_arm_sign, grip, ..SwingMotion::default() };
    }
    let velocity = velocity(candidate, wrist, instants);
    let sensor_from_hand = wrist.axes.hand_from_sensor().inverse();
    let mut cuff = Cuff::on(wrist);
    let arm = &candidate.arm;
    let mut points = Vec::new();
    let mut next_s = instants.takeaway_s;
    for (i, t_s) in arm.t_s.iter().copied().enumerate() {
        let full_s = instants.top_s - FULL_BEFORE_TOP_S..=instants.ball_s + FULL_AFTER_BALL_S;
        if t_s < next_s || t_s > instants.ball_s + AFTER_BALL_S {
            continue;
        }
        next_s = if full_s.contains(&t_s) { t_s } else { t_s + SPARSE_S };
        let (hand, hand_rate) = candidate.hand.at(t_s);
        let (forearm, forearm_rate) = candidate.forearm.at(wrist.clock.forearm_s(t_s));
        // Half of what soft tissue hides is the hand's, the other half the cuff's.
        let level = wrist.start * hand;
        let (turn, turn_rate) = cuff.turned(t_s, (&forearm, &forearm_rate), (&level, &hand_rate));
        points.push(MotionPoint {
            t: DeviceTime::at_seconds(t_s),
            arm: arm.distal[i],
            arm_rate_rps: arm.swing_rate[i] - arm.distal[i] * (lead_arm_sign * arm.roll_rate[i]),
            level_from_hand: UnitQuaternion::from_scaled_axis(turn) * level * sensor_from_hand,
            hand_rate_rps: level * hand_rate + turn_rate,
            node_velocity_mps: velocity.as_ref().and_then(|velocity| velocity.at(t_s)),
            clipped_along: velocity.as_ref().and_then(|velocity| velocity.clipped_at(t_s)),
        });
    }
    SwingMotion {
        points,
        ball: ball_seen(candidate, wrist, instants.ball_s).then(|| DeviceTime::at_seconds(instants.ball_s)),
        arm_horizontal: candidate.phases.arm_horizontal_s.map(DeviceTime::at_seconds),
        velocity_sd_mps: velocity.as_ref().map_or(f64::INFINITY, |velocity| velocity.sd_mps),
        place_m2: velocity.map_or_else(Matrix3::zeros, |velocity| velocity.place_m2),
        mended_sd: mended_sd(candidate, instants.ball_s),
        arm_axis_sd: arm_axis_sd(wrist),
        tissue_sd: 0.5 * wrist.covariance[(TISSUE, TISSUE)].max(0.0).sqrt(),
        lead_arm_sign,
        grip,
    }
}
