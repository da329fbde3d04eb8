//! `settings`: an example settings file, every key explained and at its default.

use super::Outcome;
use super::output::print;
use crate::record::settings::Settings;

/// Print an example settings file: player, bands, target windows per club.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  hingeclock settings > robin.toml")]
pub struct Args {}

/// Runs the command.
///
/// # Errors
/// Standard output cannot be written.
pub fn run(_args: &Args) -> anyhow::Result<Outcome> {
    print(Settings::default_text())?;
    Ok(Outcome::Done)
}
