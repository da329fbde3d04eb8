//! The cues: which pulses, at which pitch, when. Tables only; [`super::synth`] turns them into samples.
//!
//! Two families. The verdicts follow a swing; the guide's lead a player through a calibration. They never come in
//! one breath, so distinctness is asked for within each family; across them, too, no two have both the contour and
//! the rhythm in common.
//!
//! Why the verdicts sound as they do. A player hears the cue over the swing itself, without looking, and has to know at
//! once which of the four it was. So each differs from every other of them in two ways, either of which is enough:
//!
//! - **pitch contour**: rising, level, falling, low and level. Each also starts on a pitch of its own, so the
//!   first pulse gives it away to those who hear pitch well.
//! - **rhythm**: two quick pulses, one long, three dragging, four stuttering. The number and the spacing differ,
//!   so a player who cannot tell pitches apart, or who wears a hearing aid, loses nothing.
//!
//! The wanted case is the shortest thing to understand: one calm tone. Early is hurried and late drags, so that
//! the rhythm says what it means. All pitches lie between 300 and 1200 Hz: small loudspeakers still carry the
//! lowest, and hearing that fails with age keeps the highest (common practice, no source). All cues end well
//! under 600 ms, so that a cue is over before the player looks up from the ball.
//!
//! The guide's: one long low tone asks (begin), a single short high tick counts, three quick rising ones thank (part
//! done), two slow falling ones ask again (repeat), four rising wide apart close (all done). Up is well, down is once
//! more; nothing is shrill or sudden, and the tick, which comes often, has half the level.
//!
//! The alarm is of neither family. It alone has six pulses, and goes to and fro like a siren.

use serde::{Deserialize, Serialize};

/// A sound with a meaning of its own. Who plays it decides what it stands for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cue {
    /// Too early: two quick pulses, rising.
    Early,
    /// In the window: one level tone.
    InWindow,
    /// Too late: three dragging pulses, falling.
    Late,
    /// There was nothing to judge: four low, stuttering pulses.
    NoSet,
    /// A part of the calibration begins: one long low tone.
    Begin,
    /// A repetition was counted: one short quiet tick.
    Tick,
    /// The part is done: three quick pulses, rising.
    PartDone,
    /// Once more, please: two slow pulses, falling.
    Repeat,
    /// The calibration is over: four pulses, rising.
    AllDone,
    /// The recording is in danger: six quick pulses, high and low by turns.
    Alarm,
}

/// One steady tone within a cue.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pulse {
    /// From the start of the cue, ms.
    pub starts_ms: f64,
    /// From first to last sample, ramps included, ms.
    pub lasts_ms: f64,
    /// Fundamental, Hz.
    pub pitch_hz: f64,
}

const fn pulse(starts_ms: f64, lasts_ms: f64, pitch_hz: f64) -> Pulse {
    Pulse { starts_ms, lasts_ms, pitch_hz }
}

const EARLY: [Pulse; 2] = [pulse(0.0, 80.0, 587.0), pulse(125.0, 80.0, 988.0)];
const IN_WINDOW: [Pulse; 1] = [pulse(0.0, 180.0, 784.0)];
const LATE: [Pulse; 3] = [pulse(0.0, 90.0, 1175.0), pulse(200.0, 90.0, 831.0), pulse(400.0, 90.0, 523.0)];
const NO_SET: [Pulse; 4] =
    [pulse(0.0, 45.0, 330.0), pulse(80.0, 45.0, 330.0), pulse(160.0, 45.0, 330.0), pulse(240.0, 45.0, 330.0)];

const BEGIN: [Pulse; 1] = [pulse(0.0, 260.0, 440.0)];
const TICK: [Pulse; 1] = [pulse(0.0, 45.0, 1047.0)];
const PART_DONE: [Pulse; 3] =
    [pulse(0.0, 75.0, 560.0), pulse(110.0, 75.0, 705.0), pulse(220.0, 110.0, 888.0)];
