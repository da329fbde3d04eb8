//! The bucket as one JSON object, schema 1: the contract with other programs. Keys keep their order.
//!
//! µs are integers; degrees and ms have two decimals, fractions four. A number that is unknown is `null`.

use super::body_json::BodyObject;
use super::calibration_json::CalibrationObject;
use super::speed::json::SpeedObject;
use super::statistics::{Share, Spread, Trend};
use super::summary::{Group, Summary};
use super::{ANGLE_REFERENCE, LiveCue, Review};
use crate::detect::{AnglesFrom, AtEvents, NodeLoss, SetTimes, Swing};
use crate::sample::NodeRole;
use crate::units::{DeviceTime, Measured, microseconds};
use serde::Serialize;

/// The version of the object's shape.
pub const SCHEMA: u32 = 1;

/// The object as text, indented, with a newline at the end.
///
/// # Errors
/// When serialising fails, which the types do not allow for.
pub fn text(review: &Review) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(&BucketObject::of(review))?;
    text.push('\n');
    Ok(text)
}

/// One swing of the object, counted from 0; none where there is no such swing.
///
/// # Errors
/// When serialising fails, which the types do not allow for.
pub fn swing(review: &Review, place: usize) -> Result<Option<serde_json::Value>, serde_json::Error> {
    let swing = review.analysis.swings.get(place);
    swing.map(|swing| serde_json::to_value(SwingObject::of(review, place, swing))).transpose()
}

/// The keys of a swing's `body` with no number under them: every one that there may be.
///
/// # Errors
/// When serialising fails, which the types do not allow for.
pub fn empty_body() -> Result<serde_json::Value, serde_json::Error> {
    serde_json::to_value(BodyObject::empty())
}

#[derive(Serialize)]
struct BucketObject<'a> {
    schema: u32,
    swings: Vec<SwingObject<'a>>,
    program: &'static str,
    program_version: &'static str,
    input: &'a str,
    player: Option<&'a str>,
    angle_reference: &'static str,
    losses: Vec<LossObject>,
    notes: Vec<String>,
    calibration: Option<CalibrationObject>,
    summary: SummaryObject,
    speed: SpeedObject<'a>,
}

impl<'a> BucketObject<'a> {
    fn of(review: &'a Review) -> BucketObject<'a> {
        let swing = |(place, swing)| SwingObject::of(review, place, swing);
        BucketObject {
            schema: SCHEMA,
            swings: review.analysis.swings.iter().enumerate().map(swing).collect(),
            program: env!("CARGO_PKG_NAME"),
            program_version: env!("CARGO_PKG_VERSION"),
            input: &review.input,
            player: review.player.as_deref(),
            angle_reference: ANGLE_REFERENCE,
            losses: review.analysis.losses.iter().map(LossObject::of).collect(),
            notes: review.notes(),
            calibration: review.analysis.calibration.as_ref().map(CalibrationObject::of),
            summary: SummaryObject::of(review),
            speed: SpeedObject::of(review),
        }
    }
}

#[derive(Serialize)]
struct SwingObject<'a> {
    index: usize,
    takeaway_us: DeviceTime,
    takeaway_us_sd: Option<i64>,
    top_us: DeviceTime,
    top_us_sd: Option<i64>,
    impact_us: Option<DeviceTime>,
    impact_us_sd: Option<i64>,
    finish_us: Option<DeviceTime>,
    finish_us_sd: Option<i64>,
    onset_us: Option<DeviceTime>,
    onset_us_sd: Option<i64>,
    set50_us: Option<DeviceTime>,
    set50_us_sd: Option<i64>,
    set_us: Option<DeviceTime>,
    set_us_sd: Option<i64>,
    set95_us: Option<DeviceTime>,
    set95_us_sd: Option<i64>,
    set_to_top_ms: Option<f64>,
    set_to_top_ms_sd: Option<f64>,
    set_backswing_only_us: Option<DeviceTime>,
    set_backswing_only_us_sd: Option<i64>,
    set_to_top_ms_backswing_only: Option<f64>,
    set_to_top_ms_backswing_only_sd: Option<f64>,
    arm_travel_at_set: Option<f64>,
    arm_travel_at_set_sd: Option<f64>,
    class: &'static str,
    verdict: Option<&'static str>,
    verdict_is_close: Option<bool>,
    angles_from: Option<&'static str>,
    hinge_deg: EventsObject,
    hinge_deg_sd: EventsObject,
    flexion_deg: EventsObject,
    flexion_deg_sd: EventsObject,
    arm_shaft_deg: EventsObject,
    arm_shaft_deg_sd: EventsObject,
    tempo: Option<f64>,
    tempo_sd: Option<f64>,
    club: Option<&'a str>,
    flags: Vec<&'static str>,
    body: Option<BodyObject>,
    #[serde(skip_serializing_if = "Option::is_none")]
    excluded: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cue: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    cue_at_us: Option<DeviceTime>,
    #[serde(skip_serializing_if = "Option::is_none")]
    known_at_cue: Option<KnownObject>,
}

