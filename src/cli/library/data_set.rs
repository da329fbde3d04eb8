//! `export-parquet`: the whole library for data programs. `list-files` and `job`: the whole library analysed anew, on
//! many machines' worth of cores.

use super::Context;
use crate::cli::Outcome;
use crate::cli::output::{print, print_json, say};
use crate::record::library::analysis::Rules;
use crate::record::library::expect_library;
use crate::record::library::files;
use crate::record::library::made_from::about;
use crate::record::library::numbers::ANALYSER;
use crate::units::counted;
use anyhow::Context as _;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// The job that reads what `list-files` says.
const JOB: &str = include_str!("reanalyse.py");

/// Export the library.
#[derive(Debug, clap::Args)]
pub struct ExportArgs {
    /// The folder of the data set, outside the library. What is there already and has not changed is kept.
    to: PathBuf,
    /// The samples and markers of all recordings as well.
    #[arg(long)]
    samples: bool,
}

/// `export-parquet`.
#[cfg(feature = "parquet")]
pub(super) fn export(context: &Context, args: &ExportArgs) -> anyhow::Result<Outcome> {
    let done = context.library.export_data_set(&args.to, args.samples)?;
    for failed in &done.failed {
        say(&format!("left out: {failed}"));
    }
    if context.json {
        print_json(&json!({
            "schema": 1, "to": args.to, "written": done.written, "kept": done.kept, "removed": done.removed,
            "swings": done.swings, "left_out": done.failed,
        }))?;
    } else {
        let (written, kept, removed) = (done.written, done.kept, done.removed);
        let to = args.to.display();
        print(&format!(
            "{} in {to}: {} written, {kept} kept, {removed} removed\n",
            counted(done.swings, "swing"),
            counted(written, "file")
        ))?;
    }
    Ok(if done.failed.is_empty() { Outcome::Done } else { Outcome::Salvaged })
}

/// `export-parquet` of a build that cannot.
#[cfg(not(feature = "parquet"))]
pub(super) fn export(_: &Context, _: &ExportArgs) -> anyhow::Result<Outcome> {
    anyhow::bail!("expected a build with the feature parquet to write Parquet, found one without")
}

/// `list-files`: what there is to analyse, found without analysing it.
pub(super) fn list_files(folder: &Path, rules: &Rules) -> anyhow::Result<Outcome> {
    expect_library(folder)?;
    let listing = files::list(folder).with_context(|| format!("{}: cannot be read", folder.display()))?;
    let mut failed = false;
    let mut recordings: Vec<Value> = Vec::new();
    for (path, ..) in &listing.recordings {
        // Its length is looked up first: should it grow meanwhile, the job does it once more than needed.
        let bytes = std::fs::metadata(folder.join(path)).map(|file| file.len());
        match about(&folder.join(path)) {
            Ok(about) => recordings.push(json!({ "path": path, "number": about.uuid, "bytes": bytes.ok() })),
            Err(error) => {
                failed = true;
                say(&format!("left out: {error}"));
            }
        }
    }
    print_json(
        &json!({ "schema": 1, "analyser": ANALYSER, "settings": rules.mark(), "recordings": recordings }),
    )?;
    Ok(if failed { Outcome::Salvaged } else { Outcome::Done })
}

/// `job`: prints the script.
pub(super) fn job() -> anyhow::Result<Outcome> {
    print(JOB)?;
    Ok(Outcome::Done)
}
