//! How far the clocks of hand and forearm are apart by the order in which their readings come: good to a packet, but for
//! what changes in it good to a fraction of one. So it tells whether a clock has jumped that seems to have by its own
//! numbers ([`super::pace`]), or readings only got no numbers. Pure. Times in s.

use super::pace::Jump;
use crate::fusion::series::middle;
use crate::sample::NodeRole;
use std::collections::VecDeque;

/// Pairs of arrivals from which the clock is guessed.
const GUESSES: usize = 2001;
/// So many of them say one thing between them, since readings come in packets, whose beat is slow (judgement).
const SAY_ONE: f64 = 20.0;
/// What they say has to be known this many times better than one answer lies from the next (judgement).
const SURE: f64 = 10.0;
/// Whoever has not been sure after so many readings of the hand will not be.
const GIVEN_UP: u32 = 5000;
/// Before so many guesses nothing is suspected.
const LEAST: usize = 100;
/// A glove that has paused so often without counting tells nothing by its numbers.
const PAUSES: u32 = 3;
/// No packet holds more of the forearm's readings than this, s: those that come later tell nothing of the hand's clock.
const HAND_HEARD_WITHIN_S: f64 = 0.3;

/// The clocks that have jumped at about the same time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Jumped {
    /// The hand's.
    pub hand: Option<Jump>,
    /// The forearm's.
    pub forearm: Option<Jump>,
}

impl Jumped {
    /// How far the forearm's clock has come away from the hand's by that, s.
    #[must_use]
    pub fn apart_s(&self) -> f64 {
        let by_s = |jump: Option<Jump>| jump.map_or(0.0, |jump| jump.by_s);
        by_s(self.forearm) - by_s(self.hand)
    }
}

/// What the order of arrival tells of the two clocks.
#[derive(Debug, Default)]
pub struct ArrivalOrder {
    guesses_s: VecDeque<f64>,
    /// The forearm's newest instant, by its clock, when the hand was heard last, s.
    forearm_then_s: Option<f64>,
    suspected: Option<Suspected>,
    /// So often no clock had jumped that was suspected.
    pauses: u32,
}

/// Clocks that seem to have jumped, and how far they were apart before.
#[derive(Debug)]
struct Suspected {
    jumped: Jumped,
    before_s: f64,
    /// How far single guesses were off that (mean), s.
    spread_s: f64,
    /// So many readings of the hand have come since.
    since: u32,
}

impl ArrivalOrder {
    /// Forearm clock less hand clock, s. As long as one is suspected to have jumped, as it was before.
    #[must_use]
    pub fn apart_s(&self) -> Option<f64> {
        self.suspected.as_ref().map_or_else(|| self.since_then_s(), |suspected| Some(suspected.before_s))
    }

    fn since_then_s(&self) -> Option<f64> {
        middle(self.guesses_s.iter().copied())
    }

    /// A clock seems to have jumped, and nobody can tell yet.
    #[must_use]
    pub fn is_doubtful(&self) -> bool {
        self.suspected.is_some()
    }

    /// A reading of the hand has come; `forearm_s` is the forearm's newest instant.
    pub fn hand_came(&mut self, forearm_s: Option<f64>) {
        self.forearm_then_s = forearm_s;
        if let Some(suspected) = &mut self.suspected {
            suspected.since += 1;
        }
        self.suspected.take_if(|suspected| suspected.since > GIVEN_UP);
    }

    /// Readings that come one after the other were taken at about the same time, unless the hand is not heard any more.
    pub fn forearm_came(&mut self, forearm_s: f64, hand_s: f64) {
        if self.forearm_then_s.is_none_or(|then_s| forearm_s - then_s > HAND_HEARD_WITHIN_S) {
            return;
        }
        self.guesses_s.push_back(forearm_s - hand_s);
        if self.guesses_s.len() > GUESSES {
            self.guesses_s.pop_front();
        }
    }

    /// A clock seems to have jumped. One that seems to again before anybody knows is a node's that pauses again and again.
    pub fn suspect(&mut self, role: NodeRole, jump: Jump) {
        let mut suspected = self.suspected.take().or_else(|| self.fresh());
        let jumped = suspected.as_mut().map(|suspected| &mut suspected.jumped);
        let of_node =
            jumped.map(|jumped| if role == NodeRole::Hand { &mut jumped.hand } else { &mut jumped.forearm });
        match of_node.map(|of_node| of_node.replace(jump)) {
            Some(None) => {
                self.suspected = suspected;
                self.guesses_s.clear();
            }
            Some(Some(_)) => self.pauses += 1,
            None => {}
        }
    }

