//! Speeds, and what changes are worth, as text for a terminal.

use super::worth::{ClubWorth, Curve, VALIDITY};
use super::{ASSUMED, Figure, SwingSpeed};
use crate::record::measures::ClubMeasures;
use crate::review::Review;
use crate::review::clean;
use crate::review::summary::in_order;
use crate::review::table::{printed, table, wrapped};
use crate::review::wording::{NOTHING, club_name, number, signed, with_bar};
use std::collections::{BTreeMap, BTreeSet};

const HEADINGS: [&str; 12] = [
    "#",
    "Club",
    "Hand\nm/s",
    "Head\nm/s",
    "from\nbody",
    "from\narm",
    "from\nwrist",
    "from\nroll",
    "Attack\n°",
    "Lean\n°",
    "Release\nms",
    "Flat\nmm",
];

/// What the columns hold.
const COLUMNS: &str = "Hand and head at the ball; from body (the moving shoulder), arm, wrist (released) and roll (of the \
    forearm) give the head's speed together. Attack: downward is negative. Lean: the shaft's at the ball, forward is \
    positive. Release: begins so long before the ball. Flat: the head's way until the wrist has bent back by 5°.";

/// Every swing's speeds, and what changes are worth where that was asked for. `width` counts characters.
#[must_use]
pub fn text(review: &Review, worth: Option<&[ClubWorth]>, width: u16) -> String {
    let mut out = speeds(review, width);
    for club in worth.unwrap_or_default() {
        out += &club_text(club, width);
    }
    if worth.is_some() {
        out.push('\n');
        out += &wrapped(VALIDITY, width);
    }
    out
}

fn speeds(review: &Review, width: u16) -> String {
    let mut rows = table(width, &HEADINGS, &[1]);
    // Each with the swings in which something is missing for it.
    let mut reasons: BTreeMap<_, BTreeSet<usize>> = BTreeMap::new();
    for (place, swing) in review.analysis.swings.iter().enumerate() {
        let mut row = vec![review.number(place).to_string(), club_name(swing.club.as_deref())];
        match SwingSpeed::in_bucket(review, swing) {
            Ok(speed) => {
                let (head, release) = (&speed.head, &speed.release);
                let figures = [
                    (head.hand_mps, 1),
                    (head.head_mps, 1),
                    (head.from_body_mps, 1),
                    (head.from_arm_mps, 1),
                    (head.from_wrist_mps, 1),
                    (head.from_roll_mps, 1),
                    (head.attack_deg, 0),
                    (head.shaft_lean_deg, 0),
                    (release.release_before_ball_ms, 0),
                    (speed.flat.flat_after_ball_mm, 0),
                ];
                for reason in figures.iter().filter_map(|(figure, _)| figure.err()) {
                    reasons.entry(reason).or_default().insert(review.number(place));
                }
                row.extend(figures.iter().map(|(figure, decimals)| word(figure, *decimals)));
            }
            Err(reason) => {
                reasons.entry(reason).or_default().insert(review.number(place));
                row.resize(HEADINGS.len(), NOTHING.to_owned());
            }
        }
        rows.add_row(row);
    }
    let mut out = printed(rows);
    out += &wrapped(COLUMNS, width);
    out += &wrapped(&measures(review), width);
    out += &wrapped(ASSUMED, width);
    for (reason, swings) in reasons {
        let which = if swings.len() == 1 { "swing" } else { "swings" };
        let swings: Vec<String> = swings.iter().map(ToString::to_string).collect();
        out += &wrapped(&format!("{NOTHING} in {which} {}: {reason}.", swings.join(", ")), width);
    }
    out
}

fn word(figure: &Figure, decimals: usize) -> String {
    figure.map_or(NOTHING.to_owned(), |m| with_bar(m, decimals).replace("±\u{a0}", "±"))
}

/// Of which arm and clubs the numbers are.
fn measures(review: &Review) -> String {
    let Ok(known) = &review.measures else { return String::new() };
    let clubs = in_order(review.analysis.swings.iter().filter_map(|swing| swing.club.as_deref()));
    let of_club = |club: &str| Some(format!("; {} {}", clean(club), measured_club(&known.club(club)?)));
    let clubs: String = clubs.into_iter().filter_map(of_club).collect();
    format!("Worked out with: arm {} m{clubs}.", with_bar(known.arm.length(), 2))
}

fn measured_club(club: &ClubMeasures) -> String {
    format!("{} m, {} kg", with_bar(club.length(), 2), number(club.mass_kg, 2))
}

fn club_text(club: &ClubWorth, width: u16) -> String {
    let speed = club.head_mps.map_or("no head speed".to_owned(), |spread| {
        let own = spread.robust_sd.map_or(String::new(), |sd| format!(", from swing to swing ±{sd:.1}"));
        format!("{:.1} m/s in the middle of {} swings{own}", spread.median, spread.n)
    });
    let mut out = format!("\n{}: {speed}\n", clean(&club.club));
    for reason in &club.left_out {
        out += &wrapped(&format!("left out: {reason}."), width);
    }
    let mut rows = table(
        width,
        &["What if", "Unit", "by", "Head m/s", "by", "Head m/s", "Your own ±", "worth m/s"],
        &[0, 1],
    );
    for curve in &club.curves {
        rows.add_row(curve_row(curve));
    }
    if !club.curves.is_empty() {
        out += &printed(rows);
        out += &wrapped("(…) is outside what the model can be trusted with; – has no such swing.", width);
    }
    out
}

/// The curve a quarter of its way from either end: changes that a player can make.
fn curve_row(curve: &Curve) -> Vec<String> {
    let told = |place: usize| match curve.points.get(place) {
        Some(point) => {
            let speed = point.head_mps.map_or(NOTHING.to_owned(), |head| number(head, 1));
            (
                signed(point.by, curve.change.decimals()),
                if point.beyond { format!("({speed})") } else { speed },
            )
        }
        None => (NOTHING.to_owned(), NOTHING.to_owned()),
    };
    let ((less, slower), (more, faster)) = (told(2), told(6));
    let own = curve.own_sd.map_or(NOTHING.to_owned(), |sd| number(sd, curve.change.decimals()));
    vec![
        curve.change.sentence().to_owned(),
        curve.change.unit().to_owned(),
        less,
        slower,
        more,
        faster,
        own,
        curve.per_own_sd_mps.map_or(NOTHING.to_owned(), |worth| signed(worth, 1)),
    ]
}
