//! What was told of sets while the swings were going on, beside what the whole session says of them.
#![allow(dead_code, reason = "each test file uses a part of it")]

use hingeclock::detect::{
    AnalysisParams, Bands, Flag, LiveAnalysis, LiveCall, LiveSwing, OfflineAnalysis, SetCall, Stage, Swing,
};
use hingeclock::sample::{Arrival, DeviceDescription};

/// One session through both paths.
pub struct Told {
    pub name: String,
    pub live: Vec<LiveSwing>,
    pub calls: Vec<LiveCall>,
    pub offline: Vec<Swing>,
}

/// One swing's story.
pub struct Story {
    /// Its set as told at the set, decided, against the offline set, ms.
    pub decided_ms: Option<f64>,
    /// The told set itself against the offline one, ms.
    pub set_ms: Option<f64>,
    /// The class told at the set is that of the offline path.
    pub class_right: Option<bool>,
    /// The class that was told at the set, clear of the bands' edges or not, so many deviations from the next.
    pub clear_by: Option<f64>,
    /// Where it was not, the class told at the top is.
    pub righted_at_top: bool,
    /// The final live set against the offline one, ms.
    pub final_ms: Option<f64>,
    /// The final live class is the offline one.
    pub final_class_right: bool,
    /// The hinge was not nearly level at the set: there, fractions of a degree decide, and the flag says so.
    pub clear: bool,
}

impl Told {
    pub fn of(name: &str, device: &DeviceDescription, arrivals: &[Arrival]) -> Told {
        let params = AnalysisParams::default();
        let mut analysis = LiveAnalysis::new(device, params);
        let mut offline = OfflineAnalysis::new(device, params);
        let (mut live, mut calls) = (Vec::new(), Vec::new());
        for arrival in arrivals {
            live.extend(analysis.push(arrival));
            calls.extend(analysis.take_calls());
            offline.push(arrival);
        }
        live.extend(analysis.finish());
        Told { name: name.to_owned(), live, calls, offline: offline.finish().swings }
    }

    /// Swings of the offline path with the live ones of the same top.
    pub fn pairs(&self) -> impl Iterator<Item = (&Swing, &LiveSwing)> {
        self.offline.iter().filter_map(|swing| {
            let same = |live: &&LiveSwing| live.swing.top.seconds_since(swing.top).abs() < 0.05;
            self.live.iter().find(same).map(|live| (swing, live))
        })
    }

    pub fn stories(&self) -> Vec<Story> {
        let story = |(swing, live): (&Swing, &LiveSwing)| {
            let call = live.told.at_set.ok();
            let against =
                |at: hingeclock::units::DeviceTime| swing.set.map(|set| at.seconds_since(set.set) * 1e3);
            let class_right = call.map(|call| call.class == swing.class);
            Story {
                decided_ms: call.and_then(|call| against(call.decided_at)),
                set_ms: call.and_then(|call| against(call.set)),
                class_right,
                clear_by: call.map(|call| clear_by(&call)),
                righted_at_top: class_right == Some(false)
                    && live.told.at_top.is_some_and(|call| call.class == swing.class),
                final_ms: live.swing.set.and_then(|set| against(set.set)),
                final_class_right: live.swing.class == swing.class,
                clear: !swing.flags.contains(&Flag::FlatSlope),
            }
        };
        self.pairs().map(story).collect()
    }

    /// Calls that belong to no swing: outside takeaway and impact of all of them.
    pub fn strays(&self) -> Vec<&LiveCall> {
        let inside = |call: &&LiveCall| {
            self.offline.iter().any(|swing| {
                let after = call.call.set.seconds_since(swing.takeaway);
                let before = swing.impact.unwrap_or(swing.top.plus_seconds(0.6)).seconds_since(call.call.set);
                after >= -0.05 && before >= 0.0
            })
        };
        self.calls.iter().filter(|call| !inside(call)).collect()
    }

