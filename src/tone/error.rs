//! What can go wrong with sound: errors of a setting, and warnings of an output that do not stop the program.

use std::path::PathBuf;
use thiserror::Error;

/// A setting out of bounds, or a sound file that could not be finished.
#[derive(Debug, Error, PartialEq)]
pub enum ToneError {
    /// The volume is not within its bounds.
    #[error("volume: expected {least} to {most} dB of full scale, found {found}")]
    Volume {
        /// Lowest allowed, dBFS.
        least: f64,
        /// Highest allowed, dBFS.
        most: f64,
        /// What was given.
        found: f64,
    },
    /// The sample rate is not within its bounds.
    #[error("sample rate: expected {least} to {most} Hz, found {found}")]
    SampleRate {
        /// Lowest allowed, Hz.
        least: u32,
        /// Highest allowed, Hz.
        most: u32,
        /// What was given.
        found: u32,
    },
    /// The sound file could not be made, written or finished.
    #[error("sound file {}: {reason}", path.display())]
    WavFile {
        /// The file.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// There is no sound server, or it refuses.
    #[error("sound server: {0}")]
    Server(String),
}

/// Something that the player should be told, while the program goes on.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum SoundWarning {
    /// No server at the start, and it is looked for again.
    #[error("no sound yet ({0}); it is tried again while the program runs")]
    NotYet(String),
    /// The way out could not be had at the start: silence for good.
    #[error("no sound ({0}); cues are shown, not heard")]
    Silence(String),
    /// The server went away.
    #[error("the sound server is gone ({0}); cues are silent until it is back")]
    Lost(String),
    /// It is back.
    #[error("the sound server is back; cues are heard again")]
    Back,
    /// The sound file failed.
    #[error("cues are no longer written to the sound file: {0}")]
    WavStopped(String),
}
