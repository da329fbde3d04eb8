//! Opening a library: what was cut off is finished or undone, and the index is brought up to date.

use super::analysis::Rules;
use super::files::{self, Beside, Listing, PLAYERS, RECORDING, TRASH};
use super::index::{Bucket, Index};
use super::made_from::about;
use super::numbers::ANALYSER;
use super::progress::Progress;
use super::recovery::{Alone, Found, Now, plan};
use super::remarks::{Remarks, recording_named};
use super::steps::{Step, StepError, carry_out};
use super::update;
use crate::record::lock::{FolderLock, LOCK_FILE, LockError, hold};
use crate::record::storage::new_private_file;
use crate::units::WallTime;
use std::collections::BTreeSet;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use thiserror::Error;
use uuid::Uuid;

/// The index, inside the library.
pub(super) const INDEX: &str = "index.sqlite";
/// What belongs to the index, by its ending.
const OF_INDEX: [&str; 3] = ["", "-wal", "-shm"];
/// The file that is locked while a library is open.
const LOCK: &str = ".library.lock";

/// Why something with the library failed.
#[derive(Debug, Error)]
pub enum LibraryError {
    /// The folder is not there.
    #[error("{path}: expected a folder with recordings, found none", path = path.display())]
    Missing {
        /// Where it should be.
        path: PathBuf,
    },
    /// The folder holds other things, or nothing.
    #[error("{path}: expected a folder with recordings (NAME{RECORDING}), found none in it", path = path.display())]
    NotALibrary {
        /// The folder.
        path: PathBuf,
    },
    /// The file system refused.
    #[error("{path}: {source}", path = path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The index failed.
    #[error("the index cannot be used: {0}; it may be deleted, it is built anew from the recordings")]
    Index(#[from] rusqlite::Error),
    /// A step of an operation failed.
    #[error(transparent)]
    Step(#[from] StepError),
    /// What was asked for cannot be.
    #[error("expected {expected}, found {found}")]
    Asked {
        /// What can be asked for.
        expected: String,
        /// What was.
        found: String,
    },
}

impl LibraryError {
    /// What was asked for cannot be.
    #[must_use]
    pub fn asked(expected: impl Into<String>, found: impl Into<String>) -> LibraryError {
        LibraryError::Asked { expected: expected.into(), found: found.into() }
    }
}

/// What was done when the library was opened.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Opened {
    /// What was finished, undone, brought together, or should be known.
    pub told: Vec<String>,
    /// Recordings that were analysed.
    pub analysed: usize,
    /// The index was missing, damaged, or another version's, and was built anew.
    pub rebuilt: bool,
}

/// An open library. While it is open for changes no other program changes it.
pub struct Library {
    pub(super) folder: PathBuf,
    pub(super) rules: Rules,
    /// Stands for the rules.
    pub(super) mark: String,
    pub(super) index: Index,
    pub(super) now: WallTime,
    /// All that was told since it was opened …
    told: BTreeSet<String>,
    /// … and what of it nobody has taken yet.
    untaken: Vec<String>,
    access: Access,
    /// How far its analyses have come.
    pub(super) progress: Arc<Progress>,
}

/// What may be done with a library.
enum Access {
    /// It may be changed. Others are kept away for as long as the lock lives; on a drive without locks there is none.
    Changes { _lock: Option<FolderLock> },
    /// It may be looked at.
    Reading,
}

/// Refuses a folder that is no library, and leaves it as it is: to open it would make an index in it. Recordings
/// without an index are one; so is a folder without a recording that a bucket or a library has used before.
///
/// # Errors
/// The folder is not there, cannot be read, or is no library.
pub fn expect_library(folder: &Path) -> Result<(), LibraryError> {
    if !folder.is_dir() {
        return Err(LibraryError::Missing { path: folder.to_owned() });
    }
    let holds = |below: &str| files::list(&folder.join(below)).map(|found| !found.recordings.is_empty());
    let failed = |source| LibraryError::File { path: folder.to_owned(), source };
    let used = [LOCK, LOCK_FILE, PLAYERS].iter().any(|name| folder.join(name).exists());
    if used || holds(TRASH).map_err(failed)? || holds("").map_err(failed)? {
        return Ok(());
    }
    Err(LibraryError::NotALibrary { path: folder.to_owned() })
}

impl Library {
    /// Opens a library: finishes or undoes what was cut off, and brings the index up to date. Where another program
    /// has it open, or its folder cannot be written, it is opened for reading only, as it stands.
    ///
    /// # Errors
    /// The folder is not there or cannot be read.
    pub fn open(
        folder: &Path,
        rules: impl Into<Rules>,
        now: WallTime,
    ) -> Result<(Library, Opened), LibraryError> {
        Library::open_watched(folder, rules, now, Arc::default())
    }

