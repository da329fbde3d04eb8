//! The coach's first questions, club by club, each with its answer in a sentence: early or late, how steady, better
//! or worse through the bucket.

use super::{Kind, distribution, trend};
use crate::review::Review;
use crate::review::goes_with::{self, GoesWith, Quality, STEP};
use crate::review::statistics::{SMALL_HALVES, SMALL_SAMPLE, SpreadChange, Trend};
use crate::review::summary::{Group, Summary};
use crate::review::wording::{self, nothing, number, percent, signed, whole_bar};
use maud::{Markup, html};
use std::cmp::Ordering;

/// A card for each club.
pub fn clubs(review: &Review, summary: &Summary) -> Markup {
    html! {
        div.cards {
            @for (place, (club, group)) in summary.clubs.iter().enumerate() {
                (card(review, club.as_deref(), group, place))
            }
        }
    }
}

fn card(review: &Review, club: Option<&str>, group: &Group, place: usize) -> Markup {
    let window = review.windows.for_club(club);
    let qualities = goes_with::of_club(review, club);
    html! {
        article.card {
            h3 { (wording::club_name(club)) }
            p.about {
                @match window {
                    Some(window) => {
                        "Window " (percent(window.from)) " to " (percent(window.to))
                        " % of arm travel"
                    }
                    None => "No window for this club",
                }
            }
            p.share {
                @match group.in_window {
                    Some(share) => { strong { (share.hits) " of " (share.n) } " in the window" }
                    None => { strong { (group.sets) } " sets" }
                }
            }
            (distribution::figure(review, club, place))
            dl {
                div { dt { "Early or late" } dd { (early_or_late(review, club, group)) } }
                div { dt { "How steady" } dd { (steady(group)) } }
                div { dt { "Through the bucket" } dd { (through(group)) (trend::figure(review, club, place)) } }
                div { dt { "What a later set goes with" } dd { (later(&qualities)) } }
            }
            @if qualities.iter().any(|one| one.in_window.is_some() && one.outside.is_some()) { (good_ones(&qualities)) }
        }
    }
}

fn early_or_late(review: &Review, club: Option<&str>, group: &Group) -> String {
    let kinds: Vec<Kind> = review
        .counted()
        .filter(|(_, swing)| swing.club.as_deref() == club)
        .map(|(_, swing)| Kind::of(review, swing))
        .collect();
    let count = |kind| kinds.iter().filter(|found| **found == kind).count();
    let mut sentence = middle(group);
    sentence += &match group.in_window {
        Some(_) => format!("{} early, {} late", count(Kind::Early), count(Kind::Late)),
        None => "Without a window nothing is early or late".to_owned(),
    };
    if count(Kind::NoSet) > 0 {
        sentence += &format!(", {} without a set", count(Kind::NoSet));
    }
    sentence += ".";
    if let Some(share) = group.in_window {
        sentence += &format!(
            " In the long run {} to {} % may be in the window (95 % interval).",
            percent(share.low),
            percent(share.high)
        );
    }
    sentence
}

/// Where the middle one of the sets lies.
fn middle(group: &Group) -> String {
    let (Some(travel), Some(ms)) = (group.arm_travel_at_set, group.set_to_top_ms) else {
        return String::new();
    };
    let (travel, ms) = (percent(travel.median), wording::against_top(ms.median));
    format!("The middle set comes at {travel} % of arm travel, {ms}. ")
}

fn steady(group: &Group) -> String {
    let (Some(spread), Some(sd)) =
        (group.set_to_top_ms.filter(|spread| spread.n > 1), group.measurement_sd_ms)
    else {
        return "Two sets at least are needed.".to_owned();
    };
    format!(
        "Middle half of the sets within {} ms ({} to {} ms against the top); a single one is measured to ±{} ms.",
        number(spread.interquartile_range(), 0),
        number(spread.lower_quartile, 0),
        number(spread.upper_quartile, 0),
        whole_bar(sd)
    )
}

fn through(group: &Group) -> String {
    let Some(trend) = group.set_trend_ms else {
        return format!("A trend needs {SMALL_SAMPLE} sets; there are {}.", group.sets);
    };
    format!("{} {}", drift(trend), steadier(group.fatigue.and_then(|fatigue| fatigue.set_spread_change_ms)))
}

