//! The loudspeaker: a stream on the sound server, kept open and running, so that a cue sounds at once.
//!
//! Speaks the PulseAudio protocol, which PipeWire serves too. An opened stream gets silence all the time: a
//! device that has gone to sleep would swallow the first cue. The server asks for samples on the client
//! library's thread; there the mixer reads rendered cues and a lock-free queue, and nothing is allocated.
//!
//! A thread of its own connects, watches and connects again ([`super::retry`]). A server that hangs, dies or stops
//! asking for samples costs cues, never the program.

use super::cue::Cue;
use super::error::{SoundWarning, ToneError};
use super::locate::ServerEnv;
use super::mixer::{CueBank, Mixer};
use super::output::{CueSink, SoundState};
use super::retry::Outage;
use super::volume::{SampleRate, Volume};
use crate::units::HostTime;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use pulseaudio::{AsPlaybackSource, Client, ClientError, PlaybackStream, protocol};
use std::net::Shutdown;
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// Samples that wait at the server: 480 at 48 kHz are 10 ms, the delay of a cue. A starved stream breaks a pulse in
/// two, which changes what the cue says. With 256, 3 of 16 runs were starved on a machine three times overloaded;
/// with 480, none of 8.
const WAITING_SAMPLES: u32 = 480;
/// Bytes of one sample, 32-bit float mono.
const SAMPLE_BYTES: usize = 4;
/// Longest wait for an answer of the server.
const ANSWER_TIMEOUT: Duration = Duration::from_secs(3);
/// How often the connection is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(200);
/// A server that asks for no samples in this many looks (3 s) counts as gone.
const STALLED_LOOKS: u32 = 15;
/// Cues that may wait for the server's next request; it comes within milliseconds.
const CUE_QUEUE: usize = 8;
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
}

/// Cues on the sound server.
#[derive(Debug)]
pub struct Loudspeaker {
    cues: Sender<Cue>,
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
        let (cues, cue_inbox) = bounded(CUE_QUEUE);
        let (news, warnings) = bounded(WARNING_QUEUE);
        let (stop, stop_inbox) = bounded(0);
        let (first_report, first) = bounded(1);
        let health = Arc::new(Health::default());
        let watcher = Watcher {
            env,
            bank: CueBank::new(SampleRate::SERVER, volume),
            cues: cue_inbox,
            news,
            stop: stop_inbox,
            health: health.clone(),
        };
        std::thread::Builder::new()
            .name("loudspeaker".into())
            .spawn(move || watcher.run(start, &first_report))
            .map_err(|e| ToneError::Server(e.to_string()))?;
        first.recv().unwrap_or_else(|_| Err(ToneError::Server("its thread stopped".into())))?;
        Ok(Loudspeaker { cues, warnings, health, _stop: stop })
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
            let _ = self.cues.try_send(cue);
        }
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
    let env = env.clone();
    // A thread of its own, since the caller may run inside an executor, where waiting is not allowed.
    let asked = std::thread::spawn(move || {
        let (client, socket) = connect(&env.socket()?)?;
        let info = wait_for(client.server_info());
        let _ = socket.shutdown(Shutdown::Both);
        let info = info?;
        let text = |name: Option<std::ffi::CString>| name.map(|n| n.to_string_lossy().into_owned());
        Ok(text(info.server_name).unwrap_or_else(|| "a server without a name".into()))
    });
    asked.join().unwrap_or_else(|_| Err(ToneError::Server("asking it failed".into())))
}

