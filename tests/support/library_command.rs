//! The library's commands as a user gives them, on a folder with invented buckets.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::binary::{code, errors, run};
use super::shelf;
use serde_json::Value;
use std::path::Path;
use std::process::Output;

/// Puts a recording with so many swings into the folder, an hour later for each `seed`.
pub fn add(folder: &Path, name: &str, player: &str, swings: usize, seed: u64) {
    let session = shelf::session(player, 1_700_000_000_000 + 3_600_000 * seed as i64);
    shelf::put(folder, name, &session, &shelf::recorded(&shelf::bucket(swings, seed), &session));
}

/// `hingeclock library` with these arguments.
pub fn library(folder: &Path, arguments: &[&str]) -> Output {
    let mut all = vec!["library", "--folder", folder.to_str().unwrap()];
    all.extend(arguments);
    run(&all)
}

/// What it prints as JSON.
pub fn json(folder: &Path, arguments: &[&str]) -> Value {
    let mut all = arguments.to_vec();
    all.push("--json");
    let output = library(folder, &all);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    serde_json::from_slice(&output.stdout).unwrap()
}
