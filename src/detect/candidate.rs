//! A stretch of fast motion made ready: both nodes' tracks from the address pose, and the arm's phases.

use super::cuff::Cuff;
use super::episode::Episode;
use super::hand_alone;
use super::measure::WristKnowledge;
use super::phases::{ArmTrack, NoSwing, PhaseParams, Phases};
use super::search;
use crate::fusion::both_ends::{NodeCovariance, typical_covariance};
use crate::fusion::clock::ClockMap;
use crate::fusion::errors::GloveErrors;
use crate::fusion::hub::{Care, HubEstimate};
use crate::fusion::joint::JointWindow;
use crate::fusion::track::Track;
use crate::fusion::wrist::WristAxes;
use nalgebra::{UnitQuaternion, Vector3};

/// The address pose is looked for so far back from the fast motion, s.
pub(super) const ADDRESS_WITHIN_S: f64 = 3.5;
/// A hand that is never stiller than this had no address, rad/s.
pub(super) const RESTLESS_MAX: f64 = 0.35;
/// A swing has both nodes if both were heard from so long before its takeaway, s.
const HEARD_BEFORE_S: f64 = 0.3;
/// The joint's window ends so long after the arm is back at its address angle, s. No later than the live path
/// looks, so that both see the same; what comes after the ball shows soft tissue more than the joint.
pub(super) const AFTER_BACK_S: f64 = 0.1;

/// A movement with the phases of a swing.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// The samples.
    pub episode: Episode,
    /// Errors of the nodes that the tracks were made with.
    pub errors: GloveErrors,
    /// Hand node.
    pub hand: Track,
    /// Forearm node on its own clock; the hand's again where the glove has the hand node alone.
    pub forearm: Track,
    /// The glove has the hand node alone.
    pub hand_alone: bool,
    /// With the hand node alone: the forearm as the hand's path shows it, once it was worked out.
    pub hub: Option<HubEstimate>,
    /// Phases.
    pub phases: Phases,
    /// The lead arm at the hand's instants.
    pub arm: ArmTrack,
}

/// What an episode holds.
#[derive(Clone, Debug)]
pub struct Found {
    /// Its swings, in order of time: one at least.
    pub swings: Vec<Candidate>,
    /// All that were found on the arm's track, in order of time: those that were forward presses, too. None where the
    /// swing is the model's.
    found: Vec<Phases>,
}

impl Found {
    /// The first swing that begins after an instant, hand clock, s. What is known of the clocks changes while a motion
    /// goes on, and an instant with it, but by less than a swing lasts.
    #[must_use]
    pub fn first_after(self, at_s: f64) -> Option<Candidate> {
        self.swings.into_iter().find(|swing| swing.phases.top_s > at_s)
    }

    /// All of them.
    #[must_use]
    pub fn after(mut self, at_s: f64) -> Vec<Candidate> {
        self.swings.retain(|swing| swing.phases.top_s > at_s);
        self.swings
    }

    /// A sentence where the episode holds more downswings than its swings have.
    #[must_use]
    pub fn untold_note(&self) -> Option<String> {
        let first = self.swings.first()?;
        let at_s = first.phases.takeaway_s;
        let told = self.swings.len();
        let held = Some(told + search::untold(&first.arm, &self.found)).filter(|held| *held > told)?;
        Some(format!(
            "the motion from {at_s:.1} s of the hand node's clock on held {held} downswings, of which {told} are told as \
             swings: the others had no clear takeaway from the pose at the ball"
        ))
    }
}

