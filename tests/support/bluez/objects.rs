//! The objects of BlueZ on the bus, as far as a central looks at them.

use super::{Shared, lock};
use hingeclock::device::ble::profile;
use std::collections::HashMap;
use std::time::Duration;
use zbus::fdo::ObjectManager;
use zbus::message::Header;
use zbus::object_server::SignalEmitter;
use zbus::{Connection, OwnedVariant, Variant, connection, interface};
use zruntime::SharedRuntime;

pub const ADAPTER: &str = "/org/bluez/hci0";
/// A stack needs some time to find a glove's services.
const RESOLVING: Duration = Duration::from_millis(250);
const CONNECTING: Duration = Duration::from_millis(60);

#[derive(Debug, zbus::DBusError)]
#[zbus(prefix = "org.bluez.Error")]
pub enum BluezError {
    #[zbus(error)]
    ZBus(zbus::Error),
    Failed(String),
    NotConnected(String),
}

/// Puts the adapter and the gloves on the bus.
pub async fn connect(address: &str, world: &Shared) -> zbus::Result<Connection> {
    let connection =
        connection::Builder::address(address).serve_at("/", ObjectManager).name("org.bluez").build().await?;
    plug_in(&connection, world).await?;
    Ok(connection)
}

/// The radio is plugged in.
pub async fn plug_in(connection: &Connection, world: &Shared) -> zbus::Result<()> {
    let server = connection.object_server();
    server.at(ADAPTER, Adapter { world: world.clone() }).await?;
    let paths: Vec<String> = lock(world).gloves.iter().map(super::world::Glove::path).collect();
    for (glove, path) in paths.into_iter().enumerate() {
        server.at(path, Device { world: world.clone(), glove }).await?;
    }
    Ok(())
}

/// The radio is pulled out, and with it goes everything that hangs on it.
pub async fn pull_out(connection: &Connection, world: &Shared) -> zbus::Result<()> {
    let count = lock(world).gloves.len();
    for glove in 0..count {
        drop_connection(connection, world, glove).await;
        let path = lock(world).gloves[glove].path();
        connection.object_server().remove::<Device, _>(path).await?;
    }
    connection.object_server().remove::<Adapter, _>(ADAPTER).await?;
    Ok(())
}

/// A property has changed.
pub async fn changed(connection: &Connection, path: &str, interface: &str, key: &str, value: Variant<'_>) {
    let emitter = SignalEmitter::new(connection, path.to_owned()).unwrap();
    let changed = HashMap::from([(key, value)]);
    let body = (interface, changed, Vec::<&str>::new());
    emitter.emit("org.freedesktop.DBus.Properties", "PropertiesChanged", &body).await.unwrap();
}

/// A glove's value, for the host that asked for it. It goes to that one alone, since this bus forgets a host's
/// rule for signals when one of two equal ones is taken back, which a real bus does not.
pub async fn value(connection: &Connection, path: &str, host: &str, value: Vec<u8>) {
    let emitter = SignalEmitter::new(connection, path.to_owned()).unwrap();
    let emitter = emitter.set_destination(host.to_owned().try_into().unwrap());
    let changed = HashMap::from([("Value", Variant::from(value))]);
    let body = ("org.bluez.GattCharacteristic1", changed, Vec::<&str>::new());
    // A host that has gone meanwhile hears nothing.
    let _ = emitter.emit("org.freedesktop.DBus.Properties", "PropertiesChanged", &body).await;
}

/// A connection ends: its services go, and that is told.
pub async fn drop_connection(connection: &Connection, world: &Shared, glove: usize) {
    let (path, was_connected, was_resolved) = {
        let mut world = lock(world);
        let glove = &mut world.gloves[glove];
        let was = (glove.path(), glove.connected, glove.resolved);
        glove.disconnected();
        was
    };
    if was_resolved {
        let server = connection.object_server();
        for part in PARTS {
            let _ = server.remove::<Part, _>(format!("{path}/{}", part.path)).await;
        }
        for (service, _) in SERVICES {
            let _ = server.remove::<Service, _>(format!("{path}/{service}")).await;
        }
    }
    if was_connected {
        changed(connection, &path, "org.bluez.Device1", "ServicesResolved", Variant::from(false)).await;
        changed(connection, &path, "org.bluez.Device1", "Connected", Variant::from(false)).await;
    }
}

