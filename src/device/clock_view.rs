//! The host's view of one node's clock: how far it is off, how fast it gains, how late readings come. Pure.
//!
//! A reading that was taken at `t` and came at `h` was under way for `h − t` less the distance of the two clocks.
//! No reading is under way for less than the least latency, so all points (t, h − t) lie above a line whose slope
//! is the skew; the line that touches them from below and lies nearest to them is the estimate. It is the edge of
//! their lower convex hull over the middle of their times (Moon, Skelly & Towsley 1999, "Estimation and removal of
//! clock skew from network delay measurements", INFOCOM [M]). Delays in bursts, as a radio's, do no harm as long as
//! some readings are quick. A host that only listens cannot tell the least latency from the distance of the clocks:
//! the offset holds both.
//!
//! A node that starts anew, a counter that was set, a host that slept: readings then no longer fit the line. When
//! none does for a while and they agree among themselves, a new line begins. Wall time has no part in this.

use crate::units::{DeviceTime, HostTime, Measured};
use std::collections::VecDeque;

/// How the line is found. The defaults are common sense, not measured.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockViewParams {
    /// Of each stretch of so long the quickest reading is kept, s. Default 1.
    pub stretch_s: f64,
    /// So many stretches are kept. Default 600: clocks wander with the temperature.
    pub stretches: usize,
    /// How far quartz clocks are off, before anything is known (standard deviation). Default 40e-6.
    pub skew_sd: f64,
    /// A reading quicker than the line by more than this shows that those before it were all slow, s. Default 5 ms.
    pub quicker_s: f64,
    /// A reading off by more than this does not fit, s. Default 0.25.
    pub misfit_s: f64,
    /// Readings that do not fit but agree for so long begin a new line, s. Default 1.
    pub agree_s: f64,
    /// The same where they are only late, which a crowded link may explain, s. Default 10.
    pub agree_late_s: f64,
    /// Time over which the latency is averaged, s. Default 5.
    pub latency_s: f64,
    /// Where readings wait for a radio's turn, and its rhythm and theirs are nearly in step, the least wait itself
    /// drifts by as much as this, s. Nobody who only listens can tell that from the clock's drift, so it widens what
    /// is not known. Default 0: a cable.
    pub beat_s: f64,
}

impl ClockViewParams {
    /// For a link over the air, with frames 10 ms apart.
    #[must_use]
    pub fn on_the_air() -> ClockViewParams {
        let (beat_s, cable) = (0.010, ClockViewParams::default());
        ClockViewParams { beat_s, quicker_s: cable.quicker_s + beat_s, ..cable }
    }
}

impl Default for ClockViewParams {
    fn default() -> ClockViewParams {
        ClockViewParams {
            stretch_s: 1.0,
            stretches: 600,
            skew_sd: 40e-6,
            quicker_s: 0.005,
            misfit_s: 0.25,
            agree_s: 1.0,
            agree_late_s: 10.0,
            latency_s: 5.0,
            beat_s: 0.0,
        }
    }
}

/// Least spread of the quickest readings, s: clocks are read in steps.
const LEAST_SPREAD_S: f64 = 20e-6;
/// A crystal's own wander, which no line follows.
const WANDER_SKEW: f64 = 0.1e-6;

/// How a node's clock stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockStand {
    /// Host's clock less node's clock at the newest reading, the least latency included, s.
    pub offset_s: Measured,
    /// How much faster the node's clock runs than the host's (1e-6 is one ppm).
    pub skew: Measured,
    /// How much later than the quickest ones readings came of late, on average, s.
    pub latency_s: f64,
    /// How often a new line has begun.
    pub anew: u32,
}

/// A point: node's time and delay since the line's origin, s.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Point {
    node_s: f64,
    delay_s: f64,
}

/// `delay = level + slope · node time`.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Line {
    level_s: f64,
    slope: f64,
    slope_sd: f64,
    /// Where the line is known best, and how well, s.
    middle_s: f64,
    level_sd_s: f64,
}