impl Candidate {
    /// Makes an episode ready: each swing in it. What both nodes saw is told by both, what the forearm fell silent in by
    /// the hand alone.
    ///
    /// # Errors
    /// When it holds none, or has no still pose before it.
    pub fn all(
        episode: Episode,
        axes: &WristAxes,
        clock: &ClockMap,
        lead_arm_sign: f64,
        params: &PhaseParams,
    ) -> Result<Found, NoSwing> {
        let Some((first, last)) = episode.hand.first().zip(episode.hand.last()) else {
            return Err(NoSwing::Slow);
        };
        let from_s = first.t_s.max(episode.fast_from_s - ADDRESS_WITHIN_S);
        if episode.is_hand_alone() || !episode.forearm_fell_silent(clock, from_s, last.t_s) {
            return Candidate::all_alike(episode, axes, clock, lead_arm_sign, params);
        }
        let by_hand = Candidate::all_alike(episode.without_forearm(), axes, clock, lead_arm_sign, params);
        let by_both = Candidate::all_alike(episode, axes, clock, lead_arm_sign, params);
        let mut swings = by_both.map_or_else(|_| Vec::new(), |found| found.swings);
        swings.retain(|swing| swing.heard_forearm(clock));
        match by_hand {
            Ok(found) => swings = with_those_between(swings, found.swings),
            Err(none) if swings.is_empty() => return Err(none),
            Err(_) => {}
        }
        Ok(Found { swings, found: Vec::new() })
    }

    /// Each swing of an episode, all by the same nodes.
    fn all_alike(
        episode: Episode,
        axes: &WristAxes,
        clock: &ClockMap,
        lead_arm_sign: f64,
        params: &PhaseParams,
    ) -> Result<Found, NoSwing> {
        let hand_alone = episode.is_hand_alone();
        let errors = GloveErrors::of_biases(&episode.biases);
        if is_slow(&episode, &errors, params.peak_min) {
            return Err(NoSwing::Slow);
        }
        let tracks = from_address(&episode, &errors, clock).ok_or(NoSwing::NoBackswing)?;
        let typical = typical_covariance();
        let [hand, forearm] = held(&episode, tracks, hand_alone, [&typical, &typical]);
        let arm = arm_of(&hand, &forearm, hand_alone, (axes, clock), None, lead_arm_sign);
        let found = search::find_all(&arm, params);
        let large = |phases: &Phases| phases.travel_at_top >= params.small_travel;
        let of_arm = !hand_alone || found.as_ref().is_ok_and(|found| found.iter().any(large));
        // The hand's turning may be none of an arm's: then that of the forearm has to be.
        let phases = if of_arm { found.clone()? } else { vec![hand_alone::find_loosely(&arm, params)?] };
        let (one, more) = phases.split_first().ok_or(NoSwing::Slow)?;
        let one = one.clone();
        let first = Candidate { episode, errors, hand, forearm, hand_alone, hub: None, phases: one, arm };
        if !of_arm {
            let confirmed = hand_alone::confirmed(first, axes, lead_arm_sign, params);
            let one = confirmed.ok_or(found.err().unwrap_or(NoSwing::NotOverBall))?;
            return Ok(Found { swings: vec![one], found: Vec::new() });
        }
        let counts = |swing: &Candidate| {
            large(&swing.phases) || (!hand_alone && swing.towards_palm(axes, clock) >= 0.0)
        };
        let more = more.iter().cloned().map(|phases| Candidate { phases, ..first.clone() });
        let mut swings: Vec<Candidate> = more.collect();
        swings.insert(0, first);
        swings.retain(counts);
        if swings.is_empty() { Err(NoSwing::Pressed) } else { Ok(Found { swings, found: phases }) }
    }

    /// The forearm did not fall silent from before the takeaway until the arm was back.
    fn heard_forearm(&self, clock: &ClockMap) -> bool {
        let Phases { takeaway_s, back_s, .. } = self.phases;
        !self.episode.forearm_fell_silent(clock, takeaway_s - HEARD_BEFORE_S, back_s)
    }

    /// Where the swing's curves end, hand clock, s.
    pub(super) fn curve_end_s(&self, ball_s: f64) -> f64 {
        self.phases.finish_s.unwrap_or(ball_s + 0.6) + 0.15
    }

