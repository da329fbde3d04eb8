//! The index: an SQLite file that answers quickly what the recordings would answer slowly. It holds nothing that
//! is not in them and in the files beside them, so it may be thrown away at any time.

mod asked;
pub(super) use asked::COUNTS;

use super::analysis::{Analysed, BucketFacts};
use super::files::{Beside, Stamp};
use super::numbers::{ANALYSER, SwingNumbers};
use super::remarks::{Remarks, Standing, standings};
use super::results::VersionResult;
use super::search::caseless;
use crate::record::input::name_of;
use crate::units::{DeviceTime, WallTime};
use rusqlite::functions::FunctionFlags;
use rusqlite::types::Value;
use rusqlite::{Connection, OpenFlags, params};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Number of the tables' form. Another one is thrown away and built anew.
const SCHEMA: i64 = 4;
/// How long another program's hold on the file is waited for.
const BUSY: Duration = Duration::from_secs(5);

const TABLES: &str = "
CREATE TABLE about (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE buckets (
    id INTEGER PRIMARY KEY,
    path TEXT NOT NULL UNIQUE, name TEXT NOT NULL,
    uuid TEXT NOT NULL,
    size INTEGER NOT NULL, changed_ns INTEGER NOT NULL,
    remarks_size INTEGER, remarks_changed_ns INTEGER,
    results_size INTEGER, results_changed_ns INTEGER,
    player TEXT NOT NULL, started_unix_ms INTEGER,
    finished INTEGER NOT NULL,
    facts TEXT NOT NULL,
    problems TEXT NOT NULL);
CREATE TABLE swings (
    bucket INTEGER NOT NULL REFERENCES buckets(id) ON DELETE CASCADE,
    place INTEGER NOT NULL, takeaway_us INTEGER NOT NULL, class TEXT NOT NULL,
    set_to_top_ms REAL, set_to_top_ms_sd REAL, arm_travel_at_set REAL, arm_travel_at_set_sd REAL,
    club TEXT, excluded TEXT, tags TEXT NOT NULL,
    numbers TEXT NOT NULL,
    PRIMARY KEY (bucket, place)) WITHOUT ROWID;
CREATE TABLE remarks (
    bucket INTEGER NOT NULL REFERENCES buckets(id) ON DELETE CASCADE,
    line INTEGER NOT NULL, remark TEXT NOT NULL,
    PRIMARY KEY (bucket, line)) WITHOUT ROWID;
CREATE TABLE earlier_results (
    bucket INTEGER NOT NULL REFERENCES buckets(id) ON DELETE CASCADE,
    line INTEGER NOT NULL, analyser TEXT NOT NULL, settings TEXT NOT NULL, swings TEXT NOT NULL,
    PRIMARY KEY (bucket, line)) WITHOUT ROWID;
CREATE INDEX buckets_by_player ON buckets (player, started_unix_ms);
CREATE INDEX buckets_by_name ON buckets (name);
CREATE INDEX buckets_by_uuid ON buckets (uuid);
";

/// A recording as the index knows it.
#[derive(Clone, Debug, PartialEq)]
pub struct Bucket {
    /// Its row.
    pub id: i64,
    /// Its path in the library.
    pub path: PathBuf,
    /// Its stamp.
    pub stamp: Stamp,
    /// Those of the files beside it.
    pub beside: [Option<Stamp>; 2],
    /// Made from others, and these are laid aside.
    pub finished: bool,
    /// What is known of it.
    pub facts: BucketFacts,
    /// What is wrong with the files beside it.
    pub problems: Vec<String>,
    /// How many swings it has.
    pub swings: usize,
}

impl Bucket {
    /// What recordings are ordered by: when they were begun, then their path.
    #[must_use]
    pub fn in_time(&self) -> (Option<WallTime>, &Path) {
        (self.facts.started, &self.path)
    }
}

/// What a list tells of a recording's swings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ClubsAndTags {
    /// The clubs, in the order in which they were used.
    pub clubs: Vec<String>,
    /// The words to find them by.
    pub tags: BTreeSet<String>,
}

