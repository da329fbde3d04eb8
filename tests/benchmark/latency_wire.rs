//! What a virtual glove sends, frame by frame, and which frame decides each swing.

use firmware_protocol::{Frame, MAX_DECODED, Splitter, decode_piece};
use hingeclock::daemon::{analysis_params, cue_of, windows};
use hingeclock::detect::{BucketAnalysis, LiveAnalysis};
use hingeclock::device::faults::Faults;
use hingeclock::device::host_clock::HostClock;
use hingeclock::device::session::greeting;
use hingeclock::device::virtual_glove::link::LinkSettings;
use hingeclock::device::virtual_glove::scenario::Cue as Doing;
use hingeclock::device::virtual_glove::swing::{SetAim, SwingSize};
use hingeclock::device::virtual_glove::{Plan, Scenario, VirtualBucket};
use hingeclock::device::{Assembler, Heard, Peer, PeerScript};
use hingeclock::record::settings::Settings;
use hingeclock::review::Review;
use hingeclock::sample::{Arrival, DeviceDescription};
use hingeclock::tone::Cue;
use hingeclock::units::{HostTime, PlayerHand};

/// Arm travel at the set, swing by swing: early, in the window, late, for an iron.
const TRAVELS: [f64; 3] = [0.28, 0.52, 0.80];

/// A calibration and the way to the ball take no longer, s.
const CALIBRATION_S: f64 = 60.0;

/// A frame and when it is due, in the bucket's own time.
pub struct TimedFrame {
    pub due: HostTime,
    pub bytes: Vec<u8>,
}

/// The frame that brings the deciding sample of a swing, and the cue that has to follow.
#[derive(Clone, Copy, Debug)]
pub struct Decision {
    pub frame: usize,
    pub cue: Cue,
    /// How long the detector worked on that sample, µs.
    pub worked_us: i64,
}

/// A calibration and so many shots with an iron, on a good line.
pub fn bucket(swings: usize, rate_hz: f64) -> VirtualBucket {
    let shot = |place: usize| Doing::Shot(SwingSize::Full, SetAim::Travel(TRAVELS[place % TRAVELS.len()]));
    let start = [Doing::Club("iron"), Doing::Calibrate];
    let plan = Plan::Listed(start.into_iter().chain((0..swings).map(shot)).collect());
    play(Scenario::new(plan), rate_hz)
}

/// A calibration and then this long on the range as players spend it.
pub fn on_the_range(seconds: f64, rate_hz: f64) -> VirtualBucket {
    play(Scenario::range_day((seconds + CALIBRATION_S) / 3600.0), rate_hz)
}

fn play(mut scenario: Scenario, rate_hz: f64) -> VirtualBucket {
    scenario.link = LinkSettings::lossless();
    scenario.sensor.rate_hz = rate_hz;
    scenario.sensor.bandwidth_hz = Some(0.42 * rate_hz);
    VirtualBucket::play(&scenario, 1)
}

/// The frames of a bucket, as a glove sends them.
pub fn frames(device: &DeviceDescription, arrivals: Vec<Arrival>) -> Vec<TimedFrame> {
    let script = PeerScript::from_arrivals(device.clone(), arrivals).unwrap();
    let mut glove = Peer::new(script, Faults::default());
    glove.hear(&greeting());
    let (mut frames, mut splitter) = (Vec::new(), Splitter::new());
    while let Some(due) = glove.next_due() {
        let mut sent = Vec::new();
        glove.poll(due, &mut sent);
        let mut rest = &sent[..];
        while let Some(piece) = splitter.pull(&mut rest) {
            frames.push(TimedFrame { due, bytes: piece.bytes.to_vec() });
        }
    }
    frames
}

/// The live path over the frames, as the daemon runs it.
pub fn decisions(frames: &[TimedFrame], clock: &HostClock) -> Vec<Decision> {
    let settings = Settings::default();
    let mut glove = Assembler::for_player(PlayerHand::Right);
    let mut live = LiveAnalysis::new(&DeviceDescription::default(), analysis_params(&settings));
    let analysis =
        BucketAnalysis { swings: Vec::new(), losses: Vec::new(), notes: Vec::new(), calibration: None };
    let review = Review { windows: windows(&settings), ..Review::new("bench", analysis) };
    let mut decisions = Vec::new();
    for (frame, TimedFrame { due, bytes }) in frames.iter().enumerate() {
        let (mut scratch, mut arrivals) = ([0; MAX_DECODED], Vec::new());
        let Ok(decoded) = decode_piece(bytes, &mut scratch) else { continue };
        if glove.take(&decoded, Some(*due), &mut arrivals).unwrap() == Heard::DescriptionChanged {
            live.redescribe(glove.description());
        }
        for arrival in &arrivals {
            let begun = clock.now();
            for found in live.push(arrival) {
                let worked_us = clock.now().0 - begun.0;
                let verdict = review.verdict(&found.swing).unwrap().verdict;
                decisions.push(Decision { frame, cue: cue_of(verdict), worked_us });
            }
        }
    }
    decisions
}

/// The first frame in which nothing of the calibration is left.
pub fn after_calibration(frames: &[TimedFrame]) -> usize {
    let is_prompt = |frame: &TimedFrame| {
        let mut scratch = [0; MAX_DECODED];
        matches!(decode_piece(&frame.bytes, &mut scratch), Ok(Frame::Annotation(said)) if said.kind == "prompt")
    };
    let last = frames.iter().rposition(is_prompt).expect("there was a calibration");
    // It is over some seconds after its last prompt.
    frames.partition_point(|frame| frame.due.0 < frames[last].due.0 + 4_500_000)
}
