//! `speed`: where the club head's speed comes from, and what a change would be worth.

use super::Outcome;
use super::input::{Fed, analysed, review_of, settings, tell};
use super::output::print;
use crate::review::page::PageModel;
use crate::review::serve::bench::{Bench, OwnFile};
use crate::review::speed::{json, table, worth};
use anyhow::anyhow;
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Arc;

/// Tell where the club head's speed comes from, and what a change would be worth.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock speed bucket.mcap
  hingeclock speed bucket.mcap --what-if
  hingeclock speed bucket.mcap --what-if --json > speed.json
  hingeclock speed bucket.mcap --settings robin.toml

The club has to have been named (key n or c, or `club iron`). Its measures and those of the arm stand in the player's \
file of the library (players/NAME.toml) or in the settings, the file before the settings; without them usual ones are \
taken, and the bars are wider. Clubs that were put right on the page count, and \
swings left out there are left out of what changes are worth.")]
pub struct Args {
    /// A recording or a raw CSV (plain or gzipped).
    input: PathBuf,
    /// Also fit a pendulum to the swings, and tell what changes would be worth. Takes a few seconds a club.
    #[arg(long)]
    what_if: bool,
    /// Print one JSON object instead of a table.
    #[arg(long)]
    json: bool,
    /// Settings file with the player, the arm's and the clubs' measures.
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// The input or the settings cannot be read.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let settings = settings(args.settings.as_ref())?;
    let Fed { state, player, hand, report } = analysed(&args.input, &settings)?;
    let bare = review_of(&args.input, player, state, &settings);
    // Clubs as they were put right, and swings left out, as the page has them.
    let bench = Bench::of_file(OwnFile { path: args.input.clone(), hand }, Box::new(super::wall_time));
    let said = bench.own(&Arc::new(PageModel { review: bare, live: false }));
    let review = &said.review;
    // Nothing is worked out by other measures than the player's.
    let measures = review.measures.as_ref().map_err(|wrong| anyhow!("{wrong}"))?;
    if args.what_if && std::io::stderr().is_terminal() {
        eprintln!("Working out what changes would be worth; this takes a few seconds a club.");
    }
    let worth = args.what_if.then(|| worth::worth(review, measures));
    let text = if args.json {
        json::text(review, worth.as_deref())?
    } else {
        table::text(review, worth.as_deref(), super::terminal_width())
    };
    print(&text)?;
    Ok(tell(&report))
}
