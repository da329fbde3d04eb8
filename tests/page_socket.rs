//! The socket of a live page: who may listen, what is told, and how it ends.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/bucket.rs"]
mod bucket;

use bucket::{robins_bucket, with_trunk};
use hingeclock::review::live::{Guess, LinkStatus, LiveStatus};
use hingeclock::review::page::PageModel;
use hingeclock::review::serve::{Site, loopback};
use serde_json::Value;
use std::net::SocketAddr;
use std::sync::Arc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{oneshot, watch};
use tokio::task::JoinHandle;
use tokio_tungstenite::tungstenite::client::IntoClientRequest;
use tokio_tungstenite::tungstenite::{Error, Message};
use tokio_tungstenite::{MaybeTlsStream, WebSocketStream, connect_async};

type Socket = WebSocketStream<MaybeTlsStream<TcpStream>>;

struct Server {
    address: SocketAddr,
    model: watch::Sender<Arc<PageModel>>,
    status: watch::Sender<Arc<LiveStatus>>,
    stop: Option<oneshot::Sender<()>>,
    task: JoinHandle<()>,
}

fn model(swings: usize, live: bool) -> Arc<PageModel> {
    let mut review = robins_bucket();
    review.analysis.swings.truncate(swings);
    Arc::new(PageModel { review, live })
}

async fn server() -> Server {
    let listener = TcpListener::bind(loopback(0)).await.unwrap();
    let address = listener.local_addr().unwrap();
    let (model, models) = watch::channel(model(2, true));
    let (status, statuses) = watch::channel(Arc::default());
    let (stop, stopped) = oneshot::channel();
    let site = Site::new(models, Some(statuses));
    let stopped = async move { drop(stopped.await) };
    let task = tokio::spawn(site.serve(listener, axum::Router::new(), stopped));
    Server { address, model, status, stop: Some(stop), task }
}

async fn open(address: SocketAddr, origin: Option<&str>) -> Result<Socket, Error> {
    let mut request = format!("ws://{address}/live").into_client_request().unwrap();
    if let Some(origin) = origin {
        request.headers_mut().insert("origin", origin.parse().unwrap());
    }
    connect_async(request).await.map(|(socket, _)| socket)
}

/// The next message that is no close; none at the end.
async fn next(socket: &mut Socket) -> Option<Value> {
    use futures_util::StreamExt;
    match socket.next().await?.ok()? {
        Message::Text(text) => Some(serde_json::from_str(&text).unwrap()),
        Message::Close(_) => None,
        other => panic!("{other:?}"),
    }
}

fn names(message: &Value) -> Vec<&str> {
    message["parts"].as_object().unwrap().keys().map(String::as_str).collect()
}

#[tokio::test]
async fn only_what_changed_is_told() {
    let mut server = server().await;
    let mut socket = open(server.address, Some(&format!("http://{}", server.address))).await.unwrap();
    let first = next(&mut socket).await.unwrap();
    assert_eq!(names(&first), ["bucket", "glove", "heading", "newest"]);
    assert!(first["parts"]["newest"].as_str().unwrap().contains("Swing 2, 7 iron"), "{first}");
    assert_eq!(first["over"], false);

    let status = LiveStatus { link: LinkStatus::Sending, ..LiveStatus::default() };
    server.status.send(Arc::new(status)).unwrap();
    let second = next(&mut socket).await.unwrap();
    assert_eq!(names(&second), ["glove"]);
    assert!(second["parts"]["glove"].as_str().unwrap().contains("connected, sending"), "{second}");

    server.model.send(model(3, true)).unwrap();
    let third = next(&mut socket).await.unwrap();
    assert_eq!(names(&third), ["bucket", "heading", "newest"]);

    server.model.send(model(3, false)).unwrap();
    drop(server.stop.take());
    assert_eq!(next(&mut socket).await.unwrap()["over"], true, "told before the server ends");
    assert_eq!(next(&mut socket).await, None);
    server.task.await.unwrap();
}

