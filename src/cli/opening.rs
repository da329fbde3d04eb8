//! Opens a library, and says what is being done where that lasts: on a terminal, or in the log.

use crate::record::library::analysis::Rules;
use crate::record::library::progress::Progress;
use crate::record::library::{Library, LibraryError, Opened, expect_library};
use indicatif::{ProgressBar, ProgressStyle};
use std::io::IsTerminal;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{RecvTimeoutError, SyncSender, sync_channel};
use std::thread::JoinHandle;
use std::time::Duration;

/// What lasts less than this is not spoken of.
const PATIENCE: Duration = Duration::from_secs(1);
/// How often a terminal is told, and the log.
const TERMINAL_EVERY: Duration = Duration::from_millis(250);
const LOG_EVERY: Duration = Duration::from_secs(5);

/// Opens a library as of now.
///
/// # Errors
/// The folder is not there, cannot be read, or is no library.
pub fn open(folder: &Path, rules: Rules) -> Result<(Library, Opened), LibraryError> {
    expect_library(folder)?;
    open_or_begin(folder, rules)
}

/// The same; a folder that is none yet becomes one.
///
/// # Errors
/// The folder is not there or cannot be read.
pub fn open_or_begin(folder: &Path, rules: Rules) -> Result<(Library, Opened), LibraryError> {
    let progress = Arc::<Progress>::default();
    let telling = tell(&progress);
    let opened = Library::open_watched(folder, rules, super::wall_time(), progress);
    drop(telling);
    opened
}

/// Tells how far it has come, until what is given goes.
pub fn tell(progress: &Arc<Progress>) -> Option<Telling> {
    if std::io::stderr().is_terminal() {
        let style =
            ProgressStyle::with_template("the library is brought up to date: {msg}, {elapsed}").ok()?;
        let mut bar = None;
        return Telling::start(progress, PATIENCE, TERMINAL_EVERY, move |said| match said {
            Some(words) => bar
                .get_or_insert_with(|| {
                    ProgressBar::new_spinner().with_style(style.clone()).with_elapsed(PATIENCE)
                })
                .set_message(words),
            None => bar.iter().for_each(ProgressBar::finish_and_clear),
        });
    }
    Telling::start(progress, PATIENCE, LOG_EVERY, |said| {
        if let Some(words) = said {
            tracing::info!("the library is brought up to date: {words}");
        }
    })
}

/// A thread that tells how far something has come.
pub struct Telling {
    /// The thread ends when this goes.
    over: Option<SyncSender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Telling {
    /// Begins to tell after `patience`, and `every` so often from then on; at the end none is told, once. Without a
    /// thread nothing is told.
    fn start(
        progress: &Arc<Progress>,
        patience: Duration,
        every: Duration,
        mut said: impl FnMut(Option<String>) + Send + 'static,
    ) -> Option<Telling> {
        let progress = Arc::clone(progress);
        let (over, ended) = sync_channel::<()>(1);
        let body = move || {
            let mut wait = patience;
            while let Err(RecvTimeoutError::Timeout) = ended.recv_timeout(wait) {
                wait = every;
                if let (done, of @ 1..) = progress.now() {
                    said(Some(format!("{done} of {of} recordings analysed")));
                }
            }
            said(None);
        };
        let thread = std::thread::Builder::new().name("progress".to_owned()).spawn(body).ok()?;
        Some(Telling { over: Some(over), thread: Some(thread) })
    }
}

impl Drop for Telling {
    /// Waits until the last word is out, so that nothing is written across it.
    fn drop(&mut self) {
        drop(self.over.take());
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_lasts_is_told_and_what_is_quick_is_not() {
        let progress = Arc::<Progress>::default();
        progress.more(10);
        (0..3).for_each(|_| progress.one_done());
        let (words, heard) = sync_channel(10_000);
        let every = Duration::from_millis(1);
        let told = words.clone();
        let telling = Telling::start(&progress, every, every, move |said| told.send(said).unwrap());
        assert_eq!(heard.recv().unwrap().as_deref(), Some("3 of 10 recordings analysed"));
        drop(telling);
        assert_eq!(heard.try_iter().last(), Some(None), "the last word");

        drop(Telling::start(&progress, PATIENCE, every, move |said| words.send(said).unwrap()));
        assert_eq!(heard.iter().collect::<Vec<_>>(), [None]);
    }
}