/// The stack has found the services of a glove, if it is still connected then.
async fn resolve(connection: &Connection, world: &Shared, glove: usize) {
    sleep(RESOLVING).await;
    let path = {
        let mut world = lock(world);
        let glove = &mut world.gloves[glove];
        if !glove.connected || glove.resolved {
            return;
        }
        glove.resolved = true;
        glove.path()
    };
    let server = connection.object_server();
    for (service, uuid) in SERVICES {
        server.at(format!("{path}/{service}"), Service { uuid: uuid() }).await.unwrap();
    }
    for (index, part) in PARTS.iter().enumerate() {
        let object = Part { world: world.clone(), glove, index };
        server.at(format!("{path}/{}", part.path), object).await.unwrap();
    }
    changed(connection, &path, "org.bluez.Device1", "ServicesResolved", Variant::from(true)).await;
}

pub async fn sleep(duration: Duration) {
    SharedRuntime::current().unwrap().sleep(duration).await;
}

type Uuid = fn() -> String;

const SERVICES: [(&str, Uuid); 3] = [
    ("service0010", || profile::SERVICE.to_string()),
    ("service0020", || profile::assigned(0x180F).to_string()),
    ("service0030", || profile::assigned(0x180A).to_string()),
];

/// A characteristic.
pub struct PartInfo {
    pub path: &'static str,
    uuid: Uuid,
    flags: &'static [&'static str],
}

pub const FROM_GLOVE: usize = 0;
const TO_GLOVE: usize = 1;
const BATTERY: usize = 2;

pub const PARTS: [PartInfo; 4] = [
    PartInfo { path: "service0010/char0011", uuid: || profile::FROM_GLOVE.to_string(), flags: &["notify"] },
    PartInfo {
        path: "service0010/char0014",
        uuid: || profile::TO_GLOVE.to_string(),
        flags: &["write-without-response"],
    },
    PartInfo {
        path: "service0020/char0021",
        uuid: || profile::BATTERY_LEVEL.to_string(),
        flags: &["read", "notify"],
    },
    PartInfo { path: "service0030/char0031", uuid: || profile::SERIAL_NUMBER.to_string(), flags: &["read"] },
];

struct Adapter {
    world: Shared,
}

#[interface(name = "org.bluez.Adapter1")]
impl Adapter {
    fn set_discovery_filter(&self, _filter: HashMap<String, OwnedVariant>) {}

    fn start_discovery(&self) {
        lock(&self.world).discovering = true;
    }

    fn stop_discovery(&self) {
        lock(&self.world).discovering = false;
    }

    #[zbus(property)]
    fn address(&self) -> String {
        "C0:00:00:00:00:FF".to_owned()
    }

    #[zbus(property)]
    fn address_type(&self) -> String {
        "public".to_owned()
    }

    #[zbus(property)]
    fn modalias(&self) -> String {
        "usb:v1D6Bp0246d0537".to_owned()
    }

    #[zbus(property)]
    fn name(&self) -> String {
        "emulated".to_owned()
    }

    #[zbus(property)]
    fn alias(&self) -> String {
        "emulated".to_owned()
    }

    #[zbus(property)]
    fn powered(&self) -> bool {
        lock(&self.world).powered
    }

    #[zbus(property)]
    fn set_powered(&self, powered: bool) {
        lock(&self.world).powered = powered;
    }

    #[zbus(property)]
    fn discovering(&self) -> bool {
        lock(&self.world).discovering
    }
}

struct Device {
    world: Shared,
    glove: usize,
}

