//! Edge: words, spoken by the speech program of the machine into samples of our own, so that volume, mute and the
//! order of sounds hold for them, too. A thread of its own runs the program; nobody waits for it.

use super::volume::{SampleRate, Volume};
use crossbeam_channel::{Receiver, Sender, bounded};
use std::io::{Cursor, Read};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

/// Speech programs that write a sound file to standard output, the better one first. Programs that sound by
/// themselves (`spd-say`) would pass by volume and mute, so they are not used.
const PROGRAMS: [&str; 2] = ["espeak-ng", "espeak"];
/// Words a minute: quick, but clear for numbers.
const WORDS_PER_MINUTE: &str = "170";
/// Words that may wait for the program; more are let go.
const QUEUE: usize = 2;
/// A program that takes longer is ended.
const PATIENCE: Duration = Duration::from_secs(5);
/// How often a program that still works is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(10);
/// Longest sound file that is read, bytes: half a minute.
const LONGEST: u64 = 4 << 20;
/// Longest words, s.
const LONGEST_S: usize = 10;

/// Spoken words as samples at the server's rate, no louder than the volume. Cheap to copy.
#[derive(Clone, Debug, PartialEq)]
pub struct Speech {
    samples: Arc<[f32]>,
}

impl Speech {
    /// From mono samples of any loudness at any rate.
    #[must_use]
    pub fn new(samples: Vec<f32>, rate: SampleRate, volume: Volume) -> Speech {
        let peak = samples.iter().filter(|s| s.is_finite()).fold(0.0_f32, |peak, s| peak.max(s.abs()));
        let gain = if peak > 0.0 { volume.peak_amplitude() as f32 / peak } else { 0.0 };
        let (from_hz, to_hz) = (f64::from(rate.hz()), f64::from(SampleRate::SERVER.hz()));
        let count = (samples.len() as f64 * to_hz / from_hz) as usize;
        let longest = LONGEST_S * SampleRate::SERVER.hz() as usize;
        let at = |i: usize| {
            let place = i as f64 * from_hz / to_hz;
            let (before, part) = (place as usize, place.fract() as f32);
            let value = |i: usize| samples.get(i).copied().filter(|s| s.is_finite()).unwrap_or(0.0);
            gain * (value(before) + part * (value(before + 1) - value(before)))
        };
        Speech { samples: (0..count.min(longest)).map(at).collect() }
    }

    /// The samples at [`SampleRate::SERVER`].
    #[must_use]
    pub fn samples(&self) -> &[f32] {
        &self.samples
    }

    /// The same at [`SampleRate::FILE`], which is half of it.
    #[must_use]
    pub fn at_file_rate(&self) -> Vec<f32> {
        self.samples.chunks_exact(2).map(|pair| 0.5 * (pair[0] + pair[1])).collect()
    }
}

/// Has words spoken.
#[derive(Debug)]
pub struct Speaker {
    words: Sender<String>,
    spoken: Receiver<Result<Speech, String>>,
}

impl Speaker {
    /// With the first speech program that is installed; none where there is none.
    #[must_use]
    pub fn start(volume: Volume) -> Option<Speaker> {
        let program = PROGRAMS.into_iter().find(|program| answers(program))?;
        let (words, inbox) = bounded::<String>(QUEUE);
        let (outbox, spoken) = bounded(QUEUE);
        let work = move || {
            for text in inbox {
                if outbox.send(speak(program, &text, volume)).is_err() {
                    return;
                }
            }
        };
        std::thread::Builder::new().name("speech".into()).spawn(work).ok()?;
        Some(Speaker { words, spoken })
    }

    /// Has these words spoken; they come by [`Speaker::take`]. Where the program is behind, they are let go.
    pub fn say(&self, words: &str) {
        let _ = self.words.try_send(words.to_owned());
    }

    /// The next words that are ready, or what went wrong with them.
    #[must_use]
    pub fn take(&self) -> Option<Result<Speech, String>> {
        self.spoken.try_recv().ok()
    }
}

/// The sentence for a player who wants words where there is no program.
#[must_use]
pub fn missing() -> String {
    format!("no number is spoken: expected a speech program ({}), found none", PROGRAMS.join(" or "))
}

