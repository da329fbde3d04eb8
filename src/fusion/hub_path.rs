//! The path of the wrist from the hand node's force, and how it answers to what is not known.

use super::errors::{GYRO, NODE, NodeErrors};
use super::hub_params::HubParams;
use super::series::Reading;
use super::track::{Sensitivity, Track};
use crate::units::GRAVITY_MPS2;
use nalgebra::{Matrix3, UnitQuaternion, Vector3};

/// The wrist to the sensor on the back of the hand, in the hand's frame (x volar, y proximal), m: where the
/// glove has its node.
const SENSOR_IN_HAND_M: Vector3<f64> = Vector3::new(-0.021, -0.055, 0.0);

/// Places, m, and speeds, m/s, over time; both zero in the middle of the address.
#[derive(Clone, Debug)]
pub struct Course {
    /// Places.
    pub place: Vec<Vector3<f64>>,
    /// Speeds.
    pub speed: Vec<Vector3<f64>>,
}

/// The hand over a swing, in its level frame, from the still address on.
#[derive(Clone, Debug)]
pub struct Path {
    /// Hand clock, s.
    pub t_s: Vec<f64>,
    /// Orientation.
    pub level_from_sensor: Vec<UnitQuaternion<f64>>,
    /// Angular rate in the level frame, rad/s.
    pub world_rate: Vec<Vector3<f64>>,
    /// How errors of the gyro have turned the orientation.
    pub gyro: Vec<Sensitivity>,
    /// The wrist.
    pub wrist: Course,
    /// Index of the middle of the address.
    pub zero: usize,
    /// Specific force in the level frame, g.
    force_g: Vec<Vector3<f64>>,
    /// Number of instants of the address.
    still: usize,
}

impl Course {
    /// The course at some of its instants.
    #[must_use]
    pub fn kept(&self, at: &[usize]) -> Course {
        Course { place: kept(&self.place, at), speed: kept(&self.speed, at) }
    }
}

fn kept<T: Copy>(all: &[T], at: &[usize]) -> Vec<T> {
    at.iter().filter_map(|i| all.get(*i).copied()).collect()
}

impl Path {
    /// The path between the address and `until_s`. `None` where there is too little to integrate.
    #[must_use]
    pub fn of(
        track: &Track,
        readings: &[Reading],
        hand_from_sensor: &UnitQuaternion<f64>,
        address_s: (f64, f64),
        until_s: f64,
    ) -> Option<Path> {
        let inside = super::series::between(readings, address_s.0, until_s);
        let still = inside.partition_point(|reading| reading.t_s <= address_s.1);
        if still < 5 || inside.len() < still + 50 {
            return None;
        }
        let at: Vec<_> = inside.iter().map(|reading| track.at(reading.t_s)).collect();
        let force_g: Vec<_> = inside.iter().zip(&at).map(|(reading, (q, _))| q * reading.force_g).collect();
        let zero = still / 2;
        let gyro_at_zero = track.sensitivity_at(inside[zero].t_s);
        let empty = Course { place: Vec::new(), speed: Vec::new() };
        let mut path = Path {
            t_s: inside.iter().map(|reading| reading.t_s).collect(),
            world_rate: at.iter().map(|(q, rate)| q * rate).collect(),
            level_from_sensor: at.into_iter().map(|(q, _)| q).collect(),
            gyro: inside.iter().map(|reading| track.sensitivity_at(reading.t_s) - gyro_at_zero).collect(),
            wrist: empty,
            zero,
            force_g,
            still,
        };
        let sensor = path.twice(path.force_g.clone());
        let wrist_off =
            |i: usize| path.level_from_sensor[i] * (hand_from_sensor.inverse() * -SENSOR_IN_HAND_M);
        let n = path.t_s.len();
        path.wrist = Course {
            place: (0..n).map(|i| sensor.place[i] + wrist_off(i) - wrist_off(zero)).collect(),
            speed: (0..n).map(|i| sensor.speed[i] + path.world_rate[i].cross(&wrist_off(i))).collect(),
        };
        Some(path)
    }

    /// The path at some of its instants.
    #[must_use]
    pub fn kept(&self, at: &[usize]) -> Path {
        Path {
            t_s: kept(&self.t_s, at),
            level_from_sensor: kept(&self.level_from_sensor, at),
            world_rate: kept(&self.world_rate, at),
            gyro: kept(&self.gyro, at),
            wrist: self.wrist.kept(at),
            zero: at.partition_point(|i| *i < self.zero),
            force_g: kept(&self.force_g, at),
            still: at.partition_point(|i| *i < self.still),
        }
    }

    /// Number of the first unknown that is an error of the node.
    #[must_use]
    pub fn errors_at(&self) -> usize {
        3
    }

    /// Index of the first instant not before `t_s`.
    #[must_use]
    pub fn index(&self, t_s: f64) -> usize {
        self.t_s.partition_point(|t| *t < t_s)
    }

