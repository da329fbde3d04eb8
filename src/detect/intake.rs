//! One node's samples put in order: late ones sorted in, double ones dropped, missing ones counted.

use super::NodeLoss;
use super::pace::{Jump, Pace, Shifts};
use crate::device::gaps::{LATE_NUMBERS, LATE_US, can_pass};
use crate::fusion::errors::NodeErrors;
use crate::fusion::glitch;
use crate::fusion::orientation::{GAP_S, OrientationFilter, OrientationMethod, Step};
use crate::fusion::self_calibration::{EvidenceParams, SelfCalibration};
use crate::fusion::series::{Conversion, Reading, mean};
use crate::sample::{ImuSample, NodeRole};
use nalgebra::Vector3;
use std::collections::{BTreeSet, VecDeque};

/// So many numbers before the first that arrived may come after it.
const EARLIER_MAX: u32 = 64;
/// A sample this far from the newest comes from a node whose clock has started anew or was set, s.
const RESTART_S: f64 = 5.0;
/// A sample that is awaited may come so late, s.
const AWAITED_S: f64 = LATE_US as f64 * 1e-6;
/// Readings that lie no farther apart than this are one block of a first look, s: a slow glove's (200 Hz) stay as they
/// are.
const BLOCK_S: f64 = 0.0035;
/// A late sample is sorted in before anything follows the motion, if it comes within this time, s.
const LATE_S: f64 = 0.3;

/// What became of a sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Taken {
    /// It came before, or is no number.
    Dropped,
    /// A reading on the clock so far.
    Reading(Reading),
    /// One that was long missing: it stands in its place among the others, and tells nothing of the present.
    Late(Reading),
    /// The first reading of a clock that has started anew, or was silent for long: what was kept is gone.
    Restarted(Reading),
}

/// The recent readings of one node.
#[derive(Debug)]
pub struct Intake {
    conversion: Conversion,
    keep_s: f64,
    ring: VecDeque<Reading>,
    /// Their numbers.
    numbers: VecDeque<u32>,
    /// When the reading with the highest number was taken, s.
    came_s: Option<f64>,
    pace: Pace,
    jump: Option<Jump>,
    shifts: Shifts,
    first: u32,
    highest: Option<u32>,
    /// Numbers that may still come late; more than [`LATE_NUMBERS`] are given up as lost.
    awaited: BTreeSet<u32>,
    /// Numbers that were awaited and came; such a one may come once more.
    came_late: BTreeSet<u32>,
    own: SelfCalibration,
    /// So many of the newest readings the self-calibration has not seen.
    unseen: usize,
    orientation: Box<dyn OrientationFilter>,
    turned_s: Option<f64>,
    clocks_begun: u32,
    loss: NodeLoss,
}

impl Intake {
    /// Keeps `keep_s` seconds of readings; the biases come from this filter.
    #[must_use]
    pub fn new(role: NodeRole, conversion: Conversion, keep_s: f64, method: OrientationMethod) -> Intake {
        Intake {
            conversion,
            keep_s,
            ring: VecDeque::new(),
            numbers: VecDeque::new(),
            came_s: None,
            pace: Pace::default(),
            jump: None,
            shifts: Shifts::default(),
            first: 0,
            highest: None,
            awaited: BTreeSet::new(),
            came_late: BTreeSet::new(),
            own: SelfCalibration::new(EvidenceParams::default(), &NodeErrors::TYPICAL),
            unseen: 0,
            orientation: method.filter(),
            turned_s: None,
            clocks_begun: 0,
            loss: NodeLoss { role, received: 0, missing: 0, duplicates: 0, jumps: 0 },
        }
    }

    /// Converts by these from here on.
    pub fn convert_by(&mut self, conversion: Conversion) {
        self.conversion = conversion;
    }

