//! What a node's times say of its clock and of its rate.

use super::{Doubt, Sure};
use crate::fusion::series::middle;
use crate::sample::ImuSample;
use crate::units::{DeviceTime, HostTime};

/// Of each stretch of so long the quickest reading is kept, host time, s; so many stretches at most.
const STRETCH_S: f64 = 5.0;
const STRETCHES: usize = 400;
/// Two that are compared lie so many apart: what their readings were under way blurs the ratio less.
const APART: usize = 4;
/// Fewer comparisons tell nothing.
const LEAST_RATIOS: u64 = 2;
/// Quartz is off by a ten-thousandth, a chip's own oscillator by a hundredth or two; arrival is rougher than the former.
const CLOCK_OFF: f64 = 0.006;
/// A recording that was played faster or slower has such ratios; beyond them the unit is another.
const PLAYED: (f64, f64) = (0.2, 5.0);
/// And from this far from 1 on it may have been.
const NOT_PLAYED: f64 = 0.2;
/// How far the rate may be from what was told, share.
const RATE_OFF: f64 = 0.06;
/// Share of readings that share a time with the one before, from which that is told.
const SAME_TIME: f64 = 0.1;
/// Share of readings whose number goes back while their time goes on, from which that is told: a node that starts anew
/// does it once, what is sent again goes back in both.
const NUMBERS_BACK: f64 = 0.02;
/// Steps between neighbours that are counted, µs: the middle one is found among them.
const STEP_BIN_US: i64 = 20;
const STEP_BINS: usize = 2500;
/// Fewer neighbours tell nothing.
const LEAST_PAIRS: u64 = 500;

/// The quickest reading of a stretch.
#[derive(Clone, Copy, Debug)]
struct Quickest {
    node_s: f64,
    host_s: f64,
}

/// Sums over a node's times.
#[derive(Clone, Debug)]
pub(super) struct ClockSums {
    origin: Option<(DeviceTime, HostTime)>,
    stretch: Option<(f64, Quickest)>,
    quickest: Vec<Quickest>,
    last: Option<(u32, DeviceTime)>,
    pairs: u64,
    no_later: u64,
    taken: u64,
    numbers_back: u64,
    steps: Vec<u32>,
}

impl Default for ClockSums {
    fn default() -> ClockSums {
        ClockSums {
            origin: None,
            stretch: None,
            quickest: Vec::new(),
            last: None,
            pairs: 0,
            no_later: 0,
            taken: 0,
            numbers_back: 0,
            steps: vec![0; STEP_BINS + 1],
        }
    }
}

impl ClockSums {
    pub(super) fn push(&mut self, sample: &ImuSample) {
        let last = self.last.replace((sample.seq, sample.t));
        self.taken += 1;
        self.numbers_back += u64::from(last.is_some_and(|(seq, t)| sample.seq <= seq && sample.t > t));
        if let Some((_, t)) = last.filter(|(seq, _)| seq.wrapping_add(1) == sample.seq) {
            let step_us = sample.t.0.saturating_sub(t.0);
            self.pairs += 1;
            self.no_later += u64::from(step_us <= 0);
            let bin = usize::try_from(step_us.max(0).saturating_add(STEP_BIN_US / 2) / STEP_BIN_US)
                .unwrap_or(STEP_BINS)
                .min(STEP_BINS);
            if let Some(count) = self.steps.get_mut(bin) {
                *count += 1;
            }
            self.arrive(sample);
        }
    }

    /// Only of neighbours: what was sent again came late.
    fn arrive(&mut self, sample: &ImuSample) {
        let Some(received) = sample.received else { return };
        let (node, host) = *self.origin.get_or_insert((sample.t, received));
        let point = Quickest { node_s: sample.t.seconds_since(node), host_s: received.seconds_since(host) };
        let (start_s, best) = *self.stretch.get_or_insert((point.host_s, point));
        if !(0.0..STRETCH_S).contains(&(point.host_s - start_s)) {
            if self.quickest.len() < STRETCHES {
                self.quickest.push(best);
            }
            self.stretch = Some((point.host_s, point));
        } else if point.host_s - point.node_s < best.host_s - best.node_s {
            self.stretch = Some((start_s, point));
        }
    }

    /// Ratios of node's clock to host's. Between two clocks, of a node that has started anew, there is none.
    fn ratios(&self) -> Vec<f64> {
        let points = &self.quickest;
        let pairs = points.iter().zip(points.iter().skip(APART));
        let ratios = pairs.map(|(from, to)| (to.node_s - from.node_s) / (to.host_s - from.host_s));
        ratios.filter(|ratio| ratio.is_finite() && *ratio > 0.0).collect()
    }

    /// Whether the clock's speed is known, if it ever will be.
    pub(super) fn is_judged(&self) -> bool {
        self.origin.is_none() || self.ratios().len() as u64 >= LEAST_RATIOS
    }

    /// The rate by the middle step between neighbours, Hz; none without neighbours.
    pub(super) fn rate_hz(&self) -> Option<f64> {
        let mut left = self.pairs / 2;
        let middle = self.steps.iter().position(|count| {
            let reached = u64::from(*count) > left;
            left -= u64::from(*count).min(left);
            reached
        });
        // Steps of the first bin are shorter than half of it.
        Some(1e6 / ((middle? as f64).max(0.5) * STEP_BIN_US as f64))
    }

    pub(super) fn doubts(&self, told_hz: Option<f64>, sure: Sure) -> Vec<Doubt> {
        let ratios = self.ratios();
        let enough = ratios.len() as u64 >= LEAST_RATIOS * sure.amount();
        let clock = middle(ratios.into_iter()).filter(|ratio| enough && is_odd(*ratio, sure));
        if let Some(ratio) = clock {
            return vec![Doubt::Clock(ratio)];
        }
        let (least_pairs, beyond) = (LEAST_PAIRS * sure.amount(), sure.beyond());
        let back = self.numbers_back as f64 / self.taken.max(1) as f64;
        if self.taken > least_pairs && back > NUMBERS_BACK * beyond {
            return vec![Doubt::Numbers(back)];
        }
        if self.pairs < least_pairs {
            return Vec::new();
        }
        let same = self.no_later as f64 / self.pairs as f64;
        if same > SAME_TIME * beyond {
            return vec![Doubt::SameTime(same)];
        }
        let rates = told_hz.zip(self.rate_hz());
        let odd = rates.filter(|(told_hz, found_hz)| (found_hz / told_hz - 1.0).abs() > RATE_OFF * beyond);
        odd.map(|(told_hz, found_hz)| Doubt::Rate { told_hz, found_hz }).into_iter().collect()
    }
}

/// Neither what cheap clocks are off by, nor what playing a recording faster or slower gives.
fn is_odd(ratio: f64, sure: Sure) -> bool {
    let (off, beyond) = ((ratio - 1.0).abs(), sure.beyond());
    (CLOCK_OFF * beyond < off && off < NOT_PLAYED)
        || !(PLAYED.0 / beyond..=PLAYED.1 * beyond).contains(&ratio)
}
