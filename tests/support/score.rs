//! Scores of measured swings against the truth of the virtual glove, and their summary over many buckets.
#![allow(dead_code, reason = "each test file uses a part of it")]

use hingeclock::detect::{CurvePoint, Flag, SetTimes, Swing};
use hingeclock::device::virtual_glove::{SwingTruth, TruePoint, TrueSet};
use hingeclock::units::{DeviceTime, Measured};

/// A swing is the one in the truth when their tops are closer than this, s.
const SAME_SWING_S: f64 = 0.3;
/// Sets nearer to a class boundary than this may fall on either side, ms.
const CLASS_MARGIN_MS: f64 = 5.0;
/// Hinge ranges nearer to the least one than this may fall on either side, degrees.
const RANGE_MARGIN_DEG: f64 = 0.5;
/// Least hinge range of a set, degrees.
const LEAST_RANGE_DEG: f64 = 8.0;

/// An error and the standard deviation that was claimed for it, in one unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scored {
    pub error: f64,
    pub sd: f64,
}

impl Scored {
    fn of(measured: Measured, truth: f64) -> Scored {
        Scored { error: measured.value - truth, sd: measured.sd }
    }
}

/// The instants that are told with a bar, by their names in JSON.
pub const INSTANTS: [&str; 9] =
    ["takeaway", "top", "impact", "finish", "onset", "set50", "set", "set95", "set_backswing_only"];

/// One swing that was found.
#[derive(Clone, Debug, PartialEq)]
pub struct SwingScore {
    /// Its place in the truth.
    pub place: usize,
    pub takeaway_ms: f64,
    pub top_ms: f64,
    /// Where both have an impact.
    pub impact_ms: Option<f64>,
    /// Both or none have an impact.
    pub impact_agrees: bool,
    /// Set against top, where both have a set.
    pub set_ms: Option<Scored>,
    /// The same counted to the top only.
    pub set_backswing_only_ms: Option<Scored>,
    /// A degree does not move that one by more than 50 ms either.
    pub backswing_only_well: bool,
    /// Where the hinge passes 10, 50 and 95 % of its range against the top: errors.
    pub crossings_ms: Option<[f64; 3]>,
    /// Errors of the instants, ms, in the order of [`INSTANTS`]; none where either has none.
    pub instants_ms: [Option<Scored>; INSTANTS.len()],
    pub tempo: Option<Scored>,
    pub arm_travel: Option<Scored>,
    /// A degree does not move the true set by more than 50 ms.
    pub well_conditioned: bool,
    /// The set lies clear of every class boundary, so that the class has to be right.
    pub class_is_clear: bool,
    pub class_right: bool,
    /// Root mean square from address to impact, counted from address, degrees.
    pub hinge_rms_deg: f64,
    pub flexion_rms_deg: f64,
    /// Hinge and flexion at the events.
    pub hinge_deg: Vec<Scored>,
    pub flexion_deg: Vec<Scored>,
    /// The glove sat as it had at the calibration.
    pub fit_calibrated: bool,
    pub flags: Vec<Flag>,
    /// Class that was measured, and the true one.
    pub classes: (&'static str, &'static str),
}

/// A whole bucket.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BucketScore {
    pub swings: Vec<SwingScore>,
    pub expected: usize,
    /// Places in the truth that were not found.
    pub missed: Vec<usize>,
    /// Places in the analysis that are in no truth, or a second time.
    pub invented: Vec<usize>,
}

/// Scores the swings of an analysis against the truth.
pub fn score(analysis: &[Swing], truth: &[SwingTruth]) -> BucketScore {
    let mut score = BucketScore { expected: truth.len(), ..BucketScore::default() };
    let mut matched = vec![false; analysis.len()];
    for (place, truth) in truth.iter().enumerate() {
        let distance = |swing: &Swing| swing.top.seconds_since(truth.top).abs();
        let near = (0..analysis.len()).filter(|i| !matched[*i] && distance(&analysis[*i]) < SAME_SWING_S);
        match near.min_by(|a, b| distance(&analysis[*a]).total_cmp(&distance(&analysis[*b]))) {
            None => score.missed.push(place),
            Some(found) => {
                matched[found] = true;
                score.swings.push(score_swing(place, &analysis[found], truth));
            }
        }
    }
    score.invented = (0..analysis.len()).filter(|i| !matched[*i]).collect();
    score
}

