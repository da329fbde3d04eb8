//! `analyze`: the numbers of a recording or a raw CSV.

use super::Outcome;
use super::input::{Fed, analysed, feed, not_the_input, review_of, settings, tell};
use crate::daemon::analysis_params;
use crate::daemon::feedback::{Feedback, Finished, Foretold, NEAR_EDGE};
use crate::detect::{BucketAnalysis, LiveAnalysis, LiveCall, LiveSwing, SetCall, Silence};
use crate::fusion::orientation::OrientationMethod;
use crate::fusion::sensor_doubts::StandingDoubts;
use crate::record::feedback_settings::{FeedbackMode, FeedbackSettings};
use crate::record::salvage::SalvageReport;
use crate::record::settings::Settings;
use crate::review::{LiveCue, Review, json, table, trace};
use anyhow::Context;
use std::collections::BTreeSet;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

/// Work out the swings of a recording or a raw CSV.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock analyze bucket.mcap
  hingeclock analyze bucket.csv.gz --json > bucket.json
  hingeclock analyze bucket.mcap --json --trace angles.csv
  hingeclock analyze bucket.csv.gz --live --json
  hingeclock analyze bucket.csv.gz --live --json --feedback at-set")]
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
    /// With --live: when the cues go out, at-set or after-swing.
    #[arg(long, value_name = "MODE", requires = "live", default_value = "after-swing", value_parser = live_mode)]
    feedback: FeedbackMode,
    /// Filter that finds the gyro biases between swings: own, madgwick or mahony. The last two are there for
    /// comparison. In place of the settings file's.
    #[arg(long, value_name = "METHOD")]
    orientation: Option<OrientationMethod>,
    /// Settings file with bands, windows and the player.
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// The input or the settings cannot be read, or the trace cannot be written.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let mut settings = settings(args.settings.as_ref())?;
    settings.orientation = args.orientation.unwrap_or(settings.orientation);
    if let Some(trace) = &args.trace {
        not_the_input(&args.input, trace)?;
    }
    let (review, report) = if args.live { live(args, &settings)? } else { offline(args, &settings)? };
    if let Some(path) = &args.trace {
        write_trace(path, &review)?;
    }
    show(args, &review)?;
    Ok(tell(&report))
}

fn offline(args: &Args, settings: &Settings) -> anyhow::Result<(Review, SalvageReport)> {
    let Fed { state, player, report, .. } = analysed(&args.input, settings)?;
    Ok((review_of(&args.input, player, state, settings), report))
}

fn live(args: &Args, settings: &Settings) -> anyhow::Result<(Review, SalvageReport)> {
    let params = analysis_params(settings);
    let start = |device: &_| (LiveAnalysis::new(device, params), Vec::new());
    let take =
        |(path, swings): &mut (LiveAnalysis, Vec<LiveSwing>), arrival: &_| swings.extend(path.push(arrival));
    let Fed { state: (mut path, mut swings), player, report, .. } = feed(&args.input, settings, start, take)?;
    swings.extend(path.finish());
    let mut doubts = StandingDoubts::default();
    path.take_doubts().iter().for_each(|news| doubts.take(news));
    let mut analysis = BucketAnalysis {
        swings: swings.iter().map(|live| live.swing.clone()).collect(),
        losses: path.losses(),
        notes: path.take_notes(),
        calibration: path.take_calibration(),
    };
    analysis.notes.extend(doubts.doubts().map(|(role, doubt)| doubt.sentence(role)));
    analysis.notes.extend(report.notes_on_input());
    if args.feedback == FeedbackMode::AtSet {
        let silences = swings.iter().filter_map(|live| live.told.at_set.err()).map(Silence::sentence);
        analysis.notes.extend(silences.collect::<BTreeSet<String>>());
    }
    let mut review = review_of(&args.input, player, analysis, settings);
    review.cues = swings.iter().map(|live| cue(&review, live, args.feedback)).collect();
    let kept_back = swings.iter().filter(|live| is_near_edge(&review, live)).count();
    if args.feedback == FeedbackMode::AtSet && kept_back > 0 {
        review.analysis.notes.push(format!("{NEAR_EDGE}: {kept_back} of {} swings", swings.len()));
    }
    Ok((review, report))
}

fn live_mode(text: &str) -> Result<FeedbackMode, String> {
    match text.parse()? {
        mode @ (FeedbackMode::AtSet | FeedbackMode::AfterSwing) => Ok(mode),
        other => Err(format!("expected at-set or after-swing, found {}", other.word())),
    }
}

/// Its set was seen while the swing went on, too near an edge of the window to be said.
fn is_near_edge(review: &Review, live: &LiveSwing) -> bool {
    let told = live.told.at_set.map(|call| first_call(live, call));
    told.is_ok_and(|told| Foretold::of(&review.windows, &told).is_some_and(|foretold| !foretold.clear))
}

fn first_call(live: &LiveSwing, call: SetCall) -> LiveCall {
    LiveCall { club: live.swing.club.clone(), call, first: true }
}

/// The cue that goes out for a swing, as the daemon would give it.
fn cue(review: &Review, live: &LiveSwing, mode: FeedbackMode) -> Option<LiveCue> {
    let mut feedback = Feedback::new(FeedbackSettings { mode, ..FeedbackSettings::default() });
    if let Ok(call) = live.told.at_set {
        let heard =
            Foretold::of(&review.windows, &first_call(live, call)).map(|foretold| feedback.at_set(foretold));
        if let Some(cue) = heard.and_then(|heard| heard.cue) {
            return Some(LiveCue::at_set(cue.word(), &call));
        }
    }
    let cue = feedback.after_swing(&Finished::of(review, &live.swing), None).cue?;
    Some(LiveCue::after(cue.word(), live.decided_at))
}

fn write_trace(path: &Path, review: &Review) -> anyhow::Result<()> {
    let file = super::output::private_file(path)?;
    trace::write(BufWriter::new(file), &review.analysis.swings)
        .with_context(|| format!("{} cannot be written", path.display()))
}

fn show(args: &Args, review: &Review) -> anyhow::Result<()> {
    let text = if args.json { json::text(review)? } else { table::text(review, super::terminal_width()) };
    super::output::print(&text)
}
