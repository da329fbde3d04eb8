//! The number of a swing in spoken words, after its cue, where the player wants it.

use super::status::Status;
use crate::detect::Swing;
use crate::record::feedback_settings::Speak;
use crate::tone::speech::missing;
use crate::tone::{CueSink, Speaker, Volume};
use crate::units::HostTime;

/// Numbers are spoken to this many ms: more would not be true, and takes longer to say.
const STEP_MS: f64 = 10.0;

/// What waits to be spoken, and who speaks.
pub struct Spoken {
    what: Speak,
    speaker: Option<Speaker>,
    /// The newest swing's words; they go with its cue, whenever that comes.
    words: Option<String>,
}

impl Spoken {
    /// As the player wants it. `volume` is none where all is silent.
    #[must_use]
    pub fn start(what: Speak, volume: Option<Volume>, status: &Status) -> Spoken {
        let volume = volume.filter(|_| what != Speak::Nothing);
        let speaker = volume.and_then(Speaker::start);
        if volume.is_some() && speaker.is_none() {
            status.line(&missing());
        }
        Spoken { what, speaker, words: None }
    }

    /// A swing was measured: its words wait for its cue.
    pub fn swing(&mut self, swing: &Swing) {
        self.words = words(self.what, swing);
    }

    /// What was measured before is over.
    pub fn forget(&mut self) {
        self.words = None;
    }

    /// The swing's cue was heard: the words follow.
    pub fn cue_was_heard(&mut self) {
        if let (Some(speaker), Some(words)) = (&self.speaker, self.words.take()) {
            speaker.say(&words);
        }
    }

    /// Hands on what the speech program has ready.
    pub fn tick(&mut self, sound: &mut dyn CueSink, now: HostTime, status: &Status) {
        match self.speaker.as_ref().and_then(Speaker::take) {
            Some(Ok(speech)) => sound.say(&speech, now),
            Some(Err(reason)) => status.once(&format!("no number is spoken: {reason}")),
            None => {}
        }
    }
}

/// The words for a swing; none where it has no set, which its cue has told.
#[must_use]
pub fn words(what: Speak, swing: &Swing) -> Option<String> {
    let set = swing.set?;
    match what {
        Speak::Nothing => None,
        Speak::Travel => Some(format!("{:.0} percent", 100.0 * set.arm_travel_at_set.value)),
        Speak::Set => {
            let ms = (set.set_to_top_ms.value / STEP_MS).round() * STEP_MS;
            Some(match ms {
                ms if ms < 0.0 => format!("{:.0} before", -ms),
                ms if ms > 0.0 => format!("{ms:.0} after"),
                _ => "at the top".to_owned(),
            })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{AnalysisParams, LiveAnalysis, SetTimes};
    use crate::device::virtual_glove::{Scenario, VirtualBucket};

    fn swing() -> Swing {
        let bucket = VirtualBucket::play(&Scenario::left_handed_bucket(), 1);
        let mut live = LiveAnalysis::new(&bucket.device, AnalysisParams::default());
        bucket.arrivals.iter().find_map(|arrival| live.push(arrival).pop()).unwrap().swing
    }

    #[test]
    fn numbers_are_said_the_short_way() {
        let swing = swing();
        let set = swing.set.unwrap();
        let at = |ms: f64| {
            let mut set_to_top_ms = set.set_to_top_ms;
            set_to_top_ms.value = ms;
            Swing { set: Some(SetTimes { set_to_top_ms, ..set }), ..swing.clone() }
        };
        assert_eq!(words(Speak::Set, &at(-384.2)).unwrap(), "380 before");
        assert_eq!(words(Speak::Set, &at(52.0)).unwrap(), "50 after");
        assert_eq!(words(Speak::Set, &at(-4.9)).unwrap(), "at the top");
        let travel = words(Speak::Travel, &swing).unwrap();
        assert_eq!(travel, format!("{:.0} percent", 100.0 * set.arm_travel_at_set.value));
        assert_eq!(words(Speak::Nothing, &swing), None);
        assert_eq!(words(Speak::Set, &Swing { set: None, ..swing }), None);
    }
}
