//! What a node's readings contradict by themselves: units, signs, axes and clocks that cannot be as they were
//! greeted. A glove whose maker mistook one of them still gives numbers, and plausible ones.
//!
//! Streams: a reading in, sums and a bounded number of turns kept; judged at the end, or now and then while the glove is
//! worn ([`LiveDoubts`]).

mod clock;
mod live;
mod stuck;
#[cfg(test)]
mod tests;
mod turns;

use crate::sample::{DeviceDescription, ImuSample, NodeDescription, NodeRole};
use clock::ClockSums;
pub use live::{LiveDoubts, News, StandingDoubts};
use nalgebra::Vector3;
use stuck::{Runs, TURNING_DPS};
pub use turns::Axes;
use turns::{Fit, Turns};

/// From gravity this far off on, the unit or the full scale is wrong, not the sensor, g.
const GRAVITY_OFF_G: f64 = 0.15;
/// A gyro at rest that reads more than this was never zeroed, °/s. The biases that the analysis finds are smaller.
const OFFSET_DPS: f64 = 6.0;
/// Poses before rest is judged.
const LEAST_POSES: u64 = 10;
/// A sample that lies farther back comes from a clock that was started anew, s.
const LATE_S: f64 = 60.0;
/// Share of readings that repeat the one before from which that is told, and so many readings have to be there.
const REPEATED: (f64, u64) = (0.25, 500);

/// One thing that cannot be as the node says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Doubt {
    /// At rest the accelerometer reads so much, g.
    Gravity(f64),
    /// At rest the gyro reads so much, °/s.
    Offset(f64),
    /// Gravity turns so many times as fast as the gyro says.
    GyroScale(f64),
    /// Gravity turns about other axes, or the other way round, than the gyro says.
    GyroAxes(Axes),
    /// One sensor of the node gives the same numbers again and again while the node turns.
    Stuck(Sensor),
    /// One axis of a sensor, 0 to 2, does.
    StuckAxis(Sensor, usize),
    /// This share of the readings repeats the one before while the node turns.
    Repeated(f64),
    /// This share of the readings has the time of the one before it, or an earlier one.
    SameTime(f64),
    /// This share of the readings has a lower number than the one before and a later time.
    Numbers(f64),
    /// The node's clock runs so many times as fast as this machine's.
    Clock(f64),
    /// Nominal rate and rate by the node's own times, Hz.
    Rate {
        /// What the node's description says.
        told_hz: f64,
        /// What its times say.
        found_hz: f64,
    },
}

/// Half of a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sensor {
    /// The gyroscope.
    Gyro,
    /// The accelerometer.
    Accelerometer,
}

impl Sensor {
    const BOTH: [Sensor; 2] = [Sensor::Gyro, Sensor::Accelerometer];

    fn word(self) -> &'static str {
        match self {
            Sensor::Gyro => "gyro",
            Sensor::Accelerometer => "accelerometer",
        }
    }
}

/// How sure a doubt has to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sure {
    /// What was seen speaks for it, and that is all there is.
    Enough,
    /// So clearly that what is seen later hardly ever takes it back.
    Clearly,
}

impl Sure {
    /// Limits have to be passed so many times as far.
    fn beyond(self) -> f64 {
        if self == Sure::Enough { 1.0 } else { 4.0 / 3.0 }
    }

    /// So many times as much has to have been seen.
    fn amount(self) -> u64 {
        if self == Sure::Enough { 1 } else { 4 }
    }
}

impl Doubt {
    /// The same is doubted, if by another number.
    fn is_same(&self, other: &Doubt) -> bool {
        match (self, other) {
            (Doubt::GyroAxes(one), Doubt::GyroAxes(other)) => one == other,
            (Doubt::Stuck(one), Doubt::Stuck(other)) => one == other,
            (Doubt::StuckAxis(..), Doubt::StuckAxis(..)) => self == other,
            _ => std::mem::discriminant(self) == std::mem::discriminant(other),
        }
    }

