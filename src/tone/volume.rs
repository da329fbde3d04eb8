//! Bounded settings of the sound: how loud at most, and how many samples a second.

use super::ToneError;
use serde::{Deserialize, Serialize};

/// The highest amplitude that a cue may reach, in dB of full scale.
///
/// Full scale is never passed on, whatever is asked for: the bound is -6 dBFS, half the amplitude range. What
/// that is at the ear depends on the loudspeaker and cannot be known here, so the default is modest, -20 dBFS,
/// a tenth of full scale.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Volume {
    dbfs: f64,
}

impl Volume {
    /// Lowest setting, dBFS.
    pub const LEAST_DBFS: f64 = -60.0;
    /// Highest setting, dBFS.
    pub const MOST_DBFS: f64 = -6.0;

    /// A volume from its peak in dB of full scale.
    ///
    /// # Errors
    /// Outside -60 to -6 dBFS, or not a number.
    pub fn from_dbfs(dbfs: f64) -> Result<Volume, ToneError> {
        if (Volume::LEAST_DBFS..=Volume::MOST_DBFS).contains(&dbfs) {
            Ok(Volume { dbfs })
        } else {
            Err(ToneError::Volume { least: Volume::LEAST_DBFS, most: Volume::MOST_DBFS, found: dbfs })
        }
    }

    /// The setting, dBFS.
    #[must_use]
    pub fn dbfs(self) -> f64 {
        self.dbfs
    }

    /// The same as an amplitude, where 1 is full scale.
    #[must_use]
    pub fn peak_amplitude(self) -> f64 {
        10f64.powf(self.dbfs / 20.0)
    }
}

impl Default for Volume {
    fn default() -> Volume {
        Volume { dbfs: -20.0 }
    }
}

impl TryFrom<f64> for Volume {
    type Error = ToneError;
    fn try_from(dbfs: f64) -> Result<Volume, ToneError> {
        Volume::from_dbfs(dbfs)
    }
}

impl From<Volume> for f64 {
    fn from(volume: Volume) -> f64 {
        volume.dbfs
    }
}

/// Samples per second.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SampleRate {
    hz: u32,
}

impl SampleRate {
    /// What sound servers run at, mostly.
    pub const SERVER: SampleRate = SampleRate { hz: 48_000 };
    /// Enough for the highest overtone of a cue, and half the file.
    pub const FILE: SampleRate = SampleRate { hz: 24_000 };
    const LEAST_HZ: u32 = 8_000;
    const MOST_HZ: u32 = 192_000;

    /// A sample rate in Hz.
    ///
    /// # Errors
    /// Outside 8 to 192 kHz.
    pub fn from_hz(hz: u32) -> Result<SampleRate, ToneError> {
        if (SampleRate::LEAST_HZ..=SampleRate::MOST_HZ).contains(&hz) {
            Ok(SampleRate { hz })
        } else {
            Err(ToneError::SampleRate { least: SampleRate::LEAST_HZ, most: SampleRate::MOST_HZ, found: hz })
        }
    }

    /// The rate, Hz.
    #[must_use]
    pub const fn hz(self) -> u32 {
        self.hz
    }

    /// How many samples `ms` milliseconds take, rounded.
    #[must_use]
    pub fn samples_in_ms(self, ms: f64) -> usize {
        (ms.max(0.0) * 1e-3 * f64::from(self.hz)).round() as usize
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_volume_never_reaches_full_scale() {
        assert!(Volume::from_dbfs(Volume::MOST_DBFS).unwrap().peak_amplitude() < 0.502);
        assert!((Volume::default().peak_amplitude() - 0.1).abs() < 1e-12);
        for bad in [-5.9, 0.0, 3.0, -60.1, f64::NAN, f64::INFINITY] {
            assert!(Volume::from_dbfs(bad).is_err(), "{bad}");
        }
        let text = Volume::from_dbfs(0.0).unwrap_err().to_string();
        assert_eq!(text, "volume: expected -60 to -6 dB of full scale, found 0");
    }

    #[test]
    fn a_settings_file_cannot_pass_the_bound() {
        assert_eq!(serde_json::from_str::<Volume>("-12.5").unwrap().dbfs(), -12.5);
        let text = serde_json::from_str::<Volume>("-1").unwrap_err().to_string();
        assert!(text.contains("expected -60 to -6 dB of full scale, found -1"), "{text}");
    }

    #[test]
    fn rates_have_bounds() {
        assert_eq!(SampleRate::from_hz(44_100).unwrap().samples_in_ms(10.0), 441);
        let text = SampleRate::from_hz(4000).unwrap_err().to_string();
        assert_eq!(text, "sample rate: expected 8000 to 192000 Hz, found 4000");
    }
}
