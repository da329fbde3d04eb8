//! The pages. [`page()`] is the bucket as one page that needs nothing beside itself and can be kept as a file; [`served`]
//! is the bucket on the coach's bench, [`swing`] one swing of it, [`library`] all there are, [`pair`] asks for the code
//! of a shared page. [`shell`] is around those; their scripts and styles lie in `assets/`.

mod answers;
mod body;
mod chart;
pub mod compare;
mod curves;
mod distribution;
mod film;
mod hand_path;
pub mod library;
pub mod live;
mod order;
mod over_time;
mod overlaid;
pub mod pair;
pub mod report;
pub mod served;
pub mod shell;
mod speed;
pub mod swing;
mod tables;
mod trend;
mod weeks;

use super::live::before_the_first;
use super::summary::Summary;
use super::wording::{self, NOTHING};
use super::{Judged, Review};
use crate::detect::{Swing, Verdict};
use maud::{DOCTYPE, Markup, PreEscaped, html};

const STYLE: &str = include_str!("assets/page.css");

/// What a page shows.
#[derive(Clone, Debug, PartialEq)]
pub struct PageModel {
    /// The bucket.
    pub review: Review,
    /// The bucket is still being filled: the page follows it.
    pub live: bool,
}

/// The bucket as a file that stands by itself.
#[must_use]
pub fn page(model: &PageModel) -> String {
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            (head(model))
            body {
                (finished(&model.review))
                footer { (precautions()) }
            }
        }
    };
    markup.into_string()
}

fn finished(review: &Review) -> Markup {
    let summary = Summary::of(review);
    html! {
        header {
            p.program { "hingeclock" }
            h1 { (heading(review)) }
            p.headline { (wording::headline(&summary)) }
        }
        main {
            @if !review.analysis.swings.is_empty() { (bucket(review, &summary)) }
            (losses_and_notes(review))
        }
    }
}

fn head(model: &PageModel) -> Markup {
    html! {
        head {
            (shell::head_of(&title(&model.review)))
            style { (PreEscaped(STYLE)) }
        }
    }
}

fn title(review: &Review) -> String {
    let [player, name] = named(review);
    player + &name
}

/// The same for a heading: a name of a recording that fits in a line is not broken at its hyphens.
fn heading(review: &Review) -> Markup {
    let [player, name] = named(review);
    html! { (player) span { (name) } }
}

/// The player, if there is one, and the recording.
fn named(review: &Review) -> [String; 2] {
    let player = review.player.as_ref().map_or_else(String::new, |player| format!("{player}: "));
    [player, review.input.trim_end_matches(".mcap").to_owned()]
}

/// The last swing, large enough to be read from the mat.
fn latest(review: &Review) -> Markup {
    let Some(swing) = review.analysis.swings.last() else {
        return html! { p.latest { (before_the_first(review)) } };
    };
    let kind = Kind::of(review, swing);
    html! {
        section.latest aria-live="polite" aria-labelledby="latest" {
            h2 #latest { "Swing " (review.newest_number()) ", " (wording::club_name(swing.club.as_deref())) }
            p.verdict { (key_mark(kind)) " " (kind.words()) }
            p { (set_sentence(swing)) }
            @for sentence in wording::trunk_sentences(swing) { p { (sentence) } }
            @let doubts = wording::doubts(swing).join("; ");
            @if !doubts.is_empty() { p.about { "Less sure: " (doubts) "." } }
        }
    }
}

fn bucket(review: &Review, summary: &Summary) -> Markup {
    html! {
        section aria-labelledby="summary" {
            h2 #summary { "By club" }
            (tables::groups(summary))
            @let cautions = wording::cautions(summary);
            @if !cautions.is_empty() {
                ul.cautions { @for sentence in cautions { li { (sentence) } } }
            }
        }
        section aria-labelledby="curves" {
            h2 #curves { "Hinge over arm travel" }
            p.lead {
                (wording::about_hinge(&review.analysis.swings))
                " The mark on each curve is the set, its bar one standard deviation."
            }
            (key(review))
            div.figures {
                @for (place, (club, _)) in summary.clubs.iter().enumerate() {
                    (curves::figure(review, club.as_deref(), place))
                    (over_time::figure(review, club.as_deref(), place))
                }
            }
        }
        section aria-labelledby="order" {
            h2 #order { "Arm travel at the set, swing by swing" }
            (order::figure(review))
        }
        section aria-labelledby="swings" {
            h2 #swings { "Every swing" }
            (tables::swings(review))
        }
    }
}

