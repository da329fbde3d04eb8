//! The page in a real browser: Chromium through its driver. Skips where they are not installed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/browser.rs"]
mod browser;
#[path = "support/bucket.rs"]
mod bucket;

use browser::{Driver, browser, look, nothing_left_the_machine, nothing_sticks_out, picture, says};
use bucket::robins_bucket;
use fantoccini::{Client, Locator};
use hingeclock::review::live::{LinkStatus, LiveStatus};
use hingeclock::review::page::PageModel;
use hingeclock::review::serve::{Site, loopback};
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::runtime::Runtime;
use tokio::sync::watch;

/// A server on a runtime of its own, so that it can be ended in mid-connection.
struct Served {
    address: SocketAddr,
    model: watch::Sender<Arc<PageModel>>,
    status: watch::Sender<Arc<LiveStatus>>,
    runtime: Option<Runtime>,
}

impl Drop for Served {
    fn drop(&mut self) {
        self.runtime.take().into_iter().for_each(Runtime::shutdown_background);
    }
}

fn serve_bucket(address: Option<SocketAddr>, live: bool) -> Served {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    let _inside = runtime.enter();
    let wanted = address.unwrap_or_else(|| loopback(0));
    // Sockets of a server that has just gone may hold the port for a moment.
    let socket = tokio::net::TcpSocket::new_v4().unwrap();
    socket.set_reuseaddr(true).unwrap();
    socket.bind(wanted).unwrap();
    let listener = socket.listen(16).unwrap();
    let address = listener.local_addr().unwrap();
    let (model, models) = watch::channel(Arc::new(PageModel { review: robins_bucket(), live }));
    let (status, statuses) = watch::channel(Arc::default());
    let site = Site::new(models, Some(statuses));
    runtime.spawn(site.serve(listener, axum::Router::new(), std::future::pending()));
    Served { address, model, status, runtime: Some(runtime) }
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_is_good_to_look_at() {
    if !browser::is_there() {
        return;
    }
    let driver = Arc::new(Driver::start());
    let profile = tempfile::tempdir().unwrap();
    let client = browser(&driver, profile.path()).await;
    let checks = checks(client.clone(), Arc::clone(&driver), serve_bucket(None, false));
    // The browser is closed even where a check fails.
    let outcome = tokio::spawn(tokio::time::timeout(Duration::from_secs(300), checks)).await;
    client.close().await.unwrap();
    outcome.unwrap().expect("the browser answers within five minutes");
}

async fn checks(client: Client, driver: Arc<Driver>, mut site: Served) {
    let address = site.address;
    let session = client.session_id().await.unwrap().unwrap();
    client.goto(&format!("http://{address}/")).await.unwrap();
    assert_eq!(client.title().await.unwrap(), "Robin: kestrel-point-bucket-1 · hingeclock");
    rows_are_swings(&client, 11).await;
    drawings_are_visible(&client).await;
    for (name, width, scheme) in [
        ("desktop", 1280, "light"),
        ("desktop", 1280, "dark"),
        ("phone", 390, "light"),
        ("phone", 390, "dark"),
    ] {
        look(&client, &driver, &session, width, scheme).await;
        nothing_sticks_out(&client, width).await;
        let buttons = if name == "phone" { 0 } else { 7 };
        assert_eq!(buttons_to_say(&client).await, buttons, "without a swing in hand: {name}");
        picture(&client, &format!("page-{name}-{scheme}")).await;
    }
    nothing_left_the_machine(&driver, &session, address).await;
    the_page_follows_a_live_bucket(&client, &site).await;
    the_page_sounds_each_cue_once(&client, &site).await;
    let log = driver.post(&session, "se/log", json!({ "type": "browser" })).await;
    assert_eq!(log, json!([]), "the console has to stay empty");
    // From here on the browser itself notes the lost connection.
    a_lost_connection_is_said_and_mended(&client, &mut site).await;
    let log = driver.post(&session, "se/log", json!({ "type": "browser" })).await;
    let others =
        |line: &&Value| !line["message"].as_str().unwrap_or_default().contains("WebSocket connection");
    assert_eq!(log.as_array().unwrap().iter().filter(others).collect::<Vec<_>>(), Vec::<&Value>::new());
}

/// How many buttons the bar shows that says something of the swing in hand.
async fn buttons_to_say(client: &Client) -> u64 {
    let script = "return [...document.querySelectorAll('#saying button')].filter(b => b.offsetParent).length";
    client.execute(script, vec![]).await.unwrap().as_u64().unwrap()
}

/// In one script: a live page may replace its rows between two questions.
async fn rows_are_swings(client: &Client, swings: usize) {
    let script = "return [...document.querySelectorAll('table.swings tbody tr')].map(row => row.innerText)";
    let rows = client.execute(script, vec![]).await.unwrap();
    let rows = rows.as_array().unwrap();
    assert_eq!(rows.len(), swings);
    let first = rows[0].as_str().unwrap();
    assert!(first.contains("7 iron") && first.contains("−384"), "{first}");
}

async fn drawings_are_visible(client: &Client) {
    let drawings = client.find_all(Locator::Css("svg.chart")).await.unwrap();
    // Each of two clubs spread, through the bucket, over arm travel and over time; all swings in order.
    assert_eq!(drawings.len(), 4 * 2 + 1);
    for drawing in drawings {
        assert!(drawing.is_displayed().await.unwrap());
        let (_, _, width, height) = drawing.rectangle().await.unwrap();
        assert!(width > 250.0 && height > 40.0, "{width} x {height}");
    }
    // Were the style sheet refused by the policy, curves would be filled and black.
    let curve = client.find(Locator::Css("path.curve.early")).await.unwrap();
    assert_eq!(curve.css_value("fill").await.unwrap(), "none");
    assert_ne!(curve.css_value("stroke-dasharray").await.unwrap(), "none");
}

/// Without being loaded anew: a mark that the test leaves in the page's memory stays there all the time.
async fn the_page_follows_a_live_bucket(client: &Client, site: &Served) {
    let mut review = robins_bucket();
    review.analysis.swings.truncate(3);
    site.model.send(Arc::new(PageModel { review, live: true })).unwrap();
    client.refresh().await.unwrap();
    rows_are_swings(client, 3).await;
    client.execute("window.stays = 'here'; return null", vec![]).await.unwrap();
    says(client, "#connection", "Live: this page follows the bucket.").await;
    site.model.send(Arc::new(PageModel { review: robins_bucket(), live: true })).unwrap();
    let eleventh = Locator::Css("table.swings tbody tr:nth-child(11)");
    let wait = client.wait().at_most(Duration::from_secs(60));
    wait.for_element(eleventh).await.unwrap();
    says(client, "#live-newest h2", "Swing 11, driver").await;
    let status = LiveStatus { link: LinkStatus::Sending, muted: true, ..LiveStatus::default() };
    site.status.send(Arc::new(status)).unwrap();
    says(client, ".facts .wrong dd", "muted").await;
    picture(client, "page-live").await;
    assert_eq!(client.execute("return window.stays", vec![]).await.unwrap(), "here");
}

/// Counts the sounds that the page starts, with when and how loud; none before the reader has asked for them.
const COUNT_SOUNDS: &str = "
    window.started = [];
    const start = AudioBufferSourceNode.prototype.start;
    AudioBufferSourceNode.prototype.start = function (at) {
        const samples = this.buffer.getChannelData(0);
        const peak = samples.reduce((peak, sample) => Math.max(peak, Math.abs(sample)), 0);
        const latency_ms = 1e3 * (this.context.baseLatency + (this.context.outputLatency || 0));
        window.started.push({ at_ms: Date.now(), seconds: this.buffer.duration, peak, latency_ms });
        return start.call(this, at);
    };
    return null";

async fn the_page_sounds_each_cue_once(client: &Client, site: &Served) {
    client.execute(COUNT_SOUNDS, vec![]).await.unwrap();
    let mut counts = [("early", 0), ("late", 0), ("tick", 0)];
    sound(site, &mut counts, 0);
    quiet_for_a_while(client, 0).await;
    let button = client.find(Locator::Css("#sound")).await.unwrap();
    assert_eq!(button.attr("aria-pressed").await.unwrap().as_deref(), Some("false"), "off by default");
    button.click().await.unwrap();
    says(client, "#sound", "Cues sound here").await;
    picture(client, "page-sounding").await;
    let mut later_ms = Vec::new();
    for (round, (which, seconds, peak)) in
        [(0, 0.205, 0.25), (1, 0.490, 0.25), (0, 0.205, 0.25), (2, 0.045, 0.125)].into_iter().enumerate()
    {
        let before = std::time::UNIX_EPOCH.elapsed().unwrap().as_secs_f64() * 1e3;
        sound(site, &mut counts, which);
        let started = started(client, round + 1).await;
        let last = started.last().unwrap();
        let number = |key: &str| last[key].as_f64().unwrap();
        assert!((number("seconds") - seconds).abs() < 1e-3, "{last}");
        assert!((0.7 * peak..=peak * 1.000_1).contains(&number("peak")), "{last}");
        later_ms.push((number("at_ms") - before).round() + number("latency_ms").round());
        quiet_for_a_while(client, round + 1).await;
    }
    println!("from the daemon's own cue to the page's, on this machine: {later_ms:?} ms");
    client.find(Locator::Css("#sound")).await.unwrap().click().await.unwrap();
    says(client, "#sound", "Sound the cues here").await;
    sound(site, &mut counts, 1);
    quiet_for_a_while(client, 4).await;
}

/// A cue has sounded at the daemon.
fn sound(site: &Served, counts: &mut [(&'static str, u64)], which: usize) {
    counts[which].1 += 1;
    let status = LiveStatus { link: LinkStatus::Sending, cues: counts.to_vec(), ..LiveStatus::default() };
    site.status.send(Arc::new(status)).unwrap();
}

/// What the page has started, once that is so many sounds.
async fn started(client: &Client, count: usize) -> Vec<Value> {
    for _ in 0..1200 {
        let started = client.execute("return window.started", vec![]).await.unwrap();
        let started = started.as_array().unwrap();
        if started.len() >= count {
            return started.clone();
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    panic!("expected {count} sounds");
}

/// Other news reach the page, and no sound comes with them.
async fn quiet_for_a_while(client: &Client, count: usize) {
    tokio::time::sleep(Duration::from_millis(700)).await;
    assert_eq!(started(client, count).await.len(), count, "each cue sounds once");
}

/// The server goes away: that is said. It comes back: the page goes on, still the same one. Then it ends.
async fn a_lost_connection_is_said_and_mended(client: &Client, site: &mut Served) {
    let address = site.address;
    site.runtime.take().unwrap().shutdown_background();
    says(client, "#connection", "Connection lost").await;
    picture(client, "page-lost").await;
    *site = serve_bucket(Some(address), true);
    says(client, "#connection", "Live: this page follows the bucket.").await;
    assert_eq!(client.execute("return window.stays", vec![]).await.unwrap(), "here");
    site.model.send(Arc::new(PageModel { review: robins_bucket(), live: false })).unwrap();
    says(client, "#connection", "The bucket is over.").await;
    let facts = client.find_all(Locator::Css(".facts")).await.unwrap();
    assert!(facts.is_empty(), "a glove that is neither sending nor missed any more");
}
