//! Vectors, specification, header and C peer agree with the crate, byte for byte.
//!
//! With HINGECLOCK_REWRITE=1 the vectors and the header are written anew; look at the difference.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that fails may panic")]

mod common;

use common::{fields, hex, unhex, wire};
use firmware_protocol::*;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command as Process;

fn file(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(name)
}

fn rewriting() -> bool {
    std::env::var_os("HINGECLOCK_REWRITE").is_some()
}

/// Compares a file with what it should be, or writes it.
fn check_file(name: &str, expected: &str) {
    if rewriting() {
        fs::write(file(name), expected).unwrap();
    }
    let found = fs::read_to_string(file(name)).unwrap();
    assert!(found == expected, "{name} has drifted; expected:\n{expected}");
}

fn sample(seq: u32, t_us: u32, counts: [i16; 6]) -> WireSample {
    WireSample { seq, t_us, reading: Reading::Counts(counts) }
}

/// Three readings of the hand node, over the wrap of its 32-bit clock.
fn counts_batch() -> BatchBuilder {
    let mut batch = BatchBuilder::new(0, sample(4891, 4_294_966_296, [8, -3, 5, -999, -184, 137])).unwrap();
    batch.push(sample(4892, 1000, [7, -2, 4, -999, -184, 139])).unwrap();
    batch.push(sample(4893, 3004, [0, 32767, -32768, 256, 0, -1])).unwrap();
    batch
}

fn floats_batch() -> BatchBuilder {
    let reading = |gx| Reading::Floats([gx, -0.25, 2684.5, 1.0, 0.0, -20.5]);
    let mut batch =
        BatchBuilder::new(1, WireSample { seq: u32::MAX, t_us: 7, reading: reading(1.5) }).unwrap();
    batch.push(WireSample { seq: 0, t_us: 65_542, reading: reading(-3000.0) }).unwrap();
    batch
}

fn node_info() -> NodeInfo {
    NodeInfo {
        node: 0,
        role: Role::Hand,
        rate_hz: 500.0,
        gyro_full_scale_dps: 4000.0,
        acc_full_scale_g: 32.0,
        bandwidth_hz: Some(210.5),
        temperature_centi_c: Some(-150),
        segment_from_sensor: [0.0, 0.0, -1.0, -1.0, 0.0, 0.0, 0.0, 1.0, 0.0],
        now_us: 4_294_966_296,
    }
}

/// Gives every named frame to `say`, in the order of the vectors.
fn each_vector(say: &mut dyn FnMut(&str, Frame<'_>)) {
    let command = |kind| Frame::Command(Command { id: 513, kind });
    say(
        "hello",
        Frame::Hello(Hello {
            version: Version { major: 1, minor: 0 },
            glove_id: 0x0123_4567_89AB_CDEF,
            now_us: 36_717_958,
        }),
    );
    let info = DeviceInfo {
        player_hand: Some(PlayerHand::Right),
        serial: "KP-0007",
        firmware: "1.4.2",
        hardware: "rev C",
    };
    say("device-info", Frame::DeviceInfo(info));
    let nothing = DeviceInfo { player_hand: None, serial: "", firmware: "", hardware: "" };
    say("device-info-unknown", Frame::DeviceInfo(nothing));
    say("node-info", Frame::NodeInfo(node_info()));
    let unknown = NodeInfo {
        node: 1,
        role: Role::Forearm,
        bandwidth_hz: None,
        temperature_centi_c: None,
        ..node_info()
    };
    say("node-info-unknown", Frame::NodeInfo(unknown));
    say("samples-counts", Frame::Samples(counts_batch().samples()));
    say("samples-floats", Frame::Samples(floats_batch().samples()));
    say("battery", Frame::Battery(Battery { node: 0, millivolts: 4100, percent: Some(87) }));
    say("battery-unknown", Frame::Battery(Battery { node: 1, millivolts: 3712, percent: None }));
    let button = Button { node: 0, button: 2, action: ButtonAction::LongPress, t_us: 65_536 };
    say("button", Frame::Button(button));
    say("annotation", Frame::Annotation(Annotation { t_us: 1_000_000, kind: "club", value: "7 iron" }));
    say("annotation-utf8", Frame::Annotation(Annotation { t_us: 0, kind: "mark", value: "höher ↑" }));
    say("ack", Frame::Ack(Ack { command_id: 513, status: AckStatus::NotKept }));
    say("host-hello", Frame::HostHello(HostHello { version: Version { major: 1, minor: 0 } }));
    say("start", command(CommandKind::Start));
    say("stop", command(CommandKind::Stop));
    say("set-rate", command(CommandKind::SetRate { node: 1, rate_hz: 833.25 }));
    let ranges = CommandKind::SetRanges { node: 0, gyro_full_scale_dps: 4000.0, acc_full_scale_g: 32.0 };
    say("set-ranges", command(ranges));
    say("identify", command(CommandKind::Identify));
    say("request-missed", command(CommandKind::RequestMissed { node: 1, first_seq: 70_000, count: 300 }));
    let long: Vec<u8> = (0..510).map(|index| (index % 255) as u8 + 1).collect();
    say("reserved-type", Frame::Unknown { frame_type: 0x3F, payload: &[0, 1, 0] });
    say("longest", Frame::Unknown { frame_type: 0x3F, payload: &[&long[..], &[0xFF]].concat() });
}

#[test]
fn frame_vectors_hold() {
    let mut text = String::from("# name, bytes on the wire, fields. Written by tests/vectors.rs.\n");
    each_vector(&mut |name, frame| {
        let bytes = wire(&frame);
        write!(text, "\n[{name}]\nwire = {}\n{}", hex(&bytes), fields(&frame)).unwrap();
        let mut scratch = [0; MAX_DECODED];
        assert_eq!(decode_piece(&bytes, &mut scratch), Ok(frame), "{name}");
    });
    check_file("vectors/frames.txt", &text);
}

/// Sections of a vectors file: name and wire bytes, then the other lines.
fn sections(name: &str) -> Vec<(String, Vec<u8>, String)> {
    let text = fs::read_to_string(file(name)).unwrap();
    let sections = text.split("\n[").skip(1).map(|section| {
        let (name, rest) = section.split_once("]\nwire = ").unwrap();
        let (bytes, rest) = rest.split_once('\n').unwrap();
        (name.to_owned(), unhex(bytes), rest.to_owned())
    });
    sections.collect()
}

/// The name of an error in `vectors/bad.txt`.
fn error_word(error: &FrameError) -> &'static str {
    match error {
        FrameError::Empty => "empty",
        FrameError::Unterminated { .. } => "unterminated",
        FrameError::TooLong { .. } => "too-long",
        FrameError::Stuffing(_) => "stuffing",
        FrameError::TooShort { .. } => "too-short",
        FrameError::Crc { .. } => "crc",
        FrameError::Length { .. } => "length",
        FrameError::Value { .. } => "value",
        FrameError::Text { .. } => "text",
    }
}