fn answers(program: &str) -> bool {
    let mut command = Command::new(program);
    command.arg("--version").stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
    command.spawn().is_ok_and(|child| ended_in_time(child).is_ok())
}

fn speak(program: &str, text: &str, volume: Volume) -> Result<Speech, String> {
    let mut command = Command::new(program);
    command.args(["--stdout", "-s", WORDS_PER_MINUTE, "--", text]);
    command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::null());
    let failed = |reason: &dyn std::fmt::Display| format!("{program}: {reason}");
    let mut child = command.spawn().map_err(|e| failed(&e))?;
    let pipe = child.stdout.take();
    // The pipe is emptied beside, so that the program is not held up and can be ended when it hangs.
    let (read, reading) = bounded(1);
    let body = move || {
        let mut bytes = Vec::new();
        pipe.map(|pipe| pipe.take(LONGEST).read_to_end(&mut bytes));
        let _ = read.send(bytes);
    };
    // Without the thread the pipe is closed, which ends the program.
    let thread = std::thread::Builder::new().spawn(body);
    ended_in_time(child).map_err(|e| failed(&e))?;
    thread.map_err(|e| failed(&e))?;
    let bytes = reading.recv_timeout(PATIENCE).map_err(|e| failed(&e))?;
    sound_file(&bytes, volume).map_err(|e| failed(&e))
}

/// Waits for a program; one that takes too long is ended.
fn ended_in_time(mut child: Child) -> Result<(), String> {
    let mut waited = Duration::ZERO;
    while waited < PATIENCE {
        match child.try_wait() {
            Ok(Some(status)) if status.success() => return Ok(()),
            Ok(Some(status)) => return Err(status.to_string()),
            Ok(None) => std::thread::sleep(LOOK_EVERY),
            Err(error) => return Err(error.to_string()),
        }
        waited += LOOK_EVERY;
    }
    let _ = child.kill();
    let _ = child.wait();
    Err(format!("no answer within {} s", PATIENCE.as_secs()))
}

/// Reads a 16-bit sound file. One that is written to a pipe may claim any length: it ends where it ends.
fn sound_file(bytes: &[u8], volume: Volume) -> Result<Speech, String> {
    let mut reader = hound::WavReader::new(Cursor::new(bytes)).map_err(|e| e.to_string())?;
    let spec = reader.spec();
    if spec.bits_per_sample != 16 || spec.channels != 1 {
        return Err(format!(
            "expected 16 bits and one channel, found {} bits and {} channels",
            spec.bits_per_sample, spec.channels
        ));
    }
    let rate = SampleRate::from_hz(spec.sample_rate).map_err(|e| e.to_string())?;
    let samples: Vec<f32> =
        reader.samples::<i16>().map_while(Result::ok).map(|s| f32::from(s) / f32::from(i16::MAX)).collect();
    if samples.is_empty() { Err("an empty sound".to_owned()) } else { Ok(Speech::new(samples, rate, volume)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_as_loud_as_the_volume_and_as_long_as_they_were() {
        let rate = SampleRate::from_hz(22_050).unwrap();
        for loudest in [0.001, 0.5, 4.0] {
            let samples: Vec<f32> = (0..22_050).map(|i| loudest * (0.2 * i as f32).sin()).collect();
            let speech = Speech::new(samples, rate, Volume::default());
            let peak = speech.samples().iter().fold(0.0_f32, |peak, s| peak.max(s.abs()));
            assert!((0.095..=0.1001).contains(&peak), "{peak}");
            assert_eq!(speech.samples().len(), 48_000);
            assert_eq!(speech.at_file_rate().len(), 24_000);
        }
        assert!(
            Speech::new(vec![f32::NAN, 0.0], rate, Volume::default()).samples().iter().all(|s| *s == 0.0)
        );
    }

    #[test]
    fn a_file_that_is_no_sound_is_named() {
        assert!(sound_file(b"no sound", Volume::default()).is_err());
        assert!(sound_file(b"", Volume::default()).is_err());
    }
}
