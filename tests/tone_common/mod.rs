//! Listening to samples: where pulses lie and which pitch they have. Knows nothing of how cues are made.

#![allow(dead_code, reason = "each test uses its part")]

use std::f64::consts::TAU;

/// A stretch of sound between silences.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heard {
    /// First sample, seconds.
    pub starts_s: f64,
    /// Length, seconds.
    pub lasts_s: f64,
    /// Strongest pitch, Hz.
    pub pitch_hz: f64,
}

/// Power at one frequency (Goertzel 1958), per sample squared.
pub fn power_at(samples: &[f32], pitch_hz: f64, rate_hz: f64) -> f64 {
    let coefficient = 2.0 * (TAU * pitch_hz / rate_hz).cos();
    let (mut s1, mut s2) = (0.0, 0.0);
    for sample in samples {
        let s0 = f64::from(*sample) + coefficient * s1 - s2;
        s2 = s1;
        s1 = s0;
    }
    (s1 * s1 + s2 * s2 - coefficient * s1 * s2) / (samples.len() as f64).powi(2)
}

/// The frequency between 200 and 2600 Hz with the most power, in steps of 2 Hz.
pub fn strongest_pitch_hz(samples: &[f32], rate_hz: f64) -> f64 {
    let candidates = (100..1300).map(|half| 2.0 * f64::from(half));
    candidates
        .map(|hz| (hz, power_at(samples, hz, rate_hz)))
        .fold((0.0, -1.0), |best, next| if next.1 > best.1 { next } else { best })
        .0
}

/// Stretches of sound: 2 ms blocks louder than a tenth of the loudest, closed over gaps of up to 10 ms.
pub fn listen(samples: &[f32], rate_hz: f64) -> Vec<Heard> {
    let block = (0.002 * rate_hz) as usize;
    let levels: Vec<f32> =
        samples.chunks(block).map(|b| b.iter().fold(0.0, |peak: f32, s| peak.max(s.abs()))).collect();
    let loud = levels.iter().fold(0.0, |peak: f32, l| peak.max(*l)) * 0.1;
    let mut stretches: Vec<(usize, usize)> = Vec::new();
    for i in (0..levels.len()).filter(|i| loud > 0.0 && levels[*i] > loud) {
        match stretches.last_mut() {
            Some((_, end)) if i - *end <= 5 => *end = i + 1,
            _ => stretches.push((i, i + 1)),
        }
    }
    stretches.into_iter().map(|(from, to)| heard(samples, from * block, to * block, rate_hz)).collect()
}

fn heard(samples: &[f32], from: usize, to: usize, rate_hz: f64) -> Heard {
    let part = &samples[from..to.min(samples.len())];
    Heard {
        starts_s: from as f64 / rate_hz,
        lasts_s: part.len() as f64 / rate_hz,
        pitch_hz: strongest_pitch_hz(part, rate_hz),
    }
}
