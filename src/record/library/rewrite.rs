//! New recordings from old ones, piece by piece as they came: nothing of the glove's stream is changed. The edge
//! that reads and writes them.

use super::cutting::{Scan, Side};
use super::files::NewRecording;
use super::framing::Framer;
use super::made_from::MadeFrom;
use super::steps::StepError;
use crate::device::RawPiece;
use crate::record::input::{Input, open_input};
use crate::record::recorded::{IMPORTED, Recorded};
use crate::record::recording_reader::RecordingReader;
use crate::record::recording_writer::RecordingWriter;
use crate::record::session::SessionInfo;
use crate::record::storage::Storage;
use crate::units::{DeviceTime, HostTime, WallTime};
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

/// Host time that is left between two recordings where their wall times are not known, µs.
const UNKNOWN_PAUSE_US: i64 = 1_000_000;

/// Where a recording is cut.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cut {
    /// At the first reading of the hand node from here on, on its clock.
    pub at: DeviceTime,
    /// Its swings begin here: the end of a calibration that is carried over must not reach into one.
    pub takeaways: Vec<DeviceTime>,
}

/// A recording that is being written from others.
pub(super) struct Out<W: Storage> {
    path: PathBuf,
    writer: RecordingWriter<W>,
}

impl Out<NewRecording> {
    fn create(path: &Path, session: &SessionInfo, made_from: Option<&MadeFrom>) -> Result<Self, StepError> {
        let failed = |source| StepError::File { path: path.to_owned(), source };
        Out::start(path, NewRecording::create(path).map_err(failed)?, session, made_from)
    }
}

impl<W: Storage> Out<W> {
    /// Begins; `path` only names it in errors.
    pub(super) fn start(
        path: &Path,
        storage: W,
        session: &SessionInfo,
        made_from: Option<&MadeFrom>,
    ) -> Result<Out<W>, StepError> {
        let failed = |source| StepError::File { path: path.to_owned(), source };
        let told = |source| StepError::Record { path: path.to_owned(), source };
        let writer = RecordingWriter::new(storage, session).map_err(told)?;
        let mut out = Out { path: path.to_owned(), writer };
        if let Some(made_from) = made_from {
            let first = made_from.recorded(session).map_err(|error| failed(error.into()))?;
            out.write(&first)?;
        }
        Ok(out)
    }

    pub(super) fn write(&mut self, recorded: &Recorded) -> Result<(), StepError> {
        // A tick now and then keeps chunks, and what waits in memory, small.
        let written = self.writer.write(recorded).and_then(|()| self.writer.tick(recorded.received()));
        written.map(drop).map_err(|source| StepError::Record { path: self.path.clone(), source })
    }

    pub(super) fn finish(self) -> Result<(), StepError> {
        let path = self.path;
        self.writer.finish().map_err(|source| StepError::Record { path, source })
    }
}

pub(super) fn open(path: &Path) -> Result<RecordingReader<BufReader<File>>, StepError> {
    let file = File::open(path).map_err(|source| StepError::File { path: path.to_owned(), source })?;
    Ok(RecordingReader::new(path, BufReader::new(file))?)
}

fn lost_of(path: &Path, reader: &RecordingReader<BufReader<File>>) -> Vec<String> {
    let name = path.display();
    reader.report().sentences().iter().map(|sentence| format!("{name}: {sentence}")).collect()
}

/// Writes recordings one after the other into a new one. The host times of the later ones are put on the clock of
/// the first, by their wall times; where a wall clock that was put back lets one begin before the end of the one
/// before it, a moment after that. Gives what was lost of them.
///
/// # Errors
/// One cannot be read, or the new one not be written.
pub fn join(
    sources: &[PathBuf],
    session: &SessionInfo,
    made_from: &MadeFrom,
    to: &Path,
) -> Result<Vec<String>, StepError> {
    let mut out = Out::create(to, session, Some(made_from))?;
    let mut lost = Vec::new();
    let mut latest = None;
    for path in sources {
        let mut reader = open(path)?;
        let by_walls_us = reader.session().map(|theirs| host_shift_us(session, theirs));
        let (mut shift_us, before) = (None, latest);
        for recorded in reader.by_ref() {
            let recorded = recorded?;
            if MadeFrom::from_recorded(&recorded).is_some() {
                continue;
            }
            let received = recorded.received();
            let shift_us = *shift_us.get_or_insert_with(|| {
                let is_later = |by_us: &i64| {
                    before.is_none_or(|before: HostTime| received.0.saturating_add(*by_us) >= before.0)
                };
                let end = before.unwrap_or(session.host_at_start).0;
                let after_us = end.saturating_add(UNKNOWN_PAUSE_US).saturating_sub(received.0);
                by_walls_us.filter(is_later).unwrap_or(after_us)
            });
            let shifted = shifted(recorded, shift_us);
            latest = latest.max(Some(shifted.received()));
            out.write(&shifted)?;
        }
        lost.extend(lost_of(path, &reader));
    }
    out.finish()?;
    Ok(lost)
}

