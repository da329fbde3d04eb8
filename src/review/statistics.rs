//! Small statistics that bear outliers: median, spread, a share with its interval, a trend.

use statrs::distribution::{Binomial, DiscreteCDF, Hypergeometric};
use std::cmp::Ordering;

/// Under this many values a statistic says little, and the outputs say so.
pub const SMALL_SAMPLE: usize = 10;

/// With fewer values the spread of one half says little of the other's.
pub const SMALL_HALVES: usize = 2 * SMALL_SAMPLE;

/// The 97.5 % point of the normal distribution: 95 % between minus and plus this.
const Z_95: f64 = 1.959_963_984_540_054;

/// A two-sided interval of 95 % leaves out so much on either side.
const TAIL: f64 = 0.025;

/// Standard deviation of a normal distribution over its median absolute deviation.
const SD_PER_MAD: f64 = 1.482_602_218_505_602;

/// Where values lie and how far they spread, in the values' own unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// How many values.
    pub n: usize,
    /// The middle value.
    pub median: f64,
    /// A quarter of the values lie under this.
    pub lower_quartile: f64,
    /// A quarter of the values lie over this.
    pub upper_quartile: f64,
    /// Standard deviation worked out from the median absolute deviation; one value has none.
    pub robust_sd: Option<f64>,
}

impl Spread {
    /// The spread of the finite values; `None` when there are none.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Spread> {
        let sorted = sorted_finite(values);
        let median = quantile(&sorted, 0.5)?;
        let deviations: Vec<f64> = sorted.iter().map(|value| (value - median).abs()).collect();
        let mad = quantile(&sorted_finite(&deviations), 0.5)?;
        Some(Spread {
            n: sorted.len(),
            median,
            lower_quartile: quantile(&sorted, 0.25)?,
            upper_quartile: quantile(&sorted, 0.75)?,
            robust_sd: (sorted.len() > 1).then_some(SD_PER_MAD * mad),
        })
    }

    /// Width of the middle half.
    #[must_use]
    pub fn interquartile_range(&self) -> f64 {
        self.upper_quartile - self.lower_quartile
    }

    /// Too few values to lean on.
    #[must_use]
    pub fn is_small(&self) -> bool {
        self.n < SMALL_SAMPLE
    }
}

/// How the spread of values changes from their first half to their second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SpreadChange {
    /// Robust standard deviation of the first half, in the values' own unit …
    pub first: f64,
    /// … and of the second.
    pub second: f64,
    /// The second is less, greater, or no other beyond what chance explains.
    pub second_is: Ordering,
}

/// How the values spread in their halves; `None` of too few. Where nothing changes, one in twenty is told to at most: the
/// deviations from each half's own median, largest and smallest half of them, are counted in the second half (exact
/// median test, Mood 1950, Introduction to the Theory of Statistics; on deviations as in Levene 1960 [M]).
#[must_use]
pub fn spread_change(values: &[f64]) -> Option<SpreadChange> {
    if values.len() < SMALL_HALVES {
        return None;
    }
    let (first, second) = values.split_at(values.len() / 2);
    let (before, after) = (deviations(first)?, deviations(second)?);
    let usual = median(&[before.as_slice(), &after].concat())?;
    let large = |of: &[f64]| of.iter().filter(|deviation| **deviation > usual).count() as u64;
    let (in_second, in_all) = (large(&after), large(&before) + large(&after));
    let chance = Hypergeometric::new((before.len() + after.len()) as u64, in_all, after.len() as u64).ok()?;
    let second_is = if chance.cdf(in_second) <= TAIL {
        Ordering::Less
    } else if in_second > 0 && chance.sf(in_second - 1) <= TAIL {
        Ordering::Greater
    } else {
        Ordering::Equal
    };
    let [first, second] = halves_spread(values);
    Some(SpreadChange { first: first?, second: second?, second_is })
}

/// Robust standard deviation of the first half of the values and of the second, `None` of too few for one.
#[must_use]
pub fn halves_spread(values: &[f64]) -> [Option<f64>; 2] {
    let (first, second) = values.split_at(values.len() / 2);
    [first, second].map(|half| Spread::of(half)?.robust_sd)
}

/// How far each value lies from their median; `None` of none.
fn deviations(values: &[f64]) -> Option<Vec<f64>> {
    let middle = median(values)?;
    Some(values.iter().map(|value| (value - middle).abs()).collect())
}

/// The median of the finite values.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(&sorted_finite(values), 0.5)
}

