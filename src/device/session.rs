//! Edge: what all links share. Opens a link again and again by the reconnect policy, until nobody listens.

use crate::device::answers::START_ID;
use crate::device::ble::{self, BleParams};
use crate::device::host_clock::HostClock;
use crate::device::link::{LinkError, LinkEvent, RawPiece};
use crate::device::reconnect::{LinkState, Reconnect, ReconnectEvent, ReconnectParams};
use crate::device::serial::{self, SerialParams};
use crate::units::HostTime;
use firmware_protocol::{Command, CommandKind, Frame, HostHello, MAX_WIRE, Piece, Splitter, Version, encode};
use futures_util::FutureExt;
use std::any::Any;
use std::panic::AssertUnwindSafe;
use std::time::Duration;
use tokio::sync::mpsc;

/// How often a link that is up looks whether it is dead.
pub(super) const LOOK_EVERY: Duration = Duration::from_millis(50);

/// Which link, and how to open it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkParams {
    /// A serial port.
    Serial(SerialParams),
    /// The air.
    Ble(BleParams),
}

impl From<SerialParams> for LinkParams {
    fn from(params: SerialParams) -> LinkParams {
        LinkParams::Serial(params)
    }
}

/// Keeps a link open, greets the glove and starts it, until nobody takes `events` any more. When the taker
/// is slow the link is read more slowly; nothing that was read is dropped.
pub async fn run(
    params: LinkParams,
    clock: HostClock,
    events: mpsc::Sender<LinkEvent>,
    commands: mpsc::Receiver<Vec<u8>>,
) {
    match params {
        LinkParams::Serial(params) => serial::run(params, clock, events, commands).await,
        LinkParams::Ble(params) => ble::run(params, clock, events, commands).await,
    }
}

/// One kind of link.
pub(super) trait Link: Send {
    /// Opens the link and hands on what it brings until it breaks; says why, or none when nobody listens.
    fn once(
        &mut self,
        line: &mut Line<'_>,
        commands: &mut mpsc::Receiver<Vec<u8>>,
    ) -> impl Future<Output = Option<LinkError>> + Send;
}

/// One opening of a link, seen from the link.
pub(super) struct Line<'a> {
    clock: HostClock,
    pub(super) events: &'a mpsc::Sender<LinkEvent>,
    policy: &'a mut Reconnect,
    splitter: Splitter,
    stamps: Stamps,
}

impl Line<'_> {
    /// The link is up. None when nobody listens; so with all of these.
    pub(super) async fn opened(&mut self) -> Option<()> {
        let at = self.clock.now();
        self.policy.step(ReconnectEvent::Opened, at);
        self.tell(LinkEvent::Opened { at }).await
    }

    /// Bytes came.
    pub(super) async fn bytes(&mut self, mut bytes: &[u8]) -> Option<()> {
        let received = self.clock.now();
        self.policy.step(ReconnectEvent::Heard, received);
        while let Some(piece) = self.splitter.pull(&mut bytes) {
            let piece = raw(&piece, self.stamps.next(received));
            self.events.send(LinkEvent::Raw(piece)).await.ok()?;
        }
        Some(())
    }

    /// For how long the link has been silent, µs, where that is too long.
    pub(super) fn silent_us(&self) -> Option<i64> {
        self.policy.silent_us(self.clock.now())
    }

    /// The glove is greeted again, since the link is silent.
    pub(super) async fn greeted_again(&mut self, quiet_us: i64) -> Option<()> {
        let at = self.clock.now();
        self.policy.step(ReconnectEvent::Greeted, at);
        self.tell(LinkEvent::Silent { at, quiet_us }).await
    }

    /// Tells something.
    pub(super) async fn tell(&self, event: LinkEvent) -> Option<()> {
        self.events.send(event).await.ok()
    }

    /// What a broken link leaves unfinished.
    async fn rest(&mut self) {
        if let Some(rest) = self.splitter.finish() {
            let piece = raw(&rest, self.stamps.next(self.clock.now()));
            let _ = self.events.send(LinkEvent::Raw(piece)).await;
        }
    }
}

/// When pieces came, each a microsecond at least after the one before it: so times of arrival alone tell the
/// order, also of what came in one go. A CSV has nothing else to place a marker by.
#[derive(Default)]
struct Stamps(Option<HostTime>);

impl Stamps {
    fn next(&mut self, received: HostTime) -> HostTime {
        let after = self.0.map_or(received, |last| HostTime(last.0.saturating_add(1)));
        *self.0.insert(received.max(after))
    }
}

fn raw(piece: &Piece<'_>, received: HostTime) -> RawPiece {
    RawPiece { received, bytes: piece.bytes.to_vec(), whole: piece.is_whole() }
}