const REPEAT: [Pulse; 2] = [pulse(0.0, 150.0, 720.0), pulse(270.0, 200.0, 480.0)];
const ALL_DONE: [Pulse; 4] = [
    pulse(0.0, 90.0, 345.0),
    pulse(150.0, 90.0, 460.0),
    pulse(300.0, 90.0, 690.0),
    pulse(450.0, 140.0, 920.0),
];
const ALARM: [Pulse; 6] = [
    pulse(0.0, 50.0, 1050.0),
    pulse(90.0, 50.0, 620.0),
    pulse(180.0, 50.0, 1050.0),
    pulse(270.0, 50.0, 620.0),
    pulse(360.0, 50.0, 1050.0),
    pulse(450.0, 50.0, 620.0),
];

impl Cue {
    /// Number of cues.
    pub const COUNT: usize = 10;
    /// Every cue, in order of [`Cue::index`]: the verdicts, then the guide's, then the alarm.
    pub const ALL: [Cue; Cue::COUNT] = [
        Cue::Early,
        Cue::InWindow,
        Cue::Late,
        Cue::NoSet,
        Cue::Begin,
        Cue::Tick,
        Cue::PartDone,
        Cue::Repeat,
        Cue::AllDone,
        Cue::Alarm,
    ];
    /// The cues that follow a swing.
    pub const VERDICTS: [Cue; 4] = [Cue::Early, Cue::InWindow, Cue::Late, Cue::NoSet];
    /// The cues that lead through a calibration.
    pub const GUIDE: [Cue; 5] = [Cue::Begin, Cue::Tick, Cue::PartDone, Cue::Repeat, Cue::AllDone];

    /// Place in [`Cue::ALL`].
    #[must_use]
    pub fn index(self) -> usize {
        self as usize
    }

