//! The raw CSV: read, put back on the count grid, merged with its markers, and written again.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use flate2::{Compression, write::GzEncoder};
use hingeclock::record::csv_writer::csv_line;
use hingeclock::record::input::Arrivals;
use hingeclock::record::{CsvWriter, open_input};
use hingeclock::sample::{Arrival, CalibrationPart, DeviceDescription, ImuSample, Marker, NodeRole};
use hingeclock::units::{DeviceTime, HostTime, PlayerHand};
use proptest::prelude::*;
use std::fs;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use tempfile::TempDir;

const HEADER: &str = "t_us,node,seq,gx,gy,gz,ax,ay,az,host_us\n";

fn folder_with(files: &[(&str, &[u8])]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        fs::write(folder.path().join(name), bytes).unwrap();
    }
    folder
}

fn gzipped(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn arrivals(path: &Path) -> Vec<Arrival> {
    let mut input = open_input(path).unwrap();
    let arrivals = input.arrivals.by_ref().map(Result::unwrap).collect();
    assert_eq!(input.report().sentences(), Vec::<String>::new());
    arrivals
}

#[test]
fn plain_and_gzipped_files_are_told_apart_by_content() {
    let text = format!("{HEADER}10,0,1,1.5,0,0,0,0,1,100\n20,1,7,0,0,0,0,0,1,200\n");
    let folder = folder_with(&[("plain.csv.gz", text.as_bytes()), ("packed.csv", &gzipped(text.as_bytes()))]);
    let plain = arrivals(&folder.path().join("plain.csv.gz"));
    assert_eq!(plain, arrivals(&folder.path().join("packed.csv")));
    assert_eq!(plain.len(), 2);
}

#[test]
fn a_marker_stands_before_the_first_row_that_came_later() {
    let row = |seq: u32, host: &str| format!("{seq}0,0,{seq},0,0,0,0,0,1,{host}\n");
    // Readings 4 and 5 were asked for again: they stand with the row after them.
    let hosts = ["100", "200", "200", "", "", "300"];
    let rows: String = (1..).zip(hosts).map(|(seq, host)| row(seq, host)).collect();
    let rows = HEADER.to_owned() + &rows;
    let markers =
        "host_us,kind,value\n300,club,wood\n200,club,iron\n100,prompt,still\n99,battery,hand=4.1V\n";
    let folder = folder_with(&[("x.csv", rows.as_bytes()), ("x.markers.csv", markers.as_bytes())]);
    let told: Vec<String> = arrivals(&folder.path().join("x.csv"))
        .iter()
        .map(|arrival| match arrival {
            Arrival::Sample(sample) => format!("sample {}", sample.seq),
            Arrival::Marker { marker, .. } => marker.fields().1.to_owned(),
        })
        .collect();
    let expected = "hand=4.1V, sample 1, still, sample 2, sample 3, iron, sample 4, sample 5, sample 6, wood";
    assert_eq!(told.join(", "), expected);
}

#[test]
fn the_device_file_tells_the_hand_and_the_count_grid() {
    let device = r#"{"player_hand": "left", "nodes": [
        {"node": 0, "place": "hand", "rate_hz": 400, "gyro_fs_dps": 4000, "acc_fs_g": 32}]}"#;
    let rows = format!("{HEADER}10,0,1,0.977,0,0,0,0,1.00098,100\n10,1,1,0.977,0,0,0,0,1.00098,100\n");
    let folder = folder_with(&[("x.csv", rows.as_bytes()), ("x.device.json", device.as_bytes())]);
    let input = open_input(&folder.path().join("x.csv")).unwrap();
    assert_eq!(input.device.player_hand, PlayerHand::Left);
    let samples: Vec<ImuSample> = input
        .arrivals
        .map(|arrival| match arrival.unwrap() {
            Arrival::Sample(sample) => sample,
            other => panic!("{other:?}"),
        })
        .collect();
    assert_eq!(samples[0].rate_dps[0], 8.0 * 4000.0 / 32768.0);
    assert_eq!(samples[0].specific_force_g[2], 1025.0 * 32.0 / 32768.0);
    // Nothing is known of the forearm node, so its values stay as they stand.
    assert_eq!(samples[1].rate_dps[0], 0.977);
}

#[test]
fn a_glove_without_a_forearm_node_is_a_fact_and_no_loss() {
    let folder = folder_with(&[("x.csv", format!("{HEADER}10,0,1,0,0,0,0,0,1,100\n").as_bytes())]);
    let mut input = open_input(&folder.path().join("x.csv")).unwrap();
    input.arrivals.by_ref().for_each(|arrival| drop(arrival.unwrap()));
    assert_eq!(input.report().nodes_seen, [NodeRole::Hand]);
    assert!(!input.report().data_was_lost());
    assert_eq!(
        input.report().notes,
        [
            "no device file beside the CSV: a nominally mounted glove at ±4000 °/s is assumed, on the hand that the settings name (right by default)"
        ]
    );
}

fn written(arrivals: &[Arrival], device: &DeviceDescription) -> (Vec<u8>, Vec<u8>, Vec<u8>) {
    let mut about = Vec::new();
    let (mut rows, mut markers) = (Vec::new(), Vec::new());
    {
        let outputs: [&mut Vec<u8>; 3] = [&mut rows, &mut markers, &mut about];
        let [rows, markers, about] = outputs;
        let mut writer = CsvWriter::new(rows, markers, about, device.clone()).unwrap();
        arrivals.iter().for_each(|arrival| writer.write(arrival).unwrap());
        writer.finish().unwrap();
    }
    (rows, markers, about)
}

