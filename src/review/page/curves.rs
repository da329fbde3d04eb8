//! One drawing per club: the hinge over arm travel, out to the top and back down to impact.

use super::chart::{
    CURVES_HEIGHT, CURVES_WIDTH, LEFT, LOWER, Labels, RIGHT, Scale, UPPER, hinge_grid, hinge_scale, mark,
    path, px,
};
use super::{Kind, class_of, swing_sentence};
use crate::detect::{CurvePoint, Swing, TargetWindow};
use crate::review::Review;
use crate::review::wording;
use maud::{Markup, html};

/// Where the top lies: the backswing gets more room, because the set lies there.
const TOP_X: f64 = 360.0;

/// The pixel of an arm travel before or after the top; after it the axis runs on as the arm comes back.
fn x(arm_travel: f64, after_top: bool) -> f64 {
    if after_top {
        Scale { from: (1.0, 0.0), to: (TOP_X, RIGHT) }.pixel(arm_travel)
    } else {
        Scale { from: (0.0, 1.0), to: (LEFT, TOP_X) }.pixel(arm_travel)
    }
}

/// The points from takeaway to impact (in the air: to where the arm is back at address), each with whether
/// it lies after the top.
fn drawn(swing: &Swing) -> impl Iterator<Item = (bool, &CurvePoint)> {
    let end = swing.impact;
    let started = swing.curve.iter().skip_while(|point| point.t < swing.takeaway);
    started
        .map(|point| (point.t > swing.top, point))
        .take_while(move |(_, point)| end.is_none_or(|end| point.t <= end))
        .take_while(|(after_top, point)| !after_top || point.arm_travel >= 0.0)
}

/// The drawing of one club's swings. `place` makes its ids unique on the page.
pub fn figure(review: &Review, club: Option<&str>, place: usize) -> Markup {
    html! {
        figure {
            figcaption { (wording::club_name(club)) }
            (chart(review, club, place))
        }
    }
}

/// The drawing without a frame.
pub fn chart(review: &Review, club: Option<&str>, place: usize) -> Markup {
    let numbered = review.analysis.swings.iter().enumerate();
    let swings: Vec<(usize, &Swing)> = numbered.filter(|(_, swing)| swing.club.as_deref() == club).collect();
    let hinges = swings.iter().flat_map(|(_, swing)| drawn(swing)).map(|(_, point)| point.hinge_deg);
    let hinge = hinge_scale(hinges);
    let window = review.windows.for_club(club);
    let (title_id, about_id) = (format!("curves-{place}-title"), format!("curves-{place}-about"));
    let name = wording::club_name(club);
    html! {
            svg.chart role="img" viewBox=(format!("0 0 {CURVES_WIDTH} {CURVES_HEIGHT}"))
                aria-labelledby=(format!("{title_id} {about_id}")) {
                title id=(title_id) { "Hinge over arm travel, " (name) }
                desc id=(about_id) { (description(review, &swings, window)) }
                @if let Some(window) = window { (window_band(window)) }
                (axes(&hinge))
                @for (number, swing) in &swings { (curve(review, &hinge, *number, swing)) }
                (marks(review, &hinge, &swings))
            }
    }
}

fn description(review: &Review, swings: &[(usize, &Swing)], window: Option<TargetWindow>) -> String {
    let mut text = match window {
        Some(window) => format!("The target window is {}. ", percent_range(window)),
        None => String::new(),
    };
    for (place, swing) in swings {
        text += &swing_sentence(review, *place, swing);
        text.push(' ');
    }
    text.trim_end().to_owned()
}

fn percent_range(window: TargetWindow) -> String {
    format!("{} to {} % of arm travel", wording::percent(window.from), wording::percent(window.to))
}

fn window_band(window: TargetWindow) -> Markup {
    let (from, to) = (x(window.from, false), x(window.to, false));
    let middle = (from + to) / 2.0;
    html! {
        g.band {
            rect x=(px(from)) y=(px(UPPER)) width=(px((to - from).max(0.0))) height=(px(LOWER - UPPER)) {}
            path d=(format!("M{from:.1} {UPPER}V{LOWER}M{to:.1} {UPPER}V{LOWER}")) {}
            text x=(px(middle)) y=(px(UPPER - 8.0)) text-anchor="middle" { "target window" }
        }
    }
}