#[test]
fn bad_vectors_are_refused_as_they_say() {
    let bad = sections("vectors/bad.txt");
    assert!(bad.len() >= 12);
    for (name, bytes, rest) in bad {
        let error = decode_piece(&bytes, &mut [0; MAX_DECODED]).unwrap_err();
        assert_eq!(format!("error = {}", error_word(&error)), rest.trim_end(), "{name}: {error}");
    }
}

/// Worked bytes of the specification: fenced blocks that start with "```wire NAME".
fn worked_bytes() -> Vec<(String, Vec<u8>)> {
    let text = fs::read_to_string(file("SPEC.md")).unwrap();
    let blocks = text.split("```wire ").skip(1).map(|block| {
        let (name, rest) = block.split_once('\n').unwrap();
        (name.trim().to_owned(), unhex(rest.split("```").next().unwrap()))
    });
    blocks.collect()
}

#[test]
fn worked_bytes_of_the_specification_are_the_vectors() {
    let vectors = sections("vectors/frames.txt");
    let worked = worked_bytes();
    for (name, bytes) in &worked {
        let vector = vectors.iter().find(|(other, ..)| other == name);
        let (_, expected, _) = vector.unwrap_or_else(|| panic!("SPEC.md works out {name}, no vector does"));
        assert_eq!(hex(bytes), hex(expected), "SPEC.md, {name}");
    }
    let mut types: Vec<u8> = worked
        .iter()
        .map(|(_, bytes)| decode_piece(bytes, &mut [0; MAX_DECODED]).unwrap().frame_type())
        .collect();
    types.sort_unstable();
    types.dedup();
    assert_eq!(types, [1, 2, 3, 4, 5, 6, 7, 8, 0x80, 0x81], "every type has worked bytes");
}

#[test]
fn the_header_is_generated_from_the_constants() {
    let config = cbindgen::Config {
        language: cbindgen::Language::C,
        cpp_compat: true,
        // Nothing that a compiler without a C library lacks.
        no_includes: true,
        include_guard: Some("HINGECLOCK_PROTOCOL_H".to_owned()),
        header: Some("/* Generated from src/constants.rs by tests/vectors.rs. Do not edit. */".to_owned()),
        documentation_style: cbindgen::DocumentationStyle::C,
        export: cbindgen::ExportConfig { prefix: Some("HC_".to_owned()), ..Default::default() },
        ..Default::default()
    };
    let mut generated = Vec::new();
    cbindgen::Builder::new()
        .with_src(file("src/constants.rs"))
        .with_config(config)
        .generate()
        .unwrap()
        .write(&mut generated);
    check_file("include/hingeclock_protocol.h", &String::from_utf8(generated).unwrap());
}

/// The C peer, written from the specification and the header alone, reads every vector and writes it again.
#[test]
fn the_c_peer_reads_and_writes_every_vector() {
    let directory = tempfile_dir();
    let program = directory.join("peer");
    let compiled = Process::new("cc")
        .args(["-std=c11", "-Wall", "-Wextra", "-Werror", "-O1", "-o"])
        .arg(&program)
        .arg("-I")
        .args([file("include"), file("c/codec.c"), file("c/peer.c")])
        .status();
    let Ok(status) = compiled else {
        eprintln!("SKIPPED: no C compiler `cc` here, the C peer was not run");
        return;
    };
    assert!(status.success(), "the C peer does not compile");
    for name in ["vectors/frames.txt", "vectors/bad.txt"] {
        let output = Process::new(&program).arg(file(name)).output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let said = String::from_utf8(output.stdout).unwrap();
        let expected = fs::read_to_string(file(name)).unwrap();
        let expected: Vec<&str> = expected.lines().filter(|line| !line.starts_with('#')).collect();
        for (said, expected) in said.lines().zip(&expected) {
            assert_eq!(said, *expected, "{name}");
        }
        assert_eq!(said.lines().count(), expected.len(), "{name}");
    }
    fs::remove_dir_all(directory).unwrap();
}

/// A directory of this test's own.
fn tempfile_dir() -> PathBuf {
    let directory = std::env::temp_dir().join(format!("hingeclock-c-peer-{}", std::process::id()));
    fs::create_dir_all(&directory).unwrap();
    directory
}
