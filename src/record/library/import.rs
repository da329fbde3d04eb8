//! What comes into a library from elsewhere: a raw CSV, another library's recording, a session that was packed.

use super::files::Beside;
use super::made_from::{About, about, number_of};
use super::open::{Library, LibraryError};
use super::operations::{Operation, software};
use super::package::Package;
use super::player::{Player, players};
use super::remarks::{Remark, Remarks, Said, head, recording_named};
use super::steps::{Step, StepError, unready};
use crate::record::error::quoted;
use crate::record::input::{Arrivals, markers_beside, name_of, open_input, sibling};
use crate::record::salvage::SalvageReport;
use crate::record::session::SessionInfo;
use crate::sample::Marker;
use crate::units::{HostTime, PlayerHand, WallTime};
use std::path::{Path, PathBuf};
use uuid::Uuid;

/// No wall clock is that late: the year 9999.
const LATEST_UNIX_MS: i64 = 253_370_764_800_000;

/// What a raw CSV does not say of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Import {
    /// The CSV; plain or gzipped.
    pub csv: PathBuf,
    /// The player's name.
    pub player: String,
    /// The side played from, where the CSV does not say.
    pub hand: PlayerHand,
    /// The player's clubs.
    pub clubs: Vec<String>,
    /// When it was recorded, where that was said. Else its markers tell, or the time when it was changed last.
    pub recorded: Option<WallTime>,
    /// The recording's name; that of the CSV unless another is given.
    pub name: Option<String>,
}

/// A recording of another library, with what lies beside it.
pub struct Received {
    about: About,
    /// Makes the new file of it.
    write: Box<dyn Fn(PathBuf) -> Step>,
    beside: [Option<Vec<u8>>; 2],
    player: Option<Player>,
    name: PathBuf,
}

impl Received {
    /// A recording, and the files that lie beside it.
    ///
    /// # Errors
    /// It cannot be read, or is no recording.
    pub fn recording(path: &Path) -> Result<Received, LibraryError> {
        let about = about(path).map_err(StepError::from)?;
        let read = |kind: Beside| {
            let beside = kind.of(path);
            super::files::read(&beside).map_err(|source| LibraryError::File { path: beside, source })
        };
        let beside = [read(Beside::Remarks)?, read(Beside::Results)?];
        let from = path.to_owned();
        let write = Box::new(move |to| Step::Copy { from: from.clone(), to });
        let name = path.file_name().map(PathBuf::from).unwrap_or_default();
        Ok(Received { about, write, beside, player: None, name })
    }

    /// What a packed session holds.
    ///
    /// # Errors
    /// It cannot be read, or holds no recording.
    pub fn packed(path: &Path) -> Result<Received, LibraryError> {
        let mut package = Package::open(path)?;
        let about = package.about()?;
        let beside = [package.beside(Beside::Remarks)?, package.beside(Beside::Results)?];
        let from = path.to_owned();
        let write = Box::new(move |to| Step::Unpack { package: from.clone(), to });
        Ok(Received { about, write, beside, player: package.player()?, name: package.name().to_owned() })
    }
}

impl Library {
    /// Makes a recording of a raw CSV, which stays where it is.
    ///
    /// # Errors
    /// The file is no CSV, there is no player's name, the name is taken, or the CSV was imported before.
    pub fn imported(&self, import: &Import) -> Result<Operation, LibraryError> {
        if import.player.trim().is_empty() {
            return Err(LibraryError::asked("a player's name", "none"));
        }
        let mut input = open_input(&import.csv).map_err(StepError::from)?.or_hand(import.hand);
        if !matches!(input.arrivals, Arrivals::Csv(_)) {
            return Err(LibraryError::asked("a raw CSV", "a recording, which says itself who played"));
        }
        let first = input.arrivals.next().transpose().map_err(StepError::from)?;
        // So that a later part, or another recording, can be laid beside this one in time.
        let host_at_start = first.and_then(|first| first.received()).unwrap_or(HostTime(0));
        let markers = markers_beside(&import.csv, &mut SalvageReport::default()).map_err(StepError::from)?;
        let started = import.recorded.or_else(|| told_start(&markers, host_at_start));
        let started = started.map_or_else(|| changed(&import.csv), Ok)?;
        let stem = stem_of(&import.csv);
        let name = import.name.as_deref().unwrap_or(&stem);
        let session = SessionInfo {
            player: import.player.clone(),
            player_hand: input.device.player_hand,
            clubs: import.clubs.clone(),
            software: software(),
            started,
            host_at_start,
        };
        self.not_here_yet(number_of(&session, None), "a CSV", "one of the same player and time as")?;
        let to = self.free(Path::new(name))?;
        let steps = vec![
            Step::Import { csv: import.csv.clone(), session, to: unready(&to) },
            Step::Carry { from: unready(&to), to: to.clone() },
        ];
        Ok(Operation { steps, gives: vec![to] })
    }

