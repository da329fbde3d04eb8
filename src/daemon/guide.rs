//! Leads a player through the calibration: what is asked for, in what words, with which sounds, and when it
//! goes on. It follows the movement, so a brisk player is soon through. Pure: samples in, things to say out;
//! the clock is that of the hand node, and the host's only tells that the glove has fallen silent.

use crate::detect::calibration_part::{ADDRESS_STILL_S, PartQuality};
use crate::detect::calibration_quality::part_name;
use crate::detect::{CalibrationWatch, Look, Problem};
use crate::review::live::CalibrationStep;
use crate::sample::{CalibrationPart, DeviceDescription, ImuSample, NodeRole};
use crate::tone::Cue;
use crate::units::{HostTime, times};

/// What the player is told before the first part.
pub const INTRODUCTION: &str = "Calibration, about half a minute. Keep some free space around you and move only as \
    far as is easy; stop if it hurts. It measures a movement and is no medical device. A long low tone begins a \
    part, ticks count, three rising tones: done, two falling: once more, four rising: all done.";

/// One thing that the guide says or does.
#[derive(Clone, Debug, PartialEq)]
pub enum Say {
    /// This part begins; the words ask for it.
    Prompt(CalibrationPart, &'static str),
    /// Words for the player.
    Words(String),
    /// A sound.
    Sound(Cue),
    /// The calibration is over: all parts were gone through.
    Done,
    /// The calibration was broken off.
    Stopped,
}

/// What one part asks for. Times in s on the hand's clock.
struct Plan {
    part: CalibrationPart,
    words: &'static str,
    /// So many repetitions are enough.
    enough: usize,
    shortest_s: f64,
    longest_s: f64,
    /// So often it is asked for at most.
    tries: u32,
}

/// The address is asked for again in good time before whoever cuts the recording takes it for over (4 s after
/// its prompt), so that there is time to walk to the ball.
static PLANS: [Plan; 5] = [
    Plan {
        part: CalibrationPart::Still,
        words: "Let the lead arm hang and keep it still.",
        enough: 0,
        shortest_s: 2.0,
        longest_s: 10.0,
        tries: 2,
    },
    Plan {
        part: CalibrationPart::Flex,
        words: "Arm still, bend the wrist to the palm and back, four times, slowly. Stop if it hurts.",
        enough: 4,
        shortest_s: 2.0,
        longest_s: 14.0,
        tries: 2,
    },
    Plan {
        part: CalibrationPart::Hinge,
        words: "Arm still, hinge the wrist towards the thumb and back, four times, slowly.",
        enough: 4,
        shortest_s: 2.0,
        longest_s: 14.0,
        tries: 2,
    },
    Plan {
        part: CalibrationPart::Roll,
        words: "Wrist still, turn the forearm like a key and back, three times.",
        enough: 3,
        shortest_s: 2.0,
        longest_s: 14.0,
        tries: 2,
    },
    Plan {
        part: CalibrationPart::Address,
        words: "Stand at the ball as for a shot, and keep still.",
        enough: 0,
        shortest_s: 1.2,
        longest_s: 3.4,
        tries: 4,
    },
];

/// After a part the hand has to come to rest; no longer than this is waited for it, s.
const REST_MAX_S: f64 = 4.0;
/// And at least this, so that two sounds do not run into each other, s.
const REST_MIN_S: f64 = 0.8;
/// After a swing the arm has to come down first: so long a rest is waited for, twice as long at most, s.
const REST_AFTER_SWING_S: f64 = 2.0;
/// A movement later than this in a part belongs to it; before it, the hand's rest is not yet known, s.
const MOVED_AFTER_S: f64 = 0.7;
/// A player who does not move for so long has stood at the ball before, s.
const STOOD_S: f64 = 2.9;
/// A node is told to be missing when it was not heard for so long, s.
const NODE_PATIENCE_S: f64 = 3.0;
/// A glove that is silent for this long is told of, µs of host time …
const SILENCE_US: i64 = 3_000_000;
/// … and for this long ends the calibration.
const SILENCE_MAX_US: i64 = 30_000_000;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Phase {
    /// For the first sample.
    Waiting,
    /// The player does the part.
    Doing,
    /// The part is over since this time in it, s; the hand comes to rest for so long. Then the part in this place.
    Resting {
        since_s: f64,
        quiet_s: f64,
        next: usize,
    },
    Over,
}

/// What a bend to the palm shows is seen with the forearm's node only.
fn is_of_use(part: CalibrationPart, device: &DeviceDescription) -> bool {
    part != CalibrationPart::Flex || device.node(NodeRole::Forearm).is_some()
}

/// A calibration in progress.
pub struct Guide {
    watch: CalibrationWatch,
    /// What is asked for, in order.
    plans: Vec<&'static Plan>,
    place: usize,
    tries: u32,
    counted: usize,
    /// Extra time for a part that is asked for again without a new beginning, s.
    extra_s: f64,
    /// The hand has moved since the part was first asked for.
    moved: bool,
    phase: Phase,
    fresh: bool,
    heard: Option<HostTime>,
    told_silence: bool,
}

impl Guide {
    /// Begins with the first sample of this glove's hand node.
    #[must_use]
    pub fn start(device: &DeviceDescription) -> Guide {
        Guide {
            watch: CalibrationWatch::new(device),
            plans: PLANS.iter().filter(|plan| is_of_use(plan.part, device)).collect(),
            place: 0,
            tries: 0,
            counted: 0,
            extra_s: 0.0,
            moved: false,
            phase: Phase::Waiting,
            fresh: false,
            heard: None,
            told_silence: false,
        }
    }