/// Between which two of the finite values the median they were drawn from lies, with at least 95 %: the ranks of the
/// sign test, exact whatever the values' distribution (Thompson 1936, Ann Math Stat 7:122-128 [M]). `None` of fewer
/// than six, where the smallest and the largest do not reach so far.
#[must_use]
pub fn median_interval(values: &[f64]) -> Option<(f64, f64)> {
    let sorted = sorted_finite(values);
    let coin = Binomial::new(0.5, sorted.len() as u64).ok()?;
    let outside = (0..sorted.len()).take_while(|rank| coin.cdf(*rank as u64) <= TAIL).count();
    let low = sorted.get(outside.checked_sub(1)?)?;
    Some((*low, *sorted.get(sorted.len() - outside)?))
}

/// Whether so many of so many are more than half, or less, beyond what chance explains: the exact sign test, two-sided
/// 5 %. `None` where it may be either.
#[must_use]
pub fn more_than_half(hits: usize, n: usize) -> Option<bool> {
    let coin = Binomial::new(0.5, n as u64).ok()?;
    let rarer = n.checked_sub(hits)?.min(hits);
    (2 * hits != n && coin.cdf(rarer as u64) <= TAIL).then_some(2 * hits > n)
}

fn sorted_finite(values: &[f64]) -> Vec<f64> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|value| value.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
}

/// The quantile of sorted values, between neighbours in proportion: definition 7 of Hyndman & Fan 1996
/// (Am Stat 50:361-365), from memory; the default of R and NumPy.
fn quantile(sorted: &[f64], probability: f64) -> Option<f64> {
    let place = probability * sorted.len().checked_sub(1)? as f64;
    let below = place.floor() as usize;
    let lower = *sorted.get(below)?;
    let upper = sorted.get(below + 1).copied().unwrap_or(lower);
    Some(lower + (place - below as f64) * (upper - lower))
}

/// How many of how many, with the 95 % interval of the share.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// How many are so.
    pub hits: usize,
    /// Of how many.
    pub n: usize,
    /// The share itself, 0 to 1.
    pub share: f64,
    /// Lower end of the 95 % interval.
    pub low: f64,
    /// Upper end of the 95 % interval.
    pub high: f64,
}

impl Share {
    /// A share with the score interval of Wilson 1927 (J Am Stat Assoc 22:209-212; formula from memory),
    /// which stays within 0 to 1 and is honest for few swings. `None` of no swings.
    #[must_use]
    pub fn of(hits: usize, n: usize) -> Option<Share> {
        if n == 0 || hits > n {
            return None;
        }
        let (count, share) = (n as f64, hits as f64 / n as f64);
        let z2 = Z_95 * Z_95;
        let centre = (share + z2 / (2.0 * count)) / (1.0 + z2 / count);
        let half =
            Z_95 / (1.0 + z2 / count) * (share * (1.0 - share) / count + z2 / (4.0 * count * count)).sqrt();
        // With none or all of them the exact end is 0 or 1; rounding may miss it by a hair.
        let low = if hits == 0 { 0.0 } else { centre - half };
        let high = if hits == n { 1.0 } else { centre + half };
        Some(Share { hits, n, share, low, high })
    }
}

/// A drift over the bucket, in the values' unit per swing; or how one number goes with another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Median of the slopes of all pairs: per swing, or per one of the other number.
    pub per_swing: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end of its 95 % interval.
    pub high: f64,
    /// The values rise or fall together more than chance explains (two-sided 5 %).
    pub clear: bool,
}

/// The drift over values in order of time; [`relation`] with the place of each. `None` of fewer than
/// [`SMALL_SAMPLE`] values.
#[must_use]
pub fn trend(values: &[f64]) -> Option<Trend> {
    let placed: Vec<(f64, f64)> = values.iter().enumerate().map(|(at, value)| (at as f64, *value)).collect();
    relation(&placed)
}