#[derive(Serialize)]
struct KnownObject {
    set_us: DeviceTime,
    arm_travel_at_set: Option<f64>,
    arm_travel_at_set_sd: Option<f64>,
    usual_arm_travel_deg: Option<f64>,
    class: &'static str,
}

impl<'a> SwingObject<'a> {
    fn of(review: &'a Review, place: usize, swing: &'a Swing) -> SwingObject<'a> {
        let set = swing.set.as_ref();
        let backswing = swing.set_backswing_only.as_ref();
        let sd = |set: Option<&SetTimes>, which: usize| set.and_then(|set| microseconds(set.sds_ms[which]));
        let to_top = |set: Option<&SetTimes>| set.map(|set| set.set_to_top_ms);
        let travel = set.map(|set| set.arm_travel_at_set);
        let judged = review.verdict(swing);
        let cue: Option<&LiveCue> = review.cues.get(place).and_then(Option::as_ref);
        SwingObject {
            index: review.number(place),
            takeaway_us: swing.takeaway,
            takeaway_us_sd: microseconds(swing.sds.takeaway_ms),
            top_us: swing.top,
            top_us_sd: microseconds(swing.sds.top_ms),
            impact_us: swing.impact,
            impact_us_sd: swing.sds.impact_ms.and_then(microseconds),
            finish_us: swing.finish,
            finish_us_sd: swing.sds.finish_ms.and_then(microseconds),
            onset_us: set.map(|set| set.onset),
            onset_us_sd: sd(set, 0),
            set50_us: set.map(|set| set.half),
            set50_us_sd: sd(set, 1),
            set_us: set.map(|set| set.set),
            set_us_sd: sd(set, 2),
            set95_us: set.map(|set| set.nearly_full),
            set95_us_sd: sd(set, 3),
            set_to_top_ms: to_top(set).and_then(|m| hundredths(m.value)),
            set_to_top_ms_sd: to_top(set).and_then(|m| hundredths(m.sd)),
            set_backswing_only_us: backswing.map(|set| set.set),
            set_backswing_only_us_sd: sd(backswing, 2),
            set_to_top_ms_backswing_only: to_top(backswing).and_then(|m| hundredths(m.value)),
            set_to_top_ms_backswing_only_sd: to_top(backswing).and_then(|m| hundredths(m.sd)),
            arm_travel_at_set: travel.and_then(|m| fraction(m.value)),
            arm_travel_at_set_sd: travel.and_then(|m| fraction(m.sd)),
            class: swing.class.word(),
            verdict: judged.map(|judged| judged.verdict.word()),
            verdict_is_close: judged.map(|judged| judged.close),
            angles_from: swing.angles_from().map(AnglesFrom::word),
            hinge_deg: EventsObject::of(&swing.hinge_deg, |m| m.value),
            hinge_deg_sd: EventsObject::of(&swing.hinge_deg, |m| m.sd),
            flexion_deg: EventsObject::of(&swing.flexion_deg, |m| m.value),
            flexion_deg_sd: EventsObject::of(&swing.flexion_deg, |m| m.sd),
            arm_shaft_deg: EventsObject::of(&swing.arm_shaft_deg, |m| m.value),
            arm_shaft_deg_sd: EventsObject::of(&swing.arm_shaft_deg, |m| m.sd),
            tempo: fraction(swing.tempo.value),
            tempo_sd: fraction(swing.tempo.sd),
            club: swing.club.as_deref(),
            flags: swing.flags.iter().map(|flag| flag.word()).collect(),
            body: swing.body.as_ref().map(BodyObject::of),
            excluded: review.left_out(place),
            cue: cue.map(|cue| cue.cue.as_str()),
            cue_at_us: cue.map(|cue| cue.at),
            known_at_cue: cue.and_then(|cue| cue.known.as_ref()).map(|known| KnownObject {
                set_us: known.set,
                arm_travel_at_set: fraction(known.arm_travel_at_set.value),
                arm_travel_at_set_sd: fraction(known.arm_travel_at_set.sd),
                usual_arm_travel_deg: hundredths(known.usual_arm_travel_deg),
                class: known.class.word(),
            }),
        }
    }
}

