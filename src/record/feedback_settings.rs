//! When a player hears a cue: a choice of the settings file.

use serde::{Deserialize, Serialize};
use std::str::FromStr;

/// Who hears what when.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FeedbackMode {
    /// At the moment of the set, foretold from the player's own swings.
    AtSet,
    /// After every swing.
    #[default]
    AfterSwing,
    /// After swings whose set lies outside a band around the middle of the window.
    OutsideBand,
    /// After a share of the swings that falls.
    Fading,
    /// After a swing, once the player has guessed.
    GuessFirst,
}

impl FeedbackMode {
    /// Every mode.
    pub const ALL: [FeedbackMode; 5] = [
        FeedbackMode::AtSet,
        FeedbackMode::AfterSwing,
        FeedbackMode::OutsideBand,
        FeedbackMode::Fading,
        FeedbackMode::GuessFirst,
    ];

    /// Its word in settings and on the command line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            FeedbackMode::AtSet => "at-set",
            FeedbackMode::AfterSwing => "after-swing",
            FeedbackMode::OutsideBand => "outside-band",
            FeedbackMode::Fading => "fading",
            FeedbackMode::GuessFirst => "guess-first",
        }
    }
}

impl FromStr for FeedbackMode {
    type Err = String;

    fn from_str(text: &str) -> Result<FeedbackMode, String> {
        let known = FeedbackMode::ALL.into_iter().find(|mode| mode.word() == text);
        known.ok_or_else(|| {
            format!("expected {}, found {text:?}", FeedbackMode::ALL.map(FeedbackMode::word).join(", "))
        })
    }
}

/// Which number of a swing is spoken after its cue.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Speak {
    /// None.
    #[default]
    Nothing,
    /// The set against the top, ms.
    Set,
    /// Arm travel at the set, percent.
    Travel,
}

impl FromStr for Speak {
    type Err = String;

    fn from_str(text: &str) -> Result<Speak, String> {
        match text {
            "nothing" => Ok(Speak::Nothing),
            "set" => Ok(Speak::Set),
            "travel" => Ok(Speak::Travel),
            _ => Err(format!("expected nothing, set or travel, found {text:?}")),
        }
    }
}

/// The mode and its numbers.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FeedbackSettings {
    /// The mode.
    pub mode: FeedbackMode,
    /// Half-width of the band around the middle of the window, arm travel.
    pub band: f64,
    /// The share of swings that is heard in the end.
    pub fade_to: f64,
    /// It is reached after so many swings.
    pub fade_over: u32,
    /// The number that is spoken.
    pub speak: Speak,
}

impl Default for FeedbackSettings {
    fn default() -> FeedbackSettings {
        let speak = Speak::default();
        FeedbackSettings { mode: FeedbackMode::default(), band: 0.15, fade_to: 0.5, fade_over: 30, speak }
    }
}
