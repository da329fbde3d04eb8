//! A player over the weeks: each bucket's mean arm travel at the set, with its interval and the window of the club.

use super::chart::{Scale, px, step, ticks};
use crate::detect::TargetWindow;
use crate::review::compare::compared::{OnSide, Week};
use crate::review::wording::{clean, number, percent};
use crate::units::{WallTime, counted};
use maud::{Markup, html};

const WIDTH: f64 = 800.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 54.0;
const RIGHT: f64 = 786.0;
const UPPER: f64 = 18.0;
const LOWER: f64 = 248.0;
const DAY_MS: f64 = 86_400_000.0;
/// Days between two dates on the axis that may be chosen.
const STEPS_DAYS: [f64; 8] = [1.0, 2.0, 7.0, 14.0, 28.0, 91.0, 182.0, 365.0];
/// Dates on the axis at most.
const DATES: f64 = 7.0;

/// The drawing; nothing without a bucket.
pub fn figure(weeks: &[Week], window: Option<TargetWindow>) -> Markup {
    let (Some(first), Some(last)) = (weeks.first(), weeks.last()) else { return html! {} };
    let days = |at: WallTime| at.0 as f64 / DAY_MS;
    let room = ((days(last.started) - days(first.started)) * 0.03).max(0.5);
    let time = Scale { from: (days(first.started) - room, days(last.started) + room), to: (LEFT, RIGHT) };
    let ends = weeks.iter().flat_map(|week| {
        let (low, high) = week.travel.interval.unwrap_or((week.travel.mean, week.travel.mean));
        [low, high, week.travel.mean]
    });
    let (low, high) = ends
        .chain(window.iter().flat_map(|window| [window.from, window.to]))
        .fold((1.0_f64, 0.0_f64), |(low, high), value| (low.min(value), high.max(value)));
    let travel = Scale { from: ((low - 0.05).max(-0.1), (high + 0.05).min(1.1)), to: (LOWER, UPPER) };
    html! {
        svg.chart.weeks role="img" viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) aria-labelledby="weeks-title weeks-about" {
            title #weeks-title { "Arm travel at the set over the weeks" }
            desc #weeks-about {
                "A point is the mean of a bucket, its bar the 95 % interval of that mean (Student's t, the measurement added whole; a bucket of one swing has none). Shaded: the target window."
            }
            @if let Some(window) = window { (band(&travel, window)) }
            (axes(&time, &travel))
            @for week in weeks { (point(week, time.pixel(days(week.started)), &travel)) }
        }
    }
}

fn band(travel: &Scale, window: TargetWindow) -> Markup {
    let (upper, lower) = (travel.pixel(window.to).max(UPPER), travel.pixel(window.from).min(LOWER));
    html! {
        g.band {
            rect x=(px(LEFT)) y=(px(upper)) width=(px(RIGHT - LEFT)) height=(px((lower - upper).max(0.0))) {}
            path d=(format!("M{LEFT} {upper:.1}H{RIGHT}M{LEFT} {lower:.1}H{RIGHT}")) {}
        }
    }
}

fn axes(time: &Scale, travel: &Scale) -> Markup {
    let (from, to) = time.from;
    let step = step(to - from, &STEPS_DAYS, DATES, 730.0);
    let form = if to - from > 300.0 { "%b %Y" } else { "%-d %b" };
    html! {
        g.axes {
            @for percent in ticks(travel.from.0 * 100.0, travel.from.1 * 100.0, 10.0) {
                @let y = travel.pixel(percent / 100.0);
                path.grid d=(format!("M{LEFT} {y:.1}H{RIGHT}")) {}
                text x=(px(LEFT - 6.0)) y=(px(y + 4.5)) text-anchor="end" { (number(percent, 0)) " %" }
            }
            path.line d=(format!("M{LEFT} {LOWER}H{RIGHT}")) {}
            @for day in ticks(from, to, step) {
                @let at = time.pixel(day);
                path.line d=(format!("M{at:.1} {LOWER}v5")) {}
                text x=(px(at)) y=(px(LOWER + 20.0)) text-anchor="middle" {
                    (WallTime((day * DAY_MS) as i64).utc(form))
                }
            }
            text.name x=(px(LEFT)) y=(px(LOWER + 42.0)) { "arm travel at the set, bucket by bucket" }
        }
    }
}

fn point(week: &Week, x: f64, travel: &Scale) -> Markup {
    let mean = week.travel.mean;
    let y = travel.pixel(mean);
    let (class, side) = match week.side {
        OnSide::First => ("first", ", first side"),
        OnSide::Second => ("second", ", second side"),
        OnSide::Both => ("second", ", both sides"),
        OnSide::Neither => ("neither", ""),
    };
    let interval = week
        .travel
        .interval
        .map_or_else(String::new, |(low, high)| format!(" (95 %: {} to {} %)", percent(low), percent(high)));
    html! {
        g.side.(class) {
            title {
                (clean(&week.name)) ", " (week.started.utc("%Y-%m-%d")) ": " (percent(mean)) " %" (interval)
                ", " (counted(week.travel.swings, "swing")) (side)
            }
            @if let Some((low, high)) = week.travel.interval {
                path.bar d=(format!("M{x:.1} {:.1}V{:.1}", travel.pixel(low).min(LOWER), travel.pixel(high).max(UPPER))) {}
            }
            @if week.side == OnSide::First {
                path.point d=(format!("M{:.1} {y:.1}l5.5 -5.5 5.5 5.5 -5.5 5.5z", x - 5.5)) {}
            } @else {
                circle.point cx=(px(x)) cy=(px(y)) r="5" {}
            }
        }
    }
}
