//! How the glove sits: it may slip about the arm, or be taken off and put on again.

use super::vector::{IDENTITY, Mat3, multiply, rotation_about};
use crate::sample::NodeRole;
use rand::Rng;
use rand::rngs::StdRng;

/// The glove's seat against the one it was first put on with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fit {
    /// How often the seat has changed.
    pub epoch: u32,
    /// The seat at the last calibration.
    pub calibrated_epoch: Option<u32>,
    hand: Mat3,
    forearm: Mat3,
}

impl Fit {
    /// The first seat.
    pub const FIRST: Fit = Fit { epoch: 0, calibrated_epoch: None, hand: IDENTITY, forearm: IDENTITY };

    /// The cuff turned about the forearm's long axis; the hand's node stays.
    #[must_use]
    pub fn slipped(self, angle_deg: f64) -> Fit {
        let turn = rotation_about(1, angle_deg.to_radians());
        Fit { epoch: self.epoch + 1, forearm: multiply(&turn, &self.forearm), ..self }
    }

    /// Taken off and put on again: both nodes sit otherwise by up to `most_deg` about each axis.
    #[must_use]
    pub fn put_on_anew(self, most_deg: f64, rng: &mut StdRng) -> Fit {
        let mut turned = |seat: Mat3| {
            (0..3).fold(seat, |seat, axis| {
                let angle_deg: f64 = most_deg * rng.random_range(-1.0..=1.0);
                multiply(&rotation_about(axis, angle_deg.to_radians()), &seat)
            })
        };
        let (hand, forearm) = (turned(self.hand), turned(self.forearm));
        Fit { epoch: self.epoch + 1, hand, forearm, ..self }
    }

    /// The same seat, calibrated.
    #[must_use]
    pub fn calibrated(self) -> Fit {
        Fit { calibrated_epoch: Some(self.epoch), ..self }
    }

    /// A node's mounting in this seat, from the one in the first.
    #[must_use]
    pub fn mounting(&self, role: NodeRole, first: &Mat3) -> Mat3 {
        match role {
            _ if self.epoch == 0 => *first,
            NodeRole::Hand => multiply(&self.hand, first),
            NodeRole::Forearm => multiply(&self.forearm, first),
            NodeRole::Chest | NodeRole::Belt => *first,
        }
    }
}
