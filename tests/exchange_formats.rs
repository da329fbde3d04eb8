//! Exported angles, opened by independent readers (from PyPI) and compared with the trace.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod binary;
    pub mod python;
}

use hingeclock::device::virtual_glove::{Scenario, VirtualBucket};
use hingeclock::review::exchange::{Frames, motion_text};
use hingeclock::sample::NodeRole;
use std::path::Path;
use support::analysis::offline;
use support::binary::{code, errors, run};
use support::python::{has, printed};

const INPUT: &str = "recordings/left-handed.mcap";

/// What a Python program prints, or `None`, with a line, where a module is missing.
fn python(modules: &[&str], program: &str, arguments: &[&Path]) -> Option<String> {
    modules.iter().all(|module| has(module)).then(|| printed(program, arguments))
}

/// Exports into a fresh folder; gives it.
fn exported(name: &str, more: &[&str]) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    let output = run(&[&["export", INPUT, path.to_str().unwrap()], more].concat());
    assert_eq!(code(&output), 0, "{}", errors(&output));
    folder
}

/// The same swing's trace: seconds since its first row, and the four angles.
fn trace() -> Vec<[f64; 5]> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trace.csv");
    let output = run(&["analyze", INPUT, "--json", "--trace", path.to_str().unwrap()]);
    assert_eq!(code(&output), 0);
    let mut rows: Vec<[f64; 5]> = Vec::new();
    for row in csv::Reader::from_path(path).unwrap().deserialize::<[f64; 5]>() {
        let row = row.unwrap();
        // The first swing ends where the time jumps.
        if rows.last().is_some_and(|last| row[0] - last[0] > 100_000.0) {
            break;
        }
        rows.push(row);
    }
    let start = rows[0][0];
    rows.iter().map(|row| [(row[0] - start) * 1e-6, row[1], row[2], row[3], row[4]]).collect()
}

/// Angles at an instant, by straight lines.
fn at(trace: &[[f64; 5]], t_s: f64) -> [f64; 4] {
    let after = trace.partition_point(|row| row[0] <= t_s).clamp(1, trace.len() - 1);
    let (a, b) = (trace[after - 1], trace[after]);
    let part = (t_s - a[0]) / (b[0] - a[0]);
    std::array::from_fn(|i| a[i + 1] + (b[i + 1] - a[i + 1]) * part)
}

/// Rows of `time hinge flexion roll travel` agree with the trace within `precision_deg`.
fn check_rows(text: &str, precision_deg: f64) {
    let trace = trace();
    let mut count = 0;
    for line in text.lines() {
        let row: Vec<f64> = line.split_whitespace().map(|cell| cell.parse().unwrap()).collect();
        let expected = at(&trace, row[0]);
        for (found, expected) in row[1..].iter().zip(expected) {
            assert!((found - expected).abs() < precision_deg, "{} s: {found}, trace {expected}", row[0]);
        }
        assert_eq!(row.len(), 5);
        count += 1;
    }
    assert!(count > 500, "{count} rows");
}

#[test]
fn a_c3d_file_opens_in_two_readers() {
    let folder = exported("swings.c3d", &[]);
    let file = folder.path().join("swings-01.c3d");
    assert!(folder.path().join("swings-04.c3d").exists());
    let ezc3d = r#"
import ezc3d, sys
c = ezc3d.c3d(sys.argv[1])
p = c["parameters"]
assert p["ANALOG"]["LABELS"]["value"] == ["hinge_deg", "flexion_deg", "roll_deg", "arm_travel_deg"]
assert p["ANALOG"]["UNITS"]["value"] == ["deg"] * 4
labels, times = p["EVENT"]["LABELS"]["value"], p["EVENT"]["TIMES"]["value"]
assert labels[0] == "takeaway" and "top" in labels and "set" in labels, labels
assert all(0 <= t <= len(c["data"]["analogs"][0][0]) / c["header"]["analogs"]["frame_rate"] for t in times[1]), times
rate = c["header"]["analogs"]["frame_rate"]
for i, row in enumerate(c["data"]["analogs"][0].T):
    print(i / rate, *row)
"#;
    if let Some(text) = python(&["ezc3d"], ezc3d, &[&file]) {
        check_rows(&text, 2e-3);
    }
    let c3d = r#"
import c3d, sys
reader = c3d.Reader(open(sys.argv[1], "rb"))
n = 0
for i, points, analog in reader.read_frames():
    for sample in analog.T:
        print(n / reader.analog_rate, *sample)
        n += 1
"#;
    if let Some(text) = python(&["c3d"], c3d, &[&file]) {
        check_rows(&text, 2e-3);
    }
}

