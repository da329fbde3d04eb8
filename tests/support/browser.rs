//! A real browser for tests: Chromium through its driver, with pictures, its console, and what it asked for.
#![allow(dead_code, reason = "each test file uses a part of it")]

use fantoccini::key::Key;
use fantoccini::{Client, ClientBuilder, Locator};
use hingeclock::review::Review;
use hingeclock::review::page::PageModel;
use hingeclock::review::serve::bench::{Bench, OwnFile};
use hingeclock::review::serve::{Site, loopback};
use hingeclock::units::{PlayerHand, WallTime};
use serde_json::{Value, json};
use std::future::Future;
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

pub const CHROMIUM: &str = "/usr/bin/chromium";
pub const CHROMEDRIVER: &str = "/usr/bin/chromedriver";

/// A running driver, ended with the test.
pub struct Driver {
    child: Child,
    port: u16,
}

impl Driver {
    pub fn start() -> Driver {
        let mut child = Command::new(CHROMEDRIVER).arg("--port=0").stdout(Stdio::piped()).spawn().unwrap();
        let said = BufReader::new(child.stdout.take().unwrap());
        let port = said.lines().map_while(Result::ok).find_map(|line| {
            let port = line.split("started successfully on port ").nth(1)?;
            port.trim_end_matches('.').parse().ok()
        });
        Driver { child, port: port.expect("the driver names its port") }
    }

    /// Sends a command that the client library does not know and returns its value.
    pub async fn post(&self, session: &str, path: &str, body: Value) -> Value {
        let body = body.to_string();
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).await.unwrap();
        let request = format!(
            "POST /session/{session}/{path} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            self.port,
            body.len()
        );
        stream.write_all(request.as_bytes()).await.unwrap();
        let answer = answer(&mut stream).await;
        let (_, body) = answer.split_once("\r\n\r\n").unwrap();
        let body: Value = serde_json::from_str(body).unwrap_or_else(|error| panic!("{error}: {answer}"));
        body["value"].clone()
    }

    pub async fn devtools(&self, session: &str, command: &str, parameters: Value) {
        let body = json!({ "cmd": command, "params": parameters });
        let answer = self.post(session, "goog/cdp/execute", body).await;
        assert!(answer.get("error").is_none(), "{command}: {answer}");
    }
}

impl Drop for Driver {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Reads one answer: the driver keeps the connection open, so its length is what ends it.
async fn answer(stream: &mut TcpStream) -> String {
    let (mut bytes, mut part) = (Vec::new(), [0; 4096]);
    loop {
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let length = text.to_ascii_lowercase().split("content-length:").nth(1).and_then(|rest| {
            let digits: String = rest.trim_start().chars().take_while(char::is_ascii_digit).collect();
            digits.parse::<usize>().ok()
        });
        let head = text.find("\r\n\r\n");
        if let (Some(head), Some(length)) = (head, length)
            && bytes.len() >= head + 4 + length
        {
            return text;
        }
        let read = stream.read(&mut part).await.unwrap();
        assert!(read > 0, "the driver hung up: {text}");
        bytes.extend_from_slice(&part[..read]);
    }
}

pub async fn browser(driver: &Driver, profile: &Path) -> Client {
    let profile = format!("--user-data-dir={}", profile.display());
    let arguments = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-quic",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        &profile,
    ];
    let capabilities = json!({
        "goog:chromeOptions": { "binary": CHROMIUM, "args": arguments },
        "goog:loggingPrefs": { "browser": "ALL", "performance": "ALL" },
    });
    let Value::Object(capabilities) = capabilities else { unreachable!() };
    let address = format!("http://127.0.0.1:{}", driver.port);
    ClientBuilder::rustls().unwrap().capabilities(capabilities).connect(&address).await.unwrap()
}

/// Where pictures are kept.
pub fn screenshots() -> PathBuf {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/screenshots");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// Whether there is a browser; says so where there is none.
pub fn is_there() -> bool {
    let there = Path::new(CHROMIUM).exists() && Path::new(CHROMEDRIVER).exists();
    if !there {
        eprintln!("skipped: {CHROMIUM} or {CHROMEDRIVER} is not installed");
    }
    there
}

/// Keeps what the window shows.
pub async fn picture(client: &Client, name: &str) {
    let picture = client.screenshot().await.unwrap();
    std::fs::write(screenshots().join(format!("{name}.png")), picture).unwrap();
}

/// Sets the window's width and the colour scheme, and its height to that of the page.
pub async fn look(client: &Client, driver: &Driver, session: &str, width: u32, scheme: &str) {
    let feature = json!({ "name": "prefers-color-scheme", "value": scheme });
    driver.devtools(session, "Emulation.setEmulatedMedia", json!({ "features": [feature] })).await;
    let size =
        |height: u64| json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": false });
    driver.devtools(session, "Emulation.setDeviceMetricsOverride", size(800)).await;
    let height = client.execute("return document.documentElement.scrollHeight", vec![]).await.unwrap();
    let height = height.as_u64().unwrap();
    driver.devtools(session, "Emulation.setDeviceMetricsOverride", size(height)).await;
}

/// Wide tables scroll in their own frame, whose caption can be read as it is; the page itself never scrolls sideways.
pub async fn nothing_sticks_out(client: &Client, width: u32) {
    let wide = client.execute("return document.documentElement.scrollWidth", vec![]).await.unwrap();
    assert!(wide.as_u64().unwrap() <= u64::from(width), "{wide} at {width}");
    let script = "return [...document.querySelectorAll('.scroll caption')].filter(caption =>
        caption.getBoundingClientRect().width > caption.closest('.scroll').clientWidth + 1).map(cut => cut.innerText)";
    let cut = client.execute(script, vec![]).await.unwrap();
    assert_eq!(cut, json!([]), "at {width}");
}

