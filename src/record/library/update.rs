//! Brings the index up to date with what lies in the folder. Recordings are analysed on all cores, one at a time on
//! each, so memory grows with the cores and the longest recording, not with the library.

use super::analysis::{Analysed, analyse};
use super::files::{self, Beside, Listing, Stamp};
use super::index::{BesideRead, Bucket};
use super::made_from::about;
use super::numbers::ANALYSER;
use super::open::{Library, LibraryError};
use super::remarks::{Remarks, head};
use super::results::{self, VersionResult};
use crossbeam_channel::bounded;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use uuid::Uuid;

type Listed = (PathBuf, Stamp, [Option<Stamp>; 2]);

/// What has to be done for the recordings of a listing.
#[derive(Debug, Default, PartialEq)]
struct Due {
    /// To be analysed.
    analyse: Vec<Listed>,
    /// The files beside them have changed.
    beside: Vec<(i64, Listed)>,
    /// No longer there.
    gone: Vec<Bucket>,
}

/// Pure: compares what is known with what is there.
fn due(known: Vec<Bucket>, listing: &Listing) -> Due {
    let mut known: BTreeMap<PathBuf, Bucket> =
        known.into_iter().map(|bucket| (bucket.path.clone(), bucket)).collect();
    let mut due = Due::default();
    for listed in &listing.recordings {
        match known.remove(&listed.0) {
            Some(bucket) if bucket.stamp == listed.1 => {
                if bucket.beside != listed.2 {
                    due.beside.push((bucket.id, listed.clone()));
                }
            }
            // What is known under this path is another recording; its row goes when the new one is put.
            _ => due.analyse.push(listed.clone()),
        }
    }
    due.gone = known.into_values().collect();
    due
}

/// Brings the index up to date; gives how many recordings were analysed. With `keep`, what was found is also kept
/// beside the recordings, for the comparison with later versions.
pub(super) fn bring_up_to_date(
    library: &mut Library,
    listing: &Listing,
    keep: bool,
) -> Result<usize, LibraryError> {
    let mut due = due(library.index.buckets()?, listing);
    follow_renames(library, &mut due)?;
    for bucket in &due.gone {
        library.index.remove(bucket.id)?;
    }
    for (id, (path, _, beside)) in &due.beside {
        let read = read_beside(library, path);
        library.index.put_beside(*id, beside, &read)?;
    }
    let count = due.analyse.len();
    analyse_all(library, due.analyse, keep)?;
    Ok(count)
}

/// A recording that is gone here and new there, but the same by its number, size and time of change, was renamed.
fn follow_renames(library: &mut Library, due: &mut Due) -> Result<(), LibraryError> {
    if due.gone.is_empty() {
        return Ok(());
    }
    let mut analyse = Vec::new();
    for listed in std::mem::take(&mut due.analyse) {
        let uuid: Option<Uuid> = about(&library.folder.join(&listed.0)).ok().map(|about| about.uuid);
        let same = |bucket: &Bucket| bucket.stamp == listed.1 && Some(bucket.facts.uuid) == uuid;
        match due.gone.iter().position(same) {
            Some(at) => {
                let bucket = due.gone.remove(at);
                library.index.rename(bucket.id, &listed.0)?;
                if bucket.beside != listed.2 {
                    due.beside.push((bucket.id, listed));
                }
            }
            None => analyse.push(listed),
        }
    }
    due.analyse = analyse;
    Ok(())
}

fn analyse_all(library: &mut Library, due: Vec<Listed>, keep: bool) -> Result<(), LibraryError> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from).min(due.len());
    let (folder, rules) = (library.folder.clone(), library.rules);
    library.progress.more(due.len());
    let (give, take) = bounded::<Listed>(cores);
    let (done, finished) = bounded::<(Listed, Analysed)>(cores);
    std::thread::scope(|scope| {
        let thread = || std::thread::Builder::new().name("library".to_owned());
        let refused = |source| LibraryError::File { path: folder.clone(), source };
        let give_all = move || due.into_iter().all(|listed| give.send(listed).is_ok());
        thread().spawn_scoped(scope, give_all).map_err(refused)?;
        for worker in 0..cores {
            let (take, done, folder) = (take.clone(), done.clone(), &folder);
            let work = move || {
                for listed in take {
                    let analysed = analyse(&folder.join(&listed.0), rules);
                    // Whoever takes the results has gone: the rest is not wanted any more.
                    if done.send((listed, analysed)).is_err() {
                        break;
                    }
                }
            };
            match thread().spawn_scoped(scope, work) {
                // With one the work goes on.
                Err(_) if worker > 0 => break,
                started => started.map(drop).map_err(refused)?,
            }
        }
        drop((take, done));
        for (listed, analysed) in finished {
            put(library, listed, &analysed, keep)?;
            library.progress.one_done();
        }
        Ok(())
    })
}

fn put(
    library: &mut Library,
    (path, stamp, mut beside): Listed,
    analysed: &Analysed,
    keep: bool,
) -> Result<(), LibraryError> {
    if keep && analysed.facts.unreadable.is_none() {
        keep_result(library, &path, analysed)?;
        let results = Beside::Results.of(&path);
        let found = files::stamp(&library.folder.join(&results));
        beside[Beside::Results as usize] = found.map_err(|source| library.failed(&results, source))?;
    }
    let read = read_beside(library, &path);
    library.index.put(&path, (stamp, beside), analysed, &read)?;
    Ok(())
}

/// Adds what the present version found to the file beside a recording, where it does not stand there yet.
fn keep_result(library: &Library, path: &Path, analysed: &Analysed) -> Result<(), LibraryError> {
    let file = Beside::Results.of(path);
    let failed = |source| library.failed(&file, source);
    // One that cannot be read is told of by whoever reads it next, and left as it is.
    let Ok(bytes) = files::read(&library.folder.join(&file)) else { return Ok(()) };
    let bytes = bytes.unwrap_or_default();
    let result = VersionResult {
        by: ANALYSER.to_owned(),
        settings: library.mark.clone(),
        swings: analysed.swings.clone(),
    };
    if results::parse(&bytes).0.contains(&result) {
        return Ok(());
    }
    let text = head(analysed.facts.uuid, &[]).and_then(|head| Ok((head, serde_json::to_string(&result)?)));
    let (head, line) = text.map_err(|error| failed(error.into()))?;
    files::append_line(&library.folder.join(&file), &head, &line).map_err(failed)
}

/// What the files beside a recording say. What the present version found under the present settings stands in the
/// index already, and is left out.
pub(super) fn read_beside(library: &Library, path: &Path) -> BesideRead {
    let mut unread = Vec::new();
    let mut read = |kind: Beside| {
        let file = kind.of(path);
        // One bad file must not shut the whole library.
        files::read(&library.folder.join(&file)).map(Option::unwrap_or_default).unwrap_or_else(|error| {
            unread.push(format!("{}: {error}", file.display()));
            Vec::new()
        })
    };
    let remarks = Remarks::parse(&read(Beside::Remarks));
    let (mut results, mut problems) = results::parse(&read(Beside::Results));
    problems.append(&mut unread);
    results.retain(|result| result.by != ANALYSER || result.settings != library.mark);
    BesideRead { remarks, results, problems }
}
