//! Speeds against truth: sessions made apart from this program, and the virtual glove's buckets.
//! `cargo test --test speed -- --nocapture` prints a line a session, `PER_SWING=1` one a swing.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod binary;
    pub mod sessions;
}

use hingeclock::detect::{BucketAnalysis, Swing};
use hingeclock::device::virtual_glove::scenario::Scenario;
use hingeclock::device::virtual_glove::{SwingTruth, VirtualBucket};
use hingeclock::record::measures::Measures;
use hingeclock::review::Review;
use hingeclock::review::speed::SwingSpeed;
use hingeclock::review::speed::plane::PlaneSwing;
use hingeclock::review::speed::what_if::{Change, Same, changed};
use hingeclock::review::speed::worth::club_worth;
use serde_json::Value;
use std::path::Path;
use support::analysis::{offline, offline_of};
use support::binary::{code, run};
use support::sessions;

/// What was found of one swing, in shares of its truth.
struct Found {
    head_off: f64,
    head_sd: f64,
    wrist_off: f64,
    wrist_sd: f64,
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn compare(name: &str, swings: &[Swing], truth: &[SwingTruth]) -> Vec<Found> {
    let measures = Measures::default();
    let mut found = Vec::new();
    for truth in truth {
        let swing = swings.iter().find(|swing| swing.top.seconds_since(truth.top).abs() < 0.3);
        let Some(swing) = swing else { continue };
        let speed = SwingSpeed::of(swing, &measures).unwrap();
        let (head, wrist) = (speed.head.head_mps.unwrap(), speed.head.wrist_from_accelerometer_mps);
        let parts = [
            speed.head.from_body_mps,
            speed.head.from_arm_mps,
            speed.head.from_wrist_mps,
            speed.head.from_roll_mps,
        ];
        if let Ok(sum) = parts.iter().map(|part| part.map(|part| part.value)).sum::<Result<f64, _>>() {
            assert!((sum - head.value).abs() < 1e-9, "{name}: the parts add up to {sum}, not {}", head.value);
        }
        if std::env::var_os("PER_SWING").is_some() {
            println!(
                "{name} {} {:?} head {:.2} ± {:.2}, true {:.2}; wrist {:.2?} arm alone {:.2?} true {:.2}; parts {:.1?} attack {:.1?} lean {:.1?} {:?} {:?} {:?}",
                truth.club,
                truth.size,
                head.value,
                head.sd,
                truth.head_speed_mps,
                wrist.map(|wrist| (wrist.value, wrist.sd)),
                speed.head.wrist_from_arm_mps.map(|arm| (arm.value, arm.sd)),
                truth.wrist_speed_mps,
                parts.map(|part| part.map(|part| part.value)),
                speed.head.attack_deg.map(|m| (m.value, m.sd)),
                speed.head.shaft_lean_deg.map(|m| m.value),
                speed.release,
                speed.flat,
                swing.flags,
            );
        }
        let wrist = wrist.ok();
        found.push(Found {
            head_off: head.value / truth.head_speed_mps - 1.0,
            head_sd: head.sd / truth.head_speed_mps,
            wrist_off: wrist.map_or(f64::NAN, |wrist| wrist.value / truth.wrist_speed_mps - 1.0),
            wrist_sd: wrist.map_or(f64::NAN, |wrist| wrist.sd / truth.wrist_speed_mps),
        });
    }
    found
}

/// Median size of the error in percent; prints a line.
fn summary(name: &str, found: &[Found]) -> f64 {
    let off = median(found.iter().map(|found| found.head_off.abs()).collect());
    let bias = median(found.iter().map(|found| found.head_off).collect());
    let within = |bars: f64| found.iter().filter(|f| f.head_off.abs() <= bars * f.head_sd).count();
    println!(
        "{name}: {} swings, head speed off by {:.2} % in the median (bias {:+.2} %), {} within one bar, {} within two; bar {:.2} %",
        found.len(),
        off * 100.0,
        bias * 100.0,
        within(1.0),
        within(2.0),
        median(found.iter().map(|found| found.head_sd).collect()) * 100.0,
    );
    off * 100.0
}

#[test]
fn head_speed_agrees_with_sessions_made_elsewhere() {
    let Some(folder) = sessions::folder() else { return };
    for session in sessions::sessions(&folder) {
        let swings = offline_of(&session.device, &session.arrivals);
        let found = compare(&session.name, &swings, &session.truth);
        let off = summary(&format!("{} {}", session.name, session.profile), &found);
        let most = if session.profile == "clean" { 3.0 } else { 5.0 };
        assert!(found.len() == session.truth.len() && off <= most, "{}: {off} %", session.name);
    }
}

#[test]
fn speeds_agree_with_the_virtual_glove() {
    let left = VirtualBucket::play(&Scenario::left_handed_bucket(), 7);
    let buckets = [("demo 1", VirtualBucket::demo(1)), ("demo 2", VirtualBucket::demo(2)), ("left", left)];
    for (name, bucket) in buckets {
        let found = compare(name, &offline(&bucket), &bucket.truth);
        assert_eq!(found.len(), bucket.truth.len(), "{name}: every swing has its speeds");
        let off = summary(name, &found);
        let wrist = median(found.iter().map(|found| found.wrist_off.abs()).collect()) * 100.0;
        let wrist_sd = median(found.iter().map(|found| found.wrist_sd).collect()) * 100.0;
        println!("{name}: wrist by the accelerometer off by {wrist:.2} %, bar {wrist_sd:.2} %");
        assert!(off <= 3.0, "{name}: head {off} %");
        assert!(wrist <= 8.0, "{name}: wrist {wrist} %");
    }
}

/// A pendulum with torques fitted to each swing follows the measured hand, and says the same head speed.
fn check_fit(name: &str, swings: &[Swing]) {
    let measures = Measures::default();
    let (mut rms_mm, mut head_off, mut missing) = (Vec::new(), Vec::new(), Vec::new());
    for swing in swings {
        let speed = SwingSpeed::of(swing, &measures).unwrap();
        let head = speed.head.head_mps.unwrap().value;
        match PlaneSwing::of(swing, &measures.arm, &speed.club, head) {
            Ok(plane) => {
                rms_mm.push(plane.wrist_rms_mm);
                head_off.push((plane.head_mps / head - 1.0).abs() * 100.0);
            }
            Err(reason) => missing.push(reason),
        }
    }
    println!(
        "{name}: {} of {} swings as a pendulum, wrist off by {:.1} mm in the median, head by {:.1} %; {missing:?}",
        rms_mm.len(),
        swings.len(),
        median(rms_mm.clone()),
        median(head_off.clone()),
    );
    assert!(rms_mm.len() * 4 >= swings.len() * 3, "{name}: {missing:?}");
    assert!(median(rms_mm) <= 10.0 && median(head_off) <= 5.0, "{name}");
}

#[test]
fn a_fitted_pendulum_follows_the_measured_hand() {
    let bucket = VirtualBucket::demo(1);
    check_fit("demo 1", &offline(&bucket));
    let Some(folder) = sessions::folder() else { return };
    for session in sessions::sessions(&folder) {
        check_fit(&session.name, &offline_of(&session.device, &session.arrivals));
    }
}

/// No change gives the player's own swing, a harder pull and a later release of a full swing more, a cast less; and a
/// hinge that is set earlier than it is, long before the top, changes nothing in the downswing.
#[test]
fn changes_answer_as_a_pendulum_does() {
    let measures = Measures::default();
    let (mut looked, mut casts) = (0, 0);
    for swing in offline(&VirtualBucket::demo(1)) {
        let speed = SwingSpeed::of(&swing, &measures).unwrap();
        let set_long_before = swing.set.is_some_and(|set| set.set_to_top_ms.value < -150.0);
        if speed.head.head_mps.unwrap().value < 18.0 || !set_long_before {
            continue;
        }
        let plane =
            PlaneSwing::of(&swing, &measures.arm, &speed.club, speed.head.head_mps.unwrap().value).unwrap();
        let known = (&swing.motion, &measures.arm, &speed.club);
        for same in [Same::ByAngle, Same::ByTime] {
            let known_head =
                |change, by| changed(&plane, known, (change, by), same).map(|outcome| outcome.head_mps);
            let head = |change, by| known_head(change, by).unwrap();
            let own = head(Change::Effort, 0.0);
            assert!((own / plane.head_mps - 1.0).abs() < 0.01, "{own} of {}", plane.head_mps);
            assert!(head(Change::Effort, 5.0) > own && head(Change::Effort, -5.0) < own);
            assert!(head(Change::HeadMass, 10.0) < own);
            let earlier = head(Change::Set, -20.0);
            assert!((earlier / own - 1.0).abs() < 0.03, "{earlier} with an earlier set, {own} without");
            // A club that is thrown early may be past the hands before the arm is down: no such swing.
            if let Some(cast) = known_head(Change::Release, -30.0) {
                assert!(cast < own, "{cast} with a cast, {own} without");
                casts += 1;
            }
        }
        looked += 1;
    }
    assert!(looked >= 2 && casts >= 2, "{looked} swings, {casts} casts");
}

/// Where the motion is not there, nothing is made up.
#[test]
fn without_the_motion_there_are_reasons_in_place_of_speeds() {
    let mut swing = offline(&VirtualBucket::demo(1)).remove(4);
    swing.motion = hingeclock::detect::SwingMotion::default();
    let speed = SwingSpeed::of(&swing, &Measures::default()).unwrap();
    for (name, figure) in speed.figures() {
        let of_the_curve = name.starts_with("flexion") || name == "flat_after_ball_ms";
        assert!(of_the_curve || figure.is_err_and(|reason| !reason.is_empty()), "{name}: {figure:?}");
    }
    swing.club = None;
    assert_eq!(SwingSpeed::of(&swing, &Measures::default()), Err("the club was not said"));
}

fn recording() -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/three-clubs.csv.gz").to_str().unwrap().to_owned()
}

