//! The sensor's count grid: finds the exact value behind a rounded decimal, and writes it back the same.
//!
//! A sensor counts in steps of full scale / 32768. A CSV holds those values rounded to a few decimals. Where
//! the rounding explains the difference, the exact value is restored, so that a session read from a CSV
//! equals the same session read from raw frames, bit by bit.

use crate::device::frames::counts_to_units;

/// Counts from zero to full scale.
const COUNTS: f64 = 32768.0;
/// Part of half a printed unit that is allowed on top of it, for decimals that lie exactly between two.
const SLACK: f64 = 1e-6;
/// Zeros that are put behind a number at most to keep it off the grid.
const ZEROS_AT_MOST: usize = 40;

/// The counts whose value lies nearest, if they are within the sensor's range.
fn nearest_counts(value: f64, full_scale: f64) -> Option<i16> {
    let counts = (value * COUNTS / full_scale).round();
    (f64::from(i16::MIN)..=f64::from(i16::MAX)).contains(&counts).then_some(counts as i16)
}

/// The unit of the last printed digit: 0.01 for `-3.25`. None for a number with an exponent.
fn printed_unit(text: &str) -> Option<f64> {
    if text.contains(['e', 'E']) {
        return None;
    }
    let decimals = text.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    Some(10_f64.powi(-i32::try_from(decimals).ok()?))
}

/// The exact value on the grid that was printed as `text`, or `value` (what `text` reads as) where the
/// grid does not explain it, or where the decimals are too coarse to tell one count from the next.
#[must_use]
pub fn snap(value: f64, text: &str, full_scale: f64) -> f64 {
    let snapped = || {
        let unit = printed_unit(text)?;
        if full_scale / COUNTS <= unit {
            return None;
        }
        let exact = counts_to_units(nearest_counts(value, full_scale)?, full_scale);
        ((exact - value).abs() <= 0.5 * unit * (1.0 + SLACK)).then_some(exact)
    };
    // A printed minus before a zero stays: it says that the value was rounded from below.
    snapped().filter(|exact| *exact != 0.0 || value != 0.0).unwrap_or(value)
}

/// The decimal for a value: with `decimals` digits where that stands for a count, else in the shortest
/// form that reads back as the same value.
#[must_use]
pub fn format_value(value: f64, decimals: usize, full_scale: Option<f64>) -> String {
    let fixed = format!("{value:.decimals$}");
    if reads_back(&fixed, value, full_scale) {
        return fixed;
    }
    let mut shortest = format!("{value}");
    if !shortest.contains('.') {
        shortest.push('.');
    }
    for _ in 0..ZEROS_AT_MOST {
        if reads_back(&shortest, value, full_scale) {
            break;
        }
        shortest.push('0');
    }
    shortest
}

/// Whether `text` is read as exactly this value.
fn reads_back(text: &str, value: f64, full_scale: Option<f64>) -> bool {
    let Ok(read) = text.parse::<f64>() else { return false };
    full_scale.map_or(read, |full_scale| snap(read, text, full_scale)).to_bits() == value.to_bits()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn read(text: &str, full_scale: f64) -> f64 {
        snap(text.parse().unwrap(), text, full_scale)
    }

    #[test]
    fn a_rounded_decimal_finds_its_count() {
        assert_eq!(read("0.977", 4000.0), counts_to_units(8, 4000.0));
        assert_eq!(read("-0.97559", 32.0), counts_to_units(-999, 32.0));
        assert_eq!(read("4000.000", 4000.0), 4000.0);
    }

    #[test]
    fn what_the_grid_does_not_explain_stays() {
        assert_eq!(read("0.978", 4000.0), 0.978);
        assert_eq!(read("0.9770", 4000.0), 0.977);
        assert_eq!(read("9.77e-1", 4000.0), 0.977);
        assert_eq!(read("5000.000", 4000.0), 5000.0);
    }

    #[test]
    fn decimals_coarser_than_the_grid_are_left_alone() {
        assert_eq!(read("1", 4000.0), 1.0);
        assert_eq!(read("0.97", 32.0), 0.97);
    }

    #[test]
    fn a_negative_zero_keeps_its_sign() {
        assert_eq!(format_value(read("-0.000", 4000.0), 3, Some(4000.0)), "-0.000");
        assert_eq!(format_value(0.0, 3, Some(4000.0)), "0.000");
    }

    #[test]
    fn a_value_beside_the_grid_gets_the_digits_that_keep_it_there() {
        assert_eq!(format_value(0.977, 3, Some(4000.0)), "0.9770");
        assert_eq!(format_value(0.977, 3, None), "0.977");
        assert_eq!(format_value(0.1234567, 3, None), "0.1234567");
    }

    proptest! {
        #[test]
        fn counts_come_back_through_their_decimals(counts in any::<i16>(), which in 0..6_usize) {
            let (full_scale, decimals) =
                [(4000.0, 3), (2000.0, 3), (250.0, 3), (32.0, 5), (16.0, 5), (2.0, 5)][which];
            let value = counts_to_units(counts, full_scale);
            let text = format_value(value, decimals, Some(full_scale));
            prop_assert_eq!(text.split_once('.').unwrap().1.len(), decimals);
            prop_assert_eq!(read(&text, full_scale).to_bits(), value.to_bits());
        }

        #[test]
        fn any_value_comes_back(value in -5000.0..5000.0_f64, full_scale in 1.0..5000.0_f64) {
            let text = format_value(value, 3, Some(full_scale));
            prop_assert_eq!(read(&text, full_scale).to_bits(), value.to_bits());
        }
    }
}
