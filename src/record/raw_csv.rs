//! Reads a raw CSV row by row, with its markers between the rows.
//!
//! Fatal are wrong columns and a file of which nothing can be read. All else is salvaged: a bad line is
//! skipped, a torn last line or a damaged gzip stream ends the file, and the report counts the losses.

use super::csv_row::Columns;
use super::error::{InputError, quoted};
use super::lines::{LineEnd, Lines};
use super::marker_merge::MarkerMerge;
use super::node_clock::NodeClock;
use super::salvage::{Loss, SalvageReport};
use crate::sample::{Arrival, DeviceDescription, ImuSample, NodeRole};
use crate::units::{DeviceTime, counted};
use std::collections::VecDeque;
use std::io::{self, BufRead};
use std::path::{Path, PathBuf};

/// Longest line that is read; a row of ten columns takes about 80 bytes.
const LONGEST_LINE: usize = 4096;
/// Most rows that wait for one with a host time: more than are ever asked for again at once.
const MOST_PENDING: usize = 65_536;

/// What is said of a file that ends behind its header.
const HEADER_ALONE: &str =
    "the file ends behind its header, so what wrote it was stopped there, or had nothing to write";

/// An open raw CSV: an iterator of what arrived.
pub struct RawCsv {
    path: PathBuf,
    lines: Lines<Box<dyn BufRead + Send>>,
    columns: Columns,
    device: Option<DeviceDescription>,
    clocks: [NodeClock; NodeRole::ALL.len()],
    merge: MarkerMerge,
    /// Samples that wait until the markers before them have gone out.
    pending: VecDeque<ImuSample>,
    /// The last good line and what it said, to judge an unfinished one by.
    last_good: Option<(String, ImuSample)>,
    line_number: u64,
    ended: bool,
    failed: bool,
    report: SalvageReport,
}

impl RawCsv {
    /// Opens a CSV whose text comes from `source`; `path` only names it in errors. With a `device`, values
    /// are put back on the count grid. `report` holds what was lost before (in the markers file).
    ///
    /// # Errors
    /// The columns are wrong, or the first line cannot be read.
    pub fn new(
        path: &Path,
        source: Box<dyn BufRead + Send>,
        device: Option<DeviceDescription>,
        merge: MarkerMerge,
        report: SalvageReport,
    ) -> Result<RawCsv, InputError> {
        let mut lines = Lines::new(source, LONGEST_LINE);
        let format =
            |expected: String, found: String| InputError::Format { path: path.to_owned(), expected, found };
        let read = lines.advance();
        read.map_err(|source| InputError::Read {
            path: path.to_owned(),
            after: "0 bytes".to_owned(),
            source,
        })?;
        let header = std::str::from_utf8(lines.bytes()).map_err(|_| {
            let found = quoted(&String::from_utf8_lossy(lines.bytes()));
            format("a recording or a raw CSV in UTF-8".to_owned(), found)
        })?;
        let header = header.strip_prefix('\u{feff}').unwrap_or(header);
        let columns = Columns::from_header(header).map_err(|(expected, found)| format(expected, found))?;
        Ok(RawCsv {
            path: path.to_owned(),
            lines,
            columns,
            device,
            clocks: Default::default(),
            merge,
            pending: VecDeque::new(),
            last_good: None,
            line_number: 1,
            ended: false,
            failed: false,
            report,
        })
    }

    /// What was read and lost so far; whole once the iterator has ended.
    #[must_use]
    pub fn report(&self) -> SalvageReport {
        let mut report = self.report.clone();
        for (role, clock) in NodeRole::ALL.iter().zip(&self.clocks) {
            report.note_restarts(*role, clock.restarts);
        }
        if self.merge.guessed() {
            report.notes.push(
                "rows carry no host_us: the first marker was taken to stand at the first row".to_owned(),
            );
        }
        report
    }

    /// The next good row; None at the end.
    fn next_sample(&mut self) -> Result<Option<ImuSample>, InputError> {
        while !self.ended {
            let end = match self.lines.advance() {
                Ok(Some(end)) => end,
                Ok(None) => break,
                Err(error) => self.damaged(error)?,
            };
            self.line_number += 1;
            if let Some(sample) = self.take_line(end) {
                return Ok(Some(sample));
            }
        }
        self.ended = true;
        Ok(None)
    }

