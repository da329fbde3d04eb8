//! Turns a cue into samples: sine pulses with an overtone and soft ends.

use super::cue::{Cue, Pulse};
use super::volume::{SampleRate, Volume};
use std::f64::consts::{PI, TAU};

/// Raised-cosine ramp at each end of a pulse, ms. Long enough that no click is heard, short enough for a clear
/// rhythm (common practice: 5 to 10 ms).
const RAMP_MS: f64 = 8.0;

/// Share of the amplitude in the octave above: a plain sine is hard to place and drowns in wind. The two shares
/// sum to 1, so the peak can never pass the volume.
const OVERTONE: f64 = 0.2;

/// The whole cue as mono samples; no value is larger than the volume's peak amplitude.
#[must_use]
pub fn render(cue: Cue, rate: SampleRate, volume: Volume) -> Vec<f32> {
    let mut samples = vec![0.0_f32; rate.samples_in_ms(cue.lasts_ms())];
    let peak = cue.level() * volume.peak_amplitude();
    for pulse in cue.pulses() {
        let start = rate.samples_in_ms(pulse.starts_ms);
        for (out, value) in samples.iter_mut().skip(start).zip(pulse_samples(*pulse, rate)) {
            *out = (value * peak) as f32;
        }
    }
    samples
}

/// One pulse, at most 1 in size.
fn pulse_samples(pulse: Pulse, rate: SampleRate) -> impl Iterator<Item = f64> {
    let count = rate.samples_in_ms(pulse.lasts_ms);
    let ramp = rate.samples_in_ms(RAMP_MS.min(0.5 * pulse.lasts_ms));
    let step = TAU * pulse.pitch_hz / f64::from(rate.hz());
    (0..count).map(move |i| envelope(i, count, ramp) * voice(step * i as f64))
}

/// The wave at a phase in radians.
fn voice(phase: f64) -> f64 {
    (1.0 - OVERTONE) * phase.sin() + OVERTONE * (2.0 * phase).sin()
}

/// Raised cosine from 0 at either end to 1 within `ramp` samples.
fn envelope(i: usize, count: usize, ramp: usize) -> f64 {
    let from_end = i.min(count.saturating_sub(1 + i));
    if from_end >= ramp { 1.0 } else { 0.5 * (1.0 - (PI * from_end as f64 / ramp as f64).cos()) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn loudest() -> Volume {
        Volume::from_dbfs(Volume::MOST_DBFS).unwrap()
    }

    #[test]
    fn the_envelope_starts_and_ends_at_nothing() {
        assert_eq!(envelope(0, 100, 10), 0.0);
        assert_eq!(envelope(99, 100, 10), 0.0);
        assert_eq!(envelope(50, 100, 10), 1.0);
        assert!((envelope(5, 100, 10) - 0.5).abs() < 1e-12);
    }

    #[test]
    fn every_pulse_fills_its_time_and_nothing_between() {
        let rate = SampleRate::SERVER;
        for cue in Cue::ALL {
            let samples = render(cue, rate, loudest());
            assert_eq!(samples.len(), rate.samples_in_ms(cue.lasts_ms()));
            for pair in cue.pulses().windows(2) {
                let gap_from = rate.samples_in_ms(pair[0].starts_ms + pair[0].lasts_ms) + 1;
                let gap_to = rate.samples_in_ms(pair[1].starts_ms);
                assert!(samples[gap_from..gap_to].iter().all(|s| *s == 0.0), "{}", cue.word());
            }
        }
    }

    proptest! {
        #[test]
        fn no_sample_passes_the_volume(dbfs in -60.0..=-6.0_f64, hz in 8_000..=192_000_u32, which in 0..Cue::COUNT) {
            let volume = Volume::from_dbfs(dbfs).unwrap();
            let samples = render(Cue::ALL[which], SampleRate::from_hz(hz).unwrap(), volume);
            let peak = samples.iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
            prop_assert!(f64::from(peak) <= volume.peak_amplitude() * (1.0 + 1e-6));
            let level = Cue::ALL[which].level() * volume.peak_amplitude();
            prop_assert!(f64::from(peak) > 0.7 * level, "the volume is used: {peak}");
        }
    }
}
