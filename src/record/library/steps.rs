//! The steps that operations are made of. Each is safe by itself: it makes a file that is not ready yet, or gives
//! one file another name, or adds one line. Between any two of them the program may die; [`super::recovery`] then
//! finishes or undoes the rest from what lies there.

use super::files::{self, Beside, TRASH};
use super::made_from::MadeFrom;
use super::package::Package;
use super::recovery::Found;
use super::remarks::{Remark, Remarks, Said, head};
use super::rewrite;
use crate::record::error::InputError;
use crate::record::input::name_of;
use crate::record::recording_writer::RecordError;
use crate::record::session::SessionInfo;
use crate::record::storage::new_private_file;
use crate::units::{DeviceTime, WallTime};
use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};
use thiserror::Error;
use uuid::Uuid;

/// One step. Paths lie within the library, but for that of an import.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// Writes recordings one after the other into a new file.
    Join {
        /// The recordings.
        sources: Vec<PathBuf>,
        /// What the new one says of itself.
        session: SessionInfo,
        /// From what it is made.
        made_from: MadeFrom,
        /// The new file.
        to: PathBuf,
    },
    /// Writes one side of a recording into a new file.
    Cut {
        /// The recording.
        source: PathBuf,
        /// Where it is cut.
        cut: rewrite::Cut,
        /// What the new one says of itself.
        session: SessionInfo,
        /// From what it is made; part 1 is before the cut, part 2 after it.
        made_from: MadeFrom,
        /// The new file.
        to: PathBuf,
    },
    /// Writes a raw CSV into a new recording.
    Import {
        /// The CSV, anywhere.
        csv: PathBuf,
        /// What the recording says of itself.
        session: SessionInfo,
        /// The new file.
        to: PathBuf,
    },
    /// Copies a recording from elsewhere into a new file.
    Copy {
        /// The recording, anywhere.
        from: PathBuf,
        /// The new file.
        to: PathBuf,
    },
    /// Unpacks the recording of a packed session into a new file.
    Unpack {
        /// The zip, anywhere.
        package: PathBuf,
        /// The new file.
        to: PathBuf,
    },
    /// Writes a new text file.
    Write {
        /// The new file.
        to: PathBuf,
        /// What stands in it.
        text: String,
    },
    /// Gives a file another name.
    Carry {
        /// From here.
        from: PathBuf,
        /// To here.
        to: PathBuf,
    },
    /// Takes away a file that was not ready, or was written for nothing.
    Remove {
        /// The file.
        path: PathBuf,
    },
    /// Says in a recording's remarks that it has taken the place of others.
    Finished {
        /// The recording.
        recording: PathBuf,
        /// Its number.
        uuid: Uuid,
        /// When.
        at: WallTime,
    },
}

