//! Edge: the system's Bluetooth. Finds a glove, connects to it, and gives its values as a stream.
//!
//! One stream serves a glove for as long as it is known, over all its connections: a second one would bring
//! every value twice, and one that is dropped while values come can make a task of the library panic.

use super::choice::{Seen, Wanted, check_serial, choose};
use super::claim::{self, Claim};
use super::profile;
use crate::device::link::{KnownGlove, LinkError, MetGlove};
use btleplug::api::{
    BDAddr, Central, CentralState, Characteristic, Manager as _, Peripheral as _, ScanFilter,
    ValueNotification,
};
use btleplug::platform::{Adapter, Manager, Peripheral, PeripheralId};
use futures_util::Stream;
use std::fmt::Display;
use std::pin::Pin;
use std::time::Duration;
use tokio::time::{Instant, sleep, timeout};
use uuid::Uuid;

/// Longest wait for one answer of the system.
const ANSWER: Duration = Duration::from_secs(3);
/// Longest wait for a connection, discovery of services included.
const CONNECTION: Duration = Duration::from_secs(10);
/// So long a glove is looked for before it is told that there is none.
const SEARCH: Duration = Duration::from_secs(5);
/// So long all gloves are collected before one is taken by a name that several may bear.
const COLLECT: Duration = Duration::from_secs(2);
/// How often what was found is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(50);
/// Bytes of an ATT header in front of a value.
const ATT_HEADER: usize = 3;
/// Longest text that is taken from a glove.
const LONGEST_TEXT: usize = 64;

type Values = Pin<Box<dyn Stream<Item = ValueNotification> + Send>>;

/// A connected glove.
pub(super) struct Air {
    pub(super) peripheral: Peripheral,
    pub(super) to_glove: Characteristic,
    /// Longest value that can be written, bytes.
    pub(super) value_len: usize,
    pub(super) values: Values,
}

/// The system's Bluetooth.
pub(super) struct Radio {
    manager: Option<Manager>,
    /// The glove that was met last, and the stream of its values while it is not in use.
    last: Option<(Peripheral, Option<Values>)>,
    /// The glove that is this run's, between its connections as well.
    claim: Option<Claim>,
}

impl Radio {
    pub(super) fn new() -> Radio {
        Radio { manager: None, last: None, claim: None }
    }

    /// Finds the glove, connects to it and asks for its values.
    pub(super) async fn open(&mut self, wanted: &Wanted) -> Result<(Air, MetGlove), LinkError> {
        let adapter = self.adapter().await?;
        let (found, seen) = search(&adapter, wanted).await?;
        self.claim(&seen)?;
        let peripheral = self.known_as(found);
        match self.connect(&peripheral, wanted, &seen).await {
            Ok(opened) => Ok(opened),
            Err(error) => {
                disconnect(&peripheral).await;
                Err(error)
            }
        }
    }

    /// Another run's glove is left alone.
    fn claim(&mut self, seen: &Seen) -> Result<(), LinkError> {
        if !self.claim.as_ref().is_some_and(|claim| claim.is_of(&seen.address)) {
            self.claim = Some(Claim::of(&seen.address, &claim::folder())?);
        }
        Ok(())
    }

    /// Takes back a glove whose link has ended.
    pub(super) async fn close(&mut self, air: Air) {
        disconnect(&air.peripheral).await;
        self.last = Some((air.peripheral, Some(air.values)));
    }

    /// All gloves that announce themselves within `time`.
    pub(super) async fn look_around(&mut self, time: Duration) -> Result<Vec<Seen>, LinkError> {
        let adapter = self.adapter().await?;
        start_scan(&adapter).await?;
        sleep(time).await;
        let gloves = gloves(&adapter, None).await;
        stop_scan(&adapter).await;
        Ok(gloves?.into_iter().map(|(_, seen)| seen).collect())
    }

