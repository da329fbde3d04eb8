//! Cuts the stream of arrivals into what is worth measuring: the calibration, and stretches of fast
//! motion with the stillness before them. Holds a bounded stretch of samples, however long the session.

mod clock_jumps;

use super::NodeLoss;
use super::arrival_order::ArrivalOrder;
use super::body_watch::{BodyReadings, BodyWatch};
use super::calibration_in_hand::CalibrationInHand;
use super::fast_motion::{CUT_WITHIN_S, Ended, FastMotion, SWING_PEAK};
use super::intake::{Intake, Taken};
use crate::fusion::calibration::Biases;
use crate::fusion::joint::GloveEvidence;
use crate::fusion::orientation::OrientationMethod;
use crate::fusion::series::{Conversion, Reading};
use crate::sample::{Arrival, CalibrationPart, DeviceDescription, ImuSample, Marker, NodeRole};
use std::collections::VecDeque;

/// Settings of the cutting. Times in s, rates in rad/s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EpisodeParams {
    /// Fast motion begins above this smoothed rate of the hand.
    pub fast_from: f64,
    /// And is over below this one …
    pub slow_below: f64,
    /// … kept for so long: longer than a pause at the top.
    pub slow_for_s: f64,
    /// How much is kept from before the fast motion: waggles, address and a slow takeaway.
    pub before_s: f64,
    /// Motion longer than this is cut, so that memory stays bounded.
    pub longest_s: f64,
    /// The same of one in which the hand is as fast as in a full swing again and again.
    pub longest_drill_s: f64,
    /// The calibration ends so long after its last prompt.
    pub after_last_prompt_s: f64,
    /// A calibration whose next prompt does not come within this time is over.
    pub longest_part_s: f64,
    /// The filter that follows each node between the episodes and finds its gyro bias.
    pub orientation: OrientationMethod,
}

impl Default for EpisodeParams {
    fn default() -> EpisodeParams {
        EpisodeParams {
            fast_from: 100.0_f64.to_radians(),
            slow_below: 30.0_f64.to_radians(),
            slow_for_s: 0.7,
            before_s: 6.0,
            longest_s: 8.0,
            longest_drill_s: 24.0,
            after_last_prompt_s: 4.0,
            longest_part_s: 40.0,
            orientation: OrientationMethod::default(),
        }
    }
}

/// Readings of both nodes over the same stretch, with what was known when it was cut.
#[derive(Clone, Debug)]
pub struct Episode {
    /// Hand node.
    pub hand: Vec<Reading>,
    /// Forearm node, on its own clock; empty when there is none.
    pub forearm: Vec<Reading>,
    /// Nodes on the trunk, where there are any.
    pub body: Box<BodyReadings>,
    /// Gyro biases.
    pub biases: Biases,
    /// How far they may have run away since they were seen last (standard deviations).
    pub bias_wander: Biases,
    /// Forearm clock less hand clock as the order of arrival shows it, s: good to a packet.
    pub clock_guess_s: f64,
    /// How often a node's clock had started anew by then.
    pub clocks_begun: u32,
    /// A clock seems to have jumped within it, and it is not known whether it has.
    pub clocks_doubtful: bool,
    /// Where the fast motion began, hand clock, s.
    pub fast_from_s: f64,
    /// It goes on from one that was cut for its length.
    pub goes_on: bool,
    /// The club in use.
    pub club: Option<String>,
    /// Full scale of the hand's accelerometer, g.
    pub hand_full_scale_g: f64,
}

/// A calibration: one episode per part, in the order of the prompts.
#[derive(Clone, Debug, Default)]
pub struct CalibrationEpisodes {
    /// The parts.
    pub parts: Vec<(CalibrationPart, Episode)>,
}

/// What the cutter hands out.
#[derive(Clone, Debug)]
pub enum Cut {
    /// A calibration is over.
    Calibration(CalibrationEpisodes),
    /// A stretch of fast motion is over.
    Motion(Episode),
}