    /// A suspicion of nobody yet; none where it would tell nothing.
    fn fresh(&self) -> Option<Suspected> {
        if self.pauses >= PAUSES || self.guesses_s.len() < LEAST {
            return None;
        }
        let before_s = self.since_then_s()?;
        let off_s = self.guesses_s.iter().map(|guess_s| (guess_s - before_s).abs()).sum::<f64>();
        let spread_s = off_s / self.guesses_s.len() as f64;
        Some(Suspected { jumped: Jumped::default(), before_s, spread_s, since: 0 })
    }

    /// The clocks that have jumped, once that can be told.
    pub fn told(&mut self) -> Option<Jumped> {
        let Suspected { jumped: Jumped { hand, forearm }, before_s, spread_s, .. } =
            *self.suspected.as_ref()?;
        let none = Jumped::default();
        // Of two that explain it alike the first is taken: nodes that pause together have not jumped.
        let mut each = [none, Jumped { hand, ..none }, Jumped { forearm, ..none }, Jumped { hand, forearm }];
        let nearest_s = hand.iter().chain(&forearm).map(|jump| jump.by_s.abs()).fold(f64::INFINITY, f64::min);
        let needed = SAY_ONE * (SURE * spread_s / nearest_s).powi(2).max(1.0);
        if (self.guesses_s.len() as f64) < needed.min(GUESSES as f64) {
            return None;
        }
        let since_s = self.since_then_s()? - before_s;
        let off_s = |jumped: &Jumped| (jumped.apart_s() - since_s).abs();
        each.sort_by(|a, b| off_s(a).total_cmp(&off_s(b)));
        let told = each[0];
        self.suspected = None;
        self.pauses = if told == none { self.pauses + 1 } else { 0 };
        (told != none).then_some(told)
    }

    /// The forearm's times are counted from elsewhere now, by so much.
    pub fn shift_forearm(&mut self, by_s: f64) {
        self.guesses_s.iter_mut().for_each(|guess_s| *guess_s += by_s);
        self.forearm_then_s = self.forearm_then_s.map(|then_s| then_s + by_s);
    }

    /// A node's clock is another one now.
    pub fn forget(&mut self) {
        *self = ArrivalOrder::default();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Packets of five readings at 500 Hz from either node by turns; from packet 300 on the forearm's clock
    /// is off by so much, and both jumps are suspected.
    fn told(off_s: f64, hand: Option<f64>, forearm: Option<f64>) -> Option<(bool, bool)> {
        let mut order = ArrivalOrder::default();
        let mut found = None;
        for packet in 0..800_u32 {
            if packet == 300 {
                let jump = |by_s| Jump { first_seq: 0, at_s: 0.0, by_s };
                hand.into_iter().for_each(|by_s| order.suspect(NodeRole::Hand, jump(by_s)));
                forearm.into_iter().for_each(|by_s| order.suspect(NodeRole::Forearm, jump(by_s)));
            }
            let at = |i: u32| f64::from(packet * 5 + i) * 0.002;
            let off_s = 7.0 + if packet < 300 { 0.0 } else { off_s };
            order.hand_came(packet.checked_sub(1).map(|_| at(0) + off_s));
            (0..5).for_each(|i| order.forearm_came(at(i) + off_s, at(4)));
            found = order.told().or(found);
        }
        found.map(|jumped| (jumped.hand.is_some(), jumped.forearm.is_some()))
    }

    #[test]
    fn a_jump_is_believed_where_the_order_of_arrival_says_so() {
        assert_eq!(told(0.005, None, Some(0.005)), Some((false, true)));
        assert_eq!(told(-0.005, Some(0.005), None), Some((true, false)));
        assert_eq!(told(0.0, None, Some(0.005)), None, "readings without numbers");
        assert_eq!(told(0.02, Some(0.03), Some(0.02)), Some((false, true)));
        assert_eq!(told(-0.01, Some(0.03), Some(0.02)), Some((true, true)));
        assert_eq!(told(0.0, Some(0.03), Some(0.03)), None, "both pause");
    }

    #[test]
    fn a_node_that_pauses_again_and_again_is_suspected_no_more() {
        let (mut order, mut doubtful) = (ArrivalOrder::default(), 0);
        for place in 0..100_000_u32 {
            let t_s = f64::from(place) * 0.005;
            order.hand_came(Some(t_s));
            order.forearm_came(t_s, t_s - 0.003 + 0.001 * f64::from(place % 5));
            if place % 500 == 499 {
                order.suspect(NodeRole::Hand, Jump { first_seq: place, at_s: t_s, by_s: 0.005 });
            }
            assert_eq!(order.told(), None);
            doubtful += u32::from(order.is_doubtful());
        }
        assert!((1..4000).contains(&doubtful), "{doubtful}");
    }
}