fn score_swing(place: usize, swing: &Swing, truth: &SwingTruth) -> SwingScore {
    let ms = |a: hingeclock::units::DeviceTime, b| a.seconds_since(b) * 1e3;
    let sets = swing.set.zip(truth.set);
    let to_top = swing.set_backswing_only.zip(truth.set_backswing_only);
    let well_conditioned = truth.set.is_none_or(|set| set.well_conditioned);
    let clear_range = (truth.hinge_range_deg - LEAST_RANGE_DEG).abs() > RANGE_MARGIN_DEG;
    let clear_set = truth.set.is_none_or(|set| set.class_margin_ms > CLASS_MARGIN_MS);
    let at_events = |measured: &hingeclock::detect::AtEvents,
                     truth: &hingeclock::device::virtual_glove::TrueAngle| {
        let pairs = [
            (measured.set, truth.set),
            (measured.top, Some(truth.top)),
            (measured.max, Some(truth.max)),
            (measured.arm_horizontal_down, truth.arm_horizontal_down),
        ];
        // The sessions made apart do not tell their flexion where it is largest.
        let known = |truth: &f64| truth.is_finite();
        pairs.into_iter().filter_map(|(a, b)| Some(Scored::of(a?, b.filter(known)?))).collect::<Vec<Scored>>()
    };
    SwingScore {
        place,
        takeaway_ms: ms(swing.takeaway, truth.takeaway),
        top_ms: ms(swing.top, truth.top),
        impact_ms: swing.impact.zip(truth.impact).map(|(a, b)| ms(a, b)),
        impact_agrees: swing.impact.is_some() == truth.impact.is_some(),
        set_ms: sets.map(|(a, b)| Scored::of(a.set_to_top_ms, b.set_to_top_ms)),
        set_backswing_only_ms: to_top.map(|(a, b)| Scored::of(a.set_to_top_ms, b.set_to_top_ms)),
        backswing_only_well: truth.set_backswing_only.is_none_or(|set| set.well_conditioned),
        crossings_ms: sets.map(|(a, b)| {
            [(a.onset, b.onset), (a.half, b.half), (a.nearly_full, b.nearly_full)]
                .map(|(a, b)| ms(a, swing.top) - ms(b, truth.top))
        }),
        instants_ms: instants_ms(swing, truth),
        tempo: swing.impact.zip(truth.impact).map(|(_, impact)| {
            let (back, down) = (truth.top.seconds_since(truth.takeaway), impact.seconds_since(truth.top));
            Scored::of(swing.tempo, back / down)
        }),
        arm_travel: sets.map(|(a, b)| Scored::of(a.arm_travel_at_set, b.arm_travel_at_set)),
        well_conditioned,
        class_is_clear: well_conditioned && clear_range && clear_set,
        class_right: swing.class.word() == truth.class,
        hinge_rms_deg: rms_deg(swing, truth, |point| point.hinge_deg, |point| point.hinge_deg),
        flexion_rms_deg: rms_deg(swing, truth, |point| point.flexion_deg, |point| point.flexion_deg),
        hinge_deg: at_events(&swing.hinge_deg, &truth.hinge_deg),
        flexion_deg: at_events(&swing.flexion_deg, &truth.flexion_deg),
        fit_calibrated: truth.fit_calibrated,
        flags: swing.flags.clone(),
        classes: (swing.class.word(), truth.class),
    }
}

