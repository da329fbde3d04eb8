//! Every recording read wholly, its check sums and the files beside it tried, and the index compared with what a new
//! one would hold.

use super::index::Index;
use super::made_from::MadeFrom;
use super::open::{Library, LibraryError};
use super::update;
use crate::record::recorded::{Channel, Recorded};
use crate::record::recording_reader::RecordingReader;
use serde::Serialize;
use std::fs::File;
use std::io::BufReader;
use std::path::PathBuf;

/// What was found of one recording.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Checked {
    /// Its path.
    pub path: PathBuf,
    /// Things that could be read.
    pub read: u64,
    /// Of these, raw pieces of the glove's stream.
    pub pieces: u64,
    /// What was lost, or is wrong with the files beside it.
    pub problems: Vec<String>,
}

/// What was found of a library.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verified {
    /// The recordings.
    pub recordings: Vec<Checked>,
    /// Whether the index holds what a new one would; none where that was not tried.
    pub index_agrees: Option<bool>,
}

impl Verified {
    /// Nothing is lost, nothing disagrees.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.index_agrees != Some(false) && self.recordings.iter().all(|checked| checked.problems.is_empty())
    }
}

impl Library {
    /// Reads every recording wholly. With `numbers`, all are analysed once more, and the index is compared with the
    /// outcome.
    ///
    /// # Errors
    /// The folder or the index cannot be read.
    pub fn verify(&mut self, numbers: bool) -> Result<Verified, LibraryError> {
        let listing = self.listing()?;
        let mut recordings = Vec::new();
        for (path, ..) in &listing.recordings {
            let mut checked = self.read_wholly(path);
            let beside = update::read_beside(self, path);
            checked.problems.extend(beside.remarks.problems);
            checked.problems.extend(beside.problems);
            recordings.push(checked);
        }
        let index_agrees = if numbers { Some(self.index_agrees()?) } else { None };
        Ok(Verified { recordings, index_agrees })
    }

    fn read_wholly(&self, path: &std::path::Path) -> Checked {
        let mut checked = Checked { path: path.to_owned(), read: 0, pieces: 0, problems: Vec::new() };
        let whole = self.folder.join(path);
        let opened = File::open(&whole).map_err(|error| error.to_string());
        let reader = opened.and_then(|file| {
            RecordingReader::new(&whole, BufReader::new(file)).map_err(|error| error.to_string())
        });
        let mut reader = match reader {
            Ok(reader) => reader,
            Err(problem) => return Checked { problems: vec![problem], ..checked },
        };
        for recorded in reader.by_ref() {
            match recorded {
                Ok(recorded) => {
                    checked.read += u64::from(MadeFrom::from_recorded(&recorded).is_none());
                    checked.pieces += u64::from(is_piece(&recorded));
                }
                Err(error) => checked.problems.push(error.to_string()),
            }
        }
        checked.problems.extend(reader.report().sentences());
        checked
    }

    fn index_agrees(&mut self) -> Result<bool, LibraryError> {
        let before = self.index.dump()?;
        let fresh = Index::in_memory(&self.mark)?;
        // Whatever fails while the fresh one stands in its place, the index comes back.
        let listing = self.listing()?;
        let kept = std::mem::replace(&mut self.index, fresh);
        let anew = update::bring_up_to_date(self, &listing, false).and_then(|_| Ok(self.index.dump()?));
        self.index = kept;
        Ok(anew? == before)
    }
}

fn is_piece(recorded: &Recorded) -> bool {
    recorded.channel() == Channel::Raw
}
