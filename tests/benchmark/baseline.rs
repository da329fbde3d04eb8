//! The plain way, for comparison: each node integrated from the address pose, its bias the mean rate at
//! address; axes from the first calibration, nominal ones where it shows none; clocks by the order of arrival;
//! the relative heading such that the hand lies in line with the forearm at address. No joint estimate.

use hingeclock::detect::set::{Crossings, HingeCurve, SetWindow};
use hingeclock::detect::{AtEvents, Bands, Class, CurvePoint, SetTimes, Swing};
use hingeclock::fusion::calibration::{Biases, PartReadings, first_axes};
use hingeclock::fusion::errors::NodeErrors;
use hingeclock::fusion::series::value_at;
use hingeclock::fusion::series::{Conversion, Reading, between};
use hingeclock::fusion::strapdown;
use hingeclock::fusion::wrist::{self, WristAxes};
use hingeclock::sample::{Arrival, CalibrationPart, DeviceDescription, Marker, NodeRole};
use hingeclock::units::{DeviceTime, Measured};
use nalgebra::{UnitQuaternion, Vector3};

const ADDRESS_S: f64 = 0.3;
const AFTER_TOP: f64 = 0.4;

/// The readings of a bucket, and what the plain way knows of the glove.
struct Plain {
    hand: Vec<Reading>,
    forearm: Vec<Reading>,
    /// Forearm clock less hand clock, s.
    offset_s: f64,
    axes: WristAxes,
    lead_arm_sign: f64,
}

/// The same swings at the same instants, with the wrist angles of the plain way.
pub fn measure(device: &DeviceDescription, arrivals: &[Arrival], swings: &[Swing]) -> Vec<Swing> {
    let plain = Plain::of(device, arrivals);
    swings.iter().filter_map(|swing| plain.swing(swing)).collect()
}

impl Plain {
    fn of(device: &DeviceDescription, arrivals: &[Arrival]) -> Plain {
        let (hand, forearm) =
            (readings(device, arrivals, NodeRole::Hand), readings(device, arrivals, NodeRole::Forearm));
        Plain {
            hand,
            forearm,
            offset_s: clock_offset_s(device, arrivals),
            axes: axes(device, arrivals),
            lead_arm_sign: device.player_hand.lead_arm_sign(),
        }
    }

    fn swing(&self, swing: &Swing) -> Option<Swing> {
        let at = |t: DeviceTime| t.0 as f64 * 1e-6;
        let (from_s, to_s) = (at(swing.curve.first()?.t), at(swing.curve.last()?.t));
        let hand = between(&self.hand, from_s - 0.1, to_s + 0.1);
        let forearm = between(&self.forearm, from_s - 0.1 + self.offset_s, to_s + 0.1 + self.offset_s);
        let hand_track = from_address(hand, from_s)?;
        let forearm_track = from_address(forearm, from_s + self.offset_s)?;
        let angles = self.angles(hand, &hand_track, forearm, &forearm_track)?;
        let t_s: Vec<f64> = hand.iter().map(|reading| reading.t_s).collect();
        let counted = |angle: fn(&wrist::WristAngles) -> f64| {
            let values: Vec<f64> = angles.iter().map(angle).collect();
            let still = still(hand, from_s);
            let address = values[still.clone()].iter().sum::<f64>() / still.len() as f64;
            values.iter().map(|value| value - address).collect::<Vec<f64>>()
        };
        let (hinge, flexion) = (counted(|angles| angles.hinge), counted(|angles| angles.flexion));
        let curve = HingeCurve { t_s: &t_s, hinge: &hinge };
        let (takeaway_s, top_s) = (at(swing.takeaway), at(swing.top));
        let ball_s = swing.impact.map_or(top_s + 0.3, at);
        let crossings = |to_s: f64| {
            let window = SetWindow { counted_from_s: from_s, from_s: takeaway_s, to_s };
            let found = curve.crossings(&window)?;
            (found.range.to_degrees() >= Bands::default().least_range_deg).then(|| set_times(&found, swing))
        };
        let set = crossings(top_s + AFTER_TOP * (ball_s - top_s));
        let point = |point: &CurvePoint| CurvePoint {
            hinge_deg: value_at(&t_s, &hinge, at(point.t)).to_degrees(),
            flexion_deg: value_at(&t_s, &flexion, at(point.t)).to_degrees(),
            ..*point
        };
        Some(Swing {
            set,
            set_backswing_only: crossings(top_s),
            class: set.map_or(Class::None, |set| {
                Bands::default().class(set.set_to_top_ms.value, set.arm_travel_at_set.value)
            }),
            hinge_deg: AtEvents::default(),
            flexion_deg: AtEvents::default(),
            curve: swing.curve.iter().map(point).collect(),
            ..swing.clone()
        })
    }

