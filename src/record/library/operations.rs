//! What can be done with a library's recordings, each as the list of its steps.

use super::files::{Beside, TRASH};
use super::index::{Bucket, KnownSwing};
use super::made_from::{MadeFrom, about, number_of};
use super::open::{Library, LibraryError};
use super::recovery::Found;
use super::remarks::{Remark, Said, SwingName};
use super::rewrite::{Cut, start_after};
use super::steps::{Part, Step, add_remark, carried, cut_between, laid_aside, making};
use crate::record::error::quoted;
use crate::record::session::SessionInfo;
use crate::units::{DeviceTime, WallTime};
use std::collections::BTreeSet;
use std::path::{Component, Path, PathBuf};
use uuid::Uuid;

/// A swing's finish where it was not seen: this long after its top, µs.
const NO_FINISH_US: i64 = 1_500_000;
/// A recording without an end mark that changed so lately may still be going on, ms.
const LATELY_MS: u64 = 60_000;

/// An operation, planned: nothing has been done yet.
#[derive(Clone, Debug, PartialEq)]
pub struct Operation {
    /// What is to be done, one step after the other.
    pub steps: Vec<Step>,
    /// The recordings that there will be.
    pub gives: Vec<PathBuf>,
}

impl Library {
    /// The recording that a word of the user's means: its path with or without the ending, its name alone, or the
    /// start of its number.
    ///
    /// # Errors
    /// None or several are meant.
    pub fn bucket(&self, word: &str) -> Result<Bucket, LibraryError> {
        let found = self.index.meant(word)?;
        match found.as_slice() {
            [one] => Ok(one.clone()),
            [] => {
                let expected = match self.index.count()? {
                    0 => format!("a recording in {}", self.folder().display()),
                    1 => "the name of the only recording (`library list` tells it)".to_owned(),
                    many => format!("the name of one of {many} recordings (`library list` tells them)"),
                };
                Err(LibraryError::asked(expected, quoted(word)))
            }
            many => {
                let paths: Vec<String> = many.iter().map(|one| one.path.display().to_string()).collect();
                Err(LibraryError::asked(
                    "the name of one recording",
                    format!("several: {}", paths.join(", ")),
                ))
            }
        }
    }

    /// One swing of a recording, counted from 1.
    ///
    /// # Errors
    /// There is none.
    pub fn swing(&self, bucket: &Bucket, place: usize) -> Result<KnownSwing, LibraryError> {
        let swings = self.index.swings(bucket.id)?;
        let count = swings.len();
        swings.into_iter().find(|swing| swing.place == place).ok_or_else(|| {
            let path = bucket.path.display();
            LibraryError::asked(format!("a swing from 1 to {count} of {path}"), place.to_string())
        })
    }

    /// Adds a remark to a recording or to one of its swings.
    ///
    /// # Errors
    /// The text is empty where there should be one, or too long; the file beside the recording cannot be written.
    pub fn remark(&mut self, bucket: &Bucket, place: Option<usize>, said: Said) -> Result<(), LibraryError> {
        self.remark_at(bucket, place, said, self.now)
    }

    /// The same for a library that has been open for a while: `at` is when it is said.
    ///
    /// # Errors
    /// Those of [`Library::remark`].
    pub fn remark_at(
        &mut self,
        bucket: &Bucket,
        place: Option<usize>,
        said: Said,
        at: WallTime,
    ) -> Result<(), LibraryError> {
        self.for_changes()?;
        if let Some((expected, found)) = said.wrong_text() {
            return Err(LibraryError::asked(expected, found));
        }
        let swing = match place {
            Some(place) => {
                let takeaway_us = self.swing(bucket, place)?.numbers.takeaway_us;
                Some(SwingName { takeaway_us, place })
            }
            None if matches!(said, Said::Club(_) | Said::Exclude(_) | Said::Include) => {
                return Err(LibraryError::asked(
                    "a swing",
                    "none: a bucket has no single club, and is never left out as a whole",
                ));
            }
            None => None,
        };
        let remark = Remark { at_unix_ms: at, swing, said };
        add_remark(&self.folder, &bucket.path, bucket.facts.uuid, &remark)?;
        self.refresh_after_change()
    }

    /// Gives a recording another name or another folder.
    ///
    /// # Errors
    /// The new path lies outside the library or is taken.
    pub fn moved(&self, bucket: &Bucket, to: &Path) -> Result<Operation, LibraryError> {
        let to = self.free(to)?;
        Ok(Operation { steps: carried(&found_of(bucket), &to), gives: vec![to] })
    }

