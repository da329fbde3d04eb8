//! What the person at the terminal is told while a bucket runs: a line at a time, on standard error or in the
//! live view; nothing on a pipe that did not ask.

use crate::review::clean;
use std::collections::{BTreeMap, VecDeque};
use std::io::Write;
use std::sync::{Arc, Mutex};

/// So many lines are remembered for the live view.
const REMEMBERED: usize = 8;

/// Tells lines. Copies share the memory of what was said.
#[derive(Clone, Default)]
pub struct Status {
    quiet: bool,
    said: Arc<Mutex<Said>>,
}

#[derive(Default)]
struct Said {
    lines: VecDeque<String>,
    /// What stays in the live view, by its name.
    kept: BTreeMap<&'static str, String>,
    /// A live view shows the lines, so they are not printed.
    in_view: bool,
}

impl Status {
    /// Tells lines, or says nothing at all.
    #[must_use]
    pub fn new(quiet: bool) -> Status {
        Status { quiet, said: Arc::default() }
    }

    /// A line.
    pub fn line(&self, text: &str) {
        self.say(text);
    }

    /// Keeps something in the live view under this name, in place of what was kept under it before: lines move on, and
    /// where the page is must be found in mid-bucket, too.
    pub fn keep(&self, name: &'static str, text: &str) {
        if let Ok(mut said) = self.said.lock() {
            said.kept.insert(name, clean(text));
        }
    }

    /// Says whether the line was printed. Names of players, clubs and gloves come from outside: a terminal obeys nothing
    /// in them.
    fn say(&self, text: &str) -> bool {
        let Ok(mut said) = self.said.lock() else { return false };
        let text = clean(text);
        said.lines.push_back(text.clone());
        if said.lines.len() > REMEMBERED {
            said.lines.pop_front();
        }
        let printed = !self.quiet && !said.in_view;
        if printed {
            // A terminal that has gone away must not end the bucket.
            let _ = writeln!(std::io::stderr(), "{text}");
        }
        printed
    }

    /// A line on something that went wrong, for the log, too: an error there where nobody sees the line on standard
    /// error, a warning where it would stand below the line once more.
    pub fn alarm(&self, text: &str) {
        if self.say(text) {
            tracing::warn!("{text}");
        } else {
            tracing::error!("{text}");
        }
    }

    /// A line, unless it is what was said last.
    pub fn once(&self, text: &str) {
        let same =
            self.said.lock().is_ok_and(|said| said.lines.back().is_some_and(|last| *last == clean(text)));
        if !same {
            self.line(text);
        }
    }

    /// From here on a view shows the lines, or no longer does.
    pub fn show_in_view(&self, in_view: bool) {
        if let Ok(mut said) = self.said.lock() {
            said.in_view = in_view;
        }
    }

    /// Whether a view shows the lines.
    #[must_use]
    pub fn is_in_view(&self) -> bool {
        self.said.lock().is_ok_and(|said| said.in_view)
    }

    /// What is kept, by its name.
    #[must_use]
    pub fn kept(&self) -> BTreeMap<&'static str, String> {
        self.said.lock().map_or_else(|_| BTreeMap::new(), |said| said.kept.clone())
    }

    /// The last lines, newest last.
    #[must_use]
    pub fn recent(&self) -> Vec<String> {
        self.said.lock().map_or_else(|_| Vec::new(), |said| said.lines.iter().cloned().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_outlasts_the_lines_until_it_is_replaced() {
        let status = Status::new(true);
        status.keep("Shared", "code 1234 5678");
        status.keep("Page", "http://127.0.0.1:8627/");
        (0..20).for_each(|swing| status.line(&format!("swing {swing}")));
        status.keep("Shared", "code 8765\u{1b} 4321");
        let kept = [("Page", "http://127.0.0.1:8627/".to_owned()), ("Shared", "code 8765? 4321".to_owned())];
        assert_eq!(status.kept(), BTreeMap::from(kept));
    }

    #[test]
    fn a_terminal_obeys_nothing_in_a_line_and_the_same_is_said_once() {
        let status = Status::new(true);
        status.once("glove K\u{1b}[31m\n with");
        status.once("glove K\u{1b}[31m\n with");
        assert_eq!(status.recent(), ["glove K?[31m? with"]);
    }
}