/// A swing as the index knows it.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownSwing {
    /// Its place in the bucket, from 1.
    pub place: usize,
    /// The club, corrected where somebody did.
    pub club: Option<String>,
    /// Why it is left out of statistics.
    pub excluded: Option<String>,
    /// Words to find it by.
    pub tags: Vec<String>,
    /// What was measured.
    pub numbers: SwingNumbers,
}

/// A swing that counts for a player's statistics.
#[derive(Clone, Debug, PartialEq)]
pub struct CountedSwing {
    /// The bucket's row.
    pub bucket: i64,
    /// The club, corrected where somebody did.
    pub club: Option<String>,
    /// The set against the top, ms.
    pub set_to_top_ms: f64,
    /// Arm travel at the set.
    pub arm_travel_at_set: f64,
    /// The set came after the top.
    pub after_top: bool,
}

/// What a text file beside a recording says.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BesideRead {
    /// What people added.
    pub remarks: Remarks,
    /// What other versions, or other settings, found.
    pub results: Vec<VersionResult>,
    /// What is wrong with the files.
    pub problems: Vec<String>,
}

/// The open index.
pub struct Index {
    pub(super) connection: Connection,
}

type Result<T> = rusqlite::Result<T>;

impl Index {
    /// Opens the index for reading and writing; makes its tables where there are none.
    ///
    /// # Errors
    /// It is damaged, of another form, made by another version or for other settings: to be thrown away.
    pub fn open(path: &Path, settings: &str) -> Result<Index> {
        let connection = Connection::open(path)?;
        connection.busy_timeout(BUSY)?;
        connection.execute_batch(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA foreign_keys = ON;",
        )?;
        Index::over(connection)?.checked(settings)
    }

    /// An index in memory, for a folder that cannot be written.
    ///
    /// # Errors
    /// Memory is short.
    pub fn in_memory(settings: &str) -> Result<Index> {
        let connection = Connection::open_in_memory()?;
        connection.execute_batch("PRAGMA foreign_keys = ON;")?;
        Index::over(connection)?.checked(settings)
    }

