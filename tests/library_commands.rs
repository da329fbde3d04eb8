//! The library's commands as a user gives them: what they print, how they end, what they refuse.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/binary.rs"]
mod binary;
#[path = "support/library_command.rs"]
mod library_command;
#[path = "support/shelf.rs"]
mod shelf;

use binary::{code, errors, run};
use hingeclock::record::measures::Measures;
use hingeclock::review::serve::bench::{Bench, Shelf};
use hingeclock::review::{OfPlayer, Windows};
use library_command::{add, json, library};
use serde_json::Value;
use std::fs;
use std::path::Path;

const RAW: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/recordings/left-handed.csv.gz");

/// Begun an hour ago, ten days ago and two months ago: the day, the week and the usual week each count theirs.
#[test]
#[allow(clippy::disallowed_methods, reason = "the command holds recordings against the wall clock")]
fn the_load_counts_a_day_a_week_and_what_is_usual() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap();
    let hour_ms = 3_600_000;
    for (name, hours, swings, seed) in [("new", 1, 2, 1), ("before", 240, 3, 2), ("old", 1440, 1, 3)] {
        let session = shelf::session("Robin", i64::try_from(now.as_millis()).unwrap() - hours * hour_ms);
        let bytes = shelf::recorded(&shelf::bucket(swings, seed), &session);
        shelf::put(folder, &format!("{name}.mcap"), &session, &bytes);
    }
    let load = json(folder, &["load", "Robin"]);
    assert_eq!((&load["swings_day"], &load["swings_week"]), (&Value::from(2), &Value::from(2)));
    assert_eq!((&load["swings_usual_week"], &load["week_to_usual"]), (&Value::from(1.0), &Value::from(2.0)));
    assert_eq!(load["climbs_fast"], false, "so few are no climb");
    let text = String::from_utf8(library(folder, &["load", "Robin"]).stdout).unwrap();
    assert!(text.contains("2 swings in the last 24 hours, 2 in the last 7 days"), "{text}");
    assert_eq!(code(&library(folder, &["load", "Bo"])), 1);
}

#[test]
fn a_bucket_is_listed_shown_remarked_merged_split_deleted_and_brought_back() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "morning.mcap", "Robin", 2, 1);
    add(folder, "noon.mcap", "Robin", 1, 2);
    add(folder, "other.mcap", "Ann", 0, 3);
    let list = json(folder, &["list", "--player", "Robin"]);
    assert_eq!(list["buckets"].as_array().unwrap().len(), 2);
    assert_eq!(list["buckets"][0]["swings"], 2);
    for arguments in [
        &["remark", "morning", "2", "--exclude", "topped"][..],
        &["remark", "morning", "1", "--club", "iron 7"],
        &["remark", "noon", "--tag", "rain"],
    ] {
        let output = library(folder, arguments);
        assert_eq!((code(&output), errors(&output)), (0, String::new()));
    }
    assert_eq!(json(folder, &["list", "--tag", "rain"])["buckets"].as_array().unwrap().len(), 1);
    let trend = json(folder, &["trend", "Robin"]);
    let clubs: Vec<&Value> = trend["clubs"].as_array().unwrap().iter().collect();
    assert_eq!(clubs.len(), 2, "the excluded swing is left out, the corrected club counts: {trend}");
    assert_eq!((&clubs[0]["club"], &clubs[0]["swings"]), (&Value::from("iron 7"), &Value::from(1)));

    assert_eq!(code(&library(folder, &["merge", "noon", "morning", "--as", "day"])), 0);
    let day = json(folder, &["show", "day"]);
    assert_eq!(day["swings"].as_array().unwrap().len(), 3);
    assert_eq!(day["swings"][1]["excluded"], "topped");
    assert_eq!(code(&library(folder, &["split", "day", "--before", "2"])), 1, "its clock started anew");
    assert_eq!(code(&library(folder, &["rename", "day", "whole"])), 0);
    assert_eq!(code(&library(folder, &["move", "whole", "2026"])), 0);
    assert_eq!(code(&library(folder, &["delete", "whole"])), 0);
    let trash = json(folder, &["trash"]);
    assert_eq!(trash["trash"].as_array().unwrap().len(), 3, "{trash}");
    assert_eq!(code(&library(folder, &["restore", "morning"])), 0);
    assert_eq!(code(&library(folder, &["split", "morning", "--before", "2"])), 0);
    assert_eq!(json(folder, &["show", "morning-2", "1"])["swings"][0]["excluded"], "topped");
    let first = json(folder, &["show", "morning-1"]);
    assert_eq!(
        first["remarks"].as_array().unwrap().len(),
        1,
        "nobody said that the split came to its end: {first}"
    );
    let verified = library(folder, &["verify", "--numbers"]);
    assert_eq!(code(&verified), 0, "{}", String::from_utf8_lossy(&verified.stdout));
    assert_eq!(code(&library(folder, &["rebuild"])), 0);
}

