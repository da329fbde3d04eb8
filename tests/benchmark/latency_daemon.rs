//! The built daemon as a child on a pseudo-terminal, and the glove's end of that line.

use crate::latency_wire::TimedFrame;
use crossbeam_channel::{Receiver, bounded};
use hingeclock::device::host_clock::HostClock;
use hingeclock::units::HostTime;
use portable_pty::{PtyPair, PtySize, native_pty_system};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// Longest sleep while the line is kept in time.
const NAP: Duration = Duration::from_micros(500);

/// The glove's end of a line.
pub struct Line {
    writer: Box<dyn Write + Send>,
    pair: PtyPair,
    greeted: Receiver<()>,
}

impl Line {
    pub fn open() -> Line {
        let pair = native_pty_system().openpty(PtySize::default()).unwrap();
        let mut reader = pair.master.try_clone_reader().unwrap();
        let (say, greeted) = bounded(1);
        std::thread::spawn(move || {
            let mut bytes = [0; 1024];
            while reader.read(&mut bytes).is_ok_and(|read| read > 0) {
                let _ = say.try_send(());
            }
        });
        Line { writer: pair.master.take_writer().unwrap(), pair, greeted }
    }

    pub fn path(&self) -> PathBuf {
        self.pair.master.tty_name().unwrap()
    }

    /// Waits until a host has opened the port and greeted.
    pub fn wait_for_host(&self) {
        self.greeted.recv_timeout(Duration::from_secs(30)).expect("the daemon opens the port");
    }
}

/// Sends frames: as fast as they are read, or at the pace at which they happened.
pub struct Feeder<'a> {
    frames: &'a [TimedFrame],
    next: usize,
    line: Line,
    clock: HostClock,
    /// Bucket time less the clock, µs, while it keeps the pace.
    ahead_us: i64,
}

impl<'a> Feeder<'a> {
    pub fn new(frames: &'a [TimedFrame], line: Line, clock: HostClock) -> Feeder<'a> {
        Feeder { frames, next: 0, line, clock, ahead_us: 0 }
    }

    /// Everything before frame `until`, as fast as the daemon reads.
    pub fn rush(&mut self, until: usize) {
        for frame in &self.frames[self.next..until] {
            self.line.writer.write_all(&frame.bytes).unwrap();
        }
        self.next = self.next.max(until);
    }

    /// From here on the next frames come in their own time.
    pub fn keep_pace(&mut self) {
        self.ahead_us = self.frames[self.next].due.0 - self.clock.now().0;
    }

    /// Frames in their own time until `done` says so; frame `until` is not sent.
    pub fn pace(&mut self, until: usize, mut done: impl FnMut() -> bool) {
        while self.next < until && !done() {
            if self.due_in() > NAP {
                std::thread::sleep(NAP);
            } else {
                self.send_next();
            }
        }
    }

    /// The next frame when it is due; gives when it was handed to the line.
    pub fn send_next(&mut self) -> HostTime {
        std::thread::sleep(self.due_in());
        let frame = &self.frames[self.next];
        self.next += 1;
        let now = self.clock.now();
        self.line.writer.write_all(&frame.bytes).unwrap();
        now
    }

    fn due_in(&self) -> Duration {
        let us = self.frames[self.next].due.0 - self.ahead_us - self.clock.now().0;
        Duration::from_micros(us.max(0).unsigned_abs())
    }

    /// The first frame that is due so long before frame `at`, µs.
    pub fn before(&self, at: usize, by_us: i64) -> usize {
        let due = self.frames[at].due.0 - by_us;
        self.frames.partition_point(|frame| frame.due.0 < due).max(self.next)
    }

    pub fn next(&self) -> usize {
        self.next
    }

    pub fn count(&self) -> usize {
        self.frames.len()
    }
}

/// A running daemon.
pub struct Daemon {
    child: Child,
    /// When each cue was handed to the sound, and which.
    pub cues: Receiver<(HostTime, String)>,
    _folder: tempfile::TempDir,
}

impl Daemon {
    /// Starts it on `line`; `command` may hold the way to a sound server.
    pub fn start(mut command: Command, line: &Line, sound: &str, clock: HostClock) -> Daemon {
        let folder = tempfile::tempdir().unwrap();
        let port = line.path();
        command.arg("run").arg("--port").arg(&port).arg("--folder").arg(folder.path());
        command.args(["--page-port", "0", "--quiet", "--sound", sound]);
        command.env("RUST_LOG", "hingeclock::daemon::sound_tap=info");
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let log = BufReader::new(child.stderr.take().unwrap());
        let (say, cues) = bounded(1024);
        std::thread::spawn(move || {
            for text in log.lines().map_while(Result::ok) {
                let now = clock.now();
                if let Some(word) = text.split("cue=\"").nth(1).and_then(|rest| rest.split('"').next()) {
                    let _ = say.send((now, word.to_owned()));
                }
            }
        });
        line.wait_for_host();
        Daemon { child, cues, _folder: folder }
    }

    /// CPU time that its threads have used so far, by their names, s.
    pub fn cpu_s(&self) -> ThreadTimes {
        threads_cpu_s(&self.child.id().to_string())
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Reads a line and throws away what comes, on a thread of its own: what the line costs a program that does nothing
/// with it.
pub fn read_for_nothing(line: &Line) {
    let mut port = tokio_serial::new(line.path().to_string_lossy(), 115_200).open().unwrap();
    port.set_timeout(Duration::from_secs(60)).unwrap();
    let read = move || {
        let mut bytes = [0; 1024];
        while port.read(&mut bytes).is_ok_and(|read| read > 0) {}
    };
    std::thread::Builder::new().name("for-nothing".to_owned()).spawn(read).unwrap();
}

/// Seconds by the name of a thread; those of one name added up.
pub type ThreadTimes = BTreeMap<String, f64>;

/// CPU time that the threads of a process have used so far: the first field of their schedstat.
pub fn threads_cpu_s(process: &str) -> ThreadTimes {
    let threads = std::fs::read_dir(format!("/proc/{process}/task")).unwrap();
    let mut times = ThreadTimes::new();
    for thread in threads.map(|thread| thread.unwrap().path()) {
        let text = |file: &str| std::fs::read_to_string(thread.join(file)).unwrap_or_default();
        let ns: f64 = text("schedstat").split(' ').next().unwrap_or_default().parse().unwrap_or_default();
        *times.entry(text("comm").trim().to_owned()).or_default() += ns * 1e-9;
    }
    times
}
