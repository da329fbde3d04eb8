//! The one table: a row per input and method, what falls short of its target told in the last column.

use super::score::{Scored, Summary, percentile, within};
use comfy_table::{ContentArrangement, ContentLineStyle, LineStyle, Table, TableStyle};

/// What a profile has to reach: set p50 and p95, top p95 in ms, median hinge RMS in degrees.
struct Target {
    set_p50_ms: f64,
    set_p95_ms: f64,
    top_p95_ms: f64,
    hinge_rms_deg: f64,
}

fn target(profile: &str) -> Option<Target> {
    let none = f64::INFINITY;
    let of = |set_p50_ms, set_p95_ms, top_p95_ms, hinge_rms_deg| {
        Some(Target { set_p50_ms, set_p95_ms, top_p95_ms, hinge_rms_deg })
    };
    match profile {
        "clean" => of(none, 2.0, 2.0, 0.5),
        "typical" => of(2.5, 12.0, 4.0, 1.5),
        "harsh" => of(6.0, 35.0, 8.0, none),
        _ => None,
    }
}

/// Shares of errors within one and two standard deviations that honest bars have.
const WITHIN: [(f64, f64); 2] = [(0.60, 0.75), (0.90, 0.98)];

const HEAD: [&str; 19] = [
    "what",
    "method",
    "found",
    "invented",
    "takeaway ms",
    "top ms",
    "impact ms",
    "set ms",
    "to top only",
    "10 %",
    "50 %",
    "95 %",
    "hinge rms °",
    "flexion rms °",
    "class",
    "set 1/2 sd",
    "hinge 1/2 sd",
    "orientation °",
    "short of",
];

/// One row.
pub struct Row([String; HEAD.len()]);

impl Row {
    fn empty(what: &str, method: &str) -> Row {
        let mut cells: [String; HEAD.len()] = Default::default();
        (cells[0], cells[1]) = (what.to_owned(), method.to_owned());
        Row(cells)
    }

    /// Swings of one profile; errors are medians and 95th percentiles, RMS medians and largest.
    pub fn of_swings(what: &str, method: &str, profile: &str, summary: &Summary, sample_ms: f64) -> Row {
        let mut row = Row::empty(what, method);
        let pair = |values: &[f64]| {
            format!(
                "{:.1} {:.1}",
                percentile(values.iter().copied(), 0.5),
                percentile(values.iter().copied(), 0.95)
            )
        };
        let all = |value: &dyn Fn(&super::score::SwingScore) -> Option<f64>| -> Vec<f64> {
            summary.swings.iter().filter_map(value).collect()
        };
        let sets: Vec<f64> = summary.sets().iter().map(|scored| scored.error).collect();
        let to_top = all(&|s| s.set_backswing_only_ms.filter(|_| s.backswing_only_well).map(|x| x.error));
        let crossing = |i: usize| all(&|s| s.crossings_ms.filter(|_| s.well_conditioned).map(|x| x[i]));
        let (tops, impacts) = (all(&|s| Some(s.top_ms)), all(&|s| s.impact_ms));
        let (hinge, flexion) = (all(&|s| Some(s.hinge_rms_deg)), all(&|s| Some(s.flexion_rms_deg)));
        let middle_and_most = |values: &[f64]| {
            format!(
                "{:.2} {:.2}",
                percentile(values.iter().copied(), 0.5),
                percentile(values.iter().copied(), 1.0)
            )
        };
        let (clear, wrong) = summary.classes();
        row.0[2] = format!("{}/{}", summary.expected - summary.missed, summary.expected);
        row.0[3] = summary.invented.to_string();
        row.0[4] = pair(&all(&|s| Some(s.takeaway_ms)));
        row.0[5] = pair(&tops);
        row.0[6] = pair(&impacts);
        row.0[7] = pair(&sets);
        row.0[8] = pair(&to_top);
        for (i, cell) in row.0[9..12].iter_mut().enumerate() {
            *cell = pair(&crossing(i));
        }
        row.0[12] = middle_and_most(&hinge);
        row.0[13] = middle_and_most(&flexion);
        row.0[14] = format!("{}/{clear}", clear - wrong);
        let p = |values: &[f64], share| percentile(values.iter().copied(), share);
        let mut short = Vec::new();
        let mut at_most = |what: &str, found: f64, most: f64| {
            if found > most {
                short.push(format!("{what} {found:.2} > {most}"));
            }
        };
        at_most("missed", summary.missed as f64, 0.0);
        at_most("invented", summary.invented as f64, 0.0);
        at_most("impact", p(&impacts, 1.0), sample_ms);
        if let Some(target) = target(profile) {
            at_most("set p50", p(&sets, 0.5), target.set_p50_ms);
            at_most("set p95", p(&sets, 0.95), target.set_p95_ms);
            at_most("top p95", p(&tops, 0.95), target.top_p95_ms);
            at_most("hinge rms", p(&hinge, 0.5), target.hinge_rms_deg);
        }
        row.0[18] = short.join("; ");
        row
    }

    /// Adds how often the truth lies within the stated bars; held to the target where `judged`.
    pub fn with_bars(mut self, summary: &Summary, judged: bool) -> Row {
        let hinge: Vec<Scored> = summary.swings.iter().flat_map(|swing| swing.hinge_deg.clone()).collect();
        for (cell, what, scores) in [(15, "set", summary.sets()), (16, "hinge", hinge)] {
            let shares = [within(&scores, 1.0), within(&scores, 2.0)];
            self.0[cell] = format!("{:.0} {:.0} % of {}", shares[0] * 100.0, shares[1] * 100.0, scores.len());
            for ((share, (least, most)), sds) in shares.into_iter().zip(WITHIN).zip([1, 2]) {
                if judged && !scores.is_empty() && !(least..=most).contains(&share) {
                    self.fall_short(&format!("{what} within {sds} sd: {:.0} %", share * 100.0));
                }
            }
        }
        self
    }

    /// An orientation error in degrees, and what it has to reach, if anything.
    pub fn of_orientation(what: &str, method: &str, error_deg: &str, short: Option<String>) -> Row {
        let mut row = Row::empty(what, method);
        row.0[17] = error_deg.to_owned();
        if let Some(short) = short {
            row.fall_short(&short);
        }
        row
    }

    fn fall_short(&mut self, what: &str) {
        let cell = &mut self.0[18];
        *cell = if cell.is_empty() { what.to_owned() } else { format!("{cell}; {what}") };
    }
}

/// Prints the table, and what it means.
pub fn print(rows: Vec<Row>) {
    let short = rows.iter().filter(|row| !row.0[18].is_empty() && row.0[1].starts_with(super::OURS)).count();
    let style = TableStyle::new()
        .header_lines(ContentLineStyle::none())
        .header_separator(LineStyle::none().fill('-').junction('-'))
        .content_lines(ContentLineStyle::none());
    let mut table = Table::new();
    table.load_style(style).force_no_tty().set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(HEAD);
    for row in rows {
        table.add_row(row.0);
    }
    println!("{}", table.to_string().lines().map(str::trim_end).collect::<Vec<_>>().join("\n"));
    println!(
        "Errors in ms: median and 95th percentile of sizes. Sets and crossings: well-conditioned swings only. RMS: median and largest of the swings. Rows of ours that fall short of a target: {short}."
    );
}
