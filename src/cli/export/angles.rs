//! The angles of swings as files for a laboratory, one file a swing.

use crate::cli::Outcome;
use crate::cli::input::{analysed, settings, tell};
use crate::cli::output::{print, say};
use crate::detect::Swing;
use crate::record::export::Names;
use crate::record::input::name_of;
use crate::record::storage::new_private_file;
use crate::review::exchange::{Frames, c3d, motion_text};
use anyhow::{Context, bail};
use std::ffi::OsStr;
use std::io::Write;
use std::path::{Path, PathBuf};

/// What the file's ending asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AngleFormat {
    /// `.sto` or `.mot`.
    MotionText,
    /// `.c3d`.
    C3d,
}

impl AngleFormat {
    /// From a file's name; `None` for other endings.
    pub fn of(path: &Path) -> Option<AngleFormat> {
        match path.extension()?.to_str()?.to_ascii_lowercase().as_str() {
            "sto" | "mot" => Some(AngleFormat::MotionText),
            "c3d" => Some(AngleFormat::C3d),
            _ => None,
        }
    }

    fn bytes(self, frames: &Frames, name: &str) -> anyhow::Result<Vec<u8>> {
        match self {
            AngleFormat::MotionText => Ok(motion_text::text(frames, name).into_bytes()),
            AngleFormat::C3d => Ok(c3d::bytes(frames)?),
        }
    }
}

/// Analyses the input and writes the swing `number` to `output`, or every swing to a numbered file of its own.
///
/// # Errors
/// The input cannot be read, there is no such swing, or a file is there already or cannot be written.
pub fn run(
    (input, output): (&Path, &Path),
    format: AngleFormat,
    number: Option<usize>,
    settings_file: Option<&PathBuf>,
    names: Names,
) -> anyhow::Result<Outcome> {
    let fed = analysed(input, &settings(settings_file)?)?;
    let swings = &fed.state.swings;
    let mut written = 0;
    for (number, path) in chosen(swings, number, output)? {
        let name = match names {
            Names::Keep => format!("swing {number} of {}", name_of(input)),
            // A file may bear its player's name.
            Names::Drop => format!("swing {number}"),
        };
        match Frames::of(&swings[number - 1]).filter(|frames| !frames.is_empty()) {
            Some(frames) => {
                write_new(&path, &format.bytes(&frames, &name)?)?;
                written += 1;
            }
            None => say(&format!("note: swing {number} has no angles to write")),
        }
    }
    let (all, output) = (swings.len(), output.display());
    match number {
        Some(number) => print(&format!("swing {number} of {all} written to {output}\n"))?,
        None => print(&format!("{written} of {all} swings written to numbered files beside {output}\n"))?,
    }
    Ok(tell(&fed.report))
}

/// The numbers of the swings, from 1, and where each goes.
fn chosen(swings: &[Swing], number: Option<usize>, output: &Path) -> anyhow::Result<Vec<(usize, PathBuf)>> {
    match number {
        Some(number) if (1..=swings.len()).contains(&number) => Ok(vec![(number, output.to_owned())]),
        Some(number) => bail!("expected a swing from 1 to {}, found {number}", swings.len()),
        None => {
            let part = |part: Option<&OsStr>| part.unwrap_or_default().to_string_lossy().into_owned();
            let (stem, ending) = (part(output.file_stem()), part(output.extension()));
            let path = |number| output.with_file_name(format!("{stem}-{number:02}.{ending}"));
            Ok((1..=swings.len()).map(|number| (number, path(number))).collect())
        }
    }
}

fn write_new(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    new_private_file(path)
        .and_then(|mut file| file.write_all(bytes))
        .with_context(|| format!("{}: cannot be written", path.display()))
}
