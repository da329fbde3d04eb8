//! Where a recording is cut, and what belongs to which side. Pure: follows the things in a recording in order.
//!
//! The second side begins with what its numbers hang on: the glove's introductions, the calibrations before the
//! cut, and the club. Readings that came late because they were asked for again go to the side they were taken on.

use super::rewrite::Cut;
use crate::device::gaps::LATE_US;
use crate::device::{Assembler, Heard};
use crate::record::asked;
use crate::record::recorded::Recorded;
use crate::sample::{Arrival, Marker, NodeRole};
use crate::units::{DeviceTime, HostTime};
use firmware_protocol::constants::MAX_DECODED;
use firmware_protocol::{Frame, Scratch, decode_piece};
use std::collections::{BTreeMap, VecDeque};
use std::ops::Range;

/// A calibration begins so long before its first prompt, µs.
const BEFORE_PROMPT_US: i64 = 3_000_000;
/// It is over so long after its last prompt, µs …
const AFTER_PROMPT_US: i64 = 10_000_000;
/// … or, where a swing follows, as soon as so much has passed (the analysis needs 4 s), µs.
const LEAST_AFTER_PROMPT_US: i64 = 4_300_000;
/// A swing is near from this long before its takeaway, µs.
const BEFORE_SWING_US: i64 = 1_000_000;
/// Prompts further apart than this belong to two calibrations, µs.
const BETWEEN_PROMPTS_US: i64 = 60_000_000;

/// A side of the cut.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// What came before it.
    Before,
    /// What came after it.
    After,
}

/// A run of prompts.
struct Calibration {
    from: usize,
    to: Option<usize>,
    last_prompt: Instant,
}

/// An instant on the host's clock, and on the hand's, once it was heard.
#[derive(Clone, Copy, Debug)]
struct Instant {
    host: HostTime,
    hand: Option<DeviceTime>,
}

impl Instant {
    /// Time since another instant, µs: by the hand's clock, since a recording may have been made faster than the
    /// player moved; by the host's where the hand was not heard or its clock has begun anew.
    fn since_us(self, then: Instant) -> i64 {
        match self.hand.zip(then.hand) {
            Some((now, then)) if now >= then => now.0.saturating_sub(then.0),
            _ => self.host.0.saturating_sub(then.host.0),
        }
    }
}

/// When a reading was taken: how often its node had started anew by then, and the time on its clock, which begins anew
/// each time.
type TakenAt = (u32, DeviceTime);

/// What is known of the things in a recording, by their place in it.
pub struct Scan {
    cut: Cut,
    place: usize,
    cut_at: Option<(usize, HostTime)>,
    assembler: Assembler,
    hand: Option<DeviceTime>,
    /// The newest reading of each node before the cut.
    newest: BTreeMap<NodeRole, TakenAt>,
    /// First and newest introduction of each kind and node before the cut.
    introductions: BTreeMap<(u8, u8), [Recorded; 2]>,
    /// Recent places and when they were.
    recent: VecDeque<(usize, Instant)>,
    calibrations: Vec<Calibration>,
    club: Option<String>,
    /// Places after the cut whose readings were taken before it.
    late: Vec<usize>,
}

impl Scan {
    /// Nothing was seen yet.
    #[must_use]
    pub fn new(cut: Cut) -> Scan {
        Scan {
            cut,
            place: 0,
            cut_at: None,
            assembler: Assembler::new(),
            hand: None,
            newest: BTreeMap::new(),
            introductions: BTreeMap::new(),
            recent: VecDeque::new(),
            calibrations: Vec::new(),
            club: None,
            late: Vec::new(),
        }
    }

    /// Takes the next thing.
    pub fn take(&mut self, recorded: &Recorded) {
        let at = recorded.received();
        let now = self.at(at);
        self.recent.push_back((self.place, now));
        while self.recent.front().is_some_and(|(_, then)| now.since_us(*then) > BEFORE_PROMPT_US) {
            self.recent.pop_front();
        }
        match recorded {
            Recorded::Piece(piece) if piece.whole => {
                let mut scratch: Scratch = [0; MAX_DECODED];
                if let Ok(frame) = decode_piece(&piece.bytes, &mut scratch) {
                    self.take_frame(&frame, recorded);
                }
            }
            Recorded::Marker { marker, .. } => self.take_marker(marker, at),
            _ => {}
        }
        self.end_calibration(at);
        self.place += 1;
    }

