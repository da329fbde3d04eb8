//! A whole bucket at once: every calibration and every swing is evidence for all of them.

use super::Bands;
use super::calibration_quality::CalibrationQuality;
use super::candidate::Candidate;
use super::episode::{CalibrationEpisodes, Cut, Episode, EpisodeCutter, EpisodeParams};
use super::impact::ImpactParams;
use super::measure::{MeasureParams, measure};
use super::phases::PhaseParams;
use super::search;
use super::seat;
use super::side;
use super::swing::{BucketAnalysis, Swing};
use super::wrist_state::WristState;
use crate::fusion::joint::{GloveEvidence, JointWindow};
use crate::fusion::sensor_doubts::GloveWatch;
use crate::sample::{Arrival, DeviceDescription};
use std::collections::VecDeque;

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
    watch: GloveWatch,
    stints: Vec<Stint>,
}

impl OfflineAnalysis {
    /// An analysis that has seen nothing yet.
    #[must_use]
    pub fn new(device: &DeviceDescription, params: AnalysisParams) -> OfflineAnalysis {
        OfflineAnalysis {
            device: device.clone(),
            params,
            cutter: EpisodeCutter::patient(device, params.episodes),
            watch: GloveWatch::new(device),
            stints: vec![Stint::default()],
        }
    }

    /// Takes the next arrival.
    pub fn push(&mut self, arrival: &Arrival) {
        if let Arrival::Sample(sample) = arrival {
            self.watch.push(sample);
        }
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
        let mut calibration = None;
        let (mut swings, mut good) = (Vec::new(), None);
        for stint in std::mem::take(&mut self.stints) {
            swings.extend(self.stint(stint, &mut notes, &mut calibration, &mut good));
        }
        notes.extend(self.cutter.take_notes());
        notes.extend(self.watch.sentences());
        notes.extend(side::note(&swings));
        BucketAnalysis { swings, losses: self.cutter.losses(), notes, calibration }
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
    fn stint(
        &self,
        stint: Stint,
        notes: &mut Vec<String>,
        quality: &mut Option<CalibrationQuality>,
        good: &mut Option<WristState>,
    ) -> Vec<Swing> {
        let mut state = WristState::nominal(&self.device);
        if let Some(calibration) = &stint.calibration {
            state.calibrate(calibration);
            quality.clone_from(&state.quality);
        }
        match good {
            // As live: a calibration that failed does not take the place of one that did not.
            Some(good) if !state.follows(good) => {
                notes.append(&mut state.notes);
                state = good.clone();
            }
            _ => {
                notes.append(&mut state.notes);
                *good = state.has_calibration().then(|| state.clone());
            }
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
        let mut candidates = Vec::new();
        for episode in motions {
            let (clock, rest) = (state.clock_for(&episode), search::untold_rest(&episode));
            match Candidate::all(episode, &state.axes, &clock, sign, phases) {
                Ok(found) => {
                    notes.extend(found.untold_note());
                    candidates.extend(found.swings);
                }
                Err(_) => notes.extend(rest),
            }
        }
        let mut swings = Vec::new();
        for (state, seat) in seats(candidates, state, &self.cutter.evidence(), notes) {
            swings.extend(self.measure_seat(seat, &state));
        }
        swings
    }

    /// Measures the swings of a glove that has not moved between them.
    fn measure_seat(&self, seat: Vec<Seated>, state: &WristState) -> Vec<Swing> {
        let windows: Vec<&JointWindow> = seat.iter().filter_map(|seated| seated.window.as_ref()).collect();
        let estimate = state.estimate(windows, &self.cutter.evidence());
        let mut window = state.calibration_windows();
        let mut swings = Vec::new();
        for seated in seat {
            let knowledge = if seated.window.is_none() {
                state.knowledge_without_forearm()
            } else {
                window += 1;
                state.knowledge(&estimate, window - 1)
            };
            let better = seated.candidate.again(&knowledge, state.lead_arm_sign, &self.params.phases);
            let params = self.params.measure(&self.device);
            swings.push(measure(&better, &knowledge, &params));
        }
        swings
    }
}

/// A candidate with its window of the joint estimate; none with the hand node alone.
struct Seated {
    candidate: Candidate,
    window: Option<JointWindow>,
}

/// The candidates parted where the glove has moved on the wrist, each part with what is known of it.
fn seats(
    candidates: Vec<Candidate>,
    state: &WristState,
    evidence: &GloveEvidence,
    notes: &mut Vec<String>,
) -> Vec<(WristState, Vec<Seated>)> {
    let mut seats = vec![(state.clone(), Vec::<Seated>::new())];
    let seated = |candidate: Candidate| {
        let window = (!candidate.hand_alone).then(|| candidate.joint_window());
        Seated { candidate, window }
    };
    let mut coming: VecDeque<Seated> = candidates.into_iter().map(seated).collect();
    while !coming.is_empty() {
        let Some((state, seat)) = seats.last_mut() else { break };
        let before: Vec<&JointWindow> = seat.iter().filter_map(|seated| seated.window.as_ref()).collect();
        let after: Vec<&JointWindow> = coming.iter().filter_map(|seated| seated.window.as_ref()).collect();
        let with_forearm = coming.front().is_some_and(|next| next.window.is_some());
        let so_far = if with_forearm { seat::so_far(state, &before, evidence) } else { None };
        let moved = so_far.filter(|so_far| seat::has_moved(state, so_far, &after, evidence));
        let Some(seated) = coming.pop_front() else { break };
        if let Some(so_far) = moved {
            notes.push(seat::note(seated.candidate.phases.takeaway_s));
            let fresh = state.after_moving(&so_far.axes);
            seats.push((fresh, vec![seated]));
        } else {
            seat.push(seated);
        }
    }
    seats
}
