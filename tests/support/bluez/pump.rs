//! Moves the emulator on: bytes of the gloves to the bus, and what happens to them when it is due.

use super::objects::{FROM_GLOVE, PARTS, drop_connection, plug_in, pull_out, sleep, value};
use super::world::Happening;
use super::{Shared, lock};
use std::time::Duration;
use zbus::Connection;

const STEP: Duration = Duration::from_millis(2);

/// Runs until the test is over.
pub async fn run(connection: &Connection, world: &Shared) {
    let count = lock(world).gloves.len();
    while !lock(world).ended {
        for glove in 0..count {
            let happening = lock(world).gloves[glove].happening();
            match happening {
                Some(Happening::Disconnect) => drop_connection(connection, world, glove).await,
                Some(Happening::AdapterGone(for_s)) => unplug(connection, world, for_s).await,
                Some(Happening::FailConnections(_) | Happening::Hang) | None => {}
            }
            send(connection, world, glove).await;
        }
        sleep(STEP).await;
    }
}

async fn send(connection: &Connection, world: &Shared, glove: usize) {
    let (path, host, values) = {
        let mut world = lock(world);
        let glove = &mut world.gloves[glove];
        (format!("{}/{}", glove.path(), PARTS[FROM_GLOVE].path), glove.host.clone(), glove.values())
    };
    for bytes in values {
        value(connection, &path, &host, bytes).await;
    }
}

/// The radio is away; the gloves go on meanwhile.
async fn unplug(connection: &Connection, world: &Shared, for_s: f64) {
    pull_out(connection, world).await.unwrap();
    sleep(Duration::from_secs_f64(for_s)).await;
    plug_in(connection, world).await.unwrap();
}
