//! The measurement against sessions with exact truth, made by a generator kept apart from this program.
//! Prints one table; run with `cargo test --test accuracy -- --nocapture`. `PER_SWING=1` adds a line each,
//! `SESSIONS=folder` takes other sessions (NAME.csv.gz with NAME.truth.json).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use hingeclock::detect::{AnalysisParams, BucketAnalysis, Flag, OfflineAnalysis, Swing};
use hingeclock::record::input::open_input;
use serde_json::Value;
use std::path::{Path, PathBuf};

struct Scored {
    set_error_ms: Vec<f64>,
    top_error_ms: Vec<f64>,
    impact_error_ms: Vec<f64>,
    takeaway_error_ms: Vec<f64>,
    set_in_sd: Vec<f64>,
    class_right: usize,
    found: usize,
    expected: usize,
    invented: usize,
}

fn sessions() -> Option<PathBuf> {
    if let Some(folder) = std::env::var_os("SESSIONS") {
        return Some(folder.into());
    }
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/example-sessions");
    if folder.is_dir() {
        return Some(folder);
    }
    eprintln!("skipped: no example sessions beside the project");
    None
}

fn names(folder: &Path) -> Vec<String> {
    let entries =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> =
        entries.filter_map(|name| name.strip_suffix(".truth.json").map(str::to_owned)).collect();
    names.sort();
    names
}

fn analyse(path: &Path) -> BucketAnalysis {
    let mut input = open_input(path).unwrap();
    let mut analysis = OfflineAnalysis::new(&input.device, AnalysisParams::default());
    for arrival in input.arrivals.by_ref() {
        analysis.push(&arrival.unwrap());
    }
    analysis.finish()
}

fn ms(from_us: f64, truth: &Value) -> f64 {
    (from_us - truth["t_us_hand"].as_f64().unwrap()) * 1e-3
}

fn score(analysis: &BucketAnalysis, truth: &Value) -> Scored {
    let mut scored = Scored {
        set_error_ms: vec![],
        top_error_ms: vec![],
        impact_error_ms: vec![],
        takeaway_error_ms: vec![],
        set_in_sd: vec![],
        class_right: 0,
        found: 0,
        expected: 0,
        invented: 0,
    };
    let mut matched = vec![false; analysis.swings.len()];
    for label in truth["swings"].as_array().unwrap() {
        if !label["expect"].as_str().unwrap().starts_with("report") {
            continue;
        }
        scored.expected += 1;
        let top = label["events"]["top"]["t_us_hand"].as_f64().unwrap();
        let near = |swing: &Swing| (swing.top.0 as f64 - top).abs() < 300e3;
        let Some(at) = analysis.swings.iter().position(near) else { continue };
        matched[at] = true;
        scored.found += 1;
        compare(&analysis.swings[at], label, &mut scored);
    }
    scored.invented = matched.iter().filter(|m| !**m).count();
    scored
}

fn compare(swing: &Swing, label: &Value, scored: &mut Scored) {
    let events = &label["events"];
    scored.takeaway_error_ms.push(ms(swing.takeaway.0 as f64, &events["takeaway"]));
    scored.top_error_ms.push(ms(swing.top.0 as f64, &events["top"]));
    if let (Some(impact), Some(true)) = (swing.impact, label["shock"].as_bool()) {
        scored.impact_error_ms.push(ms(impact.0 as f64, &events["impact"]));
    }
    let class = swing.class.word().replace('-', "_");
    scored.class_right += usize::from(label["class"] == class);
    let set_error =
        swing.set.zip(label["set_rel_top_ms"].as_f64()).map(|(set, truth)| set.set_to_top_ms.value - truth);
    let well = label["hinge"]["well_conditioned"].as_bool() == Some(true);
    if let Some(error) = set_error.filter(|_| well) {
        scored.set_error_ms.push(error);
        scored.set_in_sd.push(error / swing.set.unwrap().set_to_top_ms.sd);
    }
    if std::env::var_os("PER_SWING").is_some() {
        let sd = swing.set.map(|set| set.set_to_top_ms.sd);
        println!(
            "{:>2} set {:>7.1?} ± {:>5.1?} take {:>6.1} top {:>5.1} impact {:>5.1?} {} / {} well {well} hinge top {:.1} truth {:.1} {:?}",
            label["index"],
            set_error.unwrap_or(f64::NAN),
            sd.unwrap_or(f64::NAN),
            scored.takeaway_error_ms.last().unwrap(),
            scored.top_error_ms.last().unwrap(),
            scored.impact_error_ms.last(),
            swing.class.word(),
            label["class"],
            swing.hinge_deg.top.map_or(f64::NAN, |top| top.value),
            events["top"]["hinge_deg"].as_f64().unwrap() - label["address"]["hinge_deg"].as_f64().unwrap(),
            swing.flags.iter().map(|flag: &Flag| flag.word()).collect::<Vec<_>>(),
        );
    }
}

fn percentile(values: &[f64], share: f64) -> f64 {
    let mut sorted: Vec<f64> = values.iter().map(|v| v.abs()).collect();
    sorted.sort_by(f64::total_cmp);
    if sorted.is_empty() {
        return f64::NAN;
    }
    let at = share * (sorted.len() - 1) as f64;
    let (low, part) = (at.floor() as usize, at.fract());
    sorted[low] + part * (sorted[(low + 1).min(sorted.len() - 1)] - sorted[low])
}

#[test]
fn example_sessions_are_measured() {
    let Some(folder) = sessions() else { return };
    println!(
        "session  found invented class  set p50/p95 ms  top p50/p95  impact p95  takeaway p50/p95  within 1/2 sd"
    );
    for name in names(&folder) {
        let truth: Value = serde_json::from_str(
            &std::fs::read_to_string(folder.join(format!("{name}.truth.json"))).unwrap(),
        )
        .unwrap();
        let analysis = analyse(&folder.join(format!("{name}.csv.gz")));
        let scored = score(&analysis, &truth);
        let within = |k: f64| scored.set_in_sd.iter().filter(|z| z.abs() <= k).count();
        println!(
            "{name:7} {:>3}/{} {:>6} {:>5}/{} {:>8.1} {:>6.1} {:>7.1} {:>5.1} {:>8.1} {:>9.1} {:>5.1} {:>9}/{}/{}  {:?}",
            scored.found,
            scored.expected,
            scored.invented,
            scored.class_right,
            scored.expected,
            percentile(&scored.set_error_ms, 0.5),
            percentile(&scored.set_error_ms, 0.95),
            percentile(&scored.top_error_ms, 0.5),
            percentile(&scored.top_error_ms, 0.95),
            percentile(&scored.impact_error_ms, 0.95),
            percentile(&scored.takeaway_error_ms, 0.5),
            percentile(&scored.takeaway_error_ms, 0.95),
            within(1.0),
            within(2.0),
            scored.set_in_sd.len(),
            analysis.notes,
        );
        assert_eq!(scored.found, scored.expected, "{name}: every swing is found");
        assert_eq!(scored.invented, 0, "{name}: none is invented");
        if std::env::var_os("DBG").is_none() {
            assert!(percentile(&scored.set_error_ms, 0.5) <= 10.0, "{name}: median set error");
        }
        assert!(scored.class_right as f64 >= 0.85 * scored.expected as f64, "{name}: classes");
    }
}
