//! The live path beside the offline one, swing by swing.
#![allow(dead_code, reason = "each test file uses a part of it")]

use super::analysis::offline_of;
use hingeclock::detect::{AnalysisParams, Flag, LiveAnalysis, LiveSwing, Swing};
use hingeclock::sample::{Arrival, DeviceDescription};

/// One swing, live and offline.
pub struct Beside {
    pub number: usize,
    pub live: LiveSwing,
    pub offline: Swing,
    /// The true set against the true top, ms, where it is known and well-conditioned.
    pub true_ms: Option<f64>,
}

/// Both paths over the same arrivals.
pub fn both(device: &DeviceDescription, arrivals: &[Arrival]) -> Vec<Beside> {
    let mut analysis = LiveAnalysis::new(device, AnalysisParams::default());
    let mut live: Vec<LiveSwing> = arrivals.iter().flat_map(|arrival| analysis.push(arrival)).collect();
    live.extend(analysis.finish());
    let offline = offline_of(device, arrivals);
    assert_eq!(live.len(), offline.len(), "as many swings live as offline");
    let pairs = live.into_iter().zip(offline).enumerate();
    pairs.map(|(i, (live, offline))| Beside { number: i + 1, live, offline, true_ms: None }).collect()
}

/// Every swing as it was told, beside what the offline path makes of what had come by then.
pub fn as_told(device: &DeviceDescription, arrivals: &[Arrival]) -> Vec<Beside> {
    let mut analysis = LiveAnalysis::new(device, AnalysisParams::default());
    let mut all = Vec::new();
    for (i, arrival) in arrivals.iter().enumerate() {
        let told = analysis.push(arrival);
        if told.is_empty() {
            continue;
        }
        let mut offline = offline_of(device, &arrivals[..=i]);
        let newest = offline.split_off(offline.len() - told.len());
        for (live, offline) in told.into_iter().zip(newest) {
            all.push(Beside { number: all.len() + 1, live, offline, true_ms: None });
        }
    }
    all
}

impl Beside {
    /// Live set less offline set, ms.
    pub fn set_ms(&self) -> Option<f64> {
        let (live, offline) = (self.live.swing.set?, self.offline.set?);
        Some(live.set.seconds_since(offline.set) * 1e3)
    }

    /// Live top less offline top, ms.
    pub fn top_ms(&self) -> f64 {
        self.live.swing.top.seconds_since(self.offline.top) * 1e3
    }

    /// Same class.
    pub fn same_class(&self) -> bool {
        self.live.swing.class == self.offline.class
    }

    /// The standard deviations that are claimed for the set, live and offline, ms.
    pub fn sd_ms(&self) -> Option<(f64, f64)> {
        Some((self.live.swing.set?.set_to_top_ms.sd, self.offline.set?.set_to_top_ms.sd))
    }

    /// Errors of the set against the top, live and offline, ms, where the truth is known.
    pub fn errors_ms(&self) -> Option<(f64, f64)> {
        let (live, offline) = (self.live.swing.set?, self.offline.set?);
        let true_ms = self.true_ms?;
        Some((live.set_to_top_ms.value - true_ms, offline.set_to_top_ms.value - true_ms))
    }

    /// Neither path says that the set lies on a flat slope.
    pub fn clear(&self) -> bool {
        let flat = |swing: &Swing| swing.flags.contains(&Flag::FlatSlope);
        !flat(&self.live.swing) && !flat(&self.offline)
    }

    pub fn line(&self) -> String {
        let Beside { number, live, offline, .. } = self;
        format!(
            "{number}: {} live {}{}; set differs by {:.1?} ms, bars {:.1?} ms, errors {:.1?} ms; top by {:.1} ms{}",
            offline.class.word(),
            live.swing.class.word(),
            if self.same_class() { "" } else { " OTHER" },
            self.set_ms(),
            self.sd_ms(),
            self.errors_ms(),
            self.top_ms(),
            if self.clear() { "" } else { ", flat" },
        )
    }
}

/// The value below which this share of the values lies; not a number for none.
pub fn quantile(values: &[f64], share: f64) -> f64 {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    let place = ((values.len() as f64 * share).ceil() as usize).clamp(1, values.len().max(1)) - 1;
    values.get(place).copied().unwrap_or(f64::NAN)
}

/// One line of numbers.
pub fn table(name: &str, all: &[Beside]) -> String {
    let part = |keep: &dyn Fn(&&Beside) -> bool| {
        let kept: Vec<&Beside> = all.iter().filter(keep).collect();
        let off: Vec<f64> = kept.iter().filter_map(|beside| Some(beside.set_ms()?.abs())).collect();
        let bars: Vec<f64> =
            kept.iter().filter_map(|beside| Some(beside.set_ms()?.abs() / beside.sd_ms()?.0)).collect();
        let same = kept.iter().filter(|beside| beside.same_class()).count();
        let within =
            |sds: f64| bars.iter().filter(|bar| **bar <= sds).count() as f64 / bars.len().max(1) as f64;
        let size = |of: fn((f64, f64)) -> f64| -> Vec<f64> {
            kept.iter().filter_map(|beside| beside.errors_ms()).map(|pair| of(pair).abs()).collect()
        };
        let (live, offline) = (size(|pair| pair.0), size(|pair| pair.1));
        format!(
            "class {same}/{}, set p50 {:.2} p90 {:.1} p95 {:.1} ms, within 1/2 live bars {:.2}/{:.2}; errors live p50 {:.1} p95 {:.1}, offline p50 {:.1} p95 {:.1}",
            kept.len(),
            quantile(&off, 0.5),
            quantile(&off, 0.9),
            quantile(&off, 0.95),
            within(1.0),
            within(2.0),
            quantile(&live, 0.5),
            quantile(&live, 0.95),
            quantile(&offline, 0.5),
            quantile(&offline, 0.95),
        )
    };
    format!(
        "{name}\n  all:          {}\n  clear:        {}\n  1st to 3rd:   {}\n  from 4th on:  {}",
        part(&|_| true),
        part(&|beside| beside.clear()),
        part(&|beside| beside.number <= 3),
        part(&|beside| beside.number > 3),
    )
}

/// Puts the truth beside.
pub fn with_truth(found: &mut [Beside], truth: &[hingeclock::device::virtual_glove::SwingTruth]) {
    for beside in found {
        let near = truth.iter().find(|truth| truth.top.seconds_since(beside.offline.top).abs() < 0.3);
        let set = near.and_then(|truth| truth.set).filter(|set| set.well_conditioned);
        beside.true_ms = set.map(|set| set.set_to_top_ms);
    }
}
