//! A node takes its readings at an even pace, so its numbers tell how far its clock should have come. Where the clock
//! goes on otherwise for good, it has jumped, or the node has taken readings that it gave no numbers to: which of the
//! two it was nobody can tell from this node alone. Pure. Times in s.

use std::collections::VecDeque;

/// How fast the pace and its unevenness are learnt: the share that a new reading has.
const LEARNING: f64 = 1.0 / 64.0;
/// So many readings show the pace before anything is told by it.
const LEARNT: u32 = 64;
/// No more of what is off is learnt from, s: the span of a packet whose readings share a time, but no jump.
const LEARNT_FROM_S: f64 = 0.02;
/// A clock that is off by less has not jumped, s: that much a set does not move.
const LEAST_S: f64 = 0.002;
/// Nor by less than so many times its usual unevenness.
const TIMES_UNEVEN: f64 = 8.0;
/// The pace is known to this share, so long gaps tell less.
const PACE_OFF: f64 = 1e-3;
/// Numbers that span more than this tell nothing, s.
const LONGEST_S: f64 = 2.0;
/// What is off has to stay so for so many readings: one wild time is none.
const STEADY: u32 = 8;

/// From this number on a node's clock is off against its numbers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jump {
    /// The first number on the new time.
    pub first_seq: u32,
    /// The time of that reading.
    pub at_s: f64,
    /// How far the clock went on more than the numbers did.
    pub by_s: f64,
}

impl Jump {
    /// What there is to say of it, noticed at an instant of the hand node's clock, s.
    pub(super) fn note(&self, node: &str, noticed_s: f64) -> String {
        let way = if self.by_s > 0.0 { "ahead" } else { "back" };
        format!(
            "the {node} node's clock has jumped {way} by {:.0} ms shortly before {noticed_s:.1} s of the hand node's, by \
             the numbers of its readings and by when they came; that was taken out",
            self.by_s.abs() * 1e3
        )
    }
}

/// The pace of one node.
#[derive(Clone, Debug, Default)]
pub struct Pace {
    step_s: f64,
    uneven_s: f64,
    heard: u32,
    last: Option<(u32, f64)>,
    odd: Option<Odd>,
}

/// Something was off, and it is not clear yet whether for good.
#[derive(Clone, Copy, Debug)]
struct Odd {
    jump: Jump,
    steady: u32,
}

impl Pace {
    /// Takes the newest reading's number and time; gives the jump that is certain by now.
    pub fn hear(&mut self, seq: u32, t_s: f64) -> Option<Jump> {
        let (last_seq, last_s) = self.last.replace((seq, t_s))?;
        let numbers = f64::from(seq.wrapping_sub(last_seq));
        let off_s = t_s - last_s - numbers * self.step_s;
        if numbers == 0.0 || numbers * self.step_s > LONGEST_S {
            self.odd = None;
            return None;
        }
        let least_s = LEAST_S.max(TIMES_UNEVEN * self.uneven_s);
        let tolerated_s = least_s.max(PACE_OFF * numbers * self.step_s);
        self.learn(numbers, off_s);
        if self.heard < LEARNT {
            return None;
        }
        if off_s.abs() > tolerated_s {
            let fresh = Odd { jump: Jump { first_seq: seq, at_s: t_s, by_s: 0.0 }, steady: 0 };
            let odd = self.odd.get_or_insert(fresh);
            odd.jump.by_s += off_s;
            odd.steady = 0;
            return None;
        }
        let odd = self.odd.as_mut()?;
        odd.steady += 1;
        let odd = self.odd.take_if(|odd| odd.steady >= STEADY)?;
        (odd.jump.by_s.abs() > least_s).then_some(odd.jump)
    }

    fn learn(&mut self, numbers: f64, off_s: f64) {
        if self.heard == 0 {
            (self.heard, self.step_s) = (1, off_s / numbers);
            return;
        }
        self.heard = self.heard.saturating_add(1);
        let share = LEARNING.max(1.0 / f64::from(self.heard));
        let off_s = off_s.clamp(-LEARNT_FROM_S, LEARNT_FROM_S);
        self.step_s += share * off_s / numbers;
        self.uneven_s += share * (off_s.abs() - self.uneven_s);
    }

    /// From one reading to the next, s.
    pub fn step_s(&self) -> f64 {
        self.step_s
    }