/// The cutter: arrivals in, episodes out.
pub struct EpisodeCutter {
    params: EpisodeParams,
    hand: Intake,
    forearm: Intake,
    body: BodyWatch,
    order: ArrivalOrder,
    /// What was taken out of the clocks that was not taken yet: jumps of the hand's, s.
    retimed_s: Option<f64>,
    notes: Vec<String>,
    smooth_rate: f64,
    fast: Option<FastMotion>,
    /// Motions that are over and were not handed out yet.
    ended: VecDeque<Ended>,
    /// They are kept as long as it is doubtful whether a clock has jumped.
    is_patient: bool,
    /// The last one was cut for its length, and the hand was not slow since.
    is_cut_off: bool,
    /// Where the last fast motion ended: a movement is never told twice.
    told_until_s: f64,
    calibration: Option<CalibrationInHand>,
    club: Option<String>,
    /// The club when the fast motion began: one that is named before the motion has ended is the next swing's.
    club_in_hand: Option<String>,
    hand_full_scale_g: f64,
}

fn hand_full_scale_g(device: &DeviceDescription) -> f64 {
    device.node(NodeRole::Hand).map_or(f64::INFINITY, |node| node.acc_full_scale_g)
}

/// Kind of the note by which whoever leads a calibration says that it is over.
pub const CALIBRATION_NOTE: &str = "calibration";
/// Value of that note when all parts were gone through.
pub const CALIBRATION_DONE: &str = "done";
/// And when it was broken off: what there is of it does not count.
pub const CALIBRATION_STOPPED: &str = "stopped";

/// The trunk's address pose is looked for so far back from the fast motion, s: as the glove's.
const BODY_BEFORE_S: f64 = 4.0;
/// The forearm's clock is known so well at least, s.
const HEARD_AFTER_S: f64 = 0.3;
/// Time constant of the smoothed rate, s.
const SMOOTH_S: f64 = 0.02;

impl EpisodeCutter {
    /// A cutter for this glove.
    #[must_use]
    pub fn new(device: &DeviceDescription, params: EpisodeParams) -> EpisodeCutter {
        let keep_s = params.before_s + params.longest_drill_s + CUT_WITHIN_S + 2.0;
        let intake = |role| Intake::new(role, Conversion::of(device.node(role)), keep_s, params.orientation);
        EpisodeCutter {
            params,
            hand: intake(NodeRole::Hand),
            forearm: intake(NodeRole::Forearm),
            body: BodyWatch::new(device, keep_s, params.orientation),
            order: ArrivalOrder::default(),
            retimed_s: None,
            notes: Vec::new(),
            smooth_rate: 0.0,
            fast: None,
            ended: VecDeque::new(),
            is_patient: false,
            is_cut_off: false,
            told_until_s: f64::NEG_INFINITY,
            calibration: None,
            club: None,
            club_in_hand: None,
            hand_full_scale_g: hand_full_scale_g(device),
        }
    }

    /// The same, for whoever is in no hurry: what a clock that jumped has spoilt is handed out when that is known.
    #[must_use]
    pub fn patient(device: &DeviceDescription, params: EpisodeParams) -> EpisodeCutter {
        EpisodeCutter { is_patient: true, ..EpisodeCutter::new(device, params) }
    }

    /// The glove has described itself anew.
    pub fn redescribe(&mut self, device: &DeviceDescription) {
        self.hand.convert_by(Conversion::of(device.node(NodeRole::Hand)));
        self.forearm.convert_by(Conversion::of(device.node(NodeRole::Forearm)));
        self.body.redescribe(device);
        self.hand_full_scale_g = hand_full_scale_g(device);
    }

    /// Losses so far, of the nodes that were heard.
    #[must_use]
    pub fn losses(&self) -> Vec<NodeLoss> {
        let of_glove = [&self.hand, &self.forearm].map(Intake::loss);
        of_glove.into_iter().filter(|loss| loss.received > 0).chain(self.body.losses()).collect()
    }

