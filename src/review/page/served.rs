//! The bucket on the coach's bench: what happened, first as answers, then drawn, then swing by swing; and whatever
//! he says of a swing. [`bucket`] is also what a live page is told anew with each swing.

use super::shell::{Shell, compare_address, ways};
use super::{Kind, answers, class_of, curves, live, losses_and_notes, order, over_time, tables, title};
use crate::detect::Flag;
use crate::review::Review;
use crate::review::live::LiveStatus;
use crate::review::serve::bench::{OWN, Shown};
use crate::review::summary::{Summary, in_order};
use crate::review::wording::{self, NOTHING, SwingWords};
use maud::{Markup, html};

/// The page of a bucket; `status` tells how it fares while it runs.
#[must_use]
pub fn page(shown: &Shown, status: Option<&LiveStatus>) -> String {
    let model = &shown.model;
    let name = title(&model.review);
    let live = model.live && shown.key == OWN;
    Shell {
        title: &name,
        scripts: if live { &["bench.js", "live.js"] } else { &["bench.js"] },
        head: if live {
            live::head()
        } else {
            html! {}
        },
        ways: ways(shown),
        body: html! {
            div #bench data-bucket=(shown.key) data-remarks[shown.takes_remarks] data-why=[shown.says_nothing()] {
                @if live { (live::body(model, status, &tools(shown))) } @else { (finished(shown)) }
                (saying(shown.says_nothing()))
            }
        },
    }
    .text()
}

fn finished(shown: &Shown) -> Markup {
    let review = &shown.model.review;
    html! {
        header { div #live-heading { (heading(review, false)) } (tools(shown)) }
        main #main { div #live-bucket { (bucket(review, &shown.key)) } }
    }
}

/// What can be done with the bucket as a whole.
fn tools(shown: &Shown) -> Markup {
    html! {
        p.tools {
            button type="button" data-action="bucket-note" disabled[!shown.takes_remarks] aria-keyshortcuts="Shift+N" {
                "Note on the bucket " kbd { "N" }
            }
            a href=(format!("/bucket/{}/report", shown.key)) { "Report for the player" }
            a href=(compare_address(shown)) { "Compare with…" }
        }
    }
}

/// The bucket's name and its sum in a sentence; a bucket that still runs has only not found a swing yet.
pub fn heading(review: &Review, runs: bool) -> Markup {
    let waits = runs && review.analysis.swings.is_empty();
    html! {
        h1 { (super::heading(review)) }
        p.headline {
            @if waits { "No swing yet." } @else { (wording::headline(&Summary::of(review))) (left_out(review)) }
        }
        (said_of_bucket(review))
    }
}

/// What was said of the bucket as a whole.
fn said_of_bucket(review: &Review) -> Markup {
    let said = &review.of_bucket;
    html! {
        @if !said.notes.is_empty() || !said.tags.is_empty() {
            ul.of-bucket aria-label="Said of the bucket" {
                @for note in &said.notes { li.note { (wording::clean(note)) } }
                @if !said.tags.is_empty() {
                    li { @for tag in &said.tags { span.tag { (wording::clean(tag)) } " " } }
                }
            }
        }
    }
}

fn left_out(review: &Review) -> String {
    let swings = review.analysis.swings.len();
    match swings - review.counted().count() {
        0 => String::new(),
        1 => " 1 more is left out.".to_owned(),
        n => format!(" {n} more are left out."),
    }
}

/// All about the swings of the bucket of this key.
pub fn bucket(review: &Review, key: &str) -> Markup {
    let summary = Summary::of(review);
    html! {
        @if !review.analysis.swings.is_empty() {
            section aria-labelledby="answers" {
                h2 #answers { "Early or late, how steady, better or worse" }
                (answers::clubs(review, &summary))
            }
            section aria-labelledby="curves" {
                h2 #curves { "Hinge over arm travel, and over time" }
                p.lead {
                    (wording::about_hinge(&review.analysis.swings))
                    " The mark on each curve is the set, its bar one standard deviation. "
                    "Picked swings stand out."
                }
                (super::key(review))
                div.figures {
                    @for (place, club) in clubs(review).iter().enumerate() {
                        div.of-club data-club=(wording::club_name(*club)) {
                            (curves::figure(review, *club, place))
                            (over_time::figure(review, *club, place))
                        }
                    }
                }
            }
            section aria-labelledby="order" {
                h2 #order { "Arm travel at the set, swing by swing" }
                (order::figure(review))
            }
            section aria-labelledby="swings" {
                h2 #swings { "Every swing" }
                (swings(review, key))
            }
            section aria-labelledby="summary" {
                h2 #summary { "By club" }
                (tables::groups(&summary))
            }
        }
        (losses_and_notes(review))
    }
}

/// The clubs in the order in which they were first used, those of left-out swings, too.
fn clubs(review: &Review) -> Vec<Option<&str>> {
    in_order(review.analysis.swings.iter().map(|swing| swing.club.as_deref()))
}

fn swings(review: &Review, key: &str) -> Markup {
    let flags = wording::flags_in_use(&review.analysis.swings);
    let pelvis = wording::tells_pelvis(&review.analysis.swings);
    html! {
        div.scroll {
            table.swings #swing-table {
                caption { "Swings in order" }
                thead {
                    tr {
                        th scope="col" { "Pick" }
                        th.n scope="col" { "No." }
                        th scope="col" { "Club" }
                        th.n scope="col" { "Set to top, ms" }
                        th.n scope="col" { "Arm travel at set" }
                        th scope="col" { "Class" }
                        th scope="col" { "Verdict" }
                        th.n scope="col" { "Hinge at set, °" }
                        th.n scope="col" { "at top" }
                        th.n scope="col" { "at impact" }
                        th.n scope="col" { "Arm and shaft, °" }
                        th.n scope="col" { "Tempo" }
                        @if pelvis { th.n scope="col" { "Pelvis lead, ms" } }
                        th scope="col" { "Flags" }
                        th scope="col" { "Said" }
                    }
                }
                tbody {
                    @for place in 0..review.analysis.swings.len() { (row(review, key, place, &flags, pelvis)) }
                }
            }
        }
        (tables::about_swings(review, &flags))
    }
}

