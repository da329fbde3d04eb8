//! One node's samples in order, whatever comes when.

use super::*;
use crate::units::DeviceTime;
use proptest::prelude::*;

fn sample(seq: u32) -> ImuSample {
    ImuSample {
        role: NodeRole::Hand,
        seq,
        t: DeviceTime(i64::from(seq) * 2000),
        rate_dps: [0.0; 3],
        specific_force_g: [0.0, 0.0, 1.0],
        received: None,
    }
}

fn intake() -> Intake {
    Intake::new(NodeRole::Hand, Conversion::of(None), 10.0, OrientationMethod::Own)
}

proptest! {
    #[test]
    fn order_loss_and_doubles_are_accounted_for(
        drops in prop::collection::btree_set(1_u32..198, 0..30),
        doubles in prop::collection::vec(0_usize..150, 0..20),
        swaps in prop::collection::vec(0_usize..150, 0..20),
    ) {
        let mut seqs: Vec<u32> = (0..200).filter(|seq| !drops.contains(seq)).collect();
        for at in swaps { seqs.swap(at, at + 3); }
        for at in doubles { seqs.push(seqs[at]); }
        let mut intake = intake();
        for seq in &seqs { intake.push(&sample(*seq)); }
        let loss = intake.loss();
        prop_assert_eq!(loss.received, 200 - drops.len() as u64);
        prop_assert_eq!(loss.duplicates, seqs.len() as u64 - loss.received);
        let kept = intake.since(f64::NEG_INFINITY);
        prop_assert!(kept.windows(2).all(|pair| pair[0].t_s < pair[1].t_s));
        prop_assert_eq!(kept.len() as u64, loss.received);
        if seqs.first() == Some(&0) { prop_assert_eq!(loss.missing, drops.len() as u64); }
    }
}

#[test]
fn blocks_turn_as_their_readings_do_and_a_slow_gloves_stay_as_they_are() {
    let filled = |step_us: i64| {
        let mut intake = intake();
        for seq in 0..1000 {
            let t = DeviceTime(i64::from(seq) * step_us);
            intake.push(&ImuSample { t, rate_dps: [f64::from(seq % 7), 0.0, 1.0], ..sample(seq) });
        }
        (intake.since(0.0), intake.since_in_blocks(0.0))
    };
    let (readings, blocks) = filled(1000);
    assert_eq!(blocks.len(), 250);
    let turned: Vector3<f64> = readings.iter().map(|reading| reading.rate * 0.001).sum();
    let in_blocks: Vector3<f64> = blocks.iter().map(|block| block.rate * 0.004).sum();
    assert!((turned - in_blocks).norm() < 1e-12 && turned.norm() > 0.05, "{turned} {in_blocks}");
    assert!((blocks[1].t_s - 0.0055).abs() < 1e-12);
    let (readings, blocks) = filled(5000);
    assert_eq!(readings, blocks);
}

#[test]
fn a_node_that_counts_anew_on_the_same_clock_is_taken_on() {
    let mut intake = intake();
    for seq in 5000..5100 {
        intake.push(&sample(seq));
    }
    let anew = |seq: u32| ImuSample { t: DeviceTime(i64::from(5100 + seq) * 2000), ..sample(seq) };
    assert!(matches!(intake.push(&anew(0)), Taken::Reading(_)));
    assert!(matches!(intake.push(&anew(1)), Taken::Reading(_)));
    assert_eq!(intake.push(&anew(1)), Taken::Dropped);
}