    /// All was seen.
    #[must_use]
    pub fn ended(mut self) -> Scan {
        let end = self.cut_at.map_or(self.place, |(place, _)| place);
        for calibration in &mut self.calibrations {
            calibration.to.get_or_insert(end);
        }
        self
    }

    fn at(&self, host: HostTime) -> Instant {
        Instant { host, hand: self.hand }
    }

    fn take_frame(&mut self, frame: &Frame<'_>, recorded: &Recorded) {
        let at = recorded.received();
        let node = match frame {
            Frame::Hello(_) | Frame::DeviceInfo(_) => Some(0),
            Frame::NodeInfo(info) => Some(info.node),
            _ => None,
        };
        if let Some(node) = node.filter(|_| self.cut_at.is_none()) {
            let both = self.introductions.entry((frame.frame_type(), node));
            both.or_insert_with(|| [recorded.clone(), recorded.clone()])[1] = recorded.clone();
        }
        let mut arrivals = Vec::new();
        // What cannot be used gives nothing to go by.
        let restarts = match self.assembler.take(frame, Some(at), &mut arrivals) {
            Ok(Heard::Samples { restarts, .. }) => restarts,
            _ => 0,
        };
        let mut late = false;
        for arrival in &arrivals {
            match arrival {
                Arrival::Sample(sample) => {
                    if sample.role == NodeRole::Hand {
                        self.hand = Some(sample.t);
                        if self.cut_at.is_none() && sample.t >= self.cut.at {
                            self.cut_at = Some((self.place, at));
                        }
                    }
                    late |= self.take_time(sample.role, (restarts, sample.t), at);
                }
                Arrival::Marker { marker, .. } => self.take_marker(marker, at),
            }
        }
        if late {
            self.late.push(self.place);
        }
    }

    /// Whether a reading after the cut was taken before it.
    fn take_time(&mut self, role: NodeRole, taken: TakenAt, at: HostTime) -> bool {
        let Some((_, cut)) = self.cut_at else {
            // One that was asked for again is not the newest, though it came last.
            let newest = self.newest.entry(role).or_insert(taken);
            *newest = taken.max(*newest);
            return false;
        };
        at.0.saturating_sub(cut.0) < LATE_US && self.newest.get(&role).is_some_and(|newest| taken < *newest)
    }

    fn take_marker(&mut self, marker: &Marker, at: HostTime) {
        if self.cut_at.is_some() {
            return;
        }
        match marker {
            Marker::Club(club) => self.club = Some(club.clone()),
            Marker::Prompt(_) => {
                let last_prompt = self.at(at);
                match self.calibrations.last_mut() {
                    Some(last) if last_prompt.since_us(last.last_prompt) < BETWEEN_PROMPTS_US => {
                        (last.last_prompt, last.to) = (last_prompt, None);
                    }
                    _ => {
                        let from = self.recent.front().map_or(self.place, |(place, _)| *place);
                        self.calibrations.push(Calibration { from, to: None, last_prompt });
                    }
                }
            }
            Marker::Note { .. } => {}
        }
    }

    fn end_calibration(&mut self, at: HostTime) {
        let now = self.at(at);
        let Some(last) = self.calibrations.last_mut().filter(|last| last.to.is_none()) else { return };
        let since_us = now.since_us(last.last_prompt);
        let after = last.last_prompt.hand;
        let next = self.cut.takeaways.iter().find(|takeaway| after.is_none_or(|after| **takeaway > after));
        let swing_is_near = self.hand.zip(next).is_some_and(|(hand, next)| hand.0 > next.0 - BEFORE_SWING_US);
        if since_us > AFTER_PROMPT_US || (swing_is_near && since_us > LEAST_AFTER_PROMPT_US) {
            last.to = Some(self.place);
        }
    }

    /// When the cut is, on the host's clock; none where it was not reached.
    #[must_use]
    pub fn cut_host(&self) -> Option<HostTime> {
        self.cut_at.map(|(_, host)| host)
    }

    /// Whether the cut lies before the thing at this place.
    #[must_use]
    pub fn is_cut(&self, place: usize) -> bool {
        self.cut_at.is_some_and(|(cut, _)| cut == place)
    }

    /// What the glove said of itself first: the second side begins with it.
    #[must_use]
    pub fn told_first(&self) -> Vec<Recorded> {
        self.introductions.values().map(|[first, _]| first.clone()).collect()
    }

