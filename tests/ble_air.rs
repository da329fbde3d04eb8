//! The real Bluetooth library against an emulated system Bluetooth on a private bus: the daemon as a user
//! starts it, with drops, failed connections, a hung link, a vanished radio, lost and doubled values.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod bluez;
    pub mod steady;
}

use hingeclock::sample::DeviceDescription;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use support::binary::{Running, code, errors, hingeclock, recording, run};
use support::bluez::world::{Counts, Glove, Happening, Plan};
use support::bluez::{Bluez, lock};
use support::steady::{check_rows, script};

const KESTREL: &str = "C0:00:00:00:00:01";
const PLOVER: &str = "C0:00:00:00:00:02";

fn device(serial: &str) -> DeviceDescription {
    DeviceDescription { serial: Some(serial.to_owned()), ..DeviceDescription::default() }
}

fn glove(plan: Plan, seconds: f64) -> Glove {
    let device = device(plan.serial);
    Glove::new(plan, script(&device, seconds))
}

fn kestrel() -> Plan {
    Plan::good(KESTREL, "Kestrel 7", "KP-0007")
}

fn plover() -> Plan {
    Plan::good(PLOVER, "Plover", "KP-0008")
}

/// The daemon on the emulator's air; it has a folder and a settings file of its own.
fn daemon(bluez: &Bluez, place: &Path, arguments: &[&str]) -> Running {
    let settings = place.join("player.toml");
    if !settings.exists() {
        std::fs::write(&settings, "# own\n").unwrap();
    }
    let folder = place.join("buckets");
    let mut command = hingeclock(&["run", "--ble", "--no-page", "--sound", "silent"]);
    command.args(arguments).arg("--folder").arg(folder).arg("--settings").arg(settings);
    command.env("DBUS_SYSTEM_BUS_ADDRESS", &bluez.address).env("XDG_RUNTIME_DIR", &bluez.session);
    Running(command.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap())
}

/// Types `stop`, waits for the end; gives the exit code and what was said.
fn stop(mut daemon: Running) -> (Option<i32>, String) {
    daemon.0.stdin.take().unwrap().write_all(b"stop\n").unwrap();
    end(&mut daemon.0)
}

fn end(child: &mut Child) -> (Option<i32>, String) {
    let mut said = String::new();
    child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
    (child.wait().unwrap().code(), said)
}