    /// Whether this sample's clock is another one than that of what is kept, which would go.
    #[must_use]
    pub fn starts_anew(&self, sample: &ImuSample) -> bool {
        let t_s = self.instant_s(sample);
        let far = self.newest().is_some_and(|newest| (t_s - newest.t_s).abs() > RESTART_S);
        far && !self.is_awaited(sample, t_s)
    }

    /// Whether this sample's clock has begun anew, and was not silent for long only.
    #[must_use]
    pub fn falls_back(&self, sample: &ImuSample) -> bool {
        let t_s = self.instant_s(sample);
        self.starts_anew(sample) && self.newest().is_some_and(|newest| t_s < newest.t_s)
    }

    /// When a sample was taken, what its clock has jumped since taken out, s.
    fn instant_s(&self, sample: &ImuSample) -> f64 {
        self.conversion.instant_s(sample) + self.shifts.at(sample.seq)
    }

    /// How often the node's clock has begun anew, as one does that was switched off.
    #[must_use]
    pub fn clocks_begun(&self) -> u32 {
        self.clocks_begun
    }

    /// Takes a sample in order of arrival.
    pub fn push(&mut self, sample: &ImuSample) -> Taken {
        if is_no_reading(sample) {
            return Taken::Dropped;
        }
        let reading = Reading { t_s: self.instant_s(sample), ..self.conversion.reading(sample) };
        let newest_s = self.newest().map_or(reading.t_s, |newest| newest.t_s);
        let since_us = ((reading.t_s - newest_s) * 1e6) as i64;
        let restarted = self.starts_anew(sample);
        if restarted {
            // After a long silence the numbers go on: then what is missing may still come.
            if !self.goes_on(sample.seq, since_us) {
                self.restart_numbers();
            }
            self.clocks_begun += u32::from(since_us < 0);
            self.pace.restart();
            self.ring.clear();
            self.numbers.clear();
            self.own.restart();
            self.unseen = 0;
        } else if reading.t_s > newest_s
            && let Some(highest) = self.highest.filter(|highest| sample.seq <= *highest)
        {
            // A double is as old as its twin; this one is newer than all, so the node counts anew, or past the last number.
            self.restart_numbers();
            self.loss.jumps += u64::from(!can_pass(sample.seq.wrapping_sub(highest), since_us));
        }
        if !self.is_new(sample.seq, since_us) {
            self.loss.duplicates += 1;
            return Taken::Dropped;
        }
        self.loss.received += 1;
        if self.highest == Some(sample.seq) {
            self.came_s = Some(reading.t_s);
            self.jump = self.pace.hear(sample.seq, reading.t_s).or(self.jump.take());
        }
        self.insert(reading, sample.seq);
        if self.is_awaited(sample, reading.t_s) && newest_s - reading.t_s > LATE_S {
            return Taken::Late(reading);
        }
        self.turn(&reading, sample.seq, restarted);
        self.follow();
        if restarted { Taken::Restarted(reading) } else { Taken::Reading(reading) }
    }

    /// Shows the self-calibration what is old enough for late samples to have come.
    fn follow(&mut self) {
        let Some(newest) = self.newest() else { return };
        let until_s = newest.t_s - LATE_S;
        let bias = self.orientation.bias();
        for at in self.ring.len() - self.unseen..self.ring.len() {
            if self.ring[at].t_s > until_s {
                break;
            }
            if !self.is_glitch(at) {
                self.own.push(&self.ring[at], &bias);
            }
            self.unseen -= 1;
        }
    }

    /// Whether the reading at this place of the ring is none, by its neighbours.
    fn is_glitch(&self, at: usize) -> bool {
        let first = at.saturating_sub(2);
        let five: [Option<&Reading>; 5] = std::array::from_fn(|i| self.ring.get(first + i));
        at >= 2
            && matches!(five, [Some(a), Some(b), Some(c), Some(d), Some(e)] if glitch::is_glitch([a, b, c, d, e]))
    }