    fn angles(
        &self,
        hand: &[Reading],
        hand_track: &[UnitQuaternion<f64>],
        forearm: &[Reading],
        forearm_track: &[UnitQuaternion<f64>],
    ) -> Option<Vec<wrist::WristAngles>> {
        let forearm_at = |t_s: f64| {
            let after = forearm.partition_point(|reading| reading.t_s <= t_s).clamp(1, forearm.len() - 1);
            let (a, b) = (&forearm[after - 1], &forearm[after]);
            let part = ((t_s - a.t_s) / (b.t_s - a.t_s)).clamp(0.0, 1.0);
            let turn = (forearm_track[after - 1].inverse() * forearm_track[after]).scaled_axis() * part;
            forearm_track[after - 1] * UnitQuaternion::from_scaled_axis(turn)
        };
        let first_s = hand.first()?.t_s + self.offset_s;
        let heading = |v: Vector3<f64>| v.y.atan2(v.x);
        let in_line = heading(forearm_at(first_s) * self.axes.long_in_forearm.into_inner())
            - heading(hand_track.first()? * self.axes.long_in_hand.into_inner());
        let start = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), in_line);
        let (to_forearm, from_hand) =
            (self.axes.forearm_from_sensor(), self.axes.hand_from_sensor().inverse());
        let angles = hand.iter().zip(hand_track).map(|(reading, hand)| {
            let forearm = forearm_at(reading.t_s + self.offset_s);
            wrist::angles(&(to_forearm * forearm.inverse() * start * hand * from_hand), self.lead_arm_sign)
        });
        Some(angles.collect())
    }
}

fn set_times(crossings: &Crossings, swing: &Swing) -> SetTimes {
    let device_time = |t_s: f64| DeviceTime((t_s * 1e6).round() as i64);
    let [onset, half, set, nearly_full] = crossings.at_s.map(device_time);
    let times: Vec<f64> = swing.curve.iter().map(|point| point.t.0 as f64 * 1e-6).collect();
    let travel: Vec<f64> = swing.curve.iter().map(|point| point.arm_travel).collect();
    SetTimes {
        onset,
        half,
        set,
        nearly_full,
        sds_ms: [f64::NAN; 4],
        set_to_top_ms: Measured::new(set.seconds_since(swing.top) * 1e3, f64::NAN),
        arm_travel_at_set: Measured::new(value_at(&times, &travel, crossings.at_s[2]), f64::NAN),
    }
}

/// The address in a node's readings.
fn still(readings: &[Reading], from_s: f64) -> std::ops::Range<usize> {
    readings.partition_point(|reading| reading.t_s < from_s)
        ..readings.partition_point(|reading| reading.t_s < from_s + ADDRESS_S)
}

fn from_address(readings: &[Reading], from_s: f64) -> Option<Vec<UnitQuaternion<f64>>> {
    let still = still(readings, from_s);
    if still.is_empty() {
        return None;
    }
    let mean = readings[still.clone()].iter().map(|reading| reading.rate).sum::<Vector3<f64>>();
    Some(strapdown::integrate(readings, &NodeErrors::of_bias(mean / still.len() as f64), still))
}

/// Readings of one node in order of time, each instant once.
pub fn readings(device: &DeviceDescription, arrivals: &[Arrival], role: NodeRole) -> Vec<Reading> {
    let conversion = Conversion::of(device.node(role));
    let mut readings: Vec<Reading> = arrivals
        .iter()
        .filter_map(|arrival| match arrival {
            Arrival::Sample(sample) if sample.role == role => Some(conversion.reading(sample)),
            _ => None,
        })
        .collect();
    readings.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
    readings.dedup_by(|a, b| a.t_s == b.t_s);
    readings
}

/// Middle of the differences between neighbours in the order of arrival, s.
fn clock_offset_s(device: &DeviceDescription, arrivals: &[Arrival]) -> f64 {
    let conversion = |role| Conversion::of(device.node(role));
    let (hand, forearm) = (conversion(NodeRole::Hand), conversion(NodeRole::Forearm));
    let (mut last_hand_s, mut offsets) = (None, Vec::new());
    for arrival in arrivals {
        match arrival {
            Arrival::Sample(sample) if sample.role == NodeRole::Hand => {
                last_hand_s = Some(hand.reading(sample).t_s);
            }
            Arrival::Sample(sample) if sample.role == NodeRole::Forearm => {
                offsets.extend(last_hand_s.map(|last_s| forearm.reading(sample).t_s - last_s));
            }
            _ => {}
        }
    }
    offsets.sort_by(f64::total_cmp);
    offsets.get(offsets.len() / 2).copied().unwrap_or(0.0)
}

/// Axes from the first calibration's parts.
fn axes(device: &DeviceDescription, arrivals: &[Arrival]) -> WristAxes {
    let nominal = |role| device.node(role).unwrap().segment_from_sensor_nominal;
    let nominal = WristAxes::nominal(&nominal(NodeRole::Forearm), &nominal(NodeRole::Hand));
    let mut part = None;
    let (mut hand_in_hinge, mut hand_in_roll, mut forearm_in_roll) = (Vec::new(), Vec::new(), Vec::new());
    for arrival in arrivals {
        match arrival {
            Arrival::Marker { marker: Marker::Prompt(CalibrationPart::Address), .. } => break,
            Arrival::Marker { marker: Marker::Prompt(prompt), .. } => part = Some(*prompt),
            Arrival::Marker { .. } => {}
            Arrival::Sample(sample) => {
                let reading = Conversion::of(device.node(sample.role)).reading(sample);
                match (part, sample.role) {
                    (Some(CalibrationPart::Hinge), NodeRole::Hand) => hand_in_hinge.push(reading),
                    (Some(CalibrationPart::Roll), NodeRole::Hand) => hand_in_roll.push(reading),
                    (Some(CalibrationPart::Roll), NodeRole::Forearm) => forearm_in_roll.push(reading),
                    _ => {}
                }
            }
        }
    }
    let parts = PartReadings {
        hand_in_hinge: &hand_in_hinge,
        hand_in_roll: &hand_in_roll,
        forearm_in_roll: &forearm_in_roll,
    };
    first_axes(&parts, &Biases::default(), &nominal).0
}
