//! Orientation by integrating the angular rate from a still pose, forwards and backwards.

use super::errors::NodeErrors;
use super::series::{Reading, mean_force_g};
use nalgebra::{Matrix3, UnitQuaternion, Vector3};

/// Rotation over one step, from the mean rate over it and the rates at its two ends: the last add the
/// coning term for a rate that changes linearly (Bortz 1971, from memory).
#[must_use]
pub fn step(
    mean_rate: &Vector3<f64>,
    from_rate: &Vector3<f64>,
    to_rate: &Vector3<f64>,
    dt_s: f64,
) -> UnitQuaternion<f64> {
    let cone = from_rate.cross(to_rate) * (dt_s * dt_s / 12.0);
    UnitQuaternion::from_scaled_axis(mean_rate * dt_s + cone)
}

/// Level orientation from a mean specific force at rest: `level_from_sensor` with z up and the heading
/// left at an arbitrary but continuous value. Zero force gives the identity.
#[must_use]
pub fn level(force_g: &Vector3<f64>) -> UnitQuaternion<f64> {
    UnitQuaternion::rotation_between(force_g, &Vector3::z())
        .unwrap_or_else(|| UnitQuaternion::from_axis_angle(&Vector3::x_axis(), std::f64::consts::PI))
}

/// The rotation that a bias of the accelerometer has kept out of the level frame made with it, by g of bias.
#[must_use]
pub fn tilt_by_acc_bias(level_from_sensor: &UnitQuaternion<f64>) -> Matrix3<f64> {
    Vector3::<f64>::z().cross_matrix() * level_from_sensor.to_rotation_matrix().into_inner()
}

/// `level_from_sensor` at every reading. The pose over `still` is levelled by its mean specific force;
/// from its middle the rates, known errors removed, are integrated both ways.
#[must_use]
pub fn integrate(
    readings: &[Reading],
    errors: &NodeErrors,
    still: std::ops::Range<usize>,
) -> Vec<UnitQuaternion<f64>> {
    let start = (still.start + still.end) / 2;
    let rough = level(&mean_force_g(&readings[still]));
    let tilt = UnitQuaternion::from_scaled_axis(tilt_by_acc_bias(&rough) * errors.acc_bias_g);
    let mut orientations = vec![tilt * rough; readings.len()];
    for i in start + 1..readings.len() {
        orientations[i] = orientations[i - 1] * step_after(readings, errors, i - 1);
    }
    for i in (0..start).rev() {
        orientations[i] = orientations[i + 1] * step_after(readings, errors, i).inverse();
    }
    for orientation in &mut orientations {
        orientation.renormalize_fast();
    }
    orientations
}

/// Rotation between neighbours `i` and `i + 1`.
fn step_after(readings: &[Reading], errors: &NodeErrors, i: usize) -> UnitQuaternion<f64> {
    let (from, to) = (errors.rate(&readings[i].rate), errors.rate(&readings[i + 1].rate));
    let dt_s = readings[i + 1].t_s - readings[i].t_s;
    step(&mean_rate(readings, errors, i), &from, &to, dt_s)
}

/// Mean rate from reading `i` to the next: a cubic through four readings where they are evenly spaced, a
/// straight line beside gaps and at the ends.
fn mean_rate(readings: &[Reading], errors: &NodeErrors, i: usize) -> Vector3<f64> {
    let (from, to) = (&readings[i], &readings[i + 1]);
    let middle = from.rate + to.rate;
    let outer = i.checked_sub(1).and_then(|before| readings.get(before)).zip(readings.get(i + 2));
    let even = outer.filter(|(before, after)| {
        let dt_s = to.t_s - from.t_s;
        [from.t_s - before.t_s, after.t_s - to.t_s].iter().all(|step_s| (step_s / dt_s - 1.0).abs() < 0.25)
    });
    match even {
        Some((before, after)) => errors.rate(&((middle * 13.0 - before.rate - after.rate) / 24.0)),
        None => errors.rate(&(middle * 0.5)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Coning: the sensor's z axis runs round a cone of half angle `tilt` at `speed` rad/s.
    fn coning(t_s: f64, tilt: f64, speed: f64) -> UnitQuaternion<f64> {
        let spin = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), speed * t_s);
        spin * UnitQuaternion::from_axis_angle(&Vector3::x_axis(), tilt) * spin.inverse()
    }

    #[test]
    fn coning_motion_is_followed() {
        let (tilt, speed) = (0.3, 40.0);
        let readings: Vec<Reading> = (0..500)
            .map(|i| {
                let t_s = f64::from(i) * 0.002;
                let (before, after) = (coning(t_s - 1e-6, tilt, speed), coning(t_s + 1e-6, tilt, speed));
                let rate = (before.inverse() * after).scaled_axis() / 2e-6;
                Reading {
                    t_s,
                    rate,
                    force_g: coning(0.0, tilt, speed).inverse() * Vector3::z(),
                    clipped: false,
                }
            })
            .collect();
        let orientations = integrate(&readings, &NodeErrors::default(), 0..1);
        let start = coning(0.0, tilt, speed);
        let truth = start.inverse() * coning(499.0 * 0.002, tilt, speed);
        let found = orientations[0].inverse() * orientations[499];
        assert!(truth.angle_to(&found).to_degrees() < 0.05, "{}", truth.angle_to(&found).to_degrees());
    }

    #[test]
    fn forwards_and_backwards_meet() {
        let readings: Vec<Reading> = (0..200)
            .map(|i| {
                let t_s = f64::from(i) * 0.005;
                let rate = Vector3::new((3.0 * t_s).sin(), 2.0 * t_s, -1.0);
                Reading { t_s, rate, force_g: Vector3::z(), clipped: false }
            })
            .collect();
        let from_start = integrate(&readings, &NodeErrors::default(), 0..1);
        let from_end = integrate(&readings, &NodeErrors::default(), 199..200);
        let a = from_start[0].inverse() * from_start[150];
        let b = from_end[0].inverse() * from_end[150];
        assert!(a.angle_to(&b) < 1e-9);
    }
}
