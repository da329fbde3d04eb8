//! The web server's socket: a page that is open is told what changed, part by part.

use super::live::LiveStatus;
use super::page::{PageModel, live};
use super::serve::Site;
use axum::extract::State;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Semaphore, watch};

/// Open pages at one time; more are refused and try again.
pub const SOCKETS_MAX: usize = 16;
/// What changes within this time goes out together.
const GATHER: Duration = Duration::from_millis(150);
/// A page that takes longer to accept a message is given up; it connects anew when it wakes.
const PATIENCE: Duration = Duration::from_secs(10);
/// A page has nothing to say; what it sends anyway may be so long, bytes.
const INCOMING_MAX: usize = 1024;

/// `GET /live`: only for a page that this server gave out.
pub async fn follow(State(site): State<Site>, headers: HeaderMap, upgrade: WebSocketUpgrade) -> Response {
    if !same_origin(&headers) {
        let sentence = "expected the origin of this page, found another or none\n";
        return (StatusCode::FORBIDDEN, sentence).into_response();
    }
    let Ok(place) = Arc::clone(&site.sockets).try_acquire_owned() else {
        return (StatusCode::SERVICE_UNAVAILABLE, "too many open pages\n").into_response();
    };
    let upgrade = upgrade.max_message_size(INCOMING_MAX).max_frame_size(INCOMING_MAX);
    upgrade.on_upgrade(move |socket| async move {
        tell(socket, site).await;
        drop(place);
    })
}

/// Whether the request comes from a page of the very host and port that it asks (any page may open a socket
/// to any host; the browser only tells on whose behalf).
fn same_origin(headers: &HeaderMap) -> bool {
    let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
    let origin = text(header::ORIGIN).and_then(|origin| origin.strip_prefix("http://"));
    origin.zip(text(header::HOST)).is_some_and(|(origin, host)| origin.eq_ignore_ascii_case(host))
}

/// Sends what changed until the page goes, the bucket is over, or nobody fills it any more.
async fn tell(mut socket: WebSocket, mut site: Site) {
    let mut sent = BTreeMap::new();
    loop {
        let model = Arc::clone(&site.model.borrow_and_update());
        let status = site.status.as_mut().map(|status| Arc::clone(&status.borrow_and_update()));
        let over = !model.live;
        let message = changes(&model, status.as_deref(), &mut sent, over);
        if let Some(text) = message {
            let told = tokio::time::timeout(PATIENCE, socket.send(Message::Text(text.into()))).await;
            if !matches!(told, Ok(Ok(()))) {
                return;
            }
        }
        if over {
            let _ = tokio::time::timeout(PATIENCE, socket.send(Message::Close(None))).await;
            return;
        }
        tokio::select! {
            changed = site.model.changed() => if changed.is_err() { return },
            changed = status_changed(&mut site.status) => if changed.is_err() { return },
            heard = socket.recv() => if !matches!(heard, Some(Ok(_))) { return },
        }
        tokio::time::sleep(GATHER).await;
    }
}

async fn status_changed(
    status: &mut Option<watch::Receiver<Arc<LiveStatus>>>,
) -> Result<(), watch::error::RecvError> {
    match status {
        Some(status) => status.changed().await,
        None => std::future::pending().await,
    }
}

/// The parts that are not as they were sent, as a message; none where all are.
fn changes(
    model: &PageModel,
    status: Option<&LiveStatus>,
    sent: &mut BTreeMap<&'static str, String>,
    over: bool,
) -> Option<String> {
    let mut parts = BTreeMap::new();
    for (name, html) in live::parts(model, status) {
        if sent.get(name) != Some(&html) {
            parts.insert(name, html.clone());
            sent.insert(name, html);
        }
    }
    let news = over || !parts.is_empty();
    news.then(|| serde_json::json!({ "parts": parts, "over": over }).to_string())
}

/// Waits until every open page was told the last, or for so long as a page may take.
pub async fn all_told(sockets: &Semaphore) {
    let all = u32::try_from(SOCKETS_MAX).unwrap_or(u32::MAX);
    let _ = tokio::time::timeout(Duration::from_secs(1), sockets.acquire_many(all)).await;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_pages_own_origin_may_listen() {
        let with = |origin: Option<&str>| {
            let mut headers = HeaderMap::new();
            headers.insert(header::HOST, "127.0.0.1:8627".parse().unwrap());
            origin.map(|origin| headers.insert(header::ORIGIN, origin.parse().unwrap()));
            same_origin(&headers)
        };
        assert!(with(Some("http://127.0.0.1:8627")));
        let foreign = [
            None,
            Some("null"),
            Some("http://example.org"),
            Some("http://127.0.0.1:8628"),
            Some("https://127.0.0.1:8627"),
            Some("http://127.0.0.1:8627.example.org"),
            Some("http://localhost:8627"),
        ];
        for origin in foreign {
            assert!(!with(origin), "{origin:?}");
        }
    }
}