/// Waits until an element holds these words.
pub async fn says(client: &Client, place: &str, words: &str) {
    let text = format!("(document.querySelector({}) ?? {{ textContent: '' }}).textContent", json!(place));
    until(client, &format!("{text}.includes({})", json!(words))).await;
}

/// What the console said since it was asked last.
pub async fn console(driver: &Driver, session: &str) -> Vec<String> {
    let log = driver.post(session, "se/log", json!({ "type": "browser" })).await;
    log.as_array().unwrap().iter().map(|line| line["message"].as_str().unwrap().to_owned()).collect()
}

/// The addresses that were asked for since this was asked last.
pub async fn requests(driver: &Driver, session: &str) -> Vec<String> {
    let log = driver.post(session, "se/log", json!({ "type": "performance" })).await;
    let address = |line: &Value| {
        let message: Value = serde_json::from_str(line["message"].as_str()?).ok()?;
        let message = &message["message"];
        let place = match message["method"].as_str()? {
            "Network.requestWillBeSent" => &message["params"]["request"]["url"],
            "Network.webSocketCreated" => &message["params"]["url"],
            _ => return None,
        };
        place.as_str().map(str::to_owned)
    };
    // The browser's own first page lies within it.
    let own = |url: &String| !url.starts_with("chrome://");
    log.as_array().unwrap().iter().filter_map(address).filter(own).collect()
}

/// Every request so far went to this server, and there were some.
pub async fn nothing_left_the_machine(driver: &Driver, session: &str, address: SocketAddr) {
    let asked = requests(driver, session).await;
    assert!(asked.iter().any(|url| url.starts_with(&format!("http://{address}/"))), "{asked:?}");
    let own = |url: &&String| {
        let schemes = ["http", "ws"].map(|scheme| format!("{scheme}://{address}/"));
        !schemes.iter().any(|start| url.starts_with(start))
            && !url.starts_with("data:")
            && !url.starts_with("blob:")
    };
    let others: Vec<&String> = asked.iter().filter(own).collect();
    assert!(others.is_empty(), "{others:?}");
}

/// The rules of axe-core that a page breaks badly, each with where; none where axe-core is not installed.
pub async fn axe(client: &Client) -> Option<Vec<String>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("target/axe/node_modules/axe-core/axe.min.js");
    let Ok(source) = std::fs::read_to_string(&path) else {
        eprintln!("skipped: {} is not there (.ci/run installs it)", path.display());
        return None;
    };
    client.execute(&format!("{source}; return null"), vec![]).await.unwrap();
    let script = "const done = arguments[arguments.length - 1]; axe.run(document, { resultTypes: ['violations'] })
        .then(r => done(r.violations.filter(v => ['serious', 'critical'].includes(v.impact))
            .map(v => v.id + ': ' + v.nodes.slice(0, 4).map(n => n.target.join(' ') + ' ' + n.failureSummary).join(' | '))))";
    let found = client.execute_async(script, vec![]).await.unwrap();
    Some(found.as_array().unwrap().iter().map(|rule| rule.as_str().unwrap().to_owned()).collect())
}

/// What a script gives.
pub async fn ask(client: &Client, script: &str) -> Value {
    client.execute(script, vec![]).await.unwrap()
}