/// How the second of two numbers goes with the first: the slope of Sen 1968 (J Am Stat Assoc 63:1379-1389) and the
/// rank test of Mann and Kendall with its normal approximation, both from memory; the interval is Sen's, between
/// the slopes whose ranks lie so many standard deviations of the test's score from the middle. Ties count for
/// neither side, which makes the test more careful. `None` of fewer than [`SMALL_SAMPLE`] pairs, where the
/// approximation does not hold, and where the first number is always the same.
#[must_use]
pub fn relation(points: &[(f64, f64)]) -> Option<Trend> {
    if points.len() < SMALL_SAMPLE || points.iter().any(|(x, y)| !x.is_finite() || !y.is_finite()) {
        return None;
    }
    let (mut slopes, mut score) = (Vec::new(), 0.0_f64);
    for (j, (x, y)) in points.iter().enumerate() {
        for (other_x, other_y) in points.iter().take(j) {
            let (run, rise) = (x - other_x, y - other_y);
            if run != 0.0 {
                slopes.push(rise / run);
                score += if rise == 0.0 { 0.0 } else { (rise * run).signum() };
            }
        }
    }
    let n = points.len() as f64;
    let sd = (n * (n - 1.0) * (2.0 * n + 5.0) / 18.0).sqrt();
    let z = (score.abs() - 1.0).max(0.0) / sd;
    slopes.sort_by(f64::total_cmp);
    let (low, high) = slope_interval(&slopes, sd)?;
    Some(Trend { per_swing: quantile(&slopes, 0.5)?, low, high, clear: z > Z_95 })
}

