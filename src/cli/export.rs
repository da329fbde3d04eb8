//! `export`: a recording as raw CSV with its device and markers files.

use super::Outcome;
use super::input::tell;
use super::output::print;
use crate::record::export::export_csv;
use crate::record::input::open_input;
use std::path::PathBuf;

/// Write the samples of a recording as raw CSV.
#[derive(Debug, clap::Args)]
#[command(after_help = "Writes NAME.csv, NAME.device.json and NAME.markers.csv; takes no other file's place.

Example:
  hingeclock export bucket.mcap bucket.csv")]
pub struct Args {
    /// A recording or a raw CSV (plain or gzipped).
    input: PathBuf,
    /// The CSV to write.
    output: PathBuf,
}

/// Runs the command.
///
/// # Errors
/// The input cannot be read, or an output cannot be written.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let exported = export_csv(open_input(&args.input)?, &args.output)?;
    let path = args.output.display();
    print(&format!("{} samples and {} markers written to {path}\n", exported.samples, exported.markers))?;
    Ok(tell(&exported.report))
}
