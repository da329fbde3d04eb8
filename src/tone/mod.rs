//! What a cue sounds like, and the way out to the loudspeaker. Knows no swing.
//!
//! Pure: [`cue`] (which pulses make up a cue), [`volume`] (bounds), [`synth`] (samples), [`mixer`] (one cue at
//! a time), [`retry`] (when to try again). Edges: [`server`] (sound server, over
//! `stream`), [`wav`] (file), [`output`] (which of them), [`speech`] (a speech program's words).

pub mod cue;
pub mod error;
pub mod locate;
pub mod mixer;
pub mod output;
pub mod retry;
pub mod server;
pub mod speech;
mod stream;
pub mod synth;
pub mod volume;
pub mod wav;

pub use cue::{Cue, Pulse};
pub use error::{SoundWarning, ToneError};
pub use output::{CueSink, SoundChoice, SoundState, open};
pub use server::Loudspeaker;
pub use speech::{Speaker, Speech};
pub use synth::render;
pub use volume::{SampleRate, Volume};
pub use wav::WavTimeline;
