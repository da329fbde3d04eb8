//! From a recording's raw pieces to arrivals, by the same assembler that serves the live link.

use super::asked::{Asked, START_AGAIN};
use super::error::InputError;
use super::late::{InPlace, LateReadings};
use super::recorded::{IMPORTED, Recorded};
use super::recording_reader::RecordingReader;
use super::salvage::{Loss, SalvageReport};
use crate::device::answers::Answers;
use crate::device::{Assembler, Heard, RawPiece};
use crate::sample::{Arrival, DeviceDescription};
use crate::units::{HostTime, counted};
use firmware_protocol::constants::MAX_DECODED;
use firmware_protocol::{Frame, FrameError, Scratch, decode_piece};
use std::collections::VecDeque;
use std::io::Read;
use std::path::{Path, PathBuf};

/// What was told at an import is told again up to this many sentences.
const TOLD_AT_MOST: usize = 50;

/// What a recording says of the glove, found before its samples are read.
pub struct Introduced {
    /// The glove, and the hand it sits on.
    pub description: DeviceDescription,
    /// The player's name, where it was said.
    pub player: Option<String>,
    /// The glove or the recording says which hand it sits on.
    pub hand_is_known: bool,
    /// What was told when it was imported from another file, and which commands the glove did not answer.
    told: Vec<String>,
    assembler: Assembler,
    late: LateReadings,
}

/// Reads a recording to its end for what the glove says of itself. A damaged introduction at the start then
/// costs nothing, since gloves repeat it. The player's hand is the glove's word, or else the recording's.
/// Readings that came late, because they were asked for again, are collected on the way.
///
/// # Errors
/// The recording cannot be read.
pub fn introductions<R: Read>(path: &Path, source: R) -> Result<Introduced, InputError> {
    let mut reader = RecordingReader::new(path, source)?;
    let mut assembler = Assembler::new();
    let mut glove_knows_hand = false;
    let mut told = Vec::new();
    let mut follower = Follower::default();
    let mut scratch: Scratch = [0; MAX_DECODED];
    for recorded in reader.by_ref() {
        let piece = match recorded? {
            Recorded::Piece(piece) if piece.whole => piece,
            Recorded::Link { kind, value, .. } if kind == IMPORTED => {
                told.extend(Some(value).filter(|_| told.len() < TOLD_AT_MOST));
                continue;
            }
            Recorded::Link { received, kind, value } => {
                follower.link(&kind, &value, received);
                continue;
            }
            _ => continue,
        };
        if let Ok(frame) = decode_piece(&piece.bytes, &mut scratch) {
            glove_knows_hand |= matches!(&frame, Frame::DeviceInfo(info) if info.player_hand.is_some());
            assembler.describe(&frame);
            follower.take(&frame, piece.received);
        }
    }
    let mut description = assembler.description().clone();
    if let Some(session) = reader.session().filter(|_| !glove_knows_hand) {
        description.player_hand = session.player_hand;
    }
    let player = reader.session().map(|session| session.player.clone()).filter(|name| !name.is_empty());
    let hand_is_known = glove_knows_hand || reader.session().is_some();
    told.append(&mut follower.told);
    Ok(Introduced { description, assembler, player, hand_is_known, told, late: follower.late })
}

/// Follows the stream for readings that were asked for again, and for what the glove answers.
#[derive(Default)]
struct Follower {
    assembler: Assembler,
    late: LateReadings,
    answers: Answers,
    told: Vec<String>,
    arrivals: Vec<Arrival>,
}

impl Follower {
    fn link(&mut self, kind: &str, value: &str, received: HostTime) {
        if let Some(asked) = Asked::from_fields(kind, value) {
            self.answers.requested(asked.id, received);
            self.late.asked(asked);
        } else if (kind, value) == START_AGAIN {
            self.answers.started(received);
        } else if matches!(kind, "opened" | "down") {
            self.answers.link_changed();
        }
    }

    fn take(&mut self, frame: &Frame<'_>, received: HostTime) {
        self.arrivals.clear();
        // What cannot be used is told when the arrivals are read.
        match self.assembler.take(frame, None, &mut self.arrivals) {
            Ok(Heard::Samples { node, restarts, .. }) => {
                self.late.came(node, restarts, &self.arrivals);
                self.told.extend(self.answers.readings(received));
            }
            Ok(Heard::Ack(ack)) => {
                self.late.answered(ack.command_id);
                self.told.extend(self.answers.answered(ack.command_id, ack.status));
            }
            _ => {}
        }
    }
}

/// The arrivals in a recording, in order.
pub struct RecordingArrivals<R> {
    path: PathBuf,
    reader: RecordingReader<R>,
    assembler: Assembler,
    in_place: InPlace,
    came_late: usize,
    told: Vec<String>,
    /// Assembled from a frame, not yet handed out.
    waiting: VecDeque<Arrival>,
    counted: SalvageReport,
    pieces: u64,
    /// Pieces that hold no usable frame, and what is wrong with the first.
    useless: (u64, Option<String>),
    ended: bool,
}

