//! What is asked for again of what a link lost: a pure policy that is told what came and the time.
//!
//! A glove keeps its last readings for some seconds. A gap is left alone for a moment, since its readings may
//! merely be late; then it is asked for in small pieces, oldest first, at a bounded pace, so that the live
//! stream keeps its room. What is older than every glove must keep comes last, newest first, until the glove
//! says that it no longer has it.

use crate::device::gaps::Gap;
use crate::units::HostTime;
use firmware_protocol::AckStatus;
use std::collections::{BTreeSet, VecDeque};

/// How much is asked for, and how insistently. The defaults are common sense, not measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MissedParams {
    /// A gap is left alone so long, µs. Default 100 ms.
    pub settle_us: i64,
    /// Most readings in a request. Default 100.
    pub request_readings: u32,
    /// Pause after a request for each reading in it, µs. Default 500: at most 2000 readings a second.
    pub pause_us_per_reading: i64,
    /// Shortest pause after a request, µs. Default 10 ms.
    pub least_pause_us: i64,
    /// Most requests that wait for their answer. Default 100, since what is lost here and there makes small ones …
    pub at_once: usize,
    /// … and most readings in them. Default 400.
    pub readings_at_once: usize,
    /// A request without an answer for so long was lost, µs. Default 600 ms.
    pub answer_us: i64,
    /// So often readings are asked for before they are given up. Default 12: a busy machine, a bad minute.
    pub tries: u8,
    /// Every glove keeps its readings this long, s: the protocol says 4.
    pub kept_s: f64,
    /// Readings older than this are given up, s. Default 30.
    pub oldest_s: f64,
}

impl Default for MissedParams {
    fn default() -> MissedParams {
        MissedParams {
            settle_us: 100_000,
            request_readings: 100,
            pause_us_per_reading: 500,
            least_pause_us: 10_000,
            at_once: 100,
            readings_at_once: 400,
            answer_us: 600_000,
            tries: 12,
            kept_s: 4.0,
            oldest_s: 30.0,
        }
    }
}

/// Most runs of missing readings that are remembered; beyond them the oldest are given up.
const MAX_RUNS: usize = 512;
/// The greeting uses the numbers below.
pub(super) const FIRST_ID: u16 = 0x100;

/// Readings to ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Request {
    /// Number of the command.
    pub id: u16,
    /// The node's index on the wire.
    pub node: u8,
    /// The first reading.
    pub first_seq: u32,
    /// How many.
    pub count: u16,
}

/// What became of missing readings.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MissedCounts {
    /// Readings found missing.
    pub missing: u64,
    /// Requests made.
    pub requests: u64,
    /// Missing readings that came after all.
    pub came: u64,
    /// Missing readings that are no longer hoped for.
    pub given_up: u64,
}

/// Missing readings that hang together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Run {
    node: u8,
    first_seq: u32,
    count: u32,
    since: HostTime,
    tries: u8,
}

impl Run {
    fn holds(&self, node: u8, seq: u32) -> bool {
        self.node == node && seq.wrapping_sub(self.first_seq) < self.count
    }

    /// Both sides of a place within it.
    fn split(self, count: u32) -> (Run, Run) {
        let rest = Run {
            first_seq: self.first_seq.wrapping_add(count),
            count: self.count.saturating_sub(count),
            ..self
        };
        (Run { count: count.min(self.count), ..self }, rest)
    }
}

/// A request that waits for its answer.
#[derive(Clone, Debug)]
struct Asked {
    id: u16,
    run: Run,
    /// Where in the run something is still missing.
    missing: BTreeSet<u32>,
    until: HostTime,
    /// Older than the glove must keep.
    is_old: bool,
}

/// The policy and its state.
#[derive(Clone, Debug)]
pub struct Missed {
    params: MissedParams,
    is_up: bool,
    /// What the glove must still have, oldest first.
    waiting: VecDeque<Run>,
    /// What it may still have.
    old: Vec<Run>,
    asked: Vec<Asked>,
    next_id: u16,
    next_at: HostTime,
    counts: MissedCounts,
}

impl Missed {
    /// A policy that has seen nothing yet.
    #[must_use]
    pub fn new(params: MissedParams) -> Missed {
        Missed {
            params,
            is_up: false,
            waiting: VecDeque::new(),
            old: Vec::new(),
            asked: Vec::new(),
            next_id: FIRST_ID,
            next_at: HostTime(i64::MIN),
            counts: MissedCounts::default(),
        }
    }

