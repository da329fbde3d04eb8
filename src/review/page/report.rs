//! The report as a page: on the bench with a button to print it, and as a file that needs nothing beside itself.

use super::shell::{Shell, head_of, ways};
use super::{curves, distribution, key_among, precautions, tables, trend};
use crate::detect::NodeLoss;
use crate::review::Review;
use crate::review::report::{OfSwing, Report, main_club, plain};
use crate::review::serve::bench::Shown;
use crate::review::summary::Summary;
use crate::review::wording;
use crate::units::counted;
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// All that the file needs. The bench's sheet has the drawings' parts.
const STYLES: [&str; 3] =
    [include_str!("assets/page.css"), include_str!("assets/bench.css"), include_str!("assets/report.css")];

/// The report as a file that stands by itself: no scripts, nothing from elsewhere.
#[must_use]
pub fn file(report: &Report) -> String {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                (head_of(&title(report)))
                @for style in STYLES { style { (PreEscaped(style)) } }
            }
            body { (sheet(report, false)) footer { (foot(report)) } }
        }
    };
    markup.into_string()
}

/// The report on the bench.
#[must_use]
pub fn page(report: &Report, shown: &Shown) -> String {
    let own = format!("/bucket/{}/report", shown.key);
    let other = if report.nameless { own.clone() } else { format!("{own}?names=without") };
    let body = html! {
        div.to-print {
            button #print type="button" hidden { "Print" }
            a href=(other) { @if report.nameless { "With names" } @else { "Without names" } }
        }
        (sheet(report, shown.takes_remarks))
        p.about.rests { (rests_on(&report.review)) }
    };
    let head = html! { link rel="stylesheet" href="/assets/report.css"; };
    Shell { title: &title(report), scripts: &["report.js"], head, ways: ways(shown), body }.text()
}

/// Whose bucket of when.
fn title(report: &Report) -> String {
    let day = report.started.map(|at| at.utc("%-d %B %Y")).filter(|day| !day.is_empty());
    let of_day = day.map_or_else(String::new, |day| format!(" of {day}"));
    match &report.review.player {
        Some(player) => format!("{}: bucket{of_day}", wording::clean(player)),
        None => format!("Bucket{of_day}"),
    }
}

/// The sheet. `asks` where the coach may still say something.
fn sheet(report: &Report, asks: bool) -> Markup {
    let review = &report.review;
    let summary = Summary::of(review);
    html! {
        header.report {
            p.program { "hingeclock: when the wrist hinge is set" }
            h1 { (title(report)) }
            p.headline { (facts(report, &summary)) }
        }
        main.report #main {
            (coachs_words(report, asks))
            @if summary.all.swings == 0 { p { (wording::headline(&summary)) } }
            @else {
                (for_the_player(report, &summary))
                (pictures(review, &summary))
                section aria-labelledby="numbers" {
                    h2 #numbers { "The numbers" }
                    (tables::groups(&summary))
                }
            }
        }
    }
}

/// The recording, when it was begun, the clubs, and what is left out, in a line.
fn facts(report: &Report, summary: &Summary) -> String {
    let mut facts = Vec::new();
    if !report.review.input.is_empty() {
        facts.push(wording::clean(&report.review.input));
    }
    facts.extend(report.started.map(|at| at.utc("begun %H:%M UTC")).filter(|time| !time.is_empty()));
    facts.extend(summary.clubs.iter().map(|(club, group)| {
        format!("{}: {}", wording::club_name(club.as_deref()), counted(group.swings, "swing"))
    }));
    let left_out = report.review.analysis.swings.len() - report.review.counted().count();
    if left_out > 0 {
        facts.push(format!("{left_out} left out"));
    }
    if report.running {
        facts.push("still going on".to_owned());
    }
    facts.join(" · ")
}

