//! A sound server of a test's own: the real program, with a device that is heard only by a recorder.
#![allow(dead_code, reason = "each test uses its part")]

use hingeclock::tone::locate::ServerEnv;
use hingeclock::tone::server::probe;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// Rate of the device, Hz.
pub const RATE_HZ: usize = 48_000;

/// Ends its process with itself.
pub struct Running(pub Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

pub struct Server {
    dir: tempfile::TempDir,
    process: Option<Running>,
    _machine: MutexGuard<'static, ()>,
}

/// Sound is made in real time: two servers and what listens to them would starve each other on a small machine, so
/// whoever holds this has the machine to itself, as far as this test program goes.
pub fn machine_to_itself() -> MutexGuard<'static, ()> {
    static MACHINE: Mutex<()> = Mutex::new(());
    // A test that failed leaves the machine to the next.
    MACHINE.lock().unwrap_or_else(PoisonError::into_inner)
}

fn installed(program: &str) -> bool {
    let found = Command::new(program).arg("--version").stdout(Stdio::null()).stderr(Stdio::null()).status();
    found.is_ok_and(|status| status.success())
}

/// A folder for the server, or nothing where the programs are missing.
pub fn server_folder() -> Option<Server> {
    if !installed("pulseaudio") || !installed("parec") {
        eprintln!("skipped: needs pulseaudio and parec (Debian: pulseaudio, pulseaudio-utils)");
        return None;
    }
    let machine = machine_to_itself();
    Some(Server { dir: tempfile::tempdir().unwrap(), process: None, _machine: machine })
}

/// Looks every 5 ms until `done`; far too long a wait ends the test with what was waited for.
pub fn wait_until(what: &str, mut done: impl FnMut() -> bool) {
    for _ in 0..12_000 {
        if done() {
            return;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    panic!("waited a minute for: {what}");
}

impl Server {
    pub fn socket(&self) -> PathBuf {
        self.dir.path().join("native")
    }

    pub fn env(&self) -> ServerEnv {
        let address = format!("unix:{}", self.socket().display());
        ServerEnv { pulse_server: Some(address), ..ServerEnv::default() }
    }

    /// Every folder that the program looks at lies in this test's own.
    pub fn command(&self, program: &str) -> Command {
        let mut command = Command::new(program);
        for name in ["HOME", "XDG_RUNTIME_DIR", "XDG_CONFIG_HOME", "PULSE_RUNTIME_PATH", "PULSE_STATE_PATH"] {
            command.env(name, self.dir.path());
        }
        command.env("PULSE_SERVER", format!("unix:{}", self.socket().display()));
        command.env_remove("DBUS_SESSION_BUS_ADDRESS").stdin(Stdio::null()).stderr(Stdio::null());
        command
    }

    pub fn start(&mut self) {
        let socket = self.socket();
        let protocol = format!("module-native-protocol-unix auth-anonymous=1 socket={}", socket.display());
        let device = format!("module-null-sink sink_name=range rate={RATE_HZ} channels=1 format=float32le");
        let child = self
            .command("pulseaudio")
            .env_remove("PULSE_SERVER")
            .args(["-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1", "--disallow-exit"])
            .args(["--disable-shm=yes", "--log-level=error", "--load", &device, "--load", &protocol])
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        self.process = Some(Running(child));
        wait_until("the server's answer", || probe(&self.env()).is_ok());
    }

    pub fn signal(&self, signal: &str) {
        let pid = self.process.as_ref().unwrap().0.id().to_string();
        assert!(Command::new("kill").args([signal, &pid]).status().unwrap().success());
    }

    pub fn stop(&mut self) {
        self.process = None;
        let _ = std::fs::remove_file(self.socket());
    }
}
