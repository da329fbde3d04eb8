//! The commands that look at recordings: list, show, trash.

use super::Context;
use crate::cli::Outcome;
use crate::cli::output::{print, print_json, print_lines, print_table, table};
use crate::record::library::index::{Bucket, ClubsAndTags, Index, KnownSwing};
use crate::record::library::numbers::ANALYSER;
use crate::record::library::remarks::{Remark, Said, SwingName, find, standings};
use crate::review::summary::in_order;
use crate::review::wording::{club_name, loss_sentence, measured, nothing, number};
use crate::units::{DeviceTime, WallTime};
use comfy_table::Table;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// List the recordings.
#[derive(Debug, clap::Args)]
pub struct ListArgs {
    /// Only those of this player.
    #[arg(long)]
    player: Option<String>,
    /// Only those with a swing, or a remark on the whole, that has this tag.
    #[arg(long)]
    tag: Option<String>,
}

/// Show a recording or a swing.
#[derive(Debug, clap::Args)]
pub struct ShowArgs {
    /// The recording.
    bucket: String,
    /// One swing of it, counted from 1.
    swing: Option<usize>,
}

fn time(at: Option<WallTime>) -> String {
    at.map_or_else(|| "?".to_owned(), |at| at.minute())
}

/// A recording in the list.
struct Listed {
    bucket: Bucket,
    clubs: Vec<String>,
    remarks: usize,
    /// Whether statistics count it: a copy counts once.
    counts: bool,
}

/// `list`.
pub(super) fn list(context: &Context, args: &ListArgs) -> anyhow::Result<Outcome> {
    let rows = listed(context.library.index(), args)?;
    if context.json {
        let row = |listed: &Listed| {
            let mut row = bucket_json(&listed.bucket, &listed.clubs, listed.remarks);
            row["counts"] = json!(listed.counts);
            row
        };
        let rows: Vec<Value> = rows.iter().map(row).collect();
        print_json(&json!({ "schema": 1, "buckets": rows }))?;
    } else if rows.is_empty() {
        let asked = if args.player.is_some() || args.tag.is_some() { " like that" } else { "" };
        print_lines(&format!("no recording{asked} in {}", context.library.folder().display()))?;
    } else {
        let mut table = table(&["Begun (UTC)", "Player", "Swings", "Clubs", "Remarks", "Recording", ""]);
        for Listed { bucket, clubs, remarks, counts } in &rows {
            table.add_row([
                time(bucket.facts.started),
                bucket.facts.player.clone(),
                bucket.swings.to_string(),
                clubs.join(", "),
                remarks.to_string(),
                bucket.path.display().to_string(),
                remark(bucket, *counts),
            ]);
        }
        print_table(table)?;
    }
    Ok(Outcome::Done)
}

/// The recordings that were asked for, in order of time.
fn listed(index: &Index, args: &ListArgs) -> anyhow::Result<Vec<Listed>> {
    let mut buckets = index.buckets()?;
    buckets.sort_by(|a, b| a.in_time().cmp(&b.in_time()));
    buckets.retain(|bucket| args.player.as_ref().is_none_or(|player| *player == bucket.facts.player));
    let mut of_swings = index.clubs_and_tags()?;
    let counted: BTreeSet<i64> = index.counted_buckets()?.into_iter().map(|bucket| bucket.id).collect();
    let mut rows = Vec::new();
    for bucket in buckets {
        let remarks = said(index, bucket.id)?;
        let ClubsAndTags { clubs, tags } = of_swings.remove(&bucket.id).unwrap_or_default();
        let tagged = |tag: &String| {
            let (on_bucket, ..) = standings(&[], &remarks);
            on_bucket.tags.contains(tag) || tags.contains(tag)
        };
        if args.tag.as_ref().is_none_or(tagged) {
            let counts = counted.contains(&bucket.id);
            rows.push(Listed { bucket, clubs, remarks: remarks.len(), counts });
        }
    }
    Ok(rows)
}

fn clubs(swings: &[KnownSwing]) -> Vec<String> {
    in_order(swings.iter().filter_map(|swing| swing.club.clone()))
}

fn remark(bucket: &Bucket, counts: bool) -> String {
    let copy = if counts { String::new() } else { "a copy: counts once".to_owned() };
    let said = [copy, trouble(bucket)];
    said.into_iter().filter(|words| !words.is_empty()).collect::<Vec<_>>().join("; ")
}

fn trouble(bucket: &Bucket) -> String {
    let facts = &bucket.facts;
    match (&facts.unreadable, facts.losses.len(), bucket.problems.len()) {
        (Some(_), ..) => "cannot be read".to_owned(),
        (None, 0, 0) => String::new(),
        (None, 0, problems) => format!("{problems} remarks with problems"),
        (None, losses, _) => format!("{losses} losses"),
    }
}

fn bucket_json(bucket: &Bucket, clubs: &[String], remarks: usize) -> Value {
    let facts = &bucket.facts;
    json!({
        "path": bucket.path, "number": facts.uuid, "player": facts.player, "hand": facts.hand,
        "started_unix_ms": facts.started, "software": facts.software, "swings": bucket.swings, "clubs": clubs,
        "remarks": remarks, "made_from": facts.made_from, "samples": facts.samples, "losses": facts.losses,
        "node_losses": facts.node_losses, "unfinished": facts.unfinished,
        "problems": bucket.problems, "unreadable": facts.unreadable, "notes": facts.notes,
    })
}

