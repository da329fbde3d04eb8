//! The live path against the offline one on the same arrivals: same swings, same classes, near times.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

use hingeclock::detect::{AnalysisParams, Flag, LiveAnalysis, LiveSwing, OfflineAnalysis, Swing};
use hingeclock::record::input::open_input;
use std::path::Path;

fn both(path: &Path) -> (Vec<LiveSwing>, Vec<Swing>) {
    let mut input = open_input(path).unwrap();
    let params = AnalysisParams::default();
    let mut live = LiveAnalysis::new(&input.device, params);
    let mut offline = OfflineAnalysis::new(&input.device, params);
    let mut swings = Vec::new();
    for arrival in input.arrivals.by_ref() {
        let arrival = arrival.unwrap();
        swings.extend(live.push(&arrival));
        offline.push(&arrival);
    }
    swings.extend(live.finish());
    (swings, offline.finish().swings)
}

#[test]
fn live_agrees_with_offline_on_the_example_sessions() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/example-sessions");
    if !folder.is_dir() {
        eprintln!("skipped: no example sessions beside the project");
        return;
    }
    for name in ["s1", "s2", "s3"] {
        let (live, offline) = both(&folder.join(format!("{name}.csv.gz")));
        assert_eq!(live.len(), offline.len(), "{name}: as many swings live as offline");
        for (cue, swing) in live.iter().zip(&offline) {
            let after_ball_ms = swing.impact.map(|impact| cue.decided_at.seconds_since(impact) * 1e3);
            let difference =
                cue.swing.set.zip(swing.set).map(|(a, b)| a.set_to_top_ms.value - b.set_to_top_ms.value);
            println!(
                "{name} {} live {} set difference {difference:.1?} ms, decided {after_ball_ms:.0?} ms after impact",
                swing.class.word(),
                cue.swing.class.word()
            );
            assert!(cue.swing.top.seconds_since(swing.top).abs() < 0.005, "{name}: top");
        }
        // On a flat slope the class is a matter of fractions of a degree; the flag says so.
        let clear = |swing: &Swing| !swing.flags.contains(&Flag::FlatSlope);
        let differ =
            live.iter().zip(&offline).filter(|(cue, swing)| clear(swing) && cue.swing.class != swing.class);
        assert_eq!(differ.count(), 0, "{name}: classes of well-conditioned swings");
    }
}
