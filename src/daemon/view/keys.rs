//! What the keys of the live view mean. Pure: a key and what stands on the last line give what follows.

use crate::daemon::control::{Control, LONGEST};
use crate::detect::Verdict;
use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

/// What is asked on the last line.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Asked {
    /// Nothing: the keys stand there.
    #[default]
    Nothing,
    /// The name of a club, as far as it was typed.
    Club(String),
    /// The words of a mark, as far as they were typed.
    Mark(String),
    /// Whether the bucket shall end.
    End,
}

/// Takes a key. `clubs` are those with a window, `club` is the one in use. Gives what is asked then, and what
/// the bucket is told.
#[must_use]
pub fn press(asked: Asked, key: &KeyEvent, clubs: &[String], club: Option<&str>) -> (Asked, Option<Control>) {
    if key.kind == KeyEventKind::Release {
        return (asked, None);
    }
    if key.modifiers.contains(KeyModifiers::CONTROL) {
        let ends = matches!(key.code, KeyCode::Char('c' | 'C'));
        return (asked, ends.then_some(Control::Stop));
    }
    match asked {
        Asked::Nothing => command(key.code, clubs, club),
        Asked::Club(text) => {
            typed(text, key.code, Asked::Club, |name| (!name.is_empty()).then_some(Control::Club(name)))
        }
        Asked::Mark(text) => typed(text, key.code, Asked::Mark, |words| {
            Some(Control::Mark(if words.is_empty() { "mark".to_owned() } else { words }))
        }),
        Asked::End => {
            let ends = matches!(key.code, KeyCode::Char('y' | 'Y'));
            (Asked::Nothing, ends.then_some(Control::Stop))
        }
    }
}

fn command(code: KeyCode, clubs: &[String], club: Option<&str>) -> (Asked, Option<Control>) {
    let KeyCode::Char(letter) = code else { return (Asked::Nothing, None) };
    match letter.to_ascii_lowercase() {
        'c' => match next_club(clubs, club) {
            Some(next) => (Asked::Nothing, Some(Control::Club(next.clone()))),
            None => (Asked::Club(String::new()), None),
        },
        'n' => (Asked::Club(String::new()), None),
        'm' => (Asked::Mark(String::new()), None),
        'k' => (Asked::Nothing, Some(Control::Calibrate)),
        ' ' | 'x' => (Asked::Nothing, Some(Control::Mute)),
        'e' => (Asked::Nothing, Some(Control::Guess(Verdict::Early))),
        'o' => (Asked::Nothing, Some(Control::Guess(Verdict::InWindow))),
        'l' => (Asked::Nothing, Some(Control::Guess(Verdict::Late))),
        'q' => (Asked::End, None),
        _ => (Asked::Nothing, None),
    }
}

/// The club after the one in use, in the order of the settings; the first after one that has no place there.
#[must_use]
pub fn next_club<'a>(clubs: &'a [String], club: Option<&str>) -> Option<&'a String> {
    let place = club.and_then(|club| clubs.iter().position(|known| known == club));
    clubs.get(place.map_or(0, |place| (place + 1) % clubs.len()))
}

fn typed(
    mut text: String,
    code: KeyCode,
    asked: fn(String) -> Asked,
    told: impl Fn(String) -> Option<Control>,
) -> (Asked, Option<Control>) {
    match code {
        KeyCode::Enter => return (Asked::Nothing, told(text.trim().to_owned())),
        KeyCode::Esc => return (Asked::Nothing, None),
        KeyCode::Backspace => drop(text.pop()),
        KeyCode::Char(letter) if !letter.is_control() && text.chars().count() < LONGEST => text.push(letter),
        _ => {}
    }
    (asked(text), None)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clubs() -> Vec<String> {
        ["driver", "iron", "wedge"].map(str::to_owned).into()
    }

    /// Presses the keys one after the other; `⏎`, `⎋` and `⌫` stand for those keys. Gives all that was told.
    fn told(keys: &str) -> (Asked, Vec<Control>) {
        let (mut asked, mut all, mut club) = (Asked::Nothing, Vec::new(), Some("iron".to_owned()));
        for letter in keys.chars() {
            let code = match letter {
                '⏎' => KeyCode::Enter,
                '⎋' => KeyCode::Esc,
                '⌫' => KeyCode::Backspace,
                letter => KeyCode::Char(letter),
            };
            let key = KeyEvent::new(code, KeyModifiers::NONE);
            let (next, control) = press(asked, &key, &clubs(), club.as_deref());
            asked = next;
            if let Some(Control::Club(name)) = &control {
                club = Some(name.clone());
            }
            all.extend(control);
        }
        (asked, all)
    }

    #[test]
    fn each_key_tells_its_thing() {
        let club = |name: &str| Control::Club(name.to_owned());
        let mark = |words: &str| Control::Mark(words.to_owned());
        let cases = [
            ("c", vec![club("wedge")]),
            ("ccc", vec![club("wedge"), club("driver"), club("iron")]),
            ("niron 7⏎c", vec![club("iron 7"), club("driver")]),
            ("n⏎", vec![]),
            ("nabc⎋", vec![]),
            ("nab⌫⌫⌫x⏎", vec![club("x")]),
            ("m⏎mno ball⏎", vec![mark("mark"), mark("no ball")]),
            ("k x", vec![Control::Calibrate, Control::Mute, Control::Mute]),
            ("qnqy", vec![Control::Stop]),
            ("eol", [Verdict::Early, Verdict::InWindow, Verdict::Late].map(Control::Guess).to_vec()),
            ("z?⏎⎋", vec![]),
        ];
        for (keys, expected) in cases {
            assert_eq!(told(keys), (Asked::Nothing, expected), "{keys}");
        }
        assert_eq!(told("mab").0, Asked::Mark("ab".to_owned()));
    }

    #[test]
    fn ctrl_c_ends_whatever_is_asked() {
        let key = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
        for asked in [Asked::Nothing, Asked::Club("a".to_owned()), Asked::End] {
            assert_eq!(press(asked, &key, &clubs(), None).1, Some(Control::Stop));
        }
    }

    #[test]
    fn what_is_typed_has_an_end() {
        let Asked::Mark(text) = told(&format!("m{}", "a".repeat(500))).0 else { panic!("a mark is asked") };
        assert_eq!(text.len(), LONGEST);
    }
}
