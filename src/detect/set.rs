//! The setting of the hinge: level crossings of the hinge curve.

use crate::fusion::series::value_at;

/// Shares of the range: onset, half, set, nearly full.
pub const SHARES: [f64; 4] = [0.10, 0.50, 0.90, 0.95];
/// Place of the set's among them.
pub const SET: usize = 2;

/// A hinge curve counted from its address value, rad, at instants in s.
#[derive(Clone, Copy, Debug)]
pub struct HingeCurve<'a> {
    /// Instants, rising.
    pub t_s: &'a [f64],
    /// Hinge less its address value.
    pub hinge: &'a [f64],
}

/// Where the set is looked for, s: the largest hinge between the last two, its shares crossed from the first on.
///
/// The first is where the curve counts from: below every share somewhere from there on, so each crossing is found.
/// A wrist may move before the arm does, so what it crosses before the takeaway counts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SetWindow {
    /// Where the curve counts from: the address.
    pub counted_from_s: f64,
    /// The takeaway.
    pub from_s: f64,
    /// Where the hinge stops counting.
    pub to_s: f64,
}

/// The largest hinge within a window, and the last upward crossings of shares of it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Crossings {
    /// Largest hinge, rad.
    pub range: f64,
    /// When it was reached.
    pub max_s: f64,
    /// Instants of [`SHARES`].
    pub at_s: [f64; 4],
    /// First upward crossing of the set's share since the takeaway.
    pub first_set_s: f64,
    /// Where they were looked for.
    pub window: SetWindow,
}