    /// What became of missing readings so far.
    #[must_use]
    pub fn counts(&self) -> MissedCounts {
        self.counts
    }

    /// Whether everything missing came or was given up.
    #[must_use]
    pub fn is_settled(&self) -> bool {
        self.waiting.is_empty() && self.old.is_empty() && self.asked.is_empty()
    }

    /// The link is up or down. Requests that were under way when it broke are made anew.
    pub fn link(&mut self, is_up: bool) {
        self.is_up = is_up;
        for asked in std::mem::take(&mut self.asked).into_iter().rev() {
            self.again(&asked, asked.run.tries);
        }
    }

    /// A node started anew: what it had kept is gone, and its numbers stand for other readings now.
    pub fn restarted(&mut self, node: u8) {
        let asked = self.asked.iter().filter(|asked| asked.run.node == node);
        let runs = self.waiting.iter().chain(&self.old).filter(|run| run.node == node);
        let gone = asked
            .map(|asked| asked.missing.len() as u32)
            .chain(runs.map(|run| run.count))
            .fold(0, u32::saturating_add);
        self.asked.retain(|asked| asked.run.node != node);
        self.waiting.retain(|run| run.node != node);
        self.old.retain(|run| run.node != node);
        self.give_up(gone);
    }

    /// A node's readings came with these numbers, and these gaps in front of them are new.
    pub fn heard(
        &mut self,
        node: u8,
        rate_hz: f64,
        gaps: &[Gap],
        seqs: impl Iterator<Item = u32>,
        now: HostTime,
    ) {
        for seq in seqs {
            self.came(node, seq);
        }
        for gap in gaps {
            self.missing(node, rate_hz, *gap, now);
        }
        while self.waiting.len() + self.old.len() > MAX_RUNS {
            let given_up = self.old.pop().or_else(|| self.waiting.pop_front());
            self.give_up(given_up.map_or(0, |run| run.count));
        }
    }

    fn missing(&mut self, node: u8, rate_hz: f64, gap: Gap, now: HostTime) {
        let readings = |seconds: f64| (seconds * rate_hz).clamp(0.0, f64::from(u32::MAX)) as u32;
        let (oldest, kept) = (readings(self.params.oldest_s), readings(self.params.kept_s));
        self.counts.missing += u64::from(gap.count);
        let run = Run { node, first_seq: gap.first_seq, count: gap.count, since: now, tries: 0 };
        let (too_old, run) = run.split(gap.count.saturating_sub(oldest));
        self.give_up(too_old.count);
        let (old, young) = run.split(run.count.saturating_sub(kept));
        self.old.extend(Some(old).filter(|run| run.count > 0));
        self.waiting.extend(Some(young).filter(|run| run.count > 0));
    }

    fn came(&mut self, node: u8, seq: u32) {
        if let Some(asked) = self.asked.iter_mut().find(|asked| asked.run.holds(node, seq)) {
            self.counts.came += u64::from(asked.missing.remove(&seq));
            return;
        }
        if let Some(place) = self.waiting.iter().position(|run| run.holds(node, seq)) {
            let (before, from) = self.waiting[place].split(seq.wrapping_sub(self.waiting[place].first_seq));
            let after = from.split(1).1;
            self.waiting.remove(place);
            for run in [after, before].into_iter().filter(|run| run.count > 0) {
                self.waiting.insert(place, run);
            }
            self.counts.came += 1;
        }
    }

    /// The glove has answered a command.
    pub fn answered(&mut self, id: u16, status: AckStatus) {
        let Some(place) = self.asked.iter().position(|asked| asked.id == id) else { return };
        let asked = self.asked.remove(place);
        match status {
            // What is missing still was lost on the way once more.
            AckStatus::Done => self.again(&asked, asked.run.tries + 1),
            AckStatus::Busy => self.again(&asked, asked.run.tries),
            AckStatus::NotKept if asked.is_old => self.forget_older(&asked),
            _ => self.give_up(asked.missing.len() as u32),
        }
    }

    /// The glove no longer has these: it has nothing older of that node, either.
    fn forget_older(&mut self, asked: &Asked) {
        let (gone, left) = self.old.iter().partition(|run: &&Run| run.node == asked.run.node);
        self.old = left;
        let gone: Vec<Run> = gone;
        self.give_up(asked.missing.len() as u32);
        for run in gone {
            self.give_up(run.count);
        }
    }

