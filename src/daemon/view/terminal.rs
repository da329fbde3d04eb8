//! Edge: the terminal. A thread of its own draws what it watches and reads the keys. The terminal is given back
//! whatever ends it: the end of the bucket, an error, a panic anywhere in the process.

use super::fit::in_ascii;
use super::keys::{Asked, press};
use super::{View, draw};
use crate::daemon::control::Control;
use crate::daemon::status::Status;
use crate::review::live::LiveStatus;
use crate::review::page::PageModel;
use ratatui::Terminal;
use ratatui::backend::CrosstermBackend;
use ratatui::buffer::Buffer;
use ratatui::crossterm::event::{self, Event};
use ratatui::crossterm::terminal::{
    EnterAlternateScreen, LeaveAlternateScreen, disable_raw_mode, enable_raw_mode,
};
use ratatui::crossterm::{cursor, execute};
use std::io::{self, IsTerminal, stdin, stdout};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::{Notify, mpsc, watch};

/// The picture is drawn anew at least so often.
const STEP: Duration = Duration::from_millis(100);

/// What the screen watches, and whom its keys tell.
pub struct Watched {
    /// The bucket.
    pub page: watch::Receiver<Arc<PageModel>>,
    /// How it fares beside its swings.
    pub status: watch::Receiver<Arc<LiveStatus>>,
    /// What is said.
    pub said: Status,
    /// The clubs that have a window.
    pub clubs: Vec<String>,
    /// Where the keys go.
    pub controls: mpsc::Sender<Control>,
    /// Told when a key ends the bucket.
    pub end: Arc<Notify>,
    /// The terminal shows more than ASCII.
    pub knows_utf8: bool,
}

/// Whether the locale says that the terminal shows UTF-8. The first of the three that says anything holds.
#[must_use]
pub fn knows_utf8(variable: impl Fn(&str) -> Option<String>) -> bool {
    let said = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().filter_map(variable).find(|said| !said.is_empty());
    said.is_some_and(|said| ["UTF-8", "UTF8"].iter().any(|known| said.to_uppercase().ends_with(known)))
}

fn spell_in_ascii(buffer: &mut Buffer) {
    for cell in &mut buffer.content {
        if let Some(letter) = in_ascii(cell.symbol()) {
            cell.set_symbol(letter);
        }
    }
}

/// A terminal that shows a bucket.
pub struct Screen {
    over: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
    said: Status,
}

impl Screen {
    /// Takes the terminal on standard output.
    ///
    /// # Errors
    /// It cannot be taken, or the system gives no thread.
    pub fn open(watched: Watched) -> io::Result<Screen> {
        let taken = Arc::new(AtomicBool::new(false));
        give_back_on_panic(Arc::clone(&taken));
        take(&taken)?;
        let said = watched.said.clone();
        said.show_in_view(true);
        let over = Arc::new(AtomicBool::new(false));
        let body = {
            let (over, taken) = (Arc::clone(&over), Arc::clone(&taken));
            move || show_and_give_back(&watched, &over, &taken)
        };
        match std::thread::Builder::new().name("screen".to_owned()).spawn(body) {
            Ok(thread) => Ok(Screen { over, thread: Some(thread), said }),
            Err(error) => {
                said.show_in_view(false);
                give_back(&taken);
                Err(error)
            }
        }
    }
}

impl Drop for Screen {
    /// Waits until the terminal is given back.
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        let _ = self.thread.take().map(JoinHandle::join);
        self.said.show_in_view(false);
    }
}

fn take(taken: &AtomicBool) -> io::Result<()> {
    enable_raw_mode()?;
    taken.store(true, Ordering::SeqCst);
    execute!(stdout(), EnterAlternateScreen, cursor::Hide).inspect_err(|_| give_back(taken))
}

