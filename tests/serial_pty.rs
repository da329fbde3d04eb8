//! A firmware peer on a real pseudo-terminal, the serial link at the other end.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that fails may panic")]

use firmware_protocol::{CommandKind, Decoder, FrameError};
use hingeclock::device::faults::Faults;
use hingeclock::device::frames::counts_to_units;
use hingeclock::device::host_clock::HostClock;
use hingeclock::device::pty::PtyLine;
use hingeclock::device::reconnect::ReconnectParams;
use hingeclock::device::serial::{self, SerialParams};
use hingeclock::device::session;
use hingeclock::device::{Assembler, LinkError, LinkEvent, Pace, Peer, PeerScript};
use hingeclock::sample::{Arrival, CalibrationPart, DeviceDescription, ImuSample, Marker, NodeRole};
use hingeclock::units::{DeviceTime, HostTime};
use std::path::Path;
use std::time::Duration;
use tokio::sync::mpsc;

/// Long enough for the slowest machine: a test that waits for it has failed.
const PATIENCE: Duration = Duration::from_secs(60);

fn sample(role: NodeRole, index: i64) -> Arrival {
    let counts = |axis: i64| ((index * 37 + axis * 1999) % 65_536 - 32_768) as i16;
    let values = |from: i64, full_scale| {
        [from, from + 1, from + 2].map(|axis| counts_to_units(counts(axis), full_scale))
    };
    Arrival::Sample(ImuSample {
        role,
        seq: 4000 + index as u32,
        t: DeviceTime(4_294_000_000 + index * 2000 + index % 7),
        rate_dps: values(0, 4000.0),
        specific_force_g: values(3, 32.0),
        received: None,
    })
}

fn marker(marker: Marker) -> Arrival {
    Arrival::Marker { received: None, marker }
}

/// Two nodes over the wrap of their 32-bit clocks, in bursts of 4 as a radio hands them on, markers
/// between them, and some readings that are not on the grid of counts.
fn script(bursts: i64) -> PeerScript {
    let mut items = Vec::new();
    for burst in 0..bursts {
        let at = HostTime(1_000_000 + burst * 8000);
        if burst % 50 == 3 {
            items.push((at, marker(Marker::Prompt(CalibrationPart::Hinge))));
            items.push((at, marker(Marker::Club("iron".to_owned()))));
        }
        for role in [NodeRole::Hand, NodeRole::Forearm] {
            items.extend((0..4).map(|index| (at, sample(role, burst * 4 + index))));
        }
        if burst % 20 == 7
            && let Some((_, Arrival::Sample(last))) = items.last_mut()
        {
            last.rate_dps[1] = f64::from(0.123_f32);
        }
    }
    let description = DeviceDescription { serial: Some("KP-0007".into()), ..DeviceDescription::default() };
    PeerScript::new(description, items).unwrap()
}

fn expected(script: &PeerScript) -> Vec<Arrival> {
    script.items().iter().map(|(_, arrival)| arrival.clone()).collect()
}

fn readings(arrivals: &[Arrival]) -> u64 {
    arrivals.iter().filter(|arrival| matches!(arrival, Arrival::Sample(_))).count() as u64
}

/// Everything that the link brought.
#[derive(Default)]
struct Taken {
    arrivals: Vec<Arrival>,
    errors: Vec<FrameError>,
    downs: Vec<LinkError>,
    opened: usize,
    raw: Vec<u8>,
}

impl Taken {
    fn take(&mut self, event: LinkEvent, decoder: &mut Decoder, assembler: &mut Assembler) {
        match event {
            LinkEvent::Opened { .. } => self.opened += 1,
            LinkEvent::Met(_) | LinkEvent::Silent { .. } => {}
            LinkEvent::Down { error, .. } => {
                self.errors.extend(decoder.finish());
                self.downs.push(error);
            }
            LinkEvent::Raw(piece) => {
                self.raw.extend(&piece.bytes);
                let mut bytes = &piece.bytes[..];
                while let Some(outcome) = decoder.pull(&mut bytes) {
                    match outcome {
                        Ok(frame) => drop(assembler.take(&frame, None, &mut self.arrivals).unwrap()),
                        Err(error) => self.errors.push(error),
                    }
                }
            }
        }
    }
}

