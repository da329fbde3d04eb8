//! A recording, and what lies beside it, without what can name a person or a glove: as [`Names::Drop`] says for
//! exports. Readings, times, clubs and calibrations stay.

use super::files::Beside;
use super::made_from::{MadeFrom, number_of};
use super::moved::Moved;
use super::open::LibraryError;
use super::remarks::{Remark, Remarks, Said, head};
use super::results;
use super::rewrite::{Out, open};
use super::steps::StepError;
use crate::device::RawPiece;
use crate::record::asked;
use crate::record::export::Names;
use crate::record::recorded::{IMPORTED, Recorded};
use crate::record::session::SessionInfo;
use crate::record::storage::Storage;
use crate::sample::{Arrival, Marker};
use crate::units::HostTime;
use firmware_protocol::constants::MAX_DECODED;
use firmware_protocol::{DeviceInfo, Frame, Hello, MAX_WIRE, Scratch, decode_piece, encode};
use std::io::{self, Write};
use std::path::Path;
use uuid::Uuid;

/// A recording that goes on into something else.
struct Onward<'a, W>(&'a mut W);

impl<W: Write> Storage for Onward<'_, W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Writes the recording without names; `to` only names in errors what it is written into. Gives its number, which is another.
///
/// # Errors
/// It cannot be read or has lost what it says of itself, or the new one cannot be written.
pub(super) fn recording(path: &Path, to: &Path, out: &mut impl Write) -> Result<Uuid, LibraryError> {
    let mut reader = open(path)?;
    let Some(session) = reader.session().cloned() else {
        let found = format!("{}, which has lost it", path.display());
        return Err(LibraryError::asked("a recording that says when it was begun", found));
    };
    let session = SessionInfo { player: String::new(), ..session };
    let mut recorded = reader.by_ref().peekable();
    let made_from = match recorded.peek() {
        // Their numbers are made from names, too.
        Some(Ok(first)) => {
            MadeFrom::from_recorded(first).map(|made| MadeFrom { sources: Vec::new(), ..made })
        }
        _ => None,
    };
    let mut out = Out::start(to, Onward(out), &session, made_from.as_ref())?;
    let mut received = session.host_at_start;
    for recorded in recorded {
        let recorded = recorded.map_err(StepError::from)?;
        received = recorded.received();
        if MadeFrom::from_recorded(&recorded).is_some() {
            continue;
        }
        if let Some(recorded) = without_names(recorded) {
            out.write(&recorded)?;
        }
    }
    // The new file is whole, and would hide it.
    for lost in reader.report().sentences() {
        let value = format!("lost of the recording this was made from: {lost}");
        out.write(&Recorded::Link { received, kind: IMPORTED.to_owned(), value })?;
    }
    out.finish()?;
    Ok(number_of(&session, made_from.as_ref()))
}

/// None of what may hold a name and cannot be looked into.
fn without_names(recorded: Recorded) -> Option<Recorded> {
    match recorded {
        Recorded::Piece(piece) => piece_without_names(piece).map(Recorded::Piece),
        Recorded::Marker { received, marker } => {
            Some(Recorded::Marker { received, marker: marker_without_names(received, marker)? })
        }
        // What the reader of a recording goes by; the others name ports, addresses and gloves.
        Recorded::Link { received, kind, value } if kind == asked::KIND => {
            Some(Recorded::Link { received, kind, value })
        }
        Recorded::Link { received, kind, .. } if kind == IMPORTED => {
            let value = "when this was imported more was told than is told without names".to_owned();
            Some(Recorded::Link { received, kind, value })
        }
        Recorded::Link { .. } => None,
        derived @ Recorded::Derived { .. } => Some(derived),
    }
}

/// A damaged piece may hold half a serial number.
fn piece_without_names(piece: RawPiece) -> Option<RawPiece> {
    let mut scratch: Scratch = [0; MAX_DECODED];
    let frame = if piece.whole { decode_piece(&piece.bytes, &mut scratch).ok()? } else { return None };
    let marker;
    let (kind, value);
    let frame = match frame {
        Frame::Hello(hello) => Frame::Hello(Hello { glove_id: 0, ..hello }),
        Frame::DeviceInfo(info) => Frame::DeviceInfo(DeviceInfo { serial: "", ..info }),
        Frame::Annotation(annotation) => {
            marker = Marker::from_fields(annotation.kind, annotation.value);
            let marker = marker_without_names(piece.received, marker)?;
            let fields = marker.fields();
            (kind, value) = (fields.0.to_owned(), fields.1.to_owned());
            Frame::Annotation(firmware_protocol::Annotation { kind: &kind, value: &value, ..annotation })
        }
        Frame::Unknown { .. } => return None,
        _ => return Some(piece),
    };
    let mut wire = [0; MAX_WIRE];
    let bytes = encode(&frame, &mut wire).ok()?.to_vec();
    Some(RawPiece { bytes, ..piece })
}

fn marker_without_names(received: HostTime, marker: Marker) -> Option<Marker> {
    match Names::Drop.of_arrival(Arrival::Marker { received: Some(received), marker }) {
        Arrival::Marker { marker, .. } => Some(marker),
        Arrival::Sample(_) => None,
    }
}

/// What lies beside a recording, without what was typed. Clubs stay, and what is left out of statistics.
///
/// # Errors
/// It cannot be put as JSON, which its type does not allow for.
pub(super) fn beside(kind: Beside, bytes: &[u8], uuid: Uuid) -> Result<Vec<u8>, serde_json::Error> {
    let text = match kind {
        Beside::Remarks => {
            let remarks: Vec<Remark> =
                Remarks::parse(bytes).remarks.into_iter().filter_map(remark_without_names).collect();
            Remarks::text(uuid, &[], &remarks)?
        }
        Beside::Results => {
            let mut text = head(uuid, &[])? + "\n";
            for result in results::parse(bytes).0 {
                text.push_str(&(serde_json::to_string(&result)? + "\n"));
            }
            text
        }
    };
    Ok(text.into_bytes())
}

/// A remark without what was typed; none where nothing else is in it.
#[must_use]
pub fn remark_without_names(remark: Remark) -> Option<Remark> {
    let said = match remark.said {
        Said::Note(_) | Said::Tag(_) | Said::Untag(_) | Said::Mark(_) => return None,
        Said::Exclude(_) => Said::Exclude("left out".to_owned()),
        // What is no event of ours may be anything.
        Said::Event(text) => Said::Event(Moved::parse(&text).map(|_| text)?),
        other @ (Said::Club(_) | Said::Include | Said::Finished) => other,
    };
    Some(Remark { said, ..remark })
}