    /// The next good rows that belong together: readings that were asked for again have no host time and stand
    /// with the row after them, so a marker before that row stands before them, too.
    fn next_together(&mut self) -> Result<(), InputError> {
        while let Some(sample) = self.next_sample()? {
            self.merge.advance(&sample);
            self.pending.push_back(sample);
            if !self.merge.waits_for_host_time(&sample) || self.pending.len() >= MOST_PENDING {
                break;
            }
        }
        Ok(())
    }

    /// A gzip stream that is cut or damaged ends the file; any other error is fatal.
    fn damaged(&mut self, source: io::Error) -> Result<LineEnd, InputError> {
        self.ended = true;
        let lines = self.line_number;
        match source.kind() {
            io::ErrorKind::UnexpectedEof | io::ErrorKind::InvalidData | io::ErrorKind::InvalidInput => {
                self.report.lose(Loss::DamagedGzip { lines, what: source.to_string() });
                Ok(LineEnd::EndOfFile)
            }
            _ => Err(InputError::Read { path: self.path.clone(), after: format!("{lines} lines"), source }),
        }
    }

    /// The sample on the line that was just read, or nothing after its loss was noted.
    fn take_line(&mut self, end: LineEnd) -> Option<ImuSample> {
        let bytes = self.lines.bytes();
        if bytes.is_empty() {
            return None;
        }
        let text = std::str::from_utf8(bytes).map_err(|_| {
            format!("expected text in UTF-8, found {}", quoted(&String::from_utf8_lossy(bytes)))
        });
        let row = text.and_then(|text| {
            let row = self.columns.row(text, self.device.as_ref()).map_err(|error| error.to_string())?;
            Ok((text, row))
        });
        let line = self.line_number;
        let loss = match (row, end) {
            (_, LineEnd::TooLong) => {
                let what = format!("expected at most {LONGEST_LINE} bytes, found a longer line");
                Loss::BadLine { line, what }
            }
            (Ok((text, sample)), end) if end == LineEnd::Newline || self.is_whole(text, &sample) => {
                self.last_good = Some((text.to_owned(), sample));
                return Some(self.unwrapped(sample));
            }
            (_, LineEnd::EndOfFile) => Loss::TornLastLine { line, bytes: bytes.len() },
            (Err(what), _) => Loss::BadLine { line, what },
            (Ok(_), LineEnd::Newline) => return None,
        };
        self.report.lose(loss);
        None
    }

    fn is_whole(&self, text: &str, sample: &ImuSample) -> bool {
        let before = self.last_good.as_ref().map(|(text, sample)| (text.as_str(), sample));
        self.columns.seems_whole(text, sample, before)
    }

    /// Unwraps the counters and counts the sample.
    fn unwrapped(&mut self, mut sample: ImuSample) -> ImuSample {
        let clock = &mut self.clocks[usize::from(sample.role.number())];
        let (t_us, seq) = clock.unwrap(sample.t.0, sample.seq);
        (sample.t, sample.seq) = (DeviceTime(t_us), seq);
        self.report.count_sample(sample.role);
        sample
    }

    /// The last things after the last row: markers that are left, or the error that nothing was read.
    fn rest(&mut self) -> Option<Result<Arrival, InputError>> {
        if self.report.samples_read > 0 {
            return self.merge.next_left().map(Ok);
        }
        self.failed = true;
        let first = self.report.losses.first().map_or(HEADER_ALONE.to_owned(), Loss::to_string);
        let among = counted(self.line_number - 1, "line");
        Some(Err(InputError::NothingReadable { path: self.path.clone(), among, first }))
    }
}

impl Iterator for RawCsv {
    type Item = Result<Arrival, InputError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        if self.pending.is_empty()
            && let Err(error) = self.next_together()
        {
            self.failed = true;
            return Some(Err(error));
        }
        let due = if self.pending.is_empty() { None } else { self.merge.next_due() };
        due.or_else(|| self.pending.pop_front().map(Arrival::Sample)).map(Ok).or_else(|| self.rest())
    }
}