/// Quick retries, so that the tests do not wait.
fn params(path: &Path) -> SerialParams {
    let reconnect =
        ReconnectParams { first_delay_us: 10_000, longest_delay_us: 50_000, ..ReconnectParams::default() };
    SerialParams { reconnect, ..SerialParams::new(path) }
}

/// Opens the link at `path` and takes what comes until `enough`.
async fn take_until(
    path: &Path,
    taken: &mut Taken,
    assembler: &mut Assembler,
    enough: impl Fn(&Taken) -> bool,
) {
    let (events, mut incoming) = mpsc::channel(64);
    let (commands, outgoing) = mpsc::channel(4);
    let link = tokio::spawn(serial::run(params(path), HostClock::start(), events, outgoing));
    commands.send(session::command(2, CommandKind::Identify)).await.unwrap();
    let mut decoder = Decoder::new();
    while !enough(taken) {
        let event = tokio::time::timeout(PATIENCE, incoming.recv()).await.expect("nothing comes any more");
        taken.take(event.expect("the link ended"), &mut decoder, assembler);
    }
    drop(incoming);
    tokio::time::timeout(PATIENCE, link).await.expect("the link goes on").unwrap();
}

/// Plays a script over a pseudo-terminal, as fast as it goes, until its port vanishes.
async fn play(peer: Peer) -> (Peer, Taken, Assembler) {
    play_at(peer, Pace::Unpaced).await
}

async fn play_at(mut peer: Peer, pace: Pace) -> (Peer, Taken, Assembler) {
    let line = PtyLine::open().unwrap();
    let path = line.path().to_owned();
    let glove = tokio::spawn(async move {
        line.run(&mut peer, pace, HostClock::start()).await.unwrap();
        peer
    });
    let (mut taken, mut assembler) = (Taken::default(), Assembler::new());
    take_until(&path, &mut taken, &mut assembler, |taken| !taken.downs.is_empty()).await;
    (glove.await.unwrap(), taken, assembler)
}

/// Tries a path until the link has failed so often; gives what it said.
async fn failures_at(path: &Path, count: usize) -> Vec<LinkError> {
    let (mut taken, mut assembler) = (Taken::default(), Assembler::new());
    take_until(path, &mut taken, &mut assembler, |taken| taken.downs.len() == count).await;
    taken.downs
}

