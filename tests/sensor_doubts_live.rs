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
use hingeclock::fusion::sensor_doubts::{
    Doubt, GloveWatch, LiveDoubts, News, NodeWatch, Sensor, StandingDoubts,
};
use hingeclock::record::input::open_input;
use hingeclock::sample::{Arrival, CalibrationPart, DeviceDescription, ImuSample, Marker, NodeRole};
use hingeclock::units::DeviceTime;
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
    let of = |(role, node): (NodeRole, &NodeWatch)| {
        node.doubts().into_iter().map(move |doubt| (role, doubt)).collect::<Vec<_>>()
    };
    Told { live: news, whole: watch.nodes().flat_map(of).collect() }
}

impl Told {
    /// What was told and not taken back.
    fn standing(&self) -> Vec<(NodeRole, Doubt)> {
        let mut standing = StandingDoubts::default();
        self.live.iter().for_each(|(_, news)| standing.take(news));
        standing.doubts().collect()
    }
}

fn kinds(doubts: &[(NodeRole, Doubt)]) -> Vec<(NodeRole, std::mem::Discriminant<Doubt>)> {
    let mut kinds: Vec<_> =
        doubts.iter().map(|(role, doubt)| (*role, std::mem::discriminant(doubt))).collect();
    kinds.sort_by_key(|(role, kind)| (*role, format!("{kind:?}")));
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
    let over_s = came_s(bucket, asked.unwrap()) + 5.0;
    (0..bucket.arrivals.len()).find(|place| came_s(bucket, *place) > over_s).unwrap()
}

/// When an arrival came, or for one past the last when that did, s since the first.
fn came_s(bucket: &VirtualBucket, place: usize) -> f64 {
    let at = |arrival: &Arrival| arrival.received();
    let (first, until) = (at(&bucket.arrivals[0]), &bucket.arrivals[..=place.min(bucket.arrivals.len() - 1)]);
    let last = until.iter().rev().find_map(at);
    last.zip(first).map_or(0.0, |(last, first)| last.seconds_since(first))
}

type Change = fn(&mut ImuSample);

fn force_times(sample: &mut ImuSample, factor: f64) {
    sample.specific_force_g = sample.specific_force_g.map(|force| force * factor);
}

/// Mistakes that need no more than rest to be seen.
const OF_GRAVITY: [(&str, Change); 3] = [
    ("m/s²", |sample| force_times(sample, 9.806_65)),
    ("counts", |sample| force_times(sample, 2048.0)),
    ("half the full scale", |sample| force_times(sample, 0.5)),
];

const OTHERS: [(&str, Change); 5] = [
    ("scale", |sample| sample.rate_dps = sample.rate_dps.map(|rate| rate * 0.86)),
    ("little off", |sample| sample.rate_dps = sample.rate_dps.map(|rate| rate * 0.92)),
    ("mirrored", |sample| {
        sample.rate_dps[1] = -sample.rate_dps[1];
        sample.specific_force_g[1] = -sample.specific_force_g[1];
    }),
    ("a sign", |sample| sample.rate_dps[2] = -sample.rate_dps[2]),
    ("offset", |sample| sample.rate_dps[0] += 20.0),
];

/// What is told live is what is told of the whole: the same kinds, each once. What more evidence takes back is said to be.
/// Of gravity it is told by the end of the calibration, where the player can still act on it.
#[test]
fn what_is_told_live_is_told_of_the_recording() {
    for (what, change) in OF_GRAVITY.into_iter().chain(OTHERS) {
        let of_gravity = OF_GRAVITY.iter().any(|(other, _)| *other == what);
        let clear = what != "little off";
        let (mut nodes, mut early, mut back, mut after_s) = (0, 0, 0, Vec::new());
        for (name, bucket) in each(Scenario::study) {
            let told = told(&bucket.device, &bucket.arrivals, change);
            assert_eq!(kinds(&told.standing()), kinds(&told.whole), "{what}, {name}: {:?}", told.live);
            let until = |count: usize| told.live.iter().filter(move |(at, news)| news.holds && *at < count);
            let (calibrated, live) = (until(calibrated(&bucket)).count(), until(bucket.arrivals.len()));
            let clean = name.starts_with(Profile::Clean.word());
            assert!(!(of_gravity && clean) || calibrated == 2, "{what}, {name}: {:?}", told.live);
            assert!(!(clean && clear) || live.clone().count() > 0, "{what}, {name}: {:?}", told.live);
            let taken_back = told.live.iter().filter(|(_, news)| !news.holds).count();
            assert!(!clear || taken_back == 0, "{what}, {name}: {:?}", told.live);
            (nodes, early, back) = (nodes + 2, early + calibrated, back + taken_back);
            after_s.extend(live.map(|(at, _)| came_s(&bucket, *at)));
        }
        after_s.sort_by(f64::total_cmp);
        println!(
            "{what}: of {nodes} nodes told {early} when calibrated, {} live, after {:.0}, {:.0}, {:.0} s (first, \
             middle, last), {back} taken back",
            after_s.len(),
            after_s[0],
            after_s[after_s.len() / 2],
            after_s[after_s.len() - 1]
        );
        assert!(!of_gravity || after_s.len() == nodes, "{what}");
    }
}

