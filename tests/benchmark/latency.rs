//! How long the player waits for a cue, and what the daemon costs: `cargo bench --bench latency`.
//!
//! A virtual glove plays a bucket into a real pseudo-terminal, the built daemon listens to it and sounds on a real
//! sound server, whose device is heard by a recorder. Up to a moment before the sample that decides a swing the
//! bucket goes as fast as the daemon reads; from there on in its own time. Between two swings' cues one is played
//! by this process straight to the server, with the same client and the same buffer: the bare sound stack.
//!
//! Run by `cargo test` it takes a short form, so that it cannot rot: it asserts that every cue was the right one and
//! was heard once, and no times. `CUES=n`, `RATE_HZ=n` and `SECONDS=n` change the long form; with `CUES=0` the daemon's share of a core is measured
//! alone.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a benchmark fails by panicking")]

mod latency_cost;
mod latency_daemon;
mod latency_ear;
mod latency_wire;
#[path = "../tone_common/server.rs"]
mod tone_server;

use hingeclock::device::host_clock::HostClock;
use hingeclock::tone::server::Start;
use hingeclock::tone::{CueSink, Loudspeaker, Volume};
use hingeclock::units::HostTime;
use latency_daemon::{Daemon, Feeder, Line, ThreadTimes, read_for_nothing, threads_cpu_s};
use latency_ear::Ear;
use latency_wire::Decision;
use std::process::Command;
use std::time::Duration;
use tone_server::{Server, server_folder};

/// So long before the deciding sample the bucket begins to keep its pace, µs.
const IN_TIME_US: i64 = 500_000;
/// And rests before that, so that what was rushed through is through.
const REST: Duration = Duration::from_millis(150);
/// A cue that takes longer is none.
const LONGEST: Duration = Duration::from_secs(2);

/// How much is measured.
struct Form {
    cues: usize,
    rate_hz: f64,
    seconds: f64,
}

impl Form {
    fn asked_for() -> Form {
        // `cargo bench` says so; `cargo test` does not.
        let long = std::env::args().any(|argument| argument == "--bench");
        let number = |name: &str, otherwise: f64| {
            std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
        };
        Form {
            cues: number("CUES", if long { 200.0 } else { 3.0 }) as usize,
            rate_hz: number("RATE_HZ", 500.0),
            seconds: number("SECONDS", if long { 60.0 } else { 3.0 }),
        }
    }
}

fn main() {
    let form = Form::asked_for();
    let profile = if cfg!(debug_assertions) { "dev profile" } else { "release profile" };
    println!("{profile}; {} cues, two nodes at {} Hz", form.cues, form.rate_hz);
    if form.cues > 0 {
        cues(&form);
    }
    share_of_a_core(&form, HostClock::start());
}

/// How long cues take, and what the live path costs a sample.
fn cues(form: &Form) {
    let bucket = latency_wire::bucket(form.cues, form.rate_hz);
    let cost = latency_cost::per_sample(&bucket, form.rate_hz);
    println!(
        "live path {:.2} µs a sample, swings included; the filter of the crate vqf alone {:.2} µs ({} samples, {} swings)",
        cost.live_ns * 1e-3,
        cost.vqf_ns * 1e-3,
        cost.samples,
        cost.swings
    );
    let clock = HostClock::start();
    let frames = latency_wire::frames(&bucket.device, bucket.arrivals);
    let decisions = latency_wire::decisions(&frames, &clock);
    assert_eq!(decisions.len(), form.cues, "every shot is a swing");
    let worked: Vec<f64> = decisions.iter().map(|decision| decision.worked_us as f64 * 1e-3).collect();
    row("the detector's work on the deciding sample", worked);
    match server_folder() {
        Some(mut server) => {
            server.start();
            with_sound(&frames, &decisions, &server, clock);
        }
        None => println!("without a sound server the times of the sound are left out"),
    }
    without_sound(&frames, &decisions, clock);
}

/// Feeds up to a decision and sends its frame; gives when.
fn decide(feeder: &mut Feeder, decision: &Decision) -> HostTime {
    feeder.rush(feeder.before(decision.frame, IN_TIME_US));
    std::thread::sleep(REST);
    feeder.keep_pace();
    feeder.pace(decision.frame, || false);
    feeder.send_next()
}

/// The cue that the daemon handed to its sound for this decision: the right one, and not too early.
fn handed_out(daemon: &Daemon, decision: &Decision, sent: HostTime) -> HostTime {
    let (handed, word) = daemon.cues.recv_timeout(LONGEST).expect("a cue follows");
    assert_eq!(word, decision.cue.word());
    assert!(handed >= sent, "not before the sample that decides");
    handed
}

fn ms(from: HostTime, to: HostTime) -> f64 {
    to.seconds_since(from) * 1e3
}

