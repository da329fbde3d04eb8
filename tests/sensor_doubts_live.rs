//! What a glove's readings contradict is told while the bucket runs: of sound gloves nothing, of others what is told of
//! the whole recording, once, or it is taken back; over study buckets, and through the daemon.
//!
//! `SEEDS=10 FIRST=100 cargo test --test sensor_doubts_live -- --nocapture` prints how many were told, and when.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod environment;
    pub mod sessions;
}

use hingeclock::detect::{AnalysisParams, LiveAnalysis};
use hingeclock::device::virtual_glove::everyday::Everyday;
use hingeclock::device::virtual_glove::{Cue, Plan, Profile, Scenario, VirtualBucket};
use hingeclock::fusion::sensor_doubts::{Doubt, GloveWatch, LiveDoubts, News};
use hingeclock::record::input::open_input;
use hingeclock::sample::{Arrival, CalibrationPart, DeviceDescription, ImuSample, Marker, NodeRole};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::Stdio;
use support::binary::{Running, code, emulate, errors, hingeclock, recording, run};
use support::environment::number;

fn each(of: impl Fn(Profile, u64) -> Scenario) -> impl Iterator<Item = (String, VirtualBucket)> {
    let (first, seeds) = (number("FIRST", 1), number("SEEDS", 2));
    let of_profile = move |profile: Profile| (first..first + seeds).map(move |seed| (profile, seed));
    Profile::ALL.into_iter().flat_map(of_profile).map(move |(profile, seed)| {
        (format!("{} {seed}", profile.word()), VirtualBucket::play(&of(profile, seed), seed))
    })
}

/// Everything that a player does, the swings left out.
fn everyday(profile: Profile, seed: u64) -> Scenario {
    let mut scenario = Scenario::everyday(profile, seed);
    if let Plan::Listed(cues) = &mut scenario.plan {
        cues.extend([Everyday::Flourish, Everyday::Flourish].map(Cue::Everyday));
    }
    scenario
}

/// What is told live, each with how many arrivals had come, and what is told at the end of the whole.
struct Told {
    live: Vec<(usize, News)>,
    whole: Vec<(NodeRole, Doubt)>,
}

fn told(device: &DeviceDescription, arrivals: &[Arrival], change: impl Fn(&mut ImuSample)) -> Told {
    let (mut live, mut watch) = (LiveDoubts::new(device), GloveWatch::new(device));
    let mut news = Vec::new();
    for (count, arrival) in arrivals.iter().enumerate() {
        let mut arrival = arrival.clone();
        if let Arrival::Sample(sample) = &mut arrival {
            change(sample);
            watch.push(sample);
        }
        live.push(&arrival, true);
        news.extend(live.take_news().into_iter().map(|news| (count, news)));
    }
    live.finish();
    news.extend(live.take_news().into_iter().map(|news| (arrivals.len(), news)));
    let of = |(role, node): (NodeRole, &hingeclock::fusion::sensor_doubts::NodeWatch)| {
        node.doubts().into_iter().map(move |doubt| (role, doubt)).collect::<Vec<_>>()
    };
    Told { live: news, whole: watch.nodes().flat_map(of).collect() }
}

impl Told {
    /// What was told and not taken back.
    fn standing(&self) -> Vec<(NodeRole, Doubt)> {
        let mut standing = Vec::new();
        for (_, news) in &self.live {
            if news.holds {
                standing.push((news.role, news.doubt));
            } else {
                standing.retain(|told| *told != (news.role, news.doubt));
            }
        }
        standing
    }
}

fn kinds(doubts: &[(NodeRole, Doubt)]) -> Vec<(NodeRole, std::mem::Discriminant<Doubt>)> {
    let mut kinds: Vec<_> =
        doubts.iter().map(|(role, doubt)| (*role, std::mem::discriminant(doubt))).collect();
    kinds.sort_by_key(|(role, _)| *role);
    kinds
}

/// Looked at every few seconds all along, whatever the player does.
#[test]
fn a_sound_glove_is_never_doubted() {
    let studies = each(|profile, seed| Scenario::study(profile, seed).with_trunk());
    for (name, bucket) in studies.chain(each(everyday)).chain(each(Scenario::bodies)) {
        let told = told(&bucket.device, &bucket.arrivals, |_| {});
        assert!(told.live.is_empty(), "{name}: {:?}", told.live);
    }
}

