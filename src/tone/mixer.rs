//! One sound at a time, sample by sample, out of samples rendered beforehand. Pure; never allocates after `new`.
//!
//! A new cue never adds to a sounding one, which could pass the volume: the old one is first turned down within
//! [`FADE_MS`], then the new one starts. Words wait until the cue is over; a cue ends words, and those that wait.

use super::cue::Cue;
use super::speech::Speech;
use super::synth::render;
use super::volume::{SampleRate, Volume};
use std::sync::Arc;

/// How long an interrupted cue takes to die away, ms.
pub const FADE_MS: f64 = 5.0;

/// All cues, rendered; cheap to share.
#[derive(Clone, Debug)]
pub struct CueBank {
    rate: SampleRate,
    samples: Arc<[Vec<f32>; Cue::COUNT]>,
}

impl CueBank {
    /// Renders all cues.
    #[must_use]
    pub fn new(rate: SampleRate, volume: Volume) -> CueBank {
        CueBank { rate, samples: Arc::new(Cue::ALL.map(|cue| render(cue, rate, volume))) }
    }

    /// The samples of one cue.
    #[must_use]
    pub fn samples(&self, cue: Cue) -> &[f32] {
        &self.samples[cue.index()]
    }
}

/// Something to be heard.
#[derive(Clone, Debug)]
pub enum Sound {
    /// A cue.
    Cue(Cue),
    /// Words. Whoever sends them holds them too, so that they are not freed here.
    Speech(Speech),
}

/// What sounds and how far it is.
#[derive(Clone, Debug)]
struct Sounding {
    sound: Sound,
    position: usize,
}

/// Gives out the samples that the loudspeaker asks for.
#[derive(Clone, Debug)]
pub struct Mixer {
    bank: CueBank,
    fade_samples: usize,
    sounding: Option<Sounding>,
    /// Waits for the fade of the sounding one to end, with the samples of fade left.
    waiting: Option<(Cue, usize)>,
    /// Waits for the cue to be over.
    words: Option<Speech>,
}

impl Mixer {
    /// Silent at first.
    #[must_use]
    pub fn new(bank: CueBank) -> Mixer {
        let fade_samples = bank.rate.samples_in_ms(FADE_MS).max(1);
        Mixer { bank, fade_samples, sounding: None, waiting: None, words: None }
    }

    /// Starts a cue, after a short fade where something sounds, or words once all is silent. What waits already is
    /// replaced.
    pub fn start(&mut self, sound: Sound) {
        let cue = match sound {
            Sound::Speech(speech) => {
                self.words = Some(speech);
                return;
            }
            Sound::Cue(cue) => cue,
        };
        self.words = None;
        match (&self.sounding, self.waiting) {
            (None, _) => self.sounding = Some(Sounding { sound: Sound::Cue(cue), position: 0 }),
            (Some(_), Some((_, left))) => self.waiting = Some((cue, left)),
            (Some(_), None) => self.waiting = Some((cue, self.fade_samples)),
        }
    }

    /// Whether nothing sounds and nothing waits.
    #[must_use]
    pub fn is_silent(&self) -> bool {
        self.sounding.is_none() && self.words.is_none()
    }

    /// The next sample; silence when there is nothing to say.
    pub fn next_sample(&mut self) -> f32 {
        let gain = self.step_fade();
        if self.sounding.is_none() {
            let words = self.words.take().map(Sound::Speech);
            self.sounding = words.map(|sound| Sounding { sound, position: 0 });
        }
        let Some(sounding) = &mut self.sounding else { return 0.0 };
        let samples = match &sounding.sound {
            Sound::Cue(cue) => self.bank.samples(*cue),
            Sound::Speech(speech) => speech.samples(),
        };
        let value = samples.get(sounding.position).copied();
        sounding.position += 1;
        if value.is_none() {
            let next = self.waiting.take().map(|(cue, _)| Sound::Cue(cue));
            self.sounding = next.map(|sound| Sounding { sound, position: 0 });
        }
        value.unwrap_or(0.0) * gain
    }