#[tokio::test]
async fn the_trunk_is_told_of_the_newest_swing() {
    let server = server().await;
    let mut socket = open(server.address, Some(&format!("http://{}", server.address))).await.unwrap();
    let mut newest =
        async || next(&mut socket).await.unwrap()["parts"]["newest"].as_str().unwrap().replace('\u{a0}', " ");
    assert!(!newest().await.contains("elvis"));
    let review = with_trunk(robins_bucket());
    server.model.send(Arc::new(PageModel { review, live: true })).unwrap();
    let told = newest().await;
    for sentence in
        ["The pelvis starts back 71 ± 2 ms before the arm does.", "pelvis 44 ± 1°, chest 92 ± 1°."]
    {
        assert!(told.contains(sentence), "{sentence} in {told}");
    }
}

/// While the newest swing waits for a guess, the page asks, and says how; afterwards it tells both.
#[tokio::test]
async fn a_guess_comes_first() {
    let server = server().await;
    let mut socket = open(server.address, Some(&format!("http://{}", server.address))).await.unwrap();
    let mut newest = async |guess| {
        let status = LiveStatus { guess, ..LiveStatus::default() };
        server.status.send(Arc::new(status)).unwrap();
        next(&mut socket).await.unwrap()["parts"]["newest"].as_str().unwrap().to_owned()
    };
    let before = newest(Guess::NotAsked).await;
    assert!(before.contains("against the top") || before.contains("the top"), "{before}");
    let asked = newest(Guess::Waits).await;
    assert!(asked.contains("What was this swing?") && asked.contains("e early"), "{asked}");
    assert!(!asked.contains("verdict") && !asked.contains("the top"), "{asked}");
    let told = newest(Guess::Made("guessed late: right".to_owned())).await;
    assert!(told.contains("Swing 2, 7 iron") && told.contains("guessed late: right"), "{told}");
}

#[tokio::test]
async fn a_foreign_page_hears_nothing() {
    let server = server().await;
    let port = server.address.port();
    let foreign = [
        None,
        Some("http://example.org".to_owned()),
        Some("null".to_owned()),
        Some(format!("http://127.0.0.1:{}", port ^ 1)),
        Some(format!("https://127.0.0.1:{port}")),
        Some(format!("http://localhost:{port}")),
    ];
    for origin in foreign {
        let refused = open(server.address, origin.as_deref()).await;
        let Err(Error::Http(answer)) = refused else { panic!("{origin:?}: {refused:?}") };
        assert_eq!(answer.status(), 403, "{origin:?}");
    }
}

/// A page of another name that points to this machine (DNS rebinding) has the origin that it asks for.
#[tokio::test]
async fn a_foreign_host_hears_nothing() {
    let server = server().await;
    let mut stream = TcpStream::connect(server.address).await.unwrap();
    let request = "GET /live HTTP/1.1\r\nHost: example.org\r\nOrigin: http://example.org\r\n\
                   Connection: Upgrade\r\nUpgrade: websocket\r\nSec-WebSocket-Version: 13\r\n\
                   Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n";
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut start = [0; 12];
    stream.read_exact(&mut start).await.unwrap();
    assert_eq!(&start, b"HTTP/1.1 403");
}

#[tokio::test]
async fn open_pages_are_bounded_and_make_room_when_they_go() {
    let server = server().await;
    let origin = format!("http://{}", server.address);
    let mut sockets = Vec::new();
    let refused = loop {
        match open(server.address, Some(&origin)).await {
            Ok(socket) => sockets.push(socket),
            Err(error) => break error,
        }
        assert!(sockets.len() <= 100);
    };
    let Error::Http(answer) = refused else { panic!("{refused:?}") };
    assert_eq!(answer.status(), 503);
    drop(sockets);
    while open(server.address, Some(&origin)).await.is_err() {
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
}
