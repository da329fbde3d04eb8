//! The commands that change: remark, rename, move, merge, split, delete, restore; and verify and rebuild.

use super::trend::windows_of;
use super::{Context, tell, tell_notes};
use crate::cli::output::{print, print_json, say};
use crate::cli::{Outcome, opening};
use crate::record::error::quoted;
use crate::record::library::Operation;
use crate::record::library::index::Bucket;
use crate::record::library::remarks::{Said, standings};
use crate::units::counted;
use anyhow::bail;
use serde_json::json;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Remark on a recording or a swing.
#[derive(Debug, clap::Args)]
#[command(group(
    clap::ArgGroup::new("said")
        .required(true)
        .args(["note", "tag", "untag", "mark", "club", "exclude", "include"])
))]
pub struct RemarkArgs {
    /// The recording.
    bucket: String,
    /// One swing of it, counted from 1; without it the whole bucket is meant.
    swing: Option<usize>,
    /// A text.
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
    /// A word to find it by.
    #[arg(long, value_name = "WORD")]
    tag: Option<String>,
    /// Take that word off.
    #[arg(long, value_name = "WORD")]
    untag: Option<String>,
    /// Something to come back to.
    #[arg(long, value_name = "TEXT")]
    mark: Option<String>,
    /// The club that was really used.
    #[arg(long, value_name = "CLUB")]
    club: Option<String>,
    /// Leave the swing out of statistics, for this reason.
    #[arg(long, value_name = "REASON")]
    exclude: Option<String>,
    /// Count the swing again.
    #[arg(long)]
    include: bool,
}

/// Rename a recording.
#[derive(Debug, clap::Args)]
pub struct RenameArgs {
    /// The recording.
    bucket: String,
    /// Its new name.
    name: String,
}

/// Move a recording.
#[derive(Debug, clap::Args)]
pub struct MoveArgs {
    /// The recording.
    bucket: String,
    /// A folder within the library; `.` is the library itself.
    to: PathBuf,
}

/// Merge recordings.
#[derive(Debug, clap::Args)]
pub struct MergeArgs {
    /// The recordings, two or more.
    #[arg(required = true, num_args = 2..)]
    buckets: Vec<String>,
    /// Name or path of the new one.
    #[arg(long = "as", value_name = "NAME")]
    name: PathBuf,
}

/// Split a recording.
#[derive(Debug, clap::Args)]
pub struct SplitArgs {
    /// The recording.
    bucket: String,
    /// The second part begins with this swing, counted from 1.
    #[arg(long, value_name = "SWING")]
    before: usize,
}

/// Delete a recording.
#[derive(Debug, clap::Args)]
pub struct DeleteArgs {
    /// The recording.
    bucket: String,
}

/// Restore a recording.
#[derive(Debug, clap::Args)]
pub struct RestoreArgs {
    /// Its path, as `library trash` or, before it was deleted, `library list` shows it.
    bucket: String,
}

/// Verify the library.
#[derive(Debug, clap::Args)]
pub struct VerifyArgs {
    /// Analyse every recording once more, and compare the index with the outcome.
    #[arg(long)]
    numbers: bool,
}

/// Carries an operation out and says what there is now.
pub(super) fn carry_out(mut context: Context, operation: &Operation) -> anyhow::Result<Outcome> {
    let done = context.library.run(&operation.steps);
    // Also of one that failed: what became of what it had begun.
    tell_notes(&context.library.take_told());
    let lost = done?;
    if context.json {
        print(&(json!({ "schema": 1, "recordings": operation.gives, "losses": lost }).to_string() + "\n"))?;
    } else {
        for path in &operation.gives {
            print(&format!("{}\n", path.display()))?;
        }
    }
    lost.iter().for_each(|lost| say(&format!("lost: {lost}")));
    Ok(if lost.is_empty() { Outcome::Done } else { Outcome::Salvaged })
}

/// `remark`.
pub(super) fn remark(mut context: Context, args: &RemarkArgs) -> anyhow::Result<Outcome> {
    let bucket = context.library.bucket(&args.bucket)?;
    let said = [
        args.note.clone().map(Said::Note),
        args.tag.clone().map(Said::Tag),
        args.untag.clone().map(Said::Untag),
        args.mark.clone().map(Said::Mark),
        args.club.clone().map(Said::Club),
        args.exclude.clone().map(Said::Exclude),
        args.include.then_some(Said::Include),
    ];
    let Some(said) = said.into_iter().flatten().next() else {
        bail!("expected something to say, found nothing")
    };
    if let Said::Untag(word) = &said {
        is_there(word, &tags(&context, &bucket, args.swing)?)?;
    }
    let done = context.library.remark(&bucket, args.swing, said);
    tell_notes(&context.library.take_told());
    done?;
    if let Some(club) = &args.club {
        // A player's file that cannot be read is told wherever its windows are asked for.
        let windows = windows_of(&context, &bucket.facts.player).ok();
        let lacking = windows.and_then(|windows| windows.named_lacking(club));
        lacking.iter().for_each(|lacking| say(&format!("note: {lacking}")));
    }
    if context.json {
        let remarks = context.library.index().remarks(bucket.id)?.len();
        print_json(&json!({ "schema": 1, "path": bucket.path, "swing": args.swing, "remarks": remarks }))?;
    }
    Ok(Outcome::Done)
}

