//! Any input as a raw CSV with its device and markers files: the thin edge that makes the files.

use super::csv_writer::CsvWriter;
use super::error::InputError;
use super::input::{Input, sibling};
use super::salvage::SalvageReport;
use super::storage::new_private_file;
use crate::sample::{Arrival, DeviceDescription, Marker};
use flate2::Compression;
use flate2::write::GzEncoder;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use thiserror::Error;

/// Why an export failed.
#[derive(Debug, Error)]
pub enum ExportError {
    /// The input cannot be read.
    #[error(transparent)]
    Input(#[from] InputError),
    /// A file cannot be made or written; one that is there already is never replaced.
    #[error("{path}: cannot be written: {source}", path = path.display())]
    Output {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
}

/// Whether an export tells who it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Names {
    /// All is written as it is.
    Keep,
    /// What can name a person or a glove is left out: the glove's serial number, and whatever was typed or
    /// sent as free text. Times, kinds and clubs stay.
    Drop,
}

/// Kinds of notes whose values are words and numbers of the program's own.
const NAMELESS_NOTES: [&str; 5] = ["battery", "button", "calibration", "guess", "time"];

impl Names {
    /// The glove as it may be told.
    #[must_use]
    pub fn of_device(self, mut device: DeviceDescription) -> DeviceDescription {
        device.serial = device.serial.filter(|_| self == Names::Keep);
        device
    }

    /// What arrived as it may be told.
    #[must_use]
    pub fn of_arrival(self, mut arrival: Arrival) -> Arrival {
        if let (Names::Drop, Arrival::Marker { marker: Marker::Note { kind, value }, .. }) =
            (self, &mut arrival)
            && !NAMELESS_NOTES.contains(&kind.as_str())
        {
            value.clear();
        }
        arrival
    }
}

/// What an export wrote.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exported {
    /// Rows in the CSV.
    pub samples: u64,
    /// Lines in the markers file.
    pub markers: u64,
    /// What of the input was lost.
    pub report: SalvageReport,
}

/// Writes an input to NAME.csv or, gzipped, NAME.csv.gz, with NAME.device.json and NAME.markers.csv beside it.
///
/// # Errors
/// The input cannot be read, or one of the files is there already or cannot be written.
pub fn export_csv(mut input: Input, path: &Path, names: Names) -> Result<Exported, ExportError> {
    let failed = |source| ExportError::Output { path: path.to_owned(), source };
    let gzip = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("gz"));
    let paths = [path.to_owned(), sibling(path, ".markers.csv"), sibling(path, ".device.json")];
    // All three or none: a name that is taken is found before the first file is made.
    if let Some(taken) = paths.iter().find(|path| path.exists()) {
        let source = io::Error::new(io::ErrorKind::AlreadyExists, "expected a free name, found a file");
        return Err(ExportError::Output { path: taken.clone(), source });
    }
    let [rows, markers, about] = paths.map(create);
    let (rows, markers, about) = (rows?, markers?, about?);
    let rows = if gzip {
        Out::Gzip(Box::new(GzEncoder::new(rows, Compression::default())))
    } else {
        Out::Plain(rows)
    };
    let device = names.of_device(input.device.clone());
    let mut writer = CsvWriter::new(rows, Out::Plain(markers), Out::Plain(about), device).map_err(failed)?;
    for arrival in input.arrivals.by_ref() {
        writer.write(&names.of_arrival(arrival?)).map_err(failed)?;
    }
    let (rows, _, written) = writer.finish().map_err(failed)?;
    rows.end().map_err(failed)?;
    Ok(Exported { samples: written.0, markers: written.1, report: input.report() })
}

fn create(path: PathBuf) -> Result<BufWriter<File>, ExportError> {
    match new_private_file(&path) {
        Ok(file) => Ok(BufWriter::new(file)),
        Err(source) => Err(ExportError::Output { path, source }),
    }
}

/// A file, plain or gzipped.
enum Out {
    Plain(BufWriter<File>),
    Gzip(Box<GzEncoder<BufWriter<File>>>),
}

impl Out {
    /// Ends the gzip stream, if it is one, and hands all to the operating system.
    fn end(self) -> io::Result<()> {
        match self {
            Out::Plain(mut file) => file.flush(),
            Out::Gzip(encoder) => encoder.finish()?.flush(),
        }
    }
}

impl Write for Out {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Out::Plain(file) => file.write(bytes),
            Out::Gzip(encoder) => encoder.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Out::Plain(file) => file.flush(),
            Out::Gzip(encoder) => encoder.flush(),
        }
    }
}