impl Line {
    fn at(&self, node_s: f64) -> f64 {
        self.level_s + self.slope * node_s
    }
}

/// Readings that do not fit the line, but may begin a new one.
#[derive(Clone, Copy, Debug)]
struct Misfits {
    first: (DeviceTime, HostTime),
    newest: DeviceTime,
}

/// The estimate and its state: a few kilobytes, whatever comes.
#[derive(Clone, Debug)]
pub struct ClockView {
    params: ClockViewParams,
    origin: Option<(DeviceTime, HostTime)>,
    newest: (DeviceTime, HostTime),
    quickest: VecDeque<Point>,
    line: Line,
    latency_s: f64,
    misfits: Option<Misfits>,
    anew: u32,
}

impl ClockView {
    /// Nothing is known yet.
    #[must_use]
    pub fn new(params: ClockViewParams) -> ClockView {
        let line =
            Line { level_s: 0.0, slope: 0.0, slope_sd: params.skew_sd, middle_s: 0.0, level_sd_s: 0.0 };
        ClockView {
            params,
            origin: None,
            newest: (DeviceTime(0), HostTime(0)),
            quickest: VecDeque::new(),
            line,
            latency_s: 0.0,
            misfits: None,
            anew: 0,
        }
    }

    /// Takes a reading: when it was taken, when it came. Of readings that come together the newest is enough.
    pub fn hear(&mut self, t: DeviceTime, received: HostTime) {
        let Some(origin) = self.origin else { return self.begin(t, received) };
        let point = point_from(origin, t, received);
        let excess_s = point.delay_s - self.line.at(point.node_s);
        let is_newest = t > self.newest.0;
        if is_newest && excess_s > -self.params.misfit_s {
            self.follow_latency(excess_s.max(0.0), t);
        }
        if is_newest && excess_s.abs() <= self.params.misfit_s {
            self.misfits = None;
            self.newest = (t, received);
            self.take(point, excess_s);
        } else {
            self.misfit(t, received, is_newest && excess_s > 0.0);
        }
    }

    /// How the clock stands; none before the first reading.
    #[must_use]
    pub fn stand(&self) -> Option<ClockStand> {
        let origin = self.origin?;
        let node_s = point_from(origin, self.newest.0, self.newest.1).node_s;
        let apart_s = origin.1.0.saturating_sub(origin.0.0) as f64 * 1e-6;
        let sd_s = self.line.level_sd_s.hypot(self.line.slope_sd * (node_s - self.line.middle_s));
        Some(ClockStand {
            offset_s: Measured::new(apart_s + self.line.at(node_s), sd_s),
            skew: Measured::new(-self.line.slope, self.line.slope_sd),
            latency_s: self.latency_s,
            anew: self.anew,
        })
    }

    /// A line begins.
    fn begin(&mut self, t: DeviceTime, received: HostTime) {
        let (anew, params) = (self.anew, self.params);
        *self =
            ClockView { origin: Some((t, received)), newest: (t, received), anew, ..ClockView::new(params) };
        self.take(Point { node_s: 0.0, delay_s: 0.0 }, 0.0);
    }

    fn follow_latency(&mut self, excess_s: f64, t: DeviceTime) {
        let since_s = t.0.saturating_sub(self.newest.0.0) as f64 * 1e-6;
        self.latency_s += (excess_s - self.latency_s) * (since_s / self.params.latency_s).min(1.0);
    }

    /// A reading that fits.
    fn take(&mut self, point: Point, excess_s: f64) {
        if excess_s < -self.params.quicker_s {
            self.quickest.clear();
        }
        let stretch = |point: &Point| (point.node_s / self.params.stretch_s).floor();
        match self.quickest.back_mut() {
            Some(last) if stretch(last) == stretch(&point) => {
                if point.delay_s - self.line.slope * point.node_s
                    < last.delay_s - self.line.slope * last.node_s
                {
                    *last = point;
                    self.line.level_s += excess_s.min(0.0);
                }
            }
            _ => {
                self.quickest.push_back(point);
                if self.quickest.len() > self.params.stretches {
                    self.quickest.pop_front();
                }
                self.line = fit(self.quickest.make_contiguous(), &self.params);
            }
        }
    }

