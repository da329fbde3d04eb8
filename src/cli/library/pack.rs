//! `pack` and `import`: a session as one file, and what comes in from elsewhere.

use super::Context;
use super::change::carry_out;
use crate::cli::input::{analysed, review_of, tell};
use crate::cli::output::{print, print_json};
use crate::cli::{Outcome, WITHOUT_NAMES, WrongUsage};
use crate::record::Names;
use crate::record::error::quoted;
use crate::record::input::open_input;
use crate::record::library::nameless::remark_without_names;
use crate::record::library::package::ZIP_MAGIC;
use crate::record::library::player::{Player, players};
use crate::record::library::{Import, Received, files};
use crate::record::mcap_bytes::is_recording;
use crate::record::measures::Measures;
use crate::record::storage::new_private_file;
use crate::review::Windows;
use crate::review::json as review_json;
use crate::review::page::{PageModel, page};
use crate::units::WallTime;
use anyhow::Context as _;
use serde_json::json;
use std::fs::File;
use std::io::{BufWriter, Read};
use std::path::{Path, PathBuf};

/// Pack a session into one file.
#[derive(Debug, clap::Args)]
pub struct PackArgs {
    /// The recording.
    bucket: String,
    /// The zip to write; it takes no other file's place.
    zip: PathBuf,
    #[arg(long, help = WITHOUT_NAMES)]
    without_names: bool,
}

/// Take something in.
#[derive(Debug, clap::Args)]
pub struct ImportArgs {
    /// What `library pack` wrote; a recording, with NAME.remarks.jsonl and NAME.results.jsonl beside it; or a raw
    /// CSV, plain or gzipped, with NAME.device.json and NAME.markers.csv.
    file: PathBuf,
    /// Of a CSV: the player's name. Hand and clubs come from players/NAME.toml where the CSV does not say.
    #[arg(long)]
    player: Option<String>,
    /// Of a CSV: when it was recorded, as 2026-04-12T09:30:00Z. Without it, what a marker `time` beside the CSV says
    /// (`unix_ms=...`), else when the CSV was changed last.
    #[arg(long, value_name = "TIME", value_parser = wall_time)]
    recorded: Option<WallTime>,
    /// Name or path of the recording in the library.
    #[arg(long = "as", value_name = "NAME")]
    name: Option<String>,
}

fn wall_time(text: &str) -> Result<WallTime, String> {
    let at: jiff::Timestamp = text
        .parse()
        .map_err(|_| format!("expected a time as 2026-04-12T09:30:00Z, found {}", quoted(text)))?;
    Ok(WallTime(at.as_millisecond()))
}

/// `pack`.
pub(super) fn pack(context: &Context, args: &PackArgs) -> anyhow::Result<Outcome> {
    let library = &context.library;
    let bucket = library.bucket(&args.bucket)?;
    let names = if args.without_names { Names::Drop } else { Names::Keep };
    let path = library.folder().join(&bucket.path);
    let fed = analysed(&path, &context.settings)?;
    let outcome = tell(&fed.report);
    let mut review = review_of(&path, fed.player, fed.state, &context.settings);
    let mut remarks = library.index().remarks(bucket.id)?;
    if names == Names::Drop {
        (review.player, review.input) = (None, String::new());
        // The measures of an arm and its clubs tell who it is, too.
        (review.measures, review.windows) = (Ok(Measures::default()), Windows::default());
        // Foreign words may stand among them.
        review.analysis.notes.clear();
        remarks = remarks.into_iter().filter_map(remark_without_names).collect();
    }
    let swings = review_json::text(&review)?;
    // The page heeds what was said, as in the library; the numbers are those of the recording.
    let page = page(&PageModel { review: review.with_remarks(&remarks), live: false });
    let further = [("swings.json", swings), ("session.html", page)];
    // Whoever finds the name finds the whole file.
    let unready = PathBuf::from(format!("{}{}", args.zip.display(), files::UNREADY));
    let remove = || files::remove(&unready).with_context(|| unready.display().to_string());
    remove()?;
    let failed = || format!("{}: cannot be written", args.zip.display());
    let out = BufWriter::new(new_private_file(&unready).with_context(failed)?);
    let packed = library.pack(&bucket, names, &further, (&args.zip, out));
    let done = packed.map_err(anyhow::Error::from).and_then(|out| {
        let file = out.into_inner().map_err(|error| error.into_error()).with_context(failed)?;
        file.sync_all().and_then(|()| files::carry(&unready, &args.zip)).with_context(failed)
    });
    if done.is_err() {
        remove()?;
    }
    done?;
    if context.json {
        print_json(&json!({ "schema": 1, "path": bucket.path, "packed": args.zip }))?;
    } else {
        print(&format!("{} packed into {}\n", bucket.path.display(), args.zip.display()))?;
    }
    Ok(outcome)
}

/// `import`.
pub(super) fn import(context: Context, args: &ImportArgs) -> anyhow::Result<Outcome> {
    let received = match start_of(&args.file)? {
        start if start.starts_with(&ZIP_MAGIC) => Received::packed(&args.file)?,
        start if is_recording(&args.file, &start) => Received::recording(&args.file)?,
        _ => return import_csv(context, args),
    };
    if args.player.is_some() || args.recorded.is_some() {
        let expected = "expected no --player and no --recorded with a recording, which says both itself";
        return Err(WrongUsage(expected.to_owned()).into());
    }
    let operation = context.library.received(&received, args.name.as_deref().map(Path::new))?;
    carry_out(context, &operation)
}

fn start_of(path: &Path) -> anyhow::Result<Vec<u8>> {
    let mut start = Vec::new();
    let read = File::open(path).and_then(|file| file.take(8).read_to_end(&mut start));
    read.with_context(|| format!("{}: cannot be opened", path.display()))?;
    Ok(start)
}

fn import_csv(context: Context, args: &ImportArgs) -> anyhow::Result<Outcome> {
    let Some(name) = &args.player else {
        // What is no CSV at all says so first.
        open_input(&args.file)?;
        let expected = "expected --player with a raw CSV, which does not say who played, found none";
        return Err(WrongUsage(expected.to_owned()).into());
    };
    let mut player = Player::named(name);
    for known in players(context.library.folder())? {
        let known = known?;
        if known.name == *name {
            player = known;
        }
    }
    let operation = context.library.imported(&Import {
        csv: args.file.clone(),
        player: player.name,
        hand: player.hand.unwrap_or(context.settings.player.hand),
        clubs: player.said.clubs.into_keys().collect(),
        recorded: args.recorded,
        name: args.name.clone(),
    })?;
    carry_out(context, &operation)
}
