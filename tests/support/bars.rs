//! Every number of a swing against the virtual glove's truth, with its bar.
#![allow(dead_code, reason = "each test file uses a part of it")]

use hingeclock::detect::Swing;
use hingeclock::device::virtual_glove::SwingTruth;
use hingeclock::record::measures::Measures;
use hingeclock::review::speed::SwingSpeed;
use hingeclock::units::DeviceTime;

/// An instant of the ball that is off by more than so many times this, ms, is wrong.
const IMPACT_SD_MS: f64 = 2.0;
/// Farther off than so many bars is wrong.
const MOST_BARS: f64 = 4.0;

/// How far the numbers of a swing are off: name, error, bar. The instant of the top has its bar in set and tempo.
pub fn off(swing: &Swing, truth: &SwingTruth) -> Vec<(&'static str, f64, f64)> {
    let ms = |a: DeviceTime, b: DeviceTime| a.seconds_since(b) * 1e3;
    let mut off = Vec::new();
    if let (Some(found), Some(truth)) = (swing.impact, truth.impact) {
        off.push(("impact", ms(found, truth), IMPACT_SD_MS));
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

/// The swing with this top, if it was found.
pub fn found<'a>(swings: &'a [Swing], truth: &SwingTruth) -> Option<&'a Swing> {
    swings.iter().find(|swing| swing.top.seconds_since(truth.top).abs() < 0.3)
}

/// The names of the numbers that are off by more than their bars tell.
fn wrong_in(swing: &Swing, truth: &SwingTruth) -> Vec<&'static str> {
    off(swing, truth).into_iter().filter(fails).map(|one| one.0).collect()
}

/// What is off by more than its bar tells, but for numbers that are so without the trouble.
pub fn wrong_besides(swing: &Swing, truth: &SwingTruth, before: &[&str]) -> Vec<String> {
    let wrong = off(swing, truth).into_iter().filter(|one| fails(one) && !before.contains(&one.0));
    wrong.map(|(name, error, sd)| format!("{name} {error:.2} ± {sd:.2}")).collect()
}

/// What is off by more than its bar tells, and was not so without the trouble.
pub fn wrong(swing: &Swing, sound: &Swing, truth: &SwingTruth) -> Vec<String> {
    wrong_besides(swing, truth, &wrong_in(sound, truth))
}

fn fails((_, error, sd): &(&str, f64, f64)) -> bool {
    error.abs() > MOST_BARS * sd
}
