//! Listens to what the sound server's device plays, with the time at which each block came.

use crate::tone_server::{RATE_HZ, Server};
use crossbeam_channel::{Receiver, bounded};
use hingeclock::device::host_clock::HostClock;
use hingeclock::units::HostTime;
use pulseaudio::{Client, RecordStream, protocol};
use std::os::unix::net::UnixStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// After so much silence a sound is a new cue: the pauses within one are shorter.
const SILENCE: u64 = (RATE_HZ / 5) as u64;
/// The recorder asks for blocks like those that the daemon's stream asks for, so that it does not hurry the device.
const BLOCK_BYTES: u32 = 480 * 4;

/// A recorder on the device's monitor.
pub struct Ear {
    onsets: Receiver<HostTime>,
    silent: Arc<AtomicU64>,
    _stream: RecordStream,
    _client: Client,
}

impl Ear {
    pub fn open(server: &Server, clock: HostClock) -> Ear {
        let (heard, onsets) = bounded(64);
        let silent = Arc::new(AtomicU64::new(0));
        let silence = Arc::clone(&silent);
        let hear = move |block: &[u8]| {
            let now = clock.now();
            for sample in block.chunks_exact(4) {
                if sample == 0.0_f32.to_le_bytes() || sample == (-0.0_f32).to_le_bytes() {
                    silence.fetch_add(1, Ordering::Relaxed);
                } else if silence.swap(0, Ordering::Relaxed) >= SILENCE {
                    let _ = heard.try_send(now);
                }
            }
        };
        let socket = UnixStream::connect(server.socket()).unwrap();
        let client = Client::new_unix(c"ear", socket, Some(vec![0; 256])).unwrap();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let stream = runtime.block_on(client.create_record_stream(params(), hear)).unwrap();
        Ear { onsets, silent, _stream: stream, _client: client }
    }

    /// When the next cue began, if it does within that time.
    pub fn heard_within(&self, longest: Duration) -> Option<HostTime> {
        self.onsets.recv_timeout(longest).ok()
    }

    /// The same, without waiting.
    pub fn heard(&self) -> Option<HostTime> {
        self.onsets.try_recv().ok()
    }

    /// Nothing sounds, and nothing did for so long that the next sound is a new cue.
    pub fn is_silent(&self) -> bool {
        self.silent.load(Ordering::Relaxed) > SILENCE
    }
}

fn params() -> protocol::RecordStreamParams {
    protocol::RecordStreamParams {
        sample_spec: protocol::SampleSpec {
            format: protocol::SampleFormat::Float32Le,
            channels: 1,
            sample_rate: RATE_HZ as u32,
        },
        channel_map: protocol::ChannelMap::mono(),
        source_name: Some(c"range.monitor".to_owned()),
        buffer_attr: protocol::stream::BufferAttr { fragment_size: BLOCK_BYTES, ..Default::default() },
        flags: protocol::stream::StreamFlags { adjust_latency: true, ..Default::default() },
        ..Default::default()
    }
}
