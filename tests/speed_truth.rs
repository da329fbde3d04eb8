//! Every number of `speed` against the virtual glove's truth, over random players whose measures are wrong by as much as
//! they may be: how far off, and whether the bars hold.
//!
//! Prints a table: `SEEDS=10 cargo test --test speed_truth -- --nocapture`; `FIRST=100` starts at that seed. What is
//! judgement was judged on seeds under 100; a plain run takes others.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod score;
}

use hingeclock::detect::{Flag, Swing};
use hingeclock::device::virtual_glove::{Profile, Scenario, SwingTruth, VirtualBucket};
use hingeclock::record::measures::Measures;
use hingeclock::review::speed::SwingSpeed;
use hingeclock::review::speed::wrist_work::{BALANCE_SD_M, INERTIA_SHARE, MASS_SHARE};
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use std::collections::BTreeMap;
use support::analysis::offline;
use support::score::{Scored, percentile, within};

const FIRST: u64 = 100;
const SEEDS: u64 = 8;
/// Shoulder to wrist of the virtual player, m.
const TRUE_ARM_M: f64 = 0.56;
/// The hand grips so far from where it is taken to, m: one standard deviation.
const GRIPPED_SD_M: f64 = 0.015;
const GRIP_SD_DEG: f64 = 5.0;

fn number(name: &str, otherwise: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(otherwise)
}

