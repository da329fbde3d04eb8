//! The same model from both ends: the filter forwards, then the smoother of Rauch, Tung & Striebel (1965,
//! from memory) backwards, so that every instant knows what came after it. For recordings, not for live use.

use super::block::{Covariance, Errors, GYRO_BIAS, TILT};
use super::inertial::{Closing, InertialFilter, InertialParams, Taken};
use super::{OrientationFilter, Step};
use nalgebra::{UnitQuaternion, Vector3};

/// One instant, seen from both ends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Smoothed {
    /// Orientation.
    pub level_from_sensor: UnitQuaternion<f64>,
    /// Gyro bias, rad/s in the sensor frame.
    pub bias: Vector3<f64>,
}

/// A block of the filter, as the way back needs it.
struct Closed {
    transition: Covariance,
    predicted: Covariance,
    filtered: Covariance,
    correction: Errors,
}

impl Closed {
    fn of(closing: &Closing) -> Box<Closed> {
        Box::new(Closed {
            transition: closing.block.transition(),
            predicted: *closing.predicted,
            filtered: *closing.filtered,
            correction: *closing.correction,
        })
    }
}

/// One instant for each step. Holds about 14 kB for each block of the filter: 60 MB a minute.
#[must_use]
pub fn smooth(steps: &[Step], params: &InertialParams) -> Vec<Smoothed> {
    let mut filter = InertialFilter::new(*params);
    let mut smoothed = Vec::with_capacity(steps.len());
    let mut closed: Vec<(usize, Option<Box<Closed>>)> = Vec::new();
    for (i, step) in steps.iter().enumerate() {
        let mut block = None;
        match filter.take(step, |closing| block = Some(Closed::of(closing))) {
            Taken::Started | Taken::Closed => closed.push((i, block)),
            Taken::Within | Taken::Nothing => {}
        }
        smoothed.push(Smoothed { level_from_sensor: filter.level_from_sensor(), bias: filter.bias() });
    }
    go_back(&mut smoothed, &closed);
    smoothed
}

/// From the last block to the first: what lies after a block corrects what the filter knew at its end.
fn go_back(smoothed: &mut [Smoothed], closed: &[(usize, Option<Box<Closed>>)]) {
    let mut later = Errors::zeros();
    let Some((last, _)) = closed.last() else { return };
    for instant in &mut smoothed[last + 1..] {
        correct(instant, &later);
    }
    for pair in closed.windows(2).rev() {
        let [(from, before), (to, block)] = pair else { continue };
        let (at_start, at_end) = match block {
            Some(block) => {
                let at_end = later + block.correction;
                (before_block(block, before.as_deref(), &at_end), at_end)
            }
            None => (Errors::zeros(), Errors::zeros()),
        };
        correct(&mut smoothed[*to], &later);
        let length = (to - from) as f64;
        for (i, instant) in smoothed[from + 1..*to].iter_mut().enumerate() {
            let part = (i + 1) as f64 / length;
            correct(instant, &(at_start * (1.0 - part) + at_end * part));
        }
        later = at_start;
    }
    correct(&mut smoothed[closed[0].0], &later);
}

/// The correction at the start of a block, from that at its end.
fn before_block(block: &Closed, before: Option<&Closed>, at_end: &Errors) -> Errors {
    // Right after a start nothing was filtered yet: what is known there is told by the prediction alone.
    let Some(before) = before else { return *at_end };
    let Some(predicted) = block.predicted.cholesky() else { return Errors::zeros() };
    before.filtered * (block.transition.transpose() * predicted.solve(at_end))
}

fn correct(instant: &mut Smoothed, errors: &Errors) {
    let tilt: Vector3<f64> = errors.fixed_rows::<3>(TILT).into_owned();
    instant.level_from_sensor = UnitQuaternion::from_scaled_axis(tilt) * instant.level_from_sensor;
    instant.bias += errors.fixed_rows::<3>(GYRO_BIAS);
}