    /// What the nodes' own stillnesses have said about their sensors so far.
    #[must_use]
    pub fn evidence(&self) -> GloveEvidence {
        let of = |intake: &Intake| intake.own().evidence().clone();
        GloveEvidence { hand: of(&self.hand), forearm: of(&self.forearm) }
    }

    /// The newest instant of the hand clock, s.
    #[must_use]
    pub fn now_s(&self) -> Option<f64> {
        self.hand.newest().map(|reading| reading.t_s)
    }

    /// Takes the next arrival.
    pub fn push(&mut self, arrival: &Arrival) -> Option<Cut> {
        match arrival {
            Arrival::Marker { marker, .. } => self.marker(marker),
            Arrival::Sample(sample) => self.sample(sample),
        }
    }

    /// The input is over: hands out what is still in hand.
    pub fn finish(&mut self) -> Vec<Cut> {
        let calibration = self.calibration.take().and_then(|calibration| self.close_calibration(calibration));
        self.end_motion();
        calibration.into_iter().chain(std::iter::from_fn(|| self.next_ended())).collect()
    }

    /// The fast motion that is still going on, as far as it has come.
    #[must_use]
    pub fn motion_so_far(&self) -> Option<Episode> {
        self.motion().map(|motion| self.episode_of(&motion))
    }

    /// The motion that is going on, as if it were over.
    fn motion(&self) -> Option<Ended> {
        let (fast, until_s) = self.fast.zip(self.now_s())?;
        Some(Ended { fast, from_s: self.begins_s(fast.since_s), until_s, club: self.club_in_hand.clone() })
    }

    /// The motion that is going on is over.
    fn end_motion(&mut self) {
        self.ended.extend(self.motion());
        self.fast = None;
    }

    /// The next motion that is over and can be handed out.
    fn hand_out(&mut self) -> Option<Cut> {
        let waits = self.is_patient && self.order.is_doubtful();
        if waits { None } else { self.next_ended() }
    }

    /// The next motion that is over, whether its clocks are doubted or not.
    fn next_ended(&mut self) -> Option<Cut> {
        let ended = self.ended.pop_front()?;
        Some(Cut::Motion(self.episode_of(&ended)))
    }

    /// The same in few readings, for a first look: [`Intake::since_in_blocks`].
    #[must_use]
    pub fn glimpse_of_motion(&self) -> Option<Episode> {
        let fast = self.fast?;
        let (from_s, clock_guess_s) = (self.begins_s(fast.since_s), self.clock_guess_s());
        let (hand, forearm) =
            (self.hand.since_in_blocks(from_s), self.forearm.since_in_blocks(from_s + clock_guess_s));
        Some(Episode { hand, forearm, clock_guess_s, fast_from_s: fast.since_s, ..self.nothing() })
    }

    /// The readings of hand and forearm that are newer than these instants, each of its own clock, s.
    #[must_use]
    pub fn newer_than(&self, (hand_s, forearm_s): (f64, f64)) -> (Vec<Reading>, Vec<Reading>) {
        let newer = |intake: &Intake, than_s: f64| {
            let mut readings = intake.since(than_s);
            readings.retain(|reading| reading.t_s > than_s);
            readings
        };
        (newer(&self.hand, hand_s), newer(&self.forearm, forearm_s))
    }

    /// The fast motion is past its peak.
    #[must_use]
    pub fn is_slowing(&self) -> bool {
        self.fast.is_some_and(|fast| fast.is_slowing(self.smooth_rate))
    }

    /// How long ago the hand was near the peak of the motion, s, if it is past one like a swing's.
    #[must_use]
    pub fn past_swing_peak_s(&self) -> Option<f64> {
        let (fast, now_s) = self.fast.zip(self.now_s())?;
        fast.past_swing_peak_s(self.smooth_rate, now_s)
    }

    /// The hand is as fast as in a swing.
    #[must_use]
    pub fn is_as_fast_as_a_swing(&self) -> bool {
        self.fast.is_some() && self.smooth_rate >= SWING_PEAK
    }

