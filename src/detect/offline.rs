//! A whole bucket at once: every calibration and every swing is evidence for all of them.

use super::Bands;
use super::candidate::Candidate;
use super::episode::{CalibrationEpisodes, Cut, Episode, EpisodeCutter, EpisodeParams};
use super::impact::ImpactParams;
use super::measure::{MeasureParams, measure};
use super::phases::PhaseParams;
use super::swing::{BucketAnalysis, Swing};
use super::wrist_state::WristState;
use crate::fusion::joint::JointWindow;
use crate::fusion::series::{between, mean_force_g};
use crate::sample::{Arrival, DeviceDescription};

/// Settings of the analysis, live and offline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AnalysisParams {
    /// Class bands.
    pub bands: Bands,
    /// Angle between the hand's long axis and the shaft, degrees.
    pub grip_deg: f64,
    /// What makes a movement a swing.
    pub phases: PhaseParams,
    /// What makes a shock.
    pub impact: ImpactParams,
    /// How episodes are cut.
    pub episodes: EpisodeParams,
}

impl Default for AnalysisParams {
    fn default() -> AnalysisParams {
        AnalysisParams {
            bands: Bands::default(),
            grip_deg: 31.0,
            phases: PhaseParams::default(),
            impact: ImpactParams::default(),
            episodes: EpisodeParams::default(),
        }
    }
}

impl AnalysisParams {
    pub(super) fn measure(&self, device: &DeviceDescription) -> MeasureParams {
        MeasureParams {
            bands: self.bands,
            lead_arm_sign: device.player_hand.lead_arm_sign(),
            grip: self.grip_deg.to_radians(),
            impact: self.impact,
        }
    }
}

/// One calibration, and the motion that came after it.
#[derive(Default)]
struct Stint {
    calibration: Option<CalibrationEpisodes>,
    motions: Vec<Episode>,
}

/// Takes a bucket's arrivals and analyses them when they are all there.
pub struct OfflineAnalysis {
    device: DeviceDescription,
    params: AnalysisParams,
    cutter: EpisodeCutter,
    stints: Vec<Stint>,
}

impl OfflineAnalysis {
    /// An analysis that has seen nothing yet.
    #[must_use]
    pub fn new(device: &DeviceDescription, params: AnalysisParams) -> OfflineAnalysis {
        OfflineAnalysis {
            device: device.clone(),
            params,
            cutter: EpisodeCutter::new(device, params.episodes),
            stints: vec![Stint::default()],
        }
    }

    /// Takes the next arrival.
    pub fn push(&mut self, arrival: &Arrival) {
        let cut = self.cutter.push(arrival);
        self.take(cut);
    }

    /// Everything has arrived: the analysis.
    #[must_use]
    pub fn finish(mut self) -> BucketAnalysis {
        for cut in self.cutter.finish() {
            self.take(Some(cut));
        }
        let mut notes = Vec::new();
        let mut swings = Vec::new();
        for stint in std::mem::take(&mut self.stints) {
            swings.extend(self.stint(stint, &mut notes));
        }
        BucketAnalysis { swings, losses: self.cutter.losses(), notes }
    }

    fn take(&mut self, cut: Option<Cut>) {
        match cut {
            // Motion before the first calibration belongs to it, too.
            Some(Cut::Calibration(calibration)) => match self.stints.last_mut() {
                Some(stint) if stint.calibration.is_none() => stint.calibration = Some(calibration),
                _ => self.stints.push(Stint { calibration: Some(calibration), motions: Vec::new() }),
            },
            Some(Cut::Motion(episode)) => {
                if let Some(stint) = self.stints.last_mut() {
                    stint.motions.push(episode);
                }
            }
            None => {}
        }
    }

    /// Measures the swings of a stint; a clock that starts anew within it makes a stint of its own.
    fn stint(&self, stint: Stint, notes: &mut Vec<String>) -> Vec<Swing> {
        let mut state = WristState::nominal(&self.device);
        if let Some(calibration) = &stint.calibration {
            state.calibrate(calibration);
        }
        let mut swings = Vec::new();
        let mut motions = stint.motions.into_iter().peekable();
        while motions.peek().is_some() {
            let mut same_clocks = Vec::new();
            while let Some(episode) = motions.next_if(|episode| !state.has_other_clocks(episode)) {
                state.learn_clock(&episode);
                same_clocks.push(episode);
            }
            swings.extend(self.measure_all(same_clocks, &state, notes));
            let next = state.on_new_clocks();
            notes.append(&mut state.notes);
            state = next;
        }
        notes.append(&mut state.notes);
        swings
    }

    fn measure_all(&self, motions: Vec<Episode>, state: &WristState, notes: &mut Vec<String>) -> Vec<Swing> {
        let (sign, phases) = (state.lead_arm_sign, &self.params.phases);
        let ready = |episode: Episode| {
            let clock = state.clock_for(&episode);
            Candidate::new(episode, &state.axes, &clock, sign, phases).ok()
        };
        let candidates: Vec<Candidate> = motions.into_iter().filter_map(ready).collect();
        let windows: Vec<JointWindow> = candidates
            .iter()
            .filter(|candidate| !candidate.hand_alone)
            .map(Candidate::joint_window)
            .collect();
        let estimate = state.estimate(&windows, &self.cutter.evidence());
        notes.extend(candidates.iter().find_map(odd_force));
        let mut window = state.calibration_windows();
        let mut swings = Vec::new();
        for candidate in candidates {
            let knowledge = if candidate.hand_alone {
                state.knowledge_without_forearm()
            } else {
                window += 1;
                state.knowledge(&estimate, window - 1)
            };
            let better = candidate.again(&knowledge, sign, phases);
            let params = self.params.measure(&self.device);
            swings.extend(better.ok().map(|candidate| measure(&candidate, &knowledge, &params)));
        }
        swings
    }
}

/// At address the accelerometer reads gravity, 1 g. Anything far from it speaks of another unit or a broken
/// sensor; the first such swing is told.
fn odd_force(candidate: &Candidate) -> Option<String> {
    let takeaway_s = candidate.phases.takeaway_s;
    let rest = between(&candidate.episode.hand, takeaway_s - 0.5, takeaway_s);
    let force_g = mean_force_g(rest).norm();
    let odd = !rest.is_empty() && !(0.8..1.25).contains(&force_g);
    odd.then(|| {
        format!(
            "expected about 1 g of the hand node at address, found {force_g:.2}: is it in g, is it whole?"
        )
    })
}
