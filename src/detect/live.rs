//! The same measurement while the player plays: each swing is told as soon as the ball is gone.
//!
//! The work of it is done before: a swing is measured when enough was seen, and told some tens of ms later. So
//! the sample that decides costs no more than any other, unless the shock came late.

use super::calibration_quality::CalibrationQuality;
use super::candidate::{AFTER_BACK_S, Candidate, Found};
use super::episode::{CalibrationEpisodes, Cut, Episode, EpisodeCutter};
use super::live_set::{LiveCall, LiveSet, ToldBefore};
use super::measure::{WristKnowledge, measure, shock_s};
use super::offline::AnalysisParams;
use super::phases::NoSwing;
use super::search;
use super::seat;
use super::swing::{NodeLoss, Swing};
use super::wrist_state::WristState;
use crate::fusion::clock::ClockMap;
use crate::fusion::joint::{JointEstimate, JointWindow};
use crate::fusion::sensor_doubts::{LiveDoubts, News};
use crate::sample::{Arrival, DeviceDescription, NodeRole};
use crate::units::DeviceTime;
use std::collections::VecDeque;

/// A swing is looked for so often while the motion goes on, s: once at least between the arm's return and the end
/// of the joint's window, whose instant is known then.
const TRY_EVERY_S: f64 = 0.06;
/// A swing is found within this time after its hand was near its peak rate, which is about at the ball, s: the smallest
/// are watched for more than half a second …
const FOUND_WITHIN_S: f64 = 0.65;
/// … all others within this (judgement).
const JUST_S: f64 = 0.2;
/// So much longer a look at a motion waits that cannot have been a swing, s.
const SELDOM_S: f64 = 0.2;
/// A swing is measured when the joint's window was seen, and told so long after the arm came back, s: the work,
/// some tens of ms, is done by then, and no shock can come any more.
const TOLD_AFTER_BACK_S: f64 = 0.18;
/// A swing that was found but not seen to its end, or is not told yet and may have a late shock, is looked at again
/// so often, s.
const LOOK_EVERY_S: f64 = 0.01;
/// A hand that is fast so long after the arm was back follows through no more, s: there may be another swing in the same
/// motion.
const FOLLOWED_THROUGH_S: f64 = 0.6;
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
    /// What the next swing's seat is compared with: the estimate that the last swing was measured by.
    seat_so_far: Option<Box<JointEstimate>>,
    attempt: Attempt,
    set: LiveSet,
    doubts: LiveDoubts,
}

/// How far the live path has got with the motion that is going on.
#[derive(Default)]
struct Attempt {
    motion_since_s: Option<f64>,
    next_try_s: f64,
    /// There is a swing in it, whether or not it was seen to its end.
    found: bool,
    /// Large, and looked at with every arrival.
    measured: Option<Box<Measured>>,
    /// Where the arm was back in the last swing of the motion that was told, if one was.
    told_back_s: Option<f64>,
    /// Whether the hand was as fast as in a swing since then.
    fast_again: bool,
}

impl Attempt {
    /// Readings were timed anew: what was measured by the old times is measured again, and lies later by so much, s.
    fn retime(&mut self, by_s: f64) {
        self.measured = None;
        self.motion_since_s = self.motion_since_s.map(|since_s| since_s + by_s);
        self.told_back_s = self.told_back_s.map(|back_s| back_s + by_s);
        self.next_try_s += by_s;
    }

    /// What lies before this was told, hand clock, s.
    fn told_until_s(&self) -> f64 {
        self.told_back_s.unwrap_or(f64::NEG_INFINITY)
    }

    /// Whether a swing may be in the motion that is not told yet: the first, or one after which the hand was fast again.
    fn is_open(&self) -> bool {
        self.told_back_s.is_none() || self.fast_again
    }
}

/// When to look at a motion again, hand clock, s, and whether a swing was found in it.
struct Later {
    again_s: f64,
    found: bool,
}

/// A swing that was measured and is told once its shock can no longer come.
struct Measured {
    candidate: Candidate,
    knowledge: WristKnowledge,
    learnt: Learnt,
    shock_s: Option<f64>,
    swing: Swing,
}

/// What the next swing needs of this one.
struct Learnt {
    window: JointWindow,
    /// What this one was measured by; none with the hand node alone.
    estimate: Option<Box<JointEstimate>>,
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
            seat_so_far: None,
            attempt: Attempt::default(),
            set: LiveSet::new(params.bands),
            doubts: LiveDoubts::new(device),
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

