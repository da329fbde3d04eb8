//! How a running bucket fares beside its swings, and the words for it that terminal and page share.

use super::Review;
use super::page::{Kind, set_sentence};
use super::summary::Summary;
use super::wording::{self, number, percent};
use crate::detect::{CalibrationQuality, Grade, LiveCall, TargetWindow, Verdict};
use crate::device::ClockStand;
use crate::record::latency::Latency;
use crate::record::recorder::SLOW_AFTER_US;
use crate::sample::NodeRole;
use crate::tone::SoundState;
use crate::units::{Measured, counted};

/// Under this charge a battery is called low. Common practice, no measured value.
const LOW_PERCENT: u8 = 15;
/// The same where only the voltage of a lithium cell is known, V.
const LOW_V: f64 = 3.5;
/// Samples that come later than the quickest by more than this on average are told of, s: a cue is late by as much.
const LATE_S: f64 = 0.1;
/// Where this share of the last minute's samples is missing, that is trouble: 0.6 s of them, so that a gap may well fall
/// into a swing. A packet now and then is made up for.
const LOSSY: f64 = 0.01;
/// Offsets beyond this are told in seconds: the clocks merely started at other times.
const APART_S: f64 = 10.0;

/// How the link to the glove stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum LinkStatus {
    /// There is none; it is tried again.
    #[default]
    Down,
    /// It is open, and nothing was heard for a while.
    Quiet,
    /// Samples come.
    Sending,
}

/// A battery as the glove last told it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BatteryStatus {
    /// Voltage, V.
    pub volts: f64,
    /// Charge, 0 to 100, where the glove knows it.
    pub percent: Option<u8>,
}

impl BatteryStatus {
    fn is_low(&self) -> bool {
        self.percent.map_or(self.volts < LOW_V, |percent| percent <= LOW_PERCENT)
    }
}

/// What came from one node so far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NodeStatus {
    /// Where it sits.
    pub role: NodeRole,
    /// Samples that came, doubles included.
    pub received: u64,
    /// Samples that are missing now.
    pub missing: u64,
    /// Share of the last minute's samples that is missing, 0 to 1; none where that says nothing yet.
    pub lost_lately: Option<f64>,
    /// Samples that came twice.
    pub duplicates: u64,
    /// Samples that came late and were put back in order.
    pub requeued: u64,
    /// Samples that are on the disk for certain.
    pub on_disk: u64,
    /// Its battery, if it told.
    pub battery: Option<BatteryStatus>,
    /// Its clock as this machine sees it, once samples came.
    pub clock: Option<ClockStand>,
}

impl NodeStatus {
    /// A node from which nothing came yet.
    #[must_use]
    pub fn silent(role: NodeRole) -> NodeStatus {
        NodeStatus {
            role,
            received: 0,
            missing: 0,
            lost_lately: None,
            duplicates: 0,
            requeued: 0,
            on_disk: 0,
            battery: None,
            clock: None,
        }
    }

    /// Samples that the node sent, as far as is known: doubles count once.
    #[must_use]
    pub fn sent(&self) -> u64 {
        self.received.saturating_sub(self.duplicates) + self.missing
    }

    fn loses_many(&self) -> bool {
        self.lost_lately.is_some_and(|share| share >= LOSSY)
    }
}

/// The forearm node's clock against the hand node's.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClockStatus {
    /// Forearm less hand, s.
    pub offset_s: f64,
    /// How fast that grows (1e-6 is one ppm).
    pub skew: f64,
}

/// How the recording fares.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct RecorderStatus {
    /// A file takes what comes.
    pub running: bool,
    /// Things that wait for the disk.
    pub waiting: usize,
    /// Things that found no room.
    pub refused: u64,
    /// How long the oldest thing that is not on the disk has been waiting, µs.
    pub lag_us: i64,
    /// From reception to the disk.
    pub latency: Latency,
}

/// The player's guess, in the mode that asks for it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Guess {
    /// No swing was asked about.
    #[default]
    NotAsked,
    /// The newest swing waits for it, and is not shown before.
    Waits,
    /// It was made: guess and truth in words.
    Made(String),
}

/// How a guess is made.
pub const HOW_TO_GUESS: &str = "e early, o in the window, l late; or the glove's button: once in the window, \
                                twice early, three times late";

