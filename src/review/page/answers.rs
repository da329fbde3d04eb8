//! The coach's first questions, club by club, each with its answer in a sentence: early or late, how steady, better
//! or worse through the bucket.

use super::{Kind, distribution};
use crate::review::Review;
use crate::review::statistics::{SMALL_SAMPLE, Share};
use crate::review::summary::{Group, Summary};
use crate::review::wording::{self, number};
use maud::{Markup, html};

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
    html! {
        article.card {
            h3 { (wording::club_name(club)) }
            p.about {
                @match window {
                    Some(window) => {
                        "Window " (number(100.0 * window.from, 0)) " to " (number(100.0 * window.to, 0))
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
                div { dt { "Early or late" } dd { (early_or_late(review, club, group.in_window)) } }
                div { dt { "How steady" } dd { (steady(group)) } }
                div { dt { "Through the bucket" } dd { (through(group)) } }
            }
        }
    }
}

fn early_or_late(review: &Review, club: Option<&str>, share: Option<Share>) -> String {
    let kinds: Vec<Kind> = review
        .counted()
        .filter(|(_, swing)| swing.club.as_deref() == club)
        .map(|(_, swing)| Kind::of(review, swing))
        .collect();
    let count = |kind| kinds.iter().filter(|found| **found == kind).count();
    let mut sentence = match share {
        Some(_) => format!("{} early, {} late", count(Kind::Early), count(Kind::Late)),
        None => "Without a window nothing is early or late".to_owned(),
    };
    if count(Kind::NoSet) > 0 {
        sentence += &format!(", {} without a set", count(Kind::NoSet));
    }
    if let Some(share) = share {
        let percent = |part: f64| number(100.0 * part, 0);
        sentence += &format!(
            ". In the long run {} to {} % may be in it (95 %).",
            percent(share.low),
            percent(share.high)
        );
    }
    sentence
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
        number(sd, 0)
    )
}

fn through(group: &Group) -> String {
    let Some(trend) = group.set_trend_ms else {
        return format!("A trend needs {SMALL_SAMPLE} sets; there are {}.", group.sets);
    };
    let interval = format!("95 %: {} to {}", number(trend.low, 1), number(trend.high, 1));
    if !trend.clear {
        return format!("No clear trend: {} ms a swing ({interval}).", number(trend.per_swing, 1));
    }
    let side = if trend.per_swing > 0.0 { "later" } else { "earlier" };
    format!("The set comes {side} by {} ms a swing ({interval}).", number(trend.per_swing.abs(), 1))
}
