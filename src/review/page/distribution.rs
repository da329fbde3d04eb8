//! How one club's sets are spread: a mark for each over the arm travel, the window, the middle and the middle half.

use super::chart::{Scale, mark, px, ticks};
use super::{Kind, class_of, swing_sentence};
use crate::detect::Swing;
use crate::review::Review;
use crate::review::statistics::Spread;
use crate::review::wording::{self, number, percent};
use maud::{Markup, html};

const WIDTH: f64 = 520.0;
const LEFT: f64 = 14.0;
const RIGHT: f64 = 506.0;
const UPPER: f64 = 20.0;
/// Width of a heap of marks, and height of a mark in it, pixels.
const HEAP: f64 = 11.0;
/// Highest heap in full height; a higher one is pressed together.
const HIGHEST: usize = 9;

/// A swing's mark: its swing and where it lies, counted in heaps from the left and from the ground.
struct Placed<'a> {
    place: usize,
    swing: &'a Swing,
    x: f64,
    level: usize,
}

/// The drawing of one club's sets. `place` makes its ids unique on the page.
pub fn figure(review: &Review, club: Option<&str>, place: usize) -> Markup {
    let swings: Vec<(usize, &Swing)> =
        review.counted().filter(|(_, swing)| swing.club.as_deref() == club).collect();
    let travels: Vec<f64> =
        swings.iter().filter_map(|(_, swing)| Some(swing.set?.arm_travel_at_set.value)).collect();
    let Some(spread) = Spread::of(&travels) else { return html! {} };
    let scale = Scale { from: (0.0, 1.1), to: (LEFT, RIGHT) };
    let placed = heaped(&swings, &scale);
    let highest = placed.iter().map(|one| one.level + 1).max().unwrap_or(1);
    let rise = HEAP * (HIGHEST as f64 / highest as f64).min(1.0);
    let ground = UPPER + HEAP * highest.min(HIGHEST) as f64 + 8.0;
    let (title_id, name) = (format!("spread-{place}"), wording::club_name(club));
    let window = review.windows.for_club(club);
    html! {
        svg.chart.spread role="img" viewBox=(format!("0 0 {WIDTH} {:.0}", ground + 54.0)) aria-labelledby=(title_id) {
            title id=(title_id) { "Arm travel at the set, " (name) ": " (sentence(&spread)) }
            @if let Some(window) = window {
                @let (from, to) = (scale.pixel(window.from.clamp(0.0, 1.1)), scale.pixel(window.to.clamp(0.0, 1.1)));
                g.band {
                    rect x=(px(from)) y=(px(UPPER)) width=(px((to - from).max(0.0))) height=(px(ground - UPPER)) {}
                    path d=(format!("M{from:.1} {UPPER}V{ground:.1}M{to:.1} {UPPER}V{ground:.1}")) {}
                    text x=(px((from + to) / 2.0)) y=(px(UPPER - 6.0)) text-anchor="middle" { "target window" }
                }
            }
            path.line d=(format!("M{LEFT} {ground:.1}H{RIGHT}")) {}
            @for percent in ticks(0.0, 100.0, 25.0) {
                @let at = scale.pixel(percent / 100.0);
                path.line d=(format!("M{at:.1} {ground:.1}v5")) {}
                text x=(px(at)) y=(px(ground + 48.0)) text-anchor="middle" { (number(percent, 0)) " %" }
            }
            @for one in &placed {
                @let y = ground - 7.0 - rise * one.level as f64;
                g class={ "set " (class_of(review, one.place, one.swing)) } data-swing=(review.number(one.place)) {
                    title { (swing_sentence(review, one.place, one.swing)) }
                    (mark(Kind::of(review, one.swing), one.x, y))
                }
            }
            (middle(&spread, &scale, ground))
        }
    }
}

fn sentence(spread: &Spread) -> String {
    format!(
        "the middle one at {} %, the middle half from {} to {} %",
        percent(spread.median),
        percent(spread.lower_quartile),
        percent(spread.upper_quartile)
    )
}

/// The marks, one above the other where they would meet.
fn heaped<'a>(swings: &[(usize, &'a Swing)], scale: &Scale) -> Vec<Placed<'a>> {
    let mut heights = std::collections::BTreeMap::<i64, usize>::new();
    let heap = |(place, swing): &(usize, &'a Swing)| {
        let travel = swing.set?.arm_travel_at_set.value;
        let column = ((scale.pixel(travel.clamp(0.0, 1.1)) - LEFT) / HEAP).round();
        let height = heights.entry(column as i64).or_default();
        *height += 1;
        Some(Placed { place: *place, swing, x: LEFT + HEAP * column, level: *height - 1 })
    };
    swings.iter().filter(|(_, swing)| travel_is_known(swing)).filter_map(heap).collect()
}

fn travel_is_known(swing: &Swing) -> bool {
    swing.set.is_some_and(|set| set.arm_travel_at_set.value.is_finite())
}

/// The middle as a line, the middle half as a bar, under the ground.
fn middle(spread: &Spread, scale: &Scale, ground: f64) -> Markup {
    let [low, middle, high] =
        [spread.lower_quartile, spread.median, spread.upper_quartile].map(|t| scale.pixel(t.clamp(0.0, 1.1)));
    html! {
        g.middle {
            rect x=(px(low)) y=(px(ground + 12.0)) width=(px((high - low).max(1.0))) height="12" {}
            path d=(format!("M{middle:.1} {:.1}v20", ground + 8.0)) {}
        }
    }
}
