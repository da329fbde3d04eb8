//! A player over many buckets: each bucket by its middle, club by club. Swings of one bucket hang together (one
//! calibration, one day), so a trend counts buckets, not swings.

use super::Windows;
use super::statistics::{SMALL_SAMPLE, Share, Spread, Trend, median, trend};
use super::summary::in_order;
use super::wording::signed;
use crate::detect::Verdict;
use crate::record::library::index::CountedSwing;

/// One bucket's swings with one club.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BucketMiddle {
    /// The bucket's row in the index.
    pub bucket: i64,
    /// How many swings.
    pub swings: usize,
    /// Middle of the set against the top, ms.
    pub set_to_top_ms: f64,
    /// Middle of the arm travel at the set.
    pub arm_travel_at_set: f64,
}

/// A player with one club over time.
#[derive(Clone, Debug, PartialEq)]
pub struct ClubOverTime {
    /// The club; none where it was not said.
    pub club: Option<String>,
    /// How many swings with a set, those that were left out aside.
    pub swings: usize,
    /// The buckets, in order of time.
    pub buckets: Vec<BucketMiddle>,
    /// All swings: the set against the top, ms.
    pub set_to_top_ms: Option<Spread>,
    /// All swings: arm travel at the set.
    pub arm_travel_at_set: Option<Spread>,
    /// All swings with a set: share in the player's window.
    pub in_window: Option<Share>,
    /// Drift of the buckets' middles, ms per bucket.
    pub set_trend_ms: Option<Trend>,
    /// Drift of the buckets' middles, arm travel per bucket.
    pub travel_trend: Option<Trend>,
}

/// A player's clubs, each over time. The swings come in order of time.
#[must_use]
pub fn clubs_over_time(swings: &[CountedSwing], windows: &Windows) -> Vec<ClubOverTime> {
    let clubs = in_order(swings.iter().map(|swing| &swing.club));
    clubs.into_iter().map(|club| of_club(club, swings, windows)).collect()
}

fn of_club(club: &Option<String>, swings: &[CountedSwing], windows: &Windows) -> ClubOverTime {
    let swings: Vec<&CountedSwing> = swings.iter().filter(|swing| swing.club == *club).collect();
    let buckets: Vec<BucketMiddle> =
        swings.chunk_by(|a, b| a.bucket == b.bucket).filter_map(middle).collect();
    let of = |part: fn(&CountedSwing) -> f64| swings.iter().map(|swing| part(swing)).collect::<Vec<f64>>();
    let middles = |part: fn(&BucketMiddle) -> f64| buckets.iter().map(part).collect::<Vec<f64>>();
    let in_window = windows.for_club(club.as_deref()).and_then(|window| {
        let inside = |swing: &&CountedSwing| {
            window.verdict(Some(swing.arm_travel_at_set), swing.after_top) == Verdict::InWindow
        };
        Share::of(swings.iter().filter(|swing| inside(swing)).count(), swings.len())
    });
    ClubOverTime {
        club: club.clone(),
        swings: swings.len(),
        set_to_top_ms: Spread::of(&of(|swing| swing.set_to_top_ms)),
        arm_travel_at_set: Spread::of(&of(|swing| swing.arm_travel_at_set)),
        in_window,
        set_trend_ms: trend(&middles(|bucket| bucket.set_to_top_ms)),
        travel_trend: trend(&middles(|bucket| bucket.arm_travel_at_set)),
        buckets,
    }
}

/// A trend in words.
#[must_use]
pub fn trend_words(trend: Option<Trend>) -> String {
    match trend {
        None => format!("needs {SMALL_SAMPLE} buckets"),
        Some(trend) => {
            let clear = if trend.clear { "clear" } else { "may be chance" };
            format!("{}, {clear}", signed(trend.per_swing, 1))
        }
    }
}

fn middle(swings: &[&CountedSwing]) -> Option<BucketMiddle> {
    let of = |part: fn(&CountedSwing) -> f64| {
        median(&swings.iter().map(|swing| part(swing)).collect::<Vec<f64>>())
    };
    Some(BucketMiddle {
        bucket: swings.first()?.bucket,
        swings: swings.len(),
        set_to_top_ms: of(|swing| swing.set_to_top_ms)?,
        arm_travel_at_set: of(|swing| swing.arm_travel_at_set)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::TargetWindow;

    #[test]
    fn buckets_count_once_each_and_clubs_apart() {
        let swing = |bucket, club: &str, set_to_top_ms, arm_travel_at_set| CountedSwing {
            bucket,
            club: Some(club.to_owned()),
            set_to_top_ms,
            arm_travel_at_set,
            after_top: set_to_top_ms > 30.0,
        };
        let mut swings = Vec::new();
        for bucket in 0..12_i64 {
            // The middle of three rises by 5 ms from bucket to bucket, whatever the outer two do.
            let middle = -400.0 + 5.0 * bucket as f64;
            swings.extend([-900.0, middle, 100.0].map(|ms| swing(bucket, "iron", ms, 0.5)));
            swings.push(swing(bucket, "wedge", -500.0, 0.9));
        }
        let windows = Windows {
            by_club: [("iron".to_owned(), TargetWindow { from: 0.4, to: 0.6 })].into(),
            otherwise: Some(TargetWindow { from: 0.0, to: 0.2 }),
        };
        let clubs = clubs_over_time(&swings, &windows);
        assert_eq!(clubs.len(), 2);
        assert_eq!((clubs[0].swings, clubs[0].buckets.len()), (36, 12));
        let trend = clubs[0].set_trend_ms.unwrap();
        assert!((trend.per_swing - 5.0).abs() < 1e-9 && trend.clear, "{trend:?}");
        let after_the_top = "of three, the last comes back through the window after the top";
        assert_eq!(clubs[0].in_window.map(|share| (share.hits, share.n)), Some((24, 36)), "{after_the_top}");
        assert_eq!(clubs[1].in_window.map(|share| share.hits), Some(0));
        assert!(!clubs[1].set_trend_ms.unwrap().clear);
    }
}