/// The rows that a recording gives.
fn exported(place: &Path) -> (PathBuf, String) {
    let recorded = recording(&place.join("buckets"));
    let csv = place.join("out.csv");
    let output = run(&["export", recorded.to_str().unwrap(), csv.to_str().unwrap()]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    (csv, errors(&output))
}

/// How long the hard run is, s of the script.
fn hard_seconds() -> f64 {
    std::env::var("BLE_SECONDS").ok().and_then(|text| text.parse().ok()).unwrap_or(20.0)
}

/// Everything that may go wrong, spread over the run.
fn hard(seconds: f64) -> Plan {
    let at = |share: f64| share * seconds;
    Plan {
        loss: 0.02,
        doubled: 0.01,
        faults_until_s: seconds - 2.0,
        seed: 7,
        happenings: vec![
            (at(0.15), Happening::Disconnect),
            (at(0.30), Happening::FailConnections(2)),
            (at(0.30), Happening::Disconnect),
            (at(0.50), Happening::Hang),
            (at(0.70), Happening::AdapterGone(1.0)),
        ],
        ..kestrel()
    }
}

#[test]
fn a_hard_run_over_the_air_loses_nothing() {
    let place = tempfile::tempdir().unwrap();
    let seconds = hard_seconds();
    let bluez = Bluez::start(&place.path().join("bus"), vec![glove(hard(seconds), seconds)]);
    let running = daemon(&bluez, place.path(), &["--glove", "kestrel 7"]);
    bluez.wait_until_over(0);
    let counts: Counts = lock(&bluez.world).gloves[0].counts.clone();
    let (code, said) = stop(running);
    println!("{seconds} s: {counts:?}\n{said}");
    assert_eq!(code, Some(0), "{said}");
    let (csv, notes) = exported(place.path());
    println!("{notes}");
    assert!(counts.lost > 0 && counts.doubled > 0 && counts.lost_in_breaks > 0, "{counts:?}");
    assert_eq!((counts.failed_connections, counts.connections), (2, 5), "{counts:?}");
    assert_eq!(counts.noticed_ms.len(), 1, "the hung link was let go");
    assert!(notes.contains("came when asked for again"), "{notes}");
    check_rows(&csv, &script(&device("KP-0007"), seconds));
    let settings = std::fs::read_to_string(place.path().join("player.toml")).unwrap();
    assert!(settings.contains(KESTREL) && settings.contains("KP-0007"), "{settings}");
}

/// A value of these holds whole frames, so a double is a whole reading too many.
#[test]
fn values_that_come_twice_stand_once() {
    let place = tempfile::tempdir().unwrap();
    let plan = Plan { value_len: 244, doubled: 0.5, faults_until_s: 5.0, seed: 3, ..kestrel() };
    let bluez = Bluez::start(&place.path().join("bus"), vec![glove(plan, 5.0)]);
    let running = daemon(&bluez, place.path(), &["--glove", KESTREL]);
    bluez.wait_until_over(0);
    let counts: Counts = lock(&bluez.world).gloves[0].counts.clone();
    let (code, said) = stop(running);
    assert_eq!(code, Some(0), "{said}");
    assert!(counts.doubled > 100, "{counts:?}");
    let (csv, notes) = exported(place.path());
    check_rows(&csv, &script(&device("KP-0007"), 5.0));
    assert_eq!(notes, "", "no frame was damaged, none asked for again");
}

#[test]
fn two_players_with_a_glove_each_do_not_disturb_each_other() {
    let places = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let plans = [kestrel(), plover()].map(|plan| Plan {
        loss: 0.02,
        faults_until_s: 6.0,
        happenings: vec![(3.0, Happening::Disconnect)],
        ..plan
    });
    let gloves = plans.map(|plan| glove(plan, 8.0)).into();
    let bluez = Bluez::start(&places[0].path().join("bus"), gloves);
    let running = [
        daemon(&bluez, places[0].path(), &["--glove", KESTREL]),
        daemon(&bluez, places[1].path(), &["--glove", PLOVER]),
    ];
    (0..2).for_each(|glove| bluez.wait_until_over(glove));
    for ((running, place), serial) in running.into_iter().zip(&places).zip(["KP-0007", "KP-0008"]) {
        let (code, said) = stop(running);
        assert_eq!(code, Some(0), "{said}");
        let (csv, _) = exported(place.path());
        check_rows(&csv, &script(&device(serial), 8.0));
        let about = std::fs::read_to_string(place.path().join("out.device.json")).unwrap();
        assert!(about.contains(serial), "{about}");
    }
}

#[test]
fn two_runs_never_share_a_glove_and_the_second_has_it_when_the_first_has_gone() {
    let places = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    let bluez = Bluez::start(&places[0].path().join("bus"), vec![glove(kestrel(), 1.0)]);
    let first = daemon(&bluez, places[0].path(), &["--glove", KESTREL]);
    bluez.wait_until_over(0);
    let (code, said) = end(&mut daemon(&bluez, places[1].path(), &["--glove", KESTREL, "--once"]).0);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("found it in use by another run"), "{said}");
    assert_eq!(lock(&bluez.world).gloves[0].counts.connections, 1, "the first was left alone");
    let (code, said) = stop(first);
    assert_eq!(code, Some(0), "{said}");
    check_rows(&exported(places[0].path()).0, &script(&device("KP-0007"), 1.0));
    std::fs::remove_dir_all(places[1].path().join("buckets")).unwrap();
    let second = daemon(&bluez, places[1].path(), &["--glove", KESTREL]);
    bluez.wait_until(|world| world.gloves[0].counts.connections == 2);
    assert_eq!(stop(second).0, Some(0));
}

