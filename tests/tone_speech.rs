//! The spoken number: with a speech program of the test's own, without one, with one that fails, with the real one.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}
mod tone_common;

use hingeclock::tone::{Speaker, Volume};
use std::fs::Permissions;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Output;
use std::time::Duration;
use support::binary::{code, emulate, errors, hingeclock, recording, swings};
use tone_common::listen;

/// The tone that stands for words, far from every pitch of a cue.
const WORDS_HZ: f64 = 2000.0;

/// A program in `folder` that goes by the name of the real one and notes its arguments.
fn fake(folder: &Path, last: &str) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 22_050,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut words = hound::WavWriter::create(folder.join("words.wav"), spec).unwrap();
    // They begin with a little silence, as real ones do.
    for i in 0..4400 {
        let turn = std::f64::consts::TAU * WORDS_HZ * f64::from(i) / 22_050.0;
        let size = if i < 1100 { 0.0 } else { 32_000.0 };
        words.write_sample((turn.sin() * size) as i16).unwrap();
    }
    words.finalize().unwrap();
    let here = folder.display();
    let script =
        format!("#!/bin/sh\n[ \"$1\" = --version ] && exit 0\necho \"$@\" >> {here}/asked\n{last}\n");
    std::fs::write(folder.join("espeak-ng"), script).unwrap();
    std::fs::set_permissions(folder.join("espeak-ng"), Permissions::from_mode(0o755)).unwrap();
}

/// A bucket through the daemon with these programs at hand, its sounds to a file.
fn bucket(programs: &Path, folder: &Path, speak: &str) -> Output {
    // It stays for the words of the last swing.
    let (_glove, port) = emulate(&["--bucket", "left-handed", "--speed", "6", "--linger-s", "5"]);
    let sound = format!("wav:{}", programs.join("cues.wav").display());
    let arguments = ["run", "--port", &port, "--folder", folder.to_str().unwrap(), "--once", "--no-page"];
    let mut daemon = hingeclock(&arguments);
    daemon.args(["--plain", "--sound", &sound, "--speak", speak]);
    // The fake program is a script, which needs the usual ones behind it.
    daemon.env("PATH", format!("{}:/bin", programs.display()));
    daemon.output().unwrap()
}

#[test]
fn the_number_is_spoken_after_the_cue_of_every_swing() {
    let (programs, folder) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    fake(programs.path(), &format!("cat {}/words.wav", programs.path().display()));
    let output = bucket(programs.path(), folder.path(), "set");
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let asked = std::fs::read_to_string(programs.path().join("asked")).unwrap();
    let measured = swings(&recording(folder.path()));
    let measured = measured.as_array().unwrap();
    assert_eq!((asked.lines().count(), measured.len()), (4, 4), "{asked}");
    for (line, swing) in asked.lines().zip(measured) {
        let ms = swing["set_to_top_ms"].as_f64().unwrap();
        let said = line.strip_prefix("--stdout -s 170 -- ").unwrap().strip_suffix(" before").unwrap();
        // The analysis of the whole bucket differs from what was known then by a few ms, and 10 are a step.
        assert!((said.parse::<f64>().unwrap() + ms).abs() < 15.0, "said {line}, measured {ms}");
    }
    let reader = hound::WavReader::open(programs.path().join("cues.wav")).unwrap();
    let rate_hz = f64::from(reader.spec().sample_rate);
    let samples: Vec<f32> =
        reader.into_samples::<i16>().map(|sample| f32::from(sample.unwrap()) / 32_767.0).collect();
    let heard = listen(&samples, rate_hz);
    let words: Vec<usize> =
        (0..heard.len()).filter(|i| (heard[*i].pitch_hz - WORDS_HZ).abs() < 10.0).collect();
    assert_eq!(words.len(), 4, "{heard:#?}");
    assert!(words[0] > 0 && words.windows(2).all(|two| two[1] > two[0] + 1), "a cue before each: {heard:#?}");
    // The settings' volume is half of the loudest that is allowed.
    let peak = samples.iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
    assert!(peak < 0.2512, "{peak}");
}

fn silent_with(last: Option<&str>, sentence: &str) {
    let (programs, folder) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    if let Some(last) = last {
        fake(programs.path(), last);
    }
    let (_glove, port) = emulate(&["--bucket", "left-handed", "--speed", "12"]);
    let arguments =
        ["run", "--port", &port, "--folder", folder.path().to_str().unwrap(), "--once", "--no-page"];
    let mut daemon = hingeclock(&arguments);
    let sound = format!("wav:{}", programs.path().join("cues.wav").display());
    daemon.args(["--plain", "--sound", &sound, "--speak", "travel"]).env("PATH", programs.path());
    let output = daemon.output().unwrap();
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let said = errors(&output);
    assert!(said.contains(sentence), "{said}");
    assert!(said.matches(" early").count() + said.matches("window").count() > 0, "swings are told: {said}");
    let reader = hound::WavReader::open(programs.path().join("cues.wav")).unwrap();
    let sounds = reader.into_samples::<i16>().filter(|sample| sample.as_ref().is_ok_and(|s| *s != 0)).count();
    assert!(sounds > 4 * 2000, "the cues are heard all the same: {sounds}");
}

#[test]
fn without_a_speech_program_that_is_said_once() {
    silent_with(None, "no number is spoken: expected a speech program (espeak-ng or espeak), found none");
}

#[test]
fn a_speech_program_that_fails_costs_the_words_only() {
    silent_with(Some("exit 7"), "no number is spoken: espeak-ng: exit status: 7");
}

#[test]
fn the_real_program_speaks_at_the_volume() {
    let Some(speaker) = Speaker::start(Volume::default()) else {
        eprintln!("skipped: no speech program (Debian: espeak-ng)");
        return;
    };
    speaker.say("380 before");
    let spoken = (0..1000).find_map(|_| {
        std::thread::sleep(Duration::from_millis(10));
        speaker.take()
    });
    let speech = spoken.expect("within ten seconds").unwrap();
    let seconds = speech.samples().len() as f64 / 48_000.0;
    assert!((0.5..5.0).contains(&seconds), "{seconds} s");
    let peak = speech.samples().iter().fold(0.0_f32, |peak, sample| peak.max(sample.abs()));
    assert!((f64::from(peak) - Volume::default().peak_amplitude()).abs() < 1e-4, "{peak}");
    let loud = speech.samples().iter().filter(|sample| sample.abs() > 0.1 * peak).count();
    assert!(loud as f64 > 0.05 * speech.samples().len() as f64, "it is no click: {loud}");
}