    /// Share of the arm's first way that goes towards the palm's side of the forearm (cosine): of every backswing
    /// nearly all, since at address the back of the lead hand faces the target.
    fn towards_palm(&self, axes: &WristAxes, clock: &ClockMap) -> f64 {
        let Candidate { phases, arm, .. } = self;
        let takeaway = arm.t_s.partition_point(|t_s| *t_s < phases.takeaway_s).min(arm.t_s.len() - 1);
        let level_from_sensor = self.forearm.at(clock.forearm_s(phases.takeaway_s)).0;
        let palm = level_from_sensor * axes.forearm_from_sensor().inverse() * Vector3::x();
        phases.normal.cross(&arm.distal[takeaway]).dot(&palm)
    }

    /// The same movement seen with better knowledge of the wrist and the sensors. What was a swing stays one:
    /// where no phases are found now, those found before stand.
    #[must_use]
    pub fn again(self, wrist: &WristKnowledge, lead_arm_sign: f64, params: &PhaseParams) -> Candidate {
        let errors = self.errors.plus(&wrist.error_changes);
        let hand = self.hand.again(&self.episode.hand, &errors.hand);
        let forearm = if self.hand_alone {
            hand.clone()
        } else {
            self.forearm.again(&self.episode.forearm, &errors.forearm)
        };
        let [of_hand, of_forearm] = wrist.node_covariances();
        let [hand, forearm] = held(&self.episode, [hand, forearm], self.hand_alone, [&of_hand, &of_forearm]);
        let known = (&wrist.axes, &wrist.clock);
        let arm = arm_of(&hand, &forearm, self.hand_alone, known, Some(wrist), lead_arm_sign);
        let (arm, phases) = match search::find_near(&arm, self.phases.top_s, params) {
            Some(phases) => (arm, phases),
            None => (self.arm, self.phases),
        };
        let better = Candidate { errors, hand, forearm, phases, arm, ..self };
        if better.hand_alone {
            let asked = hand_alone::of_swing(params);
            hand_alone::with_forearm(better, &wrist.axes, lead_arm_sign, &asked, Care::Weighed)
        } else {
            better
        }
    }

    /// Whether there is something to tell of the wrist.
    #[must_use]
    pub fn sees_wrist(&self) -> bool {
        !self.hand_alone || self.hub.is_some()
    }

    /// The last instant at which both nodes were heard, hand clock, s.
    #[must_use]
    pub fn heard_until_s(&self) -> f64 {
        self.arm.t_s.last().copied().unwrap_or(f64::NEG_INFINITY)
    }

    /// The window that the joint estimate sees.
    #[must_use]
    pub fn joint_window(&self) -> JointWindow {
        JointWindow {
            hand: self.hand.clone(),
            forearm: self.forearm.clone(),
            from_s: self.phases.takeaway_s - 0.5,
            to_s: (self.phases.back_s + AFTER_BACK_S).min(self.heard_until_s()),
        }
    }
}

/// The swings, and those of the others that lie in none of them, in order of time.
fn with_those_between(mut swings: Vec<Candidate>, others: Vec<Candidate>) -> Vec<Candidate> {
    let apart = |a: &Phases, b: &Phases| a.back_s < b.takeaway_s || b.back_s < a.takeaway_s;
    let between = |other: &Candidate| swings.iter().all(|swing| apart(&swing.phases, &other.phases));
    let more: Vec<Candidate> = others.into_iter().filter(between).collect();
    swings.extend(more);
    swings.sort_by(|a, b| a.phases.top_s.total_cmp(&b.phases.top_s));
    swings
}

/// Whether no arm swings in this episode, told before any work is done: an arm turns no faster than the node that is
/// strapped to it.
fn is_slow(episode: &Episode, errors: &GloveErrors, peak_min: f64) -> bool {
    let (on_arm, of_node) = if episode.is_hand_alone() {
        (&episode.hand, &errors.hand)
    } else {
        (&episode.forearm, &errors.forearm)
    };
    on_arm.iter().all(|reading| of_node.rate(&reading.rate).norm() < peak_min)
}

