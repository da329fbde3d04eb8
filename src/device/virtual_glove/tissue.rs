//! Soft tissue: how far the two nodes do not move as the bones under them do.
//!
//! The cuff is dragged along by the tendons and the skin of the wrist, and the glove's back gives way on the
//! hand. Both are turns of the sensor about a place under it, in proportion to the wrist's angles from straight,
//! and may creep after them.

use super::curve::Jet;
use super::vector::Vec3;
use crate::sample::NodeRole;

/// How much soft tissue there is. The default is none.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct TissueSettings {
    /// Share of the wrist's flexion and hinge by which the cuff turns with the hand.
    pub cuff_follows: f64,
    /// Share of the wrist's flexion and hinge that the hand's node misses.
    pub hand_loses: f64,
    /// The place that the cuff turns about, from under its sensor towards the elbow, m.
    pub cuff_turns_about_m: f64,
    /// Time constant of the creep, s; at 0 the tissue follows at once.
    pub lag_s: f64,
}

impl TissueSettings {
    /// Turn of this node in its segment, per turn of the wrist.
    fn share(&self, role: NodeRole) -> f64 {
        match role {
            NodeRole::Hand => -self.hand_loses,
            NodeRole::Forearm => self.cuff_follows,
            NodeRole::Chest | NodeRole::Belt => 0.0,
        }
    }
}

/// The tissue under one node at work.
#[derive(Clone, Debug)]
pub struct Tissue {
    share: f64,
    about_m: f64,
    lag_s: f64,
    flexion: Creep,
    hinge: Creep,
}

impl Tissue {
    /// The tissue under the node in this role, not yet strained.
    #[must_use]
    pub fn new(settings: &TissueSettings, role: NodeRole) -> Tissue {
        Tissue {
            share: settings.share(role),
            about_m: if role == NodeRole::Forearm { settings.cuff_turns_about_m } else { 0.0 },
            lag_s: settings.lag_s,
            flexion: Creep::default(),
            hinge: Creep::default(),
        }
    }

    /// The place in its segment that the node turns about, from where its sensor is; told for a left lead arm.
    #[must_use]
    pub fn pivot_m(&self, [x, y, z]: Vec3) -> Vec3 {
        [x, y + self.about_m, z]
    }

    /// The node's turns in its segment along flexion and hinge, degrees, while the wrist is bent like this.
    /// `None` for stiff tissue. Has to be asked in order of time.
    pub fn give(&mut self, true_s: f64, flexion_deg: Jet, hinge_deg: Jet) -> Option<[Jet; 2]> {
        if self.share == 0.0 {
            return None;
        }
        let flexion = self.flexion.follow(true_s, flexion_deg, self.lag_s);
        let hinge = self.hinge.follow(true_s, hinge_deg, self.lag_s);
        Some([flexion.times(self.share), hinge.times(self.share)])
    }
}

/// A first-order lag, exact for an input that is straight between two calls.
#[derive(Clone, Copy, Debug, Default)]
struct Creep {
    last: Option<(f64, Jet, f64)>,
}

impl Creep {
    fn follow(&mut self, t_s: f64, target: Jet, lag_s: f64) -> Jet {
        if lag_s <= 0.0 {
            return target;
        }
        let value = match self.last {
            Some((last_s, before, value)) if t_s > last_s => {
                let slope = (target.value - before.value) / (t_s - last_s);
                let left = value - before.value + slope * lag_s;
                target.value - slope * lag_s + left * (-(t_s - last_s) / lag_s).exp()
            }
            Some((_, _, value)) => value,
            None => target.value - target.rate * lag_s,
        };
        self.last = Some((t_s, target, value));
        let rate = (target.value - value) / lag_s;
        Jet { value, rate, accel: (target.rate - rate) / lag_s }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn creep_comes_after_by_its_lag_and_its_derivatives_are_its_own() {
        let (mut creep, step_s) = (Creep::default(), 5e-4);
        let target = |t_s: f64| Jet {
            value: (6.0 * t_s).sin(),
            rate: 6.0 * (6.0 * t_s).cos(),
            accel: -36.0 * (6.0 * t_s).sin(),
        };
        let jets: Vec<Jet> = (0..4000)
            .map(|i| creep.follow(f64::from(i) * step_s, target(f64::from(i) * step_s), 0.02))
            .collect();
        for (i, jet) in jets.iter().enumerate().skip(1000).take(2000) {
            // A first-order lag answers a sine with cos(φ) of it, late by φ = atan(ω·lag).
            let phase = (6.0_f64 * 0.02).atan();
            let expected = phase.cos() * (6.0 * i as f64 * step_s - phase).sin();
            assert!((jet.value - expected).abs() < 1e-4, "{} for {expected}", jet.value);
            let difference = (jets[i + 1].value - jets[i - 1].value) / (2.0 * step_s);
            assert!((jet.rate - difference).abs() < 1e-3, "{} for {difference}", jet.rate);
        }
    }

    #[test]
    fn stiff_tissue_gives_nothing_and_the_two_nodes_give_the_opposite_ways() {
        let bent = Jet { value: 10.0, ..Jet::default() };
        let settings = TissueSettings { cuff_follows: 0.02, hand_loses: 0.03, ..TissueSettings::default() };
        let beside = TissueSettings { cuff_turns_about_m: 0.03, ..settings };
        let pivot_m = |role| Tissue::new(&beside, role).pivot_m([0.1, -0.2, 0.3]);
        assert_eq!(pivot_m(NodeRole::Hand), [0.1, -0.2, 0.3]);
        assert!(
            (pivot_m(NodeRole::Forearm)[1] + 0.17).abs() < 1e-12,
            "the elbow lies at 0, the wrist below it"
        );
        let give = |settings: &TissueSettings, role| Tissue::new(settings, role).give(0.0, bent, bent);
        assert_eq!(give(&TissueSettings::default(), NodeRole::Hand), None);
        assert!((give(&settings, NodeRole::Forearm).unwrap()[0].value - 0.2).abs() < 1e-12);
        assert!((give(&settings, NodeRole::Hand).unwrap()[1].value + 0.3).abs() < 1e-12);
    }
}