    /// One step of the orientation filter. A late reading is passed over: its time is spoken for.
    fn turn(&mut self, reading: &Reading, seq: u32, restarted: bool) {
        let mut since_s = self.turned_s.map_or(0.0, |followed_s| reading.t_s - followed_s);
        if since_s < 0.0 && !restarted {
            if self.highest != Some(seq) {
                return;
            }
            // The clock went back, not the node.
            since_s = self.pace.step_s();
        }
        self.turned_s = Some(reading.t_s);
        let dt_s = if restarted { 2.0 * GAP_S } else { since_s };
        self.orientation.step(&Step { rate: reading.rate, force_g: reading.force_g, dt_s });
    }

    /// Whether a sample with this number is missing, or was and came late: then its time lies back.
    fn is_awaited(&self, sample: &ImuSample, t_s: f64) -> bool {
        let was_missing = self.awaited.contains(&sample.seq) || self.came_late.contains(&sample.seq);
        let newest_s = self.newest().map_or(t_s, |newest| newest.t_s);
        was_missing && (0.0..AWAITED_S).contains(&(newest_s - t_s))
    }

    /// Whether this number can follow the highest one after a silence, µs.
    fn goes_on(&self, seq: u32, silent_us: i64) -> bool {
        let step = self.highest.and_then(|highest| seq.checked_sub(highest)).filter(|step| *step > 0);
        silent_us > 0 && step.is_some_and(|step| can_pass(step, silent_us))
    }

    fn restart_numbers(&mut self) {
        self.pace.restart();
        self.shifts.go_on();
        self.highest = None;
        self.awaited.clear();
        self.came_late.clear();
    }

    /// Whether a sample with this number, taken so much after the newest, did not come before.
    fn is_new(&mut self, seq: u32, since_us: i64) -> bool {
        match self.highest {
            Some(highest) if seq <= highest => {
                let late = self.awaited.remove(&seq);
                if late {
                    self.came_late.insert(seq);
                    if self.came_late.len() > LATE_NUMBERS {
                        self.came_late.pop_first();
                    }
                }
                self.loss.missing -= u64::from(late && seq > self.first);
                late
            }
            Some(highest) if !can_pass(seq - highest, since_us) => {
                // No node takes so many readings so soon. One that lies back with such a number is none of them.
                let is_newest = since_us > 0;
                if is_newest {
                    self.loss.jumps += 1;
                    self.highest = Some(seq);
                }
                is_newest
            }
            Some(highest) => {
                self.loss.missing += u64::from(seq - highest - 1);
                self.awaited.extend((highest + 1..seq).rev().take(LATE_NUMBERS));
                while self.awaited.len() > LATE_NUMBERS {
                    self.awaited.pop_first();
                }
                self.highest = Some(seq);
                true
            }
            None => {
                // The first to arrive need not be the first that was sent.
                self.awaited.extend(seq.saturating_sub(EARLIER_MAX)..seq);
                (self.first, self.highest) = (seq, Some(seq));
                true
            }
        }
    }

    fn insert(&mut self, reading: Reading, seq: u32) {
        // Nearly all are the newest: these need no search of a ring that the cache does not hold.
        let is_newest = self.newest().is_none_or(|newest| newest.t_s <= reading.t_s);
        let by_search = || self.ring.partition_point(|other| other.t_s <= reading.t_s);
        let place = if is_newest { self.ring.len() } else { by_search() };
        let after = self.ring.len() - place;
        self.ring.insert(place, reading);
        self.numbers.insert(place, seq);
        // One that comes among those seen is passed over.
        self.unseen += usize::from(after <= self.unseen);
        let newest_s = self.ring.back().map_or(reading.t_s, |newest| newest.t_s);
        while self.ring.front().is_some_and(|oldest| oldest.t_s < newest_s - self.keep_s) {
            self.ring.pop_front();
            self.numbers.pop_front();
        }
        self.unseen = self.unseen.min(self.ring.len());
    }

    /// When the reading with the highest number was taken, s: the newest one's time, but for a clock that has jumped back.
    #[must_use]
    pub fn came_s(&self) -> Option<f64> {
        self.came_s
    }

