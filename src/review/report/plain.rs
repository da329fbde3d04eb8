//! The bucket for the player: short sentences in plain words. Each is worked out from numbers, and says no more than
//! their intervals carry; where swings are few it says so.

use super::{Change, Middle, Remember, Report};
use crate::detect::Verdict;
use crate::review::Review;
use crate::review::compare::Quantity;
use crate::review::compare::sides::Row;
use crate::review::statistics::{SMALL_SAMPLE, Share, more_than_half};
use crate::review::summary::Group;
use crate::review::wording::{against_top, club_name, number, percent, whole_bar};
use crate::units::counted;

/// What one club's swings say. Few of them say little, in one sentence for all that they do not say.
#[must_use]
pub fn sentences(report: &Report, club: Option<&str>, group: &Group) -> Vec<String> {
    let review = &report.review;
    let few = group.is_small();
    let mut said = match group.in_window {
        Some(share) => in_window(&Counts::of(review, club), share, few),
        None => vec![format!("{}; no window was agreed for this club.", counted(group.swings, "swing"))],
    };
    said.extend(steady(group));
    said.extend(through(group, few));
    said.extend(report.change(club).map(changed));
    if few {
        said.push(too_few(group));
    }
    said
}

fn too_few(group: &Group) -> String {
    let few = counted(group.swings, "swing");
    // What a majority already says need not be said again.
    let open = group.in_window.filter(|share| more_than_half(share.hits, share.n).is_none());
    match open {
        Some(share) => format!(
            "Only {few}: how often you would be in it ({} to {} of 100 would fit), and whether the set moves from \
             first to last, cannot be told yet.",
            percent(share.low),
            percent(share.high)
        ),
        None => format!("Only {few}: the next ones may change all of this."),
    }
}

/// How a club's swings that count were judged.
#[derive(Default)]
struct Counts {
    early: usize,
    late: usize,
    no_set: usize,
    close: usize,
}

impl Counts {
    fn of(review: &Review, club: Option<&str>) -> Counts {
        let mut counts = Counts::default();
        let of_club = review.counted().map(|(_, swing)| swing).filter(|swing| swing.club.as_deref() == club);
        for judged in of_club.filter_map(|swing| review.verdict(swing)) {
            counts.close += usize::from(judged.close);
            match judged.verdict {
                Verdict::Early => counts.early += 1,
                Verdict::Late => counts.late += 1,
                Verdict::NoSet => counts.no_set += 1,
                Verdict::InWindow => {}
            }
        }
        counts
    }
}

fn in_window(counts: &Counts, share: Share, few: bool) -> Vec<String> {
    let Counts { early, late, no_set, close } = *counts;
    let mut said = vec![format!(
        "{} of {} in your window, {early} early, {late} late",
        share.hits,
        counted(share.n, "swing")
    )];
    if no_set > 0 {
        said[0] += &format!(", {no_set} without a set");
    }
    said[0] += ".";
    if close > 0 {
        let (are, their) = if close == 1 { ("is", "its") } else { ("are", "their") };
        said.push(format!("{} {are} too near the edge to be sure of {their} side.", counted(close, "swing")));
    }
    let range =
        format!("going on like this, {} to {} of 100 would fit", percent(share.low), percent(share.high));
    said.extend(match more_than_half(share.hits, share.n) {
        Some(true) => Some(format!("More often in it than not: {range}.")),
        Some(false) => Some(format!("More often out of it than in: {range}.")),
        None if few => None,
        None => Some(format!("Whether more often in it or out cannot be told yet: {range}.")),
    });
    said.extend(match more_than_half(early, early + late) {
        Some(true) => Some("When you miss, you are mostly early.".to_owned()),
        Some(false) => Some("When you miss, you are mostly late.".to_owned()),
        None if few || early + late == 0 => None,
        None => Some("Your misses lean to neither side, as far as can be told.".to_owned()),
    });
    said
}

/// The measurement is part of a spread that is less than so many times its standard deviation.
const MATTERS: f64 = 3.0;