fn drift(trend: Trend) -> String {
    let interval = format!("95 % interval {} to {}", signed(trend.low, 1), signed(trend.high, 1));
    if !trend.clear {
        return format!(
            "No clear trend, earlier or later: {} ms a swing ({interval}).",
            signed(trend.per_swing, 1)
        );
    }
    let side = if trend.per_swing > 0.0 { "later" } else { "earlier" };
    format!("The set comes {side} by {} ms a swing ({interval}).", number(trend.per_swing.abs(), 1))
}

fn steadier(change: Option<SpreadChange>) -> String {
    let Some(SpreadChange { first, second, second_is }) = change else {
        return format!("Whether it gets steadier needs {SMALL_HALVES} sets.");
    };
    let told = match second_is {
        Ordering::Less => "It gets steadier",
        Ordering::Greater => "It gets less steady",
        Ordering::Equal => "Not clearly steadier, nor less so",
    };
    format!("{told}: ±{} ms in the first half, ±{} ms in the second.", number(first, 0), number(second, 0))
}

/// What goes with a later set, in sentences; what is not clear is named as that.
fn later(qualities: &[GoesWith]) -> String {
    let known: Vec<(Quality, Trend)> =
        qualities.iter().filter_map(|one| Some((one.quality, one.per_step?))).collect();
    if known.is_empty() {
        return format!("That needs {SMALL_SAMPLE} swings that differ in their set.");
    }
    let (clear, unclear): (Vec<_>, Vec<_>) = known.into_iter().partition(|(_, trend)| trend.clear);
    let told = |(quality, trend): &(Quality, Trend)| {
        let (name, unit, decimals, more, less) = words(*quality);
        let word = if trend.per_swing > 0.0 { more } else { less };
        format!(
            "{word}: {name} {}{unit} (95 % interval {} to {})",
            signed(trend.per_swing, decimals),
            signed(trend.low, decimals),
            signed(trend.high, decimals)
        )
    };
    let mut sentences = Vec::new();
    if !clear.is_empty() {
        let all: Vec<String> = clear.iter().map(told).collect();
        sentences.push(format!("For each {} % of arm travel later, {}.", percent(STEP), all.join("; ")));
    }
    if !unclear.is_empty() {
        let names: Vec<&str> = unclear.iter().map(|(quality, _)| words(*quality).0).collect();
        sentences.push(format!("Nothing clear with {}.", names.join(", ")));
    }
    sentences.join(" ")
}

/// Its name, unit and decimals, and what more and less of it means.
fn words(quality: Quality) -> (&'static str, &'static str, usize, &'static str, &'static str) {
    match quality {
        Quality::ArmShaft => ("arm and shaft", "°", 1, "straighter", "more angle kept"),
        Quality::Wrist => ("wrist at impact", "°", 1, "more bowed", "more cupped"),
        Quality::Speed => ("arm speed", "\u{a0}°/s", 0, "faster", "slower"),
        Quality::Tempo => ("tempo", "", 2, "longer back than down", "shorter back than down"),
    }
}

/// The middle of the swings in the window beside that of the others.
fn good_ones(qualities: &[GoesWith]) -> Markup {
    let shown = |middle: Option<(f64, usize)>, quality: Quality| {
        let (_, unit, decimals, ..) = words(quality);
        middle
            .map_or_else(nothing, |(value, n)| format!("{}{unit}\u{a0}({n})", number(value, decimals.min(1))))
    };
    html! {
        table.good {
            caption { "The middle of the good ones and of the others (swings)" }
            thead { tr { th scope="col" { "What" } th.n scope="col" { "in the window" } th.n scope="col" { "others" } } }
            tbody {
                @for one in qualities {
                    tr {
                        th scope="row" {
                            (words(one.quality).0)
                            @if one.quality == Quality::Wrist { ", bow\u{a0}+" }
                        }
                        td.n { (shown(one.in_window, one.quality)) }
                        td.n { (shown(one.outside, one.quality)) }
                    }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steadier_is_said_where_more_than_chance_carries_it() {
        let said = |second_is| steadier(Some(SpreadChange { first: 80.4, second: 31.0, second_is }));
        assert_eq!(said(Ordering::Less), "It gets steadier: ±80 ms in the first half, ±31 ms in the second.");
        assert!(said(Ordering::Greater).starts_with("It gets less steady: "));
        assert!(said(Ordering::Equal).starts_with("Not clearly steadier, nor less so: "));
        assert_eq!(steadier(None), "Whether it gets steadier needs 20 sets.");
    }
}
