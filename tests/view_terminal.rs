//! The live view on a real pseudo-terminal: a virtual glove swings, keys are pressed, the window changes its
//! size; however it ends, the terminal is as it was before.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
}

use hingeclock::daemon::status::Status;
use hingeclock::daemon::view::terminal::{Screen, Watched};
use hingeclock::detect::BucketAnalysis;
use hingeclock::record::input::open_input;
use hingeclock::review::Review;
use hingeclock::review::page::PageModel;
use hingeclock::sample::{Arrival, Marker};
use portable_pty::{Child, CommandBuilder, ExitStatus, MasterPty, PtySize, native_pty_system};
use std::io::{Read, Write};
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use support::binary::{Running, code, emulate, errors, hingeclock, recording, run};
use tokio::sync::{mpsc, watch};

/// Long enough for the slowest machine: a test that waits for it has failed.
const PATIENCE: Duration = Duration::from_secs(60);
/// Set for the copy of this program that panics.
const CHILD: &str = "HINGECLOCK_TEST_PANICS";

fn size(cols: u16, rows: u16) -> PtySize {
    PtySize { rows, cols, pixel_width: 0, pixel_height: 0 }
}

/// A program on a terminal of its own, as a person would see it.
struct Seat {
    master: Box<dyn MasterPty + Send>,
    keys: Box<dyn Write + Send>,
    screen: Arc<Mutex<vt100::Parser>>,
    /// Everything that was ever written.
    written: Arc<Mutex<Vec<u8>>>,
    child: Box<dyn Child + Send + Sync>,
    /// Held open, so that the terminal's settings can be asked for when the program is gone.
    _slave: Box<dyn portable_pty::SlavePty + Send>,
}

