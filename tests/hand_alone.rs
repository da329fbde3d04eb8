//! The measurement with the hand node alone, over study buckets whose forearm's readings are dropped: random
//! players, clean and typical sensors, every class of hinge.
//!
//! Prints one table: `SEEDS=10 cargo test --test hand_alone -- --nocapture`; `FIRST=100` starts at that seed,
//! `PER_SWING=1` adds a line each, `SESSIONS=folder` names the sessions made apart from this program.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod environment;
    pub mod score;
    pub mod sessions;
}

use hingeclock::detect::{Flag, Swing};
use hingeclock::device::virtual_glove::{Profile, Scenario, SwingTruth, VirtualBucket};
use hingeclock::review::statistics::median;
use hingeclock::sample::{Arrival, DeviceDescription};
use support::analysis::{hand_alone, offline_of};
use support::environment::number;
use support::score::{BucketScore, Scored, Summary, SwingScore, percentile, score, within};
use support::sessions;

/// Seeds of a plain run. Those below 100 are what the model's judgements were made on.
const FIRST: u64 = 100;
const SEEDS: u64 = 6;
/// Where every swing has another body about one set in thirty lies on the wrong side of a plateau: few buckets tell nothing
/// of the last twentieth.
const BODIES_SEEDS: u64 = 24;
/// Rounds of everyday movements, of each profile.
const EVERYDAY_SEEDS: u64 = 12;
/// Least share within one bar: 68 % were right. Six buckets have 48 swings with some 45 sets, so ±0.14 is
/// chance alone (two deviations); some sets lie on the wrong side of a plateau, so bars that hold twice as they should
/// hold more than 68 % once.
const ONE_OF_SET: f64 = 0.55;
/// The angles of one swing go wrong together, so there is as much chance in them. Sensors are not what limits them,
/// so bars that hold on typical gear are wide on clean gear.
const ONE_OF_ANGLES: f64 = 0.54;
/// Bars that hold more than this within one are too wide: of sets, of hinges and of flexions. A hundred and sixty sets have
/// ±0.06 of chance in them, angles twice as much.
const TOO_WIDE: [f64; 3] = [0.9, 0.93, 0.9];

fn measured(
    name: &str,
    device: &DeviceDescription,
    arrivals: &[Arrival],
    truth: &[SwingTruth],
) -> BucketScore {
    let (device, arrivals) = hand_alone(device, arrivals);
    let swings = offline_of(&device, &arrivals);
    for swing in &swings {
        assert!(swing.flags.contains(&Flag::HandNodeAlone), "{name}: a swing of one node does not say so");
    }
    let score = score(&swings, truth);
    if !score.missed.is_empty() || !score.invented.is_empty() {
        println!("{name}: missed {:?}, invented {:?}", score.missed, score.invented);
    }
    if std::env::var_os("PER_SWING").is_some() {
        for swing in &score.swings {
            let (error, sd) = swing.set_ms.map_or((f64::NAN, f64::NAN), |set| (set.error, set.sd));
            println!(
                "{name} {} {:?} {} set {error:.1} sd {sd:.1} well {} top {:.1} take {:.0} rms {:.1} {:?}",
                swing.place,
                truth[swing.place].size,
                truth[swing.place].class,
                swing.well_conditioned,
                swing.top_ms,
                swing.takeaway_ms,
                swing.hinge_rms_deg,
                swing.classes.0,
            );
        }
    }
    score
}

fn study(profile: Profile, play: fn(Profile, u64) -> Scenario, seeds: u64) -> Summary {
    let (first, seeds) = (number("FIRST", FIRST), number("SEEDS", seeds));
    let buckets: Vec<BucketScore> = (first..first + seeds)
        .map(|seed| {
            let bucket = VirtualBucket::play(&play(profile, seed), seed);
            let name = format!("{} {seed}", profile.word());
            measured(&name, &bucket.device, &bucket.arrivals, &bucket.truth)
        })
        .collect();
    Summary::of(&buckets)
}

