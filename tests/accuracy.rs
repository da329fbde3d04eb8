//! The measurement against sessions with exact truth, made by a generator kept apart from this program.
//! Prints one table; run with `cargo test --test accuracy -- --nocapture`. `PER_SWING=1` adds a line each,
//! `SESSIONS=folder` takes other sessions. `cargo bench --bench accuracy` compares with other ways.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod score;
    pub mod sessions;
}

use support::analysis::offline_of;
use support::score::{Summary, SwingScore, score};
use support::sessions;

#[test]
fn example_sessions_are_measured() {
    let Some(folder) = sessions::folder() else { return };
    println!("{}", Summary::HEAD);
    for session in sessions::sessions(&folder) {
        let score = score(&offline_of(&session.device, &session.arrivals), &session.truth);
        if std::env::var_os("PER_SWING").is_some() {
            score.swings.iter().for_each(print_swing);
        }
        let summary = Summary::of([&score]);
        println!("{}", summary.line(&format!("{} {}", session.name, session.profile)));
        let name = &session.name;
        assert!(score.missed.is_empty(), "{name}: {:?} not found", score.missed);
        assert!(score.invented.is_empty(), "{name}: {:?} invented", score.invented);
        let median_ms =
            summary.p(0.5, |swing| swing.set_ms.filter(|_| swing.well_conditioned).map(|set| set.error));
        assert!(median_ms <= 10.0, "{name}: median set error {median_ms} ms");
        let right = score.swings.iter().filter(|swing| swing.class_right).count();
        assert!(right as f64 >= 0.85 * score.expected as f64, "{name}: {right} classes right");
    }
}

fn print_swing(swing: &SwingScore) {
    println!(
        "{:>2} set {:.1?} well {} take {:.1} top {:.1} impact {:.1?} {:?} rms {:.2}/{:.2} {:?}",
        swing.place,
        swing.set_ms.map(|set| (set.error, set.sd)),
        swing.well_conditioned,
        swing.takeaway_ms,
        swing.top_ms,
        swing.impact_ms,
        swing.classes,
        swing.hinge_rms_deg,
        swing.flexion_rms_deg,
        swing.flags.iter().map(|flag| flag.word()).collect::<Vec<_>>(),
    );
}