/// A number of the standard normal distribution (Box & Muller 1958, Ann Math Stat 29:610 [M]).
fn normal(rng: &mut StdRng) -> f64 {
    let (a, b): (f64, f64) = (rng.random_range(1e-12..1.0), rng.random_range(0.0..1.0));
    (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
}

/// Measures, and a grip, that are off by as much as the program takes them to be.
fn misjudged(swing: &Swing, rng: &mut StdRng) -> (Swing, Measures) {
    let mut measures = Measures::default();
    let arm = &mut measures.arm;
    arm.arm_length_m = TRUE_ARM_M + arm.arm_length_sd_m * normal(rng);
    arm.hand_length_m *= 1.0 + 0.1 * normal(rng);
    let (longer, gripped) = (normal(rng), GRIPPED_SD_M * normal(rng));
    let [heavier, balanced, spread] = [0; 3].map(|_| normal(rng));
    for club in measures.clubs.values_mut() {
        club.length_m += club.length_sd_m * longer + gripped;
        club.mass_kg *= 1.0 + MASS_SHARE * heavier;
        club.balance_m += BALANCE_SD_M * balanced + gripped;
        club.inertia_kgm2 *= 1.0 + INERTIA_SHARE * spread;
    }
    let mut swing = swing.clone();
    swing.motion.grip += GRIP_SD_DEG.to_radians() * normal(rng);
    (swing, measures)
}

/// The truth of a figure by its name; none where it has none here.
fn true_value(name: &str, truth: &SwingTruth) -> Option<f64> {
    let speed = truth.speed.as_ref()?;
    Some(match name {
        "hand_mps" => speed.hand_mps,
        "hand_peak_mps" => speed.hand_peak_mps,
        "hand_arc_radius_m" => speed.hand_radius_m,
        "hand_forward_at_ball_m" => speed.hand_way_m[1][0],
        "hand_up_at_ball_m" => speed.hand_way_m[1][1],
        "hand_away_at_ball_m" => speed.hand_way_m[1][2],
        "hub_travel_m" => speed.hub_travel_m,
        "wrist_from_accelerometer_mps" => truth.wrist_speed_mps,
        "head_mps" => truth.head_speed_mps,
        "from_body_mps" => speed.parts_mps[0],
        "from_arm_mps" => speed.parts_mps[1],
        "from_wrist_mps" => speed.parts_mps[2],
        "from_roll_mps" => speed.parts_mps[3],
        "attack_deg" => speed.attack_deg,
        "shaft_lean_deg" => speed.shaft_lean_deg,
        "arm_shaft_arm_horizontal_deg" => speed.arm_shaft_arm_horizontal_deg?,
        "arm_shaft_at_release_deg" => speed.release?.arm_shaft_deg,
        "arm_shaft_at_ball_deg" => speed.arm_shaft_at_ball_deg,
        "release_before_ball_ms" => speed.release?.before_ball_ms,
        "arm_from_top_at_release_deg" => speed.release?.arm_from_top_deg,
        "wrist_power_w" => speed.wrist?.peak_w,
        "wrist_work_j" => speed.wrist?.work_j,
        "flexion_at_ball_deg" => speed.flexion_at_ball_deg,
        "flat_after_ball_ms" => speed.flat?.0,
        "flat_after_ball_mm" => speed.flat?.1,
        _ => return None,
    })
}

/// What the virtual glove has no truth of: these sensors see neither face nor target. The
/// wrist's speed by the arm alone takes the shoulder to stand still, which it does not.
const WITHOUT_TRUTH: [&str; 4] = [
    "hand_peak_before_ball_ms",
    "wrist_from_arm_mps",
    "club_path_deg",
    "face_deg",
];

type Found = BTreeMap<&'static str, Vec<Scored>>;

fn study(profile: Profile) -> (Found, Vec<f64>) {
    let (first, seeds) = (number("FIRST", FIRST), number("SEEDS", SEEDS));
    let (mut found, mut head_off) = (Found::new(), Vec::new());
    for seed in first..first + seeds {
        let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
        let mut rng = StdRng::seed_from_u64(seed);
        let swings = offline(&bucket);
        for truth in &bucket.truth {
            let swing = swings.iter().find(|swing| swing.top.seconds_since(truth.top).abs() < 0.3).unwrap();
            let usual = SwingSpeed::of(swing, &Measures::default()).unwrap();
            head_off.push(usual.head.head_mps.unwrap().value / truth.head_speed_mps - 1.0);
            let (swing, measures) = misjudged(swing, &mut rng);
            let speed = SwingSpeed::of(&swing, &measures).unwrap();
            for (name, figure) in speed.figures() {
                let Some(expected) = true_value(name, truth) else {
                    let none =
                        WITHOUT_TRUTH.contains(&name) || figure.is_err() || name.starts_with("arm_shaft");
                    let of_events = name.starts_with("flat") || name.contains("release");
                    assert!(none || of_events, "{name} has no truth");
                    continue;
                };
                let Ok(measured) = figure else { continue };
                let clipped = swing.flags.contains(&Flag::GyroClipped);
                if std::env::var_os("PER_SWING").is_some_and(|wanted| wanted == name || wanted == "all") {
                    println!(
                        "{} {seed} {:?} {} {name} {:.4} ± {:.4}, true {expected:.4} clipped {clipped}",
                        profile.word(),
                        truth.size,
                        truth.club,
                        measured.value,
                        measured.sd
                    );
                }
                let scored = Scored { error: measured.value - expected, sd: measured.sd };
                found.entry(name).or_default().push(scored);
            }
        }
    }
    (found, head_off)
}

#[test]
fn every_number_agrees_with_the_truth_and_its_bar_holds() {
    for (profile, most) in [(Profile::Clean, 0.03), (Profile::Typical, 0.05)] {
        let (found, head_off) = study(profile);
        let off = percentile(head_off.iter().copied(), 0.5);
        println!("{}: head off by {:.2} % in the median with usual measures", profile.word(), 100.0 * off);
        assert!(off <= most, "{}: head {off}", profile.word());
        for (name, scores) in &found {
            let error = |share| percentile(scores.iter().map(|scored| scored.error), share);
            let bias = scores.iter().map(|scored| scored.error).sum::<f64>() / scores.len() as f64;
            let bar = percentile(scores.iter().map(|scored| scored.sd), 0.5);
            let (one, two) = (within(scores, 1.0), within(scores, 2.0));
            println!(
                "{:8} {name:32} n {:3} off {:8.3} / {:8.3} mean {bias:+8.3} bar {bar:7.3} holds {one:.2} {two:.2}",
                profile.word(),
                scores.len(),
                error(0.5),
                error(0.95),
            );
        }
    }
}
