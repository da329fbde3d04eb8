//! The web page as text, and the server that hands it out.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/bucket.rs"]
mod bucket;

use bucket::{robins_bucket, robins_windows};
use hingeclock::detect::BucketAnalysis;
use hingeclock::record::library::remarks::{Remark, Said, SwingName};
use hingeclock::review::page::live::parts;
use hingeclock::review::page::{PageModel, page, swing};
use hingeclock::review::serve::bench::Shown;
use hingeclock::review::serve::{loopback, serve};
use hingeclock::review::{Review, json, table};
use hingeclock::units::WallTime;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

fn html(review: Review) -> String {
    page(&PageModel { review, live: false })
}

fn count(text: &str, part: &str) -> usize {
    text.matches(part).count()
}

#[test]
fn names_from_outside_stay_text() {
    let mut review = robins_bucket();
    let attack = "<script>alert(1)</script>\"'&";
    review.player = Some(attack.to_owned());
    review.input = attack.to_owned();
    review.analysis.notes.push(attack.to_owned());
    review.analysis.swings[0].club = Some(attack.to_owned());
    let text = html(review);
    assert_eq!(count(&text, "<script"), 0);
    assert!(count(&text, "&lt;script&gt;alert(1)&lt;/script&gt;&quot;") >= 4);
}

#[test]
fn the_page_needs_nothing_beside_itself() {
    let text = html(robins_bucket());
    for forbidden in ["http://", "https://", "src=", "@import", "url(", "<script", " style=", "javascript:"] {
        assert_eq!(count(&text, forbidden), 0, "{forbidden}");
    }
}

#[test]
fn every_swing_has_a_row_a_curve_and_a_mark() {
    let text = html(robins_bucket());
    let table = text.split("<table class=\"swings\">").nth(1).unwrap();
    let body = table.split("<tbody>").nth(1).unwrap().split("</tbody>").next().unwrap();
    assert_eq!(count(body, "<tr>"), 11);
    assert_eq!(count(&text, "<path class=\"curve "), 2 * 11);
    // Ten sets among each kind of curves, eleven swings in order.
    assert_eq!(count(&text, "<g class=\"set "), 2 * 10 + 11);
    assert_eq!(count(&text, "target window</text>"), 2);
}

/// The newest three of Robin's eleven swings, as a running bucket keeps them.
fn the_newest_three() -> Review {
    let mut review = robins_bucket();
    let swings = std::mem::take(&mut review.analysis.swings);
    swings.into_iter().for_each(|swing| review.keep(swing, None, 3));
    review
}

#[test]
fn where_only_the_newest_swings_are_kept_all_screens_go_on_counting() {
    let review = the_newest_three();
    assert_eq!((review.first_number, review.newest_number(), review.cues.len()), (9, 11, 3));
    let json: serde_json::Value = serde_json::from_str(&json::text(&review).unwrap()).unwrap();
    let indexes = json["swings"].as_array().unwrap().iter().map(|swing| swing["index"].as_u64());
    assert_eq!(indexes.collect::<Vec<_>>(), [Some(9), Some(10), Some(11)]);
    let text = table::text(&review, 100);
    assert!(text.contains("Swing 10: set"), "{text}");
    assert!(table::newest(&review).starts_with("swing 11, "));
    let text = html(review.clone());
    let numbers = text.split("data-swing=\"").skip(1).map(|rest| rest.split('"').next().unwrap().to_owned());
    let numbers: std::collections::BTreeSet<String> = numbers.collect();
    assert_eq!(numbers.into_iter().collect::<Vec<_>>(), ["10", "11", "9"]);
    assert_eq!(count(&text, "Swing 1,") + count(&text, "Swing 2,") + count(&text, "Swing 3,"), 0);
}

#[test]
fn a_remark_and_a_swings_page_go_by_that_number_too() {
    let review = the_newest_three();
    let excluded = |place, takeaway_us| Remark {
        at_unix_ms: WallTime(0),
        swing: Some(SwingName { takeaway_us, place }),
        said: Said::Exclude("topped".to_owned()),
    };
    let gone = excluded(2, robins_bucket().analysis.swings[1].takeaway);
    let kept = excluded(10, review.analysis.swings[1].takeaway);
    let review = review.with_remarks(&[gone, kept]);
    assert_eq!(review.analysis.notes, robins_bucket().analysis.notes);
    assert_eq!([0, 1, 2].map(|place| review.left_out(place).is_some()), [false, true, false]);
    let shown = Shown {
        key: "now".to_owned(),
        model: Arc::new(PageModel { review, live: true }),
        hand: None,
        path: None,
        takes_remarks: true,
        in_library: false,
    };
    assert!(swing::page(&shown, 3).is_none() && swing::motion(&shown, 12).is_none());
    let text = swing::page(&shown, 9).unwrap();
    assert!(text.contains("<h1>Swing 9, ") && text.contains("data-number=\"9\""));
    assert!(text.contains("/swing/10\"") && !text.contains("/swing/8\""), "{text}");
    let motion: serde_json::Value = serde_json::from_str(&swing::motion(&shown, 10).unwrap()).unwrap();
    assert_eq!(motion["number"], 10);
}

