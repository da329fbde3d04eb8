//! Who hears what when: from verdicts, and what the player says, to cues. Pure; time is an argument.

use super::cue_of;
use crate::detect::{Class, LiveCall, SetTimes, Stage, Swing, TargetWindow, Verdict};
use crate::record::feedback_settings::{FeedbackMode, FeedbackSettings};
use crate::review::live::{Guess, HOW_TO_GUESS};
use crate::review::{Review, Windows};
use crate::sample::{Arrival, Marker};
use crate::tone::Cue;
use crate::units::HostTime;

/// Presses of the glove's button that lie closer together than this belong together, s.
const PRESSES_WITHIN_S: f64 = 0.7;

/// What is to be done now: a cue to play, a sentence to tell.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Heard {
    /// The cue.
    pub cue: Option<Cue>,
    /// The sentence.
    pub sentence: Option<String>,
}

/// A finished swing, as far as it is told.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Finished {
    /// Its verdict; none where it cannot be judged.
    pub verdict: Option<Verdict>,
    /// How far its set lies from the middle of the window, arm travel; none without a set or a window.
    pub off_middle: Option<f64>,
}

impl Finished {
    /// Of a measured swing.
    #[must_use]
    pub fn of(review: &Review, swing: &Swing) -> Finished {
        let window = review.windows.for_club(swing.club.as_deref());
        let set = swing.set.filter(|_| swing.class != Class::AfterTop);
        let off = |(window, set): (TargetWindow, SetTimes)| {
            set.arm_travel_at_set.value - 0.5 * (window.from + window.to)
        };
        Finished {
            verdict: review.verdict(swing).map(|judged| judged.verdict),
            off_middle: window.zip(set).map(off),
        }
    }
}

/// What is known of a set while the swing goes on, against the player's window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Foretold {
    /// The verdict.
    pub verdict: Verdict,
    /// It lies clear of the window's edges.
    pub clear: bool,
    /// What it is based on.
    pub stage: Stage,
    /// Nothing was said of this motion before.
    pub first: bool,
}

impl Foretold {
    /// Of a call; none where the club has no window.
    #[must_use]
    pub fn of(windows: &Windows, told: &LiveCall) -> Option<Foretold> {
        let window = windows.for_club(told.club.as_deref())?;
        let after_top = told.call.class == Class::AfterTop;
        Some(Foretold {
            verdict: window.verdict(Some(told.call.arm_travel), after_top),
            clear: told.call.is_clear_of(&[window.from, window.to]),
            stage: told.call.stage,
            first: told.first,
        })
    }
}

/// Why nothing was heard at a set that was seen.
pub const NEAR_EDGE: &str = "the set lay too near an edge of the window to be said while you swung";

/// The state of one bucket's feedback.
#[derive(Clone, Debug)]
pub struct Feedback {
    settings: FeedbackSettings,
    /// The verdict that was heard of the swing in hand.
    heard: Option<Verdict>,
    /// Its set was seen, but not said.
    near_edge: bool,
    /// Swings that were finished.
    swings: u32,
    /// Share of a cue that is owed.
    owed: f64,
    /// A swing whose verdict waits for the player's guess.
    waiting: Option<Verdict>,
    /// What the newest swing was guessed to be, and what it was.
    guessed: Option<String>,
    presses: Option<(u32, HostTime)>,
}

impl Feedback {
    /// Feedback by these settings, before the first swing.
    #[must_use]
    pub fn new(settings: FeedbackSettings) -> Feedback {
        Feedback {
            settings,
            heard: None,
            near_edge: false,
            swings: 0,
            owed: 0.0,
            waiting: None,
            guessed: None,
            presses: None,
        }
    }

    /// The set was told while the swing goes on. At the set it sounds, unless it lies too near an edge of the
    /// window to be sure; when the top tells otherwise, that is said without a sound: the downswing is no moment
    /// for one.
    pub fn at_set(&mut self, foretold: Foretold) -> Heard {
        let Foretold { verdict, clear, stage, first } = foretold;
        if first {
            // What was heard of a motion that was broken off is not this one's.
            (self.heard, self.near_edge) = (None, false);
        }
        if self.settings.mode != FeedbackMode::AtSet {
            return Heard::default();
        }
        if self.heard.is_none() && !(clear && stage == Stage::AtSet) {
            self.near_edge |= stage == Stage::AtSet;
            return Heard::default();
        }
        match self.heard.replace(verdict) {
            None => Heard { cue: Some(cue_of(verdict)), sentence: None },
            Some(before) if before != verdict => {
                let sentence = format!("corrected: {}, not {}", verdict.said(), before.said());
                Heard { cue: None, sentence: Some(sentence) }
            }
            Some(_) => Heard::default(),
        }
    }

