//! The bucket as text for a terminal or a file: no colours, width given from outside.

use super::Review;
use super::summary::Summary;
use super::wording::{self, GroupWords, SwingWords};
use comfy_table::{CellAlignment, ContentArrangement, Row, Table, TableStyle};
use comfy_table::{ContentLineStyle, LineStyle};
use std::fmt::Write;

const SWING_HEADINGS: [&str; 12] = [
    "#",
    "Club",
    "Set to\ntop, ms",
    "Arm\ntravel",
    "Class",
    "Verdict",
    "Hinge°\nset",
    "Hinge°\ntop",
    "Hinge°\nimpact",
    "A&S\n°",
    "Tempo",
    "Flags",
];

/// What the column of this name holds.
pub const ARM_AND_SHAFT: &str = "Arm and shaft: the angle between them with the arm horizontal in the downswing; 180 is a \
    straight line.";

/// With a node on the belt, before the last one.
const PELVIS_HEADING: &str = "Pelvis\nlead, ms";

const GROUP_HEADINGS: [&str; 9] = [
    "Club",
    "Swings",
    "Sets",
    "Set to\ntop, ms",
    "middle\nhalf",
    "Arm\ntravel",
    "In\nwindow",
    "95 %\ninterval",
    "Tempo",
];

/// The newest swing in one line, under its number in the bucket, for a terminal while the bucket runs.
#[must_use]
pub fn newest(review: &Review) -> String {
    let Some((place, swing)) = review.analysis.swings.iter().enumerate().next_back() else {
        return String::new();
    };
    let words = SwingWords::of(review, place, swing, &[]);
    let number = &words.number;
    let flags: Vec<&str> = swing.flags.iter().map(|flag| flag.word()).collect();
    let flags = if flags.is_empty() { String::new() } else { format!(" ({})", flags.join(", ")) };
    let club = &words.club;
    let pelvis = swing.pelvis_start().map(|start| wording::with_bar(start.lead_to_top_ms, 0));
    let pelvis = pelvis.map_or_else(String::new, |lead| format!("; pelvis lead {lead} ms"));
    let Some(set) = &swing.set else {
        return format!("swing {number}, {club}: no set was found{pelvis}{flags}");
    };
    format!(
        "swing {number}, {club}: set {} ms against the top, at {} of arm travel; class {}, verdict {}{pelvis}{flags}",
        wording::with_bar(set.set_to_top_ms, 0),
        words.arm_travel,
        words.class,
        words.verdict
    )
}

/// The bucket as text: swings, summary, what was lost, notes. `width` counts characters.
#[must_use]
pub fn text(review: &Review, width: u16) -> String {
    let summary = Summary::of(review);
    let mut out = heading(review);
    out += &wrapped(&wording::headline(&summary), width);
    if !review.analysis.swings.is_empty() {
        out.push('\n');
        out += &swings(review, width);
        out.push('\n');
        out += &legend(review, width);
        out.push('\n');
        out += &groups(&summary, width);
        out.push('\n');
        for sentence in wording::tiring(&summary) {
            out += &wrapped(&sentence, width);
        }
        for sentence in wording::cautions(&summary) {
            out += &wrapped(&sentence, width);
        }
    }
    out += &losses_and_notes(review, width);
    out
}

fn heading(review: &Review) -> String {
    let input = wording::clean(&review.input);
    match &review.player {
        Some(player) => format!("{}, {input}\n", wording::clean(player)),
        None => format!("{input}\n"),
    }
}

fn swings(review: &Review, width: u16) -> String {
    let flags = wording::flags_in_use(&review.analysis.swings);
    let pelvis = wording::tells_pelvis(&review.analysis.swings);
    let mut headings = SWING_HEADINGS.to_vec();
    if pelvis {
        headings.insert(headings.len() - 1, PELVIS_HEADING);
    }
    let mut table = table(width, &headings, &[1, 4, 5, headings.len() - 1]);
    for (place, swing) in review.analysis.swings.iter().enumerate() {
        let SwingWords {
            number,
            club,
            set_to_top,
            arm_travel,
            class,
            verdict,
            hinge: [set, top, impact],
            arm_shaft,
            tempo,
            pelvis_lead,
            flags,
        } = SwingWords::of(review, place, swing, &flags);
        let class = class.replace(' ', "\u{a0}");
        let (set_to_top, arm_travel) = (closed_up(&set_to_top), closed_up(&arm_travel));
        let mut row =
            vec![number, club, set_to_top, arm_travel, class, verdict, set, top, impact, arm_shaft, tempo];
        row.extend(pelvis.then(|| closed_up(&pelvis_lead)));
        row.push(flags);
        table.add_row(row);
    }
    printed(table)
}

/// Saves two columns around a plus-minus sign.
fn closed_up(number: &str) -> String {
    number.replace("\u{a0}±\u{a0}", "±")
}

