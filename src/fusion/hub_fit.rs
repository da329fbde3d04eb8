//! The fit of the hub's model: what is made small, and how.
//!
//! Gauss-Newton by rounds over the unknowns: their priors, the arm's length, and the wrist's rates with a loss that is
//! bounded ([`super::hub_holding`]).

use super::hub::{Arm, LENGTH, Model};
use super::hub_holding::Loss;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn, Vector3};

/// Spacing of what the estimate looks at, s.
pub(super) const GRID_S: f64 = 0.02;
/// Rounds of Gauss-Newton: the wrist's rates are not asked at first, then with a loss that pulls from afar, then with
/// the one that is meant.
const ROUNDS: [(usize, Option<Loss>); 3] =
    [(2, None), (10, Some(Loss::HeavyTailed)), (10, Some(Loss::Bounded))];
/// How firmly the hinge at address is held where it is, rad.
const HELD_SD: f64 = 0.2 * std::f64::consts::PI / 180.0;

/// Something asked of the unknowns: how far off it is, its derivatives by them, and how much it counts.
struct Asked {
    off: f64,
    by: DVector<f64>,
    weight: f64,
}

/// What the swing shows where the fit stands.
pub(super) struct Seen {
    lengths: Vec<Asked>,
    rates: Vec<Asked>,
}

/// The derivatives as columns, and the same in parts of these weights: products of whole matrices are far faster than
/// those of one column after the other.
fn gathered(asked: &[(&Asked, f64)]) -> (DMatrix<f64>, DMatrix<f64>) {
    let by: Vec<_> = asked.iter().map(|(one, _)| one.by.column(0)).collect();
    let weighed: Vec<_> = asked.iter().map(|(one, weight)| &one.by * *weight).collect();
    (DMatrix::from_columns(&by), DMatrix::from_columns(&weighed))
}

/// A fit: what a round of Gauss-Newton moves.
pub(super) struct Fit {
    unknowns: DVector<f64>,
    normal: Vector3<f64>,
    to_address: Vector3<f64>,
    angle_rate: Vec<f64>,
}

