//! One thing that the player does: which joints move when, from one rest to the next.

use super::body::{JOINTS, Joint, Posture};
use super::curve::{Jet, Step, Wave};
use super::everyday::Everyday;
use super::fit::Fit;
use super::swing::SwingPlan;
use crate::sample::{CalibrationPart, Marker};
use rand::Rng;
use rand::rngs::StdRng;

/// What the player does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ActivityKind {
    /// A part of the calibration.
    Calibration(CalibrationPart),
    /// Standing or changing posture.
    Settle,
    /// Waggling the club before a shot.
    Waggle,
    /// A backswing that is broken off.
    AbortedBackswing,
    /// A slow rehearsal of the backswing.
    Rehearsal,
    /// Walking some steps.
    Walk,
    /// Bending down to tee up a ball.
    TeeWork,
    /// Something that has nothing to do with a swing.
    Everyday(Everyday),
    /// A swing, through the ball or in the air.
    Swing,
}

/// A knock that the arm gets besides the ball's: a clap, a step with the bag, a landing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Jolt {
    /// When, s of true time.
    pub at_s: f64,
    /// Its peak at the hand, g.
    pub peak_g: f64,
}

/// How one joint moves along with another.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Along {
    /// By how much of it.
    pub share: f64,
    /// How much later, s.
    pub late_s: f64,
}

/// One activity. Every joint is at rest at its start and at its end.
#[derive(Clone, Debug, PartialEq)]
pub struct Activity {
    /// What it is.
    pub kind: ActivityKind,
    /// When it starts, s of true time.
    pub start_s: f64,
    /// How long it takes, s.
    pub duration_s: f64,
    /// The swing's plan; `Some` for swings only.
    pub swing: Option<SwingPlan>,
    /// What is said at its start.
    pub markers: Vec<Marker>,
    /// Knocks in the course of it.
    pub jolts: Vec<Jolt>,
    /// How the glove sits.
    pub fit: Fit,
    /// The glove is off the hand: nothing of a living body moves it.
    pub glove_off: bool,
    base: Posture,
    steps: Vec<(Joint, Step)>,
}

impl Activity {
    /// An activity from `base` that moves nothing yet.
    #[must_use]
    pub fn new(kind: ActivityKind, start_s: f64, base: Posture) -> Activity {
        Activity {
            kind,
            start_s,
            duration_s: 0.0,
            swing: None,
            markers: Vec::new(),
            jolts: Vec::new(),
            fit: Fit::FIRST,
            glove_off: false,
            base,
            steps: Vec::new(),
        }
    }

    /// Adds a smooth change of one joint, `at_s` after the start. Steps of a joint may overlap: they add up.
    pub fn step(&mut self, joint: Joint, at_s: f64, duration_s: f64, change: f64) {
        self.steps.push((joint, Step { start_s: self.start_s + at_s, duration_s, change }));
        self.duration_s = self.duration_s.max(at_s + duration_s);
    }

    /// Adds a smooth change of one joint to `target`, counted from where its steps so far end.
    pub fn step_to(&mut self, joint: Joint, at_s: f64, duration_s: f64, target: f64) {
        let change = target - self.end_posture().get(joint);
        if change != 0.0 {
            self.step(joint, at_s, duration_s, change);
        }
    }

    /// Lets `other` answer to every step of `joint` so far.
    pub fn along(&mut self, joint: Joint, other: Joint, answer: Along) {
        let of_joint = self.steps.iter().filter(|(moved, _)| *moved == joint);
        let with: Vec<Step> = of_joint
            .map(|(_, step)| Step {
                start_s: step.start_s + answer.late_s,
                change: answer.share * step.change,
                ..*step
            })
            .collect();
        for step in with {
            self.duration_s = self.duration_s.max(step.start_s + step.duration_s - self.start_s);
            self.steps.push((other, step));
        }
    }

    /// Adds a knock, `at_s` after the start.
    pub fn jolt(&mut self, at_s: f64, peak_g: f64) {
        self.jolts.push(Jolt { at_s: self.start_s + at_s, peak_g });
    }

    /// Lets the activity last `seconds` longer than its last step so far.
    pub fn rest(&mut self, seconds: f64) {
        self.duration_s += seconds;
    }

