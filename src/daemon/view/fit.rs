//! What stands in a window that is too small for all: text is broken between words, and where there are too few rows
//! what matters least goes first. A mark tells that something is left out. What letters take is counted in cells, as they
//! are drawn: those of wide scripts take two. Pure.

use ratatui::buffer::CellWidth;
use ratatui::style::{Modifier, Style};
use ratatui::text::Line;
use std::cmp::Reverse;
use unicode_segmentation::UnicodeSegmentation;

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

/// How many cells a text takes.
pub fn cells(text: &str) -> usize {
    letters(text).map(|(_, cells)| cells).sum()
}

/// What is drawn as one letter, with all that is put on it, and the cells that it takes.
fn letters(text: &str) -> impl DoubleEndedIterator<Item = (&str, usize)> {
    text.graphemes(true).map(|letter| (letter, usize::from(letter.cell_width())))
}

/// As many letters as there is room for.
fn fitting<'a>(
    letters: impl Iterator<Item = (&'a str, usize)>,
    mut room: usize,
) -> impl Iterator<Item = &'a str> {
    letters.map_while(move |(letter, cells)| {
        room = room.checked_sub(cells)?;
        Some(letter)
    })
}

/// A sentence broken between words into lines of this width; a word that is longer is broken itself.
pub fn folded(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for piece in text.split_whitespace().flat_map(|word| pieces(word, width)) {
        let Some(line) = lines.last_mut() else { break };
        let used = cells(line);
        if used > 0 && used + 1 + cells(&piece) > width {
            lines.push(piece);
        } else {
            line.extend((used > 0).then_some(" "));
            line.push_str(&piece);
        }
    }
    lines
}

/// A word in pieces of this width; a letter that is wider is a piece by itself.
fn pieces(word: &str, width: usize) -> Vec<String> {
    let (mut pieces, mut used) = (Vec::new(), width);
    for (letter, cells) in letters(word) {
        match pieces.last_mut() {
            Some(piece) if used + cells <= width => {
                used += cells;
                String::push_str(piece, letter);
            }
            _ => {
                used = cells;
                pieces.push(letter.to_owned());
            }
        }
    }
    pieces
}

/// The beginning of a text that is too long, with a mark.
pub fn shortened(text: &str, width: usize) -> String {
    if cells(text) <= width {
        return text.to_owned();
    }
    let kept: String = fitting(letters(text), width.saturating_sub(1)).collect();
    kept + MARK
}

/// The end of a text that is too long, with a mark: what is typed grows there.
pub fn end_of(text: &str, width: usize) -> String {
    if cells(text) <= width {
        return text.to_owned();
    }
    let kept: Vec<&str> = fitting(letters(text).rev(), width.saturating_sub(1)).collect();
    std::iter::once(MARK).chain(kept.into_iter().rev()).collect()
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

    #[test]
    fn letters_take_the_cells_that_they_are_drawn_in() {
        assert_eq!((cells("かわせみ"), cells("e\u{301}te\u{301}"), cells("👩\u{200d}🌾")), (8, 3, 2));
        assert_eq!(folded("かわせみ 7", 10), ["かわせみ 7"]);
        assert_eq!(folded("かわせみ 7", 9), ["かわせみ", "7"]);
        assert_eq!(folded("かわせみ", 5), ["かわ", "せみ"]);
        assert_eq!(folded("かわ", 1), ["か", "わ"]);
        assert_eq!(folded("e\u{301}te\u{301} e\u{301}", 5), ["e\u{301}te\u{301} e\u{301}"]);
        assert_eq!(
            (shortened("かわせみ", 8).as_str(), shortened("かわせみ", 6).as_str()),
            ("かわせみ", "かわ…")
        );
        assert_eq!((end_of("かわせみ", 7).as_str(), end_of("かわせみ", 6).as_str()), ("…わせみ", "…せみ"));
        assert_eq!(shortened("e\u{301}te\u{301}", 2), "e\u{301}…");
    }
}