impl Model<'_> {
    /// Goes from the priors to the best fit.
    pub(super) fn find_fit(&mut self) -> Option<()> {
        ROUNDS
            .iter()
            .flat_map(|(rounds, loss)| std::iter::repeat_n(*loss, *rounds))
            .try_for_each(|loss| self.step(loss))
    }

    /// A round of Gauss-Newton.
    pub(super) fn step(&mut self, loss: Option<Loss>) -> Option<()> {
        let arm = self.arm();
        let (matrix, gradient) = self.normal_equations(&arm, loss);
        self.unknowns -= matrix.cholesky()?.solve(&gradient);
        self.turn_plane(&arm);
        Some(())
    }

    /// The matrix and the gradient of a step, with the wrist's rates by this loss.
    fn normal_equations(&self, arm: &Arm, loss: Option<Loss>) -> (DMatrix<f64>, DVector<f64>) {
        let held = self.held_at.map(|hinge| Asked {
            off: self.address_hinge(arm) - hinge,
            by: self.address_by(arm),
            weight: HELD_SD.powi(-2),
        });
        let always: Vec<Asked> = self.lengths(arm).into_iter().chain(held).collect();
        let rates = loss.map(|loss| (loss, self.wrist_rates(arm)));
        let of_rates = rates
            .iter()
            .flat_map(|(loss, rates)| rates.iter().map(|rate| (rate, rate.weight * loss.weight(rate.off))));
        let asked: Vec<(&Asked, f64)> = always.iter().map(|one| (one, one.weight)).chain(of_rates).collect();
        let off = DVector::from_iterator(asked.len(), asked.iter().map(|(one, _)| one.off));
        let (by, weighed) = gathered(&asked);
        let gradient = &self.precision * (&self.unknowns - &self.mean) + &weighed * off;
        (&self.precision + by * weighed.transpose(), gradient)
    }

    /// What the swing shows.
    pub(super) fn seen(&self, arm: &Arm) -> Seen {
        Seen { lengths: self.lengths(arm), rates: self.wrist_rates(arm) }
    }

    /// What is made small, by the bounded loss.
    pub(super) fn cost(&self, seen: &Seen) -> f64 {
        let off = &self.unknowns - &self.mean;
        let lengths: f64 = seen.lengths.iter().map(|of| of.weight * of.off.powi(2)).sum();
        let rates: f64 = seen.rates.iter().map(|of| of.weight * Loss::Bounded.value(of.off)).sum();
        0.5 * off.dot(&(&self.precision * &off)) + 0.5 * lengths + rates
    }

    /// The second derivative of what is made small (Laplace's approximation). Weights in its place would tell more
    /// than is known: a wrist that moves tells nothing by how fast it does, and may as well do so otherwise; with
    /// `least` of zero it counts for nothing.
    pub(super) fn curvature(&self, seen: &Seen, least: f64) -> Option<Cholesky<f64, Dyn>> {
        let bend = |rate: &Asked| rate.weight * Loss::Bounded.curvature(rate.off).max(least);
        let of_rates = seen.rates.iter().map(|rate| (rate, bend(rate)));
        let asked: Vec<(&Asked, f64)> =
            seen.lengths.iter().map(|one| (one, one.weight)).chain(of_rates).collect();
        let (by, weighed) = gathered(&asked);
        (&self.precision + by * weighed.transpose()).cholesky()
    }

    /// How far the arm is from its length.
    fn lengths(&self, arm: &Arm) -> Vec<Asked> {
        let (length_sd, length_s) = self.params.length_change;
        let length = |i: usize| {
            let mut by = self.by_vector(arm, i, &arm.direction(i));
            by[self.at(LENGTH)] = -1.0;
            let off = arm.length(i) - self.unknowns[self.at(LENGTH)];
            Asked { off, by, weight: GRID_S / length_s / length_sd.powi(2) }
        };
        self.grid_between(self.span.takeaway_s - 0.1, self.span.back_s + 0.02)
            .into_iter()
            .map(length)
            .collect()
    }

    /// The rates of hinge and flexion from the takeaway until shortly after the top, in parts of the usual ones.
    fn wrist_rates(&self, arm: &Arm) -> Vec<Asked> {
        let until_s = self.span.top_s + self.params.asked_after_top_s;
        let asked = self.grid_between(self.span.takeaway_s - 0.05, until_s);
        let wrist: Vec<_> = asked.iter().map(|i| (self.wrist(arm, *i), self.wrist_by(arm, *i))).collect();
        let usual = [self.params.holding_rate.0, self.params.holding_rate.1];
        let between = |pair: &[([f64; 2], [DVector<f64>; 2])], dt_s: f64| {
            [0, 1].map(|which| Asked {
                off: (pair[1].0[which] - pair[0].0[which]) / (dt_s * usual[which]),
                by: (&pair[1].1[which] - &pair[0].1[which]) / (dt_s * usual[which]),
                weight: dt_s / self.params.holding_s,
            })
        };
        let dt_s = asked.windows(2).map(|at| self.path.t_s[at[1]] - self.path.t_s[at[0]]);
        wrist.windows(2).zip(dt_s).flat_map(|(pair, dt_s)| between(pair, dt_s)).collect()
    }

    /// The plane and the angle in it, as the arm shows them now.
    fn turn_plane(&mut self, arm: &Arm) {
        let (from, to) = (self.path.index(self.span.takeaway_s), self.path.index(self.span.top_s));
        let sum: Vector3<f64> = (from..to).map(|i| arm.swing_rate(i)).sum();
        self.normal = sum.try_normalize(1e-9).unwrap_or(self.normal);
        self.to_address = arm.direction(self.path.zero);
        self.angle_rate = (0..self.path.t_s.len()).map(|i| arm.swing_rate(i).dot(&self.normal)).collect();
        self.integrate_angle();
    }

    fn grid_between(&self, from_s: f64, to_s: f64) -> Vec<usize> {
        let inside = |i: &usize| (from_s..to_s).contains(&self.path.t_s[*i]);
        self.grid.iter().copied().filter(inside).collect()
    }

    /// The fit that stands.
    pub(super) fn fit(&self) -> Fit {
        Fit {
            unknowns: self.unknowns.clone(),
            normal: self.normal,
            to_address: self.to_address,
            angle_rate: self.angle_rate.clone(),
        }
    }

    /// Goes back to a fit.
    pub(super) fn go_to(&mut self, fit: &Fit) {
        self.unknowns.clone_from(&fit.unknowns);
        self.normal = fit.normal;
        self.to_address = fit.to_address;
        self.angle_rate.clone_from(&fit.angle_rate);
        self.integrate_angle();
    }
}
