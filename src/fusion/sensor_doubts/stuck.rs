//! Sensors and axes that give the same number again and again while the node moves, at whatever time they begin to.

use super::{REPEATED, Sensor, Sure};
use crate::sample::ImuSample;
use nalgebra::Vector3;

/// A node that turns faster than this, °/s, gives another reading each time, unless it is read too often.
pub(super) const TURNING_DPS: f64 = 30.0;
/// The force is compared with its mean over about so long, s, which lags behind whatever turns.
const FORCE_MEAN_S: f64 = 0.3;
/// What one reading that differs takes back, in readings that do not: at more than one in so many nothing adds up.
const TAKEN_BACK: u64 = 99;

/// How long something has given the same, in readings, and the longest it ever did. What was seen before does not count
/// against it, so a freeze after an hour shows as soon as one at the start, and one that has ended is not forgotten.
#[derive(Clone, Copy, Debug, Default)]
struct Run {
    now: u64,
    longest: u64,
}

impl Run {
    fn push(&mut self, is_same: bool) {
        self.now = if is_same { self.now + 1 } else { self.now.saturating_sub(TAKEN_BACK) };
        self.longest = self.longest.max(self.now);
    }

    fn is_stuck(&self, sure: Sure) -> bool {
        self.longest >= REPEATED.1 * sure.amount()
    }
}

/// The runs of one node.
#[derive(Clone, Debug, Default)]
pub(super) struct Runs {
    /// Each axis of gyro and accelerometer, while the node turns by either.
    along: [[Run; 3]; 2],
    /// Both sensors, always: neither is left then to tell whether the node turns, and at rest sound ones do not agree to
    /// give six same numbers.
    both: Run,
    mean_force: Option<Vector3<f64>>,
}

impl Runs {
    /// Takes a reading and the one just before it.
    pub(super) fn push(&mut self, last: &ImuSample, sample: &ImuSample) {
        let turns =
            self.turns_by_gravity(last, sample) || Vector3::from(sample.rate_dps).norm() > TURNING_DPS;
        let sensors = [(last.rate_dps, sample.rate_dps), (last.specific_force_g, sample.specific_force_g)];
        self.both.push(sensors.iter().all(|(last, now)| last == now));
        let axes = self.along.iter_mut().flatten();
        let numbers = sensors.iter().flat_map(|(last, now)| last.iter().zip(now));
        axes.zip(numbers).filter(|_| turns).for_each(|(run, (last, now))| run.push(last == now));
    }

    /// Whether the force is as far from its mean as a turn of that rate takes it. Whatever unit it has.
    fn turns_by_gravity(&mut self, last: &ImuSample, sample: &ImuSample) -> bool {
        let force = Vector3::from(sample.specific_force_g);
        let mean = self.mean_force.get_or_insert(force);
        let share = (sample.t.seconds_since(last.t) / FORCE_MEAN_S).clamp(0.0, 1.0);
        *mean += (force - *mean) * share;
        (force - *mean).norm() > TURNING_DPS.to_radians() * FORCE_MEAN_S * mean.norm()
    }

    fn is_stuck(&self, sensor: Sensor, sure: Sure) -> [bool; 3] {
        self.along[usize::from(sensor == Sensor::Accelerometer)].map(|run| run.is_stuck(sure))
    }

    /// The sensors that are stuck as a whole.
    pub(super) fn sensors(&self, sure: Sure) -> impl Iterator<Item = Sensor> {
        Sensor::BOTH
            .into_iter()
            .filter(move |sensor| self.both.is_stuck(sure) || self.is_stuck(*sensor, sure) == [true; 3])
    }

    /// The axes that are, of sensors that are not.
    pub(super) fn axes(&self, sure: Sure) -> impl Iterator<Item = (Sensor, usize)> {
        let whole: Vec<Sensor> = self.sensors(sure).collect();
        let of = Sensor::BOTH.into_iter().filter(move |sensor| !whole.contains(sensor));
        of.flat_map(move |sensor| {
            let is_stuck = self.is_stuck(sensor, sure);
            (0..3).filter(move |axis| is_stuck[*axis]).map(move |axis| (sensor, axis))
        })
    }
}
