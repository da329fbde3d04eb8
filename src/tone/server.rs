//! The loudspeaker: a stream on the sound server, kept open and running, so that a cue sounds at once.
//!
//! Speaks the PulseAudio protocol, which PipeWire serves too. An opened stream gets silence all the time: a
//! device that has gone to sleep would swallow the first cue.
//!
//! A thread of its own connects, answers the server's requests for samples and connects again
//! ([`super::retry`]). Where it answers, the mixer reads rendered cues and a lock-free queue; nothing is locked
//! or allocated there. A server that hangs, dies or stops asking for samples costs cues, never the program.

use super::cue::Cue;
use super::error::{SoundWarning, ToneError};
use super::locate::ServerEnv;
use super::mixer::{CueBank, Mixer, Sound};
use super::output::{CueSink, SoundState};
use super::retry::Outage;
use super::speech::Speech;
use super::stream::{Connection, Heard, Stream};
use super::volume::{SampleRate, Volume};
use crate::units::HostTime;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TryRecvError, bounded};
use pulseaudio::protocol;
use std::collections::VecDeque;
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// Samples that wait at the server: 480 at 48 kHz are 10 ms, the delay of a cue. A starved stream breaks a pulse in
/// two, which changes what the cue says. With 256, 3 of 16 runs were starved on a machine three times overloaded;
/// with 480, none of 8.
const WAITING_SAMPLES: u32 = 480;
/// So long the thread sleeps while nothing sounds; what the server asks for meanwhile is answered in one. It asks each
/// 2.5 ms, and a wake for each would cost several times the work. A cue is no later for it: its first sample follows
/// those that were sent, and fewer of them wait by then.
const SILENT_REST: Duration = Duration::from_micros(4_500);
/// What the server asks for in one, samples: 2.5 ms at 48 kHz …
const ASKED_SAMPLES: u32 = WAITING_SAMPLES / 4;
/// … and 15 ms while no cue can come soon; so much more waits then. A set is foreseen for longer than that lasts. (With
/// 30 ms two cues of 90 came some 12 ms late, since the larger buffer was not played out yet.)
const ASKED_IN_CALM_SAMPLES: u32 = 720;
/// Bytes of one sample, 32-bit float mono.
const SAMPLE_BYTES: usize = 4;
/// A server that says nothing in this many looks ([`super::stream::LOOK_EVERY`], 3 s in all) counts as gone.
const STALLED_LOOKS: u32 = 15;
/// Cues and words that may wait for the server's next request; it comes within milliseconds.
const SOUND_QUEUE: usize = 8;
/// Warnings that may wait for the player.
const WARNING_QUEUE: usize = 8;

/// What a missing server means at the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// An error.
    MustBeThere,
    /// A warning; it is looked for again.
    MayComeLater,
}

/// What the threads know of the stream.
#[derive(Debug, Default)]
struct Health {
    /// A stream is open.
    open: AtomicBool,
    /// Samples that servers asked for since the start.
    samples: AtomicU64,
    /// No cue can come soon ([`CueSink::expect`]).
    calm: AtomicBool,
}

/// Cues on the sound server.
#[derive(Debug)]
pub struct Loudspeaker {
    sounds: Sender<Sound>,
    /// The newest words: held here too, so that they are never freed where the samples are asked for.
    said: VecDeque<Speech>,
    warnings: Receiver<SoundWarning>,
    health: Arc<Health>,
    /// Dropping it ends the watching thread.
    _stop: Sender<()>,
}

impl Loudspeaker {
    /// Connects and keeps a stream open until dropped. Waits for the server's answers, 3 s at most for each.
    ///
    /// # Errors
    /// No thread could be made; or, where the server must be there, it is not or refuses.
    pub fn open(env: ServerEnv, volume: Volume, start: Start) -> Result<Loudspeaker, ToneError> {
        let (sounds, inbox) = bounded(SOUND_QUEUE);
        let (news, warnings) = bounded(WARNING_QUEUE);
        let (stop, stop_inbox) = bounded(0);
        let (first_report, first) = bounded(1);
        let health = Arc::new(Health::default());
        let watcher = Watcher {
            env,
            bank: CueBank::new(SampleRate::SERVER, volume),
            sounds: inbox,
            news,
            stop: stop_inbox,
            health: health.clone(),
        };
        std::thread::Builder::new()
            .name("loudspeaker".into())
            .spawn(move || watcher.run(start, &first_report))
            .map_err(|e| ToneError::Server(e.to_string()))?;
        first.recv().unwrap_or_else(|_| Err(ToneError::Server("its thread stopped".into())))?;
        Ok(Loudspeaker { sounds, said: VecDeque::new(), warnings, health, _stop: stop })
    }

