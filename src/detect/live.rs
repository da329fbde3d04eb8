//! The same measurement while the player plays: each swing is measured as soon as the ball is gone.

use super::calibration_quality::CalibrationQuality;
use super::candidate::{AFTER_BACK_S, Candidate};
use super::episode::{CalibrationEpisodes, Cut, Episode, EpisodeCutter};
use super::live_set::{LiveCall, LiveSet, ToldBefore};
use super::measure::{WristKnowledge, measure};
use super::offline::AnalysisParams;
use super::seat;
use super::swing::{NodeLoss, Swing};
use super::wrist_state::WristState;
use crate::fusion::clock::ClockMap;
use crate::fusion::joint::JointWindow;
use crate::sample::{Arrival, DeviceDescription};
use crate::units::DeviceTime;
use std::collections::VecDeque;

/// A swing is tried again so often while the motion goes on, s.
const TRY_EVERY_S: f64 = 0.02;
/// A node that is not heard is waited for no longer than this after the arm came back, s.
const WAIT_AFTER_BACK_S: f64 = 0.16;
/// The joint estimate leans on so many swings of the recent past.
const RECENT: usize = 12;

/// A swing as it was known when its cue could go out.
#[derive(Clone, Debug, PartialEq)]
pub struct LiveSwing {
    /// The swing; its finish is still to come.
    pub swing: Swing,
    /// The instant of the deciding sample, on the hand node's clock.
    pub decided_at: DeviceTime,
    /// What was said of its set while it was going on.
    pub told: ToldBefore,
}