    /// A plain sentence of it, with what may be the cause.
    #[must_use]
    pub fn sentence(&self, role: NodeRole) -> String {
        format!("{}: {}", self.found(role), self.cause())
    }

    /// What was found.
    #[must_use]
    pub fn found(&self, role: NodeRole) -> String {
        let node = role.word();
        let share = |share: &f64| format!("{:.0} % of the {node} node's readings", share * 100.0);
        match self {
            Doubt::Gravity(g) => {
                format!("the {node} node's accelerometer reads {g:.2} g at rest, where 1 is gravity")
            }
            Doubt::Offset(dps) => format!("the {node} node's gyro reads {dps:.0} °/s at rest"),
            Doubt::GyroScale(factor) => {
                format!("the {node} node turns {factor:.2} times as far as its gyro says, by gravity")
            }
            Doubt::GyroAxes(_) => format!("the {node} node's gyro and accelerometer disagree, by gravity"),
            Doubt::Stuck(sensor) => {
                format!("the {node} node's {} gives the same numbers again and again", sensor.word())
            }
            Doubt::StuckAxis(sensor, axis) => {
                let (sensor, axis) = (sensor.word(), ["x", "y", "z"][axis % 3]);
                format!("the {axis} axis of the {node} node's {sensor} gives the same number again and again")
            }
            Doubt::Repeated(of) => share(of) + " repeat the one before while it turns",
            Doubt::SameTime(of) => share(of) + " are no later than the one before",
            Doubt::Numbers(of) => share(of) + " have a later time and no higher number than the one before",
            Doubt::Clock(ratio) => {
                format!("the {node} node's clock runs {ratio:.4} times as fast as this machine's")
            }
            Doubt::Rate { told_hz, found_hz } => {
                format!("the {node} node says {told_hz:.0} Hz, by its times it gives {found_hz:.0}")
            }
        }
    }

    /// What may be its cause, or what to do.
    #[must_use]
    pub fn cause(&self) -> String {
        let cause = match self {
            Doubt::Gravity(g) if (9.3..10.3).contains(g) => "that is m/s², g is expected",
            Doubt::Gravity(g) if *g > 500.0 => "is it in thousandths, or in counts?",
            Doubt::Gravity(_) => {
                "is it in g, its full scale the one it is set to, each number low byte first?"
            }
            Doubt::Offset(_) => "take its zero off, measured while it lies still",
            Doubt::GyroScale(factor) if (50.0..65.0).contains(factor) => "that is rad/s, °/s is expected",
            Doubt::GyroScale(_) => "is its full scale, or counts per °/s, the one it is set to?",
            Doubt::GyroAxes(axes) => return axes.words(),
            Doubt::Stuck(_) => "is it switched on and read, and does it go on measuring?",
            Doubt::StuckAxis(..) => "is that axis switched on, and read from its own registers?",
            Doubt::Repeated(_) => "it is read faster than it measures",
            Doubt::SameTime(_) => "each needs the time at which it was taken, not its batch's",
            Doubt::Numbers(_) => "number every reading, not every batch",
            Doubt::Clock(ratio) if (0.0009..0.0011).contains(ratio) => "that is ms, µs is expected",
            Doubt::Clock(_) => "are its times in µs, from a clock that is known well?",
            Doubt::Rate { .. } => "one of the two is wrong, or the times are not in µs",
        };
        cause.to_owned()
    }
}

/// What was seen of a node's sensors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// Rate by the node's own times, Hz; none without two readings in a row.
    pub rate_hz: Option<f64>,
    /// Size of the force at rest, g; none where it was never at rest.
    pub gravity_g: Option<f64>,
    /// How far the segment's long axis points up at rest by the nominal mounting, the middle angle, degrees: away from the
    /// fingers on the arm, to the head on the trunk.
    pub upright_deg: Option<f64>,
    /// Turns from pose to pose that gyro and accelerometer were compared by.
    pub turns: usize,
}

