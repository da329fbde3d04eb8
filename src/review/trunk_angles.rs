//! The angles of pelvis and chest over time, under the names by which every output has them.

use crate::detect::{BodyTurn, SegmentPoint, SegmentTurn, Swing};
use crate::units::DeviceTime;

/// One angle of one segment. Counts from address, away from the target positive; degrees.
#[derive(Clone, Copy, Debug)]
pub struct TrunkAngle {
    /// Its name for programs, with the unit.
    pub key: &'static str,
    /// Its name for readers.
    pub name: &'static str,
    /// What it is, in a sentence.
    pub description: &'static str,
    segment: fn(&BodyTurn) -> Option<&SegmentTurn>,
    deg: fn(&SegmentPoint) -> f64,
}

/// All of them.
pub const TRUNK_ANGLES: [TrunkAngle; 4] = [
    TrunkAngle {
        key: "pelvis_turn_deg",
        name: "Pelvis turn",
        description: "turn of the pelvis about its long axis since address, away from the target positive",
        segment: |body| body.pelvis.as_ref(),
        deg: |point| point.turn_deg,
    },
    TrunkAngle {
        key: "pelvis_tilt_deg",
        name: "Pelvis lean",
        description: "sideways lean of the pelvis since address, away from the target positive",
        segment: |body| body.pelvis.as_ref(),
        deg: |point| point.tilt_deg,
    },
    TrunkAngle {
        key: "chest_turn_deg",
        name: "Chest turn",
        description: "turn of the chest about its long axis since address, away from the target positive",
        segment: |body| body.chest.as_ref(),
        deg: |point| point.turn_deg,
    },
    TrunkAngle {
        key: "chest_tilt_deg",
        name: "Chest lean",
        description: "sideways lean of the chest since address, away from the target positive",
        segment: |body| body.chest.as_ref(),
        deg: |point| point.tilt_deg,
    },
];

impl TrunkAngle {
    /// Those of which a swing tells.
    #[must_use]
    pub fn told_by(swing: &Swing) -> Vec<TrunkAngle> {
        TRUNK_ANGLES.into_iter().filter(|angle| angle.curve(swing).is_some()).collect()
    }

    fn curve<'a>(&self, swing: &'a Swing) -> Option<&'a SegmentTurn> {
        (self.segment)(swing.body.as_ref()?).filter(|segment| !segment.curve.is_empty())
    }

    /// At an instant; no number where the node was not heard.
    #[must_use]
    pub fn at(&self, swing: &Swing, t: DeviceTime) -> f64 {
        self.curve(swing).and_then(|segment| segment.at(t)).map_or(f64::NAN, |point| (self.deg)(&point))
    }
}
