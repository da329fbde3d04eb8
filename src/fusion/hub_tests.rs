//! The model on a motion that is exactly its own, made from positions alone.

use super::*;
use crate::fusion::errors::NodeErrors;
use crate::fusion::series::Reading;
use crate::fusion::track::Track;
use nalgebra::Matrix3;

const STEP_S: f64 = 0.002;
const TAKEAWAY_S: f64 = 1.0;
const TOP_S: f64 = 1.9;
const BACK_S: f64 = 2.2;

/// From 0 to 1 with rest at both ends (minimum jerk).
fn smooth(from_s: f64, to_s: f64, t_s: f64) -> f64 {
    let u = ((t_s - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
    u * u * u * (10.0 - 15.0 * u + 6.0 * u * u)
}

fn arm_deg(t_s: f64) -> f64 {
    140.0 * smooth(TAKEAWAY_S, TOP_S, t_s) - 280.0 * smooth(TOP_S, 2.0 * BACK_S - TOP_S, t_s)
}

fn hinge_deg(t_s: f64) -> f64 {
    -14.0 + 30.0 * smooth(1.3, 1.6, t_s)
}

/// A left arm that turns in a leaning plane about a shoulder that turns with it; the elbow bends, the hand hinges.
struct Pendulum {
    normal: Unit<Vector3<f64>>,
    down: Vector3<f64>,
    shoulders_turn: f64,
    elbow_deg: f64,
}

impl Pendulum {
    fn new(shoulders_turn: f64, elbow_deg: f64) -> Pendulum {
        let normal = Unit::new_normalize(Vector3::new(0.0, -0.8, 0.6));
        Pendulum { normal, down: Vector3::new(0.0, -0.6, -0.8), shoulders_turn, elbow_deg }
    }

    fn turned(&self, degrees: f64) -> UnitQuaternion<f64> {
        UnitQuaternion::from_axis_angle(&self.normal, degrees.to_radians())
    }

    fn hand(&self, t_s: f64) -> UnitQuaternion<f64> {
        let (y, z) = (-self.down, self.normal.into_inner());
        let forearm = Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[y.cross(&z), y, z]));
        // Both turn towards the thumb, which is −z on a left arm.
        let bent_deg = 0.53 * self.elbow_deg * (arm_deg(t_s) / 140.0).clamp(0.0, 1.0).powi(3);
        let hinged =
            UnitQuaternion::from_axis_angle(&Vector3::x_axis(), (bent_deg + hinge_deg(t_s)).to_radians());
        self.turned(arm_deg(t_s)) * UnitQuaternion::from_rotation_matrix(&forearm) * hinged
    }

    fn node(&self, t_s: f64) -> Vector3<f64> {
        let target = -self.normal.cross(&self.down) * 0.175;
        let shoulder = self.turned(self.shoulders_turn * arm_deg(t_s + 0.019)) * target;
        shoulder
            + self.turned(arm_deg(t_s)) * self.down * 0.57
            + self.hand(t_s) * Vector3::new(-0.021, -0.055, 0.0)
    }

    fn reading(&self, i: usize) -> Reading {
        let (t_s, h) = (i as f64 * STEP_S, 1e-4);
        let rate = (self.hand(t_s - h).inverse() * self.hand(t_s + h)).scaled_axis() / (2.0 * h);
        let h = 1e-3;
        let bend = (self.node(t_s - h) - self.node(t_s) * 2.0 + self.node(t_s + h)) / (h * h);
        let force_g = self.hand(t_s).inverse() * (bend / 9.80665 + Vector3::z());
        Reading { t_s, rate, force_g, clipped: false }
    }
}

/// What is found of a pendulum, and the path of its hand.
fn found(pendulum: &Pendulum) -> (HubEstimate, Path) {
    let readings: Vec<Reading> = (0..1200).map(|i| pendulum.reading(i)).collect();
    let track = Track::from_stillest(&readings, &NodeErrors::default(), 0.2, 0.8).unwrap();
    let level_from_world = track.at(0.5).0 * pendulum.hand(0.5).inverse();
    let sensor = UnitQuaternion::identity();
    let span = HubSpan {
        takeaway_s: TAKEAWAY_S,
        top_s: TOP_S,
        back_s: BACK_S,
        normal: level_from_world * pendulum.normal.into_inner(),
        lead_arm_sign: -1.0,
    };
    let path = Path::of(&track, &readings, &sensor, (0.3, 0.7), BACK_S + 0.1).unwrap();
    (estimate(&path, &sensor, &span, &HubParams::default(), Care::Weighed).unwrap(), path)
}

fn check_hinge(what: &str, (found, path): &(HubEstimate, Path), within_deg: f64) {
    let address = found.wrist[path.zero][0].to_degrees();
    for t_s in [1.3, 1.45, 1.6, TOP_S] {
        let hinge = found.wrist[path.index(t_s)][0].to_degrees() - address;
        let expected = hinge_deg(t_s) - hinge_deg(0.5);
        println!("{what}, {t_s} s: {hinge:.2} for {expected:.2}");
        assert!((hinge - expected).abs() < within_deg, "{what}, {t_s} s: {hinge:.1} for {expected:.1}");
    }
}

/// An elbow's bend is no hinge, and whether the shoulder turns or stays makes little of one.
#[test]
fn the_hinge_is_that_of_the_wrist_whatever_elbow_and_shoulder_do() {
    for shoulders_turn in [0.0, 0.35, 0.65] {
        let pendulum = Pendulum::new(shoulders_turn, 7.0);
        check_hinge(&format!("turn {shoulders_turn}"), &found(&pendulum), 2.0);
    }
}

/// Sensors as good as these leave some degrees open.
#[test]
fn the_bar_of_the_hinge_is_some_degrees() {
    let (found, _) = found(&Pendulum::new(0.57, 7.0));
    let by: Vec<_> = found.by_unknown.iter().filter(|(t_s, _)| (t_s - TOP_S).abs() < 0.011).collect();
    let since = &by[0].1[0] - &found.by_unknown[0].1[0];
    let sd = since.dot(&(&found.covariance * &since)).sqrt().to_degrees();
    assert!((1.0..8.0).contains(&sd), "{sd}");
}