    /// Indices at about this spacing.
    #[must_use]
    pub fn every(&self, spacing_s: f64) -> Vec<usize> {
        let mut kept: Vec<usize> = Vec::new();
        for (i, t_s) in self.t_s.iter().enumerate() {
            if kept.last().is_none_or(|last| t_s - self.t_s[*last] >= spacing_s - 1e-4) {
                kept.push(i);
            }
        }
        kept
    }

    /// Running integral by the trapezium rule, from the first instant.
    #[must_use]
    pub fn integral<T>(&self, values: &[T]) -> Vec<T>
    where
        T: Copy + std::ops::Add<Output = T> + std::ops::Mul<f64, Output = T>,
    {
        let Some(first) = values.first() else { return Vec::new() };
        let mut sum = *first * 0.0;
        let mut sums = vec![sum];
        for (pair, t_s) in values.windows(2).zip(self.t_s.windows(2)) {
            sum = sum + (pair[0] + pair[1]) * (0.5 * (t_s[1] - t_s[0]));
            sums.push(sum);
        }
        sums
    }

    /// Forces, g, less their mean at address, integrated to speeds (without their mean at address) and places.
    fn twice(&self, mut force_g: Vec<Vector3<f64>>) -> Course {
        let mean =
            |values: &[Vector3<f64>]| values[..self.still].iter().sum::<Vector3<f64>>() / self.still as f64;
        let at_rest = mean(&force_g);
        force_g.iter_mut().for_each(|force| *force = (*force - at_rest) * GRAVITY_MPS2);
        let mut speed = self.integral(&force_g);
        let at_rest = mean(&speed);
        speed.iter_mut().for_each(|value| *value -= at_rest);
        let mut place = self.integral(&speed);
        let start = place[self.zero];
        place.iter_mut().for_each(|value| *value -= start);
        Course { place, speed }
    }

    /// How the arm answers to: its vector at address, errors of the node, the speed at address, the sensor's
    /// place in the hand; and the standard deviations of these.
    #[must_use]
    pub(super) fn columns(
        &self,
        hand: &[UnitQuaternion<f64>],
        params: &HubParams,
    ) -> (Vec<Course>, Vec<f64>) {
        let n = self.t_s.len();
        let nothing = || vec![Vector3::zeros(); n];
        let axes = [Vector3::x(), Vector3::y(), Vector3::z()];
        let mut columns: Vec<Course> =
            axes.iter().map(|axis| Course { place: vec![*axis; n], speed: nothing() }).collect();
        for j in 0..GYRO {
            let turned = |i: usize| -self.gyro[i].column(j).cross(&self.force_g[i]);
            columns.push(self.twice((0..n).map(turned).collect()));
        }
        let rotation = |q: &UnitQuaternion<f64>| q.to_rotation_matrix().into_inner();
        let at_zero: Matrix3<f64> = rotation(&self.level_from_sensor[self.zero]);
        for j in 0..3 {
            let felt = |q| -(rotation(q) - at_zero).column(j).into_owned();
            columns.push(self.twice(self.level_from_sensor.iter().map(felt).collect()));
        }
        let since = |i: usize| self.t_s[i] - self.t_s[self.zero];
        for axis in &axes {
            columns.push(Course { place: (0..n).map(|i| axis * since(i)).collect(), speed: vec![*axis; n] });
        }
        for axis in &axes {
            let there = |i: usize| hand[i] * axis;
            columns.push(Course {
                place: (0..n).map(|i| there(self.zero) - there(i)).collect(),
                speed: (0..n).map(|i| -self.world_rate[i].cross(&there(i))).collect(),
            });
        }
        let errors = NodeErrors::TYPICAL.as_vector();
        let mut sds = vec![1.0; 3];
        sds.extend(errors.iter().take(NODE));
        sds.extend([params.address_speed_mps; 3]);
        sds.extend([params.sensor_place_m; 3]);
        (columns, sds)
    }

    /// How the arm answers to a slow wandering of the shoulder from `from_s` on: three columns a knot, a bell
    /// of width `wander.1` each.
    #[must_use]
    pub(super) fn wandering(&self, knots_s: &[f64], from_s: f64, wander: (f64, f64)) -> Vec<Course> {
        let (size_m, width_s) = wander;
        let bell = |t_s: f64, knot_s: f64| size_m * (-0.5 * ((t_s - knot_s) / width_s).powi(2)).exp();
        let mut columns = Vec::new();
        for knot_s in knots_s {
            let place =
                |t_s: &f64| if *t_s < from_s { 0.0 } else { bell(from_s, *knot_s) - bell(*t_s, *knot_s) };
            let speed = |t_s: &f64| {
                if *t_s < from_s { 0.0 } else { bell(*t_s, *knot_s) * (t_s - knot_s) / width_s.powi(2) }
            };
            for axis in [Vector3::x(), Vector3::y(), Vector3::z()] {
                columns.push(Course {
                    place: self.t_s.iter().map(|t_s| axis * place(t_s)).collect(),
                    speed: self.t_s.iter().map(|t_s| axis * speed(t_s)).collect(),
                });
            }
        }
        columns
    }
}
