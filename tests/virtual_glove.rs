//! The virtual glove against physics, against its own definitions and against published magnitudes.

use hingeclock::device::virtual_glove::activity::{Activity, ActivityKind, Restlessness};
use hingeclock::device::virtual_glove::body::{JOINTS, Joint, Posture, SegmentMotion, segment_motion};
use hingeclock::device::virtual_glove::clock::NodeClock;
use hingeclock::device::virtual_glove::curve::Jet;
use hingeclock::device::virtual_glove::link::LinkSettings;
use hingeclock::device::virtual_glove::scenario::ClockSettings;
use hingeclock::device::virtual_glove::sensor::{SensorSettings, node_position_m};
use hingeclock::device::virtual_glove::swing::{SetAim, SwingDesign, SwingSize};
use hingeclock::device::virtual_glove::vector::{
    Mat3, Vec3, add, apply, multiply, norm, rotation_about, scale,
};
use hingeclock::device::virtual_glove::{
    Cue, GloveStream, Plan, Scenario, SwingTruth, VirtualBucket, gestures,
};
use hingeclock::sample::{Arrival, CalibrationPart, ImuSample, Marker, NOMINAL_MOUNTING, NodeRole};
use hingeclock::units::{GRAVITY_MPS2, HostTime, PlayerHand};
use proptest::prelude::*;
use rand::SeedableRng;
use rand::rngs::StdRng;

#[path = "virtual_glove/motion.rs"]
mod motion;

const NODES: [NodeRole; 2] = [NodeRole::Hand, NodeRole::Forearm];
const HANDS: [PlayerHand; 2] = [PlayerHand::Right, PlayerHand::Left];

fn full_swing() -> Activity {
    let mut rng = StdRng::seed_from_u64(5);
    let address = gestures::address(Posture::hanging(), &mut rng);
    SwingDesign::fresh(SwingSize::Full, SetAim::Travel(0.5), &mut rng).perform("iron", 0.0, address)
}

fn still(posture: Posture) -> [Jet; JOINTS] {
    posture.0.map(|value| Jet { value, ..Jet::default() })
}

fn transposed(m: &Mat3) -> Mat3 {
    [0, 1, 2].map(|i| [m[0][i], m[1][i], m[2][i]])
}

/// The angle between two orientations, degrees.
fn angle_between_deg(a: &Mat3, b: &Mat3) -> f64 {
    let r = multiply(&transposed(a), b);
    let axis = [r[2][1] - r[1][2], r[0][2] - r[2][0], r[1][0] - r[0][1]];
    (0.5 * norm(axis)).atan2(0.5 * (r[0][0] + r[1][1] + r[2][2] - 1.0)).to_degrees()
}

/// `r` turned on by the rate `rate_rps` (own frame) over `dt_s`, by Rodrigues' formula.
fn turned(r: &Mat3, rate_rps: Vec3, dt_s: f64) -> Mat3 {
    let angle = norm(rate_rps) * dt_s;
    if angle < 1e-15 {
        return *r;
    }
    let [x, y, z] = scale(rate_rps, dt_s / angle);
    let k = [[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]];
    let k2 = multiply(&k, &k);
    let mut step = [[0.0; 3]; 3];
    for i in 0..3 {
        for j in 0..3 {
            let unit = if i == j { 1.0 } else { 0.0 };
            step[i][j] = unit + angle.sin() * k[i][j] + (1.0 - angle.cos()) * k2[i][j];
        }
    }
    multiply(r, &step)
}

/// Flexion and hinge, degrees, read off a pair of orientations by the order Z, X', Y'' (Wu et al. 2005).
fn wrist_angles_deg(forearm: &Mat3, hand: &Mat3, player_hand: PlayerHand) -> (f64, f64) {
    let r = multiply(&transposed(forearm), hand);
    let flexion = (-r[0][1]).atan2(r[1][1]);
    let about_x = r[2][1].asin();
    (flexion.to_degrees(), (-player_hand.lead_arm_sign() * about_x).to_degrees())
}

