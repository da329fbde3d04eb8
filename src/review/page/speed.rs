//! A swing's speeds on its page: hand and head at the ball, what gives them, the release, and the flat wrist. What
//! the sensors cannot tell is said to be unknown, and why.

use super::hand_path;
use crate::detect::Swing;
use crate::record::measures::{ArmMeasures, ClubMeasures};
use crate::review::serve::bench::Shown;
use crate::review::speed::{ASSUMED, Figure, SwingSpeed};
use crate::review::wording::{number, with_bar};
use crate::units::{Measured, PlayerHand};
use maud::{Markup, html};
use std::collections::BTreeSet;

/// The unit of a figure. Speeds and lengths are put in the reader's units by `numbers.js`.
enum Unit {
    Speed,
    Length,
    Other(&'static str),
}

const DEGREES: Unit = Unit::Other("°");
const MS: Unit = Unit::Other("\u{a0}ms");

/// The script that draws what changes are worth.
pub const SCRIPT: &str = "worth.js";

/// What the page of a swing needs in its head.
pub fn head() -> Markup {
    html! { link rel="stylesheet" href="/assets/speed.css"; }
}

/// The panel of a swing, counted from 1.
pub fn panel(shown: &Shown, number: usize, swing: &Swing) -> Markup {
    html! {
        section aria-labelledby="speed-title" {
            h2 #speed-title { "Where the speed comes from" }
            @match SwingSpeed::in_bucket(&shown.model.review, swing) {
                Ok(speed) => (known(shown, number, &speed)),
                Err(reason) => (not_known(reason)),
            }
        }
    }
}

fn known(shown: &Shown, number: usize, speed: &SwingSpeed) -> Markup {
    let rows = rows(speed);
    if let Some(reason) = why_nothing_is_known(&rows) {
        return not_known(reason);
    }
    html! {
        (figures(&rows))
        @if let Ok(measures) = &shown.model.review.measures { (worked_out_with(&measures.arm, &speed.club)) }
        @if let Ok(path) = &speed.path { (hand_path::figures(path, side(shown))) }
        (what_if(shown, number))
    }
}

/// Where not one figure is known, as with the hand node alone: the reason of the first, from which the others follow.
fn why_nothing_is_known(rows: &[Row]) -> Option<&'static str> {
    let is_unknown = |(_, figure, _): &Row| figure.is_err();
    rows.first().filter(|_| rows.iter().all(is_unknown)).and_then(|(_, figure, _)| figure.err())
}

fn not_known(reason: &str) -> Markup {
    html! { p { "Not known: " (reason) "." } }
}

/// Which way round the player is seen.
fn side(shown: &Shown) -> f64 {
    if shown.hand == Some(PlayerHand::Left) { -1.0 } else { 1.0 }
}

/// Where `assets/worth.js` draws what changes are worth with this club, once it is opened: that takes seconds to
/// work out.
fn what_if(shown: &Shown, number: usize) -> Markup {
    html! {
        details #worth data-from=(format!("/bucket/{}/swing/{number}/worth.json", shown.key)) {
            summary { "What if the hinge were set, or held, otherwise?" }
            div #worth-curves { p role="status" { "Fitting a pendulum to the swings with this club: some seconds …" } }
        }
    }
}

/// Words, figure and unit of a line.
type Row = (&'static str, Figure, Unit);

fn rows(speed: &SwingSpeed) -> [Row; 15] {
    let SwingSpeed { head, release, flat, .. } = speed;
    let path = speed.path.as_ref().map_err(|reason| *reason);
    [
        ("Head at the ball", head.head_mps, Unit::Speed),
        ("from body: the moving shoulder", head.from_body_mps, Unit::Speed),
        ("from arm", head.from_arm_mps, Unit::Speed),
        ("from wrist, released", head.from_wrist_mps, Unit::Speed),
        ("from roll of the forearm", head.from_roll_mps, Unit::Speed),
        ("Hand at the ball", head.hand_mps, Unit::Speed),
        ("Hand at its fastest", path.and_then(|path| path.peak_mps), Unit::Speed),
        ("Radius of the hand's arc at the ball", path.and_then(|path| path.radius_m), Unit::Length),
        ("Shoulder moved from top to ball", path.and_then(|path| path.hub_travel_m), Unit::Length),
        ("Release, before the ball", release.release_before_ball_ms, MS),
        ("Arm and shaft at the release", release.arm_shaft_at_release_deg, DEGREES),
        ("Lean of the shaft at the ball, forward is positive", head.shaft_lean_deg, DEGREES),
        ("Attack, downward is negative", head.attack_deg, DEGREES),
        ("Flat: the wrist after the ball", flat.flat_after_ball_ms, MS),
        ("Flat: the head's way meanwhile", flat.flat_after_ball_mm, Unit::Other("\u{a0}mm")),
    ]
}

fn figures(rows: &[Row]) -> Markup {
    let reasons: BTreeSet<&str> = rows.iter().filter_map(|(_, figure, _)| figure.err()).collect();
    html! {
        div.scroll tabindex="0" role="region" aria-labelledby="speed-title" {
            table {
                caption { "± one standard deviation" }
                thead { tr { th scope="col" { "What" } th.n scope="col" { "How much" } } }
                tbody {
                    @for (words, figure, unit) in rows {
                        tr { th scope="row" { (words) } td.n { (written(figure, unit)) } }
                    }
                }
            }
        }
        p.about { (ASSUMED) }
        @for reason in reasons { p.about { "Not known: " (reason) "." } }
    }
}

/// Whose numbers these are: the measures that they rest on.
fn worked_out_with(arm: &ArmMeasures, club: &ClubMeasures) -> Markup {
    html! {
        p.about #speed-measures {
            "Worked out with: arm " (length(arm.length())) " from shoulder to wrist, club " (length(club.length())) " and "
            (number(club.mass_kg, 2)) "\u{a0}kg."
        }
    }
}

fn written(figure: &Figure, unit: &Unit) -> Markup {
    let Ok(measured) = *figure else { return html! { "not known" } };
    match unit {
        Unit::Speed => speed(measured),
        Unit::Length => length(measured),
        Unit::Other(unit) => html! { (with_bar(measured, 0)) (unit) },
    }
}

fn speed(mps: Measured) -> Markup {
    let Measured { value, sd } = mps;
    html! { span data-m-s=(format!("{value:.3}")) data-sd=(format!("{sd:.3}")) { (with_bar(mps, 1)) "\u{a0}m/s" } }
}

fn length(m: Measured) -> Markup {
    let Measured { value, sd } = m;
    html! { span data-m=(format!("{value:.4}")) data-sd=(format!("{sd:.4}")) { (with_bar(m, 2)) "\u{a0}m" } }
}
