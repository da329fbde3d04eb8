//! What is measured of one swing, and of a bucket of them.

use super::body_turn::{BodyTurn, StartBack};
use super::calibration_quality::CalibrationQuality;
use super::motion::SwingMotion;
use super::set::SET;
use crate::sample::NodeRole;
use crate::units::{DeviceTime, Measured};
use serde::{Deserialize, Serialize};

/// When the hinge was set, as a class (see [`super::Bands`]).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Class {
    /// Before the first band edge of arm travel.
    Early,
    /// Between the band edges.
    Middle,
    /// After the second band edge, but clearly before the top.
    Late,
    /// Within 30 ms of the top.
    AtTop,
    /// Later than that.
    AfterTop,
    /// The hinge range was too small to call anything a set.
    None,
}

impl Class {
    /// The word in tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Class::Early => "early",
            Class::Middle => "middle",
            Class::Late => "late",
            Class::AtTop => "at-top",
            Class::AfterTop => "after-top",
            Class::None => "none",
        }
    }
}

/// Why a number of this swing deserves less trust.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Flag {
    /// The hinge was nearly level where it crossed the 90 % line: small angle errors move the set a lot.
    FlatSlope,
    /// The hinge reached the 90 % line, fell below and reached it again.
    SetRemade,
    /// The wrist went on hinging after the top, so the two definitions of the set differ.
    HingesOnAfterTop,
    /// An angular rate reached the sensor's full scale.
    GyroClipped,
    /// The hand's specific force reached the sensor's full scale before the ball.
    AccelerometerClipped,
    /// Samples are missing within the swing.
    DataGap,
    /// No calibration came before this swing; the nominal mounting was used.
    NominalMounting,
    /// The glove seems to have moved on the arm since the calibration.
    OldMounting,
    /// Only the hand node was there.
    HandNodeAlone,
    /// The two node clocks could not be compared well.
    ClocksUnsure,
    /// The downswing took less than 200 or more than 450 ms.
    UnusualDownswing,
    /// Backswing over downswing outside 2.0 to 5.5.
    UnusualTempo,
    /// The player was not still at address, so the zero of the angles is uncertain.
    RestlessAddress,
}

impl Flag {
    /// The word in tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Flag::FlatSlope => "flat-slope",
            Flag::SetRemade => "set-remade",
            Flag::HingesOnAfterTop => "hinges-on-after-top",
            Flag::GyroClipped => "gyro-clipped",
            Flag::AccelerometerClipped => "accelerometer-clipped",
            Flag::DataGap => "data-gap",
            Flag::NominalMounting => "nominal-mounting",
            Flag::OldMounting => "old-mounting",
            Flag::HandNodeAlone => "hand-node-alone",
            Flag::ClocksUnsure => "clocks-unsure",
            Flag::UnusualDownswing => "unusual-downswing",
            Flag::UnusualTempo => "unusual-tempo",
            Flag::RestlessAddress => "restless-address",
        }
    }

    /// The same in a sentence for a reader who has not read the manual.
    #[must_use]
    pub fn explanation(self) -> &'static str {
        match self {
            Flag::FlatSlope => {
                "the hinge was nearly level at the set, so a small angle error moves the set time a lot"
            }
            Flag::SetRemade => "the hinge was set, lost and set again; the last time counts",
            Flag::HingesOnAfterTop => {
                "the wrist went on hinging after the top; counted to the top only, the set is earlier"
            }
            Flag::GyroClipped => "the sensor turned faster than it can measure",
            Flag::AccelerometerClipped => {
                "before the ball the hand's accelerometer was past what it can measure: hand path and speeds are carried on there"
            }
            Flag::DataGap => "samples are missing within the swing",
            Flag::NominalMounting => "not calibrated: the nominal mounting was used",
            Flag::OldMounting => "the glove seems to have moved since the calibration",
            Flag::HandNodeAlone => {
                "only the hand node was there: the forearm is worked out from the hand's path, so angles and set are rough"
            }
            Flag::ClocksUnsure => "the two nodes' clocks could not be compared well",
            Flag::UnusualDownswing => "the downswing took less than 200 or more than 450 ms",
            Flag::UnusualTempo => "backswing over downswing lies outside 2.0 to 5.5",
            Flag::RestlessAddress => {
                "the player was not still at address, so the zero of the angles is uncertain"
            }
        }
    }
}

/// Instants at which the hinge crossed parts of its range, on the hand node's clock.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SetTimes {
    /// 10 % of the range; before the takeaway where the wrist moves before the arm.
    pub onset: DeviceTime,
    /// 50 %.
    pub half: DeviceTime,
    /// 90 %: the set.
    pub set: DeviceTime,
    /// 95 %.
    pub nearly_full: DeviceTime,
    /// Standard deviations of these four, in their order, ms.
    pub sds_ms: [f64; 4],
    /// The set against the top, ms; negative before the top.
    pub set_to_top_ms: Measured,
    /// Arm travel at the set, as a fraction of that at the top.
    pub arm_travel_at_set: Measured,
}

impl SetTimes {
    /// Standard deviation of the set, ms.
    #[must_use]
    pub fn set_sd_ms(&self) -> f64 {
        self.sds_ms[SET]
    }
}

/// One angle at the events of a swing, degrees. All but `address` count from the address value. Missing is
/// what did not happen, or what the glove's nodes cannot see.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AtEvents {
    /// At address, from the best zero there is.
    pub address: Option<Measured>,
    /// At the set.
    pub set: Option<Measured>,
    /// At the top.
    pub top: Option<Measured>,
    /// Largest between takeaway and impact.
    pub max: Option<Measured>,
    /// Where the lead arm passes the horizontal in the downswing, if it was above.
    pub arm_horizontal_down: Option<Measured>,
    /// At impact.
    pub impact: Option<Measured>,
}

