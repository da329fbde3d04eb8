//! A glove with one mistake in it tells that mistake; a sound one tells nothing.

use super::live::LOOK_EVERY;
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
fn an_axis_that_is_stuck_is_named() {
    for axis in 0..3 {
        assert_eq!(of_values(|rate, _| rate[axis] = 0.0), [Doubt::StuckAxis(Sensor::Gyro, axis)]);
        assert_eq!(
            of_values(|_, force| force[axis] = -0.25),
            [Doubt::StuckAxis(Sensor::Accelerometer, axis)]
        );
    }
    let doubt = Doubt::StuckAxis(Sensor::Gyro, 2);
    assert!(doubt.sentence(NodeRole::Hand).starts_with("the z axis of the hand node's gyro gives the same"));
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
        assert_eq!(found[0].cause().contains("that is ms"), factor == 0.001, "{factor}");
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

/// Readings of a hand node at 200 Hz that is still but for this rate about the vertical.
fn level(seqs: std::ops::Range<u32>, rate_dps: f64) -> impl Iterator<Item = Arrival> {
    seqs.map(move |seq| {
        let at = i64::from(seq) * 5000;
        // Not the same numbers again and again.
        let noise = f64::from(seq * 7919 % 101) * 1e-4;
        Arrival::Sample(ImuSample {
            role: NodeRole::Hand,
            seq,
            t: DeviceTime(at),
            rate_dps: [noise, 0.0, rate_dps],
            specific_force_g: [0.0, noise, 1.0],
            received: Some(HostTime(at)),
        })
    })
}

fn news_of(live: &mut LiveDoubts, arrivals: impl Iterator<Item = Arrival>) -> Vec<News> {
    arrivals.for_each(|arrival| live.push(&arrival, true));
    live.take_news()
}

fn at_200_hz() -> DeviceDescription {
    let mut device = DeviceDescription::default();
    device.nodes.iter_mut().for_each(|node| node.rate_hz = 200.0);
    device
}

/// Who turns about the vertical for a minute seems still to the accelerometer: the gyro is doubted, until he stands.
#[test]
fn what_is_told_is_told_once_and_taken_back_where_more_speaks_against_it() {
    let mut live = LiveDoubts::new(&at_200_hz());
    let told = news_of(&mut live, level(0..20_000, 20.0));
    let [News { role: NodeRole::Hand, doubt: Doubt::Offset(dps), holds: true }] = told[..] else {
        panic!("{told:?}")
    };
    assert!((dps - 20.0).abs() < 0.1, "{dps}");
    let back = news_of(&mut live, level(20_000..60_000, 0.0));
    assert_eq!(back, [News { holds: false, ..told[0].clone() }]);
    assert_eq!(
        back[0].sentence(),
        "taken back by what was seen since: the hand node's gyro reads 20 °/s at rest"
    );
    live.finish();
    assert_eq!(live.take_news(), []);
}

/// Gravity needs no clock, which takes half a minute to judge, and stays told where the clock turns out to be wrong.
#[test]
fn gravity_is_told_before_the_clock_is_judged_and_beside_a_wrong_one() {
    let wrong = |clock: i64| {
        level(0..30_000, 0.0).map(move |mut arrival| {
            let Arrival::Sample(sample) = &mut arrival else { panic!("a sample") };
            sample.specific_force_g = sample.specific_force_g.map(|force| force * 9.806_65);
            sample.t = DeviceTime(sample.t.0 * clock / 100);
            arrival
        })
    };
    let mut live = LiveDoubts::new(&at_200_hz());
    let told = news_of(&mut live, wrong(100).take(LOOK_EVERY as usize));
    assert!(matches!(told[..], [News { doubt: Doubt::Gravity(g), holds: true, .. }] if g > 9.0), "{told:?}");
    let mut live = LiveDoubts::new(&at_200_hz());
    let told = news_of(&mut live, wrong(97));
    let [News { doubt: Doubt::Gravity(_), .. }, News { doubt: Doubt::Clock(_), holds: true, .. }] = told[..]
    else {
        panic!("{told:?}")
    };
    live.finish();
    assert_eq!(live.take_news(), []);
}

#[test]
fn what_is_not_clear_waits_for_the_end() {
    let mut live = LiveDoubts::new(&at_200_hz());
    assert_eq!(news_of(&mut live, level(0..20_000, 7.0)), [], "no more than the limit and a sixth");
    live.finish();
    let told = live.take_news();
    assert!(matches!(told[..], [News { doubt: Doubt::Offset(_), holds: true, .. }]), "{told:?}");
}

#[test]
fn without_time_for_it_there_is_no_look() {
    let mut live = LiveDoubts::new(&at_200_hz());
    level(0..20_000, 20.0).for_each(|arrival| live.push(&arrival, false));
    assert_eq!(live.take_news(), []);
    assert_eq!(news_of(&mut live, level(20_000..20_001, 20.0)).len(), 1);
}

#[test]
fn a_node_that_describes_itself_otherwise_is_watched_anew() {
    let mut live = LiveDoubts::new(&DeviceDescription::default());
    let told = news_of(&mut live, level(0..6000, 0.0));
    assert!(matches!(told[..], [News { doubt: Doubt::Rate { .. }, holds: true, .. }]), "{told:?}");
    live.redescribe(&DeviceDescription::default());
    assert_eq!(live.take_news(), [], "nothing has changed");
    live.redescribe(&at_200_hz());
    assert_eq!(live.take_news(), [News { holds: false, ..told[0].clone() }]);
    assert_eq!(news_of(&mut live, level(6000..30_000, 0.0)), []);
}

/// A node that lies on a table may give the same numbers for long, and one that has started anew is no odd clock.
#[test]
fn lying_still_and_starting_anew_are_no_doubts() {
    let still = level(0..20_000, 0.0).map(|mut arrival| {
        let Arrival::Sample(sample) = &mut arrival else { panic!("a sample") };
        sample.rate_dps = [0.1, 0.0, 0.0];
        arrival
    });
    let mut live = LiveDoubts::new(&at_200_hz());
    assert_eq!(news_of(&mut live, still), []);
    let (before, after) = (level(0..6000, 0.0), level(6000..20_000, 0.0));
    let after = after.map(|mut arrival| {
        let Arrival::Sample(sample) = &mut arrival else { panic!("a sample") };
        (sample.seq, sample.t) = (sample.seq - 6000, DeviceTime(sample.t.0 - 30_000_000));
        arrival
    });
    let mut live = LiveDoubts::new(&at_200_hz());
    assert_eq!(news_of(&mut live, before.chain(after)), []);
}
