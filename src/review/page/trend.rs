//! One club's sets through the bucket: each set against the top in order, the line of the trend, and between which
//! slopes it may lie.

use super::chart::{Scale, mark, px, step, ticks};
use super::{Kind, class_of, swing_sentence};
use crate::detect::Swing;
use crate::review::Review;
use crate::review::statistics::{SMALL_SAMPLE, Trend, median, trend};
use crate::review::wording::{self, number};
use maud::{Markup, html};

const WIDTH: f64 = 520.0;
const HEIGHT: f64 = 190.0;
const LEFT: f64 = 56.0;
const RIGHT: f64 = 508.0;
const UPPER: f64 = 16.0;
const LOWER: f64 = 146.0;
/// Room above and below the sets, ms.
const ROOM_MS: f64 = 15.0;
/// Steps of the axis that may be chosen, ms, and how many lines there may be.
const STEPS_MS: [f64; 6] = [10.0, 20.0, 50.0, 100.0, 200.0, 500.0];
const LINES: f64 = 6.0;

/// Room for a digit of a swing's number, and between two numbers.
const DIGIT: f64 = 11.0;
const BETWEEN: f64 = 12.0;

/// A set in its place among the club's sets.
struct Placed<'a> {
    place: usize,
    swing: &'a Swing,
    ms: f64,
    sd: f64,
}

struct Frame {
    order: Scale,
    ms: Scale,
}

/// The drawing of one club; nothing where it has fewer than two sets. `number` makes its ids unique on the page.
pub fn figure(review: &Review, club: Option<&str>, number: usize) -> Markup {
    let sets = placed(review, club);
    if sets.len() < 2 {
        return html! {};
    }
    let values: Vec<f64> = sets.iter().map(|one| one.ms).collect();
    let trend = trend(&values);
    let frame = frame(&sets);
    let (title_id, about_id) = (format!("trend-{number}-title"), format!("trend-{number}-about"));
    html! {
        svg.chart role="img" viewBox=(format!("0 0 {WIDTH} {HEIGHT}"))
            aria-labelledby=(format!("{title_id} {about_id}")) {
            title id=(title_id) { "Set against the top through the bucket, " (wording::club_name(club)) }
            desc id=(about_id) { (about(trend)) }
            @if let Some(trend) = trend { (band(&frame, &values, &trend)) }
            (axes(review, &frame, &sets))
            @if let Some(trend) = trend { (line(&frame, &values, trend.per_swing)) }
            @for (order, one) in sets.iter().enumerate() { (set(review, &frame, order, one)) }
        }
    }
}

/// What the drawing says of its line.
pub fn about(trend: Option<Trend>) -> String {
    match trend {
        Some(trend) => format!(
            "The line changes by {} ms a swing. The band holds the slopes that would fit as well: {} to {} (95 %).",
            number(trend.per_swing, 1),
            number(trend.low, 1),
            number(trend.high, 1)
        ),
        None => format!("Fewer than {SMALL_SAMPLE} sets: no line is drawn."),
    }
}

fn placed<'a>(review: &'a Review, club: Option<&str>) -> Vec<Placed<'a>> {
    let of_club = review.counted().filter(|(_, swing)| swing.club.as_deref() == club);
    let set = |(place, swing): (usize, &'a Swing)| {
        let ms = swing.set?.set_to_top_ms;
        let sd = if ms.sd.is_finite() { ms.sd } else { 0.0 };
        ms.value.is_finite().then_some(Placed { place, swing, ms: ms.value, sd })
    };
    of_club.filter_map(set).collect()
}

fn frame(sets: &[Placed]) -> Frame {
    let low = sets.iter().map(|one| one.ms - one.sd).fold(f64::INFINITY, f64::min) - ROOM_MS;
    let high = sets.iter().map(|one| one.ms + one.sd).fold(f64::NEG_INFINITY, f64::max) + ROOM_MS;
    Frame {
        order: Scale { from: (-0.5, sets.len() as f64 - 0.5), to: (LEFT, RIGHT) },
        // Later is higher.
        ms: Scale { from: (low, high), to: (LOWER, UPPER) },
    }
}

/// The point that a line of this slope has at a place: half of the sets lie above the line, half below (the middle
/// of what is left, as with Sen's slope: Conover 1980, Practical Nonparametric Statistics [M]).
fn fitted(values: &[f64], slope: f64, at: f64) -> f64 {
    let rest: Vec<f64> = values.iter().zip(0..).map(|(ms, place)| ms - slope * f64::from(place)).collect();
    median(&rest).unwrap_or(0.0) + slope * at
}

