//! How much was swung, and whether a bucket shows tiring: counts over days and weeks, the release through a
//! bucket. It describes; it diagnoses nothing.

use super::statistics::{Spread, SpreadChange, Trend, halves_spread, spread_change, trend};
use crate::detect::{CurvePoint, Swing};
use crate::units::{WallTime, counted};

/// Length of a day, ms.
const DAY_MS: i64 = 86_400_000;
/// Days of the acute load …
const ACUTE_DAYS: i64 = 7;
/// … and of the usual one, which come before and are not part of it: a week within its own reference is
/// coupled to it (Lolli et al. 2017, abstract read).
const USUAL_DAYS: i64 = 21;
/// A week with so many times the usual swings is told. In team sports a ratio from 1.5 on went with more
/// injuries (Gabbett 2016, Br J Sports Med 50:273, from memory).
const CLIMBS_FAST: f64 = 1.5;
/// Fewer swings in the week are told of in no case: a practice that begins again is no climb (judgement).
const WORTH_TELLING: usize = 100;

/// Why the caution is no more than one.
pub const RATIO_IS_CONTESTED: &str = "The ratio of a week to the weeks before comes from team sports (Gabbett 2016) and is contested: it may say no more than the week alone (Impellizzeri et al. 2020, J Athl Train 55:893; 2021, Sports Med 51:581). It is no diagnosis.";

/// What is published on golfers' wrists, with its source.
pub const PUBLISHED: &str = "Of 128 tour players 30 % reported wrist problems, two thirds of them in the lead wrist, mostly from overuse (Hawkes, O'Connor & Campbell 2013, Br J Sports Med 47:1075). Pain, numbness or swelling belongs to a doctor or physiotherapist.";

/// A player's load up to an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Load {
    /// Swings in the last 24 hours.
    pub day: usize,
    /// Swings in the last 7 days.
    pub week: usize,
    /// Swings a week over the three weeks before; none where the recordings do not reach back so far.
    pub usual_week: Option<f64>,
    /// The last week over the usual one; none without a usual one.
    pub ratio: Option<f64>,
}

impl Load {
    /// From the recordings' starts with the number of their swings.
    #[must_use]
    pub fn of(buckets: &[(WallTime, usize)], now: WallTime) -> Load {
        let between = |from_days: i64, to_days: i64| {
            let inside = |started: WallTime| {
                let age_ms = now.0.saturating_sub(started.0);
                // What was recorded before the clock was put back was recorded just now.
                let age_ms = if (-DAY_MS..0).contains(&age_ms) { 0 } else { age_ms };
                (from_days * DAY_MS..to_days * DAY_MS).contains(&age_ms)
            };
            buckets.iter().filter(|(started, _)| inside(*started)).map(|(_, swings)| swings).sum::<usize>()
        };
        let since = now.0 - (ACUTE_DAYS + USUAL_DAYS) * DAY_MS;
        let reaches_back = buckets.iter().any(|(started, _)| started.0 <= since);
        let usual =
            between(ACUTE_DAYS, ACUTE_DAYS + USUAL_DAYS) as f64 * ACUTE_DAYS as f64 / USUAL_DAYS as f64;
        let usual_week = reaches_back.then_some(usual);
        let week = between(0, ACUTE_DAYS);
        let ratio = usual_week.filter(|usual| *usual > 0.0).map(|usual| week as f64 / usual);
        Load { day: between(0, 1), week, usual_week, ratio }
    }

    /// Whether the week climbs fast against what is usual.
    #[must_use]
    pub fn climbs_fast(&self) -> bool {
        self.week >= WORTH_TELLING && self.ratio.is_some_and(|ratio| ratio >= CLIMBS_FAST)
    }

    /// The caution in words, where there is one.
    #[must_use]
    pub fn caution(&self) -> Option<String> {
        let ratio = self.ratio.filter(|_| self.climbs_fast())?;
        Some(format!(
            "{} in the last 7 days, {ratio:.1} times what is usual: let it climb more slowly, and stop when it hurts. {RATIO_IS_CONTESTED}",
            counted(self.week, "swing")
        ))
    }
}

/// How the release and the set went through a bucket.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fatigue {
    /// Fastest ulnar deviation between top and impact, °/s.
    pub release_dps: Option<Spread>,
    /// Its drift, °/s per swing with an impact.
    pub release_trend: Option<Trend>,
    /// Spread (robust standard deviation) of the set against the top in the first half of the sets, ms …
    pub set_spread_first_ms: Option<f64>,
    /// … and in the second.
    pub set_spread_second_ms: Option<f64>,
    /// How it changes between them, in ms; none of too few sets to judge.
    pub set_spread_change_ms: Option<SpreadChange>,
}

impl Fatigue {
    /// Of swings with one club, in order of time: a change of club would pass for a drift.
    #[must_use]
    pub fn of(swings: &[&Swing]) -> Fatigue {
        let releases: Vec<f64> = swings.iter().filter_map(|swing| release_dps(swing)).collect();
        let sets: Vec<f64> =
            swings.iter().filter_map(|swing| swing.set).map(|set| set.set_to_top_ms.value).collect();
        let [set_spread_first_ms, set_spread_second_ms] = halves_spread(&sets);
        Fatigue {
            release_dps: Spread::of(&releases),
            release_trend: trend(&releases),
            set_spread_first_ms,
            set_spread_second_ms,
            set_spread_change_ms: spread_change(&sets),
        }
    }
}