    /// Opens an index that lies where nothing can be written, or that another program is bringing up to date.
    ///
    /// # Errors
    /// It is missing, damaged or of another form.
    pub fn open_read_only(path: &Path, settings: &str) -> Result<Index> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let index = Index::over(Connection::open_with_flags(path, flags)?)?;
        index.connection.busy_timeout(BUSY)?;
        index.check(settings)?;
        Ok(index)
    }

    /// Teaches SQLite, which knows the case of ASCII alone, how texts are compared.
    fn over(connection: Connection) -> Result<Index> {
        let flags = FunctionFlags::SQLITE_UTF8 | FunctionFlags::SQLITE_DETERMINISTIC;
        connection.create_scalar_function("caseless", 1, flags, |called| {
            Ok(caseless(called.get_raw(0).as_str()?))
        })?;
        Ok(Index { connection })
    }

    fn checked(self, settings: &str) -> Result<Index> {
        let tables: i64 =
            self.connection.query_row("SELECT count(*) FROM sqlite_master", [], |row| row.get(0))?;
        if tables == 0 {
            self.connection
                .execute_batch(&format!("BEGIN; {TABLES} PRAGMA user_version = {SCHEMA}; COMMIT;"))?;
            for (key, value) in [("analyser", ANALYSER), ("settings", settings)] {
                self.connection.execute("INSERT INTO about VALUES (?1, ?2)", [key, value])?;
            }
        }
        self.check(settings)?;
        Ok(self)
    }

    fn check(&self, settings: &str) -> Result<()> {
        let version: i64 = self.connection.query_row("PRAGMA user_version", [], |row| row.get(0))?;
        let sound: String = self.connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
        let same =
            version == SCHEMA && self.about("analyser")? == ANALYSER && self.about("settings")? == settings;
        if same && sound == "ok" { Ok(()) } else { Err(rusqlite::Error::InvalidQuery) }
    }

    /// By which program and for which settings an index was made, if it is one of ours.
    #[must_use]
    pub fn made_for(path: &Path) -> Option<(String, String)> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let index = Index::over(Connection::open_with_flags(path, flags).ok()?).ok()?;
        index.about("analyser").and_then(|by| Ok((by, index.about("settings")?))).ok()
    }

    fn about(&self, key: &str) -> Result<String> {
        self.connection.query_row("SELECT value FROM about WHERE key = ?1", [key], |row| row.get(0))
    }

    /// Puts a recording and its swings in, in place of what was known under its path.
    ///
    /// # Errors
    /// The index cannot be written.
    pub fn put(
        &mut self,
        path: &Path,
        stamps: (Stamp, [Option<Stamp>; 2]),
        analysed: &Analysed,
        beside: &BesideRead,
    ) -> Result<()> {
        let Analysed { facts, swings } = analysed;
        let transaction = self.connection.transaction()?;
        transaction.execute("DELETE FROM buckets WHERE path = ?1", [text_of(path)])?;
        transaction.execute(
            "INSERT INTO buckets
             (path, name, uuid, size, changed_ns, player, started_unix_ms, finished, facts, problems)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 0, ?8, '[]')",
            params![
                text_of(path),
                name_of(path),
                facts.uuid.to_string(),
                stamps.0.size,
                stamps.0.changed_ns,
                facts.player,
                facts.started.map(|started| started.0),
                json_text(facts)?
            ],
        )?;
        let id = transaction.last_insert_rowid();
        for (place, numbers) in swings.iter().enumerate() {
            put_swing(&transaction, id, place + 1, numbers)?;
        }
        put_beside(&transaction, id, &stamps.1, beside, swings)?;
        transaction.commit()
    }

    /// Puts in what the files beside a recording say now.
    ///
    /// # Errors
    /// The index cannot be written.
    pub fn put_beside(
        &mut self,
        bucket: i64,
        stamps: &[Option<Stamp>; 2],
        beside: &BesideRead,
    ) -> Result<()> {
        let swings: Vec<SwingNumbers> = self.swings(bucket)?.into_iter().map(|swing| swing.numbers).collect();
        let transaction = self.connection.transaction()?;
        transaction.execute("DELETE FROM remarks WHERE bucket = ?1", [bucket])?;
        transaction.execute("DELETE FROM earlier_results WHERE bucket = ?1", [bucket])?;
        put_beside(&transaction, bucket, stamps, beside, &swings)?;
        transaction.commit()
    }

    /// A recording is called otherwise now.
    ///
    /// # Errors
    /// The index cannot be written.
    pub fn rename(&mut self, bucket: i64, path: &Path) -> Result<()> {
        self.connection
            .execute(
                "UPDATE buckets SET path = ?2, name = ?3 WHERE id = ?1",
                params![bucket, text_of(path), name_of(path)],
            )
            .map(drop)
    }

    /// A recording is no longer there.
    ///
    /// # Errors
    /// The index cannot be written.
    pub fn remove(&mut self, bucket: i64) -> Result<()> {
        self.connection.execute("DELETE FROM buckets WHERE id = ?1", [bucket]).map(drop)
    }

    /// All that it holds, as lines in a fixed order: two indexes with the same content give the same text.
    ///
    /// # Errors
    /// The index cannot be read.
    pub fn dump(&self) -> Result<String> {
        let queries = [
            "SELECT * FROM about ORDER BY key",
            "SELECT path, uuid, size, changed_ns, remarks_size, remarks_changed_ns, results_size, results_changed_ns,
             player, started_unix_ms, finished, facts, problems FROM buckets ORDER BY path",
            "SELECT path, swings.* FROM swings JOIN buckets ON id = bucket ORDER BY path, place",
            "SELECT path, remarks.* FROM remarks JOIN buckets ON id = bucket ORDER BY path, line",
            "SELECT path, earlier_results.* FROM earlier_results JOIN buckets ON id = bucket ORDER BY path, line",
        ];
        let mut text = String::new();
        for query in queries {
            let mut query = self.connection.prepare(query)?;
            let names: Vec<String> = query.column_names().map(str::to_owned).collect();
            let mut rows = query.query([])?;
            while let Some(row) = rows.next()? {
                for (at, name) in names.iter().enumerate().filter(|(_, name)| *name != "bucket") {
                    text.push_str(&format!("{name}={:?} ", row.get::<_, Value>(at)?));
                }
                text.push('\n');
            }
        }
        Ok(text)
    }
}