fn with_sound(
    frames: &[latency_wire::TimedFrame],
    decisions: &[Decision],
    server: &Server,
    clock: HostClock,
) {
    let mut bare = Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere).unwrap();
    let ear = Ear::open(server, clock);
    let line = Line::open();
    let daemon = Daemon::start(server.command(env!("CARGO_BIN_EXE_hingeclock")), &line, "server", clock);
    // An idle device swallows what comes in its first two seconds.
    std::thread::sleep(Duration::from_secs(3));
    let mut feeder = Feeder::new(frames, line, clock);
    let (mut to_hand, mut to_ear, mut of_bare) = (Vec::new(), Vec::new(), Vec::new());
    for (place, decision) in decisions.iter().enumerate() {
        let sent = decide(&mut feeder, decision);
        to_ear.push(ms(sent, heard(&mut feeder, &ear)));
        to_hand.push(ms(sent, handed_out(&daemon, decision, sent)));
        feeder.pace(feeder.count(), || ear.is_silent());
        // At no fixed place between two blocks of the device.
        std::thread::sleep(Duration::from_micros((place as u64 * 7_919) % 20_000));
        feeder.keep_pace();
        let asked = clock.now();
        bare.play(decision.cue, asked);
        of_bare.push(ms(asked, heard(&mut feeder, &ear)));
        feeder.pace(feeder.count(), || ear.is_silent());
    }
    assert!(ear.heard().is_none() && daemon.cues.is_empty(), "every cue is heard once");
    let (ours, stack) = (to_ear.clone(), of_bare.clone());
    row("deciding sample on the line to sound at the device", to_ear);
    row("the bare sound stack, the same cues", of_bare);
    let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|share| quantile(&ours, share) - quantile(&stack, share));
    println!("  {:52} p50 {p50:8.2}  p95 {p95:8.2}  p99 {p99:8.2} ms", "ours adds");
    row("deciding sample on the line to cue handed out", to_hand);
}

/// When a cue began at the device, while the bucket goes on.
fn heard(feeder: &mut Feeder, ear: &Ear) -> HostTime {
    let mut at = None;
    let until = feeder.before(feeder.next(), -(LONGEST.as_micros() as i64));
    feeder.pace(until, || {
        at = at.or_else(|| ear.heard());
        at.is_some()
    });
    at.or_else(|| ear.heard_within(LONGEST)).expect("the cue is heard")
}

fn without_sound(frames: &[latency_wire::TimedFrame], decisions: &[Decision], clock: HostClock) {
    let line = Line::open();
    let command = Command::new(env!("CARGO_BIN_EXE_hingeclock"));
    let daemon = Daemon::start(command, &line, "silent", clock);
    let mut feeder = Feeder::new(frames, line, clock);
    let mut to_hand = Vec::new();
    for decision in decisions {
        let sent = decide(&mut feeder, decision);
        feeder.pace(feeder.count(), || !daemon.cues.is_empty());
        to_hand.push(ms(sent, handed_out(&daemon, decision, sent)));
    }
    row("the same without sound", to_hand);
}

/// The whole daemon in a bucket's own time, with sound where there is a server.
fn share_of_a_core(form: &Form, clock: HostClock) {
    let bucket = latency_wire::on_the_range(form.seconds, 1000.0);
    let frames = latency_wire::frames(&bucket.device, bucket.arrivals);
    let server = server_folder().map(|mut server| {
        server.start();
        server
    });
    let own = || Command::new(env!("CARGO_BIN_EXE_hingeclock"));
    let command = server.as_ref().map_or_else(own, |server| server.command(env!("CARGO_BIN_EXE_hingeclock")));
    let sound = if server.is_some() { "server" } else { "silent" };
    let line = Line::open();
    let daemon = Daemon::start(command, &line, sound, clock);
    let used = used_while_paced(&frames, line, form, clock, || daemon.cpu_s());
    let (all, swings) = (used.values().sum::<f64>(), daemon.cues.len());
    println!(
        "daemon, two nodes at 1000 Hz, sound {sound}: {} of one core, {swings} swings",
        share(all, form)
    );
    for (thread, used_s) in used.iter().filter(|(_, used_s)| **used_s > 0.0) {
        println!("  {thread:52} {}", share(*used_s, form));
    }
    assert!(all > 0.0 || form.seconds < 10.0, "the daemon has worked");
    drop(daemon);
    // What the wakes alone cost on this machine.
    let open = |server: &Server| Loudspeaker::open(server.env(), Volume::default(), Start::MustBeThere);
    let kept_open = server.as_ref().map(|server| open(server).unwrap());
    let line = Line::open();
    read_for_nothing(&line);
    let used = used_while_paced(&frames, line, form, clock, || threads_cpu_s("self"));
    let used_s: f64 = ["for-nothing", "loudspeaker"].iter().filter_map(|name| used.get(*name)).sum();
    println!("  the same line read for nothing, the same sound kept open: {}", share(used_s, form));
    assert!(used_s > 0.0, "the line was read");
    drop(kept_open);
}

fn share(used_s: f64, form: &Form) -> String {
    format!("{:5.2} %", 100.0 * used_s / form.seconds)
}

/// CPU time that is used while a bucket comes in its own time, s. The calibration is a matter of once a session; what
/// follows is a bucket.
fn used_while_paced(
    frames: &[latency_wire::TimedFrame],
    line: Line,
    form: &Form,
    clock: HostClock,
    cpu_s: impl Fn() -> ThreadTimes,
) -> ThreadTimes {
    let mut feeder = Feeder::new(frames, line, clock);
    feeder.rush(latency_wire::after_calibration(frames));
    std::thread::sleep(Duration::from_secs(1));
    feeder.keep_pace();
    let (begun, before) = (clock.now(), cpu_s());
    feeder.pace(feeder.count(), || clock.now().seconds_since(begun) >= form.seconds);
    let mut used = cpu_s();
    used.iter_mut().for_each(|(name, used_s)| *used_s -= before.get(name).copied().unwrap_or(0.0));
    used
}

/// The value below which this share of the values lies.
fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = ((sorted.len() as f64 * share).ceil() as usize).clamp(1, sorted.len()) - 1;
    sorted[place]
}

fn row(what: &str, values: Vec<f64>) {
    let [p50, p95, p99] = [0.5, 0.95, 0.99].map(|share| quantile(&values, share));
    println!("  {what:52} p50 {p50:8.2}  p95 {p95:8.2}  p99 {p99:8.2} ms");
}
