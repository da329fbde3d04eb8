//! Is the trunk of the virtual glove physical, and does it leave the arm alone?

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::indexing_slicing)]

use hingeclock::device::virtual_glove::link::LinkSettings;
use hingeclock::device::virtual_glove::scenario::ClockSettings;
use hingeclock::device::virtual_glove::sensor::SensorSettings;
use hingeclock::device::virtual_glove::trunk::StrapSettings;
use hingeclock::device::virtual_glove::{Profile, Scenario, SegmentTruth, VirtualBucket};
use hingeclock::sample::{Arrival, ImuSample, NodeRole, nominal_mounting};
use hingeclock::units::DeviceTime;
use nalgebra::{Matrix3, UnitQuaternion, Vector3};

fn without_trunk(arrivals: &[Arrival]) -> Vec<Arrival> {
    let of_glove = |arrival: &&Arrival| match arrival {
        Arrival::Sample(sample) => matches!(sample.role, NodeRole::Hand | NodeRole::Forearm),
        Arrival::Marker { .. } => true,
    };
    arrivals.iter().filter(of_glove).cloned().collect()
}

/// The last packet of each node is sent when the bucket ends, wherever that is.
const LAST_PACKETS: usize = 40;

#[test]
fn nodes_on_the_trunk_change_nothing_of_what_the_glove_says() {
    for seed in 0..2 {
        let scenario = Scenario::study(Profile::Typical, seed);
        let alone = VirtualBucket::play(&scenario, seed);
        let with = VirtualBucket::play(&scenario.with_trunk(), seed);
        let same = without_trunk(&with.arrivals);
        assert!(with.arrivals.len() > same.len() + 10_000);
        let count = alone.arrivals.len() - LAST_PACKETS;
        assert!(alone.arrivals[..count] == same[..count], "seed {seed}");
        for (alone, with) in alone.truth.iter().zip(&with.truth) {
            assert!(alone.body.is_none() && with.body.is_some());
            assert_eq!((alone.top, alone.impact, &alone.set), (with.top, with.impact, &with.set));
        }
    }
}

/// A node's readings from address to the top, summed up: the segment's turn, with what the truth calls so.
fn summed_turn_deg(samples: &[&ImuSample], role: NodeRole, from: DeviceTime, to: DeviceTime) -> f64 {
    let m = nominal_mounting(role);
    let segment_from_sensor = Matrix3::from_fn(|i, j| m[i][j]);
    let mut turned = UnitQuaternion::identity();
    for pair in samples.windows(2).filter(|pair| pair[0].t >= from && pair[0].t < to) {
        let mean = (Vector3::from(pair[0].rate_dps) + Vector3::from(pair[1].rate_dps)) * 0.5;
        let step = segment_from_sensor * mean * std::f64::consts::PI / 180.0;
        turned *= UnitQuaternion::from_scaled_axis(step * pair[1].t.min(to).seconds_since(pair[0].t));
    }
    let q = turned.quaternion();
    (2.0 * q.j.atan2(q.w)).to_degrees()
}

#[test]
fn an_ideal_node_turns_as_the_truth_says_and_feels_gravity_at_rest() {
    for left in [false, true] {
        let scenario = if left { Scenario::left_handed_bucket() } else { Scenario::demo_bucket() };
        let ideal = Scenario {
            sensor: SensorSettings::ideal(500.0),
            clocks: ClockSettings::ideal(),
            link: LinkSettings::lossless(),
            strap: StrapSettings { wobble_hz: None, ..StrapSettings::default() },
            ..scenario.with_trunk()
        };
        let bucket = VirtualBucket::play(&ideal, 3);
        let sign = if left { 1.0 } else { -1.0 };
        for role in [NodeRole::Chest, NodeRole::Belt] {
            let samples: Vec<&ImuSample> = bucket
                .arrivals
                .iter()
                .filter_map(|arrival| match arrival {
                    Arrival::Sample(sample) if sample.role == role => Some(sample),
                    _ => None,
                })
                .collect();
            for swing in &bucket.truth {
                let body = swing.body.as_ref().unwrap();
                let truth = if role == NodeRole::Chest { &body.chest } else { &body.pelvis };
                let (address, turn_then) = at_address(truth, swing.takeaway);
                let summed = sign * summed_turn_deg(&samples, role, address, swing.top);
                let off = summed - (truth.turn_at_top_deg - turn_then);
                assert!(off.abs() < 0.15, "{role:?} {summed} for {}", truth.turn_at_top_deg);
                let still = samples.iter().filter(|s| s.t >= address.plus_seconds(-0.1) && s.t <= address);
                for sample in still {
                    let force = Vector3::from(sample.specific_force_g).norm();
                    assert!((force - 1.0).abs() < 0.01, "{force}");
                }
            }
        }
    }
}

/// The last point of the true curve well before the takeaway.
fn at_address(truth: &SegmentTruth, takeaway: DeviceTime) -> (DeviceTime, f64) {
    let before = takeaway.plus_seconds(-0.25);
    *truth.curve.iter().rev().find(|(t, _)| *t <= before).unwrap()
}

#[test]
fn the_trunk_of_random_players_lies_where_published_players_do() {
    let mut leads = Vec::new();
    for seed in 0..6 {
        let bucket = VirtualBucket::play(&Scenario::study(Profile::Clean, seed).with_trunk(), seed);
        for swing in &bucket.truth {
            let body = swing.body.as_ref().unwrap();
            let (pelvis, chest) = (&body.pelvis, &body.chest);
            assert!(pelvis.turn_at_top_deg < chest.turn_at_top_deg);
            assert!(pelvis.lead_to_top_ms > 0.0 && pelvis.starts_back < swing.top);
            assert!((pelvis.starts_back.seconds_since(swing.top) * -1e3 - pelvis.lead_to_top_ms).abs() < 0.1);
            assert!(pelvis.turnaround_dps2 > 0.0);
            leads.push(pelvis.lead_to_top_ms);
            if swing.size == hingeclock::device::virtual_glove::swing::SwingSize::Full {
                // Cheetham et al. 2008 [R2]: 477 ± 53 and 727 ± 61 °/s, within a wide margin.
                assert!((350.0..720.0).contains(&pelvis.peak_dps), "{}", pelvis.peak_dps);
                assert!((500.0..900.0).contains(&chest.peak_dps), "{}", chest.peak_dps);
                // Typical at the top by Penn State's golf biomechanics pages: pelvis 35 to 55°, torso 85 to 110° [A].
                assert!((35.0..55.0).contains(&pelvis.turn_at_top_deg), "{}", pelvis.turn_at_top_deg);
                assert!((85.0..110.0).contains(&chest.turn_at_top_deg), "{}", chest.turn_at_top_deg);
                assert!((5.0..40.0).contains(&chest.tilt_at_impact_deg), "{}", chest.tilt_at_impact_deg);
            }
        }
    }
    leads.sort_by(f64::total_cmp);
    assert!(leads[0] < 50.0 && leads[leads.len() - 1] > 90.0, "{leads:?}");
}