fn coachs_words(report: &Report, asks: bool) -> Markup {
    let notes = &report.review.of_bucket.notes;
    let of_swings = report.of_swings();
    html! {
        @if !notes.is_empty() || !of_swings.is_empty() {
            section.words aria-labelledby="coach" {
                h2 #coach { "Your coach says" }
                @for note in notes { p { (wording::clean(note)) } }
                @if !of_swings.is_empty() {
                    ul { @for one in &of_swings { li { (of_swing(&report.review, one)) } } }
                }
            }
        } @else if asks && !report.nameless {
            p.about.rests { "Your own words come here: a note on the bucket, swings marked best, notes on swings." }
        }
    }
}

/// `Swing 4, wedge (best): his notes. Set 416 ms before the top, at 44 %.`
fn of_swing(review: &Review, one: &OfSwing) -> String {
    let swing = review.analysis.swings.get(one.place);
    let club = wording::club_name(swing.and_then(|swing| swing.club.as_deref()));
    let best = if one.best { " (best)" } else { "" };
    let notes: Vec<String> = one.notes.iter().map(|note| wording::clean(note)).collect();
    let said = if notes.is_empty() { String::new() } else { format!(": {}", notes.join("; ")) };
    let set = swing.and_then(|swing| swing.set).map_or_else(String::new, |set| {
        let percent = wording::percent(set.arm_travel_at_set.value);
        format!(" Set {}, at {percent}\u{a0}%.", wording::against_top(set.set_to_top_ms.value))
    });
    let end = if said.ends_with(['.', '!', '?']) { "" } else { "." };
    format!("Swing {}, {club}{best}{said}{end}{set}", review.number(one.place))
}

fn for_the_player(report: &Report, summary: &Summary) -> Markup {
    let remembered =
        main_club(summary).and_then(|(club, _)| plain::remember(&report.review, club.as_deref()));
    html! {
        section aria-labelledby="player" {
            h2 #player { "For you" }
            @if let Some((number, what)) = remembered {
                p.remember { strong { (number) } " " span.num { (what) } }
            }
            div.by-club {
                @for (club, group) in &summary.clubs {
                    div {
                        h3 { (wording::club_name(club.as_deref())) }
                        p.num { (plain::sentences(report, club.as_deref(), group).join(" ")) }
                    }
                }
            }
        }
    }
}

fn pictures(review: &Review, summary: &Summary) -> Markup {
    let Some((club, group)) = main_club(summary) else { return html! {} };
    let club = club.as_deref();
    let name = wording::club_name(club);
    html! {
        section aria-labelledby="pictures" {
            h2 #pictures { "Pictures: " (name) }
            div.pictures {
                div {
                    figure {
                        figcaption { "Hinge over arm travel" }
                        (curves::chart(review, club, 0))
                    }
                    (key_among(review, |swing| swing.club.as_deref() == club))
                }
                div {
                    figure {
                        figcaption { "Where the sets lie, by arm travel" }
                        (distribution::figure(review, club, 0))
                    }
                    figure {
                        figcaption { "Set against the top, first to last" }
                        (trend::figure(review, club, 0))
                        p.about { (trend::about(group.set_trend_ms)) }
                    }
                }
            }
        }
    }
}

/// A node that lost a larger part of its samples is told of; what a smaller loss did to a swing its flag says.
const WORTH_TELLING: f64 = 0.01;

/// What deserves less trust, in a line.
fn rests_on(review: &Review) -> String {
    let flagged = review.counted().filter(|(_, swing)| !swing.flags.is_empty()).count();
    let counted = review.counted().count();
    let mut said = vec![wording::about_hinge(&review.analysis.swings)];
    if flagged > 0 {
        said.push(format!(
            "Of {counted} swings {flagged} carry a flag: some of their numbers deserve less trust."
        ));
    }
    let share = |loss: &NodeLoss| loss.missing as f64 / (loss.received + loss.missing).max(1) as f64;
    let much = review.analysis.losses.iter().filter(|loss| share(loss) > WORTH_TELLING);
    said.extend(much.map(wording::loss_sentence));
    said.join(" ")
}

fn foot(report: &Report) -> Markup {
    html! {
        p { (rests_on(&report.review)) }
        (precautions())
    }
}
