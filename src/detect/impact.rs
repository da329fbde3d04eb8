//! Impact: the shock that the ball sends up the shaft, seen by the hand's accelerometer.

use crate::fusion::series::{Reading, between, usual_step_s};

/// A step longer than so many usual ones is a gap.
const GAP_STEPS: f64 = 1.8;

/// What counts as a shock. A jump is how far the specific force of a reading lies off the straight line through
/// the two before it: a fast but smooth downswing has small ones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImpactParams {
    /// Least jump, g.
    pub least_jump_g: f64,
    /// Least jump as a multiple of the usual one just before.
    pub times_usual: f64,
    /// The onset is where the jump first passes this share of the largest one (or stands out by itself).
    pub onset_share: f64,
}

impl Default for ImpactParams {
    fn default() -> ImpactParams {
        ImpactParams { least_jump_g: 1.5, times_usual: 6.0, onset_share: 0.06 }
    }
}

/// Instant of the shock between `from_s` and `to_s` (hand clock), if there is one.
#[must_use]
pub fn find(hand: &[Reading], from_s: f64, to_s: f64, params: &ImpactParams) -> Option<f64> {
    let readings = between(hand, from_s, to_s);
    let usual_s = usual_step_s(readings)?;
    // Across a gap a smooth motion jumps, too.
    let beside_gap =
        |three: &[Reading]| three.windows(2).any(|two| two[1].t_s - two[0].t_s > GAP_STEPS * usual_s);
    let off_line = |three: &[Reading]| (three[2].force_g - 2.0 * three[1].force_g + three[0].force_g).norm();
    let jump = |three: &[Reading]| if beside_gap(three) { 0.0 } else { off_line(three) };
    let jumps: Vec<f64> = readings.windows(3).map(jump).collect();
    let largest = (0..jumps.len()).max_by(|a, b| jumps[*a].total_cmp(&jumps[*b]))?;
    let mut before: Vec<f64> = jumps[..largest.saturating_sub(2)].to_vec();
    before.sort_by(f64::total_cmp);
    let usual = before.get(before.len() / 2).copied().unwrap_or(0.0);
    if jumps[largest] < params.least_jump_g.max(params.times_usual * usual) {
        return None;
    }
    let stands_out = (params.onset_share * jumps[largest]).max(params.times_usual * usual);
    let earliest = largest.saturating_sub(8);
    let onset = (earliest..=largest).find(|i| jumps[*i] >= stands_out).unwrap_or(largest);
    // Right behind a gap it is the shock's ringing: when that began nobody saw.
    if onset.checked_sub(1).is_some_and(|before| beside_gap(&readings[before..before + 3])) {
        return None;
    }
    // The shock came between these two readings, as far as the sampling can tell. An onset shows at once, but
    // the readings' times are corrected for their filter's delay: so it came in the later half.
    let (a, b) = (&readings[onset + 1], &readings[onset + 2]);
    Some(0.25 * a.t_s + 0.75 * b.t_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Vector3;

    /// A smooth downswing with `shock_g` added from 0.25 s on.
    fn readings(shock_g: f64) -> Vec<Reading> {
        (0..250)
            .map(|i| {
                let t_s = f64::from(i) * 0.002;
                let ring = if t_s < 0.25 { 0.0 } else { shock_g * (-(t_s - 0.25) / 0.004).exp() };
                let force_g = Vector3::new(ring, 8.0 * (6.0 * t_s).sin(), 1.0);
                Reading { t_s, rate: Vector3::zeros(), force_g, clipped: false }
            })
            .collect()
    }

    #[test]
    fn a_shock_is_timed_to_a_sample_and_a_smooth_swing_has_none() {
        for shock_g in [2.0, 10.0, 40.0] {
            let at_s = find(&readings(shock_g), 0.1, 0.4, &ImpactParams::default()).unwrap();
            assert!((at_s - 0.249).abs() <= 0.002, "{shock_g} g: {at_s}");
        }
        assert_eq!(find(&readings(0.0), 0.1, 0.4, &ImpactParams::default()), None);
    }

    #[test]
    fn a_shock_that_began_in_a_gap_has_no_instant() {
        for lost in [122..128, 118..126, 125..130] {
            let mut gappy = readings(40.0);
            gappy.drain(lost.clone());
            assert_eq!(find(&gappy, 0.1, 0.4, &ImpactParams::default()), None, "{lost:?}");
        }
        let mut gap_before = readings(40.0);
        gap_before.drain(100..120);
        assert!(find(&gap_before, 0.1, 0.4, &ImpactParams::default()).is_some());
    }

    #[test]
    fn a_gap_in_a_smooth_swing_is_no_shock() {
        let mut gappy = readings(0.0);
        gappy.drain(80..100);
        assert_eq!(find(&gappy, 0.1, 0.4, &ImpactParams::default()), None);
    }
}
