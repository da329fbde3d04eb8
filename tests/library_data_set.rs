//! The whole library for data programs: a data set that they query as it is, and a job on a real engine that analyses
//! all of it anew. Nothing is counted twice, however often it is cut off.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
#![cfg(feature = "parquet")]

#[path = "support/binary.rs"]
mod binary;
#[path = "support/python.rs"]
mod python;
#[path = "support/shelf.rs"]
mod shelf;

use binary::{Running, code, errors, hingeclock, run};
use python::{has, printed};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, SystemTime};

/// Players whose names are hard on paths and on readers.
const PLAYERS: [&str; 3] = ["Ann Bø", "a/b=c%2F", ""];

fn library(folder: &Path, arguments: &[&str]) -> Output {
    run(&[&["library", "--folder", folder.to_str().unwrap()], arguments].concat())
}

fn json_of(folder: &Path, arguments: &[&str]) -> Value {
    let output = library(folder, &[arguments, &["--json"]].concat());
    assert_eq!(code(&output), 0, "{arguments:?}: {}", errors(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// Two recordings for each player, a day apart; the first has a swing and the second two.
fn shelf_of(folder: &Path) -> PathBuf {
    let library = folder.join("library");
    for (at, player) in PLAYERS.iter().enumerate() {
        for day in 0..2 {
            let session = shelf::session(player, 1_700_000_000_000 + 86_400_000 * day + at as i64);
            let bucket = shelf::bucket(1 + day as usize, day as u64);
            shelf::put(&library, &format!("{at}-{day}.mcap"), &session, &shelf::recorded(&bucket, &session));
        }
    }
    library
}

fn exported(library: &Path, to: &Path, more: &[&str]) -> Value {
    json_of(library, &[&["export-parquet", to.to_str().unwrap()], more].concat())
}

/// What a Python program prints as JSON.
fn python(program: &str, to: &Path) -> Value {
    serde_json::from_str(&printed(program, &[to])).unwrap()
}

/// `[player, date, swings, least set]` for each recording, as the library itself says.
fn expected(library: &Path) -> Value {
    let mut rows = Vec::new();
    for bucket in json_of(library, &["list"])["buckets"].as_array().unwrap() {
        let shown = json_of(library, &["show", bucket["number"].as_str().unwrap()]);
        let swings = shown["swings"].as_array().unwrap();
        let sets = swings.iter().filter_map(|swing| swing["numbers"]["set_to_top_ms"]["value"].as_f64());
        let least = sets.reduce(f64::min);
        let day = bucket["started_unix_ms"].as_i64().unwrap() / 86_400_000;
        // 1 700 000 000 s after the epoch is on 2023-11-14.
        let date = ["2023-11-14", "2023-11-15"][usize::from(day > 19_675)];
        let player = Some(bucket["player"].as_str().unwrap()).filter(|name| !name.is_empty());
        rows.push(json!([player, date, swings.len(), least]));
    }
    rows.sort_by_key(ToString::to_string);
    Value::from(rows)
}

fn sorted(rows: Value) -> Value {
    let mut rows = rows.as_array().unwrap().clone();
    rows.sort_by_key(ToString::to_string);
    Value::from(rows)
}

const DUCKDB: &str = r#"
import duckdb, json, sys
rows = duckdb.sql(f"""select player, strftime(date, '%Y-%m-%d'), count(*), min(set_to_top_ms)
    from read_parquet('{sys.argv[1]}/swings/**/*.parquet', hive_partitioning = true)
    group by player, date, recording""").fetchall()
print(json.dumps(rows))
"#;

const PYARROW: &str = r#"
import json, sys
import pyarrow.dataset
table = pyarrow.dataset.dataset(f"{sys.argv[1]}/swings", partitioning="hive").to_table()
rows = table.group_by(["player", "date", "recording"]).aggregate([("index", "count"), ("set_to_top_ms", "min")])
print(json.dumps([[row["player"], row["date"], row["index_count"], row["set_to_top_ms_min"]] for row in rows.to_pylist()]))
"#;

const PYSPARK: &str = r#"
import json, sys
from pyspark.sql import SparkSession
spark = SparkSession.builder.master("local[2]").config("spark.ui.enabled", "false").getOrCreate()
spark.read.parquet(f"{sys.argv[1]}/swings").createOrReplaceTempView("swings")
rows = spark.sql("""select player, cast(date as string), count(*), min(set_to_top_ms) from swings
    group by player, date, recording""").collect()
samples = spark.read.parquet(f"{sys.argv[1]}/samples")
assert samples.count() > 10_000 and "recording" in samples.columns
print(json.dumps([list(row) for row in rows]))
"#;

#[test]
fn three_engines_find_every_swing_once_under_its_players_name() {
    let folder = tempfile::tempdir().unwrap();
    let (library, to) = (shelf_of(folder.path()), folder.path().join("set"));
    exported(&library, &to, &["--samples"]);
    let expected = expected(&library);
    assert_eq!(expected.as_array().unwrap().len(), 6, "{expected}");
    for (module, program) in [("duckdb", DUCKDB), ("pyarrow", PYARROW), ("pyspark", PYSPARK)] {
        if has(module) {
            assert_eq!(sorted(python(program, &to)), expected, "{module}");
        }
    }
    if has("duckdb") {
        let count = format!("select count(*) from '{}/samples/**/*.parquet'", to.display());
        let program = format!("import duckdb\nprint(duckdb.sql(\"{count}\").fetchall()[0][0])");
        let samples: i64 = json_of(&library, &["list"])["buckets"]
            .as_array()
            .unwrap()
            .iter()
            .map(|bucket| bucket["samples"].as_i64().unwrap())
            .sum();
        assert_eq!(python(&program, &to), samples);
    }
}

/// The Parquet files of a data set with their times of change.
fn files(folder: &Path) -> BTreeMap<PathBuf, SystemTime> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(inside) = folders.pop() {
        for entry in fs::read_dir(inside).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if !path.file_name().unwrap().to_string_lossy().starts_with(".hingeclock")
                // One that is not ready may get its name just now.
                && let Ok(about) = fs::metadata(&path)
            {
                found.insert(path, about.modified().unwrap());
            }
        }
    }
    found
}

fn counts(done: &Value) -> [i64; 4] {
    ["swings", "written", "kept", "removed"].map(|key| done[key].as_i64().unwrap())
}

#[test]
fn only_what_has_changed_is_written_again_and_what_has_left_goes() {
    let folder = tempfile::tempdir().unwrap();
    let (library_folder, to) = (shelf_of(folder.path()), folder.path().join("set"));
    assert_eq!(counts(&exported(&library_folder, &to, &[])), [9, 6, 0, 0]);
    let before = files(&to);
    assert_eq!(counts(&exported(&library_folder, &to, &[])), [9, 0, 6, 0]);
    assert_eq!(files(&to), before);
    // A remark changes one file, another name one more; a copy counts once, what is deleted goes.
    assert_eq!(code(&library(&library_folder, &["remark", "0-0", "1", "--exclude", "topped"])), 0);
    assert_eq!(code(&library(&library_folder, &["rename", "0-1", "other"])), 0);
    assert_eq!(code(&library(&library_folder, &["delete", "1-1"])), 0);
    fs::copy(library_folder.join("2-0.mcap"), library_folder.join("copy.mcap")).unwrap();
    assert_eq!(counts(&exported(&library_folder, &to, &[])), [7, 2, 3, 1]);
    // Whichever name comes first, the copy is the one that has nothing said of it.
    fs::copy(library_folder.join("0-0.mcap"), library_folder.join("0-0-copy.mcap")).unwrap();
    assert_eq!(counts(&exported(&library_folder, &to, &[])), [7, 0, 5, 0]);
    let inside = library_folder.join("set");
    let output = library(&library_folder, &["export-parquet", inside.to_str().unwrap()]);
    assert_eq!(code(&output), 1);
    assert!(errors(&output).contains("expected a folder outside the library"), "{}", errors(&output));
    assert!(!inside.exists());
    // What was cut off leaves an unready file, what rots is no Parquet any more: both are put right.
    let some = files(&to).into_keys().next().unwrap();
    fs::write(&some, "damaged").unwrap();
    let name = some.file_name().unwrap().to_string_lossy().into_owned();
    let unready = some.with_file_name(format!(".{name}.unready"));
    fs::write(&unready, "begun").unwrap();
    assert_eq!(counts(&exported(&library_folder, &to, &[])), [7, 1, 4, 0]);
    assert!(!unready.exists());
    // Files that others put there stay.
    fs::write(to.join("swings/notes.txt"), "mine").unwrap();
    exported(&library_folder, &to, &[]);
    assert!(to.join("swings/notes.txt").exists());
}

/// A recording that does not say the hand has that of the settings, and the file of its samples tells it.
#[test]
fn another_hand_in_the_settings_makes_the_samples_anew_of_a_recording_that_has_lost_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let (library, to) = (folder.path().join("library"), folder.path().join("set"));
    for (at, name) in ["whole.mcap", "lost.mcap"].into_iter().enumerate() {
        let session = shelf::session("Ann Bø", 1_700_000_000_000 + at as i64);
        // Without its first frame the glove does not tell, either.
        let silent = shelf::recorded(&shelf::bucket(0, 1), &session).split_off(1);
        shelf::put(&library, name, &session, &silent);
    }
    let mut bytes = fs::read(library.join("lost.mcap")).unwrap();
    let says = b"player_hand\x05\0\0\0right";
    let places: Vec<usize> = (0..bytes.len()).filter(|at| bytes[*at..].starts_with(says)).collect();
    places.iter().for_each(|at| bytes[at + 15..][..5].copy_from_slice(b"-----"));
    fs::write(library.join("lost.mcap"), bytes).unwrap();
    let settings = folder.path().join("s.toml");
    fs::write(&settings, "[player]\nhand = \"left\"\n").unwrap();
    let left = ["--samples", "--settings", settings.to_str().unwrap()];
    assert_eq!(counts(&exported(&library, &to, &["--samples"])), [0, 4, 0, 0]);
    assert_eq!(counts(&exported(&library, &to, &["--samples"])), [0, 0, 4, 0]);
    assert_eq!(counts(&exported(&library, &to, &left)), [0, 2, 2, 0]);
    assert_eq!(counts(&exported(&library, &to, &left)), [0, 0, 4, 0]);
}

