//! The readings of one swing as the nodes sent them, and what was wrong with them in words. Pure.
//!
//! The other nodes' readings are laid under the hand's by their arrival, to a packet or so: enough to look at. What is
//! measured goes by better clocks.

use super::statistics::median;
use crate::detect::Swing;
use crate::sample::{Arrival, DeviceDescription, ImuSample, NodeRole};
use crate::units::DeviceTime;
use std::collections::BTreeMap;

/// Looked at before the takeaway, s.
const BEFORE_S: f64 = 0.3;
/// Looked at after the finish, s; where there is none, after impact or top.
const AFTER_S: f64 = 0.2;
/// A reading this near to full scale is taken as clipped.
const CLIPPED: f64 = 0.995;

/// A node's readings.
#[derive(Clone, Debug, PartialEq)]
pub struct RawTrack {
    /// The node.
    pub role: NodeRole,
    /// When, ms against the top.
    pub t_ms: Vec<f64>,
    /// Angular rate in the sensor frame, °/s.
    pub rate_dps: Vec<[f64; 3]>,
    /// Specific force in the sensor frame, g.
    pub force_g: Vec<[f64; 3]>,
}

/// What the nodes sent in a swing.
#[derive(Clone, Debug, PartialEq)]
pub struct RawSignals {
    /// Hand, forearm, chest, belt; those that were heard.
    pub tracks: Vec<RawTrack>,
    /// What was clipped or is missing, with when.
    pub sentences: Vec<String>,
}

/// Picks a swing's readings out of a bucket's arrivals.
pub struct Gather {
    swing: Swing,
    device: DeviceDescription,
    within: (DeviceTime, DeviceTime),
    newest_of_hand: Option<DeviceTime>,
    hand: Vec<ImuSample>,
    /// The other nodes, each reading with the hand's newest instant when it came.
    others: BTreeMap<NodeRole, Vec<(ImuSample, DeviceTime)>>,
}

impl Gather {
    /// Nothing has been seen yet.
    #[must_use]
    pub fn new(swing: &Swing, device: &DeviceDescription) -> Gather {
        let end = swing.finish.or(swing.impact).unwrap_or(swing.top);
        Gather {
            swing: Swing { curve: Vec::new(), ..swing.clone() },
            device: device.clone(),
            within: (swing.takeaway.plus_seconds(-BEFORE_S), end.plus_seconds(AFTER_S)),
            newest_of_hand: None,
            hand: Vec::new(),
            others: BTreeMap::new(),
        }
    }

    /// Takes the next arrival.
    pub fn push(&mut self, arrival: &Arrival) {
        let Arrival::Sample(sample) = arrival else { return };
        let inside = |t: DeviceTime| (self.within.0..=self.within.1).contains(&t);
        if sample.role == NodeRole::Hand {
            self.newest_of_hand = Some(sample.t);
            if inside(sample.t) {
                self.hand.push(*sample);
            }
        } else if let Some(now) = self.newest_of_hand.filter(|now| inside(*now)) {
            self.others.entry(sample.role).or_default().push((*sample, now));
        }
    }

    /// Everything has arrived.
    #[must_use]
    pub fn finish(mut self) -> RawSignals {
        let others = self.others.iter().map(|(role, readings)| (*role, under_hand(readings)));
        let nodes: Vec<(NodeRole, Vec<ImuSample>)> =
            std::iter::once((NodeRole::Hand, std::mem::take(&mut self.hand))).chain(others).collect();
        let heard = nodes.iter().filter(|(_, samples)| !samples.is_empty());
        let mut sentences: Vec<String> =
            heard.clone().flat_map(|(role, samples)| self.sentences(*role, samples)).collect();
        if sentences.is_empty() {
            sentences.push("No reading of this swing was clipped, and none is missing.".to_owned());
        }
        RawSignals { tracks: heard.map(|(role, samples)| self.track(*role, samples)).collect(), sentences }
    }

    fn track(&self, role: NodeRole, samples: &[ImuSample]) -> RawTrack {
        RawTrack {
            role,
            t_ms: samples.iter().map(|sample| sample.t.seconds_since(self.swing.top) * 1e3).collect(),
            rate_dps: samples.iter().map(|sample| sample.rate_dps).collect(),
            force_g: samples.iter().map(|sample| sample.specific_force_g).collect(),
        }
    }

    fn sentences(&self, role: NodeRole, samples: &[ImuSample]) -> Vec<String> {
        let node = role.word();
        let Some(about) = self.device.node(role) else { return Vec::new() };
        let reaches = |values: [f64; 3], most: f64| values.iter().any(|value| value.abs() >= CLIPPED * most);
        let gyro = |sample: &ImuSample| reaches(sample.rate_dps, about.gyro_full_scale_dps);
        let force = |sample: &ImuSample| reaches(sample.specific_force_g, about.acc_full_scale_g);
        let mut sentences = self.clipped(&format!("{node} gyro"), samples, gyro, about.rate_hz);
        sentences.extend(self.clipped(&format!("{node} accelerometer"), samples, force, about.rate_hz));
        sentences.extend(samples.windows(2).filter_map(|pair| {
            let missing =
                pair[1].seq.checked_sub(pair[0].seq)?.checked_sub(1).filter(|missing| *missing > 0)?;
            let ms = pair[1].t.seconds_since(pair[0].t) * 1e3;
            Some(format!(
                "{missing} readings of the {node} missing, a gap of {ms:.0} ms, {}.",
                self.when(pair[0].t)
            ))
        }));
        sentences
    }

