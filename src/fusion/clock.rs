//! One time base: the forearm node's clock as seen from the hand node's.

use super::clock_bends::Bends;
use super::series::Reading;
use nalgebra::Vector3;

/// `t_forearm = t_hand + offset_s + skew · (t_hand − reference_s) + bends`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockMap {
    /// Forearm clock less hand clock at the reference instant, s.
    pub offset_s: f64,
    /// Relative skew of the forearm clock (1e-6 is one ppm).
    pub skew: f64,
    /// Where the offset holds, hand clock, s.
    pub reference_s: f64,
    /// How the clock strays from this line over a long session.
    pub bends: Bends,
}

impl ClockMap {
    /// Both clocks agree.
    pub const IDENTITY: ClockMap = ClockMap::line(0.0, 0.0, 0.0);

    /// A clock without bends.
    #[must_use]
    pub const fn line(offset_s: f64, skew: f64, reference_s: f64) -> ClockMap {
        ClockMap { offset_s, skew, reference_s, bends: Bends::NONE }
    }

    /// The forearm clock at this instant of the hand clock, s.
    #[must_use]
    pub fn forearm_s(&self, hand_s: f64) -> f64 {
        let from_reference_s = hand_s - self.reference_s;
        hand_s + self.offset_s + self.skew * from_reference_s + self.bends.at(from_reference_s)
    }

    /// The hand clock at this instant of the forearm clock, s.
    #[must_use]
    pub fn hand_s(&self, forearm_s: f64) -> f64 {
        let by_line_s = |at_s: f64| (at_s - self.offset_s + self.skew * self.reference_s) / (1.0 + self.skew);
        // The bends change by parts per million of their argument's change, so two rounds are exact enough.
        let closer = |hand_s: f64| by_line_s(forearm_s - self.bends.at(hand_s - self.reference_s));
        closer(closer(by_line_s(forearm_s)))
    }

    /// The straight line that agrees with this clock at `reference_s`, to be bent over `reference_s ±
    /// half_span_s`.
    #[must_use]
    pub fn straight_about(&self, reference_s: f64, half_span_s: f64) -> ClockMap {
        let bends = Bends { half_span_s, ..Bends::NONE };
        ClockMap { offset_s: self.forearm_s(reference_s) - reference_s, reference_s, bends, ..*self }
    }
}

/// Step of the search, s.
const STEP_S: f64 = 0.002;
/// Readings that span more than this are no one movement, s.
const LONGEST_S: f64 = 120.0;

/// Offset between the clocks from the motion: two nodes on one arm share most of their angular rate, so
/// its norms, laid over each other, agree best at the true offset. Searches `around_s` ± `reach_s`
/// (forearm clock less hand clock) and refines with a parabola through the three best sums.
///
/// Returns the offset in s, or `None` when there is too little motion or the best lies at the border.
#[must_use]
pub fn offset_from_motion(
    hand: &[Reading],
    hand_bias: &Vector3<f64>,
    forearm: &[Reading],
    forearm_bias: &Vector3<f64>,
    around_s: f64,
    reach_s: f64,
) -> Option<f64> {
    let (from_s, to_s) = (hand.first()?.t_s + reach_s, hand.last()?.t_s - reach_s);
    if to_s - from_s > LONGEST_S {
        return None;
    }
    let count = ((to_s - from_s) / (2.0 * STEP_S)).max(0.0) as usize;
    let hand_norms = norms_at(hand, hand_bias, (0..count).map(|i| from_s + i as f64 * 2.0 * STEP_S));
    let mean_square = hand_norms.iter().map(|n| n * n).sum::<f64>() / hand_norms.len().max(1) as f64;
    if hand_norms.len() < 50 || mean_square < 0.3_f64.powi(2) {
        return None;
    }
    let steps = (reach_s / STEP_S).round() as usize;
    // Every second of these, from the k-th on, lies beside the hand's for the k-th offset.
    let first_s = from_s + around_s - steps as f64 * STEP_S;
    let instants = (0..2 * (count + steps)).map(|i| first_s + i as f64 * STEP_S);
    let forearm_norms = norms_at(forearm, forearm_bias, instants);
    let sums: Vec<f64> =
        (0..=2 * steps).map(|k| sum_of_squares_off(&hand_norms, &forearm_norms[k..])).collect();
    let best = (1..sums.len().checked_sub(1)?).min_by(|a, b| sums[*a].total_cmp(&sums[*b]))?;
    let (before, here, after) = (sums[best - 1], sums[best], sums[best + 1]);
    let bend = before - 2.0 * here + after;
    if bend <= 0.0 || here > before || here > after {
        return None;
    }
    let fraction = 0.5 * (before - after) / bend;
    Some(around_s + (best as f64 - steps as f64 + fraction) * STEP_S)
}

/// Squared differences between these and every second of those.
fn sum_of_squares_off(hand: &[f64], forearm: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (i, norm) in hand.iter().enumerate() {
        let off = norm - forearm[2 * i];
        sum += off * off;
    }
    sum
}

