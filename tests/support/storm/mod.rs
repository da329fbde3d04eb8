//! A glove on a stormy line: hours of swings over a real pseudo-terminal, much faster than real time, with lost,
//! flipped and doubled frames, noise, a port that vanishes, nodes that start anew and counters that wrap. It
//! keeps account of every reading that reached the port whole.
#![allow(dead_code, reason = "a test uses its own part of this")]

pub mod ledger;
pub mod line;

use firmware_protocol::{Decoder, Frame};
use hingeclock::device::faults::Faults;
use hingeclock::device::host_clock::HostClock;
use hingeclock::device::{Peer, PeerScript};
use hingeclock::units::HostTime;
use ledger::Ledger;
use line::Line;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};
use std::collections::VecDeque;
use std::path::Path;

/// Readings that the glove keeps: at this speed the host asks after many seconds of the glove's time.
const KEPT: usize = 400_000;
/// A port that has stood for less counts as a loose plug, and is waited for ever longer, s.
const STANDS_S: f64 = 2.2;
/// The glove is switched off when it has sent no reading, asked for or not, for so long, s.
const QUIET_S: f64 = 2.0;
/// When a port vanishes, so much of what was written last may not have reached the host, bytes: the system drops
/// what it has not handed on yet.
const ON_THE_WAY: usize = 8192;
/// Times as fast as real time at most; a host that reads more slowly is waited for.
const SPEED: i64 = 40;

/// How often what goes wrong, for each frame.
#[derive(Clone, Copy, Debug)]
pub struct Weather {
    pub lost: f64,
    pub flipped: f64,
    pub doubled: f64,
    /// Noise in front of a frame; half of it is not ended by a delimiter and spoils the frame.
    pub noise: f64,
    /// A port stands at most so much longer than it must, s.
    pub stands_longer_s: f64,
}

/// What went wrong.
#[derive(Clone, Copy, Debug, Default)]
pub struct Happened {
    pub frames: u64,
    pub lost: u64,
    pub flipped: u64,
    pub doubled: u64,
    pub noises: u64,
    pub cuts: u64,
    pub restarts: u64,
    /// Restarts that the port did not show.
    pub hidden_restarts: u64,
}

/// The glove at work.
pub struct Storm {
    weather: Weather,
    rng: StdRng,
    clock: HostClock,
    /// When it sent a reading last.
    sent_at: HostTime,
    /// Frames with readings that may still be on their way.
    on_the_way: VecDeque<Vec<u8>>,
    pub ledger: Ledger,
    pub happened: Happened,
}

impl Storm {
    pub fn new(weather: Weather, ledger: Ledger, seed: u64) -> Storm {
        let (clock, happened) = (HostClock::start(), Happened::default());
        let rng = StdRng::seed_from_u64(seed);
        Storm { weather, rng, clock, sent_at: HostTime(0), on_the_way: VecDeque::new(), ledger, happened }
    }

    /// Plays so many parts, fewer if the time is up before. `path` is the port that the host opens. Gives how many.
    pub async fn play(&mut self, parts: usize, minutes: f64, path: &Path) -> usize {
        let mut line = Line::open(path);
        for part in 0..parts {
            if self.clock.now().0 as f64 > minutes * 60e6 {
                return part;
            }
            let script: PeerScript = self.ledger.begin(part);
            let mut peer = Peer::new(script, Faults::default()).with_kept(KEPT);
            if part > 0 {
                self.happened.restarts += 1;
            }
            // Every other time the glove hangs on a bridge, so that its port stays.
            if part % 2 == 1 {
                self.happened.hidden_restarts += 1;
            } else if part > 0 {
                line = Line::open(path);
            }
            self.on_the_way.clear();
            self.play_part(part, &mut peer, &mut line, path).await;
            self.answer_until_quiet(part, &mut peer, &mut line).await;
        }
        parts
    }

    async fn play_part(&mut self, part: usize, peer: &mut Peer, line: &mut Line, path: &Path) {
        let (begun, mut cut_at) = (self.clock.now(), self.next_cut());
        while !peer.is_over() {
            if line.outgoing.is_empty() {
                let played = HostTime(peer.start().0 + SPEED * (self.clock.now().0 - begun.0));
                self.say(part, peer, line, played);
            }
            line.step(peer).await;
            if self.clock.now() > cut_at {
                self.cut(part, peer, line, path).await;
                cut_at = self.next_cut();
            }
        }
        line.write_all(peer).await;
    }

