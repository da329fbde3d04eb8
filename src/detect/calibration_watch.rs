//! Follows a calibration while the player does it: readings in, what is seen of the part in hand out.
//! Pure; the only clock is that of the hand node.

use super::calibration_part::{PartQuality, PartReadings};
use super::node_motion::NodeMotion;
use crate::fusion::calibration::Biases;
use crate::fusion::series::{Conversion, Reading};
use crate::fusion::wrist::WristAxes;
use crate::sample::{CalibrationPart, DeviceDescription, ImuSample, NodeRole};
use nalgebra::Vector3;

/// A look is taken this often, s.
const LOOK_EVERY_S: f64 = 0.1;
/// The hand rests when its newest readings over this time are slow, s …
const QUIET_S: f64 = 0.4;
/// … on the whole slower than this, rad/s.
const QUIET_RATE: f64 = 12.0_f64.to_radians();
/// No part is followed longer than this, s: memory stays bounded.
const LONGEST_S: f64 = 60.0;
/// Nor with more readings than this, a minute at 1000 Hz.
const READINGS_MAX: usize = 60_000;

/// What is seen of the part in hand.
#[derive(Clone, Debug, PartialEq)]
pub struct Look {
    /// Since the part began, s on the hand's clock.
    pub since_s: f64,
    /// The part so far.
    pub quality: PartQuality,
    /// The hand has been at rest for so long by now, s.
    pub quiet_s: f64,
}

/// The readings of a node since the part began.
struct NodeWatch {
    conversion: Conversion,
    readings: Vec<Reading>,
    newest_s: Option<f64>,
}

impl NodeWatch {
    fn new(role: NodeRole, device: &DeviceDescription) -> NodeWatch {
        let conversion = Conversion::of(device.node(role));
        NodeWatch { conversion, readings: Vec::new(), newest_s: None }
    }

    /// Late and double readings are left out: to follow a movement it needs no completeness.
    fn push(&mut self, sample: &ImuSample) -> bool {
        let reading = self.conversion.reading(sample);
        let finite = reading.rate.iter().chain(&reading.force_g).all(|value| value.is_finite());
        let restarted = self.newest_s.is_some_and(|newest_s| reading.t_s < newest_s - 1.0);
        if restarted {
            self.readings.clear();
            self.newest_s = None;
        }
        let newer = self.newest_s.is_none_or(|newest_s| reading.t_s > newest_s);
        if !finite || !newer || self.readings.len() >= READINGS_MAX {
            return false;
        }
        self.newest_s = Some(reading.t_s);
        self.readings.push(reading);
        true
    }

    fn newest(&self, seconds: f64) -> &[Reading] {
        let from_s = self.newest_s.unwrap_or(0.0) - seconds;
        let start = self.readings.partition_point(|reading| reading.t_s < from_s);
        self.readings.get(start..).unwrap_or(&[])
    }
}

/// Follows one part after the other.
pub struct CalibrationWatch {
    nominal: WristAxes,
    lead_arm_sign: f64,
    hand: NodeWatch,
    /// None where the glove has none.
    forearm: Option<NodeWatch>,
    biases: Biases,
    part: CalibrationPart,
    began_s: Option<f64>,
    looked_s: f64,
    restless_s: f64,
}

impl CalibrationWatch {
    /// Watches this glove, beginning with the still part.
    #[must_use]
    pub fn new(device: &DeviceDescription) -> CalibrationWatch {
        CalibrationWatch {
            nominal: WristAxes::of_glove(device),
            lead_arm_sign: device.player_hand.lead_arm_sign(),
            hand: NodeWatch::new(NodeRole::Hand, device),
            forearm: device.node(NodeRole::Forearm).map(|_| NodeWatch::new(NodeRole::Forearm, device)),
            biases: Biases::default(),
            part: CalibrationPart::Still,
            began_s: None,
            looked_s: 0.0,
            restless_s: 0.0,
        }
    }

    /// From here on the player does this part.
    pub fn begin(&mut self, part: CalibrationPart) {
        if self.part == CalibrationPart::Still && part != CalibrationPart::Still {
            self.learn_biases();
        }
        self.part = part;
        self.began_s = None;
        self.hand.readings.clear();
        self.forearm.iter_mut().for_each(|forearm| forearm.readings.clear());
    }

    /// The rest of the still part tells the gyro biases.
    fn learn_biases(&mut self) {
        let rate = |readings: &[Reading]| {
            NodeMotion::of(readings, &Vector3::zeros()).still_rate.unwrap_or_else(Vector3::zeros)
        };
        let forearm = self.forearm.as_ref().map_or_else(Vector3::zeros, |forearm| rate(&forearm.readings));
        self.biases = Biases { hand: rate(&self.hand.readings), forearm };
    }

    /// Takes the next sample of either node; gives a look at the part every tenth of a second.
    pub fn push(&mut self, sample: &ImuSample) -> Option<Look> {
        match sample.role {
            NodeRole::Forearm => {
                self.forearm.as_mut().map(|forearm| forearm.push(sample));
                None
            }
            NodeRole::Hand => self.hand.push(sample).then(|| self.look()).flatten(),
            NodeRole::Chest | NodeRole::Belt => None,
        }
    }

    fn look(&mut self) -> Option<Look> {
        let now_s = self.hand.newest_s?;
        let began_s = *self.began_s.get_or_insert(now_s);
        let since_s = now_s - began_s;
        // A clock that has jumped begins the part anew.
        if !(0.0..LONGEST_S).contains(&since_s) {
            self.begin(self.part);
            return None;
        }
        if (0.0..LOOK_EVERY_S).contains(&(now_s - self.looked_s)) || since_s < LOOK_EVERY_S {
            return None;
        }
        self.looked_s = now_s;
        let forearm = self.forearm.as_ref().map(|forearm| &forearm.readings[..]);
        let readings = PartReadings { part: self.part, hand: &self.hand.readings, forearm };
        let quality = PartQuality::of(&readings, &self.biases, &self.nominal, self.lead_arm_sign);
        if since_s < QUIET_S || self.is_restless() {
            self.restless_s = now_s;
        }
        Some(Look { since_s, quality, quiet_s: now_s - self.restless_s })
    }

    fn is_restless(&self) -> bool {
        rms(self.hand.newest(QUIET_S), &self.biases.hand) > QUIET_RATE
    }
}

fn rms(readings: &[Reading], bias: &Vector3<f64>) -> f64 {
    let squares = readings.iter().map(|reading| (reading.rate - bias).norm_squared()).sum::<f64>();
    (squares / readings.len().max(1) as f64).sqrt()
}
