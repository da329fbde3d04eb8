//! `settings`: an example settings file, every key explained and at its default.

use super::Outcome;
use crate::record::settings::Settings;
use anyhow::Context;
use std::io::Write;

/// Print an example settings file: player, bands, target windows per club.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  hingeclock settings > robin.toml")]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Standard output is gone.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    std::io::stdout()
        .write_all(Settings::default_text().as_bytes())
        .context("standard output cannot be written")?;
    Ok(Outcome::Done)
}
