//! The loudspeaker against a real sound server: every cue is found again in what the server plays.
//!
//! The server is this test's own, with a device that is heard only by its recorder. Nothing waits for a fixed
//! time: the samples that the server asks for and the samples that the recorder gets are the clock. A time limit
//! only ends a test that would hang.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a test may end here")]

mod tone_common;
#[path = "tone_common/server.rs"]
mod tone_server;

use hingeclock::tone::locate::ServerEnv;
use hingeclock::tone::server::Start;
use hingeclock::tone::{
    Cue, CueSink, Loudspeaker, SampleRate, SoundState, SoundWarning, Speech, Volume, render,
};
use hingeclock::units::HostTime;
use std::io::Read;
use std::process::Stdio;
use std::sync::{Arc, Mutex};
use tone_common::{Heard, listen};
use tone_server::{RATE_HZ, Running, Server, machine_to_itself, server_folder, wait_until};

/// Everything that the server's device played, from the recorder's start.
struct Recorder {
    _process: Running,
    samples: Arc<Mutex<Vec<f32>>>,
}

impl Recorder {
    fn start(server: &Server) -> Recorder {
        Recorder::of(server, "range")
    }

    fn of(server: &Server, device: &str) -> Recorder {
        let mut child = server
            .command("parec")
            .args([&format!("--device={device}.monitor"), "--raw", "--format=float32le", "--channels=1"])
            .args([&format!("--rate={RATE_HZ}"), "--latency-msec=20"])
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut pipe = child.stdout.take().unwrap();
        let samples = Arc::new(Mutex::new(Vec::new()));
        let filled = samples.clone();
        std::thread::spawn(move || {
            // In pieces: a read for each sample would take the time that the sound needs.
            let (mut bytes, mut held) = ([0; 4096], 0);
            while let Ok(read @ 1..) = pipe.read(&mut bytes[held..]) {
                let whole = (held + read) / 4 * 4;
                let samples = bytes[..whole]
                    .chunks_exact(4)
                    .map(|four| f32::from_le_bytes([four[0], four[1], four[2], four[3]]));
                filled.lock().unwrap().extend(samples);
                bytes.copy_within(whole..held + read, 0);
                held = held + read - whole;
            }
        });
        Recorder { _process: Running(child), samples }
    }

    fn len(&self) -> usize {
        self.samples.lock().unwrap().len()
    }

    fn since(&self, from: usize) -> Vec<f32> {
        self.samples.lock().unwrap()[from..].to_vec()
    }
}

/// An idle device swallows what comes in its first two seconds: the stream has to run for three first.
fn wait_until_warm(loudspeaker: &Loudspeaker, recorder: &Recorder) {
    let (asked, recorded) = (loudspeaker.samples_asked_for(), recorder.len());
    wait_until("three seconds of stream", || {
        loudspeaker.samples_asked_for() - asked > 3 * RATE_HZ as u64
            && recorder.len() - recorded > 3 * RATE_HZ
    });
}

/// Plays the cue and gives what was recorded in the second since.
fn record_cue(cue: Cue, loudspeaker: &mut Loudspeaker, recorder: &Recorder) -> Vec<f32> {
    let from = recorder.len();
    loudspeaker.play(cue, HostTime(0));
    wait_until("a second of recording", || recorder.len() > from + RATE_HZ);
    recorder.since(from)
}

/// Whether the pulses of the cue, and no others, are heard at their times and pitches.
fn is_heard(cue: Cue, heard: &[Heard]) -> bool {
    let first_s = heard.first().map_or(0.0, |first| first.starts_s);
    heard.len() == cue.pulses().len()
        && heard.iter().zip(cue.pulses()).all(|(found, pulse)| {
            let start_s = found.starts_s - first_s;
            (found.pitch_hz - pulse.pitch_hz).abs() < 10.0 && (start_s - pulse.starts_ms * 1e-3).abs() < 0.008
        })
}

/// Plays the cue until it comes out right. A machine that is busy with something else may starve the stream, which
/// breaks a pulse in two; five starved cues in a row are a fault. Too loud is a fault at once.
fn check_heard(cue: Cue, loudspeaker: &mut Loudspeaker, recorder: &Recorder) {
    let mut tries = Vec::new();
    for _ in 0..5 {
        let samples = record_cue(cue, loudspeaker, recorder);
        let peak = f64::from(samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs())));
        assert!(peak <= Volume::default().peak_amplitude() * 1.001, "{}: peak {peak}", cue.word());
        let heard = listen(&samples, RATE_HZ as f64);
        if is_heard(cue, &heard) {
            return;
        }
        tries.push(heard);
    }
    panic!("{}: expected {:?}, heard {tries:#?}", cue.word(), cue.pulses());
}

