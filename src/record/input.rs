//! Opens a recording or a raw CSV, told apart by their first bytes, as one stream of arrivals.

use super::device_file::read_device;
use super::error::InputError;
use super::library::package::ZIP_MAGIC;
use super::marker_file::read_markers;
use super::marker_merge::MarkerMerge;
use super::mcap_bytes::is_recording;
use super::raw_csv::RawCsv;
use super::recording_input::{RecordingArrivals, introductions};
use super::salvage::SalvageReport;
use crate::sample::{Arrival, DeviceDescription, Marker};
use crate::units::{HostTime, PlayerHand};
use flate2::bufread::MultiGzDecoder;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

/// Longest device or markers file that is read, bytes.
const LONGEST_SIBLING: u64 = 16 << 20;
/// First bytes of a gzip stream (RFC 1952).
const GZIP_MAGIC: [u8; 2] = [0x1f, 0x8b];

/// An input that is open: what is known of the glove, and what arrived.
pub struct Input {
    /// What is known of the glove.
    pub device: DeviceDescription,
    /// The input says which hand the player plays from.
    pub hand_is_known: bool,
    /// The player's name, where the input says it.
    pub player: Option<String>,
    /// What arrived, in order.
    pub arrivals: Arrivals,
}

impl Input {
    /// The same, played from this side where the input does not say from which.
    #[must_use]
    pub fn or_hand(mut self, hand: PlayerHand) -> Input {
        if !self.hand_is_known {
            self.device.player_hand = hand;
        }
        self
    }

    /// What was read and lost so far; whole once the arrivals have ended.
    #[must_use]
    pub fn report(&self) -> SalvageReport {
        self.arrivals.report()
    }
}

/// What arrived, from either kind of file.
pub enum Arrivals {
    /// From a raw CSV.
    Csv(Box<RawCsv>),
    /// From a recording.
    Recording(Box<RecordingArrivals<BufReader<File>>>),
}

impl Arrivals {
    /// What was read and lost so far; whole once the iterator has ended.
    #[must_use]
    pub fn report(&self) -> SalvageReport {
        match self {
            Arrivals::Csv(csv) => csv.report(),
            Arrivals::Recording(recording) => recording.report(),
        }
    }
}

impl Iterator for Arrivals {
    type Item = Result<Arrival, InputError>;

    fn next(&mut self) -> Option<Self::Item> {
        match self {
            Arrivals::Csv(csv) => csv.next(),
            Arrivals::Recording(recording) => recording.next(),
        }
    }
}

/// Opens a recording or a raw CSV (plain or gzipped), whatever its name.
///
/// # Errors
/// The file is missing, empty, of another kind, or its device file is wrong.
pub fn open_input(path: &Path) -> Result<Input, InputError> {
    let mut source = open_file(path)?;
    let start = peek(&mut source, path)?;
    match start.as_slice() {
        [] => Err(format_error(path, "an empty file")),
        start if start.starts_with(&GZIP_MAGIC) => {
            let source = BufReader::new(MultiGzDecoder::new(source));
            open_csv(path, Box::new(source))
        }
        start if is_recording(path, start) => open_recording(path, source),
        start if start.starts_with(&ZIP_MAGIC) => {
            let found =
                "a zip; a session that was packed into one is taken in by `hingeclock library import`";
            Err(format_error(path, found))
        }
        start if start.contains(&0) => Err(format_error(path, &format!("other bytes: {start:02x?}"))),
        _ => open_csv(path, Box::new(source)),
    }
}

/// Reads a recording twice: first for what the glove says of itself, wherever that stands, then for the arrivals.
fn open_recording(path: &Path, source: BufReader<File>) -> Result<Input, InputError> {
    let introduced = introductions(path, source)?;
    let (device, player) = (introduced.description.clone(), introduced.player.clone());
    let hand_is_known = introduced.hand_is_known;
    let arrivals = RecordingArrivals::new(path, open_file(path)?, introduced)?;
    Ok(Input { device, hand_is_known, player, arrivals: Arrivals::Recording(Box::new(arrivals)) })
}

fn format_error(path: &Path, found: &str) -> InputError {
    let expected = "a recording or a raw CSV (plain or gzipped)".to_owned();
    InputError::Format { path: path.to_owned(), expected, found: found.to_owned() }
}

