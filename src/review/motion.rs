//! One swing over time as JSON for the page's cursor: angles, rates, the stick figure, and the events as they were
//! computed and as a person has moved them. Times in ms against the top; a number that is unknown is `null`.

use super::Review;
use super::figure::{Seen, poses};
use super::json::rounded;
use super::trunk_angles::TrunkAngle;
use crate::detect::{CurvePoint, Swing};
use crate::record::library::moved::SwingEvent;
use crate::units::{DeviceTime, PlayerHand};
use serde::Serialize;

/// Rates are taken over at least so long, s: shorter would show the sensors' noise.
const RATE_OVER_S: f64 = 0.008;

/// A swing over time.
#[derive(Debug, Serialize)]
pub struct Motion {
    number: usize,
    takeaway_us: DeviceTime,
    top_us: DeviceTime,
    t_ms: Vec<f64>,
    lanes: Vec<Lane>,
    arm_travel: Vec<Option<f64>>,
    figure: Figure,
    left_handed: bool,
    events: Vec<Event>,
}

#[derive(Debug, Serialize)]
struct Lane {
    key: &'static str,
    name: &'static str,
    unit: &'static str,
    values: Vec<Option<f64>>,
}

/// Each point as face-on, down-the-line, up; m from the shoulder.
#[derive(Debug, Serialize)]
struct Figure {
    wrist: Vec<[f64; 3]>,
    head: Vec<[f64; 3]>,
}

#[derive(Debug, Serialize)]
struct Event {
    word: &'static str,
    name: &'static str,
    at_ms: Option<f64>,
    moved_ms: Option<f64>,
}

/// When the program has an event.
#[must_use]
pub fn computed(swing: &Swing, event: SwingEvent) -> Option<DeviceTime> {
    match event {
        SwingEvent::Takeaway => Some(swing.takeaway),
        SwingEvent::Onset => swing.set.map(|set| set.onset),
        SwingEvent::Set => swing.set.map(|set| set.set),
        SwingEvent::Top => Some(swing.top),
        SwingEvent::ArmHorizontal => swing.arm_horizontal_down,
        SwingEvent::Impact => swing.impact,
        SwingEvent::Finish => swing.finish,
    }
}

/// An event in a reader's words.
#[must_use]
pub fn event_name(event: SwingEvent) -> &'static str {
    match event {
        SwingEvent::Takeaway => "Takeaway",
        SwingEvent::Onset => "Hinge begins",
        SwingEvent::Set => "Set",
        SwingEvent::Top => "Top",
        SwingEvent::ArmHorizontal => "Arm horizontal",
        SwingEvent::Impact => "Impact",
        SwingEvent::Finish => "Finish",
    }
}

impl Motion {
    /// The motion of a swing, counted from 0; none where there is no such swing.
    #[must_use]
    pub fn of(review: &Review, place: usize, hand: Option<PlayerHand>) -> Option<Motion> {
        let swing = review.analysis.swings.get(place)?;
        let hand = hand.unwrap_or(PlayerHand::Right);
        let against_top = |t: DeviceTime| t.seconds_since(swing.top) * 1e3;
        let moved = review.said_of(place).map(|said| &said.moved);
        let event = |(event, word): (SwingEvent, &'static str)| Event {
            word,
            name: event_name(event),
            at_ms: computed(swing, event).and_then(|t| rounded(against_top(t), 100.0)),
            moved_ms: moved.and_then(|moved| moved.get(&event)).and_then(|t| rounded(against_top(*t), 100.0)),
        };
        let poses = poses(swing, hand);
        Some(Motion {
            number: review.number(place),
            takeaway_us: swing.takeaway,
            top_us: swing.top,
            t_ms: swing.curve.iter().filter_map(|point| rounded(against_top(point.t), 1000.0)).collect(),
            lanes: lanes(swing),
            arm_travel: swing.curve.iter().map(|point| rounded(point.arm_travel, 10_000.0)).collect(),
            figure: Figure {
                wrist: poses.iter().map(|pose| place_of(pose.wrist)).collect(),
                head: poses.iter().map(|pose| place_of(pose.head)).collect(),
            },
            left_handed: hand == PlayerHand::Left,
            events: SwingEvent::ALL.into_iter().map(event).collect(),
        })
    }
}