#[test]
fn recordings_and_sessions_give_no_doubt() {
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings");
    let sessions = support::sessions::folder();
    let files = ["left-handed.mcap", "three-clubs.csv.gz", "torn.mcap"].map(|name| golden.join(name));
    let entries = sessions.iter().flat_map(|folder| std::fs::read_dir(folder).unwrap());
    let csvs = entries.map(|entry| entry.unwrap().path());
    let csvs = csvs.filter(|path| path.to_string_lossy().ends_with(".csv.gz"));
    for path in files.into_iter().chain(csvs) {
        let mut input = open_input(&path).unwrap();
        let arrivals: Vec<Arrival> = input.arrivals.by_ref().map_while(Result::ok).collect();
        let told = told(&input.device, &arrivals, |_| {});
        assert!(told.live.is_empty(), "{}: {:?}", path.display(), told.live);
    }
}

/// Where in the arrivals the calibration is over.
fn calibrated(bucket: &VirtualBucket) -> usize {
    let address = Marker::Prompt(CalibrationPart::Address);
    let asked = bucket
        .arrivals
        .iter()
        .position(|it| matches!(it, Arrival::Marker { marker, .. } if *marker == address));
    let asked = asked.unwrap();
    let at = |arrival: &Arrival| arrival.received().map_or(0, |received| received.0);
    let over = at(&bucket.arrivals[asked]) + 5_000_000;
    bucket.arrivals.iter().position(|arrival| at(arrival) > over).unwrap()
}

/// What is told live is what is told of the whole: the same kinds, each once. What more evidence takes back is said to be.
#[test]
fn what_is_told_live_is_told_of_the_recording() {
    type Change = fn(&mut ImuSample);
    let changes: [(&str, Change); 6] = [
        ("scale", |sample| sample.rate_dps = sample.rate_dps.map(|rate| rate * 0.86)),
        ("little off", |sample| sample.rate_dps = sample.rate_dps.map(|rate| rate * 0.92)),
        ("mirrored", |sample| {
            sample.rate_dps[1] = -sample.rate_dps[1];
            sample.specific_force_g[1] = -sample.specific_force_g[1];
        }),
        ("a sign", |sample| sample.rate_dps[2] = -sample.rate_dps[2]),
        ("offset", |sample| sample.rate_dps[0] += 20.0),
        ("m/s²", |sample| sample.specific_force_g = sample.specific_force_g.map(|force| force * 9.806_65)),
    ];
    for (what, change) in changes {
        let (mut nodes, mut early, mut live, mut back) = (0, 0, 0, 0);
        for (name, bucket) in each(Scenario::study) {
            let told = told(&bucket.device, &bucket.arrivals, change);
            assert_eq!(kinds(&told.standing()), kinds(&told.whole), "{what}, {name}: {:?}", told.live);
            let first =
                |count: usize| told.live.iter().filter(|(at, news)| news.holds && *at < count).count();
            nodes += 2;
            early += first(calibrated(&bucket));
            live += first(bucket.arrivals.len());
            back += told.live.iter().filter(|(_, news)| !news.holds).count();
            if what != "little off" {
                let clean = name.starts_with(Profile::Clean.word());
                assert!(!clean || first(bucket.arrivals.len()) > 0, "{what}, {name}: {:?}", told.live);
                assert!(told.live.iter().all(|(_, news)| news.holds), "{what}, {name}: {:?}", told.live);
            }
        }
        println!("{what}: of {nodes} nodes told {early} when calibrated, {live} live, {back} taken back");
        assert!(live > 0, "{what}");
    }
}

/// The analysis that the daemon runs tells it long before the bucket is over.
#[test]
fn the_live_analysis_tells_it() {
    let bucket = VirtualBucket::play(&Scenario::study(Profile::Clean, 3), 3);
    let mut live = LiveAnalysis::new(&bucket.device, AnalysisParams::default());
    let mut told = Vec::new();
    for (count, arrival) in bucket.arrivals.iter().enumerate() {
        let mut arrival = arrival.clone();
        if let Arrival::Sample(sample) = &mut arrival {
            sample.rate_dps = sample.rate_dps.map(|rate| rate * 0.86);
        }
        live.push(&arrival);
        told.extend(live.take_doubts().into_iter().map(|news| (news.role, count, news)));
    }
    let [(NodeRole::Hand, hand, _), (NodeRole::Forearm, forearm, _)] = &told[..] else { panic!("{told:?}") };
    assert!(
        4 * hand.max(forearm) < 3 * bucket.arrivals.len(),
        "{hand}, {forearm} of {}",
        bucket.arrivals.len()
    );
}