/// A folder named by mistake gets no index, no lock, and loses nothing.
#[test]
fn a_folder_that_is_no_library_stays_untouched() {
    let other = tempfile::tempdir().unwrap();
    fs::write(other.path().join("index.sqlite"), "another program's").unwrap();
    fs::write(other.path().join("letter.txt"), "Dear Ann").unwrap();
    let empty = tempfile::tempdir().unwrap();
    let content = |folder: &Path| -> Vec<(String, Vec<u8>)> {
        let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap());
        let read =
            |entry: fs::DirEntry| (entry.file_name().into_string().unwrap(), fs::read(entry.path()).unwrap());
        let mut content: Vec<_> = entries.map(read).collect();
        content.sort();
        content
    };
    let before = content(other.path());
    let reading: [&[&str]; 9] = [
        &["list"],
        &["list-files"],
        &["show", "a"],
        &["trend", "Robin"],
        &["load", "Robin"],
        &["players"],
        &["trash"],
        &["verify"],
        &["rebuild"],
    ];
    for folder in [other.path(), empty.path()] {
        for arguments in reading {
            let output = library(folder, arguments);
            let expected =
                format!("{}: expected a folder with recordings (NAME.mcap), found none", folder.display());
            assert_eq!(code(&output), 1, "{arguments:?}");
            assert!(errors(&output).contains(&expected), "{arguments:?}: {}", errors(&output));
        }
        let page = run(&["review", folder.to_str().unwrap(), "--page", "--page-port", "0"]);
        assert_eq!(code(&page), 1, "{}", errors(&page));
    }
    assert_eq!((content(other.path()), content(empty.path())), (before, Vec::new()));
    assert_eq!(
        code(&library(
            empty.path(),
            &["import", RAW, "--player", "Robin", "--recorded", "2026-04-12T09:30:00Z"]
        )),
        0
    );
    assert_eq!(json(empty.path(), &["list"])["buckets"].as_array().unwrap().len(), 1, "now it is one");
    fs::remove_file(empty.path().join("index.sqlite")).unwrap();
    assert_eq!(code(&library(empty.path(), &["list"])), 0, "recordings without an index");
}

/// Nobody and nothing is named by an empty text.
#[test]
fn an_empty_name_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 1, 1);
    for (arguments, exit, expected) in [
        (&["players", "--example", ""][..], 2, "expected a name, found none"),
        (&["players", "--example", "  "], 2, "expected a name, found none"),
        (
            &["import", RAW, "--player", " ", "--recorded", "2026-04-12T09:30:00Z"],
            1,
            "expected a player's name",
        ),
        (&["rename", "a", ""], 1, "expected a name or path within the library"),
        (&["remark", "a", "1", "--club", " "], 1, "expected a text of 1 to 4000 characters"),
    ] {
        let output = library(folder, arguments);
        assert_eq!((code(&output), output.stdout.len()), (exit, 0), "{arguments:?}");
        assert!(errors(&output).contains(expected), "{arguments:?}: {}", errors(&output));
    }
    assert_eq!(code(&run(&["run", "--ble", "--glove", ""])), 2);
}