/// What people said of a recording; not that an operation on it came to its end.
fn said(index: &Index, bucket: i64) -> anyhow::Result<Vec<Remark>> {
    let mut remarks = index.remarks(bucket)?;
    remarks.retain(|remark| remark.said != Said::Finished);
    Ok(remarks)
}

/// `show`.
pub(super) fn show(context: &Context, args: &ShowArgs) -> anyhow::Result<Outcome> {
    let library = &context.library;
    let bucket = library.bucket(&args.bucket)?;
    let lost = !bucket.facts.losses.is_empty() || bucket.facts.unreadable.is_some();
    let remarks = said(library.index(), bucket.id)?;
    let swings = library.index().swings(bucket.id)?;
    // A remark names a swing as it was found when it was made; another version may count them otherwise.
    let takeaways: Vec<DeviceTime> = swings.iter().map(|swing| swing.numbers.takeaway_us).collect();
    let place = |name: SwingName| find(&takeaways, name).map(|at| at + 1);
    let swings: Vec<KnownSwing> = match args.swing {
        Some(place) => vec![library.swing(&bucket, place)?],
        None => swings,
    };
    let of_swing =
        |remark: &&Remark| args.swing.is_none() || remark.swing.is_some_and(|name| place(name) == args.swing);
    let remarks: Vec<&Remark> = remarks.iter().filter(of_swing).collect();
    if context.json {
        let told: Vec<Value> = swings.iter().map(swing_json).collect();
        let bucket = bucket_json(&bucket, &clubs(&swings), remarks.len());
        print_json(
            &json!({ "schema": 1, "bucket": bucket, "analyser": ANALYSER, "swings": told, "remarks": remarks }),
        )?;
    } else {
        let lines = remarks.into_iter().map(|remark| remark_line(remark, place)).collect();
        print_bucket(&bucket, &swings, lines)?;
    }
    Ok(if lost { Outcome::Salvaged } else { Outcome::Done })
}

/// A recording for a reader: what it is, its swings, what was said of it, what is wrong with it.
fn print_bucket(bucket: &Bucket, swings: &[KnownSwing], remarks: Vec<String>) -> anyhow::Result<()> {
    let facts = &bucket.facts;
    print_lines(&format!(
        "{}, {}, {} (UTC), number {}\n",
        bucket.path.display(),
        if facts.player.is_empty() { "no player" } else { &facts.player },
        time(facts.started),
        facts.uuid
    ))?;
    print_table(swing_table(swings))?;
    let lost = facts.losses.iter().map(|lost| format!("lost: {lost}"));
    let told = facts.unreadable.iter().chain(&bucket.problems).chain(&facts.notes).cloned();
    let lost_by_node = facts.node_losses.iter().map(loss_sentence);
    let mut lines = remarks.into_iter().chain(lost).chain(told).chain(lost_by_node);
    lines.try_for_each(|line| print_lines(&line))
}

fn swing_table(swings: &[KnownSwing]) -> Table {
    let mut table = table(&[
        "#",
        "Club",
        "Set to top, ms",
        "Arm travel",
        "Class",
        "Largest hinge °",
        "Tempo",
        "Flags",
        "Left out",
    ]);
    for swing in swings {
        let numbers = &swing.numbers;
        table.add_row([
            swing.place.to_string(),
            club_name(swing.club.as_deref()),
            measured(numbers.set_to_top_ms, 1.0, ""),
            measured(numbers.arm_travel_at_set, 100.0, "\u{a0}%"),
            numbers.class.clone(),
            numbers.hinge_deg.max.map_or_else(nothing, |hinge| number(hinge.value, 0)),
            numbers.tempo.map_or_else(nothing, |tempo| number(tempo.value, 1)),
            numbers.flags.join(", "),
            swing.excluded.clone().unwrap_or_default(),
        ]);
    }
    table
}

/// A remark for a reader; `place` says where the swing that it names is found now, counted from 1.
fn remark_line(remark: &Remark, place: impl Fn(SwingName) -> Option<usize>) -> String {
    let (kind, text) = remark.said.fields();
    let on = match remark.swing {
        None => "bucket".to_owned(),
        Some(name) => place(name)
            .map_or_else(|| "a swing that is not there now".to_owned(), |place| format!("swing {place}")),
    };
    let said = format!("{kind} {text}");
    format!("{}, {on}: {}\n", time(Some(remark.at_unix_ms)), said.trim_end())
}

fn swing_json(swing: &KnownSwing) -> Value {
    json!({
        "index": swing.place, "club": swing.club, "excluded": swing.excluded, "tags": swing.tags,
        "numbers": swing.numbers,
    })
}

/// `trash`.
pub(super) fn trash(context: &Context) -> anyhow::Result<Outcome> {
    let found = context.library.in_trash()?;
    let shown = |path: &std::path::Path| path.components().skip(1).collect::<std::path::PathBuf>();
    if context.json {
        let paths: Vec<Value> =
            found.iter().map(|found| json!({ "path": shown(&found.path), "number": found.uuid })).collect();
        print_json(&json!({ "schema": 1, "trash": paths }))?;
    } else {
        for found in &found {
            print(&format!("{}\n", shown(&found.path).display()))?;
        }
    }
    Ok(Outcome::Done)
}
