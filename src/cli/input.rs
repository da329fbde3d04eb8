//! Reads an input for the commands that look back: progress on a terminal, losses told on standard error.

use super::Outcome;
use super::output::say;
use crate::daemon::{player_name, windows};
use crate::detect::BucketAnalysis;
use crate::record::input::{Input, open_input};
use crate::record::salvage::SalvageReport;
use crate::record::settings::Settings;
use crate::review::Review;
use crate::sample::{Arrival, DeviceDescription, NodeRole};
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
    /// What was lost.
    pub report: SalvageReport,
}

/// Opens an input, makes a state from the glove's description, and feeds it the arrivals in order.
///
/// # Errors
/// The input cannot be read at all.
pub fn feed<S>(
    path: &Path,
    start: impl FnOnce(&DeviceDescription) -> S,
    mut take: impl FnMut(&mut S, &Arrival),
) -> anyhow::Result<Fed<S>> {
    let Input { device, player, mut arrivals } = open_input(path)?;
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
    Ok(Fed { state, player, report: arrivals.report() })
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

/// Adds to an analysis what the reader has to know of the input: a node that is missing.
pub fn note_missing_nodes(analysis: &mut BucketAnalysis, report: &SalvageReport) {
    for (role, word) in [(NodeRole::Hand, "hand"), (NodeRole::Forearm, "forearm")] {
        if !report.nodes_seen.contains(&role) {
            let seen: Vec<String> =
                report.nodes_seen.iter().map(|role| format!("{role:?}").to_lowercase()).collect();
            let seen = if seen.is_empty() { "none".to_owned() } else { seen.join(" and ") };
            analysis.notes.push(format!("expected samples of the {word} node, found {seen} only"));
        }
    }
}

/// Settings from a file that the user named, or the defaults.
///
/// # Errors
/// The file is not there, or not as expected.
pub fn settings(path: Option<&PathBuf>) -> anyhow::Result<Settings> {
    match path {
        Some(path) => Ok(Settings::load(path)?),
        None => Ok(Settings::default()),
    }
}

/// The review of an analysis with the player's windows. The settings' name goes before the input's.
pub fn review_of(
    path: &Path,
    player: Option<String>,
    analysis: BucketAnalysis,
    settings: &Settings,
) -> Review {
    let name = path
        .file_name()
        .map_or_else(|| path.display().to_string(), |name| name.to_string_lossy().into_owned());
    let player = player_name(settings).or(player);
    Review { player, windows: windows(settings), ..Review::new(&name, analysis) }
}