#[tokio::test(flavor = "multi_thread")]
async fn every_arrival_comes_identical_and_in_order() {
    let script = script(500);
    let (_, taken, assembler) = play(Peer::new(script.clone(), Faults::default())).await;
    assert_eq!(taken.errors, []);
    assert_eq!(taken.arrivals.len(), script.items().len());
    assert!(taken.arrivals == expected(&script), "the arrivals differ");
    assert_eq!(assembler.description(), script.description());
    assert!(assembler.gaps().all(|(_, gaps)| (gaps.lost, gaps.received) == (0, 2000)));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_paced_script_comes_whole_too() {
    let script = script(50);
    for pace in [Pace::Times(1.0), Pace::Times(20.0)] {
        let (_, taken, _) = play_at(Peer::new(script.clone(), Faults::default()), pace).await;
        assert!(taken.arrivals == expected(&script), "{pace:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn exactly_the_damaged_frames_are_missing_and_reported() {
    let script = script(500);
    let faults = Faults { seed: 11, corruption: 0.05, ..Faults::default() };
    let (peer, taken, assembler) = play(Peer::new(script.clone(), faults)).await;
    let mut whole = expected(&script);
    for spoilt in peer.spoilt().iter().rev() {
        whole.drain(spoilt.clone());
    }
    assert!(peer.counts().damaged > 20);
    assert!(taken.arrivals == whole, "other arrivals than the whole ones");
    assert!(taken.errors.len() as u64 >= peer.counts().damaged, "{} reported", taken.errors.len());
    let missing: u64 = assembler.gaps().map(|(_, gaps)| gaps.lost).sum();
    assert_eq!(missing, readings(&expected(&script)) - readings(&whole));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_vanished_port_is_reported_and_nothing_received_is_lost() {
    let script = script(20);
    let (_, taken, _) = play(Peer::new(script.clone(), Faults::default())).await;
    assert!(matches!(taken.downs[..], [LinkError::Vanished { .. }]), "{:?}", taken.downs);
    assert!(taken.downs[0].to_string().contains("vanished while it was read"));
    assert!(taken.arrivals == expected(&script), "what was sent before is there");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_host_may_close_and_open_the_port() {
    let script = script(2000);
    let mut peer = Peer::new(script.clone(), Faults::default());
    let line = PtyLine::open().unwrap();
    let path = line.path().to_owned();
    let glove = tokio::spawn(async move { line.run(&mut peer, Pace::Unpaced, HostClock::start()).await });
    let (mut taken, mut assembler) = (Taken::default(), Assembler::new());
    take_until(&path, &mut taken, &mut assembler, |taken| taken.arrivals.len() > 1000).await;
    let before = taken.arrivals.len();
    take_until(&path, &mut taken, &mut assembler, |taken| !taken.downs.is_empty()).await;
    glove.await.unwrap().unwrap();
    assert_eq!(taken.opened, 2);
    let all = expected(&script);
    assert!(taken.arrivals[..before] == all[..before], "the first opening gives the start");
    assert!(all.ends_with(&taken.arrivals[before..]), "the second opening goes on to the end");
    // What the first opening had read but not handed on is gone; all that is missing is counted.
    let lost: u64 = assembler.gaps().map(|(_, gaps)| gaps.lost).sum();
    assert_eq!(readings(&all) - readings(&taken.arrivals), lost);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_port_that_is_not_there_is_waited_for() {
    for down in failures_at(Path::new("/dev/hingeclock-no-such-port"), 3).await {
        assert_eq!(
            down.to_string(),
            "expected a serial port at /dev/hingeclock-no-such-port, found none (unplugged, or another name?)"
        );
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_no_port_is_named() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("notes.txt");
    std::fs::write(&path, "not a port").unwrap();
    let downs = failures_at(&path, 1).await;
    assert!(matches!(downs[..], [LinkError::NotAPort { .. }]), "{downs:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_port_in_use_is_named() {
    let line = PtyLine::open().unwrap();
    let path = line.path().to_owned();
    let held = tokio_serial::SerialStream::open(&tokio_serial::new(path.to_string_lossy(), 115_200)).unwrap();
    let downs = failures_at(&path, 1).await;
    drop(held);
    assert!(matches!(downs[..], [LinkError::Busy { .. }]), "{downs:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn missing_rights_are_named() {
    use std::os::unix::fs::PermissionsExt;
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("port");
    std::fs::write(&path, "").unwrap();
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o000)).unwrap();
    if std::fs::File::open(&path).is_ok() {
        eprintln!("SKIPPED: this user may open everything, missing rights cannot be tried");
        return;
    }
    let downs = failures_at(&path, 1).await;
    assert!(matches!(downs[..], [LinkError::NoRights { .. }]), "{downs:?}");
}

/// The raw pieces are the whole truth: decoding them again gives the same arrivals.
#[tokio::test(flavor = "multi_thread")]
async fn raw_pieces_decode_again_to_the_same_arrivals() {
    let faults = Faults { seed: 3, corruption: 0.1, duplicate: 0.1, loss: 0.1, ..Faults::default() };
    let (_, taken, _) = play(Peer::new(script(60), faults)).await;
    let (mut decoder, mut assembler, mut again) = (Decoder::new(), Assembler::new(), Vec::new());
    let mut bytes = &taken.raw[..];
    while let Some(outcome) = decoder.pull(&mut bytes) {
        if let Ok(frame) = outcome {
            assembler.take(&frame, None, &mut again).unwrap();
        }
    }
    assert!(!again.is_empty() && again == taken.arrivals);
}