#[test]
fn motion_text_follows_its_rules() {
    let folder = exported("first.sto", &["--swing", "1"]);
    let program = r#"
import numpy, sys
lines = open(sys.argv[1]).read().split("\n")
end = lines.index("endheader")
header = dict(line.split("=") for line in lines[1:end])
assert header["version"] == "1" and header["inDegrees"] == "yes", header
assert header["angles_from"] == "both-nodes", header
labels = lines[end + 1].split("\t")
assert labels[0] == "time" and len(set(labels)) == len(labels) and all(" " not in label for label in labels)
rows = numpy.loadtxt(lines[end + 2:])
assert rows.shape == (int(header["nRows"]), int(header["nColumns"])) and rows.shape[1] == len(labels)
assert (numpy.diff(rows[:, 0]) > 0).all()
for row in rows: print(*row)
"#;
    if let Some(text) = python(&["numpy"], program, &[&folder.path().join("first.sto")]) {
        check_rows(&text, 2e-3);
    }
}

/// Samples read by a Python program as lines of all ten columns are those of the CSV, to the last digit.
fn check_samples(modules: &[&str], program: &str) {
    let (table, text) = (exported("samples.parquet", &[]), exported("samples.csv", &[]));
    let files = [table.path().join("samples.parquet"), table.path().join("samples.markers.parquet")];
    let Some(printed) = python(modules, program, &[&files[0], &files[1]]) else { return };
    let csv = std::fs::read_to_string(text.path().join("samples.csv")).unwrap();
    let (mut count, mut lines) = (0, printed.lines());
    for row in csv.lines().skip(1) {
        let numbers = |line: &str| line.split(',').map(|cell| cell.parse().unwrap()).collect::<Vec<f64>>();
        let (expected, found) = (numbers(row), numbers(lines.next().unwrap()));
        for (a, b) in expected.iter().zip(&found) {
            // The CSV has 3 decimals in °/s and 5 in g.
            assert!((a - b).abs() <= 5.1e-4, "row {count}: {row} and {found:?}");
        }
        count += 1;
    }
    assert!(count > 10_000);
    let markers = std::fs::read_to_string(text.path().join("samples.markers.csv")).unwrap();
    let told: Vec<&str> = lines.collect();
    assert_eq!(told.len(), markers.lines().count() - 1);
    for (line, told) in markers.lines().skip(1).zip(told) {
        assert!(line.ends_with(told), "{line}: {told}");
    }
}

#[test]
fn samples_as_parquet_open_in_two_readers() {
    let pyarrow = r#"
import pyarrow.parquet as pq, sys, json
table = pq.read_table(sys.argv[1])
assert table.column_names == ["t_us", "node", "seq", "gx", "gy", "gz", "ax", "ay", "az", "host_us"]
assert "nodes" in json.loads(pq.read_metadata(sys.argv[1]).metadata[b"device"])
for row in zip(*(column.to_pylist() for column in table.columns)): print(*row, sep=",")
markers = pq.read_table(sys.argv[2])
for kind, value in zip(markers["kind"].to_pylist(), markers["value"].to_pylist()): print(kind, value, sep=",")
"#;
    check_samples(&["pyarrow"], pyarrow);
    let duckdb = r#"
import duckdb, sys
for row in duckdb.sql(f"select * from '{sys.argv[1]}'").fetchall(): print(*row, sep=",")
for row in duckdb.sql(f"select kind, value from '{sys.argv[2]}'").fetchall(): print(*row, sep=",")
"#;
    check_samples(&["duckdb"], duckdb);
}

#[test]
fn the_table_of_swings_says_what_the_json_says() {
    let folder = exported("swings.parquet", &["--swings"]);
    let program = r#"
import duckdb, json, sys
result = duckdb.sql(f"select * from '{sys.argv[1]}' order by index")
print(json.dumps([dict(zip(result.columns, row)) for row in result.fetchall()]))
"#;
    let Some(text) = python(&["duckdb"], program, &[&folder.path().join("swings.parquet")]) else { return };
    let table: Vec<serde_json::Value> = serde_json::from_str(&text).unwrap();
    let swings = support::binary::swings(Path::new(INPUT));
    assert_eq!(table.len(), swings.as_array().unwrap().len());
    let mut compared = 0;
    for (row, swing) in table.iter().zip(swings.as_array().unwrap()) {
        for (key, value) in swing.as_object().unwrap() {
            let pairs: Vec<(String, serde_json::Value)> = match value {
                serde_json::Value::Object(inner) => {
                    inner.iter().map(|(event, value)| (format!("{key}_{event}"), value.clone())).collect()
                }
                serde_json::Value::Array(words) => {
                    let words: Vec<&str> = words.iter().map(|word| word.as_str().unwrap()).collect();
                    vec![(key.clone(), words.join(" ").into())]
                }
                other => vec![(key.clone(), other.clone())],
            };
            for (name, value) in pairs {
                let (found, expected) = (&row[&name], &value);
                let same =
                    found == expected || found.as_f64().zip(expected.as_f64()).is_some_and(|(a, b)| a == b);
                assert!(same, "{name}: {found} in the table, {expected} in the JSON");
                compared += 1;
            }
        }
    }
    assert!(compared > 150, "{compared}");
}

