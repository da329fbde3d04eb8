//! Which recording this is, and from which others it was made.
//!
//! A recording is known by a number worked out from what it says of itself at its start: player, program, wall
//! time to the millisecond, the host's clock to the microsecond. So recordings of every version have one, and it
//! stays whatever the file is called. One that was made from others says so in its first link event.

use crate::record::error::InputError;
use crate::record::mcap_bytes::is_recording;
use crate::record::recorded::Recorded;
use crate::record::recording_reader::RecordingReader;
use crate::record::session::SessionInfo;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;
use uuid::Uuid;

/// Kind of the link event.
const KIND: &str = "made-from";
/// Names of this program's recordings (made at random once).
const NAMESPACE: Uuid = Uuid::from_u128(0x6e1d_03f2_91a7_4f3e_a0c6_58b2_47d9_e015);
/// Bytes at its start that a recording is known by where it has lost what it says of itself.
const START: u64 = 64 * 1024;

/// From which recordings one was made, and as which part of how many.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct MadeFrom {
    /// The recordings, in their order.
    pub sources: Vec<Uuid>,
    /// Which part, from 1.
    pub part: u32,
    /// Of how many.
    pub of: u32,
}

impl MadeFrom {
    /// As the first thing in a recording.
    ///
    /// # Errors
    /// It cannot be put as JSON, which its type does not allow for.
    pub fn recorded(&self, session: &SessionInfo) -> Result<Recorded, serde_json::Error> {
        let value = serde_json::to_string(self)?;
        Ok(Recorded::Link { received: session.host_at_start, kind: KIND.to_owned(), value })
    }

    /// Reads the link event; none where it is another.
    #[must_use]
    pub fn from_recorded(recorded: &Recorded) -> Option<MadeFrom> {
        match recorded {
            Recorded::Link { kind, value, .. } if kind == KIND => serde_json::from_str(value).ok(),
            _ => None,
        }
    }
}

/// What a recording is, told by its start.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct About {
    /// Its number.
    pub uuid: Uuid,
    /// What it says of itself; none where that was lost.
    pub session: Option<SessionInfo>,
    /// From what it was made; none where it was recorded.
    pub made_from: Option<MadeFrom>,
}

/// The number of a recording that says this of itself.
#[must_use]
pub fn number_of(session: &SessionInfo, made_from: Option<&MadeFrom>) -> Uuid {
    let mut text: String =
        session.to_fields().iter().map(|(key, value)| format!("{key}={value}\n")).collect();
    if let Some(MadeFrom { sources, part, of }) = made_from {
        text.push_str(&format!("part={part}/{of}\n"));
        sources.iter().for_each(|source| text.push_str(&format!("from={source}\n")));
    }
    Uuid::new_v5(&NAMESPACE, text.as_bytes())
}

/// Reads the start of a recording.
///
/// # Errors
/// The file cannot be read, or is no recording.
pub fn about(path: &Path) -> Result<About, InputError> {
    let open = || File::open(path).map_err(|source| InputError::Open { path: path.to_owned(), source });
    let mut source = BufReader::new(open()?);
    let failed = |source| InputError::Read { path: path.to_owned(), after: "0 bytes".to_owned(), source };
    let start = source.fill_buf().map_err(failed)?;
    if !is_recording(path, start.get(..8).unwrap_or(start)) {
        let (expected, found) = ("a recording (an MCAP file)".to_owned(), "other bytes".to_owned());
        return Err(InputError::Format { path: path.to_owned(), expected, found });
    }
    about_of(path, source, || {
        let mut start = Vec::new();
        open()?.take(START).read_to_end(&mut start).map_err(failed)?;
        Ok(start)
    })
}

/// Reads the start of a recording from anywhere; `path` only names it in errors, and `start` gives its first bytes
/// once more.
///
/// # Errors
/// It cannot be read, or is no recording.
pub fn about_of(
    path: &Path,
    source: impl Read,
    start: impl FnOnce() -> Result<Vec<u8>, InputError>,
) -> Result<About, InputError> {
    let mut reader = RecordingReader::new(path, source)?;
    let made_from = match reader.next() {
        Some(Ok(first)) => MadeFrom::from_recorded(&first),
        _ => None,
    };
    let session = reader.session().cloned();
    let uuid = match &session {
        Some(session) => number_of(session, made_from.as_ref()),
        None => {
            let start = start()?;
            Uuid::new_v5(&NAMESPACE, start.get(..START as usize).unwrap_or(&start))
        }
    };
    Ok(About { uuid, session, made_from })
}
