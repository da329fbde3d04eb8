//! What is wrong with the sensors of a node, as far as a session can show it.

use super::calibration::Biases;
use nalgebra::{Matrix3, SVector, Vector3};

/// Unknowns of one node: gyro bias (3, rad/s), gyro matrix (9, row by row, shares), accelerometer bias (3, g).
pub const NODE: usize = 15;
/// Those of them that belong to the gyro.
pub const GYRO: usize = 12;

/// Gyro bias left after rest, rad/s.
const BIAS_SD: f64 = 0.08 * std::f64::consts::PI / 180.0;
/// Entry of a gyro's matrix.
const MATRIX_SD: f64 = 0.005;

/// Errors of one node: the gyro reads `(I + gyro_matrix)·rate + gyro_bias`, the accelerometer
/// `force + acc_bias_g` (what its own matrix adds at the poses of a swing is taken for a bias).
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct NodeErrors {
    /// rad/s.
    pub gyro_bias: Vector3<f64>,
    /// Scale errors on the diagonal, cross-axis errors beside it, shares.
    pub gyro_matrix: Matrix3<f64>,
    /// g.
    pub acc_bias_g: Vector3<f64>,
}

impl NodeErrors {
    /// Standard deviations before anything was seen: what data sheets of common MEMS parts give (from
    /// memory: scale and cross-axis 0.3 to 1 %, zero-g offset after trim 10 mg; the bias is what rest leaves
    /// of it).
    pub const TYPICAL: NodeErrors = NodeErrors {
        gyro_bias: Vector3::new(BIAS_SD, BIAS_SD, BIAS_SD),
        gyro_matrix: Matrix3::new(
            MATRIX_SD, MATRIX_SD, MATRIX_SD, MATRIX_SD, MATRIX_SD, MATRIX_SD, MATRIX_SD, MATRIX_SD, MATRIX_SD,
        ),
        acc_bias_g: Vector3::new(0.01, 0.01, 0.01),
    };

    /// A node of which the gyro bias alone is known, rad/s.
    #[must_use]
    pub fn of_bias(gyro_bias: Vector3<f64>) -> NodeErrors {
        NodeErrors { gyro_bias, ..NodeErrors::default() }
    }

    /// The rate behind a reading of the gyro, rad/s. The matrix is small, so `I − gyro_matrix` stands for
    /// the inverse of `I + gyro_matrix`.
    #[must_use]
    pub fn rate(&self, read: &Vector3<f64>) -> Vector3<f64> {
        let unbiased = read - self.gyro_bias;
        unbiased - self.gyro_matrix * unbiased
    }

    /// As a vector of unknowns.
    #[must_use]
    pub fn as_vector(&self) -> SVector<f64, NODE> {
        let mut vector = SVector::<f64, NODE>::zeros();
        vector.fixed_rows_mut::<3>(0).copy_from(&self.gyro_bias);
        for (i, row) in self.gyro_matrix.row_iter().enumerate() {
            vector.fixed_rows_mut::<3>(3 + 3 * i).copy_from(&row.transpose());
        }
        vector.fixed_rows_mut::<3>(GYRO).copy_from(&self.acc_bias_g);
        vector
    }

    /// From a vector of unknowns.
    #[must_use]
    pub fn from_vector(vector: &SVector<f64, NODE>) -> NodeErrors {
        let row = |i: usize| vector.fixed_rows::<3>(3 + 3 * i).transpose();
        NodeErrors {
            gyro_bias: vector.fixed_rows::<3>(0).into_owned(),
            gyro_matrix: Matrix3::from_rows(&[row(0), row(1), row(2)]),
            acc_bias_g: vector.fixed_rows::<3>(GYRO).into_owned(),
        }
    }

    /// These errors and, on top, `changes`.
    #[must_use]
    pub fn plus(&self, changes: &NodeErrors) -> NodeErrors {
        NodeErrors::from_vector(&(self.as_vector() + changes.as_vector()))
    }
}

/// Errors of both nodes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct GloveErrors {
    /// Hand node.
    pub hand: NodeErrors,
    /// Forearm node.
    pub forearm: NodeErrors,
}

impl GloveErrors {
    /// A glove of which the gyro biases alone are known.
    #[must_use]
    pub fn of_biases(biases: &Biases) -> GloveErrors {
        GloveErrors { hand: NodeErrors::of_bias(biases.hand), forearm: NodeErrors::of_bias(biases.forearm) }
    }

    /// These errors and, on top, `changes`.
    #[must_use]
    pub fn plus(&self, changes: &GloveErrors) -> GloveErrors {
        GloveErrors { hand: self.hand.plus(&changes.hand), forearm: self.forearm.plus(&changes.forearm) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rate_behind_a_reading_comes_back_to_second_order() {
        let errors = NodeErrors::from_vector(&SVector::from_fn(|i, _| 0.001 * (i as f64 - 7.0)));
        assert_eq!(NodeErrors::from_vector(&errors.as_vector()), errors);
        let rate = Vector3::new(10.0, -4.0, 3.0);
        let read = rate + errors.gyro_matrix * rate + errors.gyro_bias;
        assert!((errors.rate(&read) - rate).norm() < 10.0 * 0.01 * 0.01, "{}", errors.rate(&read));
    }
}
