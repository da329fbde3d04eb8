//! Which way out the cues take, and what each way has in common.

use super::cue::Cue;
use super::error::{SoundWarning, ToneError};
use super::locate::ServerEnv;
use super::server::{Loudspeaker, Start};
use super::speech::Speech;
use super::volume::Volume;
use super::wav::WavTimeline;
use crate::units::HostTime;
use std::path::PathBuf;

/// Where the cues go.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum SoundChoice {
    /// The sound server if one is there at the start, else silence.
    #[default]
    Auto,
    /// The sound server, looked for until it is there.
    Server,
    /// A sound file, cues at their times.
    Wav(PathBuf),
    /// Nowhere.
    Silent,
}

/// Whether cues are heard.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SoundState {
    /// A loudspeaker stream is open; cues sound at once.
    Heard,
    /// The sound server is looked for; cues are silent.
    Searching,
    /// Cues go to a file.
    Written,
    /// No sound, by choice or for want of a server.
    Silent,
}

impl SoundState {
    /// The word on a status line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            SoundState::Heard => "heard",
            SoundState::Searching => "searching",
            SoundState::Written => "written",
            SoundState::Silent => "silent",
        }
    }
}

/// A way out for cues. None of the calls but `close` waits for anything; no failure reaches the caller.
pub trait CueSink: Send {
    /// Lets a cue sound now. `at` is now, for outputs that keep a timeline.
    fn play(&mut self, cue: Cue, at: HostTime);

    /// Lets words be heard, once no cue sounds.
    fn say(&mut self, speech: &Speech, at: HostTime);

    /// Whether a cue may come soon. While none can, sound may be prepared farther ahead, which costs less; a cue that
    /// comes all the same is heard some tens of ms later.
    fn expect(&self, _soon: bool) {}

    /// Whether cues are heard.
    fn state(&self) -> SoundState;

    /// The next thing to tell the player, each once.
    fn take_warning(&mut self) -> Option<SoundWarning>;

    /// Ends the output and finishes its file.
    ///
    /// # Errors
    /// The sound file could not be written.
    fn close(self: Box<Self>) -> Result<(), ToneError>;
}

/// No sound.
#[derive(Clone, Copy, Debug, Default)]
pub struct Silence;

impl CueSink for Silence {
    fn play(&mut self, _cue: Cue, _at: HostTime) {}

    fn say(&mut self, _speech: &Speech, _at: HostTime) {}

    fn state(&self) -> SoundState {
        SoundState::Silent
    }

    fn take_warning(&mut self) -> Option<SoundWarning> {
        None
    }

    fn close(self: Box<Self>) -> Result<(), ToneError> {
        Ok(())
    }
}

/// Opens the way out. Always gives one: where the choice cannot be had, silence and a warning that says why.
/// `now` is the zero of a sound file's timeline. Waits up to a few seconds for the sound server's answer.
#[must_use]
pub fn open(choice: &SoundChoice, volume: Volume, now: HostTime) -> (Box<dyn CueSink>, Option<SoundWarning>) {
    match choice {
        SoundChoice::Silent => (Box::new(Silence), None),
        SoundChoice::Auto => {
            or_silence(Loudspeaker::open(ServerEnv::of_process(), volume, Start::MustBeThere))
        }
        SoundChoice::Server => {
            or_silence(Loudspeaker::open(ServerEnv::of_process(), volume, Start::MayComeLater))
        }
        SoundChoice::Wav(path) => or_silence(WavTimeline::create(path, volume, now)),
    }
}

fn or_silence<S: CueSink + 'static>(
    opened: Result<S, ToneError>,
) -> (Box<dyn CueSink>, Option<SoundWarning>) {
    match opened {
        Ok(mut sink) => {
            let warning = sink.take_warning();
            (Box::new(sink), warning)
        }
        Err(error) => (Box::new(Silence), Some(SoundWarning::Silence(error.to_string()))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_cannot_be_made_leaves_silence_and_a_reason() {
        let choice = SoundChoice::Wav("/nowhere/at/all/cues.wav".into());
        let (mut sink, warning) = open(&choice, Volume::default(), HostTime(0));
        assert_eq!(sink.state(), SoundState::Silent);
        let text = warning.unwrap().to_string();
        assert!(text.contains("/nowhere/at/all/cues.wav") && text.contains("No such file"), "{text}");
        sink.play(Cue::Late, HostTime(5));
        assert_eq!(sink.take_warning(), None);
        assert_eq!(sink.close(), Ok(()));
    }

    #[test]
    fn silence_by_choice_is_no_warning() {
        let (sink, warning) = open(&SoundChoice::Silent, Volume::default(), HostTime(0));
        assert_eq!((sink.state(), warning), (SoundState::Silent, None));
    }
}
