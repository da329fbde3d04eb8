//! The motion model against physics: strapdown, differentiated position, centripetal force, the mirror.

use super::*;

#[test]
fn an_integrated_rate_reproduces_the_pose() {
    let swing = full_swing();
    let dt_s = 2.5e-4;
    for player_hand in HANDS {
        for role in NODES {
            let motion = |t_s: f64| segment_motion(role, player_hand, &swing.joints(t_s));
            let mut pose = motion(0.0).world_from_segment;
            let mut worst_deg: f64 = 0.0;
            for i in 0..(swing.duration_s / dt_s) as usize {
                let t_s = i as f64 * dt_s;
                pose = turned(&pose, motion(t_s + 0.5 * dt_s).rate_rps, dt_s);
                let exact = motion(t_s + dt_s).world_from_segment;
                worst_deg = worst_deg.max(angle_between_deg(&exact, &pose));
            }
            println!("{role:?} {player_hand:?}: {worst_deg:.2e}°");
            assert!(worst_deg < 0.01, "{role:?} {player_hand:?}: {worst_deg}°");
        }
    }
}

#[test]
fn specific_force_is_differentiated_position_and_gravity() {
    let swing = full_swing();
    let h = 5e-4;
    for player_hand in HANDS {
        for role in NODES {
            let point = node_position_m(role, player_hand);
            let motion = |t_s: f64| segment_motion(role, player_hand, &swing.joints(t_s));
            let position = |t_s: f64| motion(t_s).position_of(point);
            let mut largest: (f64, f64) = (0.0, 0.0);
            for i in 0..1200 {
                let t_s = 0.5 + i as f64 * 0.0023;
                let weights = [(-2.0, -1.0), (-1.0, 16.0), (0.0, -30.0), (1.0, 16.0), (2.0, -1.0)];
                let weigh =
                    |sum, (at, weight)| add(sum, scale(position(t_s + at * h), weight / (12.0 * h * h)));
                let mut expected = weights.into_iter().fold([0.0; 3], weigh);
                expected[2] += GRAVITY_MPS2;
                let now = motion(t_s);
                let felt = apply(&now.world_from_segment, now.specific_force_at(point));
                largest.0 = largest.0.max(norm(add(felt, scale(expected, -1.0))));
                largest.1 = largest.1.max(norm(felt));
            }
            println!("{role:?} {player_hand:?}: error {:.2e} of {:.0} m/s²", largest.0, largest.1);
            assert!(largest.0 < 0.01, "{role:?} {player_hand:?}: {} m/s²", largest.0);
            assert!(largest.1 > 30.0, "the swing is too tame to test anything: {} m/s²", largest.1);
        }
    }
}

#[test]
fn an_arm_at_rest_feels_one_g_upwards() {
    for player_hand in HANDS {
        for role in NODES {
            let joints = still(Posture::hanging().with(Joint::Roll, 40.0).with(Joint::Hinge, 12.0));
            let motion = segment_motion(role, player_hand, &joints);
            let force = motion.specific_force_at(node_position_m(role, player_hand));
            let world = apply(&motion.world_from_segment, force);
            assert!(norm(add(world, [0.0, 0.0, -GRAVITY_MPS2])) < 1e-12, "{world:?}");
        }
    }
}

#[test]
fn a_rotating_arm_feels_the_centripetal_acceleration() {
    let rate_rps = 5.0;
    let mut joints = still(Posture([0.0; JOINTS]).with(Joint::Lift, 40.0));
    joints[Joint::Swing as usize].rate = f64::to_degrees(rate_rps);
    let motion: SegmentMotion = segment_motion(NodeRole::Forearm, PlayerHand::Right, &joints);
    let node_m = [0.0, -0.20, 0.0];
    let mut resting = still(Posture([0.0; JOINTS]).with(Joint::Lift, 40.0));
    resting[Joint::Swing as usize].rate = 0.0;
    let rest = segment_motion(NodeRole::Forearm, PlayerHand::Right, &resting).specific_force_at(node_m);
    let extra = add(motion.specific_force_at(node_m), scale(rest, -1.0));
    // The upper arm is 0.30 m long, and y points to the shoulder.
    let expected = [0.0, 0.50 * rate_rps * rate_rps, 0.0];
    assert!(norm(add(extra, scale(expected, -1.0))) < 1e-9, "{extra:?} instead of {expected:?}");
}