#[test]
fn the_command_tells_speeds_and_what_changes_are_worth() {
    let output = run(&["speed", &recording(), "--what-if", "--json"]);
    assert_eq!(code(&output), 0);
    let object: Value = serde_json::from_slice(&output.stdout).unwrap();
    let swings = object["speed"]["swings"].as_array().unwrap();
    assert!(swings.iter().any(|swing| swing["figures"]["head_mps"]["value"].as_f64().is_some()));
    for swing in swings {
        assert_eq!(swing["figures"]["face_deg"]["value"], Value::Null);
        assert!(swing["figures"]["face_deg"]["why_not"].is_string());
    }
    check_release(swings, &object["what_if"]["clubs"]);
    assert!(object["what_if"]["validity"].as_str().unwrap().contains("no promise"));
    let mut changed = 0;
    for club in object["what_if"]["clubs"].as_array().unwrap() {
        for curve in club["curves"].as_array().unwrap() {
            let points = curve["points"].as_array().unwrap();
            let own = points.iter().find(|point| point["by"] == 0.0).unwrap();
            assert_eq!(own["head_mps"], club["head_mps"]);
            assert_eq!([&own["change_low_mps"], &own["change_high_mps"]], [&Value::from(0.0); 2]);
            changed += check_points(points, club["head_mps"].as_f64().unwrap());
        }
    }
    assert!(changed > 50, "{changed} changes are worth something");
}

