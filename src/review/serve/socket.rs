//! The web server's socket: a page that is open is told what changed, part by part.

use super::{PageState, Site};
use crate::review::live::LiveStatus;
use crate::review::page::{PageModel, live};
use crate::tone::Cue;
use axum::extract::State;
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Semaphore, watch};

/// Open pages at one time; more are refused and try again.
pub const SOCKETS_MAX: usize = 16;
/// What changes within this time goes out together; a cue does not wait for it.
const GATHER: Duration = Duration::from_millis(150);
/// A page that takes longer to accept a message is given up; it connects anew when it wakes.
const PATIENCE: Duration = Duration::from_secs(10);
/// A page has nothing to say; what it sends anyway may be so long, bytes.
const INCOMING_MAX: usize = 1024;

/// `GET /live`: only for a page that this server gave out, which the gate has seen to.
pub async fn follow(State(site): State<Site>, upgrade: WebSocketUpgrade) -> Response {
    let Some(model) = site.model.clone() else {
        return (StatusCode::NOT_FOUND, "no bucket is open here\n").into_response();
    };
    let Ok(place) = Arc::clone(&site.sockets).try_acquire_owned() else {
        return (StatusCode::SERVICE_UNAVAILABLE, "too many open pages\n").into_response();
    };
    let upgrade = upgrade.max_message_size(INCOMING_MAX).max_frame_size(INCOMING_MAX);
    upgrade.on_upgrade(move |socket| async move {
        tell(socket, site, model).await;
        drop(place);
    })
}

/// Sends what changed until the page goes, the bucket is over, or nobody fills it any more.
async fn tell(mut socket: WebSocket, mut site: Site, mut newest: PageState) {
    let mut sent = Sent::default();
    let mut said = site.bench.said();
    loop {
        said.mark_unchanged();
        let own = Arc::clone(&newest.borrow_and_update());
        let Ok(model) = site.aside(move |bench| Ok(bench.own(&own))).await else { return };
        let status = site.status.as_mut().map(|status| Arc::clone(&status.borrow_and_update()));
        let over = !model.live;
        let message = sent.changes(&model, status.as_deref(), over);
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
            changed = newest.changed() => if changed.is_err() { return },
            changed = said.changed() => if changed.is_err() { return },
            changed = status_changed(&mut site.status) => if changed.is_err() { return },
            heard = socket.recv() => if !matches!(heard, Some(Ok(_))) { return },
        }
        let _ = tokio::time::timeout(GATHER, a_cue(&mut site.status, &sent)).await;
    }
}

/// Waits until a cue has sounded that was not sent.
async fn a_cue(status: &mut Option<watch::Receiver<Arc<LiveStatus>>>, sent: &Sent) {
    let Some(status) = status else { return std::future::pending().await };
    if status.wait_for(|status| !sent.new_cues(status).is_empty()).await.is_err() {
        std::future::pending().await
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

/// What a page was told already.
#[derive(Default)]
struct Sent {
    parts: BTreeMap<&'static str, String>,
    /// How often each cue had sounded; none before the first message.
    cues: Option<Vec<(&'static str, u64)>>,
}

impl Sent {
    /// What is not as it was sent, as a message; none where all is.
    fn changes(&mut self, model: &PageModel, status: Option<&LiveStatus>, over: bool) -> Option<String> {
        let cues: Vec<_> = status
            .map_or_else(Vec::new, |status| self.new_cues(status))
            .into_iter()
            .map(live::cue_shape)
            .collect();
        self.cues = status.map(|status| status.cues.clone());
        let mut parts = BTreeMap::new();
        for (name, html) in live::parts(model, status) {
            if self.parts.get(name) != Some(&html) {
                parts.insert(name, html.clone());
                self.parts.insert(name, html);
            }
        }
        let news = over || !parts.is_empty() || !cues.is_empty();
        news.then(|| serde_json::json!({ "parts": parts, "over": over, "cues": cues }).to_string())
    }

    /// The cues that have sounded since. What sounded before a page was opened is old.
    fn new_cues(&self, status: &LiveStatus) -> Vec<Cue> {
        let Some(before) = &self.cues else { return Vec::new() };
        let count = |cues: &[(&str, u64)], cue: &Cue| {
            cues.iter().find(|(word, _)| *word == cue.word()).map_or(0, |(_, count)| *count)
        };
        Cue::ALL.into_iter().filter(|cue| count(&status.cues, cue) > count(before, cue)).collect()
    }
}

/// Waits until every open page was told the last, or for so long as a page may take.
pub async fn all_told(sockets: &Semaphore) {
    let all = u32::try_from(SOCKETS_MAX).unwrap_or(u32::MAX);
    let _ = tokio::time::timeout(Duration::from_secs(1), sockets.acquire_many(all)).await;
}