    /// The times are counted from elsewhere, by so much.
    pub fn shift(&mut self, by_s: f64) {
        self.last = self.last.map(|(seq, t_s)| (seq, t_s + by_s));
    }

    /// The numbers begin again elsewhere; the pace stays.
    pub fn restart(&mut self) {
        (self.last, self.odd) = (None, None);
    }
}

/// So many jumps are remembered, for readings that come late.
const SHIFTS: usize = 16;

/// What the jumps of a node's clock add to its times: from a number on so much, s.
#[derive(Clone, Debug, Default)]
pub struct Shifts(VecDeque<(u32, f64)>);

impl Shifts {
    /// What is added to the time of the reading with this number, s.
    #[must_use]
    pub fn at(&self, seq: u32) -> f64 {
        self.0.iter().rev().find(|(first_seq, _)| *first_seq <= seq).map_or(0.0, |(_, by_s)| *by_s)
    }

    /// Adds so much before a number, and so much from it on; from 0 on to all.
    pub fn add(&mut self, first_seq: u32, before_s: f64, from_s: f64) {
        if self.0.is_empty() {
            self.0.push_back((0, 0.0));
        }
        let (_, now_s) = self.0[self.0.len() - 1];
        for (seq, by_s) in &mut self.0 {
            *by_s += if *seq < first_seq { before_s } else { from_s };
        }
        if first_seq > 0 {
            self.0.push_back((first_seq, now_s + from_s));
        }
        if self.0.len() > SHIFTS {
            self.0.pop_front();
        }
    }

    /// The numbers begin again, the times go on.
    pub fn go_on(&mut self) {
        let now = self.0.back().map(|(_, by_s)| (0, *by_s));
        self.0 = now.into_iter().collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{Rng, SeedableRng};

    /// Readings at 500 Hz by a quartz 80 ppm off, uneven by so much; `change` gives number and what is off at a place.
    fn jumps(uneven_s: f64, change: impl Fn(u32) -> Option<(u32, f64)>) -> Vec<Jump> {
        let (mut pace, mut rng) = (Pace::default(), StdRng::seed_from_u64(3));
        let mut jumps = Vec::new();
        for place in 0..5000_u32 {
            let uneven_s = uneven_s * rng.random_range(-1.0..1.0);
            let Some((seq, off_s)) = change(place) else { continue };
            jumps
                .extend(pace.hear(seq, 1000.0 + f64::from(place) * 0.002 * (1.0 + 80e-6) + uneven_s + off_s));
        }
        jumps
    }

    #[test]
    fn a_jump_is_found_with_its_place_and_size() {
        for by_s in [0.005, -0.005, 0.1, -0.1, 3.0] {
            for uneven_s in [0.0, 5e-6, 3e-4] {
                let found = jumps(uneven_s, |place| Some((place, if place < 3000 { 0.0 } else { by_s })));
                let [jump] = found[..] else { panic!("{by_s} {uneven_s}: {found:?}") };
                assert_eq!(jump.first_seq, 3000);
                assert!((jump.by_s - by_s).abs() < 1e-4 + 2.0 * uneven_s, "{by_s} {uneven_s}: {jump:?}");
            }
        }
    }

    #[test]
    fn one_that_comes_with_a_loss_is_found_too() {
        let lost = |place: u32| !(2990..3010).contains(&place);
        let found =
            jumps(5e-6, |place| lost(place).then_some((place, if place < 3000 { 0.0 } else { 0.02 })));
        assert!(
            found.len() == 1 && found[0].first_seq == 3010 && (found[0].by_s - 0.02).abs() < 1e-4,
            "{found:?}"
        );
    }

    #[test]
    fn what_is_no_jump_is_told_as_none() {
        let none = |what: &str, found: Vec<Jump>| assert!(found.is_empty(), "{what}: {found:?}");
        none("sound", jumps(5e-6, |place| Some((place, 0.0))));
        none("losses", jumps(5e-6, |place| (place % 700 > 300).then_some((place, 0.0))));
        none("a wild time", jumps(5e-6, |place| Some((place, if place % 800 == 799 { 0.3 } else { 0.0 }))));
        none("a time a packet", jumps(0.0, |place| Some((place, -0.002 * f64::from(place % 10)))));
        none("uneven", jumps(4e-3, |place| Some((place, 0.0))));
        none("numbers that skip a minute", jumps(5e-6, |place| Some((place + 30_000 * (place / 3000), 0.0))));
    }
}
