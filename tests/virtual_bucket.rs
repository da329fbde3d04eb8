//! The measurement of the virtual glove's buckets against their truth: chips and pitches, air swings,
//! waggles, rehearsals, walking and tee work between them, right- and left-handed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
}

use hingeclock::detect::{Flag, Swing};
use hingeclock::device::virtual_glove::scenario::ClockSettings;
use hingeclock::device::virtual_glove::sensor::SensorSettings;
use hingeclock::device::virtual_glove::swing::{SetAim, SwingSize};
use hingeclock::device::virtual_glove::{Cue, Plan, Scenario, SwingTruth, VirtualBucket};
use hingeclock::sample::{Arrival, CalibrationPart, Marker, NodeRole};
use support::analysis::{live, offline};

/// Every swing is there in order, and none besides; prints a line each.
fn check(name: &str, swings: &[Swing], truth: &[SwingTruth]) {
    let mut errors_ms = Vec::new();
    let mut wrong = 0;
    for (place, truth) in truth.iter().enumerate() {
        let found = swings.iter().find(|swing| swing.top.seconds_since(truth.top).abs() < 0.3);
        let Some(swing) = found else {
            println!("{name} {place:>2} {:?} {} NOT FOUND", truth.size, truth.club);
            continue;
        };
        let error_ms = swing.set.zip(truth.set).map(|(a, b)| a.set_to_top_ms.value - b.set_to_top_ms);
        errors_ms.extend(error_ms);
        wrong += usize::from(swing.class.word() != truth.class);
        println!(
            "{name} {place:>2} {:?} {} range {:.1} set {error_ms:.1?} ± {:.1?} ms, top {:.1} ms, impact {:?} {}/{} {:?}",
            truth.size,
            truth.club,
            truth.hinge_range_deg,
            swing.set.map(|set| set.set_to_top_ms.sd),
            swing.top.seconds_since(truth.top) * 1e3,
            swing.impact.zip(truth.impact).map(|(a, b)| a.0 - b.0),
            swing.class.word(),
            truth.class,
            swing.flags.iter().map(|flag| flag.word()).collect::<Vec<_>>(),
        );
    }
    for swing in swings {
        if truth.iter().all(|truth| swing.top.seconds_since(truth.top).abs() >= 0.3) {
            println!("{name} INVENTED at {:?} {:?}", swing.top, swing.class);
        }
    }
    assert_eq!(swings.len(), truth.len(), "{name}: swings found");
    for (swing, truth) in swings.iter().zip(truth) {
        assert!(swing.top.seconds_since(truth.top).abs() < 0.015, "{name}: top of {truth:?}");
        assert_eq!(swing.impact.is_some(), truth.impact.is_some(), "{name}: impact of {truth:?}");
        assert_eq!(swing.club.as_deref(), Some(truth.club.as_str()), "{name}: club");
    }
    errors_ms.sort_by(|a: &f64, b| a.abs().total_cmp(&b.abs()));
    assert!(errors_ms[errors_ms.len() / 2].abs() < 10.0, "{name}: median set error {errors_ms:?}");
    assert!(wrong * 20 <= truth.len() * 3, "{name}: {wrong} of {} classes wrong", truth.len());
}

#[test]
fn the_demo_bucket_is_measured() {
    for seed in [1, 2, 3] {
        let bucket = VirtualBucket::demo(seed);
        check(&format!("demo {seed}"), &offline(&bucket), &bucket.truth);
    }
}

#[test]
fn a_left_handed_bucket_is_measured() {
    let bucket = VirtualBucket::play(&Scenario::left_handed_bucket(), 7);
    check("left", &offline(&bucket), &bucket.truth);
}

#[test]
fn the_live_path_finds_the_same_swings() {
    let bucket = VirtualBucket::demo(4);
    check("live", &live(&bucket), &bucket.truth);
}

/// 200 Hz, node clocks of unrelated origin, mountings off by up to 12°, poor sensors and a poor link.
#[test]
fn a_harsh_bucket_is_measured() {
    let calm = Scenario::demo_bucket();
    let sensor = SensorSettings {
        rate_hz: 200.0,
        bandwidth_hz: Some(80.0),
        misalignment_deg: 12.0,
        scale_sd: 0.004,
        cross_axis_sd: 0.004,
        ..calm.sensor.clone()
    };
    let clocks = ClockSettings { offset_s: 4000.0, skew_ppm: 60.0, ..ClockSettings::default() };
    for seed in [11, 12] {
        let bucket = VirtualBucket::play(
            &Scenario { sensor: sensor.clone(), clocks: clocks.clone(), ..calm.clone() },
            seed,
        );
        check(&format!("harsh {seed}"), &offline(&bucket), &bucket.truth);
    }
}

/// A gyro that clips in every full swing: the swings are found, and told as clipped.
#[test]
fn a_clipping_gyro_is_told() {
    let calm = Scenario::demo_bucket();
    let sensor = SensorSettings { gyro_full_scale_dps: 500.0, ..calm.sensor.clone() };
    let bucket = VirtualBucket::play(&Scenario { sensor, ..calm }, 5);
    let swings = offline(&bucket);
    assert_eq!(swings.len(), bucket.truth.len());
    let clipped = swings.iter().filter(|swing| swing.flags.contains(&Flag::GyroClipped)).count();
    assert!(clipped * 2 > swings.len(), "{clipped} of {} told as clipped", swings.len());
}