    /// Where the fast motion that is going on began, hand clock, s.
    #[must_use]
    pub fn fast_since_s(&self) -> Option<f64> {
        self.fast.map(|fast| fast.since_s)
    }

    fn marker(&mut self, marker: &Marker) -> Option<Cut> {
        match marker {
            Marker::Club(club) => {
                self.club = Some(club.clone());
                None
            }
            Marker::Prompt(part) => self.prompt(*part),
            Marker::Note { kind, value } if kind == CALIBRATION_NOTE => {
                let calibration = self.calibration.take();
                calibration.filter(|_| value == CALIBRATION_DONE).and_then(|it| self.close_calibration(it))
            }
            Marker::Note { .. } => None,
        }
    }

    fn prompt(&mut self, part: CalibrationPart) -> Option<Cut> {
        self.body.prompt(part);
        let now_s = self.now_s();
        let starts_anew = part == CalibrationPart::Still;
        let finished = if starts_anew {
            // One that was broken off is none.
            self.calibration
                .take()
                .filter(CalibrationInHand::is_whole)
                .and_then(|whole| self.close_calibration(whole))
        } else {
            None
        };
        let episode = self.nothing();
        self.calibration.get_or_insert_with(|| CalibrationInHand::begun(now_s)).prompt(part, episode, now_s);
        finished
    }

    fn sample(&mut self, sample: &ImuSample) -> Option<Cut> {
        self.body.push(sample);
        let starts_anew = match sample.role {
            NodeRole::Hand => self.hand.starts_anew(sample),
            // What a forearm had kept that was silent for long is older than the motion's address.
            NodeRole::Forearm => self.forearm.falls_back(sample),
            NodeRole::Chest | NodeRole::Belt => false,
        };
        // What the node kept goes with its clock: the motions are handed out as far as they have come.
        let cut_short = if starts_anew { self.cut_short() } else { None };
        let cut = self.take(sample);
        cut_short.or(cut).or_else(|| self.hand_out())
    }

    fn cut_short(&mut self) -> Option<Cut> {
        if self.fast.is_some() {
            self.end_motion();
            self.told_until_s = self.now_s().unwrap_or(f64::NEG_INFINITY);
        }
        self.next_ended()
    }

    fn take(&mut self, sample: &ImuSample) -> Option<Cut> {
        let of_hand = sample.role == NodeRole::Hand;
        let taken = match sample.role {
            NodeRole::Hand => self.hand.push(sample),
            NodeRole::Forearm => self.forearm.push(sample),
            NodeRole::Chest | NodeRole::Belt => return None,
        };
        if matches!(taken, Taken::Restarted(_)) {
            self.forget_the_clock(of_hand);
        }
        self.suspect_a_jump(sample.role);
        match taken {
            Taken::Dropped => None,
            Taken::Late(reading) => {
                self.collect(reading, of_hand);
                None
            }
            Taken::Reading(reading) | Taken::Restarted(reading) => {
                self.collect(reading, of_hand);
                if of_hand {
                    self.order.hand_came(self.forearm.came_s());
                    return self.follow_motion(reading);
                }
                if let Some(hand_s) = self.hand.came_s() {
                    self.order.forearm_came(reading.t_s, hand_s);
                }
                if let Some(jumped) = self.order.told() {
                    self.take_out(&jumped);
                }
                None
            }
        }
    }

    /// A node's clock is another one now: nothing that was timed on the old one holds.
    fn forget_the_clock(&mut self, of_hand: bool) {
        self.calibration = None;
        self.order.forget();
        if of_hand {
            (self.fast, self.is_cut_off) = (None, false);
            self.told_until_s = f64::NEG_INFINITY;
            self.smooth_rate = 0.0;
        }
    }

    fn collect(&mut self, reading: Reading, of_hand: bool) {
        if let Some(calibration) = &mut self.calibration {
            calibration.collect(reading, of_hand);
        }
    }