impl Seen {
    /// Turns that gyro and accelerometer are compared by at least.
    pub const LEAST_TURNS: usize = turns::LEAST_TURNS;
}

/// Watches all nodes of a glove.
#[derive(Clone, Debug)]
pub struct GloveWatch {
    device: DeviceDescription,
    nodes: Vec<(NodeRole, NodeWatch)>,
}

impl GloveWatch {
    /// One that has seen nothing yet.
    #[must_use]
    pub fn new(device: &DeviceDescription) -> GloveWatch {
        GloveWatch { device: device.clone(), nodes: Vec::new() }
    }

    /// Takes the next sample, in order of arrival.
    pub fn push(&mut self, sample: &ImuSample) {
        if let Some((_, node)) = self.nodes.iter_mut().find(|(role, _)| *role == sample.role) {
            node.push(sample);
        } else {
            let mut node = NodeWatch::new(self.device.node(sample.role));
            node.push(sample);
            self.nodes.push((sample.role, node));
            self.nodes.sort_by_key(|(role, _)| *role);
        }
    }

    /// The glove has described itself anew: nodes of which it says something else are watched anew. Gives these.
    fn redescribe(&mut self, device: &DeviceDescription) -> Vec<NodeRole> {
        let before = std::mem::replace(&mut self.device, device.clone());
        let roles = self.nodes.iter().map(|(role, _)| *role);
        let changed: Vec<NodeRole> = roles.filter(|role| before.node(*role) != device.node(*role)).collect();
        self.nodes.retain(|(role, _)| !changed.contains(role));
        changed
    }

    /// The nodes that were heard.
    pub fn nodes(&self) -> impl Iterator<Item = (NodeRole, &NodeWatch)> {
        self.nodes.iter().map(|(role, node)| (*role, node))
    }

    /// Every doubt as a sentence.
    #[must_use]
    pub fn sentences(&self) -> Vec<String> {
        let of = |(role, node): (NodeRole, &NodeWatch)| {
            node.doubts().into_iter().map(move |doubt| doubt.sentence(role)).collect::<Vec<_>>()
        };
        self.nodes().flat_map(of).collect()
    }
}

/// Watches one node's samples in order of arrival.
#[derive(Clone, Debug)]
pub struct NodeWatch {
    told_hz: Option<f64>,
    /// The segment's y axis in the sensor's axes.
    long_axis: Vector3<f64>,
    clip_dps: f64,
    last: Option<ImuSample>,
    runs: Runs,
    turning: u64,
    repeated: u64,
    clock: ClockSums,
    turns: Turns,
}

impl NodeWatch {
    /// One that has seen nothing yet.
    #[must_use]
    pub fn new(node: Option<&NodeDescription>) -> NodeWatch {
        NodeWatch {
            told_hz: node.map(|node| node.rate_hz),
            long_axis: node
                .map_or_else(Vector3::zeros, |node| Vector3::from(node.segment_from_sensor_nominal[1])),
            clip_dps: node.map_or(f64::INFINITY, |node| node.gyro_full_scale_dps * 0.999),
            last: None,
            runs: Runs::default(),
            turning: 0,
            repeated: 0,
            clock: ClockSums::default(),
            turns: Turns::default(),
        }
    }

    /// Takes the next sample.
    pub fn push(&mut self, sample: &ImuSample) {
        let numbers = sample.rate_dps.iter().chain(&sample.specific_force_g);
        if !numbers.clone().all(|value| value.is_finite()) {
            return;
        }
        self.clock.push(sample);
        // What comes late, or twice, tells nothing of its neighbours.
        let is_late = |last: &ImuSample| sample.seq <= last.seq && sample.t <= last.t;
        if self.last.is_some_and(|last| is_late(&last) && last.t.seconds_since(sample.t) < LATE_S) {
            return;
        }
        if let Some(last) = self.last.filter(|last| last.seq.wrapping_add(1) == sample.seq) {
            self.compare(&last, sample);
        }
        let clipped = sample.rate_dps.iter().any(|rate| rate.abs() >= self.clip_dps);
        let dt_s = self.last.map(|last| sample.t.seconds_since(last.t)).filter(|_| !clipped);
        self.turns.push(dt_s, Vector3::from(sample.rate_dps), Vector3::from(sample.specific_force_g));
        self.last = Some(*sample);
    }

