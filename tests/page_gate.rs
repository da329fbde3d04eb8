//! Who may ask the page's server what: wrong hosts and origins, paths that climb, bodies without end, scripts in
//! names, forged codes and tokens. Each is refused, on a real connection.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/bucket.rs"]
mod bucket;

use bucket::robins_bucket;
use futures_util::StreamExt;
use hingeclock::record::session::SessionInfo;
use hingeclock::record::{RecordingWriter, library::files::NewRecording};
use hingeclock::review::page::PageModel;
use hingeclock::review::serve::bench::{Bench, OwnFile};
use hingeclock::review::serve::bounded::CONNECTIONS_MAX;
use hingeclock::review::serve::sharing::{COOKIE, Sharing};
use hingeclock::review::serve::{IDLE, Site, everywhere, loopback};
use hingeclock::units::{HostTime, PlayerHand, WallTime};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio_tungstenite::connect_async;
use tokio_tungstenite::tungstenite::client::IntoClientRequest;

const ATTACK: &str = "<script>alert(1)</script>\"'&";

struct Server {
    address: SocketAddr,
    recording: PathBuf,
    codes: Arc<Mutex<Vec<String>>>,
    _model: watch::Sender<Arc<PageModel>>,
    _folder: tempfile::TempDir,
}

async fn server(shared: bool) -> Server {
    serve(shared, false).await
}

async fn serve(shared: bool, live: bool) -> Server {
    serve_idle(shared, live, IDLE).await
}

async fn serve_idle(shared: bool, live: bool, idle: Duration) -> Server {
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("kestrel-1.mcap");
    write_recording(&recording);
    let mut review = robins_bucket();
    review.player = Some(ATTACK.to_owned());
    review.analysis.swings[0].club = Some(ATTACK.to_owned());
    let (keep, model) = watch::channel(Arc::new(PageModel { review, live }));
    let file = OwnFile { path: recording.clone(), hand: PlayerHand::Right };
    let bench = Bench::of_file(file, Box::new(|| WallTime(5)));
    let codes = Arc::new(Mutex::new(Vec::new()));
    let told = Arc::clone(&codes);
    let tell = move |line: &str| told.lock().unwrap().push(line.rsplit(": ").next().unwrap().to_owned());
    let sharing = shared.then(|| Sharing::start(tell).unwrap());
    let wanted = if shared { everywhere(0) } else { loopback(0) };
    let listener = TcpListener::bind(wanted).await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let site = Site::new(model, None).with_bench(bench).shared(sharing).idle_for(idle);
    tokio::spawn(site.serve(listener, axum::Router::new(), std::future::pending()));
    Server { address: loopback(port), recording, codes, _model: keep, _folder: folder }
}

fn write_recording(path: &Path) {
    let session = SessionInfo {
        player: "Robin".to_owned(),
        player_hand: PlayerHand::Right,
        clubs: vec![],
        software: "test".to_owned(),
        started: WallTime(1),
        host_at_start: HostTime(1),
    };
    RecordingWriter::new(NewRecording::create(path).unwrap(), &session).unwrap().finish().unwrap();
}

/// Sends a request as it stands and gives the whole answer.
async fn raw(address: SocketAddr, request: &str) -> String {
    let mut stream = TcpStream::connect(address).await.unwrap();
    // A server that refuses may hang up before all is sent.
    let _ = stream.write_all(request.as_bytes()).await;
    let mut answer = Vec::new();
    let _ = stream.read_to_end(&mut answer).await;
    String::from_utf8_lossy(&answer).into_owned()
}

fn status(answer: &str) -> u16 {
    answer
        .split(' ')
        .nth(1)
        .and_then(|code| code.parse().ok())
        .unwrap_or_else(|| panic!("no answer: {answer:?}"))
}

async fn get(address: SocketAddr, path: &str, more: &str) -> String {
    raw(address, &format!("GET {path} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n{more}\r\n")).await
}

async fn post(address: SocketAddr, path: &str, headers: &str, body: &str) -> String {
    let length = body.len();
    raw(
        address,
        &format!(
            "POST {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {length}\r\n{headers}\r\n{body}"
        ),
    )
    .await
}

const JSON: &str = "Content-Type: application/json\r\n";

fn own(address: SocketAddr) -> String {
    format!("Host: {address}\r\nOrigin: http://{address}\r\n")
}