    /// Samples at 48 kHz that the server has asked for since the start: it counts on while the stream runs.
    #[must_use]
    pub fn samples_asked_for(&self) -> u64 {
        self.health.samples.load(Ordering::Relaxed)
    }
}

impl CueSink for Loudspeaker {
    fn play(&mut self, cue: Cue, _at: HostTime) {
        // A full queue means a server that stopped asking: the watcher tells, and an old cue helps nobody.
        if self.state() == SoundState::Heard {
            let _ = self.sounds.try_send(Sound::Cue(cue));
        }
    }

    fn say(&mut self, speech: &Speech, _at: HostTime) {
        if self.state() == SoundState::Heard {
            let _ = self.sounds.try_send(Sound::Speech(speech.clone()));
            self.said.push_back(speech.clone());
            // Those that wait, and the one that is being spoken.
            if self.said.len() > SOUND_QUEUE + 2 {
                self.said.pop_front();
            }
        }
    }

    fn expect(&self, soon: bool) {
        self.health.calm.store(!soon, Ordering::Relaxed);
    }

    fn state(&self) -> SoundState {
        if self.health.open.load(Ordering::Relaxed) { SoundState::Heard } else { SoundState::Searching }
    }

    fn take_warning(&mut self) -> Option<SoundWarning> {
        self.warnings.try_recv().ok()
    }

    fn close(self: Box<Self>) -> Result<(), ToneError> {
        Ok(())
    }
}

/// Whether a sound server answers, and what it calls itself. Opens nothing that sounds.
///
/// # Errors
/// No server is there, or it does not answer within 3 s.
pub fn probe(env: &ServerEnv) -> Result<String, ToneError> {
    let mut connection = Connection::open(&env.socket()?)?;
    let info: protocol::ServerInfo = connection.ask(&protocol::Command::GetServerInfo)?;
    let name = info.server_name.map(|name| name.to_string_lossy().into_owned());
    Ok(name.unwrap_or_else(|| "a server without a name".into()))
}

/// The thread that connects and watches.
struct Watcher {
    env: ServerEnv,
    bank: CueBank,
    sounds: Receiver<Sound>,
    news: Sender<SoundWarning>,
    stop: Receiver<()>,
    health: Arc<Health>,
}

impl Watcher {
    /// Until the loudspeaker is dropped: connect, watch, wait. The first outcome goes to `first`.
    fn run(&self, start: Start, first: &Sender<Result<(), ToneError>>) {
        let mut outage = Outage::default();
        let mut attempt = self.connect();
        match (&attempt, start) {
            (Err(_), Start::MustBeThere) => {
                let _ = first.send(attempt.map(|_| ()));
                return;
            }
            (Err(error), Start::MayComeLater) => {
                outage.failed(Duration::ZERO);
                self.tell(SoundWarning::NotYet(error.to_string()));
            }
            (Ok(_), _) => {}
        }
        let mut unwell = attempt.is_err();
        let _ = first.send(Ok(()));
        loop {
            let (held, reason) = match attempt {
                Ok(stream) => {
                    if std::mem::take(&mut unwell) {
                        self.tell(SoundWarning::Back);
                    }
                    let ended = self.keep_playing(stream);
                    self.health.open.store(false, Ordering::Relaxed);
                    match ended {
                        Some(ended) => ended,
                        None => return,
                    }
                }
                Err(error) => (Duration::ZERO, error.to_string()),
            };
            if outage.failed(held) {
                unwell = true;
                self.tell(SoundWarning::Lost(reason));
            }
            if self.stopped_within(outage.wait()) {
                return;
            }
            attempt = self.connect();
        }
    }

    /// A full queue of warnings means that nobody reads them: the newest is let go.
    fn tell(&self, warning: SoundWarning) {
        let _ = self.news.try_send(warning);
    }

    fn stopped_within(&self, wait: Duration) -> bool {
        self.stop.recv_timeout(wait) != Err(RecvTimeoutError::Timeout)
    }

    /// Opens a stream and answers its first request.
    fn connect(&self) -> Result<Playing, ToneError> {
        let (stream, wanted) = Connection::open(&self.env.socket()?)?.stream(stream_params())?;
        // Cues that nobody heard are old by now.
        while self.sounds.try_recv().is_ok() {}
        let mut playing = Playing::new(stream, Mixer::new(self.bank.clone()));
        if let ControlFlow::Break(reason) = self.answer(&mut playing, wanted) {
            return Err(ToneError::Server(reason));
        }
        self.health.open.store(true, Ordering::Relaxed);
        Ok(playing)
    }

