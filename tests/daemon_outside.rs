//! The outside of a running daemon: metrics, log, the unit that starts it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}

use hingeclock::daemon::metrics::exposition;
use hingeclock::device::ClockStand;
use hingeclock::record::latency::Latency;
use hingeclock::review::live::*;
use hingeclock::sample::NodeRole;
use hingeclock::tone::SoundState;
use hingeclock::units::Measured;
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::Path;
use std::process::{Command, Stdio};
use support::binary::{Running, code, emulate, errors, hingeclock, listen, run, swings};

/// Reads the text strictly, prints each sample and its value.
const INDEPENDENT: &str = r#"
import sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families
for family in text_string_to_metric_families(sys.stdin.read()):
    assert family.documentation, family
    for sample in family.samples:
        labels = ",".join(f"{k}={v}" for k, v in sorted(sample.labels.items()))
        print(f"{sample.name}|{labels}|{float(sample.value)}")
"#;

/// What an independent reader finds in the text; none where there is no such reader.
fn read_independently(text: &str) -> Option<BTreeSet<String>> {
    let has_reader =
        Command::new("python3").args(["-c", "import prometheus_client.openmetrics.parser"]).output();
    if !has_reader.is_ok_and(|output| output.status.success()) {
        eprintln!("SKIPPED: python3 with the package prometheus-client is absent: no independent reader");
        return None;
    }
    let mut reader = Command::new("python3");
    reader.args(["-c", INDEPENDENT]).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut reader = reader.spawn().unwrap();
    reader.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
    let output = reader.wait_with_output().unwrap();
    assert!(output.status.success(), "{}\n{text}", String::from_utf8_lossy(&output.stderr));
    Some(String::from_utf8(output.stdout).unwrap().lines().map(str::to_owned).collect())
}

fn status() -> LiveStatus {
    let mut latency = Latency::default();
    [500, 2_000, 5_000_000].into_iter().for_each(|took_us| latency.note(took_us));
    let node = |role, missing, battery| NodeStatus {
        role,
        received: 1_000,
        missing,
        lost_lately: None,
        duplicates: 2,
        requeued: 3,
        on_disk: 900,
        battery,
        clock: Some(ClockStand {
            offset_s: Measured::new(964.25, 1e-4),
            skew: Measured::new(1.5e-5, 1e-6),
            latency_s: 0.0625,
            anew: 0,
        }),
    };
    LiveStatus {
        link: LinkStatus::Sending,
        club: Some("a \"club\"\n".to_owned()),
        nodes: vec![
            node(NodeRole::Hand, 4, Some(BatteryStatus { volts: 4.1, percent: Some(87) })),
            node(NodeRole::Forearm, 0, None),
        ],
        clocks: Some(ClockStatus { offset_s: -0.0125, skew: 2e-5 }),
        recorder: RecorderStatus { running: true, waiting: 5, refused: 6, lag_us: 70_000, latency },
        sound: SoundState::Heard,
        muted: false,
        swings: 7,
        cues: vec![("late", 8)],
        damaged: 9,
        guess: hingeclock::review::live::Guess::Waits,
        calibration: None,
        doubts: vec![],
    }
}

#[test]
fn the_metrics_are_what_was_counted() {
    let text = exposition(&status());
    assert!(text.ends_with("\n# EOF\n") && !text.contains("club"), "{text}");
    let Some(found) = read_independently(&text) else { return };
    for expected in [
        "hingeclock_samples_total|node=hand|1000.0",
        "hingeclock_samples_missing|node=hand|4.0",
        "hingeclock_samples_missing|node=forearm|0.0",
        "hingeclock_samples_on_disk_total|node=hand|900.0",
        "hingeclock_recorder_lag_seconds||0.07",
        "hingeclock_samples_duplicate_total|node=forearm|2.0",
        "hingeclock_samples_requeued_total|node=hand|3.0",
        "hingeclock_frames_damaged_total||9.0",
        "hingeclock_link_up||1.0",
        "hingeclock_clock_offset_seconds||-0.0125",
        "hingeclock_clock_skew_ratio||2e-05",
        "hingeclock_node_clock_offset_seconds|node=hand|964.25",
        "hingeclock_node_clock_skew_ratio|node=forearm|1.5e-05",
        "hingeclock_node_clock_skew_sd_ratio|node=hand|1e-06",
        "hingeclock_node_latency_seconds|node=hand|0.0625",
        "hingeclock_battery_volts|node=hand|4.1",
        "hingeclock_battery_charge_ratio|node=hand|0.87",
        "hingeclock_swings_total||7.0",
        "hingeclock_cues_total|cue=late|8.0",
        "hingeclock_recorder_queue_items||5.0",
        "hingeclock_recorder_refused_total||6.0",
        "hingeclock_recorder_latency_seconds_bucket|le=0.001|1.0",
        "hingeclock_recorder_latency_seconds_bucket|le=0.003|2.0",
        "hingeclock_recorder_latency_seconds_bucket|le=3.0|2.0",
        "hingeclock_recorder_latency_seconds_bucket|le=+Inf|3.0",
        "hingeclock_recorder_latency_seconds_count||3.0",
        "hingeclock_recorder_latency_seconds_sum||5.0025",
    ] {
        assert!(found.contains(expected), "{expected} in {found:#?}");
    }
    assert!(!found.iter().any(|line| line.contains("battery_volts|node=forearm")), "not told, not there");
}

