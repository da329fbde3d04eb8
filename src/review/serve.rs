//! The web server's edge: one bucket's page and JSON, for this machine only.
//!
//! Every answer forbids other hosts and all scripts but the server's own, which lets an open page follow a
//! running bucket. A request whose `Host` is not this machine is refused, so
//! that a foreign web page cannot reach the bucket under a name of its own (DNS rebinding).

use super::json;
use super::live::LiveStatus;
use super::page::{PageModel, live, page_with};
use super::socket;
use axum::Router;
use axum::extract::{Request, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{Html, IntoResponse, Response};
use axum::routing::get;
use std::future::Future;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};

/// What the server shows: the newest model that was sent.
pub type PageState = watch::Receiver<Arc<PageModel>>;

const POLICY: &str = "default-src 'none'; script-src 'self'; connect-src 'self'; \
                      style-src 'unsafe-inline'; img-src data:; \
                      base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// The address to listen on unless the user asks for another: this machine only.
#[must_use]
pub fn loopback(port: u16) -> SocketAddr {
    SocketAddr::from((Ipv4Addr::LOCALHOST, port))
}

/// Serves until `stop` is ready.
///
/// # Errors
/// Whatever the listener reports.
pub async fn serve(
    listener: TcpListener,
    state: PageState,
    stop: impl Future<Output = ()> + Send + 'static,
) -> std::io::Result<()> {
    Site::new(state, None).serve(listener, Router::new(), stop).await
}

/// What the server shows of one bucket.
#[derive(Clone)]
pub struct Site {
    /// Its swings.
    pub(super) model: PageState,
    /// How it fares beside them, while it runs.
    pub(super) status: Option<watch::Receiver<Arc<LiveStatus>>>,
    /// Room for open pages.
    pub(super) sockets: Arc<Semaphore>,
}

impl Site {
    /// Shows this.
    #[must_use]
    pub fn new(model: PageState, status: Option<watch::Receiver<Arc<LiveStatus>>>) -> Site {
        Site { model, status, sockets: Arc::new(Semaphore::new(socket::SOCKETS_MAX)) }
    }

    /// Serves until `stop` is ready, and then until every open page was told the last. `more` are further
    /// addresses, behind the same guard.
    ///
    /// # Errors
    /// Whatever the listener reports.
    pub async fn serve(
        self,
        listener: TcpListener,
        more: Router,
        stop: impl Future<Output = ()> + Send + 'static,
    ) -> std::io::Result<()> {
        let sockets = Arc::clone(&self.sockets);
        axum::serve(listener, router(self, more)).with_graceful_shutdown(stop).await?;
        socket::all_told(&sockets).await;
        Ok(())
    }
}

/// `GET /`, `/analysis.json`, `/healthz`, and what a live page needs, behind the guard.
fn router(site: Site, more: Router) -> Router {
    Router::new()
        .route("/", get(bucket_page))
        .route("/analysis.json", get(analysis))
        .route("/healthz", get(|| async { "ok\n" }))
        .route("/live", get(socket::follow))
        .route("/live.js", get(|| async { ([(header::CONTENT_TYPE, "text/javascript")], live::SCRIPT) }))
        .with_state(site)
        .merge(more)
        .layer(middleware::from_fn(guard))
}

async fn bucket_page(State(site): State<Site>) -> Html<String> {
    let model = newest(&site.model);
    let status = site.status.as_ref().map(|status| Arc::clone(&status.borrow()));
    Html(page_with(&model, status.as_deref()))
}

async fn analysis(State(site): State<Site>) -> Response {
    let model = newest(&site.model);
    match json::text(&model.review) {
        Ok(text) => ([(header::CONTENT_TYPE, "application/json")], text).into_response(),
        Err(error) => (StatusCode::INTERNAL_SERVER_ERROR, format!("{error}\n")).into_response(),
    }
}

/// A copy of the handle, so that the lock is held for no longer than that.
fn newest(state: &PageState) -> Arc<PageModel> {
    Arc::clone(&state.borrow())
}

/// Refuses foreign hosts and adds the headers that every answer carries.
async fn guard(request: Request, next: Next) -> Response {
    let host = request.headers().get(header::HOST).and_then(|host| host.to_str().ok());
    let mut response = match host {
        Some(host) if host_is_local(host) => next.run(request).await,
        _ => (StatusCode::FORBIDDEN, "expected the host localhost, 127.0.0.1 or [::1]\n").into_response(),
    };
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(POLICY));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    response
}

/// Whether a `Host` header names this machine, with or without a port.
fn host_is_local(host: &str) -> bool {
    ["localhost", "127.0.0.1", "[::1]"].iter().any(|name| {
        let Some(rest) = strip_prefix_ignoring_case(host, name) else { return false };
        rest.is_empty() || rest.strip_prefix(':').is_some_and(|port| port.parse::<u16>().is_ok())
    })
}

fn strip_prefix_ignoring_case<'a>(text: &'a str, prefix: &str) -> Option<&'a str> {
    let (start, rest) = text.split_at_checked(prefix.len())?;
    start.eq_ignore_ascii_case(prefix).then_some(rest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machine_is_local() {
        for host in ["localhost", "LOCALHOST:8080", "127.0.0.1", "127.0.0.1:80", "[::1]", "[::1]:9000"] {
            assert!(host_is_local(host), "{host}");
        }
        let foreign = [
            "",
            "example.org",
            "localhost.example.org",
            "127.0.0.1.example.org",
            "localhost:",
            "localhost:80:80",
            "127.0.0.1@example.org",
            "[::1",
            "::1",
            "é127.0.0.1",
        ];
        for host in foreign {
            assert!(!host_is_local(host), "{host}");
        }
    }
}
