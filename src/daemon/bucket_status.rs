//! How a running bucket fares, as the live view, the page and the metrics see it.

use super::bucket::Bucket;
use super::guide::Guide;
use super::sound_tap::Tap;
use crate::device::gaps::Gaps;
use crate::fusion::sensor_doubts::News;
use crate::record::recorder::Recorder;
use crate::review::json;
use crate::review::live::{LiveStatus, NodeStatus, RecorderStatus};
use crate::sample::NodeRole;
use crate::units::{HostTime, PlayerHand};
use std::collections::BTreeMap;

impl Bucket {
    /// The newest swing as it stands in the JSON object.
    pub(super) fn derived(&self) -> Option<serde_json::Value> {
        let place = self.review.analysis.swings.len().checked_sub(1)?;
        json::swing(&self.review, place).ok().flatten()
    }

    /// Something is doubted of the glove: it is told, and stands in view, page and table until it is taken back.
    pub(super) fn doubt(&mut self, news: &News) {
        let sentence = news.sentence();
        self.status.line(&sentence);
        self.doubts.take(news);
        if news.holds {
            tracing::warn!("{sentence}");
            self.note(sentence);
        } else {
            tracing::info!("{sentence}");
            let outdated = news.doubt.sentence(news.role);
            self.review.analysis.notes.retain(|note| *note != outdated);
        }
    }

    /// How it fares now.
    #[must_use]
    pub fn live_status(&self, tap: &Tap, now: HostTime) -> LiveStatus {
        let on_disk = self.on_disk();
        let nodes = came(self.assembler.gaps()).into_values().map(|node| NodeStatus {
            lost_lately: self.watch.lately.lost(node.role),
            on_disk: on_disk.get(&node.role).copied().unwrap_or(0),
            battery: self.watch.battery_of(node.role),
            clock: self.watch.clock_of(node.role),
            ..node
        });
        LiveStatus {
            link: self.watch.link(self.link_up, now),
            club: self.watch.club.clone(),
            nodes: nodes.collect(),
            clocks: self.watch.clocks,
            recorder: self
                .recorder
                .as_ref()
                .map_or_else(RecorderStatus::default, |recorder| recorder_status(recorder, now)),
            sound: self.sound.state(),
            muted: tap.is_muted(),
            swings: self.review.newest_number() as u64,
            cues: tap.played(),
            damaged: self.damaged,
            guess: self.feedback.asked(),
            calibration: self.guide.as_ref().and_then(Guide::step),
            doubts: self.doubts.doubts().map(|(role, doubt)| doubt.found(role)).collect(),
        }
    }

    /// Notes what is missing now, so that it is known what was lost lately, and tells of a node that has fallen silent.
    pub(super) fn look_after_losses(&mut self, now: HostTime) {
        if self.watch.lately.is_due(now) {
            let nodes: Vec<NodeStatus> = came(self.assembler.gaps()).into_values().collect();
            self.watch.silence.look(&nodes).iter().for_each(|told| self.status.alarm(told));
            self.watch.lately.note(nodes, now);
        }
    }

    /// Samples that are on the disk for certain, by node.
    fn on_disk(&self) -> BTreeMap<NodeRole, u64> {
        let safe = self.recorder.as_ref().map(Recorder::safe).unwrap_or_default();
        let mut on_disk = BTreeMap::new();
        for (index, role) in self.assembler.places() {
            *on_disk.entry(role).or_default() += safe.samples.get(&index).copied().unwrap_or(0);
        }
        on_disk
    }
}

/// What is told of the side the player plays from: all signs hang on it, and a glove that knows it is believed.
pub(super) fn hand_words(settings: PlayerHand, glove: PlayerHand) -> Option<&'static str> {
    match (settings, glove) {
        (PlayerHand::Right, PlayerHand::Right) => None,
        (PlayerHand::Left, PlayerHand::Right) => {
            Some("the settings say left-handed, the glove right-handed: the glove is believed")
        }
        (_, PlayerHand::Left) => Some("for a left-handed player"),
    }
}

/// What came from each place. Two nodes that say they sit in one place are told as one: who collects the numbers takes
/// one of a name.
fn came<'a>(gaps: impl Iterator<Item = (NodeRole, &'a Gaps)>) -> BTreeMap<NodeRole, NodeStatus> {
    let mut nodes = BTreeMap::new();
    for (role, gaps) in gaps {
        let node = nodes.entry(role).or_insert_with(|| NodeStatus::silent(role));
        node.received += gaps.received;
        node.missing += gaps.lost;
        node.duplicates += gaps.repeated;
        node.requeued += gaps.late;
    }
    nodes
}

fn recorder_status(recorder: &Recorder, now: HostTime) -> RecorderStatus {
    RecorderStatus {
        running: recorder.is_recording(),
        waiting: recorder.waiting(),
        refused: recorder.refused(),
        lag_us: recorder.lag_us(now),
        latency: recorder.latency(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hand_that_is_not_the_settings_own_is_told() {
        use PlayerHand::{Left, Right};
        let told = [(Right, Right), (Right, Left), (Left, Left), (Left, Right)]
            .map(|(settings, glove)| hand_words(settings, glove).unwrap_or("nothing"));
        assert_eq!(told[..3], ["nothing", "for a left-handed player", "for a left-handed player"]);
        assert!(told[3].contains("the glove is believed"), "{}", told[3]);
    }

    #[test]
    fn two_nodes_in_one_place_are_told_as_one() {
        let heard = |received: u64| {
            let mut gaps = Gaps::default();
            (gaps.received, gaps.lost, gaps.repeated, gaps.late) = (received, 1, 2, 3);
            gaps
        };
        let (forearm, first, second) = (heard(100), heard(10), heard(20));
        let gaps = [(NodeRole::Forearm, &forearm), (NodeRole::Hand, &first), (NodeRole::Hand, &second)];
        let told: Vec<_> = came(gaps.into_iter())
            .values()
            .map(|node| (node.role, node.received, node.missing, node.duplicates, node.requeued))
            .collect();
        assert_eq!(told, [(NodeRole::Hand, 30, 2, 4, 6), (NodeRole::Forearm, 100, 1, 2, 3)]);
    }
}