/// A swing without a release says why, and every figure has the key; the wedge's chips are left out among full swings.
fn check_release(swings: &[Value], clubs: &Value) {
    let chip = &swings[1]["figures"]["release_before_ball_ms"];
    assert!(chip["value"].is_null() && chip["why_not"].is_string(), "{chip}");
    let [figure, swing] = [&swings[0]["figures"]["head_mps"], &swings[0]];
    assert!([figure, swing].iter().all(|told| told.get("why_not") == Some(&Value::Null)), "{swing}");
    let left_out = clubs[0]["left_out"].as_array().unwrap();
    assert!(left_out[0].as_str().unwrap().contains("whose head speed is far from"), "{left_out:?}");
    for curve in clubs[0]["curves"].as_array().unwrap() {
        assert_eq!(curve["swings"], 2, "{curve}");
    }
}

#[test]
fn a_swing_without_a_set_has_no_part_in_what_a_later_one_is_worth() {
    let mut swings = offline(&VirtualBucket::demo(1));
    let iron = swings.iter_mut().find(|swing| swing.club.as_deref() == Some("iron")).unwrap();
    iron.set = None;
    let analysis = BucketAnalysis { swings, losses: vec![], notes: vec![], calibration: None };
    let club = club_worth(&Review::new("demo", analysis), &Measures::default(), "iron");
    let of = |change| club.curves.iter().find(|curve| curve.change == change).unwrap().swings;
    let all = club.swings.len();
    assert!(all >= 4, "else this shows nothing");
    assert_eq!([Change::Length, Change::Set, Change::Release].map(of), [all, all - 1, all]);
}

/// A changed speed is the own one and the change, which lies within its range; how many changes are more than nothing.
fn check_points(points: &[Value], own_mps: f64) -> usize {
    let number = |point: &Value, key: &str| point[key].as_f64();
    let mut changed = 0;
    for point in points.iter().filter(|point| !point["head_mps"].is_null()) {
        let [head, change, low, high] = ["head_mps", "change_mps", "change_low_mps", "change_high_mps"]
            .map(|key| number(point, key).unwrap());
        assert!((head - own_mps - change).abs() < 0.016, "{point}, own {own_mps}");
        assert!(low - 0.006 <= change && change <= high + 0.006, "{point}");
        changed += usize::from(change.abs() > 0.1);
    }
    changed
}

#[test]
fn the_analysis_carries_the_same_speeds() {
    let [speed, analysis]: [Value; 2] = ["speed", "analyze"]
        .map(|command| serde_json::from_slice(&run(&[command, &recording(), "--json"]).stdout).unwrap());
    assert_eq!(speed["speed"], analysis["speed"]);
    assert!(speed.get("what_if").is_none());
}
