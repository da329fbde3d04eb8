//! A whole library as a data set of Parquet files that data programs query as it is: folders tell player and date
//! (`player=NAME/date=2026-04-12`), a file holds one recording.
//!
//! A file's place follows from its recording alone, and a file is put there in one go, so however often an export is
//! cut off, tried again or repeated, each recording is there once or not at all. A file says in its metadata what it
//! was made of; where that is the same it is kept. Files of recordings that have left the library are taken away.

use super::files::{self, UNREADY};
use super::index::{Bucket, KnownSwing};
use super::numbers::{ANALYSER, EventNumbers, SegmentNumbers};
use super::open::{Library, LibraryError};
use crate::record::error::quoted;
use crate::record::input::{name_of, open_input};
use crate::record::lock::hold;
use crate::record::parquet_samples::ParquetSamples;
use crate::record::parquet_table::{Column, Fractions, TableWriter, Values};
use crate::record::storage::new_private_file;
use crate::units::Measured;
use parquet::errors::ParquetError;
use parquet::file::reader::{FileReader, SerializedFileReader};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufWriter};
use std::path::{Path, PathBuf, absolute};
use uuid::Uuid;

/// Key of the metadata that says what a file was made of. Files without it are none of ours.
const MADE_OF: &str = "hingeclock.made_of";
/// Number of the tables' form; another one is written anew.
const FORM: u32 = 2;
/// The file that is locked while a data set is written. Its name makes readers pass it over.
const LOCK: &str = ".hingeclock-data-set.lock";
/// What stands for a value that is not known, by the convention of Hive.
const UNKNOWN: &str = "__HIVE_DEFAULT_PARTITION__";

/// A table of the data set, in a folder of its name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Of {
    Swings,
    Samples,
    Markers,
}

impl Of {
    const ALL: [Of; 3] = [Of::Swings, Of::Samples, Of::Markers];

    fn word(self) -> &'static str {
        match self {
            Of::Swings => "swings",
            Of::Samples => "samples",
            Of::Markers => "markers",
        }
    }

    /// Where a recording's file stands.
    fn path(self, bucket: &Bucket) -> PathBuf {
        let player = Some(bucket.facts.player.as_str()).filter(|name| !name.is_empty());
        let date = bucket.facts.started.map(|started| started.utc("%Y-%m-%d"));
        let folder = Path::new(self.word())
            .join(format!("player={}", player.map_or_else(|| UNKNOWN.to_owned(), escaped)))
            .join(format!("date={}", date.as_deref().unwrap_or(UNKNOWN)));
        let number = bucket.facts.uuid;
        match self {
            // It has the number as a column.
            Of::Swings => folder.join(format!("{number}.parquet")),
            Of::Samples | Of::Markers => {
                folder.join(format!("recording={number}")).join(format!("{}.parquet", self.word()))
            }
        }
    }
}

/// A name as part of a folder's name. Readers turn `%2F` and its like back; beyond ASCII they differ in how, so such
/// letters stay as they are.
fn escaped(name: &str) -> String {
    let kept = |c: char| !c.is_ascii() || c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.');
    name.chars().map(|c| if kept(c) { c.to_string() } else { format!("%{:02X}", u32::from(c)) }).collect()
}

/// What an export did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    /// Files written.
    pub written: usize,
    /// Files that were there already, made of the same.
    pub kept: usize,
    /// Files of what has left the library, taken away.
    pub removed: usize,
    /// Swings in the data set.
    pub swings: usize,
    /// What could not be exported, and why.
    pub failed: Vec<String>,
}

impl Library {
    /// Writes or brings up to date a data set of all swings, and of all samples and markers where `samples` says so.
    /// What cannot be read costs no other recording.
    ///
    /// # Errors
    /// Another export is at work there, the folder holds other things, or a file cannot be written.
    pub fn export_data_set(&self, to: &Path, samples: bool) -> Result<Exported, LibraryError> {
        let failed = |source| LibraryError::File { path: to.to_owned(), source };
        let (library, wanted) = (absolute(&self.folder).map_err(failed)?, absolute(to).map_err(failed)?);
        if wanted.starts_with(&library) {
            return Err(LibraryError::asked("a folder outside the library", quoted(&to.to_string_lossy())));
        }
        files::make_folder(to).map_err(failed)?;
        let held = hold(to, LOCK, &format!("process {}", std::process::id()));
        let _held = held.map_err(|error| LibraryError::asked("a folder to export to", error.to_string()))?;
        let mut set = DataSet { folder: to, there: there(to)?, done: Exported::default() };
        // A copy would count twice; the one that counts is that of every other statistic.
        for bucket in self.index.counted_buckets()? {
            if let Some(why) = &bucket.facts.unreadable {
                set.done.failed.push(format!("{}: {why}", bucket.path.display()));
                // What was exported while it could be read may be the last that there is of it.
                set.keep(bucket.facts.uuid);
                continue;
            }
            self.export_swings(&bucket, &mut set)?;
            if samples {
                self.export_samples(&bucket, &mut set)?;
            }
        }
        set.remove_rest(samples)
    }