    fn next_cut(&mut self) -> HostTime {
        let stands_s = STANDS_S + self.rng.random_range(0.0..=self.weather.stands_longer_s);
        HostTime(self.clock.now().0 + (stands_s * 1e6) as i64)
    }

    /// The port vanishes in the middle of a frame; what the glove says meanwhile, nobody hears.
    async fn cut(&mut self, part: usize, peer: &mut Peer, line: &mut Line, path: &Path) {
        self.happened.cuts += 1;
        line.drain(peer).await;
        line.outgoing = vec![3, 1, 2];
        line.drain(peer).await;
        for frame in std::mem::take(&mut self.on_the_way) {
            self.note(part, &frame, Ledger::unsure);
        }
        let mut unheard = Vec::new();
        for _ in 0..self.rng.random_range(1..3) {
            peer.poll(HostTime(i64::MAX), &mut unheard);
        }
        for frame in unheard.split_inclusive(|byte| *byte == 0) {
            self.note(part, frame, Ledger::spoilt);
        }
        *line = Line::open(path);
    }

    async fn answer_until_quiet(&mut self, part: usize, peer: &mut Peer, line: &mut Line) {
        while self.clock.now().seconds_since(self.sent_at) < QUIET_S || !line.outgoing.is_empty() {
            if line.outgoing.is_empty() {
                self.say(part, peer, line, HostTime(i64::MAX));
            }
            line.step(peer).await;
        }
        line.drain(peer).await;
    }

    /// What the glove has to say up to `played`, with what becomes of it.
    fn say(&mut self, part: usize, peer: &mut Peer, line: &mut Line, played: HostTime) {
        if !line.greeted {
            return;
        }
        let mut said = Vec::new();
        peer.poll(played, &mut said);
        for frame in said.split_inclusive(|byte| *byte == 0) {
            self.send(part, frame, &mut line.outgoing);
        }
    }

    fn send(&mut self, part: usize, frame: &[u8], out: &mut Vec<u8>) {
        self.happened.frames += 1;
        self.on_the_way.push_back(frame.to_vec());
        while self.on_the_way.iter().map(Vec::len).sum::<usize>() > ON_THE_WAY {
            self.on_the_way.pop_front();
        }
        let Weather { lost, flipped, doubled, noise, .. } = self.weather;
        let mut draw: f64 = self.rng.random();
        let mut falls = |share: f64| {
            draw -= share;
            draw < 0.0 && draw + share >= 0.0
        };
        if falls(lost) {
            self.happened.lost += 1;
            self.note(part, frame, Ledger::spoilt);
        } else if falls(flipped) {
            self.happened.flipped += 1;
            self.note(part, frame, Ledger::spoilt);
            let mut frame = frame.to_vec();
            let place = self.rng.random_range(0..frame.len() - 1);
            frame[place] ^= 1 << self.rng.random_range(0..8);
            out.extend(frame);
        } else if falls(doubled) {
            self.happened.doubled += 1;
            self.note(part, frame, Ledger::delivered);
            self.note(part, frame, Ledger::delivered);
            out.extend(frame.repeat(2));
        } else if falls(noise) {
            self.happened.noises += 1;
            let ends = self.rng.random();
            self.make_noise(ends, out);
            self.note(part, frame, if ends { Ledger::delivered } else { Ledger::spoilt });
            out.extend(frame);
        } else {
            self.note(part, frame, Ledger::delivered);
            out.extend(frame);
        }
    }

    /// Bytes without sense, at times longer than any frame.
    fn make_noise(&mut self, ends: bool, out: &mut Vec<u8>) {
        let longest = if self.rng.random_bool(0.1) { 8000 } else { 60 };
        let length = self.rng.random_range(1..longest);
        // Without delimiters, so that it is one piece of junk, and the frame after it is spoilt or whole.
        out.extend((0..length).map(|_| self.rng.random_range(1..=u8::MAX)));
        if ends {
            out.push(0);
        }
    }

    /// Notes what became of the readings in a frame, read by a decoder as any host would.
    fn note(&mut self, part: usize, frame: &[u8], fate: fn(&mut Ledger, usize, u8, u32)) {
        let (mut decoder, mut bytes) = (Decoder::new(), frame);
        while let Some(Ok(frame)) = decoder.pull(&mut bytes) {
            if let Frame::Samples(samples) = frame {
                self.sent_at = self.clock.now();
                samples.iter().for_each(|sample| fate(&mut self.ledger, part, samples.node(), sample.seq));
            }
        }
    }
}
