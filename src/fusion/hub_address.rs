//! How the wrist stands at address, with the hand node alone: weighed, not only fitted.
//!
//! A hinge that is made while the hand rolls and a hand that stood otherwise at address fit the path almost alike. In
//! such a valley the best fit is where the wrist moves least, and the other unknowns have the least room there: it is
//! not where most of what is likely lies. So fits with the hinge at address held at values around are weighed by their
//! evidence, which is the density of the best fit times the room that the other unknowns have about it (an integrated
//! nested Laplace approximation: Rue, Martino & Chopin 2009, J. R. Stat. Soc. B 71:319, from memory). The mean of that
//! is told, and its spread.

use super::hub::Model;
use super::hub_holding::Loss;
use nalgebra::DMatrix;

/// Spacing of the values that are tried, rad.
const STEP: f64 = 5.0 * std::f64::consts::PI / 180.0;
/// Most of them to either side of the best fit.
const STEPS: usize = 5;
/// Rounds of Gauss-Newton from a neighbour's fit.
const ROUNDS: usize = 3;
/// Less evidence than the most by so much (a fiftieth) ends the trying.
const FAR: f64 = 4.0;

/// A hinge at address, rad, and the logarithm of its evidence but for a constant.
#[derive(Clone, Copy, Debug)]
struct Tried {
    hinge: f64,
    evidence: f64,
}

impl Model<'_> {
    /// Weighs values of the hinge at address, and leaves the fit at their mean. Their standard deviation, rad.
    pub(super) fn weigh_address(&mut self) -> Option<f64> {
        let best = self.fit();
        let middle = self.address_hinge(&self.arm());
        let mut tried = self.try_along(middle, STEP);
        self.go_to(&best);
        tried.extend(self.try_along(middle - STEP, -STEP));
        self.go_to(&best);
        let (mean, sd) = moments(&tried)?;
        // Half the way first: it is one that a fit can follow.
        self.hold(0.5 * (middle + mean))?;
        self.hold(mean)?;
        Some(sd)
    }

    /// Values from `first` on, until they are unlikely.
    fn try_along(&mut self, first: f64, step: f64) -> Vec<Tried> {
        let mut tried: Vec<Tried> = Vec::new();
        for i in 0..=STEPS {
            let hinge = first + step * i as f64;
            let Some(evidence) = self.evidence(hinge) else { break };
            tried.push(Tried { hinge, evidence });
            if evidence < most(&tried) - FAR {
                break;
            }
        }
        tried
    }

    /// Fits the rest with the hinge at address held.
    fn hold(&mut self, hinge: f64) -> Option<()> {
        self.held_at = Some(hinge);
        let fitted = (0..ROUNDS).try_for_each(|_| self.step(Some(Loss::Bounded)));
        self.held_at = None;
        fitted
    }

    /// Holds the hinge at address, and says what evidence there is for it.
    fn evidence(&mut self, hinge: f64) -> Option<f64> {
        self.hold(hinge)?;
        let arm = self.arm();
        let seen = self.seen(&arm);
        let curvature = self.curvature(&seen, 0.0)?;
        // The room of all unknowns, less that of the one that is held: its variance where it is free.
        let by = self.address_by(&arm);
        let variance = by.dot(&curvature.solve(&by));
        Some(-self.cost(&seen) - 0.5 * (curvature.ln_determinant() + variance.ln()))
    }

    /// Covariance of the unknowns, with this standard deviation of the hinge at address, rad, in place of the one that
    /// the curvature at the fit has for it. Where what moves leaves a direction without any hold, it counts for nothing.
    pub(super) fn covariance_with(&self, address_sd: Option<f64>) -> Option<DMatrix<f64>> {
        let arm = self.arm();
        let seen = self.seen(&arm);
        let curvature = self.curvature(&seen, f64::NEG_INFINITY).or_else(|| self.curvature(&seen, 0.0))?;
        let at_fit = curvature.inverse();
        let Some(address_sd) = address_sd else { return Some(at_fit) };
        let by = self.address_by(&arm);
        let along = &at_fit * &by;
        let variance = by.dot(&along);
        let instead = (address_sd.powi(2) / variance - 1.0) / variance;
        Some(at_fit + &along * along.transpose() * instead)
    }
}

fn most(tried: &[Tried]) -> f64 {
    tried.iter().map(|one| one.evidence).fold(f64::NEG_INFINITY, f64::max)
}

/// Mean and standard deviation of values at even spacing by their evidence.
fn moments(tried: &[Tried]) -> Option<(f64, f64)> {
    let most = most(tried);
    let weights: Vec<f64> = tried.iter().map(|one| (one.evidence - most).exp()).collect();
    let all: f64 = weights.iter().sum();
    let mean_of = |of: &dyn Fn(f64) -> f64| {
        tried.iter().zip(&weights).map(|(one, w)| w * of(one.hinge)).sum::<f64>() / all
    };
    let mean = mean_of(&|hinge| hinge);
    let variance = mean_of(&|hinge| (hinge - mean).powi(2));
    (all > 0.0 && variance.is_finite()).then_some((mean, variance.sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tried(evidence: impl Fn(f64) -> f64) -> Vec<Tried> {
        (-10..=10)
            .map(|i| f64::from(i) * STEP)
            .map(|hinge| Tried { hinge, evidence: evidence(hinge) })
            .collect()
    }

    #[test]
    fn a_normal_density_gives_its_own_moments() {
        for (mean, sd) in [(0.02, 0.1), (-0.11, 0.15)] {
            let (told, spread) = moments(&tried(|hinge| 7.0 - 0.5 * ((hinge - mean) / sd).powi(2))).unwrap();
            assert!((told - mean).abs() < 1e-3 && (spread - sd).abs() < 1e-3, "{told} {spread}");
        }
    }

    /// The likeliest value of a lopsided density is not its middle.
    #[test]
    fn a_lopsided_density_is_told_by_its_mean() {
        let (told, _) = moments(&tried(|hinge| if hinge > 0.05 { -50.0 } else { 8.0 * hinge })).unwrap();
        assert!((-0.25..-0.05).contains(&told), "{told}");
    }

    #[test]
    fn nothing_tried_tells_nothing() {
        assert!(moments(&[]).is_none());
    }
}