/// The tags of a recording, or of one of its swings.
fn tags(context: &Context, bucket: &Bucket, swing: Option<usize>) -> anyhow::Result<BTreeSet<String>> {
    let index = context.library.index();
    match swing {
        Some(place) => Ok(context.library.swing(bucket, place)?.tags.into_iter().collect()),
        None => Ok(standings(&[], &index.remarks(bucket.id)?).0.tags),
    }
}

fn is_there(word: &String, tags: &BTreeSet<String>) -> anyhow::Result<()> {
    if tags.contains(word) {
        return Ok(());
    }
    let known: Vec<&str> = tags.iter().map(String::as_str).collect();
    let known = if known.is_empty() { "there is none".to_owned() } else { known.join(", ") };
    bail!("expected a tag that is there ({known}), found {}", quoted(word))
}

/// `rename`.
pub(super) fn rename(context: Context, args: &RenameArgs) -> anyhow::Result<Outcome> {
    let bucket = context.library.bucket(&args.bucket)?;
    if args.name.contains('/') {
        bail!("expected a name without a folder (there is `library move`), found {}", quoted(&args.name));
    }
    let operation = context.library.moved(&bucket, &bucket.path.with_file_name(&args.name))?;
    carry_out(context, &operation)
}

/// `move`.
pub(super) fn move_to(context: Context, args: &MoveArgs) -> anyhow::Result<Outcome> {
    let bucket = context.library.bucket(&args.bucket)?;
    let name = bucket.path.file_name().map(PathBuf::from).unwrap_or_default();
    let to = if args.to == Path::new(".") { name } else { args.to.join(name) };
    let operation = context.library.moved(&bucket, &to)?;
    carry_out(context, &operation)
}

/// `merge`.
pub(super) fn merge(context: Context, args: &MergeArgs) -> anyhow::Result<Outcome> {
    let buckets: Result<Vec<_>, _> = args.buckets.iter().map(|word| context.library.bucket(word)).collect();
    let operation = context.library.merged(&buckets?, &args.name)?;
    carry_out(context, &operation)
}

/// `split`.
pub(super) fn split(context: Context, args: &SplitArgs) -> anyhow::Result<Outcome> {
    let bucket = context.library.bucket(&args.bucket)?;
    let operation = context.library.split(&bucket, args.before)?;
    carry_out(context, &operation)
}

/// `delete`.
pub(super) fn delete(context: Context, args: &DeleteArgs) -> anyhow::Result<Outcome> {
    let bucket = context.library.bucket(&args.bucket)?;
    let operation = context.library.deleted(&bucket)?;
    carry_out(context, &operation)
}

/// `restore`.
pub(super) fn restore(context: Context, args: &RestoreArgs) -> anyhow::Result<Outcome> {
    let operation = context.library.restored(&args.bucket)?;
    carry_out(context, &operation)
}

/// `verify`.
pub(super) fn verify(mut context: Context, args: &VerifyArgs) -> anyhow::Result<Outcome> {
    let verified = context.library.verify(args.numbers)?;
    if context.json {
        print_json(&json!({ "schema": 1, "verified": verified }))?;
    } else {
        for checked in &verified.recordings {
            for problem in &checked.problems {
                print(&format!("{}: {problem}\n", checked.path.display()))?;
            }
        }
        let wrong = verified.recordings.iter().filter(|checked| !checked.problems.is_empty()).count();
        let index = match verified.index_agrees {
            Some(true) => ", the index holds what a new one would",
            Some(false) => ", the index does NOT hold what a new one would: `library rebuild`",
            None => "",
        };
        print(&format!(
            "{} read wholly, {wrong} with problems{index}\n",
            counted(verified.recordings.len(), "recording")
        ))?;
    }
    Ok(if verified.is_sound() { Outcome::Done } else { Outcome::Salvaged })
}

/// `rebuild`.
pub(super) fn rebuild(context: Context) -> anyhow::Result<Outcome> {
    let telling = opening::tell(context.library.progress());
    let rebuilt = context.library.rebuild();
    drop(telling);
    let (library, opened) = rebuilt?;
    tell(&opened);
    if context.json {
        let recordings = library.index().count()?;
        print_json(&json!({ "schema": 1, "recordings": recordings, "analysed": opened.analysed }))?;
    }
    Ok(Outcome::Done)
}
