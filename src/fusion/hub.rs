//! The forearm from the hand alone: the hand hangs on an arm of known length about a shoulder that moves little.
//!
//! From the still address the hand's specific force is integrated to its path; path less shoulder is the arm,
//! whose length stays. The direction of the arm, seen in the hand, is the wrist: it has two axes, and turning
//! about the arm changes neither (roll comes out by itself). What is not known goes into one batch estimate by
//! Gauss-Newton with priors (a smoother): the arm at address, the errors of the sensors, where the sensor sits,
//! how far the shoulders turn with the arm and go with it, a slow wandering of the shoulder, a bend of the elbow. A
//! wrist holds or moves, so its rates have a prior of that kind ([`super::hub_holding`], by reweighting): slow bends
//! that the shoulder's wandering might as well explain are its. How the wrist stands at address is weighed
//! ([`super::hub_address`]). The general method is that of inertial body tracking
//! with known segment lengths (Miezal, Taetz & Bleser 2016, Sensors 16:1132, abstract read); priors are named in
//! [`HubParams`].

use super::hub_fit;
use super::hub_params::HubParams;
use super::hub_path::{Course, Path};
use super::series::value_at;
use nalgebra::{DMatrix, DVector, Rotation3, Unit, UnitQuaternion, Vector3};
use std::borrow::Cow;

/// The swing as the hand's own turning shows it: where to look.
#[derive(Clone, Copy, Debug)]
pub struct HubSpan {
    /// Start of the backswing.
    pub takeaway_s: f64,
    /// About the top.
    pub top_s: f64,
    /// About the arm back at its address angle.
    pub back_s: f64,
    /// About the normal of the swing plane.
    pub normal: Vector3<f64>,
    /// +1 for a right lead arm, −1 for a left one.
    pub lead_arm_sign: f64,
}

/// Prior of the direction along the arm is left to its length, m.
const ALONG_ARM_SD_M: f64 = 0.06;

/// The arm and the wrist over the swing, in the hand's level frame. Angles in rad, not yet counted from address.
#[derive(Clone, Debug)]
pub struct HubEstimate {
    /// Hand clock, s.
    pub t_s: Vec<f64>,
    /// Direction of the forearm, towards the hand.
    pub distal: Vec<Vector3<f64>>,
    /// Rate at which it turns, rad/s.
    pub swing_rate: Vec<Vector3<f64>>,
    /// Hinge and flexion.
    pub wrist: Vec<[f64; 2]>,
    /// Covariance of the unknowns.
    pub covariance: DMatrix<f64>,
    /// Derivatives of hinge and flexion by the unknowns at each instant of the grid.
    pub by_unknown: Vec<(f64, [DVector<f64>; 2])>,
    /// Derivatives of the rate in the plane.
    pub rate_by_unknown: Vec<(f64, DVector<f64>)>,
}

/// The unknowns that are not columns of the path, by their place behind those: the shoulders' share of the arm's turn, …
const TURN: usize = 0;
/// … the arm's length, …
pub(super) const LENGTH: usize = 1;
/// … the elbow's bend, …
const ELBOW: usize = 2;
/// … how long the shoulders lead, …
const LEAD: usize = 3;
/// … and three for how far the shoulder goes with the arm.
const SWAY: usize = 4;
/// How many they are.
const BESIDE: usize = SWAY + 3;

/// A bend of the elbow turns the forearm off the line from shoulder to wrist by the upper arm's share of the arm's
/// length (0.30 of 0.56 m: common anthropometry, from memory).
const FOREARM_PER_ELBOW: f64 = 0.53;

/// The arm for some values of the unknowns, at every instant.
pub(super) struct Arm {
    vector: Vec<Vector3<f64>>,
    rate: Vec<Vector3<f64>>,
    by_turn: Vec<Vector3<f64>>,
    by_lead: Vec<Vector3<f64>>,
}

impl Arm {
    pub(super) fn length(&self, i: usize) -> f64 {
        self.vector[i].norm().max(1e-6)
    }

