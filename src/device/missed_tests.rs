//! Tests of what is asked for again.

use super::*;
use proptest::prelude::*;

const RATE_HZ: f64 = 500.0;

fn missed() -> Missed {
    let mut missed = Missed::new(MissedParams::default());
    missed.link(true);
    missed
}

fn gap(missed: &mut Missed, first_seq: u32, count: u32, now_us: i64) {
    let next = first_seq.wrapping_add(count);
    missed.heard(0, RATE_HZ, &[Gap { first_seq, count }], std::iter::once(next), HostTime(now_us));
}

fn came(missed: &mut Missed, seqs: std::ops::Range<u32>) {
    missed.heard(0, RATE_HZ, &[], seqs, HostTime(0));
}

fn asked(missed: &mut Missed, now_us: i64) -> Option<(u32, u16)> {
    missed.poll(HostTime(now_us), HostTime(now_us)).map(|request| (request.first_seq, request.count))
}

#[test]
fn a_late_reading_is_not_asked_for() {
    let mut missed = missed();
    gap(&mut missed, 10, 5, 0);
    assert_eq!(asked(&mut missed, 99_999), None);
    came(&mut missed, 10..15);
    assert_eq!(asked(&mut missed, 100_000), None);
    assert!(missed.is_settled());
    assert_eq!(missed.counts().came, 5);
}

#[test]
fn a_lost_one_is_asked_for_once_and_comes() {
    let mut missed = missed();
    gap(&mut missed, 10, 5, 0);
    came(&mut missed, 12..13);
    let request = missed.poll(HostTime(100_000), HostTime(100_000)).unwrap();
    assert_eq!((request.node, request.first_seq, request.count), (0, 10, 2));
    assert_eq!(asked(&mut missed, 105_000), None, "too soon");
    let second = missed.poll(HostTime(110_000), HostTime(110_000)).unwrap();
    assert_eq!((second.first_seq, second.count), (13, 2));
    came(&mut missed, 10..12);
    came(&mut missed, 13..15);
    missed.answered(request.id, AckStatus::Done);
    missed.answered(second.id, AckStatus::Done);
    assert!(missed.is_settled());
    let expected = MissedCounts { missing: 5, requests: 2, came: 5, given_up: 0 };
    assert_eq!(missed.counts(), expected);
}

#[test]
fn what_a_node_lost_before_it_started_anew_is_not_asked_for() {
    let mut missed = missed();
    gap(&mut missed, 10, 5, 0);
    let request = missed.poll(HostTime(100_000), HostTime(100_000)).unwrap();
    gap(&mut missed, 20, 5, 100_000);
    missed.heard(1, RATE_HZ, &[Gap { first_seq: 7, count: 1 }], std::iter::once(8), HostTime(0));
    missed.restarted(0);
    missed.answered(request.id, AckStatus::Done);
    assert_eq!(missed.counts().given_up, 10);
    let request = missed.poll(HostTime(300_000), HostTime(300_000)).unwrap();
    assert_eq!((request.node, request.first_seq), (1, 7), "the other node's are");
}

/// A loop that is behind has the answer in hand without knowing it.
#[test]
fn an_answer_that_waits_to_be_heard_is_waited_for() {
    let mut missed = missed();
    gap(&mut missed, 10, 5, 0);
    assert!(missed.poll(HostTime(100_000), HostTime(900_000)).is_some(), "asked at 900 ms");
    assert_eq!(missed.poll(HostTime(1_400_000), HostTime(9_000_000)), None);
    assert!(missed.poll(HostTime(1_500_000), HostTime(9_000_000)).is_some(), "heard up to 600 ms later");
}

#[test]
fn what_is_lost_again_is_asked_for_again_but_not_for_ever() {
    let mut missed = missed();
    gap(&mut missed, u32::MAX - 1, 4, 0);
    let mut now = HostTime(100_000);
    for try_number in 0..MissedParams::default().tries {
        let request = missed.poll(now, now).unwrap();
        assert_eq!((request.first_seq, request.count), (u32::MAX - 1, 4), "try {try_number}");
        now.0 += 600_000;
    }
    assert_eq!(missed.poll(now, now), None);
    assert!(missed.is_settled());
    assert_eq!(missed.counts().given_up, 4);
}

