//! Edge: the connections of the page's server. One on which nothing is asked for is closed after a while, so that a
//! browser that was left open, or whoever sends half a request, holds no place for ever.

use super::bounded::Bounded;
use axum::extract::ConnectInfo;
use axum::serve::Listener;
use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::future::Future;
use std::pin::pin;
use std::time::Duration;
use tokio::sync::watch;

/// So long the server waits for those who are still connected when it is to end.
const FAREWELL: Duration = Duration::from_secs(3);

/// Serves until `stop` is ready, and then what is being answered. Each request knows where it comes from.
pub(super) async fn serve(
    mut listener: Bounded,
    router: Router,
    idle: Duration,
    stop: impl Future<Output = ()> + Send + 'static,
) {
    let mut http = http1::Builder::new();
    // The time until a whole head is there counts from the last answer on, so it covers a connection that is idle. It
    // ends with an upgrade: a socket may be silent.
    http.timer(TokioTimer::new()).header_read_timeout(idle);
    // Every open connection has a receiver: it hears of the end, and is known to be open.
    let (ending, ended) = watch::channel(());
    let mut stop = pin!(stop);
    loop {
        let (stream, from) = tokio::select! {
            accepted = listener.accept() => accepted,
            () = &mut stop => break,
        };
        let service = TowerToHyperService::new(router.clone().layer(Extension(ConnectInfo(from))));
        let connection = http.serve_connection(TokioIo::new(stream), service).with_upgrades();
        let mut ended = ended.clone();
        tokio::spawn(async move {
            let mut connection = pin!(connection);
            // How it ends concerns nobody else.
            tokio::select! {
                _ = connection.as_mut() => return,
                _ = ended.changed() => connection.as_mut().graceful_shutdown(),
            }
            let _ = connection.await;
        });
    }
    // Nobody new is let in, and whoever keeps a connection open and says nothing keeps nobody from ending.
    drop((listener, ended));
    ending.send_replace(());
    let _ = tokio::time::timeout(FAREWELL, ending.closed()).await;
}