    /// The gain of what sounds, after one sample of fade; starts the waiting cue when the fade is over.
    fn step_fade(&mut self) -> f32 {
        match &mut self.waiting {
            None => 1.0,
            Some((_, left)) if *left > 0 => {
                *left -= 1;
                *left as f32 / self.fade_samples as f32
            }
            Some((cue, _)) => {
                self.sounding = Some(Sounding { sound: Sound::Cue(*cue), position: 0 });
                self.waiting = None;
                1.0
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn mixer() -> Mixer {
        Mixer::new(CueBank::new(SampleRate::SERVER, Volume::default()))
    }

    fn take(mixer: &mut Mixer, count: usize) -> Vec<f32> {
        (0..count).map(|_| mixer.next_sample()).collect()
    }

    #[test]
    fn silent_until_started() {
        assert!(take(&mut mixer(), 1000).iter().all(|s| *s == 0.0));
    }

    #[test]
    fn a_cue_comes_out_as_rendered_then_silence() {
        for cue in Cue::ALL {
            let mut mixer = mixer();
            mixer.start(Sound::Cue(cue));
            let expected = render(cue, SampleRate::SERVER, Volume::default());
            assert_eq!(take(&mut mixer, expected.len()), expected);
            assert!(take(&mut mixer, 100).iter().all(|s| *s == 0.0));
        }
    }

    #[test]
    fn a_new_cue_comes_whole_after_the_fade_of_the_old_one() {
        let mut mixer = mixer();
        mixer.start(Sound::Cue(Cue::InWindow));
        take(&mut mixer, 2000);
        mixer.start(Sound::Cue(Cue::Late));
        let fade = take(&mut mixer, 240);
        assert!(fade.iter().any(|s| *s != 0.0) && fade[239] == 0.0);
        let expected = render(Cue::Late, SampleRate::SERVER, Volume::default());
        assert_eq!(take(&mut mixer, expected.len()), expected);
    }

    #[test]
    fn the_last_of_a_burst_is_the_one_heard() {
        let mut mixer = mixer();
        for cue in Cue::ALL {
            mixer.start(Sound::Cue(cue));
        }
        take(&mut mixer, 240);
        let expected = render(Cue::ALL[Cue::ALL.len() - 1], SampleRate::SERVER, Volume::default());
        assert_eq!(take(&mut mixer, expected.len()), expected);
    }

    fn words(seconds: f64) -> Speech {
        let rate = SampleRate::SERVER;
        let loud = (0..(seconds * f64::from(rate.hz())) as usize).map(|i| (0.1 * i as f32).sin()).collect();
        Speech::new(loud, rate, Volume::default())
    }

    #[test]
    fn words_wait_for_the_cue_and_a_cue_ends_them() {
        let (cue, words) = (render(Cue::Late, SampleRate::SERVER, Volume::default()), words(1.0));
        let mut mixer = mixer();
        mixer.start(Sound::Cue(Cue::Late));
        mixer.start(Sound::Speech(words.clone()));
        assert_eq!(take(&mut mixer, cue.len()), cue);
        let heard = take(&mut mixer, 10_001);
        assert_eq!(heard[1..], words.samples()[..10_000]);
        mixer.start(Sound::Cue(Cue::Late));
        take(&mut mixer, 240);
        assert_eq!(take(&mut mixer, cue.len()), cue);
        assert!(take(&mut mixer, 50_000).iter().all(|sample| *sample == 0.0), "those words are over");
    }

    proptest! {
        /// Whatever comes when: never louder than the volume, never a jump larger than a cue's own steps.
        #[test]
        fn bursts_neither_add_up_nor_click(plan in prop::collection::vec((0..Cue::COUNT, 0..6000_usize), 1..12)) {
            let mut mixer = mixer();
            let mut samples = vec![0.0];
            for (which, wait) in plan {
                mixer.start(Sound::Cue(Cue::ALL[which]));
                samples.extend(take(&mut mixer, wait));
            }
            let peak = Volume::default().peak_amplitude() as f32;
            let largest_step = samples.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
            prop_assert!(samples.iter().all(|s| s.abs() <= peak * 1.000_001));
            // The steepest slope of the highest pitch, 2π·1175/48000 of the peak, and the overtone's share.
            prop_assert!(largest_step <= peak * 0.2, "{largest_step}");
        }
    }
}