#[test]
fn what_cannot_be_done_says_what_was_expected() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 1, 1);
    add(folder, "b.mcap", "Ann", 0, 2);
    add(folder, "sub/a.mcap", "Robin", 0, 3);
    let check = |arguments: &[&str], exit: i32, expected: &str| {
        let output = library(folder, arguments);
        assert_eq!(code(&output), exit, "{arguments:?}: {}", errors(&output));
        assert!(errors(&output).contains(expected), "{arguments:?}: {}", errors(&output));
    };
    check(
        &["show", "c"],
        1,
        "expected the name of one of 3 recordings (`library list` tells them), found \"c\"",
    );
    let nobody = library(folder, &["list", "--player", "Nobody"]);
    let said = String::from_utf8_lossy(&nobody.stdout).into_owned();
    assert!(said.starts_with("no recording like that in "), "{said}");
    check(&["show", "a", "7"], 1, "expected a swing from 1 to 1 of a.mcap, found 7");
    check(&["rename", "a", "../x"], 1, "expected a name without a folder");
    check(&["move", "a", "../x"], 1, "expected a name or path within the library");
    check(&["move", "a", "trash"], 1, "expected a name or path within the library");
    check(&["rename", "a", "b"], 1, "expected a name that is free, found b.mcap");
    check(
        &["merge", "a", "b", "--as", "x"],
        1,
        "expected recordings of one player, \"Robin\" (right-handed), found b.mcap",
    );
    check(&["split", "a", "--before", "1"], 1, "expected a recording of two swings or more, found 1");
    check(&["rename", "a", "two\nlines"], 1, "without line ends");
    check(&["remark", "a", "1", "--note", "  "], 1, "found blanks alone");
    check(&["restore", "a"], 1, "expected a recording in the trash, which is empty");
    check(&["remark", "a", "--exclude", "x"], 1, "expected a swing, found none");
    check(&["remark", "a"], 2, "required");
    check(
        &["remark", "a", "--untag", "windy"],
        1,
        "expected a tag that is there (there is none), found \"windy\"",
    );
    for command in ["trend", "load"] {
        check(&[command, "Bo"], 1, "expected a player of the recordings (Ann, Robin), found \"Bo\"");
    }
    fs::create_dir(folder.join("players")).unwrap();
    fs::write(folder.join("players/r.toml"), "name = \"Robin\"\nheight = 2\n").unwrap();
    check(&["trend", "Robin"], 1, "r.toml, line 2, column 1: expected known keys");
    let output = run(&["library", "--folder", "/nonexistent/x", "list"]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("/nonexistent/x: expected a folder with recordings, found none"));
}

#[test]
fn a_damaged_recording_is_found_by_verify() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 0, 1);
    assert_eq!(code(&library(folder, &["verify"])), 0);
    let mut bytes = fs::read(folder.join("a.mcap")).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 40].fill(0x5a);
    fs::write(folder.join("a.mcap"), bytes).unwrap();
    let output = library(folder, &["verify"]);
    assert_eq!(code(&output), 3);
    assert!(String::from_utf8_lossy(&output.stdout).contains("a.mcap: "), "{output:?}");
    let zip = folder.join("a.zip");
    for arguments in [&["show", "a"][..], &["show", "a", "--json"], &["pack", "a", zip.to_str().unwrap()]] {
        assert_eq!(code(&library(folder, arguments)), 3, "{arguments:?}");
    }
    fs::write(folder.join("b.mcap"), "no recording at all").unwrap();
    let output = library(folder, &["show", "b"]);
    assert_eq!(code(&output), 3, "{output:?}");
    assert!(String::from_utf8_lossy(&output.stdout).contains("expected a recording"), "{output:?}");
}

/// Swings of a recording, which may be a damaged one.
fn swings(folder: &Path, name: &str) -> usize {
    let output = library(folder, &["show", name, "--json"]);
    assert!([0, 3].contains(&code(&output)), "{}", errors(&output));
    let shown: Value = serde_json::from_slice(&output.stdout).unwrap();
    shown["swings"].as_array().unwrap().len()
}