/// The live path: arrivals in, swings out. Memory is bounded.
pub struct LiveAnalysis {
    device: DeviceDescription,
    params: AnalysisParams,
    cutter: EpisodeCutter,
    state: WristState,
    notes: Vec<String>,
    quality: Option<CalibrationQuality>,
    recent: VecDeque<JointWindow>,
    attempt: Attempt,
    set: LiveSet,
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
            notes: Vec::new(),
            quality: None,
            recent: VecDeque::new(),
            attempt: Attempt::default(),
            set: LiveSet::new(params.bands),
        }
    }

    /// The sets that were told while their swings were going on, and not taken yet. In each motion the first is
    /// that of the set itself; one at the top may follow.
    pub fn take_calls(&mut self) -> Vec<LiveCall> {
        self.set.take_calls()
    }

    /// Losses so far.
    #[must_use]
    pub fn losses(&self) -> Vec<NodeLoss> {
        self.cutter.losses()
    }

    /// Sentences about the calibration that were not taken yet.
    pub fn take_notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }

    /// How good the newest calibration was, if that was not taken yet.
    pub fn take_calibration(&mut self) -> Option<CalibrationQuality> {
        self.quality.take()
    }

    /// The clock of the forearm node against the hand node's, once the motion has shown it.
    #[must_use]
    pub fn clock(&self) -> Option<ClockMap> {
        self.state.clock
    }

    /// Takes the next arrival; gives a swing when this arrival decides one. What it decides of a set before that
    /// is given by [`LiveAnalysis::take_calls`].
    pub fn push(&mut self, arrival: &Arrival) -> Option<LiveSwing> {
        let swing = self.take(arrival);
        let since_s = self.cutter.fast_since_s().filter(|_| !self.attempt.done);
        self.set.follow(since_s, &self.cutter, &self.state);
        swing
    }

    fn take(&mut self, arrival: &Arrival) -> Option<LiveSwing> {
        match self.cutter.push(arrival) {
            Some(Cut::Calibration(calibration)) => {
                self.calibrate(&calibration);
                None
            }
            Some(Cut::Motion(episode)) => {
                let missed = !std::mem::take(&mut self.attempt).done;
                if missed { self.try_episode(episode, false) } else { None }
            }
            None => self.try_motion(),
        }
    }

    /// Starts anew from a calibration; one that failed does not take the place of one that did not.
    fn calibrate(&mut self, calibration: &CalibrationEpisodes) {
        let mut fresh = WristState::nominal(&self.device);
        fresh.calibrate(calibration);
        self.notes.append(&mut fresh.notes);
        self.quality.clone_from(&fresh.quality);
        if fresh.is_calibrated() || !self.state.is_calibrated() {
            self.state = fresh;
            self.recent.clear();
            self.set.forget_wrist();
        }
    }

    /// The glove has described itself anew: rates and ranges may have changed, the wrist has not.
    pub fn redescribe(&mut self, device: &DeviceDescription) {
        self.cutter.redescribe(device);
        if !self.state.is_calibrated() {
            self.state = WristState::nominal(device);
        }
        self.device = device.clone();
    }

    /// The input is over: a swing that is still in hand.
    pub fn finish(&mut self) -> Option<LiveSwing> {
        let done = std::mem::take(&mut self.attempt).done;
        let cuts = self.cutter.finish();
        cuts.into_iter().find_map(|cut| match cut {
            Cut::Motion(episode) if !done => self.try_episode(episode, false),
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
        let found = self.try_episode(episode, true);
        self.attempt.done = found.is_some();
        found
    }

    /// Measures the swing in an episode, if it has one and, where the motion goes on, enough was seen after it:
    /// the joint's window, within which the shock is looked for, too.
    fn try_episode(&mut self, episode: Episode, goes_on: bool) -> Option<LiveSwing> {
        let now_s = episode.hand.last()?.t_s;
        if self.state.has_other_clocks(&episode) {
            self.state = self.state.on_new_clocks();
            self.recent.clear();
            self.set.forget_wrist();
        }
        let (sign, phases) = (self.state.lead_arm_sign, self.params.phases);
        let ready = |episode: Episode, state: &WristState| {
            let clock = state.clock_for(&episode);
            let candidate = Candidate::new(episode, &state.axes, &clock, sign, &phases).ok()?;
            let back_s = candidate.phases.back_s;
            let seen =
                candidate.heard_until_s() >= back_s + AFTER_BACK_S || now_s >= back_s + WAIT_AFTER_BACK_S;
            (seen || !goes_on).then_some(candidate)
        };
        let mut candidate = ready(episode, &self.state)?;
        if !candidate.hand_alone {
            self.state.learn_clock(&candidate.episode);
            candidate = ready(candidate.episode, &self.state)?;
        }
        let window = candidate.joint_window();
        if !candidate.hand_alone {
            self.notice_moved_glove(&window, candidate.phases.takeaway_s);
        }
        let knowledge = self.knowledge(&candidate, &window);
        let candidate = candidate.again(&knowledge, sign, &phases);
        if !candidate.hand_alone {
            self.recent.push_back(window);
            if self.recent.len() > RECENT {
                self.recent.pop_front();
            }
        }
        let swing = measure(&candidate, &knowledge, &self.params.measure(&self.device));
        let told = self.set.swing_is_over(&candidate, &knowledge, &swing);
        Some(LiveSwing { swing, decided_at: DeviceTime((now_s * 1e6).round() as i64), told })
    }

    /// A glove that has moved on the wrist is a new one.
    fn notice_moved_glove(&mut self, window: &JointWindow, takeaway_s: f64) {
        let before: Vec<&JointWindow> = self.recent.iter().collect();
        if seat::has_moved(&self.state, &before, &[window], &self.cutter.evidence()) {
            self.notes.push(seat::note(takeaway_s));
            self.state = self.state.after_moving();
            self.recent.clear();
            self.set.forget_wrist();
        }
    }

    /// What the calibration, the recent swings and this one tell of the wrist.
    fn knowledge(&self, candidate: &Candidate, window: &JointWindow) -> WristKnowledge {
        if candidate.hand_alone {
            return self.state.knowledge_without_forearm();
        }
        let estimate = self.state.estimate(self.recent.iter().chain([window]), &self.cutter.evidence());
        self.state.knowledge(&estimate, estimate.windows() - 1)
    }
}
