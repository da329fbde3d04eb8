//! Edge: the buckets that a page may show and where its remarks go: the one bucket that the server was started
//! with, or a library.

use super::worked_out::WorkedOut;
use crate::record::input::open_input;
use crate::record::library::Library;
use crate::record::library::analysis::analysis_of;
use crate::record::library::files::{RECORDING, Stamp};
use crate::record::library::index::Bucket;
use crate::record::library::made_from::about;
use crate::record::library::remarks::{Remark, Remarks, Said, SwingName};
use crate::record::library::search::{Found, Wanted};
use crate::record::library::steps::{add_remark, remarks_of};
use crate::review::page::PageModel;
use crate::review::raw::{Gather, RawSignals};
use crate::review::speed::json::club_text;
use crate::review::{OfPlayer, Review};
use crate::units::{DeviceTime, PlayerHand, WallTime};
use std::collections::VecDeque;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use thiserror::Error;
use tokio::sync::watch;
use uuid::Uuid;

/// The key of the bucket that the server was started with.
pub const OWN: &str = "now";
/// Analysed buckets of a library that are kept.
const KEPT: usize = 4;

/// What time it is, for remarks.
pub type Now = Box<dyn Fn() -> WallTime + Send + Sync>;
/// What counts for a player, by name: asked anew each time, so that a file that was put right counts at once.
pub type OfPlayerNamed = Box<dyn Fn(&str) -> OfPlayer + Send + Sync>;

/// Why something was not done.
#[derive(Debug, Error)]
pub enum Refused {
    /// There is no such thing.
    #[error("{0}")]
    Missing(&'static str),
    /// It cannot be done as asked.
    #[error("{0}")]
    Asked(String),
    /// The disk or the index failed.
    #[error("{0}")]
    Failed(String),
}

/// A bucket, ready to be shown.
#[derive(Clone)]
pub struct Shown {
    /// Its key in addresses.
    pub key: String,
    /// Its swings with what was said of them.
    pub model: Arc<PageModel>,
    /// The side that the player plays from, where known.
    pub hand: Option<PlayerHand>,
    /// The file that it was read from, where there is one.
    pub path: Option<PathBuf>,
    /// Remarks can be kept beside it.
    pub takes_remarks: bool,
    /// It is one of a library.
    pub in_library: bool,
}

impl Shown {
    /// Why nothing can be said of it; nothing where it can.
    #[must_use]
    pub fn says_nothing(&self) -> Option<&'static str> {
        match (self.takes_remarks, self.in_library) {
            (true, _) => None,
            (false, true) => {
                Some("This library is open for reading only, since another hingeclock is at work in it.")
            }
            (false, false) => Some("What you say is kept beside a recording; there is none here."),
        }
    }
}

/// A swing as a page knows it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Meant {
    /// Its number in the bucket, counted from 1.
    pub number: usize,
    /// Its takeaway, so that it is certainly that one.
    pub takeaway: DeviceTime,
}

/// The file of the bucket that the server was started with.
#[derive(Clone, Debug)]
pub struct OwnFile {
    /// The recording or CSV.
    pub path: PathBuf,
    /// The side that the player plays from.
    pub hand: PlayerHand,
}

/// A library with what its buckets are shown by.
pub struct Shelf {
    /// The open library.
    pub library: Library,
    /// What its players' swings are judged and worked out by.
    pub of_player: OfPlayerNamed,
    /// Where what the library finishes or undoes on its way is told.
    pub tell: Box<dyn Fn(&str) + Send + Sync>,
}

/// A bucket of a library that was read: its recording's number and stamp, and what is in it.
type Read = ((Uuid, Stamp), Arc<Review>);

/// Where buckets come from and remarks go.
pub struct Bench {
    own: Option<OwnFile>,
    shelf: Option<Mutex<Shelf>>,
    /// Held while a bucket is read, so that none is read twice at once; the library itself waits for nobody.
    read: Mutex<VecDeque<Read>>,
    worked_out: WorkedOut,
    now: Now,
    said: watch::Sender<u64>,
}

impl Bench {
    /// Nothing but what the server was handed: no remarks.
    #[must_use]
    pub fn bare() -> Bench {
        Bench::new(None, None, Box::new(|| WallTime(0)))
    }

    /// One bucket with its file.
    #[must_use]
    pub fn of_file(file: OwnFile, now: Now) -> Bench {
        Bench::new(Some(file), None, now)
    }

