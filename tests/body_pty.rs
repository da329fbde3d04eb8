//! Chest and belt all the way: sent by `emulate --nodes`, heard and recorded by the daemon, exported, analysed.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

mod support {
    pub mod binary;
}

use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use support::binary::{code, emulate, errors, listen, recording, run, swings};

fn rows_by_node(csv: &Path) -> BTreeMap<String, usize> {
    let mut rows = BTreeMap::new();
    for line in std::fs::read_to_string(csv).unwrap().lines().skip(1) {
        *rows.entry(line.split(',').nth(1).unwrap().to_owned()).or_insert(0) += 1;
    }
    rows
}

#[test]
fn chest_and_belt_come_through_the_daemon_and_are_measured() {
    let folder = tempfile::tempdir().unwrap();
    let nodes = "hand,forearm,chest,belt";
    let (_glove, port) = emulate(&["--bucket", "left-handed", "--nodes", nodes, "--unpaced"]);
    let output = run(&listen(&port, folder.path().to_str().unwrap()));
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let recorded = recording(folder.path());
    let exported = folder.path().join("exported.csv");
    let output = run(&["export", recorded.to_str().unwrap(), exported.to_str().unwrap()]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let rows = rows_by_node(&exported);
    assert_eq!(rows.keys().map(String::as_str).collect::<Vec<_>>(), ["0", "1", "2", "3"]);
    assert!(rows.values().all(|count| count.abs_diff(rows["0"]) < 100), "{rows:?}");
    let device: Value =
        serde_json::from_slice(&std::fs::read(folder.path().join("exported.device.json")).unwrap()).unwrap();
    let places: Vec<&str> =
        device["nodes"].as_array().unwrap().iter().map(|node| node["place"].as_str().unwrap()).collect();
    assert_eq!(places, ["hand", "forearm", "chest", "belt"]);

    let (from_recording, from_csv) = (swings(&recorded), swings(&exported));
    assert_eq!(from_recording, from_csv);
    let told = from_recording.as_array().unwrap();
    assert!(told.len() >= 4, "{}", told.len());
    for swing in told {
        for segment in ["pelvis", "chest"] {
            let segment = &swing["body"][segment];
            assert!(segment["turn_at_top_deg"].as_f64().unwrap() > 10.0, "{segment}");
            assert!(segment["lead_to_top_ms_sd"].as_f64().unwrap() > 0.0, "{segment}");
        }
    }
}

#[test]
fn a_node_that_does_not_exist_is_refused() {
    let output = run(&["emulate", "--nodes", "hand,hat"]);
    assert_eq!(code(&output), 2);
    assert!(
        errors(&output).contains("expected hand, forearm, chest or belt, found \"hat\""),
        "{}",
        errors(&output)
    );
}
