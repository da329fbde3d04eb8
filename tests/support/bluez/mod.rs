//! An emulated system Bluetooth: a private bus with the objects of BlueZ on it, and gloves within its reach.
//!
//! The gloves are firmware peers that play a script; [`world`] holds what goes wrong with them, [`objects`]
//! what the bus shows, [`pump`] moves bytes and time.
#![allow(dead_code, reason = "each test file uses its own part of this")]

pub mod objects;
pub mod pump;
pub mod world;

use busd::bus::Bus;
use hingeclock::device::host_clock::HostClock;
use hingeclock::units::HostTime;
use std::path::{Path, PathBuf};
use std::sync::mpsc::sync_channel;
use std::sync::{Arc, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::Duration;
use world::{Glove, World};

/// A bus waits so long for a slow client: test machines are slow at times.
const SEND_TIMEOUT: Duration = Duration::from_secs(20);

/// Longer than any run takes: a test that waits for it has failed.
const PATIENCE: HostTime = HostTime(600_000_000);

/// What all parts of the emulator share.
pub type Shared = Arc<Mutex<World>>;

/// The world, whatever happened to a thread that held it.
pub fn lock(world: &Shared) -> MutexGuard<'_, World> {
    world.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
}

/// A running emulator; it ends with the value.
pub struct Bluez {
    pub world: Shared,
    /// For `DBUS_SYSTEM_BUS_ADDRESS`.
    pub address: String,
    /// For `XDG_RUNTIME_DIR` of all who use this air.
    pub session: PathBuf,
    thread: Option<JoinHandle<()>>,
}

impl Bluez {
    /// Starts a bus at `socket` with these gloves within reach.
    pub fn start(socket: &Path, gloves: Vec<Glove>) -> Bluez {
        let world = Arc::new(Mutex::new(World::new(gloves)));
        let address = format!("unix:path={}", socket.display());
        let (ready, is_ready) = sync_channel(1);
        let (shared, at) = (world.clone(), address.clone());
        let thread = std::thread::spawn(move || {
            zruntime::block_on(async {
                let mut bus = Bus::for_address(Some(&at)).await.unwrap();
                bus.set_send_timeout(SEND_TIMEOUT);
                let running = zruntime::spawn(async move { bus.run().await });
                let connection = objects::connect(&at, &shared).await.unwrap();
                ready.send(()).unwrap();
                pump::run(&connection, &shared).await;
                drop(running);
            });
        });
        is_ready.recv().unwrap();
        let session = socket.parent().unwrap().to_owned();
        Bluez { world, address, session, thread: Some(thread) }
    }

    /// Waits until a glove has played its script and the host has asked for nothing for a while.
    pub fn wait_until_over(&self, glove: usize) {
        self.wait_until(|world| world.gloves[glove].is_over_and_quiet());
    }

    /// Waits until this is so.
    pub fn wait_until(&self, is_so: impl Fn(&World) -> bool) {
        let clock = HostClock::start();
        while !is_so(&lock(&self.world)) {
            assert!(clock.now() < PATIENCE, "what was waited for never came");
            std::thread::sleep(Duration::from_millis(50));
        }
    }
}

impl Drop for Bluez {
    fn drop(&mut self) {
        lock(&self.world).ended = true;
        let ended = self.thread.take().map(JoinHandle::join);
        assert!(std::thread::panicking() || ended.is_some_and(|ended| ended.is_ok()), "the emulator failed");
    }
}
