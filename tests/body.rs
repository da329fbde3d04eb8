//! Chest and belt: turn at the top, lean at impact, and when pelvis and chest start back, against the virtual glove's
//! own truth. `SEEDS=25`, `FIRST=100`, `PER_SWING=1`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

#[path = "support/body_score.rs"]
mod body_score;
#[path = "support/environment.rs"]
mod environment;

use body_score::{Score, TrueSegment};
use environment::number;
use hingeclock::detect::{
    AnalysisParams, BucketAnalysis, LiveAnalysis, OfflineAnalysis, SegmentPoint, Swing,
};
use hingeclock::device::virtual_glove::{Profile, Scenario, SegmentTruth, SwingTruth, VirtualBucket};
use hingeclock::sample::{Arrival, DeviceDescription, NodeRole};
use hingeclock::units::DeviceTime;

fn analysed(device: &DeviceDescription, arrivals: &[Arrival]) -> BucketAnalysis {
    let mut analysis = OfflineAnalysis::new(device, AnalysisParams::default());
    arrivals.iter().for_each(|arrival| analysis.push(arrival));
    analysis.finish()
}

fn swing_of<'a>(swings: &'a [Swing], truth: &SwingTruth) -> Option<&'a Swing> {
    swings.iter().find(|swing| swing.top.seconds_since(truth.top).abs() < 0.08)
}

/// How far a set may be off and still be the same one, s. A set that was taken for another is judged elsewhere.
const SAME_SET_S: f64 = 0.03;

fn true_segment(truth: &SegmentTruth, swing: &SwingTruth, found: &Swing) -> TrueSegment {
    let sets = swing.set.as_ref().zip(found.set);
    let same = sets.filter(|(truth, found)| found.set.seconds_since(truth.set).abs() < SAME_SET_S);
    TrueSegment {
        turn_at_top_deg: truth.turn_at_top_deg,
        tilt_at_impact_deg: truth.tilt_at_impact_deg,
        lead_to_top_ms: truth.lead_to_top_ms,
        lead_to_set_ms: same.map(|(set, _)| set.set.seconds_since(truth.starts_back) * 1e3),
        turnaround_dps2: truth.turnaround_dps2,
        peak_dps: truth.peak_dps,
    }
}

fn score(profile: Profile) -> (Score, Score) {
    // Straps and paths are drawn by the seed alone, so each profile has seeds of its own.
    let seeds = number("SEEDS", 8);
    let first = number("FIRST", 0) + seeds * profile as u64;
    let (mut pelvis, mut chest) = (Score::new("pelvis"), Score::new("chest"));
    for seed in first..first + seeds {
        let bucket = VirtualBucket::play(&Scenario::study(profile, seed).with_trunk(), seed);
        let analysis = analysed(&bucket.device, &bucket.arrivals);
        for truth in &bucket.truth {
            let Some(swing) = swing_of(&analysis.swings, truth) else { continue };
            let (body, true_body) = (swing.body.as_ref(), truth.body.as_ref().unwrap());
            pelvis.take(
                body.and_then(|body| body.pelvis.as_ref()),
                &true_segment(&true_body.pelvis, truth, swing),
            );
            chest.take(
                body.and_then(|body| body.chest.as_ref()),
                &true_segment(&true_body.chest, truth, swing),
            );
        }
    }
    println!("{} buckets {first}..{}", profile.word(), first + seeds);
    println!("{pelvis}{chest}");
    (pelvis, chest)
}

#[test]
fn the_lead_of_the_pelvis_is_right_to_5_ms_and_its_bars_are_fair() {
    let mut all = Vec::new();
    for profile in [Profile::Clean, Profile::Typical, Profile::Harsh] {
        let (pelvis, chest) = score(profile);
        for score in [pelvis, chest] {
            if profile == Profile::Harsh {
                // Poor sensors and a glove that slips are told with wider bars.
                assert!(score.share_found() > 0.8, "{score}");
            } else {
                assert!(score.share_found() > 0.9, "{score}");
                assert!(score.lead_p95_ms() <= 5.0, "{score}");
                assert!(score.turn_p95_deg() <= 3.0, "{score}");
                // Sideways is where the bend at address shows it, to some degrees: the lean's bar is 2° and more.
                assert!(score.tilt_p95_deg() <= 4.0, "{score}");
            }
            score.assert_bars_hold();
            all.push(score);
        }
    }
    let all = Score::of_all(all);
    println!("{all}");
    all.assert_lead_bars_are_fair();
}

/// Largest and usual error of a turn over time, from address to a little after the ball, degrees.
fn curve_errors(found: &[SegmentPoint], truth: &SegmentTruth, until: DeviceTime) -> Vec<f64> {
    let true_deg = |t: DeviceTime| {
        let after = truth.curve.partition_point(|(true_t, _)| *true_t < t);
        let ((t0, a), (t1, b)) = (truth.curve[after - 1], truth.curve[after]);
        a + (b - a) * t.seconds_since(t0) / t1.seconds_since(t0)
    };
    found.iter().filter(|p| p.t <= until).map(|p| (p.turn_deg - true_deg(p.t)).abs()).collect()
}

