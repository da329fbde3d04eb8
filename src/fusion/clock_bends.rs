//! How a clock strays from a straight line over hours: quartz follows the temperature of the glove, so the
//! skew between two nodes wanders. Over a span the straying is a sum of Legendre polynomials from the second
//! degree on, those of the line having their own names (offset, skew).

/// Number of polynomials: degrees 2 to 5.
pub const BENDS: usize = 4;

/// The skew of two quartz clocks wanders by so much in an hour, as a random walk (judgement: a tuning-fork
/// crystal loses 0.034 ppm/K² away from 25 °C, handbook value from memory, and a glove warms by some 10 K).
const SKEW_WANDER_PER_ROOT_HOUR: f64 = 3e-6;
/// No coefficient is held tighter than this, s: far below what any motion shows.
const LEAST_SD_S: f64 = 1e-7;

/// A clock's bends over the span `reference ± half_span_s`; beyond it they are held.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bends {
    /// Half of the span, s.
    pub half_span_s: f64,
    /// Coefficients, s.
    pub by_s: [f64; BENDS],
}

impl Bends {
    /// A straight line.
    pub const NONE: Bends = Bends { half_span_s: 0.0, by_s: [0.0; BENDS] };

    /// The polynomials at a time from the reference, s; nothing for a span of no length.
    #[must_use]
    pub fn polynomials_at(&self, from_reference_s: f64) -> [f64; BENDS] {
        if self.half_span_s <= 0.0 {
            return [0.0; BENDS];
        }
        let u = (from_reference_s / self.half_span_s).clamp(-1.0, 1.0);
        let mut polynomials = [0.0; BENDS];
        let (mut before, mut here) = (1.0, u);
        for (i, polynomial) in polynomials.iter_mut().enumerate() {
            // Bonnet's recursion: (n + 1) Pₙ₊₁ = (2n + 1) u Pₙ − n Pₙ₋₁.
            let n = (i + 1) as f64;
            (before, here) = (here, ((2.0 * n + 1.0) * u * here - n * before) / (n + 1.0));
            *polynomial = here;
        }
        polynomials
    }

    /// How far the clock has strayed from its line, s.
    #[must_use]
    pub fn at(&self, from_reference_s: f64) -> f64 {
        self.polynomials_at(from_reference_s).iter().zip(&self.by_s).map(|(p, c)| p * c).sum()
    }
}

/// Standard deviations of the coefficients over a span, s: a random walk of the skew, integrated and laid out
/// along the polynomials. The double integral of Pₙ is Pₙ₊₂, Pₙ and Pₙ₋₂ again, whose squares have known
/// integrals.
#[must_use]
pub fn coefficients_sd_s(half_span_s: f64) -> [f64; BENDS] {
    let wander_s = SKEW_WANDER_PER_ROOT_HOUR / 60.0 * half_span_s.max(0.0).powf(1.5);
    std::array::from_fn(|i| {
        let n = (i + 2) as f64;
        let (up, down) = (1.0 / (2.0 * n + 3.0), 1.0 / (2.0 * n - 1.0));
        let square = |degree: f64| 2.0 / (2.0 * degree + 1.0);
        let integral_squared =
            up * up * square(n + 2.0) + (up + down).powi(2) * square(n) + down * down * square(n - 2.0);
        (0.5 * wander_s * integral_squared.sqrt()).max(LEAST_SD_S)
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::rngs::StdRng;
    use rand::{Rng, SeedableRng};

    #[test]
    fn the_polynomials_are_those_of_legendre() {
        let bends = Bends { half_span_s: 2.0, ..Bends::NONE };
        let u = 0.3_f64;
        let [p2, p3, p4, p5] = bends.polynomials_at(0.6);
        // Abramowitz & Stegun, table 22.9 (from memory).
        assert!((p2 - (3.0 * u * u - 1.0) / 2.0).abs() < 1e-12);
        assert!((p3 - (5.0 * u.powi(3) - 3.0 * u) / 2.0).abs() < 1e-12);
        assert!((p4 - (35.0 * u.powi(4) - 30.0 * u * u + 3.0) / 8.0).abs() < 1e-12);
        assert!((p5 - (63.0 * u.powi(5) - 70.0 * u.powi(3) + 15.0 * u) / 8.0).abs() < 1e-12);
        assert_eq!(bends.polynomials_at(9.0), [1.0; BENDS]);
        assert_eq!(Bends::NONE.polynomials_at(9.0), [0.0; BENDS]);
    }

    /// Random walks of the skew, integrated, and projected by plain sums.
    #[test]
    fn the_spread_is_that_of_skews_that_wander() {
        let (half_span_s, steps, walks) = (3600.0, 400, 600);
        let step_s = 2.0 * half_span_s / f64::from(steps);
        let step_sd = SKEW_WANDER_PER_ROOT_HOUR * (step_s / 3600.0).sqrt();
        let bends = Bends { half_span_s, ..Bends::NONE };
        let mut rng = StdRng::seed_from_u64(5);
        let mut squares = [0.0; BENDS];
        for _ in 0..walks {
            let (mut skew, mut strayed_s, mut coefficients) = (0.0, 0.0, [0.0; BENDS]);
            for i in 0..steps {
                let normal: f64 = (0..12).map(|_| rng.random_range(-0.5..0.5)).sum();
                skew += step_sd * normal;
                strayed_s += skew * step_s;
                let u = (f64::from(i) + 0.5) * step_s - half_span_s;
                for (n, (c, p)) in coefficients.iter_mut().zip(bends.polynomials_at(u)).enumerate() {
                    *c += 0.5 * (2.0 * n as f64 + 5.0) * p * strayed_s * step_s / half_span_s;
                }
            }
            squares.iter_mut().zip(coefficients).for_each(|(sum, c)| *sum += c * c / f64::from(walks));
        }
        for (told, seen) in coefficients_sd_s(half_span_s).iter().zip(squares) {
            assert!((told / seen.sqrt() - 1.0).abs() < 0.12, "{told} and {}", seen.sqrt());
        }
    }
}
