//! A glove on a real pseudo-terminal that loses and damages frames: what is missing is asked for again, and
//! the recording gives every reading once, in order.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod binary;
    pub mod steady;
}

use hingeclock::record::csv_writer::CsvWriter;
use hingeclock::sample::DeviceDescription;
use std::fs::File;
use support::binary::{code, emulate, errors, listen, recording, run, swings};
use support::steady::{check_rows, script};

/// The stream is whole again although a twentieth of the frames is lost and as many are damaged. The last
/// frames are sent without a fault, since what nothing follows cannot be missed: faults of a script are drawn
/// by its seed, and with this one its last frames come through.
#[test]
fn a_line_that_loses_and_damages_frames_loses_nothing_for_good() {
    let place = tempfile::tempdir().unwrap();
    let device = DeviceDescription { serial: Some("KP-0007".to_owned()), ..DeviceDescription::default() };
    let script = script(&device, 20.0);
    let file = |name: &str| File::create(place.path().join(name)).unwrap();
    let files = [file("sent.csv"), file("sent.markers.csv"), file("sent.device.json")];
    let [rows, markers, about] = files;
    let mut writer = CsvWriter::new(rows, markers, about, device).unwrap();
    script.items().iter().for_each(|(at, arrival)| {
        let mut arrival = arrival.clone();
        if let hingeclock::sample::Arrival::Sample(sample) = &mut arrival {
            sample.received = Some(*at);
        }
        writer.write(&arrival).unwrap();
    });
    writer.finish().unwrap();
    let sent = place.path().join("sent.csv");
    let faults = ["--loss", "0.05", "--corruption", "0.05", "--seed", "3", "--linger-s", "3"];
    let mut arguments = vec![sent.to_str().unwrap()];
    arguments.extend(faults);
    let (_glove, port) = emulate(&arguments);
    let folder = place.path().join("buckets");
    let mut daemon = listen(&port, folder.to_str().unwrap());
    daemon.retain(|argument| *argument != "--quiet");
    let output = run(&daemon);
    assert_eq!(code(&output), 0, "{}", errors(&output));
    println!("{}", errors(&output));
    let recorded = recording(&folder);
    let csv = place.path().join("out.csv");
    let output = run(&["export", recorded.to_str().unwrap(), csv.to_str().unwrap()]);
    println!("{}", errors(&output));
    assert!(errors(&output).contains("came when asked for again"), "{}", errors(&output));
    check_rows(&csv, &script);
    assert_eq!(swings(&recorded), swings(&sent));
}