#[test]
fn a_reader_without_sight_is_served() {
    let text = html(robins_bucket());
    assert!(text.contains("<html lang=\"en\">"));
    assert_eq!(count(&text, "<caption"), count(&text, "<table"));
    assert_eq!(count(&text, "<desc"), count(&text, "role=\"img\""));
    assert_eq!(count(&text, "<h1"), 1);
    for id in text
        .split("aria-labelledby=\"")
        .skip(1)
        .flat_map(|rest| rest.split('"').next().unwrap().split(' ').map(str::to_owned).collect::<Vec<_>>())
    {
        assert_eq!(count(&text, &format!(" id=\"{id}\"")), 1, "{id}");
    }
    assert!(text.contains("no medical device"));
    assert!(text.contains("address position"));
}

#[test]
fn an_empty_or_damaged_bucket_still_gives_a_page() {
    let empty = BucketAnalysis { swings: vec![], losses: vec![], notes: vec![], calibration: None };
    let empty = Review::new("empty", empty);
    let heading = |live| parts(&PageModel { review: empty.clone(), live }, None)[0].1.clone();
    assert!(heading(true).contains("No swing yet."), "nothing went wrong");
    assert!(heading(false).contains("No swing was found."));
    assert!(html(empty).contains("No swing was found."));
    let mut damaged = robins_bucket();
    for point in &mut damaged.analysis.swings[0].curve {
        (point.hinge_deg, point.arm_travel) = (f64::NAN, f64::INFINITY);
    }
    damaged.analysis.swings[1].curve.clear();
    damaged.analysis.swings[2].set.as_mut().unwrap().arm_travel_at_set.value = f64::NAN;
    damaged.analysis.swings[3].set.as_mut().unwrap().arm_travel_at_set.sd = f64::INFINITY;
    let text = html(damaged);
    assert_eq!(count(&text, "<path class=\"curve "), 2 * 11);
    for word in ["NaN", "inf"] {
        let drawn = text.split(" d=\"").skip(1).map(|rest| rest.split('"').next().unwrap());
        assert!(drawn.clone().all(|data| !data.contains(word)), "{word} in a path");
    }
}

#[test]
fn without_windows_nothing_is_judged() {
    let mut review = robins_bucket();
    review.windows = Default::default();
    let text = html(review);
    assert_eq!(count(&text, "target window</text>"), 0);
    assert!(!text.contains("in the window"));
}

/// Serves Robin's bucket and hands out the address and the sender.
async fn server() -> (SocketAddr, watch::Sender<Arc<PageModel>>) {
    let listener = TcpListener::bind(loopback(0)).await.unwrap();
    let address = listener.local_addr().unwrap();
    let model = PageModel { review: robins_bucket(), live: true };
    let (sender, state) = watch::channel(Arc::new(model));
    tokio::spawn(serve(listener, state, std::future::pending()));
    (address, sender)
}

async fn get(address: SocketAddr, path: &str, host: &str) -> String {
    let mut stream = TcpStream::connect(address).await.unwrap();
    let request = format!("GET {path} HTTP/1.1\r\n{host}Connection: close\r\n\r\n");
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    answer
}

#[tokio::test]
async fn the_addresses_answer_with_their_guards() {
    let (address, _sender) = server().await;
    let host = format!("Host: {address}\r\n");
    for (path, kind, part) in [
        ("/", "text/html; charset=utf-8", "<h1>Robin: <span>kestrel-point-bucket-1</span></h1>"),
        ("/analysis.json", "application/json", "\"schema\": 1"),
        ("/healthz", "text/plain; charset=utf-8", "ok\n"),
        ("/assets/live.js", "text/javascript", "new WebSocket("),
    ] {
        let answer = get(address, path, &host).await;
        assert!(answer.starts_with("HTTP/1.1 200 "), "{path}: {answer}");
        assert!(answer.contains(part), "{path}");
        assert!(answer.contains(&format!("content-type: {kind}\r\n")), "{path}: {answer}");
        assert!(answer.contains("content-security-policy: default-src 'none';"), "{path}");
        assert!(answer.contains("x-content-type-options: nosniff"), "{path}");
    }
    assert!(get(address, "/other", &host).await.starts_with("HTTP/1.1 404 "));
}

#[tokio::test]
async fn a_foreign_host_is_refused() {
    let (address, _sender) = server().await;
    for host in ["Host: example.org\r\n", "Host: 127.0.0.1.example.org\r\n", "Host: \r\n"] {
        let answer = get(address, "/analysis.json", host).await;
        assert!(answer.starts_with("HTTP/1.1 403 "), "{host}: {answer}");
        assert!(!answer.contains("schema"), "{host}");
        assert!(answer.contains("content-security-policy: "), "{host}");
    }
    let nameless = get(address, "/analysis.json", "").await;
    assert!(!nameless.contains("schema"), "{nameless}");
}

#[tokio::test]
async fn a_running_daemon_can_change_what_is_shown() {
    let (address, sender) = server().await;
    let mut review = robins_bucket();
    review.windows = robins_windows();
    review.analysis.swings.truncate(2);
    sender.send(Arc::new(PageModel { review, live: true })).unwrap();
    let answer = get(address, "/", &format!("Host: {address}\r\n")).await;
    assert!(answer.contains("2 swings"), "{answer}");
}
