//! How the cuff is turned on the forearm by a wrist that bends.

use super::measure::WristKnowledge;
use crate::fusion::joint::relative::Straight;
use crate::fusion::soft_tissue::{Creep, given_back, two_axes};
use nalgebra::{UnitQuaternion, Vector3};

/// The cuff over time: it takes along half of what soft tissue hides, and creeps after the wrist.
#[derive(Clone, Debug)]
pub struct Cuff {
    straight: Straight,
    share: f64,
    creep: Creep,
}

impl Cuff {
    /// On this wrist, at rest wherever it is first asked.
    #[must_use]
    pub fn on(wrist: &WristKnowledge) -> Cuff {
        Cuff {
            straight: Straight::of(&wrist.axes),
            share: 0.5 * given_back(wrist.tissue),
            creep: Creep::new(wrist.tissue_lag_s),
        }
    }

    /// How far, and how fast, it is turned, in the forearm's level frame, rad and rad/s: each node's orientation there
    /// and its rate in the sensor's frame are what is seen. Has to be asked in order of time.
    pub fn turned(
        &mut self,
        t_s: f64,
        (forearm, forearm_rate): (&UnitQuaternion<f64>, &Vector3<f64>),
        (hand, hand_rate): (&UnitQuaternion<f64>, &Vector3<f64>),
    ) -> (Vector3<f64>, Vector3<f64>) {
        let level_from_forearm = self.straight.level_from_forearm(forearm);
        let seen_rate = level_from_forearm.inverse() * (hand * hand_rate - forearm * forearm_rate);
        let bend = self.straight.bend(forearm, hand);
        let crept = self.creep.follow(t_s, bend);
        let rate = self.creep.rate(two_axes(seen_rate));
        (level_from_forearm * crept * self.share, level_from_forearm * rate * self.share)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::wrist_state::WristState;
    use crate::sample::DeviceDescription;

    /// A wrist that hinges at 2 rad/s on an arm that is still: the cuff lies behind by 20 ms of that.
    #[test]
    fn a_cuff_creeps_after_the_wrist() {
        let wrist = WristState::nominal(&DeviceDescription::default()).knowledge_without_forearm();
        let wrist = WristKnowledge { tissue: 0.2, tissue_lag_s: 0.02, ..wrist };
        let [forearm, hand_from_sensor] = [wrist.axes.forearm_from_sensor(), wrist.axes.hand_from_sensor()];
        let mut cuff = Cuff::on(&wrist);
        let still = Vector3::zeros();
        let mut turned = (still, still);
        for i in 0..100 {
            let t_s = 0.005 * f64::from(i);
            let hand = UnitQuaternion::from_scaled_axis(Vector3::x() * (2.0 * t_s)) * hand_from_sensor;
            let hand_rate = hand_from_sensor.inverse() * Vector3::x() * 2.0;
            turned = cuff.turned(t_s, (&forearm, &still), (&hand, &hand_rate));
        }
        let share = 0.5 * given_back(0.2);
        let (way, rate) = (turned.0.x / share, turned.1.x / share);
        assert!((way - 2.0 * (0.495 - 0.02)).abs() < 1e-6 && (rate - 2.0).abs() < 1e-6, "{way}, {rate}");
    }
}
