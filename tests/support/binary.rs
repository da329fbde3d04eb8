//! Runs the built program as a user would.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

/// The program with these arguments, its recordings' folder and sound out of the way of the user's own.
pub fn hingeclock(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hingeclock"));
    command.args(arguments).stdin(Stdio::null()).env_remove("RUST_LOG");
    // No fallback folder, unless a test names one.
    command.env("XDG_STATE_HOME", "/dev/null");
    command
}

/// Runs to the end.
pub fn run(arguments: &[&str]) -> Output {
    hingeclock(arguments).output().unwrap()
}

/// Exit code of a finished run.
pub fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

/// Standard error as text.
pub fn errors(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// A program that is killed when the test is over, however it ends.
pub struct Running(pub Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts the virtual glove; gives it and the path of its port.
pub fn emulate(arguments: &[&str]) -> (Running, String) {
    let mut command = hingeclock(&["emulate"]);
    let child = command.args(arguments).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut glove = Running(child);
    let mut lines = BufReader::new(glove.0.stdout.take().unwrap()).lines();
    let port = lines.next().unwrap().unwrap();
    (glove, port)
}

/// Arguments of a daemon that listens to `port`, keeps quiet, and ends with the glove.
pub fn listen<'a>(port: &'a str, folder: &'a str) -> Vec<&'a str> {
    vec!["run", "--port", port, "--folder", folder, "--once", "--no-page", "--quiet", "--sound", "silent"]
}

/// The only recording in a folder.
pub fn recording(folder: &Path) -> PathBuf {
    let mut found: Vec<PathBuf> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    found.retain(|path| path.extension().is_some_and(|ending| ending == "mcap"));
    assert_eq!(found.len(), 1, "{found:?}");
    found.remove(0)
}

/// The `swings` of `analyze --json`.
pub fn swings(input: &Path) -> serde_json::Value {
    let output = run(&["analyze", input.to_str().unwrap(), "--json"]);
    let object: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap_or_else(|error| {
        panic!("{}: {error}: {}", input.display(), errors(&output));
    });
    object["swings"].clone()
}
