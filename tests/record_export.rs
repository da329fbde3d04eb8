//! Export: a session written out and read back is the same session; files are never replaced.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use hingeclock::record::{Names, export_csv, open_input};
use hingeclock::sample::Arrival;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

const CSV: &str = "t_us,node,seq,gx,gy,gz,ax,ay,az,host_us\n\
    2000,0,1,0.977,-0.366,0.610,-0.97559,-0.17969,0.13379,1100\n\
    2010,1,5,0.1234567,0,-7,1,2,3,1200\n";
const MARKERS: &str = "host_us,kind,value\n1050,club,iron\n1150,prompt,calib_hinge\n9999,mark,\"a, b\"\n";
const DEVICE: &str = r#"{"player_hand": "left", "serial": "KP-7", "nodes": [
    {"node": 0, "rate_hz": 500, "gyro_fs_dps": 4000, "acc_fs_g": 32, "nominal_bandwidth_hz": 210}]}"#;

fn arrivals(path: &Path) -> Vec<Arrival> {
    open_input(path).unwrap().arrivals.map(Result::unwrap).collect()
}

#[test]
fn a_session_is_the_same_after_export_plain_and_gzipped() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.csv");
    fs::write(&path, CSV).unwrap();
    fs::write(folder.path().join("a.markers.csv"), MARKERS).unwrap();
    fs::write(folder.path().join("a.device.json"), DEVICE).unwrap();
    for name in ["b.csv", "c.csv.gz"] {
        let out = folder.path().join(name);
        let exported = export_csv(open_input(&path).unwrap(), &out, Names::Keep).unwrap();
        assert_eq!((exported.samples, exported.markers), (2, 3));
        assert!(!exported.report.data_was_lost());
        assert_eq!(arrivals(&out), arrivals(&path), "{name}");
        assert_eq!(open_input(&out).unwrap().device, open_input(&path).unwrap().device);
    }
    assert!(fs::read(folder.path().join("c.csv.gz")).unwrap().starts_with(&[0x1f, 0x8b]));
    assert_eq!(fs::read_to_string(folder.path().join("b.markers.csv")).unwrap(), MARKERS);
}

#[test]
fn a_file_that_is_there_already_is_not_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.csv");
    fs::write(&path, CSV).unwrap();
    let error = export_csv(open_input(&path).unwrap(), &path, Names::Keep).unwrap_err();
    assert!(
        error.to_string().contains("a.csv: cannot be written: expected a free name, found a file"),
        "{error}"
    );
    assert_eq!(fs::read_to_string(&path).unwrap(), CSV);
    fs::write(folder.path().join("b.markers.csv"), "").unwrap();
    assert!(export_csv(open_input(&path).unwrap(), &folder.path().join("b.csv"), Names::Keep).is_err());
    assert!(!folder.path().join("b.csv").exists(), "all three files or none");
}

#[test]
fn without_names_nothing_is_left_that_was_typed_or_numbers_the_glove() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.csv");
    let markers = "host_us,kind,value\n1050,club,iron\n1060,mark,Robin was here\n1070,battery,hand=4.100V\n\
        1080,guess,late\n1090,shout,Robin!\n";
    fs::write(&path, CSV).unwrap();
    fs::write(folder.path().join("a.markers.csv"), markers).unwrap();
    fs::write(folder.path().join("a.device.json"), DEVICE).unwrap();
    let out = folder.path().join("b.csv");
    let exported = export_csv(open_input(&path).unwrap(), &out, Names::Drop).unwrap();
    assert_eq!((exported.samples, exported.markers), (2, 5));
    let left = "host_us,kind,value\n1050,club,iron\n1060,mark,\n1070,battery,hand=4.100V\n\
        1080,guess,late\n1090,shout,\n";
    assert_eq!(fs::read_to_string(folder.path().join("b.markers.csv")).unwrap(), left);
    let device = fs::read_to_string(folder.path().join("b.device.json")).unwrap();
    assert!(!device.contains("KP-7") && device.contains("left"), "{device}");
    let samples = |path: &Path| {
        let arrivals = arrivals(path).into_iter();
        arrivals.filter(|arrival| matches!(arrival, Arrival::Sample(_))).collect::<Vec<_>>()
    };
    assert_eq!(samples(&out), samples(&path));
}

#[test]
fn what_is_exported_is_its_owners_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.csv");
    fs::write(&path, CSV).unwrap();
    export_csv(open_input(&path).unwrap(), &folder.path().join("b.csv"), Names::Keep).unwrap();
    for name in ["b.csv", "b.markers.csv", "b.device.json"] {
        let mode = fs::metadata(folder.path().join(name)).unwrap().permissions().mode() & 0o777;
        assert_eq!(mode, 0o600, "{name}");
    }
}