    pub fn print(&self) {
        for (swing, live) in self.pairs() {
            let off = |at: hingeclock::units::DeviceTime| {
                swing.set.map_or(f64::NAN, |set| at.seconds_since(set.set) * 1e3)
            };
            let told = match live.told.at_set {
                Ok(call) => format!(
                    "{:?} {} at {:.2}, set {:.0} ms, decided {:.0} ms",
                    call.stage,
                    call.class.word(),
                    call.arm_travel,
                    off(call.set),
                    off(call.decided_at)
                ),
                Err(silence) => format!("{silence:?}"),
            };
            let top = live.told.at_top.filter(|call| call.stage == Stage::AtTop);
            println!(
                "{} {} at {:.2}: {told}; top {}; final {} {:.1} ms",
                self.name,
                swing.class.word(),
                swing.set.map_or(f64::NAN, |set| set.arm_travel_at_set.value),
                top.map_or("-".to_owned(), |call| format!(
                    "{} at {:.2} {:.0} ms",
                    call.class.word(),
                    call.arm_travel,
                    off(call.set)
                )),
                live.swing.class.word(),
                live.swing.set.map_or(f64::NAN, |set| off(set.set)),
            );
        }
    }
}

/// Deviations from the nearest edge of the bands.
fn clear_by(call: &SetCall) -> f64 {
    let bands = Bands::default();
    let edges = [bands.early_below, bands.late_from];
    let by = edges.map(|edge| (call.arm_travel - edge).abs() / call.arm_travel_sd);
    by.into_iter().fold(f64::INFINITY, f64::min)
}

/// What is left of the calls when those near an edge are kept back: a line for each distance.
pub fn kept_back(stories: &[Story]) -> String {
    [0.0, 0.5, 1.0, 1.5, 2.0]
        .map(|by| {
            let told: Vec<&Story> =
                stories.iter().filter(|story| story.clear_by.is_some_and(|clear| clear > by)).collect();
            let wrong = told.iter().filter(|story| story.class_right == Some(false)).count();
            let all = stories.iter().filter(|story| story.clear_by.is_some()).count();
            let decided: Vec<f64> = told.iter().filter_map(|story| story.decided_ms).collect();
            format!(
                "  clear by {by}: {} of {all} told, {wrong} wrong, median {:.0} ms\n",
                told.len(),
                quantile(decided, 0.5)
            )
        })
        .concat()
}

/// The value below which this share of the values lies; not a number for none.
pub fn quantile(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let place = ((values.len() as f64 * share).ceil() as usize).clamp(1, values.len().max(1)) - 1;
    values.get(place).copied().unwrap_or(f64::NAN)
}

/// One line of numbers over stories.
pub fn table(name: &str, stories: &[Story]) -> String {
    let decided: Vec<f64> = stories.iter().filter_map(|story| story.decided_ms).collect();
    let late: Vec<f64> = decided.iter().map(|ms| ms.abs()).collect();
    let off: Vec<f64> = stories.iter().filter_map(|story| story.set_ms.map(f64::abs)).collect();
    let last: Vec<f64> = stories.iter().filter_map(|story| story.final_ms.map(f64::abs)).collect();
    let told = stories.iter().filter(|story| story.class_right.is_some()).count();
    let wrong = stories.iter().filter(|story| story.class_right == Some(false)).count();
    let righted = stories.iter().filter(|story| story.righted_at_top).count();
    let classes = stories.iter().filter(|story| story.final_class_right).count();
    format!(
        "{name}: {} swings, {} without a call; decided - set median {:.0}, p95 {:.0} ms (|.| median {:.0}); told set off by median {:.0}, p95 {:.0} ms; \
         class wrong at the set {wrong} of {told}, righted at the top {righted}; final: class {classes} of {}, set p95 {:.2} ms",
        stories.len(),
        stories.len() - told,
        quantile(decided.clone(), 0.5),
        quantile(decided, 0.95),
        quantile(late, 0.5),
        quantile(off.clone(), 0.5),
        quantile(off, 0.95),
        stories.len(),
        quantile(last, 0.95),
    )
}