/// Why a step failed.
#[derive(Debug, Error)]
pub enum StepError {
    /// The file system refused.
    #[error("{path}: {source}", path = path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// An input cannot be read.
    #[error(transparent)]
    Input(#[from] InputError),
    /// A recording cannot be written.
    #[error("{path}: {source}", path = path.display())]
    Record {
        /// The recording.
        path: PathBuf,
        /// Why.
        source: RecordError,
    },
    /// A packed session cannot be unpacked.
    #[error("{path}: {why}", path = path.display())]
    Package {
        /// The zip.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// A recording is not as it was when the step was planned.
    #[error("{path}: expected {expected}, found {found}", path = path.display())]
    Changed {
        /// The recording.
        path: PathBuf,
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
}

/// Carries out a step in a library. Gives what was lost of the inputs, in sentences.
///
/// # Errors
/// What went wrong; the library is as the step found it, but for a file that is not ready.
pub fn carry_out(library: &Path, step: &Step) -> Result<Vec<String>, StepError> {
    let failed = |path: &Path| {
        let path = path.to_owned();
        move |source| StepError::File { path, source }
    };
    match step {
        Step::Join { sources, session, made_from, to } => {
            let sources: Vec<PathBuf> = sources.iter().map(|source| library.join(source)).collect();
            ready(library, to, rewrite::join(&sources, session, made_from, &library.join(to))?)
        }
        Step::Cut { source, cut, session, made_from, to } => {
            let lost = rewrite::cut(&library.join(source), cut, session, made_from, &library.join(to))?;
            ready(library, to, lost)
        }
        Step::Import { csv, session, to } => {
            ready(library, to, rewrite::import(csv, session, &library.join(to))?)
        }
        Step::Copy { from, to } => {
            let copy = |file: &mut File| io::copy(&mut File::open(from)?, file).map(drop);
            let made = made(&library.join(to), |file| copy(file).map_err(failed(from)));
            made.and_then(|()| ready(library, to, Vec::new()))
        }
        Step::Unpack { package, to } => {
            let unpack = |file: &mut File| Package::open(package)?.unpack(file);
            let made = made(&library.join(to), |file| {
                unpack(file)
                    .map_err(|error| StepError::Package { path: package.clone(), why: error.to_string() })
            });
            made.and_then(|()| ready(library, to, Vec::new()))
        }
        Step::Write { to, text } => {
            let to = library.join(to);
            to.parent().map_or(Ok(()), files::make_folder).map_err(failed(&to))?;
            files::write_new(&to, text.as_bytes()).map_err(failed(&to)).map(|()| Vec::new())
        }
        Step::Carry { from, to } => {
            files::carry(&library.join(from), &library.join(to)).map_err(failed(to)).map(|()| Vec::new())
        }
        Step::Remove { path } => {
            files::remove(&library.join(path)).map_err(failed(path)).map(|()| Vec::new())
        }
        Step::Finished { recording, uuid, at } => {
            let remark = Remark { at_unix_ms: *at, swing: None, said: Said::Finished };
            add_remark(library, recording, *uuid, &remark).map(|()| Vec::new())
        }
    }
}

/// Makes a new file and fills it.
fn made(path: &Path, fill: impl FnOnce(&mut File) -> Result<(), StepError>) -> Result<(), StepError> {
    let failed = |source| StepError::File { path: path.to_owned(), source };
    path.parent().map_or(Ok(()), files::make_folder).map_err(failed)?;
    fill(&mut new_private_file(path).map_err(failed)?)
}

/// What was written is put on the disk before it gets its name.
fn ready(library: &Path, to: &Path, lost: Vec<String>) -> Result<Vec<String>, StepError> {
    let to = library.join(to);
    files::sync(&to).map_err(|source| StepError::File { path: to, source })?;
    Ok(lost)
}

/// Adds a remark to a recording.
///
/// # Errors
/// The file beside it cannot be written.
pub fn add_remark(library: &Path, recording: &Path, uuid: Uuid, remark: &Remark) -> Result<(), StepError> {
    let path = library.join(Beside::Remarks.of(recording));
    let text = head(uuid, &[]).and_then(|head| Ok((head, serde_json::to_string(remark)?)));
    let (head, line) = text.map_err(|error| StepError::File { path: path.clone(), source: error.into() })?;
    files::append_line(&path, &head, &line).map_err(|source| StepError::File { path, source })
}

/// What people said of a recording. Where the file beside it cannot be read, that is a problem like a line of it.
#[must_use]
pub fn remarks_of(recording: &Path) -> Remarks {
    let beside = Beside::Remarks.of(recording);
    match files::read(&beside) {
        Ok(bytes) => Remarks::parse(&bytes.unwrap_or_default()),
        Err(error) => {
            Remarks { remarks: Vec::new(), problems: vec![format!("{}: {error}", beside.display())] }
        }
    }
}

/// The path of a file while it is not ready.
#[must_use]
pub fn unready(path: &Path) -> PathBuf {
    let name = name_of(path);
    path.with_file_name(name + files::UNREADY)
}

/// The steps that carry a recording, and then what lies beside it, to another place.
#[must_use]
pub fn carried(found: &Found, to: &Path) -> Vec<Step> {
    let mut steps = vec![Step::Carry { from: found.path.clone(), to: to.to_owned() }];
    for kind in Beside::ALL {
        if found.beside[kind as usize] {
            steps.push(Step::Carry { from: kind.of(&found.path), to: kind.of(to) });
        }
    }
    steps
}

/// The steps that lay a recording in the trash under a number that is free there.
#[must_use]
pub fn laid_aside(found: &Found, trash_number: u32) -> Vec<Step> {
    carried(found, &Path::new(TRASH).join(trash_number.to_string()).join(&found.path))
}

/// A part that is to be made from others.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Its path.
    pub path: PathBuf,
    /// What it says of itself.
    pub session: SessionInfo,
    /// From what it is made.
    pub made_from: MadeFrom,
    /// Its number.
    pub uuid: Uuid,
    /// What was said of the swings in it.
    pub remarks: Vec<Remark>,
}

/// The steps that make parts, each written by `write` under the name that it is given, and lay aside what they are
/// made from.
///
/// # Errors
/// A remark cannot be put as JSON, which its type does not allow for.
pub fn making(
    parts: &[Part],
    sources: &[Found],
    write: impl Fn(&Part, PathBuf) -> Step,
    trash_number: u32,
    at: WallTime,
) -> Result<Vec<Step>, serde_json::Error> {
    let mut steps: Vec<Step> = parts.iter().map(|part| write(part, unready(&part.path))).collect();
    for part in parts {
        // The remarks come first: a recording is never seen without them.
        let remarks = Beside::Remarks.of(&part.path);
        let text = super::remarks::Remarks::text(part.uuid, &part.made_from.sources, &part.remarks)?;
        steps.push(Step::Write { to: unready(&remarks), text });
        steps.push(Step::Carry { from: unready(&remarks), to: remarks });
        steps.push(Step::Carry { from: unready(&part.path), to: part.path.clone() });
    }
    for (number, source) in (trash_number..).zip(sources) {
        steps.extend(laid_aside(source, number));
    }
    let finished = |part: &Part| Step::Finished { recording: part.path.clone(), uuid: part.uuid, at };
    steps.extend(parts.iter().map(finished));
    Ok(steps)
}

/// Where a recording is cut in two.
#[must_use]
pub fn cut_between(end_of_last: DeviceTime, takeaway: DeviceTime) -> DeviceTime {
    // Half way: each side keeps some of the stillness that its swings are measured from.
    DeviceTime(end_of_last.0 + takeaway.0.saturating_sub(end_of_last.0) / 2)
}