fn note(text: &str) -> String {
    serde_json::json!({ "number": 1, "takeaway_us": 12_000_000, "kind": "note", "text": text }).to_string()
}

fn kept(server: &Server) -> String {
    std::fs::read_to_string(server.recording.with_extension("remarks.jsonl")).unwrap_or_default()
}

#[tokio::test]
async fn a_remark_of_the_pages_own_is_kept() {
    let server = server(false).await;
    let headers = own(server.address) + JSON;
    let answer = post(server.address, "/bucket/now/remark", &headers, &note(ATTACK)).await;
    assert_eq!(status(&answer), 204, "{answer}");
    assert!(kept(&server).contains("\"kind\":\"note\""), "{}", kept(&server));
    // What was said, and the names, come back as text.
    for path in ["/", "/bucket/now/swing/1"] {
        let page = get(server.address, path, "").await;
        assert_eq!(status(&page), 200);
        assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"), "{path}");
        let scripts = page.matches("<script").count();
        assert_eq!(scripts, page.matches("<script type=\"module\" src=\"/assets/").count(), "{path}");
        assert!(
            !page.contains(" style=") && !page.contains("http://") && !page.contains("https://"),
            "{path}"
        );
    }
}

/// What is said on one device is seen on all of them.
#[tokio::test]
async fn an_open_page_hears_of_a_remark() {
    let server = serve(false, true).await;
    let mut request = format!("ws://{}/live", server.address).into_client_request().unwrap();
    let origin = format!("http://{}", server.address);
    request.headers_mut().insert("origin", origin.parse().unwrap());
    let (mut socket, _) = connect_async(request).await.unwrap();
    let mut next = async || socket.next().await.unwrap().unwrap().into_text().unwrap().to_string();
    assert!(!next().await.contains("head up"));
    let headers = own(server.address) + JSON;
    assert_eq!(status(&post(server.address, "/bucket/now/remark", &headers, &note("head up")).await), 204);
    assert!(next().await.contains("head up"));
}

#[tokio::test]
async fn other_hosts_and_origins_change_nothing() {
    let server = server(false).await;
    let port = server.address.port();
    let host = format!("Host: {}\r\n", server.address);
    let headers = [
        host.clone(),
        format!("{host}Origin: null\r\n"),
        format!("{host}Origin: http://example.org\r\n"),
        format!("{host}Origin: https://{}\r\n", server.address),
        format!("{host}Origin: http://127.0.0.1:{}\r\n", port ^ 1),
        format!("{host}Origin: http://{}\r\nSec-Fetch-Site: cross-site\r\n", server.address),
        format!("Host: example.org:{port}\r\nOrigin: http://example.org:{port}\r\n"),
        format!("Host: 192.168.7.7:{port}\r\nOrigin: http://192.168.7.7:{port}\r\n"),
    ];
    for headers in headers {
        let answer = post(server.address, "/bucket/now/remark", &(headers.clone() + JSON), &note("x")).await;
        assert_eq!(status(&answer), 403, "{headers}: {answer}");
        assert!(answer.contains("content-security-policy: default-src 'none'"), "{answer}");
    }
    let foreign = get(server.address, "/", "Origin: http://example.org\r\n").await;
    assert_eq!(status(&foreign), 403);
    assert_eq!(kept(&server), "");
}

#[tokio::test]
async fn paths_that_climb_lead_nowhere() {
    let server = server(false).await;
    for path in [
        "/assets/../Cargo.toml",
        "/assets/%2e%2e%2fCargo.toml",
        "/assets/..%2f..%2fetc%2fpasswd",
        "/assets//etc/passwd",
        "/bucket/..%2f..%2fetc%2fpasswd",
        "/bucket/%2fetc%2fpasswd/analysis.json",
        "/bucket/kestrel-1.mcap",
        "/bucket/now/swing/..%2f1",
        "/bucket/now/swing/99999999999999999999",
        "/bucket/now/swing/0",
        "/bucket/now/swing/-1",
        "/bucket/now/swing/first",
        "/bucket/now/swing/12",
        "/library",
    ] {
        let answer = get(server.address, path, "").await;
        assert!([400, 404].contains(&status(&answer)), "{path}: {answer}");
        assert!(!answer.contains("[package]") && !answer.contains("root:"), "{path}");
        assert!(!answer.ends_with("\r\n\r\n"), "{path}: an answer without a word: {answer}");
        assert!(!answer.contains("Invalid URL"), "{path}: {answer}");
    }
}

