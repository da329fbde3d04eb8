//! What share of the samples was lost lately: what a warning goes by, for a loss of an hour ago is no trouble now. Pure.

use crate::review::live::NodeStatus;
use crate::sample::NodeRole;
use crate::units::HostTime;
use std::collections::VecDeque;

/// What is called lately, s.
const LATELY_S: f64 = 60.0;
/// Before so long one lost packet is a large share, s.
const TOO_SHORT_S: f64 = 10.0;
/// How often it is noted how things stand, s.
const NOTE_EVERY_S: f64 = 1.0;

/// How things stood over the last minute.
#[derive(Clone, Debug, Default)]
pub struct Lately {
    stood: VecDeque<(HostTime, Vec<NodeStatus>)>,
}

impl Lately {
    /// Whether it is time to note how things stand.
    #[must_use]
    pub fn is_due(&self, now: HostTime) -> bool {
        self.stood.back().is_none_or(|(last, _)| now.seconds_since(*last) >= NOTE_EVERY_S)
    }

    /// Things stand like this now.
    pub fn note(&mut self, nodes: Vec<NodeStatus>, now: HostTime) {
        let over = |(at, _): &(HostTime, _)| now.seconds_since(*at) >= LATELY_S;
        // One that is a minute old stays: from there on it is counted.
        while self.stood.get(1).is_some_and(over) {
            self.stood.pop_front();
        }
        self.stood.push_back((now, nodes));
    }

    /// The share of this node's samples of the last minute that is missing, 0 to 1; none where that says nothing yet.
    #[must_use]
    pub fn lost(&self, role: NodeRole) -> Option<f64> {
        let heard = |(at, nodes): &(HostTime, Vec<NodeStatus>)| {
            let node = nodes.iter().find(|node| node.role == role && node.received > 0);
            node.map(|node| (*at, *node))
        };
        let (from, before) = self.stood.iter().find_map(heard)?;
        let (until, after) = self.stood.back().and_then(heard)?;
        let sent = after.sent().saturating_sub(before.sent());
        // What was lost long ago may have come since.
        let missing = after.missing.saturating_sub(before.missing);
        (until.seconds_since(from) >= TOO_SHORT_S && sent > 0).then(|| missing as f64 / sent as f64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// So many samples came and are missing at each second, from the first on.
    fn lost(seconds: u64, counts: impl Fn(u64) -> (u64, u64)) -> Option<f64> {
        let mut lately = Lately::default();
        for second in 0..=seconds {
            let now = HostTime(second as i64 * 1_000_000);
            let (received, missing) = counts(second);
            assert!(lately.is_due(now));
            lately.note(vec![NodeStatus { received, missing, ..NodeStatus::silent(NodeRole::Hand) }], now);
            assert!(lately.stood.len() <= 62 && !lately.is_due(now));
        }
        assert_eq!(lately.lost(NodeRole::Chest), None);
        lately.lost(NodeRole::Hand)
    }

    #[test]
    fn the_share_is_that_of_the_last_minute() {
        assert_eq!(lost(3600, |second| (495 * second, 5 * second)), Some(0.01));
        assert_eq!(lost(3600, |second| (500 * second, second.min(1800))), Some(0.0), "half an hour ago");
    }

    #[test]
    fn what_came_after_all_is_no_loss() {
        assert_eq!(lost(100, |second| (500 * second, 100_u64.saturating_sub(second))), Some(0.0));
    }

    #[test]
    fn the_first_moments_say_nothing() {
        assert_eq!(lost(9, |second| (500 * second, 400)), None);
        assert_eq!(lost(60, |_| (0, 0)), None, "nothing was sent");
        let late = |second: u64| if second < 300 { (0, 0) } else { (500 * (second - 299), 400) };
        assert_eq!(lost(305, late), None, "of a glove that is switched on later");
    }
}
