//! How much of a week's safe sound the cues use up.
//!
//! ITU-T H.870 (safe listening): 80 dB(A) for 40 hours a week, and half the time for each 3 dB more (equal
//! energy). A bucket of cues is short: 600 tones of 150 ms at 85 dB(A) are 0.198 % of the weekly dose. The level
//! at the ear is the listener's to measure; the program knows the digital level only.

/// Reference level of the adult mode, dB(A).
const REFERENCE_DB: f64 = 80.0;
/// Time allowed at that level, seconds a week.
const REFERENCE_S: f64 = 40.0 * 3600.0;

/// The part of the weekly dose (1 is all of it) that `seconds` at `level_db` dB(A) take up.
///
/// Method: ITU-T H.870, equal energy. A negative or undefined time counts as none.
#[must_use]
pub fn weekly_dose_fraction(level_db: f64, seconds: f64) -> f64 {
    seconds.max(0.0) / REFERENCE_S * 10f64.powf((level_db - REFERENCE_DB) / 10.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ITU-T H.870: 83 dB(A) 20.05 h, 90 dB 4 h, 100 dB 0.4 h (doses computed from the standard's 80 dB, 40 h).
    #[test]
    fn the_times_of_the_standard_use_up_the_week() {
        for (level_db, hours) in [(80.0, 40.0), (83.0, 20.05), (90.0, 4.0), (100.0, 0.4)] {
            let dose = weekly_dose_fraction(level_db, hours * 3600.0);
            assert!((dose - 1.0).abs() < 5e-4, "{level_db} dB for {hours} h: {dose}");
        }
    }

    /// The same standard: 600 tones of 150 ms at 85 dB are 0.198 % of the week.
    #[test]
    fn a_long_practice_is_a_fifth_of_a_percent() {
        let percent = 100.0 * weekly_dose_fraction(85.0, 600.0 * 0.150);
        assert!((percent - 0.198).abs() < 5e-4, "{percent} %");
    }

    #[test]
    fn no_time_is_no_dose() {
        assert_eq!(weekly_dose_fraction(100.0, -1.0), 0.0);
        assert_eq!(weekly_dose_fraction(100.0, f64::NAN), 0.0);
    }
}
