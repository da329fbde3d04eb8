//! A sound file with every cue at its time: to lay beside a video, or to hear a session again.
//!
//! The file starts when it is opened. Silence of minutes has to be written too, so a thread of its own writes,
//! behind a bounded queue. After each cue the file is complete as it stands: a crash loses nothing before it.

use super::cue::Cue;
use super::error::{SoundWarning, ToneError};
use super::mixer::{CueBank, Sound};
use super::output::{CueSink, SoundState};
use super::speech::Speech;
use super::volume::{SampleRate, Volume};
use crate::units::HostTime;
use crossbeam_channel::{Receiver, Sender, TrySendError, bounded};
use std::fs::OpenOptions;
use std::io::{BufWriter, Seek, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::thread::JoinHandle;

/// Longest timeline, hours: 691 MB at 24 kHz. A practice is shorter; a clock that jumps must not fill the disk.
const LONGEST_HOURS: i64 = 4;

/// Cues that may wait for the disk.
const QUEUE: usize = 64;

/// The cues on a time axis, behind any writer.
struct Timeline<W: Write + Seek> {
    writer: hound::WavWriter<W>,
    bank: CueBank,
    zero: HostTime,
    written: u64,
}

/// The format of the file: 16 bit mono.
const FORMAT: hound::WavSpec = hound::WavSpec {
    channels: 1,
    sample_rate: SampleRate::FILE.hz(),
    bits_per_sample: 16,
    sample_format: hound::SampleFormat::Int,
};

impl<W: Write + Seek> Timeline<W> {
    fn new(out: W, volume: Volume, zero: HostTime) -> Result<Timeline<W>, hound::Error> {
        let writer = hound::WavWriter::new(out, FORMAT)?;
        Ok(Timeline { writer, bank: CueBank::new(SampleRate::FILE, volume), zero, written: 0 })
    }

    /// Appends silence up to `at`, then the sound. One that comes while another sounds is put right behind it.
    fn place(&mut self, sound: &Sound, at: HostTime) -> Result<(), String> {
        let start = self.start_sample(at)?;
        let appended = match sound {
            Sound::Cue(cue) => {
                let bank = self.bank.clone();
                self.append(bank.samples(*cue), start)
            }
            Sound::Speech(speech) => self.append(&speech.at_file_rate(), start),
        };
        appended.map_err(|e| e.to_string())
    }

    fn start_sample(&self, at: HostTime) -> Result<u64, String> {
        let elapsed_us = at.0.saturating_sub(self.zero.0).max(0);
        if elapsed_us > LONGEST_HOURS * 3_600_000_000 {
            let hours = elapsed_us as f64 / 3.6e9;
            return Err(format!("expected at most {LONGEST_HOURS} hours after its start, found {hours:.1}"));
        }
        Ok(elapsed_us as u64 * u64::from(FORMAT.sample_rate) / 1_000_000)
    }

    fn append(&mut self, samples: &[f32], start: u64) -> Result<(), hound::Error> {
        for _ in self.written..start {
            self.writer.write_sample(0_i16)?;
        }
        for sample in samples {
            self.writer.write_sample((sample * f32::from(i16::MAX)).round() as i16)?;
        }
        self.written = self.written.max(start) + samples.len() as u64;
        self.writer.flush()
    }

    fn finish(self) -> Result<(), hound::Error> {
        self.writer.finalize()
    }
}

/// Writes cues to a sound file.
#[derive(Debug)]
pub struct WavTimeline {
    path: PathBuf,
    orders: Option<Sender<(Sound, HostTime)>>,
    failures: Receiver<String>,
    told: bool,
    thread: Option<JoinHandle<Result<(), String>>>,
}

impl WavTimeline {
    /// Makes the file; its time zero is `zero`.
    ///
    /// # Errors
    /// The file is there already (nothing is overwritten), or cannot be made.
    pub fn create(path: &Path, volume: Volume, zero: HostTime) -> Result<WavTimeline, ToneError> {
        let failed = |reason: String| ToneError::WavFile { path: path.to_path_buf(), reason };
        let mut options = OpenOptions::new();
        options.write(true).create_new(true).mode(0o600);
        let file = options.open(path).map_err(|e| failed(e.to_string()))?;
        let timeline =
            Timeline::new(BufWriter::new(file), volume, zero).map_err(|e| failed(e.to_string()))?;
        let (orders, inbox) = bounded(QUEUE);
        let (report, failures) = bounded(1);
        let thread = std::thread::Builder::new()
            .name("cue-file".into())
            .spawn(move || write_cues(timeline, &inbox, &report))
            .map_err(|e| failed(e.to_string()))?;
        Ok(WavTimeline {
            path: path.to_path_buf(),
            orders: Some(orders),
            failures,
            told: false,
            thread: Some(thread),
        })
    }

    fn error(&self, reason: String) -> ToneError {
        ToneError::WavFile { path: self.path.clone(), reason }
    }
}

/// The writing thread: places cues until the sink is closed. The first failure ends it.
fn write_cues<W: Write + Seek>(
    mut timeline: Timeline<W>,
    inbox: &Receiver<(Sound, HostTime)>,
    report: &Sender<String>,
) -> Result<(), String> {
    for (sound, at) in inbox {
        if let Err(reason) = timeline.place(&sound, at) {
            // The channel holds one and this is the only one sent, so this cannot fail.
            let _ = report.try_send(reason.clone());
            return Err(reason);
        }
    }
    timeline.finish().map_err(|e| e.to_string())
}

impl WavTimeline {
    fn order(&mut self, sound: Sound, at: HostTime) {
        let Some(orders) = &self.orders else { return };
        // A full queue means a disk that does not keep up: the file would be wrong from here on, so it ends.
        // A closed one means that the writer ended; it has said why.
        if let Err(TrySendError::Full(_) | TrySendError::Disconnected(_)) = orders.try_send((sound, at)) {
            self.orders = None;
        }
    }
}

impl CueSink for WavTimeline {
    fn play(&mut self, cue: Cue, at: HostTime) {
        self.order(Sound::Cue(cue), at);
    }

    fn say(&mut self, speech: &Speech, at: HostTime) {
        self.order(Sound::Speech(speech.clone()), at);
    }

    fn state(&self) -> SoundState {
        if self.orders.is_some() { SoundState::Written } else { SoundState::Silent }
    }

    fn take_warning(&mut self) -> Option<SoundWarning> {
        let reason = match self.failures.try_recv() {
            Ok(reason) => reason,
            Err(_) if self.orders.is_none() => "the disk does not keep up".to_string(),
            Err(_) => return None,
        };
        self.orders = None;
        let first = !std::mem::replace(&mut self.told, true);
        first.then(|| SoundWarning::WavStopped(self.error(reason).to_string()))
    }

    fn close(mut self: Box<Self>) -> Result<(), ToneError> {
        self.orders = None;
        let outcome = self.thread.take().map(JoinHandle::join);
        match outcome {
            None | Some(Ok(Ok(()))) => Ok(()),
            Some(Ok(Err(reason))) => Err(self.error(reason)),
            Some(Err(_)) => Err(self.error("its writer stopped".into())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn timeline(buffer: &mut Cursor<Vec<u8>>) -> Timeline<&mut Cursor<Vec<u8>>> {
        Timeline::new(buffer, Volume::default(), HostTime(1_000_000)).unwrap()
    }

    fn read(buffer: Cursor<Vec<u8>>) -> Vec<f32> {
        let bytes = Cursor::new(buffer.into_inner());
        let reader = hound::WavReader::new(bytes).unwrap();
        reader.into_samples::<i16>().map(|s| f32::from(s.unwrap()) / f32::from(i16::MAX)).collect()
    }

    #[test]
    fn cues_lie_at_their_times() {
        let mut buffer = Cursor::new(Vec::new());
        let mut timeline = timeline(&mut buffer);
        timeline.place(&Sound::Cue(Cue::InWindow), HostTime(1_500_000)).unwrap();
        timeline.place(&Sound::Cue(Cue::Early), HostTime(3_000_000)).unwrap();
        timeline.finish().unwrap();
        let samples = read(buffer);
        let bank = CueBank::new(SampleRate::FILE, Volume::default());
        for (cue, start) in [(Cue::InWindow, 12_000), (Cue::Early, 48_000)] {
            for (got, want) in samples[start..].iter().zip(bank.samples(cue)) {
                assert!((got - want).abs() < 1e-4);
            }
        }
        assert!(samples[..12_000].iter().all(|s| *s == 0.0));
    }

    #[test]
    fn a_cue_that_comes_too_soon_follows_the_other_one() {
        let mut buffer = Cursor::new(Vec::new());
        let mut timeline = timeline(&mut buffer);
        timeline.place(&Sound::Cue(Cue::InWindow), HostTime(1_000_000)).unwrap();
        timeline.place(&Sound::Cue(Cue::InWindow), HostTime(0)).unwrap();
        assert_eq!(timeline.written, 2 * timeline.bank.samples(Cue::InWindow).len() as u64);
    }

    #[test]
    fn a_clock_that_jumps_does_not_fill_the_disk() {
        let mut buffer = Cursor::new(Vec::new());
        let mut timeline = timeline(&mut buffer);
        let text = timeline.place(&Sound::Cue(Cue::Late), HostTime(i64::MAX)).unwrap_err();
        assert!(text.starts_with("expected at most 4 hours after its start, found "), "{text}");
        assert!(timeline.place(&Sound::Cue(Cue::Late), HostTime(i64::MIN)).is_ok());
    }
}
