//! Phone clips of a swing, made with ffmpeg from pictures and sound that are known to the sample: every frame shows
//! its number in black and white, and what is heard is a click, a neighbour's, voices, wind.
#![allow(dead_code, reason = "each test file uses a part of it")]

use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

pub const FFMPEG: &str = "ffmpeg";
/// How long a clip lasts, s.
pub const LASTS_S: f64 = 2.6;
pub const WIDTH: usize = 192;
pub const HEIGHT: usize = 256;
/// Bits of a frame's number, left to right, the lowest first.
pub const BITS: usize = 12;

/// Whether clips can be made; says so where they cannot, and fails where nothing may be left out.
pub fn can_be_made() -> bool {
    let there =
        Command::new(FFMPEG).arg("-version").stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok();
    if !there {
        let words = "skipped: ffmpeg is not installed; the tests of clips need it (.ci/run installs it)";
        assert!(std::env::var_os("HINGECLOCK_COMPLETE").is_none(), "{words}");
        eprintln!("{words}");
    }
    there
}

/// What is heard, with the times at which it happens at the ball.
#[derive(Clone, Copy)]
pub struct Heard {
    pub rate_hz: u32,
    pub click_s: f64,
    pub click: f64,
    pub neighbour: f64,
    pub voice: f64,
    pub wind: f64,
    /// Loud enough for the microphone to clip.
    pub gain: f64,
    /// From the ball to the phone.
    pub distance_m: f64,
    pub seed: u64,
}

impl Heard {
    pub fn new(click_s: f64, seed: u64) -> Heard {
        let rate_hz = 48_000;
        Heard {
            rate_hz,
            click_s,
            click: 0.6,
            neighbour: 0.3,
            voice: 0.05,
            wind: 0.05,
            gain: 1.0,
            distance_m: 3.0,
            seed,
        }
    }

    /// Sound from an instant on, for so long.
    pub fn samples(&self, from_s: f64, lasts_s: f64) -> Vec<f32> {
        let mut random = StdRng::seed_from_u64(self.seed);
        let rate = f64::from(self.rate_hz);
        let count = (lasts_s * rate) as usize;
        let mut gust = 0.0;
        let mut sound: Vec<f64> = (0..count)
            .map(|i| {
                let t_s = from_s + i as f64 / rate;
                let white: f64 = StandardNormal.sample(&mut random);
                let blown: f64 = StandardNormal.sample(&mut random);
                // Wind is noise that falls by 6 dB an octave from some hundred hertz on.
                gust += 0.03 * (blown - gust);
                0.002 * white + 8.0 * self.wind * gust + self.voice * voice(t_s)
            })
            .collect();
        let late_s = self.distance_m / 343.0;
        for (at_s, strength) in [
            (self.click_s, self.click),
            (self.click_s - 0.72, self.click * self.neighbour),
            (self.click_s + 0.51, self.click * self.neighbour * 0.8),
        ] {
            strike(&mut sound, (at_s + late_s - from_s) * rate, strength, rate, &mut random);
        }
        sound.into_iter().map(|value| (self.gain * value).clamp(-1.0, 1.0) as f32).collect()
    }

    pub fn wav(&self, path: &Path, from_s: f64, lasts_s: f64, header_rate_hz: u32) {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: header_rate_hz,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(path, spec).unwrap();
        self.samples(from_s, lasts_s)
            .iter()
            .for_each(|value| writer.write_sample((value * 32_767.0) as i16).unwrap());
        writer.finalize().unwrap();
    }
}

/// Vowels on a low tone that come and go, with something like an s.
fn voice(t_s: f64) -> f64 {
    let open = (0.5 + 0.5 * (TAU * 2.3 * t_s).sin()).powi(2);
    let tone: f64 = (1..20).map(|n| (TAU * 140.0 * f64::from(n) * t_s).sin() / f64::from(n)).sum();
    let hiss = (TAU * 1.1 * t_s).sin().max(0.0).powi(4)
        * (TAU * 5_300.0 * t_s + 40.0 * (TAU * 611.0 * t_s).sin()).sin();
    open * tone + hiss
}

/// A ball struck: high, there at once, gone in some hundredths of a second. It begins between two samples.
fn strike(sound: &mut [f64], at: f64, strength: f64, rate: f64, random: &mut StdRng) {
    let tones: Vec<(f64, f64)> =
        (0..5).map(|_| (random.random_range(2_000.0..9_000.0), random.random_range(0.0..TAU))).collect();
    for i in at.ceil() as usize..((at + 0.06 * rate) as usize).min(sound.len()) {
        let t_s = (i as f64 - at) / rate;
        let tone: f64 = tones.iter().map(|(hz, phase)| (TAU * hz * t_s + phase).sin()).sum();
        let noise: f64 = StandardNormal.sample(random);
        let swells = (t_s / 0.0003).min(1.0);
        sound[i] += strength * swells * (-t_s / 0.005).exp() * (0.35 * tone + 0.3 * noise);
    }
}