    /// The same; meanwhile `progress` tells how far it has come.
    ///
    /// # Errors
    /// Those of [`Library::open`].
    pub fn open_watched(
        folder: &Path,
        rules: impl Into<Rules>,
        now: WallTime,
        progress: Arc<Progress>,
    ) -> Result<(Library, Opened), LibraryError> {
        if !folder.is_dir() {
            return Err(LibraryError::Missing { path: folder.to_owned() });
        }
        let rules = rules.into();
        let mark = rules.mark();
        let mut opened = Opened::default();
        let holder = format!("process {}", std::process::id());
        let lock = match hold(folder, LOCK, &holder) {
            Ok(lock) => Some(lock),
            Err(LockError::NoLocks { source, .. }) => {
                opened.told.push(format!(
                    "no locks on this drive ({source}), so another hingeclock at work in it is not noticed"
                ));
                None
            }
            Err(error) => {
                let why = match error {
                    LockError::Held { holder, .. } => {
                        format!("another hingeclock ({holder}) is at work in it")
                    }
                    other => other.to_string(),
                };
                opened.told.push(format!("opened for reading only: {why}"));
                return Library::read_only(folder, rules, (now, progress), opened);
            }
        };
        let index = index_for(folder, &mark, &mut opened)?;
        let access = Access::Changes { _lock: lock };
        let mut library = Library::with(folder, (rules, mark), index, now, (access, progress));
        library.refresh(&mut opened)?;
        library.told.extend(opened.told.iter().cloned());
        Ok((library, opened))
    }

    fn with(
        folder: &Path,
        (rules, mark): (Rules, String),
        index: Index,
        now: WallTime,
        (access, progress): (Access, Arc<Progress>),
    ) -> Library {
        let (folder, told, untaken) = (folder.to_owned(), BTreeSet::new(), Vec::new());
        Library { folder, rules, mark, index, now, told, untaken, access, progress }
    }

    fn read_only(
        folder: &Path,
        rules: Rules,
        (now, progress): (WallTime, Arc<Progress>),
        mut opened: Opened,
    ) -> Result<(Library, Opened), LibraryError> {
        let mark = rules.mark();
        let known = Index::open_read_only(&folder.join(INDEX), &mark).ok();
        let (index, is_known) = match known {
            Some(index) => (index, true),
            None => (Index::in_memory(&mark)?, false),
        };
        let access = Access::Reading;
        let mut library = Library::with(folder, (rules, mark), index, now, (access, progress));
        if is_known {
            return Ok((library, opened));
        }
        let listing = library.listing()?;
        opened.analysed = update::bring_up_to_date(&mut library, &listing, false)?;
        opened.rebuilt = true;
        Ok((library, opened))
    }

    /// Throws the index away and builds it anew.
    ///
    /// # Errors
    /// The library is open for reading only, or its folder cannot be read.
    pub fn rebuild(self) -> Result<(Library, Opened), LibraryError> {
        self.for_changes()?;
        let Library { folder, rules, index, now, access, progress, .. } = self;
        drop(index);
        throw_away(&folder)?;
        drop(access);
        let (library, opened) = Library::open_watched(&folder, rules, now, progress)?;
        Ok((library, Opened { rebuilt: true, ..opened }))
    }

    /// Finishes or undoes what was cut off, then brings the index up to date.
    pub(super) fn refresh(&mut self, opened: &mut Opened) -> Result<(), LibraryError> {
        let listing = self.listing()?;
        for path in &listing.exposed {
            let closed = files::close_to_others(&self.folder.join(path));
            let outcome = closed.map_or_else(|error| error.to_string(), |()| "now it cannot".to_owned());
            opened.told.push(format!("{}: could be read by others; {outcome}", path.display()));
        }
        let found = self.found(&listing)?;
        let alone = self.alone(&listing);
        let in_trash = if alone.is_empty() { Vec::new() } else { self.in_trash()? };
        let now = Now { at: self.now, trash_number: self.free_trash_number()? };
        let plan = plan(&listing, &found, &alone, &in_trash, now);
        opened.told.extend(plan.told);
        for step in &plan.steps {
            carry_out(&self.folder, step)?;
        }
        let listing = if plan.steps.is_empty() { listing } else { self.listing()? };
        opened.analysed += update::bring_up_to_date(self, &listing, true)?;
        opened.told.extend(doubles(&self.index.buckets()?));
        Ok(())
    }