    /// When it ends, s of true time.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.start_s + self.duration_s
    }

    /// Where it ends.
    #[must_use]
    pub fn end_posture(&self) -> Posture {
        let mut end = self.base;
        for (joint, step) in &self.steps {
            end.0[*joint as usize] += step.change;
        }
        end
    }

    /// All joints at `t_s` of true time, without restlessness.
    #[must_use]
    pub fn joints(&self, t_s: f64) -> [Jet; JOINTS] {
        let mut joints = self.base.0.map(|value| Jet { value, ..Jet::default() });
        for (joint, step) in &self.steps {
            if t_s >= step.end_s() {
                joints[*joint as usize].value += step.change;
            } else if t_s > step.start_s {
                joints[*joint as usize] = joints[*joint as usize].plus(step.at(t_s));
            }
        }
        joints
    }
}

/// What never rests in a living body: breath, sway and the tremor of the arm.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Restlessness(pub Vec<(Joint, Wave)>);

impl Restlessness {
    /// A calm adult's: under 2 °/s and a few mm (sizes from common practice, not from a source).
    /// `phase_rad` moves every wave, so that two buckets differ.
    #[must_use]
    pub fn calm(phase_rad: f64) -> Restlessness {
        let waves = [
            (Joint::HubX, 0.004, 0.31),
            (Joint::HubZ, 0.002, 0.24),
            (Joint::Swing, 0.10, 0.43),
            (Joint::Roll, 0.10, 0.57),
            (Joint::Swing, 0.005, 9.1),
            (Joint::Flexion, 0.05, 0.83),
            (Joint::Hinge, 0.05, 0.67),
            (Joint::Hinge, 0.006, 8.3),
        ];
        let wave = |(i, (joint, amplitude, frequency_hz)): (usize, &(Joint, f64, f64))| {
            let phase_rad = phase_rad * (1.0 + i as f64);
            (*joint, Wave { amplitude: *amplitude, frequency_hz: *frequency_hz, phase_rad })
        };
        Restlessness(waves.iter().enumerate().map(wave).collect())
    }

    /// A player's who sways at address and whose arm trembles at 8 to 12 Hz by some °/s (sizes from common
    /// practice, not from a source).
    #[must_use]
    pub fn trembling(rng: &mut StdRng) -> Restlessness {
        let mut restless = Restlessness::calm(rng.random_range(0.0..std::f64::consts::TAU));
        let mut wave = |joint, amplitude: f64, frequencies_hz: std::ops::Range<f64>| {
            let wave = Wave {
                amplitude: amplitude * rng.random_range(0.5..1.3),
                frequency_hz: rng.random_range(frequencies_hz),
                phase_rad: rng.random_range(0.0..std::f64::consts::TAU),
            };
            restless.0.push((joint, wave));
        };
        for joint in [Joint::Swing, Joint::OutOfPlane, Joint::Roll, Joint::Flexion, Joint::Hinge] {
            wave(joint, 0.018, 8.0..12.0);
        }
        for joint in [Joint::HubX, Joint::HubY] {
            wave(joint, 0.006, 0.2..0.6);
        }
        for joint in [Joint::Heading, Joint::Lift, Joint::Trunk] {
            wave(joint, 0.25, 0.2..0.6);
        }
        restless
    }

    /// Adds itself to the joints at `t_s`.
    pub fn add_to(&self, joints: &mut [Jet; JOINTS], t_s: f64) {
        for (joint, wave) in &self.0 {
            joints[*joint as usize] = joints[*joint as usize].plus(wave.at(t_s));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_joint_that_goes_along_moves_by_its_share_and_later() {
        let mut activity = Activity::new(ActivityKind::Settle, 0.0, Posture::hanging());
        activity.step(Joint::Hinge, 0.2, 0.6, 20.0);
        activity.step(Joint::Hinge, 0.7, 0.5, -35.0);
        activity.along(Joint::Hinge, Joint::Elbow, Along { share: -0.02, late_s: 0.1 });
        assert!((activity.duration_s - 1.3).abs() < 1e-12);
        let moved = |joint: Joint, t_s: f64| {
            activity.joints(t_s)[joint as usize].value - Posture::hanging().get(joint)
        };
        for i in 0..150 {
            let t_s = f64::from(i) * 0.01;
            let along = moved(Joint::Elbow, t_s + 0.1);
            assert!((along + 0.02 * moved(Joint::Hinge, t_s)).abs() < 1e-12, "{i}");
        }
        assert_eq!(activity.end_posture().get(Joint::Hinge), Posture::hanging().get(Joint::Hinge) - 15.0);
    }
}