#[test]
fn the_turn_over_time_is_that_of_the_segment() {
    for profile in [Profile::Clean, Profile::Typical] {
        let (mut errors, mut swings) = (Vec::new(), 0);
        for seed in 100..104 {
            let bucket = VirtualBucket::play(&Scenario::study(profile, seed).with_trunk(), seed);
            let analysis = analysed(&bucket.device, &bucket.arrivals);
            for truth in &bucket.truth {
                let Some(swing) = swing_of(&analysis.swings, truth) else { continue };
                let (body, true_body) = (swing.body.as_ref().unwrap(), truth.body.as_ref().unwrap());
                let until = swing.impact.unwrap_or(truth.arm_back).plus_seconds(0.04);
                for (found, truth) in [(&body.pelvis, &true_body.pelvis), (&body.chest, &true_body.chest)] {
                    let segment = found.as_ref().unwrap();
                    let (first, last) = (segment.curve.first().unwrap(), segment.curve.last().unwrap());
                    // From address to finish, without a hole.
                    assert!(first.t < swing.takeaway && last.t > until, "{first:?} {last:?}");
                    assert!(segment.curve.windows(2).all(|p| p[1].t.seconds_since(p[0].t) < 0.0051));
                    let at_top = segment.at(swing.top).unwrap().turn_deg;
                    assert!((at_top - segment.turn_at_top_deg.value).abs() < 0.05, "{at_top} {segment:?}");
                    errors.extend(curve_errors(&segment.curve, truth, until));
                    swings += 1;
                }
            }
        }
        errors.sort_by(f64::total_cmp);
        let share = |share: f64| errors[((errors.len() - 1) as f64 * share) as usize];
        println!(
            "{}: {swings} curves, off by {:.2}° (p50), {:.2}° (p95)",
            profile.word(),
            share(0.5),
            share(0.95)
        );
        assert!(swings > 30 && share(0.5) < 0.6 && share(0.95) < 3.0, "{} {}", share(0.5), share(0.95));
    }
}

fn of_glove(arrival: &Arrival) -> bool {
    match arrival {
        Arrival::Sample(sample) => matches!(sample.role, NodeRole::Hand | NodeRole::Forearm),
        Arrival::Marker { .. } => true,
    }
}

fn without_body(mut swings: Vec<Swing>) -> Vec<Swing> {
    swings.iter_mut().for_each(|swing| swing.body = None);
    swings
}

fn live(device: &DeviceDescription, arrivals: &[Arrival]) -> Vec<Swing> {
    let mut analysis = LiveAnalysis::new(device, AnalysisParams::default());
    arrivals.iter().flat_map(|arrival| analysis.push(arrival)).map(|live| live.swing).collect()
}

#[test]
fn nodes_on_the_trunk_change_no_other_number_offline_or_live() {
    let mut bucket = VirtualBucket::play(&Scenario::study(Profile::Typical, 3).with_trunk(), 3);
    let glove: Vec<Arrival> = bucket.arrivals.iter().filter(|arrival| of_glove(arrival)).cloned().collect();
    let with = analysed(&bucket.device, &bucket.arrivals);
    let live_with = live(&bucket.device, &bucket.arrivals);
    assert!(with.swings.iter().any(|swing| swing.body.is_some()));
    assert!(live_with.iter().any(|swing| swing.body.is_some()));
    bucket.device.nodes.retain(|node| matches!(node.role, NodeRole::Hand | NodeRole::Forearm));
    let alone = analysed(&bucket.device, &glove);
    let live_alone = live(&bucket.device, &glove);
    assert!(alone.swings.iter().chain(&live_alone).all(|swing| swing.body.is_none()));
    assert_eq!(format!("{:?}", without_body(with.swings)), format!("{:?}", alone.swings));
    assert_eq!(format!("{:?}", without_body(live_with)), format!("{live_alone:?}"));
}

#[test]
fn live_says_of_the_trunk_what_offline_says() {
    let bucket = VirtualBucket::play(&Scenario::study(Profile::Clean, 5).with_trunk(), 5);
    let offline = analysed(&bucket.device, &bucket.arrivals);
    let mut compared = 0;
    for swing in live(&bucket.device, &bucket.arrivals) {
        let Some(other) = offline.swings.iter().find(|o| o.top.seconds_since(swing.top).abs() < 0.05) else {
            continue;
        };
        let start = |swing: &Swing| swing.body.as_ref()?.pelvis.as_ref()?.start_back.map(|start| start.at);
        if let (Some(live), Some(offline)) = (start(&swing), start(other)) {
            compared += 1;
            assert!(live.seconds_since(offline).abs() < 0.002, "{live:?} {offline:?}");
        }
    }
    assert!(compared > 3, "{compared}");
}

#[test]
fn one_node_on_the_trunk_is_enough_and_none_gives_nothing() {
    let scenario = Scenario::study(Profile::Clean, 1);
    let roles = vec![NodeRole::Hand, NodeRole::Forearm, NodeRole::Belt];
    let bucket = VirtualBucket::play(&Scenario { roles, ..scenario }, 1);
    let analysis = analysed(&bucket.device, &bucket.arrivals);
    let bodies: Vec<_> = analysis.swings.iter().filter_map(|swing| swing.body.as_ref()).collect();
    assert!(bodies.len() > 4 && bodies.iter().all(|body| body.pelvis.is_some() && body.chest.is_none()));
    assert_eq!(analysis.losses.len(), 3);
}
