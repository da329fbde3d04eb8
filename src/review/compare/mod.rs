//! A player against himself: two sets of buckets (before and after a change, two weeks), or two clubs. How large the
//! difference is, with its 95 % interval, and whether that is more than the noise.
//!
//! Swings of one bucket share a calibration, a day and a warm-up, so they are no independent evidence for the
//! difference between two times. Where there are several buckets, each counts once, by its mean (the unit of analysis
//! is the cluster: Altman & Bland 1997, BMJ 314:1874 [M]). Where there is only one a side, its swings have to do, and
//! the words say what that cannot tell. [`Basis`] says which it was.

pub mod choice;
pub mod compared;
pub mod sides;
mod words;

pub use words::{Quantity, cells, methods, said, sentences, share_sentences};

use super::statistics::{SMALL_SAMPLE, Share, median};
use crate::units::Measured;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// How the difference of two shares gets its interval.
pub const SHARES: &str =
    "the score interval for a difference of shares (Newcombe 1998, Stat Med 17:873, method 10)";

/// The point of a distribution under which 97.5 % lie makes a two-sided interval of 95 %.
const UPPER_TAIL: f64 = 0.975;
/// From here on Student's t is the normal distribution to five digits; the library's inverse is not meant for more.
const FREEDOM_OF_NORMAL: f64 = 1e5;

/// The values of one bucket, each with its measurement's standard deviation.
#[derive(Clone, Debug, PartialEq)]
pub struct Cluster {
    /// The bucket's row in the index; the same bucket on both sides has the same.
    pub bucket: i64,
    /// One value a swing.
    pub values: Vec<Measured>,
}

/// What the interval rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// Both sides are swings of one bucket (two clubs): Welch 1947 (Biometrika 34:28-35 [M]) over the swings. Day and
    /// calibration are the same and fall out; other days are not seen.
    SwingsOfOneBucket,
    /// One bucket a side: Welch over the swings, and the standard deviation of a single swing's measurement added
    /// whole to each side, as if all swings of a bucket were wrong by the same. How much the player differs from day
    /// to day is not seen.
    OneBucketEach,
    /// The same buckets on both sides: the differences within each, by Student's t for pairs.
    PairedBuckets,
    /// One bucket against several: is it one of them (Crawford & Howell 1998, Clin Neuropsychol 12:482-486 [M])?
    OneAgainstSeveral,
    /// Several buckets a side: Welch over the buckets' means.
    Buckets,
}

impl Basis {
    /// The word in JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Basis::SwingsOfOneBucket => "swings-of-one-bucket",
            Basis::OneBucketEach => "one-bucket-each",
            Basis::PairedBuckets => "paired-buckets",
            Basis::OneAgainstSeveral => "one-against-several",
            Basis::Buckets => "buckets",
        }
    }

    /// How the interval is worked out, with the source; for who wants to know.
    #[must_use]
    pub fn method(self) -> &'static str {
        match self {
            Basis::SwingsOfOneBucket => "Welch's interval over the swings (Welch 1947, Biometrika 34:28)",
            Basis::OneBucketEach => {
                "Welch's interval over the swings (Welch 1947, Biometrika 34:28), the measurement added whole to each \
                 side"
            }
            Basis::PairedBuckets => {
                "Student's t over the differences within each bucket (Student 1908, Biometrika 6:1)"
            }
            Basis::OneAgainstSeveral => {
                "one bucket held against the means of the others (Crawford & Howell 1998, Clin Neuropsychol 12:482)"
            }
            Basis::Buckets => "Welch's interval over the buckets' means (Welch 1947, Biometrika 34:28)",
        }
    }

    /// Each swing counts, not each bucket.
    #[must_use]
    pub fn counts_swings(self) -> bool {
        matches!(self, Basis::SwingsOfOneBucket | Basis::OneBucketEach)
    }
}

/// One side in numbers, in the values' own unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side {
    /// Buckets with a value.
    pub buckets: usize,
    /// Values.
    pub swings: usize,
    /// What is compared: the mean of the swings, or of the buckets' means where buckets count.
    pub mean: f64,
    /// Standard deviation of the swings about the means of their buckets; none where no bucket has two.
    pub swing_sd: Option<f64>,
    /// Standard deviation of the buckets' means; none of one bucket.
    pub bucket_sd: Option<f64>,
    /// Root mean square of the single measurements' standard deviations.
    pub measurement_sd: f64,
}

/// The second side against the first, in the values' own unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Comparison {
    /// What the interval rests on.
    pub basis: Basis,
    /// The first side.
    pub before: Side,
    /// The second side.
    pub after: Side,
    /// Second less first.
    pub difference: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end of its 95 % interval.
    pub high: f64,
    /// Degrees of freedom of the interval.
    pub freedom: f64,
}

impl Comparison {
    /// How many count on the side with fewer: swings, or buckets where these count.
    #[must_use]
    pub fn fewest(&self) -> usize {
        let count = |side: &Side| if self.basis.counts_swings() { side.swings } else { side.buckets };
        count(&self.before).min(count(&self.after))
    }