impl Seat {
    fn start(command: CommandBuilder) -> Seat {
        let pair = native_pty_system().openpty(size(100, 34)).unwrap();
        let child = pair.slave.spawn_command(command).unwrap();
        let screen = Arc::new(Mutex::new(vt100::Parser::new(34, 100, 0)));
        let written = Arc::new(Mutex::new(Vec::new()));
        let (mut reader, seen) = (pair.master.try_clone_reader().unwrap(), Arc::clone(&screen));
        let kept = Arc::clone(&written);
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(read @ 1..) = reader.read(&mut bytes) {
                kept.lock().unwrap().extend_from_slice(&bytes[..read]);
                seen.lock().unwrap().process(&bytes[..read]);
            }
        });
        let keys = pair.master.take_writer().unwrap();
        Seat { master: pair.master, keys, screen, written, child, _slave: pair.slave }
    }

    fn text(&self) -> String {
        self.screen.lock().unwrap().screen().contents()
    }

    fn press(&mut self, keys: &str) {
        self.keys.write_all(keys.as_bytes()).unwrap();
        self.keys.flush().unwrap();
    }

    fn wait_for(&self, words: &str) {
        self.wait_until(words, |screen| screen.contents().contains(words));
    }

    fn wait_until(&self, what: &str, holds: impl Fn(&vt100::Screen) -> bool) {
        let since = now();
        while !holds(self.screen.lock().unwrap().screen()) {
            assert!(since.elapsed() < PATIENCE, "no {what:?} in:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    fn resize(&self, cols: u16, rows: u16) {
        self.screen.lock().unwrap().screen_mut().set_size(rows, cols);
        self.master.resize(size(cols, rows)).unwrap();
    }

    fn end(&mut self) -> ExitStatus {
        let since = now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            assert!(since.elapsed() < PATIENCE, "it does not end:\n{}", self.text());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// The line discipline as `stty` tells it.
    fn settings(&self) -> String {
        let path = self.master.tty_name().unwrap();
        let output = std::process::Command::new("stty").arg("-a").arg("-F").arg(path).output().unwrap();
        assert!(output.status.success(), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    }

    /// Out of the other screen, cursor there, letters echoed, lines read as lines.
    fn is_given_back(&self) {
        self.wait_until("main screen", |screen| !screen.alternate_screen() && !screen.hide_cursor());
        let settings = self.settings();
        for on in ["icanon", "echo", "isig", "opost"] {
            assert!(settings.split_whitespace().any(|word| word == on), "{on} in {settings}");
        }
    }
}

impl Drop for Seat {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[allow(clippy::disallowed_methods, reason = "a test that waits has to know for how long")]
fn now() -> Instant {
    Instant::now()
}

/// A daemon with its view; gives the glove, too, which speaks as long as it lives.
fn daemon(folder: &Path, more: &[&str], glove: &[&str]) -> (Seat, Running) {
    let (command, running) = daemon_command(folder, more, glove);
    (Seat::start(command), running)
}

fn daemon_command(folder: &Path, more: &[&str], glove: &[&str]) -> (CommandBuilder, Running) {
    let csv = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/left-handed.csv.gz");
    let arguments = [&[csv.to_str().unwrap()], glove].concat();
    let (running, port) = emulate(&arguments);
    let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_hingeclock"));
    command.args(["run", "--port", &port, "--no-page", "--sound", "silent", "--folder"]);
    command.arg(folder);
    command.args(more);
    command.env("TERM", "xterm-256color");
    command.env("LC_ALL", "C.UTF-8");
    // Of the tables alone.
    command.env("COLUMNS", "300");
    command.env_remove("RUST_LOG");
    (command, running)
}

/// Clubs, marks and the like that were set on the host.
fn markers(recording: &Path) -> Vec<(String, String)> {
    let arrivals = open_input(recording).unwrap().arrivals;
    let fields = |marker: &Marker| {
        let (kind, value) = marker.fields();
        (kind.to_owned(), value.to_owned())
    };
    arrivals
        .filter_map(|arrival| match arrival.unwrap() {
            Arrival::Marker { marker, .. } => Some(fields(&marker)),
            Arrival::Sample(_) => None,
        })
        .collect()
}

fn is_whole(recording: &Path) {
    let output = run(&["analyze", recording.to_str().unwrap(), "--json"]);
    assert_eq!(code(&output), 0, "{}", errors(&output));
}

#[test]
fn the_view_follows_swings_keys_and_sizes() {
    let folder = tempfile::tempdir().unwrap();
    let (mut seat, _glove) = daemon(folder.path(), &[], &["--speed", "4"]);
    seat.wait_until("other screen", vt100::Screen::alternate_screen);
    seat.wait_for("connected, sending");
    assert!(seat.settings().contains("-icanon"), "keys come at once");
    // A busy machine may draw the second together with those after it.
    seat.wait_until("a swing after the first", |screen| {
        (2..=4).any(|swing| screen.contents().contains(&format!("Swing {swing}, ")))
    });
    seat.press("c");
    seat.wait_for("club: wedge");
    seat.press("nhybrid 4\r");
    seat.wait_for("club: hybrid 4");
    seat.press("mwind");
    seat.wait_for("Mark: wind_");
    seat.press("\r");
    seat.wait_for("mark: wind");
    seat.press(" ");
    seat.wait_for("sound muted");
    seat.wait_for("space sound on");
    seat.resize(60, 12);
    seat.wait_until("keys on the last line", |screen| {
        let lines: Vec<String> = screen.rows(0, 60).collect();
        lines.len() == 12 && lines[11].starts_with("c take driver") && lines[0].starts_with("Swing 4")
    });
    seat.press("qn");
    seat.press("q");
    seat.wait_for("End the bucket?");
    seat.press("y");
    let status = seat.end();
    assert_eq!(status.exit_code(), 0, "{}", seat.text());
    seat.is_given_back();
    let recorded = recording(folder.path());
    is_whole(&recorded);
    seat.wait_for("Recording: ");
    let reviewed =
        hingeclock(&["review", recorded.to_str().unwrap()]).env("COLUMNS", "300").output().unwrap();
    let written = String::from_utf8_lossy(&seat.written.lock().unwrap()).replace("\r\n", "\n");
    assert!(written.contains(&*String::from_utf8_lossy(&reviewed.stdout)), "{written}");
    let told = markers(&recorded);
    for (kind, value) in [("club", "wedge"), ("club", "hybrid 4"), ("mark", "wind")] {
        assert!(told.contains(&(kind.to_owned(), value.to_owned())), "{kind} {value}: {told:?}");
    }
}

/// A swing's verdict is nowhere on the screen before the player has guessed.
#[test]
fn the_view_keeps_a_swing_back_until_the_guess() {
    let folder = tempfile::tempdir().unwrap();
    let (mut seat, _glove) = daemon(folder.path(), &["--feedback", "guess-first"], &["--speed", "4"]);
    // The glove has four swings and is silent then, so the last one waits for as long as it takes.
    let shows =
        |screen: &vt100::Screen, words: &[&str]| words.iter().all(|word| screen.contents().contains(word));
    seat.wait_until("question", |screen| shows(screen, &["Swing 4", "? YOUR GUESS"]));
    let before = seat.text();
    assert!(!before.contains("Swing 4, ") && !before.contains("swing 4, "), "{before}");
    seat.press("o");
    seat.wait_until("guess and truth", |screen| {
        shows(screen, &["guessed in the window: ", "Swing 4, ", "swing 4, "])
    });
    seat.press("qy");
    assert_eq!(seat.end().exit_code(), 0, "{}", seat.text());
    let told = markers(&recording(folder.path()));
    assert!(told.contains(&("guess".to_owned(), "in-window".to_owned())), "{told:?}");
}

/// The same line by line.
#[test]
fn plain_lines_keep_a_swing_back_until_the_guess() {
    let folder = tempfile::tempdir().unwrap();
    let more = ["--plain", "--feedback", "guess-first"];
    let (mut seat, _glove) = daemon(folder.path(), &more, &["--speed", "4"]);
    seat.wait_for("your guess: ");
    seat.press("e\n");
    seat.wait_for("guessed early: ");
    seat.wait_for("swing 1, ");
    let written = String::from_utf8_lossy(&seat.written.lock().unwrap()).into_owned();
    assert!(written.find("your guess: ") < written.find("swing 1, "), "{written}");
    seat.press("stop\n");
    assert_eq!(seat.end().exit_code(), 0, "{}", seat.text());
}

#[test]
fn ctrl_c_ends_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let (mut seat, _glove) = daemon(folder.path(), &[], &["--speed", "4"]);
    seat.wait_for("connected, sending");
    seat.press("\u{3}");
    assert_eq!(seat.end().exit_code(), 0, "{}", seat.text());
    seat.wait_for("Recording: ");
    seat.is_given_back();
    is_whole(&recording(folder.path()));
}

#[test]
fn a_request_to_terminate_ends_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let (mut seat, _glove) = daemon(folder.path(), &[], &["--speed", "4"]);
    seat.wait_for("connected, sending");
    let id = seat.child.process_id().unwrap().to_string();
    assert!(std::process::Command::new("kill").args(["-TERM", &id]).status().unwrap().success());
    assert_eq!(seat.end().exit_code(), 0, "{}", seat.text());
    seat.wait_for("Recording: ");
    seat.is_given_back();
    is_whole(&recording(folder.path()));
}

/// The window is closed: the system says so to the process, or, of a terminal that is not its own, does not.
#[test]
fn a_terminal_that_goes_away_costs_nothing() {
    for (its_own, more) in [(true, &[][..]), (false, &["--once"])] {
        let folder = tempfile::tempdir().unwrap();
        let (mut command, _glove) = daemon_command(folder.path(), more, &["--speed", "4"]);
        command.set_controlling_tty(its_own);
        let mut child = leave_when_it_sends(command);
        let since = now();
        while child.try_wait().unwrap().is_none() {
            if since.elapsed() > PATIENCE {
                child.kill().unwrap();
                panic!("it does not end; a terminal of its own: {its_own}");
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        is_whole(&recording(folder.path()));
    }
}

/// Starts a program and takes its terminal away when its glove sends.
fn leave_when_it_sends(command: CommandBuilder) -> Box<dyn Child + Send + Sync> {
    let pair = native_pty_system().openpty(size(100, 34)).unwrap();
    let mut child = pair.slave.spawn_command(command).unwrap();
    let mut reader = pair.master.try_clone_reader().unwrap();
    let (mut screen, mut bytes, since) = (vt100::Parser::new(34, 100, 0), [0; 4096], now());
    while !screen.screen().contents().contains("connected, sending") {
        let read = reader.read(&mut bytes).unwrap();
        screen.process(&bytes[..read]);
        if since.elapsed() > PATIENCE {
            child.kill().unwrap();
            panic!("it does not send:\n{}", screen.screen().contents());
        }
    }
    child
}

#[test]
fn plain_lines_leave_the_terminal_alone() {
    let folder = tempfile::tempdir().unwrap();
    let (mut seat, _glove) = daemon(folder.path(), &["--plain", "--once"], &["--unpaced"]);
    seat.press("club spoon\n");
    assert_eq!(seat.end().exit_code(), 0);
    seat.wait_for("Recording: ");
    seat.is_given_back();
    let written = String::from_utf8_lossy(&seat.written.lock().unwrap()).into_owned();
    assert!(written.contains("type: club NAME") && written.contains("club: spoon"), "{written}");
    assert!(written.contains("no window of its own, the middle class counts; windows: driver, iron, wedge"));
    assert!(!written.contains("\u{1b}["), "{written}");
}

#[test]
fn a_panic_gives_the_terminal_back() {
    if std::env::var_os(CHILD).is_some() {
        panics_behind_a_screen();
    }
    // The key comes through the view only, and tells the child that it was drawn again.
    let mut command = CommandBuilder::new(std::env::current_exe().unwrap());
    command.args(["--exact", "a_panic_gives_the_terminal_back", "--nocapture", "--test-threads", "1"]);
    command.env(CHILD, "1");
    command.env("RUST_BACKTRACE", "0");
    command.env("TERM", "xterm-256color");
    command.env("LC_ALL", "C.UTF-8");
    let mut seat = Seat::start(command);
    seat.wait_for("caught, and drawn again");
    seat.press("m");
    assert_eq!(seat.end().exit_code(), 101, "{}", seat.text());
    seat.wait_for("a panic that nobody catches");
    seat.is_given_back();
}

/// In a program of its own: a panic that is caught, then one that is not.
fn panics_behind_a_screen() -> ! {
    let empty = BucketAnalysis { swings: vec![], losses: vec![], notes: vec![], calibration: None };
    let model = PageModel { review: Review::new("empty", empty), live: true };
    let (_page, page) = watch::channel(Arc::new(model));
    let (_status, status) = watch::channel(Arc::default());
    let (controls, _nobody) = mpsc::channel(1);
    let said = Status::new(false);
    let (said, end) = (said.clone(), Arc::default());
    let watched =
        Watched { page, status, said: said.clone(), clubs: vec![], controls, end, knows_utf8: true };
    let _screen = Screen::open(watched).unwrap();
    let caught = std::thread::spawn(|| panic!("a panic that is caught")).join();
    assert!(caught.is_err());
    said.line("caught, and drawn again");
    // Until the test has seen it: the view shows what is asked, and the key comes through the view only.
    std::thread::sleep(Duration::from_secs(2));
    panic!("a panic that nobody catches");
}