    pub(super) fn direction(&self, i: usize) -> Vector3<f64> {
        self.vector[i] / self.length(i)
    }

    pub(super) fn swing_rate(&self, i: usize) -> Vector3<f64> {
        self.vector[i].cross(&self.rate[i]) / self.length(i).powi(2)
    }
}

/// The swing, what is asked of it, and the fit so far.
pub(super) struct Model<'a> {
    pub(super) path: Cow<'a, Path>,
    pub(super) span: HubSpan,
    pub(super) params: &'a HubParams,
    /// Orientation of the hand at each instant, `level from hand`.
    hand: Vec<UnitQuaternion<f64>>,
    /// Columns: how the arm vector and its rate answer to each unknown.
    pub(super) columns: Vec<Course>,
    pub(super) mean: DVector<f64>,
    pub(super) precision: DMatrix<f64>,
    pub(super) unknowns: DVector<f64>,
    /// The plane, and the arm's angle and rate in it.
    pub(super) normal: Vector3<f64>,
    pub(super) to_address: Vector3<f64>,
    angle: Vec<f64>,
    angle_at_top: f64,
    pub(super) angle_rate: Vec<f64>,
    pub(super) grid: Vec<usize>,
    /// The hinge at address, where it is held for the time being.
    pub(super) held_at: Option<f64>,
}

/// With how much care the estimate is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Care {
    /// The best fit: enough to see how the arm goes.
    Fitted,
    /// With the hinge at address weighed, which takes twice as long: to measure the wrist.
    Weighed,
}

/// Estimates arm and wrist from the hand's path. `None` where there is too little of it.
#[must_use]
pub fn estimate(
    path: &Path,
    hand_from_sensor: &UnitQuaternion<f64>,
    span: &HubSpan,
    params: &HubParams,
    care: Care,
) -> Option<HubEstimate> {
    let mut whole = Model::new(path, hand_from_sensor, span, params)?;
    let mut model = whole.thinned();
    model.find_fit()?;
    let address_sd = if care == Care::Weighed { Some(model.weigh_address()?) } else { None };
    let covariance = model.covariance_with(address_sd)?;
    whole.take(&model);
    Some(whole.told(covariance))
}

/// What is expected of the unknowns before the swing is seen.
struct Expected {
    mean: DVector<f64>,
    precision: DMatrix<f64>,
}

impl Expected {
    /// `path_sds` are the standard deviations of the path's own columns; the shoulder's wandering has its `knots_s`.
    fn of(params: &HubParams, to_address: &Vector3<f64>, path_sds: &[f64], knots_s: &[f64]) -> Expected {
        let first = path_sds.len();
        let beside_at = first + 3 * knots_s.len();
        let count = beside_at + BESIDE;
        let mut precision = DMatrix::zeros(count, count);
        for (i, sd) in path_sds.iter().enumerate() {
            precision[(i, i)] = sd.powi(-2);
        }
        // Weights of a Gaussian process at its knots have the inverse of the kernel as their covariance.
        for (i, a) in knots_s.iter().enumerate() {
            for (j, b) in knots_s.iter().enumerate() {
                let like =
                    (-0.5 * ((a - b) / params.wander.1).powi(2)).exp() + if i == j { 1e-5 } else { 0.0 };
                (0..3).for_each(|axis| precision[(first + 3 * i + axis, first + 3 * j + axis)] = like);
            }
        }
        let mut mean = DVector::zeros(count);
        let across = params.arm_m.0 * params.address.2;
        let along = to_address * to_address.transpose();
        let of_arm =
            (nalgebra::Matrix3::identity() - along) / across.powi(2) + along / ALONG_ARM_SD_M.powi(2);
        precision.fixed_view_mut::<3, 3>(0, 0).copy_from(&of_arm);
        mean.fixed_rows_mut::<3>(0).copy_from(&(to_address * params.arm_m.0));
        let sway = (0.0, params.sway_m);
        // In the order of their places.
        let beside: [_; BESIDE] =
            [params.shoulders_turn, params.arm_m, params.elbow, params.shoulders_lead_s, sway, sway, sway];
        for (i, (value, sd)) in beside.into_iter().enumerate() {
            mean[beside_at + i] = value;
            precision[(beside_at + i, beside_at + i)] = sd.powi(-2);
        }
        Expected { mean, precision }
    }
}