/// How a running bucket fares.
#[derive(Clone, Debug, PartialEq)]
pub struct LiveStatus {
    /// The link.
    pub link: LinkStatus,
    /// The club in use, once it was said.
    pub club: Option<String>,
    /// The nodes, hand first.
    pub nodes: Vec<NodeStatus>,
    /// The clocks, once both were compared.
    pub clocks: Option<ClockStatus>,
    /// The recording.
    pub recorder: RecorderStatus,
    /// Whether cues are heard.
    pub sound: SoundState,
    /// The player has muted them.
    pub muted: bool,
    /// Swings so far.
    pub swings: u64,
    /// How often each cue sounded.
    pub cues: Vec<(&'static str, u64)>,
    /// Frames that were damaged on their way.
    pub damaged: u64,
    /// The player's guess.
    pub guess: Guess,
    /// The part of the calibration that is asked for, while it goes on.
    pub calibration: Option<CalibrationStep>,
    /// What the glove's readings contradict, a sentence each.
    pub doubts: Vec<String>,
}

impl Default for LiveStatus {
    /// Before anything has happened.
    fn default() -> LiveStatus {
        LiveStatus {
            link: LinkStatus::Down,
            club: None,
            nodes: Vec::new(),
            clocks: None,
            recorder: RecorderStatus { running: true, ..RecorderStatus::default() },
            sound: SoundState::Silent,
            muted: false,
            swings: 0,
            cues: Vec::new(),
            damaged: 0,
            guess: Guess::NotAsked,
            calibration: None,
            doubts: Vec::new(),
        }
    }
}

/// Where the player is in the calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CalibrationStep {
    /// The part, counted from 1 …
    pub part: usize,
    /// … of so many.
    pub of: usize,
    /// What it asks for.
    pub words: &'static str,
}

impl CalibrationStep {
    /// The part in words.
    #[must_use]
    pub fn title(&self) -> String {
        format!("Calibration, part {} of {}", self.part, self.of)
    }
}

/// What stands in the place of the newest swing before there is one.
#[must_use]
pub fn before_the_first(review: &Review) -> String {
    let calibration = match review.analysis.calibration.as_ref().map(CalibrationQuality::grade) {
        None => "",
        Some(Grade::Good) => " The calibration is good.",
        Some(Grade::Usable) => " The calibration is usable.",
        Some(Grade::Poor) => " The calibration is not good enough: please repeat it.",
    };
    format!("Waiting for the first swing.{calibration}")
}

/// One thing about the glove: its name, how it stands, and whether it asks for attention.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fact {
    /// What it is about.
    pub name: &'static str,
    /// How it stands.
    pub words: String,
    /// The player should look after it.
    pub wrong: bool,
}

impl LiveStatus {
    /// What a player may want to know of the glove, in the order in which trouble matters.
    #[must_use]
    pub fn facts(&self) -> Vec<Fact> {
        let doubts = (!self.doubts.is_empty()).then(|| self.sensors());
        let others =
            [self.glove(), self.recording(), self.battery(), self.losses(), self.clocks(), self.sound()];
        doubts.into_iter().chain(others).collect()
    }

    fn sensors(&self) -> Fact {
        Fact { name: "Sensors", words: format!("DOUBTED: {}", self.doubts.join("; ")), wrong: true }
    }

    fn glove(&self) -> Fact {
        let late_s = self.nodes.iter().filter_map(|node| Some(node.clock?.latency_s)).fold(0.0, f64::max);
        let words = match self.link {
            LinkStatus::Down => "not connected; trying again".to_owned(),
            LinkStatus::Quiet => "connected, but silent".to_owned(),
            LinkStatus::Sending if late_s > LATE_S => {
                format!("connected, sending, but {} ms late: a crowded link?", number(late_s * 1e3, 0))
            }
            LinkStatus::Sending => "connected, sending".to_owned(),
        };
        Fact { name: "Glove", words, wrong: self.link != LinkStatus::Sending || late_s > LATE_S }
    }

    fn recording(&self) -> Fact {
        let RecorderStatus { running, waiting, refused, lag_us, .. } = self.recorder;
        let on_disk: u64 = self.nodes.iter().map(|node| node.on_disk).sum();
        let slow = lag_us >= SLOW_AFTER_US;
        let words = match (running, refused, slow) {
            (false, 0, _) => format!("STOPPED: no disk takes it; {waiting} pieces wait"),
            (false, _, _) => format!("STOPPED: no disk takes it; {refused} pieces are lost"),
            (true, 1.., _) => format!("running, but {refused} pieces found no room and are lost"),
            (true, 0, true) => {
                format!(
                    "SLOW DISK: nothing has reached it for {} s; {waiting} pieces wait",
                    lag_us / 1_000_000
                )
            }
            (true, 0, false) => format!("running; {on_disk} samples on the disk"),
        };
        Fact { name: "Recording", words, wrong: !running || refused > 0 || slow }
    }