#[test]
fn an_export_that_is_killed_is_taken_up_again() {
    let folder = tempfile::tempdir().unwrap();
    let (library_folder, to) = (shelf_of(folder.path()), folder.path().join("set"));
    let whole = folder.path().join("whole");
    let expected = counts(&exported(&library_folder, &whole, &["--samples"]))[0];
    let arguments =
        ["library", "--folder", library_folder.to_str().unwrap(), "export-parquet", to.to_str().unwrap()];
    let mut killed = Running(hingeclock(&arguments).arg("--samples").stdout(Stdio::null()).spawn().unwrap());
    let ready = |to: &Path| {
        let all = if to.exists() { files(to) } else { BTreeMap::new() };
        all.keys().filter(|path| !path.to_string_lossy().ends_with(".unready")).count()
    };
    while ready(&to) < 3 && killed.0.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_millis(1));
    }
    killed.0.kill().unwrap();
    killed.0.wait().unwrap();
    let left = ready(&to) as i64;
    let done = counts(&exported(&library_folder, &to, &["--samples"]));
    assert_eq!((done[0], done[2], done[1] + done[2]), (expected, left, 18), "{done:?}");
    let names = |folder: &Path| -> Vec<PathBuf> {
        files(folder).into_keys().map(|path| path.strip_prefix(folder).unwrap().to_owned()).collect()
    };
    assert_eq!(names(&to), names(&whole));
}