    /// Takes in another library's recording, with what was said of it. What is received stays where it is.
    ///
    /// # Errors
    /// The recording is here already, the name is taken, or what lies beside it belongs to another.
    pub fn received(&self, received: &Received, name: Option<&Path>) -> Result<Operation, LibraryError> {
        let uuid = received.about.uuid;
        self.not_here_yet(uuid, "a recording", "the same as")?;
        let to = self.within(name.unwrap_or(&received.name))?;
        self.is_free(&to)?;
        let mut steps = Vec::new();
        if let Some(player) = &received.player {
            steps.extend(self.player_kept(player)?);
        }
        // What was said comes before the recording, as ever, so that it is never seen without.
        for kind in Beside::ALL {
            let Some(text) = self.text_beside(received, kind)? else { continue };
            let path = kind.of(&to);
            if self.remains_of(&path, uuid)? {
                let here = super::files::read(&self.folder.join(&path));
                let here = here.map_err(|source| self.failed(&path, source))?.unwrap_or_default();
                if kind == Beside::Remarks && here != text.as_bytes() {
                    return Err(LibraryError::asked(
                        format!(
                            "no other remarks on this recording than those received; lay {} aside",
                            path.display()
                        ),
                        "a file that differs",
                    ));
                }
                continue;
            }
            steps.push(Step::Write { to: unready(&path), text });
            steps.push(Step::Carry { from: unready(&path), to: path });
        }
        steps.insert(0, (received.write)(unready(&to)));
        steps.push(Step::Carry { from: unready(&to), to: to.clone() });
        Ok(Operation { steps, gives: vec![to] })
    }

    fn not_here_yet(&self, uuid: Uuid, what: &str, which: &str) -> Result<(), LibraryError> {
        match &self.index.numbered(uuid)? {
            None => Ok(()),
            Some(known) => Err(LibraryError::asked(
                format!("{what} that is not in the library yet"),
                format!("{which} {}", known.path.display()),
            )),
        }
    }

    /// What will lie beside the recording. One that was made from others says that this is over: where it came from,
    /// nobody waits for its other parts.
    fn text_beside(&self, received: &Received, kind: Beside) -> Result<Option<String>, LibraryError> {
        let About { uuid, made_from, .. } = &received.about;
        let bytes = received.beside[kind as usize].as_deref().unwrap_or_default();
        let named = recording_named(bytes).map(|(named, _)| named);
        if let Some(other) = named.filter(|named| named != uuid) {
            let expected = format!("what was said of recording {uuid}");
            return Err(LibraryError::asked(expected, format!("what was said of {other}")));
        }
        let mut text = String::from_utf8_lossy(bytes).into_owned();
        let failed = |error: serde_json::Error| self.failed(&kind.of(&received.name), error.into());
        if kind == Beside::Remarks && made_from.is_some() && !Remarks::parse(bytes).finished() {
            if text.is_empty() {
                text = head(*uuid, &[]).map_err(failed)? + "\n";
            } else if !text.ends_with('\n') {
                text.push('\n');
            }
            let over = Remark { at_unix_ms: self.now, swing: None, said: Said::Finished };
            text.push_str(&(serde_json::to_string(&over).map_err(failed)? + "\n"));
        }
        Ok(Some(text).filter(|text| !text.is_empty()))
    }

    /// Whether a file of this recording lies there already: left by an import that was cut off, or by its owner, who
    /// has taken the recording away. Any other is in the way.
    fn remains_of(&self, path: &Path, uuid: Uuid) -> Result<bool, LibraryError> {
        let there =
            super::files::read(&self.folder.join(path)).map_err(|source| self.failed(path, source))?;
        let named = there.as_deref().and_then(recording_named).map(|(named, _)| named);
        if there.is_some() && named != Some(uuid) {
            self.is_free(path)?;
        }
        Ok(there.is_some())
    }