/// How many of these lie within one and within two of their bars.
fn held(scores: &[Scored]) -> (f64, f64) {
    (within(scores, 1.0), within(scores, 2.0))
}

fn angles(summary: &Summary, of: impl Fn(&SwingScore) -> &[Scored]) -> Vec<Scored> {
    summary.swings.iter().flat_map(|swing| of(swing).to_vec()).collect()
}

/// Prints a line of the table, and how far the bars hold.
fn print(name: &str, summary: &Summary) {
    println!("{}", summary.line(name));
    let told = [
        ("set", summary.sets()),
        ("hinge", angles(summary, |swing| &swing.hinge_deg)),
        ("flexion", angles(summary, |swing| &swing.flexion_deg)),
    ];
    for (what, scores) in told {
        let (one, two) = held(&scores);
        let bar = percentile(scores.iter().map(|scored| scored.sd), 0.5);
        println!(
            "    {what} within one bar {one:.2}, two {two:.2}, median bar {bar:.1}, {} values",
            scores.len()
        );
    }
}

fn check_times(name: &str, summary: &Summary, times: f64) {
    // Every one of a plain run. Of more than a thousand swings a chip or two are missed, since neither hand nor
    // forearm looks like a swing.
    assert!(summary.missed * 64 <= summary.expected, "{name}: {} swings missed", summary.missed);
    assert_eq!(summary.invented, 0, "{name}: swings invented");
    let sets = summary.sets();
    let error_ms = |share| percentile(sets.iter().map(|set| set.error), share);
    assert!(error_ms(0.5) <= 15.0 * times, "{name}: median {} ms", error_ms(0.5));
    assert!(error_ms(0.95) <= 60.0 * times, "{name}: 95 % {} ms", error_ms(0.95));
}

#[test]
fn the_hand_alone_tells_the_set() {
    println!("{}", Summary::HEAD);
    for (profile, times) in [(Profile::Clean, 1.0), (Profile::Typical, 2.0)] {
        let (summary, name) = (study(profile, Scenario::study, SEEDS), profile.word());
        print(name, &summary);
        check_times(name, &summary, times);
        // The body of these buckets is the one that the model expects, so its bars are wide for it.
        for (what, scores) in [("set", summary.sets()), ("hinge", angles(&summary, |swing| &swing.hinge_deg))]
        {
            let (one, two) = held(&scores);
            assert!(one >= 0.6 && two >= 0.9, "{name}: {what} within one bar {one:.2}, two {two:.2}");
        }
    }
}

fn check_bars(what: &str, play: fn(Profile, u64) -> Scenario, seeds: u64, most: [f64; 3]) {
    println!("{}", Summary::HEAD);
    let both = [(Profile::Clean, 1.0), (Profile::Typical, 2.0)].map(|(profile, times)| {
        let (summary, name) = (study(profile, play, seeds), format!("{} {what}", profile.word()));
        print(&name, &summary);
        (name, summary, times)
    });
    for (name, summary, times) in both {
        check_times(&name, &summary, times);
        let told = [
            ("set", summary.sets(), ONE_OF_SET),
            ("hinge", angles(&summary, |swing| &swing.hinge_deg), ONE_OF_ANGLES),
            ("flexion", angles(&summary, |swing| &swing.flexion_deg), ONE_OF_ANGLES),
        ];
        for ((what, scores, least), most) in told.into_iter().zip(most) {
            let (one, two) = held(&scores);
            assert!(
                (least..=most).contains(&one) && two >= 0.88,
                "{name}: {what} within one bar {one:.2}, two {two:.2}"
            );
        }
    }
}

/// With another body in every swing the bars hold what they say.
#[test]
fn the_bars_hold_for_bodies_of_every_kind() {
    check_bars("bodies", Scenario::bodies, BODIES_SEEDS, TOO_WIDE);
}

