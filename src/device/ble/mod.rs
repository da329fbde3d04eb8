//! Edge: a glove on the air (Bluetooth Low Energy). Values of notifications join the same byte stream as a
//! serial port's; commands are written to it. [`choice`] decides which glove is taken, pure; `radio` talks to
//! the system's Bluetooth.

pub mod choice;
mod claim;
mod doubles;
pub mod profile;
mod radio;

use crate::device::ble::choice::{Seen, Wanted};
use crate::device::ble::doubles::Doubles;
use crate::device::ble::radio::{Air, Radio, within};
use crate::device::host_clock::HostClock;
use crate::device::link::{LinkError, LinkEvent, MetGlove};
use crate::device::reconnect::ReconnectParams;
use crate::device::session::{LOOK_EVERY, Line, Link, greeting, keep};
use btleplug::api::{Characteristic, Peripheral as _, WriteType};
use btleplug::platform::Peripheral;
use firmware_protocol::notifications;
use futures_util::StreamExt;
use std::time::Duration;
use tokio::sync::mpsc;

/// How often the system is asked whether the glove is still connected.
const CONNECTED_EVERY: Duration = Duration::from_millis(250);
/// So long a search for something to choose from takes.
const LOOK_AROUND: Duration = Duration::from_secs(5);

/// Which glove, and when to try again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BleParams {
    /// The glove. Once it has been met, it alone is taken.
    pub wanted: Wanted,
    /// When to try again.
    pub reconnect: ReconnectParams,
}

impl BleParams {
    /// This glove, with the usual patience.
    #[must_use]
    pub fn new(wanted: Wanted) -> BleParams {
        BleParams { wanted, reconnect: ReconnectParams::default() }
    }
}

/// The gloves within reach.
///
/// # Errors
/// The machine has no Bluetooth, or it cannot be used.
pub async fn look_around() -> Result<Vec<Seen>, LinkError> {
    Radio::new().look_around(LOOK_AROUND).await
}

/// The machine's radio, as the system calls it, and whether it is switched on.
///
/// # Errors
/// The machine has no Bluetooth, or it cannot be used.
pub async fn radio() -> Result<(String, bool), LinkError> {
    Radio::new().describe().await
}

/// Keeps a glove connected, greets and starts it, until nobody takes `events` any more.
pub async fn run(
    params: BleParams,
    clock: HostClock,
    events: mpsc::Sender<LinkEvent>,
    commands: mpsc::Receiver<Vec<u8>>,
) {
    let link = Glove { wanted: params.wanted, radio: Radio::new() };
    keep(link, params.reconnect, clock, events, commands).await;
}

/// A glove on the air as a link.
struct Glove {
    wanted: Wanted,
    radio: Radio,
}

impl Link for Glove {
    async fn once(
        &mut self,
        line: &mut Line<'_>,
        commands: &mut mpsc::Receiver<Vec<u8>>,
    ) -> Option<LinkError> {
        let opened = tokio::select! {
            opened = self.radio.open(&self.wanted) => opened,
            () = line.events.closed() => return None,
        };
        let (mut air, met) = match opened {
            Ok(opened) => opened,
            Err(error) => return Some(error),
        };
        self.wanted = Wanted::Known(met.glove.clone());
        let end = meet(&mut air, met, line, commands).await;
        // However it ended: a glove that stays connected to nobody is not found again.
        self.radio.close(air).await;
        end
    }
}

/// Tells of the glove, and hands on what it sends until the link is dead, or nobody takes it any more.
async fn meet(
    air: &mut Air,
    met: MetGlove,
    line: &mut Line<'_>,
    commands: &mut mpsc::Receiver<Vec<u8>>,
) -> Option<LinkError> {
    line.tell(LinkEvent::Met(met)).await?;
    line.opened().await?;
    listen(air, line, commands).await
}

/// Hands on what the glove sends until the link is dead.
async fn listen(
    air: &mut Air,
    line: &mut Line<'_>,
    commands: &mut mpsc::Receiver<Vec<u8>>,
) -> Option<LinkError> {
    let Air { peripheral, to_glove, value_len, values } = air;
    let writing = talk(peripheral, to_glove, *value_len, commands);
    let parting = parted(peripheral);
    tokio::pin!(writing, parting);
    let mut look = tokio::time::interval(LOOK_EVERY);
    let mut doubles = Doubles::default();
    loop {
        tokio::select! {
            value = values.next() => match value {
                Some(value) if value.uuid == profile::FROM_GLOVE => line.bytes(doubles.without(&value.value)).await?,
                Some(_) => {}
                None => return Some(LinkError::Gone { cause: "the system sends no more values".to_owned() }),
            },
            error = &mut writing => return Some(error),
            error = &mut parting => return Some(error),
            _ = look.tick() => if let Some(quiet_us) = line.silent_us() {
                return Some(LinkError::Silent { quiet_us });
            },
            () = line.events.closed() => return None,
        }
    }
}

/// Greets the glove, then hands it the commands; ends where it cannot be greeted.
async fn talk(
    peripheral: &Peripheral,
    to_glove: &Characteristic,
    value_len: usize,
    commands: &mut mpsc::Receiver<Vec<u8>>,
) -> LinkError {
    let write = async |bytes: &[u8]| -> Result<(), LinkError> {
        for value in notifications(bytes, value_len) {
            let written = peripheral.write(to_glove, value, WriteType::WithoutResponse);
            within("write to the glove", written).await?;
        }
        Ok(())
    };
    if let Err(error) = write(&greeting()).await {
        return error;
    }
    while let Some(bytes) = commands.recv().await {
        // A command that is lost is as if the air had lost it: what it asked for is asked for again.
        if let Err(error) = write(&bytes).await {
            tracing::warn!(%error, "a command was not sent");
        }
    }
    std::future::pending().await
}

/// Waits until the system says that the glove is no longer connected.
async fn parted(peripheral: &Peripheral) -> LinkError {
    loop {
        tokio::time::sleep(CONNECTED_EVERY).await;
        match within("ask for the connection", peripheral.is_connected()).await {
            Ok(true) => {}
            Ok(false) => return LinkError::Gone { cause: "disconnected".to_owned() },
            Err(error) => return LinkError::Gone { cause: error.to_string() },
        }
    }
}
