//! The angles over time as CSV: one row per curve point, counted from the last address pose.

use crate::detect::CurvePoint;
use std::io::Write;

/// The heading row.
pub const COLUMNS: [&str; 5] = ["t_us", "hinge_deg", "flexion_deg", "roll_deg", "arm_travel_deg"];

/// Writes the heading and one row per point: µs on the hand node's clock, then degrees with three decimals.
/// A number that is not finite leaves its cell empty.
///
/// # Errors
/// Whatever the writer reports.
pub fn write<W: Write>(out: W, points: impl IntoIterator<Item = CurvePoint>) -> Result<(), csv::Error> {
    let mut csv = csv::Writer::from_writer(out);
    csv.write_record(COLUMNS)?;
    for point in points {
        let angles = [point.hinge_deg, point.flexion_deg, point.roll_deg, point.arm_travel_deg];
        csv.write_field(point.t.0.to_string())?;
        for angle in angles {
            csv.write_field(cell(angle))?;
        }
        csv.write_record(None::<&[u8]>)?;
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
    use crate::units::DeviceTime;

    fn text(points: &[CurvePoint]) -> String {
        let mut out = Vec::new();
        write(&mut out, points.iter().copied()).unwrap();
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn rows_follow_the_heading() {
        let point = CurvePoint {
            t: DeviceTime(-2_000),
            hinge_deg: 12.345_67,
            flexion_deg: -0.5,
            roll_deg: f64::NAN,
            arm_travel_deg: 100.0,
            arm_travel: 0.5,
        };
        assert_eq!(
            text(&[point]),
            "t_us,hinge_deg,flexion_deg,roll_deg,arm_travel_deg\n-2000,12.346,-0.500,,100.000\n"
        );
    }

    #[test]
    fn no_points_leave_the_heading_alone() {
        assert_eq!(text(&[]), "t_us,hinge_deg,flexion_deg,roll_deg,arm_travel_deg\n");
    }
}