    /// The word in tables and JSON.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Cue::Early => "early",
            Cue::InWindow => "in-window",
            Cue::Late => "late",
            Cue::NoSet => "no-set",
            Cue::Begin => "begin",
            Cue::Tick => "tick",
            Cue::PartDone => "part-done",
            Cue::Repeat => "repeat",
            Cue::AllDone => "all-done",
            Cue::Alarm => "alarm",
        }
    }

    /// How it sounds, for a reader who learns the cues.
    #[must_use]
    pub fn description(self) -> &'static str {
        match self {
            Cue::Early => "two quick pulses, rising",
            Cue::InWindow => "one level tone",
            Cue::Late => "three slow pulses, falling",
            Cue::NoSet => "four short low pulses",
            Cue::Begin => "one long low tone",
            Cue::Tick => "one short quiet tick",
            Cue::PartDone => "three quick pulses, rising",
            Cue::Repeat => "two slow pulses, falling",
            Cue::AllDone => "four pulses, rising",
            Cue::Alarm => "six quick pulses, high and low by turns",
        }
    }

    /// The pulses in order of time; they do not overlap.
    #[must_use]
    pub fn pulses(self) -> &'static [Pulse] {
        match self {
            Cue::Early => &EARLY,
            Cue::InWindow => &IN_WINDOW,
            Cue::Late => &LATE,
            Cue::NoSet => &NO_SET,
            Cue::Begin => &BEGIN,
            Cue::Tick => &TICK,
            Cue::PartDone => &PART_DONE,
            Cue::Repeat => &REPEAT,
            Cue::AllDone => &ALL_DONE,
            Cue::Alarm => &ALARM,
        }
    }

    /// Its level as a share of the volume, never above 1.
    #[must_use]
    pub fn level(self) -> f64 {
        if self == Cue::Tick { 0.5 } else { 1.0 }
    }

    /// From the first sample to the last, ms.
    #[must_use]
    pub fn lasts_ms(self) -> f64 {
        self.pulses().last().map_or(0.0, |last| last.starts_ms + last.lasts_ms)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// No cue is longer than this, ms.
    const LONGEST_CUE_MS: f64 = 600.0;

    fn contour(cue: Cue) -> Vec<i8> {
        let step = |pair: &[Pulse]| (pair[1].pitch_hz - pair[0].pitch_hz).signum() as i8;
        let equal = |pair: &[Pulse]| pair[0].pitch_hz == pair[1].pitch_hz;
        cue.pulses().windows(2).map(|pair| if equal(pair) { 0 } else { step(pair) }).collect()
    }

    fn spacing_ms(cue: Cue) -> Option<f64> {
        cue.pulses().get(1).map(|second| second.starts_ms)
    }

    #[test]
    fn every_cue_ends_in_time() {
        for cue in Cue::ALL {
            assert!(cue.lasts_ms() < LONGEST_CUE_MS, "{}", cue.word());
        }
        for cue in Cue::VERDICTS {
            assert!(cue.lasts_ms() <= 500.0, "{}", cue.word());
        }
    }

    #[test]
    fn indices_follow_the_list() {
        for (index, cue) in Cue::ALL.into_iter().enumerate() {
            assert_eq!(cue.index(), index);
        }
    }

    #[test]
    fn contours_go_up_stay_and_go_down() {
        assert_eq!(contour(Cue::Early), [1]);
        assert_eq!(contour(Cue::InWindow), [] as [i8; 0]);
        assert_eq!(contour(Cue::Late), [-1, -1]);
        assert_eq!(contour(Cue::NoSet), [0, 0, 0]);
        assert_eq!(contour(Cue::PartDone), [1, 1]);
        assert_eq!(contour(Cue::Repeat), [-1]);
        assert_eq!(contour(Cue::AllDone), [1, 1, 1]);
    }

    fn pairs(cues: &[Cue]) -> impl Iterator<Item = (Cue, Cue)> + '_ {
        cues.iter().flat_map(move |a| cues.iter().filter(move |b| *b != a).map(move |b| (*a, *b)))
    }

    /// The number of pulses tells two cues apart, or their lengths, by a factor of three, where both have one.
    fn rhythms_differ(a: Cue, b: Cue) -> bool {
        let ratio = a.lasts_ms() / b.lasts_ms();
        let single = a.pulses().len() == 1 && b.pulses().len() == 1;
        a.pulses().len() != b.pulses().len() || single && ratio.max(1.0 / ratio) >= 3.0
    }

    /// Two cues of a family differ by a third of an octave or more in their first pulse, in rhythm and, where both
    /// have more than one pulse, by a third or more in their spacing.
    #[test]
    fn every_pair_of_a_family_differs_in_pitch_and_in_rhythm() {
        for (a, b) in pairs(&Cue::VERDICTS).chain(pairs(&Cue::GUIDE)) {
            let octaves = (a.pulses()[0].pitch_hz / b.pulses()[0].pitch_hz).log2().abs();
            assert!(octaves >= 1.0 / 3.0, "{} and {}: {octaves} octaves", a.word(), b.word());
            assert!(rhythms_differ(a, b), "{} and {}", a.word(), b.word());
            if let (Some(x), Some(y)) = (spacing_ms(a), spacing_ms(b)) {
                assert!((x / y).max(y / x) >= 1.33, "{} and {}: {x} and {y} ms", a.word(), b.word());
            }
        }
    }

    #[test]
    fn no_verdict_sounds_like_one_of_the_guides() {
        for (a, b) in pairs(&Cue::ALL) {
            let octaves = (a.pulses()[0].pitch_hz / b.pulses()[0].pitch_hz).log2().abs();
            let apart = rhythms_differ(a, b) || contour(a) != contour(b) || octaves >= 0.5;
            assert!(apart, "{} and {}", a.word(), b.word());
        }
    }

    #[test]
    fn pulses_stand_apart_and_keep_to_the_pitch_range() {
        for cue in Cue::ALL {
            for pair in cue.pulses().windows(2) {
                let gap_ms = pair[1].starts_ms - pair[0].starts_ms - pair[0].lasts_ms;
                assert!(gap_ms >= 30.0, "{}: gap of {gap_ms} ms", cue.word());
            }
            assert!(cue.pulses().iter().all(|p| (300.0..=1200.0).contains(&p.pitch_hz)));
        }
    }
}
