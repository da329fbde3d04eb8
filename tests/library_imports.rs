//! What comes into a library from a raw CSV: its numbers, its date, its player, what was lost of it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/binary.rs"]
mod binary;
#[path = "support/library_command.rs"]
mod library_command;
#[path = "support/shelf.rs"]
mod shelf;

use binary::{code, errors, run};
use hingeclock::sample::{Arrival, NodeRole};
use library_command::{add, json, library};
use std::fs;
use std::path::Path;

#[test]
fn an_imported_csv_gives_the_numbers_that_the_csv_gives() {
    let folder = tempfile::tempdir().unwrap();
    let shelf = folder.path().join("library");
    add(folder.path(), "a.mcap", "Robin", 2, 1);
    let (recording, csv) = (folder.path().join("a.mcap"), folder.path().join("old.csv"));
    assert_eq!(code(&run(&["export", recording.to_str().unwrap(), csv.to_str().unwrap()])), 0);
    let arguments =
        ["import", csv.to_str().unwrap(), "--player", "Robin", "--recorded", "2026-04-12T09:30:00Z"];
    let output = library(&shelf, &arguments);
    assert_eq!((code(&output), errors(&output).as_str()), (0, ""));
    assert_eq!(binary::swings(&shelf.join("old.mcap")), binary::swings(&csv));
    assert_eq!(json(&shelf, &["show", "old"])["bucket"]["started_unix_ms"], 1_775_986_200_000_i64);
    let again = library(&shelf, &arguments);
    assert_eq!(code(&again), 1);
    assert!(errors(&again).contains("expected a CSV that is not in the library yet"), "{}", errors(&again));
}

#[test]
fn an_imported_csv_was_recorded_when_its_markers_say_unless_that_is_said_otherwise() {
    let folder = tempfile::tempdir().unwrap();
    let (shelf, csv) = (folder.path().join("library"), folder.path().join("old.csv"));
    add(folder.path(), "a.mcap", "Robin", 1, 1);
    let recording = folder.path().join("a.mcap");
    assert_eq!(code(&run(&["export", recording.to_str().unwrap(), csv.to_str().unwrap()])), 0);
    let markers = csv.with_extension("markers.csv");
    let first =
        fs::read_to_string(&csv).unwrap().lines().nth(1).unwrap().rsplit_once(',').unwrap().1.to_owned();
    let later_us = first.parse::<i64>().unwrap() + 3_000_000;
    let text = fs::read_to_string(&markers).unwrap();
    fs::write(&markers, format!("{text}{later_us},time,unix_ms=1775986200000\n")).unwrap();
    let begun = |name: &str, more: &[&str]| {
        let import = ["import", csv.to_str().unwrap(), "--player", "Robin", "--as", name];
        let output = library(&shelf, &[&import, more].concat());
        assert_eq!((code(&output), errors(&output).as_str()), (0, ""));
        json(&shelf, &["show", name])["bucket"]["started_unix_ms"].as_i64().unwrap()
    };
    let told = begun("told", &[]) - 1_775_986_200_000;
    assert!((-4000..=-2900).contains(&told), "{told} ms");
    assert_eq!(begun("said", &["--recorded", "2026-04-12T09:30:00Z"]), 1_775_986_200_000);
}

/// The host of a CSV may have run for any time before; that time is none of the recording's.
#[test]
fn the_second_half_of_an_imported_csv_begins_minutes_after_the_first() {
    let folder = tempfile::tempdir().unwrap();
    let shelf = folder.path().join("library");
    add(folder.path(), "a.mcap", "Robin", 2, 1);
    let (recording, csv) = (folder.path().join("a.mcap"), folder.path().join("old.csv"));
    assert_eq!(code(&run(&["export", recording.to_str().unwrap(), csv.to_str().unwrap()])), 0);
    let later = |text: &str| (text.parse::<i64>().unwrap() + 15 * 3_600_000_000).to_string();
    rewritten(&csv, |row| row.rsplit_once(',').map(|(row, host_us)| format!("{row},{}", later(host_us))));
    rewritten(&csv.with_extension("markers.csv"), |row| {
        row.split_once(',').map(|(host_us, row)| format!("{},{row}", later(host_us)))
    });
    let arguments =
        ["import", csv.to_str().unwrap(), "--player", "Robin", "--recorded", "2026-04-12T09:30:00Z"];
    assert_eq!(code(&library(&shelf, &arguments)), 0);
    assert_eq!(code(&library(&shelf, &["split", "old", "--before", "2"])), 0);
    let begun = |name| json(&shelf, &["show", name])["bucket"]["started_unix_ms"].as_i64().unwrap();
    let between_ms = begun("old-2") - begun("old-1");
    assert!((1_000..600_000).contains(&between_ms), "{between_ms} ms");
}

/// Every row but the header as `new` makes it.
fn rewritten(path: &Path, new: impl Fn(&str) -> Option<String>) {
    let text = fs::read_to_string(path).unwrap();
    let (header, rows) = text.split_once('\n').unwrap();
    let rows: Vec<String> = rows.lines().map(|row| new(row).unwrap()).collect();
    fs::write(path, format!("{header}\n{}\n", rows.join("\n"))).unwrap();
}

