//! What stands in a window that is too small for all: text is broken between words, and where there are too few rows
//! what matters least goes first. A mark tells that something is left out. Pure.

use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use std::cmp::Reverse;

/// Tells that something is left out.
const MARK: &str = "…";
/// Windows lower than this have no row to spare for the mark.
const LEAST_ROWS_FOR_MARK: usize = 4;

/// How much a row matters, the least first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Worth {
    /// Nothing stands in it.
    Blank,
    /// The player and the recording.
    Heading,
    /// The swings so far.
    SoFar,
    /// The drawing of the window.
    Drawing,
    /// A part of the machinery that is well.
    Well,
    /// What was said, by its place among it: the newest has the highest.
    Said(usize),
    /// What makes the newest swing less sure.
    Doubts,
    /// The window aimed at.
    Aim,
    /// A part of the machinery that is not well.
    Trouble,
    /// The newest swing.
    Swing,
}

/// A row, and how much it matters.
pub struct Row {
    /// What stands in it.
    pub line: Line<'static>,
    /// How much it matters.
    pub worth: Worth,
}

/// The same worth for all of these.
pub fn rows(worth: Worth, lines: impl IntoIterator<Item = Line<'static>>) -> impl Iterator<Item = Row> {
    lines.into_iter().map(move |line| Row { line, worth })
}

/// As many rows as there is room for, in their order. Of what matters alike the last goes first.
pub fn fitted(mut rows: Vec<Row>, height: usize) -> Vec<Line<'static>> {
    let mut marks = 0;
    while rows.len() + marks > height {
        let order = |at: &usize| (rows.get(*at).map(|row| row.worth), Reverse(*at));
        let Some(at) = (0..rows.len()).min_by_key(order) else { break };
        let gone = rows.remove(at);
        if gone.worth != Worth::Blank && height >= LEAST_ROWS_FOR_MARK {
            marks = 1;
        }
    }
    let mark = (0..marks).map(|_| Line::styled(MARK, Style::new().add_modifier(Modifier::DIM)));
    rows.into_iter().map(|row| row.line).chain(mark).collect()
}

/// A sentence broken between words into lines of this width; a word that is longer is broken itself.
pub fn folded(text: &str, width: usize) -> Vec<String> {
    let width = width.max(1);
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let letters: Vec<char> = word.chars().collect();
        for piece in letters.chunks(width) {
            let Some(line) = lines.last_mut() else { break };
            let used = line.chars().count();
            if used > 0 && used + 1 + piece.len() > width {
                lines.push(piece.iter().collect());
            } else {
                line.extend((used > 0).then_some(' ').into_iter().chain(piece.iter().copied()));
            }
        }
    }
    lines
}

/// The beginning of a text that is too long, with a mark.
pub fn shortened(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    let kept: String = text.chars().take(width.saturating_sub(1)).collect();
    kept + MARK
}

/// The end of a text that is too long, with a mark: what is typed grows there.
pub fn end_of(text: &str, width: usize) -> String {
    let count = text.chars().count();
    if count <= width {
        return text.to_owned();
    }
    MARK.chars().chain(text.chars().skip((count + 1).saturating_sub(width))).collect()
}

/// What stands for a letter on a terminal that knows ASCII alone.
pub fn in_ascii(letters: &str) -> Option<&'static str> {
    match letters {
        _ if letters.is_ascii() => None,
        "·" => Some("."),
        "±" => Some("~"),
        "−" | "–" => Some("-"),
        "°" => Some("d"),
        "\u{a0}" => Some(" "),
        "…" => Some("_"),
        _ => Some("?"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(height: usize, expected: &[&str]) {
        let all = [
            (Worth::Heading, "heading"),
            (Worth::Blank, ""),
            (Worth::Swing, "late"),
            (Worth::Well, "glove"),
            (Worth::Trouble, "no disk"),
            (Worth::Said(0), "old"),
            (Worth::Said(1), "new"),
        ];
        let rows = all.map(|(worth, text)| Row { line: Line::from(text), worth });
        let lines: Vec<String> = fitted(rows.into(), height).iter().map(ToString::to_string).collect();
        assert_eq!(lines, expected, "{height} rows");
    }

    #[test]
    fn what_matters_least_goes_first_and_a_mark_tells_of_it() {
        check(7, &["heading", "", "late", "glove", "no disk", "old", "new"]);
        check(6, &["heading", "late", "glove", "no disk", "old", "new"]);
        check(5, &["late", "no disk", "old", "new", "…"]);
        check(4, &["late", "no disk", "new", "…"]);
        check(2, &["late", "no disk"]);
        check(1, &["late"]);
        check(0, &[]);
    }

    #[test]
    fn text_is_broken_between_words_and_a_long_word_within() {
        assert_eq!(folded("the set is late", 7), ["the set", "is late"]);
        assert_eq!(folded("in /a/long/path now", 6), ["in", "/a/lon", "g/path", "now"]);
        assert_eq!(folded("", 7), [""]);
        assert_eq!(folded("a b", 0), ["a", "b"]);
    }

    #[test]
    fn what_is_shortened_says_so() {
        assert_eq!((shortened("driver", 6).as_str(), shortened("driver", 4).as_str()), ("driver", "dri…"));
        assert_eq!((end_of("driver", 6).as_str(), end_of("driver", 4).as_str()), ("driver", "…ver"));
        assert_eq!((shortened("driver", 0).as_str(), end_of("driver", 1).as_str()), ("…", "…"));
    }
}
