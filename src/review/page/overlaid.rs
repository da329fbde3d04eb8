//! The two sides of a comparison laid over each other: how large a part of each side's swings lies where.

use super::chart::{Scale, px, step, ticks};
use crate::review::Windows;
use crate::review::compare::Quantity;
use crate::review::compare::sides::{Contrast, Row};
use crate::review::wording::number;
use maud::{Markup, html};

const WIDTH: f64 = 520.0;
const LEFT: f64 = 14.0;
const RIGHT: f64 = 506.0;
const UPPER: f64 = 28.0;
const GROUND: f64 = 176.0;
const HEIGHT: f64 = 262.0;
/// Widths of a step that may be chosen, in the unit of the words, and how many steps there may be.
const STEPS: [f64; 8] = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0];
const MOST_STEPS: f64 = 24.0;
/// Labels along the axis at most.
const MOST_LABELS: f64 = 7.0;

/// One side: its values in the unit of the words, and the mean that is compared.
struct Side {
    values: Vec<f64>,
    mean: f64,
}

/// The drawing of a quantity; nothing where it was not compared. `place` makes its ids unique on the page.
pub fn figure(contrast: &Contrast, quantity: Quantity, windows: &Windows, place: usize) -> Markup {
    let Some((_, Ok(row))) = contrast.rows.iter().find(|(known, _)| *known == quantity) else {
        return html! {};
    };
    let [first, second] = sides(contrast, row, windows);
    let all: Vec<f64> = first.values.iter().chain(&second.values).copied().collect();
    let low = all.iter().copied().fold(f64::INFINITY, f64::min);
    let high = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let step = step(high - low, &STEPS, MOST_STEPS, 500.0);
    let from = (low / step).floor() * step - step;
    let to = (high / step).floor() * step + 2.0 * step;
    let across = Scale { from: (from, to), to: (LEFT, RIGHT) };
    let parts = [&first, &second].map(|side| parts(&side.values, from, to, step));
    let most = parts.iter().flatten().copied().fold(0.0_f64, f64::max);
    let up = Scale { from: (0.0, most.max(1e-9)), to: (GROUND, UPPER) };
    let (title_id, about_id) = (format!("over-{place}-title"), format!("over-{place}-about"));
    html! {
        figure {
            figcaption { (quantity.name()) }
            svg.chart.spread role="img" viewBox=(format!("0 0 {WIDTH} {HEIGHT}"))
                aria-labelledby=(format!("{title_id} {about_id}")) {
                title id=(title_id) { (quantity.name()) ", both sides" }
                desc id=(about_id) {
                    "How large a part of each side lies where, in steps of " (number(step, 0))
                    "; below a mark for each swing. The upright lines are the means that are compared: "
                    (number(first.mean, 0)) " and " (number(second.mean, 0)) "."
                }
                (axis(&across, quantity))
                @for (class, side, parts) in [("second", &second, &parts[1]), ("first", &first, &parts[0])] {
                    g.side.(class) {
                        path.outline d=(outline(parts, &across, &up, from, step)) {}
                        path.mean d=(format!("M{:.1} {}V{GROUND}", across.pixel(side.mean), UPPER - 8.0)) {}
                        (rug(side, &across, if class == "first" { 0.0 } else { 14.0 }))
                    }
                }
            }
        }
    }
}

fn sides(contrast: &Contrast, row: &Row, windows: &Windows) -> [Side; 2] {
    let factor = row.quantity.factor();
    [(&contrast.first, row.first), (&contrast.second, row.second)].map(|(side, mean)| {
        let clusters = side.clusters(row.quantity, windows);
        let values = clusters.iter().flat_map(|one| one.values.iter().map(|m| m.value * factor));
        Side { values: values.filter(|value| value.is_finite()).collect(), mean: mean * factor }
    })
}

/// The part of the values in each step.
fn parts(values: &[f64], from: f64, to: f64, step: f64) -> Vec<f64> {
    let mut counts = vec![0.0; ((to - from) / step).round().max(1.0) as usize];
    for value in values {
        let at = (((value - from) / step) as usize).min(counts.len() - 1);
        counts[at] += 1.0 / values.len() as f64;
    }
    counts
}

fn outline(parts: &[f64], across: &Scale, up: &Scale, from: f64, step: f64) -> String {
    let mut path = format!("M{:.1} {GROUND}", across.pixel(from));
    for (part, at) in parts.iter().zip(1..) {
        path += &format!("V{:.1}H{:.1}", up.pixel(*part), across.pixel(from + step * f64::from(at)));
    }
    path + &format!("V{GROUND}")
}

fn rug(side: &Side, across: &Scale, down: f64) -> Markup {
    let marks: String = side
        .values
        .iter()
        .map(|value| format!("M{:.1} {}v9", across.pixel(*value), GROUND + 24.0 + down))
        .collect();
    html! { path.rug d=(marks) {} }
}

fn axis(across: &Scale, quantity: Quantity) -> Markup {
    let (from, to) = across.from;
    let step = step(to - from, &STEPS, MOST_LABELS, 500.0);
    let unit = if quantity == Quantity::ArmTravel { " %" } else { "" };
    html! {
        g.axes {
            path.line d=(format!("M{LEFT} {GROUND}H{RIGHT}")) {}
            @for value in ticks(from, to, step) {
                @let at = across.pixel(value);
                path.line d=(format!("M{at:.1} {GROUND}v5")) {}
                text x=(px(at)) y=(px(GROUND + 19.0)) text-anchor="middle" { (number(value, 0)) (unit) }
            }
            text.name x=(px(LEFT)) y=(px(HEIGHT - 14.0)) {
                @if quantity == Quantity::ArmTravel { "arm travel at the set" } @else { "ms against the top" }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_parts_of_a_side_are_all_of_it() {
        let found = parts(&[-30.0, -25.0, 0.0, 9.9], -40.0, 20.0, 10.0);
        assert_eq!(found, [0.0, 0.5, 0.0, 0.0, 0.5, 0.0]);
    }
}