    fn battery(&self) -> Fact {
        let told: Vec<(NodeRole, BatteryStatus)> =
            self.nodes.iter().filter_map(|node| Some((node.role, node.battery?))).collect();
        let one = |(role, battery): &(NodeRole, BatteryStatus)| {
            let percent = battery.percent.map_or_else(String::new, |percent| format!(" ({percent} %)"));
            let low = if battery.is_low() { ", LOW" } else { "" };
            format!("{} {:.2} V{percent}{low}", role.word(), battery.volts)
        };
        let words = if told.is_empty() { "not told".to_owned() } else { joined(told.iter().map(one)) };
        Fact { name: "Battery", words, wrong: told.iter().any(|(_, battery)| battery.is_low()) }
    }

    fn losses(&self) -> Fact {
        let lost = self.nodes.iter().filter(|node| node.missing > 0).map(|node| {
            let sent = node.sent();
            let percent = 100.0 * node.missing as f64 / sent.max(1) as f64;
            let lately = node.lost_lately.filter(|_| node.loses_many()).map_or_else(String::new, |share| {
                format!("; {} % of the last minute", number(100.0 * share, 1))
            });
            format!(
                "{} {} of {sent} samples missing ({percent:.2} %{lately})",
                node.role.word(),
                node.missing
            )
        });
        let mut lost: Vec<String> = lost.collect();
        if self.damaged > 0 {
            lost.push(format!("{} damaged frames", self.damaged));
        }
        let words = if lost.is_empty() { "none".to_owned() } else { joined(lost.into_iter()) };
        Fact { name: "Losses", words, wrong: self.nodes.iter().any(NodeStatus::loses_many) }
    }

    fn clocks(&self) -> Fact {
        let words = self.clocks.map_or_else(
            || self.clocks_seen_from_here(),
            |clocks| {
                let ppm = number(clocks.skew * 1e6, 1);
                let apart = clocks.offset_s.abs();
                let apart = match apart > APART_S {
                    true => format!("{} s", number(apart, 1)),
                    false => format!("{} ms", number(apart * 1e3, 1)),
                };
                let side = if clocks.offset_s < 0.0 { "behind" } else { "ahead of" };
                format!("forearm {apart} {side} hand, drift {ppm} ppm")
            },
        );
        Fact { name: "Clocks", words, wrong: false }
    }

    /// How fast the nodes' clocks run against this machine's, as long as they were not compared by the motion.
    fn clocks_seen_from_here(&self) -> String {
        let seen = self.nodes.iter().filter_map(|node| {
            let skew = node.clock?.skew;
            let [ppm, sd] = [skew.value, skew.sd].map(|skew| number(skew * 1e6, 0));
            Some(format!("{} {ppm} ± {sd} ppm", node.role.word()))
        });
        let seen = joined(seen);
        if seen.is_empty() {
            return "not compared yet".to_owned();
        }
        let against = format!("against this machine {seen}");
        // A glove of one node has nothing to compare.
        let compares = self.nodes.iter().any(|node| node.role == NodeRole::Forearm);
        if compares { format!("not compared by motion yet; {against}") } else { against }
    }

    fn sound(&self) -> Fact {
        let words = match (self.muted, self.sound) {
            (true, _) => "muted",
            (false, SoundState::Heard) => "on",
            (false, SoundState::Searching) => "looking for the sound server",
            (false, SoundState::Written) => "to a file",
            (false, SoundState::Silent) => "none",
        };
        Fact { name: "Sound", words: words.to_owned(), wrong: self.muted }
    }
}

fn joined(parts: impl Iterator<Item = String>) -> String {
    parts.collect::<Vec<_>>().join(", ")
}

/// The verdict at the set in words: against the arm travel that is usual for this player with this club.
#[must_use]
pub fn at_set_sentence(verdict: Verdict, told: &LiveCall) -> String {
    let club = wording::club_name(told.club.as_deref());
    let share = percent(told.call.arm_travel);
    let usual = number(told.call.usual_travel.to_degrees(), 0);
    format!("at the set: {}, at {share} % of your usual {usual}° of arm travel ({club})", verdict.said())
}