/// With one body in a whole bucket, too, where all swings go wrong together. Two dozen bodies may by chance all lie
/// near to what is expected (±0.12 of them, two deviations), so they tell bars that are too narrow only.
#[test]
fn the_bars_hold_for_a_bucket_of_one_body() {
    check_bars("one body", Scenario::one_body, BODIES_SEEDS, [1.0; 3]);
}

/// Sets that lie at least so far from what is usual in their bucket are asked whether they are told so, ms.
const UNLIKE_MS: f64 = 60.0;

/// Which share of its way from the usual set of its bucket each set is told to have gone, where it is unlike that.
fn shares_told(score: &BucketScore, truth: &[SwingTruth]) -> Vec<f64> {
    let true_ms = |swing: &SwingTruth| swing.set.map(|set| set.set_to_top_ms);
    let usual_ms = median(&truth.iter().filter_map(true_ms).collect::<Vec<_>>()).unwrap();
    let share = |swing: &SwingScore| {
        let away_ms = true_ms(&truth[swing.place])? - usual_ms;
        (away_ms.abs() >= UNLIKE_MS).then_some(1.0 + swing.set_ms?.error / away_ms)
    };
    score.swings.iter().filter(|swing| swing.well_conditioned).filter_map(share).collect()
}

/// A player's swings are alike, and a coach looks for the one that is not: each is told as it is, not as the others are.
#[test]
fn a_set_that_is_unlike_the_others_is_told_so() {
    let (first, seeds) = (number("FIRST", FIRST), number("SEEDS", BODIES_SEEDS));
    println!("{}", Summary::HEAD);
    for profile in [Profile::Clean, Profile::Typical] {
        let name = format!("{} one player", profile.word());
        let played = (first..first + seeds).map(|seed| {
            let bucket = VirtualBucket::play(&Scenario::one_player(profile, seed), seed);
            let name = format!("{name} {seed}");
            let score = measured(&name, &bucket.device, &bucket.arrivals, &bucket.truth);
            (shares_told(&score, &bucket.truth), score)
        });
        let (shares, scores): (Vec<Vec<f64>>, Vec<BucketScore>) = played.unzip();
        let (shares, summary) = (shares.concat(), Summary::of(&scores));
        print(&name, &summary);
        let middle = median(&shares).unwrap();
        let most = shares.iter().filter(|share| **share > 0.5).count() as f64 / shares.len() as f64;
        println!(
            "    of {} unlike the others {middle:.2} of the way in the median, {most:.2} more than half",
            shares.len()
        );
        assert!((0.95..1.05).contains(&middle) && most >= 0.85, "{name}: {middle:.2} of the way, {most:.2}");
        let (one, two) = held(&summary.sets());
        assert!(one >= ONE_OF_SET && two >= 0.88, "{name}: set within one bar {one:.2}, two {two:.2}");
    }
}

/// Everything that is no swing stays none.
#[test]
fn the_hand_alone_invents_nothing() {
    let mut invented = Vec::new();
    for profile in [Profile::Clean, Profile::Typical] {
        for seed in 1..=number("SEEDS", EVERYDAY_SEEDS) {
            let bucket = VirtualBucket::play(&Scenario::everyday(profile, seed), seed);
            let (device, arrivals) = hand_alone(&bucket.device, &bucket.arrivals);
            let told = |swing: Swing| format!("{} {seed}: {:?} {:?}", profile.word(), swing.top, swing.flags);
            invented.extend(offline_of(&device, &arrivals).into_iter().map(told));
        }
    }
    assert!(invented.is_empty(), "{invented:#?}");
}

/// Sessions that were made apart from this program are reported only: nothing was judged by them.
#[test]
fn sessions_made_apart_are_measured_too() {
    let Some(folder) = sessions::folder() else { return };
    println!("{}", Summary::HEAD);
    for session in sessions::sessions(&folder) {
        let score = measured(&session.name, &session.device, &session.arrivals, &session.truth);
        print(&format!("{} {}", session.name, session.profile), &Summary::of([&score]));
        assert!(score.invented.is_empty(), "{}: {:?} invented", session.name, score.invented);
    }
}
