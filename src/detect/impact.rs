//! Impact: the shock that the ball sends up the shaft, seen by the hand's accelerometer.

use crate::fusion::series::{Reading, between, usual_step_s};

/// A step longer than so many usual ones is a gap.
const GAP_STEPS: f64 = 1.8;

/// Ringing is largest right where it turns round, or a reading later where there are but a few to each of its waves; a
/// shock that begins is so no sooner than this, readings: filters see to that.
const GROWS_FOR: usize = 2;

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
    let earliest = largest.saturating_sub(8);
    // Right behind a gap what came before the largest may all be of the shock.
    let mut before: Vec<f64> = jumps[..earliest].to_vec();
    before.sort_by(f64::total_cmp);
    let usual = before.get(before.len() / 2).copied().unwrap_or(0.0);
    if jumps[largest] < params.least_jump_g.max(params.times_usual * usual) {
        return None;
    }
    let stands_out = (params.onset_share * jumps[largest]).max(params.times_usual * usual);
    let onset = (earliest..=largest).find(|i| jumps[*i] >= stands_out).unwrap_or(largest);
    // Behind a gap it may be the shock's ringing: when that began nobody saw. Where three readings lie on a line that is
    // level, or two of them and a shock that grows, nothing rang before. What is read may begin behind a gap, too.
    let behind_gap = |by: usize| onset.checked_sub(by).is_none_or(|at| beside_gap(&readings[at..at + 3]));
    let step = (readings[onset + 1].force_g - readings[onset].force_g).norm();
    if (behind_gap(1) && largest < onset + GROWS_FOR) || (behind_gap(2) && step >= stands_out) {
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

    /// The same with a shock that rings from `shock_s` on.
    fn ringing(shock_s: f64, ring_hz: f64) -> Vec<Reading> {
        let mut readings = readings(0.0);
        for reading in readings.iter_mut().filter(|reading| reading.t_s > shock_s) {
            let since_s = reading.t_s - shock_s;
            let ring = (-since_s / 0.007).exp() * (std::f64::consts::TAU * ring_hz * since_s).sin();
            reading.force_g += Vector3::new(0.36, 0.80, 0.48) * 30.0 * ring;
        }
        readings
    }

    #[test]
    fn behind_a_gap_a_shock_has_the_instant_at_which_it_began_or_none() {
        let mut seen_by_two = [0, 0];
        for (phase, ring_hz) in (0..8).flat_map(|i| [60.0, 80.0, 95.0, 120.0, 150.0].map(|hz| (i, hz))) {
            let shock_s = 0.2501 + f64::from(phase) * 0.00025;
            // Reading 126 is the first of the shock, so a gap up to 124 leaves two before it.
            for (end, length) in (118..145).flat_map(|end| [10, 40].map(|length| (end, length))) {
                let mut torn = ringing(shock_s, ring_hz);
                torn.drain(end - length..end);
                // Looked for from before the gap on, or from within it.
                for from_s in [0.1, 0.245] {
                    let found = find(&torn, from_s, 0.4, &ImpactParams::default());
                    let here = format!("{ring_hz} Hz, {phase}, {end}, {length}, {from_s}: {found:?}");
                    assert!(found.is_none_or(|at_s| (at_s - shock_s).abs() < 0.0025), "{here}");
                    assert!(found.is_some() || end > 123 || from_s > 0.1, "{here}");
                    seen_by_two[usize::from(found.is_some())] += usize::from(end == 124 && from_s == 0.1);
                }
            }
        }
        let [given_up, told] = seen_by_two;
        assert!(told > given_up, "{seen_by_two:?}");
    }

    #[test]
    fn a_gap_in_a_smooth_swing_is_no_shock() {
        let mut gappy = readings(0.0);
        gappy.drain(80..100);
        assert_eq!(find(&gappy, 0.1, 0.4, &ImpactParams::default()), None);
    }
}
