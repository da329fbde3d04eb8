//! Readings lost beside the top and the ball, for a moment or for longer than a bridge carries: a number may be missing
//! or have a wide bar, but is never wrong by more than that without a word. Live and offline, with every node.
//!
//! `SEEDS=4 FIRST=100 cargo test --test gaps -- --nocapture` prints what is off by more than three bars.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod environment;
}

use hingeclock::detect::{Flag, Swing};
use hingeclock::device::virtual_glove::{Profile, Scenario, SwingTruth, VirtualBucket};
use hingeclock::record::measures::Measures;
use hingeclock::review::speed::SwingSpeed;
use hingeclock::sample::{Arrival, NodeRole};
use hingeclock::units::DeviceTime;
use support::analysis::{live, offline};
use support::environment::number;

/// Where readings are missing.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Place {
    Top,
    BeforeBall,
    OnBall,
    AfterBall,
}

const PLACES: [Place; 4] = [Place::Top, Place::BeforeBall, Place::OnBall, Place::AfterBall];
const LENGTHS_S: [f64; 5] = [0.02, 0.04, 0.08, 0.15, 0.25];
const NODES: [&[NodeRole]; 3] =
    [&[NodeRole::Hand], &[NodeRole::Forearm], &[NodeRole::Hand, NodeRole::Forearm]];

#[derive(Clone, Copy, Debug)]
struct Gap {
    place: Place,
    lasts_s: f64,
    nodes: &'static [NodeRole],
}

impl Gap {
    /// Every kind in turn.
    fn nth(n: usize) -> Gap {
        let place = PLACES[n % PLACES.len()];
        let nodes = NODES[n / PLACES.len() % NODES.len()];
        Gap { place, lasts_s: LENGTHS_S[n % LENGTHS_S.len()], nodes }
    }

    fn begins(&self, truth: &SwingTruth) -> DeviceTime {
        let ball = truth.impact.unwrap_or(truth.arm_back);
        match self.place {
            Place::Top => truth.top.plus_seconds(-0.5 * self.lasts_s),
            Place::BeforeBall => ball.plus_seconds(-0.004 - self.lasts_s),
            Place::OnBall => ball.plus_seconds(-0.5 * self.lasts_s),
            Place::AfterBall => ball.plus_seconds(0.004),
        }
    }
}

/// The bucket with such gaps, one a swing. The forearm's readings go with the hand's that come beside them.
fn with_gaps(bucket: &VirtualBucket, gaps: &[Gap]) -> VirtualBucket {
    let mut changed = bucket.clone();
    let mut hand = DeviceTime(i64::MIN / 2);
    changed.arrivals.retain(|arrival| {
        let Arrival::Sample(sample) = arrival else { return true };
        if sample.role == NodeRole::Hand {
            hand = sample.t;
        }
        !bucket.truth.iter().zip(gaps).any(|(truth, gap)| {
            let since_s = hand.seconds_since(gap.begins(truth));
            gap.nodes.contains(&sample.role) && (0.0..gap.lasts_s).contains(&since_s)
        })
    });
    changed
}