/// The slopes of these sorted ones that stand as far from the middle as the score's 95 % range goes.
fn slope_interval(slopes: &[f64], score_sd: f64) -> Option<(f64, f64)> {
    let (count, reach) = (slopes.len() as f64, Z_95 * score_sd);
    let low = ((count - reach) / 2.0).round_ties_even().max(1.0) as usize - 1;
    let high = ((count + reach) / 2.0).round_ties_even() as usize;
    let at = |place: usize| slopes.get(place.min(slopes.len().checked_sub(1)?)).copied();
    Some((at(low)?, at(high)?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand::SeedableRng;
    use rand::rngs::StdRng;
    use rand_distr::{Distribution, Normal};

    fn close(value: f64, expected: f64) {
        assert!((value - expected).abs() < 1e-9, "{value}, expected {expected}");
    }

    /// Computed with SciPy 1.17: `numpy.percentile`, `stats.median_abs_deviation(scale="normal")`.
    #[test]
    fn spread_agrees_with_scipy() {
        let spread = Spread::of(&[-312.0, -280.0, -295.0, -410.0, -305.0, -120.0]).unwrap();
        close(spread.median, -300.0);
        close(spread.lower_quartile, -310.25);
        close(spread.upper_quartile, -283.75);
        close(spread.interquartile_range(), 26.5);
        close(spread.robust_sd.unwrap(), 23.721_635_496_089_633);
    }

    #[test]
    fn one_value_has_no_spread_and_none_has_nothing() {
        let one = Spread::of(&[5.0]).unwrap();
        assert_eq!((one.n, one.median, one.robust_sd, one.is_small()), (1, 5.0, None, true));
        assert_eq!(Spread::of(&[]), None);
        assert_eq!(Spread::of(&[f64::NAN]), None);
        assert_eq!(median(&[f64::NAN, 3.0, 1.0]), Some(2.0));
    }

    /// The ranks are those of the published table for the sign test: 1 of 6, 2 of 10, 6 of 20 [M]; SciPy 1.17 has the
    /// same (`stats.quantile_test(x).confidence_interval()`).
    #[test]
    fn a_median_lies_between_the_ranks_of_the_sign_test() {
        let up_to = |n: i32| (1..=n).map(f64::from).collect::<Vec<f64>>();
        assert_eq!(median_interval(&up_to(5)), None);
        assert_eq!(median_interval(&[]), None);
        for (n, low, high) in [(6, 1.0, 6.0), (10, 2.0, 9.0), (20, 6.0, 15.0)] {
            assert_eq!(median_interval(&up_to(n)), Some((low, high)), "{n}");
        }
    }

    fn drawn(n: usize, widens: f64, random: &mut StdRng) -> Vec<f64> {
        let normal = Normal::new(0.0, 50.0).unwrap();
        let wide = |place: usize| if place < n / 2 { 1.0 } else { widens };
        (0..n).map(|place| wide(place) * normal.sample(random)).collect()
    }

    /// How often of 1000 draws the second half is told to spread less and more.
    fn told(n: usize, widens: f64) -> [usize; 2] {
        let mut random = StdRng::seed_from_u64(1);
        let draws = (0..1000).map(|_| spread_change(&drawn(n, widens, &mut random)).unwrap().second_is);
        let all: Vec<Ordering> = draws.collect();
        [Ordering::Less, Ordering::Greater].map(|is| all.iter().filter(|told| **told == is).count())
    }

    #[test]
    fn a_spread_that_stays_is_hardly_ever_told_to_change_and_one_that_changes_is() {
        for n in [20, 21, 33, 60, 120] {
            let [less, more] = told(n, 1.0);
            assert!(less + more <= 50, "{n}: {less} less, {more} more");
        }
        let [less, more] = told(60, 1.0 / 3.0);
        assert!(less > 800 && more == 0, "{less}, {more}");
        let [less, more] = told(60, 3.0);
        assert!(more > 800 && less == 0, "{less}, {more}");
        assert_eq!(spread_change(&[1.0; 19]), None);
        assert_eq!(spread_change(&[1.0; 40]).unwrap().second_is, Ordering::Equal);
    }

    /// Two-sided chances of a coin: 5 of 5 is 0.0625, 6 of 6 is 0.031, 8 of 9 is 0.039, 9 of 12 is 0.146.
    #[test]
    fn few_swings_do_not_make_a_majority() {
        for (hits, n, more) in [
            (5, 5, None),
            (6, 6, Some(true)),
            (0, 6, Some(false)),
            (8, 9, Some(true)),
            (9, 12, None),
            (0, 0, None),
            (3, 2, None),
        ] {
            assert_eq!(more_than_half(hits, n), more, "{hits} of {n}");
        }
    }

    /// 81 of 263 and 15 of 148: the worked examples of Newcombe 1998 (Stat Med 17:857-872), from memory.
    /// The rest computed with SciPy 1.17: `binomtest(k, n).proportion_ci(method="wilson")`.
    #[test]
    fn wilson_intervals_agree_with_published_and_computed_ones() {
        let cases = [
            (81, 263, 0.255_288_519_878, 0.366_209_576_983),
            (15, 148, 0.062_386_399_531, 0.160_487_241_723),
            (7, 10, 0.396_778_147_461, 0.892_208_732_594),
            (1, 1, 0.206_549_313_775, 1.0),
            (0, 5, 0.0, 0.434_482_464_783),
            (5, 5, 0.565_517_535_217, 1.0),
        ];
        for (hits, n, low, high) in cases {
            let share = Share::of(hits, n).unwrap();
            close(share.low, low);
            close(share.high, high);
        }
        assert_eq!(Share::of(0, 0), None);
        assert_eq!(Share::of(3, 2), None);
    }

    /// Computed with SciPy 1.17: `stats.theilslopes`, `stats.kendalltau(method="asymptotic")`.
    #[test]
    fn a_drift_is_told_from_scatter() {
        let rising = [-320.0, -310.0, -315.0, -300.0, -305.0, -290.0, -295.0, -280.0, -270.0, -285.0];
        assert_eq!(trend(&rising), Some(Trend { per_swing: 5.0, low: 3.125, high: 20.0 / 3.0, clear: true }));
        let scatter = [-320.0, -290.0, -315.0, -300.0, -305.0, -310.0, -295.0, -330.0, -300.0, -305.0];
        assert_eq!(
            trend(&scatter),
            Some(Trend { per_swing: 0.0, low: -5.0, high: 10.0 / 3.0, clear: false })
        );
        assert_eq!(trend(&rising[..9]), None);
        // `stats.theilslopes(rising, x)`
        let x = [0.41, 0.52, 0.47, 0.60, 0.55, 0.71, 0.66, 0.80, 0.90, 0.85];
        let points: Vec<(f64, f64)> = x.into_iter().zip(rising).collect();
        let found = relation(&points).unwrap();
        close(found.per_swing, 100.0);
        close(found.low, 90.909_090_909_091);
        close(found.high, 105.263_157_894_737);
        assert!(found.clear);
        assert_eq!(relation(&[(1.0, 2.0); 12]), None);
    }

    proptest! {
        #[test]
        fn quartiles_enclose_the_median_and_order_does_not_matter(
            mut values in prop::collection::vec(-1e3..1e3, 1..60)
        ) {
            let spread = Spread::of(&values).unwrap();
            prop_assert!(spread.lower_quartile <= spread.median && spread.median <= spread.upper_quartile);
            values.reverse();
            prop_assert_eq!(Spread::of(&values), Some(spread));
        }

        #[test]
        fn an_interval_encloses_its_share(n in 1_usize..500, part in 0.0..=1.0) {
            let hits = (n as f64 * part) as usize;
            let share = Share::of(hits, n).unwrap();
            prop_assert!(0.0 <= share.low && share.low <= share.share);
            prop_assert!(share.share <= share.high && share.high <= 1.0);
        }
    }
}
