//! Pairing another device, and a bucket that is running, in a real browser. Skips where there is no browser.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/bucket.rs"]
mod bucket;
#[path = "support/shelf.rs"]
mod shelf;

use browser::{
    Look, ask, console, mark_page, next_page, nothing_left_the_machine, picture, say, says, until,
    with_browser, with_browser_at,
};
use bucket::robins_bucket;
use fantoccini::Locator;
use fantoccini::key::Key;
use hingeclock::detect::{AnalysisParams, OfflineAnalysis};
use hingeclock::record::library::remarks::{Remarks, Said};
use hingeclock::record::open_input;
use hingeclock::review::Review;
use hingeclock::review::live::{LinkStatus, LiveStatus};
use hingeclock::review::page::PageModel;
use hingeclock::review::serve::bench::{Bench, OwnFile};
use hingeclock::review::serve::sharing::Sharing;
use hingeclock::review::serve::{Site, everywhere};
use hingeclock::units::{PlayerHand, WallTime};
use std::net::{Ipv4Addr, SocketAddr, UdpSocket};
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;
use tokio::sync::watch;

/// Types a code, sends it, and waits for the page that answers.
async fn offer(look: &Look, code: &str) {
    mark_page(&look.client).await;
    let field = look.client.find(Locator::Css("#code")).await.unwrap();
    field.clear().await.unwrap();
    field.send_keys(&format!("{code}{}", Key::Enter)).await.unwrap();
    next_page(&look.client).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_device_is_paired_by_the_right_code_and_by_no_other() {
    // Only asked for the way out; nothing is sent to this address of RFC 5737.
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).unwrap();
    let outer = socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).and_then(|()| socket.local_addr()).ok();
    let Some(outer) = outer.map(|outer| outer.ip()).filter(|ip| !ip.is_loopback() && browser::is_there())
    else {
        eprintln!("skipped: no browser, or no address but this machine's own");
        return;
    };
    let codes = Arc::new(Mutex::new(Vec::<String>::new()));
    let told = Arc::clone(&codes);
    let tell = move |line: &str| told.lock().unwrap().push(line.rsplit(": ").next().unwrap().to_owned());
    let (_keep, model) = watch::channel(Arc::new(PageModel { review: robins_bucket(), live: false }));
    let site = Site::new(model, None).shared(Some(Sharing::start(tell).unwrap()));
    let listener = TcpListener::bind(everywhere(0)).await.unwrap();
    let there = SocketAddr::new(outer, listener.local_addr().unwrap().port());
    with_browser_at(site, listener, there, move |look| async move {
        look.at("/bucket/now/report").await;
        until(&look.client, "location.pathname === '/pair'").await;
        look.everywhere("pair").await;
        let code = codes.lock().unwrap().last().unwrap().clone();
        offer(&look, "0").await;
        says(&look.client, "#pair-said", "That was not it.").await;
        picture(&look.client, "pair-wrong").await;
        // As it is read off the screen, with its space.
        offer(&look, &code).await;
        until(&look.client, "location.pathname === '/' && document.querySelector('#swing-table')").await;
        // The code was for one device: another has to ask anew, and may not try for ever.
        look.client.delete_all_cookies().await.unwrap();
        look.at("/").await;
        until(&look.client, "location.pathname === '/pair'").await;
        let said = "document.getElementById('pair-said').textContent";
        let mut tries = Vec::new();
        for n in 0..20 {
            offer(&look, if n == 0 { &code } else { "1" }).await;
            tries.push(ask(&look.client, &format!("return {said}")).await.as_str().unwrap().to_owned());
            if tries.last().unwrap().starts_with("Too many tries: the next one counts in ") {
                break;
            }
            assert!(tries.last().unwrap().starts_with("That was not it"), "{tries:?}");
        }
        assert!(tries.last().unwrap().starts_with("Too many tries"), "{tries:?}");
        picture(&look.client, "pair-too-many").await;
        if let Some(broken) = browser::axe(&look.client).await {
            assert_eq!(broken, Vec::<String>::new());
        }
        // The browser itself notes what was refused; nothing else.
        let refused = |line: &&String| !line.contains("status of 403") && !line.contains("status of 429");
        let log = console(&look.driver, &look.session).await;
        assert_eq!(log.iter().filter(refused).collect::<Vec<_>>(), Vec::<&String>::new());
        nothing_left_the_machine(&look.driver, &look.session, look.address).await;
    })
    .await;
}

