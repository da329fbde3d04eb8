//! The page that compares two sides of a player, in a real browser: its numbers and words are those of the commands.
//! Skips where there is no browser.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/binary.rs"]
mod binary;
#[path = "support/browser.rs"]
mod browser;
#[path = "support/bucket.rs"]
mod bucket;
#[path = "support/shelf.rs"]
mod shelf;

use binary::{code, errors, run};
use browser::{Look, ask, mark_page, next_page, says, with_browser};
use bucket::robins_bucket;
use fantoccini::Locator;
use hingeclock::daemon::windows;
use hingeclock::record::measures::Measures;
use hingeclock::record::settings::Settings;
use hingeclock::review::OfPlayer;
use hingeclock::review::serve::Site;
use hingeclock::review::serve::bench::{Bench, Shelf};
use hingeclock::units::PlayerHand;
use serde_json::Value;
use std::path::Path;

const DAY_MS: i64 = 86_400_000;
/// 2026-09-21 14:13:20 UTC.
const START: i64 = 1_790_000_000_000;

/// What a command prints of the library.
fn command(folder: &Path, arguments: &[&str]) -> String {
    let folder = ["--folder", folder.to_str().unwrap()];
    let output = run(&[&["library"], arguments, &folder[..]].concat());
    assert_eq!(code(&output), 0, "{}", errors(&output));
    String::from_utf8(output.stdout).unwrap()
}

/// The page's rows and sentences are those of `library contrast` with these arguments.
async fn says_what_the_command_says(look: &Look, folder: &Path, arguments: &[&str]) {
    let told = command(folder, &[&["contrast", "--json"], arguments].concat());
    let told: Value = serde_json::from_str(&told).unwrap();
    let script = "return { rows: [...document.querySelectorAll('#contrast tbody tr')].map(r => [...r.cells].map(c => c.textContent)),
        said: Object.fromEntries([...document.querySelectorAll('[data-quantity]')].map(e => [e.dataset.quantity, e.textContent])),
        methods: [...document.querySelectorAll('.methods li')].map(e => e.textContent) }";
    let page = ask(&look.client, script).await;
    let mut rows = page["rows"].as_array().unwrap().iter();
    let mut methods = Vec::new();
    for (key, factor) in [("set_to_top_ms", 1.0), ("arm_travel_at_set", 100.0), ("share_in_window", 100.0)] {
        let row = &told["compared"][key];
        if let Some(why) = row["none"].as_str() {
            assert_eq!(page["said"][key], why);
            continue;
        }
        let sentences: Vec<&str> =
            row["sentences"].as_array().unwrap().iter().map(|s| s.as_str().unwrap()).collect();
        assert_eq!(page["said"][key], sentences.join(" "), "{key}");
        let cells: Vec<&str> =
            rows.next().unwrap().as_array().unwrap().iter().map(|c| c.as_str().unwrap()).collect();
        assert_eq!(cells[1], format!("{} and {}", row["swings"][0], row["swings"][1]));
        let ends: Vec<&str> = cells[5].split(" to ").collect();
        let printed = [
            (cells[2], "first"),
            (cells[3], "second"),
            (cells[4], "difference"),
            (ends[0], "low_95"),
            (ends[1], "high_95"),
        ];
        for (text, part) in printed {
            let shown: f64 = text.replace('−', "-").parse().unwrap();
            let value = row[part].as_f64().unwrap() * factor;
            assert!((shown - value).abs() <= 0.5 + 1e-9, "{key} {part}: {shown} for {value}");
        }
        let method = format!("Interval: {}.", row["method"].as_str().unwrap());
        if !methods.contains(&method) {
            methods.push(method);
        }
    }
    assert!(rows.next().is_none() && !methods.is_empty());
    assert_eq!(page["methods"], serde_json::json!(methods));
}

