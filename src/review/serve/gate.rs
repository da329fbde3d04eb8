//! Who may ask the server what. Pure: it sees what a request says of itself, never a connection.
//!
//! By default only this machine asks, and only under its own name, so that a foreign web page cannot reach a bucket
//! under a name of its own that points here (DNS rebinding). Where the page is shared, other devices may ask under
//! the machine's bare address, once they are paired; a bare address cannot be rebound. Whatever changes something,
//! or goes on telling, has to come from a page of the very host and port that it asks.

use std::net::{IpAddr, Ipv6Addr};

/// What a request says of itself.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Asked<'a> {
    /// Header `Host`.
    pub host: Option<&'a str>,
    /// Header `Origin`.
    pub origin: Option<&'a str>,
    /// Header `Sec-Fetch-Site`.
    pub fetch_site: Option<&'a str>,
    /// It changes something, or goes on telling: any method but GET and HEAD, and the socket.
    pub weighs: bool,
    /// The other end of the connection is this machine.
    pub from_here: bool,
    /// It carries the token of a paired device.
    pub paired: bool,
    /// It wants to be paired, or fetches what that page needs.
    pub is_pairing: bool,
}

/// What becomes of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gate {
    /// It may pass.
    Open,
    /// The device has to be paired first.
    Pair,
    /// It is refused, for this reason.
    Shut(&'static str),
}

/// Judges a request; `shared` where other devices may ask at all.
#[must_use]
pub fn judge(asked: &Asked, shared: bool) -> Gate {
    let Some(host) = asked.host.filter(|host| host_is_known(host, shared)) else {
        return Gate::Shut(if shared {
            "expected this machine's address as the host, found another name"
        } else {
            "expected the host localhost, 127.0.0.1 or [::1]"
        });
    };
    let foreign = match asked.origin {
        Some(origin) => !is_origin_of(origin, host),
        None => asked.weighs,
    };
    if foreign || asked.weighs && asked.fetch_site.is_some_and(|site| site != "same-origin") {
        return Gate::Shut("expected the origin of this page, found another or none");
    }
    match (asked.from_here, shared) {
        (true, _) => Gate::Open,
        (false, true) if asked.paired || asked.is_pairing => Gate::Open,
        (false, true) => Gate::Pair,
        (false, false) => Gate::Shut("expected a request of this machine"),
    }
}

/// Whether a `Host` header names this machine, with or without a port: by its own names, or, where the page is
/// shared, by a bare address.
#[must_use]
fn host_is_known(host: &str, shared: bool) -> bool {
    let is_local = ["localhost", "127.0.0.1", "[::1]"].iter().any(|name| {
        let Some((start, rest)) = host.split_at_checked(name.len()) else { return false };
        start.eq_ignore_ascii_case(name) && is_port(rest)
    });
    is_local || shared && is_address(host)
}

fn is_address(host: &str) -> bool {
    if let Some((address, rest)) = host.strip_prefix('[').and_then(|rest| rest.split_once(']')) {
        return address.parse::<Ipv6Addr>().is_ok() && is_port(rest);
    }
    let (address, port) = host.split_at(host.find(':').unwrap_or(host.len()));
    address.parse::<IpAddr>().is_ok() && is_port(port)
}

/// Nothing, or a colon with a port.
fn is_port(rest: &str) -> bool {
    rest.is_empty() || rest.strip_prefix(':').is_some_and(|port| port.parse::<u16>().is_ok())
}

/// Whether an `Origin` header is that of a page of this host and port.
#[must_use]
fn is_origin_of(origin: &str, host: &str) -> bool {
    origin.strip_prefix("http://").is_some_and(|origin| origin.eq_ignore_ascii_case(host))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn only_this_machine_is_local() {
        for host in ["localhost", "LOCALHOST:8080", "127.0.0.1", "127.0.0.1:80", "[::1]", "[::1]:9000"] {
            assert!(host_is_known(host, false), "{host}");
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
            assert!(!host_is_known(host, false), "{host}");
        }
        for host in ["192.168.1.7", "192.168.1.7:8627", "[fd00::1]:8627"] {
            assert!(!host_is_known(host, false), "{host}");
            assert!(host_is_known(host, true), "{host}");
        }
        for host in ["kestrel.example", "192.168.1.7.example.org", "192.168.1.7:x", "[fd00::1", "192.168.1"] {
            assert!(!host_is_known(host, true), "{host}");
        }
    }

    #[test]
    fn only_the_pages_own_origin_may_change_or_listen() {
        let host = "127.0.0.1:8627";
        let asked = |origin, weighs| {
            judge(&Asked { host: Some(host), origin, weighs, from_here: true, ..Asked::default() }, false)
        };
        assert_eq!(asked(Some("http://127.0.0.1:8627"), true), Gate::Open);
        assert_eq!(asked(None, false), Gate::Open);
        let foreign = [
            "null",
            "http://example.org",
            "http://127.0.0.1:8628",
            "https://127.0.0.1:8627",
            "http://127.0.0.1:8627.example.org",
            "http://localhost:8627",
        ];
        for origin in foreign.into_iter().map(Some).chain([None]) {
            assert!(matches!(asked(origin, true), Gate::Shut(_)), "{origin:?}");
        }
        assert!(matches!(asked(Some("http://example.org"), false), Gate::Shut(_)));
        let cross = Asked {
            host: Some(host),
            origin: Some("http://127.0.0.1:8627"),
            fetch_site: Some("cross-site"),
            weighs: true,
            from_here: true,
            ..Asked::default()
        };
        assert!(matches!(judge(&cross, false), Gate::Shut(_)));
    }

    proptest! {
        /// Nobody from outside gets in unpaired, whatever else the request says.
        #[test]
        fn an_unpaired_device_never_passes(
            host in "[a-z0-9.:\\[\\]]{0,20}|192\\.168\\.1\\.7(:8627)?|localhost(:8627)?",
            origin in proptest::option::of("http://(192\\.168\\.1\\.7:8627|localhost:8627|example\\.org)"),
            weighs in any::<bool>(),
            shared in any::<bool>(),
        ) {
            let asked = Asked { host: Some(&host), origin: origin.as_deref(), weighs, ..Asked::default() };
            prop_assert_ne!(judge(&asked, shared), Gate::Open);
            let paired = Asked { paired: true, is_pairing: true, ..asked };
            prop_assert!(shared || judge(&paired, false) != Gate::Open);
        }
    }
}
