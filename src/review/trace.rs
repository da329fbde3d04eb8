//! The angles over time as CSV: one row per curve point, counted from the last address pose. Where nodes on the trunk
//! were worn, their angles follow.

use super::trunk_angles::{TRUNK_ANGLES, TrunkAngle};
use crate::detect::Swing;
use std::io::Write;

/// The heading row; the angles of the trunk that any of the swings tells of follow.
pub const COLUMNS: [&str; 5] = ["t_us", "hinge_deg", "flexion_deg", "roll_deg", "arm_travel_deg"];

/// Writes the heading and one row per point: µs on the hand node's clock, then degrees with three decimals.
/// A number that is not finite leaves its cell empty.
///
/// # Errors
/// Whatever the writer reports.
pub fn write<W: Write>(out: W, swings: &[Swing]) -> Result<(), csv::Error> {
    let told: Vec<Vec<TrunkAngle>> = swings.iter().map(TrunkAngle::told_by).collect();
    let is_told = |angle: &TrunkAngle| told.iter().flatten().any(|other| other.key == angle.key);
    let trunk: Vec<TrunkAngle> = TRUNK_ANGLES.into_iter().filter(is_told).collect();
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(COLUMNS.into_iter().chain(trunk.iter().map(|angle| angle.key)))?;
    for swing in swings {
        for point in &swing.curve {
            let angles = [point.hinge_deg, point.flexion_deg, point.roll_deg, point.arm_travel_deg];
            csv.write_field(point.t.0.to_string())?;
            for angle in angles.into_iter().chain(trunk.iter().map(|angle| angle.at(swing, point.t))) {
                csv.write_field(cell(angle))?;
            }
            csv.write_record(None::<&[u8]>)?;
        }
    }
    csv.flush()?;
    Ok(())
}

fn cell(angle_deg: f64) -> String {
    if angle_deg.is_finite() { format!("{angle_deg:.3}") } else { String::new() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{BodyTurn, CurvePoint, SegmentPoint, SegmentTurn};
    use crate::units::{DeviceTime, Measured};

    fn text(swings: &[Swing]) -> String {
        let mut out = Vec::new();
        write(&mut out, swings).unwrap();
        String::from_utf8(out).unwrap()
    }

    fn swing(from_us: i64) -> Swing {
        let point = |at_us| CurvePoint {
            t: DeviceTime(at_us),
            hinge_deg: 12.345_67,
            flexion_deg: -0.5,
            roll_deg: f64::NAN,
            arm_travel_deg: 100.0,
            arm_travel: 0.5,
        };
        let curve = vec![point(from_us), point(from_us + 2_000)];
        Swing { curve, ..Swing::bare(DeviceTime(0), DeviceTime(0)) }
    }

    #[test]
    fn rows_follow_the_heading() {
        assert_eq!(
            text(&[swing(-2_000)]),
            "t_us,hinge_deg,flexion_deg,roll_deg,arm_travel_deg\n\
             -2000,12.346,-0.500,,100.000\n0,12.346,-0.500,,100.000\n"
        );
    }

    #[test]
    fn no_points_leave_the_heading_alone() {
        assert_eq!(text(&[]), "t_us,hinge_deg,flexion_deg,roll_deg,arm_travel_deg\n");
    }

    #[test]
    fn a_segment_has_columns_where_any_swing_tells_of_it_and_empty_cells_where_one_does_not() {
        let at = |t, turn_deg, tilt_deg| SegmentPoint { t: DeviceTime(t), turn_deg, tilt_deg };
        let chest = SegmentTurn {
            turn_at_top_deg: Measured::new(90.0, 1.0),
            tilt_at_impact_deg: Measured::new(10.0, 1.0),
            start_back: None,
            peak_dps: Measured::new(600.0, 4.0),
            peak: DeviceTime(0),
            flags: Vec::new(),
            curve: vec![at(10_000, 1.0, -2.0), at(11_000, 3.0, -4.0)],
        };
        let body = Some(BodyTurn { pelvis: None, chest: Some(chest) });
        let with = Swing { body, ..swing(10_500) };
        assert_eq!(
            text(&[swing(0), with]),
            "t_us,hinge_deg,flexion_deg,roll_deg,arm_travel_deg,chest_turn_deg,chest_tilt_deg\n\
             0,12.346,-0.500,,100.000,,\n2000,12.346,-0.500,,100.000,,\n\
             10500,12.346,-0.500,,100.000,2.000,-3.000\n12500,12.346,-0.500,,100.000,,\n"
        );
    }
}
