//! Every swing of a library, filtered, a page at a time.

use super::shell::{Shell, ways_of_library};
use crate::record::library::search::{Found, ListedSwing, Wanted};
use crate::review::wording::{self, NOTHING, measured, nothing};
use maud::{Markup, html};

/// Words of the class, in the order of a swing.
const CLASSES: [(&str, &str); 6] = [
    ("early", "early"),
    ("middle", "middle"),
    ("late", "late"),
    ("at-top", "at top"),
    ("after-top", "after top"),
    ("none", "no set"),
];

/// Columns of the table.
const COLUMNS: usize = 6;

/// The page.
#[must_use]
pub fn page(found: &Found, wanted: &Wanted) -> String {
    let body = html! {
        header { h1 { "Library" } }
        main #main {
            (filter(found, wanted))
            div #rows { (part(found, wanted)) }
        }
    };
    Shell { title: "Library", scripts: &["library.js"], head: html! {}, ways: ways_of_library(), body }.text()
}

/// The rows alone, for the page to put in place of the old ones.
#[must_use]
pub fn rows(found: &Found, wanted: &Wanted) -> String {
    part(found, wanted).into_string()
}

fn filter(found: &Found, wanted: &Wanted) -> Markup {
    let choice = |name: &str, label: &str, now: &str, all: Vec<(String, String)>| {
        html! {
            label {
                (label) " "
                select name=(name) {
                    option value="" { "all" }
                    @for (value, words) in &all { option value=(value) selected[value == now] { (words) } }
                }
            }
        }
    };
    let same = |words: &[String]| -> Vec<(String, String)> {
        words.iter().map(|word| (word.clone(), wording::clean(word))).collect()
    };
    let classes = CLASSES.map(|(value, words)| (value.to_owned(), words.to_owned())).to_vec();
    html! {
        form.filter #filter method="get" action="/library" role="search" {
            label { "Find " input type="search" name="text" value=(wanted.text) aria-keyshortcuts="/"; }
            (choice("player", "Player", &wanted.player, same(&found.players)))
            (choice("club", "Club", &wanted.club, same(&found.clubs)))
            (choice("class", "Class", &wanted.class, classes))
            label { "Tag " input name="tag" value=(wanted.tag) size="8"; }
            button { "Find" }
        }
    }
}

fn part(found: &Found, wanted: &Wanted) -> Markup {
    let last = wanted.from + found.swings.len();
    html! {
        p role="status" #count {
            @if found.count == 0 { "No swing is as wanted." }
            @else if found.swings.is_empty() { (found.count) " swings; none from " (wanted.from + 1) " on." }
            @else { "Swings " (wanted.from + 1) " to " (last) " of " (found.count) "." }
        }
        @if !found.swings.is_empty() {
            div.scroll tabindex="0" role="region" aria-label="Swings of the library" {
                table.swings.listed {
                    caption { "The newest recording first" }
                    thead {
                        tr {
                            th.n scope="col" { "No." }
                            th scope="col" { "Club" }
                            th.n scope="col" { "Set to top, ms" }
                            th.n scope="col" { "Arm travel at set" }
                            th scope="col" { "Class" }
                            th scope="col" { "Said" }
                        }
                    }
                    @for swings in found.swings.chunk_by(|one, next| one.uuid == next.uuid) {
                        tbody { (recording(swings)) @for swing in swings { (row(swing)) } }
                    }
                }
            }
        }
        nav.pages aria-label="Pages of swings" {
            @if wanted.from > 0 {
                a rel="prev" href=(address(wanted, wanted.from.saturating_sub(wanted.most))) { "Newer" }
            }
            @if last < found.count { a rel="next" href=(address(wanted, last)) { "Older" } }
        }
    }
}

/// What the swings of one recording have in common.
fn recording(swings: &[ListedSwing]) -> Markup {
    let Some(swing) = swings.first() else { return html! {} };
    html! {
        tr.recording {
            th scope="rowgroup" colspan=(COLUMNS) {
                p {
                    a href=(format!("/bucket/{}", swing.uuid)) { (wording::clean(swing.path.trim_end_matches(".mcap"))) }
                    " " span { (wording::clean(&swing.player)) }
                    " " span.about { (swing.started.map_or_else(nothing, |at| at.utc("%-d %B %Y, %H:%M UTC"))) }
                }
            }
        }
    }
}

fn row(swing: &ListedSwing) -> Markup {
    let bucket = format!("/bucket/{}", swing.uuid);
    let class = CLASSES.iter().find(|(word, _)| *word == swing.class).map_or(NOTHING, |(_, words)| words);
    html! {
        tr.left-out[swing.excluded.is_some()] {
            th.n scope="row" { a href=(format!("{bucket}/swing/{}", swing.place)) { (swing.place) } }
            td { (wording::club_name(swing.club.as_deref())) }
            td.n { strong { (measured(swing.set_to_top_ms, 1.0, "")) } }
            td.n { (measured(swing.arm_travel_at_set, 100.0, "\u{a0}%")) }
            td { (class) }
            td.said {
                @if let Some(why) = &swing.excluded { span.why { "left out: " (wording::clean(why)) } " " }
                @for tag in &swing.tags { span.tag { (wording::clean(tag)) } " " }
            }
        }
    }
}

/// The address of the same search from another row on.
fn address(wanted: &Wanted, from: usize) -> String {
    let mut query = form_urlencoded::Serializer::new(String::new());
    let fields = [
        ("text", &wanted.text),
        ("player", &wanted.player),
        ("club", &wanted.club),
        ("class", &wanted.class),
        ("tag", &wanted.tag),
    ];
    for (key, value) in fields.into_iter().filter(|(_, value)| !value.is_empty()) {
        query.append_pair(key, value);
    }
    format!("/library?{}", query.append_pair("from", &from.to_string()).finish())
}
