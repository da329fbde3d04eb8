//! What a reader sees of a bucket: the JSON object, the table, the statistics, the page.
//!
//! Everything here works on a [`Review`], never on samples, and does no I/O but for the web server's edge
//! in [`serve`].

mod body_json;
mod calibration_json;
pub mod compare;
pub mod exchange;
pub mod figure;
pub mod goes_with;
pub mod json;
pub mod live;
pub mod load;
pub mod motion;
pub mod over_buckets;
pub mod page;
pub mod raw;
pub mod remarked;
pub mod report;
pub mod serve;
pub mod speed;
pub mod statistics;
pub mod summary;
pub mod table;
pub mod together;
pub mod trace;
pub mod trunk_angles;
pub(crate) mod wording;

pub use wording::clean;

use crate::detect::{BucketAnalysis, Class, SetCall, Swing, TargetWindow, Verdict};
use crate::record::library::remarks::Standing;
use crate::record::measures::{Measures, of_club};
use crate::units::{DeviceTime, Measured};
use std::collections::BTreeMap;

/// Said once on every output: what the angles count from.
pub const ANGLE_REFERENCE: &str = "address pose";
/// The one kind of club that has no usual measures: nobody asks for the speed of its swing.
const UNMEASURED_KIND: &str = "putter";

/// The target windows of one player: by club, and one for every other club.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Windows {
    /// By the club's name as the club markers give it, or by a word of it (`7 iron` is an iron), as its measures.
    pub by_club: BTreeMap<String, TargetWindow>,
    /// For a club without its own window, and for swings whose club was not said.
    pub otherwise: Option<TargetWindow>,
}

impl Windows {
    /// The window for a club, if the player has one.
    #[must_use]
    pub fn for_club(&self, club: Option<&str>) -> Option<TargetWindow> {
        let known = club.and_then(|name| of_club(&self.by_club, name));
        known.copied().or(self.otherwise)
    }

    /// What there is to say of a club that has no window of its own, after its name: that may be misspelt.
    #[must_use]
    pub fn lacking(&self, club: &str) -> Option<String> {
        let known = self.by_club.keys().map(String::as_str).collect::<Vec<_>>().join(", ");
        let lacks = !known.is_empty() && of_club(&self.by_club, club).is_none();
        lacks.then(|| format!("no window of its own, the middle class counts; windows: {known}"))
    }

    /// The same behind the club's name, as a sentence.
    #[must_use]
    pub fn named_lacking(&self, club: &str) -> Option<String> {
        self.lacking(club).map(|words| format!("{}: {words}", wording::club_name(Some(club))))
    }
}

/// What the live path said about one swing, and when.
#[derive(Clone, Debug, PartialEq)]
pub struct LiveCue {
    /// The cue's word.
    pub cue: String,
    /// When it went out, on the hand node's clock.
    pub at: DeviceTime,
    /// What was known then, where the swing was still going on.
    pub known: Option<KnownAtSet>,
}

/// The set as it was known at the moment of the set.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownAtSet {
    /// The set, on the hand node's clock.
    pub set: DeviceTime,
    /// Arm travel at the set, as a share of the usual one at the top.
    pub arm_travel_at_set: Measured,
    /// Arm travel at the top that is usual for this player with this club, degrees.
    pub usual_arm_travel_deg: f64,
    /// The class.
    pub class: Class,
}

impl LiveCue {
    /// A cue that went out when the swing was over.
    #[must_use]
    pub fn after(cue: &str, at: DeviceTime) -> LiveCue {
        LiveCue { cue: cue.to_owned(), at, known: None }
    }

    /// A cue that went out at the moment of the set.
    #[must_use]
    pub fn at_set(cue: &str, call: &SetCall) -> LiveCue {
        let known = KnownAtSet {
            set: call.set,
            arm_travel_at_set: Measured::new(call.arm_travel, call.arm_travel_sd),
            usual_arm_travel_deg: call.usual_travel.to_degrees(),
            class: call.class,
        };
        LiveCue { cue: cue.to_owned(), at: call.decided_at, known: Some(known) }
    }
}

/// A bucket and what its reader has to know beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct Review {
    /// What was analysed: the name of the recording or file.
    pub input: String,
    /// The player's name, where known.
    pub player: Option<String>,
    /// What was measured.
    pub analysis: BucketAnalysis,
    /// The number of the first swing in it, from 1: of a very long bucket that runs only the newest are kept.
    pub first_number: usize,
    /// What counts as early and late for this player.
    pub windows: Windows,
    /// Arm and clubs, for speeds; or why they are not known.
    pub measures: Result<Measures, String>,
    /// On the live path, the cue of each swing in order; empty otherwise.
    pub cues: Vec<Option<LiveCue>>,
    /// What people said of each swing in order; empty where nobody was asked.
    pub standing: Vec<Standing>,
    /// What people said of the bucket as a whole.
    pub of_bucket: Standing,
}