/// What is said while the bucket runs stays with its swing when further swings come, and is on the disk.
#[tokio::test(flavor = "multi_thread")]
async fn a_running_bucket_takes_remarks() {
    if !browser::is_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let session = shelf::session("Robin", 1_790_000_000_000);
    shelf::put(folder.path(), "kestrel-1.mcap", &session, &shelf::recorded(&shelf::bucket(6, 3), &session));
    let path = folder.path().join("kestrel-1.mcap");
    let mut input = open_input(&path).unwrap();
    let mut analysis = OfflineAnalysis::new(&input.device, AnalysisParams::default());
    input.arrivals.by_ref().for_each(|arrival| analysis.push(&arrival.unwrap()));
    let all = Review { player: Some("Robin".to_owned()), ..Review::new("kestrel-1.mcap", analysis.finish()) };
    let count = all.analysis.swings.len();
    assert!(count > 3, "{count} swings");
    let mut begun = all.clone();
    begun.analysis.swings.truncate(3);
    let (model, models) = watch::channel(Arc::new(PageModel { review: begun, live: true }));
    let status = LiveStatus { link: LinkStatus::Sending, ..LiveStatus::default() };
    let (_status, statuses) = watch::channel(Arc::new(status));
    let file = OwnFile { path: path.clone(), hand: PlayerHand::Right };
    let bench = Bench::of_file(file, Box::new(|| WallTime(1_800_000_000_000)));
    let site = Site::new(models, Some(statuses)).with_bench(bench);
    with_browser(site, move |look| async move {
        let client = &look.client;
        look.at("/").await;
        says(client, "#connection", "Live: this page follows the bucket.").await;
        look.everywhere("live").await;
        ask(client, "window.stays = 'here'; return null").await;
        client.find(Locator::Css("body")).await.unwrap().send_keys("j").await.unwrap();
        say(&look, "b", None).await;
        say(&look, "n", Some("this one")).await;
        say(&look, "N", Some("Wind from the left")).await;
        let first = "document.querySelector('#swing-table tbody tr')";
        let stands = format!(
            "{first}.classList.contains('best') && {first}.textContent.includes('this one') && \
             document.querySelector('#live-heading .of-bucket').textContent.includes('Wind from the left')"
        );
        until(client, &stands).await;
        model.send(Arc::new(PageModel { review: all, live: true })).unwrap();
        let rows = "document.querySelectorAll('#swing-table tbody tr').length";
        until(client, &format!("{rows} === {count}")).await;
        until(client, &stands).await;
        says(client, "#in-hand", "Swing 1").await;
        assert_eq!(ask(client, "return window.stays").await, "here", "the page was not loaded anew");
        let kept = Remarks::parse(&std::fs::read(path.with_extension("remarks.jsonl")).unwrap());
        let kept: Vec<(Option<usize>, Said)> =
            kept.remarks.into_iter().map(|one| (one.swing.map(|swing| swing.place), one.said)).collect();
        let text = |text: &str| text.to_owned();
        let said = [
            (Some(1), Said::Tag(text("best"))),
            (Some(1), Said::Note(text("this one"))),
            (None, Said::Note(text("Wind from the left"))),
        ];
        assert_eq!(kept, said);
        picture(client, "live-remarked").await;
        look.at("/bucket/now/report").await;
        says(client, ".words", "Wind from the left").await;
        says(client, ".headline", "still going on").await;
        look.was_quiet().await;
    })
    .await;
}
