//! Where the speed comes from, on a swing's page in a real browser: what changes are worth, dragged and stepped, against
//! the numbers of the command. Pictures go to target/screenshots. Skips where there is no browser.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod browser;
}

use fantoccini::Locator;
use fantoccini::actions::{InputSource, MOUSE_BUTTON_LEFT, MouseActions, PointerAction};
use fantoccini::key::Key;
use hingeclock::detect::{AnalysisParams, OfflineAnalysis};
use hingeclock::record::open_input;
use hingeclock::review::Review;
use hingeclock::units::PlayerHand;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::time::Duration;
use support::binary::{code, run};
use support::browser::{Look, ask, axe, is_there, picture, site_of, until, with_browser};

/// A swing of the recording with the iron, which has five.
const SWING: usize = 5;

fn recording() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/three-clubs.csv.gz")
}

fn review(path: &Path) -> Review {
    let mut input = open_input(path).unwrap();
    let mut analysis = OfflineAnalysis::new(&input.device, AnalysisParams::default());
    input.arrivals.by_ref().for_each(|arrival| analysis.push(&arrival.unwrap()));
    Review::new("three-clubs", analysis.finish())
}

/// What the command says of the iron.
fn commanded() -> Value {
    let output = run(&["speed", recording().to_str().unwrap(), "--what-if", "--json"]);
    assert_eq!(code(&output), 0);
    let mut object: Value = serde_json::from_slice(&output.stdout).unwrap();
    let clubs = object["what_if"]["clubs"].as_array_mut().unwrap();
    clubs.retain(|club| club["club"] == "iron");
    assert_eq!(clubs.len(), 1);
    object["what_if"].take()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_change_is_dragged_and_read() {
    if !is_there() {
        return;
    }
    let commanded = commanded();
    let mut review = review(&recording());
    // One whose club nobody said.
    review.analysis.swings[0].club = None;
    with_browser(site_of(&recording(), review, PlayerHand::Right), |look| async move {
        look.at(&format!("/bucket/now/swing/{SWING}")).await;
        open(&look).await;
        let fetch = "const done = arguments[0]; fetch(location.pathname + '/worth.json').then(a => a.text()).then(done)";
        let fetched = look.client.execute_async(fetch, vec![]).await.unwrap();
        assert!(serde_json::from_str::<Value>(fetched.as_str().unwrap()).unwrap() == commanded, "{fetched}");
        every_step_reads_what_the_command_says(&look, &commanded["clubs"][0]).await;
        a_handle_is_dragged(&look).await;
        units_follow(&look, &commanded["clubs"][0]).await;
        look.everywhere("swing-worth").await;
        look.at("/bucket/now/swing/1").await;
        until(&look.client, "document.body.textContent.includes('Not known: the club was not said')").await;
        assert_eq!(ask(&look.client, "return document.getElementById('worth')").await, Value::Null);
        look.was_quiet().await;
        // Asked for all the same, it says why there is none.
        let ask_at = "const done = arguments[0]; fetch('/bucket/now/swing/1/worth.json').then(async a => done([a.status, await a.text()]))";
        let said = look.client.execute_async(ask_at, vec![]).await.unwrap();
        assert_eq!(said, serde_json::json!([404, "the club of this swing was not said\n"]));
    })
    .await;
}

async fn open(look: &Look) {
    look.client.find(Locator::Css("#worth summary")).await.unwrap().click().await.unwrap();
    until(&look.client, "performance.getEntriesByName('worth-ready').length").await;
}

async fn text(look: &Look, change: &str) -> String {
    let script = format!("return document.querySelector('[data-change={change}] ~ output').textContent");
    ask(&look.client, &script).await.as_str().unwrap().replace('−', "-").replace('\u{a0}', " ")
}

/// The numbers of a text, in order.
fn numbers(text: &str) -> Vec<f64> {
    let part = |c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+'));
    text.split(part).filter_map(|word| word.trim_end_matches('.').parse().ok()).collect()
}

/// A speed, m/s, is shown in km/h, a head's whole, a change with one decimal.
fn shown_as(shown: f64, mps: &Value, decimals: i32) {
    let kmh = mps.as_f64().unwrap() * 3.6;
    assert!((shown - kmh).abs() <= 0.5 * 10_f64.powi(-decimals) + 1e-9, "{shown} for {kmh}");
}

async fn every_step_reads_what_the_command_says(look: &Look, club: &Value) {
    let mut read = 0;
    for curve in club["curves"].as_array().unwrap() {
        let change = curve["change"].as_str().unwrap();
        let points = curve["points"].as_array().unwrap();
        let known: Vec<&Value> = points.iter().filter(|point| !point["head_mps"].is_null()).collect();
        let focus =
            format!("document.querySelector('[data-change={change}] [role=slider]').focus(); return null");
        ask(&look.client, &focus).await;
        look.press(&Key::Home.to_string()).await;
        for point in known {
            let text = text(look, change).await;
            if point["by"] == 0.0 {
                assert!(text.starts_with("Your own swing: "), "{text}");
                shown_as(numbers(&text)[0], &club["head_mps"], 0);
            } else {
                let found = numbers(&text);
                let by = point["by"].as_f64().unwrap();
                assert!((found[0] - by.abs()).abs() < 1e-9, "{text}, {by}");
                let word = if by > 0.0 { &curve["more"] } else { &curve["less"] };
                assert!(text.contains(word.as_str().unwrap()), "{text}");
                shown_as(found[1], &point["head_mps"], 0);
                let sign = if text.contains("slower") { -1.0 } else { 1.0 };
                shown_as(found[2] * sign, &point["change_mps"], 1);
                shown_as(found[3], &point["change_low_mps"], 1);
                shown_as(found[4], &point["change_high_mps"], 1);
                assert_eq!(text.contains("Outside what"), point["beyond"].as_bool().unwrap(), "{text}");
                read += 1;
            }
            let shift_right = format!("{}{}{}", Key::Shift, Key::Right, Key::Null);
            look.press(&shift_right).await;
        }
    }
    assert!(read > 25, "{read} values");
}

/// A finger or mouse takes the handle along, between the values that were worked out, too; a key puts it back.
async fn a_handle_is_dragged(look: &Look) {
    let client = &look.client;
    let slider = "document.querySelector('[data-change=set-later] [role=slider]')";
    ask(client, &format!("{slider}.focus(); return null")).await;
    look.press(&Key::Delete.to_string()).await;
    until(client, &format!("{slider}.getAttribute('aria-valuenow') === '0'")).await;
    ask(
        client,
        "document.querySelector('[data-change=set-later]').scrollIntoView({ block: 'center' }); return null",
    )
    .await;
    let thumb = client.find(Locator::Css("[data-change=set-later] .thumb")).await.unwrap();
    let drag = MouseActions::new("mouse".to_owned())
        .then(PointerAction::MoveToElement { element: thumb, duration: None, x: 0., y: 0. })
        .then(PointerAction::Down { button: MOUSE_BUTTON_LEFT })
        .then(PointerAction::MoveBy { duration: Some(Duration::from_millis(50)), x: -57., y: 0. })
        .then(PointerAction::Up { button: MOUSE_BUTTON_LEFT });
    client.perform_actions(drag).await.unwrap();
    until(client, &format!("Number({slider}.getAttribute('aria-valuenow')) < -10")).await;
    let text = text(look, "set-later").await;
    assert!(text.contains("ms set earlier: head speed "), "{text}");
    picture(client, "swing-worth-dragged").await;
    if let Some(broken) = axe(client).await {
        assert_eq!(broken, Vec::<String>::new());
    }
    look.press(&Key::Delete.to_string()).await;
    until(client, &format!("{slider}.getAttribute('aria-valuenow') === '0'")).await;
}

async fn units_follow(look: &Look, club: &Value) {
    let choose = |id: &str, value: &str| {
        format!(
            "const s = document.getElementById('{id}'); s.value = '{value}'; s.dispatchEvent(new Event('change')); return null"
        )
    };
    ask(&look.client, &choose("units", "imperial")).await;
    ask(&look.client, &choose("decimals", "comma")).await;
    let text = text(look, "set-later").await;
    // A mile is 1609.344 m (international agreement of 1959).
    let mph = club["head_mps"].as_f64().unwrap() * 3600.0 / 1609.344;
    let shown = numbers(&text.replace(',', "."))[0];
    assert!(text.contains("mph") && text.contains(',') && (shown - mph).abs() <= 0.51, "{text}, {mph}");
    ask(&look.client, &choose("units", "metric")).await;
    ask(&look.client, &choose("decimals", "point")).await;
}