fn samples(arrivals: &[Arrival]) -> impl Iterator<Item = &ImuSample> {
    arrivals.iter().filter_map(|arrival| match arrival {
        Arrival::Sample(sample) => Some(sample),
        Arrival::Marker { .. } => None,
    })
}

fn received(arrival: &Arrival) -> Option<HostTime> {
    match arrival {
        Arrival::Sample(sample) => sample.received,
        Arrival::Marker { received, .. } => *received,
    }
}

// ---- sensors and link -------------------------------------------------------------------------------

/// A glove that reads the truth on true clocks.
fn ideal(plan: Plan, player_hand: PlayerHand) -> Scenario {
    Scenario {
        player_hand,
        sensor: SensorSettings::ideal(1000.0),
        clocks: ClockSettings::ideal(),
        link: LinkSettings::lossless(),
        restless: false,
        ..Scenario::new(plan)
    }
}

/// Hinge over time from the samples alone: both gyros integrated from the address pose, nominal mounting.
fn strapdown_hinge(bucket: &VirtualBucket, truth: &SwingTruth) -> Vec<(f64, f64)> {
    let player_hand = bucket.device.player_hand;
    let s = player_hand.lead_arm_sign();
    let start = multiply(
        &rotation_about(2, truth.flexion_deg.address.to_radians()),
        &rotation_about(0, (-s * truth.hinge_deg.address).to_radians()),
    );
    let mut poses = [start, rotation_about(0, 0.0)];
    let of_role = |role| -> Vec<&ImuSample> {
        let from = truth.takeaway.plus_seconds(-0.3);
        samples(&bucket.arrivals).filter(|x| x.role == role && x.t >= from && x.t < truth.arm_back).collect()
    };
    let [hand, forearm] = NODES.map(of_role);
    let mut curve = Vec::new();
    for (now, next) in (0..hand.len().min(forearm.len())).zip(1..) {
        let (flexion_hinge, t) = (wrist_angles_deg(&poses[1], &poses[0], player_hand), hand[now].t);
        curve.push((t.seconds_since(truth.top), flexion_hinge.1 - truth.hinge_deg.address));
        for (pose, node) in poses.iter_mut().zip([&hand, &forearm]) {
            let Some(after) = node.get(next) else { continue };
            let mean = scale(add(node[now].rate_dps, after.rate_dps), 0.5_f64.to_radians());
            *pose = turned(pose, apply(&NOMINAL_MOUNTING, mean), after.t.seconds_since(node[now].t));
        }
    }
    curve
}

#[test]
fn the_truth_is_found_again_in_ideal_samples() {
    let plan = Plan::Listed(vec![
        Cue::Club("iron"),
        Cue::Shot(SwingSize::Full, SetAim::Travel(0.55)),
        Cue::AirSwing(SwingSize::Full, SetAim::Travel(0.3)),
    ]);
    for player_hand in HANDS {
        let bucket = VirtualBucket::play(&ideal(plan.clone(), player_hand), 11);
        assert_eq!(bucket.truth.len(), 2);
        for truth in &bucket.truth {
            let curve = strapdown_hinge(&bucket, truth);
            let at_top = curve.iter().find(|(t_s, _)| *t_s >= 0.0).expect("samples reach the top");
            assert!((at_top.1 - truth.hinge_deg.top).abs() < 0.1, "{} {}", at_top.1, truth.hinge_deg.top);
            let level = 0.9 * truth.hinge_range_deg;
            let set_ms =
                curve.iter().rev().find(|(t_s, hinge)| *t_s < 0.0 && *hinge < level).expect("a set").0 * 1e3;
            let expected_ms = truth.set.expect("a set").set_to_top_ms;
            assert!((set_ms - expected_ms).abs() < 2.5, "{set_ms} {expected_ms}");
        }
    }
}