    /// The clock seems to have jumped, by the node's own numbers; told once.
    pub fn take_jump(&mut self) -> Option<Jump> {
        self.jump.take()
    }

    /// Counts times anew: those before a number by `before_s` more, the others by `from_s` more. Gives how many of the
    /// readings that are kept are among the others.
    pub fn retime(&mut self, first_seq: u32, before_s: f64, from_s: f64) -> usize {
        self.shifts.add(first_seq, before_s, from_s);
        let by_s = |seq: u32| if seq < first_seq { before_s } else { from_s };
        let readings = self.ring.drain(..).zip(self.numbers.drain(..));
        let mut retimed: Vec<(Reading, u32)> = readings
            .map(|(reading, seq)| (Reading { t_s: reading.t_s + by_s(seq), ..reading }, seq))
            .collect();
        retimed.sort_by(|(a, _), (b, _)| a.t_s.total_cmp(&b.t_s));
        (self.ring, self.numbers) = retimed.into_iter().unzip();
        self.came_s = self.came_s.map(|came_s| came_s + from_s);
        self.turned_s = self.turned_s.map(|turned_s| turned_s + from_s);
        self.pace.shift(from_s);
        self.own.restart();
        self.numbers.iter().filter(|seq| **seq >= first_seq).count()
    }

    /// The newest reading.
    #[must_use]
    pub fn newest(&self) -> Option<&Reading> {
        self.ring.back()
    }

    /// Copies of the readings from `from_s` on (node clock), in order of time.
    #[must_use]
    pub fn since(&self, from_s: f64) -> Vec<Reading> {
        self.kept_since(from_s).collect()
    }

    /// The readings from an instant on, without those that are none.
    fn kept_since(&self, from_s: f64) -> impl Iterator<Item = Reading> + '_ {
        let start = self.ring.partition_point(|reading| reading.t_s < from_s);
        (start..self.ring.len()).filter(|at| !self.is_glitch(*at)).map(|at| self.ring[at])
    }

    /// The same in means of those that lie within [`BLOCK_S`]: enough for a first look, whose cost then does not grow with
    /// the glove's rate.
    #[must_use]
    pub fn since_in_blocks(&self, from_s: f64) -> Vec<Reading> {
        let mut blocks = Vec::new();
        let mut block: Vec<Reading> = Vec::new();
        for reading in self.kept_since(from_s) {
            if block.first().is_some_and(|first| reading.t_s - first.t_s > BLOCK_S) {
                blocks.extend(mean(&block));
                block.clear();
            }
            block.push(reading);
        }
        blocks.extend(mean(&block));
        blocks
    }

    /// The gyro bias as far as it is known, rad/s in the sensor frame.
    #[must_use]
    pub fn bias(&self) -> Vector3<f64> {
        self.orientation.bias()
    }

    /// How far the gyro bias may have run away from that, rad/s (standard deviation per axis).
    #[must_use]
    pub fn bias_wander(&self) -> Vector3<f64> {
        self.orientation.bias_wander()
    }

    /// What the node's own stillnesses say about its sensors.
    #[must_use]
    pub fn own(&self) -> &SelfCalibration {
        &self.own
    }

    /// What was lost so far.
    #[must_use]
    pub fn loss(&self) -> NodeLoss {
        self.loss
    }
}

/// No sensor gives more, °/s or g, in whatever unit firmware takes for the right one.
const MOST: f64 = 1e6;

/// Numbers that are none, or nothing but zeros: what a sensor gives that does not answer. At rest there is gravity, and
/// an arm that falls turns.
fn is_no_reading(sample: &ImuSample) -> bool {
    let mut values = sample.rate_dps.iter().chain(&sample.specific_force_g);
    !values.clone().all(|value| value.abs() < MOST) || values.all(|value| *value == 0.0)
}

#[cfg(test)]
#[path = "intake_tests.rs"]
mod tests;