fn groups(summary: &Summary, width: u16) -> String {
    let pelvis = summary.tells_pelvis();
    let more: &[&str] = if pelvis { &[PELVIS_HEADING, "middle\nhalf"] } else { &[] };
    let mut table = table(width, &[&GROUP_HEADINGS[..], more].concat(), &[0]);
    let clubs = summary.clubs.iter().map(|(club, group)| (wording::club_name(club.as_deref()), group));
    let all = ("all".to_owned(), &summary.all);
    // One club is the whole bucket: the line for all would only repeat it.
    let all = summary.mixes_clubs().then_some(all);
    for (name, group) in clubs.chain(all) {
        let words = GroupWords::of(name, group);
        let mut row = vec![
            words.name,
            words.swings,
            words.sets,
            words.set_to_top,
            words.set_to_top_half,
            words.arm_travel,
            words.in_window,
            words.in_window_interval,
            words.tempo,
        ];
        if pelvis {
            row.extend([words.pelvis_lead, words.pelvis_lead_half]);
        }
        table.add_row(row);
    }
    printed(table)
}

fn legend(review: &Review, width: u16) -> String {
    let mut out = String::new();
    let windows = review.windows.otherwise.is_some() || !review.windows.by_club.is_empty();
    let mut lines = vec![
        "Set to top: the set against the top, negative before it; ± is one standard deviation.".to_owned(),
        "Arm travel: at the set; 0 % is the takeaway, 100 % the top.".to_owned(),
        wording::about_hinge(&review.analysis.swings),
        format!("A&S, {}", ARM_AND_SHAFT.to_lowercase()),
    ];
    if windows {
        lines.push(
            "Verdict: the set against this player's window; ? is too close to its edge to be sure."
                .to_owned(),
        );
    }
    if wording::tells_pelvis(&review.analysis.swings) {
        lines.push(wording::PELVIS_LEAD.to_owned());
    }
    let flags = wording::flags_in_use(&review.analysis.swings);
    for flag in &flags {
        let letter = wording::flag_letter(*flag, &flags).unwrap_or('?');
        lines.push(format!("{letter} = {}: {}.", flag.word(), flag.explanation()));
    }
    lines.extend(wording::second_definition(review));
    lines.extend(wording::left_out(review));
    for line in lines {
        out += &wrapped(&line, width);
    }
    out
}

fn losses_and_notes(review: &Review, width: u16) -> String {
    let losses = review.analysis.losses.iter().map(wording::loss_sentence);
    let notes = review.notes();
    let notes = notes.iter().map(|note| wording::clean(note));
    let mut out = String::new();
    for (place, line) in losses.chain(notes).enumerate() {
        if place == 0 {
            out.push('\n');
        }
        out += &wrapped(&line, width);
    }
    out
}

/// A table with one line under its headings; every column is right-aligned but those in `left`.
#[must_use]
pub fn table(width: u16, headings: &[&str], left: &[usize]) -> Table {
    let style = TableStyle::new()
        .header_lines(ContentLineStyle::none())
        .header_separator(LineStyle::none().fill('-').junction('-'))
        .content_lines(ContentLineStyle::none());
    let mut table = Table::new();
    table
        .load_style(style)
        .force_no_tty()
        .set_content_arrangement(ContentArrangement::Dynamic)
        .set_width(width)
        .set_header(Row::from(headings.to_vec()));
    for (place, column) in table.column_iter_mut().enumerate() {
        let side = if left.contains(&place) { CellAlignment::Left } else { CellAlignment::Right };
        column.set_cell_alignment(side);
    }
    table
}

/// The table's text; its columns stand as far apart as the width allows.
#[must_use]
pub fn printed(mut table: Table) -> String {
    let contents: u16 = table.column_max_content_widths().iter().sum();
    let columns = u16::try_from(table.column_count()).unwrap_or(u16::MAX);
    let fits = |padding: &u16| {
        let gaps = columns.saturating_mul(padding + 1);
        table.width().is_some_and(|width| contents.saturating_add(gaps) <= width)
    };
    let padding = (0..=2).rev().find(fits).unwrap_or(0);
    for column in table.column_iter_mut() {
        column.set_padding((0, padding));
    }
    let mut out = String::new();
    for line in table.lines() {
        // Writing to a string cannot fail.
        let _ = writeln!(out, "{}", line.trim_end());
    }
    // The no-break spaces have done their work; plain ones are easier to search and to paste.
    out.replace('\u{a0}', " ")
}

/// One paragraph, broken between words into lines of so many characters, later lines indented by two.
#[must_use]
pub fn wrapped(text: &str, width: u16) -> String {
    let mut out = String::new();
    let mut used = 0;
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let length = word.chars().count();
        if used > 0 && used + 1 + length > usize::from(width) {
            out.push_str("\n  ");
            used = 2;
        } else if used > 0 {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += length;
    }
    out.push('\n');
    out.replace('\u{a0}', " ")
}
