//! Chest and belt on sessions made apart from this program (`tests/independent/trunk_session.py`: other curves, other
//! straps, another sensor, nodes whose least latencies differ): how far off are lead, turn and lean, do the bars hold?
//! `SEEDS=20`, `FIRST=100`, `PER_SWING=1`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

#[path = "support/body_score.rs"]
mod body_score;
mod support {
    pub mod binary;
    pub mod environment;
}

use body_score::{Score, TrueSegment};
use hingeclock::detect::{AnalysisParams, BucketAnalysis, OfflineAnalysis};
use hingeclock::record::input::open_input;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use support::environment::number;

fn has_python() -> bool {
    let output = Command::new("python3").args(["-c", "import numpy, scipy"]).output();
    let there = output.is_ok_and(|output| output.status.success());
    if !there {
        println!("skipped: python3 with numpy and scipy is not here");
    }
    there
}

fn make(seed: u64, folder: &Path) -> (Child, PathBuf) {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/independent/trunk_session.py");
    let out = folder.join(format!("session-{seed}"));
    let child = Command::new("python3").arg(script).arg(seed.to_string()).arg(&out).spawn().unwrap();
    (child, out)
}

fn analysed(csv: &Path) -> BucketAnalysis {
    let input = open_input(csv).unwrap();
    let mut analysis = OfflineAnalysis::new(&input.device, AnalysisParams::default());
    input.arrivals.for_each(|arrival| analysis.push(&arrival.unwrap()));
    analysis.finish()
}

fn true_segment(truth: &Value) -> TrueSegment {
    let number = |key: &str| truth[key].as_f64().unwrap();
    TrueSegment {
        turn_at_top_deg: number("turn_at_top_deg"),
        tilt_at_impact_deg: number("tilt_at_impact_deg"),
        lead_to_top_ms: number("lead_to_top_ms"),
        lead_to_set_ms: None,
        turnaround_dps2: number("turnaround_dps2"),
        peak_dps: number("peak_dps"),
    }
}

/// The command says what the library found.
fn check_command(csv: &Path, analysis: &BucketAnalysis) {
    let output = support::binary::run(&["analyze", csv.to_str().unwrap(), "--json"]);
    let object: Value = serde_json::from_slice(&output.stdout).unwrap();
    let swings = object["swings"].as_array().unwrap();
    assert_eq!(swings.len(), analysis.swings.len());
    for (told, swing) in swings.iter().zip(&analysis.swings) {
        let pelvis = swing.body.as_ref().unwrap().pelvis.as_ref().unwrap();
        let lead = pelvis.start_back.unwrap().lead_to_top_ms;
        let told = &told["body"]["pelvis"];
        assert!((told["lead_to_top_ms"].as_f64().unwrap() - lead.value).abs() < 0.006);
        assert!((told["lead_to_top_ms_sd"].as_f64().unwrap() - lead.sd).abs() < 0.006);
        assert!((told["turn_at_top_deg"].as_f64().unwrap() - pelvis.turn_at_top_deg.value).abs() < 0.006);
    }
}

#[test]
fn on_sessions_made_apart_the_lead_of_the_pelvis_is_right_to_5_ms() {
    if !has_python() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (first, seeds) = (number("FIRST", 0), number("SEEDS", 8));
    let (mut pelvis, mut chest) = (Score::new("pelvis"), Score::new("chest"));
    let mut making: Vec<_> = (first..first + seeds).map(|seed| make(seed, folder.path())).collect();
    for (place, (child, out)) in making.iter_mut().enumerate() {
        assert!(child.wait().unwrap().success());
        let csv = out.with_extension("csv");
        let analysis = analysed(&csv);
        let truths: Value =
            serde_json::from_slice(&std::fs::read(out.with_extension("truth.json")).unwrap()).unwrap();
        for truth in truths.as_array().unwrap() {
            let top_us = truth["top_us"].as_i64().unwrap();
            let swing = analysis.swings.iter().find(|swing| (swing.top.0 - top_us).abs() < 50_000);
            let body = swing.and_then(|swing| swing.body.as_ref());
            pelvis.take(body.and_then(|body| body.pelvis.as_ref()), &true_segment(&truth["pelvis"]));
            chest.take(body.and_then(|body| body.chest.as_ref()), &true_segment(&truth["chest"]));
        }
        if place == 0 {
            check_command(&csv, &analysis);
        }
    }
    println!("sessions made apart, {first}..{}", first + seeds);
    println!("{pelvis}{chest}");
    for score in [&pelvis, &chest] {
        assert!(score.share_found() > 0.9, "{score}");
        assert!(score.lead_p95_ms() <= 5.0, "{score}");
        assert!(score.turn_p95_deg() <= 3.0, "{score}");
        score.assert_bars_hold();
    }
    Score::of_all(vec![pelvis, chest]).assert_lead_bars_are_fair();
}