    /// The part that is asked for now.
    fn plan(&self) -> Option<&'static Plan> {
        self.plans.get(self.place).copied()
    }

    /// What is asked for now.
    #[must_use]
    pub fn step(&self) -> Option<CalibrationStep> {
        let words = match self.phase {
            Phase::Doing => self.plan()?.words,
            Phase::Waiting | Phase::Resting { .. } => "Keep still; the next part follows.",
            Phase::Over => return None,
        };
        Some(CalibrationStep { part: self.place + 1, of: self.plans.len(), words })
    }

    /// The first part was not yet asked for.
    #[must_use]
    pub fn is_waiting(&self) -> bool {
        self.phase == Phase::Waiting
    }

    /// Takes the next sample of the glove.
    pub fn hear(&mut self, sample: &ImuSample) -> Vec<Say> {
        self.fresh |= sample.role == NodeRole::Hand;
        let mut said = Vec::new();
        if self.phase == Phase::Waiting && sample.role == NodeRole::Hand {
            said = self.ask(0);
        }
        if let Some(look) = self.watch.push(sample) {
            said.extend(match self.phase {
                Phase::Doing => self.follow(&look),
                Phase::Resting { since_s, quiet_s, next } => self.rest(&look, since_s, quiet_s, next),
                Phase::Waiting | Phase::Over => Vec::new(),
            });
        }
        said
    }

    /// Some time has passed on the host.
    pub fn tick(&mut self, now: HostTime) -> Vec<Say> {
        if std::mem::take(&mut self.fresh) || self.heard.is_none() {
            self.heard = Some(now);
            self.told_silence = false;
        }
        let silent_us = self.heard.map_or(0, |heard| now.0 - heard.0);
        if self.phase == Phase::Over || silent_us < SILENCE_US {
            return Vec::new();
        }
        if silent_us > SILENCE_MAX_US {
            return self
                .stop("Nothing was heard from the hand node for half a minute: the calibration ends here.");
        }
        if std::mem::replace(&mut self.told_silence, true) {
            return Vec::new();
        }
        vec![Say::Words("Nothing is heard from the hand node; the calibration waits for it.".to_owned())]
    }

    fn stop(&mut self, words: &str) -> Vec<Say> {
        self.phase = Phase::Over;
        vec![Say::Sound(Cue::Repeat), Say::Words(words.to_owned()), Say::Stopped]
    }

    /// Asks for the part in this place; after the last one all is done.
    fn ask(&mut self, place: usize) -> Vec<Say> {
        let Some(plan) = self.plans.get(place).copied() else {
            self.phase = Phase::Over;
            return vec![
                Say::Sound(Cue::AllDone),
                Say::Words("That was all, thank you.".to_owned()),
                Say::Done,
            ];
        };
        if place != self.place {
            (self.tries, self.moved) = (0, false);
        }
        (self.place, self.counted, self.extra_s) = (place, 0, 0.0);
        self.tries += 1;
        self.phase = Phase::Doing;
        self.watch.begin(plan.part);
        vec![Say::Prompt(plan.part, plan.words), Say::Sound(Cue::Begin)]
    }