/// The newest swing for a view that is read from the mat.
#[derive(Clone, Debug, PartialEq)]
pub struct Latest {
    /// Number and club.
    pub title: String,
    /// How it came out.
    pub kind: Kind,
    /// Where its set lies.
    pub sentence: String,
    /// What nodes on the trunk tell of it, a sentence each.
    pub trunk: Vec<String>,
    /// Arm travel at the set.
    pub travel: Option<Measured>,
    /// Why it deserves less trust, in words.
    pub doubts: Vec<String>,
}

impl Latest {
    /// The newest swing, under its number in the bucket.
    #[must_use]
    pub fn of(review: &Review) -> Option<Latest> {
        let swing = review.analysis.swings.last()?;
        let number = review.newest_number();
        Some(Latest {
            title: format!("Swing {number}, {}", wording::club_name(swing.club.as_deref())),
            kind: Kind::of(review, swing),
            sentence: set_sentence(swing),
            travel: swing.set.map(|set| set.arm_travel_at_set),
            trunk: wording::trunk_sentences(swing),
            doubts: wording::doubts(swing),
        })
    }
}

/// The swings so far with the club that is in use.
#[derive(Clone, Debug, PartialEq)]
pub struct ClubSoFar {
    /// The club in words.
    pub club: String,
    /// Its window.
    pub window: Option<TargetWindow>,
    /// The newest swing was with it.
    pub has_newest: bool,
    /// How its swings came out, in order.
    pub kinds: Vec<Kind>,
    /// What they have in common.
    pub sentence: String,
    /// Where they are going.
    pub trend: String,
}

impl ClubSoFar {
    /// Looks at the club that was said last, or else the newest swing's.
    #[must_use]
    pub fn of(review: &Review, said: Option<&str>) -> ClubSoFar {
        let swings = &review.analysis.swings;
        let club = said.map(str::to_owned).or_else(|| swings.last().and_then(|swing| swing.club.clone()));
        let of_club = swings.iter().filter(|swing| swing.club == club);
        let kinds: Vec<Kind> = of_club.map(|swing| Kind::of(review, swing)).collect();
        let groups = Summary::of(review).clubs;
        let group = groups.into_iter().find(|(name, _)| *name == club).map(|(_, group)| group);
        let median = group.as_ref().and_then(|group| group.set_to_top_ms);
        let share = group.as_ref().and_then(|group| group.in_window);
        let mut sentence = counted(kinds.len(), "swing");
        if let Some(share) = share {
            sentence += &format!(", {} of {} in the window", share.hits, share.n);
        }
        if let Some(spread) = median.filter(|spread| spread.n > 1) {
            sentence += &format!("; the middle one is set {}", wording::against_top(spread.median));
        }
        let trend = match group.and_then(|group| group.set_trend_ms) {
            Some(trend) if trend.clear => {
                let side = if trend.per_swing > 0.0 { "later" } else { "earlier" };
                format!("the set comes {side} by about {} ms a swing", number(trend.per_swing.abs(), 1))
            }
            Some(_) => "no clear trend".to_owned(),
            None => format!("a trend needs {} sets with one club", super::statistics::SMALL_SAMPLE),
        };
        ClubSoFar {
            has_newest: swings.last().is_some_and(|newest| newest.club == club),
            window: review.windows.for_club(club.as_deref()),
            club: wording::club_name(club.as_deref()),
            kinds,
            sentence,
            trend,
        }
    }

    /// The window in words.
    #[must_use]
    pub fn window_words(&self) -> String {
        self.window.map_or_else(
            || "no window for this club".to_owned(),
            |window| format!("{} to {} % of the arm's travel", percent(window.from), percent(window.to)),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lost_sample_is_told_and_only_many_of_the_last_minute_are_trouble() {
        let losses = |missing, lost_lately| {
            let node =
                NodeStatus { received: 30_000, missing, lost_lately, ..NodeStatus::silent(NodeRole::Hand) };
            LiveStatus { nodes: vec![node], ..LiveStatus::default() }.losses()
        };
        let few = losses(1, Some(0.0001));
        assert_eq!((few.words.as_str(), few.wrong), ("hand 1 of 30001 samples missing (0.00 %)", false));
        assert!(!losses(900, None).wrong && !losses(900, Some(0.0)).wrong, "long ago, or too soon to say");
        let many = losses(310, Some(0.0123));
        assert_eq!(many.words, "hand 310 of 30310 samples missing (1.02 %; 1.2 % of the last minute)");
        assert!(many.wrong);
    }
}
