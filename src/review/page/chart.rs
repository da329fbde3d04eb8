//! What the page's drawings share: a linear scale, ticks, marks, labels that keep out of each other's way.

use super::Kind;
use crate::review::wording::number;
use maud::{Markup, html};
use std::fmt::Write;

/// Maps numbers onto pixels in proportion.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    pub from: (f64, f64),
    pub to: (f64, f64),
}

impl Scale {
    pub fn pixel(&self, value: f64) -> f64 {
        let part = (value - self.from.0) / (self.from.1 - self.from.0);
        self.to.0 + part * (self.to.1 - self.to.0)
    }
}

/// The pixels of a drawing of hinge curves: the whole, and where its axes run.
pub const CURVES_WIDTH: f64 = 520.0;
pub const CURVES_HEIGHT: f64 = 334.0;
pub const LEFT: f64 = 42.0;
pub const RIGHT: f64 = 508.0;
pub const UPPER: f64 = 26.0;
pub const LOWER: f64 = 288.0;

/// A scale that holds these hinges and the address line, in steps of ten degrees.
pub fn hinge_scale(hinges_deg: impl Iterator<Item = f64>) -> Scale {
    let hinges = hinges_deg.filter(|hinge| hinge.is_finite());
    let (low, high) = hinges.fold((0.0_f64, 10.0_f64), |(low, high), h| (low.min(h), high.max(h)));
    let range = ((low / 10.0).floor() * 10.0, (high / 10.0 + 0.2).ceil() * 10.0);
    Scale { from: range, to: (LOWER, UPPER) }
}

/// The hinge's axis: a line every ten degrees, with its number.
pub fn hinge_grid(hinge: &Scale) -> Markup {
    html! {
        @for degrees in ticks(hinge.from.0, hinge.from.1, 10.0) {
            @let y = hinge.pixel(degrees);
            path.grid d=(format!("M{LEFT} {y:.1}H{RIGHT}")) {}
            text x=(px(LEFT - 6.0)) y=(px(y + 4.5)) text-anchor="end" { (number(degrees, 0)) "°" }
        }
    }
}

/// The first of these steps that cuts a span into no more parts than `most`, or else `largest`.
pub fn step(span: f64, steps: &[f64], most: f64, largest: f64) -> f64 {
    steps.iter().copied().find(|step| span / step <= most).unwrap_or(largest)
}

/// The multiples of a step within a range, ends included.
pub fn ticks(low: f64, high: f64, step: f64) -> Vec<f64> {
    let (first, last) = ((low / step - 1e-9).ceil() as i64, (high / step + 1e-9).floor() as i64);
    (first..=last).map(|multiple| multiple as f64 * step).collect()
}

/// A line may miss a point of its curve by so much, pixels: no eye sees it.
const UNSEEN: f64 = 0.3;

/// Path data through points, in tenths of a pixel; points that no eye misses are left out.
pub fn path(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let points: Vec<_> = points.into_iter().filter(|(x, y)| x.is_finite() && y.is_finite()).collect();
    let mut data = String::new();
    for (place, (x, y)) in thinned(&points, UNSEEN).into_iter().enumerate() {
        let command = if place == 0 { 'M' } else { 'L' };
        // Writing to a string cannot fail.
        let _ = write!(data, "{command}{x:.1} {y:.1}");
    }
    data
}

/// As few of the points as pass all the others within a distance: the line between two ends is broken at the
/// point that lies farthest from it (Ramer 1972, Douglas & Peucker 1973, from memory).
pub fn thinned(points: &[(f64, f64)], distance: f64) -> Vec<(f64, f64)> {
    let Some(last) = points.len().checked_sub(1) else { return Vec::new() };
    let mut kept = vec![false; points.len()];
    (kept[0], kept[last]) = (true, true);
    let mut stretches = vec![(0, last)];
    while let Some((from, to)) = stretches.pop() {
        let away = |at: &usize| from_line(points[*at], points[from], points[to]);
        let farthest = (from + 1..to).max_by(|a, b| away(a).total_cmp(&away(b)));
        if let Some(at) = farthest.filter(|at| away(at) > distance) {
            kept[at] = true;
            stretches.extend([(from, at), (at, to)]);
        }
    }
    points.iter().zip(kept).filter(|(_, kept)| *kept).map(|(point, _)| *point).collect()
}

/// How far a point lies from the line between two others.
fn from_line(point: (f64, f64), a: (f64, f64), b: (f64, f64)) -> f64 {
    let along = (b.0 - a.0, b.1 - a.1);
    let length2 = along.0 * along.0 + along.1 * along.1;
    let to = (point.0 - a.0, point.1 - a.1);
    let part =
        if length2 > 0.0 { ((to.0 * along.0 + to.1 * along.1) / length2).clamp(0.0, 1.0) } else { 0.0 };
    (to.0 - part * along.0).hypot(to.1 - part * along.1)
}

