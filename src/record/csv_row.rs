//! One row of a raw CSV: which column stands where, and what its cells say.

use super::count_grid::snap;
use super::error::quoted;
use crate::sample::{DeviceDescription, ImuSample, NodeRole};
use crate::units::{DeviceTime, HostTime};
use std::fmt;

/// The columns of a raw CSV in the order in which they are written. `host_us` may be missing.
pub const COLUMNS: [&str; 10] = ["t_us", "node", "seq", "gx", "gy", "gz", "ax", "ay", "az", "host_us"];

/// What is wrong with a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RowError {
    /// Column of the file, counted from 1, and its name; none where the row as a whole is wrong.
    pub column: Option<(usize, &'static str)>,
    /// What can stand there.
    pub expected: String,
    /// What stands there.
    pub found: String,
}

impl fmt::Display for RowError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some((number, name)) = self.column {
            write!(f, "column {number} ({name}): ")?;
        }
        write!(f, "expected {}, found {}", self.expected, self.found)
    }
}

/// Where each column stands. Their order is free; columns of other names are passed over.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Columns {
    /// Place of each of [`COLUMNS`] in a row, from 0.
    places: [Option<usize>; 10],
    /// Cells in a row.
    width: usize,
}

impl Columns {
    /// Reads the header line.
    ///
    /// # Errors
    /// A column is missing or comes twice: the pair is (expected, found).
    pub fn from_header(header: &str) -> Result<Columns, (String, String)> {
        let names: Vec<&str> = header.split(',').map(bare).collect();
        let found = || format!("the first line {}", quoted(header));
        let mut places = [None; 10];
        for (place, name) in places.iter_mut().zip(COLUMNS) {
            let mut found_at = names.iter().enumerate().filter(|(_, n)| **n == name).map(|(at, _)| at);
            *place = found_at.next();
            if found_at.next().is_some() {
                return Err((format!("the column {name} once"), found()));
            }
            if place.is_none() && name != "host_us" {
                let expected = format!("a header with the columns {}", COLUMNS.join(","));
                return Err((expected, format!("no column {name} in {}", found())));
            }
        }
        Ok(Columns { places, width: names.len() })
    }

    /// Whether rows say when they reached the host.
    #[must_use]
    pub fn has_host_time(&self) -> bool {
        self.places[9].is_some()
    }

    /// Reads one row. With a full scale known, values are put back on the sensor's count grid.
    ///
    /// # Errors
    /// The row has too few or too many cells, or one does not hold what it should.
    pub fn row(&self, line: &str, device: Option<&DeviceDescription>) -> Result<ImuSample, RowError> {
        let mut cells = [""; 10];
        self.cells(line, &mut cells)?;
        let role = self.role(cells[1])?;
        let node = device.and_then(|device| device.node(role));
        let gyro_full_scale = node.map(|node| node.gyro_full_scale_dps);
        let acc_full_scale = node.map(|node| node.acc_full_scale_g);
        Ok(ImuSample {
            role,
            t: DeviceTime(self.whole(0, cells[0])?),
            seq: u32::try_from(self.whole(2, cells[2])?)
                .map_err(|_| self.error(2, "a whole number from 0 to 4294967295", cells[2]))?,
            rate_dps: self.vector(3, &cells, gyro_full_scale)?,
            specific_force_g: self.vector(6, &cells, acc_full_scale)?,
            received: if cells[9].is_empty() { None } else { Some(HostTime(self.whole(9, cells[9])?)) },
        })
    }

    /// Whether the last cell of an unfinished line can be whole, judged by the row before it: a number
    /// that was cut off lacks decimals, or is much too small for a host time.
    #[must_use]
    pub fn seems_whole(&self, line: &str, sample: &ImuSample, before: Option<(&str, &ImuSample)>) -> bool {
        let Some((line_before, before)) = before else { return false };
        if self.places[9] == Some(self.width - 1) {
            return match (sample.received, before.received) {
                (Some(host), Some(host_before)) => host >= host_before,
                (host, host_before) => host == host_before,
            };
        }
        let decimals = |line: &str| last_cell(line).split_once('.').map(|(_, decimals)| decimals.len());
        decimals(line) == decimals(line_before)
    }

    fn cells<'a>(&self, line: &'a str, cells: &mut [&'a str; 10]) -> Result<(), RowError> {
        // A comma behind the last cell, as some loggers write it, begins no other.
        let without = line.strip_suffix(',').filter(|without| without.split(',').count() == self.width);
        let mut width = 0;
        for (at, cell) in without.unwrap_or(line).split(',').enumerate() {
            width += 1;
            if let Some(column) = self.places.iter().position(|place| *place == Some(at)) {
                cells[column] = bare(cell);
            }
        }
        if width == self.width {
            return Ok(());
        }
        let (expected, found) = (format!("{} cells", self.width), format!("{width} in {}", quoted(line)));
        Err(RowError { column: None, expected, found })
    }

    fn role(&self, cell: &str) -> Result<NodeRole, RowError> {
        let number = u8::try_from(self.whole(1, cell)?).ok();
        number
            .and_then(NodeRole::from_number)
            .ok_or_else(|| self.error(1, "a node number: 0 hand, 1 forearm, 2 chest, 3 belt", cell))
    }

    /// A whole number, also one that is written `12.0`.
    fn whole(&self, column: usize, cell: &str) -> Result<i64, RowError> {
        /// Up to here a floating-point number holds every whole number.
        const EXACT: f64 = 9_007_199_254_740_992.0;
        if let Ok(whole) = cell.parse() {
            return Ok(whole);
        }
        match cell.parse::<f64>() {
            Ok(value) if value.fract() == 0.0 && value.abs() <= EXACT => Ok(value as i64),
            _ => Err(self.error(column, "a whole number", cell)),
        }
    }