    /// One sentence for each run of clipped readings.
    fn clipped(
        &self,
        what: &str,
        samples: &[ImuSample],
        is_clipped: impl Fn(&ImuSample) -> bool,
        rate_hz: f64,
    ) -> Vec<String> {
        let runs = samples.chunk_by(|a, b| is_clipped(a) == is_clipped(b));
        let runs = runs.filter(|run| run.first().is_some_and(&is_clipped));
        let sentence = |run: &[ImuSample]| {
            let lasts_s = run.last()?.t.seconds_since(run.first()?.t) + 1.0 / rate_hz;
            Some(format!("{what} clipped for {:.0} ms, {}.", lasts_s * 1e3, self.when(run.first()?.t)))
        };
        runs.filter_map(sentence).collect()
    }

    /// An instant by the event that lies nearest.
    fn when(&self, t: DeviceTime) -> String {
        let swing = &self.swing;
        let events = [
            (Some(swing.takeaway), "the takeaway"),
            (Some(swing.top), "the top"),
            (swing.impact, "impact"),
            (swing.finish, "the finish"),
        ];
        let near = events.into_iter().filter_map(|(at, name)| Some((t.seconds_since(at?) * 1e3, name)));
        let Some((ms, name)) = near.min_by(|a, b| a.0.abs().total_cmp(&b.0.abs())) else {
            return String::new();
        };
        let side = if ms < 0.0 { "before" } else { "after" };
        format!("from {:.0} ms {side} {name} on", ms.abs())
    }
}

/// A node's readings on the hand's clock, as the order of arrival shows it.
fn under_hand(readings: &[(ImuSample, DeviceTime)]) -> Vec<ImuSample> {
    let ahead: Vec<f64> = readings.iter().map(|(sample, now)| sample.t.seconds_since(*now)).collect();
    let ahead_s = median(&ahead).unwrap_or(0.0);
    readings.iter().map(|(sample, _)| ImuSample { t: sample.t.plus_seconds(-ahead_s), ..*sample }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::NodeDescription;

    fn swing() -> Swing {
        let impact = Some(DeviceTime(2_050_000));
        Swing { impact, ..Swing::bare(DeviceTime(1_000_000), DeviceTime(1_800_000)) }
    }

    /// Four nodes at 500 Hz; the clocks of the others are 7 s ahead and more. `rate` is the hand's rate at an instant.
    fn gathered(rate: impl Fn(i64) -> f64, lost: std::ops::Range<u32>) -> RawSignals {
        let mut device = DeviceDescription::default();
        let hand = device.nodes[0].clone();
        device.nodes = NodeRole::ALL.map(|role| NodeDescription { role, ..hand.clone() }).to_vec();
        let mut gather = Gather::new(&swing(), &device);
        for seq in 0..1500_u32 {
            let t = i64::from(seq) * 2000;
            let sample = |role, t, rate| {
                let (t, force) = (DeviceTime(t), [0.0, 1.0, 0.0]);
                Arrival::Sample(ImuSample {
                    role,
                    seq,
                    t,
                    rate_dps: [0.0, rate, 0.0],
                    specific_force_g: force,
                    received: None,
                })
            };
            gather.push(&sample(NodeRole::Hand, t, rate(t)));
            if !lost.contains(&seq) {
                gather.push(&sample(NodeRole::Forearm, t + 7_000_000, 1.0));
                gather.push(&sample(NodeRole::Belt, t + 9_000_000, 3.0));
            }
            gather.push(&sample(NodeRole::Chest, t + 8_000_000, 2.0));
        }
        gather.finish()
    }

    #[test]
    fn what_was_clipped_or_lost_is_told_with_when() {
        let clipped = gathered(|t| if (2_042_000..2_054_000).contains(&t) { -4000.0 } else { 10.0 }, 0..0);
        assert_eq!(clipped.sentences, ["hand gyro clipped for 12 ms, from 8 ms before impact on."]);
        let lost = gathered(|_| 0.0, 905..910);
        assert_eq!(
            lost.sentences,
            ["forearm", "belt"].map(|node| format!(
                "5 readings of the {node} missing, a gap of 12 ms, from 8 ms after the top on."
            ))
        );
        let sound = gathered(|_| 3999.0 * CLIPPED - 1.0, 0..0);
        assert_eq!(sound.sentences, ["No reading of this swing was clipped, and none is missing."]);
    }

    #[test]
    fn all_nodes_stand_on_one_time_and_only_the_swing_is_taken() {
        let found = gathered(|_| 0.0, 0..0);
        let roles: Vec<NodeRole> = found.tracks.iter().map(|track| track.role).collect();
        assert_eq!(roles, NodeRole::ALL);
        for (place, track) in found.tracks.iter().enumerate() {
            assert!(track.rate_dps.iter().all(|rate| rate[1] == place as f64));
            assert_eq!(track.t_ms.first().map(|t| t.round()), Some(-1100.0), "{:?}", track.role);
            assert_eq!(track.t_ms.last().map(|t| t.round()), Some(450.0), "{:?}", track.role);
            assert_eq!(track.t_ms.len(), track.rate_dps.len());
        }
    }
}