/// Ticks recordings by name and side, and sends the form.
async fn pick(look: &Look, first: &[&str], second: &[&str], fields: &[(&str, &str)]) {
    let mut script = "const f = document.getElementById('sides'); f.querySelectorAll('[type=checkbox]').forEach(b => { b.checked = false; });".to_owned();
    for (side, names) in [("first", first), ("second", second)] {
        for name in names {
            script += &format!(
                "document.querySelector('[aria-label=\"{name} on the {side} side\"]').checked = true;"
            );
        }
    }
    for (field, value) in fields {
        script += &format!("f.elements.{field}.value = '{value}';");
    }
    ask(&look.client, &(script + "return null")).await;
    mark_page(&look.client).await;
    look.client.find(Locator::Css("#sides button")).await.unwrap().click().await.unwrap();
    next_page(&look.client).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_says_what_the_commands_say() {
    if !browser::is_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (name, seed, days, player) in [
        ("a", 3, 0, "Robin"),
        ("b", 4, 3, "Robin"),
        ("c", 5, 7, "Robin"),
        ("d", 6, 11, "Robin"),
        ("x", 7, 5, "Ann <b>"),
    ] {
        let session = shelf::session(player, START + days * DAY_MS);
        shelf::put(
            folder.path(),
            &format!("{name}.mcap"),
            &session,
            &shelf::recorded(&shelf::bucket(6, seed), &session),
        );
    }
    // A copy is no bucket of its own: nothing below changes by it.
    std::fs::copy(folder.path().join("b.mcap"), folder.path().join("kept copy.mcap")).unwrap();
    let (library, opened) = shelf::open(folder.path());
    assert!(opened.told.iter().any(|told| told.ends_with("its swings count once")), "{:?}", opened.told);
    let number = |name: &str| library.bucket(name).unwrap().facts.uuid.to_string();
    let (c, x) = (number("c"), number("x"));
    let known = || OfPlayer { windows: windows(&Settings::default()), measures: Ok(Measures::default()) };
    let shelf = Shelf { library, of_player: Box::new(move |_: &str| known()), tell: Box::new(|_: &str| ()) };
    let site = Site::of_library(Bench::of_library(shelf, Box::new(|| shelf::NOW)));
    with_browser(site, move |look| async move {
        let (client, path) = (&look.client, folder.path());
        look.at("/library").await;
        client.find(Locator::LinkText("Compare")).await.unwrap().click().await.unwrap();
        // The newest recording's player; nothing is picked yet.
        says(client, ".headline", "Robin: 4 recordings").await;
        says(client, "[aria-labelledby=outcome]", "Pick at least one recording for each side.").await;
        pick(&look, &["a", "b"], &["c", "d"], &[("club", "driver")]).await;
        let both = ["--first", "a", "b", "--second", "c", "d", "--club", "driver"];
        says_what_the_command_says(&look, path, &both).await;
        says(client, "[aria-labelledby=outcome]", "Few buckets (2 on the smaller side)").await;
        look.everywhere("compare").await;
        // The words of `library trend`, too.
        let trend = command(path, &["trend", "Robin", "--club", "driver"]);
        let words = ask(client, "return document.querySelector('[data-trend]').textContent").await;
        assert!(trend.contains(words.as_str().unwrap()), "{words} in {trend}");
        let points = "document.querySelectorAll('.weeks .point').length";
        assert_eq!(ask(client, &format!("return {points}")).await, 4);
        // A day divides them as picking does: the third bucket begins on the 28th.
        pick(&look, &[], &[], &[("club", "driver"), ("since", "2026-09-28")]).await;
        says_what_the_command_says(&look, path, &both).await;
        // One bucket a side, and two clubs of one.
        pick(&look, &["a"], &["b"], &[("club", "driver"), ("since", "")]).await;
        says_what_the_command_says(&look, path, &["--first", "a", "--second", "b", "--club", "driver"]).await;
        says(client, "[data-quantity=set_to_top_ms]", "a good or bad day cannot be told from a change").await;
        pick(&look, &["a"], &[], &[("club", "iron"), ("second_club", "driver")]).await;
        let clubs = ["--first", "a", "--second", "a", "--club", "iron", "--second-club", "driver"];
        says_what_the_command_says(&look, path, &clubs).await;
        // From a bucket: it and the earlier ones.
        look.at(&format!("/bucket/{c}")).await;
        client.find(Locator::LinkText("Compare with…")).await.unwrap().click().await.unwrap();
        says(client, ".headline", "Robin: 4 recordings").await;
        says_what_the_command_says(&look, path, &["--first", "a", "b", "--second", "c"]).await;
        // Another player's only bucket has none before it; his name stays text.
        look.at(&format!("/compare?bucket={x}")).await;
        says(client, ".headline", "Ann <b>: 1 recording").await;
        says(client, "[aria-labelledby=outcome]", "no earlier bucket").await;
        look.at("/compare?since=nonsense&player=Robin&club=%3Cb%3E").await;
        says(client, "[aria-labelledby=outcome]", "expected a day as 2026-04-12").await;
        look.was_quiet().await;
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_library_the_page_says_what_it_takes() {
    if !browser::is_there() {
        return;
    }
    let site = browser::site_of(Path::new("none.csv"), robins_bucket(), PlayerHand::Right);
    with_browser(site, |look| async move {
        look.at("/").await;
        look.client.find(Locator::LinkText("Compare")).await.unwrap().click().await.unwrap();
        says(&look.client, "main", "Comparing takes a library").await;
        look.everywhere("compare-without").await;
        look.was_quiet().await;
    })
    .await;
}
