//! The coach's bench in a real browser: every page and action, on recordings of the virtual glove.
//! Pictures go to target/screenshots. Skips where there is no browser.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/bucket.rs"]
mod bucket;
#[path = "support/shelf.rs"]
mod shelf;

use browser::{Look, ask, axe, picture, say, says, site_of, until, with_browser};
use bucket::robins_windows;
use fantoccini::Locator;
use fantoccini::actions::{InputSource, MOUSE_BUTTON_LEFT, MouseActions, PointerAction};
use fantoccini::key::Key;
use hingeclock::detect::{AnalysisParams, OfflineAnalysis};
use hingeclock::record::library::remarks::{Remarks, Said};
use hingeclock::record::open_input;
use hingeclock::review::figure::poses;
use hingeclock::review::{Review, Windows, json};
use hingeclock::units::PlayerHand;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A recording of the virtual glove in a folder of its own, and its review without remarks.
fn recording(folder: &Path, swings: usize) -> (PathBuf, Review) {
    let session = shelf::session("Robin <b>&", 1_790_000_000_000);
    shelf::put(folder, "kestrel-1.mcap", &session, &shelf::recorded(&shelf::bucket(swings, 3), &session));
    let path = folder.join("kestrel-1.mcap");
    let mut input = open_input(&path).unwrap();
    let mut analysis = OfflineAnalysis::new(&input.device, AnalysisParams::default());
    input.arrivals.by_ref().for_each(|arrival| analysis.push(&arrival.unwrap()));
    let player = Some("Robin <b>&".to_owned());
    let windows =
        Windows { by_club: Default::default(), otherwise: robins_windows().by_club.remove("7 iron") };
    (path, Review { player, windows, ..Review::new("kestrel-1.mcap", analysis.finish()) })
}

fn remarks(path: &Path) -> Vec<(usize, Said)> {
    let bytes = std::fs::read(path.with_extension("remarks.jsonl")).unwrap_or_default();
    let read = Remarks::parse(&bytes);
    assert_eq!(read.problems, Vec::<String>::new());
    read.remarks.into_iter().map(|remark| (remark.swing.unwrap().place, remark.said)).collect()
}