    /// A swing is over and measured. `silence` says why its set was not told before, if it was not.
    pub fn after_swing(&mut self, swing: &Finished, silence: Option<String>) -> Heard {
        self.swings = self.swings.saturating_add(1);
        let of_this = silence.is_none();
        let heard = self.heard.take().filter(|_| of_this);
        let near_edge = (std::mem::take(&mut self.near_edge) && of_this).then(|| NEAR_EDGE.to_owned());
        (self.waiting, self.guessed, self.presses) = (None, None, None);
        let Some(verdict) = swing.verdict else { return Heard::default() };
        let cue = Heard { cue: Some(cue_of(verdict)), sentence: None };
        match self.settings.mode {
            FeedbackMode::AfterSwing => cue,
            FeedbackMode::AtSet => {
                Heard { cue: None, sentence: corrected(heard, verdict).or(near_edge).or(silence) }
            }
            FeedbackMode::OutsideBand => {
                let inside = swing.off_middle.is_some_and(|off| off.abs() <= self.settings.band);
                if inside && verdict != Verdict::NoSet { Heard::default() } else { cue }
            }
            FeedbackMode::Fading => self.faded(cue),
            FeedbackMode::GuessFirst => {
                self.waiting = Some(verdict);
                Heard { cue: None, sentence: Some(format!("your guess: {HOW_TO_GUESS}")) }
            }
        }
    }

    /// Heard so often that the cues of any run of swings add up to the share asked for.
    fn faded(&mut self, cue: Heard) -> Heard {
        let FeedbackSettings { fade_to, fade_over, .. } = self.settings;
        let part = f64::from(self.swings - 1) / f64::from(fade_over.max(1));
        self.owed += 1.0 - (1.0 - fade_to) * part.min(1.0);
        // Shares add up with rounding; a cue that is owed but for that is owed.
        if self.owed < 1.0 - 1e-9 {
            return Heard::default();
        }
        self.owed -= 1.0;
        cue
    }

    /// The newest swing waits for the player's guess: nothing may show before what it was.
    #[must_use]
    pub fn waits(&self) -> bool {
        self.waiting.is_some()
    }

    /// How it stands with the guess of the newest swing.
    #[must_use]
    pub fn asked(&self) -> Guess {
        match (&self.waiting, &self.guessed) {
            (Some(_), _) => Guess::Waits,
            (None, Some(sentence)) => Guess::Made(sentence.clone()),
            (None, None) => Guess::NotAsked,
        }
    }

    /// The player's guess; what the swing was is heard then.
    pub fn guess(&mut self, guess: Verdict) -> Heard {
        let Some(verdict) = self.waiting.take() else {
            return Heard { cue: None, sentence: Some("no swing waits for a guess".to_owned()) };
        };
        let answer = match verdict {
            verdict if verdict == guess => "right".to_owned(),
            Verdict::NoSet => "no set was found".to_owned(),
            verdict => format!("it was {}", verdict.said()),
        };
        let sentence = format!("guessed {}: {answer}", guess.said());
        self.guessed = Some(sentence.clone());
        Heard { cue: Some(cue_of(verdict)), sentence: Some(sentence) }
    }

    /// The glove's button was pressed: as many presses as the cue has pulses.
    pub fn pressed(&mut self, now: HostTime) {
        if self.waiting.is_some() {
            let before = self.presses.map_or(0, |(count, _)| count);
            self.presses = Some((before.saturating_add(1), now));
        }
    }

    /// Some time has passed: presses that belong together are a guess.
    pub fn tick(&mut self, now: HostTime) -> Heard {
        let Some((count, _)) = self.presses.filter(|(_, last)| now.seconds_since(*last) > PRESSES_WITHIN_S)
        else {
            return Heard::default();
        };
        self.presses = None;
        match count {
            1 => self.guess(Verdict::InWindow),
            2 => self.guess(Verdict::Early),
            3 => self.guess(Verdict::Late),
            _ => Heard { cue: None, sentence: Some("press once, twice or three times to guess".to_owned()) },
        }
    }
}

fn corrected(heard: Option<Verdict>, verdict: Verdict) -> Option<String> {
    let before = heard.filter(|before| *before != verdict)?;
    Some(format!("corrected: {}, not {}", verdict.said(), before.said()))
}

