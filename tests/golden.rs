//! Golden replays: what the analysis says of the recordings in `recordings/`, rounded so that a compiler
//! does not show. A change of behaviour shows as a change of a snapshot.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}

use serde_json::Value;
use std::fmt::Write;
use std::path::Path;
use support::binary::{code, errors, run};

/// One line per swing: what a coach would notice if it changed.
fn digest(file: &str, live: bool) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings").join(file);
    let mut arguments = vec!["analyze", path.to_str().unwrap(), "--json"];
    arguments.extend(live.then_some("--live"));
    let output = run(&arguments);
    let object: Value = serde_json::from_slice(&output.stdout).unwrap();
    let mut text = format!("exit code {}\n", code(&output));
    for line in errors(&output).lines() {
        writeln!(text, "{line}").unwrap();
    }
    for swing in object["swings"].as_array().unwrap() {
        writeln!(text, "{}", line(swing)).unwrap();
    }
    for loss in object["losses"].as_array().unwrap() {
        writeln!(text, "{loss}").unwrap();
    }
    text
}

fn line(swing: &Value) -> String {
    let rounded = |value: &Value, step: f64| {
        value.as_f64().map_or("-".to_owned(), |value| format!("{}", (value / step).round() * step + 0.0))
    };
    let hinge = &swing["hinge_deg"];
    format!(
        "{} {} {} set {} ms, travel {} %, hinge set {} top {} max {} impact {}, lag {}, backswing {} ms, cue {} {}",
        swing["index"],
        swing["club"].as_str().unwrap_or("-"),
        swing["class"].as_str().unwrap(),
        rounded(&swing["set_to_top_ms"], 1.0),
        swing["arm_travel_at_set"].as_f64().map_or("-".to_owned(), |travel| format!("{:.0}", travel * 100.0)),
        rounded(&hinge["set"], 1.0),
        rounded(&hinge["top"], 1.0),
        rounded(&hinge["max"], 1.0),
        rounded(&hinge["impact"], 1.0),
        rounded(&swing["arm_shaft_deg"]["arm_horizontal_down"], 1.0),
        (swing["top_us"].as_i64().unwrap() - swing["takeaway_us"].as_i64().unwrap()) / 1000,
        swing["cue"].as_str().unwrap_or("-"),
        swing["flags"],
    )
}

#[test]
fn three_clubs() {
    insta::assert_snapshot!(digest("three-clubs.csv.gz", false));
}

#[test]
fn three_clubs_live() {
    insta::assert_snapshot!(digest("three-clubs.csv.gz", true));
}

#[test]
fn left_handed() {
    let recording = digest("left-handed.mcap", false);
    assert_eq!(recording, digest("left-handed.csv.gz", false), "a recording and its export");
    insta::assert_snapshot!(recording);
}

#[test]
fn a_torn_recording_gives_what_it_still_holds() {
    insta::assert_snapshot!(digest("torn.mcap", false));
}