    /// The same after a change; what was not told before waits for [`Library::take_told`].
    pub(super) fn refresh_after_change(&mut self) -> Result<(), LibraryError> {
        let mut opened = Opened::default();
        let done = self.refresh(&mut opened);
        let told = &mut self.told;
        self.untaken.extend(opened.told.into_iter().filter(|sentence| told.insert(sentence.clone())));
        done
    }

    /// What was finished, undone, brought together, or should be known since changes were made, each sentence once.
    pub fn take_told(&mut self) -> Vec<String> {
        std::mem::take(&mut self.untaken)
    }

    /// Carries out steps one after the other, then brings the index up to date. Gives what was lost on the way.
    ///
    /// # Errors
    /// A step failed; what was begun is undone or finished.
    pub fn run(&mut self, steps: &[Step]) -> Result<Vec<String>, LibraryError> {
        self.for_changes()?;
        let mut lost = Vec::new();
        let done: Result<(), StepError> = steps.iter().try_for_each(|step| {
            lost.extend(carry_out(&self.folder, step)?);
            Ok(())
        });
        self.refresh_after_change()?;
        done?;
        Ok(lost)
    }

    /// Whether it may be changed; else it is open for reading only.
    #[must_use]
    pub fn may_change(&self) -> bool {
        matches!(self.access, Access::Changes { .. })
    }

    pub(super) fn for_changes(&self) -> Result<(), LibraryError> {
        match self.access {
            Access::Changes { .. } => Ok(()),
            Access::Reading => {
                Err(LibraryError::asked("a library that can be changed", "one that is open for reading only"))
            }
        }
    }

    /// Stands for what its numbers were worked out by.
    #[must_use]
    pub fn mark(&self) -> &str {
        &self.mark
    }

    /// What its analyses go by.
    #[must_use]
    pub fn rules(&self) -> Rules {
        self.rules
    }