fn read_back(files: &(Vec<u8>, Vec<u8>, Vec<u8>)) -> (DeviceDescription, Vec<Arrival>) {
    let folder =
        folder_with(&[("x.csv", &files.0), ("x.markers.csv", &files.1), ("x.device.json", &files.2)]);
    let path = folder.path().join("x.csv");
    (open_input(&path).unwrap().device, arrivals(&path))
}

fn any_sample() -> impl Strategy<Value = ImuSample> {
    let axes = || prop::array::uniform3(-5000.0..5000.0_f64);
    (0..4_u8, 0..60_000_u32, -1_000_000..9_000_000_i64, axes(), axes()).prop_map(
        |(role, seq, t, rate, force)| ImuSample {
            role: NodeRole::from_number(role).unwrap(),
            seq,
            t: DeviceTime(t),
            rate_dps: rate,
            specific_force_g: force,
            received: None,
        },
    )
}

fn any_marker() -> impl Strategy<Value = Marker> {
    prop_oneof![
        Just(Marker::Prompt(CalibrationPart::Flex)),
        "[a-z,\" ]{1,12}".prop_map(Marker::Club),
        ("[a-z]{1,8}", ".{0,20}").prop_map(|(kind, value)| Marker::Note { kind: format!("n-{kind}"), value }),
    ]
}

#[test]
fn a_marker_with_an_older_time_than_the_sample_before_it_stays_behind_it() {
    let zero = [0.0; 3];
    let sample = |seq: u32, received: i64| {
        let (t, received) = (DeviceTime(i64::from(seq) * 2000), Some(HostTime(received)));
        let role = NodeRole::Hand;
        Arrival::Sample(ImuSample { role, seq, t, rate_dps: zero, specific_force_g: zero, received })
    };
    let club = |received: i64| Arrival::Marker {
        received: Some(HostTime(received)),
        marker: Marker::Club("iron".to_owned()),
    };
    let order = |arrivals: &[Arrival]| -> Vec<bool> {
        arrivals.iter().map(|arrival| matches!(arrival, Arrival::Marker { .. })).collect()
    };
    // The times of arrival of a link run ahead of the clock a little, and may stray.
    for hosts in [[100, 100, 200], [100, 70, 200]] {
        let [first, second, third] = hosts;
        let arrivals = [sample(1, first), sample(2, second), club(50), sample(3, third)];
        let (_, read) = read_back(&written(&arrivals, &DeviceDescription::default()));
        assert_eq!(order(&read), order(&arrivals), "{hosts:?}");
    }
}

proptest! {
    #[test]
    fn what_is_written_is_read_back_in_the_same_order(
        things in prop::collection::vec((any_sample(), prop::option::of(any_marker())), 1..30)
    ) {
        let mut arrivals = Vec::new();
        // Some were asked for again: they have no time of arrival, and the reading after them stands with them.
        let was_asked_for = |at: usize| at % 5 == 3 && at + 1 < things.len();
        for (at, (mut sample, marker)) in things.iter().cloned().enumerate() {
            let host = 1000 + 10 * at as i64;
            // Small running numbers would be taken for wraps: keep them rising.
            sample.seq = at as u32;
            sample.received = (!was_asked_for(at)).then_some(HostTime(host));
            if let Some(marker) = marker.filter(|_| at == 0 || !was_asked_for(at - 1)) {
                arrivals.push(Arrival::Marker { received: Some(HostTime(host - 1)), marker });
            }
            arrivals.push(Arrival::Sample(sample));
        }
        let device = DeviceDescription::default();
        let (device_read, arrivals_read) = read_back(&written(&arrivals, &device));
        prop_assert_eq!(device_read, device);
        prop_assert_eq!(arrivals_read, arrivals);
    }
}

fn example(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/example-sessions").join(name);
    if path.exists() {
        return Some(path);
    }
    eprintln!("SKIPPED: {} is absent", path.display());
    None
}

#[test]
fn example_sessions_are_written_again_byte_by_byte() {
    for name in ["s1.csv.gz", "s2.csv.gz", "s3.csv.gz"] {
        let Some(path) = example(name) else { return };
        let mut original = String::new();
        flate2::read::GzDecoder::new(fs::File::open(&path).unwrap()).read_to_string(&mut original).unwrap();
        let input = open_input(&path).unwrap();
        let device = input.device.clone();
        let mut text = String::from(HEADER);
        let mut markers = 0;
        for arrival in input.arrivals {
            match arrival.unwrap() {
                Arrival::Sample(sample) => text += &csv_line(&sample, Some(&device)),
                Arrival::Marker { .. } => markers += 1,
            }
        }
        assert!(markers > 5, "{name}");
        for (line, (found, expected)) in text.lines().zip(original.lines()).enumerate() {
            assert_eq!(found, expected, "{name}, line {}", line + 1);
        }
        assert_eq!(text.len(), original.len(), "{name}");
    }
}

#[test]
fn every_value_of_the_example_sessions_lies_on_the_count_grid() {
    for name in ["s1.csv.gz", "s2.csv.gz", "s3.csv.gz"] {
        let Some(path) = example(name) else { return };
        let input = open_input(&path).unwrap();
        let device = input.device.clone();
        assert!(matches!(input.arrivals, Arrivals::Csv(_)));
        for arrival in input.arrivals {
            let Arrival::Sample(sample) = arrival.unwrap() else { continue };
            let node = device.node(sample.role).unwrap();
            let rates = sample.rate_dps.map(|value| value * 32768.0 / node.gyro_full_scale_dps);
            let forces = sample.specific_force_g.map(|value| value * 32768.0 / node.acc_full_scale_g);
            for counts in rates.into_iter().chain(forces) {
                assert!((counts - counts.round()).abs() < 1e-9, "{name}: {sample:?}");
            }
        }
    }
}
