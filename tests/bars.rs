//! Bars hold what is unsure about a swing besides the joint: the instant of the shock, a long axis that nobody showed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
}

use hingeclock::detect::Swing;
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
    let near = |point: &&hingeclock::detect::CurvePoint| point.t.seconds_since(impact).abs() < 0.006;
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

/// Mean of the bars of the arm's travel at the set, over the swings that have one, less what every one has.
fn travel_sd(swings: &[Swing]) -> f64 {
    let beyond_least = |sd: f64| (sd * sd - 0.005 * 0.005).max(0.0).sqrt();
    let of_set = |swing: &Swing| Some(beyond_least(swing.set?.arm_travel_at_set.sd));
    let sds: Vec<f64> = swings.iter().filter_map(of_set).collect();
    sds.iter().sum::<f64>() / sds.len() as f64
}

#[test]
fn without_a_roll_the_arms_travel_is_less_sure() {
    let [rolled, nominal] = [true, false]
        .map(|calibrated| travel_sd(&offline(&played(SensorSettings::default(), calibrated, 3))));
    assert!(nominal > 1.5 * rolled, "± {rolled} calibrated, ± {nominal} without");
}
