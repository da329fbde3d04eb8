//! The web page as text, and the server that hands it out.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/bucket.rs"]
mod bucket;

use bucket::{robins_bucket, robins_windows};
use hingeclock::detect::BucketAnalysis;
use hingeclock::review::Review;
use hingeclock::review::page::{PageModel, page};
use hingeclock::review::serve::{loopback, serve};
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
    assert!(html(Review::new("empty", empty)).contains("No swing was found."));
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
        ("/", "text/html; charset=utf-8", "<h1>Robin: kestrel-point-bucket-1</h1>"),
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
