//! A recording read wholly and analysed by the present version: what the index keeps of it.

use super::made_from::{About, MadeFrom, about};
use super::numbers::SwingNumbers;
use crate::detect::{AnalysisParams, BucketAnalysis, NodeLoss, OfflineAnalysis};
use crate::record::error::InputError;
use crate::record::input::open_input;
use crate::record::salvage::SalvageReport;
use crate::units::{PlayerHand, WallTime};
use serde::{Deserialize, Serialize};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use uuid::Uuid;

/// What is kept of a recording beside its swings.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BucketFacts {
    /// Its number.
    pub uuid: Uuid,
    /// The player's name; empty where it was not said.
    pub player: String,
    /// The side played from, where known.
    pub hand: Option<PlayerHand>,
    /// When it was begun.
    pub started: Option<WallTime>,
    /// The program that recorded it.
    pub software: Option<String>,
    /// From what it was made.
    pub made_from: Option<MadeFrom>,
    /// Samples in it.
    pub samples: u64,
    /// What was lost of it on the disk, in sentences.
    pub losses: Vec<String>,
    /// What was lost on the way, node by node.
    pub node_losses: Vec<NodeLoss>,
    /// It has no end: its writer was stopped, or is still at work.
    pub unfinished: bool,
    /// What else the reader should know.
    pub notes: Vec<String>,
    /// Why nothing could be read at all.
    pub unreadable: Option<String>,
}

/// A recording, analysed.
#[derive(Clone, Debug, PartialEq)]
pub struct Analysed {
    /// What is known of the whole.
    pub facts: BucketFacts,
    /// Its swings.
    pub swings: Vec<SwingNumbers>,
}

/// What an analysis goes by.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rules {
    /// The parameters.
    pub params: AnalysisParams,
    /// The side played from, where a recording does not say.
    pub hand: PlayerHand,
}

impl From<AnalysisParams> for Rules {
    fn from(params: AnalysisParams) -> Rules {
        Rules { params, hand: PlayerHand::Right }
    }
}

impl Rules {
    /// Stands for them in a few letters: others give other numbers.
    #[must_use]
    pub fn mark(&self) -> String {
        let text = format!("{self:?}");
        format!("{:08x}", crate::record::mcap_bytes::crc32(text.as_bytes()))
    }
}

/// Reads a recording and analyses it. What cannot be read is a fact like others: it costs no other recording.
#[must_use]
pub fn analyse(path: &Path, rules: Rules) -> Analysed {
    let about = about(path);
    let facts = match &about {
        Ok(about) => facts_of(about),
        Err(_) => facts_of(&About { uuid: Uuid::nil(), session: None, made_from: None }),
    };
    // A detector that fails costs this recording its numbers, and no more.
    let read = about.and_then(|_| {
        catch_unwind(AssertUnwindSafe(|| read(path, rules, &facts))).unwrap_or_else(|_| {
            let (expected, found) = ("an analysis".to_owned(), "a fault of the program".to_owned());
            Err(InputError::Format { path: path.to_owned(), expected, found })
        })
    });
    read.unwrap_or_else(|error| {
        let what = error.to_string();
        let name = format!("{}: ", path.display());
        let what = what.strip_prefix(&name).unwrap_or(&what).to_owned();
        Analysed { facts: BucketFacts { unreadable: Some(what), ..facts }, swings: Vec::new() }
    })
}

fn facts_of(about: &About) -> BucketFacts {
    let session = about.session.as_ref();
    BucketFacts {
        uuid: about.uuid,
        player: session.map_or_else(String::new, |session| session.player.clone()),
        hand: session.map(|session| session.player_hand),
        started: session.map(|session| session.started),
        software: session.map(|session| session.software.clone()),
        made_from: about.made_from.clone(),
        samples: 0,
        losses: Vec::new(),
        node_losses: Vec::new(),
        unfinished: false,
        notes: Vec::new(),
        unreadable: None,
    }
}

/// A recording's swings, the side that they were played from, and what its reader has to say.
///
/// # Errors
/// The recording cannot be read.
pub fn analysis_of(
    path: &Path,
    rules: Rules,
) -> Result<(BucketAnalysis, PlayerHand, SalvageReport), InputError> {
    let mut input = open_input(path)?.or_hand(rules.hand);
    let mut analysis = OfflineAnalysis::new(&input.device, rules.params);
    for arrival in input.arrivals.by_ref() {
        analysis.push(&arrival?);
    }
    Ok((analysis.finish(), input.device.player_hand, input.report()))
}

fn read(path: &Path, rules: Rules, facts: &BucketFacts) -> Result<Analysed, InputError> {
    let (analysis, hand, report) = analysis_of(path, rules)?;
    let missing = report.missing_nodes();
    let notes = report.notes.iter().chain(&missing).chain(&analysis.notes).cloned().collect();
    let facts = BucketFacts {
        // That of the glove, where it knows it, goes before the session's.
        hand: Some(hand),
        samples: report.samples_read,
        losses: report.sentences(),
        node_losses: analysis.losses.clone(),
        unfinished: report.unfinished,
        notes,
        ..facts.clone()
    };
    Ok(Analysed { facts, swings: analysis.swings.iter().map(SwingNumbers::of).collect() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hand_is_the_one_that_the_numbers_were_worked_out_by() {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("recordings/left-handed.mcap");
        let said = BucketFacts { hand: Some(PlayerHand::Right), ..facts_of(&about(&path).unwrap()) };
        let read = read(&path, AnalysisParams::default().into(), &said).unwrap();
        assert_eq!(read.facts.hand, Some(PlayerHand::Left));
    }
}