#[test]
fn without_names_the_files_own_name_is_not_told_either() {
    let folder = exported("first.sto", &["--swing", "1", "--without-names"]);
    let text = std::fs::read_to_string(folder.path().join("first.sto")).unwrap();
    assert!(text.starts_with("swing 1\n") && !text.contains("left-handed"), "{}", &text[..200]);
    let folder = exported("swings.parquet", &["--swings", "--without-names"]);
    let bytes = std::fs::read(folder.path().join("swings.parquet")).unwrap();
    for name in ["left-handed", "Wren"] {
        assert!(!bytes.windows(name.len()).any(|part| part == name.as_bytes()), "{name}");
    }
}

#[test]
fn what_cannot_be_written_is_told() {
    let folder = exported("first.c3d", &["--swing", "1"]);
    let path = folder.path().join("first.c3d");
    let again = run(&["export", INPUT, path.to_str().unwrap(), "--swing", "1"]);
    assert_eq!(code(&again), 1);
    assert!(errors(&again).contains("cannot be written"), "{}", errors(&again));
    let other = folder.path().join("other.sto");
    let output = run(&["export", INPUT, other.to_str().unwrap(), "--swing", "9"]);
    assert!(errors(&output).contains("expected a swing from 1 to 4, found 9"), "{}", errors(&output));
    assert!(!other.exists());
}

/// With the hand node alone the wrist is known to shortly after the ball: that far it is written, not left out.
#[test]
fn the_hand_node_alone_gives_the_wrists_angles_to_after_the_ball() {
    let scenario = Scenario { roles: vec![NodeRole::Hand], ..Scenario::demo_bucket() };
    let bucket = VirtualBucket::play(&scenario, 6);
    let swings = offline(&bucket);
    let swing = swings.iter().find(|swing| swing.set.is_some() && swing.impact.is_some()).unwrap();
    assert!(swing.curve.iter().any(|point| point.hinge_deg.is_nan()), "else this shows nothing");
    let frames = Frames::of(swing).unwrap();
    let labels: Vec<&str> = frames.channels.iter().map(|channel| channel.label).collect();
    assert_eq!(labels, ["hinge_deg", "flexion_deg", "roll_deg", "arm_travel_deg"]);
    // Each says that it is worked out, in both formats.
    assert!(frames.channels.iter().all(|channel| channel.description.contains("worked out")));
    assert!(motion_text::text(&frames, "swing 1").contains("\nangles_from=hand-path\n"));
    let with_both = Frames::of(&offline(&VirtualBucket::play(&Scenario::demo_bucket(), 6))[0]).unwrap();
    assert!(with_both.channels.iter().all(|channel| !channel.description.contains("worked out")));
    let last_s = frames.time_s(frames.len() - 1);
    let event = |name| frames.events.iter().find(|event| event.0 == name).map(|event| event.1);
    assert!(event("impact").is_some_and(|at_s| at_s < last_s), "{:?}, {last_s} s", frames.events);
    assert!(
        frames.events.iter().all(|(_, at_s)| (0.0..=last_s + 0.01).contains(at_s)),
        "{:?}",
        frames.events
    );
    let set_frame = (event("set").unwrap() * frames.rate_hz).round() as usize;
    let hinge_at_set = frames.channels[0].values_deg[set_frame];
    assert!((hinge_at_set - swing.hinge_deg.set.unwrap().value).abs() < 0.5, "{hinge_at_set}");
}

#[test]
fn an_ending_that_nobody_knows_and_options_that_do_not_go_with_it_are_wrong_usage() {
    let folder = tempfile::tempdir().unwrap();
    let refused = |name: &str, more: &[&str], expected: &str| {
        let path = folder.path().join(name);
        let output = run(&[&["export", INPUT, path.to_str().unwrap()], more].concat());
        assert_eq!(code(&output), 2, "{name}: {}", errors(&output));
        assert!(errors(&output).contains(expected), "{name}: {}", errors(&output));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0, "{name}: nothing is written");
    };
    let any = "expected a file's name that ends in .csv, .csv.gz, .parquet, .c3d, .sto or .mot";
    refused("table.xlsx", &[], any);
    refused("table", &[], any);
    refused("table.csv", &["--swings"], "ends in .parquet with --swings");
    refused("table.c3d", &["--swings"], "ends in .parquet with --swings");
    refused("table.csv", &["--swing", "2"], "ends in .c3d, .sto or .mot with --swing");
    refused("table.parquet", &["--swing", "2"], "ends in .c3d, .sto or .mot with --swing");
}
