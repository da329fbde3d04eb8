//! The port of the page: the usual one, or another where a second bucket runs on this machine.

use crate::review::serve;
use crate::review::serve::sharing::{Sharing, WARNING};
use anyhow::Context;
use std::io::ErrorKind;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use tokio::net::TcpListener;

/// Port of the page, unless another is asked for.
const USUAL_PORT: u16 = 8627;

/// Opens the port that was asked for, and no other; where none was, the usual one, or any free one when that is
/// taken. `shared` opens it to the networks that this machine is on.
///
/// # Errors
/// The port that was asked for is taken, or the system has none to give.
pub async fn listen(asked: Option<u16>, shared: bool) -> anyhow::Result<TcpListener> {
    let address = |port| if shared { serve::everywhere(port) } else { serve::loopback(port) };
    let wanted = address(asked.unwrap_or(USUAL_PORT));
    let mut listener = TcpListener::bind(wanted).await;
    let is_taken = |listener: &std::io::Result<TcpListener>| {
        listener.as_ref().is_err_and(|error| error.kind() == ErrorKind::AddrInUse)
    };
    if asked.is_none() && is_taken(&listener) {
        listener = TcpListener::bind(address(0)).await;
    }
    listener.with_context(|| format!("the page cannot be served at {wanted}: take another --page-port"))
}

/// Where the page is, for this machine and, where it is shared, for others.
///
/// # Errors
/// The system does not tell.
pub fn where_it_is(listener: &TcpListener) -> anyhow::Result<String> {
    let address = listener.local_addr()?;
    if address.ip().is_loopback() {
        return Ok(format!("http://{address}/"));
    }
    let here = format!("http://127.0.0.1:{}/", address.port());
    let there = own_address().map_or_else(String::new, |own| {
        format!("; for other devices on this network http://{}/", SocketAddr::new(own, address.port()))
    });
    Ok(here + &there)
}

/// The address under which others on the network find this machine: that of the way out, should there be one.
/// Nothing is sent to find it.
fn own_address() -> Option<IpAddr> {
    let socket = std::net::UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    // An address of RFC 5737, kept for documentation: it only has to lie outside.
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    Some(socket.local_addr().ok()?.ip()).filter(|own| !own.is_loopback() && !own.is_unspecified())
}

/// Where the page is shared: the first code, and the warning that goes with it.
///
/// # Errors
/// The system gives no random numbers.
pub fn sharing(wanted: bool, tell: impl Fn(&str) + Send + Sync + 'static) -> anyhow::Result<Option<Sharing>> {
    if !wanted {
        return Ok(None);
    }
    tell(WARNING);
    Sharing::start(tell).map(Some).context("a code for other devices cannot be made")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_port_that_was_asked_for_is_taken_or_refused() {
        let first = listen(Some(0), false).await.unwrap();
        let port = first.local_addr().unwrap().port();
        let error = listen(Some(port), false).await.unwrap_err().to_string();
        assert!(error.contains("take another --page-port"), "{error}");
    }

    #[tokio::test]
    async fn where_the_usual_port_is_taken_a_free_one_does() {
        let first = listen(None, false).await.unwrap();
        let second = listen(None, false).await.unwrap();
        let [first, second] = [first, second].map(|listener| listener.local_addr().unwrap());
        assert!(first.ip().is_loopback() && second.ip().is_loopback());
        assert_ne!(first.port(), second.port());
        assert_ne!(second.port(), USUAL_PORT);
    }
}
