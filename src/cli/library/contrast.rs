//! `contrast`: a player against himself, two sets of recordings or two clubs.

use super::Context;
use super::show::{print_json, print_lines, print_table, table, windows_of};
use crate::cli::Outcome;
use crate::detect::{Flag, Verdict};
use crate::record::library::index::{Bucket, KnownSwing};
use crate::review::compare::{
    Cluster, Comparison, Incomparable, Quantity, Side, compare, sentences, share_difference, share_sentences,
};
use crate::review::statistics::Share;
use crate::review::wording::{club_name, number, signed};
use crate::units::Measured;
use anyhow::bail;
use serde_json::{Value, json};

/// Lay two sets of recordings, or two clubs, beside each other.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock library contrast --first monday --second friday --club iron
  hingeclock library contrast --first week1-a week1-b week1-c --second week2-a week2-b
  hingeclock library contrast --first monday --second monday --club iron --second-club driver")]
pub struct ContrastArgs {
    /// Recordings of the first side: before.
    #[arg(long, required = true, num_args = 1.., value_name = "BUCKET")]
    first: Vec<String>,
    /// Recordings of the second side: after.
    #[arg(long, required = true, num_args = 1.., value_name = "BUCKET")]
    second: Vec<String>,
    /// Only swings with this club. Without it, all swings, whatever the club.
    #[arg(long)]
    club: Option<String>,
    /// Another club for the second side.
    #[arg(long, value_name = "CLUB", requires = "club")]
    second_club: Option<String>,
}

const QUANTITIES: [Quantity; 3] = [Quantity::SetToTop, Quantity::ArmTravel, Quantity::InWindow];

/// One side: its recordings with their swings that count.
struct Chosen {
    buckets: Vec<(Bucket, Vec<KnownSwing>)>,
    club: Option<String>,
}

/// `contrast`.
pub(super) fn contrast(context: &Context, args: &ContrastArgs) -> anyhow::Result<Outcome> {
    let first = chosen(context, &args.first, args.club.as_ref())?;
    let second = chosen(context, &args.second, args.second_club.as_ref().or(args.club.as_ref()))?;
    let player = one_player(&first, &second)?;
    let mut compared = Vec::new();
    for quantity in QUANTITIES {
        let clusters = |side| clusters(context, &player, side, quantity);
        let (first, second) = (clusters(&first)?, clusters(&second)?);
        compared.push((quantity, row(quantity, &first, &second)));
    }
    if context.json {
        let rows: serde_json::Map<String, Value> =
            compared.iter().map(|(quantity, row)| (quantity.key().to_owned(), row_json(row))).collect();
        let value = json!({
            "schema": 1, "player": player, "first": first.json(), "second": second.json(),
            "compared": rows,
        });
        print_json(&value)?;
    } else {
        tell(&first, &second, &compared)?;
    }
    Ok(Outcome::Done)
}

fn chosen(context: &Context, names: &[String], club: Option<&String>) -> anyhow::Result<Chosen> {
    let library = &context.library;
    let mut buckets: Vec<(Bucket, Vec<KnownSwing>)> = Vec::new();
    for name in names {
        let bucket = library.bucket(name)?;
        if buckets.iter().any(|(known, _)| known.id == bucket.id) {
            bail!("{}: expected each recording once on a side, found it twice", bucket.path.display());
        }
        let mut swings = library.index().swings(bucket.id)?;
        swings.retain(|swing| {
            swing.excluded.is_none() && club.is_none_or(|club| swing.club.as_ref() == Some(club))
        });
        buckets.push((bucket, swings));
    }
    Ok(Chosen { buckets, club: club.cloned() })
}

