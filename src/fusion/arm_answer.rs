//! An arm that is asked to be still answers to the waving hand, and its cuff turns as one does that is dragged along over
//! the skin. But the arm turns about the elbow or the shoulder and carries the cuff on a circle, which its accelerometer
//! feels; the skin twists more or less where the cuff sits.

use super::soft_tissue::Waving;
use crate::units::GRAVITY_MPS2;
use nalgebra::{DMatrix, DVector};

/// From the elbow or the shoulder's vertical to the cuff: 0.2 to 0.3 m in adults (judgement).
const LEVER_M: f64 = 0.23;
/// Slower than this is sway, drift and a tilt that was not quite known, Hz: a hand waves at 0.7 to 0.9 (judgement).
const SLOW_HZ: f64 = 0.55;
/// So long the wrist has to be seen, s: about a wave.
const LEAST_S: f64 = 1.0;

/// Share of the wrist's bend by which the arm itself turned, and that times how late it came (s), from what the cuff's
/// accelerometer felt beyond gravity: least squares against the change of the bend's rate, and against that rate for what
/// comes later, beside everything slow. `None` for too little of it.
#[must_use]
pub fn arm_share(waving: &[Waving]) -> Option<(f64, f64)> {
    let (first, last) = (waving.first()?, waving.last()?);
    let lasts_s = last.t_s - first.t_s;
    if lasts_s < LEAST_S {
        return None;
    }
    let slow = (2.0 * lasts_s * SLOW_HZ) as usize;
    let mut normal = DMatrix::zeros(slow + 4, slow + 4);
    let mut right = DVector::zeros(slow + 4);
    for here in waving {
        let place = (here.t_s - first.t_s) / lasts_s;
        let terms = DVector::from_fn(slow + 4, |i, _| match i {
            0 => LEVER_M * here.bend_change,
            1 => LEVER_M * here.bend,
            2 => place,
            _ => (std::f64::consts::PI * (i - 3) as f64 * place).cos(),
        });
        right.axpy(here.sideways_g * GRAVITY_MPS2, &terms, 1.0);
        normal.ger(1.0, &terms, &terms, 1.0);
    }
    let turn_rate_squared = normal[(0, 0)] / normal[(1, 1)];
    let found = normal.cholesky()?.solve(&right);
    Some((found[0], found[1] / turn_rate_squared))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A hand that waves at 0.8 Hz for `lasts_s`, on an arm that turns along by `share`, `late_s` later, at the end of
    /// `lever_m`; sway, a zero that is off and one that drifts go with it.
    fn waved(share: f64, late_s: f64, lever_m: f64, rate_hz: f64, lasts_s: f64) -> Vec<Waving> {
        let at = |i: i32| {
            let t_s = 40.0 + f64::from(i) / rate_hz;
            let turn_rate = std::f64::consts::TAU * 0.8;
            let bend = |t_s: f64| 0.5 * turn_rate * (turn_rate * t_s).cos();
            let bend_change = |t_s: f64| -0.5 * turn_rate.powi(2) * (turn_rate * t_s).sin();
            let felt_mps2 = lever_m * share * bend_change(t_s - late_s);
            let sway_g = 0.004 * (2.3 * t_s).sin() + 0.01 + 0.002 * (t_s - 42.0);
            Waving {
                t_s,
                bend: bend(t_s),
                bend_change: bend_change(t_s),
                own: share * bend(t_s - late_s),
                sideways_g: felt_mps2 / GRAVITY_MPS2 + sway_g,
            }
        };
        (0..(lasts_s * rate_hz) as i32).map(at).collect()
    }

    #[test]
    fn an_arm_that_carries_the_cuff_shows_beside_sway_and_a_zero_that_drifts() {
        for (share, rate_hz) in [(0.02, 50.0), (-0.01, 200.0), (0.0, 500.0), (0.01, 2000.0)] {
            let (found, late_s) = arm_share(&waved(share, 0.0, LEVER_M, rate_hz, 5.5)).unwrap();
            assert!((found - share).abs() < 0.0015, "{found} for {share} at {rate_hz} Hz");
            assert!(late_s.abs() < 0.0003, "{late_s} at {rate_hz} Hz");
        }
    }

    /// What comes a quarter of a wave later goes with the bend's rate instead of its change.
    #[test]
    fn an_arm_that_answers_late_shows_how_late() {
        let turn_rate = std::f64::consts::TAU * 0.8;
        for (share, late_s) in [(0.02, 0.05), (-0.02, 0.2), (0.015, 0.35)] {
            let (sin, cos) = f64::sin_cos(turn_rate * late_s);
            let (found, found_late_s) = arm_share(&waved(share, late_s, LEVER_M, 500.0, 5.5)).unwrap();
            assert!((found - share * cos).abs() < 0.0015, "{found} for {share}, {late_s} s late");
            let expected = share * sin / turn_rate;
            assert!((found_late_s - expected).abs() < 0.0003, "{found_late_s} for {expected}");
        }
    }

    #[test]
    fn skin_that_twists_where_the_cuff_sits_is_no_arm() {
        let found = arm_share(&waved(0.08, 0.0, 0.0, 500.0, 5.5)).unwrap().0;
        assert!(found.abs() < 0.0015, "{found}");
    }

    #[test]
    fn too_little_shows_nothing() {
        let still: Vec<Waving> = waved(0.02, 0.0, LEVER_M, 200.0, 4.0)
            .into_iter()
            .map(|at| Waving { bend: 0.0, bend_change: 0.0, ..at })
            .collect();
        for nothing in
            [Vec::new(), waved(0.02, 0.0, LEVER_M, 200.0, 0.01), waved(0.02, 0.0, LEVER_M, 200.0, 0.9), still]
        {
            assert_eq!(arm_share(&nothing), None);
        }
    }
}