/// Waits for as long as a minute until a script gives true. Asked while a page gives way to the next, the
/// browser may answer with an error: that is no answer yet.
pub async fn until(client: &Client, script: &str) {
    let asked = format!("return Boolean({script})");
    let mut last = None;
    for _ in 0..1200 {
        last = Some(client.execute(&asked, vec![]).await);
        if matches!(last, Some(Ok(Value::Bool(true)))) {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("{script} never holds, last {last:?}");
}

/// Marks the page that stands, before something asks for the next: the answer may be a page like it.
pub async fn mark_page(client: &Client) {
    ask(client, "window.asked = true; return null").await;
}

/// Waits for the page that comes after the marked one.
pub async fn next_page(client: &Client) {
    until(client, "!window.asked && document.readyState === 'complete'").await;
}

/// A browser at a server, and what both have to do with it.
pub struct Look {
    pub client: Client,
    pub driver: Arc<Driver>,
    pub session: String,
    pub address: SocketAddr,
}

impl Look {
    pub async fn at(&self, path: &str) {
        self.client.goto(&format!("http://{}{path}", self.address)).await.unwrap();
    }

    pub async fn press(&self, keys: &str) {
        self.client.active_element().await.unwrap().send_keys(keys).await.unwrap();
    }

    /// As a desktop and as a phone, in both colour schemes: nothing sticks out, nothing keeps a reader off.
    pub async fn everywhere(&self, name: &str) {
        for (form, width) in [("desktop", 1280), ("phone", 390)] {
            for scheme in ["light", "dark"] {
                look(&self.client, &self.driver, &self.session, width, scheme).await;
                nothing_sticks_out(&self.client, width).await;
                picture(&self.client, &format!("{name}-{form}-{scheme}")).await;
                if let Some(broken) = axe(&self.client).await {
                    assert_eq!(broken, Vec::<String>::new(), "{name}, {form}, {scheme}");
                }
            }
        }
        look(&self.client, &self.driver, &self.session, 1280, "light").await;
    }

    /// The console stayed empty, and no request left the machine.
    pub async fn was_quiet(&self) {
        assert_eq!(console(&self.driver, &self.session).await, Vec::<String>::new());
        nothing_left_the_machine(&self.driver, &self.session, self.address).await;
    }
}

/// Opens a browser at a site and does something with it; the browser is closed even where that fails.
pub async fn with_browser<F: Future<Output = ()> + Send + 'static>(site: Site, act: impl FnOnce(Look) -> F) {
    let listener = TcpListener::bind(loopback(0)).await.unwrap();
    let address = listener.local_addr().unwrap();
    with_browser_at(site, listener, address, act).await;
}

/// The same under an address of the listener's: that of the network, where the page is shared.
pub async fn with_browser_at<F: Future<Output = ()> + Send + 'static>(
    site: Site,
    listener: TcpListener,
    address: SocketAddr,
    act: impl FnOnce(Look) -> F,
) {
    tokio::spawn(site.serve(listener, axum::Router::new(), std::future::pending()));
    let driver = Arc::new(Driver::start());
    let profile = tempfile::tempdir().unwrap();
    let client = browser(&driver, profile.path()).await;
    let session = client.session_id().await.unwrap().unwrap();
    let acted = act(Look { client: client.clone(), driver: Arc::clone(&driver), session, address });
    let outcome = tokio::spawn(tokio::time::timeout(Duration::from_secs(300), acted)).await;
    client.close().await.unwrap();
    outcome.unwrap().expect("the browser answers within five minutes");
}

/// Says something of the swing in hand by its key; words are typed into the dialog.
pub async fn say(look: &Look, key: &str, words: Option<&str>) {
    look.press(key).await;
    if let Some(words) = words {
        until(&look.client, "document.getElementById('words').open").await;
        let field = look.client.find(Locator::Css("#words-text")).await.unwrap();
        field.clear().await.unwrap();
        field.send_keys(&format!("{words}{}", Key::Enter)).await.unwrap();
    }
    until(&look.client, "document.getElementById('told').textContent.startsWith('Kept')").await;
    ask(&look.client, "document.getElementById('told').textContent = ''; return null").await;
}

pub fn site_of(path: &Path, review: Review, hand: PlayerHand) -> Site {
    let (keep, model) = watch::channel(Arc::new(PageModel { review, live: false }));
    // The model lives as long as the test.
    std::mem::forget(keep);
    let file = OwnFile { path: path.to_owned(), hand };
    Site::new(model, None).with_bench(Bench::of_file(file, Box::new(|| WallTime(1_800_000_000_000))))
}

/// How many drawings' error bars there are, and how many of them a rule for paper hides.
const BARS_ON_PAPER: &str = "
    const rules = [...document.styleSheets].flatMap((sheet) => [...sheet.cssRules]);
    const hiding = rules.filter((rule) => rule.media && rule.media.mediaText === 'print')
        .flatMap((rule) => [...rule.cssRules]).filter((rule) => rule.style.display === 'none');
    const bars = [...document.querySelectorAll('path.bar')];
    return [hiding.length, bars.length, bars.filter((bar) => hiding.some((rule) => bar.matches(rule.selectorText))).length]";

/// How sure a number is stays on the sheet when it is printed.
pub async fn bars_stay_on_paper(client: &Client) {
    let [rules, bars, hidden]: [u64; 3] = serde_json::from_value(ask(client, BARS_ON_PAPER).await).unwrap();
    assert!(rules > 0 && bars > 0 && hidden == 0, "{rules} rules hide {hidden} of {bars} bars on paper");
}
