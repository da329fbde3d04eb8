//! One drawing per club: the hinge over time, all swings laid over each other at the top.

use super::chart::{
    CURVES_HEIGHT, CURVES_WIDTH, LEFT, LOWER, RIGHT, Scale, UPPER, hinge_grid, hinge_scale, mark, path, px,
    ticks,
};
use super::{Kind, class_of, swing_sentence};
use crate::detect::Swing;
use crate::review::Review;
use crate::review::wording::{self, number};
use maud::{Markup, html};

/// Time drawn after the ball, ms.
const AFTER_BALL_MS: f64 = 60.0;
/// After the top, where no ball was hit, ms.
const AFTER_TOP_MS: f64 = 350.0;

struct Frame {
    time: Scale,
    hinge: Scale,
}

fn to_top_ms(swing: &Swing, t: crate::units::DeviceTime) -> f64 {
    t.seconds_since(swing.top) * 1e3
}

fn end_ms(swing: &Swing) -> f64 {
    swing.impact.map_or(AFTER_TOP_MS, |impact| to_top_ms(swing, impact) + AFTER_BALL_MS)
}

/// The curve from takeaway to just after the ball: ms against the top, degrees.
fn drawn(swing: &Swing) -> impl Iterator<Item = (f64, f64)> {
    let end_ms = end_ms(swing);
    let points = swing.curve.iter().skip_while(|point| point.t < swing.takeaway);
    let points = points.map(|point| (to_top_ms(swing, point.t), point.hinge_deg));
    points.take_while(move |(ms, _)| *ms <= end_ms)
}

fn frame(swings: &[(usize, &Swing)]) -> Frame {
    let first = swings.iter().map(|(_, swing)| to_top_ms(swing, swing.takeaway)).fold(-200.0, f64::min);
    let last = swings.iter().map(|(_, swing)| end_ms(swing)).fold(200.0, f64::max);
    let hinges = swings.iter().flat_map(|(_, swing)| drawn(swing)).map(|(_, hinge)| hinge);
    Frame { time: Scale { from: (first, last), to: (LEFT, RIGHT) }, hinge: hinge_scale(hinges) }
}

/// The drawing of one club's swings. `place` makes its ids unique on the page.
pub fn figure(review: &Review, club: Option<&str>, place: usize) -> Markup {
    let numbered = review.analysis.swings.iter().enumerate();
    let swings: Vec<(usize, &Swing)> = numbered.filter(|(_, swing)| swing.club.as_deref() == club).collect();
    let frame = frame(&swings);
    let (title_id, about_id) = (format!("times-{place}-title"), format!("times-{place}-about"));
    let name = wording::club_name(club);
    html! {
        figure {
            figcaption { (name) ", over time" }
            svg.chart role="img" viewBox=(format!("0 0 {CURVES_WIDTH} {CURVES_HEIGHT}"))
                aria-labelledby=(format!("{title_id} {about_id}")) {
                title id=(title_id) { "Hinge over time, " (name) }
                desc id=(about_id) { "All swings laid over each other at the top; the marks are the sets." }
                (axes(&frame))
                @for (place, swing) in &swings {
                    path class={ "curve " (class_of(review, *place, swing)) } data-swing=(review.number(*place))
                        d=(path(drawn(swing).map(|(ms, hinge)| (frame.time.pixel(ms), frame.hinge.pixel(hinge))))) {
                        title { (swing_sentence(review, *place, swing)) }
                    }
                }
                @for (place, swing) in &swings { (set(review, &frame, *place, swing)) }
            }
        }
    }
}

fn axes(frame: &Frame) -> Markup {
    let (top, address) = (frame.time.pixel(0.0), frame.hinge.pixel(0.0));
    html! {
        g.axes {
            (hinge_grid(&frame.hinge))
            path.line d=(format!("M{LEFT} {address:.1}H{RIGHT}M{top:.1} {UPPER}V{LOWER}")) {}
            @for ms in ticks(frame.time.from.0, frame.time.from.1, 200.0) {
                @let at = frame.time.pixel(ms);
                path.line d=(format!("M{at:.1} {LOWER}v5")) {}
                text x=(px(at)) y=(px(LOWER + 19.0)) text-anchor="middle" { (number(ms, 0)) }
            }
            text.name x=(px(top)) y=(px(LOWER + 38.0)) text-anchor="middle" { "top" }
            text.name x=(px(LEFT)) y=(px(LOWER + 38.0)) { "ms before and after the top" }
            text.name x="4" y=(px(UPPER - 12.0)) { "hinge" }
        }
    }
}

fn set(review: &Review, frame: &Frame, place: usize, swing: &Swing) -> Markup {
    let point = swing
        .set
        .zip(swing.hinge_deg.set)
        .map(|(set, hinge)| (frame.time.pixel(set.set_to_top_ms.value), frame.hinge.pixel(hinge.value)));
    html! {
        @if let Some((x, y)) = point.filter(|(x, y)| x.is_finite() && y.is_finite()) {
            g class={ "set " (class_of(review, place, swing)) } data-swing=(review.number(place)) {
                title { (swing_sentence(review, place, swing)) }
                (mark(Kind::of(review, swing), x, y))
            }
        }
    }
}