/// The points of a line, from the first set to the last.
fn ends(frame: &Frame, values: &[f64], slope: f64) -> [(f64, f64); 2] {
    [0.0, values.len() as f64 - 1.0].map(|at| {
        let ms = fitted(values, slope, at).clamp(frame.ms.from.0, frame.ms.from.1);
        (frame.order.pixel(at), frame.ms.pixel(ms))
    })
}

fn line(frame: &Frame, values: &[f64], slope: f64) -> Markup {
    let [(x1, y1), (x2, y2)] = ends(frame, values, slope);
    html! { path.trend d=(format!("M{x1:.1} {y1:.1}L{x2:.1} {y2:.1}")) {} }
}

/// Between the lines of the two ends of the slope's interval.
fn band(frame: &Frame, values: &[f64], trend: &Trend) -> Markup {
    let [(x1, a1), (x2, a2)] = ends(frame, values, trend.low);
    let [(_, b1), (_, b2)] = ends(frame, values, trend.high);
    html! {
        path.trend-band d=(format!("M{x1:.1} {a1:.1}L{x2:.1} {a2:.1}V{b2:.1}L{x1:.1} {b1:.1}Z")) {}
    }
}

/// Of so many sets the number of each of these is written: as many as there is room for, in a phone's larger letters, too.
fn every(sets: usize, largest: Option<usize>) -> usize {
    let digits = largest.unwrap_or(0).to_string().len();
    let room = ((RIGHT - LEFT) / (DIGIT * digits as f64 + BETWEEN)) as usize;
    sets.div_ceil(room.max(1))
}

fn axes(review: &Review, frame: &Frame, sets: &[Placed]) -> Markup {
    let (low, high) = frame.ms.from;
    let step = step(high - low, &STEPS_MS, LINES, 1000.0);
    let every = every(sets.len(), sets.iter().map(|one| review.number(one.place)).max());
    html! {
        g.axes {
            @for ms in ticks(low, high, step) {
                @let y = frame.ms.pixel(ms);
                path.grid d=(format!("M{LEFT} {y:.1}H{RIGHT}")) {}
                text x=(px(LEFT - 6.0)) y=(px(y + 4.5)) text-anchor="end" { (number(ms, 0)) }
            }
            @if low < 0.0 && high > 0.0 { path.line d=(format!("M{LEFT} {:.1}H{RIGHT}", frame.ms.pixel(0.0))) {} }
            @for (order, one) in sets.iter().enumerate().step_by(every) {
                text x=(px(frame.order.pixel(order as f64))) y=(px(LOWER + 18.0)) text-anchor="middle" {
                    (review.number(one.place))
                }
            }
            text.name x=(px(LEFT)) y=(px(LOWER + 37.0)) { "ms against the top; higher is later" }
            text.name x=(px(RIGHT)) y=(px(LOWER + 37.0)) text-anchor="end" { "swing" }
        }
    }
}

fn set(review: &Review, frame: &Frame, order: usize, one: &Placed) -> Markup {
    let (x, y) = (frame.order.pixel(order as f64), frame.ms.pixel(one.ms));
    let half = (frame.ms.pixel(0.0) - frame.ms.pixel(one.sd)).abs();
    html! {
        g class={ "set " (class_of(review, one.place, one.swing)) } data-swing=(review.number(one.place)) {
            title { (swing_sentence(review, one.place, one.swing)) }
            path.bar d=(format!("M{x:.1} {:.1}v{:.1}", y - half, 2.0 * half)) {}
            (mark(Kind::of(review, one.swing), x, y))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_swings_do_not_run_into_each_other() {
        let room = RIGHT - LEFT;
        for (sets, largest) in
            [(2_usize, 2_usize), (9, 9), (13, 13), (20, 40), (40, 99), (81, 150), (400, 1200)]
        {
            let written = sets.div_ceil(every(sets, Some(largest)));
            let long = DIGIT * largest.to_string().len() as f64 + BETWEEN;
            assert!(written as f64 * long <= room, "{sets} sets up to number {largest}: {written} numbers");
        }
        assert_eq!(every(13, Some(13)), 1);
    }

    #[test]
    fn half_of_the_sets_lie_above_a_line_whatever_its_slope() {
        let values = [-320.0, -300.0, -310.0, -280.0, -290.0];
        for slope in [-4.0, 0.0, 9.0] {
            let above = values
                .iter()
                .zip(0..)
                .filter(|(ms, at)| **ms > fitted(&values, slope, f64::from(*at)) + 1e-9);
            assert_eq!(above.count(), 2, "{slope}");
        }
        assert_eq!(fitted(&[0.0, 10.0, 20.0], 10.0, 2.0), 20.0);
    }
}
