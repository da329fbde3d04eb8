//! The commands that look: list, show, trend, players, trash.

use super::Context;
use crate::cli::Outcome;
use crate::cli::input;
use crate::cli::output::{print, say};
use crate::record::error::quoted;
use crate::record::library::index::{Bucket, ClubsAndTags, Index, KnownSwing};
use crate::record::library::numbers::ANALYSER;
use crate::record::library::player::{Player, players as read_players};
use crate::record::library::remarks::{Remark, Said, SwingName, find, standings};
use crate::record::settings::Settings;
use crate::review::over_buckets::{ClubOverTime, clubs_over_time, trend_words};
use crate::review::statistics::Trend;
use crate::review::summary::in_order;
use crate::review::wording::{NOTHING, club_name, loss_sentence, number, with_sd};
use crate::review::{self, Windows};
use crate::units::{DeviceTime, Measured, WallTime};
use anyhow::bail;
use comfy_table::Table;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

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

/// Show a player over time.
#[derive(Debug, clap::Args)]
pub struct TrendArgs {
    /// The player's name.
    player: String,
    /// Only this club.
    #[arg(long)]
    club: Option<String>,
}

/// Show the players.
#[derive(Debug, clap::Args)]
pub struct PlayersArgs {
    /// Print a file to begin a player of this name with, to be kept as players/NAME.toml.
    #[arg(long, value_name = "NAME")]
    pub(super) example: Option<String>,
}

/// A table of texts, each column begun at the left.
pub(super) fn table(headings: &[&str]) -> Table {
    let all: Vec<usize> = (0..headings.len()).collect();
    review::table::table(crate::cli::terminal_width(), headings, &all)
}

pub(super) fn print_table(table: Table) -> anyhow::Result<()> {
    print_lines(&review::table::printed(table))
}

/// Names and remarks come from outside: none of them steers the terminal.
pub(super) fn print_lines(text: &str) -> anyhow::Result<()> {
    let clean: String = text.lines().map(|line| review::clean(line) + "\n").collect();
    print(&clean)
}

pub(super) fn print_json(value: &Value) -> anyhow::Result<()> {
    print(&(serde_json::to_string_pretty(value)? + "\n"))
}

fn time(at: Option<WallTime>) -> String {
    at.map_or_else(|| "?".to_owned(), |at| at.utc("%Y-%m-%d %H:%M"))
}