#[tokio::test]
async fn bodies_without_end_and_nonsense_are_refused() {
    let server = server(false).await;
    let headers = own(server.address) + JSON;
    let path = "/bucket/now/remark";
    let long = post(server.address, path, &headers, &note(&"x".repeat(1 << 20))).await;
    assert_eq!(status(&long), 413, "{long}");
    // Whatever length a request claims, no more than that is waited for.
    let claims = format!("POST {path} HTTP/1.1\r\n{headers}Content-Length: 99999999999\r\n\r\n");
    assert_eq!(status(&raw(server.address, &claims).await), 413);
    let form = own(server.address) + "Content-Type: text/plain\r\n";
    assert_eq!(status(&post(server.address, path, &form, &note("x")).await), 415);
    let asked = get(server.address, path, "").await;
    assert_eq!(status(&asked), 405);
    assert!(asked.ends_with("this address does not take that method\n"), "{asked}");
    let cases = [
        ("", 400),
        ("{}", 400),
        (r#"{"number":0,"takeaway_us":12000000,"kind":"note","text":"x"}"#, 400),
        (r#"{"number":1,"takeaway_us":12000000,"kind":"finished"}"#, 400),
        (r#"{"number":1,"kind":"note","text":"x"}"#, 400),
        (r#"{"takeaway_us":12000000,"kind":"note","text":"x"}"#, 400),
        (r#"{"kind":"finished"}"#, 400),
        (r#"{"kind":"club","text":"iron"}"#, 400),
        (r#"{"kind":"exclude","text":"x"}"#, 400),
        (r#"{"kind":"event","text":"set 5"}"#, 400),
        (r#"{"kind":"note","text":" "}"#, 409),
        (r#"{"number":1,"takeaway_us":12000000,"kind":"event","text":"dance 5"}"#, 400),
        (r#"{"number":1,"takeaway_us":12000001,"kind":"note","text":"x"}"#, 409),
        (r#"{"number":99,"takeaway_us":12000000,"kind":"note","text":"x"}"#, 409),
        (r#"{"number":1,"takeaway_us":12000000,"kind":"note","text":"  "}"#, 409),
    ];
    for (body, expected) in cases {
        let answer = post(server.address, path, &headers, body).await;
        assert_eq!(status(&answer), expected, "{body}: {answer}");
    }
    let longer = post(server.address, path, &headers, &note(&"x".repeat(5000))).await;
    assert_eq!(status(&longer), 409, "{longer}");
    assert_eq!(kept(&server), "");
}

#[tokio::test]
async fn a_note_on_the_bucket_is_kept_and_shown_as_text() {
    let server = server(false).await;
    let headers = own(server.address) + JSON;
    let body = serde_json::json!({ "kind": "note", "text": ATTACK }).to_string();
    let answer = post(server.address, "/bucket/now/remark", &headers, &body).await;
    assert_eq!(status(&answer), 204, "{answer}");
    assert!(
        kept(&server).contains("\"kind\":\"note\"") && !kept(&server).contains("takeaway_us"),
        "{}",
        kept(&server)
    );
    for path in ["/", "/bucket/now/report"] {
        let page = get(server.address, path, "").await;
        assert!(page.contains("&lt;script&gt;alert(1)") && !page.contains("<script>"), "{path}");
        let part = page.split("Said of the bucket").nth(1).or(page.split("Your coach says").nth(1));
        assert!(part.unwrap().contains("&lt;script&gt;alert(1)"), "{path}");
    }
    let nameless = get(server.address, "/bucket/now/report?names=without", "").await;
    assert!(status(&nameless) == 200 && !nameless.contains("Your coach says"), "{nameless}");
}

#[tokio::test]
async fn what_was_said_and_cannot_be_read_is_told() {
    let server = server(false).await;
    std::fs::write(server.recording.with_extension("remarks.jsonl"), "garbage\n").unwrap();
    let page = get(server.address, "/", "").await;
    assert!(page.contains("remarks, line 1: expected a remark"), "{page}");
}

/// A connection that was let in: it asked, was answered, and is kept open.
async fn open_connection(address: SocketAddr) -> Option<TcpStream> {
    let mut stream = TcpStream::connect(address).await.ok()?;
    stream.write_all(format!("GET /healthz HTTP/1.1\r\nHost: {address}\r\n\r\n").as_bytes()).await.ok()?;
    let mut answer = [0; 16];
    stream.read_exact(&mut answer).await.ok()?;
    answer.starts_with(b"HTTP/1.1 ").then_some(stream)
}

#[tokio::test]
async fn so_many_connections_and_no_more() {
    let server = server(false).await;
    let mut open = Vec::new();
    for number in 0..CONNECTIONS_MAX {
        let stream = open_connection(server.address).await;
        open.push(stream.unwrap_or_else(|| panic!("connection {number} is refused")));
    }
    for _ in 0..20 {
        let refused = get(server.address, "/healthz", "").await;
        assert_eq!(status(&refused), 503, "{refused}");
        assert!(refused.ends_with("too many connections: close a page and try again\n"), "{refused}");
    }
    // One that ends makes room for one.
    open.pop();
    let mut answer = 503;
    for _ in 0..200 {
        answer = status(&get(server.address, "/healthz", "").await);
        if answer == 200 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    assert_eq!(answer, 200);
}

/// Waits until the server has closed the connection; a generous while.
async fn is_closed(stream: &mut TcpStream) -> bool {
    let mut rest = Vec::new();
    tokio::time::timeout(Duration::from_secs(60), stream.read_to_end(&mut rest)).await.is_ok()
}

#[tokio::test]
async fn a_connection_that_asks_for_nothing_is_closed_and_one_that_follows_is_not() {
    let idle = Duration::from_secs(2);
    let server = serve_idle(false, true, idle).await;
    let address = server.address;
    let mut follow = format!("ws://{address}/live").into_client_request().unwrap();
    follow.headers_mut().insert("origin", format!("http://{address}").parse().unwrap());
    let (mut following, _) = connect_async(follow).await.unwrap();
    assert!(following.next().await.unwrap().unwrap().is_text());
    // One that never says a word, one in the middle of a request, one that was answered.
    let mut silent = TcpStream::connect(address).await.unwrap();
    let mut half = TcpStream::connect(address).await.unwrap();
    half.write_all(b"GET / HTTP/1.1\r\nHost:").await.unwrap();
    let mut answered = open_connection(address).await.unwrap();
    for stream in [&mut silent, &mut half, &mut answered] {
        assert!(is_closed(stream).await);
    }
    // Long after, the page that follows still hears.
    tokio::time::sleep(2 * idle).await;
    let headers = own(address) + JSON;
    let posted = post(address, "/bucket/now/remark", &headers, &note("still there")).await;
    assert_eq!(status(&posted), 204, "{posted}");
    let heard =
        tokio::time::timeout(Duration::from_secs(60), following.next()).await.unwrap().unwrap().unwrap();
    assert!(heard.to_text().unwrap().contains("still there"), "{heard}");
    // Nothing but the idle was closed: whoever keeps asking keeps the connection.
    let mut busy = TcpStream::connect(address).await.unwrap();
    for _ in 0..3 {
        let request = format!("GET /healthz HTTP/1.1\r\nHost: {address}\r\n\r\n");
        busy.write_all(request.as_bytes()).await.unwrap();
        let mut answer = [0; 1024];
        let count = busy.read(&mut answer).await.unwrap();
        assert!(answer[..count].starts_with(b"HTTP/1.1 200"), "{count}");
    }
}

/// However many connections others hold, the owner gets in, and the other way round.
#[tokio::test]
async fn others_do_not_keep_the_owner_out() {
    let Some(outer) = outer_address() else {
        eprintln!("skipped: this machine has no address but its own");
        return;
    };
    let server = server(true).await;
    let there = SocketAddr::new(outer, server.address.port());
    let mut open = Vec::new();
    for _ in 0..CONNECTIONS_MAX {
        open.push(open_connection(there).await.unwrap());
    }
    assert_eq!(status(&get(there, "/pair", "").await), 503);
    assert_eq!(status(&get(server.address, "/healthz", "").await), 200);
}

/// An address of this machine that others would see, so that a connection to it does not come from "here".
fn outer_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    let own = socket.local_addr().ok()?.ip();
    if own.is_loopback() || own.is_unspecified() { None } else { Some(own) }
}

#[tokio::test]
async fn another_device_is_let_in_by_the_code_alone() {
    let Some(outer) = outer_address() else {
        eprintln!("skipped: this machine has no address but its own");
        return;
    };
    let server = server(true).await;
    let there = SocketAddr::new(outer, server.address.port());
    let unpaired = get(there, "/", "Accept: text/html\r\n").await;
    assert_eq!(status(&unpaired), 303);
    assert!(unpaired.contains("location: /pair"), "{unpaired}");
    for path in ["/analysis.json", "/bucket/now", "/assets/bench.js", "/live"] {
        let answer = get(there, path, &format!("Origin: http://{there}\r\n")).await;
        assert_eq!(status(&answer), 401, "{path}: {answer}");
        assert!(!answer.contains("schema"), "{path}");
    }
    let page = get(there, "/pair", "").await;
    assert!(status(&page) == 200 && page.contains("not encrypted"), "{page}");
    let form = own(there) + "Content-Type: application/x-www-form-urlencoded\r\n";
    let token = |cookie: &str| format!("Cookie: other=1; {COOKIE}={cookie}\r\n");
    for forged in ["", "0", &"0".repeat(48), "../../x"] {
        assert_eq!(status(&get(there, "/analysis.json", &token(forged)).await), 401, "{forged}");
    }
    assert_eq!(status(&post(there, "/pair", &form, "code=00000000&code=1").await), 403);
    assert_eq!(
        status(&post(there, "/pair", &format!("Host: {there}\r\n"), "code=1").await),
        403,
        "no origin"
    );
    let code = server.codes.lock().unwrap().last().unwrap().clone();
    let paired = post(there, "/pair", &form, &format!("code={}", code.replace(' ', "+"))).await;
    assert_eq!(status(&paired), 303, "{paired}");
    let cookie = paired.split("set-cookie: ").nth(1).unwrap().split("\r\n").next().unwrap();
    assert!(cookie.ends_with("; HttpOnly; SameSite=Strict; Path=/"), "{cookie}");
    let given = cookie.split(['=', ';']).nth(1).unwrap();
    assert_eq!(status(&get(there, "/analysis.json", &token(given)).await), 200);
    assert_eq!(status(&get(there, "/analysis.json", &token(&given.to_uppercase())).await), 401);
    // The code was for one device.
    assert_ne!(*server.codes.lock().unwrap().last().unwrap(), code);
    assert_eq!(status(&post(there, "/pair", &form, &format!("code={}", code.replace(' ', ""))).await), 403);
    // A name that points here is no address of this machine, paired or not.
    let rebound =
        format!("GET / HTTP/1.1\r\nHost: kestrel.example\r\nConnection: close\r\n{}\r\n", token(given));
    assert_eq!(status(&raw(there, &rebound).await), 403);
    // This machine itself needs no code.
    assert_eq!(status(&get(server.address, "/analysis.json", "").await), 200);
}

#[tokio::test]
async fn codes_cannot_be_guessed_in_a_row() {
    let Some(outer) = outer_address() else {
        eprintln!("skipped: this machine has no address but its own");
        return;
    };
    let server = server(true).await;
    let there = SocketAddr::new(outer, server.address.port());
    let form = own(there) + "Content-Type: application/x-www-form-urlencoded\r\n";
    let mut found = Vec::new();
    for guess in 0..8 {
        found.push(status(&post(there, "/pair", &form, &format!("code={guess:08}")).await));
    }
    assert_eq!(found, [403, 403, 403, 403, 403, 429, 429, 429]);
    assert_eq!(server.codes.lock().unwrap().len(), 2, "and there is another code");
    let code = server.codes.lock().unwrap().last().unwrap().replace(' ', "");
    assert_eq!(
        status(&post(there, "/pair", &form, &format!("code={code}")).await),
        429,
        "the right one waits, too"
    );
}

/// Without sharing nobody else is even connected.
#[tokio::test]
async fn by_default_only_this_machine_connects() {
    let Some(outer) = outer_address() else {
        eprintln!("skipped: this machine has no address but its own");
        return;
    };
    let server = server(false).await;
    assert!(TcpStream::connect((outer, server.address.port())).await.is_err());
    assert_eq!(status(&get(server.address, "/pair", "").await), 303);
    let form = own(server.address) + "Content-Type: application/x-www-form-urlencoded\r\n";
    assert_eq!(status(&post(server.address, "/pair", &form, "code=1").await), 404);
}
