//! Large buckets and libraries in a real browser: shown, filtered, weighed. Times are the browser's own; they are
//! printed, never asserted. Skips where there is no browser.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/bucket.rs"]
mod bucket;
#[path = "support/shelf.rs"]
mod shelf;

use browser::{Look, ask, picture, say, says, site_of, until, with_browser};
use bucket::{Shape, robins_windows, swing};
use fantoccini::Locator;
use hingeclock::detect::{AnalysisParams, BucketAnalysis};
use hingeclock::record::library::analysis::{Analysed, BucketFacts, Rules, analyse};
use hingeclock::record::library::files;
use hingeclock::record::library::index::{BesideRead, Index};
use hingeclock::record::library::made_from::about;
use hingeclock::record::measures::Measures;
use hingeclock::review::serve::Site;
use hingeclock::review::serve::bench::{Bench, Shelf};
use hingeclock::review::{OfPlayer, Review};
use hingeclock::units::PlayerHand;
use std::path::Path;

/// Two hundred swings that differ.
fn large_bucket() -> Review {
    let shape = |n: usize| Shape {
        club: if n.is_multiple_of(3) { "driver" } else { "7 iron" },
        takeaway_s: 20.0 * n as f64,
        backswing_s: 0.76 + 0.001 * (n % 40) as f64,
        downswing_s: 0.26,
        rises: (0.12 + 0.003 * (n % 31) as f64, 0.55 + 0.007 * (n % 23) as f64),
        range_deg: 28.0 + (n % 9) as f64,
        ball: !n.is_multiple_of(17),
    };
    let swings = (0..200).map(|n| swing(shape(n))).collect();
    let analysis = BucketAnalysis { swings, losses: vec![], notes: vec![], calibration: None };
    Review { windows: robins_windows(), ..Review::new("two hundred", analysis) }
}

#[tokio::test(flavor = "multi_thread")]
async fn two_hundred_swings_are_shown_and_weighed() {
    if !browser::is_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("none.csv");
    with_browser(site_of(&path, large_bucket(), PlayerHand::Right), |look| async move {
        look.at("/").await;
        until(&look.client, "document.querySelectorAll('#swing-table tbody tr').length === 200").await;
        until(&look.client, "performance.getEntriesByName('bench-ready').length").await;
        let script = "const n = performance.getEntriesByType('navigation')[0];
            const paint = performance.getEntriesByName('first-contentful-paint')[0];
            const parts = performance.getEntriesByType('resource');
            return { data_there_ms: n.responseEnd, parsed_ms: n.domInteractive, painted_ms: paint ? paint.startTime : null,
                usable_ms: performance.getEntriesByName('bench-ready')[0].startTime, page_bytes: n.encodedBodySize,
                asset_bytes: parts.reduce((sum, part) => sum + part.encodedBodySize, 0), assets: parts.length }";
        println!("200 swings: {}", ask(&look.client, script).await);
        let script = "const start = performance.now(); for (let i = 0; i < 20; i++)
            document.dispatchEvent(new KeyboardEvent('keydown', { key: 'j', bubbles: true }));
            document.body.offsetHeight; return (performance.now() - start) / 20";
        // A key goes where the focus is.
        ask(&look.client, "document.body.focus(); return null").await;
        let script = script.replace("document.dispatchEvent", "document.body.dispatchEvent");
        println!("200 swings, from one to the next: {} ms", ask(&look.client, &script).await);
        says(&look.client, "#in-hand", "Swing 20").await;
        picture(&look.client, "bucket-200").await;
        look.was_quiet().await;
    })
    .await;
}