#[test]
fn the_same_seed_gives_the_same_bucket() {
    let scenario = Scenario::left_handed_bucket();
    let bucket = VirtualBucket::play(&scenario, 8);
    assert_eq!(bucket, VirtualBucket::play(&scenario, 8));
    assert_ne!(bucket.arrivals, VirtualBucket::play(&scenario, 9).arrivals);
}

#[test]
fn arrivals_come_in_order_even_over_a_bad_link() {
    let link = LinkSettings { loss: 0.05, duplicate: 0.05, late: 0.05, ..LinkSettings::default() };
    let scenario = Scenario { link, ..Scenario::left_handed_bucket() };
    let bucket = VirtualBucket::play(&scenario, 4);
    assert!(bucket.arrivals.is_sorted_by_key(received));
    let hand: Vec<u32> =
        samples(&bucket.arrivals).filter(|x| x.role == NodeRole::Hand).map(|x| x.seq).collect();
    let mut once = hand.clone();
    once.sort_unstable();
    once.dedup();
    assert!(!hand.is_sorted(), "nothing was overtaken");
    assert!(once.len() < hand.len(), "nothing came twice");
    assert!(once.windows(2).any(|pair| pair[1] - pair[0] > 1), "nothing was lost");
}

#[test]
fn a_lossless_link_delivers_every_sample_once() {
    let scenario = Scenario { link: LinkSettings::lossless(), ..Scenario::left_handed_bucket() };
    let bucket = VirtualBucket::play(&scenario, 4);
    for role in NODES {
        let seqs = samples(&bucket.arrivals).filter(|x| x.role == role).map(|x| x.seq);
        assert!(seqs.zip(0..).all(|(seq, expected)| seq == expected), "{role:?}");
    }
    assert!(bucket.arrivals.is_sorted_by_key(received));
}

#[test]
fn readings_clip_at_full_scale() {
    let sensor =
        SensorSettings { gyro_full_scale_dps: 500.0, acc_full_scale_g: 4.0, ..SensorSettings::default() };
    let bucket = VirtualBucket::play(&Scenario { sensor, ..Scenario::left_handed_bucket() }, 2);
    let largest = |read: fn(&ImuSample) -> Vec3| {
        samples(&bucket.arrivals)
            .flat_map(read)
            .fold((0.0f64, 0.0f64), |(low, high), v| (low.min(v), high.max(v)))
    };
    assert_eq!(largest(|x| x.rate_dps), (-500.0, 500.0 * 32767.0 / 32768.0));
    let (low, high) = largest(|x| x.specific_force_g);
    assert!(low == -4.0 || high == 4.0 * 32767.0 / 32768.0, "{low} {high}");
    assert!(low >= -4.0 && high < 4.0);
}

#[test]
fn only_a_ball_makes_a_shock() {
    let shot = Cue::Shot(SwingSize::Full, SetAim::Travel(0.5));
    let air = Cue::AirSwing(SwingSize::Full, SetAim::Travel(0.5));
    let peak_g = |cue: Cue| {
        let bucket = VirtualBucket::play(&ideal(Plan::Listed(vec![cue]), PlayerHand::Right), 7);
        let around = bucket.truth[0].arm_back;
        let near = samples(&bucket.arrivals)
            .filter(|x| x.role == NodeRole::Hand && x.t.seconds_since(around).abs() < 0.02);
        let jumps: Vec<f64> = near.map(|x| norm(x.specific_force_g)).collect();
        jumps.windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f64::max)
    };
    let (with, without) = (peak_g(shot), peak_g(air));
    assert!(with > 4.0 && without < 0.5, "jump of {with} g with a ball, {without} g without");
}

#[test]
fn a_node_at_rest_reads_one_g_and_its_bias() {
    let bucket = VirtualBucket::demo(1);
    let first: Vec<&ImuSample> = samples(&bucket.arrivals).take(600).collect();
    for sample in first {
        assert!((norm(sample.specific_force_g) - 1.0).abs() < 0.05, "{sample:?}");
        assert!(norm(sample.rate_dps) < 5.0, "{sample:?}");
    }
}