fn losses_and_notes(review: &Review) -> Markup {
    let analysis = &review.analysis;
    html! {
        @let notes = review.notes();
        @if !analysis.losses.is_empty() || !notes.is_empty() {
            section aria-labelledby="notes" {
                h2 #notes { "What the numbers rest on" }
                ul {
                    @for loss in &analysis.losses { li { (wording::loss_sentence(loss)) } }
                    @for note in &notes { li { (note) } }
                }
            }
        }
    }
}

fn precautions() -> Markup {
    html! {
        p {
            "This is no medical device. Stop when the wrist hurts. Keep people clear of the club. "
            "A window is what one player and coach chose, not a rule."
        }
    }
}

/// How a swing is drawn: by its verdict, or plainly where there is no window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Before the window.
    Early,
    /// In it.
    InWindow,
    /// After it.
    Late,
    /// There was no set.
    NoSet,
    /// There is no window.
    Plain,
}

impl Kind {
    const ALL: [Kind; 5] = [Kind::Early, Kind::InWindow, Kind::Late, Kind::NoSet, Kind::Plain];

    /// Judges a swing of this bucket.
    #[must_use]
    pub fn of(review: &Review, swing: &Swing) -> Kind {
        match review.verdict(swing).map(|Judged { verdict, .. }| verdict) {
            Some(Verdict::Early) => Kind::Early,
            Some(Verdict::InWindow) => Kind::InWindow,
            Some(Verdict::Late) => Kind::Late,
            Some(Verdict::NoSet) => Kind::NoSet,
            None if swing.set.is_none() => Kind::NoSet,
            None => Kind::Plain,
        }
    }

    /// The class in the style sheet: colour and line.
    fn class(self) -> &'static str {
        match self {
            Kind::Early => "early",
            Kind::InWindow => "in-window",
            Kind::Late => "late",
            Kind::NoSet => "no-set",
            Kind::Plain => "plain",
        }
    }

    /// The verdict in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Kind::Early => Verdict::Early.said(),
            Kind::InWindow => Verdict::InWindow.said(),
            Kind::Late => Verdict::Late.said(),
            Kind::NoSet => Verdict::NoSet.said(),
            Kind::Plain => "set, no window for this club",
        }
    }
}

/// The classes of a swing in the style sheet.
fn class_of(review: &Review, place: usize, swing: &Swing) -> String {
    let left_out = if review.left_out(place).is_some() { " left-out" } else { "" };
    let best = if review.is_best(place) { " best" } else { "" };
    format!("{}{left_out}{best}", Kind::of(review, swing).class())
}

/// The kinds that occur, each with its line and mark.
fn key(review: &Review) -> Markup {
    key_among(review, |_| true)
}

/// The kinds that occur among some of the swings.
fn key_among(review: &Review, is_meant: impl Fn(&Swing) -> bool) -> Markup {
    let swings = || review.analysis.swings.iter().filter(|swing| is_meant(swing));
    let occurs = |kind: &Kind| swings().any(|swing| Kind::of(review, swing) == *kind);
    html! {
        ul.key aria-label="Key to lines and marks" {
            @for kind in Kind::ALL.into_iter().filter(occurs) {
                li { (key_line(kind)) " " (kind.words()) }
            }
        }
    }
}

fn key_line(kind: Kind) -> Markup {
    html! {
        svg class=(kind.class()) viewBox="0 0 44 16" width="44" height="16" aria-hidden="true" {
            path.curve d="M1 8H43" {}
            (chart::mark(kind, 22.0, 8.0))
        }
    }
}

fn key_mark(kind: Kind) -> Markup {
    html! {
        svg class=(kind.class()) viewBox="0 0 16 16" width="16" height="16" aria-hidden="true" {
            (chart::mark(kind, 8.0, 8.0))
        }
    }
}

/// Where a swing's set lies, in words.
pub(super) fn set_sentence(swing: &Swing) -> String {
    let Some(set) = swing.set else { return "No set was found.".to_owned() };
    let ms = set.set_to_top_ms;
    format!(
        "Set {} (± {} ms), at {} % of the arm's travel.",
        wording::against_top(ms.value),
        wording::number(ms.sd, wording::earned(ms.sd, 0)),
        wording::percent(set.arm_travel_at_set.value)
    )
}

/// A swing's number, verdict and set for a tooltip or a screen reader.
fn swing_sentence(review: &Review, place: usize, swing: &Swing) -> String {
    let kind = Kind::of(review, swing);
    let verdict = if kind == Kind::Plain { NOTHING } else { kind.words() };
    let left_out =
        review.left_out(place).map_or_else(String::new, |why| format!(" Left out: {}.", wording::clean(why)));
    format!("Swing {}, {verdict}. {}{left_out}", review.number(place), set_sentence(swing))
}