#[test]
fn a_break_is_asked_for_in_pieces_oldest_first_and_at_a_bounded_pace() {
    let mut missed = missed();
    gap(&mut missed, 1000, 1500, 0);
    let mut now_us = 100_000;
    let mut pieces = Vec::new();
    while pieces.len() < 15 {
        if let Some(request) = missed.poll(HostTime(now_us), HostTime(now_us)) {
            assert_eq!(request.count, 100);
            came(&mut missed, request.first_seq..request.first_seq + 100);
            missed.answered(request.id, AckStatus::Done);
            pieces.push((now_us, request.first_seq));
        }
        now_us += 1000;
    }
    assert!(pieces.windows(2).all(|pair| pair[1].1 == pair[0].1 + 100));
    assert!(pieces.windows(2).all(|pair| pair[1].0 - pair[0].0 >= 50_000));
    assert!(missed.is_settled());
}

/// 20 s at 500 Hz: 4 s that every glove keeps, and what a larger buffer may still hold.
#[test]
fn what_a_glove_need_not_keep_comes_last_until_it_has_no_more() {
    let mut missed = missed();
    gap(&mut missed, 0, 10_000, 0);
    let mut now_us = 100_000;
    let mut firsts = Vec::new();
    while !missed.is_settled() {
        if let Some(request) = missed.poll(HostTime(now_us), HostTime(now_us)) {
            firsts.push(request.first_seq);
            let kept = request.first_seq >= 7000;
            if kept {
                came(&mut missed, request.first_seq..request.first_seq + u32::from(request.count));
            }
            missed.answered(request.id, if kept { AckStatus::Done } else { AckStatus::NotKept });
        }
        now_us += 1000;
    }
    assert_eq!(firsts[..2], [8000, 8100]);
    assert_eq!(firsts[19..22], [9900, 7900, 7800]);
    assert_eq!(firsts.last(), Some(&6900), "the first that is not kept is the last that is asked for");
    assert_eq!((missed.counts().came, missed.counts().given_up), (3000, 7000));
}

#[test]
fn nothing_is_asked_of_a_link_that_is_down_and_what_was_under_way_is_asked_anew() {
    let mut missed = missed();
    gap(&mut missed, 10, 5, 0);
    assert_eq!(asked(&mut missed, 100_000), Some((10, 5)));
    missed.link(false);
    assert_eq!(asked(&mut missed, 200_000), None);
    missed.link(true);
    assert_eq!(asked(&mut missed, 300_000), Some((10, 5)));
}

#[test]
fn a_glove_that_does_not_know_the_command_is_not_pressed() {
    let mut missed = missed();
    gap(&mut missed, 10, 5, 0);
    let request = missed.poll(HostTime(100_000), HostTime(100_000)).unwrap();
    missed.answered(request.id, AckStatus::UnknownCommand);
    assert!(missed.is_settled());
    assert_eq!(missed.counts().given_up, 5);
}

proptest! {
    /// Whatever comes, is lost and is answered: everything missing comes or is given up, each reading is
    /// counted once, and no more is asked for than the pace allows.
    #[test]
    fn everything_missing_is_settled(
        counts in prop::collection::vec(1u32..400, 1..40),
        answers in prop::collection::vec(0u8..4, 1..50),
        start in any::<u32>(),
    ) {
        let mut missed = missed();
        let (mut seq, mut now_us, mut total) = (start, 0, 0);
        for count in counts {
            gap(&mut missed, seq, count, now_us);
            seq = seq.wrapping_add(count + 1);
            total += u64::from(count);
        }
        let (mut asked_readings, mut turn) = (0u64, 0);
        while !missed.is_settled() {
            if let Some(request) = missed.poll(HostTime(now_us), HostTime(now_us)) {
                asked_readings += u64::from(request.count);
                let seqs = (0..u32::from(request.count)).map(|at| request.first_seq.wrapping_add(at));
                match answers[turn % answers.len()] {
                    0 => {}
                    1 => missed.answered(request.id, AckStatus::NotKept),
                    2 => {
                        missed.heard(0, RATE_HZ, &[], seqs.step_by(2), HostTime(now_us));
                        missed.answered(request.id, AckStatus::Done);
                    }
                    _ => {
                        missed.heard(0, RATE_HZ, &[], seqs, HostTime(now_us));
                        missed.answered(request.id, AckStatus::Done);
                    }
                }
                turn += 1;
            }
            now_us += 5000;
            prop_assert!(now_us < 120_000_000, "never settled");
        }
        let counts = missed.counts();
        prop_assert_eq!((counts.missing, counts.came + counts.given_up), (total, total));
        prop_assert!(asked_readings <= 100 + now_us.unsigned_abs() / 500);
    }
}