    fn compare(&mut self, last: &ImuSample, sample: &ImuSample) {
        self.runs.push(last, sample);
        if Vector3::from(sample.rate_dps).norm() > TURNING_DPS {
            self.turning += 1;
            let repeats =
                (last.rate_dps, last.specific_force_g) == (sample.rate_dps, sample.specific_force_g);
            self.repeated += u64::from(repeats);
        }
    }

    /// What cannot be as it was said. Where the times are wrong turns are not judged: they hang on them.
    #[must_use]
    pub fn doubts(&self) -> Vec<Doubt> {
        self.doubts_that_are(Sure::Enough, &self.judged(self.turns.fit()))
    }

    /// What takes a moment to work out, but for the turns' fit.
    fn judged(&self, fit: Option<Fit>) -> Judged {
        Judged { at_rest: self.turns.at_rest(), fit }
    }

    fn doubts_that_are(&self, sure: Sure, judged: &Judged) -> Vec<Doubt> {
        let mut doubts = self.clock.doubts(self.told_hz, sure);
        let stuck = self.runs.sensors(sure).map(Doubt::Stuck);
        let stuck_axes = self.runs.axes(sure).map(|(sensor, axis)| Doubt::StuckAxis(sensor, axis));
        let stuck: Vec<Doubt> = stuck.chain(stuck_axes).collect();
        let share = self.repeated as f64 / self.turning.max(1) as f64;
        let often = self.turning >= REPEATED.1 * sure.amount() && share > REPEATED.0 * sure.beyond();
        doubts.extend((often && stuck.is_empty()).then_some(Doubt::Repeated(share)));
        let times_fail = doubts.iter().any(|doubt| matches!(doubt, Doubt::Clock(_) | Doubt::SameTime(_)));
        // A clock at another speed looks like a gyro of another scale.
        let times_hold = !times_fail && (sure == Sure::Enough || self.clock.is_judged());
        if stuck.is_empty() {
            doubts.extend(self.at_rest(judged.at_rest, sure));
            doubts.extend(judged.fit.as_ref().filter(|_| times_hold).and_then(|fit| fit.doubt(sure)));
        }
        doubts.extend(stuck);
        doubts
    }

    /// What rest shows. No clock is needed for that; and gravity is the same in every pose, so few of them tell it, while
    /// a rate that few of them show may be a slow turn.
    fn at_rest(&self, (gravity_g, offset_dps): (f64, f64), sure: Sure) -> impl Iterator<Item = Doubt> {
        let (poses, beyond) = (self.turns.poses() as u64, sure.beyond());
        let odd = poses >= LEAST_POSES && (gravity_g - 1.0).abs() > GRAVITY_OFF_G * beyond;
        let turns = poses >= LEAST_POSES * sure.amount() && offset_dps > OFFSET_DPS * beyond;
        let gravity = odd.then_some(Doubt::Gravity(gravity_g));
        gravity.into_iter().chain(turns.then_some(Doubt::Offset(offset_dps)))
    }

    /// What was seen, for who asks.
    #[must_use]
    pub fn seen(&self) -> Seen {
        let gravity_g = (self.turns.poses() > 0).then(|| self.turns.at_rest().0);
        let upright_deg =
            self.turns.up(&self.long_axis).map(|sine| sine.clamp(-1.0, 1.0).asin().to_degrees());
        Seen { rate_hz: self.clock.rate_hz(), gravity_g, upright_deg, turns: self.turns.kept() }
    }
}

/// What was worked out of a node's sums.
struct Judged {
    /// Size of the force, g, and of the rate, °/s.
    at_rest: (f64, f64),
    fit: Option<Fit>,
}
