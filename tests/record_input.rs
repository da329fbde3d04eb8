//! Both kinds of input give the same session: a raw CSV, and a recording of a glove that played it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use firmware_protocol::{CommandKind, Splitter};
use hingeclock::device::faults::Faults;
use hingeclock::device::session::{command, greeting};
use hingeclock::device::{Peer, PeerScript, RawPiece};
use hingeclock::record::{
    FileDisk, Names, Recorded, RecordingWriter, SessionInfo, create_recording, export_csv, open_input,
};
use hingeclock::sample::{Arrival, CalibrationPart, DeviceDescription, ImuSample, Marker, NodeRole};
use hingeclock::units::{DeviceTime, HostTime, PlayerHand, WallTime};
use std::fs;
use std::path::{Path, PathBuf};

fn session_info(start: HostTime) -> SessionInfo {
    SessionInfo {
        player: "Robin".to_owned(),
        player_hand: PlayerHand::Left,
        clubs: vec!["driver".to_owned()],
        software: "hingeclock 0.1.0".to_owned(),
        started: WallTime(1_700_000_000_000),
        host_at_start: start,
    }
}

/// Has a firmware peer play arrivals over a link, and records every raw piece.
fn recorded(folder: &Path, device: &DeviceDescription, arrivals: Vec<Arrival>, faults: Faults) -> PathBuf {
    let script = PeerScript::from_arrivals(device.clone(), arrivals).unwrap();
    let mut peer = Peer::new(script, faults);
    peer.hear(&greeting());
    peer.hear(&command(1, CommandKind::Start));
    let mut now = peer.start();
    let (path, storage) = create_recording(&mut FileDisk, folder, WallTime(0)).unwrap();
    let mut writer = RecordingWriter::new(storage, &session_info(now)).unwrap();
    let mut splitter = Splitter::new();
    while !peer.is_over() {
        let mut bytes = Vec::new();
        peer.poll(now, &mut bytes);
        let mut rest = bytes.as_slice();
        while let Some(piece) = splitter.pull(&mut rest) {
            let (whole, bytes) = (piece.is_whole(), piece.bytes.to_vec());
            writer.write(&Recorded::Piece(RawPiece { received: now, bytes, whole })).unwrap();
            writer.tick(now).unwrap();
        }
        now = peer.next_due().map_or(now, |due| due.max(now));
    }
    writer.finish().unwrap();
    path
}

/// Two nodes at 500 Hz for some seconds, values on the count grid, markers between.
fn made_session(device: &DeviceDescription) -> Vec<Arrival> {
    let mut arrivals = Vec::new();
    for at in 0..1500_i64 {
        let received = Some(HostTime(5_000_000 + 2000 * at));
        if at % 500 == 3 {
            let marker = [
                Marker::Club("driver".to_owned()),
                Marker::Prompt(CalibrationPart::Flex),
                Marker::Note { kind: "mark".to_owned(), value: "Sam".to_owned() },
            ][at as usize / 500]
                .clone();
            arrivals.push(Arrival::Marker { received: Some(HostTime(5_000_000 + 2000 * at - 1)), marker });
        }
        for node in &device.nodes {
            let value = |axis: i64, full_scale: f64| {
                let counts = (at * 37 + axis * 7919) % 32_768 * if at % 2 == 0 { 1 } else { -1 };
                f64::from(counts as i16) * full_scale / 32768.0
            };
            arrivals.push(Arrival::Sample(ImuSample {
                role: node.role,
                seq: 65_000 + at as u32,
                t: DeviceTime((1_i64 << 32) - 1_000_000 + 2000 * at + i64::from(node.role.number())),
                rate_dps: [0, 1, 2].map(|axis| value(axis, node.gyro_full_scale_dps)),
                specific_force_g: [3, 4, 5].map(|axis| value(axis, node.acc_full_scale_g)),
                received,
            }));
        }
    }
    arrivals
}

fn samples(path: &Path, role: NodeRole) -> Vec<(u32, DeviceTime, [f64; 3], [f64; 3])> {
    let arrivals = open_input(path).unwrap().arrivals.map(Result::unwrap);
    let of_role = |arrival| match arrival {
        Arrival::Sample(sample) if sample.role == role => Some(sample),
        _ => None,
    };
    arrivals.filter_map(of_role).map(|s| (s.seq, s.t, s.rate_dps, s.specific_force_g)).collect()
}

fn markers(path: &Path) -> Vec<Marker> {
    let arrivals = open_input(path).unwrap().arrivals.map(Result::unwrap);
    arrivals
        .filter_map(|arrival| match arrival {
            Arrival::Marker { marker, .. } => Some(marker),
            Arrival::Sample(_) => None,
        })
        .collect()
}