fn instants_ms(swing: &Swing, truth: &SwingTruth) -> [Option<Scored>; INSTANTS.len()] {
    let scored = |measured: DeviceTime, true_at: DeviceTime, sd: f64| {
        Some(Scored { error: measured.seconds_since(true_at) * 1e3, sd })
    };
    let of_set = |which: usize, at: fn(&SetTimes) -> DeviceTime, true_at: fn(&TrueSet) -> DeviceTime| {
        let (set, true_set) = (swing.set?, truth.set?);
        scored(at(&set), true_at(&true_set), set.sds_ms[which])
    };
    let to_top = swing.set_backswing_only.zip(truth.set_backswing_only);
    [
        scored(swing.takeaway, truth.takeaway, swing.sds.takeaway_ms),
        scored(swing.top, truth.top, swing.sds.top_ms),
        swing.impact.and_then(|at| scored(at, truth.impact?, swing.sds.impact_ms?)),
        swing.finish.and_then(|at| scored(at, truth.finish?, swing.sds.finish_ms?)),
        of_set(0, |set| set.onset, |set| set.onset),
        of_set(1, |set| set.half, |set| set.half),
        of_set(2, |set| set.set, |set| set.set),
        of_set(3, |set| set.nearly_full, |set| set.nearly_full),
        to_top.and_then(|(set, true_set)| scored(set.set, true_set.set, set.sds_ms[2])),
    ]
}

/// Root mean square of measured less true angle at the points of the true curve from address to impact.
fn rms_deg(
    swing: &Swing,
    truth: &SwingTruth,
    measured: impl Fn(&CurvePoint) -> f64,
    expected: impl Fn(&TruePoint) -> f64,
) -> f64 {
    let end = truth.impact.unwrap_or(truth.arm_back);
    let points = truth.curve.iter().filter(|point| point.t <= end);
    let errors: Vec<f64> =
        points.filter_map(|point| Some(curve_at(swing, point, &measured)? - expected(point))).collect();
    (errors.iter().map(|error| error * error).sum::<f64>() / errors.len() as f64).sqrt()
}

/// The measured curve at a true point's instant: the cubic through the four nearest readings.
fn curve_at(swing: &Swing, at: &TruePoint, value: impl Fn(&CurvePoint) -> f64) -> Option<f64> {
    let after = swing.curve.partition_point(|point| point.t < at.t);
    let four = swing.curve.get(after.checked_sub(2)?..after + 2)?;
    let x: Vec<f64> = four.iter().map(|point| point.t.seconds_since(at.t)).collect();
    let weight = |i: usize| -> f64 { (0..4).filter(|j| *j != i).map(|j| x[j] / (x[j] - x[i])).product() };
    Some((0..4).map(|i| weight(i) * value(&four[i])).sum())
}

/// Percentile of the sizes; no number for none.
pub fn percentile(values: impl IntoIterator<Item = f64>, share: f64) -> f64 {
    let mut sorted: Vec<f64> = values.into_iter().map(f64::abs).collect();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let at = share * last as f64;
    let (low, part) = (at.floor() as usize, at.fract());
    sorted[low] + part * (sorted[(low + 1).min(last)] - sorted[low])
}

/// Share of errors within so many of their standard deviations.
pub fn within(scores: &[Scored], sds: f64) -> f64 {
    scores.iter().filter(|scored| scored.error.abs() <= sds * scored.sd).count() as f64
        / scores.len().max(1) as f64
}

/// What many buckets came to.
#[derive(Clone, Debug, Default)]
pub struct Summary {
    pub expected: usize,
    pub missed: usize,
    pub invented: usize,
    pub swings: Vec<SwingScore>,
}

