//! A bucket's samples led through the calibration by the guide, and judged afterwards.
#![allow(dead_code, reason = "each test file uses its own part of this")]

use hingeclock::daemon::guide::{Guide, Say};
use hingeclock::detect::episode::{
    CALIBRATION_DONE, CALIBRATION_NOTE, CALIBRATION_STOPPED, Cut, EpisodeCutter, EpisodeParams,
};
use hingeclock::detect::wrist_state::WristState;
use hingeclock::detect::{AnalysisParams, CalibrationQuality, LiveAnalysis, OfflineAnalysis};
use hingeclock::device::virtual_glove::{GloveStream, Scenario};
use hingeclock::fusion::joint::GloveEvidence;
use hingeclock::sample::{Arrival, CalibrationPart, DeviceDescription, Marker, NodeRole};
use hingeclock::tone::Cue;
use nalgebra::{Unit, Vector3};

/// What the guide said, when on the hand's clock, and the arrivals with its markers among them.
pub struct Led {
    pub device: DeviceDescription,
    pub said: Vec<(f64, Say)>,
    pub arrivals: Vec<Arrival>,
    pub guide: Guide,
}

/// Leads through the samples of these arrivals; the glove's own prompts are left out.
pub fn lead(device: &DeviceDescription, arrivals: &[Arrival]) -> Led {
    let guide = Guide::start(device);
    let mut led = Led { device: device.clone(), said: Vec::new(), arrivals: Vec::new(), guide };
    let mut over = false;
    for arrival in arrivals {
        let Arrival::Sample(sample) = arrival else { continue };
        led.arrivals.push(arrival.clone());
        let said = if over { Vec::new() } else { led.guide.hear(sample) };
        for say in said {
            over |= matches!(say, Say::Done | Say::Stopped);
            led.arrivals.extend(marker(&say).map(|marker| Arrival::Marker { received: None, marker }));
            led.said.push((sample.t.0 as f64 * 1e-6, say));
        }
    }
    led
}

fn marker(say: &Say) -> Option<Marker> {
    let note = |value: &str| Marker::Note { kind: CALIBRATION_NOTE.to_owned(), value: value.to_owned() };
    match say {
        Say::Prompt(part, _) => Some(Marker::Prompt(*part)),
        Say::Done => Some(note(CALIBRATION_DONE)),
        Say::Stopped => Some(note(CALIBRATION_STOPPED)),
        Say::Words(_) | Say::Sound(_) => None,
    }
}

impl Led {
    pub fn prompts(&self) -> Vec<CalibrationPart> {
        let prompt = |(_, say): &(f64, Say)| if let Say::Prompt(part, _) = say { Some(*part) } else { None };
        self.said.iter().filter_map(prompt).collect()
    }

    pub fn sounds(&self) -> Vec<Cue> {
        let sound = |(_, say): &(f64, Say)| if let Say::Sound(cue) = say { Some(*cue) } else { None };
        self.said.iter().filter_map(sound).collect()
    }

    pub fn words(&self) -> String {
        let words =
            |(_, say): &(f64, Say)| if let Say::Words(words) = say { Some(words.clone()) } else { None };
        self.said.iter().filter_map(words).collect::<Vec<_>>().join("\n")
    }

    /// From the first thing said to the last.
    pub fn seconds(&self) -> f64 {
        self.said.last().unwrap().0 - self.said.first().unwrap().0
    }
}

/// The verdict when all has arrived.
pub fn judged(device: &DeviceDescription, arrivals: &[Arrival]) -> Option<CalibrationQuality> {
    let mut analysis = OfflineAnalysis::new(device, AnalysisParams::default());
    arrivals.iter().for_each(|arrival| analysis.push(arrival));
    let analysis = analysis.finish();
    let quality = analysis.calibration?;
    assert!(quality.sentences().iter().all(|words| analysis.notes.contains(words)), "{:?}", analysis.notes);
    Some(quality)
}

/// The verdict as the player hears it.
pub fn judged_live(device: &DeviceDescription, arrivals: &[Arrival]) -> Option<CalibrationQuality> {
    let mut analysis = LiveAnalysis::new(device, AnalysisParams::default());
    for arrival in arrivals {
        analysis.push(arrival);
    }
    analysis.take_calibration()
}

/// Of the axes of hinge and flexion: how far off the estimate is, and how far it says it may be, degrees.
pub fn axis_errors(led: &Led, scenario: &Scenario, seed: u64) -> [(f64, f64); 2] {
    let mut cutter = EpisodeCutter::new(&led.device, EpisodeParams::default());
    let cut = led.arrivals.iter().find_map(|arrival| cutter.push(arrival));
    let Some(Cut::Calibration(calibration)) = cut else { panic!("no calibration in it") };
    let mut state = WristState::nominal(&led.device);
    state.calibrate(&calibration);
    let axes = state.estimate([], &GloveEvidence::default()).axes;
    let told = state.quality.unwrap().axes.unwrap();
    let stream = GloveStream::new(scenario, seed);
    let true_row = |role: NodeRole, row: usize| {
        let mounting = stream.sensor_truth(role).unwrap().segment_from_sensor;
        Unit::new_normalize(Vector3::from(mounting[row]))
    };
    [
        (axes.deviation_in_hand.angle(&true_row(NodeRole::Hand, 0)), told.hinge_axis_sd_deg),
        (axes.flexion_in_forearm.angle(&true_row(NodeRole::Forearm, 2)), told.flexion_axis_sd_deg),
    ]
    .map(|(error, sd_deg)| (error.to_degrees(), sd_deg))
}
