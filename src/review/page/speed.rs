//! A swing's speeds on its page: hand and head at the ball, what gives them, the release, and the flat wrist. What
//! the sensors cannot tell is said to be unknown, and why.

use crate::detect::Swing;
use crate::record::measures::Measures;
use crate::review::speed::{ASSUMED, Figure, SwingSpeed};
use crate::review::wording::number;
use crate::units::Measured;
use maud::{Markup, html};
use std::collections::BTreeSet;

/// How a figure is written: its unit, and its decimals. Speeds are put in the reader's units by `numbers.js`.
enum Unit {
    Speed,
    Other(&'static str, usize),
}

const DEGREES: Unit = Unit::Other("°", 0);
const MS: Unit = Unit::Other("\u{a0}ms", 0);

/// The panel of a swing.
pub fn panel(swing: &Swing, measures: &Measures) -> Markup {
    html! {
        section aria-labelledby="speed-title" {
            h2 #speed-title { "Where the speed comes from" }
            @match SwingSpeed::of(swing, measures) {
                Ok(speed) => (figures(&rows(&speed))),
                Err(reason) => p { "Not known: " (reason) "." },
            }
        }
    }
}

/// Words, figure and unit of each line.
fn rows(speed: &SwingSpeed) -> [(&'static str, Figure, Unit); 12] {
    let SwingSpeed { head, release, flat, .. } = speed;
    [
        ("Head at the ball", head.head_mps, Unit::Speed),
        ("given by the moving shoulder", head.from_body_mps, Unit::Speed),
        ("given by the arm", head.from_arm_mps, Unit::Speed),
        ("given by the wrist, released", head.from_wrist_mps, Unit::Speed),
        ("given by the forearm, rolling", head.from_roll_mps, Unit::Speed),
        ("Hand at the ball", head.hand_mps, Unit::Speed),
        ("Release begins before the ball", release.release_before_ball_ms, MS),
        ("Shaft from a straight line then", release.lag_at_release_deg, DEGREES),
        ("Shaft leans forward at the ball", head.shaft_lean_deg, DEGREES),
        ("Attack, downward is negative", head.attack_deg, DEGREES),
        ("Wrist flat after the ball", flat.flat_after_ball_ms, MS),
        ("The head's way meanwhile", flat.flat_after_ball_mm, Unit::Other("\u{a0}mm", 0)),
    ]
}

fn figures(rows: &[(&'static str, Figure, Unit)]) -> Markup {
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

fn written(figure: &Figure, unit: &Unit) -> Markup {
    let Ok(Measured { value, sd }) = figure else { return html! { "not known" } };
    let speed = |mps: &f64| html! { span data-m-s=(format!("{mps:.3}")) { (number(*mps, 1)) "\u{a0}m/s" } };
    match unit {
        Unit::Speed => html! { (speed(value)) "\u{a0}±\u{a0}" (speed(sd)) },
        Unit::Other(unit, decimals) => {
            html! { (number(*value, *decimals)) "\u{a0}±\u{a0}" (number(*sd, *decimals)) (unit) }
        }
    }
}