/// Gives the terminal back, unless that was done. A terminal that has gone away is no matter.
fn give_back(taken: &AtomicBool) {
    if taken.swap(false, Ordering::SeqCst) {
        let _ = execute!(stdout(), LeaveAlternateScreen, cursor::Show);
        let _ = disable_raw_mode();
    }
}

/// A panic's message has to be seen. Where the panic was caught, the screen takes the terminal again.
fn give_back_on_panic(taken: Arc<AtomicBool>) {
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        give_back(&taken);
        before(panic);
    }));
}

/// Gives the terminal back when it goes, also by a panic.
struct GivenBack<'a>(&'a AtomicBool, &'a Status);

impl Drop for GivenBack<'_> {
    fn drop(&mut self) {
        give_back(self.0);
        self.1.show_in_view(false);
    }
}

fn tell(watched: &Watched, control: Control) {
    if control == Control::Stop {
        watched.end.notify_one();
    } else if watched.controls.try_send(control).is_err() {
        watched.said.line("too busy for that key: press it again");
    }
}

fn show_and_give_back(watched: &Watched, over: &AtomicBool, taken: &AtomicBool) {
    let _given_back = GivenBack(taken, &watched.said);
    if let Err(error) = show(watched, over, taken) {
        tracing::warn!(%error, "the live view ended; the bucket goes on");
    }
}

fn show(watched: &Watched, over: &AtomicBool, taken: &AtomicBool) -> io::Result<()> {
    let mut terminal = Terminal::new(CrosstermBackend::new(stdout()))?;
    let mut asked = Asked::default();
    while !over.load(Ordering::Relaxed) {
        // Its keys end without an error.
        if !stdin().is_terminal() {
            return Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the terminal has gone away"));
        }
        if !taken.load(Ordering::SeqCst) {
            take(taken)?;
            terminal = Terminal::new(CrosstermBackend::new(stdout()))?;
        }
        let (page, status) = (Arc::clone(&watched.page.borrow()), Arc::clone(&watched.status.borrow()));
        let (said, kept) = (watched.said.recent(), watched.said.kept());
        let (review, clubs) = (&page.review, watched.clubs.as_slice());
        let view = View { review, status: &status, said: &said, kept: &kept, asked: &asked, clubs };
        terminal.draw(|frame| {
            draw(frame, &view);
            if !watched.knows_utf8 {
                spell_in_ascii(frame.buffer_mut());
            }
        })?;
        if !event::poll(STEP)? {
            continue;
        }
        if let Event::Key(key) = event::read()? {
            let (next, control) = press(asked, &key, &watched.clubs, status.club.as_deref());
            asked = next;
            control.into_iter().for_each(|control| tell(watched, control));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use ratatui::layout::Rect;

    #[test]
    fn the_first_word_of_the_locale_holds() {
        let check = |set: &[(&str, &str)], expected: bool| {
            let variable = |name: &str| {
                let found = set.iter().find(|(known, _)| *known == name);
                found.map(|(_, value)| (*value).to_owned())
            };
            assert_eq!(knows_utf8(variable), expected, "{set:?}");
        };
        check(&[("LANG", "de_DE.UTF-8")], true);
        check(&[("LANG", "C.utf8"), ("LC_ALL", "")], true);
        check(&[("LANG", "de_DE.UTF-8"), ("LC_ALL", "C")], false);
        check(&[("LANG", "C")], false);
        check(&[], false);
    }

    #[test]
    fn without_utf8_every_cell_is_ascii_and_words_stay() {
        let mut buffer = Buffer::empty(Rect::new(0, 0, 40, 1));
        buffer.set_string(0, 0, "Jörg: 53 ms (± 0.7), −46.9 ppm ···…", ratatui::style::Style::new());
        spell_in_ascii(&mut buffer);
        let text: String = buffer.content.iter().map(ratatui::buffer::Cell::symbol).collect();
        assert_eq!(text.trim_end(), "J?rg: 53 ms (~ 0.7), -46.9 ppm ..._");
    }
}