#[derive(Serialize)]
struct EventsObject {
    address: Option<f64>,
    set: Option<f64>,
    top: Option<f64>,
    max: Option<f64>,
    arm_horizontal_down: Option<f64>,
    impact: Option<f64>,
}

impl EventsObject {
    fn of(events: &AtEvents, part: fn(Measured) -> f64) -> EventsObject {
        let number = |measured: Measured| hundredths(part(measured));
        EventsObject {
            address: events.address.and_then(number),
            set: events.set.and_then(number),
            top: events.top.and_then(number),
            max: events.max.and_then(number),
            arm_horizontal_down: events.arm_horizontal_down.and_then(number),
            impact: events.impact.and_then(number),
        }
    }
}

#[derive(Serialize)]
struct LossObject {
    node: NodeRole,
    received: u64,
    missing: u64,
    duplicates: u64,
    /// Only where there are any: nearly no counter is broken.
    #[serde(skip_serializing_if = "Option::is_none")]
    number_jumps: Option<u64>,
}

impl LossObject {
    fn of(loss: &NodeLoss) -> LossObject {
        let NodeLoss { role, received, missing, duplicates, jumps } = *loss;
        let number_jumps = Some(jumps).filter(|jumps| *jumps > 0);
        LossObject { node: role, received, missing, duplicates, number_jumps }
    }
}

#[derive(Serialize)]
struct SummaryObject {
    all: GroupObject,
    clubs: Vec<ClubObject>,
}

#[derive(Serialize)]
struct ClubObject {
    club: Option<String>,
    window: Option<WindowObject>,
    #[serde(flatten)]
    group: GroupObject,
}

#[derive(Serialize)]
struct WindowObject {
    from: f64,
    to: f64,
}

impl SummaryObject {
    fn of(review: &Review) -> SummaryObject {
        let summary = Summary::of(review);
        let clubs = summary.clubs.iter().map(|(club, group)| ClubObject {
            club: club.clone(),
            window: review.windows.for_club(club.as_deref()).map(|w| WindowObject { from: w.from, to: w.to }),
            group: GroupObject::of(group),
        });
        SummaryObject { all: GroupObject::of(&summary.all), clubs: clubs.collect() }
    }
}

#[derive(Serialize)]
struct GroupObject {
    swings: usize,
    sets: usize,
    small_sample: bool,
    set_to_top_ms: Option<SpreadObject>,
    measurement_sd_ms: Option<f64>,
    arm_travel_at_set: Option<SpreadObject>,
    in_window: Option<ShareObject>,
    tempo: Option<SpreadObject>,
    pelvis_lead_to_top_ms: Option<SpreadObject>,
    pelvis_lead_to_set_ms: Option<SpreadObject>,
    set_trend_ms: Option<TrendObject>,
    release_dps: Option<SpreadObject>,
    release_trend_dps: Option<TrendObject>,
    set_spread_first_half_ms: Option<f64>,
    set_spread_second_half_ms: Option<f64>,
}

