//! Smooth curves over time with their first two derivatives: the pieces that joint motions are made of.

/// A value with its first and second derivative by time.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Jet {
    /// The value.
    pub value: f64,
    /// Its change per second.
    pub rate: f64,
    /// The change of the rate per second.
    pub accel: f64,
}

impl Jet {
    /// The sum of two curves.
    #[must_use]
    pub fn plus(self, other: Jet) -> Jet {
        Jet { value: self.value + other.value, rate: self.rate + other.rate, accel: self.accel + other.accel }
    }

    /// The curve times a constant.
    #[must_use]
    pub fn times(self, factor: f64) -> Jet {
        Jet { value: self.value * factor, rate: self.rate * factor, accel: self.accel * factor }
    }
}

/// The smooth step 35x⁴ − 84x⁵ + 70x⁶ − 20x⁷ from 0 to 1: its first three derivatives vanish at both
/// ends, so a chain of steps has a continuous jerk.
#[must_use]
pub fn smooth_step(x: f64) -> Jet {
    if x <= 0.0 {
        return Jet::default();
    }
    if x >= 1.0 {
        return Jet { value: 1.0, ..Jet::default() };
    }
    let x2 = x * x;
    let left = 1.0 - x;
    Jet {
        value: x2 * x2 * (35.0 + x * (-84.0 + x * (70.0 - 20.0 * x))),
        rate: 140.0 * x2 * x * left * left * left,
        accel: 420.0 * x2 * left * left * (1.0 - 2.0 * x),
    }
}

/// Where the smooth step reaches `y` (0 to 1), by bisection.
#[must_use]
pub fn smooth_step_inverse(y: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if smooth_step(middle).value < y {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// A smooth change by `change` within `duration_s` from `start_s` on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// When it starts, s.
    pub start_s: f64,
    /// How long it takes, s.
    pub duration_s: f64,
    /// By how much, in the unit of the curve.
    pub change: f64,
}

impl Step {
    /// What this step adds to its curve at `t_s`.
    #[must_use]
    pub fn at(&self, t_s: f64) -> Jet {
        let pace = 1.0 / self.duration_s;
        let unit = smooth_step((t_s - self.start_s) * pace);
        Jet {
            value: self.change * unit.value,
            rate: self.change * unit.rate * pace,
            accel: self.change * unit.accel * pace * pace,
        }
    }

    /// When it ends, s.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.start_s + self.duration_s
    }
}

/// A sine, for what never quite rests: breath, sway, tremor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wave {
    /// Amplitude, in the unit of the curve.
    pub amplitude: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Phase at time 0, rad.
    pub phase_rad: f64,
}

impl Wave {
    /// The sine at `t_s`.
    #[must_use]
    pub fn at(&self, t_s: f64) -> Jet {
        let turn_rate = std::f64::consts::TAU * self.frequency_hz;
        let (sin, cos) = (turn_rate * t_s + self.phase_rad).sin_cos();
        Jet {
            value: self.amplitude * sin,
            rate: self.amplitude * turn_rate * cos,
            accel: -self.amplitude * turn_rate * turn_rate * sin,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Fourth-order central difference.
    fn difference(f: impl Fn(f64) -> f64, x: f64, h: f64) -> f64 {
        (8.0 * (f(x + h) - f(x - h)) - (f(x + 2.0 * h) - f(x - 2.0 * h))) / (12.0 * h)
    }

    proptest! {
        #[test]
        fn derivatives_of_a_step_are_its_differences(t in -0.5f64..2.0) {
            let step = Step { start_s: 0.1, duration_s: 0.8, change: -140.0 };
            let jet = step.at(t);
            prop_assert!((difference(|x| step.at(x).value, t, 1e-3) - jet.rate).abs() < 1e-3);
            prop_assert!((difference(|x| step.at(x).rate, t, 1e-3) - jet.accel).abs() < 0.1);
        }

        #[test]
        fn the_inverse_undoes_the_step(y in 0.0f64..1.0) {
            prop_assert!((smooth_step(smooth_step_inverse(y)).value - y).abs() < 1e-9);
        }
    }

    #[test]
    fn derivatives_of_a_wave_are_its_differences() {
        let wave = Wave { amplitude: 2.0, frequency_hz: 9.0, phase_rad: 0.3 };
        let jet = wave.at(0.77);
        assert!((difference(|x| wave.at(x).value, 0.77, 1e-4) - jet.rate).abs() < 1e-5);
        assert!((difference(|x| wave.at(x).rate, 0.77, 1e-4) - jet.accel).abs() < 1e-3);
    }
}