#[test]
fn what_was_lost_at_an_import_is_told_ever_after() {
    let folder = tempfile::tempdir().unwrap();
    let shelf = folder.path().join("library");
    add(folder.path(), "a.mcap", "Robin", 1, 1);
    let csv = folder.path().join("old.csv");
    let recording = folder.path().join("a.mcap");
    assert_eq!(code(&run(&["export", recording.to_str().unwrap(), csv.to_str().unwrap()])), 0);
    let text = fs::read_to_string(&csv).unwrap();
    let broken: String = text
        .lines()
        .enumerate()
        .map(|(at, line)| if at == 500 { "not a row\n".to_owned() } else { format!("{line}\n") })
        .collect();
    fs::write(&csv, broken).unwrap();
    let output = library(&shelf, &["import", csv.to_str().unwrap(), "--player", "Robin"]);
    assert_eq!(code(&output), 3, "{}", errors(&output));
    fs::remove_file(&csv).unwrap();
    let told = "lost of the file this was imported from: line 501 skipped";
    for arguments in [&["show", "old"][..], &["rebuild"], &["show", "old"]] {
        let output = library(&shelf, arguments);
        assert_eq!(code(&output), 0);
        let text = String::from_utf8_lossy(&output.stdout);
        assert!(arguments[0] == "rebuild" || text.contains(told), "{text}");
    }
    let output = run(&["analyze", shelf.join("old.mcap").to_str().unwrap()]);
    assert!(errors(&output).contains(told), "{}", errors(&output));
}

/// Without a device file each node is taken for a nominal one, on the trunk as well; a file that lacks one is wrong.
#[test]
fn a_csv_with_nodes_on_the_trunk_needs_no_device_file() {
    let folder = tempfile::tempdir().unwrap();
    let (shelf, csv) = (folder.path().join("library"), folder.path().join("trunk.csv"));
    let rows = (0..2000)
        .flat_map(|i| (0..4).map(move |node| format!("{},{node},{i},0,0,0,0,1,0,{}\n", 2000 * i, 2000 * i)));
    let text: String =
        std::iter::once("t_us,node,seq,gx,gy,gz,ax,ay,az,host_us\n".to_owned()).chain(rows).collect();
    fs::write(&csv, text).unwrap();
    let import = |shelf: &Path, name: &str| {
        library(shelf, &["import", csv.to_str().unwrap(), "--player", "Robin", "--as", name])
    };
    let output = import(&shelf, "assumed");
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let input = hingeclock::record::input::open_input(&shelf.join("assumed.mcap")).unwrap();
    let roles: Vec<NodeRole> = input.device.nodes.iter().map(|node| node.role).collect();
    assert_eq!(roles, NodeRole::ALL);
    let samples = input.arrivals.filter(|arrival| matches!(arrival, Ok(Arrival::Sample(_)))).count();
    assert_eq!(samples, 8000);
    let hand = r#"{"node": 0, "rate_hz": 500, "gyro_fs_dps": 4000, "acc_fs_g": 32}"#;
    let described = format!(r#"{{"player_hand": "right", "nodes": [{hand}]}}"#);
    fs::write(csv.with_extension("device.json"), described).unwrap();
    let output = import(&folder.path().join("other"), "described");
    assert!(
        code(&output) == 1 && errors(&output).contains("a node that the device file lacks"),
        "{}",
        errors(&output)
    );
}

#[test]
fn a_csv_that_says_which_hand_is_believed() {
    let folder = tempfile::tempdir().unwrap();
    let csv = "recordings/left-handed.csv.gz";
    let output = library(folder.path(), &["import", csv, "--player", "Wren (invented)", "--as", "wren"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    assert_eq!(json(folder.path(), &["show", "wren"])["bucket"]["hand"], "left");
    let about = hingeclock::record::library::made_from::about(&folder.path().join("wren.mcap")).unwrap();
    assert_eq!(about.session.unwrap().player_hand, hingeclock::units::PlayerHand::Left);
}

#[test]
fn an_import_needs_a_player_where_the_file_says_none_and_only_there() {
    let folder = tempfile::tempdir().unwrap();
    let check = |arguments: &[&str], exit: i32, expected: &str| {
        let output = library(folder.path(), arguments);
        assert_eq!(code(&output), exit, "{arguments:?}");
        assert!(errors(&output).contains(expected), "{arguments:?}: {}", errors(&output));
    };
    let csv = "recordings/left-handed.csv.gz";
    let of_a_csv = "expected --player with a raw CSV, which does not say who played, found none";
    check(&["import", csv], 2, of_a_csv);
    check(&["import", csv, "--player", " "], 1, "expected a player's name, found none");
    check(&["import", "recordings/left-handed.mcap", "--player", "Bo"], 2, "expected no --player");
    check(&["import", "recordings/README.md", "--player", "Bo"], 1, "recordings/README.md");
    check(&["import", "recordings/README.md"], 1, "expected a header with the columns");
    assert_eq!(json(folder.path(), &["list"])["buckets"].as_array().unwrap().len(), 0);
}