    fn export_swings(&self, bucket: &Bucket, set: &mut DataSet<'_>) -> Result<(), LibraryError> {
        let swings = self.index.swings(bucket.id)?;
        if swings.is_empty() {
            return Ok(());
        }
        set.done.swings += swings.len();
        let columns = columns(bucket, &swings, &self.mark);
        let made_of = mark_of(&format!("{FORM} {columns:?}"));
        let path = Of::Swings.path(bucket);
        if set.is_there(&path, &made_of) {
            return Ok(());
        }
        set.put(&[path], |files| {
            let [file] = files else { return Ok(()) };
            let metadata = [(MADE_OF, made_of.clone())];
            let mut writer = TableWriter::new(file, &columns, Fractions::Plain, &metadata)?;
            writer.write(&columns)?;
            writer.finish().map(drop)
        })
    }

    fn export_samples(&self, bucket: &Bucket, set: &mut DataSet<'_>) -> Result<(), LibraryError> {
        let paths = [Of::Samples.path(bucket), Of::Markers.path(bucket)];
        // Where the recording does not say the hand, it is that of the settings.
        let made_of = mark_of(&format!("{FORM} {ANALYSER} {:?} {:?}", bucket.stamp, bucket.facts.hand));
        let [samples, markers] = paths.each_ref().map(|path| set.is_there(path, &made_of));
        if samples && markers {
            return Ok(());
        }
        let opened = open_input(&self.folder.join(&bucket.path)).map(|input| input.or_hand(self.rules.hand));
        let mut input = match opened {
            Ok(input) => input,
            Err(error) => {
                set.done.failed.push(error.to_string());
                return Ok(());
            }
        };
        let mut unreadable = None;
        let put = set.put(&paths, |files| {
            let [samples, markers] = files else { return Ok(()) };
            let metadata = vec![(MADE_OF, made_of.clone())];
            let mut writer =
                ParquetSamples::new(samples, markers, &input.device, Fractions::Plain, metadata)?;
            for arrival in input.arrivals.by_ref() {
                let arrival = arrival.map_err(|error| {
                    unreadable = Some(error.to_string());
                    ParquetError::External(Box::new(error))
                })?;
                writer.write(&arrival)?;
            }
            writer.finish().map(drop)
        });
        match unreadable {
            // A recording that cannot be read to its end costs no other one.
            Some(why) => set.give_up(&paths, why),
            None => put,
        }
    }
}

/// A data set that is being written.
struct DataSet<'a> {
    folder: &'a Path,
    /// Files of ours that were there, and what they were made of; taken out as they are met.
    there: BTreeMap<PathBuf, String>,
    done: Exported,
}

impl DataSet<'_> {
    /// Leaves alone what there is of a recording.
    fn keep(&mut self, uuid: Uuid) {
        let number = uuid.to_string();
        self.there.retain(|path, _| !path.to_string_lossy().contains(&number));
    }

    /// Whether a file is there and made of this. One that is made of something else waits to be replaced.
    fn is_there(&mut self, path: &Path, made_of: &str) -> bool {
        let same = self.there.remove(path).is_some_and(|found| found == made_of);
        self.done.kept += usize::from(same);
        same
    }

    /// Writes files and then puts each in its place, in the place of an older one.
    fn put(
        &mut self,
        paths: &[PathBuf],
        write: impl FnOnce(&mut [BufWriter<File>]) -> Result<(), ParquetError>,
    ) -> Result<(), LibraryError> {
        let failed = |path: &Path, source| LibraryError::File { path: self.folder.join(path), source };
        let unready: Vec<PathBuf> = paths.iter().map(|path| unready(&self.folder.join(path))).collect();
        let mut files = Vec::new();
        for (path, unready) in paths.iter().zip(&unready) {
            let made = unready.parent().map_or(Ok(()), files::make_folder);
            let made = made.and_then(|()| files::remove(unready)).and_then(|()| new_private_file(unready));
            files.push(BufWriter::new(made.map_err(|source| failed(path, source))?));
        }
        let written = write(&mut files);
        let first = paths.first().map_or(Path::new(""), PathBuf::as_path);
        written.map_err(|error| failed(first, io::Error::other(error)))?;
        for ((path, unready), file) in paths.iter().zip(&unready).zip(files) {
            let file = file.into_inner().map_err(|error| failed(path, error.into_error()))?;
            let put = file.sync_all().and_then(|()| files::replace(unready, &self.folder.join(path)));
            put.map_err(|source| failed(path, source))?;
            self.done.written += 1;
        }
        Ok(())
    }

    /// A recording could not be read: nothing of it is begun, and what there was stays.
    fn give_up(&mut self, paths: &[PathBuf], why: String) -> Result<(), LibraryError> {
        self.done.failed.push(why);
        for path in paths {
            let path = unready(&self.folder.join(path));
            files::remove(&path).map_err(|source| LibraryError::File { path, source })?;
        }
        Ok(())
    }

    /// Takes away what no recording of the library stands for any more. Without samples, those stay as they are.
    fn remove_rest(mut self, samples: bool) -> Result<Exported, LibraryError> {
        for path in self.there.keys() {
            if samples || path.starts_with(Of::Swings.word()) {
                let path = self.folder.join(path);
                files::remove(&path).map_err(|source| LibraryError::File { path, source })?;
                self.done.removed += 1;
            }
        }
        Ok(self.done)
    }
}