    /// What the second side has to be told before it goes on at the cut: the newest introductions, and the club.
    #[must_use]
    pub fn told_at_cut(&self) -> Vec<Recorded> {
        let mut told: Vec<Recorded> = self.introductions.values().map(|[_, newest]| newest.clone()).collect();
        if let (Some((_, received)), Some(club)) = (self.cut_at, &self.club) {
            told.push(Recorded::Marker { received, marker: Marker::Club(club.clone()) });
        }
        told
    }

    /// Whether the thing at this place belongs to a side. What was carried over belongs to both.
    #[must_use]
    pub fn belongs(&self, place: usize, recorded: &Recorded, side: Side) -> bool {
        let Some((cut, cut_host)) = self.cut_at else { return side == Side::Before };
        let is_late = self.late.binary_search(&place).is_ok();
        match (side, place < cut) {
            (Side::Before, true) => true,
            (Side::Before, false) => {
                is_late || asks(recorded) && recorded.received().0.saturating_sub(cut_host.0) < LATE_US
            }
            (Side::After, true) => {
                let derived = matches!(recorded, Recorded::Derived { .. });
                !derived && self.carried().any(|range| range.contains(&place))
            }
            (Side::After, false) => !is_late,
        }
    }

    fn carried(&self) -> impl Iterator<Item = Range<usize>> {
        self.calibrations
            .iter()
            .map(|calibration| calibration.from..calibration.to.unwrap_or(calibration.from))
    }
}

/// Readings were asked for again: whoever puts them in their place has to know.
fn asks(recorded: &Recorded) -> bool {
    matches!(recorded, Recorded::Link { kind, .. } if kind == asked::KIND)
}

#[cfg(test)]
mod tests {
    use super::super::framing::Framer;
    use super::*;
    use crate::record::tally::samples_in;
    use crate::sample::{DeviceDescription, ImuSample};
    use NodeRole::{Forearm, Hand};

    /// Cuts at 103 s of the hand. Readings by their node's clock, s, in order of arrival; `B` and `A` tell their sides.
    fn check(readings: &[(NodeRole, f64)], sides: &str) {
        let mut framer = Framer::new(DeviceDescription::default(), HostTime(0));
        let mut recorded = Vec::new();
        for (at, (role, t_s)) in readings.iter().enumerate() {
            let sample = ImuSample {
                role: *role,
                seq: at as u32,
                t: DeviceTime((t_s * 1e6) as i64),
                rate_dps: [0.0; 3],
                specific_force_g: [0.0, 0.0, 1.0],
                received: Some(HostTime(100_000 * at as i64)),
            };
            framer.take(&Arrival::Sample(sample), &mut recorded).unwrap();
        }
        framer.finish(&mut recorded).unwrap();
        let mut scan = Scan::new(Cut { at: DeviceTime(103_000_000), takeaways: Vec::new() });
        recorded.iter().for_each(|recorded| scan.take(recorded));
        let scan = scan.ended();
        let with_readings = recorded.iter().enumerate().filter(
            |(_, recorded)| matches!(recorded, Recorded::Piece(piece) if samples_in(piece).is_some()),
        );
        let found: String = with_readings
            .map(|(place, recorded)| {
                let [before, after] =
                    [Side::Before, Side::After].map(|side| scan.belongs(place, recorded, side));
                assert_ne!(before, after, "each is on one side");
                if before { 'B' } else { 'A' }
            })
            .collect();
        assert_eq!(found, sides, "{readings:?}");
    }

    #[test]
    fn a_reading_that_came_late_goes_where_it_was_taken() {
        check(
            &[
                (Hand, 101.0),
                (Forearm, 101.0),
                (Forearm, 102.0),
                (Hand, 103.0),
                (Forearm, 101.5),
                (Hand, 104.0),
            ],
            "BBBABA",
        );
        // The last that came before the cut need not be the newest.
        check(&[(Hand, 101.0), (Forearm, 102.8), (Forearm, 101.0), (Hand, 103.0), (Forearm, 102.0)], "BBBAB");
    }

    #[test]
    fn a_node_that_starts_anew_after_the_cut_stays_after_it() {
        check(&[(Forearm, 101.0), (Hand, 101.0), (Hand, 103.0), (Forearm, 0.1), (Forearm, 0.2)], "BBAAA");
        check(&[(Forearm, 101.0), (Hand, 101.0), (Hand, 103.0), (Hand, 0.1), (Forearm, 103.0)], "BBAAA");
    }
}
