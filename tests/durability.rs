//! The promise of a recording, against a model of a disk: what was acknowledged comes back exactly, whatever
//! fails; and what is told of a loss is true.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod fake_disk;
    pub mod recording;
}

use hingeclock::record::{Keeper, Recorded, StartError};
use hingeclock::units::HostTime;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use std::path::{Path, PathBuf};
use support::fake_disk::{FakeDisk, Fault};
use support::recording::{START_US, check_truth, is_part_of, items, read, samples, session, tally_of};

/// Crash schedules of the model test; `SCHEDULES=100000` for more.
const SCHEDULES: u64 = 10_000;

fn folders() -> Vec<PathBuf> {
    ["/stick/buckets", "/home/state"].map(PathBuf::from).to_vec()
}

fn start(disk: &FakeDisk) -> Result<Keeper<FakeDisk>, StartError> {
    Keeper::start(disk.clone(), folders(), session(), "a test")
}

/// A recording as it was made until the power went, the process was killed, or it was ended.
#[derive(Default)]
struct Told {
    /// Handed over, in order.
    given: Vec<Recorded>,
    /// So many of them were acknowledged.
    acknowledged: usize,
    /// It was ended, and nothing had gone wrong.
    ended_well: bool,
}

/// Records until the end or until the power goes. `events` may harm or heal the disk before each item.
fn record(
    disk: &FakeDisk,
    given: &[Recorded],
    mut events: impl FnMut(usize, &FakeDisk),
) -> Result<Told, String> {
    let mut told = Told::default();
    let Ok(mut keeper) = start(disk) else { return Ok(told) };
    let mut now = HostTime(START_US);
    for (at, item) in given.iter().enumerate() {
        events(at, disk);
        if !disk.has_power() {
            return Ok(told);
        }
        now = item.received();
        keeper.take(item.clone(), now);
        told.given.push(item.clone());
        acknowledge(&keeper, &mut told)?;
    }
    // Time for whatever is tried every second.
    for _ in 0..3 {
        now = HostTime(now.0 + 1_000_000);
        keeper.tick(now);
    }
    keeper.finish(now);
    if disk.has_power() {
        acknowledge(&keeper, &mut told)?;
        told.ended_well =
            keeper.pending().is_empty() && keeper.paths().len() == 1 && keeper.take_news().is_empty();
    }
    Ok(told)
}

/// Notes what the keeper calls safe, and holds it to its own words: what is not pending, and in numbers.
fn acknowledge(keeper: &Keeper<FakeDisk>, told: &mut Told) -> Result<(), String> {
    let acknowledged = told.given.len() - keeper.pending().len();
    if acknowledged < told.acknowledged {
        return Err("an acknowledgement was taken back".to_owned());
    }
    let (expected, found) = (tally_of(&told.given[..acknowledged]), keeper.safe());
    if expected != *found {
        return Err(format!("expected {expected:?} to be called safe, found {found:?}"));
    }
    told.acknowledged = acknowledged;
    Ok(())
}

/// Holds what is left to what was told.
fn check(told: &Told, left: &[(PathBuf, Vec<u8>)]) -> Result<(), String> {
    let mut found = Vec::new();
    for (path, bytes) in left {
        let mut read = read(bytes).map_err(|error| format!("{} does not open: {error}", path.display()))?;
        // A file that goes on for another begins with the club in use.
        let goes_on = read.session.as_ref().is_some_and(|found| found.started != session().started);
        if goes_on && matches!(read.items.first(), Some(Recorded::Marker { .. })) {
            found.push(read.items.remove(0));
        }
        if !is_part_of(&read.items, &told.given) {
            return Err(format!("{}: something came back changed", path.display()));
        }
        let one_file = left.len() == 1;
        if told.ended_well && one_file {
            let session = read.session == Some(session());
            let whole = read.items == told.given && session && !read.report.data_was_lost();
            whole.then_some(()).ok_or("ended well, but not whole or said to be damaged")?;
        } else if one_file {
            // A torn file: what came after its last mark is not known, so it has to say that it is torn.
            let complete = read.items.len() >= told.given.len();
            (complete || read.report.data_was_lost()).then_some(()).ok_or("a torn file is not told")?;
            let missing = tally_of(&read.items).lacks(&tally_of(&told.given));
            let called = read.report.lost.clone().unwrap_or_default();
            missing.lacks(&called).is_empty().then_some(()).ok_or("more is called lost than is missing")?;
        }
        found.extend(read.items);
    }
    for (at, item) in told.given[..told.acknowledged].iter().enumerate() {
        if !found.contains(item) {
            return Err(format!("item {at} of {} acknowledged ones is lost", told.acknowledged));
        }
    }
    Ok(())
}