impl GroupObject {
    fn of(group: &Group) -> GroupObject {
        let fatigue = group.fatigue;
        GroupObject {
            swings: group.swings,
            sets: group.sets,
            small_sample: group.is_small(),
            set_to_top_ms: group.set_to_top_ms.map(|s| SpreadObject::of(&s, hundredths)),
            measurement_sd_ms: group.measurement_sd_ms.and_then(hundredths),
            arm_travel_at_set: group.arm_travel_at_set.map(|s| SpreadObject::of(&s, fraction)),
            in_window: group.in_window.map(|s| ShareObject::of(&s)),
            tempo: group.tempo.map(|s| SpreadObject::of(&s, fraction)),
            pelvis_lead_to_top_ms: group.pelvis_lead_to_top_ms.map(|s| SpreadObject::of(&s, hundredths)),
            pelvis_lead_to_set_ms: group.pelvis_lead_to_set_ms.map(|s| SpreadObject::of(&s, hundredths)),
            set_trend_ms: group.set_trend_ms.map(|t| TrendObject::of(&t)),
            release_dps: fatigue.and_then(|f| f.release_dps).map(|s| SpreadObject::of(&s, hundredths)),
            release_trend_dps: fatigue.and_then(|f| f.release_trend).map(|t| TrendObject::of(&t)),
            set_spread_first_half_ms: fatigue.and_then(|f| f.set_spread_first_ms).and_then(hundredths),
            set_spread_second_half_ms: fatigue.and_then(|f| f.set_spread_second_ms).and_then(hundredths),
        }
    }
}

#[derive(Serialize)]
struct SpreadObject {
    n: usize,
    median: Option<f64>,
    lower_quartile: Option<f64>,
    upper_quartile: Option<f64>,
    robust_sd: Option<f64>,
}

impl SpreadObject {
    fn of(spread: &Spread, round: fn(f64) -> Option<f64>) -> SpreadObject {
        SpreadObject {
            n: spread.n,
            median: round(spread.median),
            lower_quartile: round(spread.lower_quartile),
            upper_quartile: round(spread.upper_quartile),
            robust_sd: spread.robust_sd.and_then(round),
        }
    }
}

#[derive(Serialize)]
struct ShareObject {
    hits: usize,
    n: usize,
    share: Option<f64>,
    low_95: Option<f64>,
    high_95: Option<f64>,
}

impl ShareObject {
    fn of(share: &Share) -> ShareObject {
        ShareObject {
            hits: share.hits,
            n: share.n,
            share: fraction(share.share),
            low_95: fraction(share.low),
            high_95: fraction(share.high),
        }
    }
}

#[derive(Serialize)]
struct TrendObject {
    per_swing: Option<f64>,
    low_95: Option<f64>,
    high_95: Option<f64>,
    clear: bool,
}

impl TrendObject {
    fn of(trend: &Trend) -> TrendObject {
        TrendObject {
            per_swing: hundredths(trend.per_swing),
            low_95: hundredths(trend.low),
            high_95: hundredths(trend.high),
            clear: trend.clear,
        }
    }
}

pub(super) fn hundredths(number: f64) -> Option<f64> {
    rounded(number, 100.0)
}

pub(super) fn fraction(number: f64) -> Option<f64> {
    rounded(number, 10_000.0)
}

/// Rounds to parts of one; adding zero turns -0 into 0. Not a number and infinity are unknown.
pub(super) fn rounded(number: f64, parts: f64) -> Option<f64> {
    let scaled = (number * parts).round() / parts + 0.0;
    scaled.is_finite().then_some(scaled)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_rounded_and_unknown_ones_left_out() {
        assert_eq!(hundredths(-412.345_6), Some(-412.35));
        assert_eq!(fraction(0.123_449), Some(0.1234));
        assert_eq!(hundredths(-0.001).map(f64::to_bits), Some(0.0_f64.to_bits()));
        assert_eq!(hundredths(f64::NAN), None);
        assert_eq!(fraction(f64::INFINITY), None);
    }
}
