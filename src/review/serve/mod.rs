//! The web server's edge: pages and JSON of a bucket or a library, for this machine only unless it is shared.
//!
//! [`gate`] and [`pairing`] decide, purely, who may ask; [`bench`] is where buckets come from and remarks go;
//! [`routes`] has every address; [`sharing`] holds the paired devices. Every answer forbids other hosts, and all
//! scripts and styles but the server's own.

pub mod assets;
pub mod bench;
pub mod bounded;
pub mod gate;
pub mod pairing;
pub mod routes;
pub mod sharing;
pub mod sides;
pub mod worked_out;

use super::live::LiveStatus;
use super::page::PageModel;
use super::socket;
use axum::Router;
use axum::serve::ListenerExt;
use bench::{Bench, Refused, Shown};
use bounded::Bounded;
use sharing::Sharing;
use std::future::{Future, IntoFuture};
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};

/// So long the server waits for those who are still connected when it is to end.
const FAREWELL: Duration = Duration::from_secs(3);

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
        }
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
        let router = routes::router(self, more).into_make_service_with_connect_info::<SocketAddr>();
        // The library tells where a connection comes from for its own listeners only, and for what taps one.
        let listener = Bounded::new(listener).tap_io(|_| {});
        let (ending, ended) = tokio::sync::oneshot::channel();
        let stop = async move {
            stop.await;
            let _ = ending.send(());
        };
        let patience = async move {
            // Without a word the server has failed, and says so itself.
            if ended.await.is_err() {
                std::future::pending::<()>().await;
            }
            tokio::time::sleep(FAREWELL).await;
        };
        tokio::select! {
            served = axum::serve(listener, router).with_graceful_shutdown(stop).into_future() => served?,
            // Whoever keeps a connection open and says nothing keeps nobody from ending.
            () = patience => {}
        }
        socket::all_told(&sockets).await;
        Ok(())
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