/// Items at random distances of time.
fn random_items(random: &mut StdRng) -> Vec<Recorded> {
    let mut at_us = START_US;
    (0..random.random_range(1..60))
        .map(|number: u32| {
            at_us += random.random_range(0..30_000);
            let received = HostTime(at_us);
            match random.random_range(0..12) {
                0 => Recorded::Link { received, kind: "asked".to_owned(), value: number.to_string() },
                _ => samples(received, (number % 2) as u8, number * 35, random.random_range(1..=35)),
            }
        })
        .collect()
}

/// One schedule: some faults on the way, and then the power goes, the process is killed, or all ends.
fn schedule(seed: u64, lies: bool) -> Result<Told, String> {
    let mut random = StdRng::seed_from_u64(seed);
    let given = random_items(&mut random);
    let disk = FakeDisk::default();
    if lies {
        disk.lie();
    }
    let mut faults = 0;
    while random.random_bool(0.3) {
        let kinds = [Fault::Broken, Fault::Full, Fault::Short, Fault::Interrupted];
        disk.fail(random.random_range(1..120), kinds[random.random_range(0..4)]);
        faults += 1;
    }
    let power_lost = random.random_bool(0.7);
    if power_lost {
        disk.fail(random.random_range(1..150), Fault::PowerLoss);
    }
    let filled = random.random_bool(0.1).then(|| random.random_range(0..given.len()));
    let healed = filled.map(|at| at + random.random_range(1..20));
    let told = record(&disk, &given, |at, disk| {
        if filled == Some(at) {
            disk.room(at * 40);
        } else if healed == Some(at) && !power_lost {
            disk.heal();
        }
    })?;
    let context = |what: String| format!("{what} ({faults} faults, {} given)", told.given.len());
    check(&told, &disk.after_kill()).map_err(context)?;
    // The power can go at any moment, also after the end.
    check(&told, &disk.after_power_loss(&mut random)).map_err(context)?;
    Ok(told)
}

#[test]
fn thousands_of_crash_schedules_give_back_what_was_acknowledged() {
    let schedules = std::env::var("SCHEDULES").map_or(SCHEDULES, |text| text.parse().unwrap());
    let (mut acknowledged, mut given) = (0, 0);
    for seed in 0..schedules {
        let told = schedule(seed, false).unwrap_or_else(|error| panic!("seed {seed}: {error}"));
        acknowledged += told.acknowledged;
        given += told.given.len();
    }
    println!(
        "{schedules} schedules, {given} items given, {acknowledged} acknowledged, all of them read back"
    );
    assert!(
        acknowledged * 2 > given && acknowledged < given,
        "{acknowledged} of {given}: the schedules are dull"
    );
}

/// The model can tell: on a disk whose syncs do nothing, acknowledged samples are lost, and the check sees it.
#[test]
fn a_disk_that_lies_is_found_out() {
    let found_out = (0..200).filter(|seed| schedule(*seed, true).is_err()).count();
    assert!(found_out > 50, "{found_out} of 200");
}

#[test]
fn every_call_failing_in_turn_costs_nothing() {
    let given = items(60);
    let disk = FakeDisk::default();
    record(&disk, &given, |_, _| {}).unwrap();
    let calls = disk.calls();
    assert!(calls > 20, "{calls}");
    for fault in [Fault::Broken, Fault::Full, Fault::Short, Fault::Interrupted] {
        for call in 1..=calls {
            let disk = FakeDisk::default();
            disk.fail(call, fault);
            let told = record(&disk, &given, |_, _| {}).unwrap();
            let what = format!("call {call} of {calls}, {fault:?}");
            check(&told, &disk.after_kill()).unwrap_or_else(|error| panic!("{what}: {error}"));
            // The very first file has to be made, or recording does not begin. From there on nothing is lost.
            if !told.given.is_empty() {
                assert_eq!(told.acknowledged, given.len(), "{what}");
            }
        }
    }
}

