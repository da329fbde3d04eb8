//! A swing's angles, the wrist's and those of nodes on the trunk, in the open formats that laboratories read: motion
//! text and C3D.

pub mod c3d;
pub mod motion_text;
#[cfg(feature = "parquet")]
pub mod swing_table;

use crate::detect::{AnglesFrom, CurvePoint, Swing};
use crate::fusion::series::median_step_s;
use crate::fusion::series::value_at;
use crate::review::trunk_angles::TrunkAngle;
use crate::units::DeviceTime;

/// Follows what an angle is where it is not measured.
const WORKED_OUT: &str = ", worked out from the hand's path through a model of arm and shoulder";

/// One angle over time.
#[derive(Clone, Debug, PartialEq)]
pub struct Channel {
    /// Its name, with the unit.
    pub label: &'static str,
    /// What it is, in a sentence.
    pub description: String,
    /// Degrees, one value a frame.
    pub values_deg: Vec<f64>,
}

/// A swing's angles at a steady rate, from its address pose on. Angles count from that pose.
#[derive(Clone, Debug, PartialEq)]
pub struct Frames {
    /// Frames a second.
    pub rate_hz: f64,
    /// Time of the first frame, on the hand node's clock.
    pub start: DeviceTime,
    /// The angles that the glove's nodes can see, all of one length.
    pub channels: Vec<Channel>,
    /// Where the wrist's angles come from.
    pub angles_from: Option<AnglesFrom>,
    /// The swing's events, s since the first frame, in order of time.
    pub events: Vec<(&'static str, f64)>,
}

impl Frames {
    /// Lays a swing's curves out at the usual rate of the wrist's, by straight lines between their points. `None` for
    /// a curve of fewer than two points.
    #[must_use]
    pub fn of(swing: &Swing) -> Option<Frames> {
        let of_trunk = TrunkAngle::told_by(swing);
        // The angles of the trunk are written in every frame, or in none: as far as all its nodes were heard.
        let heard = |point: &CurvePoint| of_trunk.iter().all(|angle| angle.at(swing, point.t).is_finite());
        let curve = first_run(known(&swing.curve), heard);
        let (first, last) = curve.first().zip(curve.last())?;
        let t_s: Vec<f64> = curve.iter().map(|point| point.t.seconds_since(first.t)).collect();
        // To a tenth of a hertz.
        let step_s = median_step_s(t_s.iter().copied()).filter(|step_s| *step_s > 1e-4)?;
        let rate_hz = (10.0 / step_s).round() / 10.0;
        let count = (last.t.seconds_since(first.t) * rate_hz).floor() as usize + 1;
        let how = if swing.angles_from() == Some(AnglesFrom::HandPath) { WORKED_OUT } else { "" };
        let channel = |label, description, values: Vec<f64>| {
            let description = format!("{description}{how}");
            let at = |i: usize| value_at(&t_s, &values, i as f64 / rate_hz);
            Channel { label, description, values_deg: (0..count).map(at).collect() }
        };
        let all = [
            channel("hinge_deg", "radial deviation of the wrist", of_curve(curve, |point| point.hinge_deg)),
            channel("flexion_deg", "palmar flexion of the wrist", of_curve(curve, |point| point.flexion_deg)),
            channel("roll_deg", "pronation of the forearm", of_curve(curve, |point| point.roll_deg)),
            channel(
                "arm_travel_deg",
                "turn of the forearm about the swing-plane normal",
                of_curve(curve, |point| point.arm_travel_deg),
            ),
        ];
        let seen = |channel: &Channel| channel.values_deg.iter().all(|value| value.is_finite());
        let at_frame = |angle: &TrunkAngle, i: usize| {
            // The last frame may lie a rounded microsecond beyond the last point.
            angle.at(swing, first.t.plus_seconds(i as f64 / rate_hz).min(last.t))
        };
        let of_trunk = of_trunk.iter().map(|angle| Channel {
            label: angle.key,
            description: angle.description.to_owned(),
            values_deg: (0..count).map(|i| at_frame(angle, i)).collect(),
        });
        Some(Frames {
            rate_hz,
            start: first.t,
            channels: all.into_iter().filter(seen).chain(of_trunk).collect(),
            angles_from: swing.angles_from(),
            events: events(swing, first.t, last.t),
        })
    }

    /// Number of frames.
    #[must_use]
    pub fn len(&self) -> usize {
        self.channels.first().map_or(0, |channel| channel.values_deg.len())
    }

    /// Without frames there is nothing to write.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Time of a frame since the first, s.
    #[must_use]
    pub fn time_s(&self, frame: usize) -> f64 {
        frame as f64 / self.rate_hz
    }
}

/// The curve as far as the wrist's angles are known: with the hand node alone, to shortly after the ball. Where they
/// are known nowhere, all of it.
fn known(curve: &[CurvePoint]) -> &[CurvePoint] {
    let of_wrist = |point: &CurvePoint| point.hinge_deg.is_finite() && point.flexion_deg.is_finite();
    if curve.iter().any(of_wrist) { first_run(curve, of_wrist) } else { curve }
}

/// From the first point of which something holds to before the next of which it does not.
fn first_run(curve: &[CurvePoint], holds: impl Fn(&CurvePoint) -> bool) -> &[CurvePoint] {
    let first = curve.iter().position(&holds).unwrap_or(curve.len());
    let (_, from_first) = curve.split_at(first);
    let end = from_first.iter().position(|point| !holds(point)).unwrap_or(from_first.len());
    &from_first[..end]
}

fn of_curve(curve: &[CurvePoint], angle: impl Fn(&CurvePoint) -> f64) -> Vec<f64> {
    curve.iter().map(angle).collect()
}

/// Those within the frames.
fn events(swing: &Swing, start: DeviceTime, end: DeviceTime) -> Vec<(&'static str, f64)> {
    let named = [
        ("takeaway", Some(swing.takeaway)),
        ("set", swing.set.map(|set| set.set)),
        ("top", Some(swing.top)),
        ("impact", swing.impact),
        ("finish", swing.finish),
    ];
    let told = |(name, at): (&'static str, Option<DeviceTime>)| {
        let at = at.filter(|at| (start..=end).contains(at))?;
        Some((name, at.seconds_since(start)))
    };
    let mut events: Vec<_> = named.into_iter().filter_map(told).collect();
    events.sort_by(|a, b| a.1.total_cmp(&b.1));
    events
}