/// What has to be added to the host times of one session to put them on the clock of another.
fn host_shift_us(ours: &SessionInfo, theirs: &SessionInfo) -> i64 {
    let wall_us = theirs.started.0.saturating_sub(ours.started.0).saturating_mul(1000);
    let host_us = theirs.host_at_start.0.saturating_sub(ours.host_at_start.0);
    wall_us.saturating_sub(host_us)
}

fn shifted(recorded: Recorded, by_us: i64) -> Recorded {
    let later = |at: HostTime| HostTime(at.0.saturating_add(by_us));
    match recorded {
        Recorded::Piece(piece) => Recorded::Piece(RawPiece { received: later(piece.received), ..piece }),
        Recorded::Marker { received, marker } => Recorded::Marker { received: later(received), marker },
        Recorded::Link { received, kind, value } => Recorded::Link { received: later(received), kind, value },
        Recorded::Derived { received, kind, by, value } => {
            Recorded::Derived { received: later(received), kind, by, value }
        }
    }
}

/// When the part after a cut begins: wall time and host time.
///
/// # Errors
/// The recording cannot be read, or has no such reading.
pub fn start_after(source: &Path, cut: &Cut) -> Result<(Option<WallTime>, HostTime), StepError> {
    let mut reader = open(source)?;
    let scan = scan(&mut reader, cut)?;
    let host = scan.cut_host().ok_or_else(|| no_cut(source, cut))?;
    let wall = reader.session().map(|session| {
        WallTime(session.started.0.saturating_add(host.0.saturating_sub(session.host_at_start.0) / 1000))
    });
    Ok((wall, host))
}

/// Writes one side of a cut into a new recording: all before it, or all after it with what the glove said of
/// itself, the calibrations and the club from before. Gives what was lost of the source.
///
/// # Errors
/// The source cannot be read or has no such place, or the new one cannot be written.
pub fn cut(
    source: &Path,
    cut: &Cut,
    session: &SessionInfo,
    made_from: &MadeFrom,
    to: &Path,
) -> Result<Vec<String>, StepError> {
    let scan = scan(&mut open(source)?, cut)?;
    if scan.cut_host().is_none() {
        return Err(no_cut(source, cut));
    }
    let side = if made_from.part == 1 { Side::Before } else { Side::After };
    let mut out = Out::create(to, session, Some(made_from))?;
    let write_all =
        |out: &mut Out<NewRecording>, told: Vec<Recorded>| told.iter().try_for_each(|told| out.write(told));
    if side == Side::After {
        write_all(&mut out, scan.told_first())?;
    }
    let mut reader = open(source)?;
    for (place, recorded) in reader.by_ref().enumerate() {
        let recorded = recorded?;
        if side == Side::After && scan.is_cut(place) {
            write_all(&mut out, scan.told_at_cut())?;
        }
        if scan.belongs(place, &recorded, side) && MadeFrom::from_recorded(&recorded).is_none() {
            out.write(&recorded)?;
        }
    }
    out.finish()?;
    Ok(lost_of(source, &reader))
}

fn scan(reader: &mut RecordingReader<BufReader<File>>, cut: &Cut) -> Result<Scan, StepError> {
    let mut scan = Scan::new(cut.clone());
    for recorded in reader.by_ref() {
        scan.take(&recorded?);
    }
    Ok(scan.ended())
}

fn no_cut(source: &Path, cut: &Cut) -> StepError {
    StepError::Changed {
        path: source.to_owned(),
        expected: format!("a reading of the hand node at {} µs or later", cut.at.0),
        found: "none".to_owned(),
    }
}

/// Writes a raw CSV, with the files beside it, into a new recording. Gives what was lost of it, which also stands in
/// the recording.
///
/// # Errors
/// The CSV cannot be read, something in it cannot be said in the glove's frames, or the new recording cannot be
/// written.
pub fn import(csv: &Path, session: &SessionInfo, to: &Path) -> Result<Vec<String>, StepError> {
    let input = open_input(csv)?;
    // Of a CSV only its device file tells the hand.
    let framer = if input.hand_is_known { Framer::new } else { Framer::assumed };
    let Input { device, mut arrivals, .. } = input.or_hand(session.player_hand);
    let mut out = Out::create(to, session, None)?;
    let mut framer = framer(device, session.host_at_start);
    let mut made = Vec::new();
    let wrong = |what: String| StepError::Changed {
        path: csv.to_owned(),
        expected: "samples that the glove's frames can hold".to_owned(),
        found: what,
    };
    framer.introduce(&mut made).map_err(wrong)?;
    for arrival in arrivals.by_ref() {
        framer.take(&arrival?, &mut made).map_err(wrong)?;
        for recorded in made.drain(..) {
            out.write(&recorded)?;
        }
    }
    framer.finish(&mut made).map_err(wrong)?;
    for recorded in made.drain(..) {
        out.write(&recorded)?;
    }
    let (report, received) = (arrivals.report(), framer.host());
    let lost = report.sentences();
    let told = lost.iter().map(|lost| format!("lost of the file this was imported from: {lost}"));
    for value in told.chain(report.notes.iter().map(|note| format!("when this was imported: {note}"))) {
        out.write(&Recorded::Link { received, kind: IMPORTED.to_owned(), value })?;
    }
    out.finish()?;
    Ok(lost)
}