/// The golden recordings were made faster than a player moves: the calibration is told by the hand's clock.
#[test]
fn a_recording_made_faster_than_real_time_is_split_without_a_swing_in_both_parts() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::copy("recordings/left-handed.mcap", folder.join("whole.mcap")).unwrap();
    assert_eq!(swings(folder, "whole"), 4);
    let output = library(folder, &["split", "whole", "--before", "3"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let list = json(folder, &["list"]);
    let parts: Vec<&Value> = list["buckets"].as_array().unwrap().iter().map(|part| &part["swings"]).collect();
    assert_eq!(parts, [&Value::from(2), &Value::from(2)]);
}

#[test]
fn a_copy_of_a_recording_is_not_merged_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 1, 1);
    fs::copy(folder.join("a.mcap"), folder.join("b.mcap")).unwrap();
    let output = library(folder, &["merge", "a", "b", "a", "--as", "day"]);
    assert_eq!(code(&output), 1);
    let told = "expected different recordings, found b.mcap twice, once under another name";
    assert!(errors(&output).contains(told), "{}", errors(&output));
    assert!(folder.join("a.mcap").exists() && folder.join("b.mcap").exists());
    assert_eq!(json(folder, &["list"])["buckets"].as_array().unwrap().len(), 2);
}

/// Whatever counts swings or buckets counts a recording once, however often it lies in the library; a copy of which the
/// first cannot be read counts in its place.
#[test]
fn a_copy_of_a_recording_counts_once() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    for (name, seed) in [("a", 1), ("b", 2), ("c", 3)] {
        add(folder, &format!("{name}.mcap"), "Robin", 3, seed);
    }
    let sides = ["contrast", "--first", "a", "b", "--second", "c"];
    let counted = || [json(folder, &["trend", "Robin"]), json(folder, &sides)];
    let before = counted();
    fs::copy(folder.join("a.mcap"), folder.join("b copied.mcap")).unwrap();
    fs::copy(folder.join("c.mcap"), folder.join("c copied.mcap")).unwrap();
    assert_eq!(counted(), before);
    // A list shows every file, and says which are copies.
    let list = json(folder, &["list"]);
    let listed = list["buckets"].as_array().unwrap();
    let copies: Vec<&str> =
        listed.iter().filter(|row| row["counts"] == false).map(|row| row["path"].as_str().unwrap()).collect();
    assert_eq!((listed.len(), copies), (5, vec!["b copied.mcap", "c copied.mcap"]));
    let table = String::from_utf8(library(folder, &["list"]).stdout).unwrap();
    assert_eq!(table.matches("a copy: counts once").count(), 2, "{table}");
    // On one side it is refused, on the other it is the same bucket and no other day.
    let output = library(folder, &["contrast", "--first", "a", "b", "b copied", "--second", "c"]);
    let told = "a.mcap and b copied.mcap: expected each recording once on a side, found it twice";
    assert!(code(&output) == 1 && errors(&output).contains(told), "{}", errors(&output));
    let clubs = |second: &str| {
        let clubs = ["--club", "iron", "--second-club", "driver"];
        json(folder, &[&["contrast", "--first", "c", "--second", second][..], &clubs].concat())["compared"]
            .clone()
    };
    assert_eq!(clubs("c copied"), clubs("c"));
    // Of two copies the one that can be read counts.
    fs::write(folder.join("a.mcap"), &fs::read(folder.join("a.mcap")).unwrap()[..300]).unwrap();
    let trend = json(folder, &["trend", "Robin"]);
    let swings = |trend: &Value| -> i64 {
        trend["clubs"].as_array().unwrap().iter().map(|club| club["swings"].as_i64().unwrap()).sum()
    };
    assert_eq!(swings(&trend), swings(&before[0]));
}

