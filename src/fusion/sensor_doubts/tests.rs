//! A glove with one mistake in it tells that mistake; a sound one tells nothing.

use super::*;
use crate::device::virtual_glove::VirtualBucket;
use crate::sample::Arrival;
use crate::units::{DeviceTime, HostTime};

/// What is said of a bucket whose samples were changed so; the hand node's doubts; the
/// forearm's are of the same kind, if it has any.
fn doubts(rate_told: f64, change: impl Fn(&mut ImuSample)) -> Vec<Doubt> {
    let bucket = VirtualBucket::demo(3);
    let mut device = bucket.device.clone();
    device.nodes.iter_mut().for_each(|node| node.rate_hz *= rate_told);
    let mut watch = GloveWatch::new(&device);
    for arrival in &bucket.arrivals {
        if let Arrival::Sample(sample) = arrival {
            let mut sample = *sample;
            change(&mut sample);
            watch.push(&sample);
        }
    }
    let mut nodes = watch.nodes().map(|(_, node)| node.doubts());
    let hand = nodes.next().unwrap();
    let forearm = nodes.next().unwrap();
    let kinds = |doubts: &[Doubt]| doubts.iter().map(std::mem::discriminant).collect::<Vec<_>>();
    // A forearm turns less, so it may tell nothing.
    assert!(forearm.is_empty() || kinds(&forearm) == kinds(&hand), "{hand:?}, {forearm:?}");
    hand
}

fn of_values(change: impl Fn(&mut [f64; 3], &mut [f64; 3])) -> Vec<Doubt> {
    doubts(1.0, |sample| change(&mut sample.rate_dps, &mut sample.specific_force_g))
}

fn of_times(change: impl Fn(i64) -> i64) -> Vec<Doubt> {
    doubts(1.0, |sample| sample.t = DeviceTime(change(sample.t.0)))
}

#[test]
fn a_sound_glove_gives_no_doubt() {
    assert_eq!(of_values(|_, _| {}), []);
}

#[test]
fn a_wrong_unit_or_full_scale_is_told_with_its_factor() {
    let scaled = |of_rate: f64, of_force: f64| {
        of_values(|rate, force| {
            rate.iter_mut().for_each(|value| *value *= of_rate);
            force.iter_mut().for_each(|value| *value *= of_force);
        })
    };
    let [Doubt::Gravity(g)] = scaled(1.0, 9.806_65)[..] else { panic!("m/s²") };
    assert!((g - 9.8).abs() < 0.1, "{g}");
    for factor in [1.0_f64.to_radians(), 0.5, 0.88, 2.0] {
        let found = scaled(factor, 1.0);
        let [Doubt::GyroScale(scale)] = found[..] else { panic!("{factor}: {found:?}") };
        assert!((scale * factor - 1.0).abs() < 0.03, "{factor}: {scale}");
    }
    assert_eq!(scaled(1.02, 1.03), [], "what sensors are off by is no mistake");
}

#[test]
fn wrong_signs_and_left_handed_axes_are_told() {
    let backwards = [Doubt::GyroAxes(Axes([(0, -1), (1, -1), (2, -1)]))];
    assert_eq!(of_values(|rate, _| *rate = rate.map(|value| -value)), backwards);
    let mirrored = of_values(|rate, force| (rate[1], force[1]) = (-rate[1], -force[1]));
    assert_eq!(mirrored, backwards);
    let swapped = of_values(|rate, force| {
        rate.swap(0, 1);
        force.swap(0, 1);
    });
    assert_eq!(swapped, backwards);
    let one_sign = of_values(|rate, _| rate[2] = -rate[2]);
    assert_eq!(one_sign, [Doubt::GyroAxes(Axes([(0, 1), (1, 1), (2, -1)]))]);
    let turned = of_values(|rate, _| *rate = [rate[1], -rate[0], rate[2]]);
    assert_eq!(turned, [Doubt::GyroAxes(Axes([(1, -1), (0, 1), (2, 1)]))]);
}

#[test]
fn a_gyro_that_was_never_zeroed_and_a_sensor_that_is_stuck_are_told() {
    let offset = of_values(|rate, _| rate[0] += 15.0);
    let [Doubt::Offset(dps)] = offset[..] else { panic!("{offset:?}") };
    assert!((dps - 15.0).abs() < 2.0, "{dps}");
    assert_eq!(of_values(|rate, _| *rate = [0.0; 3]), [Doubt::Stuck(Sensor::Gyro)]);
    assert_eq!(of_values(|_, force| *force = [0.0, 0.0, 1.0]), [Doubt::Stuck(Sensor::Accelerometer)]);
}

#[test]
fn a_clock_of_another_unit_or_speed_is_told_alone() {
    for (factor, change) in [
        (0.001, (|t_us| t_us / 1000) as fn(i64) -> i64),
        (1000.0, |t_us| t_us * 1000),
        (1000.0 / 1024.0, |t_us| t_us * 1000 / 1024),
        (0.032_768, |t_us| t_us * 32_768 / 1_000_000),
    ] {
        let found = of_times(change);
        let [Doubt::Clock(ratio)] = found[..] else { panic!("{factor}: {found:?}") };
        assert!((ratio / factor - 1.0).abs() < 0.005, "{factor}: {ratio}");
    }
    assert_eq!(of_times(|t_us| t_us + t_us / 500), [], "what cheap clocks are off by is no mistake");
}

#[test]
fn times_of_batches_numbers_of_batches_and_another_rate_are_told() {
    let batch = |seq: u32| seq - seq % 5;
    let same = doubts(1.0, |sample| sample.t.0 -= i64::from(sample.seq - batch(sample.seq)) * 2000);
    assert!(matches!(same[..], [Doubt::SameTime(share)] if share > 0.3), "{same:?}");
    let numbers = doubts(1.0, |sample| sample.seq = batch(sample.seq));
    assert!(matches!(numbers[..], [Doubt::Numbers(share)] if share > 0.5), "{numbers:?}");
    let rate = doubts(2.0, |_| {});
    assert!(matches!(rate[..], [Doubt::Rate { found_hz, .. }] if (found_hz - 500.0).abs() < 5.0), "{rate:?}");
}

#[test]
fn readings_that_repeat_while_the_node_turns_are_told() {
    let kept = std::cell::Cell::new([([0.0; 3], [0.0; 3]); 4]);
    let found = doubts(1.0, |sample| {
        let mut all = kept.get();
        let node = &mut all[usize::from(sample.role.number())];
        if sample.seq % 2 == 0 {
            *node = (sample.rate_dps, sample.specific_force_g);
        } else {
            (sample.rate_dps, sample.specific_force_g) = *node;
        }
        kept.set(all);
    });
    assert!(matches!(found[..], [Doubt::Repeated(share)] if (share - 0.5).abs() < 0.05), "{found:?}");
}

#[test]
fn a_recording_that_was_played_faster_is_no_doubt() {
    let slow = doubts(1.0, |sample| sample.received = sample.received.map(|at| HostTime(at.0 / 4)));
    assert_eq!(slow, []);
}