impl<R: Read> RecordingArrivals<R> {
    /// Opens a recording whose glove is known already.
    ///
    /// # Errors
    /// The recording cannot be read.
    pub fn new(path: &Path, source: R, introduced: Introduced) -> Result<RecordingArrivals<R>, InputError> {
        Ok(RecordingArrivals {
            path: path.to_owned(),
            reader: RecordingReader::new(path, source)?,
            assembler: introduced.assembler,
            came_late: introduced.late.count(),
            told: introduced.told,
            in_place: InPlace::new(introduced.late),
            waiting: VecDeque::new(),
            counted: SalvageReport::default(),
            pieces: 0,
            useless: (0, None),
            ended: false,
        })
    }

    /// What was read and lost so far; whole once the iterator has ended. Pieces that came damaged over the
    /// link are a note: they are on the disk as they came, and the samples they held are counted as missing.
    #[must_use]
    pub fn report(&self) -> SalvageReport {
        let mut report = self.reader.report().clone();
        report.samples_read = self.counted.samples_read;
        report.nodes_seen = self.counted.nodes_seen.clone();
        report.places = self.assembler.places().collect();
        report.notes.extend(self.told.iter().cloned().chain(self.assembler.oddities()));
        self.assembler.restarts().for_each(|(role, times)| report.note_restarts(role, times));
        if self.came_late > 0 {
            report.notes.push(format!(
                "{} lost on the way came when asked for again: each stands in its place",
                counted(self.came_late, "sample")
            ));
        }
        if let (count, Some(first)) = &self.useless {
            report.notes.push(format!(
                "{count} of {} pieces hold no usable frame, as they came over the link; the first: {first}",
                self.pieces
            ));
        }
        report
    }

    fn take(&mut self, recorded: Recorded) {
        match recorded {
            Recorded::Piece(piece) => self.take_piece(&piece),
            Recorded::Marker { received, marker } => {
                self.waiting.push_back(Arrival::Marker { received: Some(received), marker });
            }
            Recorded::Link { .. } | Recorded::Derived { .. } => {}
        }
    }

    fn take_piece(&mut self, piece: &RawPiece) {
        self.pieces += 1;
        if !piece.whole {
            return self.useless("a part of something that is no frame".to_owned());
        }
        let mut scratch: Scratch = [0; MAX_DECODED];
        match decode_piece(&piece.bytes, &mut scratch) {
            Ok(frame) => self.take_frame(&frame, piece),
            Err(FrameError::Empty) => {}
            Err(error) => self.useless(error.to_string()),
        }
    }

    fn take_frame(&mut self, frame: &Frame<'_>, piece: &RawPiece) {
        let mut arrivals = Vec::new();
        let mut starts = 0;
        match self.assembler.take(frame, Some(piece.received), &mut arrivals) {
            Ok(Heard::Samples { restarts, .. }) => starts = restarts,
            Ok(_) => {}
            // As live: a greeting in another version is told, and what can be understood is used.
            Err(error) => self.useless(error.to_string()),
        }
        let mut placed = Vec::new();
        for arrival in arrivals {
            self.in_place.take(arrival, starts, &mut placed);
        }
        for arrival in &placed {
            if let Arrival::Sample(sample) = arrival {
                self.counted.count_sample(sample.role);
            }
        }
        self.waiting.extend(placed);
    }

    fn useless(&mut self, what: String) {
        self.useless.0 += 1;
        self.useless.1.get_or_insert(what);
    }

    /// The end: an error where the whole recording held no sample.
    fn end(&mut self) -> Option<Result<Arrival, InputError>> {
        self.ended = true;
        if self.counted.samples_read > 0 {
            return None;
        }
        let loss = self.reader.report().losses.first().map(Loss::to_string);
        let first = loss.or_else(|| self.useless.1.clone()).unwrap_or_else(|| match self.pieces {
            0 => "the glove sent nothing".to_owned(),
            _ => "none holds a sample".to_owned(),
        });
        let among = counted(self.pieces, "piece");
        Some(Err(InputError::NothingReadable { path: self.path.clone(), among, first }))
    }
}

impl<R: Read> Iterator for RecordingArrivals<R> {
    type Item = Result<Arrival, InputError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(arrival) = self.waiting.pop_front() {
                return Some(Ok(arrival));
            }
            if self.ended {
                return None;
            }
            match self.reader.next() {
                None => return self.end(),
                Some(Ok(recorded)) => self.take(recorded),
                Some(Err(error)) => {
                    self.ended = true;
                    return Some(Err(error));
                }
            }
        }
    }
}
