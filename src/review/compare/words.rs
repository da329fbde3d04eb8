//! A comparison in plain words.

use super::sides::Row;
use super::{Basis, Comparison, Incomparable, share_difference};
use crate::review::statistics::{SMALL_SAMPLE, Share};
use crate::review::summary::in_order;
use crate::review::wording::{number, signed};

/// What is compared, and how it is said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// The set against the top, ms.
    SetToTop,
    /// Arm travel at the set, as a fraction.
    ArmTravel,
    /// In the window, 1, or not, 0.
    InWindow,
}

impl Quantity {
    /// The heading of its row.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Quantity::SetToTop => "Set to top, ms",
            Quantity::ArmTravel => "Arm travel, %",
            Quantity::InWindow => "In window, %",
        }
    }

    /// The key in JSON, whose unit it has.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Quantity::SetToTop => "set_to_top_ms",
            Quantity::ArmTravel => "arm_travel_at_set",
            Quantity::InWindow => "share_in_window",
        }
    }

    /// From its own unit to that of the words: fractions are said in per cent.
    #[must_use]
    pub fn factor(self) -> f64 {
        match self {
            Quantity::SetToTop => 1.0,
            Quantity::ArmTravel | Quantity::InWindow => 100.0,
        }
    }

    /// Its unit, as it follows a number.
    fn unit(self) -> &'static str {
        if self == Quantity::SetToTop { "\u{a0}ms" } else { "\u{a0}%" }
    }

    /// A difference in words: `set 35 ms later`.
    #[must_use]
    pub fn change(self, difference: f64) -> String {
        let size = number(difference.abs() * self.factor(), 0);
        if size == "0" {
            return self.no_change().to_owned();
        }
        match (self, difference >= 0.0) {
            (Quantity::SetToTop, true) => format!("set {size} ms later"),
            (Quantity::SetToTop, false) => format!("set {size} ms earlier"),
            (Quantity::ArmTravel, true) => format!("set at {size} % more arm travel"),
            (Quantity::ArmTravel, false) => format!("set at {size} % less arm travel"),
            (Quantity::InWindow, true) => format!("{size} % more often in the window"),
            (Quantity::InWindow, false) => format!("{size} % less often in the window"),
        }
    }

    /// One of the last digit that is said.
    fn last_digit(self) -> &'static str {
        match self {
            Quantity::SetToTop => "1 ms",
            Quantity::ArmTravel | Quantity::InWindow => "1 %",
        }
    }

    /// A difference that is none as it is rounded.
    fn no_change(self) -> &'static str {
        match self {
            Quantity::SetToTop => "set at the same time",
            Quantity::ArmTravel => "set at the same arm travel",
            Quantity::InWindow => "as often in the window",
        }
    }
}

/// A row as a reader sees it, the same in the terminal and on the page: what is compared, swings a side, the first
/// side, the second, their difference, its 95 % interval.
#[must_use]
pub fn cells(row: &Row) -> [String; 6] {
    let factor = row.quantity.factor();
    [
        row.quantity.name().to_owned(),
        format!("{} and {}", row.swings.0, row.swings.1),
        number(row.first * factor, 0),
        number(row.second * factor, 0),
        signed(row.difference * factor, 0),
        format!("{} to {}", signed(row.low * factor, 0), signed(row.high * factor, 0)),
    ]
}

/// What a row says, or why it says nothing.
#[must_use]
pub fn said(row: &Result<Row, Incomparable>) -> String {
    row.as_ref().map_or_else(ToString::to_string, |row| row.sentences.join(" "))
}

/// How the intervals of these rows were worked out, each way once.
#[must_use]
pub fn methods(rows: &[(Quantity, Result<Row, Incomparable>)]) -> Vec<&'static str> {
    in_order(rows.iter().filter_map(|(_, row)| row.as_ref().ok()).map(|row| row.method))
}

/// What a comparison says, and what it cannot say.
#[must_use]
pub fn sentences(comparison: &Comparison, quantity: Quantity) -> Vec<String> {
    let ends = (comparison.low, comparison.high);
    let mut said = vec![verdict(quantity, comparison.difference, ends)];
    if comparison.is_small() {
        let what = if comparison.basis.counts_swings() { "swings" } else { "buckets" };
        said.push(few(what, comparison.fewest()));
    }
    said.push(limits(comparison.basis).to_owned());
    said.extend(measurement(comparison, quantity));
    said
}