#[test]
fn a_recording_gives_the_arrivals_that_the_glove_played() {
    let folder = tempfile::tempdir().unwrap();
    let device = DeviceDescription::default();
    let arrivals = made_session(&device);
    let path = recorded(folder.path(), &device, arrivals.clone(), Faults::default());
    let mut input = open_input(&path).unwrap();
    assert_eq!(input.device, device);
    let strip = |arrival: Arrival| match arrival {
        Arrival::Sample(sample) => Arrival::Sample(ImuSample { received: None, ..sample }),
        Arrival::Marker { marker, .. } => Arrival::Marker { received: None, marker },
    };
    let found: Vec<Arrival> = input.arrivals.by_ref().map(Result::unwrap).map(strip).collect();
    let expected: Vec<Arrival> = arrivals.into_iter().map(strip).collect();
    assert!(found == expected, "{} of {}", found.len(), expected.len());
    let report = input.report();
    assert_eq!((report.samples_read, report.data_was_lost()), (3000, false));
    assert_eq!(report.notes, Vec::<String>::new());
}

#[test]
fn a_recording_and_its_export_are_the_same_session() {
    let folder = tempfile::tempdir().unwrap();
    let device = DeviceDescription::default();
    let path = recorded(folder.path(), &device, made_session(&device), Faults::default());
    let out = folder.path().join("out.csv.gz");
    let exported = export_csv(open_input(&path).unwrap(), &out, Names::Keep).unwrap();
    assert_eq!((exported.samples, exported.markers), (3000, 3));
    for role in [NodeRole::Hand, NodeRole::Forearm] {
        assert!(samples(&path, role) == samples(&out, role), "{role:?}");
    }
    assert_eq!(markers(&path), markers(&out));
}

#[test]
fn pieces_that_came_damaged_are_noted_and_the_rest_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let device = DeviceDescription::default();
    let faults = Faults { seed: 1, corruption: 0.2, ..Faults::default() };
    let path = recorded(folder.path(), &device, made_session(&device), faults);
    let mut input = open_input(&path).unwrap();
    let found = input.arrivals.by_ref().map(Result::unwrap).count();
    assert!(found > 1000 && found < 3000, "{found}");
    let report = input.report();
    assert!(!report.data_was_lost());
    assert!(report.notes[0].contains("pieces hold no usable frame"), "{:?}", report.notes);
}

#[test]
fn a_torn_recording_gives_what_came_before_and_tells_the_loss() {
    let folder = tempfile::tempdir().unwrap();
    let device = DeviceDescription::default();
    let path = recorded(folder.path(), &device, made_session(&device), Faults::default());
    let bytes = fs::read(&path).unwrap();
    fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let mut input = open_input(&path).unwrap();
    let found = input.arrivals.by_ref().map(Result::unwrap).count();
    assert!(found > 1000 && found < 2000, "{found}");
    assert!(input.report().data_was_lost());
}

#[test]
fn a_recording_without_a_glove_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let (path, storage) = create_recording(&mut FileDisk, folder.path(), WallTime(0)).unwrap();
    RecordingWriter::new(storage, &session_info(HostTime(0))).unwrap().finish().unwrap();
    let mut input = open_input(&path).unwrap();
    assert_eq!(input.device.player_hand, PlayerHand::Left);
    let error = input.arrivals.next().unwrap().unwrap_err().to_string();
    assert!(
        error.ends_with("expected at least one sample, found none in 0 pieces: the glove sent nothing"),
        "{error}"
    );
    assert!(input.arrivals.next().is_none());
}

#[test]
fn the_example_sessions_are_the_same_from_a_csv_and_from_a_recording() {
    for name in ["s1", "s2", "s3"] {
        let csv = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("../shared/data/example-sessions")
            .join(format!("{name}.csv.gz"));
        if !csv.exists() {
            eprintln!("SKIPPED: {} is absent", csv.display());
            return;
        }
        let folder = tempfile::tempdir().unwrap();
        let input = open_input(&csv).unwrap();
        let device = input.device.clone();
        let arrivals = input.arrivals.map(Result::unwrap).collect();
        let path = recorded(folder.path(), &device, arrivals, Faults::default());
        assert_eq!(open_input(&path).unwrap().device, device, "{name}");
        for role in [NodeRole::Hand, NodeRole::Forearm] {
            assert!(samples(&path, role) == samples(&csv, role), "{name}, {role:?}");
        }
        assert_eq!(markers(&path), markers(&csv), "{name}");
        let (from, to) = (fs::metadata(&csv).unwrap().len(), fs::metadata(&path).unwrap().len());
        eprintln!("{name}: {from} bytes as a gzipped CSV, {to} as a recording");
    }
}
