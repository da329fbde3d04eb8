//! What a node's own stillnesses say about its sensors: between two still poses the gyro must turn gravity
//! from where the accelerometer saw it first to where it sees it then, and at rest gravity is 1 g. The idea
//! is that of Tedaldi, Pretto & Menegatti 2014 (ICRA, IMU calibration without external equipment); here as
//! a stream: reading in, least squares on, nothing kept but sums.

use super::errors::{GYRO, NODE, NodeErrors};
use super::series::Reading;
use super::strapdown;
use super::track::{Sensitivity, by_errors};
use nalgebra::{SMatrix, SVector, UnitQuaternion, Vector3};

/// Unknowns of a node, and the matrix of its accelerometer after them (9, row by row).
const ALL: usize = NODE + 9;

/// Settings of the evidence.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EvidenceParams {
    /// Length of a pose, s.
    pub pose_s: f64,
    /// Largest mean rate over a pose at rest, bias removed, rad/s.
    pub rest_rate_max: f64,
    /// How far a pose's specific force may be from 1 g, and from that of the pose before, g.
    pub rest_force_off_max_g: (f64, f64),
    /// A way between two poses says something once it has turned so far, rad …
    pub least_turn: f64,
    /// … and took no longer than this, s.
    pub longest_s: f64,
    /// How well a pose tells which way is up, rad: tremor, sway.
    pub up_sd: f64,
    /// How well a pose's specific force is 1 g, g.
    pub gravity_sd_g: f64,
    /// What the bias may wander within a way, rad/s.
    pub wander_sd: f64,
    /// Entries of the accelerometer's matrix (standard deviation).
    pub acc_matrix_sd: f64,
}

impl Default for EvidenceParams {
    fn default() -> EvidenceParams {
        EvidenceParams {
            pose_s: 0.3,
            rest_rate_max: 2.5_f64.to_radians(),
            rest_force_off_max_g: (0.05, 0.015),
            least_turn: 0.5,
            longest_s: 15.0,
            up_sd: 0.25_f64.to_radians(),
            gravity_sd_g: 0.003,
            wander_sd: 0.03_f64.to_radians(),
            acc_matrix_sd: 0.005,
        }
    }
}

/// Sums of a linear least squares over a node's errors.
#[derive(Clone, Debug, PartialEq)]
pub struct Evidence {
    information: SMatrix<f64, ALL, ALL>,
    vector: SVector<f64, ALL>,
    acc_matrix_sd: f64,
}

impl Default for Evidence {
    /// Nothing.
    fn default() -> Evidence {
        Evidence::nothing(EvidenceParams::default().acc_matrix_sd)
    }
}

impl Evidence {
    fn nothing(acc_matrix_sd: f64) -> Evidence {
        Evidence { information: SMatrix::zeros(), vector: SVector::zeros(), acc_matrix_sd }
    }

    /// What is left for the errors that a swing knows of, the accelerometer's matrix eliminated: information
    /// and vector of their normal equations.
    #[must_use]
    pub fn of_node(&self) -> (SMatrix<f64, NODE, NODE>, SVector<f64, NODE>) {
        let (all, v) = (&self.information, &self.vector);
        let prior = SMatrix::<f64, 9, 9>::identity() / (self.acc_matrix_sd * self.acc_matrix_sd);
        let rest = all.fixed_view::<9, 9>(NODE, NODE) + prior;
        let coupling = all.fixed_view::<NODE, 9>(0, NODE).into_owned();
        let Some(inverse) = rest.try_inverse() else { return (SMatrix::zeros(), SVector::zeros()) };
        let through = coupling * inverse;
        (
            all.fixed_view::<NODE, NODE>(0, 0) - through * coupling.transpose(),
            v.fixed_rows::<NODE>(0) - through * v.fixed_rows::<9>(NODE),
        )
    }

    /// Adds one residual with its derivatives; an outlier against what priors and noise allow counts less.
    fn add(&mut self, residual: f64, by: &SVector<f64, ALL>, sd: f64, prior_sd: &SVector<f64, ALL>) {
        let expected_sd = by.component_mul(prior_sd).norm().hypot(sd);
        let robust = (2.0 * expected_sd / residual.abs().max(1e-12)).min(1.0);
        let weight = robust / (sd * sd);
        self.information.ger(weight, by, by, 1.0);
        self.vector.axpy(-weight * residual, by, 1.0);
    }
}

/// A pose at rest, and the way from its end on.
#[derive(Clone, Copy, Debug)]
struct Way {
    /// Mean specific force of the pose in the sensor frame of its end.
    force_g: Vector3<f64>,
    anchor_from_sensor: UnitQuaternion<f64>,
    sensitivity: Sensitivity,
    turned: f64,
    gap_variance: f64,
    since_s: f64,
}

/// Sums over the pose that is being looked at.
#[derive(Clone, Copy, Debug)]
struct Slice {
    start_s: f64,
    rate: Vector3<f64>,
    /// Specific force in the sensor frame of the slice's start: a body sways, even at rest.
    force_g: Vector3<f64>,
    start_from_sensor: UnitQuaternion<f64>,
    count: f64,
}