/// How far a single offset may be off, s (standard deviation): the wrist moves against the arm.
const OFFSET_SD_S: f64 = 0.002;
/// How far two quartz clocks drift apart (standard deviation).
const SKEW_SD: f64 = 40e-6;
/// An offset farther than this from the line is a mistake, s.
const OUTLIER_S: f64 = 0.015;

/// The line through offsets that single movements have shown: pairs of hand clock and forearm clock less
/// hand clock, s. Least squares with a prior on the slope, twice, the second time without outliers. `None`
/// for no offsets.
#[must_use]
pub fn line_through(offsets_s: &[(f64, f64)]) -> Option<ClockMap> {
    let line = fit(offsets_s)?;
    let near =
        |(hand_s, offset_s): &&(f64, f64)| (line.forearm_s(*hand_s) - hand_s - offset_s).abs() < OUTLIER_S;
    let kept: Vec<(f64, f64)> = offsets_s.iter().filter(near).copied().collect();
    fit(&kept).or(Some(line))
}

fn fit(offsets_s: &[(f64, f64)]) -> Option<ClockMap> {
    let n = offsets_s.len() as f64;
    let (hand_sum, offset_sum) = offsets_s.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + x, b + y));
    let (reference_s, offset_s) = (hand_sum / n, offset_sum / n);
    let (mut xx, mut xy) = ((OFFSET_SD_S / SKEW_SD).powi(2), 0.0);
    for (hand, offset) in offsets_s {
        xx += (hand - reference_s).powi(2);
        xy += (hand - reference_s) * (offset - offset_s);
    }
    (!offsets_s.is_empty()).then_some(ClockMap::line(offset_s, xy / xx, reference_s))
}

/// Norms of the rate, bias removed, at rising instants, by linear interpolation.
fn norms_at(readings: &[Reading], bias: &Vector3<f64>, instants: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut i = 0;
    instants
        .map(|t_s| {
            while i + 2 < readings.len() && readings[i + 1].t_s < t_s {
                i += 1;
            }
            let (Some(a), Some(b)) = (readings.get(i), readings.get(i + 1)) else { return 0.0 };
            let part = ((t_s - a.t_s) / (b.t_s - a.t_s)).clamp(0.0, 1.0);
            (a.rate + (b.rate - a.rate) * part - bias).norm()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn moving(offset_s: f64, seconds: f64) -> Vec<Reading> {
        (0..(seconds * 500.0) as i32)
            .map(|i| {
                let t_s = f64::from(i) * 0.002;
                let at_s = t_s - offset_s;
                let rate = Vector3::new(
                    (3.1 * at_s).sin() + 0.5 * (7.7 * at_s).cos(),
                    1.2 * (1.3 * at_s).sin(),
                    0.2,
                );
                Reading { t_s, rate: rate * 3.0, force_g: Vector3::z(), clipped: false }
            })
            .collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(16))]
        #[test]
        fn a_shift_of_rigid_motion_is_found(offset_s in -0.08..0.08_f64, guess_s in -0.02..0.02_f64) {
            let zero = Vector3::zeros();
            let found = offset_from_motion(&moving(0.0, 6.0), &zero, &moving(offset_s, 6.0), &zero, guess_s, 0.15);
            prop_assert!((found.unwrap() - offset_s).abs() < 1e-4, "{found:?} {offset_s}");
        }

        #[test]
        fn the_map_goes_both_ways(
            offset_s in -1e5..1e5_f64, skew in -1e-4..1e-4_f64, hand_s in 0.0..1e5_f64, bend_s in -0.01..0.01_f64,
        ) {
            let bends = Bends { half_span_s: 5000.0, by_s: [bend_s, -bend_s, 0.0, 0.3 * bend_s] };
            let map = ClockMap { bends, ..ClockMap::line(offset_s, skew, 100.0) };
            prop_assert!((map.hand_s(map.forearm_s(hand_s)) - hand_s).abs() < 1e-8);
        }
    }

    #[test]
    fn a_drifting_clock_is_followed_past_an_outlier() {
        let mut offsets: Vec<(f64, f64)> =
            (0..20).map(|i| f64::from(i) * 120.0).map(|t| (t, 0.5 + 40e-6 * t)).collect();
        offsets[7].1 += 0.05;
        let line = line_through(&offsets).unwrap();
        assert!((line.forearm_s(2400.0) - 2400.0 - 0.596).abs() < 2e-4, "{line:?}");
        assert_eq!(line_through(&[]), None);
    }

    #[test]
    fn without_motion_there_is_no_answer() {
        let still: Vec<Reading> =
            moving(0.0, 4.0).into_iter().map(|r| Reading { rate: Vector3::zeros(), ..r }).collect();
        let zero = Vector3::zeros();
        assert_eq!(offset_from_motion(&still, &zero, &still, &zero, 0.0, 0.1), None);
    }
}
