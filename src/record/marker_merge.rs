//! Puts markers between the samples where they belong: before the first sample that arrived later.
//!
//! Where rows carry no host time, there is nothing to compare a marker with. The first marker is then taken
//! to stand at the first row (a session opens with markers of its battery and club), and the clock of the
//! first node counts on from there. That is good to some tens of milliseconds where the assumption holds,
//! and a note tells the reader of it.

use crate::sample::{Arrival, ImuSample, Marker, NodeRole};
use crate::units::{DeviceTime, HostTime};
use std::collections::VecDeque;

/// Markers that wait for their place.
#[derive(Clone, Debug, Default)]
pub struct MarkerMerge {
    waiting: VecDeque<(HostTime, Marker)>,
    now: Option<HostTime>,
    origin: Option<(NodeRole, DeviceTime, HostTime)>,
    guessed: bool,
}

impl MarkerMerge {
    /// Markers sorted by host time.
    #[must_use]
    pub fn new(markers: Vec<(HostTime, Marker)>) -> MarkerMerge {
        MarkerMerge { waiting: markers.into(), ..MarkerMerge::default() }
    }

    /// Tells of the sample that comes next.
    pub fn advance(&mut self, sample: &ImuSample) {
        if sample.received.is_some() {
            self.now = sample.received;
            self.origin = None;
        } else if self.now.is_none() || self.origin.is_some() {
            self.guess(sample);
        }
    }

    fn guess(&mut self, sample: &ImuSample) {
        let Some((first, _)) = self.waiting.front() else { return };
        let (role, t0, host0) = *self.origin.get_or_insert((sample.role, sample.t, *first));
        self.guessed = true;
        if role == sample.role {
            // The extra microsecond lets the first marker stand before the first row.
            let elapsed = sample.t.0.saturating_sub(t0.0).saturating_add(1);
            self.now = Some(HostTime(host0.0.saturating_add(elapsed)));
        }
    }

    /// Whether only a later sample can tell if a marker stands before this one.
    #[must_use]
    pub fn waits_for_host_time(&self, sample: &ImuSample) -> bool {
        sample.received.is_none() && self.now.is_some() && self.origin.is_none() && !self.waiting.is_empty()
    }

    /// The next marker that stands before that sample, if any.
    pub fn next_due(&mut self) -> Option<Arrival> {
        let now = self.now?;
        let (host, _) = self.waiting.front()?;
        if *host < now { self.next_left() } else { None }
    }

    /// The next marker, after the last sample.
    pub fn next_left(&mut self) -> Option<Arrival> {
        self.waiting.pop_front().map(|(host, marker)| Arrival::Marker { received: Some(host), marker })
    }

    /// Whether markers were placed without a host time to go by.
    #[must_use]
    pub fn guessed(&self) -> bool {
        self.guessed
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(role: NodeRole, t: i64, received: Option<i64>) -> ImuSample {
        let zero = [0.0; 3];
        let received = received.map(HostTime);
        ImuSample { role, seq: 0, t: DeviceTime(t), rate_dps: zero, specific_force_g: zero, received }
    }

    /// Clubs named by their host time, before each of the samples and after the last.
    fn check(markers: &[i64], samples: &[ImuSample], expected: &[&[i64]]) {
        let club = |host: &i64| (HostTime(*host), Marker::Club(host.to_string()));
        let mut merge = MarkerMerge::new(markers.iter().map(club).collect());
        let host = |arrival| match arrival {
            Arrival::Marker { received: Some(host), .. } => host.0,
            other => panic!("{other:?}"),
        };
        let mut found: Vec<Vec<i64>> = Vec::new();
        for sample in samples {
            merge.advance(sample);
            found.push(std::iter::from_fn(|| merge.next_due()).map(host).collect());
        }
        found.push(std::iter::from_fn(|| merge.next_left()).map(host).collect());
        assert_eq!(found, expected);
    }

    #[test]
    fn a_marker_stands_before_the_first_row_that_came_later() {
        let rows = [10, 20, 20, 30].map(|host| sample(NodeRole::Hand, 0, Some(host)));
        check(&[5, 10, 20, 29, 30], &rows, &[&[5], &[10], &[], &[20, 29], &[30]]);
    }

    #[test]
    fn a_row_without_a_host_time_releases_nothing() {
        let rows = [Some(10), None, Some(30)].map(|host| sample(NodeRole::Hand, 1000, host));
        check(&[15], &rows, &[&[], &[], &[15], &[]]);
    }

    #[test]
    fn without_host_times_the_first_nodes_clock_counts_from_the_first_marker() {
        let rows = [
            sample(NodeRole::Hand, 1000, None),
            sample(NodeRole::Forearm, 900_000, None),
            sample(NodeRole::Hand, 1500, None),
            sample(NodeRole::Hand, 2001, None),
        ];
        check(&[70_000, 71_000, 90_000], &rows, &[&[70_000], &[], &[], &[71_000], &[90_000]]);
    }
}
