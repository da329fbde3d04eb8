//! When a link is dead and when to try it again: a pure state machine that is told events and the time.

use crate::units::HostTime;

/// How patient a link is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ReconnectParams {
    /// Wait after the first failure, µs; doubled by each further one. Default 250 ms.
    pub first_delay_us: i64,
    /// Longest wait, µs. Default 5 s.
    pub longest_delay_us: i64,
    /// A link that stood this long counts as a success, µs; one that broke sooner counts as one more
    /// failure, so a loose plug is not tried in a tight loop. Default 2 s.
    pub steady_us: i64,
    /// A link that has brought bytes and brings none for so long is silent, µs: a glove that is on sends
    /// hundreds of times a second. Default 800 ms.
    pub silent_us: i64,
    /// So long a link may bring none after it was opened, µs: a glove may have to wake. Default 3 s.
    pub first_bytes_us: i64,
}

impl Default for ReconnectParams {
    fn default() -> ReconnectParams {
        ReconnectParams {
            first_delay_us: 250_000,
            longest_delay_us: 5_000_000,
            steady_us: 2_000_000,
            silent_us: 800_000,
            first_bytes_us: 3_000_000,
        }
    }
}

/// Where a link stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LinkState {
    /// Being opened.
    Connecting,
    /// Up since this time.
    Up {
        /// When it was opened.
        since: HostTime,
        /// Since when it has brought nothing.
        quiet_since: HostTime,
        /// Whether it has brought anything yet.
        heard: bool,
    },
    /// Down until this time.
    Waiting {
        /// When to try again.
        until: HostTime,
    },
}

/// What happened to a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReconnectEvent {
    /// It was opened.
    Opened,
    /// It could not be opened.
    Failed,
    /// It brought bytes.
    Heard,
    /// It was silent, and the glove was greeted again.
    Greeted,
    /// It broke.
    Broke,
    /// Nothing but time passed.
    Tick,
}

/// The policy and its state.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reconnect {
    params: ReconnectParams,
    state: LinkState,
    failures: u32,
}

impl Reconnect {
    /// A link about to be opened for the first time.
    #[must_use]
    pub fn new(params: ReconnectParams) -> Reconnect {
        Reconnect { params, state: LinkState::Connecting, failures: 0 }
    }

    /// Where the link stands.
    #[must_use]
    pub fn state(&self) -> LinkState {
        self.state
    }

    /// Failures in a row.
    #[must_use]
    pub fn failures(&self) -> u32 {
        self.failures
    }

    /// For how long a link that is up has brought nothing, µs, where that is too long.
    #[must_use]
    pub fn silent_us(&self, now: HostTime) -> Option<i64> {
        let LinkState::Up { quiet_since, heard, .. } = self.state else { return None };
        let most_us = if heard { self.params.silent_us } else { self.params.first_bytes_us };
        Some(now.0 - quiet_since.0).filter(|quiet_us| *quiet_us >= most_us)
    }

    /// Takes an event at `now` and says where the link stands after it. An event that cannot happen in
    /// the present state changes nothing.
    pub fn step(&mut self, event: ReconnectEvent, now: HostTime) -> LinkState {
        self.state = match (self.state, event) {
            (LinkState::Connecting, ReconnectEvent::Opened) => {
                LinkState::Up { since: now, quiet_since: now, heard: false }
            }
            (LinkState::Up { since, .. }, ReconnectEvent::Heard) => {
                LinkState::Up { since, quiet_since: now, heard: true }
            }
            (LinkState::Up { since, heard, .. }, ReconnectEvent::Greeted) => {
                LinkState::Up { since, quiet_since: now, heard }
            }
            (LinkState::Connecting, ReconnectEvent::Failed) => self.fail(now),
            (LinkState::Up { since, .. }, ReconnectEvent::Broke) => {
                if now.0 - since.0 >= self.params.steady_us {
                    self.failures = 0;
                }
                self.fail(now)
            }
            (LinkState::Waiting { until }, ReconnectEvent::Tick) if now >= until => LinkState::Connecting,
            (state, _) => state,
        };
        self.state
    }