    /// Lays a recording in the trash.
    ///
    /// # Errors
    /// The trash cannot be read.
    pub fn deleted(&self, bucket: &Bucket) -> Result<Operation, LibraryError> {
        let number = self.free_trash_number()?;
        Ok(Operation { steps: laid_aside(&found_of(bucket), number), gives: Vec::new() })
    }

    /// Brings a recording back from the trash to where it was.
    ///
    /// # Errors
    /// The word means none or several there, or its place is taken.
    pub fn restored(&self, word: &str) -> Result<Operation, LibraryError> {
        let in_trash = self.in_trash()?;
        let names = |found: &&Found| {
            let was = place_before(&found.path);
            let path = found.path.strip_prefix(TRASH).unwrap_or(&found.path);
            [was.as_path(), path]
                .into_iter()
                .any(|path| path == Path::new(word) || path.with_extension("") == Path::new(word))
        };
        let meant: Vec<&Found> = in_trash.iter().filter(names).collect();
        let [found] = meant.as_slice() else {
            let all = if meant.is_empty() { in_trash.iter().collect() } else { meant };
            let paths: Vec<String> = all
                .iter()
                .map(|found| found.path.strip_prefix(TRASH).unwrap_or(&found.path).display().to_string())
                .collect();
            let expected = match paths.as_slice() {
                [] => "a recording in the trash, which is empty".to_owned(),
                paths => format!("one of the trash: {}", paths.join(", ")),
            };
            return Err(LibraryError::asked(expected, quoted(word)));
        };
        let to = self.free(&place_before(&found.path))?;
        Ok(Operation { steps: carried(found, &to), gives: vec![to] })
    }

    /// Makes one recording of several, which then go to the trash. They stand in it in order of time.
    ///
    /// # Errors
    /// They are of different players or hands, one cannot be read or may still be going on, or the name is
    /// taken.
    pub fn merged(&self, buckets: &[Bucket], to: &Path) -> Result<Operation, LibraryError> {
        let mut buckets = buckets.to_vec();
        buckets.sort_by(|a, b| a.in_time().cmp(&b.in_time()));
        buckets.dedup_by_key(|bucket| bucket.id);
        let mut known = BTreeSet::new();
        if let Some(twin) = buckets.iter().find(|bucket| !known.insert(bucket.facts.uuid)) {
            let found = format!("{} twice, once under another name", twin.path.display());
            return Err(LibraryError::asked("different recordings", found));
        }
        if buckets.len() < 2 {
            return Err(LibraryError::asked("two recordings or more", buckets.len().to_string()));
        }
        let sessions = self.sessions(&buckets)?;
        alike(&buckets, &sessions)?;
        let Some(first) = sessions.first().cloned() else {
            return Err(LibraryError::asked("two recordings or more", "none"));
        };
        let made_from =
            MadeFrom { sources: buckets.iter().map(|bucket| bucket.facts.uuid).collect(), part: 1, of: 1 };
        self.not_made_before(&made_from.sources)?;
        let mut remarks = Vec::new();
        let mut places = 0;
        for bucket in &buckets {
            remarks.extend(self.remarks_for(bucket, |place| Some(place + places))?);
            places += bucket.swings;
        }
        let clubs: BTreeSet<String> = sessions.iter().flat_map(|session| session.clubs.clone()).collect();
        let session = SessionInfo { clubs: clubs.into_iter().collect(), software: software(), ..first };
        let part = part(self.free(to)?, session, made_from, remarks);
        let sources: Vec<PathBuf> = buckets.iter().map(|bucket| bucket.path.clone()).collect();
        let write = |part: &Part, to: PathBuf| Step::Join {
            sources: sources.clone(),
            session: part.session.clone(),
            made_from: part.made_from.clone(),
            to,
        };
        self.made(&[part], &buckets, write)
    }

