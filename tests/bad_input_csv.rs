//! A raw CSV that is wrong, torn or damaged: a clear message or a salvage, never a panic, nothing passed over.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use flate2::{Compression, write::GzEncoder};
use hingeclock::record::{SalvageReport, open_input};
use hingeclock::sample::Arrival;
use proptest::prelude::*;
use std::fs;
use std::io::Write;
use std::path::Path;

const HEADER: &str = "t_us,node,seq,gx,gy,gz,ax,ay,az,host_us\n";

/// Opens these bytes as NAME.csv and reads them to the end.
fn read(bytes: &[u8]) -> Result<(Vec<Arrival>, SalvageReport), String> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("x.csv");
    fs::write(&path, bytes).unwrap();
    read_path(&path).map_err(|error| error.replace(folder.path().to_str().unwrap(), "DIR"))
}

fn read_path(path: &Path) -> Result<(Vec<Arrival>, SalvageReport), String> {
    let mut input = open_input(path).map_err(|error| error.to_string())?;
    let mut arrivals = Vec::new();
    for arrival in input.arrivals.by_ref() {
        arrivals.push(arrival.map_err(|error| error.to_string())?);
    }
    Ok((arrivals, input.report()))
}

fn check_error(bytes: &[u8], expected: &str) {
    assert_eq!(read(bytes).unwrap_err(), expected);
}

fn check_salvage(bytes: &[u8], samples: usize, expected: &[&str]) {
    let (arrivals, report) = read(bytes).unwrap();
    assert_eq!(report.sentences(), expected);
    assert_eq!(arrivals.len(), samples);
}

fn row(at: usize) -> String {
    format!(
        "{},{},{},0.977,-0.366,0.610,-0.97559,-0.17969,0.13379,{}\n",
        2000 * at,
        at % 2,
        at / 2,
        19_964_999_914 + 2000 * at
    )
}

fn rows(count: usize) -> String {
    (0..count).map(row).collect()
}

fn gzipped(text: &str) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(text.as_bytes()).unwrap();
    encoder.finish().unwrap()
}

#[test]
fn what_is_no_input_at_all() {
    check_error(b"", "DIR/x.csv: expected a recording or a raw CSV (plain or gzipped), found an empty file");
    check_error(
        b"\x7fELF\x02\x01\x01\x00",
        "DIR/x.csv: expected a recording or a raw CSV (plain or gzipped), found other bytes: [7f, 45, 4c, 46, 02, 01, 01, 00]",
    );
    check_error(
        b"PK\x03\x04\x14\0\0\0",
        "DIR/x.csv: expected a recording or a raw CSV (plain or gzipped), found a zip; a session that was packed into one is \
         taken in by `hingeclock library import`",
    );
    check_error(
        &gzipped(""),
        "DIR/x.csv: expected a recording or a raw CSV (plain or gzipped), found an empty gzip stream",
    );
    let folder = tempfile::tempdir().unwrap();
    let error = read_path(folder.path()).unwrap_err();
    assert_eq!(error, format!("{}: expected a file, found a folder", folder.path().display()));
    let error = read_path(&folder.path().join("no.csv")).unwrap_err();
    assert!(error.contains("no.csv: expected a recording or a raw CSV, found no such file"), "{error}");
}

#[test]
fn wrong_columns_are_fatal() {
    check_error(
        b"time,gx,gy,gz\n1,2,3,4\n",
        "DIR/x.csv: expected a header with the columns t_us,node,seq,gx,gy,gz,ax,ay,az,host_us, found no column t_us in the first line \"time,gx,gy,gz\"",
    );
}

#[test]
fn a_file_without_one_good_row_is_fatal() {
    check_error(
        HEADER.as_bytes(),
        "DIR/x.csv: expected at least one sample, found none in 0 lines: the file ends behind its header, so what wrote it was stopped there, or had nothing to write",
    );
    check_error(
        format!("{HEADER}a,b,c,d,e,f,g,h,i,j\n").as_bytes(),
        "DIR/x.csv: expected at least one sample, found none in 1 line: line 2 skipped: column 2 (node): expected a whole number, found \"b\"",
    );
}

#[test]
fn a_bad_line_in_the_middle_is_skipped_and_told() {
    let text = format!("{HEADER}{}10,0,1,NaN,0,0,0,0,1,5\n1,2\n10,9,1,0,0,0,0,0,1,5\n{}", rows(3), rows(2));
    check_salvage(
        text.as_bytes(),
        5,
        &[
            "line 5 skipped: column 4 (gx): expected a finite number, found \"NaN\"",
            "line 6 skipped: expected 10 cells, found 2 in \"1,2\"",
            "line 7 skipped: column 2 (node): expected a node number: 0 hand, 1 forearm, 2 chest, 3 belt, found \"9\"",
        ],
    );
}