#[test]
fn wrist_angles_have_equal_signs_for_both_players() {
    let joints = still(gestures::address(Posture::hanging(), &mut StdRng::seed_from_u64(1)))
        .map(|jet| Jet { value: jet.value + 7.0, ..jet });
    for player_hand in HANDS {
        let [hand, forearm] = NODES.map(|role| segment_motion(role, player_hand, &joints).world_from_segment);
        let (flexion, hinge) = wrist_angles_deg(&forearm, &hand, player_hand);
        assert!((flexion - joints[Joint::Flexion as usize].value).abs() < 1e-9, "flexion {flexion}");
        assert!((hinge - joints[Joint::Hinge as usize].value).abs() < 1e-9, "hinge {hinge}");
    }
}

#[test]
fn pronation_turns_the_palm_of_a_hanging_arm_backwards() {
    // Facing the ball, the player looks along −y; the palm is the segment's +x.
    let joints = still(Posture([0.0; JOINTS]).with(Joint::Roll, 90.0));
    for (player_hand, forwards) in [(PlayerHand::Right, -1.0), (PlayerHand::Left, 1.0)] {
        let motion = segment_motion(NodeRole::Forearm, player_hand, &joints);
        let palm = apply(&motion.world_from_segment, [1.0, 0.0, 0.0]);
        assert!(palm[1] * forwards < -0.999, "{player_hand:?}: the palm looks along {palm:?}");
    }
}

/// Rolled by the upper arm or by the forearm, a straight arm's hand points alike; a bent one's forearm does not.
#[test]
fn the_upper_arm_rolls_a_straight_arm_as_pronation_does() {
    for player_hand in HANDS {
        let apart_deg = |elbow_deg: f64| {
            let [upper_arm, forearm] = [Joint::UpperArm, Joint::Roll].map(|joint| {
                let joints = still(Posture::hanging().with(Joint::Elbow, elbow_deg).with(joint, 40.0));
                segment_motion(NodeRole::Forearm, player_hand, &joints).world_from_segment
            });
            angle_between_deg(&upper_arm, &forearm)
        };
        assert!(apart_deg(0.0) < 1e-6, "{player_hand:?}: {}°", apart_deg(0.0));
        // Turned about two axes that are 20° apart: some 2 · 40° · sin(10°).
        assert!((12.0..15.0).contains(&apart_deg(20.0)), "{player_hand:?}: {}°", apart_deg(20.0));
    }
}

#[test]
fn the_left_handed_world_is_the_mirror_image() {
    let joints = full_swing().joints(1.4);
    for role in NODES {
        let [right, left] = HANDS.map(|player_hand| segment_motion(role, player_hand, &joints));
        let [x, y, z] = right.position_m;
        assert_eq!(left.position_m, [x, -y, z]);
        let m = left.world_from_segment;
        let determinant = m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1])
            - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0]);
        assert!((determinant - 1.0).abs() < 1e-12);
        // The long axis, a polar vector, mirrors its y; the rate, an axial vector, mirrors the others.
        let long_axis = |motion: &SegmentMotion| apply(&motion.world_from_segment, [0.0, -1.0, 0.0]);
        let rate = |motion: &SegmentMotion| apply(&motion.world_from_segment, motion.rate_rps);
        let ([ax, ay, az], [wx, wy, wz]) = (long_axis(&right), rate(&right));
        assert!(norm(add(long_axis(&left), [-ax, ay, -az])) < 1e-12);
        assert!(norm(add(rate(&left), [wx, -wy, wz])) < 1e-12);
    }
}

#[test]
fn activities_join_without_a_jump() {
    let mut stream_activities = hingeclock::device::virtual_glove::scenario::Script::new(
        &Scenario::demo_bucket(),
        StdRng::seed_from_u64(3),
    );
    let mut last: Option<Activity> = None;
    let mut kinds = Vec::new();
    for activity in &mut stream_activities {
        if let Some(before) = last {
            assert_eq!(before.end_s(), activity.start_s);
            let (end, start) = (before.joints(before.end_s()), activity.joints(activity.start_s));
            for (a, b) in end.iter().zip(&start) {
                assert!((a.value - b.value).abs() < 1e-9 && a.rate == 0.0 && b.rate == 0.0, "{a:?} {b:?}");
            }
        }
        kinds.push(activity.kind);
        last = Some(activity);
    }
    for kind in [
        ActivityKind::Waggle,
        ActivityKind::AbortedBackswing,
        ActivityKind::Rehearsal,
        ActivityKind::Walk,
        ActivityKind::TeeWork,
        ActivityKind::Swing,
    ] {
        assert!(kinds.contains(&kind), "the demo lacks {kind:?}");
    }
}