// ---- scenarios and truth ----------------------------------------------------------------------------

#[test]
fn the_demo_bucket_is_what_it_promises() {
    let bucket = VirtualBucket::demo(1);
    let ends = [bucket.arrivals.first(), bucket.arrivals.last()].map(|end| end.and_then(received));
    let [Some(first), Some(last)] = ends else { panic!("the host stamps everything, not {ends:?}") };
    let duration_s = last.seconds_since(first);
    assert!(duration_s < 170.0, "{duration_s} s");
    let classes: Vec<&str> = bucket.truth.iter().map(|truth| truth.class).collect();
    let expected = [
        "early",
        "none",
        "early",
        "early",
        "middle",
        "middle",
        "middle",
        "early",
        "late",
        "late",
        "at-top",
        "late",
        "after-top",
    ];
    assert_eq!(classes, expected);
    assert_eq!(bucket.truth.iter().filter(|truth| truth.impact.is_none()).count(), 1);
    for club in ["wedge", "iron", "driver"] {
        assert!(bucket.truth.iter().any(|truth| truth.club == club), "{club}");
    }
    let prompts: Vec<CalibrationPart> = bucket
        .arrivals
        .iter()
        .filter_map(|arrival| match arrival {
            Arrival::Marker { marker: Marker::Prompt(part), .. } => Some(*part),
            _ => None,
        })
        .collect();
    assert_eq!(prompts, CalibrationPart::ALL.map(|(part, _)| part));
}

/// What holds of every true swing by the definitions.
fn check_swing(truth: &SwingTruth) {
    assert!(truth.takeaway < truth.top && truth.top < truth.arm_back, "{truth:?}");
    assert!(truth.finish.is_some_and(|finish| finish > truth.arm_back), "{truth:?}");
    if let Some(impact) = truth.impact {
        assert!(impact.seconds_since(truth.arm_back).abs() < 0.02, "{truth:?}");
    }
    assert!((norm(truth.plane_normal_world) - 1.0).abs() < 1e-9);
    assert!((-16.0..-7.0).contains(&truth.hinge_deg.address), "{truth:?}");
    assert!(truth.hinge_deg.impact.abs() < 8.0, "the hinge is released at impact: {truth:?}");
    match truth.set {
        None => assert!(truth.class == "none" && truth.hinge_range_deg < 8.0, "{truth:?}"),
        Some(set) => {
            assert!(set.onset < set.half && set.half < set.set && set.set < set.nearly_full, "{truth:?}");
            assert!(set.onset >= truth.takeaway.plus_seconds(-0.1), "{truth:?}");
            let level_deg = 0.9 * truth.hinge_range_deg;
            assert!(truth.hinge_deg.set.is_some_and(|deg| (deg - level_deg).abs() < 0.05), "{truth:?}");
            let by_clock = set.set.seconds_since(truth.top) * 1e3;
            assert!((by_clock - set.set_to_top_ms).abs() < 0.01, "{truth:?}");
            if ["early", "middle", "late"].contains(&truth.class) {
                assert!(set.set < truth.top, "{truth:?}");
            }
        }
    }
}

