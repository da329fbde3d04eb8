//! The same measurement while the player plays: each swing is measured as soon as the ball is gone.

use super::candidate::Candidate;
use super::episode::{Cut, Episode, EpisodeCutter};
use super::measure::measure;
use super::offline::AnalysisParams;
use super::swing::{NodeLoss, Swing};
use super::wrist_state::WristState;
use crate::fusion::joint::JointWindow;
use crate::sample::{Arrival, DeviceDescription};
use crate::units::DeviceTime;
use std::collections::VecDeque;

/// A swing is tried again so often while the motion goes on, s.
const TRY_EVERY_S: f64 = 0.02;
/// So much must have been seen after the arm came back: the shock lies within it.
const SEEN_AFTER_BACK_S: f64 = 0.1;
/// The joint estimate leans on so many swings of the recent past.
const RECENT: usize = 12;

/// A swing as it was known when its cue could go out.
#[derive(Clone, Debug, PartialEq)]
pub struct LiveSwing {
    /// The swing; its finish is still to come.
    pub swing: Swing,
    /// The instant of the deciding sample, on the hand node's clock.
    pub decided_at: DeviceTime,
}

/// The live path: arrivals in, swings out. Memory is bounded.
pub struct LiveAnalysis {
    device: DeviceDescription,
    params: AnalysisParams,
    cutter: EpisodeCutter,
    state: WristState,
    recent: VecDeque<JointWindow>,
    attempt: Attempt,
}

/// How far the live path has got with the motion that is going on.
#[derive(Default)]
struct Attempt {
    motion_since_s: Option<f64>,
    next_try_s: f64,
    done: bool,
}

impl LiveAnalysis {
    /// A live path that has seen nothing yet.
    #[must_use]
    pub fn new(device: &DeviceDescription, params: AnalysisParams) -> LiveAnalysis {
        LiveAnalysis {
            device: device.clone(),
            params,
            cutter: EpisodeCutter::new(device, params.episodes),
            state: WristState::nominal(device),
            recent: VecDeque::new(),
            attempt: Attempt::default(),
        }
    }

    /// Losses so far.
    #[must_use]
    pub fn losses(&self) -> Vec<NodeLoss> {
        self.cutter.losses()
    }

    /// Sentences about the calibration and the clocks.
    #[must_use]
    pub fn notes(&self) -> &[String] {
        &self.state.notes
    }

    /// Takes the next arrival; gives a swing when this arrival decides one.
    pub fn push(&mut self, arrival: &Arrival) -> Option<LiveSwing> {
        match self.cutter.push(arrival) {
            Some(Cut::Calibration(calibration)) => {
                self.state = WristState::nominal(&self.device);
                self.state.calibrate(&calibration);
                self.recent.clear();
                self.refine();
                None
            }
            Some(Cut::Motion(episode)) => {
                let missed = !std::mem::take(&mut self.attempt).done;
                if missed { self.try_episode(episode, f64::NEG_INFINITY) } else { None }
            }
            None => self.try_motion(),
        }
    }

    /// The input is over: a swing that is still in hand.
    pub fn finish(&mut self) -> Option<LiveSwing> {
        let done = std::mem::take(&mut self.attempt).done;
        let cuts = self.cutter.finish();
        cuts.into_iter().find_map(|cut| match cut {
            Cut::Motion(episode) if !done => self.try_episode(episode, f64::NEG_INFINITY),
            _ => None,
        })
    }

    fn try_motion(&mut self) -> Option<LiveSwing> {
        let since_s = self.cutter.fast_since_s()?;
        let now_s = self.cutter.now_s()?;
        if self.attempt.motion_since_s != Some(since_s) {
            let next_try_s = since_s + self.params.phases.downswing_s.0;
            self.attempt = Attempt { motion_since_s: Some(since_s), next_try_s, done: false };
        }
        if self.attempt.done || now_s < self.attempt.next_try_s || !self.cutter.is_slowing() {
            return None;
        }
        self.attempt.next_try_s = now_s + TRY_EVERY_S;
        let episode = self.cutter.motion_so_far()?;
        let found = self.try_episode(episode, SEEN_AFTER_BACK_S);
        self.attempt.done = found.is_some();
        found
    }

    /// Measures the swing in an episode, if it has one and enough was seen after it.
    fn try_episode(&mut self, episode: Episode, seen_after_back_s: f64) -> Option<LiveSwing> {
        let now_s = episode.hand.last()?.t_s;
        self.state.find_clock(&episode);
        let clock = self.state.clock_or_identity();
        let (sign, phases) = (self.state.lead_arm_sign, self.params.phases);
        let candidate = Candidate::new(episode, &self.state.axes, &clock, sign, &phases).ok()?;
        if now_s < candidate.phases.back_s + seen_after_back_s {
            return None;
        }
        let knowledge = if candidate.hand_alone {
            self.state.knowledge_without_forearm()
        } else {
            self.recent.push_back(candidate.joint_window());
            if self.recent.len() > RECENT {
                self.recent.pop_front();
            }
            let estimate = self.refine();
            let last = estimate.starts.len() - 1;
            self.state.knowledge(&estimate, last)
        };
        let candidate = candidate.again(&knowledge, sign, &phases).ok()?;
        let swing = measure(&candidate, &knowledge, &self.params.measure(&self.device));
        Some(LiveSwing { swing, decided_at: DeviceTime((now_s * 1e6).round() as i64) })
    }

    /// Estimates anew from the calibration and the recent swings.
    fn refine(&mut self) -> crate::fusion::joint::JointEstimate {
        let windows: Vec<JointWindow> = self.recent.iter().cloned().collect();
        self.state.estimate(&windows)
    }
}
