//! The set while the swing goes on: what is known of wrist and player, put to use on the motion in hand.

use super::backswing::{BackswingFollower, Seen, pose};
use super::candidate::Candidate;
use super::episode::EpisodeCutter;
use super::habits::{Habit, Habits, Silence};
use super::measure::WristKnowledge;
use super::set_call::{SetCall, SetWatch, Stage};
use super::wrist_state::WristState;
use super::{Bands, Swing};
use crate::units::DeviceTime;
use nalgebra::{Quaternion, UnitQuaternion, Vector4};
use std::collections::VecDeque;

/// The address pose is the mean one of so many swings.
const POSES: usize = 6;
/// So many calls wait to be taken.
const CALLS_MAX: usize = 64;

/// The set of a swing that is still going on.
#[derive(Clone, Debug, PartialEq)]
pub struct LiveCall {
    /// The club in use.
    pub club: Option<String>,
    /// The set.
    pub call: SetCall,
    /// Nothing was said of this motion before.
    pub first: bool,
}

/// What was said of a swing's set before the swing was over.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ToldBefore {
    /// As soon as it could be told.
    pub at_set: Result<SetCall, Silence>,
    /// Again at the top, where that was clear.
    pub at_top: Option<SetCall>,
}

/// One stretch of fast motion that is watched.
struct Watched {
    since_s: f64,
    club: Option<String>,
    following: Result<Following, Silence>,
    told: Option<ToldBefore>,
}

struct Following {
    follower: BackswingFollower,
    habit: Habit,
    watch: Option<SetWatch>,
}

/// Watches every fast motion for a set.
pub(super) struct LiveSet {
    bands: Bands,
    habits: Habits,
    known: Option<WristKnowledge>,
    address_poses: VecDeque<UnitQuaternion<f64>>,
    watched: Option<Watched>,
    calls: VecDeque<LiveCall>,
}

impl LiveSet {
    pub fn new(bands: Bands) -> LiveSet {
        LiveSet {
            bands,
            habits: Habits::default(),
            known: None,
            address_poses: VecDeque::new(),
            watched: None,
            calls: VecDeque::new(),
        }
    }

    pub fn take_calls(&mut self) -> Vec<LiveCall> {
        self.calls.drain(..).collect()
    }

    /// Whether a backswing goes on whose set may be told any moment.
    #[must_use]
    pub fn is_near(&self) -> bool {
        let following = self.watched.as_ref().and_then(|watched| watched.following.as_ref().ok());
        following.is_some_and(|following| {
            let near = following.watch.as_ref().is_some_and(SetWatch::is_near);
            near && following.follower.is_rising()
        })
    }

    /// The wrist is to be learnt anew; the player is the same.
    pub fn forget_wrist(&mut self) {
        self.known = None;
        self.address_poses.clear();
    }

    /// Something has arrived. `since_s` is where the motion in hand became fast, while there is one.
    pub fn follow(&mut self, since_s: Option<f64>, cutter: &EpisodeCutter, state: &WristState) {
        let Some(since_s) = since_s else {
            // A motion that ended without a swing; the measurement of one takes what was told first.
            self.watched = None;
            return;
        };
        if self.watched.as_ref().is_none_or(|watched| watched.since_s != since_s) {
            self.watched = self.begin(since_s, cutter, state);
        }
        let Some(watched) = &mut self.watched else { return };
        let Some(now_s) = cutter.now_s() else { return };
        let now = DeviceTime::at_seconds(now_s);
        let Ok(following) = &mut watched.following else { return };
        for call in following.step(cutter, self.bands, now) {
            let first = watched.told.is_none();
            watched.told = Some(match (call.stage, watched.told) {
                (Stage::AtTop, Some(told)) => ToldBefore { at_top: Some(call), ..told },
                _ => ToldBefore { at_set: Ok(call), at_top: None },
            });
            self.calls.push_back(LiveCall { club: watched.club.clone(), call, first });
            if self.calls.len() > CALLS_MAX {
                self.calls.pop_front();
            }
        }
    }

    fn begin(&self, since_s: f64, cutter: &EpisodeCutter, state: &WristState) -> Option<Watched> {
        let episode = cutter.motion_so_far()?;
        let following = self.habits.with(episode.club.as_deref()).and_then(|habit| {
            let known = self.known.as_ref().filter(|_| !state.has_other_clocks(&episode));
            let (known, address) = known.zip(mean(&self.address_poses)).ok_or(Silence::TooFewSwings)?;
            let follower = BackswingFollower::start(&episode, known, address, state.lead_arm_sign);
            let follower = follower.ok_or(Silence::NotClear)?;
            Ok(Following { follower, habit, watch: None })
        });
        Some(Watched { since_s, club: episode.club, following, told: None })
    }

    /// The swing in hand was measured: what was told of it, and what it tells of the next.
    pub fn swing_is_over(
        &mut self,
        candidate: &Candidate,
        known: &WristKnowledge,
        swing: &Swing,
    ) -> ToldBefore {
        let since_s = candidate.episode.fast_from_s;
        let watched = self.watched.take().filter(|watched| watched.since_s == since_s);
        let told =
            watched.map_or(Err(Silence::NotClear), |watched| match (watched.told, watched.following) {
                (Some(told), _) => Ok(told),
                (None, Err(silence)) => Err(silence),
                (None, Ok(_)) => Err(Silence::NotClear),
            });
        if !candidate.hand_alone {
            self.habits.learn(swing);
            let takeaway_s = candidate.phases.takeaway_s;
            let forearm = candidate.forearm.at(known.clock.forearm_s(takeaway_s)).0;
            self.address_poses.push_back(pose(known, &forearm, &candidate.hand.at(takeaway_s).0));
            if self.address_poses.len() > POSES {
                self.address_poses.pop_front();
            }
            self.known = Some(known.clone());
        }
        told.unwrap_or_else(|silence| ToldBefore { at_set: Err(silence), at_top: None })
    }
}

/// The mean of poses that lie near each other.
fn mean(poses: &VecDeque<UnitQuaternion<f64>>) -> Option<UnitQuaternion<f64>> {
    let newest = poses.back()?.as_vector();
    let sum: Vector4<f64> =
        poses.iter().map(|pose| pose.as_vector() * pose.as_vector().dot(newest).signum()).sum();
    Some(UnitQuaternion::from_quaternion(Quaternion::from_vector(sum)))
}

impl Following {
    /// Takes in what is new.
    fn step(&mut self, cutter: &EpisodeCutter, bands: Bands, now: DeviceTime) -> Vec<SetCall> {
        let (hand, forearm) = cutter.newer_than(self.follower.newest_s());
        let mut calls = Vec::new();
        for seen in self.follower.push(&hand, &forearm) {
            match seen {
                Seen::Begun => self.watch = Some(SetWatch::new(self.habit, bands)),
                Seen::Look(look) => {
                    calls.extend(self.watch.as_mut().and_then(|watch| watch.step(&look, now)));
                }
            }
        }
        calls
    }
}