impl Slice {
    fn starting(start_s: f64) -> Slice {
        Slice {
            start_s,
            rate: Vector3::zeros(),
            force_g: Vector3::zeros(),
            start_from_sensor: UnitQuaternion::identity(),
            count: 0.0,
        }
    }
}

/// Gathers the evidence of one node, reading by reading in order of time.
#[derive(Clone, Debug)]
pub struct SelfCalibration {
    params: EvidenceParams,
    prior_sd: SVector<f64, ALL>,
    evidence: Evidence,
    last: Option<Reading>,
    anchor: Option<Way>,
    slice: Option<Slice>,
    force_before_g: Option<Vector3<f64>>,
}

impl SelfCalibration {
    /// One that has seen nothing yet; `prior` holds the standard deviations of a node's errors.
    #[must_use]
    pub fn new(params: EvidenceParams, prior: &NodeErrors) -> SelfCalibration {
        let mut prior_sd = SVector::<f64, ALL>::repeat(params.acc_matrix_sd);
        prior_sd.fixed_rows_mut::<NODE>(0).copy_from(&prior.as_vector());
        SelfCalibration {
            params,
            prior_sd,
            evidence: Evidence::nothing(params.acc_matrix_sd),
            last: None,
            anchor: None,
            slice: None,
            force_before_g: None,
        }
    }

    /// What was gathered so far.
    #[must_use]
    pub fn evidence(&self) -> &Evidence {
        &self.evidence
    }

    /// The node's clock has started anew: the way that was being followed is lost.
    pub fn restart(&mut self) {
        (self.last, self.anchor, self.slice, self.force_before_g) = (None, None, None, None);
    }

    /// Takes the next reading, with the gyro bias that is known now, rad/s.
    pub fn push(&mut self, reading: &Reading, bias: &Vector3<f64>) {
        if let Some(last) = self.last.replace(*reading) {
            self.follow(&last, reading, bias);
        }
        let fresh = Slice::starting(reading.t_s);
        let slice = self.slice.get_or_insert(fresh);
        if !(0.0..self.params.pose_s).contains(&(reading.t_s - slice.start_s)) {
            let full = std::mem::replace(slice, fresh);
            self.close(&full, bias);
        }
        if let Some(slice) = &mut self.slice {
            slice.rate += reading.rate;
            slice.force_g += slice.start_from_sensor * reading.force_g;
            slice.count += 1.0;
        }
    }

    /// One step on the way from the anchor.
    fn follow(&mut self, last: &Reading, reading: &Reading, bias: &Vector3<f64>) {
        let dt_s = reading.t_s - last.t_s;
        let (from, to) = (last.rate - bias, reading.rate - bias);
        let mean = (from + to) * 0.5;
        let step = strapdown::step(&mean, &from, &to, dt_s);
        if let Some(slice) = &mut self.slice {
            slice.start_from_sensor *= step;
        }
        let Some(way) = &mut self.anchor else { return };
        // In a gap or where the gyro clips the rate may have done what it liked.
        let unseen = if last.clipped || reading.clipped { 0.2 * mean.norm() } else { 0.0 };
        let gap = if dt_s > 0.02 { 0.5 * (to - from).norm() } else { 0.0 };
        way.gap_variance += ((unseen + gap) * dt_s).powi(2);
        way.sensitivity += by_errors(&way.anchor_from_sensor, &mean) * dt_s;
        way.anchor_from_sensor *= step;
        way.turned += mean.norm() * dt_s;
    }

    /// A slice is full: where it was at rest, the way that ends here is evidence, and a new one begins.
    fn close(&mut self, slice: &Slice, bias: &Vector3<f64>) {
        let force_g = slice.force_g / slice.count;
        let before_g = self.force_before_g.replace(force_g);
        let (off_g, step_g) = self.params.rest_force_off_max_g;
        let at_rest = (slice.rate / slice.count - bias).norm() < self.params.rest_rate_max
            && (force_g.norm() - 1.0).abs() < off_g
            && before_g.is_some_and(|before_g| (force_g - before_g).norm() < step_g);
        if !at_rest {
            return;
        }
        let now_s = slice.start_s + self.params.pose_s;
        if let Some(way) = self.anchor.take().filter(|way| way.turned > self.params.least_turn) {
            let start = way.anchor_from_sensor * slice.start_from_sensor.inverse();
            self.conclude(&way, &start, &force_g, now_s);
        }
        self.anchor = Some(Way {
            force_g: slice.start_from_sensor.inverse() * force_g,
            anchor_from_sensor: UnitQuaternion::identity(),
            sensitivity: Sensitivity::zeros(),
            turned: 0.0,
            gap_variance: 0.0,
            since_s: now_s,
        });
    }