/// The tracks of hand and forearm from the stillest pose before the fast motion; none where the player had none.
fn from_address(episode: &Episode, errors: &GloveErrors, clock: &ClockMap) -> Option<[Track; 2]> {
    let until_s = episode.fast_from_s;
    let from_s = until_s - ADDRESS_WITHIN_S;
    let hand = Track::from_stillest(&episode.hand, &errors.hand, from_s, until_s)
        .filter(|track| track.still_rms < RESTLESS_MAX)?;
    if episode.is_hand_alone() {
        return Some([hand.clone(), hand]);
    }
    let (from_s, until_s) = (clock.forearm_s(from_s), clock.forearm_s(until_s));
    let forearm = Track::from_stillest(&episode.forearm, &errors.forearm, from_s, until_s)?;
    Some([hand, forearm])
}

/// Both tracks held at the pose that the movement ends in, too, as far as there is one: live, the swing is
/// measured before the finish, and there is none.
fn held(
    episode: &Episode,
    [hand, forearm]: [Track; 2],
    hand_alone: bool,
    [of_hand, of_forearm]: [&NodeCovariance; 2],
) -> [Track; 2] {
    let Episode { hand: of_hand_node, forearm: of_forearm_node, biases, .. } = episode;
    let hand = hand.held_at_end(of_hand_node, &biases.hand, of_hand);
    if hand_alone {
        return [hand.clone(), hand];
    }
    [hand, forearm.held_at_end(of_forearm_node, &biases.forearm, of_forearm)]
}

/// With the hand node alone, the hand stands for the forearm.
fn hand_as_forearm(axes: &WristAxes) -> WristAxes {
    let z = axes.deviation_in_hand.cross(&axes.long_in_hand);
    WristAxes {
        flexion_in_forearm: nalgebra::Unit::new_normalize(z),
        long_in_forearm: axes.long_in_hand,
        ..*axes
    }
}

fn arm_of(
    hand: &Track,
    forearm: &Track,
    hand_alone: bool,
    (axes, clock): (&WristAxes, &ClockMap),
    wrist: Option<&WristKnowledge>,
    lead_arm_sign: f64,
) -> ArmTrack {
    if hand_alone {
        arm_track(hand, hand, &hand_as_forearm(axes), &ClockMap::IDENTITY, None, lead_arm_sign)
    } else {
        arm_track(hand, forearm, axes, clock, wrist, lead_arm_sign)
    }
}

/// The lead arm at the hand's instants, in the forearm node's level frame. Where the wrist is known, what the
/// cuff takes along of its bend is given back.
#[must_use]
fn arm_track(
    hand: &Track,
    forearm: &Track,
    axes: &WristAxes,
    clock: &ClockMap,
    wrist: Option<&WristKnowledge>,
    lead_arm_sign: f64,
) -> ArmTrack {
    let proximal = axes.forearm_from_sensor().inverse() * Vector3::y();
    let mut cuff = wrist.map(|wrist| (wrist.start, Cuff::on(wrist)));
    let mut arm = ArmTrack::with_capacity(hand.t_s.len());
    let (first_s, last_s) = (forearm.t_s.first().copied(), forearm.t_s.last().copied());
    for t_s in hand.t_s.iter().copied() {
        let there_s = clock.forearm_s(t_s);
        if first_s.is_none_or(|first| there_s < first) || last_s.is_none_or(|last| there_s > last) {
            continue;
        }
        let (level_from_sensor, rate) = forearm.at(there_s);
        let (turn, turn_rate) = cuff.as_mut().map_or_else(Default::default, |(start, cuff)| {
            let (hand, hand_rate) = hand.at(t_s);
            cuff.turned(t_s, (&level_from_sensor, &rate), (&(*start * hand), &hand_rate))
        });
        let distal = -(UnitQuaternion::from_scaled_axis(-turn) * (level_from_sensor * proximal));
        let world_rate = level_from_sensor * rate - turn_rate;
        arm.t_s.push(t_s);
        arm.distal.push(distal);
        arm.swing_rate.push(world_rate - distal * distal.dot(&world_rate));
        arm.roll_rate.push(-lead_arm_sign * world_rate.dot(&distal));
        arm.rate.push(world_rate.norm());
    }
    arm
}
