//! `library trend`: a player's set over all buckets, club by club.

use super::Context;
use crate::cli::output::{print, print_json, print_table, table};
use crate::cli::{Outcome, input};
use crate::record::error::quoted;
use crate::record::library::index::Bucket;
use crate::review::Windows;
use crate::review::over_buckets::{ClubOverTime, clubs_over_time, trend_words};
use crate::review::statistics::Trend;
use crate::review::wording::{club_name, nothing, number};
use anyhow::bail;
use comfy_table::Table;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Show a player over time.
#[derive(Debug, clap::Args)]
pub struct TrendArgs {
    /// The player's name.
    player: String,
    /// Only this club.
    #[arg(long)]
    club: Option<String>,
}

/// `trend`.
pub(super) fn trend(context: &Context, args: &TrendArgs) -> anyhow::Result<Outcome> {
    let library = &context.library;
    let buckets = library.index().buckets()?;
    known_player(&buckets, &args.player)?;
    let counted = library.index().counted(&args.player)?;
    let clubs = clubs_over_time(&counted, &windows_of(context, &args.player)?);
    let clubs = match &args.club {
        Some(club) => vec![only(clubs, club, &args.player)?],
        None => clubs,
    };
    if context.json {
        let paths: BTreeMap<i64, &Bucket> = buckets.iter().map(|bucket| (bucket.id, bucket)).collect();
        let clubs: Vec<Value> = clubs.iter().map(|club| club_json(club, &paths)).collect();
        print_json(&json!({ "schema": 1, "player": args.player, "clubs": clubs }))?;
    } else {
        print_table(trend_table(&clubs))?;
        print(
            "Swings without a set and those left out are not counted. A trend goes over the middles of the buckets.\n",
        )?;
    }
    Ok(Outcome::Done)
}

/// The club that was asked for.
fn only(mut clubs: Vec<ClubOverTime>, asked: &str, player: &str) -> anyhow::Result<ClubOverTime> {
    match clubs.iter().position(|club| club.club.as_deref() == Some(asked)) {
        Some(at) => Ok(clubs.swap_remove(at)),
        None => {
            let names: Vec<String> = clubs.iter().map(|club| club_name(club.club.as_deref())).collect();
            bail!(
                "expected a club with swings of {} that count ({}), found {}",
                quoted(player),
                names.join(", "),
                quoted(asked)
            )
        }
    }
}

fn trend_table(clubs: &[ClubOverTime]) -> Table {
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
    let whole = |value: Option<f64>, unit: &str| value.map_or_else(nothing, |value| number(value, 0) + unit);
    for club in clubs {
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
    table
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
