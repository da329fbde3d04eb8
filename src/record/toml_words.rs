//! What is wrong with a settings file, in the words of whoever wrote it: the parser speaks of types. Pure.

use super::error::quoted;
use super::settings::Wrong;

/// Longest value that is told as it was found, characters.
const LONGEST_FOUND: usize = 40;

/// What the parser found wrong in this text.
pub(super) fn wrong(text: &str, error: &toml::de::Error) -> Wrong {
    let span = error.span().unwrap_or(0..0);
    let message = error.message().trim().replace('\n', "; ");
    let (before, value) = (text.get(..span.start).unwrap_or(""), text.get(span.clone()).unwrap_or(""));
    let (expected, found) = said(&message, &key_before(before), value);
    Wrong(span, expected, found)
}

fn said(message: &str, key: &str, value: &str) -> (String, String) {
    let expectation = message.split_once(", expected ");
    match (message.split_once(": "), expectation) {
        (Some(("invalid type" | "invalid value", _)), Some((_, kind))) => {
            (format!("{}{key}", kind_in_words(kind)), shortened(value))
        }
        _ if message.starts_with("unknown variant ") => {
            (format!("{}{key}", listed(message).join(", ")), shortened(value))
        }
        _ if message.starts_with("unknown field ") => {
            let keys = listed(message);
            (format!("known keys ({})", keys.join(", ")), in_ticks(message).unwrap_or(value).to_owned())
        }
        _ if message.starts_with("missing field ") => {
            (format!("the key {}{key}", in_ticks(message).unwrap_or_default()), shortened(value))
        }
        _ if message.starts_with("string values must be quoted") => {
            (format!("a text in quotes{key}"), shortened(value))
        }
        _ => ("known keys with values of their kinds".to_owned(), message.to_owned()),
    }
}

/// ` for KEY` where the text ends with `KEY =`.
fn key_before(text: &str) -> String {
    let key = text.trim_end().strip_suffix('=').map(str::trim_end);
    let key = key.and_then(|text| text.rsplit([' ', '\t', '\n', '{', ',']).next());
    key.filter(|key| !key.is_empty()).map_or_else(String::new, |key| format!(" for {key}"))
}

fn kind_in_words(kind: &str) -> &str {
    match kind {
        "f64" | "f32" => "a number",
        "u8" | "u16" | "u32" | "u64" | "usize" => "a whole number from 0 on",
        "i8" | "i16" | "i32" | "i64" | "isize" => "a whole number",
        "a boolean" => "true or false",
        "a string" | "path string" | "string or table" => "a text in quotes",
        "a map" => "a table of keys",
        _ if kind.starts_with("struct ") => "a table of keys",
        other => other,
    }
}

/// What is possible, as the parser lists it after the word `expected`.
fn listed(message: &str) -> Vec<&str> {
    let list = message.split_once(", expected ").map_or("", |(_, list)| list);
    list.split('`').skip(1).step_by(2).collect()
}

fn in_ticks(message: &str) -> Option<&str> {
    message.split('`').nth(1)
}

/// A value as it stands in the file, unless it is long.
fn shortened(value: &str) -> String {
    let one_line = value.lines().count() <= 1 && value.chars().count() <= LONGEST_FOUND;
    if one_line { value.trim().to_owned() } else { quoted(value) }
}

#[cfg(test)]
mod tests {
    use crate::record::settings::Settings;
    use std::path::Path;

    fn check(text: &str, expected: &str) {
        let error = Settings::parse(text, Path::new("s.toml")).unwrap_err();
        assert_eq!(error.to_string(), format!("s.toml, {expected}"), "{text}");
    }

    #[test]
    fn a_wrong_kind_of_value_is_named_in_the_users_words() {
        check(
            "tone_volume = \"loud\"",
            "line 1, column 15: expected a number for tone_volume, found \"loud\"",
        );
        check(
            "\ngrip_angle_deg = 2024-01-01",
            "line 2, column 18: expected a number for grip_angle_deg, found 2024-01-01",
        );
        check(
            "calibrate_on_connect = 1",
            "line 1, column 24: expected true or false for calibrate_on_connect, found 1",
        );
        check("[player]\nname = 3", "line 2, column 8: expected a text in quotes for name, found 3");
        check("[player]\nname = Ann", "line 2, column 8: expected a text in quotes for name, found Ann");
        check("recordings = 5", "line 1, column 14: expected a text in quotes for recordings, found 5");
        check(
            "[targets]\niron = { from = \"a\", to = 0.4 }",
            "line 2, column 17: expected a number for from, found \"a\"",
        );
        check("[targets]\niron = 5", "line 2, column 8: expected a table of keys for iron, found 5");
        check(
            "[feedback]\nfade_over = -3",
            "line 2, column 13: expected a whole number from 0 on for fade_over, found -3",
        );
    }

    #[test]
    fn a_key_that_is_wrong_or_missing_is_named() {
        check("[player]\nhand = \"both\"", "line 2, column 8: expected right, left for hand, found \"both\"");
        check("[player]\nnam = \"a\"", "line 2, column 1: expected known keys (name, hand), found nam");
        check(
            "[targets]\niron = { from = 0.3 }",
            "line 2, column 8: expected the key to for iron, found { from = 0.3 }",
        );
    }
}
