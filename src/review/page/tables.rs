//! The page's two tables.

use super::{Kind, key_mark};
use crate::detect::Flag;
use crate::review::Review;
use crate::review::summary::Summary;
use crate::review::table::ARM_AND_SHAFT;
use crate::review::wording::{self, GroupWords, SwingWords};
use maud::{Markup, html};

pub fn groups(summary: &Summary) -> Markup {
    let clubs = summary.clubs.iter().map(|(club, group)| (wording::club_name(club.as_deref()), group));
    let all = summary.mixes_clubs().then(|| ("all".to_owned(), &summary.all));
    let rows: Vec<GroupWords> = clubs.chain(all).map(|(name, group)| GroupWords::of(name, group)).collect();
    let pelvis = summary.tells_pelvis();
    html! {
        div.scroll tabindex="0" role="region" aria-labelledby="groups-caption" {
            table.groups {
                caption #groups-caption { "Medians by club" }
                thead {
                    tr {
                        th scope="col" { "Club" }
                        th.n scope="col" { "Swings" }
                        th.n scope="col" { "Sets" }
                        th.n scope="col" { "Set to top, ms" }
                        th.n scope="col" { "Middle half, ms" }
                        th.n scope="col" { "Arm travel at set" }
                        th.n scope="col" { "In window" }
                        th.n scope="col" { "95 % interval" }
                        th.n scope="col" { "Tempo" }
                        @if pelvis {
                            th.n scope="col" { "Pelvis lead, ms" }
                            th.n scope="col" { "Middle half, ms" }
                        }
                    }
                }
                tbody { @for row in &rows { (group_row(row, pelvis)) } }
            }
        }
        p.about {
            "Set to top: negative is before the top. "
            "The middle half leaves out the earliest and the latest quarter. "
            "95 % interval: where that share may lie in the long run, judged from these swings alone."
            @if pelvis { " " (wording::PELVIS_LEAD) }
        }
    }
}

fn group_row(words: &GroupWords, pelvis: bool) -> Markup {
    html! {
        tr {
            th scope="row" { (words.name) }
            td.n { (words.swings) }
            td.n { (words.sets) }
            td.n { strong { (words.set_to_top) } }
            td.n { (words.set_to_top_half) }
            td.n { (words.arm_travel) }
            td.n { strong { (words.in_window) } }
            td.n { (words.in_window_interval) }
            td.n { (words.tempo) }
            @if pelvis {
                td.n { strong { (words.pelvis_lead) } }
                td.n { (words.pelvis_lead_half) }
            }
        }
    }
}

pub fn swings(review: &Review) -> Markup {
    let flags = wording::flags_in_use(&review.analysis.swings);
    let pelvis = wording::tells_pelvis(&review.analysis.swings);
    html! {
        div.scroll tabindex="0" role="region" aria-labelledby="swings-caption" {
            table.swings {
                caption #swings-caption { "Swings in order" }
                thead { (swing_headings(pelvis)) }
                tbody {
                    @for (place, swing) in review.analysis.swings.iter().enumerate() {
                        @let words = SwingWords::of(review, place, swing, &flags);
                        (swing_row(&words, Kind::of(review, swing), &swing.flags, pelvis))
                    }
                }
            }
        }
        (about_swings(review, &flags))
        @for sentence in wording::left_out(review) { p.about { (sentence) } }
    }
}

/// What the columns of a table of swings mean.
pub fn about_swings(review: &Review, flags: &[Flag]) -> Markup {
    html! {
        p.about {
            "± is one standard deviation. Arm travel: 0 % at takeaway, 100 % at the top. "
            (ARM_AND_SHAFT) " "
            "? stands where the edge of the window is too close to be sure."
            @if wording::tells_pelvis(&review.analysis.swings) { " " (wording::PELVIS_LEAD) }
        }
        (legend(flags))
        @for sentence in wording::second_definition(review) { p.about { (sentence) } }
    }
}

fn swing_headings(pelvis: bool) -> Markup {
    html! {
        tr {
            th.n rowspan="2" scope="col" { "No." }
            th rowspan="2" scope="col" { "Club" }
            th.n rowspan="2" scope="col" { "Set to top, ms" }
            th.n rowspan="2" scope="col" { "Arm travel at set" }
            th rowspan="2" scope="col" { "Class" }
            th rowspan="2" scope="col" { "Verdict" }
            th.over colspan="3" scope="colgroup" { "Hinge, °" }
            th.n rowspan="2" scope="col" { "Arm and shaft, °" }
            th.n rowspan="2" scope="col" { "Tempo" }
            @if pelvis { th.n rowspan="2" scope="col" { "Pelvis lead, ms" } }
            th rowspan="2" scope="col" { "Flags" }
        }
        tr {
            th.n scope="col" { "set" }
            th.n scope="col" { "top" }
            th.n scope="col" { "impact" }
        }
    }
}

fn swing_row(words: &SwingWords, kind: Kind, flags: &[Flag], pelvis: bool) -> Markup {
    html! {
        tr {
            th.n scope="row" { (words.number) }
            (swing_cells(words, kind, flags, pelvis))
        }
    }
}

/// A swing's cells from its club to its flags; with the pelvis' where the bucket tells of it.
pub fn swing_cells(words: &SwingWords, kind: Kind, flags: &[Flag], pelvis: bool) -> Markup {
    html! {
            td { (words.club) }
            td.n { strong { (words.set_to_top) } }
            td.n { (words.arm_travel) }
            td { (words.class) }
            td { @if kind != Kind::Plain { (key_mark(kind)) " " } (words.verdict) }
            @for angle in &words.hinge { td.n { (angle) } }
            td.n { (words.arm_shaft) }
            td.n { (words.tempo) }
            @if pelvis { td.n { (words.pelvis_lead) } }
            td {
                @for (letter, flag) in words.flags.chars().zip(flags) {
                    abbr title=(flag.explanation()) { (letter) } " "
                }
            }
    }
}

fn legend(flags: &[Flag]) -> Markup {
    html! {
        @if !flags.is_empty() {
            dl.flags aria-label="Flags" {
                @for flag in flags {
                    div {
                        dt { @if let Some(letter) = wording::flag_letter(*flag, flags) { (letter) } }
                        dd { b { (flag.word()) } ": " (flag.explanation()) "." }
                    }
                }
            }
        }
    }
}
