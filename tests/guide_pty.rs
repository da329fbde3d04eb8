//! The guided calibration the whole way: a virtual player on a real pseudo-terminal, the daemon that leads, the
//! sounds in a file, the markers on disk.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}
mod tone_common;

use hingeclock::record::input::open_input;
use hingeclock::sample::{Arrival, CalibrationPart, Marker};
use hingeclock::tone::Cue;
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::process::Stdio;
use support::binary::{Running, code, emulate, errors, hingeclock, listen, recording, run};
use tone_common::Heard;

/// The markers that the host put into a recording about the calibration.
fn calibration_markers(recording: &Path) -> Vec<String> {
    let arrivals = open_input(recording).unwrap().arrivals;
    let words = arrivals.filter_map(|arrival| match arrival.unwrap() {
        Arrival::Marker { marker, .. }
            if matches!(marker, Marker::Prompt(_)) || marker.fields().0 == "calibration" =>
        {
            Some(marker.fields().1.to_owned())
        }
        _ => None,
    });
    let mut words: Vec<String> = words.collect();
    // Time to walk to the ball is given by asking again without a word.
    words.dedup();
    words
}

fn analysed(recording: &Path) -> Value {
    let output = run(&["analyze", recording.to_str().unwrap(), "--json"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn all_parts_and_done() -> Vec<String> {
    let parts = CalibrationPart::ALL.map(|(_, word)| word.to_owned());
    parts.into_iter().chain(["done".to_owned()]).collect()
}

fn check_calibration(object: &Value) {
    let calibration = &object["calibration"];
    assert_ne!(calibration["grade"], "poor", "{calibration:#}");
    let parts = calibration["parts"].as_array().unwrap();
    assert_eq!(parts.len(), 5);
    assert!(parts.iter().all(|part| part["problem"].is_null()), "{calibration:#}");
    assert!(calibration["hinge_axis_sd_deg"].as_f64().unwrap() > 0.0);
    let notes = object["notes"].as_array().unwrap();
    assert!(
        calibration["sentences"].as_array().unwrap().iter().all(|words| notes.contains(words)),
        "{object:#}"
    );
    assert_eq!(object["swings"].as_array().unwrap().len(), 2);
}

/// The cues of a sound file in order of time, read off their pitches.
fn cues_in(path: &Path) -> Vec<Cue> {
    let reader = hound::WavReader::open(path).unwrap();
    let rate_hz = f64::from(reader.spec().sample_rate);
    let samples: Vec<f32> = reader.into_samples::<i16>().map(|s| f32::from(s.unwrap()) / 32767.0).collect();
    let heard = tone_common::listen(&samples, rate_hz);
    let mut rest = &heard[..];
    let mut cues = Vec::new();
    while !rest.is_empty() {
        let begins = |cue: &Cue| {
            cue.pulses().len() <= rest.len()
                && cue
                    .pulses()
                    .iter()
                    .zip(rest)
                    .all(|(pulse, heard): (_, &Heard)| (pulse.pitch_hz - heard.pitch_hz).abs() < 12.0)
        };
        let cue = *Cue::ALL.iter().find(|cue| begins(cue)).unwrap_or_else(|| panic!("no cue: {rest:?}"));
        rest = &rest[cue.pulses().len()..];
        cues.push(cue);
    }
    cues
}

#[test]
fn a_player_is_led_from_the_first_part_to_all_done() {
    let folder = tempfile::tempdir().unwrap();
    let (buckets, sound) = (folder.path().join("buckets"), folder.path().join("cues.wav"));
    let (_glove, port) = emulate(&["--bucket", "guided", "--speed", "2"]);
    let sound_choice = format!("wav:{}", sound.display());
    let arguments = [
        "run",
        "--port",
        &port,
        "--folder",
        buckets.to_str().unwrap(),
        "--once",
        "--no-page",
        "--sound",
        &sound_choice,
    ];
    let mut command = hingeclock(&arguments);
    let daemon = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut daemon = Running(daemon);
    daemon.0.stdin.take().unwrap().write_all(b"calibrate\n").unwrap();
    let said = std::io::read_to_string(daemon.0.stderr.take().unwrap()).unwrap();
    assert_eq!(daemon.0.wait().unwrap().code(), Some(0), "{said}");

    assert!(said.contains("stop if it hurts") && said.contains("no medical device"), "{said}");
    assert!(said.contains("Good: 4 times, about ") && said.contains("That was all"), "{said}");
    assert!(
        said.contains("hinge axis known to ") && said.contains("° about one axis")
            || said.contains("% about one axis"),
        "{said}"
    );

    let recorded = recording(&buckets);
    assert_eq!(calibration_markers(&recorded), all_parts_and_done());
    check_calibration(&analysed(&recorded));

    let cues = cues_in(&sound);
    let (guide, verdicts): (Vec<Cue>, Vec<Cue>) = cues.iter().partition(|cue| Cue::GUIDE.contains(cue));
    use Cue::{AllDone, Begin, PartDone, Tick};
    let part = |ticks: usize| [vec![Begin], vec![Tick; ticks], vec![PartDone]].concat();
    let expected = [part(0), part(3), part(3), part(2), vec![Begin, AllDone]].concat();
    assert_eq!(guide, expected, "{said}");
    assert_eq!(verdicts.len(), 2, "one for each swing: {cues:?}");
}

/// Settings can let it begin by itself; a volume of nothing mutes its sounds as all others.
#[test]
fn a_calibration_that_begins_by_itself_keeps_quiet_where_the_player_wants_it() {
    let folder = tempfile::tempdir().unwrap();
    let (buckets, sound) = (folder.path().join("buckets"), folder.path().join("cues.wav"));
    let settings = folder.path().join("robin.toml");
    std::fs::write(&settings, "calibrate_on_connect = true\ntone_volume = 0.0\n").unwrap();
    let (_glove, port) = emulate(&["--bucket", "guided", "--unpaced"]);
    let mut arguments = listen(&port, buckets.to_str().unwrap());
    let sound_choice = format!("wav:{}", sound.display());
    *arguments.last_mut().unwrap() = &sound_choice;
    arguments.extend(["--settings", settings.to_str().unwrap()]);
    let output = run(&arguments);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    assert!(!sound.exists(), "no sound at all");
    let recorded = recording(&buckets);
    assert_eq!(calibration_markers(&recorded), all_parts_and_done());
    check_calibration(&analysed(&recorded));
}

/// A glove that prompts for itself is left to it.
#[test]
fn a_glove_that_leads_itself_is_not_led() {
    let folder = tempfile::tempdir().unwrap();
    let settings = folder.path().join("robin.toml");
    std::fs::write(&settings, "calibrate_on_connect = true\n").unwrap();
    let buckets = folder.path().join("buckets");
    let (_glove, port) = emulate(&["--bucket", "left-handed", "--unpaced"]);
    let mut arguments = listen(&port, buckets.to_str().unwrap());
    arguments.extend(["--settings", settings.to_str().unwrap()]);
    let output = run(&arguments);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let calibration = &analysed(&recording(&buckets))["calibration"];
    assert!(
        calibration["parts"].as_array().unwrap().iter().all(|part| part["problem"].is_null()),
        "{calibration:#}"
    );
}
