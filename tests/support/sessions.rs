//! Sessions with exact truth that were made apart from this program: what a daemon may know of them, and their
//! truth in the words of the virtual glove's, so that both are scored alike.
#![allow(dead_code, reason = "each test file uses a part of it")]

use hingeclock::device::virtual_glove::swing::SwingSize;
use hingeclock::device::virtual_glove::{SwingTruth, TrueAngle, TruePoint, TrueSet};
use hingeclock::record::input::open_input;
use hingeclock::sample::{Arrival, DeviceDescription};
use hingeclock::units::DeviceTime;
use serde_json::Value;
use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// One session.
pub struct Session {
    pub name: String,
    pub profile: String,
    pub device: DeviceDescription,
    pub arrivals: Vec<Arrival>,
    /// The swings that have to be reported.
    pub truth: Vec<SwingTruth>,
}

/// The folder: `SESSIONS`, or the examples beside the project.
pub fn folder() -> Option<PathBuf> {
    if let Some(folder) = std::env::var_os("SESSIONS") {
        return Some(folder.into());
    }
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/example-sessions");
    if !folder.is_dir() {
        eprintln!("skipped: no example sessions beside the project");
        return None;
    }
    Some(folder)
}

/// Every `NAME.csv.gz` with its `NAME.truth.json`, by name.
pub fn sessions(folder: &Path) -> Vec<Session> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name());
    let mut names: Vec<String> = entries
        .filter_map(|name| name.to_str().unwrap().strip_suffix(".truth.json").map(str::to_owned))
        .collect();
    names.sort();
    names.iter().map(|name| read(folder, name)).collect()
}

fn read(folder: &Path, name: &str) -> Session {
    let text = std::fs::read_to_string(folder.join(format!("{name}.truth.json"))).unwrap();
    let truth: Value = serde_json::from_str(&text).unwrap();
    let mut traces = Traces::open(&folder.join(format!("{name}.traces.npz")));
    let labels = truth["swings"].as_array().unwrap();
    let to_report = labels.iter().filter(|label| label["expect"].as_str().unwrap().starts_with("report"));
    let swings = to_report.map(|label| swing_truth(label, &mut traces)).collect();
    let mut input = open_input(&folder.join(format!("{name}.csv.gz"))).unwrap();
    Session {
        name: name.to_owned(),
        profile: truth["profile"].as_str().unwrap().to_owned(),
        arrivals: input.arrivals.by_ref().map(|arrival| arrival.unwrap()).collect(),
        device: input.device,
        truth: swings,
    }
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("expected a number, found {value}"))
}

fn instant(event: &Value) -> DeviceTime {
    DeviceTime(number(&event["t_us_hand"]).round() as i64)
}

fn swing_truth(label: &Value, traces: &mut Traces) -> SwingTruth {
    let (events, hinge) = (&label["events"], &label["hinge"]);
    let (takeaway, ball) = (instant(&events["takeaway"]), instant(&events["impact"]));
    let angle = |channel: &str| angle(label, channel);
    let epoch = label["mount_epoch"].as_u64().unwrap();
    SwingTruth {
        club: label["club"].as_str().unwrap().to_owned(),
        size: SwingSize::Full,
        takeaway,
        top: instant(&events["top"]),
        impact: (label["shock"] == true).then_some(ball),
        arm_back: ball,
        finish: events["finish"].is_object().then(|| instant(&events["finish"])),
        set: true_set(label, hinge, &hinge["set90"], hinge["well_conditioned"] == true),
        set_backswing_only: {
            let to_top = &hinge["backswing_only"];
            true_set(label, to_top, &to_top["set90"], to_top["well_conditioned"] == true)
        },
        hinge_range_deg: number(&hinge["range_deg"]),
        class: class(label["class"].as_str().unwrap()),
        hinge_deg: angle("hinge_deg"),
        flexion_deg: angle("flex_deg"),
        arm_travel_top_deg: number(&label["arm_travel_top_deg"]),
        peak_arm_dps: number(&label["peak_forearm_rate_dps"]),
        head_speed_mps: number(&label["clubhead_speed_mps"]),
        wrist_speed_mps: f64::NAN,
        speed: None,
        plane_normal_world: [0, 1, 2].map(|i| number(&label["swing_plane_normal_world"][i])),
        fit_epoch: epoch as u32,
        fit_calibrated: epoch == 0,
        body: None,
        curve: traces.curve(label),
    }
}