    /// The steps that keep a player of whom nothing is known here yet.
    fn player_kept(&self, player: &Player) -> Result<Vec<Step>, LibraryError> {
        let folder = Path::new(super::files::PLAYERS);
        let known = players(&self.folder).map_err(|source| self.failed(folder, source))?;
        if known.iter().flatten().any(|known| known.name == player.name) {
            return Ok(Vec::new());
        }
        let stem = file_stem(&player.name);
        let names = (1..100).map(|n| if n == 1 { stem.clone() } else { format!("{stem}-{n}") });
        let mut paths = names.map(|name| folder.join(format!("{name}.toml")));
        let Some(to) = paths.find(|path| self.is_free(path).is_ok()) else {
            return Err(LibraryError::asked("a free name for a player's file", quoted(&stem)));
        };
        let from = unready(&to);
        Ok(vec![
            Step::Remove { path: from.clone() },
            Step::Write { to: from.clone(), text: player.text() },
            Step::Carry { from, to },
        ])
    }
}

/// When what came at `first` on the host's clock was recorded, as a marker of the wall clock tells:
/// `time,unix_ms=1775986200000`.
fn told_start(markers: &[(HostTime, Marker)], first: HostTime) -> Option<WallTime> {
    markers.iter().find_map(|(at, marker)| {
        let Marker::Note { kind, value } = marker else { return None };
        let told = value.strip_prefix("unix_ms=").filter(|_| kind == "time")?;
        let unix_ms = told.parse().ok().filter(|unix_ms| (1..LATEST_UNIX_MS).contains(unix_ms))?;
        Some(WallTime(unix_ms - at.0.saturating_sub(first.0) / 1000))
    })
}

/// When a file was changed last.
fn changed(path: &Path) -> Result<WallTime, LibraryError> {
    let found = std::fs::metadata(path).and_then(|found| found.modified());
    let changed = found.map_err(|source| LibraryError::File { path: path.to_owned(), source })?;
    let since = changed.duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    Ok(WallTime(i64::try_from(since.as_millis()).unwrap_or(0)))
}

/// The name of a raw CSV without its ending, by the rule that the files beside it are found by.
fn stem_of(csv: &Path) -> String {
    let stem = name_of(&sibling(csv, ""));
    stem.strip_suffix(".gz").map(str::to_owned).unwrap_or(stem)
}

/// A player's name as the name of a file.
pub(super) fn file_stem(name: &str) -> String {
    let kept = |c: char| if c.is_alphanumeric() { c.to_lowercase().next().unwrap_or(c) } else { '-' };
    let stem: String = name.chars().map(kept).take(60).collect();
    let stem = stem.trim_matches('-').to_owned();
    if stem.is_empty() { "player".to_owned() } else { stem }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(markers: &[(i64, &str, &str)], first_us: i64, expected: Option<i64>) {
        let marker =
            |(at, kind, value): &(i64, &str, &str)| (HostTime(*at), Marker::from_fields(kind, value));
        let markers: Vec<_> = markers.iter().map(marker).collect();
        assert_eq!(told_start(&markers, HostTime(first_us)), expected.map(WallTime), "{markers:?}");
    }

    #[test]
    fn the_wall_clock_of_a_marker_tells_when_the_first_row_came() {
        let told = "unix_ms=1775986200000";
        check(
            &[(20_000_000, "club", "iron"), (25_000_000, "time", told)],
            20_000_000,
            Some(1_775_986_195_000),
        );
        check(
            &[(20_000_000, "time", "noon"), (21_000_000, "time", told)],
            21_000_000,
            Some(1_775_986_200_000),
        );
        for wrong in ["unix_ms=soon", "unix_ms=0", "unix_ms=9223372036854775807", "1775986200000"] {
            check(&[(0, "time", wrong)], 0, None);
        }
        check(&[(0, "mark", told)], 0, None);
    }

    #[test]
    fn a_csv_is_called_by_its_name_however_its_ending_is_written() {
        for file in ["a/old.csv", "a/old.CSV", "a/old.csv.gz", "a/old.Csv.GZ", "a/old.gz", "a/old"] {
            assert_eq!(stem_of(Path::new(file)), "old", "{file}");
        }
    }
}
