//! What the player or coach may say to a running bucket, a line at a time.

use crate::detect::Verdict;
use thiserror::Error;

/// One thing said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Control {
    /// From here on the player uses this club.
    Club(String),
    /// Lead the player through the calibration.
    Calibrate,
    /// What the player felt the last swing to be.
    Guess(Verdict),
    /// Remember this moment, with a word or two.
    Mark(String),
    /// Keep the cues silent, or let them sound again.
    Mute,
    /// End the bucket.
    Stop,
}

/// What may be typed, for help texts and errors.
pub const CONTROLS: &str = "club NAME, calibrate, mark TEXT, mute, e, o, l, stop";

/// A line that says nothing known.
#[derive(Debug, Error, PartialEq, Eq)]
#[error("expected one of: {CONTROLS}; found {found:?}")]
pub struct ControlError {
    found: String,
}

/// Longest name of a club or text of a mark, in characters.
pub const LONGEST: usize = 60;

/// Reads a line. An empty one says nothing.
///
/// # Errors
/// The line is none of [`CONTROLS`].
pub fn parse(line: &str) -> Result<Option<Control>, ControlError> {
    let line = line.trim();
    let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    let rest: String = rest.trim().chars().filter(|c| !c.is_control()).take(LONGEST).collect();
    match (word, rest.is_empty()) {
        ("", _) => Ok(None),
        ("club", false) => Ok(Some(Control::Club(rest))),
        ("mark", false) => Ok(Some(Control::Mark(rest))),
        ("calibrate", true) => Ok(Some(Control::Calibrate)),
        ("e", true) => Ok(Some(Control::Guess(Verdict::Early))),
        ("o", true) => Ok(Some(Control::Guess(Verdict::InWindow))),
        ("l", true) => Ok(Some(Control::Guess(Verdict::Late))),
        ("mute", true) => Ok(Some(Control::Mute)),
        ("stop", true) => Ok(Some(Control::Stop)),
        _ => Err(ControlError { found: line.chars().take(LONGEST).collect() }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_understood_or_named() {
        assert_eq!(parse("  club  7 iron "), Ok(Some(Control::Club("7 iron".to_owned()))));
        assert_eq!(parse("mark a\u{1b}[31m b"), Ok(Some(Control::Mark("a[31m b".to_owned()))));
        assert_eq!(parse("o"), Ok(Some(Control::Guess(Verdict::InWindow))));
        assert_eq!(parse("calibrate\n"), Ok(Some(Control::Calibrate)));
        assert_eq!(parse(" "), Ok(None));
        let error = parse("club").unwrap_err().to_string();
        assert_eq!(
            error,
            "expected one of: club NAME, calibrate, mark TEXT, mute, e, o, l, stop; found \"club\""
        );
    }
}