#[test]
fn metrics_before_anything_happened_are_sound_too() {
    let Some(found) = read_independently(&exposition(&LiveStatus::default())) else { return };
    assert!(found.contains("hingeclock_link_up||0.0"), "{found:#?}");
}

fn get(address: &str, path: &str, host: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    write!(stream, "GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

fn left_handed() -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/left-handed.csv.gz").to_str().unwrap().to_owned()
}

#[test]
fn a_running_daemon_tells_its_metrics_on_this_machine_only() {
    let folder = tempfile::tempdir().unwrap();
    let (_glove, port) = emulate(&[&left_handed(), "--speed", "4"]);
    let folder = folder.path().to_str().unwrap();
    let arguments =
        ["run", "--port", &port, "--folder", folder, "--sound", "silent", "--page-port", "0", "--plain"];
    let daemon = hingeclock(&arguments).stderr(Stdio::piped()).stdout(Stdio::null()).spawn().unwrap();
    let mut daemon = Running(daemon);
    let mut said = BufReader::new(daemon.0.stderr.take().unwrap()).lines().map(Result::unwrap);
    let address =
        said.find_map(|line| Some(line.strip_prefix("page at http://")?.trim_end_matches('/').to_owned()));
    let address = address.unwrap();
    said.find(|line| line.starts_with("swing 2")).unwrap();
    let answer = get(&address, "/metrics", &address);
    let (head, text) = answer.split_once("\r\n\r\n").unwrap();
    assert!(head.contains("content-type: application/openmetrics-text; version=1.0.0"), "{head}");
    assert!(text.ends_with("# EOF\n"), "{text}");
    for metric in
        ["samples_total{node=\"hand\"}", "samples_total{node=\"forearm\"}", "recorder_latency_seconds_count"]
    {
        let line = text.lines().find_map(|line| line.strip_prefix(&format!("hingeclock_{metric} ")));
        assert!(line.unwrap().parse::<u64>().unwrap() > 1000, "{metric}: {text}");
    }
    assert!(text.contains("hingeclock_clock_offset_seconds "), "{text}");
    assert!(text.contains("hingeclock_node_latency_seconds{node=\"forearm\"} "), "{text}");
    assert!(get(&address, "/metrics", "example.org").starts_with("HTTP/1.1 403 "));
}

/// A player's daemon on a glove of its own, started without a word about ports, and what it says.
struct Player {
    daemon: Running,
    said: Box<dyn Iterator<Item = String>>,
    _glove: Running,
}

impl Player {
    fn start(name: &str, folder: &Path) -> Player {
        let settings = folder.join(format!("{name}.toml"));
        std::fs::write(&settings, format!("[player]\nname = \"{name} Testperson\"\n")).unwrap();
        let (glove, port) = emulate(&[&left_handed(), "--speed", "4"]);
        let buckets = folder.join(name);
        let mut daemon = hingeclock(&["run", "--port", &port, "--sound", "silent", "--plain", "--folder"]);
        daemon.arg(buckets).arg("--settings").arg(settings).stderr(Stdio::piped()).stdout(Stdio::null());
        let mut daemon = Running(daemon.spawn().unwrap());
        let said = BufReader::new(daemon.0.stderr.take().unwrap()).lines().map(Result::unwrap);
        Player { daemon, said: Box::new(said), _glove: glove }
    }

    fn hears(&mut self, start: &str) -> String {
        self.said.find_map(|line| Some(line.strip_prefix(start)?.to_owned())).unwrap()
    }

    /// Asks it to end, as a service manager would; gives the exit code.
    fn terminate(&mut self) -> Option<i32> {
        let pid = self.daemon.0.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
        self.daemon.0.wait().unwrap().code()
    }
}

/// Two buckets on a machine need a folder each and no other care: another page, each says whose it is. Asked to end
/// in mid-bucket, each closes its recording.
#[test]
fn two_players_with_a_glove_each_share_a_machine_and_end_when_they_are_asked_to() {
    let folder = tempfile::tempdir().unwrap();
    let mut players = ["Ann", "Ben"].map(|name| (name, Player::start(name, folder.path())));
    let mut addresses = BTreeSet::new();
    for (name, player) in &mut players {
        let address = player.hears("page at http://").trim_end_matches('/').to_owned();
        let recording = player.hears("recording to ");
        let path = recording.strip_suffix(&format!(", player {name} Testperson")).unwrap();
        player.hears("swing 2");
        let page = get(&address, "/", &address);
        assert!(page.contains(&format!("{name} Testperson")), "{page}");
        let metrics = get(&address, "/metrics", &address);
        let samples =
            metrics.lines().find_map(|line| line.strip_prefix("hingeclock_samples_total{node=\"hand\"} "));
        assert!(
            samples.unwrap().parse::<u64>().unwrap() > 1000 && !metrics.contains("Testperson"),
            "{metrics}"
        );
        assert!(addresses.insert(address));
        let ended = player.terminate();
        let said: Vec<String> = player.said.by_ref().collect();
        assert_eq!(ended, Some(0), "{name}: {said:#?}");
        let mut files = std::fs::read_dir(folder.path().join(name)).unwrap();
        let is_recording = |path: std::path::PathBuf| path.extension().is_some_and(|ending| ending == "mcap");
        assert_eq!(files.by_ref().filter(|file| is_recording(file.as_ref().unwrap().path())).count(), 1);
        // With anything but a closed file the exit code tells that something was salvaged.
        let output = run(&["analyze", path, "--json"]);
        assert_eq!(code(&output), 0, "{}", errors(&output));
        assert!(swings(Path::new(path)).as_array().unwrap().len() >= 2);
    }
}

/// Lines of the log of a short bucket of a player with a name, as JSON.
fn log_of_a_bucket(level: &str) -> (String, Vec<Value>) {
    let folder = tempfile::tempdir().unwrap();
    let settings = folder.path().join("settings.toml");
    std::fs::write(&settings, "[player]\nname = \"Robin Testperson\"\n").unwrap();
    let buckets = folder.path().join("robin-testperson");
    let (_glove, port) = emulate(&[&left_handed(), "--unpaced"]);
    let mut arguments = listen(&port, buckets.to_str().unwrap());
    arguments.extend(["--log", "json", "--settings", settings.to_str().unwrap()]);
    let output = hingeclock(&arguments).env("RUST_LOG", level).output().unwrap();
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let text = errors(&output);
    let lines = text.lines().map(|line| serde_json::from_str(line).unwrap_or_else(|e| panic!("{e}: {line}")));
    (text.clone(), lines.collect())
}

#[test]
fn the_log_tells_what_happened_in_its_spans() {
    let (_, lines) = log_of_a_bucket("info");
    let spans = |line: &Value| -> Vec<String> {
        let spans = line["spans"].as_array().cloned().unwrap_or_default();
        spans.iter().map(|span| span["name"].as_str().unwrap().to_owned()).collect()
    };
    let of =
        |message: &str| lines.iter().filter(|line| line["fields"]["message"] == message).collect::<Vec<_>>();
    let swings = of("swing measured");
    assert_eq!(swings.len(), 4, "{lines:#?}");
    for (place, swing) in swings.iter().enumerate() {
        assert_eq!(spans(swing), ["bucket", "swing"]);
        assert_eq!(swing["span"]["number"], place + 1);
        assert!(swing["fields"]["set_to_top_ms"].is_f64() && swing["fields"]["class"].is_string(), "{swing}");
    }
    assert_eq!((of("bucket begins").len(), of("bucket over").len()), (1, 1));
    let link = of("link down");
    assert!(!link.is_empty() && link.iter().all(|line| spans(line) == ["bucket", "link"]), "{link:#?}");
}

#[test]
fn no_name_of_a_person_gets_into_the_log() {
    let (text, lines) = log_of_a_bucket("trace");
    assert!(lines.len() > 10);
    assert!(!text.to_lowercase().contains("testperson"), "{text}");
}

#[test]
fn the_unit_is_sound_where_it_can_be_checked() {
    let output = run(&["run", "--print-unit"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let unit = String::from_utf8(output.stdout).unwrap();
    for line in
        ["Restart=on-failure", "NoNewPrivileges=yes", "ProtectSystem=strict", "WantedBy=default.target"]
    {
        assert!(unit.lines().any(|found| found == line), "{line}");
    }
    let command = unit.lines().find_map(|line| line.strip_prefix("ExecStart=")).unwrap();
    let mut words = command.split(' ');
    assert_eq!(words.next(), Some("%h/.cargo/bin/hingeclock"));
    // The arguments are those of this very program: with --print-unit they are parsed, and nothing is started.
    let arguments: Vec<&str> = words.chain(["--print-unit"]).collect();
    assert_eq!(code(&run(&arguments)), 0, "{arguments:?}");

    if Command::new("systemd-analyze").arg("--version").output().is_err() {
        eprintln!("skipped: no systemd-analyze to check the unit with");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("hingeclock.service");
    let here = unit.replace("%h/.cargo/bin/hingeclock", env!("CARGO_BIN_EXE_hingeclock"));
    std::fs::write(&file, here).unwrap();
    let mut verify = Command::new("systemd-analyze");
    verify.args(["--user", "--man=no", "verify"]).arg(&file).env("XDG_RUNTIME_DIR", folder.path());
    let output = verify.output().unwrap();
    let told = errors(&output);
    let about_it: Vec<&str> = told.lines().filter(|line| line.contains("hingeclock")).collect();
    assert!(output.status.success() && about_it.is_empty(), "{told}");
}