fn row(review: &Review, key: &str, place: usize, flags: &[Flag], pelvis: bool) -> Markup {
    let Some(swing) = review.analysis.swings.get(place) else { return html! {} };
    let words = SwingWords::of(review, place, swing, flags);
    html! {
        tr class=(class_of(review, place, swing)) data-swing=(review.number(place)) data-takeaway=(swing.takeaway.0)
            data-club=(words.club) {
            td { input type="checkbox" aria-label=(format!("Pick swing {}", words.number)); }
            th.n scope="row" { a href=(format!("/bucket/{key}/swing/{}", words.number)) data-open { (words.number) } }
            (tables::swing_cells(&words, Kind::of(review, swing), &swing.flags, pelvis))
            td.said { (said(review, place)) }
        }
    }
}

/// What was said of a swing, in its row.
fn said(review: &Review, place: usize) -> Markup {
    let Some(said) = review.said_of(place) else { return html! { (NOTHING) } };
    html! {
        @if let Some(why) = &said.excluded { span.why { "left out: " (wording::clean(why)) } " " }
        @if review.is_best(place) { span.star { "★ best" } " " }
        @for tag in said.tags.iter().filter(|tag| *tag != crate::review::remarked::BEST) {
            span.tag { (wording::clean(tag)) } " "
        }
        @for note in &said.notes { span.note { (wording::clean(note)) } " " }
        @if !said.moved.is_empty() { span.note { "events moved: " (said.moved.len()) } }
    }
}

/// What can be said of the swing in hand, as buttons with their keys, and the form for the words.
fn saying(nothing: Option<&str>) -> Markup {
    html! {
        div.saying #saying hidden role="toolbar" aria-label="Say something of the swing in hand" {
            output #in-hand { "No swing in hand: tap a row" }
            @for (action, name, letter) in [
                ("best", "Best", "b"), ("tag", "Tag", "t"), ("note", "Note", "n"), ("club", "Club", "c"),
                ("exclude", "Leave out", "x"),
            ] {
                button type="button" data-action=(action) disabled[nothing.is_some()] aria-keyshortcuts=(letter) {
                    (name) " " kbd { (letter) }
                }
            }
            button type="button" data-action="compare" aria-pressed="false" aria-keyshortcuts="v" {
                "Picked only " kbd { "v" }
            }
            button type="button" data-action="keys" aria-keyshortcuts="?" { "Keys " kbd { "?" } }
            @if let Some(why) = nothing { span.about { (why) } }
            output.told #told role="status" {}
        }
        dialog #words aria-labelledby="words-title" {
            form method="dialog" {
                h2 #words-title { "Say" }
                p { label for="words-text" #words-label { "Text" } }
                input #words-text type="text" maxlength="400" autocomplete="off" list="words-list";
                datalist #words-list {}
                p {
                    button type="submit" value="say" { "Keep" } " "
                    button type="submit" value="no" formnovalidate { "Cancel" }
                }
            }
        }
        dialog #keys aria-labelledby="keys-title" {
            h2 #keys-title { "Keys" }
            dl.keys {
                @for (keys, what) in [
                    ("↓ ↑ or j k", "next, previous swing in hand"), ("space or p", "pick it, or no longer"),
                    ("Enter", "open it"), ("b", "best, or no longer"), ("t", "tag; a tag it has is taken off"),
                    ("n", "note"), ("N", "note on the bucket as a whole"), ("c", "right club"), ("x", "leave out with a reason, or count again"),
                    ("v", "show the picked swings only, laid over each other"), ("Esc", "pick none"),
                ] { div { dt { kbd { (keys) } } dd { (what) } } }
            }
            form method="dialog" { button { "Close" } }
        }
    }
}
