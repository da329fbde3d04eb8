//! What the arrivals tell of the glove itself, kept for the live view: club, batteries, whether samples come.
//! Pure.

use super::lately::Lately;
use super::silence::Silence;
use crate::device::{ClockStand, ClockView, ClockViewParams, LinkParams};
use crate::fusion::clock::ClockMap;
use crate::review::live::{BatteryStatus, ClockStatus, LinkStatus};
use crate::sample::{Arrival, Marker, NodeRole};
use crate::units::HostTime;
use std::collections::BTreeMap;

/// A link that brings no sample for so long is called quiet, s.
const QUIET_AFTER_S: f64 = 1.5;

/// What was told so far.
#[derive(Clone, Debug, Default)]
pub struct Watch {
    /// The club in use, once it was said.
    pub club: Option<String>,
    /// The clocks, once both were compared.
    pub clocks: Option<ClockStatus>,
    batteries: BTreeMap<NodeRole, BatteryStatus>,
    /// Each node's clock as this machine sees it, and how it is looked at.
    views: BTreeMap<NodeRole, ClockView>,
    view: ClockViewParams,
    last_sample: Option<HostTime>,
    /// What was lost in the last minute.
    pub lately: Lately,
    /// Which node is silent while another is heard.
    pub silence: Silence,
}

impl Watch {
    /// Nothing was told yet; clocks will be seen through this kind of link.
    #[must_use]
    pub fn through(link: &LinkParams) -> Watch {
        let view = match link {
            LinkParams::Serial(_) => ClockViewParams::default(),
            LinkParams::Ble(_) => ClockViewParams::on_the_air(),
        };
        Watch { view, ..Watch::default() }
    }

    /// Arrivals came.
    pub fn hear(&mut self, arrivals: &[Arrival], now: HostTime) {
        for arrival in arrivals {
            match arrival {
                Arrival::Sample(_) => self.last_sample = Some(now),
                Arrival::Marker { marker, .. } => self.marker(marker),
            }
        }
    }

    /// Readings came in time, together: the newest tells how its node's clock stands.
    pub fn live(&mut self, arrivals: &[Arrival]) {
        let Some(Arrival::Sample(newest)) = arrivals.last() else { return };
        let Some(received) = newest.received else { return };
        let view = self.views.entry(newest.role);
        view.or_insert_with(|| ClockView::new(self.view)).hear(newest.t, received);
    }

    /// How the clock of a node stands to this machine's, once readings came.
    #[must_use]
    pub fn clock_of(&self, role: NodeRole) -> Option<ClockStand> {
        self.views.get(&role)?.stand()
    }

    /// A marker came, or was set here.
    pub fn marker(&mut self, marker: &Marker) {
        match marker {
            Marker::Club(club) => self.club = Some(club.clone()),
            Marker::Note { kind, value } if kind == "battery" => self.battery(value),
            Marker::Note { .. } | Marker::Prompt(_) => {}
        }
    }

    /// The clocks were compared.
    pub fn clocks(&mut self, clocks: ClockMap) {
        self.clocks = Some(ClockStatus { offset_s: clocks.offset_s, skew: clocks.skew });
    }

    /// The battery of a node, if it was told.
    #[must_use]
    pub fn battery_of(&self, role: NodeRole) -> Option<BatteryStatus> {
        self.batteries.get(&role).copied()
    }

    /// How the link stands; `open` says whether it is there at all.
    #[must_use]
    pub fn link(&self, open: bool, now: HostTime) -> LinkStatus {
        let recent = self.last_sample.is_some_and(|last| now.seconds_since(last) < QUIET_AFTER_S);
        match (open, recent) {
            (false, _) => LinkStatus::Down,
            (true, false) => LinkStatus::Quiet,
            (true, true) => LinkStatus::Sending,
        }
    }

    /// In the words of a marker: `hand=4.100V;hand_percent=87`. What cannot be read is passed over.
    fn battery(&mut self, value: &str) {
        let pairs = || value.split(';').filter_map(|pair| pair.split_once('='));
        for role in NodeRole::ALL {
            let place = role.word();
            let volts = pairs().find(|(key, _)| *key == place).and_then(|(_, told)| told.strip_suffix('V'));
            let Some(volts) = volts.and_then(|volts| volts.parse().ok()).filter(|v: &f64| v.is_finite())
            else {
                continue;
            };
            let percent = pairs().find(|(key, _)| key.strip_suffix("_percent") == Some(place));
            let percent = percent.and_then(|(_, told)| told.parse().ok());
            self.batteries.insert(role, BatteryStatus { volts, percent });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn batteries_are_read_from_their_markers() {
        let mut watch = Watch::default();
        let told = ["hand=4.100V;hand_percent=87", "forearm=3.4V;hand=x", "hand=NaNV", "=;;"];
        for value in told {
            watch.marker(&Marker::Note { kind: "battery".to_owned(), value: value.to_owned() });
        }
        let hand = BatteryStatus { volts: 4.1, percent: Some(87) };
        assert_eq!(watch.battery_of(NodeRole::Hand), Some(hand));
        assert_eq!(watch.battery_of(NodeRole::Forearm), Some(BatteryStatus { volts: 3.4, percent: None }));
        assert_eq!(watch.battery_of(NodeRole::Chest), None);
    }

    #[test]
    fn a_link_without_samples_is_quiet() {
        let watch = Watch { last_sample: Some(HostTime(1_000_000)), ..Watch::default() };
        assert_eq!(watch.link(true, HostTime(2_000_000)), LinkStatus::Sending);
        assert_eq!(watch.link(true, HostTime(2_600_000)), LinkStatus::Quiet);
        assert_eq!(watch.link(false, HostTime(2_000_000)), LinkStatus::Down);
        assert_eq!(Watch::default().link(true, HostTime(0)), LinkStatus::Quiet);
    }
}
