//! Swings of all recordings, filtered and a page at a time.

use super::index::{COUNTS, Index};
use crate::units::{Measured, WallTime};
use rusqlite::{Result, Row, named_params};
use unicode_normalization::UnicodeNormalization;

/// What is looked for. Empty fields ask for nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Wanted {
    /// Part of the recording's path, the player's name, the club or a tag.
    pub text: String,
    /// The player, wholly.
    pub player: String,
    /// The club, wholly.
    pub club: String,
    /// The class of the set.
    pub class: String,
    /// A tag, wholly.
    pub tag: String,
    /// So many rows are passed over.
    pub from: usize,
    /// So many are given at most.
    pub most: usize,
}

/// One row.
#[derive(Clone, Debug, PartialEq)]
pub struct ListedSwing {
    /// The recording's number.
    pub uuid: String,
    /// Its path in the library.
    pub path: String,
    /// The player; empty where it was not said.
    pub player: String,
    /// When the recording was begun.
    pub started: Option<WallTime>,
    /// The swing's place in it, from 1.
    pub place: usize,
    /// The club, corrected where somebody did.
    pub club: Option<String>,
    /// The class of the set.
    pub class: String,
    /// The set against the top, ms.
    pub set_to_top_ms: Option<Measured>,
    /// Arm travel at the set.
    pub arm_travel_at_set: Option<Measured>,
    /// Words to find it by.
    pub tags: Vec<String>,
    /// Why it is left out of statistics.
    pub excluded: Option<String>,
}

/// What was found.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Swings that are as wanted.
    pub count: usize,
    /// Those of the page, the newest recording first.
    pub swings: Vec<ListedSwing>,
    /// Every player, for a choice.
    pub players: Vec<String>,
    /// Every club, for a choice.
    pub clubs: Vec<String>,
}

/// Conditions on a swing and its recording, which is no copy of another. Each of the others is void where its parameter
/// is empty.
const MATCHES: &str = "FROM swings JOIN buckets ON buckets.id = swings.bucket WHERE
    buckets.id IN (SELECT id FROM counted) AND
    (:player = '' OR player = :player) AND (:club = '' OR club = :club) AND (:class = '' OR class = :class)
    AND (:tag = '' OR EXISTS (SELECT 1 FROM json_each(tags) WHERE value = :tag))
    AND (:text = '' OR instr(caseless(path || char(10) || player || char(10) || coalesce(club, '') || char(10) || tags),
         caseless(:text)) > 0)";

/// A text as it is compared where case does not count, in any script: `É`, `é`, and `e` with an accent put on it are
/// one.
pub(super) fn caseless(text: &str) -> String {
    if text.is_ascii() {
        return text.to_ascii_lowercase();
    }
    // By way of capitals, since a capital may stand for more than one small letter: Σ for σ and ς, SS for ß.
    let capitals = text.nfd().flat_map(char::to_uppercase);
    capitals.flat_map(char::to_lowercase).nfc().collect()
}

impl Index {
    /// The swings that are wanted, the newest recording first.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn search(&self, wanted: &Wanted) -> Result<Found> {
        let asked = named_params! {
            ":player": wanted.player, ":club": wanted.club, ":class": wanted.class, ":tag": wanted.tag,
            ":text": wanted.text,
        };
        let counted = format!("WITH counted AS MATERIALIZED (SELECT id FROM buckets WHERE {COUNTS})");
        let mut query = self.connection.prepare_cached(&format!("{counted} SELECT count(*) {MATCHES}"))?;
        let count: i64 = query.query_row(asked, |row| row.get(0))?;
        let mut query = self.connection.prepare_cached(&format!(
            "{counted} SELECT uuid, path, player, started_unix_ms, place, club, class, set_to_top_ms, set_to_top_ms_sd,
             arm_travel_at_set, arm_travel_at_set_sd, tags, excluded {MATCHES}
             ORDER BY started_unix_ms DESC, path, place LIMIT {} OFFSET {}",
            wanted.most, wanted.from
        ))?;
        let swings = query.query_map(asked, listed)?.collect::<Result<_>>()?;
        Ok(Found {
            count: usize::try_from(count).unwrap_or(0),
            swings,
            players: self.words("SELECT DISTINCT player FROM buckets WHERE player <> '' ORDER BY player")?,
            clubs: self.words("SELECT DISTINCT club FROM swings WHERE club IS NOT NULL ORDER BY club")?,
        })
    }

    fn words(&self, query: &str) -> Result<Vec<String>> {
        let mut query = self.connection.prepare_cached(query)?;
        query.query_map([], |row| row.get(0))?.collect()
    }
}

fn listed(row: &Row<'_>) -> Result<ListedSwing> {
    let measured = |at: usize| -> Result<Option<Measured>> {
        let (value, sd): (Option<f64>, Option<f64>) = (row.get(at)?, row.get(at + 1)?);
        Ok(value.zip(sd).map(|(value, sd)| Measured::new(value, sd)))
    };
    let tags: String = row.get(11)?;
    Ok(ListedSwing {
        uuid: row.get(0)?,
        path: row.get(1)?,
        player: row.get(2)?,
        started: row.get::<_, Option<i64>>(3)?.map(WallTime),
        place: row.get::<_, i64>(4).map(|place| usize::try_from(place).unwrap_or(0))?,
        club: row.get(5)?,
        class: row.get(6)?,
        set_to_top_ms: measured(7)?,
        arm_travel_at_set: measured(9)?,
        // Written by the index itself; were they damaged, the row still counts.
        tags: serde_json::from_str(&tags).unwrap_or_default(),
        excluded: row.get(12)?,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn case_does_not_count_in_any_script_nor_how_a_letter_is_put_together() {
        for (one, other) in [
            ("Iron 7", "iRON 7"),
            ("Émile", "émile"),
            ("Émile", "E\u{301}MILE"),
            ("Straße", "STRASSE"),
            ("ΟΔΥΣΣΕΥΣ", "οδυσσευς"),
            ("Ёж", "ёж"),
            ("한글", "\u{1112}\u{1161}\u{11ab}\u{1100}\u{1173}\u{11af}"),
        ] {
            assert_eq!(caseless(one), caseless(other), "{one} {other}");
        }
        for (one, other) in [("Émile", "Emile"), ("Emile\u{301}", "Emile"), ("Ё", "Е")] {
            assert_ne!(caseless(one), caseless(other), "{one} {other}");
        }
        // What is found may lie within a word.
        assert!(caseless("ΟΔΥΣΣΕΥΣ").contains(&caseless("οδυσ")));
        assert!(!caseless("Emilé").contains(&caseless("emile")));
    }
}