    /// What a request did not bring is asked for again, until it has been tried often enough.
    fn again(&mut self, asked: &Asked, tries: u8) {
        if tries >= self.params.tries {
            self.give_up(asked.missing.len() as u32);
            return;
        }
        for run in runs(asked, tries).into_iter().rev() {
            if asked.is_old { self.old.push(run) } else { self.waiting.push_front(run) }
        }
    }

    fn give_up(&mut self, count: u32) {
        self.counts.given_up += u64::from(count);
    }

    /// The next request, if one is due at `now`. All that the link had brought by `heard_until` was told: what it
    /// has brought since may still hold what seems to be missing.
    pub fn poll(&mut self, heard_until: HostTime, now: HostTime) -> Option<Request> {
        self.expire(heard_until);
        let under_way: usize = self.asked.iter().map(|asked| asked.missing.len()).sum();
        let busy = self.asked.len() >= self.params.at_once || under_way >= self.params.readings_at_once;
        if !self.is_up || now < self.next_at || busy {
            return None;
        }
        let (run, is_old) = self.next_run(heard_until)?;
        let id = self.next_id;
        self.next_id = self.next_id.checked_add(1).unwrap_or(FIRST_ID);
        let pause_us = i64::from(run.count) * self.params.pause_us_per_reading;
        self.next_at = HostTime(now.0 + pause_us.max(self.params.least_pause_us));
        self.counts.requests += 1;
        let missing = (0..run.count).map(|at| run.first_seq.wrapping_add(at)).collect();
        let until = HostTime(now.0 + self.params.answer_us);
        self.asked.push(Asked { id, run, missing, until, is_old });
        let count = u16::try_from(run.count).unwrap_or(u16::MAX);
        Some(Request { id, node: run.node, first_seq: run.first_seq, count })
    }

    /// Takes the piece of a run that is asked for next.
    fn next_run(&mut self, now: HostTime) -> Option<(Run, bool)> {
        let most = self.params.request_readings.clamp(1, u32::from(u16::MAX));
        let settle_us = self.params.settle_us;
        let settled = |run: &Run| run.tries > 0 || now.0 - run.since.0 >= settle_us;
        if let Some(place) = self.waiting.iter().position(settled) {
            let run = self.waiting.remove(place)?;
            let (piece, rest) = run.split(most);
            if rest.count > 0 {
                self.waiting.insert(place, rest);
            }
            return Some((piece, false));
        }
        // Not before those that the glove must still have, which come with the same gap.
        let run = if self.waiting.is_empty() { self.old.pop() } else { None }?;
        let (rest, piece) = run.split(run.count.saturating_sub(most));
        self.old.extend(Some(rest).filter(|run| run.count > 0));
        Some((piece, true))
    }

    /// Time passes: requests without an answer were lost, what waited too long is given up.
    fn expire(&mut self, now: HostTime) {
        let (over, left) = std::mem::take(&mut self.asked).into_iter().partition(|asked| asked.until <= now);
        self.asked = left;
        let over: Vec<Asked> = over;
        for asked in over.iter().rev() {
            self.again(asked, asked.run.tries + 1);
        }
        let oldest_us = (self.params.oldest_s * 1e6) as i64;
        let too_old = |run: &Run| now.0 - run.since.0 > oldest_us;
        let old = self.waiting.iter().chain(&self.old).filter(|run| too_old(run));
        let gone = old.map(|run| run.count).fold(0, u32::saturating_add);
        self.waiting.retain(|run| !too_old(run));
        self.old.retain(|run| !too_old(run));
        self.give_up(gone);
    }
}

/// What a request did not bring, as runs in order.
fn runs(asked: &Asked, tries: u8) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for at in 0..asked.run.count {
        let seq = asked.run.first_seq.wrapping_add(at);
        if !asked.missing.contains(&seq) {
            continue;
        }
        match runs.last_mut() {
            Some(run) if run.first_seq.wrapping_add(run.count) == seq => run.count += 1,
            _ => runs.push(Run { first_seq: seq, count: 1, tries, ..asked.run }),
        }
    }
    runs
}

#[cfg(test)]
#[path = "missed_tests.rs"]
mod tests;