    /// The first radio, as the system calls it, and whether it is switched on.
    pub(super) async fn describe(&mut self) -> Result<(String, bool), LinkError> {
        let adapter = self.adapter().await?;
        let name = within("ask the radio for its name", adapter.adapter_info()).await?;
        let state = within("ask whether the radio is on", adapter.adapter_state()).await?;
        Ok((name, state == CentralState::PoweredOn))
    }

    /// The first radio. Where the system's Bluetooth does not answer, the next try asks for it anew.
    async fn adapter(&mut self) -> Result<Adapter, LinkError> {
        let no_radio = |cause: &dyn Display| LinkError::NoRadio { cause: cause.to_string() };
        if self.manager.is_none() {
            self.manager = Some(Manager::new().await.map_err(|error| no_radio(&error))?);
            self.last = None;
        }
        let adapters = match &self.manager {
            Some(manager) => within("list the radios", manager.adapters()).await,
            None => return Err(no_radio(&"none")),
        };
        match adapters {
            Ok(adapters) => adapters.into_iter().next().ok_or_else(|| no_radio(&"no adapter")),
            Err(error) => {
                self.manager = None;
                Err(no_radio(&error))
            }
        }
    }

    /// The handle that goes with the stream of values, where this glove was met before.
    fn known_as(&mut self, found: Peripheral) -> Peripheral {
        match &self.last {
            Some((known, _)) if known.id() == found.id() => known.clone(),
            _ => {
                self.last = Some((found.clone(), None));
                found
            }
        }
    }

    async fn connect(
        &mut self,
        peripheral: &Peripheral,
        wanted: &Wanted,
        seen: &Seen,
    ) -> Result<(Air, MetGlove), LinkError> {
        let connected = timeout(CONNECTION, peripheral.connect()).await;
        answered("connect to the glove", connected)?;
        within("find the glove's services", peripheral.discover_services()).await?;
        let from_glove = part(peripheral, profile::FROM_GLOVE)
            .ok_or(LinkError::NotAGlove { expected: "a characteristic for what it sends" })?;
        let to_glove = part(peripheral, profile::TO_GLOVE)
            .ok_or(LinkError::NotAGlove { expected: "a characteristic for commands" })?;
        let serial = read_text(peripheral, profile::SERIAL_NUMBER).await;
        check_serial(wanted, serial.as_deref())?;
        let battery_percent = match read(peripheral, profile::BATTERY_LEVEL).await.as_deref() {
            Some([percent @ 0..=100]) => Some(*percent),
            _ => None,
        };
        let values = match self.last.as_mut().and_then(|(_, values)| values.take()) {
            Some(values) => values,
            None => within("listen for the glove's values", peripheral.notifications()).await?,
        };
        if let Err(error) = within("ask for the glove's values", peripheral.subscribe(&from_glove)).await {
            self.last = Some((peripheral.clone(), Some(values)));
            return Err(error);
        }
        let value_len = usize::from(peripheral.mtu()).saturating_sub(ATT_HEADER).max(1);
        let glove = KnownGlove { address: seen.address.clone(), serial, name: seen.name.clone() };
        let air = Air { peripheral: peripheral.clone(), to_glove, value_len, values };
        Ok((air, MetGlove { glove, battery_percent, value_len }))
    }
}

/// Looks for the glove until it announces itself. What the system merely remembers does not count.
async fn search(adapter: &Adapter, wanted: &Wanted) -> Result<(Peripheral, Seen), LinkError> {
    start_scan(adapter).await?;
    let found = search_while_scanning(adapter, wanted).await;
    stop_scan(adapter).await;
    found
}

async fn search_while_scanning(adapter: &Adapter, wanted: &Wanted) -> Result<(Peripheral, Seen), LinkError> {
    let started = Instant::now();
    loop {
        let mut gloves = gloves(adapter, Some(wanted)).await?;
        let seen: Vec<Seen> = gloves.iter().map(|(_, seen)| seen.clone()).collect();
        let passed = started.elapsed();
        match choose(&seen, wanted) {
            Ok(chosen) if passed >= COLLECT || !wanted.is_ambiguous(chosen) => {
                let place = seen.iter().position(|seen| seen == chosen).unwrap_or(0);
                return Ok(gloves.swap_remove(place));
            }
            Err(error) if passed >= SEARCH => return Err(error),
            Ok(_) | Err(_) => sleep(LOOK_EVERY).await,
        }
    }
}