    /// Too few to lean on.
    #[must_use]
    pub fn is_small(&self) -> bool {
        self.fewest() < SMALL_SAMPLE
    }
}

/// Why two sides cannot be compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Incomparable {
    /// A side has no value.
    #[error("expected swings with a value on both sides, found a side with none; is it a club of theirs?")]
    Empty,
    /// No spread can be seen.
    #[error("expected two swings on each side, or several buckets, found fewer")]
    TooFew,
    /// Every value that counts is the same.
    #[error("all values are the same, so there is no noise to hold a difference against")]
    NoSpread,
    /// Some buckets are on both sides and some are not.
    #[error("expected the same buckets on both sides or none in common, found some in common")]
    Overlap,
}

/// A difference with its standard error and degrees of freedom.
struct Estimate {
    difference: f64,
    error: f64,
    freedom: f64,
}

/// Compares two sides. Buckets without a value are passed over.
///
/// # Errors
/// There are too few values, or some of the buckets are on both sides.
pub fn compare(before: &[Cluster], after: &[Cluster]) -> Result<Comparison, Incomparable> {
    let (mut first, mut second) = (of_use(before), of_use(after));
    if first.is_empty() || second.is_empty() {
        return Err(Incomparable::Empty);
    }
    let shared = first.iter().filter(|one| second.iter().any(|two| two.bucket == one.bucket)).count();
    if shared > 0 && (shared, shared) != (first.len(), second.len()) {
        return Err(Incomparable::Overlap);
    }
    let by_bucket = |one: &Cluster, two: &Cluster| one.bucket.cmp(&two.bucket);
    first.sort_by(by_bucket);
    second.sort_by(by_bucket);
    let basis = match (shared, first.len(), second.len()) {
        (1, ..) => Basis::SwingsOfOneBucket,
        (2.., ..) => Basis::PairedBuckets,
        (0, 1, 1) => Basis::OneBucketEach,
        (0, 1, _) | (0, _, 1) => Basis::OneAgainstSeveral,
        (0, ..) => Basis::Buckets,
    };
    let estimate = estimate(basis, &first, &second).ok_or(Incomparable::TooFew)?;
    if estimate.error <= 0.0 {
        return Err(Incomparable::NoSpread);
    }
    let half = estimate.error * t_point(estimate.freedom).ok_or(Incomparable::NoSpread)?;
    Ok(Comparison {
        basis,
        before: side(&first).ok_or(Incomparable::Empty)?,
        after: side(&second).ok_or(Incomparable::Empty)?,
        difference: estimate.difference,
        low: estimate.difference - half,
        high: estimate.difference + half,
        freedom: estimate.freedom,
    })
}

fn estimate(basis: Basis, first: &[Cluster], second: &[Cluster]) -> Option<Estimate> {
    let means = (means(first), means(second));
    match basis {
        Basis::SwingsOfOneBucket => welch(&swings(first), &swings(second), 0.0),
        Basis::OneBucketEach => {
            let shared = measurement_sd(first).powi(2) + measurement_sd(second).powi(2);
            welch(&swings(first), &swings(second), shared)
        }
        Basis::PairedBuckets => {
            let differences: Vec<f64> = means.0.iter().zip(&means.1).map(|(one, two)| two - one).collect();
            let count = differences.len() as f64;
            let error = sd(&differences)? / count.sqrt();
            Some(Estimate { difference: mean(&differences)?, error, freedom: count - 1.0 })
        }
        Basis::OneAgainstSeveral => {
            let several = if means.0.len() > 1 { &means.0 } else { &means.1 };
            let count = several.len() as f64;
            Some(Estimate {
                difference: mean(&means.1)? - mean(&means.0)?,
                error: sd(several)? * ((count + 1.0) / count).sqrt(),
                freedom: count - 1.0,
            })
        }
        Basis::Buckets => welch(&means.0, &means.1, 0.0),
    }
}

/// Welch's estimate with the degrees of freedom of Satterthwaite 1946 (Biometrics Bull 2:110-114 [M]). `known` is a
/// variance of the difference that is known beforehand, with no end of freedom (JCGM 100:2008, G.4 [M]).
fn welch(first: &[f64], second: &[f64], known: f64) -> Option<Estimate> {
    let part = |values: &[f64]| Some((sd(values)?.powi(2) / values.len() as f64, values.len() as f64 - 1.0));
    let ((one, one_free), (two, two_free)) = (part(first)?, part(second)?);
    let variance = one + two + known;
    let freedom = variance.powi(2) / (one.powi(2) / one_free + two.powi(2) / two_free);
    Some(Estimate { difference: mean(second)? - mean(first)?, error: variance.sqrt(), freedom })
}

