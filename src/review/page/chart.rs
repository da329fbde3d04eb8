//! What the page's drawings share: a linear scale, ticks, marks, labels that keep out of each other's way.

use super::Kind;
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

/// The multiples of a step within a range, ends included.
pub fn ticks(low: f64, high: f64, step: f64) -> Vec<f64> {
    let (first, last) = ((low / step - 1e-9).ceil() as i64, (high / step + 1e-9).floor() as i64);
    (first..=last).map(|multiple| multiple as f64 * step).collect()
}

/// Path data through points, in tenths of a pixel. Points closer than a pixel to the last are left out.
pub fn path(points: impl IntoIterator<Item = (f64, f64)>) -> String {
    let mut data = String::new();
    let mut last: Option<(f64, f64)> = None;
    let mut left_out = None;
    for (x, y) in points.into_iter().filter(|(x, y)| x.is_finite() && y.is_finite()) {
        let near = last.is_some_and(|(lx, ly)| (x - lx).hypot(y - ly) < 1.0);
        left_out = near.then_some((x, y));
        if !near {
            let command = if last.is_none() { 'M' } else { 'L' };
            // Writing to a string cannot fail.
            let _ = write!(data, "{command}{x:.1} {y:.1}");
            last = Some((x, y));
        }
    }
    if let Some((x, y)) = left_out {
        let _ = write!(data, "L{x:.1} {y:.1}");
    }
    data
}

/// The mark of a kind around a point: each has a shape of its own, so that colour is not needed.
pub fn mark(kind: Kind, x: f64, y: f64) -> Markup {
    let data = match kind {
        Kind::In | Kind::Plain => return html! { circle.mark cx=(px(x)) cy=(px(y)) r="4.5" {} },
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
        assert_eq!(path([(0.0, 0.0), (0.2, 0.0), (5.0, 0.0), (5.3, 0.0)]), "M0.0 0.0L5.0 0.0L5.3 0.0");
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
