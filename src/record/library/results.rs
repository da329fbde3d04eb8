//! NAME.results.jsonl: what each version of the program found in a recording, one version a line. Pure.
//!
//! A newer version cannot work out what an older one found, so this is no cache: it is kept beside the recording
//! and goes where it goes. The numbers of the present version never come from here.

use super::numbers::SwingNumbers;
use super::remarks::recording_named;
use serde::{Deserialize, Serialize};

/// What one version found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VersionResult {
    /// The program and its version.
    pub by: String,
    /// Stands for the settings it was asked to go by: others give other numbers.
    pub settings: String,
    /// The swings.
    pub swings: Vec<SwingNumbers>,
}

/// Reads a file; lines that cannot be read are told. Of several results of one version under the same settings the
/// last counts: a recording may have been looked at while it was still going on.
#[must_use]
pub fn parse(bytes: &[u8]) -> (Vec<VersionResult>, Vec<String>) {
    let (mut results, mut problems) = (Vec::<VersionResult>::new(), Vec::new());
    let lines = bytes.split(|byte| *byte == b'\n').enumerate();
    for (at, line) in lines.filter(|(_, line)| !line.is_empty()) {
        match serde_json::from_slice::<VersionResult>(line) {
            Ok(result) => {
                results.retain(|other| (&other.by, &other.settings) != (&result.by, &result.settings));
                results.push(result);
            }
            Err(_) if at == 0 && recording_named(line).is_some() => {}
            Err(error) => {
                let what = format!("results, line {}: expected a version's swings, found: {error}", at + 1);
                problems.push(what);
            }
        }
    }
    (results, problems)
}
