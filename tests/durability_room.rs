//! Damaged recordings take no room: every allocation is counted, so this is the only test in its program.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod recording;
}

use peak_alloc::PeakAlloc;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use support::recording::{check_truth, items, read, recording_of};

#[global_allocator]
static ALLOCATOR: PeakAlloc = PeakAlloc;

/// Most that reading a small recording may take beside what it gives back, bytes.
const ROOM: usize = 1 << 20;

#[test]
fn ten_thousand_flips_and_every_cut_take_no_room_and_are_told_truly() {
    let items = items(80);
    let bytes = recording_of(&items);
    let mut random = StdRng::seed_from_u64(11);
    let mut most = 0;
    let mut check = |damaged: &[u8], to_the_sample: bool, what: &str| {
        let before = ALLOCATOR.current_usage();
        ALLOCATOR.reset_peak_usage();
        let found = read(damaged).unwrap_or_else(|error| panic!("{what}: {error}"));
        let taken = ALLOCATOR.peak_usage() - before;
        assert!(taken < ROOM, "{what} took {taken} bytes");
        most = taken.max(most);
        check_truth(&found, &items, to_the_sample).unwrap_or_else(|error| panic!("{what}: {error}"));
    };
    for _ in 0..10_000 {
        let bit = random.random_range(0..bytes.len() * 8);
        let mut damaged = bytes.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        check(&damaged, true, &format!("bit {bit}"));
    }
    for cut in 0..bytes.len() {
        check(&bytes[..cut], false, &format!("cut at {cut}"));
    }
    // Lengths that claim everything there is, anywhere.
    for at in 8..bytes.len() - 8 {
        let mut damaged = bytes.clone();
        damaged[at..at + 8].fill(0xff);
        check(&damaged, false, &format!("ones at {at}"));
    }
    println!("{} bytes of recording, at most {most} bytes taken to read it", bytes.len());
}
