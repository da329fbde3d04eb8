//! Python programs as independent readers.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;
use std::process::Command;

/// Whether python3 has a module; a line where it has not.
pub fn has(module: &str) -> bool {
    let found = Command::new("python3").args(["-c", &format!("import {module}")]).output();
    let found = found.is_ok_and(|output| output.status.success());
    if !found {
        println!("skipped: python3 with {module} is not here");
    }
    found
}

/// What a program prints that is given these paths.
pub fn printed(program: &str, paths: &[&Path]) -> String {
    let output = Command::new("python3").arg("-c").arg(program).args(paths).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}
