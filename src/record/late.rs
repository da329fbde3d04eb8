//! Puts readings that came because they were asked for again where they belong. Pure.
//!
//! Only those: what is late by itself stays in order of arrival, which is part of the data. A first run over
//! the recording collects the late readings, a second one hands them out in their place.

use super::asked::Asked;
use crate::sample::{Arrival, ImuSample, NodeRole};
use std::collections::{BTreeMap, BTreeSet};

/// Most readings that are put in place, so that memory stays bounded; further ones stay where they came.
const MOST: usize = 500_000;
/// Most requests that wait for their answer.
const MOST_OPEN: usize = 256;

/// A reading among those of its node: the role, how often the node had started anew, and the time on its clock,
/// which begins anew each time.
type Place = (NodeRole, u32, i64);

/// The first run: which readings came because they were asked for.
#[derive(Clone, Debug, Default)]
pub struct LateReadings {
    open: Vec<Asked>,
    found: BTreeMap<Place, ImuSample>,
}

impl LateReadings {
    /// Readings were asked for again.
    pub fn asked(&mut self, asked: Asked) {
        if self.open.len() == MOST_OPEN {
            self.open.remove(0);
        }
        self.open.push(asked);
    }

    /// The glove has answered a command: what comes after it does not come because of it.
    pub fn answered(&mut self, id: u16) {
        self.open.retain(|asked| asked.id != id);
    }

    /// Readings came from the node with this index, which had started anew so often.
    pub fn came(&mut self, node: u8, restarts: u32, arrivals: &[Arrival]) {
        for arrival in arrivals {
            let Arrival::Sample(sample) = arrival else { continue };
            let was_asked_for = self.open.iter().any(|asked| asked.holds(node, sample.seq));
            if was_asked_for && self.found.len() < MOST {
                // Where it belongs it did not arrive, so it has no time of arrival.
                let sample = ImuSample { received: None, ..*sample };
                self.found.entry((sample.role, restarts, sample.t.0)).or_insert(sample);
            }
        }
    }

    /// How many came late.
    #[must_use]
    pub fn count(&self) -> usize {
        self.found.len()
    }
}

/// The second run: hands readings on in their place, each once.
#[derive(Clone, Debug)]
pub struct InPlace {
    waiting: BTreeMap<Place, ImuSample>,
    placed: BTreeSet<Place>,
    /// The newest reading of each node, and how often it had started anew.
    newest: BTreeMap<NodeRole, (u32, i64)>,
}

impl InPlace {
    /// Puts these in place.
    #[must_use]
    pub fn new(late: LateReadings) -> InPlace {
        InPlace { waiting: late.found, placed: BTreeSet::new(), newest: BTreeMap::new() }
    }

    /// Takes the next arrival of a node that had started anew so often; appends what now stands in its place.
    pub fn take(&mut self, arrival: Arrival, restarts: u32, out: &mut impl Extend<Arrival>) {
        let Arrival::Sample(sample) = &arrival else { return out.extend([arrival]) };
        let place = (sample.role, restarts, sample.t.0);
        if self.placed.contains(&place) {
            return;
        }
        if let Some((before, newest_us)) = self.newest.insert(sample.role, (restarts, sample.t.0))
            && before == restarts
        {
            self.hand_out_between(place, newest_us, out);
        }
        // It came by itself after all, so what was asked for is one too many.
        if self.waiting.remove(&place).is_some() {
            self.placed.insert(place);
        }
        out.extend([arrival]);
    }