fn put_swing(connection: &Connection, bucket: i64, place: usize, numbers: &SwingNumbers) -> Result<()> {
    let mut insert = connection
        .prepare_cached("INSERT INTO swings VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, NULL, '[]', ?10)")?;
    let (set, travel) = (numbers.set_to_top_ms, numbers.arm_travel_at_set);
    insert.execute(params![
        bucket,
        place as i64,
        numbers.takeaway_us.0,
        numbers.class,
        set.map(|set| set.value),
        set.map(|set| set.sd),
        travel.map(|travel| travel.value),
        travel.map(|travel| travel.sd),
        numbers.club,
        json_text(numbers)?
    ])?;
    Ok(())
}

fn put_beside(
    connection: &Connection,
    bucket: i64,
    stamps: &[Option<Stamp>; 2],
    beside: &BesideRead,
    swings: &[SwingNumbers],
) -> Result<()> {
    let takeaways: Vec<DeviceTime> = swings.iter().map(|swing| swing.takeaway_us).collect();
    let (_, standings, lost) = standings(&takeaways, &beside.remarks.remarks);
    let problems: Vec<&String> =
        beside.remarks.problems.iter().chain(&beside.problems).chain(&lost).collect();
    let [remarks, results] = [Beside::Remarks, Beside::Results].map(|kind| stamps[kind as usize]);
    connection.execute(
        "UPDATE buckets SET finished = ?2, problems = ?3, remarks_size = ?4, remarks_changed_ns = ?5,
         results_size = ?6, results_changed_ns = ?7 WHERE id = ?1",
        params![
            bucket,
            beside.remarks.finished(),
            json_text(&problems)?,
            remarks.map(|stamp| stamp.size),
            remarks.map(|stamp| stamp.changed_ns),
            results.map(|stamp| stamp.size),
            results.map(|stamp| stamp.changed_ns)
        ],
    )?;
    put_standings(connection, bucket, &standings, swings)?;
    put_lines(connection, bucket, beside)
}

/// What was said of each swing.
fn put_standings(
    connection: &Connection,
    bucket: i64,
    standings: &[Standing],
    swings: &[SwingNumbers],
) -> Result<()> {
    let mut update = connection.prepare_cached(
        "UPDATE swings SET club = ?3, excluded = ?4, tags = ?5 WHERE bucket = ?1 AND place = ?2",
    )?;
    for (at, (standing, numbers)) in standings.iter().zip(swings).enumerate() {
        let club = standing.club.as_ref().or(numbers.club.as_ref());
        let (place, tags) = (at as i64 + 1, json_text(&standing.tags)?);
        update.execute(params![bucket, place, club, standing.excluded, tags])?;
    }
    Ok(())
}

/// The lines of the files beside a recording.
fn put_lines(connection: &Connection, bucket: i64, beside: &BesideRead) -> Result<()> {
    let mut insert = connection.prepare_cached("INSERT INTO remarks VALUES (?1, ?2, ?3)")?;
    for (line, remark) in beside.remarks.remarks.iter().enumerate() {
        insert.execute(params![bucket, line as i64, json_text(remark)?])?;
    }
    let mut insert = connection.prepare_cached("INSERT INTO earlier_results VALUES (?1, ?2, ?3, ?4, ?5)")?;
    for (line, result) in beside.results.iter().enumerate() {
        let swings = json_text(&result.swings)?;
        insert.execute(params![bucket, line as i64, result.by, result.settings, swings])?;
    }
    Ok(())
}

fn json_text<T: serde::Serialize>(value: &T) -> Result<String> {
    serde_json::to_string(value).map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))
}

/// A path as text. Names that are no text get a stand-in: two such may be taken for one another, and no more.
fn text_of(path: &Path) -> String {
    path.to_string_lossy().into_owned()
}