fn lanes(swing: &Swing) -> Vec<Lane> {
    let curve = &swing.curve;
    let lane = |key, name, unit, parts: f64, values: Vec<f64>| Lane {
        key,
        name,
        unit,
        values: values.into_iter().map(|value| rounded(value, parts)).collect(),
    };
    let angle = |part: fn(&CurvePoint) -> f64| curve.iter().map(part).collect::<Vec<f64>>();
    let mut lanes = vec![
        lane("hinge", "Hinge", "°", 100.0, angle(|point| point.hinge_deg)),
        lane("flexion", "Flexion (bow +, cup −)", "°", 100.0, angle(|point| point.flexion_deg)),
        lane("roll", "Forearm roll", "°", 100.0, angle(|point| point.roll_deg)),
        lane("travel", "Arm turned", "°", 100.0, angle(|point| point.arm_travel_deg)),
        lane("hinge_rate", "Hinge rate", "°/s", 1.0, rate(curve, |point| point.hinge_deg)),
        lane("arm_rate", "Arm rate", "°/s", 1.0, rate(curve, |point| point.arm_travel_deg)),
    ];
    let of_trunk = |angle: TrunkAngle| {
        let values = curve.iter().map(|point| angle.at(swing, point.t)).collect();
        lane(angle.key, angle.name, "°", 100.0, values)
    };
    lanes.extend(TrunkAngle::told_by(swing).into_iter().map(of_trunk));
    lanes
}

/// The rate of an angle, from the points to either side.
fn rate(curve: &[CurvePoint], angle: fn(&CurvePoint) -> f64) -> Vec<f64> {
    let between = |at: usize| {
        let reaches = |other: &CurvePoint| (other.t.seconds_since(curve[at].t)).abs() * 2.0 >= RATE_OVER_S;
        let before = curve[..at].iter().rposition(reaches).unwrap_or(0);
        let after = curve[at..].iter().position(reaches).map_or(curve.len() - 1, |steps| at + steps);
        let span_s = curve[after].t.seconds_since(curve[before].t);
        if span_s > 0.0 { (angle(&curve[after]) - angle(&curve[before])) / span_s } else { f64::NAN }
    };
    (0..curve.len()).map(between).collect()
}

/// How fast the arm turns at impact, °/s; negative, since it comes back.
#[must_use]
pub fn arm_rate_at_impact(swing: &Swing) -> Option<f64> {
    let impact = swing.impact?;
    let rates = rate(&swing.curve, |point| point.arm_travel_deg);
    // Just before the shock, which shakes the glove.
    let before = swing.curve.iter().rposition(|point| impact.seconds_since(point.t) >= 0.004)?;
    rates.get(before).copied().filter(|rate| rate.is_finite())
}

/// An angle or arm travel at an instant, between two points in proportion; none outside the curve.
#[must_use]
pub fn at(curve: &[CurvePoint], t: DeviceTime, value: fn(&CurvePoint) -> f64) -> Option<f64> {
    let after = curve.iter().position(|point| point.t >= t)?;
    let b = &curve[after];
    let found = match after.checked_sub(1).map(|before| &curve[before]) {
        Some(a) => {
            let part = t.seconds_since(a.t) / b.t.seconds_since(a.t);
            value(a) + part * (value(b) - value(a))
        }
        None if t == b.t => value(b),
        None => return None,
    };
    found.is_finite().then_some(found)
}

fn place_of(seen: Seen) -> [f64; 3] {
    [seen.face_on, seen.down_the_line, seen.up].map(|part| (part * 1000.0).round() / 1000.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(slope: f64) -> Vec<CurvePoint> {
        let point = |i: i64| CurvePoint {
            t: DeviceTime(2000 * i),
            hinge_deg: slope * 0.002 * i as f64,
            flexion_deg: f64::NAN,
            roll_deg: 0.0,
            arm_travel_deg: 0.0,
            arm_travel: 0.0,
        };
        (0..50).map(point).collect()
    }

    #[test]
    fn a_straight_line_has_one_rate_its_ends_included() {
        for rate in rate(&line(300.0), |point| point.hinge_deg) {
            assert!((rate - 300.0).abs() < 1e-6, "{rate}");
        }
        assert!(rate(&line(1.0), |point| point.flexion_deg).iter().all(|rate| rate.is_nan()));
        assert!(rate(&line(1.0)[..1], |point| point.hinge_deg).iter().all(|rate| rate.is_nan()));
        assert!(rate(&[], |point| point.hinge_deg).is_empty());
    }

    #[test]
    fn between_points_in_proportion_and_nothing_outside() {
        let curve = line(1000.0);
        assert_eq!(at(&curve, DeviceTime(3000), |point| point.hinge_deg), Some(3.0));
        assert_eq!(at(&curve, DeviceTime(0), |point| point.hinge_deg), Some(0.0));
        assert_eq!(at(&curve, DeviceTime(-1), |point| point.hinge_deg), None);
        assert_eq!(at(&curve, DeviceTime(98_001), |point| point.hinge_deg), None);
    }
}