/// Opens `link` whenever the policy says so. A panic within it, or in a library below it, is one more way
/// in which it may break.
pub(super) async fn keep<L: Link>(
    mut link: L,
    params: ReconnectParams,
    clock: HostClock,
    events: mpsc::Sender<LinkEvent>,
    mut commands: mpsc::Receiver<Vec<u8>>,
) {
    let mut policy = Reconnect::new(params);
    loop {
        let mut line = Line {
            clock,
            events: &events,
            policy: &mut policy,
            splitter: Splitter::new(),
            stamps: Stamps::default(),
        };
        let outcome = AssertUnwindSafe(link.once(&mut line, &mut commands)).catch_unwind().await;
        let error = match outcome {
            Ok(None) => return,
            Ok(Some(error)) => error,
            Err(panic) => LinkError::Panicked { cause: what_it_said(panic.as_ref()) },
        };
        line.rest().await;
        let at = clock.now();
        let event = match policy.state() {
            LinkState::Up { .. } => ReconnectEvent::Broke,
            LinkState::Connecting | LinkState::Waiting { .. } => ReconnectEvent::Failed,
        };
        let until = match policy.step(event, at) {
            LinkState::Waiting { until } => until,
            LinkState::Connecting | LinkState::Up { .. } => at,
        };
        let retry_in_us = until.0 - at.0;
        tracing::warn!(%error, retry_in_us, "link down");
        if events.send(LinkEvent::Down { at, error, retry_in_us }).await.is_err() {
            return;
        }
        tokio::select! {
            () = tokio::time::sleep(Duration::from_micros(retry_in_us.unsigned_abs())) => {}
            () = events.closed() => return,
        }
        policy.step(ReconnectEvent::Tick, clock.now().max(until));
    }
}

/// The text of a panic, where it has one.
fn what_it_said(panic: &(dyn Any + Send)) -> String {
    let text = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    text.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_else(|| "a panic".to_owned())
}

/// What the host says first: a delimiter that ends whatever noise came before, its version, and Start.
#[must_use]
pub fn greeting() -> Vec<u8> {
    let mut bytes = vec![0];
    bytes.extend(encoded(&Frame::HostHello(HostHello { version: Version::CURRENT })));
    bytes.extend(start());
    bytes
}

/// The bytes of Start.
#[must_use]
pub fn start() -> Vec<u8> {
    command(START_ID, CommandKind::Start)
}

/// The bytes of a command.
#[must_use]
pub fn command(id: u16, kind: CommandKind) -> Vec<u8> {
    encoded(&Frame::Command(Command { id, kind }))
}

/// Frames without texts always fit.
fn encoded(frame: &Frame<'_>) -> Vec<u8> {
    encode(frame, &mut [0; MAX_WIRE]).map(<[u8]>::to_vec).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Fails at first, panics then, brings bytes at last.
    struct Moody {
        openings: u32,
    }

    impl Link for Moody {
        async fn once(&mut self, line: &mut Line<'_>, _: &mut mpsc::Receiver<Vec<u8>>) -> Option<LinkError> {
            self.openings += 1;
            match self.openings {
                1 => Some(LinkError::Gone { cause: "first".to_owned() }),
                2 => {
                    line.opened().await?;
                    line.bytes(&[1, 2]).await?;
                    panic!("a library's mistake")
                }
                _ => {
                    line.opened().await?;
                    line.bytes(&[3, 0]).await?;
                    line.events.closed().await;
                    None
                }
            }
        }
    }

    #[tokio::test]
    async fn a_panic_within_a_link_is_told_and_the_link_opened_again() {
        let params = ReconnectParams { first_delay_us: 1000, ..ReconnectParams::default() };
        let (events, mut told) = mpsc::channel(16);
        let (_commands, for_glove) = mpsc::channel(1);
        let link = tokio::spawn(keep(Moody { openings: 0 }, params, HostClock::start(), events, for_glove));
        let mut seen = Vec::new();
        while seen.len() < 6 {
            seen.push(match told.recv().await.unwrap() {
                LinkEvent::Opened { .. } => "opened".to_owned(),
                LinkEvent::Raw(piece) => format!("{:?} {}", piece.bytes, piece.whole),
                LinkEvent::Down { error, .. } => error.to_string(),
                LinkEvent::Met(_) | LinkEvent::Silent { .. } => "other".to_owned(),
            });
        }
        let expected = [
            "expected the glove to stay connected, but the connection ended: first",
            "opened",
            "[1, 2] false",
            "expected the link to work, but a part of it failed: a library's mistake",
            "opened",
            "[3, 0] true",
        ];
        assert_eq!(seen, expected);
        drop(told);
        link.await.unwrap();
    }
}
