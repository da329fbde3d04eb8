//! The commands that change: remark, import, rename, move, merge, split, delete, restore; and verify and rebuild.

use super::{Context, tell};
use crate::cli::Outcome;
use crate::cli::output::{print, say};
use crate::record::error::quoted;
use crate::record::library::player::{Player, players};
use crate::record::library::remarks::Said;
use crate::record::library::{Import, Operation};
use crate::units::WallTime;
use anyhow::{Context as _, bail};
use serde_json::json;
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

/// Import a raw CSV.
#[derive(Debug, clap::Args)]
pub struct ImportArgs {
    /// The CSV; plain or gzipped. NAME.device.json and NAME.markers.csv are read when present.
    csv: PathBuf,
    /// The player's name. Hand and clubs come from players/NAME.toml where the CSV does not say.
    #[arg(long)]
    player: String,
    /// When it was recorded, as 2026-04-12T09:30:00Z; the CSV's time of change unless given.
    #[arg(long, value_name = "TIME", value_parser = wall_time)]
    recorded: Option<WallTime>,
    /// Name or path of the recording in the library.
    #[arg(long = "as", value_name = "NAME")]
    name: Option<String>,
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

fn wall_time(text: &str) -> Result<WallTime, String> {
    let at: jiff::Timestamp = text
        .parse()
        .map_err(|_| format!("expected a time as 2026-04-12T09:30:00Z, found {}", quoted(text)))?;
    Ok(WallTime(at.as_millisecond()))
}

/// Carries an operation out and says what there is now.
fn carry_out(mut context: Context, operation: &Operation) -> anyhow::Result<Outcome> {
    let lost = context.library.run(&operation.steps)?;
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
    context.library.remark(&bucket, args.swing, said)?;
    Ok(Outcome::Done)
}

/// `import`.
pub(super) fn import(context: Context, args: &ImportArgs) -> anyhow::Result<Outcome> {
    let started = match args.recorded {
        Some(at) => at,
        None => changed(&args.csv)?,
    };
    let mut player = Player::named(&args.player);
    for known in players(context.library.folder())? {
        let known = known?;
        if known.name == args.player {
            player = known;
        }
    }
    let operation = context.library.imported(&Import {
        csv: args.csv.clone(),
        player: player.name,
        hand: player.hand,
        clubs: player.clubs.into_keys().collect(),
        started,
        name: args.name.clone(),
    })?;
    carry_out(context, &operation)
}

/// When a file was changed last.
fn changed(path: &Path) -> anyhow::Result<WallTime> {
    let changed = std::fs::metadata(path).and_then(|found| found.modified());
    let changed = changed.with_context(|| format!("{}: cannot be opened", path.display()))?;
    let since = changed.duration_since(std::time::UNIX_EPOCH).unwrap_or_default();
    Ok(WallTime(i64::try_from(since.as_millis()).unwrap_or(0)))
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
        print(&(serde_json::to_string_pretty(&json!({ "schema": 1, "verified": verified }))? + "\n"))?;
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
            "{} recordings read wholly, {wrong} with problems{index}\n",
            verified.recordings.len()
        ))?;
    }
    Ok(if verified.is_sound() { Outcome::Done } else { Outcome::Salvaged })
}

/// `rebuild`.
pub(super) fn rebuild(context: Context) -> anyhow::Result<Outcome> {
    let (_, opened) = context.library.rebuild()?;
    tell(&opened);
    Ok(Outcome::Done)
}