/// Where the angles of a swing come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AnglesFrom {
    /// Both nodes of the glove: measured.
    BothNodes,
    /// The hand node's path and a model of arm and shoulder: worked out.
    HandPath,
}

impl AnglesFrom {
    /// The word in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            AnglesFrom::BothNodes => "both-nodes",
            AnglesFrom::HandPath => "hand-path",
        }
    }
}

/// One point of a swing's curve. Angles count from the address pose; hinge and flexion are no numbers where
/// the glove's nodes cannot see them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    /// When, on the hand node's clock.
    pub t: DeviceTime,
    /// Hinge, degrees.
    pub hinge_deg: f64,
    /// Flexion, degrees.
    pub flexion_deg: f64,
    /// Roll of the forearm about its long axis, pronation positive, degrees.
    pub roll_deg: f64,
    /// Arm travel, degrees about the swing-plane normal.
    pub arm_travel_deg: f64,
    /// The same as a fraction: 0 at takeaway, 1 at the top.
    pub arm_travel: f64,
}

/// How well a swing's instants are known: standard deviations, ms.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct EventSds {
    /// Of the takeaway.
    pub takeaway_ms: f64,
    /// Of the top.
    pub top_ms: f64,
    /// Of the impact, where there was a shock.
    pub impact_ms: Option<f64>,
    /// Of the finish, where there is one.
    pub finish_ms: Option<f64>,
}

/// What was measured of one swing. Times are on the hand node's clock.
#[derive(Clone, Debug, PartialEq)]
pub struct Swing {
    /// The club in use, where it was said.
    pub club: Option<String>,
    /// Start of the backswing.
    pub takeaway: DeviceTime,
    /// The arm's turning point.
    pub top: DeviceTime,
    /// The lead arm passes the horizontal in the downswing, if it was above.
    pub arm_horizontal_down: Option<DeviceTime>,
    /// The shock; an air swing has none.
    pub impact: Option<DeviceTime>,
    /// The arm at rest after the swing; missing while it is still going on.
    pub finish: Option<DeviceTime>,
    /// How well takeaway, top, impact and finish are known.
    pub sds: EventSds,
    /// The set, counted to the largest hinge up to well into the downswing. Missing where the range is too small.
    pub set: Option<SetTimes>,
    /// The same, counted to the largest hinge up to the top only.
    pub set_backswing_only: Option<SetTimes>,
    /// Class of the set.
    pub class: Class,
    /// Hinge at the events.
    pub hinge_deg: AtEvents,
    /// Flexion at the events.
    pub flexion_deg: AtEvents,
    /// Angle between forearm and shaft at the events (not counted from address); 180 is a straight line.
    pub arm_shaft_deg: AtEvents,
    /// Backswing over downswing duration.
    pub tempo: Measured,
    /// What deserves less trust, in order of the enum, each once.
    pub flags: Vec<Flag>,
    /// The curve from address to finish.
    pub curve: Vec<CurvePoint>,
    /// Pelvis and chest, where the player wears nodes there.
    pub body: Option<BodyTurn>,
    /// How arm and hand moved, for speeds.
    pub motion: SwingMotion,
}

/// What was lost of one node's samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NodeLoss {
    /// The node.
    pub role: NodeRole,
    /// Samples that arrived, each counted once.
    pub received: u64,
    /// Samples whose numbers are missing.
    pub missing: u64,
    /// Samples that came twice.
    pub duplicates: u64,
    /// How often its numbers went on elsewhere, as its own clock contradicts: what was lost there is not known.
    #[serde(default)]
    pub jumps: u64,
}

/// What was measured of a bucket.
#[derive(Clone, Debug, PartialEq)]
pub struct BucketAnalysis {
    /// The swings, in order of time.
    pub swings: Vec<Swing>,
    /// Losses per node.
    pub losses: Vec<NodeLoss>,
    /// Plain sentences about the calibration and the clocks, for the reader.
    pub notes: Vec<String>,
    /// How good the last calibration was, if there was one.
    pub calibration: Option<CalibrationQuality>,
}

impl Swing {
    /// Where the wrist's angles come from; nothing where there are none.
    #[must_use]
    pub fn angles_from(&self) -> Option<AnglesFrom> {
        let from = if self.flags.contains(&Flag::HandNodeAlone) {
            AnglesFrom::HandPath
        } else {
            AnglesFrom::BothNodes
        };
        (from == AnglesFrom::BothNodes || self.hinge_deg.top.is_some()).then_some(from)
    }

    /// When the pelvis starts back, where a node on the belt tells it.
    #[must_use]
    pub fn pelvis_start(&self) -> Option<&StartBack> {
        self.body.as_ref()?.pelvis.as_ref()?.start_back.as_ref()
    }
}

#[cfg(test)]
impl Swing {
    /// One of which nothing is known but its takeaway and its top.
    pub(crate) fn bare(takeaway: DeviceTime, top: DeviceTime) -> Swing {
        Swing {
            club: None,
            takeaway,
            top,
            arm_horizontal_down: None,
            impact: None,
            finish: None,
            sds: EventSds::default(),
            set: None,
            set_backswing_only: None,
            class: Class::None,
            hinge_deg: AtEvents::default(),
            flexion_deg: AtEvents::default(),
            arm_shaft_deg: AtEvents::default(),
            tempo: Measured::new(3.0, 0.1),
            flags: Vec::new(),
            curve: Vec::new(),
            motion: SwingMotion::default(),
            body: None,
        }
    }
}