    /// What the glove's readings contradict, or no longer do, that was not taken yet.
    pub fn take_doubts(&mut self) -> Vec<News> {
        self.doubts.take_news()
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

    /// Whether the hand is in a fast motion.
    #[must_use]
    pub fn is_in_motion(&self) -> bool {
        self.cutter.fast_since_s().is_some()
    }

    /// Whether a backswing is watched whose set may be told any moment.
    #[must_use]
    pub fn is_set_near(&self) -> bool {
        self.set.is_near()
    }

    /// Whether there is a swing in the motion that is not told yet. It is found within a tenth of a second after the
    /// arm was back, so who reads only now and then until then still has it measured in time.
    #[must_use]
    pub fn is_swing_near(&self) -> bool {
        self.attempt.found && self.attempt.is_open()
    }

    /// Whether one may be found soon: the hand has just slowed from a peak like a swing's. So it does in a rehearsal, too.
    #[must_use]
    pub fn may_find_a_swing(&self) -> bool {
        self.attempt.is_open() && self.cutter.past_swing_peak_s().is_some_and(|ago_s| ago_s < JUST_S)
    }

    /// Takes the next arrival; gives the swings that this arrival decides: one, or at the end of a motion all that
    /// wait. What it decides of a set before that is given by [`LiveAnalysis::take_calls`].
    pub fn push(&mut self, arrival: &Arrival) -> Vec<LiveSwing> {
        let swings = self.take(arrival);
        let since_s = self.cutter.fast_since_s().filter(|_| self.attempt.told_back_s.is_none());
        self.set.follow(since_s, &self.cutter, &self.state);
        // A look takes a moment: not in a motion, and what was decided is told first.
        self.doubts.push(arrival, swings.is_empty() && !self.is_in_motion());
        swings
    }

    fn take(&mut self, arrival: &Arrival) -> Vec<LiveSwing> {
        let cut = self.cutter.push(arrival);
        self.notes.append(&mut self.cutter.take_notes());
        if let Some(later_s) = self.cutter.take_retimed_s() {
            self.attempt.retime(later_s);
        }
        match cut {
            Some(Cut::Calibration(calibration)) => {
                self.calibrate(&calibration);
                Vec::new()
            }
            Some(Cut::Motion(episode)) => self.end_motion(episode),
            None => self.try_motion().into_iter().collect(),
        }
    }

    /// Starts anew from a calibration; one that failed does not take the place of one that did not.
    fn calibrate(&mut self, calibration: &CalibrationEpisodes) {
        self.doubts.look_soon();
        let mut fresh = WristState::nominal(&self.device);
        fresh.calibrate(calibration);
        self.notes.append(&mut fresh.notes);
        self.quality.clone_from(&fresh.quality);
        if fresh.follows(&self.state) {
            self.state = fresh;
            self.forget_swings();
        }
    }

    /// What the swings so far have told of the wrist no longer holds.
    fn forget_swings(&mut self) {
        self.recent.clear();
        self.seat_so_far = None;
        self.set.forget_wrist();
    }

    /// The glove has described itself anew: rates and ranges may have changed, the wrist has not.
    pub fn redescribe(&mut self, device: &DeviceDescription) {
        self.cutter.redescribe(device);
        self.doubts.redescribe(device);
        let forearm_is_new = device.node(NodeRole::Forearm).is_some() && !self.state.is_calibrated();
        if !self.state.has_calibration() || forearm_is_new {
            self.state = WristState::nominal(device);
            self.seat_so_far = None;
        }
        self.device = device.clone();
    }

    /// The input is over: the swings that are still in hand.
    pub fn finish(&mut self) -> Vec<LiveSwing> {
        self.doubts.finish();
        let motions = self.cutter.finish().into_iter().filter_map(|cut| match cut {
            Cut::Motion(episode) => Some(episode),
            Cut::Calibration(_) => None,
        });
        motions.flat_map(|episode| self.end_motion(episode)).collect()
    }

    /// A motion is over: its swings that were not told before.
    fn end_motion(&mut self, episode: Episode) -> Vec<LiveSwing> {
        let attempt = std::mem::take(&mut self.attempt);
        let Some(now_s) = episode.hand.last().map(|reading| reading.t_s) else { return Vec::new() };
        if !attempt.is_open() {
            return Vec::new();
        }
        let mut told_until_s = attempt.told_until_s();
        let mut told = Vec::new();
        if let Some(measured) = attempt.measured {
            told_until_s = measured.candidate.phases.back_s;
            told.push(self.tell(measured, now_s));
        }
        for candidate in self.waiting_in(episode, told_until_s) {
            let measured = self.measure_candidate(candidate);
            told.push(self.tell(measured, now_s));
        }
        told
    }

    /// The swings in a motion that is over that come after an instant, hand clock, s. Says where it held more.
    fn waiting_in(&mut self, episode: Episode, told_until_s: f64) -> Vec<Candidate> {
        let rest = search::untold_rest(&episode);
        let Ok(found) = self.find_in(episode) else {
            self.notes.extend(rest);
            return Vec::new();
        };
        self.notes.extend(found.untold_note());
        let mut waiting = found.after(told_until_s);
        let both_nodes = |first: &&Candidate| !first.hand_alone;
        if let Some(episode) = waiting.first().filter(both_nodes).map(|first| first.episode.clone()) {
            self.state.learn_clock(&episode);
            waiting = self.find_in(episode).map_or_else(|_| Vec::new(), |found| found.after(told_until_s));
        }
        waiting
    }

    fn try_motion(&mut self) -> Option<LiveSwing> {
        let since_s = self.cutter.fast_since_s()?;
        let now_s = self.cutter.now_s()?;
        if self.attempt.motion_since_s != Some(since_s) {
            let next_try_s = since_s + self.params.phases.downswing_s.0;
            self.attempt = Attempt { motion_since_s: Some(since_s), next_try_s, ..Attempt::default() };
        }
        let followed_through = now_s > self.attempt.told_until_s() + FOLLOWED_THROUGH_S;
        self.attempt.fast_again |= followed_through && self.cutter.is_as_fast_as_a_swing();
        if !self.attempt.is_open() {
            return None;
        }
        let is_due = now_s >= self.attempt.next_try_s;
        match self.attempt.measured.take() {
            None if self.is_look_due(now_s) => match self.measure_motion()? {
                Ok(measured) => (self.attempt.measured, self.attempt.found) = (Some(measured), true),
                Err(Later { again_s, found }) => {
                    (self.attempt.next_try_s, self.attempt.found) = (again_s, found);
                }
            },
            Some(measured) if is_due => {
                // A shock that comes after all is no surprise any more when the swing is told.
                self.attempt.next_try_s = now_s + LOOK_EVERY_S;
                self.attempt.measured = Some(self.with_late_shock(measured));
            }
            kept => self.attempt.measured = kept,
        }
        let certain =
            |measured: &mut Box<Measured>| now_s >= measured.candidate.phases.back_s + TOLD_AFTER_BACK_S;
        let measured = self.attempt.measured.take_if(certain)?;
        let told_back_s = Some(measured.candidate.phases.back_s);
        self.attempt = Attempt { motion_since_s: Some(since_s), told_back_s, ..Attempt::default() };
        Some(self.tell(measured, now_s))
    }

    /// Whether to look for a swing in the motion, which costs most where there is none.
    fn is_look_due(&self, now_s: f64) -> bool {
        let past_s = self.cutter.past_swing_peak_s();
        let likely = self.attempt.found || past_s.is_some_and(|ago_s| ago_s < FOUND_WITHIN_S);
        let rest_s = if likely { 0.0 } else { SELDOM_S };
        self.cutter.is_slowing() && now_s >= self.attempt.next_try_s + rest_s
    }

    /// Measures the swing in the motion so far. Most looks find none, or none that is over: a glimpse comes first.
    /// `None` where nothing moves.
    fn measure_motion(&mut self) -> Option<Result<Box<Measured>, Later>> {
        let glimpse = self.cutter.glimpse_of_motion()?;
        if let Err(later) = self.swing_in(glimpse, AFTER_BACK_S) {
            return Some(Err(later));
        }
        let episode = self.cutter.motion_so_far()?;
        Some(self.measure_episode(episode, AFTER_BACK_S))
    }

    /// The swings in an episode, by what is known of wrist and clocks so far.
    fn find_in(&mut self, episode: Episode) -> Result<Found, NoSwing> {
        if self.state.has_other_clocks(&episode) {
            self.state = self.state.on_new_clocks();
            self.forget_swings();
        }
        let (clock, sign) = (self.state.clock_for(&episode), self.state.lead_arm_sign);
        Candidate::all(episode, &self.state.axes, &clock, sign, &self.params.phases)
    }

    /// The first swing in an episode that was not told, if it has one and enough was seen after it.
    fn swing_in(&mut self, episode: Episode, seen_after_back_s: f64) -> Result<Candidate, Later> {
        let now_s = episode.hand.last().map_or(f64::NEG_INFINITY, |reading| reading.t_s);
        let told_until_s = self.attempt.told_until_s();
        let found = self.find_in(episode);
        let candidate = found.ok().and_then(|found| found.first_after(told_until_s));
        let candidate = candidate.ok_or(Later { again_s: now_s + TRY_EVERY_S, found: false })?;
        let back_s = candidate.phases.back_s;
        let seen_s = back_s + seen_after_back_s;
        // A node that is not heard is waited for until the swing is told.
        let waited = now_s >= back_s + TOLD_AFTER_BACK_S;
        if waited || candidate.heard_until_s() >= seen_s {
            Ok(candidate)
        } else {
            Err(Later { again_s: seen_s.max(now_s + LOOK_EVERY_S), found: true })
        }
    }

    /// Measures the swing in an episode that seems to have one.
    fn measure_episode(&mut self, episode: Episode, seen_after_back_s: f64) -> Result<Box<Measured>, Later> {
        if !episode.is_hand_alone() {
            self.state.learn_clock(&episode);
        }
        let candidate = self.swing_in(episode, seen_after_back_s)?;
        Ok(self.measure_candidate(candidate))
    }

    fn measure_candidate(&mut self, candidate: Candidate) -> Box<Measured> {
        let window = candidate.joint_window();
        if !candidate.hand_alone {
            self.notice_moved_glove(&window, candidate.phases.takeaway_s);
        }
        let (knowledge, estimate) = self.knowledge(&candidate, &window);
        self.measured(candidate, knowledge, Learnt { window, estimate })
    }

    fn measured(&self, candidate: Candidate, knowledge: WristKnowledge, learnt: Learnt) -> Box<Measured> {
        let candidate = candidate.again(&knowledge, self.state.lead_arm_sign, &self.params.phases);
        let params = self.params.measure(&self.device);
        let shock_s = shock_s(&candidate.phases, &candidate.episode.hand, &params.impact);
        let swing = measure(&candidate, &knowledge, &params);
        Box::new(Measured { candidate, knowledge, learnt, shock_s, swing })
    }

    /// Tells a swing, and learns from it for the next.
    fn tell(&mut self, measured: Box<Measured>, now_s: f64) -> LiveSwing {
        let Measured { candidate, knowledge, learnt, swing, .. } = *self.with_late_shock(measured);
        let told = self.set.swing_is_over(&candidate, &knowledge, &swing);
        if !candidate.hand_alone && !candidate.episode.clocks_doubtful {
            self.recent.push_back(learnt.window);
            if self.recent.len() > RECENT {
                self.recent.pop_front();
            }
            self.seat_so_far = learnt.estimate;
        }
        LiveSwing { swing, decided_at: DeviceTime::at_seconds(now_s), told }
    }

    /// The same swing measured again where the shock has come since.
    fn with_late_shock(&self, measured: Box<Measured>) -> Box<Measured> {
        let phases = &measured.candidate.phases;
        let (hand, _) = self.cutter.newer_than((phases.top_s, f64::INFINITY));
        if shock_s(phases, &hand, &self.params.impact) == measured.shock_s {
            return measured;
        }
        let again = |episode: Episode| {
            let WristKnowledge { axes, clock, .. } = &measured.knowledge;
            let sign = self.state.lead_arm_sign;
            let found = Candidate::all(episode, axes, clock, sign, &self.params.phases).ok()?;
            found.first_after(self.attempt.told_until_s())
        };
        match self.cutter.motion_so_far().and_then(again) {
            Some(candidate) => {
                let Measured { knowledge, learnt, .. } = *measured;
                self.measured(candidate, knowledge, learnt)
            }
            None => measured,
        }
    }

    /// A glove that has moved on the wrist is a new one.
    fn notice_moved_glove(&mut self, window: &JointWindow, takeaway_s: f64) {
        let evidence = self.cutter.evidence();
        if self.seat_so_far.is_none() {
            let before: Vec<&JointWindow> = self.recent.iter().collect();
            self.seat_so_far = seat::so_far(&self.state, &before, &evidence).map(Box::new);
        }
        let so_far = self.seat_so_far.as_ref();
        if let Some(so_far) =
            so_far.filter(|so_far| seat::has_moved(&self.state, so_far, &[window], &evidence))
        {
            self.notes.push(seat::note(takeaway_s));
            self.state = self.state.after_moving(&so_far.axes);
            self.forget_swings();
        }
    }

    /// What the calibration, the recent swings and this one tell of the wrist.
    fn knowledge(
        &self,
        candidate: &Candidate,
        window: &JointWindow,
    ) -> (WristKnowledge, Option<Box<JointEstimate>>) {
        if candidate.hand_alone {
            return (self.state.knowledge_without_forearm(), None);
        }
        let estimate = self.state.estimate(self.recent.iter().chain([window]), &self.cutter.evidence());
        (self.state.knowledge(&estimate, estimate.windows() - 1), Some(Box::new(estimate)))
    }
}

#[cfg(test)]
#[path = "live_tests.rs"]
mod tests;