    fn fail(&mut self, now: HostTime) -> LinkState {
        let doublings = self.failures.min(32);
        let delay_us = self.params.first_delay_us.saturating_mul(1 << doublings);
        self.failures = self.failures.saturating_add(1);
        LinkState::Waiting { until: HostTime(now.0 + delay_us.clamp(0, self.params.longest_delay_us)) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn waits_us(reconnect: &mut Reconnect, failures: usize) -> Vec<i64> {
        let mut now = HostTime(0);
        let mut waits = Vec::new();
        for _ in 0..failures {
            let LinkState::Waiting { until } = reconnect.step(ReconnectEvent::Failed, now) else {
                panic!("not waiting")
            };
            waits.push(until.0 - now.0);
            now = until;
            assert_eq!(reconnect.step(ReconnectEvent::Tick, now), LinkState::Connecting);
        }
        waits
    }

    #[test]
    fn waits_double_up_to_the_longest() {
        let mut reconnect = Reconnect::new(ReconnectParams::default());
        let ms: Vec<i64> = waits_us(&mut reconnect, 7).iter().map(|us| us / 1000).collect();
        assert_eq!(ms, [250, 500, 1000, 2000, 4000, 5000, 5000]);
    }

    #[test]
    fn a_steady_link_clears_the_failures() {
        let mut reconnect = Reconnect::new(ReconnectParams::default());
        waits_us(&mut reconnect, 4);
        reconnect.step(ReconnectEvent::Opened, HostTime(0));
        let state = reconnect.step(ReconnectEvent::Broke, HostTime(2_000_000));
        assert_eq!(state, LinkState::Waiting { until: HostTime(2_250_000) });
    }

    #[test]
    fn a_loose_plug_is_not_tried_in_a_tight_loop() {
        let mut reconnect = Reconnect::new(ReconnectParams::default());
        waits_us(&mut reconnect, 4);
        reconnect.step(ReconnectEvent::Opened, HostTime(0));
        let state = reconnect.step(ReconnectEvent::Broke, HostTime(1000));
        assert_eq!(state, LinkState::Waiting { until: HostTime(4_001_000) });
    }

    #[test]
    fn silence_is_noticed_within_a_second_and_a_waking_glove_is_waited_for() {
        let mut reconnect = Reconnect::new(ReconnectParams::default());
        assert_eq!(reconnect.silent_us(HostTime(9_000_000)), None, "a link that is not up is not silent");
        reconnect.step(ReconnectEvent::Opened, HostTime(0));
        assert_eq!(reconnect.silent_us(HostTime(2_900_000)), None);
        assert_eq!(reconnect.silent_us(HostTime(3_000_000)), Some(3_000_000));
        reconnect.step(ReconnectEvent::Greeted, HostTime(3_000_000));
        assert_eq!(reconnect.silent_us(HostTime(5_900_000)), None);
        reconnect.step(ReconnectEvent::Heard, HostTime(6_000_000));
        assert_eq!(reconnect.silent_us(HostTime(6_799_999)), None);
        assert_eq!(reconnect.silent_us(HostTime(7_000_000)), Some(1_000_000));
    }

    proptest! {
        /// However it fares: a wait is never longer than the longest, and time alone ends it.
        #[test]
        fn every_wait_ends(events in prop::collection::vec(0u8..6, 0..200), step_us in 0i64..10_000_000) {
            let params = ReconnectParams::default();
            let mut reconnect = Reconnect::new(params);
            let mut now = HostTime(0);
            for event in events {
                let event = [
                    ReconnectEvent::Opened, ReconnectEvent::Failed, ReconnectEvent::Broke, ReconnectEvent::Tick,
                    ReconnectEvent::Heard, ReconnectEvent::Greeted,
                ][usize::from(event)];
                if let LinkState::Waiting { until } = reconnect.step(event, now) {
                    prop_assert!(until.0 - now.0 <= params.longest_delay_us);
                }
                now.0 += step_us;
            }
            if let LinkState::Waiting { until } = reconnect.state() {
                prop_assert_eq!(reconnect.step(ReconnectEvent::Tick, until), LinkState::Connecting);
            }
        }
    }
}