/// The checker itself: silence, another cue and a broken pulse are not the cue.
#[test]
fn only_the_cue_itself_counts_as_heard() {
    let _machine = machine_to_itself();
    let heard_of = |cue| listen(&render(cue, SampleRate::SERVER, Volume::default()), RATE_HZ as f64);
    for cue in Cue::ALL {
        for other in Cue::ALL {
            assert_eq!(is_heard(cue, &heard_of(other)), cue == other, "{} in {}", cue.word(), other.word());
        }
        assert!(!is_heard(cue, &[]));
    }
    let mut broken = render(Cue::InWindow, SampleRate::SERVER, Volume::default());
    broken[2000..3500].fill(0.0);
    assert!(!is_heard(Cue::InWindow, &listen(&broken, RATE_HZ as f64)));
}

#[test]
fn every_cue_comes_out_of_the_server() {
    let Some(mut server) = server_folder() else { return };
    server.start();
    let mut loudspeaker = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere).unwrap();
    let recorder = Recorder::start(&server);
    wait_until_warm(&loudspeaker, &recorder);
    for (i, cue) in Cue::ALL.into_iter().enumerate() {
        // One that nobody expects is heard as well.
        loudspeaker.expect(i % 2 == 0);
        check_heard(cue, &mut loudspeaker, &recorder);
    }
    assert_eq!((loudspeaker.state(), loudspeaker.take_warning()), (SoundState::Heard, None));
}

/// A tone that stands for words, far from every pitch of a cue.
const WORDS_HZ: f64 = 2000.0;

#[test]
fn words_come_out_after_the_cue_no_louder_than_it() {
    let Some(mut server) = server_folder() else { return };
    server.start();
    let mut loudspeaker = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere).unwrap();
    let recorder = Recorder::start(&server);
    wait_until_warm(&loudspeaker, &recorder);
    let turn = std::f64::consts::TAU * WORDS_HZ / 16_000.0;
    let samples = (0..4800).map(|i| 3.0 * (turn * f64::from(i)).sin() as f32).collect();
    let words = Speech::new(samples, SampleRate::from_hz(16_000).unwrap(), Volume::default());
    let mut tries = Vec::new();
    for _ in 0..5 {
        let from = recorder.len();
        loudspeaker.play(Cue::Early, HostTime(0));
        loudspeaker.say(&words, HostTime(0));
        wait_until("a second of recording", || recorder.len() > from + RATE_HZ);
        let samples = recorder.since(from);
        let peak = f64::from(samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs())));
        assert!(peak <= Volume::default().peak_amplitude() * 1.001, "peak {peak}");
        // The end of the cue's last pulse and the first sample of the words may be in one stretch. A busy machine
        // tears stretches apart; their order stays.
        let heard = listen(&samples, RATE_HZ as f64);
        let is_words = |at: usize| (heard[at].pitch_hz - WORDS_HZ).abs() < 10.0;
        let first_words = (0..heard.len()).find(|at| is_words(*at));
        let words_to_the_end =
            first_words.is_some_and(|first| first > 0 && (first..heard.len()).all(is_words));
        if words_to_the_end && (heard[0].pitch_hz - 587.0).abs() < 10.0 {
            return;
        }
        tries.push(heard);
    }
    panic!("expected the cue and then the words, heard {tries:#?}");
}

fn tell_server(server: &Server, words: &[&str]) -> String {
    let output = server.command("pactl").args(words).output().unwrap();
    assert!(output.status.success(), "pactl {words:?}");
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

/// Adds a device that is heard only by its recorder; gives the number of its module.
fn add_device(server: &Server, name: &str) -> String {
    let name = format!("sink_name={name}");
    tell_server(server, &["load-module", "module-null-sink", &name, "rate=48000", "channels=1"])
}

/// Plays cues until one is heard right on this device.
fn check_heard_on(device: &str, server: &Server, loudspeaker: &mut Loudspeaker) {
    let recorder = Recorder::of(server, device);
    let mut heard = Vec::new();
    wait_until("the stream on the other device", || loudspeaker.state() == SoundState::Heard);
    wait_until_warm(loudspeaker, &recorder);
    for _ in 0..5 {
        heard = listen(&record_cue(Cue::Late, loudspeaker, &recorder), RATE_HZ as f64);
        if is_heard(Cue::Late, &heard) {
            return;
        }
    }
    panic!("expected the cue on {device}, heard {heard:#?}");
}

/// The player plugs headphones in: the server makes them its usual device.
#[test]
fn the_sound_goes_along_to_another_device() {
    let Some(mut server) = server_folder() else { return };
    server.start();
    let mut loudspeaker = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere).unwrap();
    add_device(&server, "headphones");
    tell_server(&server, &["set-default-sink", "headphones"]);
    check_heard_on("headphones", &server, &mut loudspeaker);
    assert_eq!((loudspeaker.state(), loudspeaker.take_warning()), (SoundState::Heard, None));
}

