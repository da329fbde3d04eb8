//! What is expected of a wrist's rate: it holds, or it moves at whatever rate.
//!
//! A loss that goes on growing with the rate, if ever so slowly, makes the smaller of two motions the likelier one,
//! and a hinge that is made while the hand rolls came out too small. So the loss that is meant is bounded (Geman &
//! McClure's, in the form of Barron 2019, CVPR, arXiv:1701.03077, from memory). Its pull ends at a few times the usual
//! rate, so a start from afar goes by a loss with heavy tails first (Cauchy's): graduated non-convexity.

/// The loss of a rate, told in parts of the usual rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Loss {
    /// ½ ln(1 + x²): pulls from afar.
    HeavyTailed,
    /// 2x² / (x² + 4): at most 2.
    Bounded,
}

impl Loss {
    /// The loss itself.
    pub(super) fn value(self, rate: f64) -> f64 {
        let square = rate.powi(2);
        match self {
            Loss::HeavyTailed => 0.5 * square.ln_1p(),
            Loss::Bounded => 2.0 * square / (square + 4.0),
        }
    }

    /// Its derivative over the rate: what a least square is weighted with. 1 at rest.
    pub(super) fn weight(self, rate: f64) -> f64 {
        match self {
            Loss::HeavyTailed => 1.0 / (1.0 + rate.powi(2)),
            Loss::Bounded => (1.0 + 0.25 * rate.powi(2)).powi(-2),
        }
    }

    /// Its second derivative: negative where the wrist moves.
    pub(super) fn curvature(self, rate: f64) -> f64 {
        let square = rate.powi(2);
        match self {
            Loss::HeavyTailed => (1.0 - square) / (1.0 + square).powi(2),
            Loss::Bounded => (1.0 - 0.75 * square) / (1.0 + 0.25 * square).powi(3),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weight_and_curvature_are_derivatives_of_the_loss() {
        let h = 1e-4;
        for kind in [Loss::HeavyTailed, Loss::Bounded] {
            for rate in [-7.0, -1.2, -0.3, 0.4, 1.0, 2.5, 12.0] {
                let (before, at, after) = (kind.value(rate - h), kind.value(rate), kind.value(rate + h));
                let slope = (after - before) / (2.0 * h);
                assert!((kind.weight(rate) * rate - slope).abs() < 1e-6, "{kind:?} {rate}: {slope}");
                let bend = (after - 2.0 * at + before) / (h * h);
                assert!((kind.curvature(rate) - bend).abs() < 1e-5, "{kind:?} {rate}: {bend}");
            }
        }
    }

    /// A fast hinge costs no more than one that is half as fast; with heavy tails it did.
    #[test]
    fn what_moves_may_move_at_any_rate() {
        let twice = |kind: Loss| kind.value(12.0) - kind.value(6.0);
        assert!(twice(Loss::Bounded) < 0.2);
        assert!(twice(Loss::HeavyTailed) > 0.6);
    }
}