#[test]
fn truths_obey_their_definitions() {
    for seed in 0..6 {
        let bucket = VirtualBucket::play(&Scenario::left_handed_bucket(), seed);
        let classes: Vec<&str> = bucket.truth.iter().map(|truth| truth.class).collect();
        assert_eq!(classes, ["early", "middle", "late", "middle"], "seed {seed}");
        bucket.truth.iter().for_each(check_swing);
    }
    VirtualBucket::demo(1).truth.iter().for_each(check_swing);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn any_swing_sets_its_hinge_where_it_was_aimed(seed in any::<u64>(), part in 0.22f64..0.88, size in 0usize..3) {
        let size = [SwingSize::Full, SwingSize::Pitch, SwingSize::Chip][size];
        let mut rng = StdRng::seed_from_u64(seed);
        let address = gestures::address(Posture::hanging(), &mut rng);
        let design = SwingDesign::fresh(size, SetAim::Travel(part), &mut rng);
        let swing = design.perform("iron", 100.0, address);
        let measure = |player_hand, restless: &Restlessness| {
            hingeclock::device::virtual_glove::truth::measure(&swing, restless, player_hand, &NodeClock::ideal())
        };
        let truth = measure(PlayerHand::Right, &Restlessness::calm(0.7)).expect("a swing has its events");
        check_swing(&truth);
        let set = truth.set.expect("a set");
        prop_assert!((set.arm_travel_at_set - part).abs() < 0.03, "{} for {part}", set.arm_travel_at_set);
        // The mirrored player swings alike, to a rounding of the time stamps.
        let right = measure(PlayerHand::Right, &Restlessness::default()).expect("events");
        let left = measure(PlayerHand::Left, &Restlessness::default()).expect("events");
        prop_assert!(left.top.seconds_since(right.top).abs() < 2e-6);
        prop_assert!((left.hinge_range_deg - right.hinge_range_deg).abs() < 1e-9);
        prop_assert!((left.plane_normal_world[1] - right.plane_normal_world[1]).abs() < 1e-9);
    }

    #[test]
    fn a_chip_without_a_set_stays_under_eight_degrees(seed in any::<u64>()) {
        let mut rng = StdRng::seed_from_u64(seed);
        let address = gestures::address(Posture::hanging(), &mut rng);
        let swing = SwingDesign::fresh(SwingSize::Chip, SetAim::NoSet, &mut rng).perform("wedge", 3.0, address);
        let truth = hingeclock::device::virtual_glove::truth::measure(
            &swing,
            &Restlessness::calm(2.0),
            PlayerHand::Right,
            &NodeClock::ideal(),
        );
        check_swing(&truth.expect("a swing has its events"));
    }
}

#[test]
fn full_swings_have_published_magnitudes() {
    // McNally et al. 2019 (GolfDB, 758 swings), 5th to 95th percentile: top to impact 200 to 300 ms,
    // backswing over downswing 2.57 to 5.33. Cheetham et al. 2008 (read second-hand): peak lead arm
    // 980 ± 68 °/s for professionals; an amateur on the range is slower, so the lower edge is wide.
    let mut stream = GloveStream::new(&Scenario::range_day(0.08), 21);
    let mut truths = Vec::new();
    while stream.next().is_some() {
        truths.append(&mut stream.take_truth());
    }
    let full: Vec<&SwingTruth> = truths.iter().filter(|truth| truth.size == SwingSize::Full).collect();
    assert!(full.len() > 8, "{} full swings", full.len());
    for truth in full {
        let (back_s, down_s) = (truth.backswing_s(), truth.downswing_s());
        assert!((0.20..0.30).contains(&down_s), "top to impact {down_s} s");
        assert!((2.57..5.33).contains(&(back_s / down_s)), "{back_s} s over {down_s} s");
        assert!((700.0..1150.0).contains(&truth.peak_arm_dps), "{} °/s", truth.peak_arm_dps);
        assert!((120.0..170.0).contains(&truth.arm_travel_top_deg), "{}°", truth.arm_travel_top_deg);
    }
}

#[test]
fn a_range_day_streams_in_flat_memory() {
    let mut stream = GloveStream::new(&Scenario::range_day(0.1), 3);
    let (mut count, mut most_held, mut last) = (0u64, 0, None);
    while let Some(arrival) = stream.next() {
        let now = received(&arrival).expect("the host stamps everything");
        assert!(last.is_none_or(|last| last <= now), "arrival {count} came out of order");
        last = Some(now);
        count += 1;
        if count.is_multiple_of(1000) {
            stream.take_truth().iter().for_each(check_swing);
            most_held = most_held.max(stream.held());
        }
    }
    assert!(count > 350_000, "{count} arrivals in 0.1 h at two times 500 Hz");
    assert!(most_held < 100, "{most_held} things held");
}