/// And out again: their device is gone while the stream is on it.
#[test]
fn a_device_that_goes_away_is_left_for_another() {
    let Some(mut server) = server_folder() else { return };
    server.start();
    let module = add_device(&server, "headphones");
    tell_server(&server, &["set-default-sink", "headphones"]);
    let mut loudspeaker = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere).unwrap();
    check_heard_on("headphones", &server, &mut loudspeaker);
    tell_server(&server, &["unload-module", &module]);
    check_heard_on("range", &server, &mut loudspeaker);
}

/// The only device goes away, and another comes: in between the loss is told.
#[test]
fn without_any_device_it_is_silent_until_one_comes() {
    let Some(mut server) = server_folder() else { return };
    server.start();
    let mut loudspeaker = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere).unwrap();
    tell_server(&server, &["unload-module", "module-null-sink"]);
    let mut warnings = Vec::new();
    wait_until("the loss", || {
        warnings.extend(loudspeaker.take_warning());
        !warnings.is_empty()
    });
    assert!(matches!(&warnings[0], SoundWarning::Lost(reason) if reason.contains("device")), "{warnings:?}");
    add_device(&server, "headphones");
    check_heard_on("headphones", &server, &mut loudspeaker);
    assert_eq!(loudspeaker.take_warning(), Some(SoundWarning::Back));
}

#[test]
fn a_server_that_dies_costs_cues_and_comes_back() {
    let Some(mut server) = server_folder() else { return };
    server.start();
    let mut loudspeaker = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere).unwrap();
    server.stop();
    let mut warnings = Vec::new();
    wait_until("the loss", || {
        warnings.extend(loudspeaker.take_warning());
        !warnings.is_empty()
    });
    assert!(matches!(warnings[0], SoundWarning::Lost(_)), "{warnings:?}");
    assert_eq!(loudspeaker.state(), SoundState::Searching);
    loudspeaker.play(Cue::Late, HostTime(0));

    server.start();
    wait_until("the return", || {
        warnings.extend(loudspeaker.take_warning());
        warnings.len() > 1
    });
    assert_eq!(warnings[1..], [SoundWarning::Back]);
    let recorder = Recorder::start(&server);
    wait_until_warm(&loudspeaker, &recorder);
    assert!(recorder.since(0).iter().all(|s| *s == 0.0), "a cue from before the return is not heard");
    check_heard(Cue::InWindow, &mut loudspeaker, &recorder);
}

#[test]
fn a_server_that_hangs_is_told_and_found_again() {
    let Some(mut server) = server_folder() else { return };
    server.start();
    let mut loudspeaker = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere).unwrap();
    server.signal("-STOP");
    wait_until("the loss", || matches!(loudspeaker.take_warning(), Some(SoundWarning::Lost(_))));
    assert_eq!(loudspeaker.state(), SoundState::Searching);
    server.signal("-CONT");
    wait_until("the return", || loudspeaker.take_warning() == Some(SoundWarning::Back));
    assert_eq!(loudspeaker.state(), SoundState::Heard);
}

#[test]
fn a_server_that_comes_late_is_found() {
    let Some(mut server) = server_folder() else { return };
    let missing = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere);
    let text = missing.unwrap_err().to_string();
    assert!(text.starts_with("sound server: no server found, looked for "), "{text}");

    let mut loudspeaker = Loudspeaker::open(server.env(), Volume::default(), Start::MayComeLater).unwrap();
    assert!(matches!(loudspeaker.take_warning(), Some(SoundWarning::NotYet(_))));
    assert_eq!(loudspeaker.state(), SoundState::Searching);
    server.start();
    wait_until("the stream", || loudspeaker.state() == SoundState::Heard);
    wait_until("the news", || loudspeaker.take_warning() == Some(SoundWarning::Back));
}

#[test]
fn a_server_that_never_answers_is_given_up() {
    let dir = tempfile::tempdir().unwrap();
    let socket = dir.path().join("native");
    let _mute = std::os::unix::net::UnixListener::bind(&socket).unwrap();
    let address = format!("unix:{}", socket.display());
    let env = ServerEnv { pulse_server: Some(address), ..ServerEnv::default() };
    let opened = Loudspeaker::open(env, Volume::default(), Start::MustBeThere);
    assert!(opened.unwrap_err().to_string().starts_with("sound server: "));
}