    /// A reading that does not fit, or came late: a new line begins with the first of many that agree.
    fn misfit(&mut self, t: DeviceTime, received: HostTime, only_late: bool) {
        let agrees = |misfits: &&mut Misfits| {
            let point = point_from(misfits.first, t, received);
            t > misfits.newest && point.delay_s.abs() <= self.params.misfit_s
        };
        let Some(misfits) = self.misfits.as_mut().filter(agrees) else {
            self.misfits = Some(Misfits { first: (t, received), newest: t });
            return;
        };
        misfits.newest = t;
        let first = misfits.first;
        let agree_s = if only_late { self.params.agree_late_s } else { self.params.agree_s };
        if received.0.saturating_sub(first.1.0) as f64 * 1e-6 >= agree_s {
            self.anew += 1;
            self.begin(first.0, first.1);
            self.hear(t, received);
        }
    }
}

fn point_from(origin: (DeviceTime, HostTime), t: DeviceTime, received: HostTime) -> Point {
    let node_s = t.0.saturating_sub(origin.0.0) as f64 * 1e-6;
    Point { node_s, delay_s: received.0.saturating_sub(origin.1.0) as f64 * 1e-6 - node_s }
}

/// The line below points in order of time, its slope weighed against what is usual.
fn fit(points: &[Point], params: &ClockViewParams) -> Line {
    // A beat is spread evenly over its size.
    let (usual_sd, beat_sd_s) = (params.skew_sd, params.beat_s / 12.0_f64.sqrt());
    let n = points.len() as f64;
    let middle_s = points.iter().map(|point| point.node_s).sum::<f64>() / n;
    let lowest = |slope: f64| {
        points.iter().map(|point| point.delay_s - slope * point.node_s).fold(f64::INFINITY, f64::min)
    };
    let (mut slope, mut slope_sd, mut spread_s) = (0.0, usual_sd, LEAST_SPREAD_S);
    if let Some((from, to)) = edge_over(points, middle_s) {
        let raw = (to.delay_s - from.delay_s) / (to.node_s - from.node_s);
        let level_s = from.delay_s - raw * from.node_s;
        let above = points.iter().map(|point| point.delay_s - level_s - raw * point.node_s);
        spread_s = (above.sum::<f64>() / n).max(LEAST_SPREAD_S);
        // Each end of the edge is the lowest of half the points.
        let edge_sd = spread_s * (4.0 / n).sqrt() / (to.node_s - from.node_s);
        let raw_sd =
            edge_sd.hypot(2.0_f64.sqrt() * beat_sd_s / (points[points.len() - 1].node_s - points[0].node_s));
        let trust = usual_sd.powi(2) / (usual_sd.powi(2) + raw_sd.powi(2));
        slope = raw * trust;
        slope_sd = (raw_sd * trust.sqrt()).hypot(WANDER_SKEW);
    }
    Line {
        level_s: lowest(slope),
        slope,
        slope_sd,
        middle_s,
        level_sd_s: (spread_s / n.sqrt()).hypot(beat_sd_s),
    }
}

/// The edge of the points' lower convex hull over this time (Andrew's monotone chain).
fn edge_over(points: &[Point], middle_s: f64) -> Option<(Point, Point)> {
    let mut hull: Vec<Point> = Vec::new();
    for point in points {
        while let [.., a, b] = hull.as_slice()
            && (b.delay_s - a.delay_s) * (point.node_s - a.node_s)
                >= (point.delay_s - a.delay_s) * (b.node_s - a.node_s)
        {
            hull.pop();
        }
        hull.push(*point);
    }
    let edge = hull.windows(2).find(|edge| edge[1].node_s >= middle_s)?;
    (edge[1].node_s > edge[0].node_s).then(|| (edge[0], edge[1]))
}

#[cfg(test)]
#[path = "clock_view_tests.rs"]
mod tests;
