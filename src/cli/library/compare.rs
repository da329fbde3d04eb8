//! `compare`: what was shown live, and what earlier versions found, beside this version.

use super::Context;
use crate::cli::Outcome;
use crate::cli::output::{print, print_json, print_table, table};
use crate::record::library::numbers::{ANALYSER, Compared, Pair, side_by_side};
use crate::record::recorded::Recorded;
use crate::record::recording_reader::RecordingReader;
use crate::review::wording::{nothing, number, signed};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::BufReader;

/// Compare versions.
#[derive(Debug, clap::Args)]
pub struct CompareArgs {
    /// The recording.
    bucket: String,
}

/// `compare`.
pub(super) fn compare(context: &Context, args: &CompareArgs) -> anyhow::Result<Outcome> {
    let library = &context.library;
    let bucket = library.bucket(&args.bucket)?;
    let now: Vec<Compared> =
        library.index().swings(bucket.id)?.iter().map(|swing| Compared::of(&swing.numbers)).collect();
    let mut earlier: Vec<(String, Vec<Compared>)> = live_results(&library.folder().join(&bucket.path))?;
    for result in library.index().earlier_results(bucket.id)? {
        let by = format!("{} (settings {})", result.by, result.settings);
        earlier.push((by, result.swings.iter().map(Compared::of).collect()));
    }
    let pairs: Vec<(String, Vec<Pair>)> =
        earlier.into_iter().map(|(by, earlier)| (by, side_by_side(&earlier, &now))).collect();
    if context.json {
        let told: Vec<Value> = pairs.iter().map(|(by, pairs)| json!({ "by": by, "swings": pairs })).collect();
        print_json(&json!({ "schema": 1, "path": bucket.path, "now": ANALYSER, "earlier": told }))?;
        return Ok(Outcome::Done);
    }
    if pairs.is_empty() {
        print("No other version's numbers are kept for this recording.\n")?;
    }
    for (by, pairs) in &pairs {
        print(&format!("{by}, then {ANALYSER}\n"))?;
        let mut table = table(&[
            "#",
            "Set to top, ms",
            "Change",
            "Arm travel",
            "Change",
            "Largest hinge °",
            "Change",
            "Class",
        ]);
        for (place, pair) in pairs.iter().enumerate() {
            table.add_row(pair_row(place, pair));
        }
        print_table(table)?;
    }
    Ok(Outcome::Done)
}

/// A number of a swing.
type Part = fn(&Compared) -> Option<f64>;

fn pair_row(place: usize, pair: &Pair) -> Vec<String> {
    let Pair { earlier, now } = pair;
    let mut row = vec![now.as_ref().map_or_else(|| "gone".to_owned(), |_| (place + 1).to_string())];
    let parts: [(Part, usize); 3] = [
        (|swing| swing.set_to_top_ms, 1),
        (|swing| swing.arm_travel_at_set, 3),
        (|swing| swing.hinge_max_deg, 2),
    ];
    for (part, decimals) in parts {
        let of = |swing: &Option<Compared>| swing.as_ref().and_then(part);
        let text = |value: Option<f64>| value.map_or_else(nothing, |v| number(v, decimals));
        row.push(format!("{} → {}", text(of(earlier)), text(of(now))));
        let change = of(earlier).zip(of(now)).map(|(earlier, now)| now - earlier);
        row.push(change.map_or_else(String::new, |change| signed(change, decimals)));
    }
    let class = |swing: &Option<Compared>| {
        swing.as_ref().map_or("not found", |swing| swing.class.as_str()).to_owned()
    };
    let (before, after) = (class(earlier), class(now));
    row.push(if before == after { before } else { format!("{before} → {after}") });
    row
}

/// What was shown live, by the versions that did.
fn live_results(path: &std::path::Path) -> anyhow::Result<Vec<(String, Vec<Compared>)>> {
    let mut by_version: BTreeMap<String, Vec<Compared>> = BTreeMap::new();
    for recorded in RecordingReader::new(path, BufReader::new(File::open(path)?))? {
        if let Recorded::Derived { kind, by, value, .. } = recorded?
            && kind == "swing"
        {
            by_version.entry(format!("{by}, live")).or_default().extend(Compared::of_live(&value));
        }
    }
    Ok(by_version.into_iter().collect())
}