#[test]
fn every_call_failing_from_there_on_loses_nothing_acknowledged_and_is_told() {
    let given = items(60);
    for fault in [Fault::Broken, Fault::Full] {
        for call in 1..60 {
            let disk = FakeDisk::default();
            disk.fail_from(call, fault);
            let Ok(mut keeper) = start(&disk) else { continue };
            let mut told = Told::default();
            for item in &given {
                keeper.take(item.clone(), item.received());
                told.given.push(item.clone());
                acknowledge(&keeper, &mut told).unwrap();
            }
            keeper.finish(HostTime(START_US + 9_000_000));
            acknowledge(&keeper, &mut told).unwrap();
            let news = format!("{:?}", keeper.take_news());
            let all = keeper.pending().is_empty();
            assert!(all || news.contains("NOTHING IS RECORDED NOW"), "call {call}: {news}");
            assert_eq!(keeper.pending().len() + told.acknowledged, given.len(), "call {call}");
            check(&told, &disk.after_kill()).unwrap_or_else(|error| panic!("call {call}: {error}"));
        }
    }
}

#[test]
fn a_full_disk_that_gets_room_again_loses_nothing() {
    let given = items(200);
    let disk = FakeDisk::default();
    let told = record(&disk, &given, |at, disk| match at {
        40 => disk.room(300),
        120 => disk.heal(),
        _ => {}
    });
    let told = told.unwrap();
    assert_eq!(told.acknowledged, given.len());
    check(&told, &disk.after_kill()).unwrap();
    let files = disk.after_kill();
    assert!(files.len() <= 3, "no pile of begun files: {}", files.len());
}

#[test]
fn a_stick_that_is_pulled_out_costs_nothing_and_the_recording_goes_on_elsewhere() {
    let given = items(600);
    let disk = FakeDisk::default();
    let told = record(&disk, &given, |at, disk| {
        if at == 300 {
            disk.pull_out(Path::new("/stick"));
        }
    });
    let told = told.unwrap();
    assert_eq!(told.acknowledged, given.len());
    let files = disk.after_kill();
    let in_reach: Vec<_> = files.iter().filter(|(path, _)| path.starts_with("/home/state")).collect();
    assert_eq!((files.len(), in_reach.len()), (2, 1));
    let elsewhere = read(&in_reach[0].1).unwrap();
    assert!(
        elsewhere.items.len() > 90,
        "a second is the most that goes after the stick: {}",
        elsewhere.items.len()
    );
    assert!(matches!(elsewhere.items[0], Recorded::Marker { .. }), "the club in use is told again");
    assert!(elsewhere.session.is_some_and(|found| found.started > session().started));
    let stick = read(&files.iter().find(|(path, _)| path.starts_with("/stick")).unwrap().1).unwrap();
    assert!(!stick.report.data_was_lost(), "a file that was moved is ended: {:?}", stick.report.sentences());
}

#[test]
fn a_folder_that_cannot_be_had_is_refused_before_anything_is_received() {
    let disk = FakeDisk::default();
    disk.fail_from(1, Fault::Broken);
    let error = start(&disk).err().unwrap().to_string();
    assert!(error.starts_with("no recording can be made in /stick/buckets: "), "{error}");
    let disk = FakeDisk::default();
    disk.room(100);
    let error = start(&disk).err().unwrap().to_string();
    assert_eq!(error, "no recording can be made in /stick/buckets: the disk is full");
    assert!(disk.after_kill().is_empty(), "nothing is left of it");
}

#[test]
fn what_is_received_is_safe_within_a_tenth_of_a_second_also_when_nothing_follows() {
    let disk = FakeDisk::default();
    let mut keeper = start(&disk).unwrap();
    let mut random = StdRng::seed_from_u64(1);
    for item in items(300) {
        let given = item.received();
        keeper.take(item, given);
        // A thread looks again when the keeper says, and the sync itself takes some of the time.
        let mut now = given;
        while !keeper.pending().is_empty() {
            now = keeper.due().max(HostTime(now.0 + 1));
            keeper.tick(now);
            if random.random_bool(0.5) {
                break;
            }
        }
        let oldest = keeper.pending().first().map_or(now, Recorded::received);
        assert!(now.0 - oldest.0 <= 50_000, "{} µs", now.0 - oldest.0);
    }
}

#[test]
fn a_recording_by_itself_is_what_was_given() {
    let given = items(100);
    let whole = read(&support::recording::recording_of(&given)).unwrap();
    assert_eq!(whole.items, given);
    assert!(!whole.report.data_was_lost());
    check_truth(&whole, &given, true).unwrap();
}