/// How a clip is put together.
#[derive(Clone, Copy)]
pub enum Made {
    /// In one go.
    Whole,
    /// Picture and sound begin so much later in the film, s; what they show and let hear is still of one time.
    Delayed { picture_s: f64, sound_s: f64 },
    /// Its start cut off without coding anew.
    Cut(f64),
}

/// A clip to be made.
#[derive(Clone, Copy)]
pub struct Clip {
    pub name: &'static str,
    /// Frames a second as recorded.
    pub fps: f64,
    /// It plays so many times slower than it was recorded.
    pub slowed: u32,
    pub made: Made,
    pub heard: Option<Heard>,
    /// Further arguments for the coder.
    pub coded: &'static [&'static str],
}

impl Clip {
    /// Makes the clip in a folder.
    pub fn make(&self, folder: &Path) -> PathBuf {
        let whole = folder.join(format!("whole-{}", self.name));
        let path = folder.join(self.name);
        match self.made {
            Made::Whole => {
                self.code(&path, folder, true);
                return path;
            }
            Made::Cut(from_s) => {
                self.code(&whole, folder, true);
                let from = from_s.to_string();
                run(&["-ss", &from, "-i", text(&whole), "-c", "copy", text(&path)], &[]);
            }
            Made::Delayed { picture_s, sound_s } => {
                self.code(&whole, folder, false);
                // One clock: sound that begins later in the film than the picture was taken up later, too.
                let (picture, sound) = (picture_s.to_string(), sound_s.to_string());
                let wav = self.wav(folder, sound_s - picture_s);
                let inputs =
                    ["-itsoffset", &picture, "-i", text(&whole), "-itsoffset", &sound, "-i", text(&wav)];
                run(
                    &[
                        &inputs,
                        &["-map", "0:v", "-map", "1:a", "-c:v", "copy", "-c:a", "aac", text(&path)][..],
                    ]
                    .concat(),
                    &[],
                );
            }
        }
        path
    }

    fn wav(&self, folder: &Path, from_s: f64) -> PathBuf {
        let heard = self.heard.unwrap();
        let wav = folder.join(format!("{}.wav", self.name));
        heard.wav(&wav, from_s, LASTS_S - from_s, heard.rate_hz / self.slowed);
        wav
    }

    fn code(&self, path: &Path, folder: &Path, with_sound: bool) {
        let rate = (self.fps / f64::from(self.slowed)).to_string();
        let size = format!("{WIDTH}x{HEIGHT}");
        let mut arguments = vec!["-f", "rawvideo", "-pix_fmt", "gray", "-s", &size, "-r", &rate, "-i", "-"];
        let wav = (with_sound && self.heard.is_some()).then(|| self.wav(folder, 0.0));
        if let Some(wav) = &wav {
            arguments.extend([
                "-i",
                text(wav),
                "-ar",
                if self.heard.unwrap().rate_hz == 44_100 { "44100" } else { "48000" },
            ]);
        }
        arguments.extend(["-pix_fmt", "yuv420p"]);
        arguments.extend(self.coded);
        arguments.push(text(path));
        let frames: Vec<u8> = (0..(LASTS_S * self.fps) as usize).flat_map(|n| frame(n, self.fps)).collect();
        run(&arguments, &frames);
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn run(arguments: &[&str], input: &[u8]) {
    let mut child = Command::new(FFMPEG)
        .args(["-y", "-v", "error"])
        .args(arguments)
        .stdin(Stdio::piped())
        .spawn()
        .unwrap();
    child.stdin.take().unwrap().write_all(input).unwrap();
    assert!(child.wait().unwrap().success(), "ffmpeg {arguments:?}");
}

/// A picture with its number in bars at the top, and an arm that turns once in two seconds below.
fn frame(number: usize, fps: f64) -> Vec<u8> {
    let mut picture = vec![70; WIDTH * HEIGHT];
    let bar = WIDTH / BITS;
    for (at, pixel) in picture.iter_mut().enumerate().take(32 * WIDTH) {
        *pixel = if number >> (at % WIDTH / bar) & 1 == 1 { 235 } else { 16 };
    }
    let (sin, cos) = (TAU * number as f64 / fps / 2.0).sin_cos();
    for step in 0..160 {
        let along = f64::from(step) * 0.5;
        let (x, y) = (96.0 + along * sin, 144.0 + along * cos);
        for (dx, dy) in [(0, 0), (1, 0), (0, 1), (1, 1)] {
            picture[(y as usize + dy) * WIDTH + x as usize + dx] = 235;
        }
    }
    picture
}
