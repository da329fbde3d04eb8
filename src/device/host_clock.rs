//! Edge: the host's monotonic clock.

use crate::units::HostTime;
use std::time::Instant;

/// The host's monotonic clock. Copies share one origin.
#[derive(Clone, Copy, Debug)]
pub struct HostClock {
    origin: Instant,
}

impl HostClock {
    /// A clock that stands at 0 now.
    #[must_use]
    #[allow(
        clippy::disallowed_methods,
        reason = "this edge is the one place of the links that reads a clock"
    )]
    pub fn start() -> HostClock {
        HostClock { origin: Instant::now() }
    }

    /// What time it is, µs since the start.
    #[must_use]
    pub fn now(&self) -> HostTime {
        HostTime(i64::try_from(self.origin.elapsed().as_micros()).unwrap_or(i64::MAX))
    }
}