async fn start_scan(adapter: &Adapter) -> Result<(), LinkError> {
    let filter = ScanFilter { services: vec![profile::SERVICE] };
    within("look for gloves", adapter.start_scan(filter)).await
}

/// A search that cannot be ended does no harm beyond its current.
async fn stop_scan(adapter: &Adapter) {
    if let Err(error) = within("end the search", adapter.stop_scan()).await {
        tracing::debug!(%error, "the search goes on");
    }
}

/// The glove may have gone already.
async fn disconnect(peripheral: &Peripheral) {
    if let Err(error) = within("disconnect", peripheral.disconnect()).await {
        tracing::debug!(%error, "not disconnected");
    }
}

/// Gloves that announce themselves now, or are connected. A remembered one counts whether or not its
/// announcement names its service.
async fn gloves(adapter: &Adapter, wanted: Option<&Wanted>) -> Result<Vec<(Peripheral, Seen)>, LinkError> {
    let mut found = Vec::new();
    for peripheral in within("list what is within reach", adapter.peripherals()).await? {
        // One that vanished meanwhile is not within reach.
        let Ok(Some(properties)) = within("read an announcement", peripheral.properties()).await else {
            continue;
        };
        let seen = Seen {
            address: address(&peripheral),
            name: properties.local_name.map(|name| plain(&name)),
            rssi_dbm: properties.rssi,
        };
        let is_glove = properties.services.contains(&profile::SERVICE)
            || wanted.is_some_and(|wanted| choose(std::slice::from_ref(&seen), wanted).is_ok());
        let is_there = seen.rssi_dbm.is_some() || peripheral.is_connected().await.unwrap_or(false);
        if is_glove && is_there {
            found.push((peripheral, seen));
        }
    }
    Ok(found)
}

/// The address, or the system's name where it hides addresses.
fn address(peripheral: &Peripheral) -> String {
    let address = peripheral.address();
    let id: PeripheralId = peripheral.id();
    if address == BDAddr::default() { id.to_string() } else { address.to_string() }
}

fn part(peripheral: &Peripheral, uuid: Uuid) -> Option<Characteristic> {
    let own = uuid == profile::FROM_GLOVE || uuid == profile::TO_GLOVE;
    peripheral
        .characteristics()
        .into_iter()
        .find(|part| part.uuid == uuid && (!own || part.service_uuid == profile::SERVICE))
}

/// A value of a standard service; a glove may lack it.
async fn read(peripheral: &Peripheral, uuid: Uuid) -> Option<Vec<u8>> {
    let part = part(peripheral, uuid)?;
    within("read from the glove", peripheral.read(&part)).await.ok()
}

async fn read_text(peripheral: &Peripheral, uuid: Uuid) -> Option<String> {
    let bytes = read(peripheral, uuid).await?;
    let text = plain(String::from_utf8_lossy(&bytes).trim_end_matches('\0'));
    Some(text).filter(|text| !text.is_empty())
}

/// A text from outside, fit for a terminal and a file.
fn plain(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(LONGEST_TEXT).collect()
}

/// Waits for an answer of the system, but not for ever.
pub(super) async fn within<T>(
    step: &'static str,
    asked: impl Future<Output = btleplug::Result<T>>,
) -> Result<T, LinkError> {
    answered(step, timeout(ANSWER, asked).await)
}

fn answered<T>(
    step: &'static str,
    answer: Result<btleplug::Result<T>, tokio::time::error::Elapsed>,
) -> Result<T, LinkError> {
    match answer {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => Err(LinkError::Air { step, cause: error.to_string() }),
        Err(_) => Err(LinkError::Air { step, cause: "no answer in time".to_owned() }),
    }
}