fn unready(path: &Path) -> PathBuf {
    let name = name_of(path);
    // Hidden: readers pass it over.
    path.with_file_name(format!(".{name}{UNREADY}"))
}

/// The files of ours in a data set, with what they were made of. What was begun and never put in its place goes.
fn there(root: &Path) -> Result<BTreeMap<PathBuf, String>, LibraryError> {
    let mut found = BTreeMap::new();
    let mut folders: Vec<PathBuf> = Of::ALL.iter().map(|of| PathBuf::from(of.word())).collect();
    while let Some(folder) = folders.pop() {
        let failed = |source| LibraryError::File { path: root.join(&folder), source };
        let entries = match std::fs::read_dir(root.join(&folder)) {
            Ok(entries) => entries,
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            Err(error) => return Err(failed(error)),
        };
        for entry in entries {
            let entry = entry.map_err(failed)?;
            let (path, name) = (folder.join(entry.file_name()), entry.file_name());
            let name = name.to_string_lossy();
            if entry.file_type().map_err(failed)?.is_dir() {
                folders.push(path);
            } else if name.starts_with('.') && name.ends_with(&format!(".parquet{UNREADY}")) {
                files::remove(&entry.path()).map_err(failed)?;
            } else if let Some(made_of) = made_of(&entry.path()) {
                found.insert(path, made_of);
            }
        }
    }
    Ok(found)
}

/// What a file says that it was made of; none where it is not one of ours, or is damaged and will be replaced.
fn made_of(path: &Path) -> Option<String> {
    let reader = SerializedFileReader::new(File::open(path).ok()?).ok()?;
    let pairs = reader.metadata().file_metadata().key_value_metadata()?;
    pairs.iter().find(|pair| pair.key == MADE_OF)?.value.clone()
}

fn mark_of(text: &str) -> String {
    Uuid::new_v5(&Uuid::NAMESPACE_OID, text.as_bytes()).to_string()
}

type PartOf = fn(Measured) -> f64;
type AngleOf = fn(&KnownSwing) -> &EventNumbers;
type AtEvent = fn(&EventNumbers) -> Option<Measured>;
type SegmentOf = fn(&KnownSwing) -> Option<SegmentNumbers>;
type NumberOf = fn(SegmentNumbers) -> Option<Measured>;

