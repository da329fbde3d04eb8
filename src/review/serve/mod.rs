//! The web server's edge: pages and JSON of a bucket or a library, for this machine only unless it is shared.
//!
//! [`gate`] and [`pairing`] decide, purely, who may ask; [`bench`] is where buckets come from and remarks go;
//! [`routes`] has every address; [`sharing`] holds the paired devices. Every answer forbids other hosts, and all
//! scripts and styles but the server's own.

pub mod assets;
pub mod bench;
pub mod bounded;
mod connections;
pub mod gate;
pub mod pairing;
pub mod routes;
pub mod sharing;
pub mod sides;
mod socket;
pub mod worked_out;

use super::live::LiveStatus;
use super::page::PageModel;
use axum::Router;
use bench::{Bench, Refused, Shown};
use bounded::Bounded;
use sharing::Sharing;
use std::future::Future;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};

/// A connection on which nothing is asked for so long is closed: a page that is left open asks anew when it needs
/// something. The socket of a page that follows a bucket is none of these.
pub const IDLE: Duration = Duration::from_secs(75);

/// What the server shows: the newest model that was sent.
pub type PageState = watch::Receiver<Arc<PageModel>>;

/// The address to listen on unless the user asks for another: this machine only.
#[must_use]
pub fn loopback(port: u16) -> SocketAddr {
    SocketAddr::from((Ipv4Addr::LOCALHOST, port))
}

/// The address to listen on where the page is shared: every network that this machine is on.
#[must_use]
pub fn everywhere(port: u16) -> SocketAddr {
    SocketAddr::from((Ipv4Addr::UNSPECIFIED, port))
}

/// Serves until `stop` is ready.
pub async fn serve(listener: TcpListener, state: PageState, stop: impl Future<Output = ()> + Send + 'static) {
    Site::new(state, None).serve(listener, Router::new(), stop).await;
}

/// What the server shows.
#[derive(Clone)]
pub struct Site {
    /// The swings of the own bucket; none where there is a library in its place.
    pub(super) model: Option<PageState>,
    /// How it fares beside them, while it runs.
    pub(super) status: Option<watch::Receiver<Arc<LiveStatus>>>,
    /// Room for open pages.
    pub(super) sockets: Arc<Semaphore>,
    /// Where buckets come from and remarks go.
    pub(super) bench: Arc<Bench>,
    /// Other devices may be paired.
    pub(super) sharing: Option<Arc<Sharing>>,
    /// A connection on which nothing is asked for so long is closed.
    idle: Duration,
}

impl Site {
    /// Shows this bucket.
    #[must_use]
    pub fn new(model: PageState, status: Option<watch::Receiver<Arc<LiveStatus>>>) -> Site {
        Site { model: Some(model), status, ..Site::of_library(Bench::bare()) }
    }

    /// Shows a library.
    #[must_use]
    pub fn of_library(bench: Bench) -> Site {
        Site {
            model: None,
            status: None,
            sockets: Arc::new(Semaphore::new(socket::SOCKETS_MAX)),
            bench: Arc::new(bench),
            sharing: None,
            idle: IDLE,
        }
    }

    /// Closes a connection on which nothing is asked for so long.
    #[must_use]
    pub fn idle_for(self, idle: Duration) -> Site {
        Site { idle, ..self }
    }

    /// Keeps remarks there.
    #[must_use]
    pub fn with_bench(self, bench: Bench) -> Site {
        Site { bench: Arc::new(bench), ..self }
    }

    /// Lets other devices in, once they are paired.
    #[must_use]
    pub fn shared(self, sharing: Option<Sharing>) -> Site {
        Site { sharing: sharing.map(Arc::new), ..self }
    }

    /// Serves until `stop` is ready, and then until every open page was told the last. `more` are further
    /// addresses, behind the same guard.
    pub async fn serve(
        self,
        listener: TcpListener,
        more: Router,
        stop: impl Future<Output = ()> + Send + 'static,
    ) {
        let (sockets, idle) = (Arc::clone(&self.sockets), self.idle);
        connections::serve(Bounded::new(listener), routes::router(self, more), idle, stop).await;
        socket::all_told(&sockets).await;
    }

    /// The newest model of the own bucket, without what was said of it.
    #[must_use]
    pub fn newest(&self) -> Option<Arc<PageModel>> {
        // A copy of the handle, so that the lock is held for no longer than that.
        self.model.as_ref().map(|model| Arc::clone(&model.borrow()))
    }

    /// What is made of the bucket of this key, with what was said of it: read and worked out where no other request,
    /// and no glove, waits for it.
    ///
    /// # Errors
    /// There is none, or it cannot be read; those of the work.
    pub async fn of_bucket<T: Send + 'static>(
        &self,
        key: String,
        work: impl FnOnce(&Bench, &Shown) -> Result<T, Refused> + Send + 'static,
    ) -> Result<T, Refused> {
        let own = self.newest();
        self.aside(move |bench| work(bench, &bench.bucket(&key, own.as_ref())?)).await
    }

    /// Does what takes a while, or waits for a disk, away from the loop that answers.
    ///
    /// # Errors
    /// Those of the work; or it failed by a fault of the program.
    pub async fn aside<T: Send + 'static>(
        &self,
        work: impl FnOnce(&Bench) -> Result<T, Refused> + Send + 'static,
    ) -> Result<T, Refused> {
        let bench = Arc::clone(&self.bench);
        let done = tokio::task::spawn_blocking(move || work(&bench)).await;
        done.unwrap_or_else(|error| Err(Refused::Failed(format!("a fault of the program: {error}"))))
    }
}