/// A golden recording as CSV, with a gyro that reads too little and a description that tells twice the rate.
fn wrong_glove(folder: &Path) -> PathBuf {
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings");
    let packed = std::fs::File::open(golden.join("three-clubs.csv.gz")).unwrap();
    let mut text = String::new();
    flate2::read::MultiGzDecoder::new(packed).read_to_string(&mut text).unwrap();
    let csv = folder.join("wrong.csv");
    let mut file = std::fs::File::create(&csv).unwrap();
    for (row, line) in text.lines().enumerate() {
        let mut cells: Vec<String> = line.split(',').map(str::to_owned).collect();
        if row > 0 {
            cells[3..6].iter_mut().for_each(|cell| *cell = (cell.parse::<f64>().unwrap() * 0.86).to_string());
        }
        writeln!(file, "{}", cells.join(",")).unwrap();
    }
    let device = std::fs::read_to_string(golden.join("three-clubs.device.json")).unwrap();
    let mut device: serde_json::Value = serde_json::from_str(&device).unwrap();
    double_rates(&mut device);
    std::fs::write(folder.join("wrong.device.json"), device.to_string()).unwrap();
    std::fs::copy(golden.join("three-clubs.markers.csv"), folder.join("wrong.markers.csv")).unwrap();
    csv
}

fn double_rates(value: &mut serde_json::Value) {
    match value {
        serde_json::Value::Object(fields) => {
            for (key, value) in fields {
                match value.as_f64().filter(|_| key == "rate_hz") {
                    Some(rate_hz) => *value = (2.0 * rate_hz).into(),
                    None => double_rates(value),
                }
            }
        }
        serde_json::Value::Array(values) => values.iter_mut().for_each(double_rates),
        _ => {}
    }
}

#[test]
fn the_daemon_says_it_while_the_bucket_runs_and_at_its_end() {
    let folder = tempfile::tempdir().unwrap();
    let csv = wrong_glove(folder.path());
    let buckets = folder.path().join("buckets");
    let (_glove, port) = emulate(&[csv.to_str().unwrap(), "--unpaced"]);
    let arguments = ["run", "--port", &port, "--folder", buckets.to_str().unwrap(), "--once", "--no-page"];
    let mut command = hingeclock(&arguments);
    command.args(["--sound", "silent", "--plain"]).env("RUST_LOG", "hingeclock=warn");
    let mut daemon = Running(command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap());
    let lines = BufReader::new(daemon.0.stderr.take().unwrap()).lines();
    let said: Vec<String> = lines.map(Result::unwrap).collect();
    let table = std::io::read_to_string(daemon.0.stdout.take().unwrap()).unwrap();
    assert_eq!(daemon.0.wait().unwrap().code(), Some(0), "{said:#?}");

    let place = |begins: &str| said.iter().position(|line| line.starts_with(begins));
    let swing = place("swing 1").or(place("Swing 1")).unwrap_or_else(|| panic!("{said:#?}"));
    let checked = run(&["check", recording(&buckets).to_str().unwrap()]);
    assert_eq!(code(&checked), 1, "{}", errors(&checked));
    let checked = String::from_utf8(checked.stdout).unwrap();
    let flat = |text: &str| text.split_whitespace().collect::<Vec<&str>>().join(" ");
    for node in ["hand", "forearm"] {
        let rate = format!("the {node} node says 1000 Hz, by its times it gives 500");
        assert!(place(&rate).unwrap_or_else(|| panic!("{said:#?}")) < swing, "before the first swing");
        let scale = format!("the {node} node turns 1.1");
        for doubt in [rate, scale] {
            let lines: Vec<&String> = said.iter().filter(|line| line.starts_with(&doubt)).collect();
            assert!(lines.len() == 1 && flat(&table).contains(&flat(lines[0])), "{lines:?} {table}");
            let logged = said.iter().filter(|line| line.contains("WARN") && line.contains(&doubt)).count();
            assert_eq!(logged, 1, "{said:#?}");
            let found = lines[0].split(": ").next().unwrap();
            assert!(
                checked.lines().any(|line| line.starts_with("bad") && line.ends_with(found)),
                "{checked}"
            );
        }
    }
}
