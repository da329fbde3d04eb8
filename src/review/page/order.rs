//! The drawing of the whole bucket in order: arm travel at the set, swing by swing, with each club's window.

use super::chart::{Scale, mark, px, ticks};
use super::{Kind, class_of, swing_sentence};
use crate::detect::Swing;
use crate::review::Review;
use crate::review::wording::{self, number};
use maud::{Markup, html};

const HEIGHT: f64 = 300.0;
const LEFT: f64 = 50.0;
const UPPER: f64 = 36.0;
const LOWER: f64 = 252.0;
/// About the width of a letter.
const LETTER: f64 = 8.0;
/// Least distance of two swings, and the least width of the whole.
const STEP: f64 = 30.0;
const LEAST_WIDTH: f64 = 800.0;

/// Consecutive swings with one club.
struct Run<'a> {
    first: usize,
    swings: &'a [Swing],
}

fn runs(swings: &[Swing]) -> impl Iterator<Item = Run<'_>> {
    let mut first = 0;
    swings.chunk_by(|a, b| a.club == b.club).map(move |swings| {
        let run = Run { first, swings };
        first += swings.len();
        run
    })
}

/// The drawing of all swings in order.
pub fn figure(review: &Review) -> Markup {
    let swings = &review.analysis.swings;
    let width = (LEFT + STEP * swings.len() as f64 + 12.0).max(LEAST_WIDTH);
    let frame = Frame {
        place: Scale { from: (-0.5, swings.len() as f64 - 0.5), to: (LEFT, width - 12.0) },
        travel: travel_scale(swings),
    };
    html! {
        div.scroll tabindex="0" role="region" aria-labelledby="order" {
            svg.chart.order role="img" width=(width) viewBox=(format!("0 0 {width} {HEIGHT}"))
                aria-labelledby="order-title order-about" {
                title #order-title { "Arm travel at the set, swing by swing" }
                desc #order-about {
                    "Each mark is one swing, its bar one standard deviation (hidden where the mark is larger). "
                    "Shaded: the target window of the club."
                }
                @for run in runs(swings) { (run_of_club(review, &frame, &run)) }
                (axes(&frame, width))
                @for (place, swing) in swings.iter().enumerate() { (swing_mark(review, &frame, place, swing)) }
            }
        }
    }
}

struct Frame {
    place: Scale,
    travel: Scale,
}

/// A set after the top counts on beyond 100 %, by as much as the arm has come back.
fn unfolded(swing: &Swing) -> Option<f64> {
    let set = swing.set?;
    let travel = set.arm_travel_at_set.value;
    let value = if set.set > swing.top { 2.0 - travel } else { travel };
    value.is_finite().then_some(value)
}

fn travel_scale(swings: &[Swing]) -> Scale {
    let highest = swings.iter().filter_map(unfolded).fold(1.0_f64, f64::max);
    Scale { from: (0.0, highest.min(2.0) + 0.05), to: (LOWER, UPPER) }
}

fn run_of_club(review: &Review, frame: &Frame, run: &Run) -> Markup {
    let club = run.swings.first().and_then(|swing| swing.club.as_deref());
    let from = frame.place.pixel(run.first as f64 - 0.5);
    let to = frame.place.pixel((run.first + run.swings.len()) as f64 - 0.5);
    html! {
        @if let Some(window) = review.windows.for_club(club) {
            @let (upper, lower) = (frame.travel.pixel(window.to), frame.travel.pixel(window.from));
            (band(from + 2.0, to - 2.0, upper, lower))
        }
        text.club x=(px((from + to) / 2.0)) y=(px(UPPER - 16.0)) text-anchor="middle" {
            (fitted(&wording::club_name(club), to - from))
        }
        @if run.first > 0 { path.line d=(format!("M{from:.1} {UPPER}V{LOWER}")) {} }
    }
}

fn band(left: f64, right: f64, upper: f64, lower: f64) -> Markup {
    let (width, height) = ((right - left).max(0.0), (lower - upper).max(0.0));
    html! {
        g.band {
            rect x=(px(left)) y=(px(upper)) width=(px(width)) height=(px(height)) {}
            path d=(format!("M{left:.1} {upper:.1}h{width:.1}M{left:.1} {lower:.1}h{width:.1}")) {}
        }
    }
}

/// As much of a name as fits this many pixels.
fn fitted(name: &str, width: f64) -> String {
    let most = ((width / LETTER).floor() as usize).max(2);
    if name.chars().count() <= most {
        return name.to_owned();
    }
    name.chars().take(most - 1).chain(['…']).collect()
}

fn axes(frame: &Frame, width: f64) -> Markup {
    let right = width - 12.0;
    html! {
        g.axes {
            @for percent in ticks(0.0, frame.travel.from.1 * 100.0, 25.0) {
                @let y = frame.travel.pixel(percent / 100.0);
                path.grid d=(format!("M{LEFT} {y:.1}H{right:.1}")) {}
                text x=(px(LEFT - 6.0)) y=(px(y + 4.5)) text-anchor="end" { (number(percent, 0)) " %" }
            }
            @let (top, takeaway) = (frame.travel.pixel(1.0), frame.travel.pixel(0.0));
            path.line d=(format!("M{LEFT} {top:.1}H{right:.1}M{LEFT} {takeaway:.1}H{right:.1}")) {}
            text.name x=(px(right)) y=(px(LOWER + 38.0)) text-anchor="end" { "swing number; 100 % is the top" }
        }
    }
}

fn swing_mark(review: &Review, frame: &Frame, place: usize, swing: &Swing) -> Markup {
    let kind = Kind::of(review, swing);
    let cx = frame.place.pixel(place as f64);
    let cy = frame.travel.pixel(unfolded(swing).unwrap_or(0.0));
    let sd = swing.set.map(|set| set.arm_travel_at_set.sd).filter(|sd| sd.is_finite());
    let sd = sd.unwrap_or(0.0).clamp(0.0, 1.0);
    let half = (frame.travel.pixel(0.0) - frame.travel.pixel(sd)).abs();
    html! {
        g class={ "set " (class_of(review, place, swing)) } data-swing=(review.number(place)) {
            title { (swing_sentence(review, place, swing)) }
            @if unfolded(swing).is_some() {
                path.bar d=(format!("M{cx:.1} {:.1}v{:.1}", cy - half, 2.0 * half)) {}
            }
            (mark(kind, cx, cy))
            text x=(px(cx)) y=(px(LOWER + 20.0)) text-anchor="middle" { (review.number(place)) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_name_is_cut_to_its_room() {
        assert_eq!(fitted("7 iron", 60.0), "7 iron");
        assert_eq!(fitted("a long name", 60.0), "a long…");
        assert_eq!(fitted("größer", 1.0), "g…");
    }
}