/// The same for the shares in the window of one bucket a side.
#[must_use]
pub fn share_sentences(first: Share, second: Share) -> Vec<String> {
    let (difference, low, high) = share_difference(first, second);
    let mut said = vec![verdict(Quantity::InWindow, difference, (low, high))];
    let fewest = first.n.min(second.n);
    if fewest < SMALL_SAMPLE {
        said.push(few("swings", fewest));
    }
    said
}

fn verdict(quantity: Quantity, difference: f64, (low, high): (f64, f64)) -> String {
    let (seen, from, to) = (quantity.change(difference), quantity.change(low), quantity.change(high));
    let clear = low > 0.0 || high < 0.0;
    if from == to {
        return narrow_verdict(quantity, &seen, clear);
    }
    let between = format!("{from} to {to}");
    if clear {
        format!("The second side is {seen}: more than the noise. It may be anything from {between}.")
    } else {
        format!("No difference is shown: the second side is {seen}, but anything from {between} would fit.")
    }
}

/// The whole interval rounds to what is seen.
fn narrow_verdict(quantity: Quantity, seen: &str, clear: bool) -> String {
    let within = quantity.last_digit();
    match (clear, seen == quantity.no_change()) {
        (true, true) => {
            format!("The second side is {seen}, within {within}: what difference there is lies below that.")
        }
        (true, false) => format!("The second side is {seen}, within {within}: more than the noise."),
        (false, _) => format!("No difference is shown: the second side is {seen}, within {within}."),
    }
}

fn few(what: &str, fewest: usize) -> String {
    format!("Few {what} ({fewest} on the smaller side): the next ones may change this a lot.")
}

fn limits(basis: Basis) -> &'static str {
    match basis {
        Basis::SwingsOfOneBucket => {
            "Both sides are of one bucket, so day and calibration are the same; another day is not seen here."
        }
        Basis::OneBucketEach => {
            "One bucket a side: a good or bad day cannot be told from a change. Several buckets a side can."
        }
        Basis::PairedBuckets => "Each bucket is compared with itself and counts once.",
        Basis::OneAgainstSeveral => {
            "One bucket against several: the interval is about whether it is like the others, day by day."
        }
        Basis::Buckets => "Each bucket counts once, since swings of one bucket hang together.",
    }
}

/// How the measurement's own noise stands beside that of the swings. Verdicts have none of their own.
fn measurement(comparison: &Comparison, quantity: Quantity) -> Option<String> {
    let measured = comparison.before.measurement_sd.max(comparison.after.measurement_sd);
    let spread = comparison.before.swing_sd.into_iter().chain(comparison.after.swing_sd).reduce(f64::min)?;
    if measured <= 0.0 {
        return None;
    }
    let (measured, spread) = (measured * quantity.factor(), spread * quantity.factor());
    let within = format!(
        "a single swing is measured to ±{}{unit}, the swings spread by ±{}{unit}",
        rounded(measured),
        rounded(spread),
        unit = quantity.unit()
    );
    Some(if measured * 3.0 <= spread {
        format!("The measurement matters little here: {within}.")
    } else {
        format!("The measurement is part of the spread: {within}.")
    })
}

/// A spread with two digits that tell something.
fn rounded(spread: f64) -> String {
    number(spread, if spread < 10.0 { 1 } else { 0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_that_rounds_to_none_is_called_none() {
        assert_eq!(Quantity::SetToTop.change(0.4), "set at the same time");
        assert_eq!(Quantity::SetToTop.change(-0.4), "set at the same time");
        assert_eq!(Quantity::SetToTop.change(-0.6), "set 1 ms earlier");
        assert_eq!(Quantity::ArmTravel.change(0.0), "set at the same arm travel");
        assert_eq!(Quantity::InWindow.change(-0.004), "as often in the window");
    }

    #[test]
    fn an_interval_that_rounds_to_one_number_is_said_once() {
        let said = |quantity, difference, ends| verdict(quantity, difference, ends);
        assert_eq!(
            said(Quantity::ArmTravel, 0.001, (-0.002, 0.004)),
            "No difference is shown: the second side is set at the same arm travel, within 1 %."
        );
        assert_eq!(
            said(Quantity::SetToTop, 0.3, (0.2, 0.4)),
            "The second side is set at the same time, within 1 ms: what difference there is lies below that."
        );
        assert_eq!(
            said(Quantity::SetToTop, 3.1, (2.8, 3.4)),
            "The second side is set 3 ms later, within 1 ms: more than the noise."
        );
        assert_eq!(
            said(Quantity::SetToTop, 0.3, (-0.2, 0.8)),
            "No difference is shown: the second side is set at the same time, but anything from set at the same time to \
             set 1 ms later would fit."
        );
    }
}