#[test]
fn a_recording_that_cannot_be_read_comes_back_from_the_trash() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("junk.mcap"), b"not a recording").unwrap();
    assert_eq!(code(&library(folder, &["delete", "junk"])), 0);
    assert!(!folder.join("junk.mcap").exists());
    let trash = library(folder, &["trash"]);
    assert!(String::from_utf8_lossy(&trash.stdout).contains("junk.mcap"), "{trash:?}");
    let output = library(folder, &["restore", "junk"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    assert_eq!(fs::read(folder.join("junk.mcap")).unwrap(), b"not a recording");
}

#[test]
fn files_that_are_not_the_librarys_stay() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 1, 1);
    for (name, size) in [("plan.unready", 4), ("a.remarks.jsonl", 17 << 20)] {
        fs::write(folder.join(name), vec![b'x'; size]).unwrap();
    }
    fs::write(folder.join("half.mcap.unready"), b"begun").unwrap();
    let list = json(folder, &["list"]);
    assert_eq!(
        list["buckets"][0]["swings"], 1,
        "a file beside a recording that cannot be read shuts nothing"
    );
    assert!(folder.join("plan.unready").exists() && folder.join("a.remarks.jsonl").exists());
    assert!(!folder.join("half.mcap.unready").exists(), "what the library itself had begun goes");
    let verified = library(folder, &["verify"]);
    assert!(String::from_utf8_lossy(&verified.stdout).contains("a.remarks.jsonl"), "{verified:?}");
}

#[test]
fn a_tag_that_was_taken_off_is_no_longer_found() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 1, 1);
    let found = || json(folder, &["list", "--tag", "wind"])["buckets"].as_array().unwrap().len();
    assert_eq!(code(&library(folder, &["remark", "a", "--tag", "wind"])), 0);
    assert_eq!(found(), 1);
    assert_eq!(code(&library(folder, &["remark", "a", "--untag", "wind"])), 0);
    assert_eq!(found(), 0);
}

#[test]
fn what_people_wrote_does_not_steer_the_terminal() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 1, 1);
    assert_eq!(code(&library(folder, &["remark", "a", "--note", "red \u{1b}[31m"])), 0);
    let output = library(folder, &["show", "a"]);
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(text.contains("red ?[31m") && !text.contains('\u{1b}'), "{text}");
}

#[test]
fn a_club_that_a_player_never_used_is_no_empty_table() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", "Robin", 3, 1);
    let output = library(folder.path(), &["trend", "Robin", "--club", "putter"]);
    assert_eq!(code(&output), 1);
    let told = "expected a club with swings of \"Robin\" that count (iron, driver), found \"putter\"";
    assert!(errors(&output).contains(told), "{}", errors(&output));
    let trend = json(folder.path(), &["trend", "Robin", "--club", "iron"]);
    let clubs: Vec<&Value> = trend["clubs"].as_array().unwrap().iter().map(|club| &club["club"]).collect();
    assert_eq!(clubs, ["iron"]);
}

#[test]
fn players_take_their_windows_from_the_settings_and_an_example_needs_no_library() {
    let folder = tempfile::tempdir().unwrap();
    let settings = folder.path().join("s.toml");
    fs::write(&settings, "[targets]\nputter = { from = 0.1, to = 0.2 }\n").unwrap();
    let with = ["--settings", settings.to_str().unwrap()];
    let output =
        run(&[&["library", "players", "--folder", "/no/such", "--example", "Ann"][..], &with].concat());
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(
        text.contains("name = \"Ann\"") && text.contains("\"putter\" = { from = 0.1, to = 0.2 }"),
        "{text}"
    );
    add(folder.path(), "a.mcap", "Robin", 0, 1);
    let players = json(folder.path(), &[&["players"][..], &with].concat());
    let targets = &players["players"][0]["targets"];
    assert_eq!(targets["putter"], serde_json::json!({ "from": 0.1, "to": 0.2 }), "{targets}");
}

/// Nobody types a note first and is refused then.
#[test]
fn a_page_of_a_library_that_another_program_holds_says_that_it_takes_no_remarks() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", "Robin", 0, 1);
    let (holder, _) = shelf::open(folder.path());
    let key = holder.index().buckets().unwrap()[0].facts.uuid.to_string();
    let reason = || {
        let (library, _) = shelf::open(folder.path());
        let of_player =
            Box::new(|_: &str| OfPlayer { windows: Windows::default(), measures: Ok(Measures::default()) });
        let shelf = Shelf { library, of_player, tell: Box::new(|_: &str| ()) };
        let bench = Bench::of_library(shelf, Box::new(|| shelf::NOW));
        bench.bucket(&key, None).unwrap().says_nothing()
    };
    assert!(reason().unwrap().contains("open for reading only"), "{:?}", reason());
    drop(holder);
    assert_eq!(reason(), None);
}

