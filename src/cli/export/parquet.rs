//! Parquet: the samples, or the swings as one table.

use crate::cli::Outcome;
use crate::cli::input::{analysed, review_of, settings, tell};
use crate::cli::output::print;
use crate::record::export::Names;
use crate::record::input::{Input, open_input};
use crate::record::parquet_samples::ParquetSamples;
use crate::record::parquet_table::{Fractions, TableWriter};
use crate::record::storage::new_private_file;
use crate::review::exchange::swing_table;
use crate::units::counted;
use anyhow::{Context, bail};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

/// Writes samples to `output`, and markers beside it.
///
/// # Errors
/// The input cannot be read, or a file is there already or cannot be written.
pub fn samples(input: &Path, output: &Path, names: Names) -> anyhow::Result<Outcome> {
    let mut input: Input = open_input(input)?;
    let markers = output.with_extension("markers.parquet");
    let failed = || format!("{}: cannot be written", output.display());
    if let Some(taken) = [output, &markers].into_iter().find(|path| path.exists()) {
        bail!("{}: expected a free name, found a file", taken.display());
    }
    let (rows, told) = (create(output)?, create(&markers)?);
    let device = names.of_device(input.device.clone());
    let mut writer =
        ParquetSamples::new(rows, told, &device, Fractions::Split, Vec::new()).with_context(failed)?;
    for arrival in input.arrivals.by_ref() {
        writer.write(&names.of_arrival(arrival?)).with_context(failed)?;
    }
    let (mut rows, mut told, written) = writer.finish().with_context(failed)?;
    rows.flush().and_then(|()| told.flush()).with_context(failed)?;
    print(&format!(
        "{} and {} written to {}\n",
        counted(written.0, "sample"),
        counted(written.1, "marker"),
        output.display()
    ))?;
    Ok(tell(&input.report()))
}

/// Analyses the input and writes its swings as one table.
///
/// # Errors
/// The input cannot be read or has no swing, or the file is there already or cannot be written.
pub fn swings(
    input: &Path,
    output: &Path,
    settings_file: Option<&PathBuf>,
    names: Names,
) -> anyhow::Result<Outcome> {
    let settings = settings(settings_file)?;
    let fed = analysed(input, &settings)?;
    let mut review = review_of(input, fed.player, fed.state, &settings);
    if names == Names::Drop {
        // A file may bear its player's name.
        (review.player, review.input) = (None, String::new());
    }
    let count = review.analysis.swings.len();
    if count == 0 {
        bail!("{}: expected at least one swing for a table, found none", input.display());
    }
    let failed = || format!("{}: cannot be written", output.display());
    let columns = swing_table::columns(&review)?;
    let mut writer =
        TableWriter::new(create(output)?, &columns, Fractions::Split, &[]).with_context(failed)?;
    writer.write(&columns).with_context(failed)?;
    writer.finish().with_context(failed)?.flush().with_context(failed)?;
    print(&format!("{} written to {}\n", counted(count, "swing"), output.display()))?;
    Ok(tell(&fed.report))
}

fn create(path: &Path) -> anyhow::Result<BufWriter<File>> {
    let file = new_private_file(path).with_context(|| format!("{}: cannot be written", path.display()))?;
    Ok(BufWriter::new(file))
}
