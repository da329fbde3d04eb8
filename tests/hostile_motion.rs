//! Nothing that a sensor could send, sensible or not, makes the analysis panic or invent swings at rest.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use hingeclock::detect::{AnalysisParams, LiveAnalysis, OfflineAnalysis};
use hingeclock::sample::{Arrival, CalibrationPart, DeviceDescription, ImuSample, Marker, NodeRole};
use hingeclock::units::DeviceTime;
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

/// A few seconds of both nodes: stretches of stillness and of wild turning, with gaps, doubles and jumps.
fn arrivals(seed: u64, wildness: f64) -> Vec<Arrival> {
    let mut rng = StdRng::seed_from_u64(seed);
    let mut arrivals = Vec::new();
    let (mut rate, mut t_us, mut still) = ([0.0; 3], 1_000_000_i64, true);
    for i in 0..6000_u32 {
        t_us += if rng.random_bool(0.001) { rng.random_range(-6_000_000..9_000_000) } else { 2000 };
        if rng.random_bool(0.002) {
            still = !still;
        }
        for value in &mut rate {
            *value = if still { 0.0 } else { 0.98 * *value + rng.random_range(-1.0..1.0) * wildness };
        }
        let force = [rng.random_range(-0.01..0.01) * wildness, 0.0, 1.0];
        if rng.random_bool(0.001) {
            let parts = CalibrationPart::ALL;
            let marker = Marker::Prompt(parts[rng.random_range(0..parts.len())].0);
            arrivals.push(Arrival::Marker { received: None, marker });
        }
        for role in [NodeRole::Hand, NodeRole::Forearm] {
            if rng.random_bool(0.98) {
                let sample = ImuSample {
                    role,
                    seq: i,
                    t: DeviceTime(t_us),
                    rate_dps: rate,
                    specific_force_g: force,
                    received: None,
                };
                arrivals.push(Arrival::Sample(sample));
            }
        }
    }
    arrivals
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    #[test]
    fn no_motion_makes_the_analysis_panic(seed: u64, wildness in prop::sample::select(vec![0.5, 20.0, 400.0, 1e6])) {
        let device = DeviceDescription::default();
        let mut live = LiveAnalysis::new(&device, AnalysisParams::default());
        let mut offline = OfflineAnalysis::new(&device, AnalysisParams::default());
        for arrival in &arrivals(seed, wildness) {
            live.push(arrival);
            offline.push(arrival);
        }
        live.finish();
        for swing in offline.finish().swings {
            prop_assert!(swing.takeaway < swing.top);
        }
    }
}

#[test]
fn stillness_holds_no_swing() {
    let device = DeviceDescription::default();
    let mut offline = OfflineAnalysis::new(&device, AnalysisParams::default());
    arrivals(3, 0.0).iter().for_each(|arrival| offline.push(arrival));
    assert_eq!(offline.finish().swings.len(), 0);
}
