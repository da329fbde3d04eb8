//! A player against himself: the statistics beside published examples and an independent implementation, how often
//! the interval is right, and the command as a user gives it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "support/binary.rs"]
mod binary;
#[path = "support/shelf.rs"]
mod shelf;

use binary::{code, errors, run};
use hingeclock::review::compare::{
    Basis, BucketMean, Cluster, Comparison, Incomparable, OverPairs, Quantity, compare, sentences,
    share_difference,
};
use hingeclock::review::statistics::Share;
use hingeclock::units::Measured;
use rand::SeedableRng;
use rand::rngs::StdRng;
use rand_distr::{Distribution, Normal};
use serde_json::Value;
use std::path::Path;
use std::process::Command;

fn cluster(bucket: i64, values: &[f64], sd: f64) -> Cluster {
    Cluster { bucket, values: values.iter().map(|value| Measured::new(*value, sd)).collect() }
}

fn close(value: f64, expected: f64, within: f64) {
    assert!((value - expected).abs() <= within, "{value}, expected {expected}");
}

/// Extra sleep under two drugs, the data of Student 1908 (Biometrika 6:1-25).
const SLEEP: [[f64; 10]; 2] = [
    [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
    [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4],
];

/// The intervals that the manual of R prints for these data under `t.test` [M].
#[test]
fn students_sleep_data_give_the_printed_intervals() {
    let [one, two] = SLEEP;
    let welch = compare(&[cluster(1, &one, 0.0)], &[cluster(2, &two, 0.0)]).unwrap();
    assert_eq!(welch.basis, Basis::OneBucketEach);
    close(welch.difference, 1.58, 1e-12);
    close(welch.freedom, 17.776, 1e-3);
    close(welch.low, -0.205_483_2, 1e-6);
    close(welch.high, 3.365_483_2, 1e-6);
    let each = |values: &[f64]| -> Vec<Cluster> {
        values.iter().zip(1..).map(|(value, bucket)| cluster(bucket, &[*value], 0.0)).collect()
    };
    let paired = compare(&each(&one), &each(&two)).unwrap();
    assert_eq!(paired.basis, Basis::PairedBuckets);
    close(paired.low, 0.700_114_2, 1e-6);
    close(paired.high, 2.459_885_8, 1e-6);
}

/// `stats.t.interval` of SciPy 1.17 for the first drug; with a measurement of 0.4, whose variance is known beforehand,
/// the same with the degrees of freedom of Satterthwaite.
#[test]
fn a_buckets_mean_has_students_interval_and_no_better_one_than_it_is_measured() {
    let [one, _] = SLEEP;
    for (sd, low, high) in [
        (0.0, -0.529_780_413_526_231_8, 2.029_780_413_526_231_6),
        (0.4, -0.694_149_063_251_816_8, 2.194_149_063_251_816_6),
    ] {
        let found = BucketMean::of(&cluster(7, &one, sd)).unwrap();
        assert_eq!((found.bucket, found.swings), (7, 10));
        close(found.mean, 0.75, 1e-12);
        let interval = found.interval.unwrap();
        close(interval.0, low, 1e-9);
        close(interval.1, high, 1e-9);
    }
    assert_eq!(BucketMean::of(&cluster(7, &[3.0], 0.1)).unwrap().interval, None);
    assert_eq!(BucketMean::of(&cluster(7, &[], 0.1)), None);
    assert_eq!(BucketMean::of(&cluster(7, &[3.0, 3.0, 3.0], 0.0)).unwrap().interval, Some((3.0, 3.0)));
}

/// Worked examples of Newcombe 1998 (Stat Med 17:873-890), method 10 [M].
#[test]
fn differences_of_shares_are_those_of_the_published_table() {
    for (first, second, difference, low, high) in [
        ((48, 80), (56, 70), 0.2, 0.0524, 0.3339),
        ((3, 10), (9, 10), 0.6, 0.1705, 0.8090),
        ((2, 7), (6, 7), 0.5714, 0.0582, 0.8062),
    ] {
        let share = |(hits, n)| Share::of(hits, n).unwrap();
        let found = share_difference(share(first), share(second));
        close(found.0, difference, 5e-5);
        close(found.1, low, 5e-5);
        close(found.2, high, 5e-5);
    }
}

/// Each basis by SciPy's own call; one bucket against several has none, so by its distribution.
const SCIPY: &str = r"
import json, sys
import numpy as np
from scipy import stats
a, b = ([np.array(bucket) for bucket in side] for side in json.load(sys.stdin))
def ends(result):
    interval = result.confidence_interval(0.95)
    return [float(result.df), interval.low, interval.high]
means = [np.array([bucket.mean() for bucket in side]) for side in (a, b)]
first, second = np.concatenate(a), np.concatenate(b)
one = np.array([a[0].mean()])
half = stats.t.interval(0.95, len(b) - 1, loc=means[1].mean() - one[0],
    scale=means[1].std(ddof=1) * np.sqrt(1 + 1 / len(b)))
print(json.dumps({
    'one-bucket-each': ends(stats.ttest_ind(b[0], a[0], equal_var=False)),
    'buckets': ends(stats.ttest_ind(means[1], means[0], equal_var=False)),
    'paired-buckets': ends(stats.ttest_rel(means[1], means[0])),
    'one-against-several': [len(b) - 1, *half],
    'dominance': 2 * stats.mannwhitneyu(second, first).statistic / (len(first) * len(second)) - 1,
    'shift': float(np.median(np.subtract.outer(second, first))),
}))
";

fn scipy(data: &str) -> Option<Value> {
    let there = Command::new("python3").args(["-c", "import scipy"]).output();
    if !there.is_ok_and(|output| output.status.success()) {
        println!("skipped: python3 with scipy is not here");
        return None;
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("data.json");
    std::fs::write(&file, data).unwrap();
    let input = std::fs::File::open(&file).unwrap();
    let output = Command::new("python3").args(["-c", SCIPY]).stdin(input).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    Some(serde_json::from_slice(&output.stdout).unwrap())
}

#[test]
fn every_basis_agrees_with_scipy() {
    let mut random = StdRng::seed_from_u64(11);
    let noise = Normal::new(0.0, 40.0).unwrap();
    let mut side = |middle: f64, sizes: &[usize]| -> Vec<Vec<f64>> {
        let mut values =
            |size: &usize| (0..*size).map(|_| middle + noise.sample(&mut random)).collect::<Vec<f64>>();
        sizes.iter().map(&mut values).collect()
    };
    let (first, second) = (side(-320.0, &[12, 5, 9, 20]), side(-290.0, &[7, 11, 3, 15]));
    let Some(theirs) = scipy(&serde_json::to_string(&[&first, &second]).unwrap()) else { return };
    let from = |side: &[Vec<f64>], number: i64| -> Vec<Cluster> {
        side.iter().zip(number..).map(|(values, bucket)| cluster(bucket, values, 0.0)).collect()
    };
    let (a, b, b_paired) = (from(&first, 0), from(&second, 10), from(&second, 0));
    let checks = [compare(&a[..1], &b[..1]), compare(&a, &b), compare(&a, &b_paired), compare(&a[..1], &b)];
    let mut seen = Vec::new();
    for ours in checks.map(Result::unwrap) {
        let word = ours.basis.word();
        for (value, at) in [(ours.freedom, 0_usize), (ours.low, 1), (ours.high, 2)] {
            close(value, theirs[word][at].as_f64().unwrap(), 1e-6);
        }
        seen.push(word);
    }
    assert_eq!(seen, ["one-bucket-each", "buckets", "paired-buckets", "one-against-several"]);
    let pairs = OverPairs::of(&a, &b).unwrap();
    close(pairs.shift, theirs["shift"].as_f64().unwrap(), 1e-9);
    close(pairs.dominance, theirs["dominance"].as_f64().unwrap(), 1e-9);
}

/// Buckets of a player who does not change, but has good and bad days.
fn unchanged(random: &mut StdRng, numbers: std::ops::Range<i64>) -> Vec<Cluster> {
    let (day, swing) = (Normal::new(0.0, 20.0).unwrap(), Normal::new(0.0, 30.0).unwrap());
    let mut bucket = |number| {
        let middle = day.sample(random);
        let values: Vec<f64> = (0..15).map(|_| middle + swing.sample(random)).collect();
        cluster(number, &values, 3.0)
    };
    numbers.map(&mut bucket).collect()
}

/// Share of 2000 comparisons in which a difference is called larger than the noise where there is none.
fn false_alarms(compared: impl Fn(&mut StdRng) -> Comparison) -> f64 {
    let mut random = StdRng::seed_from_u64(5);
    let is_alarm = |found: &Comparison| found.low > 0.0 || found.high < 0.0;
    let alarms = (0..2000).filter(|_| is_alarm(&compared(&mut random))).count();
    alarms as f64 / 2000.0
}

#[test]
fn days_do_not_pass_for_changes_where_buckets_count() {
    // 5 %, give or take three standard errors of 2000 trials; Welch with few buckets is known to be a little careful.
    let by_bucket =
        false_alarms(|random| compare(&unchanged(random, 0..4), &unchanged(random, 4..8)).unwrap());
    assert!((0.025..0.065).contains(&by_bucket), "{by_bucket}");
    let against = false_alarms(|random| compare(&unchanged(random, 0..1), &unchanged(random, 1..6)).unwrap());
    assert!((0.035..0.065).contains(&against), "{against}");
    // And this is why: the same swings taken as independent cry wolf.
    let pooled = false_alarms(|random| {
        let one = |side: Vec<Cluster>, bucket| Cluster {
            bucket,
            values: side.into_iter().flat_map(|cluster| cluster.values).collect(),
        };
        let (first, second) = (unchanged(random, 0..4), unchanged(random, 4..8));
        compare(&[one(first, 0)], &[one(second, 1)]).unwrap()
    });
    assert!(pooled > 0.2, "{pooled}");
    println!("false alarms: buckets {by_bucket}, one against several {against}, pooled swings {pooled}");
}

#[test]
fn what_a_bucket_shares_widens_the_interval_of_one_bucket_each() {
    let [one, two] = SLEEP;
    let width = |sd| {
        let found = compare(&[cluster(1, &one, sd)], &[cluster(2, &two, sd)]).unwrap();
        found.high - found.low
    };
    assert!(width(1.0) > 1.3 * width(0.0), "{} {}", width(0.0), width(1.0));
    // Within one bucket it is the same for both clubs, and falls out.
    let within = |sd| compare(&[cluster(1, &one, sd)], &[cluster(1, &two, sd)]).unwrap();
    assert_eq!((within(1.0).low, within(1.0).basis), (within(0.0).low, Basis::SwingsOfOneBucket));
}

#[test]
fn what_cannot_be_compared_is_refused_in_words() {
    let (a, b) = (cluster(1, &[1.0, 2.0], 0.0), cluster(2, &[3.0, 5.0], 0.0));
    assert_eq!(compare(&[], std::slice::from_ref(&a)), Err(Incomparable::Empty));
    assert_eq!(compare(&[cluster(3, &[f64::NAN], 0.0)], std::slice::from_ref(&a)), Err(Incomparable::Empty));
    assert_eq!(compare(&[a.clone(), b.clone()], std::slice::from_ref(&b)), Err(Incomparable::Overlap));
    assert_eq!(compare(&[cluster(3, &[1.0], 0.0)], std::slice::from_ref(&a)), Err(Incomparable::TooFew));
    let same = |bucket| cluster(bucket, &[4.0, 4.0], 0.0);
    assert_eq!(compare(&[same(1)], &[same(2)]), Err(Incomparable::NoSpread));
}

#[test]
fn the_words_say_which_way_how_sure_and_how_few() {
    let early = cluster(1, &[-340.0, -350.0, -345.0], 2.0);
    let late = cluster(2, &[-300.0, -310.0, -305.0], 2.0);
    let said = |first: &Cluster, second: &Cluster| {
        let found = compare(std::slice::from_ref(first), std::slice::from_ref(second)).unwrap();
        sentences(&found, Quantity::SetToTop).join(" ")
    };
    let text = said(&early, &late);
    assert!(text.starts_with("The second side is set 40 ms later: more than the noise."), "{text}");
    assert!(text.contains("Few swings (3 on the smaller side)"), "{text}");
    assert!(text.contains("a good or bad day cannot be told from a change"), "{text}");
    let text = said(&late, &early);
    assert!(text.starts_with("The second side is set 40 ms earlier: more"), "{text}");
    let text = said(&late, &cluster(3, &[-250.0, -300.0, -380.0], 2.0));
    assert!(text.starts_with("No difference is shown: the second side is set 5 ms earlier, but"), "{text}");
    assert!(text.contains("The measurement is part of the spread"), "{text}");
}

fn add(folder: &Path, name: &str, player: &str, seed: u64) {
    let session = shelf::session(player, 1_700_000_000_000 + 3_600_000 * seed as i64);
    shelf::put(folder, name, &session, &shelf::recorded(&shelf::bucket(4, seed), &session));
}

#[test]
fn the_command_compares_buckets_and_clubs_of_one_player() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    add(folder, "a.mcap", "Robin", 1);
    add(folder, "b.mcap", "Robin", 2);
    add(folder, "x.mcap", "Ann", 3);
    let contrast = |arguments: &[&str]| {
        let mut all = vec!["library", "--folder", folder.to_str().unwrap(), "contrast"];
        all.extend(arguments);
        run(&all)
    };
    let output = contrast(&["--first", "a", "--second", "b", "--club", "driver", "--json"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let set = &told["compared"]["set_to_top_ms"];
    // How many sets with the driver, and their mean.
    let of_driver = |name: &str| {
        let output = run(&["library", "--folder", folder.to_str().unwrap(), "show", name, "--json"]);
        let shown: Value = serde_json::from_slice(&output.stdout).unwrap();
        let number = |value: &Value| value.as_f64().or_else(|| value["value"].as_f64()).unwrap();
        let swings = shown["swings"].as_array().unwrap().iter();
        let driven = swings.map(|swing| &swing["numbers"]).filter(|swing| swing["club"] == "driver");
        let sets: Vec<f64> = driven.map(|swing| number(&swing["set_to_top_ms"])).collect();
        (sets.len(), sets.iter().sum::<f64>() / sets.len() as f64)
    };
    let (a, b) = (of_driver("a"), of_driver("b"));
    assert_eq!((&set["basis"], &set["swings"]), (&"one-bucket-each".into(), &serde_json::json!([a.0, b.0])));
    assert!(a.0 >= 2 && b.0 >= 2, "{a:?} {b:?}");
    close(set["difference"].as_f64().unwrap(), b.1 - a.1, 1e-9);
    let clubs = contrast(&["--first", "a", "--second", "a", "--club", "iron", "--second-club", "driver"]);
    let text = String::from_utf8_lossy(&clubs.stdout).into_owned();
    assert_eq!(code(&clubs), 0, "{}", errors(&clubs));
    let words: Vec<&str> = text.split_whitespace().collect();
    assert!(words.join(" ").contains("Both sides are of one bucket"), "{text}");
    assert!(
        text.lines().all(|line| line.chars().count() <= 120),
        "no line is broken by the terminal: {text}"
    );
    let short = contrast(&["--first", "a", "--club", "iron", "--second-club", "driver"]);
    assert_eq!(short.stdout, clubs.stdout, "two clubs of the same recordings: {}", errors(&short));
    assert_eq!(code(&contrast(&["--first", "a", "--club", "iron"])), 2, "there is no second side");
    let misspelt = contrast(&["--first", "a", "--second", "b", "--club", "irn"]);
    let told = String::from_utf8_lossy(&misspelt.stderr);
    assert_eq!(code(&misspelt), 1, "{told}");
    assert!(told.contains("iron") && told.contains("driver") && told.contains("found \"irn\""), "{told}");
    let itself = contrast(&["--first", "a", "--second", "b", "a", "--club", "iron"]);
    assert_eq!(code(&itself), 1);
    assert!(errors(&itself).contains("a.mcap: expected each swing on one side, found some on both"));
    let other = contrast(&["--first", "a", "--second", "x"]);
    assert_eq!(code(&other), 1);
    assert!(
        errors(&other).contains("expected recordings of one player, found Ann, Robin"),
        "{}",
        errors(&other)
    );
}