fn open_file(path: &Path) -> Result<BufReader<File>, InputError> {
    let failed = |source: io::Error| match source.kind() {
        io::ErrorKind::NotFound => InputError::Missing { path: path.to_owned() },
        _ => InputError::Open { path: path.to_owned(), source },
    };
    let kind = std::fs::metadata(path).map_err(failed)?.file_type();
    if kind.is_dir() {
        return Err(InputError::NotAFile { path: path.to_owned(), found: "folder" });
    }
    File::open(path).map(BufReader::new).map_err(failed)
}

/// The first bytes, left in place.
fn peek(source: &mut BufReader<File>, path: &Path) -> Result<Vec<u8>, InputError> {
    let failed = |source| InputError::Read { path: path.to_owned(), after: "0 bytes".to_owned(), source };
    let start = source.fill_buf().map_err(failed)?;
    Ok(start[..start.len().min(8)].to_vec())
}

fn open_csv(path: &Path, mut source: Box<dyn BufRead + Send>) -> Result<Input, InputError> {
    // A gzip stream that breaks before its first line, or holds nothing, is told as such.
    match source.fill_buf() {
        Ok([]) => return Err(format_error(path, "an empty gzip stream")),
        Ok(_) => {}
        Err(error) => return Err(format_error(path, &format!("a damaged gzip stream: {error}"))),
    }
    let mut report = SalvageReport::default();
    let device = match read_sibling(path, ".device.json")? {
        Some((text, path)) => Some(read_device(&text, &path)?),
        None => {
            report.notes.push("no device file beside the CSV: a nominally mounted glove at ±4000 °/s is assumed, on the hand that the settings name (right by default)".to_owned());
            None
        }
    };
    let markers = markers_beside(path, &mut report)?;
    let csv = RawCsv::new(path, source, device.clone(), MarkerMerge::new(markers), report)?;
    let hand_is_known = device.is_some();
    Ok(Input {
        device: device.unwrap_or_default(),
        hand_is_known,
        player: None,
        arrivals: Arrivals::Csv(Box::new(csv)),
    })
}

/// The markers beside a CSV, in order of time; what of them cannot be read is put in the report.
///
/// # Errors
/// The file cannot be read.
pub fn markers_beside(
    path: &Path,
    report: &mut SalvageReport,
) -> Result<Vec<(HostTime, Marker)>, InputError> {
    let file = read_sibling(path, ".markers.csv")?;
    Ok(file.map_or_else(Vec::new, |(text, _)| read_markers(&text, report)))
}

/// The name of a file, without its folder; empty where the path has none.
#[must_use]
pub fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// The path of a file beside NAME.csv or NAME.csv.gz: NAME and this ending.
#[must_use]
pub fn sibling(path: &Path, ending: &str) -> PathBuf {
    let name = name_of(path);
    let stem = [".csv.gz", ".csv"].iter().find_map(|known| {
        let at = name.len().checked_sub(known.len())?;
        let tail = name.get(at..)?;
        tail.eq_ignore_ascii_case(known).then(|| name[..at].to_owned())
    });
    path.with_file_name(stem.unwrap_or(name) + ending)
}

/// The bytes of a file beside the CSV, if there is one.
fn read_sibling(path: &Path, ending: &str) -> Result<Option<(Vec<u8>, PathBuf)>, InputError> {
    let path = sibling(path, ending);
    let file = match File::open(&path) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(source) => return Err(InputError::Open { path, source }),
    };
    let mut text = Vec::new();
    match file.take(LONGEST_SIBLING + 1).read_to_end(&mut text) {
        Err(source) => Err(InputError::Read { path, after: "0 bytes".to_owned(), source }),
        Ok(bytes) if bytes as u64 > LONGEST_SIBLING => Err(InputError::Format {
            path,
            expected: format!("at most {LONGEST_SIBLING} bytes"),
            found: "a longer file".to_owned(),
        }),
        Ok(_) => Ok(Some((text, path))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn siblings_share_the_name_without_its_ending() {
        for (name, expected) in [
            ("a/s1.csv.gz", "a/s1.device.json"),
            ("a/s1.CSV", "a/s1.device.json"),
            ("a/s1", "a/s1.device.json"),
            ("a/s1.2.csv", "a/s1.2.device.json"),
            ("a/ä.csv", "a/ä.device.json"),
        ] {
            assert_eq!(sibling(Path::new(name), ".device.json"), Path::new(expected));
        }
    }
}