/// What freezes, as places in a reading's six numbers, and what is told of it.
const FREEZES: [(&[usize], &[Doubt]); 5] = [
    (&[0], &[Doubt::StuckAxis(Sensor::Gyro, 0)]),
    (&[4], &[Doubt::StuckAxis(Sensor::Accelerometer, 1)]),
    (&[0, 1, 2], &[Doubt::Stuck(Sensor::Gyro)]),
    (&[3, 4, 5], &[Doubt::Stuck(Sensor::Accelerometer)]),
    (&[0, 1, 2, 3, 4, 5], &[Doubt::Stuck(Sensor::Gyro), Doubt::Stuck(Sensor::Accelerometer)]),
];

/// Keeps these numbers of the hand node's readings at what they are when the bucket is this far.
fn freeze(from: DeviceTime, places: &'static [usize]) -> impl Fn(&mut ImuSample) {
    let kept = std::cell::Cell::new(None);
    move |sample: &mut ImuSample| {
        if sample.role != NodeRole::Hand || sample.t < from {
            return;
        }
        let (rate, force) = kept.get().unwrap_or((sample.rate_dps, sample.specific_force_g));
        kept.set(Some((rate, force)));
        for place in places {
            let (numbers, kept) = if *place < 3 {
                (&mut sample.rate_dps, &rate)
            } else {
                (&mut sample.specific_force_g, &force)
            };
            numbers[place % 3] = kept[place % 3];
        }
    }
}

/// What freezes late in a bucket is told within some swings, however much was sound before, and nothing else is.
#[test]
fn what_freezes_is_told_within_some_swings() {
    let mut swings_until = Vec::new();
    for (name, bucket) in each(Scenario::study) {
        let frozen_at = bucket.truth[bucket.truth.len() / 2].finish.unwrap().plus_seconds(1.0);
        for (places, doubts) in FREEZES {
            let told = told(&bucket.device, &bucket.arrivals, freeze(frozen_at, places));
            let expected: Vec<_> = doubts.iter().map(|doubt| (NodeRole::Hand, *doubt)).collect();
            assert_eq!(told.standing(), expected, "{name}");
            assert_eq!(told.whole, expected, "{name}");
            let (count, _) = told.live[0];
            let by = bucket.arrivals[..count].iter().rev().find_map(|arrival| match arrival {
                Arrival::Sample(sample) if sample.role == NodeRole::Hand => Some(sample.t),
                _ => None,
            });
            let between = |at: DeviceTime| at > frozen_at && Some(at) < by;
            swings_until.push(bucket.truth.iter().filter(|swing| between(swing.top)).count());
            assert!(swings_until.last() <= Some(&5), "{name}, {places:?}: {swings_until:?}");
        }
    }
    println!("swings until a freeze is told: {swings_until:?}");
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

/// Who turns about the vertical for half a minute seems still to the accelerometer: the gyro is doubted, until he stands.
#[test]
fn analyze_live_ends_with_what_stands() {
    let folder = tempfile::tempdir().unwrap();
    let csv = folder.path().join("turning.csv");
    let mut file = std::io::BufWriter::new(std::fs::File::create(&csv).unwrap());
    writeln!(file, "t_us,node,seq,gx,gy,gz,ax,ay,az,host_us").unwrap();
    for seq in 0..40_000_u32 {
        // Not the same numbers again and again.
        let (t_us, noise) = (seq * 2000, f64::from(seq * 7919 % 101) * 1e-4);
        let turning_dps = if seq < 15_000 { 20.0 } else { 0.0 };
        writeln!(file, "{t_us},0,{seq},{noise},0,{turning_dps},0,{noise},1.3,{t_us}").unwrap();
    }
    file.into_inner().unwrap();
    let notes = |arguments: &[&str]| {
        let out = run(&[&["analyze", csv.to_str().unwrap(), "--json"], arguments].concat());
        assert_eq!(code(&out), 0, "{}", errors(&out));
        let analysis: serde_json::Value = serde_json::from_slice(&out.stdout).unwrap();
        let notes: Vec<String> = serde_json::from_value(analysis["notes"].clone()).unwrap();
        notes.into_iter().filter(|note| note.contains("hand node")).collect::<Vec<String>>()
    };
    let live = notes(&["--live"]);
    assert!(live.len() == 1 && live[0].contains("1.30 g at rest"), "{live:?}");
    assert_eq!(live, notes(&[]));
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