fn steady(group: &Group) -> Option<String> {
    let spread = group.set_to_top_ms.filter(|spread| spread.n > 1)?;
    let mut said =
        format!("The middle half of your sets lies within {} ms", number(spread.interquartile_range(), 0));
    let measured = group.measurement_sd_ms.unwrap_or(0.0);
    if spread.robust_sd.is_some_and(|sd| sd < MATTERS * measured) {
        said += &format!("; part of that is the measurement, good to ±{} ms", whole_bar(measured));
    }
    Some(said + ".")
}

/// A smaller drift prints as none, ms a swing.
const LEAST_MS: f64 = 0.05;

fn through(group: &Group, few: bool) -> Option<String> {
    match group.set_trend_ms {
        None if few => None,
        None => Some(format!(
            "Whether the set moves from first to last takes {SMALL_SAMPLE} sets to tell; here are {}.",
            group.sets
        )),
        Some(trend) if !trend.clear => {
            Some("From first to last no change can be told from chance.".to_owned())
        }
        Some(trend) if trend.per_swing.abs() < LEAST_MS => {
            Some("From first to last the set stays.".to_owned())
        }
        Some(trend) => {
            let (side, sign) = if trend.per_swing > 0.0 { ("later", 1.0) } else { ("earlier", -1.0) };
            let ends = [trend.low * sign, trend.high * sign];
            Some(format!(
                "From first to last the set came {side}, by {} ms a swing ({} to {} would fit).",
                number(trend.per_swing.abs(), 1),
                number(ends[0].min(ends[1]), 1),
                number(ends[0].max(ends[1]), 1)
            ))
        }
    }
}

/// This bucket against the player's earlier ones.
fn changed(change: &Change) -> String {
    let before = match change.buckets {
        1 => "your bucket before with it".to_owned(),
        n => format!("your last {n} buckets with it"),
    };
    let row = match &change.set_to_top {
        Ok(row) => row,
        Err(_) => return format!("Against {before}: too few sets to tell a change."),
    };
    let words = |ms: f64| Quantity::SetToTop.change(ms);
    let (seen, low, high) = (words(row.difference), words(row.low), words(row.high));
    let mut said = if row.is_larger_than_noise() {
        format!(
            "Against {before}: {seen}, more than chance explains. It may be anything from {low} to {high}."
        )
    } else {
        format!(
            "Against {before} no change is shown: {seen} here, but anything from {low} to {high} would fit."
        )
    };
    if Row::is_of_two_days(row) {
        said += " With one bucket before, a good or bad day cannot be told from a change.";
    }
    said
}

/// The number to remember, large, and what it is in a sentence or two.
#[must_use]
pub fn remember(review: &Review, club: Option<&str>) -> Option<(String, String)> {
    let remembered = Remember::of(review, club)?;
    let name = club_name(club);
    let window = review
        .windows
        .for_club(club)
        .map(|window| format!(" Your window is {} to {} %.", percent(window.from), percent(window.to)));
    Some(match remembered {
        Remember::Travel(middle) => {
            let what = format!(
                "How far your arm had gone from takeaway (0 %) to the top (100 %) when the hinge was set: {}{}{}",
                middle_of(middle.sets, &name),
                may_be(&middle, |value| format!("{}\u{a0}%", percent(value))),
                window.unwrap_or_default()
            );
            (format!("{}\u{a0}%", percent(middle.value)), what)
        }
        Remember::ToTop(middle) => {
            let what = format!(
                "When the hinge was set: {}{}",
                middle_of(middle.sets, &name),
                may_be(&middle, against_top)
            );
            (against_top(middle.value), what)
        }
    })
}

fn middle_of(sets: usize, club: &str) -> String {
    let which = if sets == 1 { "" } else { "the middle of " };
    format!("{which}{}, {club}.", counted(sets, "set"))
}

fn may_be(middle: &Middle, words: impl Fn(f64) -> String) -> String {
    match middle.interval {
        Some((low, high)) => format!(" Anything from {} to {} would fit.", words(low), words(high)),
        None => " Too few to say how near that is.".to_owned(),
    }
}
