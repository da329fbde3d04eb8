//! A stretch of fast motion that is going on, by the smoothed rate of the hand. Rates in rad/s, times on the hand
//! clock, s.

use super::episode::EpisodeParams;

/// Below this share of its peak rate a motion is past it.
const PAST_PEAK: f64 = 0.7;
/// The hand of a small swing turns so fast at least (judgement).
pub(super) const SWING_PEAK: f64 = 200.0 * std::f64::consts::PI / 180.0;
/// The hand of a full swing turns so fast at least (judgement: no walk and no gesture does for long).
const FULL_PEAK: f64 = 500.0 * std::f64::consts::PI / 180.0;
/// In a drill the next swing is there within this time, s (judgement).
const NEXT_SWING_S: f64 = 3.5;
/// A motion that is too long is cut where it is slower, within this time, s: about the fast part of a swing.
pub(super) const CUT_WITHIN_S: f64 = 1.5;

/// The motion, and how it has gone so far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FastMotion {
    /// Where it became fast.
    pub since_s: f64,
    /// Where the stretch began in which it is slow, if it is.
    pub slow_since_s: Option<f64>,
    /// It goes on from one that was cut for its length: there is no pose at the ball before it.
    pub goes_on: bool,
    peak: f64,
    near_peak_s: f64,
    /// When it was last as fast as a full swing.
    swung_s: Option<f64>,
}

/// One that is over.
#[derive(Clone, Debug)]
pub struct Ended {
    /// The motion.
    pub fast: FastMotion,
    /// Where its readings begin.
    pub from_s: f64,
    /// And where they end.
    pub until_s: f64,
    /// The club in use.
    pub club: Option<String>,
}

impl FastMotion {
    /// Begun at an instant with this rate; `goes_on` from one that was cut.
    #[must_use]
    pub fn begun(at_s: f64, rate: f64, goes_on: bool) -> FastMotion {
        FastMotion {
            since_s: at_s,
            slow_since_s: None,
            goes_on,
            peak: rate,
            near_peak_s: at_s,
            swung_s: None,
        }
    }

    /// Goes on with this rate; gives whether it is over.
    pub fn step(&mut self, now_s: f64, rate: f64, params: &EpisodeParams) -> bool {
        self.peak = self.peak.max(rate);
        if !self.is_slowing(rate) {
            self.near_peak_s = now_s;
        }
        self.slow_since_s = (rate < params.slow_below).then(|| self.slow_since_s.unwrap_or(now_s));
        let slow_for_s = self.slow_since_s.map_or(0.0, |since_s| now_s - since_s);
        if rate >= FULL_PEAK {
            self.swung_s = Some(now_s);
        }
        let is_drill = self.swung_s.is_some_and(|swung_s| now_s - swung_s < NEXT_SWING_S);
        let longest_s = if is_drill { params.longest_drill_s } else { params.longest_s };
        let beyond_s = now_s - self.since_s - longest_s;
        // Rather not within a swing.
        let is_long = beyond_s > 0.0 && (rate < params.fast_from || beyond_s > CUT_WITHIN_S);
        slow_for_s > params.slow_for_s || is_long
    }

    /// The same on a clock that shows other times.
    #[must_use]
    pub fn with_times(self, shown: impl Fn(f64) -> f64) -> FastMotion {
        FastMotion {
            since_s: shown(self.since_s),
            slow_since_s: self.slow_since_s.map(&shown),
            near_peak_s: shown(self.near_peak_s),
            swung_s: self.swung_s.map(&shown),
            ..self
        }
    }

    /// Whether it is past its peak.
    #[must_use]
    pub fn is_slowing(&self, rate: f64) -> bool {
        rate < PAST_PEAK * self.peak
    }

    /// How long ago it was near its peak, s, if it is past one as fast as that of a small swing at least.
    #[must_use]
    pub fn past_swing_peak_s(&self, rate: f64, now_s: f64) -> Option<f64> {
        (self.is_slowing(rate) && self.peak >= SWING_PEAK).then_some(now_s - self.near_peak_s)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Up to `peak` in half a second, down again in as long, then at rest: instants, how long past a swing's peak, and
    /// whether it is over.
    fn played(peak: f64) -> Vec<(f64, Option<f64>, bool)> {
        let params = EpisodeParams::default();
        let rate = |t_s: f64| peak * (1.0 - (t_s - 0.5).abs() / 0.5).max(0.0);
        let mut motion = FastMotion::begun(0.0, 0.0, false);
        let looks = (1..1500).map(|i| f64::from(i) * 0.002).map(|t_s| {
            let over = motion.step(t_s, rate(t_s), &params);
            (t_s, motion.past_swing_peak_s(rate(t_s), t_s), over)
        });
        looks.collect()
    }

    #[test]
    fn a_fast_one_is_past_a_swings_peak() {
        let past: Vec<(f64, f64)> = played(15.0).iter().filter_map(|look| Some((look.0, look.1?))).collect();
        // 70 % of the peak are left 0.15 s after it.
        let (first, last) = (past[0], past[past.len() - 1]);
        assert!((first.0 - 0.65).abs() < 0.01 && first.1 < 0.01, "{first:?}");
        assert!((last.0 - last.1 - 0.65).abs() < 0.01 && last.0 > 1.5, "{last:?}");
        assert!(played(3.0).iter().all(|look| look.1.is_none()), "slower than any swing");
    }

    #[test]
    fn a_drill_goes_on_and_a_walk_is_cut() {
        let params = EpisodeParams::default();
        let lasted_s = |peak: f64| {
            let mut motion = FastMotion::begun(0.0, 0.0, false);
            let rate = |t_s: f64| peak * (2.5 * t_s).sin().abs();
            let times = (1..20_000).map(|i| f64::from(i) * 0.002);
            times.into_iter().find(|t_s| motion.step(*t_s, rate(*t_s), &params)).unwrap()
        };
        for (peak, longest_s) in [(4.0, params.longest_s), (15.0, params.longest_drill_s)] {
            let lasted_s = lasted_s(peak);
            assert!((longest_s..longest_s + CUT_WITHIN_S).contains(&lasted_s), "{lasted_s} s");
            let rate = peak * (2.5 * lasted_s).sin().abs();
            assert!(rate < params.fast_from, "cut where it is slower: {rate} rad/s");
        }
    }

    #[test]
    fn it_is_over_when_it_was_slow_for_long() {
        let looks = played(15.0);
        let over = looks.iter().find(|look| look.2).unwrap();
        let params = EpisodeParams::default();
        let slow_from_s = 1.0 - 0.5 * params.slow_below / 15.0;
        assert!((over.0 - slow_from_s - params.slow_for_s).abs() < 0.01, "{over:?}");
    }
}