    fn follow_motion(&mut self, reading: Reading) -> Option<Cut> {
        let rate = (reading.rate - self.hand.bias()).norm();
        // Readings come at 200 to 1000 Hz; the exact time constant does not matter.
        self.smooth_rate += (rate - self.smooth_rate) * (0.002 / SMOOTH_S);
        if let Some(cut) = self.calibration_over(reading.t_s) {
            return Some(cut);
        }
        let params = self.params;
        let Some(fast) = &mut self.fast else {
            if self.smooth_rate > params.fast_from && self.calibration.is_none() {
                self.fast = Some(FastMotion::begun(reading.t_s, self.smooth_rate, self.is_cut_off));
                self.club_in_hand.clone_from(&self.club);
            }
            self.is_cut_off &= self.smooth_rate > params.slow_below;
            return None;
        };
        let (over, fast) = (fast.step(reading.t_s, self.smooth_rate, &params), *fast);
        if over {
            self.end_motion();
            // The slow stretch may be the address of the next swing.
            self.told_until_s = fast.slow_since_s.unwrap_or(reading.t_s);
            self.is_cut_off = fast.slow_since_s.is_none();
        }
        None
    }

    fn calibration_over(&mut self, now_s: f64) -> Option<Cut> {
        let calibration = self.calibration.as_mut()?;
        let last_prompt_s = *calibration.last_prompt_s.get_or_insert(now_s);
        let at_address = calibration.part() == Some(CalibrationPart::Address);
        let longest_s = if at_address { self.params.after_last_prompt_s } else { self.params.longest_part_s };
        let over = now_s - last_prompt_s > longest_s;
        self.calibration.take_if(|_| over).and_then(|calibration| self.close_calibration(calibration))
    }

    /// The calibration with the biases that are known by now.
    fn close_calibration(&self, calibration: CalibrationInHand) -> Option<Cut> {
        calibration.close(self.biases(), self.clock_guess_s()).map(Cut::Calibration)
    }

    fn biases(&self) -> Biases {
        Biases { hand: self.hand.bias(), forearm: self.forearm.bias() }
    }

    fn clock_guess_s(&self) -> f64 {
        self.order.apart_s().unwrap_or(0.0)
    }

    /// An episode without readings.
    fn nothing(&self) -> Episode {
        Episode {
            hand: Vec::new(),
            forearm: Vec::new(),
            body: Box::default(),
            biases: self.biases(),
            bias_wander: Biases { hand: self.hand.bias_wander(), forearm: self.forearm.bias_wander() },
            clock_guess_s: 0.0,
            clocks_begun: self.hand.clocks_begun() + self.forearm.clocks_begun(),
            clocks_doubtful: self.order.is_doubtful(),
            fast_from_s: 0.0,
            goes_on: false,
            club: None,
            hand_full_scale_g: self.hand_full_scale_g,
        }
    }

    /// From where on the readings belong to a motion that became fast at an instant, hand clock, s.
    fn begins_s(&self, fast_from_s: f64) -> f64 {
        (fast_from_s - self.params.before_s).max(self.told_until_s)
    }

    fn episode_of(&self, Ended { fast, from_s, until_s, club }: &Ended) -> Episode {
        let (from_s, fast_from_s, clock_guess_s) = (*from_s, fast.since_s, self.clock_guess_s());
        let (mut hand, mut forearm) = (self.hand.since(from_s), self.forearm.since(from_s + clock_guess_s));
        // One that had to wait ends before the present.
        hand.retain(|reading| reading.t_s <= *until_s);
        forearm.retain(|reading| reading.t_s <= until_s + clock_guess_s + HEARD_AFTER_S);
        Episode {
            hand,
            forearm,
            body: Box::new(self.body.since(from_s.max(fast_from_s - BODY_BEFORE_S))),
            clock_guess_s,
            fast_from_s,
            goes_on: fast.goes_on,
            club: club.clone(),
            ..self.nothing()
        }
    }
}