/// The thread that connects and watches.
struct Watcher {
    env: ServerEnv,
    bank: CueBank,
    cues: Receiver<Cue>,
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
                Ok(connection) => {
                    if std::mem::take(&mut unwell) {
                        self.tell(SoundWarning::Back);
                    }
                    match self.watch(connection) {
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

    fn connect(&self) -> Result<Connection, ToneError> {
        let (client, socket) = connect(&self.env.socket()?)?;
        // Cues that nobody heard are old by now.
        while self.cues.try_recv().is_ok() {}
        let alive = Arc::new(AtomicBool::new(true));
        let mut feeder = Feeder {
            mixer: Mixer::new(self.bank.clone()),
            cues: self.cues.clone(),
            health: self.health.clone(),
            alive: alive.clone(),
        };
        let source = (move |bytes: &mut [u8]| feeder.fill(bytes)).as_playback_source();
        let mut connection = Connection { socket, stream: None, alive, health: self.health.clone() };
        connection.stream = Some(wait_for(client.create_playback_stream(stream_params(), source))?);
        self.health.open.store(true, Ordering::Relaxed);
        Ok(connection)
    }

    /// Looks after an open stream. Gives how long it held and why it ended, or nothing when the program ends.
    fn watch(&self, connection: Connection) -> Option<(Duration, String)> {
        let mut looks = 0;
        let mut still_looks = 0;
        let mut seen = self.health.samples.load(Ordering::Relaxed);
        loop {
            if self.stopped_within(LOOK_EVERY) {
                return None;
            }
            looks += 1;
            let samples = self.health.samples.load(Ordering::Relaxed);
            still_looks = if samples == seen { still_looks + 1 } else { 0 };
            seen = samples;
            if !connection.alive.load(Ordering::Relaxed) {
                return Some((LOOK_EVERY * looks, "it closed the connection".into()));
            }
            if still_looks >= STALLED_LOOKS {
                return Some((LOOK_EVERY * looks, "it takes no sound any more".into()));
            }
        }
    }
}

/// Fills the server's requests, on the client library's thread.
struct Feeder {
    mixer: Mixer,
    cues: Receiver<Cue>,
    health: Arc<Health>,
    alive: Arc<AtomicBool>,
}

impl Feeder {
    /// Fills whole samples and says how many bytes. Never says 0, which would end the stream.
    fn fill(&mut self, bytes: &mut [u8]) -> usize {
        while let Ok(cue) = self.cues.try_recv() {
            self.mixer.start(cue);
        }
        let mut count = 0;
        let mut frames = bytes.chunks_exact_mut(SAMPLE_BYTES);
        for frame in &mut frames {
            frame.copy_from_slice(&self.mixer.next_sample().to_le_bytes());
            count += 1;
        }
        frames.into_remainder().fill(0);
        self.health.samples.fetch_add(count, Ordering::Relaxed);
        match count as usize * SAMPLE_BYTES {
            0 => bytes.len(),
            filled => filled,
        }
    }
}

/// The library drops its source when the connection ends, whatever the reason.
impl Drop for Feeder {
    fn drop(&mut self) {
        self.alive.store(false, Ordering::Relaxed);
    }
}

/// An open stream.
struct Connection {
    socket: UnixStream,
    stream: Option<PlaybackStream>,
    alive: Arc<AtomicBool>,
    health: Arc<Health>,
}

/// The library's thread ends only when its socket does.
impl Drop for Connection {
    fn drop(&mut self) {
        self.health.open.store(false, Ordering::Relaxed);
        drop(self.stream.take());
        let _ = self.socket.shutdown(Shutdown::Both);
    }
}

/// A client, and a second handle on its socket to end it by.
fn connect(path: &Path) -> Result<(Client, UnixStream), ToneError> {
    let failed = |error: &dyn std::error::Error| {
        let cause = error.source().map(|cause| format!(": {cause}")).unwrap_or_default();
        ToneError::Server(format!("{}: {error}{cause}", path.display()))
    };
    let socket = UnixStream::connect(path).map_err(|e| failed(&e))?;
    // The library's greeting waits for its answer: a server that hangs must not hang this thread.
    socket.set_read_timeout(Some(ANSWER_TIMEOUT)).map_err(|e| failed(&e))?;
    let second = socket.try_clone().map_err(|e| failed(&e))?;
    let client = Client::new_unix(c"hingeclock", socket, Some(cookie())).map_err(|e| failed(&e))?;
    Ok((client, second))
}

/// The user's key for the server. A server that lets its own user in without one still hangs up on a key of
/// another length, so a missing key is zeros.
fn cookie() -> Vec<u8> {
    const LENGTH: usize = 256;
    let found = pulseaudio::cookie_path_from_env().and_then(|path| std::fs::read(path).ok());
    found.filter(|key| key.len() == LENGTH).unwrap_or_else(|| vec![0; LENGTH])
}

/// Waits for an answer on this thread, at most [`ANSWER_TIMEOUT`].
fn wait_for<T>(answer: impl Future<Output = Result<T, ClientError>>) -> Result<T, ToneError> {
    let failed = |error: &dyn std::fmt::Display| ToneError::Server(error.to_string());
    let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build();
    let answered = runtime
        .map_err(|e| failed(&e))?
        .block_on(async { tokio::time::timeout(ANSWER_TIMEOUT, answer).await });
    answered.map_err(|_| failed(&"no answer within 3 s"))?.map_err(|e| failed(&e))
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
        buffer_attr: protocol::stream::BufferAttr {
            target_length: WAITING_SAMPLES * SAMPLE_BYTES as u32,
            // Start at once, and go on by itself when samples came late.
            pre_buffering: 0,
            minimum_request_length: WAITING_SAMPLES / 4 * SAMPLE_BYTES as u32,
            ..Default::default()
        },
        flags: protocol::stream::StreamFlags { adjust_latency: true, ..Default::default() },
        ..Default::default()
    }
}