    /// Makes two recordings of one, which then goes to the trash: the second begins before this swing.
    ///
    /// # Errors
    /// It is the first swing or none, the glove's clock started anew within the recording, the recording may still be
    /// going on, or a name is taken.
    pub fn split(&self, bucket: &Bucket, before: usize) -> Result<Operation, LibraryError> {
        let cut = self.cut(bucket, before)?;
        let Some(first) = self.sessions(std::slice::from_ref(bucket))?.pop() else {
            return Err(LibraryError::asked("a recording", "none"));
        };
        let sources = vec![bucket.facts.uuid];
        self.not_made_before(&sources)?;
        let (wall, host) = start_after(&self.folder.join(&bucket.path), &cut)?;
        let second =
            SessionInfo { started: wall.unwrap_or(first.started), host_at_start: host, ..first.clone() };
        let side = |number: u32, session: SessionInfo| -> Result<Part, LibraryError> {
            let made_from = MadeFrom { sources: sources.clone(), part: number, of: 2 };
            let kept = move |place: usize| match number {
                1 => (place < before).then_some(place),
                _ => (place >= before).then(|| place + 1 - before),
            };
            let stem = bucket.path.with_extension("").to_string_lossy().into_owned();
            let path = self.free(Path::new(&format!("{stem}-{number}.mcap")))?;
            let session = SessionInfo { software: software(), ..session };
            Ok(part(path, session, made_from, self.remarks_for(bucket, kept)?))
        };
        let parts = [side(1, first)?, side(2, second)?];
        let write = |part: &Part, to: PathBuf| Step::Cut {
            source: bucket.path.clone(),
            cut: cut.clone(),
            session: part.session.clone(),
            made_from: part.made_from.clone(),
            to,
        };
        self.made(&parts, std::slice::from_ref(bucket), write)
    }

    /// Where a recording is cut so that this swing begins the second part.
    fn cut(&self, bucket: &Bucket, before: usize) -> Result<Cut, LibraryError> {
        let swings = self.index.swings(bucket.id)?;
        let takeaways: Vec<DeviceTime> = swings.iter().map(|swing| swing.numbers.takeaway_us).collect();
        let (Some(last), Some(next)) = (
            before.checked_sub(2).and_then(|at| swings.get(at)),
            before.checked_sub(1).and_then(|at| swings.get(at)),
        ) else {
            let (expected, found) = match swings.len() {
                all @ (0 | 1) => ("a recording of two swings or more".to_owned(), all),
                all => (format!("a swing from 2 to {all} to begin with"), before),
            };
            return Err(LibraryError::asked(expected, found.to_string()));
        };
        if takeaways.windows(2).any(|pair| pair[0] >= pair[1]) {
            return Err(LibraryError::asked(
                "a recording within which the glove's clock goes on",
                "one within which it started anew",
            ));
        }
        let end = last.numbers.finish_us.unwrap_or(DeviceTime(last.numbers.top_us.0 + NO_FINISH_US));
        Ok(Cut { at: cut_between(end, next.numbers.takeaway_us), takeaways })
    }

    fn made(
        &self,
        parts: &[Part],
        buckets: &[Bucket],
        write: impl Fn(&Part, PathBuf) -> Step,
    ) -> Result<Operation, LibraryError> {
        let sources: Vec<Found> = buckets.iter().map(found_of).collect();
        let steps = making(parts, &sources, write, self.free_trash_number()?, self.now);
        let steps = steps.map_err(|error| self.failed(Path::new(""), error.into()))?;
        Ok(Operation { steps, gives: parts.iter().map(|part| part.path.clone()).collect() })
    }

    /// The remarks on a recording, each named for its swing's new place; `place` gives none where the swing goes
    /// elsewhere. What was lost of the recording is said as a note, since a new file would hide it.
    fn remarks_for(
        &self,
        bucket: &Bucket,
        place: impl Fn(usize) -> Option<usize>,
    ) -> Result<Vec<Remark>, LibraryError> {
        let swings = self.index.swings(bucket.id)?;
        let takeaways: Vec<DeviceTime> = swings.iter().map(|swing| swing.numbers.takeaway_us).collect();
        let mut kept = Vec::new();
        for remark in self.index.remarks(bucket.id)? {
            let named = match remark.swing {
                None => Some(None),
                Some(name) => super::remarks::find(&takeaways, name)
                    .map_or_else(|| Some(name.place), |at| Some(at + 1))
                    .and_then(&place)
                    .map(|place| Some(SwingName { place, ..name })),
            };
            if let Some(swing) = named.filter(|_| remark.said != Said::Finished) {
                kept.push(Remark { swing, ..remark });
            }
        }
        for loss in &bucket.facts.losses {
            let text = format!("lost of {}: {loss}", bucket.path.display());
            kept.push(Remark { at_unix_ms: self.now, swing: None, said: Said::Note(text) });
        }
        Ok(kept)
    }

