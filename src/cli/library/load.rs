//! `library load`: how much a player has swung in a day and a week, against what is usual.

use super::Context;
use super::trend::known_player;
use crate::cli::Outcome;
use crate::cli::output::{print_json, print_paragraphs};
use crate::record::error::quoted;
use crate::review::load::{Load, PUBLISHED, RATIO_IS_CONTESTED};
use crate::units::{WallTime, counted};
use anyhow::bail;
use serde_json::json;

/// Show a player's load.
#[derive(Debug, clap::Args)]
pub struct LoadArgs {
    /// The player's name.
    player: String,
}

pub(super) fn load(context: &Context, args: &LoadArgs) -> anyhow::Result<Outcome> {
    let buckets = context.library.index().counted_buckets()?;
    known_player(&buckets, &args.player)?;
    let of_player: Vec<(WallTime, usize)> = buckets
        .iter()
        .filter(|bucket| bucket.facts.player == args.player)
        .filter_map(|bucket| Some((bucket.facts.started?, bucket.swings)))
        .collect();
    if of_player.is_empty() {
        bail!(
            "expected a player with recordings that tell when they were begun, found {}",
            quoted(&args.player)
        );
    }
    let load = Load::of(&of_player, crate::cli::wall_time());
    if context.json {
        let object = json!({
            "schema": 1, "player": args.player, "swings_day": load.day, "swings_week": load.week,
            "swings_usual_week": load.usual_week, "week_to_usual": load.ratio,
            "climbs_fast": load.climbs_fast(), "about": RATIO_IS_CONTESTED,
        });
        print_json(&object)?;
        return Ok(Outcome::Done);
    }
    print_paragraphs(&text(&load))?;
    Ok(Outcome::Done)
}

fn text(load: &Load) -> String {
    let usual = load.usual_week.map_or_else(
        || "no usual week yet: recordings of four weeks are needed".to_owned(),
        |usual| format!("{usual:.0} swings in a usual week (the mean of the three weeks before)"),
    );
    let caution = load.caution().map_or_else(String::new, |caution| format!("{caution}\n"));
    format!(
        "{} in the last 24 hours, {} in the last 7 days; {usual}\n{caution}{PUBLISHED}\n",
        counted(load.day, "swing"),
        load.week
    )
}