    /// Those of the node before this place that are newer than `from_us`.
    fn hand_out_between(&mut self, to: Place, from_us: i64, out: &mut impl Extend<Arrival>) {
        let (role, restarts, to_us) = to;
        if to_us <= from_us {
            return;
        }
        let due: Vec<Place> =
            self.waiting.range((role, restarts, from_us + 1)..to).map(|(place, _)| *place).collect();
        for place in due {
            self.placed.insert(place);
            out.extend(self.waiting.remove(&place).map(Arrival::Sample));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{DeviceTime, HostTime};

    fn sample(role: NodeRole, seq: u32, received_us: i64) -> Arrival {
        Arrival::Sample(ImuSample {
            role,
            seq,
            t: DeviceTime(i64::from(seq) * 2000),
            rate_dps: [0.0; 3],
            specific_force_g: [0.0; 3],
            received: Some(HostTime(received_us)),
        })
    }

    enum Step {
        Came(NodeRole, u32),
        Restart,
        Asked(u32, u16),
        Answered,
    }
    use Step::{Answered, Asked as AskedFor, Came, Restart};
    const HAND: NodeRole = NodeRole::Hand;

    /// What a reader sees of these, as numbers of the hand node.
    fn check(steps: &[Step], expected: &[u32]) {
        let mut late = LateReadings::default();
        let (mut arrivals, mut restarts) = (Vec::new(), 0);
        for (at, step) in steps.iter().enumerate() {
            match *step {
                Came(role, seq) => {
                    let arrival = sample(role, seq, at as i64);
                    late.came(role.number(), restarts, std::slice::from_ref(&arrival));
                    arrivals.push((arrival, restarts));
                }
                Restart => restarts += 1,
                AskedFor(first_seq, count) => late.asked(Asked { id: 7, node: 0, first_seq, count }),
                Answered => late.answered(7),
            }
        }
        let mut in_place = InPlace::new(late);
        let mut out: Vec<Arrival> = Vec::new();
        for (arrival, restarts) in arrivals {
            in_place.take(arrival, restarts, &mut out);
        }
        let seqs: Vec<u32> = out
            .iter()
            .filter_map(|arrival| match arrival {
                Arrival::Sample(sample) if sample.role == HAND => Some(sample.seq),
                _ => None,
            })
            .collect();
        assert_eq!(seqs, expected);
    }

    #[test]
    fn what_was_asked_for_stands_in_its_place_once() {
        let steps = [
            Came(HAND, 1),
            Came(HAND, 5),
            AskedFor(2, 3),
            Came(HAND, 6),
            Came(HAND, 3),
            Came(HAND, 2),
            Came(HAND, 2),
            Came(HAND, 7),
            Came(HAND, 4),
            Answered,
        ];
        check(&steps, &[1, 2, 3, 4, 5, 6, 7]);
    }

    #[test]
    fn what_was_not_asked_for_stays_where_it_came() {
        check(&[Came(HAND, 1), Came(HAND, 3), Came(HAND, 2), Came(HAND, 2)], &[1, 3, 2, 2]);
        let answered_before = [Came(HAND, 1), Came(HAND, 3), AskedFor(2, 1), Answered, Came(HAND, 2)];
        check(&answered_before, &[1, 3, 2]);
        check(&[Came(HAND, 1), Came(HAND, 3), AskedFor(9, 1), Came(NodeRole::Forearm, 9)], &[1, 3]);
    }

    #[test]
    fn a_clock_that_starts_anew_brings_nothing_back() {
        let anew = [
            Came(HAND, 1000),
            Came(HAND, 1002),
            AskedFor(1001, 1),
            Came(HAND, 1001),
            Answered,
            Restart,
            Came(HAND, 0),
            Came(HAND, 2000),
        ];
        check(&anew, &[1000, 1001, 1002, 0, 2000]);
    }

    #[test]
    fn a_node_that_started_anew_has_places_of_its_own() {
        let both = [
            Came(HAND, 1),
            Came(HAND, 3),
            AskedFor(2, 1),
            Came(HAND, 2),
            Answered,
            Restart,
            Came(HAND, 1),
            Came(HAND, 2),
            Came(HAND, 4),
            AskedFor(3, 1),
            Came(HAND, 3),
        ];
        check(&both, &[1, 2, 3, 1, 2, 3, 4]);
    }

    #[test]
    fn one_that_came_by_itself_after_it_was_asked_for_stands_once() {
        check(&[Came(HAND, 1), Came(HAND, 2), AskedFor(2, 1), Came(HAND, 2), Came(HAND, 3)], &[1, 2, 3]);
    }
}