/// A player is compared with himself alone.
fn one_player(first: &Chosen, second: &Chosen) -> anyhow::Result<String> {
    let mut names: Vec<&str> =
        first.buckets.iter().chain(&second.buckets).map(|(bucket, _)| bucket.facts.player.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    match names[..] {
        [name] => Ok(name.to_owned()),
        _ => bail!("expected recordings of one player, found {}", names.join(", ")),
    }
}

fn clusters(
    context: &Context,
    player: &str,
    side: &Chosen,
    quantity: Quantity,
) -> anyhow::Result<Vec<Cluster>> {
    let windows = windows_of(context, player)?;
    let in_window = |swing: &KnownSwing| {
        if swing.numbers.flags.iter().any(|flag| flag == Flag::HandNodeAlone.word()) {
            return None;
        }
        let window = windows.for_club(swing.club.as_deref())?;
        // After the top the arm comes back through the window, so arm travel alone cannot tell it from before.
        let travel = swing.numbers.arm_travel_at_set.map(|travel| travel.value);
        let inside = swing.numbers.class != "after-top" && window.verdict(travel) == Verdict::InWindow;
        Some(Measured::new(f64::from(u8::from(inside)), 0.0))
    };
    let value = |swing: &KnownSwing| match quantity {
        Quantity::SetToTop => swing.numbers.set_to_top_ms,
        Quantity::ArmTravel => swing.numbers.arm_travel_at_set,
        Quantity::InWindow => in_window(swing),
    };
    let buckets = side.buckets.iter();
    Ok(buckets
        .map(|(bucket, swings)| Cluster {
            bucket: bucket.id,
            values: swings.iter().filter_map(value).collect(),
        })
        .collect())
}

/// One row: what is compared with its outcome.
struct Row {
    quantity: Quantity,
    /// Which kind of evidence the interval rests on.
    basis: &'static str,
    first: f64,
    second: f64,
    swings: (usize, usize),
    difference: f64,
    low: f64,
    high: f64,
    sentences: Vec<String>,
    /// The whole comparison; none where two shares of one bucket each were compared.
    whole: Option<Comparison>,
}

fn row(quantity: Quantity, first: &[Cluster], second: &[Cluster]) -> Result<Row, Incomparable> {
    if let (Quantity::InWindow, [one], [two]) = (quantity, first, second) {
        return share_row(one, two);
    }
    let whole = compare(first, second)?;
    Ok(Row {
        quantity,
        basis: whole.basis.word(),
        first: whole.before.mean,
        second: whole.after.mean,
        swings: (whole.before.swings, whole.after.swings),
        difference: whole.difference,
        low: whole.low,
        high: whole.high,
        sentences: sentences(&whole, quantity),
        whole: Some(whole),
    })
}

/// A share has an interval also where all or none are inside, which a spread has not.
fn share_row(first: &Cluster, second: &Cluster) -> Result<Row, Incomparable> {
    let share = |side: &Cluster| {
        let hits = side.values.iter().filter(|inside| inside.value > 0.5).count();
        Share::of(hits, side.values.len()).ok_or(Incomparable::Empty)
    };
    let (one, two) = (share(first)?, share(second)?);
    let (difference, low, high) = share_difference(one, two);
    Ok(Row {
        quantity: Quantity::InWindow,
        basis: "shares-of-one-bucket-each",
        first: one.share,
        second: two.share,
        swings: (one.n, two.n),
        difference,
        low,
        high,
        sentences: share_sentences(one, two),
        whole: None,
    })
}

fn tell(
    first: &Chosen,
    second: &Chosen,
    rows: &[(Quantity, Result<Row, Incomparable>)],
) -> anyhow::Result<()> {
    print_lines(&format!("First:  {}\nSecond: {}", first.name(), second.name()))?;
    let headings = ["", "Swings", "First", "Second", "Difference", "95 % interval"];
    let mut table = table(&headings);
    for row in rows.iter().filter_map(|(_, row)| row.as_ref().ok()) {
        let factor = row.quantity.factor();
        table.add_row([
            row.quantity.name().to_owned(),
            format!("{} and {}", row.swings.0, row.swings.1),
            number(row.first * factor, 0),
            number(row.second * factor, 0),
            signed(row.difference * factor, 0),
            format!("{} to {}", signed(row.low * factor, 0), signed(row.high * factor, 0)),
        ]);
    }
    print_table(table)?;
    for (quantity, row) in rows {
        let said = row.as_ref().map_or_else(ToString::to_string, |row| row.sentences.join(" "));
        print_lines(&format!("{}: {said}", quantity.name()))?;
    }
    Ok(())
}

impl Chosen {
    fn name(&self) -> String {
        let paths: Vec<String> =
            self.buckets.iter().map(|(bucket, _)| bucket.path.display().to_string()).collect();
        let club = self.club.as_ref().map_or_else(|| "all clubs".to_owned(), |club| club_name(Some(club)));
        format!("{}; {club}", paths.join(", "))
    }

    fn json(&self) -> Value {
        let paths: Vec<_> = self.buckets.iter().map(|(bucket, _)| &bucket.path).collect();
        json!({ "paths": paths, "club": self.club })
    }
}

fn row_json(row: &Result<Row, Incomparable>) -> Value {
    let row = match row {
        Ok(row) => row,
        Err(why) => return json!({ "none": why.to_string() }),
    };
    json!({
        "basis": row.basis, "first": row.first, "second": row.second, "swings": [row.swings.0, row.swings.1],
        "difference": row.difference, "low_95": row.low, "high_95": row.high,
        "larger_than_noise": row.low > 0.0 || row.high < 0.0,
        "freedom": row.whole.map(|whole| whole.freedom), "shift": row.whole.map(|whole| whole.shift),
        "dominance": row.whole.map(|whole| whole.dominance),
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