fn class(word: &str) -> &'static str {
    let known = ["early", "middle", "late", "at-top", "after-top", "none"];
    known.into_iter().find(|known| *known == word.replace('_', "-")).unwrap()
}

/// The set that `of` holds; crossings that it does not tell stand at the set.
fn true_set(label: &Value, of: &Value, set90: &Value, well_conditioned: bool) -> Option<TrueSet> {
    let set = set90.is_object().then(|| instant(set90))?;
    let at = |key: &str| if of[key].is_object() { instant(&of[key]) } else { set };
    Some(TrueSet {
        onset: at("onset10"),
        half: at("set50"),
        set,
        nearly_full: at("set95"),
        set_to_top_ms: number(&set90["rel_top_ms"]),
        arm_travel_at_set: number(&set90["arm_travel_frac"]),
        hinge_rate_at_set_dps: of["set90_slope_deg_s"].as_f64().unwrap_or(f64::NAN),
        well_conditioned,
        class_margin_ms: label["class_margin_ms"].as_f64().unwrap_or(f64::INFINITY),
    })
}

fn angle(label: &Value, channel: &str) -> TrueAngle {
    let address = number(&label["address"][channel]);
    let at = |event: &Value| event[channel].as_f64().map(|value| value - address);
    let events = &label["events"];
    TrueAngle {
        address,
        set: at(&label["hinge"]["set90"]),
        top: at(&events["top"]).unwrap(),
        max: if channel == "hinge_deg" { at(&events["hinge_max"]).unwrap() } else { f64::NAN },
        arm_horizontal_down: at(&events["arm_horizontal_down"]),
        impact: at(&events["impact"]).unwrap(),
    }
}

/// The noiseless angles of every swing, 1 kHz.
struct Traces(zip::ZipArchive<File>);

/// Columns of a joint table, and those that count.
const JOINT_COLUMNS: usize = 7;
const HINGE: usize = 0;
const FLEXION: usize = 1;
const ROLL: usize = 3;
/// A true curve has a point every so many rows.
const CURVE_EVERY: usize = 5;

impl Traces {
    fn open(path: &Path) -> Traces {
        Traces(zip::ZipArchive::new(File::open(path).unwrap()).unwrap())
    }

    /// A NumPy array of 4- or 8-byte floats, flattened.
    fn array(&mut self, name: &str) -> Vec<f64> {
        let mut bytes = Vec::new();
        self.0.by_name(&format!("{name}.npy")).unwrap().read_to_end(&mut bytes).unwrap();
        // NumPy's format 1.0: magic, version, length of a header that names the kind, then the numbers.
        let header_end = 10 + usize::from(u16::from_le_bytes([bytes[8], bytes[9]]));
        let header = std::str::from_utf8(&bytes[10..header_end]).unwrap().to_owned();
        let data = &bytes[header_end..];
        if header.contains("'<f8'") {
            data.chunks_exact(8).map(|eight| f64::from_le_bytes(eight.try_into().unwrap())).collect()
        } else {
            assert!(header.contains("'<f4'"), "{name}: {header}");
            data.chunks_exact(4).map(|four| f64::from(f32::from_le_bytes(four.try_into().unwrap()))).collect()
        }
    }

    /// Angles from address on, counted from the address value, on the hand node's clock.
    fn curve(&mut self, label: &Value) -> Vec<TruePoint> {
        let index = label["index"].as_u64().unwrap();
        let (t_s, joint) =
            (self.array(&format!("sw{index:02}_t")), self.array(&format!("sw{index:02}_joint")));
        let event = |name: &str| {
            let event = &label["events"][name];
            (number(&event["t_s"]), number(&event["t_us_hand"]))
        };
        let ((from_s, from_us), (to_s, to_us)) = (event("takeaway"), event("impact"));
        let device_us = |t_s: f64| from_us + (t_s - from_s) * (to_us - from_us) / (to_s - from_s);
        let address = |channel: &str| number(&label["address"][channel]);
        let (hinge, flexion) = (address("hinge_deg"), address("flex_deg"));
        let point = |i: usize| {
            let row = &joint[i * JOINT_COLUMNS..(i + 1) * JOINT_COLUMNS];
            TruePoint {
                t: DeviceTime(device_us(t_s[i]).round() as i64),
                hinge_deg: row[HINGE] - hinge,
                flexion_deg: row[FLEXION] - flexion,
                roll_deg: row[ROLL] - joint[ROLL],
                arm_travel: f64::NAN,
            }
        };
        (0..t_s.len()).step_by(CURVE_EVERY).map(point).collect()
    }
}