/// The difference of two shares, second less first, with its 95 % interval: Newcombe 1998 (Stat Med 17:873-890),
/// method 10, from memory. It takes the swings as independent, so it is for one bucket a side.
#[must_use]
pub fn share_difference(first: Share, second: Share) -> (f64, f64, f64) {
    let difference = second.share - first.share;
    let down = (second.share - second.low).hypot(first.high - first.share);
    let up = (second.high - second.share).hypot(first.share - first.low);
    (difference, difference - down, difference + up)
}

fn t_point(freedom: f64) -> Option<f64> {
    Some(StudentsT::new(0.0, 1.0, freedom.min(FREEDOM_OF_NORMAL)).ok()?.inverse_cdf(UPPER_TAIL))
}

fn of_use(clusters: &[Cluster]) -> Vec<Cluster> {
    let finite = |values: &[Measured]| values.iter().copied().filter(|m| m.value.is_finite()).collect();
    let clusters = clusters.iter().map(|one| Cluster { bucket: one.bucket, values: finite(&one.values) });
    clusters.filter(|one| !one.values.is_empty()).collect()
}

fn swings(clusters: &[Cluster]) -> Vec<f64> {
    clusters.iter().flat_map(|one| one.values.iter().map(|m| m.value)).collect()
}

fn means(clusters: &[Cluster]) -> Vec<f64> {
    clusters.iter().filter_map(|one| mean(&swings(std::slice::from_ref(one)))).collect()
}

fn measurement_sd(clusters: &[Cluster]) -> f64 {
    let squares: Vec<f64> = clusters.iter().flat_map(|one| one.values.iter().map(|m| m.sd.powi(2))).collect();
    mean(&squares).unwrap_or(0.0).sqrt()
}

fn side(clusters: &[Cluster]) -> Option<Side> {
    let means = means(clusters);
    let values = swings(clusters);
    let within: f64 = clusters
        .iter()
        .zip(&means)
        .flat_map(|(one, mean)| one.values.iter().map(move |m| (m.value - mean).powi(2)))
        .sum();
    let freedom = values.len() - clusters.len();
    Some(Side {
        buckets: clusters.len(),
        swings: values.len(),
        mean: mean(&means)?,
        swing_sd: (freedom > 0).then(|| (within / freedom as f64).sqrt()),
        bucket_sd: sd(&means),
        measurement_sd: measurement_sd(clusters),
    })
}

/// What all pairs of swings say together. Holds a number for each pair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OverPairs {
    /// The middle of the differences, which bears outliers (Hodges & Lehmann 1963, Ann Math Stat 34:598-611 [M]).
    /// Without an interval: it would have to take the swings as independent.
    pub shift: f64,
    /// How much more often a swing of the second side is larger than smaller, −1 to 1 (Cliff 1993, Psychol Bull
    /// 114:494-509 [M]).
    pub dominance: f64,
}

impl OverPairs {
    /// Of two sides; none where one has no value.
    #[must_use]
    pub fn of(before: &[Cluster], after: &[Cluster]) -> Option<OverPairs> {
        let [first, second] = [before, after].map(|side| swings(&of_use(side)));
        let pairs: Vec<f64> = first.iter().flat_map(|one| second.iter().map(move |two| two - one)).collect();
        let signs = pairs.iter().map(|rise| if *rise == 0.0 { 0.0 } else { rise.signum() });
        let dominance = signs.sum::<f64>() / pairs.len() as f64;
        Some(OverPairs { shift: median(&pairs)?, dominance })
    }
}

/// A bucket's mean with its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BucketMean {
    /// The bucket's row in the index.
    pub bucket: i64,
    /// How many values.
    pub swings: usize,
    /// Their mean.
    pub mean: f64,
    /// Where the mean may lie; none of a single value.
    pub interval: Option<(f64, f64)>,
}

impl BucketMean {
    /// Student's t over the swings (Student 1908, Biometrika 6:1-25), the standard deviation of a single measurement
    /// added whole, as in [`Basis::OneBucketEach`]. None of a bucket without a value.
    #[must_use]
    pub fn of(cluster: &Cluster) -> Option<BucketMean> {
        let clusters = of_use(std::slice::from_ref(cluster));
        let values = swings(&clusters);
        let mean = mean(&values)?;
        let half = sd(&values).and_then(|sd| {
            let (count, known) = (values.len() as f64, measurement_sd(&clusters).powi(2));
            let of_swings = sd.powi(2) / count;
            let freedom = (of_swings + known).powi(2) / (of_swings.powi(2) / (count - 1.0));
            Some((of_swings + known).sqrt() * t_point(if freedom.is_nan() { count - 1.0 } else { freedom })?)
        });
        let interval = half.map(|half| (mean - half, mean + half));
        Some(BucketMean { bucket: cluster.bucket, swings: values.len(), mean, interval })
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

fn sd(values: &[f64]) -> Option<f64> {
    let mean = mean(values)?;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    (values.len() > 1).then(|| (squares / (values.len() - 1) as f64).sqrt())
}