/// `list`.
pub(super) fn list(context: &Context, args: &ListArgs) -> anyhow::Result<Outcome> {
    let index = context.library.index();
    let mut buckets = index.buckets()?;
    buckets.sort_by(|a, b| (a.facts.started, &a.path).cmp(&(b.facts.started, &b.path)));
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
            rows.push((bucket, clubs, remarks.len(), counts));
        }
    }
    if context.json {
        let row = |(bucket, clubs, remarks, counts): &(Bucket, Vec<String>, usize, bool)| {
            let mut row = bucket_json(bucket, clubs, *remarks);
            row["counts"] = json!(counts);
            row
        };
        let rows: Vec<Value> = rows.iter().map(row).collect();
        print_json(&json!({ "schema": 1, "buckets": rows }))?;
    } else {
        let mut table = table(&["Begun (UTC)", "Player", "Swings", "Clubs", "Remarks", "Recording", ""]);
        for (bucket, clubs, remarks, counts) in &rows {
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
    let outcome = if lost { Outcome::Salvaged } else { Outcome::Done };
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
        return Ok(outcome);
    }
    print_lines(&format!(
        "{}, {}, {} (UTC), number {}\n",
        bucket.path.display(),
        if bucket.facts.player.is_empty() { "no player" } else { &bucket.facts.player },
        time(bucket.facts.started),
        bucket.facts.uuid
    ))?;
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
    for swing in &swings {
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
    print_table(table)?;
    for remark in remarks {
        let (kind, text) = remark.said.fields();
        let on = match remark.swing {
            None => "bucket".to_owned(),
            Some(name) => place(name)
                .map_or_else(|| "a swing that is not there now".to_owned(), |place| format!("swing {place}")),
        };
        let said = format!("{kind} {text}");
        print_lines(&format!("{}, {on}: {}\n", time(Some(remark.at_unix_ms)), said.trim_end()))?;
    }
    let facts = &bucket.facts;
    for lost in &facts.losses {
        print_lines(&format!("lost: {lost}"))?;
    }
    for told in facts.unreadable.iter().chain(&bucket.problems).chain(&facts.notes) {
        print_lines(told)?;
    }
    for lost in &facts.node_losses {
        print_lines(&loss_sentence(lost))?;
    }
    Ok(outcome)
}

fn swing_json(swing: &KnownSwing) -> Value {
    json!({
        "index": swing.place, "club": swing.club, "excluded": swing.excluded, "tags": swing.tags,
        "numbers": swing.numbers,
    })
}

fn measured(measured: Option<Measured>, factor: f64, unit: &str) -> String {
    measured.map_or_else(nothing, |measured| with_sd(measured, factor, unit))
}

fn nothing() -> String {
    NOTHING.to_owned()
}

/// `trend`.
pub(super) fn trend(context: &Context, args: &TrendArgs) -> anyhow::Result<Outcome> {
    let library = &context.library;
    let buckets = library.index().buckets()?;
    known_player(&buckets, &args.player)?;
    let counted = library.index().counted(&args.player)?;
    let mut clubs = clubs_over_time(&counted, &windows_of(context, &args.player)?);
    if let Some(asked) = &args.club {
        let names: Vec<String> = clubs.iter().map(|club| club_name(club.club.as_deref())).collect();
        clubs.retain(|club| club.club.as_ref() == Some(asked));
        if clubs.is_empty() {
            let player = quoted(&args.player);
            bail!(
                "expected a club with swings of {player} that count ({}), found {}",
                names.join(", "),
                quoted(asked)
            );
        }
    }
    if context.json {
        let paths: BTreeMap<i64, &Bucket> = buckets.iter().map(|bucket| (bucket.id, bucket)).collect();
        let clubs: Vec<Value> = clubs.iter().map(|club| club_json(club, &paths)).collect();
        print_json(&json!({ "schema": 1, "player": args.player, "clubs": clubs }))?;
        return Ok(Outcome::Done);
    }
    let mut table = table(&[
        "Club",
        "Buckets",
        "Swings",
        "Set to top, ms",
        "Spread",
        "Arm travel",
        "In window",
        "Trend, ms a bucket",
    ]);
    for club in &clubs {
        let whole =
            |value: Option<f64>, unit: &str| value.map_or_else(nothing, |value| number(value, 0) + unit);
        table.add_row([
            club_name(club.club.as_deref()),
            club.buckets.len().to_string(),
            club.swings.to_string(),
            whole(club.set_to_top_ms.map(|spread| spread.median), ""),
            whole(club.set_to_top_ms.and_then(|spread| spread.robust_sd), ""),
            whole(club.arm_travel_at_set.map(|spread| spread.median * 100.0), "\u{a0}%"),
            club.in_window
                .map_or_else(|| "no window".to_owned(), |share| format!("{} of {}", share.hits, share.n)),
            trend_words(club.set_trend_ms),
        ]);
    }
    print_table(table)?;
    print(
        "Swings without a set and those left out are not counted. A trend goes over the middles of the buckets.\n",
    )?;
    Ok(Outcome::Done)
}

/// Refuses a name that none of the recordings has.
pub(super) fn known_player(buckets: &[Bucket], name: &str) -> anyhow::Result<()> {
    let mut names: Vec<&str> = buckets.iter().map(|bucket| bucket.facts.player.as_str()).collect();
    if names.contains(&name) {
        return Ok(());
    }
    names.sort_unstable();
    names.dedup();
    let names = if names.is_empty() { "there is none".to_owned() } else { names.join(", ") };
    bail!("expected a player of the recordings ({names}), found {}", quoted(name))
}

fn club_json(club: &ClubOverTime, buckets: &BTreeMap<i64, &Bucket>) -> Value {
    let trend = |trend: Option<Trend>| {
        trend.map(|trend| json!({ "per_bucket": trend.per_swing, "clear": trend.clear }))
    };
    let middles: Vec<Value> = club
        .buckets
        .iter()
        .map(|middle| {
            let bucket = buckets.get(&middle.bucket);
            json!({
                "path": bucket.map(|bucket| &bucket.path),
                "started_unix_ms": bucket.and_then(|bucket| bucket.facts.started),
                "swings": middle.swings, "set_to_top_ms": middle.set_to_top_ms,
                "arm_travel_at_set": middle.arm_travel_at_set,
            })
        })
        .collect();
    json!({
        "club": club.club, "swings": club.swings,
        "set_to_top_ms": club.set_to_top_ms.map(|spread| spread.median),
        "set_to_top_ms_spread": club.set_to_top_ms.and_then(|spread| spread.robust_sd),
        "arm_travel_at_set": club.arm_travel_at_set.map(|spread| spread.median),
        "in_window": club.in_window.map(|share| json!({ "hits": share.hits, "n": share.n, "low_95": share.low, "high_95": share.high })),
        "set_trend_ms": trend(club.set_trend_ms), "travel_trend": trend(club.travel_trend), "buckets": middles,
    })
}

/// The windows of the player's file before those of the settings.
pub(super) fn windows_of(context: &Context, name: &str) -> anyhow::Result<Windows> {
    let all = input::with_player(&context.settings, Some(context.library.folder()), name)?;
    Ok(crate::daemon::windows(&all))
}

/// `players --example`: needs no library.
pub(super) fn example(settings: &Settings, name: &str) -> anyhow::Result<Outcome> {
    print(&begun(settings, name).text())?;
    Ok(Outcome::Done)
}

/// A player of whom the name is known, with the windows of the settings.
fn begun(settings: &Settings, name: &str) -> Player {
    Player { targets: settings.targets.clone(), hand: Some(settings.player.hand), ..Player::named(name) }
}

/// `players`.
pub(super) fn players(context: &Context) -> anyhow::Result<Outcome> {
    let mut known = Vec::new();
    let mut wrong = 0;
    for player in read_players(context.library.folder())? {
        match player {
            Ok(player) => {
                let mut targets = context.settings.targets.clone();
                targets.extend(player.targets);
                let hand = player.hand.or(Some(context.settings.player.hand));
                known.push(Player { targets, hand, ..player });
            }
            Err(error) => {
                wrong += 1;
                say(&error.to_string());
            }
        }
    }
    for bucket in context.library.index().buckets()? {
        let name = &bucket.facts.player;
        if !name.is_empty() && !known.iter().any(|player| player.name == *name) {
            let begun = begun(&context.settings, name);
            known.push(Player { hand: bucket.facts.hand.or(begun.hand), ..begun });
        }
    }
    if context.json {
        print_json(&json!({ "schema": 1, "players": known }))?;
    } else {
        let mut table = table(&["Player", "Hand", "Arm, m", "Hand, m", "Clubs", "Windows"]);
        for player in &known {
            let windows: Vec<String> = player
                .targets
                .iter()
                .map(|(club, w)| format!("{club} {:.2} to {:.2}", w.from, w.to))
                .collect();
            table.add_row([
                player.name.clone(),
                player.hand.map_or_else(String::new, |hand| format!("{hand:?}").to_lowercase()),
                metres(player.said.arm.arm_length_m),
                metres(player.said.arm.hand_length_m),
                player.said.clubs.keys().cloned().collect::<Vec<_>>().join(", "),
                windows.join(", "),
            ]);
        }
        print_table(table)?;
    }
    Ok(if wrong > 0 { Outcome::Failed } else { Outcome::Done })
}

/// A length that was said.
fn metres(said: Option<f64>) -> String {
    said.map_or_else(nothing, |length_m| number(length_m, 2))
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