fn axes(hinge: &Scale) -> Markup {
    let address = hinge.pixel(0.0);
    html! {
        g.axes {
            (hinge_grid(hinge))
            path.line d=(format!("M{LEFT} {address:.1}H{RIGHT}M{TOP_X} {UPPER}V{LOWER}")) {}
            @for (travel, after_top, words) in [
                (0.0, false, "0 %"), (0.25, false, "25"), (0.5, false, "50"), (0.75, false, "75"),
                (1.0, false, "100 %"), (0.5, true, "50"), (0.0, true, "0"),
            ] {
                @let at = x(travel, after_top);
                path.line d=(format!("M{at:.1} {LOWER}v5")) {}
                text x=(px(at)) y=(px(LOWER + 19.0)) text-anchor="middle" { (words) }
            }
            text.name x=(px(LEFT)) y=(px(LOWER + 38.0)) { "takeaway" }
            text.name x=(px((LEFT + TOP_X) / 2.0)) y=(px(LOWER + 38.0)) text-anchor="middle" {
                "going back"
            }
            text.name x=(px(TOP_X)) y=(px(LOWER + 38.0)) text-anchor="middle" { "top" }
            text.name x=(px(RIGHT)) y=(px(LOWER + 38.0)) text-anchor="end" { "coming down" }
            text.name x="4" y=(px(UPPER - 12.0)) { "hinge" }
        }
    }
}

fn curve(review: &Review, hinge: &Scale, place: usize, swing: &Swing) -> Markup {
    let pixel = |(after_top, point): (bool, &CurvePoint)| {
        (x(point.arm_travel.clamp(0.0, 1.0), after_top), hinge.pixel(point.hinge_deg))
    };
    html! {
        path class={ "curve " (class_of(review, place, swing)) } data-swing=(review.number(place))
            d=(path(drawn(swing).map(pixel))) {
            title { (swing_sentence(review, place, swing)) }
        }
    }
}

/// The sets: a mark with its uncertainty and the swing's number.
fn marks(review: &Review, hinge: &Scale, swings: &[(usize, &Swing)]) -> Markup {
    let sets: Vec<_> = swings
        .iter()
        .filter_map(|(place, swing)| Some((*place, *swing, pixel_of_set(hinge, swing)?)))
        .collect();
    let mut labels = Labels::default();
    for (_, _, point) in &sets {
        labels.keep_clear(*point);
    }
    html! {
        @for (place, swing, (cx, cy)) in sets {
            @let kind = Kind::of(review, swing);
            @let label = labels.place((cx, cy));
            g class={ "set " (class_of(review, place, swing)) } data-swing=(review.number(place)) {
                title { (swing_sentence(review, place, swing)) }
                path.bar d=(bar(swing, cx, cy)) {}
                (mark(kind, cx, cy))
                @if let Some(label) = label {
                    text x=(px(label.0)) y=(px(label.1 + 4.5)) text-anchor="middle" { (review.number(place)) }
                }
            }
        }
    }
}

fn pixel_of_set(hinge: &Scale, swing: &Swing) -> Option<(f64, f64)> {
    let set = swing.set?;
    let at_set = swing.hinge_deg.set?;
    let after_top = set.set > swing.top;
    let point = (x(set.arm_travel_at_set.value, after_top), hinge.pixel(at_set.value));
    (point.0.is_finite() && point.1.is_finite()).then_some(point)
}

/// One standard deviation of arm travel to either side.
fn bar(swing: &Swing, cx: f64, cy: f64) -> String {
    let sd = swing.set.map_or(0.0, |set| set.arm_travel_at_set.sd);
    let sd = if sd.is_finite() { sd.clamp(0.0, 1.0) } else { 0.0 };
    let half = x(sd, false) - x(0.0, false);
    let caps = format!("M{:.1} {:.1}v8M{:.1} {:.1}v8", cx - half, cy - 4.0, cx + half, cy - 4.0);
    format!("M{:.1} {cy:.1}h{:.1}{caps}", cx - half, 2.0 * half)
}