/// Starts the job as a user would, as a group of processes.
fn job(folder: &Path, program: &Path) -> Command {
    let script = folder.join("reanalyse.py");
    fs::write(&script, run(&["library", "job"]).stdout).unwrap();
    let mut command = Command::new("python3");
    command
        .arg(script)
        .arg("--library")
        .arg(folder.join("library"))
        .arg("--results")
        .arg(folder.join("results"));
    command.arg("--program").arg(program).process_group(0).stdout(Stdio::piped()).stderr(Stdio::piped());
    command
}

fn summary(output: &Output) -> Value {
    let text = String::from_utf8_lossy(&output.stdout);
    let last = text.lines().last().unwrap_or_else(|| panic!("{}", errors(output)));
    serde_json::from_str(last).unwrap_or_else(|error| panic!("{error}: {text}{}", errors(output)))
}

/// The real engine: killed half way, run again, with a program that fails now and then.
#[test]
fn the_job_goes_on_after_a_kill_and_counts_what_the_library_counts() {
    if !has("pyspark")
        || !Command::new("java").arg("-version").output().is_ok_and(|java| java.status.success())
    {
        println!("skipped: needs pyspark and java");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let library_folder = shelf_of(folder);
    fs::copy(library_folder.join("0-0.mcap"), library_folder.join("copy.mcap")).unwrap();
    // The program dies at its first try of each recording, as a machine does that goes away.
    let program = folder.join("flaky");
    let real = env!("CARGO_BIN_EXE_hingeclock");
    let text = format!(
        "#!/bin/sh\nif [ \"$1\" = analyze ] && mkdir \"{}/tried-$(basename \"$2\")\" 2>/dev/null; then kill -9 $$; fi\nexec {real} \"$@\"\n",
        folder.display()
    );
    fs::write(&program, text).unwrap();
    fs::set_permissions(&program, std::os::unix::fs::PermissionsExt::from_mode(0o700)).unwrap();

    let results = folder.join("results");
    let ready = || -> BTreeMap<PathBuf, SystemTime> {
        let all = if results.exists() { files(&results) } else { BTreeMap::new() };
        all.into_iter().filter(|(path, _)| !path.to_string_lossy().ends_with(".unready")).collect()
    };
    // What it says is not read, and a full pipe would hold it up.
    let mut child = job(folder, &program).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    // However slow the machine is: it ends by itself where it cannot go on.
    while ready().len() < 2 && child.try_wait().unwrap().is_none() {
        std::thread::sleep(Duration::from_millis(20));
    }
    // The whole group: Java and its workers, too.
    let group = format!("-{}", child.id());
    assert!(Command::new("kill").args(["-9", "--", &group]).status().unwrap().success());
    child.wait().unwrap();
    let before = ready();
    // A fast machine may have done all by then: the rest of the test holds all the same.
    assert!(before.len() >= 2, "{before:?}");

    let output = job(folder, &program).output().unwrap();
    let told = summary(&output);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    assert_eq!(
        (&told["recordings"], &told["done"], &told["failed"]),
        (&6.into(), &6.into(), &0.into()),
        "{told}"
    );
    assert!(told["done_before"].as_u64().unwrap() >= before.len() as u64, "{told}");
    let after = ready();
    assert!(
        before.iter().all(|(path, changed)| after.get(path) == Some(changed)),
        "what was done is left alone"
    );

    let list = json_of(&library_folder, &["list"]);
    let mut by_number = BTreeMap::new();
    for bucket in list["buckets"].as_array().unwrap() {
        by_number.insert(bucket["number"].as_str().unwrap(), bucket["swings"].as_u64().unwrap());
    }
    assert_eq!((by_number.len(), told["swings"].as_u64().unwrap()), (6, by_number.values().sum::<u64>()));
    for path in after.keys() {
        let result: Value = serde_json::from_slice(&fs::read(path).unwrap()).unwrap();
        let swings = result["result"]["swings"].as_array().unwrap().len() as u64;
        assert_eq!(by_number[result["recording"].as_str().unwrap()], swings);
    }

    // A result of a recording that was shorter then is none: it is done again, in the same place.
    let grown = after.keys().next().unwrap();
    let mut result: Value = serde_json::from_slice(&fs::read(grown).unwrap()).unwrap();
    let length = result["bytes"].as_u64().unwrap();
    assert_eq!(length, fs::metadata(library_folder.join(result["path"].as_str().unwrap())).unwrap().len());
    (result["bytes"], result["result"]) = ((length - 1).into(), json!({ "swings": [] }));
    fs::write(grown, result.to_string()).unwrap();
    // Two jobs at once, each thinking that it is alone.
    let both = [(), ()].map(|()| job(folder, &program).spawn().unwrap());
    for one in both.map(|child| child.wait_with_output().unwrap()) {
        assert_eq!((code(&one), &summary(&one)["swings"]), (0, &told["swings"]), "{}", errors(&one));
    }
    let same: Vec<_> = ready().into_keys().collect();
    assert_eq!(same, after.keys().cloned().collect::<Vec<_>>());

    // Once more: all is done. Other settings give results of their own.
    let again = summary(&job(folder, &program).output().unwrap());
    assert_eq!((&again["done_before"], &again["done"]), (&6.into(), &6.into()), "{again}");
    let settings = folder.join("s.toml");
    fs::write(&settings, "[bands]\nlate_from = 0.8\n").unwrap();
    fs::write(library_folder.join("junk.mcap"), "no recording").unwrap();
    let other = summary(&job(folder, Path::new(real)).arg("--settings").arg(&settings).output().unwrap());
    assert_eq!((&other["done_before"], &other["done"]), (&0.into(), &6.into()), "{other}");
    assert_eq!(ready().len(), 12);
}