    /// The way has ended in a pose: `end` is `anchor from sensor` at its start.
    fn conclude(&mut self, way: &Way, end: &UnitQuaternion<f64>, force_g: &Vector3<f64>, now_s: f64) {
        let length_s = now_s - way.since_s;
        if length_s > self.params.longest_s {
            return;
        }
        let turn = end.to_rotation_matrix().into_inner();
        let (from, to) = (way.force_g.normalize(), turn * force_g.normalize());
        let mut by = SMatrix::<f64, 3, ALL>::zeros();
        by.fixed_columns_mut::<GYRO>(0).copy_from(&(to.cross_matrix() * way.sensitivity));
        let bias = nalgebra::Matrix3::identity() / way.force_g.norm() - turn / force_g.norm();
        by.fixed_columns_mut::<3>(GYRO).copy_from(&bias);
        for i in 0..3 {
            // An entry of the accelerometer's matrix acts as a bias along its row, by the force along its column.
            let e = Vector3::ith(i, 1.0);
            for j in 0..3 {
                by.set_column(NODE + 3 * i + j, &(e * from[j] - turn * e * (force_g[j] / force_g.norm())));
            }
        }
        let sd = self.params.up_sd.hypot(self.params.wander_sd * length_s);
        let sd = (sd * sd + way.gap_variance).sqrt();
        for tangent in super::joint::tangents(&nalgebra::Unit::new_unchecked(from)).column_iter() {
            self.evidence.add((to - from).dot(&tangent), &by.tr_mul(&tangent), sd, &self.prior_sd);
        }
        self.weigh(force_g);
    }

    /// At rest gravity is 1 g.
    fn weigh(&mut self, force_g: &Vector3<f64>) {
        let up = force_g.normalize();
        let mut by = SVector::<f64, ALL>::zeros();
        by.fixed_rows_mut::<3>(GYRO).copy_from(&-up);
        for i in 0..3 {
            by.fixed_rows_mut::<3>(NODE + 3 * i).copy_from(&(-up[i] * force_g));
        }
        self.evidence.add(force_g.norm() - 1.0, &by, self.params.gravity_sd_g, &self.prior_sd);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Matrix3;

    /// A sensor with known errors that is turned to and fro between still poses.
    fn seen(truth: &NodeErrors, acc_matrix: &Matrix3<f64>) -> SelfCalibration {
        let prior = NodeErrors {
            gyro_bias: Vector3::repeat(0.003),
            gyro_matrix: Matrix3::repeat(0.005),
            acc_bias_g: Vector3::repeat(0.01),
        };
        let mut evidence = SelfCalibration::new(EvidenceParams::default(), &prior);
        let (mut q, mut t_s) = (UnitQuaternion::identity(), 0.0);
        for k in 0..60_i32 {
            let k = f64::from(k);
            let axis = Vector3::new((1.3 * k).sin(), (2.1 * k).cos(), (0.7 * k).sin() + 0.2).normalize();
            for i in 0..1500 {
                let moving =
                    if i < 500 { 3.0 * (std::f64::consts::PI * f64::from(i) / 500.0).sin() } else { 0.0 };
                let rate: Vector3<f64> = axis * moving;
                q *= UnitQuaternion::from_scaled_axis(rate * 0.002);
                t_s += 0.002;
                let force = q.inverse() * Vector3::z();
                let reading = Reading {
                    t_s,
                    rate: rate + truth.gyro_matrix * rate + truth.gyro_bias,
                    force_g: force + acc_matrix * force + truth.acc_bias_g,
                    clipped: false,
                };
                evidence.push(&reading, &Vector3::zeros());
            }
        }
        evidence
    }

    #[test]
    fn errors_of_gyro_and_accelerometer_come_out_of_still_poses() {
        let truth = NodeErrors::from_vector(&SVector::from_fn(|i, _| match i {
            0..3 => 0.001 * (i as f64 - 1.0),
            3..GYRO => 0.001 * (i as f64 - 7.0),
            _ => 0.004 * (i as f64 - 12.5),
        }));
        let acc_matrix = Matrix3::from_fn(|i, j| 0.002 * (i as f64 - 1.0) + 0.001 * (j as f64 - 0.5));
        let (information, vector) = seen(&truth, &acc_matrix).evidence().of_node();
        let mut prior = SVector::<f64, NODE>::repeat(0.005);
        prior.fixed_rows_mut::<3>(GYRO).fill(0.01);
        let with_prior = information + SMatrix::from_diagonal(&prior.map(|sd| 1.0 / (sd * sd)));
        let found = with_prior.try_inverse().unwrap() * vector;
        for (i, sure) in [(3, 6e-4), (7, 6e-4), (11, 6e-4), (GYRO, 2e-3)] {
            let off = found[i] - truth.as_vector()[i];
            assert!(off.abs() < sure, "unknown {i}: found {}, true {}", found[i], truth.as_vector()[i]);
        }
    }

    #[test]
    fn a_node_that_never_rests_gives_no_evidence() {
        let mut evidence = SelfCalibration::new(EvidenceParams::default(), &NodeErrors::default());
        for i in 0..5000 {
            let t_s = f64::from(i) * 0.002;
            let rate = Vector3::new((3.0 * t_s).sin(), 1.0, 0.3);
            let reading = Reading { t_s, rate, force_g: Vector3::z(), clipped: false };
            evidence.push(&reading, &Vector3::zeros());
        }
        assert_eq!(evidence.evidence().of_node(), (SMatrix::zeros(), SVector::zeros()));
    }
}