/// The table of a recording's swings, a row each, under the keys of `analyze --json`.
fn columns(bucket: &Bucket, swings: &[KnownSwing], mark: &str) -> Vec<Column> {
    let facts = &bucket.facts;
    let texts = |name: &str, value: &dyn Fn(&KnownSwing) -> Option<String>| Column {
        name: name.to_owned(),
        values: Values::Texts(swings.iter().map(value).collect()),
    };
    let integers = |name: &str, value: &dyn Fn(&KnownSwing) -> Option<i64>| Column {
        name: name.to_owned(),
        values: Values::Integers(swings.iter().map(value).collect()),
    };
    let words = |words: &[String]| Some(words.join(" ")).filter(|words| !words.is_empty());
    let mut columns = vec![
        texts("recording", &|_| Some(facts.uuid.to_string())),
        texts("path", &|_| Some(bucket.path.display().to_string())),
        integers("started_unix_ms", &|_| facts.started.map(|started| started.0)),
        texts("hand", &|_| facts.hand.map(|hand| hand.word().to_owned())),
        texts("analyser", &|_| Some(ANALYSER.to_owned())),
        texts("settings", &|_| Some(mark.to_owned())),
        integers("index", &|swing| i64::try_from(swing.place).ok()),
        texts("club", &|swing| swing.club.clone()),
        texts("excluded", &|swing| swing.excluded.clone()),
        texts("tags", &|swing| words(&swing.tags)),
        texts("flags", &|swing| words(&swing.numbers.flags)),
        texts("class", &|swing| Some(swing.numbers.class.clone())),
        integers("takeaway_us", &|swing| Some(swing.numbers.takeaway_us.0)),
        integers("takeaway_us_sd", &|swing| swing.numbers.sds.takeaway_us),
        integers("top_us", &|swing| Some(swing.numbers.top_us.0)),
        integers("top_us_sd", &|swing| swing.numbers.sds.top_us),
        integers("impact_us", &|swing| swing.numbers.impact_us.map(|t| t.0)),
        integers("impact_us_sd", &|swing| swing.numbers.sds.impact_us),
        integers("finish_us", &|swing| swing.numbers.finish_us.map(|t| t.0)),
        integers("finish_us_sd", &|swing| swing.numbers.sds.finish_us),
        integers("set_us", &|swing| swing.numbers.set_us.map(|t| t.0)),
        integers("set_us_sd", &|swing| swing.numbers.sds.set_us),
    ];
    columns.extend(measured_columns(swings));
    columns
}

/// What was measured, each number with its standard deviation beside it.
fn measured_columns(swings: &[KnownSwing]) -> Vec<Column> {
    let mut columns = Vec::new();
    let mut measured = |name: &str, event: &str, value: &dyn Fn(&KnownSwing) -> Option<Measured>| {
        let found: Vec<Option<Measured>> = swings.iter().map(value).collect();
        let parts: [(&str, PartOf); 2] = [("", |m| m.value), ("_sd", |m| m.sd)];
        columns.extend(parts.map(|(ending, part)| Column {
            name: format!("{name}{ending}{event}"),
            values: Values::Reals(found.iter().map(|measured| measured.map(part)).collect()),
        }));
    };
    measured("set_to_top_ms", "", &|swing| swing.numbers.set_to_top_ms);
    measured("set_to_top_ms_backswing_only", "", &|swing| swing.numbers.set_to_top_ms_backswing_only);
    measured("arm_travel_at_set", "", &|swing| swing.numbers.arm_travel_at_set);
    measured("tempo", "", &|swing| swing.numbers.tempo);
    let angles: [(&str, AngleOf); 3] = [
        ("hinge_deg", |swing| &swing.numbers.hinge_deg),
        ("flexion_deg", |swing| &swing.numbers.flexion_deg),
        ("arm_shaft_deg", |swing| &swing.numbers.arm_shaft_deg),
    ];
    let events: [(&str, AtEvent); 6] = [
        ("_address", |at| at.address),
        ("_set", |at| at.set),
        ("_top", |at| at.top),
        ("_max", |at| at.max),
        ("_arm_horizontal_down", |at| at.arm_horizontal_down),
        ("_impact", |at| at.impact),
    ];
    for (name, of) in angles {
        for (event, at) in events {
            measured(name, event, &|swing| at(of(swing)));
        }
    }
    let segments: [(&str, SegmentOf); 2] =
        [("pelvis", |swing| swing.numbers.body.pelvis), ("chest", |swing| swing.numbers.body.chest)];
    let numbers: [(&str, NumberOf); 5] = [
        ("turn_at_top_deg", |segment| segment.turn_at_top_deg),
        ("tilt_at_impact_deg", |segment| segment.tilt_at_impact_deg),
        ("lead_to_top_ms", |segment| segment.lead_to_top_ms),
        ("lead_to_set_ms", |segment| segment.lead_to_set_ms),
        ("peak_dps", |segment| segment.peak_dps),
    ];
    for (segment, of) in segments {
        for (name, number) in numbers {
            measured(&format!("body_{segment}_{name}"), "", &|swing| of(swing).and_then(number));
        }
    }
    columns
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_escaped_as_hive_does_and_letters_stay() {
        for (name, expected) in [
            ("Robin", "Robin"),
            ("Ann Bø", "Ann%20Bø"),
            ("a/b=c%2F", "a%2Fb%3Dc%252F"),
            ("..", ".."),
            ("new\nline", "new%0Aline"),
        ] {
            assert_eq!(escaped(name), expected);
        }
    }
}
