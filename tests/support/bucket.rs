//! A small bucket made by hand for tests of what a reader sees. Robin is invented.
#![allow(dead_code, reason = "each test file uses a part of it")]

use hingeclock::detect::*;
use hingeclock::review::{Review, Windows};
use hingeclock::sample::NodeRole;
use hingeclock::units::{DeviceTime, Measured};
use std::f64::consts::PI;

/// The shape of one invented swing.
#[derive(Clone, Copy)]
pub struct Shape {
    pub club: &'static str,
    pub takeaway_s: f64,
    pub backswing_s: f64,
    pub downswing_s: f64,
    /// The hinge rises from and to these parts of the backswing's duration.
    pub rises: (f64, f64),
    pub range_deg: f64,
    pub ball: bool,
}

const TOP_TRAVEL_DEG: f64 = 165.0;
const STEP_S: f64 = 0.004;

/// Robin's bucket: seven swings with the 7 iron, four with the driver, one of them an air swing.
pub fn robins_bucket() -> Review {
    let iron = |takeaway_s, rises, range_deg| Shape {
        club: "7 iron",
        takeaway_s,
        backswing_s: 0.78,
        downswing_s: 0.26,
        rises,
        range_deg,
        ball: true,
    };
    let driver = |takeaway_s, rises, ball| Shape {
        club: "driver",
        takeaway_s,
        backswing_s: 0.88,
        downswing_s: 0.28,
        rises,
        range_deg: 33.0,
        ball,
    };
    let mut swings = vec![
        swing(iron(12.0, (0.14, 0.62), 31.0)),
        swing(iron(41.5, (0.16, 0.60), 29.5)),
        swing(iron(70.2, (0.10, 0.52), 30.2)),
        swing(iron(99.9, (0.24, 0.78), 32.4)),
        swing(iron(131.0, (0.15, 0.63), 30.8)),
        swing(iron(158.3, (0.20, 0.70), 5.5)),
        swing(iron(190.6, (0.18, 0.66), 31.9)),
        swing(driver(240.0, (0.22, 0.88), true)),
        swing(driver(271.7, (0.25, 1.02), true)),
        swing(driver(303.1, (0.30, 1.22), true)),
        swing(driver(330.4, (0.20, 0.84), false)),
    ];
    swings[2].flags = vec![Flag::FlatSlope];
    swings[3].flags = vec![Flag::DataGap];
    swings[9].flags = vec![Flag::HingesOnAfterTop, Flag::GyroClipped];
    Review { windows: robins_windows(), player: Some("Robin".to_owned()), ..review_of(swings) }
}

/// The same with nodes on chest and belt in the newest swing; the chest's lost some readings.
pub fn with_trunk(mut review: Review) -> Review {
    let newest = review.analysis.swings.last_mut().unwrap();
    let segment = |turn: f64, lean, lead_ms: f64, flags| SegmentTurn {
        turn_at_top_deg: Measured::new(turn, 0.8),
        tilt_at_impact_deg: Measured::new(lean, 2.2),
        start_back: Some(StartBack {
            at: newest.top.plus_seconds(-lead_ms * 1e-3),
            lead_to_top_ms: Measured::new(lead_ms, 2.4),
            lead_to_set_ms: None,
        }),
        peak_dps: Measured::new(10.0 * turn, 4.0),
        peak: newest.top.plus_seconds(0.2),
        flags,
        curve: Vec::new(),
    };
    let pelvis = segment(44.2, 6.3, 71.0, Vec::new());
    let chest = segment(92.4, 14.1, 28.0, vec![BodyFlag::DataGap]);
    newest.body = Some(BodyTurn { pelvis: Some(pelvis), chest: Some(chest) });
    review
}

/// What Robin and the coach Sam agreed on.
pub fn robins_windows() -> Windows {
    let window = |from, to| TargetWindow { from, to };
    Windows {
        by_club: [("7 iron".to_owned(), window(0.42, 0.58)), ("driver".to_owned(), window(0.80, 1.00))]
            .into(),
        otherwise: None,
    }
}

fn review_of(swings: Vec<Swing>) -> Review {
    let losses = vec![
        NodeLoss { role: NodeRole::Hand, received: 180_212, missing: 0, duplicates: 0, jumps: 0 },
        NodeLoss { role: NodeRole::Forearm, received: 180_150, missing: 62, duplicates: 3, jumps: 0 },
    ];
    let notes = vec![
        "Calibrated at the start; the mounting is known to about 1.2° per axis.".to_owned(),
        "The two node clocks differ by 18.4 ppm; aligned from the motion to about 0.6 ms.".to_owned(),
    ];
    Review::new("kestrel-point-bucket-1", BucketAnalysis { swings, losses, notes, calibration: None })
}

