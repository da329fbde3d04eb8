//! A polynomial through values by least squares, by its derivatives at one place.

use nalgebra::{SMatrix, SVector};

/// The polynomial with `TERMS` coefficients that lies nearest to `points` (place, value): row `k` is its `k`-th
/// derivative at place 0. Of fewer points than coefficients come as many as there are points, the others are 0.
/// `unit` is about how far the places lie from 0, so that the sums are well scaled. They should reach to 0 or nearly so:
/// of a cubic that is carried on for ten times its own length the fifth digit is lost.
///
/// `None` without points, and where they lie in one place.
#[must_use]
pub fn derivatives<const TERMS: usize, const D: usize>(
    points: impl IntoIterator<Item = (f64, SVector<f64, D>)>,
    unit: f64,
) -> Option<SMatrix<f64, TERMS, D>> {
    let mut normal = SMatrix::<f64, TERMS, TERMS>::zeros();
    let mut right = SMatrix::<f64, TERMS, D>::zeros();
    let mut count = 0;
    for (place, value) in points {
        let powers = SVector::<f64, TERMS>::from_fn(|power, _| (place / unit).powi(power as i32));
        normal += powers * powers.transpose();
        right += powers * value.transpose();
        count += 1;
    }
    if count == 0 {
        return None;
    }
    for left_out in count..TERMS {
        normal.row_mut(left_out).fill(0.0);
        normal.column_mut(left_out).fill(0.0);
        normal[(left_out, left_out)] = 1.0;
        right.row_mut(left_out).fill(0.0);
    }
    let mut fit = normal.cholesky()?.solve(&right);
    let mut factor = 1.0;
    for power in 1..TERMS {
        factor *= power as f64 / unit;
        fit.row_mut(power).scale_mut(factor);
    }
    Some(fit)
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, Vector1, Vector2};
    use proptest::prelude::*;

    proptest! {
        /// Against a singular value decomposition of the same points, unscaled. They end no further from 0 than a fifth
        /// of their own length.
        #[test]
        fn it_is_the_least_squares_polynomial(
            before in 0.0..1.2_f64, step in 0.5e-3..5e-3_f64, count in 4..20_usize,
            values in prop::collection::vec(-5.0..5.0_f64, 40),
        ) {
            let length = (count - 1) as f64 * step;
            let places: Vec<f64> = (0..count).map(|i| i as f64 * step - before * length).collect();
            let points = places.iter().enumerate().map(|(i, x)| (*x, Vector2::new(values[i], values[20 + i])));
            let found = derivatives::<4, 2>(points, length).unwrap();
            let powers = DMatrix::from_fn(count, 4, |row, power| (places[row] * 1e2).powi(power as i32));
            let wanted = DMatrix::from_fn(count, 2, |row, which| values[20 * which + row]);
            let best = powers.clone().svd(true, true).solve(&wanted, 1e-12).unwrap();
            for (power, factor) in [1.0, 1e2, 2e4, 6e6].into_iter().enumerate() {
                for which in 0..2 {
                    let (found, best) = (found[(power, which)], best[(power, which)] * factor);
                    prop_assert!((found - best).abs() < 1e-6 * (best.abs() + factor), "{power}: {found} {best}");
                }
            }
        }
    }

    #[test]
    fn a_polynomial_has_its_own_derivatives() {
        let cubic = |x: f64| Vector1::new(2.0 - 3.0 * x + 0.5 * x * x + 4.0 * x * x * x);
        let points = (0..9).map(|i| f64::from(i) * 0.1 - 0.7).map(|x| (x, cubic(x)));
        let found = derivatives::<4, 1>(points, 1.0).unwrap();
        let expected = [2.0, -3.0, 1.0, 24.0];
        assert!(
            found.iter().zip(expected).all(|(found, expected)| (found - expected).abs() < 1e-9),
            "{found}"
        );
    }

    #[test]
    fn few_points_give_few_derivatives() {
        let points = [(0.0, Vector1::new(1.0)), (2.0, Vector1::new(4.0))];
        let found = derivatives::<4, 1>(points, 1.0).unwrap();
        assert!((found - nalgebra::Vector4::new(1.0, 1.5, 0.0, 0.0)).norm() < 1e-12, "{found}");
        assert_eq!(derivatives::<4, 1>([], 1.0), None);
        let same = [(1.0, Vector1::new(1.0)); 4];
        assert_eq!(derivatives::<2, 1>(same, 1.0), None);
    }
}
