//! Chest and belt where a coach or a data program sees them: the pages in a real browser, and Parquet. Pictures go to
//! target/screenshots. Skips where there is no browser or no Python with duckdb.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/shelf.rs"]
mod shelf;
mod support {
    pub mod binary;
    pub mod python;
}

use browser::{Look, ask, axe, picture, says, site_of, until, with_browser};
use fantoccini::Locator;
use hingeclock::detect::{AnalysisParams, OfflineAnalysis};
use hingeclock::device::virtual_glove::VirtualBucket;
use hingeclock::record::open_input;
use hingeclock::review::{Review, json};
use hingeclock::sample::{Arrival, NodeRole};
use hingeclock::units::{DeviceTime, PlayerHand};
use serde_json::Value;
use std::path::{Path, PathBuf};
use support::binary::{code, errors, run, swings};
use support::python::{has, printed};

/// A recording of a player with nodes on chest and belt; the belt's is put on after the first swing.
fn recording(folder: &Path, count: usize) -> PathBuf {
    let mut bucket = VirtualBucket::play(&shelf::scenario(count).with_trunk(), 3);
    let after_first = bucket.truth[0].top.plus_seconds(2.0);
    let mut now = DeviceTime(0);
    bucket.arrivals.retain(|arrival| {
        let Arrival::Sample(sample) = arrival else { return true };
        if sample.role == NodeRole::Hand {
            now = sample.t;
        }
        sample.role != NodeRole::Belt || now >= after_first
    });
    let session = shelf::session("Robin", 1_790_000_000_000);
    shelf::put(folder, "kestrel-1.mcap", &session, &shelf::recorded(&bucket, &session));
    folder.join("kestrel-1.mcap")
}

