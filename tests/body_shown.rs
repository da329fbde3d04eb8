//! Chest and belt where a coach or a data program sees them: the pages in a real browser, and Parquet. Pictures go to
//! target/screenshots. Skips where there is no browser or no Python with duckdb.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/shelf.rs"]
mod shelf;
mod support {
    pub mod binary;
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
use std::process::Command;
use support::binary::{code, errors, run, swings};

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
        look.everywhere("trunk-swing").await;
        show_panel(&look, "trunk-panel").await;
        all_nodes_send_raw_signals(&look).await;
        look.at("/bucket/now/swing/1").await;
        the_panel_says_what_the_json_says(&look, &printed["swings"][0]).await;
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
        assert!(compared == 18 && headline.contains("elvis"), "{compared}: {headline}");
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
    let Some(found) = python(TABLE, &to.join("swings/**/*.parquet")) else { return };
    let told = swings(&path);
    let (found, told) = (found.as_array().unwrap(), told.as_array().unwrap());
    assert!(found.len() == told.len() && told[0]["body"]["pelvis"].is_null());
    let mut compared = 0;
    for (row, swing) in found.iter().zip(told) {
        for segment in ["pelvis", "chest"] {
            for name in ["turn_at_top_deg", "tilt_at_impact_deg", "lead_to_top_ms", "lead_to_set_ms"] {
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

/// What a Python program prints, or `None`, with a line, without duckdb.
fn python(program: &str, file: &Path) -> Option<Value> {
    let there = Command::new("python3").args(["-c", "import duckdb"]).output();
    if !there.is_ok_and(|output| output.status.success()) {
        println!("skipped: python3 with duckdb is not here");
        return None;
    }
    let output = Command::new("python3").arg("-c").arg(program).arg(file).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(serde_json::from_slice(&output.stdout).unwrap())
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
    let Some(rows) = python(count, &samples) else { return };
    let rows_of = |node: &str| rows[node].as_u64().unwrap();
    assert!(["1", "2"].iter().all(|node| rows_of(node).abs_diff(rows_of("0")) < 100), "{rows}");
    assert!(rows_of("3") > 2_000 && rows_of("3") < rows_of("2"), "{rows}");

    let table = folder.path().join("swings.parquet");
    export(&path, &table, &["--swings"]);
    let found = python(TABLE, &table).unwrap();
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
    let other = python(TABLE, &other).unwrap();
    let keys = |row: &Value| row.as_object().unwrap().keys().cloned().collect::<Vec<String>>();
    assert_eq!(keys(&other[0]), keys(&found[0]));
}
