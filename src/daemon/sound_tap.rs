//! A way out for cues with a tap: it can be closed for a while, and counts what went through.

use crate::tone::{Cue, CueSink, SoundState, SoundWarning, Speech, ToneError};
use crate::units::HostTime;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

#[derive(Default)]
struct Shared {
    muted: AtomicBool,
    played: [AtomicU64; Cue::COUNT],
}

/// Opens and closes a tap. Copies hold the same one.
#[derive(Clone, Default)]
pub struct Tap(Arc<Shared>);

impl Tap {
    /// Mutes, or lets sound again; gives whether it is mute now.
    pub fn toggle(&self) -> bool {
        !self.0.muted.fetch_xor(true, Ordering::Relaxed)
    }

    /// Cues are kept silent.
    #[must_use]
    pub fn is_muted(&self) -> bool {
        self.0.muted.load(Ordering::Relaxed)
    }

    /// How often each cue went through, those that never did included.
    #[must_use]
    pub fn played(&self) -> Vec<(&'static str, u64)> {
        let count = |cue: &Cue| self.0.played[cue.index()].load(Ordering::Relaxed);
        Cue::ALL.iter().map(|cue| (cue.word(), count(cue))).collect()
    }

    /// How many cues went through.
    #[must_use]
    pub fn count(&self) -> u64 {
        self.0.played.iter().map(|count| count.load(Ordering::Relaxed)).sum()
    }

    /// The way out with this tap in front.
    #[must_use]
    pub fn on(&self, way_out: Box<dyn CueSink>) -> Box<dyn CueSink> {
        Box::new(Tapped { tap: self.clone(), way_out })
    }
}

struct Tapped {
    tap: Tap,
    way_out: Box<dyn CueSink>,
}

impl CueSink for Tapped {
    fn play(&mut self, cue: Cue, at: HostTime) {
        if self.tap.is_muted() {
            return;
        }
        self.tap.0.played[cue.index()].fetch_add(1, Ordering::Relaxed);
        self.way_out.play(cue, at);
        tracing::info!(cue = cue.word(), "cue handed to the sound");
    }

    fn say(&mut self, speech: &Speech, at: HostTime) {
        if !self.tap.is_muted() {
            self.way_out.say(speech, at);
        }
    }

    fn expect(&self, soon: bool) {
        self.way_out.expect(soon);
    }

    fn state(&self) -> SoundState {
        self.way_out.state()
    }

    fn take_warning(&mut self) -> Option<SoundWarning> {
        self.way_out.take_warning()
    }

    fn close(self: Box<Self>) -> Result<(), ToneError> {
        self.way_out.close()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::output::Silence;

    #[test]
    fn a_closed_tap_lets_nothing_through() {
        let tap = Tap::default();
        let mut sound = tap.on(Box::new(Silence));
        let played = || tap.played().into_iter().find(|(cue, _)| *cue == "late").map(|(_, count)| count);
        sound.play(Cue::Late, HostTime(0));
        assert!(tap.toggle() && tap.is_muted());
        sound.play(Cue::Late, HostTime(1));
        assert_eq!(played(), Some(1));
        assert!(!tap.toggle());
        sound.play(Cue::Late, HostTime(2));
        assert_eq!(played(), Some(2));
    }
}