/// A library of a thousand small recordings whose index holds ten swings each, those of a played bucket.
fn large_library(folder: &Path) -> usize {
    let session = shelf::session("", 0);
    let played = shelf::recorded(&shelf::bucket(10, 1), &session);
    shelf::put(folder, "played.mcap", &shelf::session("Robin", 0), &played);
    let analysed = analyse(&folder.join("played.mcap"), Rules::from(AnalysisParams::default()));
    assert!(analysed.swings.len() >= 8, "{}", analysed.swings.len());
    for number in 0..10_000 / analysed.swings.len() {
        let player = ["Ann", "Sam", "Kim"][number % 3];
        let session = shelf::session(player, 1_700_000_000_000 + number as i64 * 86_400_000);
        shelf::put(folder, &format!("{player}/{number:04}.mcap"), &session, &[]);
    }
    let mut index =
        Index::open(&folder.join("index.sqlite"), &Rules::from(AnalysisParams::default()).mark()).unwrap();
    let mut count = 0;
    for (path, stamp, beside) in files::list(folder).unwrap().recordings {
        let about = about(&folder.join(&path)).unwrap();
        let session = about.session.unwrap();
        let facts = BucketFacts {
            uuid: about.uuid,
            player: session.player,
            started: Some(session.started),
            ..analysed.facts.clone()
        };
        count += analysed.swings.len();
        index
            .put(
                &path,
                (stamp, beside),
                &Analysed { facts, swings: analysed.swings.clone() },
                &BesideRead::default(),
            )
            .unwrap();
    }
    count
}

#[tokio::test(flavor = "multi_thread")]
async fn ten_thousand_swings_are_listed_and_filtered() {
    if !browser::is_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let count = large_library(folder.path());
    let (library, opened) = shelf::open(folder.path());
    assert_eq!((opened.analysed, opened.rebuilt), (0, false));
    let known = |_: &str| OfPlayer { windows: robins_windows(), measures: Ok(Measures::default()) };
    let shelf = Shelf { library, of_player: Box::new(known), tell: Box::new(|_: &str| ()) };
    let site = Site::of_library(Bench::of_library(shelf, Box::new(|| shelf::NOW)));
    with_browser(site, move |look| async move {
        let client = &look.client;
        look.at("/").await;
        says(client, "#count", &format!("Swings 1 to 100 of {count}.")).await;
        let script = "const n = performance.getEntriesByType('navigation')[0];
            return { redirected_and_answered_ms: n.responseEnd, shown_ms: n.domComplete, bytes: n.encodedBodySize }";
        println!("{count} swings listed: {}", ask(client, script).await);
        look.everywhere("library").await;
        ask(client, "performance.clearMarks(); window.from = performance.now(); return null").await;
        client.find(Locator::Css("#filter input[name=text]")).await.unwrap().send_keys("kim driver").await.unwrap();
        says(client, "#count", "No swing").await;
        client.find(Locator::Css("#filter input[name=text]")).await.unwrap().clear().await.unwrap();
        ask(client, "document.querySelector('#filter').reset(); return null").await;
        let filter = "performance.clearMarks(); window.from = performance.now(); const f = document.querySelector('#filter');
            f.elements.text.value = ''; f.elements.player.value = 'Kim'; f.elements.club.value = 'driver';
            f.dispatchEvent(new Event('submit', { cancelable: true })); return null";
        ask(client, filter).await;
        until(client, "performance.getEntriesByName('rows-shown').length && [...document.querySelectorAll('.listed tbody')].every(b => [...b.rows].every((r, at) => at ? r.cells[1].textContent === 'driver' : r.textContent.includes('Kim')))").await;
        println!("filtered: {} ms", ask(client, "return performance.getEntriesByName('rows-shown').pop().startTime - window.from").await);
        look_for_next(&look).await;
        // A bucket and a swing of it, and back again.
        look.at("/library?player=Robin").await;
        client.find(Locator::Css(".listed .recording a")).await.unwrap().click().await.unwrap();
        until(client, "document.querySelectorAll('#swing-table tbody tr').length >= 8").await;
        client.find(Locator::Css("body")).await.unwrap().send_keys("j").await.unwrap();
        say(&look, "t", Some("keeper")).await;
        look.at("/library?tag=keeper").await;
        says(client, "#count", "Swings 1 to 1 of 1.").await;
        client.find(Locator::Css(".listed tr:not(.recording) a")).await.unwrap().click().await.unwrap();
        until(client, "performance.getEntriesByName('swing-ready').length").await;
        look.was_quiet().await;
    })
    .await;
}

async fn look_for_next(look: &Look) {
    ask(&look.client, "document.activeElement.blur(); return null").await;
    look.client.find(Locator::Css("body")).await.unwrap().send_keys("n").await.unwrap();
    says(&look.client, "#count", "Swings 101 to").await;
    look.client.find(Locator::Css("a[rel=prev]")).await.unwrap().click().await.unwrap();
    says(&look.client, "#count", "Swings 1 to").await;
}
