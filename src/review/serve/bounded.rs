//! Edge: so many connections and no more. Each costs memory and a file of the system, and a browser that is left open,
//! or whoever means harm, may hold many. Those of this machine are counted apart from those of others, so that no
//! other device keeps the owner out.

use axum::serve::Listener;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Connections from this machine at one time, and as many from all others together: a browser opens up to six for
/// pages, and one for each page that follows a bucket.
pub const CONNECTIONS_MAX: usize = 96;
/// Refusals under way at one time; beyond that a connection is closed without a word.
const REFUSALS_MAX: usize = 8;
/// A refusal that takes longer is given up.
const REFUSED_WITHIN: Duration = Duration::from_secs(1);
/// What is said to one too many.
const REFUSAL: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\nContent-Type: text/plain\r\nRetry-After: 5\r\n\
                         Connection: close\r\nContent-Length: 49\r\n\r\n\
                         too many connections: close a page and try again\n";

/// A listener that lets in so many.
pub struct Bounded {
    listener: TcpListener,
    own: Arc<Semaphore>,
    others: Arc<Semaphore>,
    refusals: Arc<Semaphore>,
}

impl Bounded {
    /// Lets in [`CONNECTIONS_MAX`] of either kind.
    #[must_use]
    pub fn new(listener: TcpListener) -> Bounded {
        let places = |count| Arc::new(Semaphore::new(count));
        Bounded {
            listener,
            own: places(CONNECTIONS_MAX),
            others: places(CONNECTIONS_MAX),
            refusals: places(REFUSALS_MAX),
        }
    }

    fn refuse(&self, stream: TcpStream) {
        if let Ok(place) = Arc::clone(&self.refusals).try_acquire_owned() {
            tokio::spawn(async move {
                let _ = tokio::time::timeout(REFUSED_WITHIN, refused(stream)).await;
                drop(place);
            });
        }
    }
}

/// Says it and hears the other out: what is left unread when a connection is closed may cost it the answer.
async fn refused(mut stream: TcpStream) -> io::Result<()> {
    stream.write_all(REFUSAL).await?;
    stream.shutdown().await?;
    tokio::io::copy(&mut stream, &mut tokio::io::sink()).await?;
    Ok(())
}

impl Listener for Bounded {
    type Io = Held;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Held, SocketAddr) {
        loop {
            // The library's own way, with its patience where the system has no more files.
            let (stream, address) = Listener::accept(&mut self.listener).await;
            let places = if address.ip().to_canonical().is_loopback() { &self.own } else { &self.others };
            match Arc::clone(places).try_acquire_owned() {
                Ok(place) => return (Held { stream, _place: place }, address),
                Err(_) => self.refuse(stream),
            }
        }
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// A connection that gives its place back when it ends.
pub struct Held {
    stream: TcpStream,
    _place: OwnedSemaphorePermit,
}

impl AsyncRead for Held {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, into)
    }
}

impl AsyncWrite for Held {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, bytes)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write_vectored(cx, parts)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }
}