fn reviewed(path: &Path) -> Review {
    let mut input = open_input(path).unwrap();
    let mut analysis = OfflineAnalysis::new(&input.device, AnalysisParams::default());
    input.arrivals.by_ref().for_each(|arrival| analysis.push(&arrival.unwrap()));
    Review::new("kestrel-1.mcap", analysis.finish())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_coach_sees_pelvis_and_chest() {
    if !browser::is_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = recording(folder.path(), 5);
    let review = reviewed(&path);
    let printed: Value = serde_json::from_str(&json::text(&review).unwrap()).unwrap();
    with_browser(site_of(&path, review, PlayerHand::Right), |look| async move {
        look.at("/").await;
        the_bucket_tells_the_lead(&look, &printed).await;
        look.everywhere("trunk-bucket").await;
        // On a desktop the list is seen whole, with the column for the pelvis, too.
        let hidden = "const s = document.getElementById('swing-table').parentElement; return s.scrollWidth - s.clientWidth";
        assert_eq!(ask(&look.client, hidden).await, 0);
        look.at("/bucket/now/swing/3").await;
        until(&look.client, "performance.getEntriesByName('swing-ready').length").await;
        the_panel_says_what_the_json_says(&look, &printed["swings"][2]).await;
        the_lanes_show_the_trunk(&look, &printed["swings"][2]).await;
        look.everywhere("trunk-swing").await;
        show_panel(&look, "trunk-panel").await;
        all_nodes_send_raw_signals(&look).await;
        look.at("/bucket/now/swing/1").await;
        the_panel_says_what_the_json_says(&look, &printed["swings"][0]).await;
        the_lanes_show_the_trunk(&look, &printed["swings"][0]).await;
        look.at("/bucket/now/report").await;
        let told = &printed["summary"]["all"]["pelvis_lead_to_top_ms"]["median"];
        says(&look.client, "table.groups", &format!("{:.0}", told.as_f64().unwrap())).await;
        look.everywhere("trunk-report").await;
        look.was_quiet().await;
    })
    .await;
}

/// The numbers of a cell, with a real minus sign read as one; none where there is nothing to say.
fn numbers(cell: &Value) -> Vec<String> {
    let text = cell.as_str().unwrap().replace('−', "-").replace('\u{a0}', " ").replace(" to ", "±");
    text.split('±').map(|number| number.trim().to_owned()).filter(|number| number != "–").collect()
}

/// Each printed number is the JSON's, rounded to its digits (the JSON itself is rounded to hundredths); as many.
fn same(cell: &Value, expected: &[&Value]) -> usize {
    let shown = numbers(cell);
    let expected: Vec<f64> = expected.iter().filter_map(|value| value.as_f64()).collect();
    assert_eq!(shown.len(), expected.len(), "{cell} for {expected:?}");
    for (number, value) in shown.iter().zip(&expected) {
        let decimals = number.split('.').nth(1).map_or(0, str::len) as i32;
        let half = 0.5 * 10_f64.powi(-decimals) + 0.0051;
        let shown: f64 = number.parse().unwrap_or_else(|_| panic!("{number:?} in {cell}"));
        assert!((shown - value).abs() <= half, "{shown} for {value} in {cell}");
    }
    expected.len()
}

const CELLS: &str =
    "return [...document.querySelectorAll(arguments[0])].map(r => [...r.cells].map(c => c.innerText))";

async fn rows(look: &Look, of: &str) -> Vec<Value> {
    let found = look.client.execute(CELLS, vec![of.into()]).await.unwrap();
    found.as_array().unwrap().clone()
}

async fn the_bucket_tells_the_lead(look: &Look, printed: &Value) {
    let list = rows(look, "#swing-table tr").await;
    let column = list[0].as_array().unwrap().iter().position(|cell| cell == "Pelvis lead, ms").unwrap();
    let told = printed["swings"].as_array().unwrap();
    assert_eq!(list.len() - 1, told.len());
    let mut compared = 0;
    for (row, swing) in list[1..].iter().zip(told) {
        let pelvis = &swing["body"]["pelvis"];
        compared += same(&row[column], &[&pelvis["lead_to_top_ms"], &pelvis["lead_to_top_ms_sd"]]);
    }
    assert!(compared >= 2 * (told.len() - 2) && compared < 2 * told.len(), "{compared}");
    let groups = rows(look, "table.groups tr").await;
    let column = groups[0].as_array().unwrap().iter().position(|cell| cell == "Pelvis lead, ms").unwrap();
    let clubs = printed["summary"]["clubs"].as_array().unwrap().iter();
    let told = clubs.chain([&printed["summary"]["all"]]);
    let mut compared = 0;
    for (row, group) in groups[1..].iter().zip(told) {
        let lead = &group["pelvis_lead_to_top_ms"];
        compared += same(&row[column], &[&lead["median"]]);
        if lead["n"].as_u64().unwrap() > 1 {
            compared += same(&row[column + 1], &[&lead["lower_quartile"], &lead["upper_quartile"]]);
        }
    }
    assert!(compared > 6, "{compared}");
}

async fn the_panel_says_what_the_json_says(look: &Look, swing: &Value) {
    let panel = rows(look, "section[aria-labelledby=body-title] tbody tr").await;
    let keys = ["turn_at_top_deg", "tilt_at_impact_deg", "lead_to_top_ms", "lead_to_set_ms", "peak_dps"];
    assert_eq!(panel.len(), keys.len());
    let mut compared = 0;
    for (row, key) in panel.iter().zip(keys) {
        for (column, segment) in [(1, "pelvis"), (2, "chest")] {
            let told = &swing["body"][segment];
            compared += same(&row[column], &[&told[key], &told[format!("{key}_sd")]]);
        }
    }
    let headline = ask(&look.client, "return document.querySelector('.headline').innerText").await;
    let headline = headline.as_str().unwrap();
    if swing["body"]["pelvis"].is_null() {
        assert!(compared >= 7 && !headline.contains("elvis"), "{compared}: {headline}");
    } else {
        assert!(compared == 20 && headline.contains("elvis"), "{compared}: {headline}");
    }
}

/// A lane for each angle of a segment that carries a node, none for another; the cursor begins at the top.
async fn the_lanes_show_the_trunk(look: &Look, swing: &Value) {
    until(&look.client, "performance.getEntriesByName('swing-ready').length").await;
    let names =
        ask(&look.client, "return [...document.querySelectorAll('#lanes .name')].map(n => n.textContent)");
    let names = names.await;
    let names: Vec<&str> = names.as_array().unwrap().iter().map(|name| name.as_str().unwrap()).collect();
    let rows =
        "return [...document.querySelectorAll('#now div')].map(r => [...r.children].map(c => c.innerText))";
    let rows = ask(&look.client, rows).await;
    for (segment, name) in [("pelvis", "Pelvis"), ("chest", "Chest")] {
        let told = &swing["body"][segment];
        for angle in ["turn", "lean"] {
            let lane = format!("{name} {angle}, °");
            assert_eq!(names.contains(&lane.as_str()), told.is_object(), "{lane} in {names:?}");
        }
        let turn = format!("{name} turn");
        let Some(row) = rows.as_array().unwrap().iter().find(|row| row[0] == turn.as_str()) else { continue };
        let shown = row[1].as_str().unwrap().trim_end_matches([' ', '°']).replace('−', "-");
        let (shown, told): (f64, f64) = (shown.parse().unwrap(), told["turn_at_top_deg"].as_f64().unwrap());
        // The cursor stands at the reading nearest to the top.
        assert!((shown - told).abs() < 0.3, "{name}: {shown} at the cursor, {told} at the top");
    }
}

async fn show_panel(look: &Look, name: &str) {
    ask(&look.client, "document.getElementById('body-title').scrollIntoView(); return null").await;
    picture(&look.client, name).await;
}

async fn all_nodes_send_raw_signals(look: &Look) {
    let client = &look.client;
    client.find(Locator::Css("#raw summary")).await.unwrap().click().await.unwrap();
    until(client, "document.querySelectorAll('#raw-signals svg').length === 8").await;
    let captions = "return [...document.querySelectorAll('#raw-signals figcaption')].map(c => c.innerText.split(',')[0])";
    let captions = ask(client, captions).await;
    let nodes: Vec<&str> = captions.as_array().unwrap().iter().map(|node| node.as_str().unwrap()).collect();
    assert_eq!(nodes, ["hand", "hand", "forearm", "forearm", "chest", "chest", "belt", "belt"]);
    ask(client, "document.getElementById('raw').scrollIntoView(); return null").await;
    picture(client, "trunk-raw").await;
    if let Some(broken) = axe(client).await {
        assert_eq!(broken, Vec::<String>::new());
    }
}

/// The data set of a whole library says of pelvis and chest what the JSON says.
#[test]
fn a_librarys_data_set_carries_pelvis_and_chest() {
    let folder = tempfile::tempdir().unwrap();
    let library = folder.path().join("library");
    let path = recording(&library, 3);
    let to = folder.path().join("set");
    let arguments =
        ["library", "--folder", library.to_str().unwrap(), "export-parquet", to.to_str().unwrap()];
    let output = run(&arguments);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let Some(found) = python("duckdb", TABLE, &to.join("swings/**/*.parquet")) else { return };
    let told = swings(&path);
    let (found, told) = (found.as_array().unwrap(), told.as_array().unwrap());
    assert!(found.len() == told.len() && told[0]["body"]["pelvis"].is_null());
    let mut compared = 0;
    for (row, swing) in found.iter().zip(told) {
        for segment in ["pelvis", "chest"] {
            let names =
                ["turn_at_top_deg", "tilt_at_impact_deg", "lead_to_top_ms", "lead_to_set_ms", "peak_dps"];
            for name in names {
                for key in [name.to_owned(), format!("{name}_sd")] {
                    let (found, told) = (
                        row[format!("body_{segment}_{key}")].as_f64(),
                        swing["body"][segment][&key].as_f64(),
                    );
                    assert_eq!(found.is_some(), told.is_some(), "{segment} {key}");
                    let off = found.unwrap_or(0.0) - told.unwrap_or(0.0);
                    // The JSON has hundredths.
                    assert!(off.abs() <= 0.0051, "{segment} {key}: {found:?}, {told:?}");
                    compared += usize::from(found.is_some());
                }
            }
        }
    }
    assert!(compared > 30, "{compared}");
}

/// What a Python program prints, or `None`, with a line, without the module.
fn python(module: &str, program: &str, file: &Path) -> Option<Value> {
    has(module).then(|| serde_json::from_str(&printed(program, &[file])).unwrap())
}

fn export(from: &Path, to: &Path, more: &[&str]) {
    let output = run(&[&["export", from.to_str().unwrap(), to.to_str().unwrap()], more].concat());
    assert_eq!(code(&output), 0, "{}", errors(&output));
}

const TABLE: &str = r#"
import duckdb, json, sys
result = duckdb.sql(f"select * from '{sys.argv[1]}' order by index")
print(json.dumps([dict(zip(result.columns, row)) for row in result.fetchall()], default=str))
"#;

#[test]
fn parquet_carries_all_nodes_and_what_they_say_of_each_swing() {
    let folder = tempfile::tempdir().unwrap();
    let path = recording(folder.path(), 3);
    let samples = folder.path().join("samples.parquet");
    export(&path, &samples, &[]);
    let count = r#"
import duckdb, json, sys
print(json.dumps(dict(duckdb.sql(f"select node, count(*) from '{sys.argv[1]}' group by 1").fetchall())))
"#;
    let Some(rows) = python("duckdb", count, &samples) else { return };
    let rows_of = |node: &str| rows[node].as_u64().unwrap();
    assert!(["1", "2"].iter().all(|node| rows_of(node).abs_diff(rows_of("0")) < 100), "{rows}");
    assert!(rows_of("3") > 2_000 && rows_of("3") < rows_of("2"), "{rows}");

    let table = folder.path().join("swings.parquet");
    export(&path, &table, &["--swings"]);
    let found = python("duckdb", TABLE, &table).unwrap();
    let told = swings(&path);
    let (found, told) = (found.as_array().unwrap(), told.as_array().unwrap());
    assert!(found.len() == told.len() && told.len() == 3);
    assert!(told[0]["body"]["pelvis"].is_null() && !told[1]["body"]["pelvis"].is_null());
    for (row, swing) in found.iter().zip(told) {
        assert_eq!(row["takeaway_us"], swing["takeaway_us"]);
        for segment in ["pelvis", "chest"] {
            for key in ["turn_at_top_deg", "lead_to_top_ms_sd", "lead_to_set_ms", "starts_back_us", "peak_us"]
            {
                let (found, told) = (&row[format!("body_{segment}_{key}")], &swing["body"][segment][key]);
                assert!(
                    found.as_f64() == told.as_f64() && found.is_null() == told.is_null(),
                    "{segment} {key}: {found}, {told}"
                );
            }
            let flags = &row[format!("body_{segment}_flags")];
            let told = swing["body"][segment]["flags"].as_array();
            let told = told.map(|words| words.iter().map(|word| word.as_str().unwrap()).collect::<Vec<_>>());
            assert_eq!(flags.as_str().map(str::to_owned), told.map(|words| words.join(" ")));
        }
    }
    // The columns are those of a bucket without nodes on the trunk.
    let other = folder.path().join("other.parquet");
    export(Path::new("recordings/left-handed.mcap"), &other, &["--swings"]);
    let other = python("duckdb", TABLE, &other).unwrap();
    let keys = |row: &Value| row.as_object().unwrap().keys().cloned().collect::<Vec<String>>();
    assert_eq!(keys(&other[0]), keys(&found[0]));
}

const C3D: &str = r#"
import ezc3d, json, sys
c = ezc3d.c3d(sys.argv[1])
analog, event = c["parameters"]["ANALOG"], c["parameters"]["EVENT"]
print(json.dumps(dict(labels=analog["LABELS"]["value"], units=analog["UNITS"]["value"],
    descriptions=analog["DESCRIPTIONS"]["value"],
    rate=c["header"]["analogs"]["frame_rate"], rows=[list(map(float, row)) for row in c["data"]["analogs"][0].T],
    top=dict(zip(event["LABELS"]["value"], event["TIMES"]["value"][1]))["top"])))
"#;

/// The angles of the trunk over time, in each file that has the wrist's; of a node that was not worn yet, nothing.
#[test]
fn exported_angles_have_the_trunks_where_it_carries_nodes() {
    let folder = tempfile::tempdir().unwrap();
    let path = recording(folder.path(), 2);
    let trace = folder.path().join("trace.csv");
    let output = run(&["analyze", path.to_str().unwrap(), "--json", "--trace", trace.to_str().unwrap()]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let mut reader = csv::Reader::from_path(&trace).unwrap();
    let trunk = ["pelvis_turn_deg", "pelvis_tilt_deg", "chest_turn_deg", "chest_tilt_deg"];
    assert_eq!(reader.headers().unwrap().iter().skip(5).collect::<Vec<&str>>(), trunk);
    let rows: Vec<Vec<Option<f64>>> =
        reader.records().map(|row| row.unwrap().iter().map(|cell| cell.parse().ok()).collect()).collect();
    for (number, labels) in [(1, &trunk[2..]), (2, &trunk[..])] {
        let swing = &told["swings"][number - 1];
        let (takeaway, top) = (swing["takeaway_us"].as_f64().unwrap(), swing["top_us"].as_f64().unwrap());
        let at_top = rows.iter().find(|row| row[0].unwrap() >= top).unwrap();
        for (column, label) in trunk.iter().enumerate() {
            assert_eq!(at_top[5 + column].is_some(), labels.contains(label), "{label} of swing {number}");
        }
        let file = folder.path().join(format!("{number}.c3d"));
        export(&path, &file, &["--swing", &number.to_string()]);
        let text = folder.path().join(format!("{number}.sto"));
        export(&path, &text, &["--swing", &number.to_string()]);
        let text = std::fs::read_to_string(text).unwrap();
        let heading = text.lines().find(|line| line.starts_with("time\t")).unwrap();
        let expected = ["hinge_deg", "flexion_deg", "roll_deg", "arm_travel_deg"];
        let expected: Vec<&str> = expected.iter().chain(labels).copied().collect();
        assert_eq!(heading.split('\t').skip(1).collect::<Vec<&str>>(), expected);
        let Some(read) = python("ezc3d", C3D, &file) else { return };
        assert_eq!(read["labels"], serde_json::json!(expected));
        assert_eq!(read["units"], serde_json::json!(vec!["deg"; expected.len()]));
        assert!(read["descriptions"][4].as_str().unwrap().contains("away from the target positive"));
        let frame = (read["top"].as_f64().unwrap() * read["rate"].as_f64().unwrap()).round() as usize;
        for (channel, label) in expected.iter().enumerate().skip(4) {
            let (found, trace) = (
                read["rows"][frame][channel].as_f64().unwrap(),
                at_top[5 + trunk.iter().position(|name| name == label).unwrap()].unwrap(),
            );
            // A row is half a frame off at most.
            assert!((found - trace).abs() < 0.3, "{label} of swing {number}: {found}, trace {trace}");
        }
        let turn = &swing["body"]["chest"]["turn_at_top_deg"];
        let chest = read["rows"][frame][expected.len() - 2].as_f64().unwrap();
        assert!(
            turn.as_f64().unwrap() > 30.0 && (chest - turn.as_f64().unwrap()).abs() < 0.3,
            "{chest}, {turn}"
        );
        let rows_before = rows.iter().rfind(|row| row[0].unwrap() < takeaway).unwrap();
        assert!(rows_before[7].unwrap().abs() < 3.0, "address is the zero: {rows_before:?}");
    }
}
