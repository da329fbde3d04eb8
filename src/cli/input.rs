//! Reads an input for the commands that look back: progress on a terminal, losses told on standard error.

use super::Outcome;
use super::output::say;
use crate::daemon::{analysis_params, player_name, windows};
use crate::detect::{BucketAnalysis, OfflineAnalysis};
use crate::record::error::InputError;
use crate::record::input::{Input, open_input};
use crate::record::library::player::{library_of, players_file};
use crate::record::salvage::SalvageReport;
use crate::record::settings::Settings;
use crate::review::{OfPlayer, Review};
use crate::sample::{Arrival, DeviceDescription};
use crate::units::PlayerHand;
use anyhow::bail;
use indicatif::{ProgressBar, ProgressStyle};
use std::path::{Path, PathBuf};

/// Samples between two steps of the progress display.
const PROGRESS_EVERY: u64 = 20_000;

/// An input that was read to its end.
pub struct Fed<S> {
    /// What was made of the arrivals.
    pub state: S,
    /// The player's name, where the input says it.
    pub player: Option<String>,
    /// The hand that the player plays from.
    pub hand: PlayerHand,
    /// What was lost.
    pub report: SalvageReport,
}

/// A name that is given: blanks around it are no part of it.
///
/// # Errors
/// Nothing else is in it.
pub fn name(text: &str) -> Result<String, String> {
    let name = text.trim();
    if name.is_empty() { Err("expected a name, found none".to_owned()) } else { Ok(name.to_owned()) }
}

/// Refuses to write over what is being read.
///
/// # Errors
/// `output` is the input itself.
pub fn not_the_input(input: &Path, output: &Path) -> anyhow::Result<()> {
    let same = input
        .canonicalize()
        .ok()
        .is_some_and(|input| output.canonicalize().is_ok_and(|output| output == input));
    if same {
        bail!("{}: expected another file than the input to write to", output.display())
    } else {
        Ok(())
    }
}

/// Opens an input, makes a state from the glove's description, and feeds it the arrivals in order.
///
/// # Errors
/// The input cannot be read at all.
pub fn feed<S>(
    path: &Path,
    settings: &Settings,
    start: impl FnOnce(&DeviceDescription) -> S,
    mut take: impl FnMut(&mut S, &Arrival),
) -> anyhow::Result<Fed<S>> {
    let Input { device, player, mut arrivals, .. } = open_input(path)?.or_hand(settings.player.hand);
    let mut state = start(&device);
    let progress = progress_bar();
    let mut count = 0;
    for arrival in arrivals.by_ref() {
        take(&mut state, &arrival?);
        count += 1;
        if count % PROGRESS_EVERY == 0 {
            progress.inc(PROGRESS_EVERY);
        }
    }
    progress.finish_and_clear();
    Ok(Fed { state, player, hand: device.player_hand, report: arrivals.report() })
}

/// The settings with what the file of this player in the library says in their place.
///
/// # Errors
/// The player's file is wrong.
pub fn with_player(settings: &Settings, library: Option<&Path>, name: &str) -> Result<Settings, InputError> {
    let file = library.map(|library| players_file(library, name)).transpose()?.flatten();
    file.map_or_else(|| Ok(settings.clone()), |file| file.over(settings))
}

/// What counts for this player of the library; the windows are those of the settings where his file is wrong.
pub fn of_player(settings: &Settings, library: Option<&Path>, name: &str) -> OfPlayer {
    match with_player(settings, library, name) {
        Ok(all) => OfPlayer { windows: windows(&all), measures: Ok(all.measures) },
        Err(error) => OfPlayer { windows: windows(settings), measures: Err(error.to_string()) },
    }
}

/// The analysis of an input, with what its reader has to know of it.
///
/// # Errors
/// The input cannot be read at all.
pub fn analysed(path: &Path, settings: &Settings) -> anyhow::Result<Fed<BucketAnalysis>> {
    let start = |device: &_| OfflineAnalysis::new(device, analysis_params(settings));
    let Fed { state, player, hand, report } = feed(path, settings, start, OfflineAnalysis::push)?;
    let mut analysis = state.finish();
    analysis.notes.extend(report.notes_on_input());
    Ok(Fed { state: analysis, player, hand, report })
}

/// A counter on a terminal; nothing on a pipe.
fn progress_bar() -> ProgressBar {
    let style = ProgressStyle::with_template("{spinner} {human_pos} samples, {elapsed}");
    let bar = ProgressBar::new_spinner();
    style.map_or(bar.clone(), |style| bar.with_style(style))
}

/// Tells on standard error what was lost and noticed, and how the command ends for it.
pub fn tell(report: &SalvageReport) -> Outcome {
    for note in &report.notes {
        say(&format!("note: {note}"));
    }
    for sentence in report.sentences() {
        say(&format!("lost: {sentence}"));
    }
    if report.data_was_lost() { Outcome::Salvaged } else { Outcome::Done }
}

/// Settings from a file that the user named, or the defaults.
///
/// # Errors
/// The file is not there, or not as expected.
pub fn settings(path: Option<&PathBuf>) -> anyhow::Result<Settings> {
    match path {
        Some(path) if !path.exists() => bail!("{}: expected a settings file, found none", path.display()),
        Some(path) => Ok(Settings::load(path)?),
        None => Ok(Settings::default()),
    }
}

/// The review of an analysis by the windows and measures of whoever swung: as the input says, else as the settings do.
/// The settings' name is the one that is shown. `path` is the input's, which tells its library.
pub fn review_of(
    path: &Path,
    player: Option<String>,
    analysis: BucketAnalysis,
    settings: &Settings,
) -> Review {
    let name = path
        .file_name()
        .map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
    let shown = player_name(settings).or_else(|| player.clone());
    let swung = player.or_else(|| player_name(settings)).unwrap_or_default();
    let known = of_player(settings, library_of(path).as_deref(), &swung);
    Review { player: shown, ..Review::new(&name, analysis) }.of_player(known)
}
