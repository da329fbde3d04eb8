//! When a stored arrival is due again: as it was, faster, or at once. Pure; the edge waits.

use crate::sample::{Arrival, NodeRole};
use crate::units::HostTime;

/// How fast stored arrivals are played.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pace {
    /// So many times as fast as it was; above 0.
    Times(f64),
    /// As fast as it goes.
    Unpaced,
}

impl Pace {
    /// What a wait of `us` in the recording becomes; none where there is no waiting.
    #[must_use]
    pub fn wait_us(self, us: i64) -> Option<i64> {
        match self {
            Pace::Times(factor) if factor > 0.0 && factor.is_finite() => Some((us as f64 / factor) as i64),
            Pace::Times(_) | Pace::Unpaced => None,
        }
    }

    /// How much recorded time has passed after `us` of waiting; none where there is no waiting.
    #[must_use]
    pub fn played_us(self, us: i64) -> Option<i64> {
        match self {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::Marker;

    fn marker(at_us: i64) -> (HostTime, Arrival) {
        let marker = Marker::Note { kind: "mark".into(), value: at_us.to_string() };
        (HostTime(at_us), Arrival::Marker { received: Some(HostTime(at_us)), marker })
    }

    #[test]
    fn waits_shrink_with_the_pace_and_play_back_to_what_they_were() {
        for (pace, wait_us) in
            [(Pace::Times(1.0), Some(2000)), (Pace::Times(4.0), Some(500)), (Pace::Unpaced, None)]
        {
            assert_eq!(pace.wait_us(2000), wait_us);
            assert_eq!(wait_us.and_then(|us| pace.played_us(us)), wait_us.map(|_| 2000));
        }
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