#[test]
fn a_number_that_the_clock_contradicts_is_no_loss() {
    let loss = |numbers: &[(i64, u32)]| {
        let mut intake = intake();
        for seq in 0..100 {
            intake.push(&sample(seq));
        }
        for (place, seq) in numbers {
            intake.push(&ImuSample { t: DeviceTime(place * 2000), ..sample(*seq) });
        }
        let loss = intake.loss();
        (loss.received, loss.missing, loss.jumps)
    };
    let far = 100 | 1 << 30;
    assert_eq!(loss(&[(100, far), (101, 101), (102, 102)]), (103, 0, 2), "a flipped bit, and the way back");
    assert_eq!(loss(&[(100, far), (101, far + 1), (104, far + 4)]), (103, 2, 1), "a counter that jumped");
    assert_eq!(loss(&[(101, 101), (90, far), (102, 102)]), (102, 1, 0), "one that lies back");
    assert_eq!(loss(&[(4000, 4000)]), (101, 3900, 0), "a silence");
}

#[test]
fn numbers_that_begin_again_after_their_last_are_no_jump() {
    let mut intake = intake();
    for place in 0..20_u32 {
        let seq = place.wrapping_sub(10);
        intake.push(&ImuSample { t: DeviceTime(i64::from(place) * 2000), ..sample(seq) });
    }
    let loss = intake.loss();
    assert_eq!((loss.received, loss.missing, loss.jumps), (20, 0, 0));
}

#[test]
fn after_a_long_silence_what_was_missing_may_still_come_and_counts_once() {
    // 8 s, and 48 of which the first come first, as a host asks for them.
    for silent in [4000, 24_000] {
        let mut intake = intake();
        for seq in (0..100).chain(silent..silent + 100) {
            intake.push(&sample(seq));
        }
        assert_eq!(intake.loss().missing, u64::from(silent - 100));
        for seq in 100..silent {
            assert!(matches!(intake.push(&sample(seq)), Taken::Late(_) | Taken::Reading(_)), "{seq}");
        }
        assert_eq!(intake.push(&sample(200)), Taken::Dropped);
        let loss = intake.loss();
        assert_eq!((loss.received, loss.missing, loss.duplicates), (u64::from(silent) + 100, 0, 1));
        assert!(intake.since(0.0).windows(2).all(|pair| pair[0].t_s < pair[1].t_s));
    }
}

#[test]
fn a_node_that_starts_anew_is_taken_on() {
    let mut intake = intake();
    for seq in 5000..6000 {
        intake.push(&sample(seq));
    }
    assert!(matches!(intake.push(&sample(0)), Taken::Restarted(_)));
    assert!(matches!(intake.push(&sample(1)), Taken::Reading(_)));
    let no_number = ImuSample { rate_dps: [f64::NAN, 0.0, 0.0], ..sample(2) };
    assert_eq!(intake.push(&no_number), Taken::Dropped);
    assert_eq!(intake.since(0.0).len(), 2);
}

#[test]
fn a_jump_is_taken_out_of_what_is_kept_and_of_what_comes_late() {
    for by_us in [20_000, -20_000] {
        let jumped = |seq: u32| {
            let off_us = if seq < 500 { 0 } else { by_us };
            ImuSample { t: DeviceTime(i64::from(seq) * 2000 + off_us), ..sample(seq) }
        };
        let (mut intake, by_s) = (intake(), by_us as f64 * 1e-6);
        let mut jumps = Vec::new();
        for seq in (0..1000).filter(|seq| *seq != 490) {
            intake.push(&jumped(seq));
            jumps.extend(intake.take_jump());
        }
        assert!(jumps.len() == 1 && jumps[0].first_seq == 500, "{jumps:?}");
        assert!((jumps[0].by_s - by_s).abs() < 1e-6, "{jumps:?}");
        assert_eq!(intake.retime(500, 0.0, -by_s), 500);
        intake.retime(0, 3.0, 3.0);
        intake.push(&jumped(490));
        intake.push(&jumped(1000));
        for (seq, reading) in intake.since(0.0).iter().enumerate() {
            assert!((reading.t_s - 3.0 - seq as f64 * 0.002).abs() < 1e-9, "{by_us} {seq}: {}", reading.t_s);
        }
        assert_eq!(intake.since(0.0).len(), 1001);
    }
}