#[test]
fn without_a_remembered_glove_those_within_reach_are_told_and_none_is_taken() {
    let place = tempfile::tempdir().unwrap();
    let gloves = vec![glove(kestrel(), 1.0), glove(plover(), 1.0)];
    let bluez = Bluez::start(&place.path().join("bus"), gloves);
    let (code, said) = end(&mut daemon(&bluez, place.path(), &[]).0);
    assert_eq!(code, Some(1), "{said}");
    for line in ["Kestrel 7 (C0:00:00:00:00:01, -60 dBm)", "Plover (C0:00:00:00:00:02, -60 dBm)", "--glove"] {
        assert!(said.contains(line), "{said}");
    }
    let connections: u64 = lock(&bluez.world).gloves.iter().map(|glove| glove.counts.connections).sum();
    assert_eq!(connections, 0);
}

#[test]
fn a_remembered_glove_is_taken_and_a_stranger_never_is() {
    let place = tempfile::tempdir().unwrap();
    let remembered = |serial: &str| {
        let text = format!("[glove]\naddress = \"{KESTREL}\"\nserial = \"{serial}\"\n");
        std::fs::write(place.path().join("player.toml"), text).unwrap();
    };
    // Another glove answers at the remembered address; a second one is there as well.
    let gloves = vec![glove(kestrel(), 1.0), glove(plover(), 1.0)];
    let bluez = Bluez::start(&place.path().join("bus"), gloves);
    remembered("KP-0001");
    let (code, said) = end(&mut daemon(&bluez, place.path(), &["--once"]).0);
    assert_eq!(code, Some(1), "{said}");
    assert!(said.contains("expected the glove with serial number KP-0001, found KP-0007"), "{said}");
    assert!(!lock(&bluez.world).gloves[0].peer.is_running(), "the stranger was not started");
    std::fs::remove_dir_all(place.path().join("buckets")).unwrap();
    remembered("KP-0007");
    let running = daemon(&bluez, place.path(), &[]);
    bluez.wait_until_over(0);
    let (code, said) = stop(running);
    assert_eq!(code, Some(0), "{said}");
    assert!(said.contains("battery 87 %"), "{said}");
    check_rows(&exported(place.path()).0, &script(&device("KP-0007"), 1.0));
    assert_eq!(lock(&bluez.world).gloves[1].counts, Counts::default(), "the other glove was left alone");
}

#[test]
fn a_machine_without_bluetooth_says_so() {
    let place = tempfile::tempdir().unwrap();
    let bluez_address = format!("unix:path={}", place.path().join("none").display());
    let mut command =
        hingeclock(&["run", "--ble", "--glove", "x", "--once", "--no-page", "--sound", "silent"]);
    command.arg("--folder").arg(place.path().join("buckets"));
    command.env("DBUS_SYSTEM_BUS_ADDRESS", bluez_address).current_dir(place.path());
    let output = command.output().unwrap();
    assert_eq!(code(&output), 1);
    assert!(
        errors(&output).contains("expected Bluetooth on this machine, found none"),
        "{}",
        errors(&output)
    );
}

#[test]
fn a_radio_is_found_and_nothing_searched_for() {
    let place = tempfile::tempdir().unwrap();
    let bluez = Bluez::start(&place.path().join("bus"), vec![glove(kestrel(), 1.0)]);
    let mut command = hingeclock(&["check", "--folder", place.path().to_str().unwrap()]);
    let output = command.env("DBUS_SYSTEM_BUS_ADDRESS", &bluez.address).output().unwrap();
    let said = String::from_utf8(output.stdout.clone()).unwrap();
    assert_eq!(code(&output), 0, "{said}");
    assert!(said.lines().any(|line| line.contains(" bluetooth ") && line.contains("hci0")), "{said}");
    assert!(said.ends_with("Ready: swings can be captured.\n"), "{said}");
    assert_eq!(lock(&bluez.world).gloves[0].counts, Counts::default());
}