#[interface(name = "org.bluez.Device1")]
impl Device {
    async fn connect(&self, #[zbus(connection)] connection: &Connection) -> Result<(), BluezError> {
        sleep(CONNECTING).await;
        let path = {
            let mut world = lock(&self.world);
            let glove = &mut world.gloves[self.glove];
            if glove.connected {
                return Ok(());
            }
            if !glove.connect() {
                return Err(BluezError::Failed("le-connection-abort-by-local".to_owned()));
            }
            glove.path()
        };
        changed(connection, &path, "org.bluez.Device1", "Connected", Variant::from(true)).await;
        let (connection, world, glove) = (connection.clone(), self.world.clone(), self.glove);
        zruntime::spawn(async move { resolve(&connection, &world, glove).await }).detach();
        Ok(())
    }

    async fn disconnect(&self, #[zbus(connection)] connection: &Connection) {
        drop_connection(connection, &self.world, self.glove).await;
    }

    #[zbus(property)]
    fn address(&self) -> String {
        lock(&self.world).gloves[self.glove].plan.address.to_owned()
    }

    #[zbus(property)]
    fn address_type(&self) -> String {
        "random".to_owned()
    }

    #[zbus(property)]
    fn name(&self) -> String {
        lock(&self.world).gloves[self.glove].plan.name.to_owned()
    }

    #[zbus(property)]
    fn alias(&self) -> String {
        self.name()
    }

    #[zbus(property, name = "UUIDs")]
    fn uuids(&self) -> Vec<String> {
        vec![profile::SERVICE.to_string()]
    }

    #[zbus(property, name = "RSSI")]
    fn rssi(&self) -> i16 {
        -60
    }

    #[zbus(property)]
    fn connected(&self) -> bool {
        lock(&self.world).gloves[self.glove].connected
    }

    #[zbus(property)]
    fn services_resolved(&self) -> bool {
        lock(&self.world).gloves[self.glove].resolved
    }

    #[zbus(property)]
    fn paired(&self) -> bool {
        false
    }

    #[zbus(property)]
    fn trusted(&self) -> bool {
        false
    }

    #[zbus(property)]
    fn blocked(&self) -> bool {
        false
    }

    #[zbus(property)]
    fn legacy_pairing(&self) -> bool {
        false
    }
}

struct Service {
    uuid: String,
}

#[interface(name = "org.bluez.GattService1")]
impl Service {
    #[zbus(property, name = "UUID")]
    fn uuid(&self) -> String {
        self.uuid.clone()
    }

    #[zbus(property)]
    fn primary(&self) -> bool {
        true
    }
}

struct Part {
    world: Shared,
    glove: usize,
    index: usize,
}

#[interface(name = "org.bluez.GattCharacteristic1")]
impl Part {
    fn start_notify(&self, #[zbus(header)] header: Header<'_>) {
        let host = header.sender().map(ToString::to_string);
        if self.index == FROM_GLOVE {
            lock(&self.world).gloves[self.glove].subscribe(host);
        }
    }

    fn stop_notify(&self) {
        lock(&self.world).gloves[self.glove].subscribed = false;
    }

    fn read_value(&self, _options: HashMap<String, OwnedVariant>) -> Vec<u8> {
        match self.index {
            BATTERY => vec![87],
            _ => lock(&self.world).gloves[self.glove].plan.serial.as_bytes().to_vec(),
        }
    }

    fn write_value(&self, value: Vec<u8>, _options: HashMap<String, OwnedVariant>) -> Result<(), BluezError> {
        let mut world = lock(&self.world);
        let glove = &mut world.gloves[self.glove];
        if self.index != TO_GLOVE || !glove.connected || value.len() > glove.plan.value_len {
            return Err(BluezError::NotConnected("not now".to_owned()));
        }
        if !glove.hangs {
            glove.hear(&value);
        }
        Ok(())
    }

    #[zbus(property, name = "UUID")]
    fn uuid(&self) -> String {
        (PARTS[self.index].uuid)()
    }

    #[zbus(property)]
    fn flags(&self) -> Vec<String> {
        PARTS[self.index].flags.iter().map(|flag| (*flag).to_owned()).collect()
    }

    #[zbus(property, name = "MTU")]
    fn mtu(&self) -> u16 {
        lock(&self.world).gloves[self.glove].plan.value_len as u16 + 3
    }
}
