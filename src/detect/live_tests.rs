//! The live path where a motion holds several swings, or is too long.

use super::*;
use crate::device::virtual_glove::swing::{SetAim, SwingSize};
use crate::device::virtual_glove::{Cue, Plan, Scenario, VirtualBucket};
use crate::sample::ImuSample;

#[test]
fn all_swings_that_wait_when_a_motion_ends_are_told() {
    let drill = Cue::Drill(SwingSize::Full, SetAim::Travel(0.5), 3);
    let plan = Plan::Listed(vec![Cue::Club("iron"), Cue::Calibrate, drill]);
    let bucket = VirtualBucket::play(&Scenario::new(plan), 1);
    let mut cutter = EpisodeCutter::new(&bucket.device, AnalysisParams::default().episodes);
    let mut live = LiveAnalysis::new(&bucket.device, AnalysisParams::default());
    let cuts = bucket.arrivals.iter().filter_map(|arrival| cutter.push(arrival));
    let told = cuts.flat_map(|cut| match cut {
        Cut::Motion(episode) => live.end_motion(episode),
        Cut::Calibration(_) => Vec::new(),
    });
    let tops: Vec<DeviceTime> = told.map(|live| live.swing.top).collect();
    assert_eq!(tops.len(), 3);
    for (top, truth) in tops.iter().zip(&bucket.truth) {
        assert!(top.seconds_since(truth.top).abs() < 0.02, "{top:?} {:?}", truth.top);
    }
}

/// What is said of a glove that rests, is whirled about for so long, and rests again, s.
fn said_of_whirling(lasts_s: f64) -> Vec<String> {
    let device = DeviceDescription::default();
    let mut live = LiveAnalysis::new(&device, AnalysisParams::default());
    let turning = 3.0..3.0 + lasts_s;
    for i in 0..((lasts_s + 6.0) * 200.0) as u32 {
        let t = DeviceTime(i64::from(i) * 5000);
        let rate = if turning.contains(&(f64::from(i) / 200.0)) { 700.0 } else { 0.0 };
        let (rate_dps, specific_force_g) = ([0.0, 0.0, rate], [0.0, 0.0, 1.0]);
        for role in [NodeRole::Hand, NodeRole::Forearm] {
            let sample = ImuSample { role, seq: i, t, rate_dps, specific_force_g, received: None };
            live.push(&Arrival::Sample(sample));
        }
    }
    live.take_notes()
}

#[test]
fn what_goes_on_after_a_cut_is_said_not_to_be_told() {
    assert!(said_of_whirling(20.0).is_empty());
    let notes = said_of_whirling(40.0);
    assert!(notes.len() == 1 && notes[0].contains("was too long to be looked at in one"), "{notes:?}");
}
