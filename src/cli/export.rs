//! `export`: a recording as raw CSV with its device and markers files, or its swings' angles for a laboratory.

mod angles;
#[cfg(feature = "parquet")]
mod parquet;

use super::input::tell;
use super::output::print;
use super::{Outcome, WITHOUT_NAMES, WrongUsage};
use crate::record::export::{Names, export_csv};
use crate::record::input::open_input;
use crate::units::counted;
use angles::AngleFormat;
use std::path::PathBuf;

/// Write the samples of a recording as raw CSV or Parquet, its swings as a table, or their angles as C3D or
/// motion text.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "Writes the file that is named, and beside a CSV NAME.device.json and NAME.markers.csv. Takes no other file's place.

Nothing leaves this machine by itself: an export is for you to hand on.

Examples:
  hingeclock export bucket.mcap bucket.csv
  hingeclock export bucket.mcap bucket.csv.gz --without-names
  hingeclock export bucket.mcap samples.parquet
  hingeclock export bucket.mcap swings.parquet --swings
  hingeclock export bucket.mcap swings.c3d
  hingeclock export bucket.mcap third.sto --swing 3"
)]
pub struct Args {
    /// A recording or a raw CSV (plain or gzipped).
    input: PathBuf,
    /// The file to write. Its ending says what: .csv, .csv.gz or .parquet the samples; .c3d, .sto or .mot the
    /// angles, a numbered file for each swing.
    output: PathBuf,
    /// Of the angles, this swing alone, numbered from 1 as in the table, to the very file named.
    #[arg(long, value_name = "NUMBER")]
    swing: Option<usize>,
    /// As .parquet: the swings with their numbers, a row each, in place of the samples.
    #[arg(long, conflicts_with = "swing")]
    swings: bool,
    /// Settings file, as for analyze; for what is measured.
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
    #[arg(long, help = WITHOUT_NAMES)]
    without_names: bool,
}

/// Runs the command.
///
/// # Errors
/// The input cannot be read, or an output cannot be written.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let names = if args.without_names { Names::Drop } else { Names::Keep };
    let format = AngleFormat::of(&args.output);
    let name = args.output.to_string_lossy().to_ascii_lowercase();
    let is_parquet = name.ends_with(".parquet");
    let expected = match format {
        Some(_) if args.swings => ".parquet with --swings",
        Some(format) => {
            let files = (args.input.as_path(), args.output.as_path());
            return angles::run(files, format, args.swing, args.settings.as_ref(), names);
        }
        None if args.swing.is_some() => ".c3d, .sto or .mot with --swing",
        None if is_parquet => return parquet(args, names),
        None if args.swings => ".parquet with --swings",
        None if [".csv", ".csv.gz"].iter().any(|ending| name.ends_with(ending)) => return csv(args, names),
        None => ".csv, .csv.gz, .parquet, .c3d, .sto or .mot",
    };
    let output = args.output.display();
    Err(WrongUsage(format!("{output}: expected a file's name that ends in {expected}")).into())
}

fn csv(args: &Args, names: Names) -> anyhow::Result<Outcome> {
    let exported = export_csv(open_input(&args.input)?, &args.output, names)?;
    let path = args.output.display();
    print(&format!(
        "{} and {} written to {path}\n",
        counted(exported.samples, "sample"),
        counted(exported.markers, "marker")
    ))?;
    Ok(tell(&exported.report))
}

#[cfg(feature = "parquet")]
fn parquet(args: &Args, names: Names) -> anyhow::Result<Outcome> {
    if args.swings {
        parquet::swings(&args.input, &args.output, args.settings.as_ref(), names)
    } else {
        parquet::samples(&args.input, &args.output, names)
    }
}

#[cfg(not(feature = "parquet"))]
fn parquet(_: &Args, _: Names) -> anyhow::Result<Outcome> {
    anyhow::bail!("expected a build with the feature parquet to write Parquet, found one without")
}
