//! `analyze`: the numbers of a recording or a raw CSV.

use super::Outcome;
use super::input::{feed, note_missing_nodes, review_of, settings, tell};
use crate::daemon::{analysis_params, cue_of};
use crate::detect::{AnalysisParams, BucketAnalysis, LiveAnalysis, LiveSwing, OfflineAnalysis};
use crate::record::salvage::SalvageReport;
use crate::record::settings::Settings;
use crate::review::{LiveCue, Review, json, table, trace};
use anyhow::Context;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Work out the swings of a recording or a raw CSV.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock analyze bucket.mcap
  hingeclock analyze bucket.csv.gz --json > bucket.json
  hingeclock analyze bucket.mcap --json --trace angles.csv
  hingeclock analyze bucket.csv.gz --live --json")]
pub struct Args {
    /// A recording or a raw CSV (plain or gzipped).
    input: PathBuf,
    /// Print one JSON object instead of a table.
    #[arg(long)]
    json: bool,
    /// Write the angles of the swings over time to this CSV.
    #[arg(long, value_name = "FILE.csv")]
    trace: Option<PathBuf>,
    /// Go through the live path, sample by sample, and tell what was known when each cue went out.
    #[arg(long)]
    live: bool,
    /// Settings file with bands, windows and the player.
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// The input or the settings cannot be read, or the trace cannot be written.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let settings = settings(args.settings.as_ref())?;
    let params = analysis_params(&settings);
    let (review, report) = if args.live {
        let (live, report) = live(args, params)?;
        (live.review(&args.input, &settings, &report), report)
    } else {
        let (analysis, report) = offline(args, params)?;
        (review_of(&args.input, analysis, &settings), report)
    };
    if let Some(path) = &args.trace {
        write_trace(path, &review)?;
    }
    print(args, &review)?;
    Ok(tell(&report))
}

fn offline(args: &Args, params: AnalysisParams) -> anyhow::Result<(BucketAnalysis, SalvageReport)> {
    let start = |device: &_| OfflineAnalysis::new(device, params);
    let (analysis, report) = feed(&args.input, start, OfflineAnalysis::push)?;
    let mut analysis = analysis.finish();
    note_missing_nodes(&mut analysis, &report);
    Ok((analysis, report))
}

/// The live path and the swings that it told of.
struct LiveRun {
    path: LiveAnalysis,
    swings: Vec<LiveSwing>,
}

fn live(args: &Args, params: AnalysisParams) -> anyhow::Result<(LiveRun, SalvageReport)> {
    let start = |device: &_| LiveRun { path: LiveAnalysis::new(device, params), swings: Vec::new() };
    let (mut run, report) = feed(&args.input, start, |run: &mut LiveRun, arrival| {
        run.swings.extend(run.path.push(arrival));
    })?;
    run.swings.extend(run.path.finish());
    Ok((run, report))
}

impl LiveRun {
    fn review(self, path: &Path, settings: &Settings, report: &SalvageReport) -> Review {
        let mut analysis = BucketAnalysis {
            swings: self.swings.iter().map(|live| live.swing.clone()).collect(),
            losses: self.path.losses(),
            notes: self.path.notes().to_vec(),
        };
        note_missing_nodes(&mut analysis, report);
        let mut review = review_of(path, analysis, settings);
        let cue = |live: &LiveSwing| {
            let verdict = review.verdict(&live.swing)?.verdict;
            Some(LiveCue { cue: cue_of(verdict).word().to_owned(), at: live.decided_at })
        };
        review.cues = self.swings.iter().map(cue).collect();
        review
    }
}

fn write_trace(path: &PathBuf, review: &Review) -> anyhow::Result<()> {
    let file = File::create(path).with_context(|| format!("{} cannot be written", path.display()))?;
    let points = review.analysis.swings.iter().flat_map(|swing| swing.curve.iter().copied());
    trace::write(BufWriter::new(file), points)
        .with_context(|| format!("{} cannot be written", path.display()))
}

fn print(args: &Args, review: &Review) -> anyhow::Result<()> {
    let text = if args.json { json::text(review)? } else { table::text(review, super::terminal_width()) };
    std::io::stdout().write_all(text.as_bytes()).context("standard output cannot be written")
}