    /// A library.
    #[must_use]
    pub fn of_library(shelf: Shelf, now: Now) -> Bench {
        Bench::new(None, Some(shelf), now)
    }

    fn new(own: Option<OwnFile>, shelf: Option<Shelf>, now: Now) -> Bench {
        let (shelf, read) = (shelf.map(Mutex::new), Mutex::default());
        Bench { own, shelf, read, worked_out: WorkedOut::default(), now, said: watch::Sender::new(0) }
    }

    /// Whether there is a library to list.
    #[must_use]
    pub fn has_library(&self) -> bool {
        self.shelf.is_some()
    }

    /// Counts the remarks that were made here: another number means that pages are old.
    #[must_use]
    pub fn said(&self) -> watch::Receiver<u64> {
        self.said.subscribe()
    }

    /// The model of the own bucket with what was said of it.
    #[must_use]
    pub fn own(&self, model: &Arc<PageModel>) -> Arc<PageModel> {
        match self.own.as_ref().filter(|own| takes_remarks(&own.path)) {
            Some(own) => {
                let review = model.review.clone().with_said(&remarks_of(&own.path));
                Arc::new(PageModel { review, live: model.live })
            }
            None => Arc::clone(model),
        }
    }

    /// The bucket of this key. `own` is the model that the server was handed, if it was.
    ///
    /// # Errors
    /// There is none, or it cannot be read.
    pub fn bucket(&self, key: &str, own: Option<&Arc<PageModel>>) -> Result<Shown, Refused> {
        if key == OWN {
            let model = own.ok_or(Refused::Missing("no bucket is open here"))?;
            let file = self.own.as_ref();
            return Ok(Shown {
                key: key.to_owned(),
                model: self.own(model),
                hand: file.map(|file| file.hand),
                path: file.map(|file| file.path.clone()),
                takes_remarks: file.is_some_and(|file| takes_remarks(&file.path)),
                in_library: false,
            });
        }
        let bucket = self.held()?.bucket(key)?;
        let review = self.review(&bucket)?;
        let (remarks, path, known, takes_remarks) = {
            let Shelf { library, of_player, .. } = &*self.held()?;
            let remarks = library.index().remarks(bucket.id).map_err(failed)?;
            let (path, known) = (library.folder().join(&bucket.path), of_player(&bucket.facts.player));
            (remarks, path, known, library.may_change())
        };
        let said = Remarks { remarks, problems: bucket.problems };
        let review = Review::clone(&review).of_player(known).with_said(&said);
        Ok(Shown {
            key: key.to_owned(),
            model: Arc::new(PageModel { review, live: false }),
            hand: bucket.facts.hand,
            path: Some(path),
            takes_remarks,
            in_library: true,
        })
    }

    /// Keeps a remark on the bucket, or on a swing of it.
    ///
    /// # Errors
    /// The swing is another one by now, nothing can be kept, or the disk refuses.
    pub fn remark(&self, shown: &Shown, swing: Option<Meant>, said: Said) -> Result<(), Refused> {
        let review = &shown.model.review;
        let is_other = |Meant { number, takeaway }: Meant| {
            review.swing(number).is_none_or(|swing| swing.takeaway != takeaway)
        };
        if swing.is_some_and(is_other) {
            return Err(Refused::Asked("this swing is another one by now: load the page anew".to_owned()));
        }
        if let Some((expected, found)) = said.wrong_text() {
            return Err(Refused::Asked(format!("expected {expected}, found {found}")));
        }
        if shown.key == OWN {
            let name = |Meant { number, takeaway }| SwingName { takeaway_us: takeaway, place: number };
            self.remark_own(swing.map(name), said)?;
        } else {
            let mut held = self.held()?;
            let bucket = held.bucket(&shown.key)?;
            let at = (self.now)();
            let done = held.library.remark_at(&bucket, swing.map(|swing| swing.number), said, at);
            let told = held.library.take_told();
            told.iter().for_each(|told| (held.tell)(told));
            done.map_err(failed)?;
        }
        self.said.send_modify(|said| *said += 1);
        Ok(())
    }

