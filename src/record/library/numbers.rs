//! The numbers of a swing as the library keeps them, and those of two versions side by side. Pure.

use super::remarks::{SwingName, find};
use crate::detect::{AtEvents, BodyTurn, SegmentTurn, Swing};
use crate::units::{DeviceTime, Measured, microseconds};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// This program and its version, as results are marked with.
pub const ANALYSER: &str = concat!("hingeclock ", env!("CARGO_PKG_VERSION"));

/// An angle at the events of a swing, degrees; as [`AtEvents`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct EventNumbers {
    /// At address.
    pub address: Option<Measured>,
    /// At the set.
    pub set: Option<Measured>,
    /// At the top.
    pub top: Option<Measured>,
    /// Largest.
    pub max: Option<Measured>,
    /// Where the arm passes the horizontal on the way down.
    pub arm_horizontal_down: Option<Measured>,
    /// At impact.
    pub impact: Option<Measured>,
}

/// What a segment of the trunk does in a swing; as [`SegmentTurn`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct SegmentNumbers {
    /// Turn at the top, degrees.
    pub turn_at_top_deg: Option<Measured>,
    /// Lean at impact, degrees.
    pub tilt_at_impact_deg: Option<Measured>,
    /// How long before the top it starts back, ms.
    pub lead_to_top_ms: Option<Measured>,
    /// How long before the set, ms.
    pub lead_to_set_ms: Option<Measured>,
    /// How fast it turns at most on the way down, °/s.
    pub peak_dps: Option<Measured>,
}

impl SegmentNumbers {
    fn of(segment: &SegmentTurn) -> SegmentNumbers {
        let start = segment.start_back;
        SegmentNumbers {
            turn_at_top_deg: known(segment.turn_at_top_deg),
            tilt_at_impact_deg: known(segment.tilt_at_impact_deg),
            lead_to_top_ms: start.and_then(|start| known(start.lead_to_top_ms)),
            lead_to_set_ms: start.and_then(|start| start.lead_to_set_ms).and_then(known),
            peak_dps: known(segment.peak_dps),
        }
    }
}

/// Pelvis and chest, as far as they carried a node.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct BodyNumbers {
    /// By the node on the belt.
    pub pelvis: Option<SegmentNumbers>,
    /// By the node on the breastbone.
    pub chest: Option<SegmentNumbers>,
}

impl BodyNumbers {
    fn of(body: &BodyTurn) -> BodyNumbers {
        let of = |segment: &Option<SegmentTurn>| segment.as_ref().map(SegmentNumbers::of);
        BodyNumbers { pelvis: of(&body.pelvis), chest: of(&body.chest) }
    }
}

/// Standard deviations of a swing's instants, µs.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct InstantSds {
    /// Of the takeaway.
    pub takeaway_us: Option<i64>,
    /// Of the top.
    pub top_us: Option<i64>,
    /// Of the impact.
    pub impact_us: Option<i64>,
    /// Of the finish.
    pub finish_us: Option<i64>,
    /// Of the set.
    pub set_us: Option<i64>,
}

impl InstantSds {
    fn of(swing: &Swing) -> InstantSds {
        InstantSds {
            takeaway_us: microseconds(swing.sds.takeaway_ms),
            top_us: microseconds(swing.sds.top_ms),
            impact_us: swing.sds.impact_ms.and_then(microseconds),
            finish_us: swing.sds.finish_ms.and_then(microseconds),
            set_us: swing.set.and_then(|set| microseconds(set.set_sd_ms())),
        }
    }
}

/// What was measured of a swing, without its curve. Times are on the hand node's clock.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SwingNumbers {
    /// Start of the backswing.
    pub takeaway_us: DeviceTime,
    /// The arm's turning point.
    pub top_us: DeviceTime,
    /// The shock, if there was one.
    pub impact_us: Option<DeviceTime>,
    /// The arm at rest after the swing.
    pub finish_us: Option<DeviceTime>,
    /// The set.
    pub set_us: Option<DeviceTime>,
    /// How well these are known.
    #[serde(default)]
    pub sds: InstantSds,
    /// The set against the top, ms.
    pub set_to_top_ms: Option<Measured>,
    /// The same counted to the largest hinge up to the top only.
    pub set_to_top_ms_backswing_only: Option<Measured>,
    /// Arm travel at the set.
    pub arm_travel_at_set: Option<Measured>,
    /// Class of the set.
    pub class: String,
    /// Backswing over downswing.
    pub tempo: Option<Measured>,
    /// Hinge, degrees.
    pub hinge_deg: EventNumbers,
    /// Flexion, degrees.
    pub flexion_deg: EventNumbers,
    /// Between forearm and shaft, degrees.
    pub arm_shaft_deg: EventNumbers,
    /// Pelvis and chest.
    #[serde(default)]
    pub body: BodyNumbers,
    /// The club as the recording says.
    pub club: Option<String>,
    /// What deserves less trust.
    pub flags: Vec<String>,
}

