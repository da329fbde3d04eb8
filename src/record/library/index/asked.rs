//! What the index is asked.

use super::{Bucket, ClubsAndTags, CountedSwing, Index, KnownSwing, Result};
use crate::detect::Class;
use crate::record::library::files::{RECORDING, Stamp};
use crate::record::library::remarks::Remark;
use crate::record::library::results::VersionResult;
use rusqlite::Row;
use std::collections::BTreeMap;
use std::path::PathBuf;
use uuid::Uuid;

/// A recording counts once: of its copies the one with the shortest path that can be read, since a copy mostly has a
/// longer name.
pub(in crate::record::library) const COUNTS: &str =
    "NOT EXISTS (SELECT 1 FROM buckets AS other WHERE other.uuid = buckets.uuid
    AND (length(other.path), other.path) < (length(buckets.path), buckets.path)
    AND json_extract(other.facts, '$.unreadable') IS NULL)";

impl Index {
    /// Every recording, by path.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn buckets(&self) -> Result<Vec<Bucket>> {
        self.buckets_where("TRUE", [])
    }

    /// Every recording that counts, by path: of one that is there more than once, a single copy.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn counted_buckets(&self) -> Result<Vec<Bucket>> {
        self.buckets_where(COUNTS, [])
    }

    /// How many recordings there are.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn count(&self) -> Result<usize> {
        self.connection.query_row("SELECT count(*) FROM buckets", [], |row| place(row, 0))
    }

    /// The recordings that a word may mean: that of this very path, with or without the ending, or else those of
    /// this name or whose number begins so.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn meant(&self, word: &str) -> Result<Vec<Bucket>> {
        let ended = format!("{word}{RECORDING}");
        let exact = self.buckets_where("path IN (?1, ?2)", [word, &ended])?;
        if !exact.is_empty() {
            return Ok(exact.into_iter().take(1).collect());
        }
        // The letters of a number; what comes after all that begin with them ends in a letter no number has.
        let number = word.len() >= 4 && word.bytes().all(|byte| byte == b'-' || byte.is_ascii_hexdigit());
        let low = word.to_ascii_lowercase();
        let (from, to) = if number { (low.clone(), format!("{low}~")) } else { Default::default() };
        self.buckets_where("name IN (?1, ?2) OR uuid BETWEEN ?3 AND ?4", [word, &ended, &from, &to])
    }

    /// The recording of this number; of its copies the one that counts.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn numbered(&self, uuid: Uuid) -> Result<Option<Bucket>> {
        let found = self.buckets_where(&format!("uuid = ?1 AND {COUNTS}"), [uuid.to_string()])?;
        Ok(found.into_iter().next())
    }

    fn buckets_where(&self, condition: &str, values: impl rusqlite::Params) -> Result<Vec<Bucket>> {
        let mut query = self.connection.prepare_cached(&format!(
            "SELECT id, path, size, changed_ns, remarks_size, remarks_changed_ns, results_size,
             results_changed_ns, finished, facts, problems,
             (SELECT count(*) FROM swings WHERE bucket = id) FROM buckets WHERE {condition} ORDER BY path"
        ))?;
        let rows = query.query_map(values, bucket)?;
        rows.collect()
    }

    /// Clubs and tags of the swings of every recording that has swings, by its row: each club once, in order.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn clubs_and_tags(&self) -> Result<BTreeMap<i64, ClubsAndTags>> {
        let mut query =
            self.connection.prepare_cached("SELECT bucket, club, tags FROM swings ORDER BY bucket, place")?;
        let mut rows = query.query([])?;
        let mut found = BTreeMap::<i64, ClubsAndTags>::new();
        while let Some(row) = rows.next()? {
            let of = found.entry(row.get(0)?).or_default();
            let club: Option<String> = row.get(1)?;
            of.clubs.extend(club.filter(|club| !of.clubs.contains(club)));
            of.tags.extend(json::<Vec<String>>(row, 2)?);
        }
        Ok(found)
    }

    /// The swings of a recording, by the present version.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn swings(&self, bucket: i64) -> Result<Vec<KnownSwing>> {
        let mut query = self.connection.prepare_cached(
            "SELECT place, club, excluded, tags, numbers FROM swings WHERE bucket = ?1 ORDER BY place",
        )?;
        let rows = query.query_map([bucket], |row| {
            Ok(KnownSwing {
                place: place(row, 0)?,
                club: row.get(1)?,
                excluded: row.get(2)?,
                tags: json(row, 3)?,
                numbers: json(row, 4)?,
            })
        })?;
        rows.collect()
    }

    /// The remarks on a recording, in the order in which they were made.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn remarks(&self, bucket: i64) -> Result<Vec<Remark>> {
        let mut query =
            self.connection.prepare_cached("SELECT remark FROM remarks WHERE bucket = ?1 ORDER BY line")?;
        let rows = query.query_map([bucket], |row| json(row, 0))?;
        rows.collect()
    }

    /// What other versions, or other settings, found in a recording.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn earlier_results(&self, bucket: i64) -> Result<Vec<VersionResult>> {
        let mut query = self.connection.prepare_cached(
            "SELECT analyser, settings, swings FROM earlier_results WHERE bucket = ?1 ORDER BY line",
        )?;
        let rows = query.query_map([bucket], |row| {
            Ok(VersionResult { by: row.get(0)?, settings: row.get(1)?, swings: json(row, 2)? })
        })?;
        rows.collect()
    }

    /// The swings of a player that count, in order of time: with a set, not left out, and of no copy.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn counted(&self, player: &str) -> Result<Vec<CountedSwing>> {
        let mut query = self.connection.prepare_cached(&format!(
            "SELECT swings.bucket, club, set_to_top_ms, arm_travel_at_set, class FROM buckets
             JOIN swings ON swings.bucket = buckets.id
             WHERE player = ?1 AND excluded IS NULL AND set_to_top_ms IS NOT NULL
               AND arm_travel_at_set IS NOT NULL AND {COUNTS}
             ORDER BY started_unix_ms, path, place"
        ))?;
        let rows = query.query_map([player], |row| {
            Ok(CountedSwing {
                bucket: row.get(0)?,
                club: row.get(1)?,
                set_to_top_ms: row.get(2)?,
                arm_travel_at_set: row.get(3)?,
                after_top: row.get::<_, String>(4)? == Class::AfterTop.word(),
            })
        })?;
        rows.collect()
    }
}

fn bucket(row: &Row<'_>) -> Result<Bucket> {
    let stamp = |at: usize| -> Result<Option<Stamp>> {
        let (size, changed_ns): (Option<i64>, Option<i64>) = (row.get(at)?, row.get(at + 1)?);
        Ok(size.zip(changed_ns).map(|(size, changed_ns)| Stamp { size, changed_ns }))
    };
    Ok(Bucket {
        id: row.get(0)?,
        path: PathBuf::from(row.get::<_, String>(1)?),
        stamp: stamp(2)?.unwrap_or_default(),
        beside: [stamp(4)?, stamp(6)?],
        finished: row.get(8)?,
        facts: json(row, 9)?,
        problems: json(row, 10)?,
        swings: place(row, 11)?,
    })
}

fn place(row: &Row<'_>, at: usize) -> Result<usize> {
    row.get::<_, i64>(at).map(|place| usize::try_from(place).unwrap_or(0))
}

fn json<T: serde::de::DeserializeOwned>(row: &Row<'_>, at: usize) -> Result<T> {
    let text: String = row.get(at)?;
    serde_json::from_str(&text).map_err(|error| {
        rusqlite::Error::FromSqlConversionFailure(at, rusqlite::types::Type::Text, Box::new(error))
    })
}