#[test]
fn what_changes_something_answers_in_json_too() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", "Robin", 1, 1);
    let said = json(folder.path(), &["remark", "a", "1", "--tag", "wind"]);
    let expected = serde_json::json!({ "schema": 1, "path": "a.mcap", "swing": 1, "remarks": 1 });
    assert_eq!(said, expected);
    let rebuilt = json(folder.path(), &["rebuild"]);
    assert_eq!(rebuilt, serde_json::json!({ "schema": 1, "recordings": 1, "analysed": 1 }));
}

#[test]
fn other_settings_are_said_to_cost_an_analysis() {
    let folder = tempfile::tempdir().unwrap();
    add(folder.path(), "a.mcap", "Robin", 0, 1);
    assert_eq!(code(&library(folder.path(), &["list"])), 0);
    let settings = folder.path().join("s.toml");
    fs::write(&settings, "[bands]\nlate_from = 0.8\n").unwrap();
    let output = library(folder.path(), &["list", "--settings", settings.to_str().unwrap()]);
    assert!(errors(&output).contains("the index was made for other settings"), "{}", errors(&output));
}

#[test]
fn a_recording_that_may_still_be_going_on_is_not_split() {
    let folder = tempfile::tempdir().unwrap();
    let bytes = fs::read("recordings/left-handed.mcap").unwrap();
    fs::write(folder.path().join("now.mcap"), &bytes[..1_150_000]).unwrap();
    assert!(swings(folder.path(), "now") >= 2);
    let output = library(folder.path(), &["split", "now", "--before", "2"]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("expected a recording that is over"), "{}", errors(&output));
}

#[test]
fn a_recording_is_found_by_its_path_its_name_and_its_number() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 0, 1);
    add(folder, "sub/a.mcap", "Robin", 0, 2);
    add(folder, "sub/b.mcap", "Robin", 0, 3);
    let path = |word: &str| json(folder, &["show", word])["bucket"]["path"].as_str().unwrap().to_owned();
    assert_eq!(
        (path("a"), path("a.mcap"), path("sub/a")),
        ("a.mcap".into(), "a.mcap".into(), "sub/a.mcap".into())
    );
    assert_eq!((path("b"), path("b.mcap")), ("sub/b.mcap".into(), "sub/b.mcap".into()));
    let number = json(folder, &["show", "b"])["bucket"]["number"].as_str().unwrap().to_owned();
    assert_eq!((path(&number), path(&number[..9])), ("sub/b.mcap".into(), "sub/b.mcap".into()));
    assert_eq!(path(&number[..9].to_uppercase()), "sub/b.mcap");
    for word in ["%", "_", &number[1..9], "zzzz"] {
        assert_eq!(code(&library(folder, &["show", word])), 1, "{word}");
    }
}

/// A version that finds one swing more or fewer counts the others otherwise; what was said of one stays with it.
#[test]
fn a_remark_is_shown_with_the_swing_that_it_was_made_of_whatever_its_number_was() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "day.mcap", "Robin", 2, 1);
    assert_eq!(code(&library(folder, &["remark", "day", "2", "--note", "windy"])), 0);
    let (path, number) = (folder.join("day.remarks.jsonl"), "\"place\":");
    let said = std::fs::read_to_string(&path).unwrap();
    assert!(said.contains(&format!("{number}2")), "{said}");
    std::fs::write(&path, said.replace(&format!("{number}2"), &format!("{number}1"))).unwrap();
    let shown = |arguments: &[&str]| String::from_utf8(library(folder, arguments).stdout).unwrap();
    assert!(shown(&["show", "day"]).contains("swing 2: note windy"), "{}", shown(&["show", "day"]));
    assert!(
        shown(&["show", "day", "2"]).contains("windy") && !shown(&["show", "day", "1"]).contains("windy")
    );
}
