//! Tests of the trunk's watch, against clocks whose truth is known.

use super::*;
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

/// Hand and belt over `seconds`, five readings a packet, with latencies of 4 ms and 2 ms on average on top; the
/// belt's clock is off and gains.
fn watched(offset_s: f64, skew: f64, seconds: f64, host_times: bool, seed: u64) -> BodyWatch {
    played(offset_s, skew, seconds, host_times.then_some(1.0), seed)
}

/// The same, so many times as fast as it was, where the host tells times at all.
fn played(offset_s: f64, skew: f64, seconds: f64, speed: Option<f64>, seed: u64) -> BodyWatch {
    let mut rng = StdRng::seed_from_u64(seed);
    let device = DeviceDescription::default();
    let mut watch = BodyWatch::new(&device, 10.0, OrientationMethod::Own);
    let mut packets = Vec::new();
    for (role, phase_s) in [(NodeRole::Hand, 0.0), (NodeRole::Belt, rng.random_range(0.0..0.01))] {
        let mut last_s = 0.0_f64;
        for packet in 0..(seconds * 100.0) as u32 {
            let sent_s = phase_s + f64::from(packet) * 0.010 + 0.008;
            let late_s = 0.004 - 0.002 * (1.0 - rng.random::<f64>()).ln();
            last_s = last_s.max(sent_s + late_s);
            packets.push((last_s, role, packet, phase_s));
        }
    }
    packets.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (received_s, role, packet, phase_s) in packets {
        for seq in packet * 5..packet * 5 + 5 {
            let true_s = phase_s + f64::from(seq) * 0.002;
            let shown_s = if role == NodeRole::Belt { true_s * (1.0 + skew) + offset_s } else { true_s };
            watch.push(&ImuSample {
                role,
                seq,
                t: DeviceTime::at_seconds(shown_s),
                rate_dps: [0.0; 3],
                specific_force_g: [1.0, 0.1, 0.0],
                received: speed.map(|speed| HostTime((received_s * 1e6 / speed).round() as i64)),
            });
        }
    }
    watch
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]
    #[test]
    fn the_clocks_are_laid_beside_each_other(
        offset_s in -9000.0..9000.0_f64, skew_ppm in -60.0..60.0_f64, seed in 0..1000_u64,
        seconds in 20.0..90.0_f64, host_times in any::<bool>(),
    ) {
        let skew = skew_ppm * 1e-6;
        let watch = watched(offset_s, skew, seconds, host_times, seed);
        let clock = watch.since(seconds - 5.0).belt.unwrap().clock;
        let at_s = seconds - 2.0;
        let off_s = clock.node_s(at_s) - (at_s * (1.0 + skew) + offset_s);
        let most_s = if host_times { 0.0008 } else { 0.0065 };
        prop_assert!(off_s.abs() < most_s, "{off_s}");
        prop_assert!(off_s.abs() < 3.0 * clock.sd_s);
        prop_assert!((clock.hand_s(clock.node_s(at_s)) - at_s).abs() < 1e-9);
    }
}

#[test]
fn at_another_speed_the_order_of_arrival_tells_the_clocks() {
    for speed in [0.25, 4.0, 200.0] {
        let clock = played(77.0, 1e-5, 30.0, Some(speed), 5).since(25.0).belt.unwrap().clock;
        let off_s = clock.node_s(28.0) - (28.0 * (1.0 + 1e-5) + 77.0);
        assert!(off_s.abs() < 0.0065 && clock.sd_s > 0.002, "{speed}: {off_s} {clock:?}");
    }
}

#[test]
fn nothing_is_told_of_nodes_that_are_not_worn() {
    let watch = watched(0.0, 0.0, 3.0, true, 1);
    assert!(watch.since(0.0).chest.is_none());
    assert_eq!(watch.losses().len(), 1);
    let device = DeviceDescription::default();
    let idle = BodyWatch::new(&device, 10.0, OrientationMethod::Own);
    assert_eq!(idle.since(0.0), BodyReadings::default());
}

#[test]
fn what_was_up_while_the_player_stood_is_the_long_axis() {
    let mut watch = watched(0.0, 0.0, 3.0, true, 1);
    assert!(!watch.since(0.0).belt.unwrap().stood);
    watch.prompt(CalibrationPart::Still);
    for seq in 1500..2500 {
        watch.push(&ImuSample {
            role: NodeRole::Belt,
            seq,
            t: DeviceTime(i64::from(seq) * 2000),
            rate_dps: [0.0; 3],
            specific_force_g: [0.95, 0.3, 0.0],
            received: None,
        });
    }
    watch.prompt(CalibrationPart::Flex);
    let belt = watch.since(0.0).belt.unwrap();
    assert!(belt.stood);
    assert!(belt.seat.long.angle(&Vector3::new(0.95, 0.3, 0.0)) < 0.01);
}