/// One swing after the other without a stop, and a swing soon after a practice swing.
#[test]
fn each_swing_of_a_drill_is_told() {
    for seed in [1, 2, 3] {
        let drill = |count| Cue::Drill(SwingSize::Full, SetAim::Travel(0.5), count);
        let cues =
            vec![Cue::Club("iron"), Cue::Calibrate, drill(3), Cue::Walk, drill(2), Cue::Walk, drill(6)];
        let bucket = VirtualBucket::play(&Scenario::new(Plan::Listed(cues)), seed);
        for (name, swings) in [("offline", offline(&bucket)), ("live", live(&bucket))] {
            check(&format!("drill {seed} {name}"), &swings, &bucket.truth);
        }
    }
}

/// An accelerometer that clips at the ball alone tells nothing of it; one that clips on the way there does.
#[test]
fn an_accelerometer_that_clips_before_the_ball_is_told() {
    let told = |full_scale_g: f64, size: SwingSize| {
        let shots = [Cue::Shot(size, SetAim::Travel(0.5)), Cue::Shot(size, SetAim::Travel(0.5))];
        let cues = [Cue::Club("iron"), Cue::Calibrate].into_iter().chain(shots).collect();
        let calm = Scenario::new(Plan::Listed(cues));
        let sensor = SensorSettings { acc_full_scale_g: full_scale_g, ..calm.sensor.clone() };
        let bucket = VirtualBucket::play(&Scenario { sensor, ..calm }, 5);
        let largest_g = bucket.arrivals.iter().filter_map(|arrival| match arrival {
            Arrival::Sample(sample) if sample.role == NodeRole::Hand => {
                Some(sample.specific_force_g.iter().fold(0.0_f64, |most, g| most.max(g.abs())))
            }
            _ => None,
        });
        assert!(largest_g.fold(0.0, f64::max) > 0.999 * full_scale_g, "the ball's shock clips");
        let told = |swing: &Swing| swing.flags.contains(&Flag::AccelerometerClipped);
        let both = [offline(&bucket), live(&bucket)];
        both.map(|swings| swings.iter().map(told).collect::<Vec<_>>())
    };
    assert_eq!(told(4.0, SwingSize::Full), [[true, true], [true, true]]);
    assert_eq!(told(24.0, SwingSize::Full), [[false, false], [false, false]]);
}

/// With the hand node alone swings are found and timed, and say on what that stands.
#[test]
fn a_hand_node_alone_times_swings_and_says_so() {
    let scenario = Scenario { roles: vec![NodeRole::Hand], ..Scenario::demo_bucket() };
    let bucket = VirtualBucket::play(&scenario, 6);
    let swings = offline(&bucket);
    assert_eq!(swings.len(), bucket.truth.len());
    for (swing, truth) in swings.iter().zip(&bucket.truth) {
        assert!(swing.flags.contains(&Flag::HandNodeAlone));
        assert!(swing.top.seconds_since(truth.top).abs() < 0.02, "{:?}", swing.top.seconds_since(truth.top));
        assert_eq!(swing.impact.is_some(), truth.impact.is_some());
        let top = swing.hinge_deg.top.unwrap();
        assert!(top.sd > 1.0 && (top.value - truth.hinge_deg.top).abs() < 4.0 * top.sd, "{top:?}");
    }
}

/// Prompts that nobody follows, after a calibration that was good: it stands, live and offline.
#[test]
fn a_calibration_that_failed_does_not_take_the_place_of_a_good_one() {
    let bucket = calibrated_in_vain(two_shots());
    for swings in [offline(&bucket), live(&bucket)] {
        let flags: Vec<_> = swings.iter().map(|swing| swing.flags.clone()).collect();
        assert_eq!(swings.len(), 2, "{flags:?}");
        assert!(flags.iter().all(|flags| !flags.contains(&Flag::NominalMounting)), "{flags:?}");
    }
}

/// The same with the hand node alone: its axes stay those of the good one.
#[test]
fn a_calibration_that_failed_leaves_the_hands_own_axes_alone() {
    let hand_only = || {
        let mut bucket = two_shots();
        bucket.arrivals.retain(
            |arrival| !matches!(arrival, Arrival::Sample(sample) if sample.role == NodeRole::Forearm),
        );
        bucket.device.nodes.retain(|node| node.role != NodeRole::Forearm);
        bucket
    };
    let hinges = |swings: &[Swing]| -> Vec<f64> {
        swings.iter().map(|swing| swing.hinge_deg.top.unwrap().value).collect()
    };
    let (once, again) = (hand_only(), calibrated_in_vain(hand_only()));
    assert_eq!(hinges(&offline(&once)), hinges(&offline(&again)));
    assert_eq!(hinges(&live(&once)), hinges(&live(&again)));
}

fn two_shots() -> VirtualBucket {
    let shot = || Cue::Shot(SwingSize::Full, SetAim::Travel(0.5));
    let cues = vec![Cue::Club("iron"), Cue::Calibrate, shot(), Cue::Walk, Cue::TeeUp, Cue::Walk, shot()];
    let plan = Plan::Listed(cues);
    VirtualBucket::play(&Scenario { plan, ..Scenario::demo_bucket() }, 5)
}

/// The parts of a calibration are asked for after the first swing, and nobody does them.
fn calibrated_in_vain(mut bucket: VirtualBucket) -> VirtualBucket {
    let first_over = bucket.truth[0].top;
    let after = |arrival: &Arrival| {
        matches!(arrival, Arrival::Sample(sample)
            if sample.role == NodeRole::Hand && sample.t.seconds_since(first_over) > 3.0)
    };
    let place = bucket.arrivals.iter().position(after).unwrap();
    let prompts = CalibrationPart::ALL
        .map(|(part, _)| Arrival::Marker { received: None, marker: Marker::Prompt(part) });
    bucket.arrivals.splice(place..place, prompts);
    bucket
}
