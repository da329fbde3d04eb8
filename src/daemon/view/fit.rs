//! What stands in a window that is too small for all: text is broken between words, and where there are too few rows
//! what matters least goes first. A mark tells that something is left out. Pure.

use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use std::cmp::Reverse;

/// Tells that something is left out.
const MARK: &str = "…";
/// Windows lower than this have no row to spare for the mark.
const LEAST_ROWS_FOR_MARK: usize = 4;

/// How much a part of the picture matters, the least first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Worth {
    /// Nothing stands in it.
    Blank,
    /// The player and the recording.
    Heading,
    /// What was said before the last, the older the lower.
    SaidBefore(usize),
    /// A piece of the machinery that is well.
    Well,
    /// The swings so far.
    SoFar,
    /// The drawing of the window.
    Drawing,
    /// What was said last.
    Said,
    /// What makes the newest swing less sure.
    Doubts,
    /// The window aimed at.
    Aim,
    /// A piece of the machinery that is not well.
    Trouble,
    /// The newest swing.
    Swing,
}

/// Lines that stand or go together.
pub struct Part {
    /// How much they matter.
    pub worth: Worth,
    /// The lines.
    pub lines: Vec<Line<'static>>,
}

/// As many parts as there is room for, in their order. Of what matters alike the last goes first.
pub fn fitted(mut parts: Vec<Part>, height: usize) -> Vec<Line<'static>> {
    let mut marks = 0;
    let rows = |parts: &[Part]| parts.iter().map(|part| part.lines.len()).sum::<usize>();
    while rows(&parts) + marks > height && parts.len() > 1 {
        let order = |at: &usize| (parts.get(*at).map(|part| part.worth), Reverse(*at));
        let Some(at) = (0..parts.len()).min_by_key(order) else { break };
        let gone = parts.remove(at);
        if gone.worth != Worth::Blank && height >= LEAST_ROWS_FOR_MARK {
            marks = 1;
        }
    }
    let lines = parts.into_iter().flat_map(|part| part.lines).take(height - marks.min(height));
    let mark = (0..marks).map(|_| Line::styled(MARK, Style::new().add_modifier(Modifier::DIM)));
    lines.chain(mark).collect()
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
        let all: [(Worth, &[&str]); 7] = [
            (Worth::Heading, &["heading"]),
            (Worth::Blank, &[""]),
            (Worth::Swing, &["late", "by 50 ms"]),
            (Worth::Well, &["glove"]),
            (Worth::Trouble, &["no disk"]),
            (Worth::SaidBefore(0), &["old", "words"]),
            (Worth::SaidBefore(1), &["new"]),
        ];
        let lines = |lines: &[&'static str]| lines.iter().map(|text| Line::from(*text)).collect();
        let parts = all.map(|(worth, text)| Part { worth, lines: lines(text) });
        let lines: Vec<String> = fitted(parts.into(), height).iter().map(ToString::to_string).collect();
        assert_eq!(lines, expected, "{height} rows");
    }

    #[test]
    fn what_matters_least_goes_first_and_a_mark_tells_of_it() {
        check(9, &["heading", "", "late", "by 50 ms", "glove", "no disk", "old", "words", "new"]);
        check(8, &["heading", "late", "by 50 ms", "glove", "no disk", "old", "words", "new"]);
        check(7, &["late", "by 50 ms", "glove", "no disk", "new", "…"]);
        check(5, &["late", "by 50 ms", "glove", "no disk", "…"]);
        check(4, &["late", "by 50 ms", "no disk", "…"]);
        check(3, &["late", "by 50 ms", "no disk"]);
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