#[test]
fn a_line_without_end_is_skipped_without_being_kept() {
    let text = format!("{HEADER}{}{}\n{}", rows(1), "9".repeat(1_000_000), rows(1));
    check_salvage(text.as_bytes(), 2, &["line 3 skipped: expected at most 4096 bytes, found a longer line"]);
}

#[test]
fn bytes_that_are_no_text_are_skipped() {
    let mut bytes = format!("{HEADER}{}", rows(1)).into_bytes();
    bytes.extend(b"\xff\xfe\n");
    bytes.extend(rows(1).bytes());
    check_salvage(&bytes, 2, &["line 3 skipped: expected text in UTF-8, found \"\u{fffd}\u{fffd}\""]);
}

#[test]
fn a_file_cut_anywhere_keeps_every_whole_row_and_no_half_one() {
    for header in [HEADER, "t_us,node,seq,gx,gy,gz,ax,ay,az\n"] {
        let with_host = header == HEADER;
        let line = |at: usize| {
            let line = row(at);
            if with_host { line } else { format!("{}\n", line.rsplit_once(',').unwrap().0) }
        };
        let text: String = std::iter::once(header.to_owned()).chain((0..6).map(line)).collect();
        let (whole, _) = read(text.as_bytes()).unwrap();
        for cut in header.len() + line(0).len()..text.len() {
            let (arrivals, report) = read(&text.as_bytes()[..cut]).unwrap();
            let newlines = text[..cut].matches('\n').count() - 1;
            let at_line_end = text.as_bytes()[cut] == b'\n';
            let expected = newlines + usize::from(at_line_end);
            assert_eq!(arrivals, whole[..expected], "cut at {cut}");
            let torn = text.as_bytes()[cut - 1] != b'\n' && !at_line_end;
            assert_eq!(report.data_was_lost(), torn, "cut at {cut}");
        }
    }
}

#[test]
fn a_last_line_without_its_line_end_is_whole() {
    check_salvage(format!("{HEADER}{}", rows(3)).trim_end().as_bytes(), 3, &[]);
}

#[test]
fn a_cut_gzip_stream_gives_what_came_before_and_tells_the_loss() {
    let text = format!("{HEADER}{}", rows(2000));
    let (whole, _) = read(text.as_bytes()).unwrap();
    let packed = gzipped(&text);
    for cut in (packed.len() / 4..packed.len()).step_by(packed.len() / 50) {
        let (arrivals, report) = read(&packed[..cut]).unwrap();
        assert!(report.data_was_lost(), "cut at {cut}");
        assert_eq!(arrivals, whole[..arrivals.len()], "cut at {cut}");
        assert!(report.sentences()[0].starts_with("expected a whole gzip stream, found damage after"));
    }
    assert_eq!(read(&packed).unwrap().0, whole);
}

#[test]
fn a_flipped_bit_in_a_gzip_stream_never_goes_unnoticed() {
    let text = format!("{HEADER}{}", rows(300));
    let (whole, _) = read(text.as_bytes()).unwrap();
    let packed = gzipped(&text);
    for at in (10..packed.len()).step_by(7) {
        let mut damaged = packed.clone();
        damaged[at] ^= 1 << (at % 8);
        // Decompressed text may be wrong before the check sum tells; then the loss has to be told.
        if let Ok((arrivals, report)) = read(&damaged) {
            assert!(report.data_was_lost() || arrivals == whole, "flip in byte {at}");
        }
    }
}

#[test]
fn a_wrong_device_file_is_fatal_and_named() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("x.csv"), format!("{HEADER}{}", rows(1))).unwrap();
    fs::write(folder.path().join("x.device.json"), "{").unwrap();
    let error = read_path(&folder.path().join("x.csv")).unwrap_err();
    assert!(error.contains("x.device.json, line 1, column 1: expected a JSON device description"), "{error}");
}

proptest! {
    #[test]
    fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = read(&bytes);
        let mut with_header = HEADER.as_bytes().to_vec();
        with_header.extend(&bytes);
        let _ = read(&with_header);
    }

    #[test]
    fn no_cells_make_it_panic(cells in prop::collection::vec("[-0-9.eE+naif ]{0,12}", 0..40)) {
        let _ = read(format!("{HEADER}{}{}\n{}", rows(1), cells.join(","), rows(1)).as_bytes());
    }
}