    fn vector(&self, from: usize, cells: &[&str; 10], full_scale: Option<f64>) -> Result<[f64; 3], RowError> {
        let mut vector = [0.0; 3];
        for (axis, value) in vector.iter_mut().enumerate() {
            let cell = cells[from + axis];
            let read = cell.parse::<f64>().ok().filter(|read| read.is_finite());
            let read = read.ok_or_else(|| self.error(from + axis, "a finite number", cell))?;
            *value = full_scale.map_or(read, |full_scale| snap(read, cell, full_scale));
        }
        Ok(vector)
    }

    fn error(&self, column: usize, expected: &str, cell: &str) -> RowError {
        let number = self.places[column].map_or(0, |place| place + 1);
        let found = if cell.is_empty() { "nothing".to_owned() } else { quoted(cell) };
        RowError { column: Some((number, COLUMNS[column])), expected: expected.to_owned(), found }
    }
}

/// A cell without the blanks and the quotes around it.
fn bare(cell: &str) -> &str {
    let cell = cell.trim();
    cell.strip_prefix('"').and_then(|cell| cell.strip_suffix('"')).unwrap_or(cell)
}

fn last_cell(line: &str) -> &str {
    line.rsplit(',').next().unwrap_or(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns() -> Columns {
        Columns::from_header(&COLUMNS.join(",")).unwrap()
    }

    fn check_error(line: &str, expected: &str) {
        let error = columns().row(line, None).unwrap_err();
        assert_eq!(error.to_string(), expected);
    }

    #[test]
    fn a_row_is_read_whatever_the_order_of_the_columns() {
        let usual = columns().row("10,1,7,1,2,3,4,5,6,99", None).unwrap();
        let mixed = Columns::from_header("az, ay,extra,ax,gz,gy,gx,host_us,seq,node,t_us").unwrap();
        assert_eq!(mixed.row("6,5,hello,4,3,2,1,99,7,1,10", None).unwrap(), usual);
        assert_eq!(usual.role, NodeRole::Forearm);
        assert_eq!((usual.t, usual.seq, usual.received), (DeviceTime(10), 7, Some(HostTime(99))));
        assert_eq!((usual.rate_dps, usual.specific_force_g), ([1.0, 2.0, 3.0], [4.0, 5.0, 6.0]));
    }

    #[test]
    fn the_host_time_may_be_missing_as_a_column_or_in_a_cell() {
        let short = Columns::from_header("t_us,node,seq,gx,gy,gz,ax,ay,az").unwrap();
        assert!(!short.has_host_time());
        assert_eq!(short.row("10,1,7,1,2,3,4,5,6", None).unwrap().received, None);
        assert_eq!(columns().row("-10.0,1,7,1,2,3,4,5,6,", None).unwrap().t, DeviceTime(-10));
    }

    #[test]
    fn a_comma_behind_the_last_cell_begins_no_other() {
        let usual = columns().row("10,1,7,1,2,3,4,5,6,99", None).unwrap();
        assert_eq!(columns().row("10,1,7,1,2,3,4,5,6,99,", None).unwrap(), usual);
        let without_host = columns().row("10,1,7,1,2,3,4,5,6,,", None).unwrap();
        assert_eq!(without_host, ImuSample { received: None, ..usual });
        assert!(columns().row("10,1,7,1,2,3,4,5,6,99,,", None).is_err());
    }

    #[test]
    fn a_wrong_header_says_what_is_missing() {
        let (expected, found) = Columns::from_header("t_us;node;seq").unwrap_err();
        assert_eq!(expected, "a header with the columns t_us,node,seq,gx,gy,gz,ax,ay,az,host_us");
        assert_eq!(found, "no column t_us in the first line \"t_us;node;seq\"");
        let (expected, _) = Columns::from_header("t_us,node,seq,gx,gx,gz,ax,ay,az").unwrap_err();
        assert_eq!(expected, "the column gx once");
    }

    #[test]
    fn a_wrong_cell_is_named() {
        check_error("10,1,7,1,2", "expected 10 cells, found 5 in \"10,1,7,1,2\"");
        check_error(
            "10,4,7,1,2,3,4,5,6,",
            "column 2 (node): expected a node number: 0 hand, 1 forearm, 2 chest, 3 belt, found \"4\"",
        );
        check_error("10,1,7,NaN,2,3,4,5,6,", "column 4 (gx): expected a finite number, found \"NaN\"");
        check_error("10,1,7,1,2,3,4,1e999,6,", "column 8 (ay): expected a finite number, found \"1e999\"");
        check_error("10.5,1,7,1,2,3,4,5,6,", "column 1 (t_us): expected a whole number, found \"10.5\"");
        check_error("10,1,,1,2,3,4,5,6,", "column 3 (seq): expected a whole number, found nothing");
        check_error(
            "10,1,-1,1,2,3,4,5,6,",
            "column 3 (seq): expected a whole number from 0 to 4294967295, found \"-1\"",
        );
    }

    #[test]
    fn a_cut_off_host_time_is_no_whole_one() {
        let columns = columns();
        let whole = |line: &str, before: &str| {
            let [sample, before_it] = [line, before].map(|line| columns.row(line, None).unwrap());
            columns.seems_whole(line, &sample, Some((before, &before_it)))
        };
        let row = |host: &str| format!("10,1,7,1,2,3,4,5,6,{host}");
        assert!(whole(&row("1000200"), &row("1000100")));
        assert!(!whole(&row("1000"), &row("1000100")));
        assert!(!whole(&row("1000"), &row("")), "nothing to judge it by");
        assert!(whole(&row(""), &row("")));
    }
}
