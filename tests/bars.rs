//! Bars hold what is unsure about a swing besides the joint: the instant of the shock, a long axis that nobody showed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
}

use hingeclock::detect::{CurvePoint, Swing};
use hingeclock::device::virtual_glove::sensor::SensorSettings;
use hingeclock::device::virtual_glove::{Cue, Plan, Scenario, VirtualBucket};
use support::analysis::offline;

fn played(sensor: SensorSettings, calibrated: bool, seed: u64) -> VirtualBucket {
    let Plan::Listed(mut cues) = Scenario::demo_bucket().plan else { panic!("the demo bucket is a list") };
    cues.retain(|cue| calibrated || *cue != Cue::Calibrate);
    VirtualBucket::play(&Scenario { sensor, ..Scenario::new(Plan::Listed(cues)) }, seed)
}

/// How fast the hinge changes about the ball, °/s.
fn hinge_rate_at_ball_dps(swing: &Swing) -> Option<f64> {
    let impact = swing.impact?;
    let near = |point: &&CurvePoint| point.t.seconds_since(impact).abs() < 0.006;
    let near: Vec<_> = swing.curve.iter().filter(near).collect();
    let (first, last) = (near.first()?, near.last()?);
    Some((last.hinge_deg - first.hinge_deg) / last.t.seconds_since(first.t))
}

#[test]
fn an_angle_at_the_ball_is_as_unsure_as_the_instant_of_the_shock() {
    let step_s = 0.005;
    let sensor =
        SensorSettings { rate_hz: 1.0 / step_s, bandwidth_hz: Some(80.0), ..SensorSettings::default() };
    let swings = offline(&played(sensor, true, 3));
    let hit: Vec<(f64, f64)> = swings
        .iter()
        .filter_map(|swing| Some((hinge_rate_at_ball_dps(swing)?.abs(), swing.hinge_deg.impact?.sd)))
        .collect();
    assert!(hit.iter().any(|(rate_dps, _)| *rate_dps > 200.0), "{hit:?}");
    for (rate_dps, sd_deg) in &hit {
        assert!(*sd_deg > 0.8 * 0.5 * step_s * rate_dps, "± {sd_deg}° at {rate_dps} °/s");
    }
}

/// Roll's rate over the arm's deceleration at the top, s: by so much a long axis that is off moves the top, per rad.
fn top_moves_by_s(swing: &Swing) -> f64 {
    let step_s = 0.01;
    let at = |from_top_s: f64| {
        let off = |point: &CurvePoint| (point.t.seconds_since(swing.top) - from_top_s).abs();
        swing.curve.iter().min_by(|a, b| off(a).total_cmp(&off(b))).unwrap()
    };
    let (before, top, after) = (at(-step_s), at(0.0), at(step_s));
    let roll = (after.roll_deg - before.roll_deg) / (2.0 * step_s);
    let bend = (after.arm_travel_deg + before.arm_travel_deg - 2.0 * top.arm_travel_deg) / (step_s * step_s);
    (roll / bend).abs()
}

/// The bar of the top, s, out of that of the tempo, whose other parts are known.
fn top_sd_s(swing: &Swing) -> f64 {
    let ball = swing.impact.unwrap();
    let (back_s, down_s) = (swing.top.seconds_since(swing.takeaway), ball.seconds_since(swing.top));
    let variance =
        (swing.tempo.sd / swing.tempo.value).powi(2) - (0.01 / back_s).powi(2) - (0.002 / down_s).powi(2);
    variance.max(0.0).sqrt() / (1.0 / back_s + 1.0 / down_s)
}

#[test]
fn without_a_roll_the_top_is_as_unsure_as_the_nominal_long_axis() {
    let nominal_axis_sd = 12.0_f64.to_radians();
    let swings = offline(&played(SensorSettings::default(), false, 3));
    let hit: Vec<&Swing> = swings.iter().filter(|swing| swing.impact.is_some()).collect();
    let ms = |swing: &&Swing| (top_sd_s(swing) * 1e3, nominal_axis_sd * top_moves_by_s(swing) * 1e3);
    let found: Vec<(f64, f64)> = hit.iter().map(ms).collect();
    assert!(found.iter().filter(|(_, expected_ms)| *expected_ms > 1.0).count() > 3, "{found:?}");
    assert!(found.iter().all(|(sd_ms, expected_ms)| *sd_ms > 0.7 * expected_ms), "{found:?}");
}