impl SwingNumbers {
    /// The numbers of a measured swing.
    #[must_use]
    pub fn of(swing: &Swing) -> SwingNumbers {
        SwingNumbers {
            takeaway_us: swing.takeaway,
            top_us: swing.top,
            impact_us: swing.impact,
            finish_us: swing.finish,
            set_us: swing.set.map(|set| set.set),
            sds: InstantSds::of(swing),
            set_to_top_ms: swing.set.and_then(|set| known(set.set_to_top_ms)),
            set_to_top_ms_backswing_only: swing.set_backswing_only.and_then(|set| known(set.set_to_top_ms)),
            arm_travel_at_set: swing.set.and_then(|set| known(set.arm_travel_at_set)),
            class: swing.class.word().to_owned(),
            tempo: known(swing.tempo),
            hinge_deg: events(&swing.hinge_deg),
            flexion_deg: events(&swing.flexion_deg),
            arm_shaft_deg: events(&swing.arm_shaft_deg),
            body: swing.body.as_ref().map_or_else(BodyNumbers::default, BodyNumbers::of),
            club: swing.club.clone(),
            flags: swing.flags.iter().map(|flag| flag.word().to_owned()).collect(),
        }
    }
}

/// What is no number, or infinite, is unknown: JSON has no word for it.
fn known(measured: Measured) -> Option<Measured> {
    (measured.value.is_finite() && measured.sd.is_finite()).then_some(measured)
}

fn events(at: &AtEvents) -> EventNumbers {
    EventNumbers {
        address: at.address.and_then(known),
        set: at.set.and_then(known),
        top: at.top.and_then(known),
        max: at.max.and_then(known),
        arm_horizontal_down: at.arm_horizontal_down.and_then(known),
        impact: at.impact.and_then(known),
    }
}

/// The numbers by which two versions are compared.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Compared {
    /// Start of the backswing.
    pub takeaway_us: DeviceTime,
    /// Class of the set.
    pub class: String,
    /// The set against the top, ms.
    pub set_to_top_ms: Option<f64>,
    /// Arm travel at the set.
    pub arm_travel_at_set: Option<f64>,
    /// Largest hinge, degrees.
    pub hinge_max_deg: Option<f64>,
    /// Backswing over downswing.
    pub tempo: Option<f64>,
}

impl Compared {
    /// Of numbers that the library keeps.
    #[must_use]
    pub fn of(numbers: &SwingNumbers) -> Compared {
        let value = |measured: Option<Measured>| measured.map(|measured| measured.value);
        Compared {
            takeaway_us: numbers.takeaway_us,
            class: numbers.class.clone(),
            set_to_top_ms: value(numbers.set_to_top_ms),
            arm_travel_at_set: value(numbers.arm_travel_at_set),
            hinge_max_deg: value(numbers.hinge_deg.max),
            tempo: value(numbers.tempo),
        }
    }

    /// Of a swing as it was shown live and stands in the recording; none where it is no such thing.
    #[must_use]
    pub fn of_live(value: &Value) -> Option<Compared> {
        Some(Compared {
            takeaway_us: DeviceTime(value["takeaway_us"].as_i64()?),
            class: value["class"].as_str()?.to_owned(),
            set_to_top_ms: value["set_to_top_ms"].as_f64(),
            arm_travel_at_set: value["arm_travel_at_set"].as_f64(),
            hinge_max_deg: value["hinge_deg"]["max"].as_f64(),
            tempo: value["tempo"].as_f64(),
        })
    }
}

/// A swing as two versions see it; what one of them did not find is missing.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Pair {
    /// By the earlier one.
    pub earlier: Option<Compared>,
    /// By the present one.
    pub now: Option<Compared>,
}

/// Puts the swings of two results beside each other, in order of the present one; what it lacks comes last.
#[must_use]
pub fn side_by_side(earlier: &[Compared], now: &[Compared]) -> Vec<Pair> {
    let takeaways: Vec<DeviceTime> = now.iter().map(|swing| swing.takeaway_us).collect();
    let mut pairs: Vec<Pair> =
        now.iter().map(|swing| Pair { earlier: None, now: Some(swing.clone()) }).collect();
    let mut unmatched = Vec::new();
    for (place, swing) in earlier.iter().enumerate() {
        let name = SwingName { takeaway_us: swing.takeaway_us, place: place + 1 };
        match find(&takeaways, name).and_then(|at| pairs.get_mut(at)) {
            Some(pair) if pair.earlier.is_none() => pair.earlier = Some(swing.clone()),
            _ => unmatched.push(Pair { earlier: Some(swing.clone()), now: None }),
        }
    }
    pairs.append(&mut unmatched);
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(takeaway_us: i64, set_to_top_ms: f64) -> Compared {
        Compared {
            takeaway_us: DeviceTime(takeaway_us),
            class: "middle".to_owned(),
            set_to_top_ms: Some(set_to_top_ms),
            arm_travel_at_set: None,
            hinge_max_deg: None,
            tempo: None,
        }
    }

    #[test]
    fn swings_are_paired_by_their_takeaway_and_none_is_left_out() {
        let earlier = [at(0, 1.0), at(10_000_000, 2.0), at(30_000_000, 3.0)];
        let now = [at(20_000_000, 4.0), at(30_002_000, 5.0), at(1_000, 6.0)];
        let pairs = side_by_side(&earlier, &now);
        let told: Vec<_> = pairs
            .iter()
            .map(|pair| {
                let ms = |swing: &Option<Compared>| swing.as_ref().and_then(|swing| swing.set_to_top_ms);
                (ms(&pair.earlier), ms(&pair.now))
            })
            .collect();
        assert_eq!(
            told,
            [(None, Some(4.0)), (Some(3.0), Some(5.0)), (Some(1.0), Some(6.0)), (Some(2.0), None)]
        );
    }
}
