//! Pelvis and chest as the JSON of a swing tells them; `null` where nothing is worn there.

use super::json::hundredths;
use crate::detect::{BodyTurn, SegmentTurn};
use crate::units::DeviceTime;
use serde::Serialize;

#[derive(Serialize)]
pub(super) struct BodyObject {
    pelvis: Option<SegmentObject>,
    chest: Option<SegmentObject>,
}

#[derive(Default, Serialize)]
struct SegmentObject {
    turn_at_top_deg: Option<f64>,
    turn_at_top_deg_sd: Option<f64>,
    tilt_at_impact_deg: Option<f64>,
    tilt_at_impact_deg_sd: Option<f64>,
    starts_back_us: Option<DeviceTime>,
    lead_to_top_ms: Option<f64>,
    lead_to_top_ms_sd: Option<f64>,
    lead_to_set_ms: Option<f64>,
    lead_to_set_ms_sd: Option<f64>,
    peak_dps: Option<f64>,
    peak_dps_sd: Option<f64>,
    peak_us: Option<DeviceTime>,
    flags: Vec<&'static str>,
}

impl BodyObject {
    /// With every key and no number: for tables, whose columns are the same whatever is worn.
    pub(super) fn empty() -> BodyObject {
        BodyObject { pelvis: Some(SegmentObject::default()), chest: Some(SegmentObject::default()) }
    }

    pub(super) fn of(body: &BodyTurn) -> BodyObject {
        let of = |segment: &Option<SegmentTurn>| segment.as_ref().map(SegmentObject::of);
        BodyObject { pelvis: of(&body.pelvis), chest: of(&body.chest) }
    }
}

impl SegmentObject {
    fn of(segment: &SegmentTurn) -> SegmentObject {
        let start = segment.start_back;
        let to_top = start.map(|start| start.lead_to_top_ms);
        let to_set = start.and_then(|start| start.lead_to_set_ms);
        SegmentObject {
            turn_at_top_deg: hundredths(segment.turn_at_top_deg.value),
            turn_at_top_deg_sd: hundredths(segment.turn_at_top_deg.sd),
            tilt_at_impact_deg: hundredths(segment.tilt_at_impact_deg.value),
            tilt_at_impact_deg_sd: hundredths(segment.tilt_at_impact_deg.sd),
            starts_back_us: start.map(|start| start.at),
            lead_to_top_ms: to_top.and_then(|lead| hundredths(lead.value)),
            lead_to_top_ms_sd: to_top.and_then(|lead| hundredths(lead.sd)),
            lead_to_set_ms: to_set.and_then(|lead| hundredths(lead.value)),
            lead_to_set_ms_sd: to_set.and_then(|lead| hundredths(lead.sd)),
            peak_dps: hundredths(segment.peak_dps.value),
            peak_dps_sd: hundredths(segment.peak_dps.sd),
            peak_us: Some(segment.peak),
            flags: segment.flags.iter().map(|flag| flag.word()).collect(),
        }
    }
}