/// The drawn club makes the measured angle with the drawn arm, but for the wrist's third angle, which is left out.
#[test]
fn the_drawn_club_stands_at_the_measured_angle() {
    let folder = tempfile::tempdir().unwrap();
    let (_, review) = recording(folder.path(), 2);
    assert!(!review.analysis.swings.is_empty());
    for swing in &review.analysis.swings {
        let poses = poses(swing, PlayerHand::Right);
        let events = [(Some(swing.top), swing.arm_shaft_deg.top), (swing.impact, swing.arm_shaft_deg.impact)];
        for (at, measured) in events {
            let (at, measured) = (at.unwrap(), measured.unwrap());
            let place = swing.curve.iter().position(|point| point.t >= at).unwrap();
            let [wrist, head] = [poses[place].wrist, poses[place].head]
                .map(|seen| [seen.face_on, seen.up, seen.down_the_line]);
            let shaft = [0, 1, 2].map(|axis| head[axis] - wrist[axis]);
            let length = |v: [f64; 3]| v.iter().map(|part| part * part).sum::<f64>().sqrt();
            let dot: f64 = (0..3).map(|axis| -wrist[axis] * shaft[axis]).sum();
            let drawn = (dot / length(wrist) / length(shaft)).acos().to_degrees();
            assert!((drawn - measured.value).abs() < 3.0, "{drawn} drawn, {} measured", measured.value);
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_coach_works_through_a_bucket() {
    if !browser::is_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (path, review) = recording(folder.path(), 7);
    let site = site_of(&path, review.clone(), PlayerHand::Right);
    with_browser(site, |look| async move {
        look.at("/").await;
        numbers_are_those_of_the_json(&look, &review).await;
        look.everywhere("bucket").await;
        keys_pick_and_compare(&look).await;
        remarks_are_kept(&look, &path).await;
        decimals_and_units(&look).await;
        look.at("/bucket/now/swing/3").await;
        says(&look.client, ".headline", " (window ").await;
        the_cursor_moves_arm_and_club(&look).await;
        look.everywhere("swing").await;
        handles_move_and_go_back(&look, &path).await;
        raw_signals_are_told(&look).await;
        look.was_quiet().await;
    })
    .await;
}

/// Each printed number is the JSON's, rounded to its digits (the JSON itself is rounded to hundredths).
async fn numbers_are_those_of_the_json(look: &Look, review: &Review) {
    let printed: Value = serde_json::from_str(&json::text(review).unwrap()).unwrap();
    let script = "return [...document.querySelectorAll('#swing-table tbody tr')].map(row => [...row.cells].map(c => c.innerText))";
    let rows = ask(&look.client, script).await;
    let rows = rows.as_array().unwrap();
    let swings = printed["swings"].as_array().unwrap();
    assert!(rows.len() == swings.len() && swings.len() > 4, "{} rows", rows.len());
    let mut compared = 0;
    for (row, swing) in rows.iter().zip(swings) {
        let places = [
            (3, &swing["set_to_top_ms"], Some(&swing["set_to_top_ms_sd"]), 1.0),
            (4, &swing["arm_travel_at_set"], Some(&swing["arm_travel_at_set_sd"]), 100.0),
            (7, &swing["hinge_deg"]["set"], None, 1.0),
            (8, &swing["hinge_deg"]["top"], None, 1.0),
            (9, &swing["hinge_deg"]["impact"], None, 1.0),
            (10, &swing["arm_shaft_deg"]["arm_horizontal_down"], None, 1.0),
            (11, &swing["tempo"], None, 1.0),
        ];
        for (cell, value, sd, factor) in places {
            let text = row[cell].as_str().unwrap().replace('−', "-").replace(['%', '\u{a0}'], " ");
            let numbers: Vec<&str> = text.split('±').map(str::trim).collect();
            // A bar in a list never reads as none.
            let least = [f64::NEG_INFINITY, 1.0];
            let values = [Some(value), sd].into_iter().flatten();
            for ((number, value), least) in numbers.iter().zip(values).zip(least) {
                let Some(value) = value.as_f64() else {
                    assert_eq!(*number, "–");
                    continue;
                };
                let decimals = number.split('.').nth(1).map_or(0, str::len) as i32;
                let half = 0.5 * 10_f64.powi(-decimals) + 0.0051;
                let shown: f64 = number.parse().unwrap_or_else(|_| panic!("{number:?} in {row}"));
                let expected = (value * factor).max(least);
                assert!((shown - expected).abs() <= half, "{shown} for {value} in {row}");
                compared += 1;
            }
        }
    }
    assert!(compared > 40, "{compared} numbers");
}

async fn keys_pick_and_compare(look: &Look) {
    let Look { client, .. } = look;
    says(client, ".card", "The middle set comes at ").await;
    client.find(Locator::Css("body")).await.unwrap().send_keys("b").await.unwrap();
    says(client, "#told", "Take a swing in hand first").await;
    client.find(Locator::Css("body")).await.unwrap().send_keys("j").await.unwrap();
    says(client, "#in-hand", "Swing 1").await;
    until(client, "document.getElementById('told').textContent === ''").await;
    look.press(" ").await;
    look.press(&Key::Down.to_string()).await;
    look.press(&Key::Down.to_string()).await;
    says(client, "#in-hand", "Swing 3").await;
    look.press("p").await;
    says(client, "#in-hand", "2 picked").await;
    let marks = "document.querySelectorAll('path.curve.picked').length";
    until(client, &format!("{marks} === 4")).await;
    look.press("v").await;
    until(
        client,
        "[...document.querySelectorAll('#swing-table tbody tr')].filter(r => r.offsetParent).length === 2",
    )
    .await;
    picture(client, "bucket-picked-only").await;
    look.press(&Key::Escape.to_string()).await;
    until(client, &format!("{marks} === 0")).await;
    look.press("?").await;
    until(client, "document.getElementById('keys').open").await;
    picture(client, "bucket-keys").await;
    look.press(&Key::Escape.to_string()).await;
    until(client, "!document.getElementById('keys').open").await;
}

async fn remarks_are_kept(look: &Look, path: &Path) {
    let client = &look.client;
    let counted = "document.querySelector('.groups tbody tr:last-child').cells[1].textContent";
    let before = ask(client, &format!("return {counted}")).await;
    client
        .find(Locator::Css("#swing-table tbody tr:nth-child(2) td:nth-child(3)"))
        .await
        .unwrap()
        .click()
        .await
        .unwrap();
    client.find(Locator::Css("#swing-table tbody tr:nth-child(2) a")).await.unwrap();
    say(look, "b", None).await;
    until(client, "document.querySelector('#swing-table tbody tr:nth-child(2)').classList.contains('best')")
        .await;
    say(look, "t", Some("slow")).await;
    say(look, "n", Some("<img src=x onerror=alert(1)> head up")).await;
    says(client, "#swing-table tbody tr:nth-child(2) .note", "<img src=x onerror=alert(1)> head up").await;
    say(look, "x", Some("topped")).await;
    says(client, "#swing-table tbody tr:nth-child(2) .why", "left out: topped").await;
    says(client, ".headline", "1 more is left out").await;
    assert_ne!(ask(client, &format!("return {counted}")).await, before, "it leaves the statistics");
    picture(client, "bucket-remarked").await;
    say(look, "x", None).await;
    until(client, &format!("{counted} === {before}")).await;
    say(look, "c", Some("wedge")).await;
    until(client, "document.querySelector('#swing-table tbody tr:nth-child(2)').dataset.club === 'wedge'")
        .await;
    until(client, "document.querySelectorAll('.card').length === 3").await;
    let text = |text: &str| text.to_owned();
    assert_eq!(
        remarks(path),
        [
            Said::Tag(text("best")),
            Said::Tag(text("slow")),
            Said::Note(text("<img src=x onerror=alert(1)> head up")),
            Said::Exclude(text("topped")),
            Said::Include,
            Said::Club(text("wedge")),
        ]
        .map(|said| (2, said))
    );
    // The buttons do the same for a finger.
    let best = Locator::Css("[data-action=best]");
    client.find(best).await.unwrap().click().await.unwrap();
    until(client, "!document.querySelector('#swing-table tbody tr:nth-child(2)').classList.contains('best')")
        .await;
}

async fn decimals_and_units(look: &Look) {
    let client = &look.client;
    let tempo = "document.querySelector('#swing-table tbody tr').cells[11].textContent";
    let point = ask(client, &format!("return {tempo}")).await;
    let choose = |id: &str, value: &str| {
        format!(
            "const s = document.getElementById('{id}'); s.value = '{value}'; s.dispatchEvent(new Event('change')); return null"
        )
    };
    ask(client, &choose("decimals", "comma")).await;
    let comma = ask(client, &format!("return {tempo}")).await;
    assert!(comma.as_str().unwrap().contains(','), "{comma}");
    assert_eq!(comma.as_str().unwrap().replace(',', "."), point.as_str().unwrap());
    look.at("/bucket/now/swing/3").await;
    until(client, "document.querySelector('[data-m-s]').textContent.includes('km/h')").await;
    ask(client, &choose("units", "imperial")).await;
    until(client, "document.querySelector('[data-m-s]').textContent.includes('mph')").await;
    let speeds = ask(client, "const e = document.querySelector('[data-m-s]'); return [Number(e.dataset.mS || e.getAttribute('data-m-s')), parseFloat(e.textContent)]").await;
    let [m_s, mph] = [0, 1].map(|at| speeds[at].as_f64().unwrap());
    // A mile is 1609.344 m (international agreement of 1959).
    assert!((m_s * 3600.0 / 1609.344 - mph).abs() <= 0.5, "{speeds}");
    ask(client, &choose("units", "metric")).await;
    ask(client, &choose("decimals", "point")).await;
}

async fn the_cursor_moves_arm_and_club(look: &Look) {
    let client = &look.client;
    until(client, "performance.getEntriesByName('swing-ready').length").await;
    let club = "document.querySelector('#face-on .club').getAttribute('d')";
    let at_top = ask(client, &format!("return {club}")).await;
    let cursor = "document.getElementById('cursor').value";
    let before = ask(client, &format!("return {cursor}")).await;
    client.find(Locator::Css("#on-frame")).await.unwrap().click().await.unwrap();
    until(client, &format!("{cursor} !== {before}")).await;
    client.find(Locator::Css("#back-frame")).await.unwrap().click().await.unwrap();
    until(client, &format!("{cursor} === {before}")).await;
    // At the top the arm stands still for a frame or two; well before it, it does not.
    let set = "const c = document.getElementById('cursor'); c.value = -300; c.dispatchEvent(new Event('input')); return null";
    ask(client, set).await;
    until(client, &format!("{club} !== {at_top}")).await;
    client.find(Locator::Css("#play")).await.unwrap().click().await.unwrap();
    until(client, "document.getElementById('cursor').value > 20").await;
    client.find(Locator::Css("#play")).await.unwrap().click().await.unwrap();
    let before = ask(client, "return document.getElementById('cursor').value").await;
    tokio::time::sleep(Duration::from_millis(200)).await;
    assert_eq!(
        ask(client, "return document.getElementById('cursor').value").await,
        before,
        "it stands still"
    );
    // The film and whatever else follows the cursor hears of it.
    ask(client, "document.getElementById('swing').addEventListener('cursor', e => { window.heard = e.detail.t_ms; }); return null").await;
    client.find(Locator::Css("#on-frame")).await.unwrap().click().await.unwrap();
    until(client, "typeof window.heard === 'number'").await;
}

async fn handles_move_and_go_back(look: &Look, path: &Path) {
    let client = &look.client;
    let yours = "document.querySelector('tr[data-event=set] .yours').textContent";
    let computed =
        ask(client, "return document.querySelector('tr[data-event=set]').cells[1].textContent").await;
    ask(client, "document.querySelector('[data-word=set]').focus(); return null").await;
    for _ in 0..3 {
        look.press(&Key::Left.to_string()).await;
    }
    until(client, &format!("{yours} !== '–'")).await;
    let Some((3, Said::Event(text))) = remarks(path).last().cloned() else { panic!("{:?}", remarks(path)) };
    assert!(text.starts_with("set "), "{text}");
    assert_eq!(
        ask(client, "return document.querySelector('tr[data-event=set]').cells[1].textContent").await,
        computed
    );
    says(client, ".by-moved", "By the events as you put them: set ").await;
    until(client, "document.querySelector('[data-word=set]').classList.contains('moved')").await;
    look_at_lanes(look, "swing-moved").await;
    look.press(&Key::Delete.to_string()).await;
    until(client, &format!("{yours} === '–'")).await;
    assert_eq!(remarks(path).last().unwrap().1, Said::Event("set computed".to_owned()));
    // By dragging, and by the buttons of the table.
    let grip = client.find(Locator::Css("[data-word=top] .grip")).await.unwrap();
    let drag = MouseActions::new("mouse".to_owned())
        .then(PointerAction::MoveToElement { element: grip, duration: None, x: 0., y: 0. })
        .then(PointerAction::Down { button: MOUSE_BUTTON_LEFT })
        .then(PointerAction::MoveBy { duration: Some(Duration::from_millis(50)), x: -40., y: 0. })
        .then(PointerAction::Up { button: MOUSE_BUTTON_LEFT });
    ask(client, "document.querySelector('#lanes').scrollIntoView(); return null").await;
    client.perform_actions(drag).await.unwrap();
    let top = "document.querySelector('tr[data-event=top] .yours').textContent";
    until(client, &format!("{top} !== '–'")).await;
    client.find(Locator::Css("tr[data-event=top] [data-back]")).await.unwrap().click().await.unwrap();
    until(client, &format!("{top} === '–'")).await;
    client.find(Locator::Css("tr[data-event=impact] [data-to-cursor]")).await.unwrap().click().await.unwrap();
    until(client, "document.querySelector('tr[data-event=impact] .yours').textContent !== '–'").await;
}

async fn look_at_lanes(look: &Look, name: &str) {
    ask(&look.client, "document.getElementById('lanes').scrollIntoView(); return null").await;
    picture(&look.client, name).await;
}

async fn raw_signals_are_told(look: &Look) {
    let client = &look.client;
    let summary = Locator::Css("#raw summary");
    // Once they cannot be had; opened again, they are asked for again.
    let lost = "const real = window.fetch; window.fetch = () => { window.fetch = real; return Promise.reject(new Error('gone')); }; return null";
    ask(client, lost).await;
    client.find(summary).await.unwrap().click().await.unwrap();
    says(client, "#raw-signals", "could not be read").await;
    client.find(summary).await.unwrap().click().await.unwrap();
    client.find(summary).await.unwrap().click().await.unwrap();
    until(client, "document.querySelectorAll('#raw-signals svg').length === 4").await;
    let said = ask(client, "return document.querySelector('.doubts').textContent").await;
    assert!(said.as_str().unwrap().contains("clipped"), "{said}");
    ask(client, "document.getElementById('raw').scrollIntoView(); return null").await;
    picture(client, "swing-raw").await;
    if let Some(broken) = axe(client).await {
        assert_eq!(broken, Vec::<String>::new());
    }
}

/// A left-handed player's figure is the mirror image in both views.
#[tokio::test(flavor = "multi_thread")]
async fn a_left_handed_players_views_are_mirrored() {
    if !browser::is_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (path, review) = recording(folder.path(), 1);
    let right = hingeclock::review::motion::Motion::of(&review, 0, Some(PlayerHand::Right)).unwrap();
    let right = serde_json::to_value(right).unwrap();
    with_browser(site_of(&path, review, PlayerHand::Left), |look| async move {
        look.at("/bucket/now/swing/1").await;
        until(&look.client, "performance.getEntriesByName('swing-ready').length").await;
        until(&look.client, "!document.getElementById('mirrored').hidden").await;
        let club =
            ask(&look.client, "return document.querySelector('#face-on .club').getAttribute('d')").await;
        let numbers: Vec<f64> =
            club.as_str().unwrap().split(['M', 'L', ' ']).filter_map(|part| part.parse().ok()).collect();
        let at = right["t_ms"].as_array().unwrap().iter().position(|t| t.as_f64().unwrap() >= 0.0).unwrap();
        let near =
            |at: usize| (right["figure"]["wrist"][at][0].as_f64().unwrap() * -100.0 - numbers[0]).abs() < 0.5;
        assert!(near(at) || near(at - 1), "{numbers:?}");
        picture(&look.client, "swing-left-handed").await;
        look.was_quiet().await;
    })
    .await;
}