/// What is off of a swing: name, error, bar; times in ms.
fn off(swing: &Swing, truth: &SwingTruth) -> Vec<(&'static str, f64, f64)> {
    let ms = |a: DeviceTime, b: DeviceTime| a.seconds_since(b) * 1e3;
    let mut off = vec![("top", ms(swing.top, truth.top), 3.0)];
    if let (Some(found), Some(truth)) = (swing.impact, truth.impact) {
        off.push(("impact", ms(found, truth), 2.0));
    }
    if let (Some(found), Some(truth)) = (swing.set, truth.set) {
        off.push(("set", found.set_to_top_ms.value - truth.set_to_top_ms, found.set_to_top_ms.sd));
        off.push((
            "travel",
            found.arm_travel_at_set.value - truth.arm_travel_at_set,
            found.arm_travel_at_set.sd,
        ));
    }
    if truth.impact.is_some() {
        let tempo = truth.backswing_s() / truth.downswing_s();
        off.push(("tempo", swing.tempo.value - tempo, swing.tempo.sd));
    }
    for (name, found, truth) in [
        ("hinge at top", swing.hinge_deg.top, Some(truth.hinge_deg.top)),
        ("largest hinge", swing.hinge_deg.max, Some(truth.hinge_deg.max)),
        ("hinge at horizontal", swing.hinge_deg.arm_horizontal_down, truth.hinge_deg.arm_horizontal_down),
        ("flexion at top", swing.flexion_deg.top, Some(truth.flexion_deg.top)),
    ] {
        if let (Some(found), Some(truth)) = (found, truth) {
            off.push((name, found.value - truth, found.sd));
        }
    }
    let speed = SwingSpeed::of(swing, &Measures::default());
    if let (Ok(speed), Some(true_speed)) = (speed, &truth.speed) {
        for (name, figure) in speed.figures() {
            let truth = match name {
                "hand_mps" => true_speed.hand_mps,
                "wrist_from_accelerometer_mps" => truth.wrist_speed_mps,
                "head_mps" => truth.head_speed_mps,
                "shaft_lean_deg" => true_speed.shaft_lean_deg,
                "flexion_at_ball_deg" => true_speed.flexion_at_ball_deg,
                "hand_up_at_ball_m" => true_speed.hand_way_m[1][1],
                _ => continue,
            };
            if let Ok(found) = figure {
                off.push((name, found.value - truth, found.sd));
            }
        }
    }
    off
}

#[test]
fn what_a_gap_spoils_is_told() {
    let (first, seeds) = (number("FIRST", 1), number("SEEDS", 1));
    let mut n = number("SHIFT", 0) as usize;
    for (profile, seed) in [Profile::Clean, Profile::Typical]
        .into_iter()
        .flat_map(|profile| (first..first + seeds).map(move |seed| (profile, seed)))
    {
        let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
        let gaps: Vec<Gap> = bucket.truth.iter().enumerate().map(|(i, _)| Gap::nth(n + i)).collect();
        n += gaps.len();
        let torn = with_gaps(&bucket, &gaps);
        for (path, swings, sound) in
            [("offline", offline(&torn), offline(&bucket)), ("live", live(&torn), live(&bucket))]
        {
            for (i, (truth, gap)) in bucket.truth.iter().zip(&gaps).enumerate() {
                let here = format!(
                    "{} {seed} swing {i} {path} {:?} {:.0} ms {:?}",
                    profile.word(),
                    gap.place,
                    gap.lasts_s * 1e3,
                    gap.nodes
                );
                let of = |swings: &[Swing]| {
                    swings.iter().find(|swing| swing.top.seconds_since(truth.top).abs() < 0.3).cloned()
                };
                let Some(sound) = of(&sound) else {
                    println!("{here}: not found without the gap");
                    continue;
                };
                let Some(swing) = of(&swings) else {
                    println!("{here}: NOT FOUND");
                    continue;
                };
                let told = swing.flags.contains(&Flag::DataGap);
                let mut words = Vec::new();
                if swing.impact.is_some() != truth.impact.is_some() {
                    words.push(format!("impact {:?}", swing.impact.is_some()));
                }
                if swing.class.word() != truth.class {
                    words.push(format!(
                        "class {} for {} (sound {})",
                        swing.class.word(),
                        truth.class,
                        sound.class.word()
                    ));
                }
                let before = off(&sound, truth);
                for (name, error, sd) in off(&swing, truth) {
                    let was = before.iter().find(|(other, ..)| *other == name);
                    if error.abs() > 3.0 * sd {
                        words.push(format!(
                            "{name} {error:.2} ± {sd:.2} (sound {:.2?})",
                            was.map(|(_, e, s)| (*e, *s))
                        ));
                    }
                }
                println!("{here}: told {told} {}", words.join(", "));
                assert!(told, "{here}");
            }
        }
    }
}