impl<'a> Model<'a> {
    fn new(
        path: &'a Path,
        hand_from_sensor: &UnitQuaternion<f64>,
        span: &HubSpan,
        params: &'a HubParams,
    ) -> Option<Model<'a>> {
        let hand: Vec<_> = path.level_from_sensor.iter().map(|q| q * hand_from_sensor.inverse()).collect();
        let (hinge, flexion, _) = params.address;
        let to_address = hand[path.zero] * distal_in_hand(hinge, flexion, span.lead_arm_sign);
        let knots_s: Vec<f64> = (0..)
            .map(|i| span.takeaway_s + f64::from(i) * params.knot_s)
            .take_while(|t_s| *t_s < span.back_s + 2.0 * params.knot_s)
            .collect();
        let (columns, path_sds) = path.columns(&hand, params);
        let wandering = path.wandering(&knots_s, span.takeaway_s, params.wander);
        let Expected { mean, precision } = Expected::of(params, &to_address, &path_sds, &knots_s);
        let mut model = Model {
            path: Cow::Borrowed(path),
            span: *span,
            params,
            hand,
            columns: columns.into_iter().chain(wandering).collect(),
            unknowns: mean.clone(),
            mean,
            precision,
            normal: span.normal,
            to_address,
            angle: Vec::new(),
            angle_at_top: 1.0,
            angle_rate: path.world_rate.iter().map(|rate| rate.dot(&span.normal)).collect(),
            grid: path.every(hub_fit::GRID_S),
            held_at: None,
        };
        model.integrate_angle();
        (model.grid.len() > 20).then_some(model)
    }

    /// Where an unknown stands that is no column of the path.
    pub(super) fn at(&self, beside: usize) -> usize {
        self.columns.len() + beside
    }

    /// Hinge at address, rad.
    pub(super) fn address_hinge(&self, arm: &Arm) -> f64 {
        self.wrist(arm, self.path.zero)[0]
    }

    /// Its derivatives by the unknowns.
    pub(super) fn address_by(&self, arm: &Arm) -> DVector<f64> {
        let [by, _] = self.wrist_by(arm, self.path.zero);
        by
    }

    /// The same at the instants of the grid and once between each two: a fit asks no more.
    fn thinned(&self) -> Model<'a> {
        let between = self.grid.windows(2).flat_map(|pair| [pair[0], pair[0].midpoint(pair[1])]);
        let at: Vec<usize> = between.chain(self.grid.last().copied()).collect();
        let mut thinned = Model {
            path: Cow::Owned(self.path.kept(&at)),
            hand: at.iter().map(|i| self.hand[*i]).collect(),
            columns: self.columns.iter().map(|column| column.kept(&at)).collect(),
            mean: self.mean.clone(),
            precision: self.precision.clone(),
            unknowns: self.unknowns.clone(),
            angle: Vec::new(),
            angle_rate: at.iter().map(|i| self.angle_rate[*i]).collect(),
            grid: (0..self.grid.len()).map(|i| 2 * i).collect(),
            ..*self
        };
        thinned.integrate_angle();
        thinned
    }

    /// Takes over what was fitted at fewer instants.
    fn take(&mut self, fitted: &Model) {
        self.unknowns.clone_from(&fitted.unknowns);
        self.normal = fitted.normal;
        self.to_address = fitted.to_address;
        let rate_at = |t_s: &f64| value_at(&fitted.path.t_s, &fitted.angle_rate, *t_s);
        self.angle_rate = self.path.t_s.iter().map(rate_at).collect();
        self.integrate_angle();
    }

    pub(super) fn integrate_angle(&mut self) {
        let angle = self.path.integral(&self.angle_rate);
        let zero = value_at(&self.path.t_s, &angle, self.span.takeaway_s);
        self.angle = angle.into_iter().map(|value| value - zero).collect();
        self.angle_at_top = value_at(&self.path.t_s, &self.angle, self.span.top_s).abs().max(1e-3);
    }

    /// The arm as the unknowns have it: path of the wrist less that of the shoulder.
    pub(super) fn arm(&self) -> Arm {
        let (share, lead_s) = (self.unknowns[self.at(TURN)], self.unknowns[self.at(LEAD)]);
        let sway = self.unknowns.fixed_rows::<3>(self.at(SWAY)).into_owned();
        // The lead shoulder lies towards the target, which the arm leaves in the backswing.
        let back = self.normal.cross(&self.to_address);
        let target = Vector3::new(-back.x, -back.y, 0.0);
        let target = (target - self.normal * self.normal.dot(&target)).try_normalize(1e-9).unwrap_or(-back);
        let shoulder = target * self.params.shoulder_m;
        let axis = Unit::new_normalize(self.normal);
        let n = self.path.t_s.len();
        let mut arm = Arm {
            vector: Vec::with_capacity(n),
            rate: Vec::with_capacity(n),
            by_turn: Vec::with_capacity(n),
            by_lead: Vec::with_capacity(n),
        };
        for i in 0..n {
            let led_s = self.path.t_s[i] + lead_s;
            let angle = value_at(&self.path.t_s, &self.angle, led_s);
            let angle_rate = value_at(&self.path.t_s, &self.angle_rate, led_s);
            let turned = Rotation3::from_axis_angle(&axis, share * angle) * shoulder;
            let sideways = self.normal.cross(&turned);
            let (progress, progress_rate) = self.progress(i);
            let mut vector = self.path.wrist.place[i] - (turned - shoulder) - sway * progress;
            let mut rate = self.path.wrist.speed[i] - sideways * (share * angle_rate) - sway * progress_rate;
            for (column, unknown) in self.columns.iter().zip(self.unknowns.iter()) {
                vector += column.place[i] * *unknown;
                rate += column.speed[i] * *unknown;
            }
            arm.vector.push(vector);
            arm.rate.push(rate);
            arm.by_turn.push(-sideways * angle);
            arm.by_lead.push(-sideways * (share * angle_rate));
        }
        arm
    }

    /// Derivative of `along · arm vector` by the unknowns.
    pub(super) fn by_vector(&self, arm: &Arm, i: usize, along: &Vector3<f64>) -> DVector<f64> {
        let mut by = DVector::zeros(self.at(BESIDE));
        for (value, column) in by.iter_mut().zip(&self.columns) {
            *value = column.place[i].dot(along);
        }
        by[self.at(TURN)] = arm.by_turn[i].dot(along);
        by[self.at(LEAD)] = arm.by_lead[i].dot(along);
        by.fixed_rows_mut::<3>(self.at(SWAY)).copy_from(&(along * -self.progress(i).0));
        by
    }

    /// Share of the way to the top, and its rate.
    fn progress(&self, i: usize) -> (f64, f64) {
        let share = self.angle[i] / self.angle_at_top;
        let rate = if (0.0..1.0).contains(&share) { self.angle_rate[i] / self.angle_at_top } else { 0.0 };
        (share.clamp(0.0, 1.0), rate)
    }

    /// Where the forearm goes from the line between shoulder and wrist for each radian that the elbow is bent at the
    /// top. An elbow bends towards the thumb of a forearm that is neither pronated nor supinated (mid-prone is
    /// defined by it), whatever the upper arm does; pronation turns that towards the back of the hand. It bends late,
    /// half of it in the last fifth of the arm's way (judgement).
    fn elbow_bend(&self, arm: &Arm, i: usize) -> Vector3<f64> {
        let direction = arm.direction(i);
        let thumb = self.hand[i] * Vector3::z() * self.span.lead_arm_sign;
        let thumb = (thumb - direction * direction.dot(&thumb)).try_normalize(1e-9).unwrap_or(self.normal);
        let back_of_hand = thumb.cross(&direction) * -self.span.lead_arm_sign;
        let (progress, _) = self.progress(i);
        let (sin, cos) = (self.params.pronated_at_top * progress).sin_cos();
        (thumb * cos + back_of_hand * sin) * (FOREARM_PER_ELBOW * progress.powi(3))
    }

    /// Direction of the forearm: that of the arm, and the elbow's bend.
    fn forearm(&self, arm: &Arm, i: usize) -> Vector3<f64> {
        let elbow = self.unknowns[self.at(ELBOW)];
        (arm.direction(i) + self.elbow_bend(arm, i) * elbow).normalize()
    }

    /// Hinge and flexion.
    pub(super) fn wrist(&self, arm: &Arm, i: usize) -> [f64; 2] {
        let seen = self.hand[i].inverse() * self.forearm(arm, i);
        let flexion = (-seen.x).atan2(seen.y.hypot(seen.z));
        [-self.span.lead_arm_sign * seen.z.atan2(-seen.y), flexion]
    }

    /// Derivatives of hinge and flexion by the unknowns.
    pub(super) fn wrist_by(&self, arm: &Arm, i: usize) -> [DVector<f64>; 2] {
        let forearm = self.forearm(arm, i);
        let seen = self.hand[i].inverse() * forearm;
        let across = seen.y.hypot(seen.z).max(1e-6);
        let by_seen = [
            Vector3::new(0.0, seen.z, -seen.y) * (-self.span.lead_arm_sign / across.powi(2)),
            Vector3::new(-across, seen.x * seen.y / across, seen.x * seen.z / across),
        ];
        by_seen.map(|by_seen| {
            let by_direction = self.hand[i] * by_seen;
            let direction = arm.direction(i);
            let by_arm = (by_direction - direction * direction.dot(&by_direction)) / arm.length(i);
            let mut by = self.by_vector(arm, i, &by_arm);
            by[self.at(ELBOW)] = by_direction.dot(&self.elbow_bend(arm, i));
            // Errors of the gyro turn the hand itself, too: R(−S e) of it is meant.
            let turned = self.path.gyro[i].transpose() * forearm.cross(&by_direction);
            for (j, value) in turned.iter().enumerate() {
                by[self.path.errors_at() + j] += value;
            }
            by
        })
    }

    /// Derivatives of the rate in the plane.
    fn rate_by(&self, arm: &Arm, i: usize) -> DVector<f64> {
        let along = self.normal.cross(&arm.direction(i)) / arm.length(i);
        let mut by = DVector::zeros(self.at(BESIDE));
        for (value, column) in by.iter_mut().zip(&self.columns) {
            *value = column.speed[i].dot(&along);
        }
        by[self.at(TURN)] = -self.params.shoulder_m * self.angle_rate[i] / arm.length(i);
        by.fixed_rows_mut::<3>(self.at(SWAY)).copy_from(&(along * -self.progress(i).1));
        by
    }

    fn told(&self, covariance: DMatrix<f64>) -> HubEstimate {
        let arm = self.arm();
        let all = 0..self.path.t_s.len();
        HubEstimate {
            t_s: self.path.t_s.clone(),
            distal: all.clone().map(|i| self.forearm(&arm, i)).collect(),
            swing_rate: all.clone().map(|i| arm.swing_rate(i)).collect(),
            wrist: all.map(|i| self.wrist(&arm, i)).collect(),
            covariance,
            by_unknown: self.grid.iter().map(|i| (self.path.t_s[*i], self.wrist_by(&arm, *i))).collect(),
            rate_by_unknown: self.grid.iter().map(|i| (self.path.t_s[*i], self.rate_by(&arm, *i))).collect(),
        }
    }
}

/// Direction of the forearm, towards the hand, in the hand's frame, of a wrist bent by these angles.
fn distal_in_hand(hinge: f64, flexion: f64, lead_arm_sign: f64) -> Vector3<f64> {
    let about_x = -lead_arm_sign * hinge;
    Vector3::new(-flexion.sin(), -flexion.cos() * about_x.cos(), flexion.cos() * about_x.sin())
}

#[cfg(test)]
#[path = "hub_tests.rs"]
mod tests;
