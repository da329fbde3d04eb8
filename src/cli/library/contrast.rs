//! `contrast`: a player against himself, two sets of recordings or two clubs.

use super::Context;
use super::trend::windows_of;
use crate::cli::Outcome;
use crate::cli::output::{print_json, print_lines, print_paragraphs, print_table, table};
use crate::record::error::quoted;
use crate::record::library::index::{Bucket, KnownSwing};
use crate::review::Windows;
use crate::review::compare::sides::{Chosen, Contrast, Row, one_player};
use crate::review::compare::{Incomparable, OverPairs, Quantity, Side, cells, methods, said};
use crate::review::summary::in_order;
use crate::review::wording::club_name;
use anyhow::bail;
use serde_json::{Value, json};

/// Lay two sets of recordings, or two clubs, beside each other.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock library contrast --first monday --second friday --club iron
  hingeclock library contrast --first week1-a week1-b week1-c --second week2-a week2-b
  hingeclock library contrast --first monday --club iron --second-club driver")]
pub struct ContrastArgs {
    /// Recordings of the first side: before.
    #[arg(long, required = true, num_args = 1.., value_name = "BUCKET")]
    first: Vec<String>,
    /// Recordings of the second side: after. With --second-club those of the first, unless others are named.
    #[arg(long, required_unless_present = "second_club", num_args = 1.., value_name = "BUCKET")]
    second: Vec<String>,
    /// Only swings with this club. Without it, all swings, whatever the club.
    #[arg(long)]
    club: Option<String>,
    /// Another club for the second side.
    #[arg(long, value_name = "CLUB", requires = "club")]
    second_club: Option<String>,
}

/// `contrast`.
pub(super) fn contrast(context: &Context, args: &ContrastArgs) -> anyhow::Result<Outcome> {
    let first = known(context, &args.first)?;
    let second = if args.second.is_empty() { first.clone() } else { known(context, &args.second)? };
    let (club, second_club) = (args.club.as_deref(), args.second_club.as_deref());
    let both = || first.iter().chain(&second);
    [club, second_club].into_iter().flatten().try_for_each(|club| is_there(club, both()))?;
    let first = Chosen::of(first, club)?;
    let second = Chosen::of(second, second_club.or(club))?;
    let windows = windows_of(context, &one_player(&first, &second)?)?;
    let contrast = Contrast::of(first, second, &windows)?;
    if context.json {
        print_json(&contrast_json(&contrast, &windows))?;
    } else {
        tell(&contrast)?;
    }
    Ok(Outcome::Done)
}

/// A recording with its swings.
type Known = (Bucket, Vec<KnownSwing>);

fn known(context: &Context, names: &[String]) -> anyhow::Result<Vec<Known>> {
    let of = |name: &String| {
        let bucket = context.library.bucket(name)?;
        let swings = context.library.index().swings(bucket.id)?;
        Ok((bucket, swings))
    };
    names.iter().map(of).collect()
}

/// Refuses a club that none of these recordings has: it may be misspelt.
fn is_there<'a>(asked: &str, known: impl Iterator<Item = &'a Known>) -> anyhow::Result<()> {
    let clubs = in_order(known.flat_map(|(_, swings)| swings).filter_map(|swing| swing.club.as_deref()));
    if clubs.contains(&asked) {
        return Ok(());
    }
    let names: Vec<String> = clubs.into_iter().map(|club| club_name(Some(club))).collect();
    let there = if names.is_empty() { "there is none".to_owned() } else { names.join(", ") };
    bail!("expected a club that swings of these recordings were made with ({there}), found {}", quoted(asked))
}

fn tell(contrast: &Contrast) -> anyhow::Result<()> {
    print_lines(&format!("First:  {}\nSecond: {}", contrast.first.name(), contrast.second.name()))?;
    let headings = ["", "Swings", "First", "Second", "Difference", "95 % interval"];
    let mut table = table(&headings);
    for row in contrast.rows.iter().filter_map(|(_, row)| row.as_ref().ok()) {
        table.add_row(cells(row));
    }
    print_table(table)?;
    for (quantity, row) in &contrast.rows {
        print_paragraphs(&format!("{}: {}", quantity.name(), said(row)))?;
    }
    for method in methods(&contrast.rows) {
        print_paragraphs(&format!("Interval: {method}."))?;
    }
    Ok(())
}

fn contrast_json(contrast: &Contrast, windows: &Windows) -> Value {
    let row = |(quantity, row): &(Quantity, Result<Row, Incomparable>)| {
        let [first, second] =
            [&contrast.first, &contrast.second].map(|side| side.clusters(*quantity, windows));
        let pairs = OverPairs::of(&first, &second);
        (quantity.key().to_owned(), row_json(row, pairs))
    };
    let rows: serde_json::Map<String, Value> = contrast.rows.iter().map(row).collect();
    json!({
        "schema": 1, "player": contrast.player, "first": side_of(&contrast.first),
        "second": side_of(&contrast.second), "compared": rows,
    })
}

fn side_of(side: &Chosen) -> Value {
    let paths: Vec<_> = side.buckets.iter().map(|(bucket, _)| &bucket.path).collect();
    json!({ "paths": paths, "club": side.club })
}

fn row_json(row: &Result<Row, Incomparable>, pairs: Option<OverPairs>) -> Value {
    let row = match row {
        Ok(row) => row,
        Err(why) => return json!({ "none": why.to_string() }),
    };
    let pairs = pairs.filter(|_| row.whole.is_some());
    json!({
        "basis": row.basis, "method": row.method, "first": row.first, "second": row.second, "swings": [row.swings.0, row.swings.1],
        "difference": row.difference, "low_95": row.low, "high_95": row.high,
        "larger_than_noise": row.is_larger_than_noise(),
        "freedom": row.whole.map(|whole| whole.freedom), "shift": pairs.map(|pairs| pairs.shift),
        "dominance": pairs.map(|pairs| pairs.dominance),
        "sides": row.whole.map(|whole| [side_json(&whole.before), side_json(&whole.after)]),
        "sentences": row.sentences,
    })
}

fn side_json(side: &Side) -> Value {
    json!({
        "buckets": side.buckets, "swings": side.swings, "mean": side.mean, "swing_sd": side.swing_sd,
        "bucket_sd": side.bucket_sd, "measurement_sd": side.measurement_sd,
    })
}