impl Summary {
    /// All buckets together.
    pub fn of<'a>(buckets: impl IntoIterator<Item = &'a BucketScore>) -> Summary {
        let mut summary = Summary::default();
        for bucket in buckets {
            summary.expected += bucket.expected;
            summary.missed += bucket.missed.len();
            summary.invented += bucket.invented.len();
            summary.swings.extend(bucket.swings.iter().cloned());
        }
        summary
    }

    /// The swings for which `keep` holds.
    pub fn only(&self, keep: impl Fn(&SwingScore) -> bool) -> Summary {
        let swings = self.swings.iter().filter(|swing| keep(swing)).cloned().collect();
        Summary { swings, ..*self }
    }

    /// Percentile of a number of the swings.
    pub fn p(&self, share: f64, value: impl Fn(&SwingScore) -> Option<f64>) -> f64 {
        percentile(self.swings.iter().filter_map(value), share)
    }

    /// Set errors of the well-conditioned swings.
    pub fn sets(&self) -> Vec<Scored> {
        self.swings.iter().filter(|swing| swing.well_conditioned).filter_map(|swing| swing.set_ms).collect()
    }

    /// Set errors of the swings whose set was told to lie on a flat slope, whether or not the true one does.
    pub fn flat_sets(&self) -> Vec<Scored> {
        let flat = self.swings.iter().filter(|swing| swing.flags.contains(&Flag::FlatSlope));
        flat.filter_map(|swing| swing.set_ms).collect()
    }

    /// Classes that had to be right, and how many were not.
    pub fn classes(&self) -> (usize, usize) {
        let clear = || self.swings.iter().filter(|swing| swing.class_is_clear);
        (clear().count(), clear().filter(|swing| !swing.class_right).count())
    }

    /// The head of [`Summary::line`].
    pub const HEAD: &'static str = "what                 found  invent  class wrong/clear  impact ±  set p50/p95 ms  within 1/2 sd  top p50/p95  impact p95  takeaway p50/p95  hinge rms p50/p95  flex rms p50/p95  hinge 1/2 sd  flex 1/2 sd  flex mean sd";

    /// One line of a table.
    pub fn line(&self, what: &str) -> String {
        let (sets, (clear, wrong)) = (self.sets(), self.classes());
        let set = |share| percentile(sets.iter().map(|scored| scored.error), share);
        let hinge: Vec<Scored> = self.swings.iter().flat_map(|swing| swing.hinge_deg.clone()).collect();
        let flexion: Vec<Scored> = self.swings.iter().flat_map(|swing| swing.flexion_deg.clone()).collect();
        let disagree = self.swings.iter().filter(|swing| !swing.impact_agrees).count();
        format!(
            "{what:18} {:>4}/{:<4} {:>5} {:>10}/{:<4} {:>10} {:>10.1} {:>6.1} {:>8.2} {:>5.2} {:>7.1} {:>5.1} {:>9.1} {:>9.0} {:>6.0} {:>10.2} {:>6.2} {:>9.2} {:>6.2} {:>8.2} {:>5.2} {:>8.2} {:>5.2} {:>8.2}",
            self.expected - self.missed,
            self.expected,
            self.invented,
            wrong,
            clear,
            disagree,
            set(0.5),
            set(0.95),
            within(&sets, 1.0),
            within(&sets, 2.0),
            self.p(0.5, |swing| Some(swing.top_ms)),
            self.p(0.95, |swing| Some(swing.top_ms)),
            self.p(0.95, |swing| swing.impact_ms),
            self.p(0.5, |swing| Some(swing.takeaway_ms)),
            self.p(0.95, |swing| Some(swing.takeaway_ms)),
            self.p(0.5, |swing| Some(swing.hinge_rms_deg)),
            self.p(0.95, |swing| Some(swing.hinge_rms_deg)),
            self.p(0.5, |swing| Some(swing.flexion_rms_deg)),
            self.p(0.95, |swing| Some(swing.flexion_rms_deg)),
            within(&hinge, 1.0),
            within(&hinge, 2.0),
            within(&flexion, 1.0),
            within(&flexion, 2.0),
            flexion.iter().map(|scored| scored.error / scored.sd).sum::<f64>() / flexion.len() as f64,
        )
    }
}