    fn follow(&mut self, look: &Look) -> Vec<Say> {
        let Some(plan) = self.plan() else { return Vec::new() };
        let quality = &look.quality;
        let silent = matches!(quality.problem, Some(Problem::ForearmSilent | Problem::HandSilent));
        if silent && look.since_s > NODE_PATIENCE_S {
            let advice = quality.problem.map_or("", Problem::advice);
            return self.stop(&format!("Both nodes are needed: {advice}. Then type calibrate."));
        }
        let posed = plan.part != CalibrationPart::Address || self.is_posed(look);
        let enough = quality.repetitions >= plan.enough && posed;
        if quality.problem.is_none() && enough && look.since_s >= plan.shortest_s {
            return self.part_done(look);
        }
        // Where the wrong thing was done as often as the right one should be, waiting mends nothing.
        let hopeless = match quality.problem {
            Some(Problem::Swing | Problem::Swapped) => true,
            Some(Problem::BackToFront | Problem::UpsideDown) => posed,
            Some(problem) => !problem.is_unfinished() && plan.enough > 0 && quality.movements >= plan.enough,
            None => false,
        };
        if hopeless || look.since_s > plan.longest_s + self.extra_s {
            return self.not_good(look, quality.problem.unwrap_or(Problem::Restless));
        }
        self.count(quality)
    }

    /// The player has gone into a pose since the part was first asked for and holds it, or has stood there all
    /// along.
    fn is_posed(&mut self, look: &Look) -> bool {
        self.moved |= look.since_s - look.quiet_s > MOVED_AFTER_S;
        look.quiet_s >= if self.moved { ADDRESS_STILL_S } else { STOOD_S }
    }

    /// A tick for every repetition, the last one left to the sound of the part's end.
    fn count(&mut self, quality: &PartQuality) -> Vec<Say> {
        let enough = self.plan().map_or(0, |plan| plan.enough);
        let one_more = quality.repetitions > self.counted && quality.repetitions < enough;
        if !one_more {
            return Vec::new();
        }
        self.counted = quality.repetitions;
        vec![Say::Sound(Cue::Tick)]
    }

    fn part_done(&mut self, look: &Look) -> Vec<Say> {
        let quality = &look.quality;
        let next = self.place + 1;
        if next == self.plans.len() {
            return self.ask(next);
        }
        self.phase = Phase::Resting { since_s: look.since_s, quiet_s: 0.0, next };
        let words = if quality.part == CalibrationPart::Still {
            "Good.".to_owned()
        } else {
            format!("Good: {}, about {:.0}°.", times(quality.repetitions), quality.turn_deg)
        };
        vec![Say::Sound(Cue::PartDone), Say::Words(words)]
    }

    /// The part has not come out well: once more, or, when that was said, on to the next.
    fn not_good(&mut self, look: &Look, problem: Problem) -> Vec<Say> {
        let Some(plan) = self.plan() else { return Vec::new() };
        let quiet_s = if problem == Problem::Swing { REST_AFTER_SWING_S } else { 0.0 };
        let rest = |next| Phase::Resting { since_s: look.since_s, quiet_s, next };
        let what = format!("{}: {}.", part_name(plan.part), problem.advice());
        match plan.part {
            CalibrationPart::Still if problem == Problem::PutDown && self.tries >= plan.tries => {
                self.stop("Nobody seems to wear the glove: the calibration ends here. Then type calibrate.")
            }
            CalibrationPart::Still if self.tries < plan.tries => {
                // What comes before the rest does no harm, so the part needs no new beginning.
                self.tries += 1;
                self.extra_s += plan.longest_s;
                vec![Say::Sound(Cue::Repeat), Say::Words(what)]
            }
            CalibrationPart::Address if problem == Problem::Restless && self.tries < plan.tries => {
                let asked_aloud = self.tries == 2;
                let mut said = if asked_aloud { vec![Say::Words(what)] } else { Vec::new() };
                said.extend(self.ask(self.place));
                said.retain(|say| asked_aloud || *say != Say::Sound(Cue::Begin));
                said
            }
            CalibrationPart::Address => {
                let mut said = vec![Say::Sound(Cue::Repeat), Say::Words(what)];
                self.phase = Phase::Over;
                said.push(Say::Done);
                said
            }
            _ if self.tries < plan.tries => {
                self.phase = rest(self.place);
                vec![Say::Sound(Cue::Repeat), Say::Words(what)]
            }
            _ => {
                self.phase = rest(self.place + 1);
                vec![Say::Words(format!("{what} We go on; type calibrate to do it all again."))]
            }
        }
    }

    fn rest(&mut self, look: &Look, since_s: f64, quiet_s: f64, next: usize) -> Vec<Say> {
        let rested_s = look.since_s - since_s;
        let quiet = look.quiet_s > quiet_s && rested_s >= REST_MIN_S;
        let ready = quiet || rested_s > REST_MAX_S + 2.0 * quiet_s;
        if ready { self.ask(next) } else { Vec::new() }
    }
}
