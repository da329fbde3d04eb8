//! The hand's path of one swing as two small pictures, face-on and down the line, on one scale.

use super::chart::{path, px};
use crate::review::speed::hand_path::{HandPath, PathPoint};
use crate::review::wording::number;
use maud::{Markup, html};

/// Pixels a metre, and what is left free around the path.
const SCALE: f64 = 300.0;
const MARGIN: f64 = 44.0;

/// The pictures. `side` is 1 for a right-handed player, −1 for a left-handed one, who is seen as the mirror image.
pub fn figures(found: &HandPath, side: f64) -> Markup {
    let face_on = |at: &nalgebra::Vector3<f64>| (side * at.x, at.y);
    let down_the_line = |at: &nalgebra::Vector3<f64>| (side * at.z, at.y);
    html! {
        div.hands {
            figure { figcaption { "The hand's path, face-on" } (picture(found, &face_on, "face-on")) }
            figure { figcaption { "Down the line" } (picture(found, &down_the_line, "down the line")) }
        }
        p.about {
            "The hand going back (dashed) and coming down (solid), and the lead shoulder (dotted); a line every half metre. "
            "No sensor knows where the target is: the arm's plane stands for it. At the ball a place may be off by "
            (number(found.at_ball_sd_m * 100.0, 0)) " cm along each axis (one standard deviation), before it by less."
        }
    }
}

type View<'a> = &'a dyn Fn(&nalgebra::Vector3<f64>) -> (f64, f64);

fn picture(found: &HandPath, view: View, name: &str) -> Markup {
    let places = found.points.iter().flat_map(|point| [view(&point.hand_m), view(&point.hub_m)]);
    let whole = places.fold((0.0_f64, 0.0_f64, 0.0_f64, 0.0_f64), |(left, right, low, high), (x, y)| {
        (left.min(x), right.max(x), low.min(y), high.max(y))
    });
    let (left, right, low, high) = whole;
    let at = |(x, y): (f64, f64)| (MARGIN + (x - left) * SCALE, MARGIN + (high - y) * SCALE);
    let (width, height) = (2.0 * MARGIN + (right - left) * SCALE, 2.0 * MARGIN + (high - low) * SCALE);
    let line = |keep: &dyn Fn(&&PathPoint) -> bool, of: fn(&PathPoint) -> nalgebra::Vector3<f64>| {
        path(found.points.iter().filter(keep).map(|point| at(view(&of(point)))))
    };
    let top = found.points.iter().position(|point| point.down).unwrap_or(0);
    // The way down begins where the way back ends.
    let top_s = found.points.get(top).map_or(0.0, |point| point.t_s);
    let label = format!("The hand's path, {name}");
    html! {
        svg.chart viewBox=(format!("0 0 {} {}", px(width), px(height))) role="img" aria-label=(label) {
            @for half in halves(low, high) {
                path.grid d=(format!("M0 {}H{}", px(at((0.0, half)).1), px(width))) {}
            }
            @for half in halves(left, right) {
                path.grid d=(format!("M{} 0V{}", px(at((half, 0.0)).0), px(height))) {}
            }
            path.hub-path d=(line(&|_| true, |point| point.hub_m)) {}
            path.hand-path.back d=(line(&|point| point.t_s <= top_s, |point| point.hand_m)) {}
            path.hand-path.down d=(line(&|point| point.down, |point| point.hand_m)) {}
            @for (point, word) in marks(found, top) {
                @let (x, y) = at(view(&point.hand_m));
                circle.joint cx=(px(x)) cy=(px(y)) r="3.5" {}
                text x=(px(x + 6.0)) y=(px(y - 5.0)) { (word) }
            }
        }
    }
}

/// Start, top and ball. Start and ball lie near each other, so the start has no word.
fn marks(found: &HandPath, top: usize) -> impl Iterator<Item = (&PathPoint, &'static str)> {
    let at = |place: usize, word| found.points.get(place).map(|point| (point, word));
    [at(0, ""), at(top, "top"), at(found.points.len().saturating_sub(1), "ball")].into_iter().flatten()
}

/// The multiples of half a metre within a range.
fn halves(low: f64, high: f64) -> Vec<f64> {
    super::chart::ticks(low, high, 0.5)
}
