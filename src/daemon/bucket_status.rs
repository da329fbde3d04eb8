//! How a running bucket fares, as the live view, the page and the metrics see it.

use super::bucket::Bucket;
use super::sound_tap::Tap;
use crate::record::recorder::Recorder;
use crate::review::live::{LiveStatus, NodeStatus, RecorderStatus};
use crate::units::HostTime;

impl Bucket {
    /// How it fares now.
    #[must_use]
    pub fn live_status(&self, tap: &Tap, now: HostTime) -> LiveStatus {
        let nodes = self.assembler.gaps().map(|(role, gaps)| NodeStatus {
            role,
            received: gaps.received,
            missing: gaps.lost,
            duplicates: gaps.repeated,
            requeued: gaps.late,
            battery: self.watch.battery_of(role),
        });
        let mut nodes: Vec<NodeStatus> = nodes.collect();
        nodes.sort_by_key(|node| node.role);
        LiveStatus {
            link: self.watch.link(self.link_up, now),
            club: self.watch.club.clone(),
            nodes,
            clocks: self.watch.clocks,
            recorder: self.recorder.as_ref().map_or_else(RecorderStatus::default, recorder_status),
            sound: self.sound.state(),
            muted: tap.is_muted(),
            swings: self.number() as u64,
            cues: tap.played(),
            damaged: self.damaged,
            guess: self.feedback.asked(),
        }
    }
}

fn recorder_status(recorder: &Recorder) -> RecorderStatus {
    RecorderStatus {
        running: true,
        waiting: recorder.waiting(),
        refused: recorder.refused(),
        latency: recorder.latency(),
    }
}