/// What a player's swings are judged and worked out by.
#[derive(Clone, Debug, PartialEq)]
pub struct OfPlayer {
    /// What counts as early and late.
    pub windows: Windows,
    /// Arm and clubs, for speeds; or what is wrong with what the player's file says, so that nothing is worked out
    /// by other measures than the player's.
    pub measures: Result<Measures, String>,
}

impl Review {
    /// The same review by these windows and measures. What is wrong with them is told among the notes.
    #[must_use]
    pub fn of_player(mut self, known: OfPlayer) -> Review {
        self.analysis.notes.extend(known.measures.clone().err());
        Review { windows: known.windows, measures: known.measures, ..self }
    }

    /// A review without a player, windows or cues.
    #[must_use]
    pub fn new(input: &str, analysis: BucketAnalysis) -> Review {
        Review {
            input: input.to_owned(),
            player: None,
            analysis,
            first_number: 1,
            windows: Windows::default(),
            measures: Ok(Measures::default()),
            cues: Vec::new(),
            standing: Vec::new(),
            of_bucket: Standing::default(),
        }
    }

    /// What there is to say of the bucket: the analysis's notes, and each club without a window of its own whose name says
    /// nothing, since it may be misspelt. Who plays a hybrid and wants no window for it has heard so while playing.
    #[must_use]
    pub fn notes(&self) -> Vec<String> {
        let clubs = summary::in_order(self.analysis.swings.iter().filter_map(|swing| swing.club.as_deref()));
        let nameless = clubs.into_iter().filter(|club| !self.is_a_club(club));
        let lacking = nameless.filter_map(|club| self.windows.named_lacking(club));
        self.analysis.notes.iter().cloned().chain(lacking).collect()
    }

    /// Whether a name is that of a club of the player's, or of a kind of club.
    fn is_a_club(&self, name: &str) -> bool {
        let is_measured = self.measures.as_ref().is_ok_and(|measures| measures.club(name).is_some());
        is_measured || name.to_lowercase().split_whitespace().any(|word| word == UNMEASURED_KIND)
    }

    /// The number in the bucket of the swing at this place, counted from 0.
    #[must_use]
    pub fn number(&self, place: usize) -> usize {
        self.first_number + place
    }

    /// The place of the swing with this number; none where there is no such swing, or it is not kept any more.
    #[must_use]
    pub fn place(&self, number: usize) -> Option<usize> {
        number.checked_sub(self.first_number).filter(|place| *place < self.analysis.swings.len())
    }

    /// The swing with this number, if it is kept.
    #[must_use]
    pub fn swing(&self, number: usize) -> Option<&Swing> {
        self.analysis.swings.get(self.place(number)?)
    }

    /// The number of the newest swing; 0 where there was none yet.
    #[must_use]
    pub fn newest_number(&self) -> usize {
        (self.first_number + self.analysis.swings.len()).saturating_sub(1)
    }

    /// Takes a swing of a running bucket; where they are more than `most` the oldest goes, and the others keep
    /// their numbers.
    pub fn keep(&mut self, swing: Swing, cue: Option<LiveCue>, most: usize) {
        self.analysis.swings.push(swing);
        self.cues.push(cue);
        if self.analysis.swings.len() > most {
            self.analysis.swings.remove(0);
            self.cues.remove(0);
            self.first_number += 1;
        }
    }

    /// The set of a swing against the window of its club; `None` where there is no window, or where the set
    /// could not be measured.
    #[must_use]
    pub fn verdict(&self, swing: &Swing) -> Option<Judged> {
        // A wrist that nobody saw was not set late.
        swing.hinge_deg.top?;
        let window = self.windows.for_club(swing.club.as_deref())?;
        Some(Judged::new(window, swing))
    }
}

/// A verdict, and whether the measurement is good enough to be sure of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Judged {
    /// The set against the window.
    pub verdict: Verdict,
    /// An edge of the window lies within one standard deviation of the measured arm travel.
    pub close: bool,
}

impl Judged {
    fn new(window: TargetWindow, swing: &Swing) -> Judged {
        let travel = swing.set.map(|set| set.arm_travel_at_set);
        let after_top = swing.class == Class::AfterTop;
        let near = |m: Measured| [window.from, window.to].iter().any(|edge| (edge - m.value).abs() <= m.sd);
        Judged {
            verdict: window.verdict(travel.map(|m| m.value), after_top),
            close: !after_top && travel.is_some_and(near),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_club_has_its_own_window_or_that_of_its_kind_or_the_usual_one() {
        let window = |from| TargetWindow { from, to: 1.0 };
        let by_club =
            [("iron", window(0.1)), ("iron 7", window(0.2))].map(|(club, w)| (club.to_owned(), w)).into();
        let windows = Windows { by_club, otherwise: Some(window(0.3)) };
        let from = |club| windows.for_club(club).map(|window| window.from);
        assert_eq!(from(Some("iron 7")), Some(0.2));
        assert_eq!(from(Some("Iron 9")), Some(0.1));
        assert_eq!(from(Some("7 Iron")), Some(0.1));
        assert_eq!(from(Some("spoon")), Some(0.3));
        assert_eq!(from(None), Some(0.3));
    }
}
