//! How far off the numbers of a segment of the trunk are, and whether their bars hold.

use hingeclock::detect::SegmentTurn;
use std::fmt;

/// What is true of a segment in a swing.
#[derive(Clone, Copy, Debug)]
pub struct TrueSegment {
    pub turn_at_top_deg: f64,
    pub tilt_at_impact_deg: f64,
    pub lead_to_top_ms: f64,
    /// Where the set is known.
    pub lead_to_set_ms: Option<f64>,
    pub turnaround_dps2: f64,
    pub peak_dps: f64,
}

/// Errors and bars of one segment over many swings.
#[derive(Debug)]
pub struct Score {
    segment: &'static str,
    swings: usize,
    /// Error and bar each.
    lead_ms: Vec<(f64, f64)>,
    to_set_ms: Vec<(f64, f64)>,
    turn_deg: Vec<(f64, f64)>,
    tilt_deg: Vec<(f64, f64)>,
    peak_dps: Vec<(f64, f64)>,
}

fn percentile(errors: impl Iterator<Item = f64>, share: f64) -> f64 {
    let mut sizes: Vec<f64> = errors.map(f64::abs).collect();
    sizes.sort_by(f64::total_cmp);
    let at = ((sizes.len() as f64 - 1.0).max(0.0) * share).round() as usize;
    sizes.get(at).copied().unwrap_or(f64::NAN)
}

fn covered(pairs: &[(f64, f64)], bars: f64) -> f64 {
    let within = pairs.iter().filter(|(error, sd)| error.abs() <= bars * sd).count();
    within as f64 / pairs.len().max(1) as f64
}

impl Score {
    pub fn new(segment: &'static str) -> Score {
        Score {
            segment,
            swings: 0,
            lead_ms: Vec::new(),
            to_set_ms: Vec::new(),
            turn_deg: Vec::new(),
            tilt_deg: Vec::new(),
            peak_dps: Vec::new(),
        }
    }

    /// Takes what was found of a segment, if anything, and what is true.
    pub fn take(&mut self, found: Option<&SegmentTurn>, truth: &TrueSegment) {
        self.swings += 1;
        let Some(found) = found else { return };
        let turn_off = found.turn_at_top_deg.value - truth.turn_at_top_deg;
        self.turn_deg.push((turn_off, found.turn_at_top_deg.sd));
        let tilt_off = found.tilt_at_impact_deg.value - truth.tilt_at_impact_deg;
        self.tilt_deg.push((tilt_off, found.tilt_at_impact_deg.sd));
        self.peak_dps.push((found.peak_dps.value - truth.peak_dps, found.peak_dps.sd));
        let lead = found.start_back.map(|start| start.lead_to_top_ms);
        if let Some(lead) = lead {
            self.lead_ms.push((lead.value - truth.lead_to_top_ms, lead.sd));
        }
        let to_set = found.start_back.and_then(|start| start.lead_to_set_ms);
        if let (Some(lead), Some(truth)) = (to_set, truth.lead_to_set_ms) {
            self.to_set_ms.push((lead.value - truth, lead.sd));
        }
        if std::env::var_os("PER_SWING").is_some() {
            println!(
                "{} lead {:?} true {:.1} ms ({:.0} °/s²), turn {:.1} ± {:.1} true {:.1}, tilt {:.1} ± {:.1} true {:.1}, {:?}",
                self.segment,
                lead.map(|lead| format!("{:.1} ± {:.1}", lead.value, lead.sd)),
                truth.lead_to_top_ms,
                truth.turnaround_dps2,
                found.turn_at_top_deg.value,
                found.turn_at_top_deg.sd,
                truth.turn_at_top_deg,
                found.tilt_at_impact_deg.value,
                found.tilt_at_impact_deg.sd,
                truth.tilt_at_impact_deg,
                found.flags,
            );
        }
    }

    /// Share of swings with a lead.
    pub fn share_found(&self) -> f64 {
        self.lead_ms.len() as f64 / self.swings.max(1) as f64
    }

    pub fn lead_p95_ms(&self) -> f64 {
        percentile(self.lead_ms.iter().map(|pair| pair.0), 0.95)
    }

    pub fn turn_p95_deg(&self) -> f64 {
        percentile(self.turn_deg.iter().map(|pair| pair.0), 0.95)
    }

    #[allow(dead_code, reason = "each test file uses its own part of this")]
    pub fn tilt_p95_deg(&self) -> f64 {
        percentile(self.tilt_deg.iter().map(|pair| pair.0), 0.95)
    }

    /// All of these as one.
    pub fn of_all(scores: Vec<Score>) -> Score {
        let mut all = Score::new("all");
        for score in scores {
            all.swings += score.swings;
            all.lead_ms.extend(score.lead_ms);
            all.to_set_ms.extend(score.to_set_ms);
            all.turn_deg.extend(score.turn_deg);
            all.tilt_deg.extend(score.tilt_deg);
            all.peak_dps.extend(score.peak_dps);
        }
        all
    }

    /// The lead's bars are neither too narrow nor too wide: of normal errors 68 % lie within one and 95 % within two.
    /// Swings of one bucket share strap and clocks, so this takes many buckets, and leaves room for chance. Errors of
    /// the set, where the lead is counted to that, have longer tails.
    pub fn assert_lead_bars_are_fair(&self) {
        assert!((0.55..=0.88).contains(&covered(&self.lead_ms, 1.0)), "{self}");
        assert!(covered(&self.lead_ms, 2.0) >= 0.92, "{self}");
        if !self.to_set_ms.is_empty() {
            assert!((0.55..=0.88).contains(&covered(&self.to_set_ms, 1.0)), "{self}");
            assert!(covered(&self.to_set_ms, 2.0) >= 0.85, "{self}");
        }
    }

    /// Of normal errors 95 % lie within two bars; that many have to, but for chance among so few.
    pub fn assert_bars_hold(&self) {
        for pairs in [&self.lead_ms, &self.turn_deg, &self.tilt_deg, &self.peak_dps] {
            assert!(covered(pairs, 2.0) >= 0.85, "{self}");
        }
    }
}

impl fmt::Display for Score {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let line = |pairs: &[(f64, f64)], unit: &str| {
            format!(
                "off by {:.2} (p50), {:.2} (p95) {unit}, bar {:.2}, within one bar {:.0} %, two {:.0} %",
                percentile(pairs.iter().map(|pair| pair.0), 0.5),
                percentile(pairs.iter().map(|pair| pair.0), 0.95),
                percentile(pairs.iter().map(|pair| pair.1), 0.5),
                100.0 * covered(pairs, 1.0),
                100.0 * covered(pairs, 2.0),
            )
        };
        writeln!(f, "{}: {} of {} swings with a lead", self.segment, self.lead_ms.len(), self.swings)?;
        writeln!(f, "  lead against the top {}", line(&self.lead_ms, "ms"))?;
        if !self.to_set_ms.is_empty() {
            writeln!(f, "  lead against the set {}", line(&self.to_set_ms, "ms"))?;
        }
        writeln!(f, "  turn at the top      {}", line(&self.turn_deg, "°"))?;
        writeln!(f, "  lean at impact       {}", line(&self.tilt_deg, "°"))?;
        writeln!(f, "  fastest turning      {}", line(&self.peak_dps, "°/s"))
    }
}
