//! Edge: the page on the local network. Holds the paired devices, draws random numbers, asks the clock, and tells
//! the code where only the owner of this machine reads it.
//!
//! It is plain http: whoever can listen to the network can read along and take a token over. The owner is told so,
//! and so is every device before it is paired.

use super::pairing::{Pairing, Random, Tried};
use crate::device::host_clock::HostClock;
use std::sync::{Mutex, MutexGuard, PoisonError};

/// Name of the cookie with a device's token. It lasts as long as the browser is open, and the server runs.
pub const COOKIE: &str = "hingeclock";

/// What is said of it, here and on the page that asks for the code.
pub const WARNING: &str = "Sharing is not encrypted: others on the same network could read along. Use it on a \
                           network that you trust, and end it after the lesson.";

/// The page on the local network.
pub struct Sharing {
    pairing: Mutex<Pairing>,
    clock: HostClock,
    tell: Box<dyn Fn(&str) + Send + Sync>,
}

impl Sharing {
    /// Tells the first code.
    ///
    /// # Errors
    /// The system gives no random numbers.
    pub fn start(tell: impl Fn(&str) + Send + Sync + 'static) -> std::io::Result<Sharing> {
        let clock = HostClock::start();
        let pairing = Pairing::new(random()?, clock.now());
        tell(&sentence(pairing.code()));
        Ok(Sharing { pairing: Mutex::new(pairing), clock, tell: Box::new(tell) })
    }

    /// A device offers a code.
    ///
    /// # Errors
    /// The system gives no random numbers.
    pub fn offer(&self, code: &str) -> std::io::Result<Tried> {
        let random = random()?;
        let mut pairing = self.held();
        let tried = pairing.offer(code, random, self.clock.now());
        match tried {
            Tried::Paired(_) => (self.tell)(&format!("a device was paired; {}", sentence(pairing.code()))),
            Tried::Wrong(true) => {
                (self.tell)(&format!("wrong codes were tried; {}", sentence(pairing.code())))
            }
            Tried::Wrong(false) | Tried::Wait(_) => {}
        }
        Ok(tried)
    }

    /// Whether a `Cookie` header carries the token of a paired device.
    #[must_use]
    pub fn knows(&self, cookies: &str) -> bool {
        let tokens =
            cookies.split(';').filter_map(|cookie| cookie.trim().strip_prefix(COOKIE)?.strip_prefix('='));
        let pairing = self.held();
        tokens.into_iter().any(|token| pairing.knows(token))
    }

    fn held(&self) -> MutexGuard<'_, Pairing> {
        self.pairing.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn sentence(code: &str) -> String {
    let (first, second) = code.split_at_checked(4).unwrap_or((code, ""));
    format!("code for one device: {first} {second}")
}

fn random() -> std::io::Result<Random> {
    let mut random = Random::default();
    getrandom::fill(&mut random).map_err(std::io::Error::other)?;
    Ok(random)
}