/// The mark of a kind around a point: each has a shape of its own, so that colour is not needed.
pub fn mark(kind: Kind, x: f64, y: f64) -> Markup {
    let data = match kind {
        Kind::InWindow | Kind::Plain => return html! { circle.mark cx=(px(x)) cy=(px(y)) r="4.5" {} },
        Kind::Early => format!("M{} {y:.1}l9.5 -5.5v11z", px(x - 6.0)),
        Kind::Late => format!("M{} {y:.1}l-9.5 -5.5v11z", px(x + 6.0)),
        Kind::NoSet => format!("M{} {}l9 9m0 -9l-9 9", px(x - 4.5), px(y - 4.5)),
    };
    html! { path.mark d=(data) {} }
}

/// A pixel coordinate with one decimal.
pub fn px(value: f64) -> String {
    format!("{value:.1}")
}

/// Places small labels near their points, each where it meets no other.
#[derive(Default)]
pub struct Labels {
    taken: Vec<(f64, f64)>,
}

impl Labels {
    /// About the width and height of a two-digit label, in pixels.
    const SIZE: (f64, f64) = (17.0, 13.0);

    /// Keeps labels off a point.
    pub fn keep_clear(&mut self, point: (f64, f64)) {
        self.taken.push(point);
    }

    /// The centre for a label of a point; `None` where there is no room left.
    pub fn place(&mut self, (x, y): (f64, f64)) -> Option<(f64, f64)> {
        let offsets = [
            (0.0, -14.0),
            (0.0, 15.0),
            (15.0, -10.0),
            (-15.0, -10.0),
            (15.0, 11.0),
            (-15.0, 11.0),
            (0.0, -28.0),
            (0.0, 29.0),
            (18.0, -24.0),
            (-18.0, -24.0),
            (18.0, 25.0),
            (-18.0, 25.0),
        ];
        let candidates = offsets.map(|(dx, dy)| (x + dx, y + dy));
        let free = |at: &(f64, f64)| {
            let meets = |other: &(f64, f64)| {
                (at.0 - other.0).abs() < Self::SIZE.0 && (at.1 - other.1).abs() < Self::SIZE.1
            };
            !self.taken.iter().any(meets)
        };
        let place = candidates.into_iter().find(free)?;
        self.taken.push(place);
        Some(place)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn what_is_left_out_lies_on_what_is_kept(
            points in prop::collection::vec((0.0..100.0, 0.0..100.0), 2..80)
        ) {
            let kept = thinned(&points, 2.0);
            prop_assert_eq!((kept.first(), kept.last()), (points.first(), points.last()));
            for point in &points {
                let nearest = kept.windows(2).map(|pair| from_line(*point, pair[0], pair[1])).fold(f64::MAX, f64::min);
                prop_assert!(nearest <= 2.0 + 1e-9);
            }
        }
    }

    #[test]
    fn ticks_are_multiples_within_the_range() {
        assert_eq!(ticks(-12.0, 20.0, 10.0), [-10.0, 0.0, 10.0, 20.0]);
        assert_eq!(ticks(0.1, 0.9, 1.0), [] as [f64; 0]);
    }

    #[test]
    fn a_scale_may_run_downwards() {
        let scale = Scale { from: (0.0, 10.0), to: (100.0, 0.0) };
        assert_eq!((scale.pixel(0.0), scale.pixel(2.5), scale.pixel(20.0)), (100.0, 75.0, -100.0));
    }

    #[test]
    fn a_path_leaves_out_what_no_eye_sees_but_never_its_end() {
        assert_eq!(path([(0.0, 0.0), (0.2, 0.0), (5.0, 0.0), (5.3, 0.0)]), "M0.0 0.0L5.3 0.0");
        assert_eq!(path([(0.0, 0.0), (2.0, 2.0), (4.0, 0.0)]), "M0.0 0.0L2.0 2.0L4.0 0.0");
        assert_eq!(path([(0.0, f64::NAN), (1.0, 1.0)]), "M1.0 1.0");
        assert_eq!(path([]), "");
    }

    #[test]
    fn labels_of_equal_points_do_not_meet_and_there_is_an_end_of_them() {
        let mut labels = Labels::default();
        let places: Vec<_> = (0..40).map_while(|_| labels.place((50.0, 50.0))).collect();
        assert!((5..20).contains(&places.len()), "{places:?}");
        for (i, a) in places.iter().enumerate() {
            for b in &places[..i] {
                assert!((a.0 - b.0).abs() >= 17.0 || (a.1 - b.1).abs() >= 13.0, "{a:?} meets {b:?}");
            }
        }
    }
}
