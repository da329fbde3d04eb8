//! The swings of a bucket as one flat table: the keys of the JSON object, nested ones joined (`hinge_deg_set`).

use crate::record::parquet_table::{Column, Values};
use crate::review::{Review, json};
use serde_json::Value;

/// Keys that hold text.
const TEXTS: [&str; 7] =
    ["class", "verdict", "angles_from", "club", "flags", "body_pelvis_flags", "body_chest_flags"];
/// Keys that are true or false.
const TRUTHS: [&str; 1] = ["verdict_is_close"];
/// Keys that only the live path gives.
const LIVE_ONLY: [&str; 3] = ["cue", "cue_at_us", "known_at_cue"];

/// The table, a row for each swing: first what they have in common (`input`, `player`), then every number. The
/// columns are the same for every bucket that has a swing, whatever nodes were worn.
///
/// # Errors
/// When serialising fails, which the types do not allow for.
pub fn columns(review: &Review) -> Result<Vec<Column>, serde_json::Error> {
    let count = review.analysis.swings.len();
    let swings = (0..count).map(|place| json::swing(review, place)).collect::<Result<Vec<_>, _>>()?;
    let every_body = json::empty_body()?;
    let rows: Vec<Vec<(String, Value)>> =
        swings.into_iter().flatten().map(|swing| flat("", with_all_of(swing, "body", &every_body))).collect();
    let mut columns = vec![
        same("input", Some(&review.input), count),
        same("player", review.player.as_ref(), count),
        same("program_version", Some(&env!("CARGO_PKG_VERSION").to_owned()), count),
    ];
    let names = rows.first().map(|row| row.iter().map(|(name, _)| name.clone()).collect::<Vec<String>>());
    for name in names.unwrap_or_default() {
        // A key that a swing has not is an empty cell.
        let none = Value::Null;
        let of = |row: &[(String, Value)]| row.iter().position(|(key, _)| *key == name);
        let values: Vec<&Value> =
            rows.iter().map(|row| of(row).map_or(&none, |place| &row[place].1)).collect();
        columns.push(Column { values: values_of(&name, &values), name });
    }
    Ok(columns)
}

fn same(name: &str, value: Option<&String>, count: usize) -> Column {
    Column { name: name.to_owned(), values: Values::Texts(vec![value.cloned(); count]) }
}

/// The object, with every key of `shape` under this one of its keys; `null` under what it has not.
fn with_all_of(mut object: Value, key: &str, shape: &Value) -> Value {
    if let Some(value) = object.get_mut(key) {
        let had = value.take();
        *value = filled(had, shape);
    }
    object
}

fn filled(value: Value, shape: &Value) -> Value {
    let (Value::Object(keys), true) = (shape, value.is_null() || value.is_object()) else { return value };
    let part = |key: &String| value.get(key).cloned().unwrap_or_default();
    Value::Object(keys.iter().map(|(key, shape)| (key.clone(), filled(part(key), shape))).collect())
}

/// Nested keys joined by an underscore, in order.
fn flat(prefix: &str, value: Value) -> Vec<(String, Value)> {
    let Value::Object(object) = value else { return vec![(prefix.to_owned(), value)] };
    let fields = object.into_iter().filter(|(key, _)| !LIVE_ONLY.contains(&key.as_str()));
    fields
        .flat_map(|(key, value)| {
            let name = if prefix.is_empty() { key } else { format!("{prefix}_{key}") };
            flat(&name, value)
        })
        .collect()
}

fn values_of(name: &str, values: &[&Value]) -> Values {
    if TEXTS.contains(&name) {
        Values::Texts(values.iter().map(|value| text(value)).collect())
    } else if TRUTHS.contains(&name) {
        Values::Truths(values.iter().map(|value| value.as_bool()).collect())
    } else if name.ends_with("_us") || name.ends_with("_us_sd") || name == "index" {
        Values::Integers(values.iter().map(|value| value.as_i64()).collect())
    } else {
        Values::Reals(values.iter().map(|value| value.as_f64()).collect())
    }
}

/// A word, or several parted by blanks.
fn text(value: &Value) -> Option<String> {
    match value {
        Value::Array(words) => Some(words.iter().filter_map(Value::as_str).collect::<Vec<&str>>().join(" ")),
        other => other.as_str().map(str::to_owned),
    }
}