    /// Looks after an open stream. Gives how long it held and why it ended, or nothing when the program ends.
    fn keep_playing(&self, mut playing: Playing) -> Option<(Duration, String)> {
        loop {
            if self.stop.try_recv() == Err(TryRecvError::Disconnected) {
                return None;
            }
            if let ControlFlow::Break(reason) = self.hear(&mut playing) {
                let played_s = playing.samples as f64 / f64::from(SampleRate::SERVER.hz());
                return Some((Duration::from_secs_f64(played_s), reason));
            }
            if playing.mixer.is_silent() && !playing.stream.has_more() && !playing.is_calm {
                std::thread::sleep(SILENT_REST);
            }
        }
    }

    /// Hears what the server says and answers once nothing more is at hand.
    fn hear(&self, playing: &mut Playing) -> ControlFlow<String> {
        match playing.stream.hear()? {
            Heard::Wants(bytes) => {
                playing.still_looks = 0;
                playing.wanted += bytes;
            }
            Heard::Nothing if playing.still_looks < STALLED_LOOKS => playing.still_looks += 1,
            Heard::Nothing => return ControlFlow::Break("it takes no sound any more".into()),
            Heard::Other => {}
        }
        if playing.wanted == 0 || playing.stream.has_more() {
            return ControlFlow::Continue(());
        }
        let wanted = std::mem::take(&mut playing.wanted);
        self.answer(playing, wanted)?;
        self.keep_in_step(playing)
    }

    /// The server asks more seldom while no cue can come soon.
    fn keep_in_step(&self, playing: &mut Playing) -> ControlFlow<String> {
        let is_calm = playing.mixer.is_silent() && self.health.calm.load(Ordering::Relaxed);
        if is_calm == std::mem::replace(&mut playing.is_calm, is_calm) {
            return ControlFlow::Continue(());
        }
        playing.stream.change_buffer(buffer(if is_calm { ASKED_IN_CALM_SAMPLES } else { ASKED_SAMPLES }))
    }

    /// Gives the server the samples that it wants: no lock, no allocation.
    fn answer(&self, playing: &mut Playing, bytes: usize) -> ControlFlow<String> {
        let Playing { stream, mixer, samples, .. } = playing;
        while let Ok(sound) = self.sounds.try_recv() {
            mixer.start(sound);
        }
        let mut count = 0;
        let outcome = stream.send(bytes, SAMPLE_BYTES, |piece| {
            if mixer.is_silent() {
                count += (piece.len() / SAMPLE_BYTES) as u64;
                return piece.fill(0);
            }
            let mut frames = piece.chunks_exact_mut(SAMPLE_BYTES);
            for frame in &mut frames {
                frame.copy_from_slice(&mixer.next_sample().to_le_bytes());
                count += 1;
            }
            frames.into_remainder().fill(0);
        });
        *samples += count;
        self.health.samples.fetch_add(count, Ordering::Relaxed);
        outcome
    }
}

/// An open stream and what it plays.
struct Playing {
    stream: Stream,
    mixer: Mixer,
    /// Bytes that the server has asked for and not yet got.
    wanted: usize,
    /// Looks since its last request in which it said nothing.
    still_looks: u32,
    /// Samples that were given out.
    samples: u64,
    /// The server asks seldom.
    is_calm: bool,
}

impl Playing {
    fn new(stream: Stream, mixer: Mixer) -> Playing {
        Playing { stream, mixer, wanted: 0, still_looks: 0, samples: 0, is_calm: false }
    }
}

/// A mono float stream with little waiting. No volume is sent along: where a server ties the stream's volume to
/// the device's, that would turn the player's headphones up to full.
fn stream_params() -> protocol::PlaybackStreamParams {
    protocol::PlaybackStreamParams {
        sample_spec: protocol::SampleSpec {
            format: protocol::SampleFormat::Float32Le,
            channels: 1,
            sample_rate: SampleRate::SERVER.hz(),
        },
        channel_map: protocol::ChannelMap::mono(),
        sink_name: Some(protocol::DEFAULT_SINK.to_owned()),
        cvolume: None,
        buffer_attr: buffer(ASKED_SAMPLES),
        flags: protocol::stream::StreamFlags { adjust_latency: true, ..Default::default() },
        ..Default::default()
    }
}

/// Samples wait for as long as is asked for in one, twice over, and 5 ms: so the device's own delay stays the same.
fn buffer(asked_samples: u32) -> protocol::stream::BufferAttr {
    let bytes = |samples: u32| samples * SAMPLE_BYTES as u32;
    protocol::stream::BufferAttr {
        target_length: bytes(WAITING_SAMPLES - 2 * ASKED_SAMPLES + 2 * asked_samples),
        // Start at once, and go on by itself when samples came late.
        pre_buffering: 0,
        minimum_request_length: bytes(asked_samples),
        ..Default::default()
    }
}