    fn remark_own(&self, swing: Option<SwingName>, said: Said) -> Result<(), Refused> {
        let none =
            || Refused::Asked("remarks are kept beside a recording, and there is none here".to_owned());
        let own = self.own.as_ref().filter(|own| takes_remarks(&own.path)).ok_or_else(none)?;
        let uuid = about(&own.path).map_err(failed)?.uuid;
        let folder = own.path.parent().unwrap_or(Path::new(""));
        let name = own.path.file_name().map(PathBuf::from).unwrap_or_default();
        let remark = Remark { at_unix_ms: (self.now)(), swing, said };
        add_remark(folder, &name, uuid, &remark).map_err(failed)
    }

    /// The readings of a swing, counted from 1, as they stand in the file.
    ///
    /// # Errors
    /// There is no such swing, or no file, or it cannot be read.
    pub fn raw(&self, shown: &Shown, number: usize) -> Result<RawSignals, Refused> {
        let swing = shown.model.review.swing(number).ok_or(Refused::Missing("there is no such swing"))?;
        let path =
            shown.path.as_ref().ok_or(Refused::Missing("there is no file to read the signals from"))?;
        let mut input = open_input(path).map_err(failed)?;
        let mut gather = Gather::new(swing, &input.device);
        for arrival in input.arrivals.by_ref() {
            gather.push(&arrival.map_err(failed)?);
        }
        Ok(gather.finish())
    }

    /// What changes are worth with the club of a swing, counted from 1, as JSON.
    ///
    /// # Errors
    /// There is no such swing, or its club was not said.
    pub fn worth(&self, shown: &Shown, number: usize) -> Result<String, Refused> {
        let review = &shown.model.review;
        let club = &review.swing(number).ok_or(Refused::Missing("there is no such swing"))?.club;
        let club = club.as_deref().ok_or(Refused::Missing("the club of this swing was not said"))?;
        let measures = review.measures.as_ref().map_err(|why| Refused::Asked(why.clone()))?;
        club_text(&self.worked_out.worth(&shown.key, review, measures, club)).map_err(failed)
    }

    /// The swings of the library that are wanted.
    ///
    /// # Errors
    /// There is no library, or its index cannot be read.
    pub fn search(&self, wanted: &Wanted) -> Result<Found, Refused> {
        self.held()?.library.index().search(wanted).map_err(failed)
    }

    fn review(&self, bucket: &Bucket) -> Result<Arc<Review>, Refused> {
        let mut read = self.read.lock().unwrap_or_else(PoisonError::into_inner);
        let key = (bucket.facts.uuid, bucket.stamp);
        if let Some((_, review)) = read.iter().find(|(known, _)| *known == key) {
            return Ok(Arc::clone(review));
        }
        let (path, rules) = {
            let library = &self.held()?.library;
            (library.folder().join(&bucket.path), library.rules())
        };
        let (mut analysis, _, report) = analysis_of(&path, rules).map_err(failed)?;
        analysis.notes.extend(report.sentences().into_iter().map(|sentence| format!("lost: {sentence}")));
        let name = bucket.path.with_extension("").to_string_lossy().into_owned();
        let player = Some(bucket.facts.player.clone()).filter(|player| !player.is_empty());
        let review = Arc::new(Review { player, ..Review::new(&name, analysis) });
        // The newest is the last.
        if read.len() == KEPT {
            read.pop_front();
        }
        read.push_back((key, Arc::clone(&review)));
        Ok(review)
    }

    /// The library, for as long as nobody else waits for it.
    pub(super) fn held(&self) -> Result<MutexGuard<'_, Shelf>, Refused> {
        let shelf = self.shelf.as_ref().ok_or(Refused::Missing("no library is open here"))?;
        // Whatever failed while it was held left the index as a transaction that did not happen.
        Ok(shelf.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Shelf {
    /// A recording by its whole number: nothing of an address ever becomes a path.
    pub(super) fn bucket(&self, key: &str) -> Result<Bucket, Refused> {
        let none = Refused::Missing("no recording has this number");
        // As it is written here, and in no other way.
        let Some(uuid) = Uuid::parse_str(key).ok().filter(|uuid| uuid.to_string() == key) else {
            return Err(none);
        };
        self.library.index().numbered(uuid).map_err(failed)?.ok_or(none)
    }
}

fn takes_remarks(path: &Path) -> bool {
    path.to_string_lossy().ends_with(RECORDING)
}

pub(super) fn failed(error: impl std::fmt::Display) -> Refused {
    Refused::Failed(error.to_string())
}
