//! What the live path costs per sample, beside a filter for orientation alone on the same samples.

use hingeclock::daemon::analysis_params;
use hingeclock::detect::LiveAnalysis;
use hingeclock::device::host_clock::HostClock;
use hingeclock::device::virtual_glove::VirtualBucket;
use hingeclock::record::settings::Settings;
use hingeclock::sample::{Arrival, ImuSample, NodeRole};
use std::time::Duration;

/// Mean cost per sample, ns.
pub struct Cost {
    pub samples: usize,
    /// The whole live path, swings included.
    pub live_ns: f64,
    /// The filter of the crate `vqf`, one for each node, with its defaults.
    pub vqf_ns: f64,
    /// Swings that the live path found: it did its work.
    pub swings: usize,
}

/// Both over the same bucket, one after the other.
pub fn per_sample(bucket: &VirtualBucket, rate_hz: f64) -> Cost {
    let clock = HostClock::start();
    let samples: Vec<&ImuSample> = bucket.arrivals.iter().filter_map(sample).collect();
    let begun = clock.now();
    let mut live = LiveAnalysis::new(&bucket.device, analysis_params(&Settings::default()));
    let swings = bucket.arrivals.iter().flat_map(|arrival| live.push(arrival)).count();
    let live_us = clock.now().0 - begun.0;
    let begun = clock.now();
    let turned = vqf_over(&samples, rate_hz);
    let vqf_us = clock.now().0 - begun.0;
    assert!(turned.is_finite());
    let per_sample_ns = |us: i64| us as f64 * 1e3 / samples.len() as f64;
    Cost { samples: samples.len(), live_ns: per_sample_ns(live_us), vqf_ns: per_sample_ns(vqf_us), swings }
}

fn sample(arrival: &Arrival) -> Option<&ImuSample> {
    match arrival {
        Arrival::Sample(sample) => Some(sample),
        Arrival::Marker { .. } => None,
    }
}

/// Each node's samples through its own filter; gives something of the outcome, so that it has to be worked out.
fn vqf_over(samples: &[&ImuSample], rate_hz: f64) -> f32 {
    let step = Duration::from_secs_f64(1.0 / rate_hz);
    let new = || vqf::Vqf::new(step, step, vqf::VqfParameters::default());
    let (mut hand, mut forearm) = (new(), new());
    for sample in samples {
        let filter = if sample.role == NodeRole::Hand { &mut hand } else { &mut forearm };
        let rate = sample.rate_dps.map(|dps| dps.to_radians() as f32);
        let force = sample.specific_force_g.map(|g| (g * 9.806_65) as f32);
        filter.update(rate.into(), force.into());
    }
    hand.orientation().w + forearm.orientation().w
}