    /// What recordings say of themselves. One that may still be going on, or cannot be read, is refused.
    fn sessions(&self, buckets: &[Bucket]) -> Result<Vec<SessionInfo>, LibraryError> {
        let session = |bucket: &Bucket| {
            let path = bucket.path.display();
            // Far ahead of a clock that was put back says nothing of lately.
            let ago_ms = self.now.0.abs_diff(bucket.stamp.changed_ns / 1_000_000);
            if bucket.facts.unfinished && ago_ms < LATELY_MS {
                let found = format!("{path}, which has no end yet and was written to within the last minute");
                return Err(LibraryError::asked("a recording that is over", found));
            }
            let session = about(&self.folder.join(&bucket.path)).ok().and_then(|about| about.session);
            session.ok_or_else(|| {
                let found = format!("{path}, which has lost it");
                LibraryError::asked("a recording that says when and by whom it was begun", found)
            })
        };
        buckets.iter().map(session).collect()
    }

    fn not_made_before(&self, sources: &[Uuid]) -> Result<(), LibraryError> {
        let buckets = self.index.buckets()?;
        let made =
            |bucket: &&Bucket| bucket.facts.made_from.as_ref().is_some_and(|made| made.sources == sources);
        match buckets.iter().find(made) {
            None => Ok(()),
            Some(bucket) => Err(LibraryError::asked(
                "no recording that was made from the same before",
                format!("{}: delete it first", bucket.path.display()),
            )),
        }
    }

    /// A path within the library, with the ending of a recording.
    pub(super) fn within(&self, path: &Path) -> Result<PathBuf, LibraryError> {
        let inside = path.components().all(|part| matches!(part, Component::Normal(_)));
        let first = path.components().next().map(|part| part.as_os_str().to_owned());
        let apart = first.is_some_and(|first| first == TRASH || first == super::files::PLAYERS);
        let hidden = path.components().any(|part| part.as_os_str().to_string_lossy().starts_with('.'));
        // A line end in a name would break every list that it stands in.
        let printable = path.to_str().is_some_and(|path| !path.chars().any(char::is_control));
        if path.as_os_str().is_empty() || !printable || !inside || apart || hidden {
            let expected = "a name or path within the library, without line ends, not in its trash or among its \
                            players, not hidden";
            return Err(LibraryError::asked(expected, quoted(&path.to_string_lossy())));
        }
        let ends = path.extension().is_some_and(|ending| ending == "mcap");
        let path = if ends { path.to_owned() } else { PathBuf::from(format!("{}.mcap", path.display())) };
        Ok(path)
    }

    /// As [`Library::within`]; nothing has this name, and nothing lies where the files beside it would.
    pub(super) fn free(&self, path: &Path) -> Result<PathBuf, LibraryError> {
        let path = self.within(path)?;
        let mut taken = std::iter::once(path.clone()).chain(Beside::ALL.map(|kind| kind.of(&path)));
        taken.try_for_each(|path| self.is_free(&path))?;
        Ok(path)
    }

    pub(super) fn is_free(&self, path: &Path) -> Result<(), LibraryError> {
        if std::fs::symlink_metadata(self.folder.join(path)).is_ok() {
            return Err(LibraryError::asked("a name that is free", path.display().to_string()));
        }
        Ok(())
    }
}

fn found_of(bucket: &Bucket) -> Found {
    Found {
        path: bucket.path.clone(),
        uuid: bucket.facts.uuid,
        made_from: bucket.facts.made_from.clone(),
        finished: bucket.finished,
        beside: bucket.beside.map(|stamp| stamp.is_some()),
    }
}

fn part(path: PathBuf, session: SessionInfo, made_from: MadeFrom, remarks: Vec<Remark>) -> Part {
    let uuid = number_of(&session, Some(&made_from));
    Part { path, session, made_from, uuid, remarks }
}

pub(super) fn software() -> String {
    super::numbers::ANALYSER.to_owned()
}

/// Where a recording of the trash was: behind the trash's own folder and number.
fn place_before(path: &Path) -> PathBuf {
    path.components().skip(2).collect()
}

/// Recordings that may stand in one: of one player, one hand.
fn alike(buckets: &[Bucket], sessions: &[SessionInfo]) -> Result<(), LibraryError> {
    for (bucket, session) in buckets.iter().zip(sessions).skip(1) {
        let first = &sessions[0];
        if (&session.player, session.player_hand) != (&first.player, first.player_hand) {
            let who = |session: &SessionInfo| {
                let hand = session.player_hand.word();
                format!("{} ({hand}-handed)", quoted(&session.player))
            };
            let expected = format!("recordings of one player, {}", who(first));
            let found = format!("{} by {}", bucket.path.display(), who(session));
            return Err(LibraryError::asked(expected, found));
        }
    }
    Ok(())
}