/// A whole swing worked out from its shape.
pub fn swing(shape: Shape) -> Swing {
    let curve = curve(shape);
    let at = |t_s: f64| nearest(&curve, shape.takeaway_s + t_s);
    let impact_s = shape.backswing_s + shape.downswing_s;
    let (full, backswing) = (set_times(shape, &curve, 0.4), set_times(shape, &curve, 0.0));
    let degrees = |value| Measured::new(value, 0.9);
    let set_point = full.map(|set| nearest(&curve, set.set.0 as f64 * 1e-6));
    let top = at(shape.backswing_s);
    let down = at(shape.backswing_s + 0.55 * shape.downswing_s);
    let impact = at(impact_s);
    let max = curve.iter().map(|p| p.hinge_deg).fold(0.0, f64::max);
    let events = |address: f64, sign: f64, straight: f64| AtEvents {
        address: Some(degrees(address)),
        set: set_point.map(|p| degrees(straight + sign * p.hinge_deg)),
        top: Some(degrees(straight + sign * top.hinge_deg)),
        max: Some(degrees(straight + sign * max)),
        arm_horizontal_down: Some(degrees(straight + sign * down.hinge_deg)),
        impact: shape.ball.then_some(degrees(straight + sign * impact.hinge_deg)),
    };
    Swing {
        club: Some(shape.club.to_owned()),
        takeaway: seconds(shape.takeaway_s),
        top: seconds(shape.takeaway_s + shape.backswing_s),
        arm_horizontal_down: Some(down.t),
        impact: shape.ball.then_some(seconds(shape.takeaway_s + impact_s)),
        finish: Some(seconds(shape.takeaway_s + impact_s + 0.55)),
        sds: EventSds {
            takeaway_ms: 4.2,
            top_ms: 1.3,
            impact_ms: shape.ball.then_some(0.6),
            finish_ms: Some(7.5),
        },
        set: full,
        set_backswing_only: backswing,
        class: full.map_or(Class::None, |set| {
            Bands::default().class(set.set_to_top_ms.value, set.arm_travel_at_set.value)
        }),
        hinge_deg: events(-14.0, 1.0, 0.0),
        flexion_deg: events(3.0, -0.3, 0.0),
        arm_shaft_deg: events(142.0, -2.0, 142.0),
        tempo: Measured::new(shape.backswing_s / shape.downswing_s, 0.05),
        flags: Vec::new(),
        curve,
        body: None,
        motion: SwingMotion::default(),
    }
}

fn seconds(t_s: f64) -> DeviceTime {
    DeviceTime((t_s * 1e6).round() as i64)
}

fn nearest(curve: &[CurvePoint], t_s: f64) -> CurvePoint {
    let distance = |p: &&CurvePoint| (p.t.0 - seconds(t_s).0).abs();
    *curve.iter().min_by_key(distance).unwrap()
}

fn smooth(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * x * (10.0 - 15.0 * x + 6.0 * x * x)
}

fn curve(shape: Shape) -> Vec<CurvePoint> {
    let end_s = shape.backswing_s + shape.downswing_s + 0.45;
    let steps = (end_s / STEP_S) as i32;
    (-20..steps).map(|step| point(shape, f64::from(step) * STEP_S)).collect()
}

fn point(shape: Shape, t_s: f64) -> CurvePoint {
    let Shape { backswing_s, downswing_s, rises: (from, to), range_deg, .. } = shape;
    let up = smooth((t_s / backswing_s - from) / (to - from));
    let release = smooth(((t_s - backswing_s) / downswing_s - 0.35) / 0.75);
    let wobble = 0.35 * (9.0 * t_s + range_deg).sin() * smooth(t_s / 0.2);
    let hinge_deg = range_deg * up - (range_deg + 6.0) * release + wobble;
    let travel = if t_s <= backswing_s {
        smooth(t_s / backswing_s)
    } else {
        // From rest at the top, through the address angle at impact, and on.
        let x = (t_s - backswing_s) / downswing_s;
        1.0 - x * x / (1.0 + 0.12 * (x - 1.0).max(0.0) * 6.0)
    };
    CurvePoint {
        t: seconds(shape.takeaway_s + t_s),
        hinge_deg,
        flexion_deg: -0.3 * hinge_deg + 2.0 * (PI * t_s).sin(),
        roll_deg: 60.0 * travel,
        arm_travel_deg: TOP_TRAVEL_DEG * travel,
        arm_travel: travel,
    }
}

/// The set of the made-up curve, up to this part of the downswing.
fn set_times(shape: Shape, curve: &[CurvePoint], into_downswing: f64) -> Option<SetTimes> {
    let end = seconds(shape.takeaway_s + shape.backswing_s + into_downswing * shape.downswing_s);
    let within: Vec<&CurvePoint> =
        curve.iter().filter(|p| p.t.0 >= seconds(shape.takeaway_s).0 && p.t <= end).collect();
    let largest = within.iter().map(|p| p.hinge_deg).fold(f64::MIN, f64::max);
    if largest < Bands::default().least_range_deg {
        return None;
    }
    let crossing = |part: f64| {
        let below = within.iter().rposition(|p| p.hinge_deg < part * largest).map_or(0, |i| i + 1);
        let last = within.iter().position(|p| p.hinge_deg >= largest).unwrap();
        within[..=last]
            .iter()
            .rposition(|p| p.hinge_deg < part * largest)
            .map_or(within[below.min(last)], |i| within[i + 1])
    };
    let set = crossing(0.9);
    let top_s = shape.takeaway_s + shape.backswing_s;
    Some(SetTimes {
        onset: crossing(0.1).t,
        half: crossing(0.5).t,
        set: set.t,
        nearly_full: crossing(0.95).t,
        sds_ms: [6.2, 3.1, 11.4, 14.0],
        set_to_top_ms: Measured::new((set.t.0 as f64 * 1e-6 - top_s) * 1e3, 11.4),
        arm_travel_at_set: Measured::new(set.arm_travel, 0.021),
    })
}
