//! NAME.markers.csv: what was said beside the samples, on the host's clock.

use super::error::quoted;
use super::salvage::{Loss, SalvageReport};
use crate::sample::Marker;
use crate::units::HostTime;

/// The header of a markers file.
pub const MARKER_COLUMNS: [&str; 3] = ["host_us", "kind", "value"];

/// Reads the text of a markers file, sorted by host time. A line that cannot be read is skipped and
/// counted as a loss; so is the whole file where its columns are wrong.
pub fn read_markers(text: &[u8], report: &mut SalvageReport) -> Vec<(HostTime, Marker)> {
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(text);
    let places = match reader.headers().map(marker_places) {
        Ok(Ok(places)) => places,
        Ok(Err(what)) => return lose(report, 1, what),
        Err(error) => return lose(report, 1, format!("markers file: {error}")),
    };
    let mut markers = Vec::new();
    let mut record = csv::StringRecord::new();
    loop {
        let line = reader.position().line();
        match reader.read_record(&mut record).map(|more| more.then(|| marker(&record, places))) {
            Ok(None) => break,
            Ok(Some(Ok(marker))) => markers.push(marker),
            Ok(Some(Err(what))) => report.lose(Loss::BadLine { line, what }),
            Err(error) => report.lose(Loss::BadLine { line, what: format!("markers file: {error}") }),
        }
    }
    markers.sort_by_key(|(host, _)| *host);
    markers
}

fn lose(report: &mut SalvageReport, line: u64, what: String) -> Vec<(HostTime, Marker)> {
    report.lose(Loss::BadLine { line, what });
    Vec::new()
}

fn marker_places(header: &csv::StringRecord) -> Result<[usize; 3], String> {
    let mut places = [0; 3];
    for (place, name) in places.iter_mut().zip(MARKER_COLUMNS) {
        *place = header.iter().position(|column| column == name).ok_or_else(|| {
            let found = header.iter().collect::<Vec<_>>().join(",");
            format!(
                "markers file: expected the columns {}, found {}",
                MARKER_COLUMNS.join(","),
                quoted(&found)
            )
        })?;
    }
    Ok(places)
}

fn marker(record: &csv::StringRecord, places: [usize; 3]) -> Result<(HostTime, Marker), String> {
    let [host, kind, value] = places.map(|place| record.get(place));
    let (Some(host), Some(kind), Some(value)) = (host, kind, value) else {
        return Err(format!("markers file: expected 3 cells, found {}", record.len()));
    };
    let host_us = host.parse().map_err(|_| {
        format!("markers file, column host_us: expected a whole number, found {}", quoted(host))
    })?;
    Ok((HostTime(host_us), Marker::from_fields(kind, value)))
}

/// One line of a markers file.
#[must_use]
pub fn marker_line(host: HostTime, marker: &Marker) -> String {
    let (kind, value) = marker.fields();
    format!("{},{},{}\n", host.0, csv_cell(kind), csv_cell(value))
}

/// A cell in quotes where it needs them.
fn csv_cell(text: &str) -> String {
    let plain = !text.contains([',', '"', '\n', '\r']) && text.trim() == text;
    if plain { text.to_owned() } else { format!("\"{}\"", text.replace('"', "\"\"")) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::CalibrationPart;

    fn read(text: &str) -> (Vec<(HostTime, Marker)>, Vec<String>) {
        let mut report = SalvageReport::default();
        let markers = read_markers(text.as_bytes(), &mut report);
        (markers, report.sentences())
    }

    #[test]
    fn markers_are_sorted_by_time() {
        let (markers, losses) = read("host_us,kind,value\n20,prompt,still\n10,club,iron\n");
        assert!(losses.is_empty());
        assert_eq!(
            markers,
            [
                (HostTime(10), Marker::Club("iron".to_owned())),
                (HostTime(20), Marker::Prompt(CalibrationPart::Still))
            ]
        );
    }

    #[test]
    fn a_bad_line_is_skipped_and_told() {
        let (markers, losses) = read("host_us,kind,value\nsoon,club,iron\n7,club\n8,club,wedge\n");
        assert_eq!(markers.len(), 1);
        assert_eq!(
            losses,
            [
                "line 2 skipped: markers file, column host_us: expected a whole number, found \"soon\"",
                "line 3 skipped: markers file: expected 3 cells, found 2"
            ]
        );
    }

    #[test]
    fn wrong_columns_lose_the_file() {
        let (markers, losses) = read("when,what\n1,2\n");
        assert!(markers.is_empty());
        assert_eq!(
            losses,
            ["line 1 skipped: markers file: expected the columns host_us,kind,value, found \"when,what\""]
        );
    }

    #[test]
    fn any_text_survives_its_line() {
        for value in ["iron", "a,b", "say \"hi\"", "two\nlines", " blanks "] {
            let marker = Marker::Note { kind: "mark".to_owned(), value: value.to_owned() };
            let text = format!("host_us,kind,value\n{}", marker_line(HostTime(5), &marker));
            let (markers, losses) = read(&text);
            assert!(losses.is_empty());
            assert_eq!(markers, [(HostTime(5), marker)]);
        }
    }
}