impl HingeCurve<'_> {
    fn index(&self, t_s: f64) -> usize {
        self.t_s.partition_point(|t| *t < t_s)
    }

    /// Value at an instant, linear between readings, held at the ends.
    #[must_use]
    pub fn at(&self, t_s: f64) -> f64 {
        value_at(self.t_s, self.hinge, t_s)
    }

    /// Largest value between two instants, and when.
    #[must_use]
    pub fn largest(&self, from_s: f64, to_s: f64) -> Option<(f64, f64)> {
        let inside = self.index(from_s)..self.index(to_s);
        let largest = inside.map(|i| (self.hinge[i], self.t_s[i])).max_by(|a, b| a.0.total_cmp(&b.0))?;
        let end = (self.at(to_s), to_s);
        Some(if end.0 > largest.0 { end } else { largest })
    }

    /// Where no neighbour lies higher, between two instants: when, and how high. The last reading counts, too.
    pub fn peaks(&self, (from_s, to_s): (f64, f64)) -> impl Iterator<Item = (f64, f64)> {
        let inside = self.index(from_s)..self.index(to_s);
        let lower = |i: usize, other: Option<usize>| {
            other.and_then(|other| self.hinge.get(other)).is_none_or(|there| *there <= self.hinge[i])
        };
        let end = inside.end;
        let is_peak =
            move |i: &usize| lower(*i, i.checked_sub(1)) && (i + 1 == end || lower(*i, Some(i + 1)));
        inside.filter(is_peak).map(|i| (self.t_s[i], self.hinge[i]))
    }

    /// Last upward crossing of `level` between `from_s` (the reading before it) and `to_s`; `from_s` when it was above
    /// throughout.
    #[must_use]
    pub fn last_upward(&self, level: f64, from_s: f64, to_s: f64) -> f64 {
        let (first, end) = (self.index(from_s).saturating_sub(1), self.index(to_s).min(self.t_s.len()));
        let found = (first + 1..end).rev().find(|i| self.hinge[i - 1] < level && self.hinge[*i] >= level);
        found.map_or_else(|| self.edge(level, from_s, end, to_s), |i| self.between(i - 1, i, level))
    }

    /// First upward crossing, likewise.
    #[must_use]
    pub fn first_upward(&self, level: f64, from_s: f64, to_s: f64) -> f64 {
        let (first, end) = (self.index(from_s), self.index(to_s).min(self.t_s.len()));
        let found = (first + 1..end).find(|i| self.hinge[i - 1] < level && self.hinge[*i] >= level);
        found.map_or_else(|| self.edge(level, from_s, end, to_s), |i| self.between(i - 1, i, level))
    }

    /// No reading crosses: either the curve was above all along, or it crosses after the last reading.
    fn edge(&self, level: f64, from_s: f64, end: usize, to_s: f64) -> f64 {
        let last = end.saturating_sub(1);
        if self.hinge.get(last).is_some_and(|value| *value < level) { to_s } else { from_s }
    }

    fn between(&self, i: usize, j: usize, level: f64) -> f64 {
        let part = (level - self.hinge[i]) / (self.hinge[j] - self.hinge[i]);
        self.t_s[i] + part * (self.t_s[j] - self.t_s[i])
    }

    /// The crossings for the largest hinge in a window.
    #[must_use]
    pub fn crossings(&self, window: &SetWindow) -> Option<Crossings> {
        let (range, max_s) = self.largest(window.from_s, window.to_s)?;
        // The last reading before the maximum must lie below it for a crossing to be seen at all.
        let at_s = SHARES.map(|share| self.last_upward(share * range, window.counted_from_s, max_s + 1e-9));
        Some(Crossings {
            range,
            max_s,
            at_s,
            first_set_s: self.first_upward(SHARES[SET] * range, window.from_s, max_s + 1e-9),
            window: *window,
        })
    }

    /// How far the crossing of one of [`SHARES`] moves when the level is `by` lower and higher, s.
    #[must_use]
    pub fn shifts(&self, crossings: &Crossings, which: usize, by: f64) -> (f64, f64) {
        let level = SHARES[which] * crossings.range;
        let (crossed_s, until_s) = (crossings.at_s[which], crossings.max_s + 1e-9);
        let at = |level: f64| {
            self.last_upward(level.min(crossings.range), crossings.window.counted_from_s, until_s)
        };
        (at(level - by) - crossed_s, at(level + by) - crossed_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn until(to_s: f64) -> SetWindow {
        SetWindow { counted_from_s: 0.0, from_s: 0.0, to_s }
    }

    fn times(n: usize) -> Vec<f64> {
        (0..n).map(|i| i as f64 * 0.002).collect()
    }

    #[test]
    fn a_ramp_is_crossed_where_it_should() {
        let t_s = times(501);
        let hinge: Vec<f64> = t_s.iter().map(|t| (t * 2.0).min(1.0)).collect();
        let curve = HingeCurve { t_s: &t_s, hinge: &hinge };
        let found = curve.crossings(&until(0.9)).unwrap();
        for (at_s, expected) in found.at_s.iter().zip([0.05, 0.25, 0.45, 0.475]) {
            assert!((at_s - expected).abs() < 1e-6, "{found:?}");
        }
        let (before, after) = curve.shifts(&found, SET, 0.02);
        assert!((before + 0.01).abs() < 1e-6 && (after - 0.01).abs() < 1e-6);
    }

    /// The hinge begins at 0.2 s and grows by 1 rad/s, the arm goes at 0.45 s: 10 % of 0.8 rad lie before that.
    #[test]
    fn what_a_wrist_crosses_before_the_takeaway_counts() {
        let t_s = times(601);
        let hinge: Vec<f64> = t_s.iter().map(|t| (t - 0.2).clamp(0.0, 0.8)).collect();
        let curve = HingeCurve { t_s: &t_s, hinge: &hinge };
        let window = SetWindow { counted_from_s: 0.1, from_s: 0.45, to_s: 1.1 };
        let found = curve.crossings(&window).unwrap();
        assert!((found.at_s[0] - 0.28).abs() < 1e-6 && (found.at_s[1] - 0.6).abs() < 1e-6, "{found:?}");
        let (before, after) = curve.shifts(&found, 0, 0.02);
        assert!((before + 0.02).abs() < 1e-6 && (after - 0.02).abs() < 1e-6, "{before}, {after}");
    }

    #[test]
    fn the_last_crossing_counts_and_the_first_is_told() {
        let t_s = times(1001);
        let hinge: Vec<f64> =
            t_s.iter().map(|t| (std::f64::consts::TAU * t).sin().max(0.0) * (0.95 + 0.05 * t)).collect();
        let found = HingeCurve { t_s: &t_s, hinge: &hinge }.crossings(&until(1.9)).unwrap();
        assert!(found.at_s[2] > 1.0 && found.first_set_s < 0.25, "{found:?}");
    }

    proptest! {
        #[test]
        fn crossings_stand_in_order(rise in 0.05..0.8_f64, power in 0.5..3.0_f64) {
            let t_s = times(600);
            let hinge: Vec<f64> = t_s.iter().map(|t| (t / rise).min(1.0).powf(power)).collect();
            let found = HingeCurve { t_s: &t_s, hinge: &hinge }.crossings(&until(1.19)).unwrap();
            prop_assert!(found.at_s.windows(2).all(|pair| pair[0] <= pair[1]), "{found:?}");
            prop_assert!(found.at_s[3] <= found.max_s + 1e-9);
        }
    }
}