    /// How far its analyses have come.
    #[must_use]
    pub fn progress(&self) -> &Arc<Progress> {
        &self.progress
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The index.
    #[must_use]
    pub fn index(&self) -> &Index {
        &self.index
    }

    pub(super) fn listing(&self) -> Result<Listing, LibraryError> {
        files::list(&self.folder).map_err(|source| self.failed(Path::new(""), source))
    }

    pub(super) fn failed(&self, path: &Path, source: io::Error) -> LibraryError {
        LibraryError::File { path: self.folder.join(path), source }
    }

    /// What is known of the recordings in a listing: from the index where they have not changed, else from their
    /// start. Files that are no recordings are left out.
    fn found(&self, listing: &Listing) -> Result<Vec<Found>, LibraryError> {
        let mut known = self.index.buckets()?;
        // The index orders texts, a search here orders folders.
        known.sort_by(|a, b| a.path.cmp(&b.path));
        let mut found = Vec::new();
        for (path, stamp, beside) in &listing.recordings {
            let at = known.binary_search_by(|bucket| bucket.path.cmp(path));
            let bucket = at.ok().and_then(|at| known.get(at)).filter(|bucket| bucket.stamp == *stamp);
            let remarks = beside[Beside::Remarks as usize];
            let there = beside.map(|stamp| stamp.is_some());
            match bucket {
                Some(bucket) if bucket.beside[Beside::Remarks as usize] == remarks => found.push(Found {
                    path: path.clone(),
                    uuid: bucket.facts.uuid,
                    made_from: bucket.facts.made_from.clone(),
                    finished: bucket.finished,
                    beside: there,
                }),
                _ => found.extend(self.read_found(path, there)),
            }
        }
        Ok(found)
    }

    /// What a recording says at its start; none where it cannot be read.
    fn read_found(&self, path: &Path, beside: [bool; 2]) -> Option<Found> {
        let about = about(&self.folder.join(path)).ok()?;
        // Where that cannot be read, nothing is begun or undone on its account.
        let finished =
            about.made_from.is_some() && self.remarks_of(path).map_or(true, |said| said.finished());
        let (uuid, made_from) = (about.uuid, about.made_from);
        Some(Found { path: path.to_owned(), uuid, made_from, finished, beside })
    }

    pub(super) fn remarks_of(&self, recording: &Path) -> Result<Remarks, LibraryError> {
        let path = Beside::Remarks.of(recording);
        let bytes = files::read(&self.folder.join(&path)).map_err(|source| self.failed(&path, source))?;
        Ok(Remarks::parse(&bytes.unwrap_or_default()))
    }

    fn alone(&self, listing: &Listing) -> Vec<Alone> {
        let read = |(path, kind): &(PathBuf, Beside)| {
            // One that cannot be read names no recording, and is told of as such.
            let bytes = files::read(&self.folder.join(path)).ok().flatten().unwrap_or_default();
            let (names, made_for) = recording_named(&bytes).unzip();
            Alone { path: path.clone(), kind: *kind, names, made_for: made_for.unwrap_or_default() }
        };
        listing.alone.iter().map(read).collect()
    }

    /// The recordings in the trash, their paths with the trash's own.
    ///
    /// # Errors
    /// The trash cannot be read.
    pub fn in_trash(&self) -> Result<Vec<Found>, LibraryError> {
        let trash = self.folder.join(TRASH);
        let listing = files::list(&trash).map_err(|source| self.failed(Path::new(TRASH), source))?;
        let mut found = Vec::new();
        for (path, _, beside) in &listing.recordings {
            let path = Path::new(TRASH).join(path);
            let beside = beside.map(|stamp| stamp.is_some());
            // What cannot be read is the very thing that one may want back.
            let unknown =
                || Found { path: path.clone(), uuid: Uuid::nil(), made_from: None, finished: false, beside };
            found.push(self.read_found(&path, beside).unwrap_or_else(unknown));
        }
        Ok(found)
    }

    pub(super) fn free_trash_number(&self) -> Result<u32, LibraryError> {
        let failed = |source| self.failed(Path::new(TRASH), source);
        let mut free = 1;
        match std::fs::read_dir(self.folder.join(TRASH)) {
            Ok(entries) => {
                for entry in entries {
                    let name = entry.map_err(failed)?.file_name();
                    let number = name.to_str().and_then(|name| name.parse::<u32>().ok());
                    free = free.max(number.map_or(0, |number| number.saturating_add(1)));
                }
            }
            Err(error) if error.kind() == io::ErrorKind::NotFound => {}
            Err(error) => return Err(failed(error)),
        }
        Ok(free)
    }
}

/// Recordings that are there twice, by their number.
fn doubles(buckets: &[Bucket]) -> Vec<String> {
    let mut by_number: Vec<&Bucket> =
        buckets.iter().filter(|bucket| bucket.facts.unreadable.is_none()).collect();
    by_number.sort_by_key(|bucket| bucket.facts.uuid);
    let pairs = by_number.windows(2).filter(|pair| pair[0].facts.uuid == pair[1].facts.uuid);
    let told = pairs.map(|pair| {
        format!(
            "{} and {} are the same recording: its swings count once",
            pair[0].path.display(),
            pair[1].path.display()
        )
    });
    told.collect()
}

/// The index for what recordings are analysed by, built anew where the one that is there cannot be used.
fn index_for(folder: &Path, mark: &str, opened: &mut Opened) -> Result<Index, LibraryError> {
    let path = folder.join(INDEX);
    if let Ok(index) = open_index(&path, mark) {
        return Ok(index);
    }
    if Index::made_for(&path).is_some_and(|(by, settings)| by == ANALYSER && settings != mark) {
        let told = "the index was made for other settings; every recording is analysed by these";
        opened.told.push(told.to_owned());
    }
    throw_away(folder)?;
    opened.rebuilt = true;
    Ok(open_index(&path, mark)?)
}

/// The index belongs to its owner alone; what SQLite makes beside it takes over its rights.
fn open_index(path: &Path, mark: &str) -> rusqlite::Result<Index> {
    // Where it is there already, or cannot be made, opening it says what has to be said.
    let _ = new_private_file(path);
    Index::open(path, mark)
}

fn throw_away(folder: &Path) -> Result<(), LibraryError> {
    for ending in OF_INDEX {
        let path = folder.join(format!("{INDEX}{ending}"));
        files::remove(&path).map_err(|source| LibraryError::File { path, source })?;
    }
    Ok(())
}
