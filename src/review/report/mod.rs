//! The coach's report of a bucket: what he said, what it means for the player in plain words, a few pictures, and the
//! numbers, on one sheet. Pure; the sheet as HTML is [`super::page::report`].

pub mod plain;

use super::Review;
use super::compare::Incomparable;
use super::compare::sides::{Chosen, Contrast, Row};
use super::remarked::BEST;
use super::statistics::median_interval;
use super::summary::{Group, Summary};
use crate::detect::Swing;
use crate::record::export::Names;
use crate::units::{Measured, WallTime};

/// A bucket with what its report tells beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// The bucket, with what was said of it.
    pub review: Review,
    /// When it was begun, where known.
    pub started: Option<WallTime>,
    /// It is still being filled.
    pub running: bool,
    /// Each club against the player's earlier buckets, where a library knows of some.
    pub changes: Vec<Change>,
    /// Nothing in it names a person or repeats what was typed.
    pub nameless: bool,
}

/// One club against the earlier buckets.
#[derive(Clone, Debug, PartialEq)]
pub struct Change {
    /// The club.
    pub club: Option<String>,
    /// Earlier buckets with sets of it.
    pub buckets: usize,
    /// The set against the top: earlier first, this bucket second.
    pub set_to_top: Result<Row, Incomparable>,
}

impl Change {
    /// What a contrast of earlier buckets with this one, in one club, says of the set against the top; none where no
    /// earlier bucket has a set of it.
    #[must_use]
    pub fn of(contrast: &Contrast) -> Option<Change> {
        let has_set = |side: &Chosen| {
            let sets = side
                .buckets
                .iter()
                .filter(|(_, swings)| swings.iter().any(|swing| swing.numbers.set_to_top_ms.is_some()));
            sets.count()
        };
        let buckets = has_set(&contrast.first);
        let (_, row) = contrast.rows.iter().find(|(q, _)| *q == super::compare::Quantity::SetToTop)?;
        (buckets > 0).then(|| Change { club: contrast.second.club.clone(), buckets, set_to_top: row.clone() })
    }
}

/// What the coach said of one swing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OfSwing<'a> {
    /// Its place in the bucket, from 0.
    pub place: usize,
    /// One to show again.
    pub best: bool,
    /// His notes on it.
    pub notes: &'a [String],
}

impl Report {
    /// The report of a bucket that nothing is known of besides.
    #[must_use]
    pub fn of(review: Review, started: Option<WallTime>) -> Report {
        Report { review, started, running: false, changes: Vec::new(), nameless: false }
    }

    /// The same as it may be told. Without names nothing that was typed stands in it, as in every export: no name of
    /// the player or the file, no notes, no reasons. Clubs, times and windows stay; no window tells whose it is.
    #[must_use]
    pub fn told(mut self, names: Names) -> Report {
        if names == Names::Keep {
            return self;
        }
        self.nameless = true;
        self.review.player = None;
        self.review.input = String::new();
        self.review.of_bucket = Default::default();
        self.review.analysis.notes.clear();
        for said in &mut self.review.standing {
            said.notes.clear();
            said.tags.retain(|tag| tag == BEST);
            said.excluded = said.excluded.take().map(|_| "left out".to_owned());
        }
        self
    }

    /// What was said of swings: those to show again, and those with notes.
    #[must_use]
    pub fn of_swings(&self) -> Vec<OfSwing<'_>> {
        let said = self.review.standing.iter().enumerate().map(|(place, said)| OfSwing {
            place,
            best: said.tags.contains(BEST),
            notes: &said.notes,
        });
        said.filter(|one| one.best || !one.notes.is_empty()).collect()
    }

    /// The change of a club against the earlier buckets.
    #[must_use]
    pub fn change(&self, club: Option<&str>) -> Option<&Change> {
        self.changes.iter().find(|change| change.club.as_deref() == club)
    }
}

/// What pictures and the number to remember are of: the club with the most sets, of those with a window if there is
/// one.
#[must_use]
pub fn main_club(summary: &Summary) -> Option<&(Option<String>, Group)> {
    let with_sets = summary.clubs.iter().filter(|(_, group)| group.sets > 0);
    // The first of several with as many.
    with_sets.rev().max_by_key(|(_, group)| (group.in_window.is_some(), group.sets))
}

/// One number to take home.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Remember {
    /// The middle of the arm travel at the set, as a fraction, with what may be true of it.
    Travel(Middle),
    /// Where sets lie after the top, where arm travel alone does not tell when: the middle against the top, ms.
    ToTop(Middle),
}

/// A middle with its 95 % interval.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Middle {
    /// The median.
    pub value: f64,
    /// Of so many sets.
    pub sets: usize,
    /// Where it may lie; none of fewer than six sets.
    pub interval: Option<(f64, f64)>,
}

impl Remember {
    /// The number of a club's swings that count; none without a set.
    #[must_use]
    pub fn of(review: &Review, club: Option<&str>) -> Option<Remember> {
        let swings: Vec<&Swing> =
            review.counted().map(|(_, swing)| swing).filter(|swing| swing.club.as_deref() == club).collect();
        let sets: Vec<_> = swings.iter().filter_map(|swing| Some((swing.set?, swing.top))).collect();
        let after_top = sets.iter().any(|(set, top)| set.set > *top);
        if after_top {
            Middle::of(sets.iter().map(|(set, _)| set.set_to_top_ms)).map(Remember::ToTop)
        } else {
            Middle::of(sets.iter().map(|(set, _)| set.arm_travel_at_set)).map(Remember::Travel)
        }
    }
}

/// 95 % of a normal distribution lie within so many standard deviations.
const WITHIN: f64 = 1.96;

impl Middle {
    /// The interval of the median is that of the sign test. What a single set is measured to is laid beside it, as if
    /// all were wrong by the same: they share a calibration.
    fn of(sets: impl Iterator<Item = Measured>) -> Option<Middle> {
        let sets: Vec<Measured> = sets.filter(|set| set.value.is_finite() && set.sd.is_finite()).collect();
        let values: Vec<f64> = sets.iter().map(|set| set.value).collect();
        let sds: Vec<f64> = sets.iter().map(|set| set.sd).collect();
        let (value, sd) = (super::statistics::median(&values)?, super::statistics::median(&sds)?);
        let wider = |(low, high): (f64, f64)| {
            (value - (value - low).hypot(WITHIN * sd), value + (high - value).hypot(WITHIN * sd))
        };
        Some(Middle { value, sets: sets.len(), interval: median_interval(&values).map(wider) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_middle_is_no_better_known_than_a_single_set_is_measured() {
        let sets = |sd: f64, n: i32| (1..=n).map(move |n| Measured::new(f64::from(n), sd));
        let exact = Middle::of(sets(0.0, 10)).unwrap();
        assert_eq!((exact.value, exact.sets, exact.interval), (5.5, 10, Some((2.0, 9.0))));
        let (low, high) = Middle::of(sets(10.0, 10)).unwrap().interval.unwrap();
        assert!(low < 5.5 - 19.6 && high > 5.5 + 19.6, "{low} {high}");
        assert_eq!(Middle::of(sets(1.0, 5)).unwrap().interval, None);
        assert_eq!(Middle::of(sets(1.0, 0)), None);
    }
}