/// What shows tiring in the swings with one club, in a sentence; none where nothing does, or too few tell.
#[must_use]
pub fn tiring(club: &str, fatigue: &Fatigue) -> Option<String> {
    let slower = fatigue.release_trend.filter(|trend| trend.clear && trend.per_swing < 0.0);
    let wider = fatigue.set_spread_change_ms.filter(|change| change.second_is.is_gt());
    let mut told = Vec::new();
    told.extend(slower.map(|trend| format!("the release slows by {:.1} °/s a swing", -trend.per_swing)));
    told.extend(wider.map(|SpreadChange { first, second, .. }| {
        format!("the set spreads from {first:.0} to {second:.0} ms over the bucket's halves")
    }));
    let told = told.join(", ");
    (!told.is_empty()).then(|| format!("{club}: {told}. It may be tiring, or practice; rest costs nothing."))
}

/// The stretch that a rate is taken over, s.
const RATE_OVER_S: f64 = 0.01;

/// The fastest fall of the hinge between top and impact, °/s; none without an impact or a hinge.
#[must_use]
pub fn release_dps(swing: &Swing) -> Option<f64> {
    let impact = swing.impact?;
    let inside: Vec<&CurvePoint> =
        swing.curve.iter().filter(|point| (swing.top..=impact).contains(&point.t)).collect();
    let falls = inside.iter().enumerate().filter_map(|(place, first)| {
        let last = inside.iter().skip(place + 1).find(|last| last.t.seconds_since(first.t) >= RATE_OVER_S)?;
        let fall = (first.hinge_deg - last.hinge_deg) / last.t.seconds_since(first.t);
        fall.is_finite().then_some(fall)
    });
    falls.max_by(f64::total_cmp)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::SetTimes;
    use crate::units::{DeviceTime, Measured};

    const NOW: WallTime = WallTime(1_700_000_000_000);

    fn days_ago(days: i64) -> WallTime {
        WallTime(NOW.0 - days * DAY_MS)
    }

    #[test]
    fn a_week_is_held_against_the_three_before() {
        let steady = [(days_ago(40), 60), (days_ago(25), 60), (days_ago(18), 60), (days_ago(11), 60)];
        let mut buckets = steady.to_vec();
        buckets.extend([(days_ago(2), 40), (WallTime(NOW.0 - 1000), 20)]);
        let load = Load::of(&buckets, NOW);
        assert_eq!((load.day, load.week, load.usual_week), (20, 60, Some(60.0)));
        assert!(!load.climbs_fast() && load.caution().is_none());
        buckets.push((days_ago(3), 90));
        let load = Load::of(&buckets, NOW);
        assert_eq!((load.week, load.ratio), (150, Some(2.5)));
        assert!(load.caution().unwrap().contains("2.5 times what is usual"));
    }

    #[test]
    fn without_four_weeks_there_is_nothing_usual() {
        let load = Load::of(&[(days_ago(10), 500), (days_ago(1), 500)], NOW);
        assert_eq!((load.usual_week, load.ratio, load.climbs_fast()), (None, None, false));
        assert_eq!(Load::of(&[(days_ago(60), 9), (days_ago(1), 500)], NOW).ratio, None);
        assert_eq!(Load::of(&[], NOW), Load { day: 0, week: 0, usual_week: None, ratio: None });
    }

    #[test]
    fn recordings_of_a_clock_that_was_days_ahead_are_not_counted() {
        assert_eq!(Load::of(&[(days_ago(-2), 50)], NOW).week, 0);
    }

    /// Thirty swings, the sets of the second half spread `times` as wide about the same middle as those of the first.
    fn spreading(times: f64) -> Vec<Swing> {
        let set_ms = |place: u32| {
            let from_middle = f64::from(place % 15) - 7.0;
            -300.0 + from_middle * if place < 15 { 1.0 } else { times }
        };
        let swing = |place| {
            let (takeaway, top) = (DeviceTime(0), DeviceTime(900_000));
            let set = SetTimes {
                onset: takeaway,
                half: takeaway,
                set: top,
                nearly_full: top,
                sds_ms: [1.0; 4],
                set_to_top_ms: Measured::new(set_ms(place), 1.0),
                arm_travel_at_set: Measured::new(0.5, 0.01),
            };
            Swing { set: Some(set), ..Swing::bare(takeaway, top) }
        };
        (0..30).map(swing).collect()
    }

    #[test]
    fn a_spread_is_told_to_grow_where_chance_does_not_explain_it() {
        let told = |times| {
            let swings = spreading(times);
            tiring("iron", &Fatigue::of(&swings.iter().collect::<Vec<_>>()))
        };
        assert!(told(4.0).unwrap().contains("the set spreads from 6 to 24 ms"), "{:?}", told(4.0));
        for times in [0.25, 1.0, 1.5] {
            assert_eq!(told(times), None);
        }
    }

    /// A clock that is put back by some hours while somebody plays, or after.
    #[test]
    fn recordings_from_before_the_clock_was_put_back_count() {
        let ahead = WallTime(NOW.0 + 3 * 3_600_000);
        let load = Load::of(&[(ahead, 50)], NOW);
        assert_eq!((load.day, load.week), (50, 50));
    }
}
