//! Impact: the shock that the ball sends up the shaft, seen by the hand's accelerometer.

use crate::fusion::series::{Reading, between};

/// What counts as a shock. Jumps are differences of specific force between neighbouring readings.
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
        ImpactParams { least_jump_g: 1.5, times_usual: 6.0, onset_share: 0.15 }
    }
}

/// Instant of the shock between `from_s` and `to_s` (hand clock), if there is one.
#[must_use]
pub fn find(hand: &[Reading], from_s: f64, to_s: f64, params: &ImpactParams) -> Option<f64> {
    let readings = between(hand, from_s, to_s);
    let jumps: Vec<f64> =
        readings.windows(2).map(|pair| (pair[1].force_g - pair[0].force_g).norm()).collect();
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
    // The shock came between these two readings, as far as the sampling can tell.
    let (a, b) = (&readings[onset], &readings[onset + 1]);
    Some(0.5 * (a.t_s + b.t_s))
}