/// The glove's button was pressed shortly.
#[must_use]
pub fn is_press(arrival: &Arrival) -> bool {
    let Arrival::Marker { marker: Marker::Note { kind, value }, .. } = arrival else { return false };
    kind == "button" && value.split_whitespace().last() == Some("press")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn feedback(mode: FeedbackMode) -> Feedback {
        Feedback::new(FeedbackSettings { mode, ..FeedbackSettings::default() })
    }

    fn swing(verdict: Verdict, off_middle: f64) -> Finished {
        Finished { verdict: Some(verdict), off_middle: Some(off_middle) }
    }

    fn foretold(verdict: Verdict) -> Foretold {
        Foretold { verdict, clear: true, stage: Stage::AtSet, first: true }
    }

    /// The second word on the same motion.
    fn at_top(verdict: Verdict) -> Foretold {
        Foretold { stage: Stage::AtTop, first: false, ..foretold(verdict) }
    }

    /// What is told of one motion, one word after the other.
    fn one_motion(calls: &[usize]) -> impl Iterator<Item = Foretold> {
        let told =
            |(place, call): (usize, &usize)| Foretold { first: place == 0, ..foretold(VERDICTS[*call]) };
        calls.iter().enumerate().map(told)
    }

    const VERDICTS: [Verdict; 4] = [Verdict::Early, Verdict::InWindow, Verdict::Late, Verdict::NoSet];

    #[test]
    fn a_cue_is_called_as_the_verdict_that_it_tells() {
        for verdict in VERDICTS {
            assert_eq!(cue_of(verdict).word(), verdict.word());
        }
    }

    #[test]
    fn at_the_set_the_first_call_sounds_and_a_second_corrects_in_words() {
        let mut feedback = feedback(FeedbackMode::AtSet);
        assert_eq!(feedback.at_set(foretold(Verdict::Early)).cue, Some(Cue::Early));
        assert_eq!(feedback.at_set(at_top(Verdict::Early)), Heard::default());
        let corrected = feedback.at_set(at_top(Verdict::InWindow));
        assert_eq!(
            (corrected.cue, corrected.sentence.as_deref()),
            (None, Some("corrected: in the window, not early"))
        );
        assert_eq!(feedback.after_swing(&swing(Verdict::InWindow, 0.0), None), Heard::default());
        assert_eq!(
            feedback.at_set(foretold(Verdict::Late)).cue,
            Some(Cue::Late),
            "the next swing sounds again"
        );
    }

    #[test]
    fn near_an_edge_nothing_is_said_at_the_set_nor_at_the_top() {
        let mut feedback = feedback(FeedbackMode::AtSet);
        assert_eq!(feedback.at_set(Foretold { clear: false, ..foretold(Verdict::Early) }), Heard::default());
        assert_eq!(
            feedback.at_set(at_top(Verdict::InWindow)),
            Heard::default(),
            "the top is no moment for a first sound"
        );
        let heard = feedback.after_swing(&swing(Verdict::InWindow, 0.0), None);
        assert_eq!(heard, Heard { cue: None, sentence: Some(NEAR_EDGE.to_owned()) });
        assert_eq!(
            feedback.at_set(foretold(Verdict::Late)).cue,
            Some(Cue::Late),
            "the next swing sounds again"
        );
    }

    #[test]
    fn what_was_heard_of_a_backswing_that_was_broken_off_is_not_the_next_swings() {
        let mut feedback = feedback(FeedbackMode::AtSet);
        let late = Heard { cue: Some(Cue::Late), sentence: None };
        assert_eq!(feedback.at_set(foretold(Verdict::Late)), late, "broken off after this");
        assert_eq!(feedback.at_set(foretold(Verdict::Late)), late, "the next one is heard by itself");
        let heard = feedback.after_swing(&swing(Verdict::Early, -0.2), Some("why".to_owned()));
        assert_eq!(heard.sentence.as_deref(), Some("why"), "nothing was told of the one that was measured");
    }

    #[test]
    fn at_the_set_a_swing_without_a_call_stays_silent_and_says_why() {
        let heard =
            feedback(FeedbackMode::AtSet).after_swing(&swing(Verdict::Late, 0.3), Some("why".to_owned()));
        assert_eq!(heard, Heard { cue: None, sentence: Some("why".to_owned()) });
    }

    #[test]
    fn inside_the_band_it_is_silent() {
        let mut feedback = feedback(FeedbackMode::OutsideBand);
        assert_eq!(feedback.after_swing(&swing(Verdict::Late, 0.15), None).cue, None);
        assert_eq!(feedback.after_swing(&swing(Verdict::Late, 0.16), None).cue, Some(Cue::Late));
        assert_eq!(feedback.after_swing(&swing(Verdict::Early, -0.2), None).cue, Some(Cue::Early));
        let none = Finished { verdict: Some(Verdict::NoSet), off_middle: None };
        assert_eq!(feedback.after_swing(&none, None).cue, Some(Cue::NoSet));
    }

    #[test]
    fn a_guess_comes_first_and_is_asked_once() {
        let mut feedback = feedback(FeedbackMode::GuessFirst);
        assert_eq!(feedback.guess(Verdict::Early).cue, None);
        assert_eq!(feedback.asked(), Guess::NotAsked);
        assert_eq!(feedback.after_swing(&swing(Verdict::Late, 0.3), None).cue, None);
        assert_eq!(feedback.asked(), Guess::Waits);
        let heard = feedback.guess(Verdict::Early);
        assert_eq!(feedback.asked(), Guess::Made("guessed early: it was late".to_owned()));
        assert_eq!(
            (heard.cue, heard.sentence.as_deref()),
            (Some(Cue::Late), Some("guessed early: it was late"))
        );
        assert_eq!(feedback.guess(Verdict::Late).cue, None);
        for (verdict, said) in [
            (Verdict::InWindow, "guessed in the window: right"),
            (Verdict::Early, "guessed in the window: it was early"),
            (Verdict::NoSet, "guessed in the window: no set was found"),
        ] {
            feedback.after_swing(&swing(verdict, 0.3), None);
            assert_eq!(feedback.guess(Verdict::InWindow).sentence.unwrap(), said);
        }
    }

    #[test]
    fn a_swing_without_a_guess_does_not_lend_its_verdict_to_the_next() {
        let mut feedback = feedback(FeedbackMode::GuessFirst);
        feedback.after_swing(&swing(Verdict::Late, 0.3), None);
        feedback.pressed(HostTime(0));
        feedback.after_swing(&Finished { verdict: None, off_middle: None }, None);
        assert_eq!(feedback.asked(), Guess::NotAsked, "this one cannot be judged");
        assert_eq!(
            feedback.tick(HostTime(5_000_000)),
            Heard::default(),
            "the press was for the swing before"
        );
        assert_eq!(feedback.guess(Verdict::Late).cue, None);
    }

    #[test]
    fn presses_count_as_the_cue_has_pulses() {
        for (count, guess) in [(1, "in the window"), (2, "early"), (3, "late")] {
            let mut feedback = feedback(FeedbackMode::GuessFirst);
            feedback.pressed(HostTime(0));
            assert_eq!(feedback.tick(HostTime(5_000_000)), Heard::default(), "no swing waits");
            feedback.after_swing(&swing(Verdict::Late, 0.3), None);
            for press in 0..count {
                feedback.pressed(HostTime(6_000_000 + press * 300_000));
            }
            let last = 6_000_000 + (count - 1) * 300_000;
            assert_eq!(feedback.tick(HostTime(last + 600_000)), Heard::default());
            let heard = feedback.tick(HostTime(last + 800_000));
            assert!(heard.sentence.unwrap().starts_with(&format!("guessed {guess}:")));
            assert_eq!(heard.cue, Some(Cue::Late));
        }
    }

    proptest! {
        #[test]
        fn a_falling_share_of_swings_is_heard(fade_to in 0.0..=1.0_f64, fade_over in 1_u32..60) {
            let settings = FeedbackSettings { mode: FeedbackMode::Fading, fade_to, fade_over, ..FeedbackSettings::default() };
            let mut feedback = Feedback::new(settings);
            let heard: Vec<bool> =
                (0..200).map(|_| feedback.after_swing(&swing(Verdict::Early, 0.3), None).cue.is_some()).collect();
            prop_assert!(heard[0], "the first is heard");
            let late = heard[100..].iter().filter(|heard| **heard).count() as f64;
            prop_assert!((late - 100.0 * fade_to).abs() <= 1.001, "{late} of 100");
        }

        #[test]
        fn only_the_mode_at_the_set_sounds_before_the_swing_is_over(calls in prop::collection::vec(0_usize..4, 1..20)) {
            for mode in FeedbackMode::ALL {
                let mut feedback = feedback(mode);
                let sounds = one_motion(&calls).filter(|call| feedback.at_set(*call).cue.is_some()).count();
                prop_assert_eq!(sounds, usize::from(mode == FeedbackMode::AtSet));
            }
        }

        #[test]
        fn a_swing_sounds_at_most_once(mode in 0_usize..5, calls in prop::collection::vec(0_usize..4, 0..4), last in 0_usize..4, off in -0.5..0.5_f64) {
            let mut feedback = feedback(FeedbackMode::ALL[mode]);
            let mut sounds = one_motion(&calls).filter(|call| feedback.at_set(*call).cue.is_some()).count();
            sounds += usize::from(feedback.after_swing(&swing(VERDICTS[last], off), None).cue.is_some());
            sounds += usize::from(feedback.guess(Verdict::Early).cue.is_some());
            prop_assert!(sounds <= 1);
        }
    }
}
