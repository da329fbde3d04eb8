//! When a stored arrival is due again: as it was, faster, or at once. Pure; the edge waits.

use crate::sample::{Arrival, NodeRole};
use crate::units::HostTime;

/// How fast stored arrivals are played.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pace {
    /// As it was.
    Real,
    /// So many times as fast; above 0.
    Times(f64),
    /// As fast as it goes.
    Unpaced,
}

impl Pace {
    /// What a wait of `us` in the recording becomes; none where there is no waiting.
    #[must_use]
    pub fn wait_us(self, us: i64) -> Option<i64> {
        match self {
            Pace::Real => Some(us),
            Pace::Times(factor) if factor > 0.0 && factor.is_finite() => Some((us as f64 / factor) as i64),
            Pace::Times(_) | Pace::Unpaced => None,
        }
    }

    /// How much recorded time has passed after `us` of waiting; none where there is no waiting.
    #[must_use]
    pub fn played_us(self, us: i64) -> Option<i64> {
        match self {
            Pace::Real => Some(us),
            Pace::Times(factor) if factor > 0.0 && factor.is_finite() => Some((us as f64 * factor) as i64),
            Pace::Times(_) | Pace::Unpaced => None,
        }
    }
}

/// Gives every arrival a time: when it reached the host, where known, or else its own time on the hand
/// node's clock. Times never go back, so the order stays.
#[must_use]
pub fn scheduled(arrivals: Vec<Arrival>) -> Vec<(HostTime, Arrival)> {
    let mut last: Option<HostTime> = None;
    let told = |arrival: &Arrival| match arrival {
        Arrival::Sample(sample) => {
            sample.received.or_else(|| (sample.role == NodeRole::Hand).then_some(HostTime(sample.t.0)))
        }
        Arrival::Marker { received, .. } => *received,
    };
    let start = arrivals.iter().find_map(told).unwrap_or(HostTime(0));
    let mut at = |arrival: &Arrival| {
        let latest = last.unwrap_or(start);
        let at = told(arrival).map_or(latest, |time| time.max(latest));
        last = Some(at);
        at
    };
    arrivals.into_iter().map(|arrival| (at(&arrival), arrival)).collect()
}

/// Plays stored arrivals in their order.
#[derive(Clone, Debug)]
pub struct Replay {
    pace: Pace,
    items: std::vec::IntoIter<(HostTime, Arrival)>,
    start: HostTime,
    started: HostTime,
}

impl Replay {
    /// Plays `items`, in the order of their times, from `now` on.
    #[must_use]
    pub fn new(items: Vec<(HostTime, Arrival)>, pace: Pace, now: HostTime) -> Replay {
        let start = items.first().map_or(HostTime(0), |(at, _)| *at);
        Replay { pace, items: items.into_iter(), start, started: now }
    }

    /// When the next arrival is due on the host's clock; none when all are played.
    #[must_use]
    pub fn next_due(&self) -> Option<HostTime> {
        let (at, _) = self.items.as_slice().first()?;
        let wait_us = self.pace.wait_us(at.0 - self.start.0).unwrap_or(0);
        Some(HostTime(self.started.0 + wait_us))
    }

    /// The next arrival, if it is due at `now`.
    pub fn poll(&mut self, now: HostTime) -> Option<Arrival> {
        if self.next_due()? > now {
            return None;
        }
        self.items.next().map(|(_, arrival)| arrival)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::Marker;

    fn marker(at_us: i64) -> (HostTime, Arrival) {
        let marker = Marker::Note { kind: "mark".into(), value: at_us.to_string() };
        (HostTime(at_us), Arrival::Marker { received: Some(HostTime(at_us)), marker })
    }

    fn due_us(pace: Pace) -> Vec<i64> {
        let items = vec![marker(5000), marker(7000), marker(7000), marker(11_000)];
        let mut replay = Replay::new(items, pace, HostTime(100));
        let mut due = Vec::new();
        while let Some(at) = replay.next_due() {
            due.push(at.0);
            assert!(pace == Pace::Unpaced || replay.poll(HostTime(at.0 - 1)).is_none());
            assert!(replay.poll(at).is_some());
        }
        due
    }

    #[test]
    fn arrivals_are_due_as_they_were_or_faster() {
        assert_eq!(due_us(Pace::Real), [100, 2100, 2100, 6100]);
        assert_eq!(due_us(Pace::Times(2.0)), [100, 1100, 1100, 3100]);
        assert_eq!(due_us(Pace::Unpaced), [100; 4]);
    }

    #[test]
    fn an_arrival_without_a_time_comes_with_the_one_before() {
        let untimed = Arrival::Marker {
            received: None,
            marker: Marker::Note { kind: "mark".into(), value: String::new() },
        };
        let items = vec![untimed.clone(), marker(500).1, untimed, marker(400).1, marker(900).1];
        let at: Vec<i64> = scheduled(items).iter().map(|(at, _)| at.0).collect();
        assert_eq!(at, [500, 500, 500, 500, 900]);
    }
}
