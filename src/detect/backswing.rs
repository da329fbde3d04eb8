//! Follows hinge and arm while a swing is going on, a reading at a time: strapdown of both nodes from the
//! address pose, with everything that was learnt before. The relative heading of the two nodes, which gravity
//! does not show, is begun as the player stood at earlier addresses and pulled right by the joint: its two axes
//! stay perpendicular.

use super::address::ADDRESS_S;
use super::candidate::{ADDRESS_WITHIN_S, RESTLESS_MAX};
use super::cuff::Cuff;
use super::episode::Episode;
use super::measure::WristKnowledge;
use super::phases::TAKEAWAY_RATE;
use super::set_call::Look;
use crate::fusion::errors::{GloveErrors, NodeErrors};
use crate::fusion::series::{Reading, stillest};
use crate::fusion::soft_tissue::{bend, given_back};
use crate::fusion::strapdown;
use crate::fusion::track::STILL_S;
use crate::fusion::wrist;
use nalgebra::{UnitQuaternion, Vector3};

/// A rise of the arm begins above this rate, rad/s.
const RISE_RATE: f64 = 25.0 * std::f64::consts::PI / 180.0;
/// The arm has turned when it has gone back for so long, s.
const TURNED_FOR_S: f64 = 0.012;
/// A turning point with less travel than this is none, rad.
const TOP_TRAVEL_MIN: f64 = 0.25;
/// The address value is taken within so long before the takeaway, s.
const ADDRESS_BEFORE_S: f64 = 1.2;
/// A hand that moves more than this on average over that stretch is not at address, rad/s.
const ADDRESS_RATE_MAX: f64 = 25.0 * std::f64::consts::PI / 180.0;
/// At the takeaway the forearm points at least so far below the horizontal (sine).
const DOWN_MIN: f64 = 0.3;
/// So long after the top nothing else is a backswing, s.
const AFTER_TOP_S: f64 = 1.5;
/// Rates of the hinge are taken over this stretch, s.
const RATE_OVER_S: f64 = 0.02;
/// How much the wrist differs from address to address (standard deviation; judgement), rad.
const ADDRESS_SD: f64 = 3.0 * std::f64::consts::PI / 180.0;
/// How far the axes seem from perpendicular in a right model (standard deviation), rad …
const JOINT_SD: f64 = 1.0 * std::f64::consts::PI / 180.0;
/// … which is asked again after so much turning, rad.
const JOINT_SPACING: f64 = 0.15;

/// One node's orientation since its still pose.
#[derive(Clone, Debug)]
struct NodeFollower {
    errors: NodeErrors,
    t_s: Vec<f64>,
    level_from_sensor: Vec<UnitQuaternion<f64>>,
    rate: Vec<Vector3<f64>>,
}

impl NodeFollower {
    /// From the stillest pose between two instants of the node's clock.
    fn start(readings: &[Reading], errors: &NodeErrors, from_s: f64, until_s: f64) -> Option<NodeFollower> {
        let start = readings.partition_point(|reading| reading.t_s < from_s);
        let end = readings.partition_point(|reading| reading.t_s < until_s);
        let (still, rms) = stillest(readings.get(start..end)?, &errors.gyro_bias, STILL_S)?;
        let readings = readings.get(start + still.start..)?;
        (rms < RESTLESS_MAX).then(|| NodeFollower {
            errors: *errors,
            t_s: readings.iter().map(|reading| reading.t_s).collect(),
            level_from_sensor: strapdown::integrate(readings, errors, 0..still.len()),
            rate: readings.iter().map(|reading| errors.rate(&reading.rate)).collect(),
        })
    }

    /// A newer reading; one that comes late is passed over.
    fn push(&mut self, reading: &Reading) {
        let last = self.t_s.len() - 1;
        let dt_s = reading.t_s - self.t_s[last];
        if dt_s <= 0.0 {
            return;
        }
        let (from, to) = (self.rate[last], self.errors.rate(&reading.rate));
        let turned = strapdown::step(&(0.5 * (from + to)), &from, &to, dt_s);
        self.level_from_sensor.push(self.level_from_sensor[last] * turned);
        self.t_s.push(reading.t_s);
        self.rate.push(to);
    }

    fn newest_s(&self) -> f64 {
        self.t_s[self.t_s.len() - 1]
    }

    /// Orientation and rate at an instant, held at the ends.
    fn at(&self, t_s: f64) -> (UnitQuaternion<f64>, Vector3<f64>) {
        let after = self.t_s.partition_point(|t| *t <= t_s);
        let (Some(before), true) = (after.checked_sub(1), after < self.t_s.len()) else {
            let end = after.min(self.t_s.len() - 1);
            return (self.level_from_sensor[end], self.rate[end]);
        };
        let part = (t_s - self.t_s[before]) / (self.t_s[after] - self.t_s[before]);
        let (q0, q1) = (self.level_from_sensor[before], self.level_from_sensor[after]);
        let turn = (q0.inverse() * q1).scaled_axis() * part;
        let rate = self.rate[before] + (self.rate[after] - self.rate[before]) * part;
        (q0 * UnitQuaternion::from_scaled_axis(turn), rate)
    }
}

/// Both nodes and the arm at one instant of the hand clock.
#[derive(Clone, Debug)]
struct Point {
    t_s: f64,
    hand: UnitQuaternion<f64>,
    forearm: UnitQuaternion<f64>,
    hand_rate: f64,
    swing_rate: Vector3<f64>,
    /// Height of the forearm's direction.
    height: f64,
    /// Integral of the swing rate from the first point on.
    turned: Vector3<f64>,
    /// Integral of the relative rate's norm, for the spacing of the joint's residuals.
    bent: f64,
}

/// The arm on its way back.
#[derive(Clone, Debug)]
struct Rise {
    takeaway: usize,
    fastest: usize,
    normal: Vector3<f64>,
    address: std::ops::Range<usize>,
    /// Points from here on have been told.
    told: usize,
    /// Instant of the last reading that did not go back.
    forward_s: f64,
    top_s: Option<f64>,
    /// Hinges told, with their instants.
    hinges: Vec<(f64, f64)>,
    precision: f64,
    asked_at: f64,
}

/// One stretch of fast motion, followed.
#[derive(Clone, Debug)]
pub struct BackswingFollower {
    wrist: WristKnowledge,
    cuff: Cuff,
    lead_arm_sign: f64,
    address_pose: UnitQuaternion<f64>,
    hand: NodeFollower,
    forearm: NodeFollower,
    points: Vec<Point>,
    next: usize,
    rise: Option<Rise>,
}

/// What the follower has seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Seen {
    /// A backswing has begun; what was seen before was none.
    Begun,
    /// It goes on.
    Look(Look),
}

impl BackswingFollower {
    /// Begins with the motion so far. `address_pose` is the wrist, forearm from hand, as it was at earlier
    /// takeaways. None without a still pose before the motion.
    #[must_use]
    pub fn start(
        episode: &Episode,
        wrist: &WristKnowledge,
        address_pose: UnitQuaternion<f64>,
        lead_arm_sign: f64,
    ) -> Option<BackswingFollower> {
        let errors = GloveErrors::of_biases(&episode.biases).plus(&wrist.error_changes);
        let (from_s, until_s) = (episode.fast_from_s - ADDRESS_WITHIN_S, episode.fast_from_s);
        let hand = NodeFollower::start(&episode.hand, &errors.hand, from_s, until_s)?;
        let (from_s, until_s) = (wrist.clock.forearm_s(from_s), wrist.clock.forearm_s(until_s));
        let forearm = NodeFollower::start(&episode.forearm, &errors.forearm, from_s, until_s)?;
        Some(BackswingFollower {
            wrist: wrist.clone(),
            cuff: Cuff::on(wrist),
            lead_arm_sign,
            address_pose,
            hand,
            forearm,
            points: Vec::new(),
            next: 0,
            rise: None,
        })
    }

    /// The newest instants that were taken in: hand and forearm, each on its clock, s.
    #[must_use]
    pub fn newest_s(&self) -> (f64, f64) {
        (self.hand.newest_s(), self.forearm.newest_s())
    }

    /// Whether a backswing goes on, or was over a moment ago.
    #[must_use]
    pub fn is_rising(&self) -> bool {
        self.rise.is_some()
    }

    /// Takes newer readings in; gives what can be seen now that could not be seen before.
    pub fn push(&mut self, hand: &[Reading], forearm: &[Reading]) -> Vec<Seen> {
        hand.iter().for_each(|reading| self.hand.push(reading));
        forearm.iter().for_each(|reading| self.forearm.push(reading));
        let mut seen = Vec::new();
        while let Some(point) = self.next_point() {
            self.points.push(point);
            self.follow(&mut seen);
        }
        seen
    }

    /// The next instant of the hand that the forearm has been heard at, too.
    fn next_point(&mut self) -> Option<Point> {
        let first_s = self.forearm.t_s[0];
        while self.hand.t_s.get(self.next).is_some_and(|t_s| self.wrist.clock.forearm_s(*t_s) < first_s) {
            self.next += 1;
        }
        let t_s = *self.hand.t_s.get(self.next)?;
        let there_s = self.wrist.clock.forearm_s(t_s);
        if there_s > self.forearm.newest_s() {
            return None;
        }
        let (hand, hand_rate) = (self.hand.level_from_sensor[self.next], self.hand.rate[self.next]);
        self.next += 1;
        let (forearm, forearm_rate) = self.forearm.at(there_s);
        let there = self.wrist.start * hand;
        let cuff = self.cuff.turned(t_s, (&forearm, &forearm_rate), (&there, &hand_rate));
        let proximal = self.wrist.axes.forearm_from_sensor().inverse() * Vector3::y();
        let distal = -(UnitQuaternion::from_scaled_axis(-cuff.0) * (forearm * proximal));
        let arm_rate = forearm * forearm_rate - cuff.1;
        let swing_rate = arm_rate - distal * distal.dot(&arm_rate);
        let bending = (there * hand_rate - forearm * forearm_rate).norm();
        let (turned, bent) = self.points.last().map_or((Vector3::zeros(), 0.0), |last| {
            let dt_s = t_s - last.t_s;
            (last.turned + 0.5 * dt_s * (last.swing_rate + swing_rate), last.bent + dt_s * bending)
        });
        Some(Point {
            t_s,
            hand,
            forearm,
            hand_rate: hand_rate.norm(),
            swing_rate,
            height: distal.z,
            turned,
            bent,
        })
    }

    fn follow(&mut self, seen: &mut Vec<Seen>) {
        let now = self.points.len() - 1;
        let Some(mut rise) = self.rise.take() else {
            self.rise = self.rise_at(now);
            if self.rise.is_some() {
                seen.push(Seen::Begun);
                self.begin_heading();
            }
            return;
        };
        if rise.top_s.is_none() {
            self.find_takeaway(&mut rise, now);
            self.ask_joint(&mut rise, now);
        }
        let going_back = rise.normal.dot(&self.points[now].swing_rate) < 0.0;
        let (t_s, travel) = (self.points[now].t_s, self.travel(&rise, now));
        if !going_back && rise.top_s.is_none() {
            rise.forward_s = t_s;
        }
        if t_s - rise.forward_s > TURNED_FOR_S && rise.top_s.is_none() {
            if travel < TOP_TRAVEL_MIN {
                return;
            }
            rise.top_s = Some(rise.forward_s);
        }
        if rise.top_s.is_some_and(|top_s| t_s > top_s + AFTER_TOP_S) {
            return;
        }
        let looks = rise.told..now + 1;
        rise.told = now + 1;
        for i in looks {
            seen.push(Seen::Look(self.look(&mut rise, i)));
        }
        self.rise = Some(rise);
    }

    /// The rise that is going on at a point, if the arm is fast enough for one.
    fn rise_at(&self, now: usize) -> Option<Rise> {
        let rate = self.points[now].swing_rate;
        if rate.norm() < RISE_RATE {
            return None;
        }
        let normal = rate.normalize();
        let first = (0..now).rev().find(|i| normal.dot(&self.points[*i].swing_rate) < TAKEAWAY_RATE)?;
        let mut rise = Rise {
            takeaway: first,
            fastest: now,
            normal,
            address: 0..1,
            told: first,
            forward_s: self.points[now].t_s,
            top_s: None,
            hinges: Vec::new(),
            precision: ADDRESS_SD.powi(-2),
            asked_at: self.points[first].bent,
        };
        self.find_takeaway(&mut rise, now);
        rise.address = self.address_before(rise.takeaway)?;
        (self.points[rise.takeaway].height <= -DOWN_MIN).then_some(rise)
    }

    /// The plane is the mean one since the takeaway, and the takeaway is where the arm was slow in it.
    fn find_takeaway(&self, rise: &mut Rise, now: usize) {
        let turned = self.points[now].turned - self.points[rise.takeaway].turned;
        rise.normal = turned.try_normalize(1e-6).unwrap_or(rise.normal);
        let rate = |i: usize| rise.normal.dot(&self.points[i].swing_rate);
        if rate(now) > rate(rise.fastest) {
            rise.fastest = now;
        }
        let slow = (0..rise.fastest).rev().find(|i| rate(*i) < TAKEAWAY_RATE);
        rise.takeaway = slow.unwrap_or(rise.takeaway);
    }

    fn travel(&self, rise: &Rise, i: usize) -> f64 {
        rise.normal.dot(&(self.points[i].turned - self.points[rise.takeaway].turned))
    }

    /// The quietest stretch shortly before the takeaway, if one is quiet.
    fn address_before(&self, takeaway: usize) -> Option<std::ops::Range<usize>> {
        let t_s = |i: usize| self.points[i].t_s;
        let mut best = (ADDRESS_RATE_MAX, None);
        let first = self.points.partition_point(|point| point.t_s < t_s(takeaway) - ADDRESS_BEFORE_S);
        let (mut start, mut sum) = (first, 0.0);
        for end in first..=takeaway {
            sum += self.points[end].hand_rate;
            while t_s(end) - t_s(start) > ADDRESS_S {
                sum -= self.points[start].hand_rate;
                start += 1;
            }
            let mean = sum / (end + 1 - start) as f64;
            if t_s(end) - t_s(start) > 0.9 * ADDRESS_S && mean < best.0 {
                best = (mean, Some(start..end + 1));
            }
        }
        best.1
    }

    /// The heading with which the wrist is at this takeaway as it was at earlier ones.
    fn begin_heading(&mut self) {
        let Some(rise) = &self.rise else { return };
        let point = &self.points[rise.takeaway];
        let hand = point.hand * self.wrist.axes.hand_from_sensor().inverse();
        let forearm = point.forearm * self.wrist.axes.forearm_from_sensor().inverse();
        let turn = forearm * self.unbent_further(self.address_pose) * hand.inverse();
        let heading = 2.0 * turn.k.atan2(turn.w);
        self.wrist.start = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), heading);
    }

    /// What the sensors see of a wrist's pose: soft tissue hides some of it.
    fn unbent_further(&self, pose: UnitQuaternion<f64>) -> UnitQuaternion<f64> {
        UnitQuaternion::from_scaled_axis(bend(&pose) * -self.wrist.tissue) * pose
    }

    /// One step of least squares on the heading: the two axes are perpendicular.
    fn ask_joint(&mut self, rise: &mut Rise, now: usize) {
        let point = &self.points[now];
        if point.bent - rise.asked_at < JOINT_SPACING {
            return;
        }
        rise.asked_at = point.bent;
        let flexion = point.forearm * self.wrist.axes.flexion_in_forearm.into_inner();
        let deviation = self.wrist.start * (point.hand * self.wrist.axes.deviation_in_hand.into_inner());
        let by_heading = flexion.dot(&Vector3::z().cross(&deviation));
        let weight = JOINT_SD.powi(-2);
        rise.precision += by_heading * by_heading * weight;
        let turn = -flexion.dot(&deviation) * by_heading * weight / rise.precision;
        self.wrist.start = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), turn) * self.wrist.start;
    }

    /// Hinge at a point, not counted from address.
    fn hinge(&self, i: usize) -> f64 {
        let pose = pose(&self.wrist, &self.points[i].forearm, &self.points[i].hand);
        wrist::angles(&pose, self.lead_arm_sign).hinge
    }

    fn look(&self, rise: &mut Rise, i: usize) -> Look {
        let t_s = self.points[i].t_s;
        let step = (rise.address.len() / 4).max(1);
        let address: Vec<f64> = rise.address.clone().step_by(step).map(|j| self.hinge(j)).collect();
        let hinge = self.hinge(i) - address.iter().sum::<f64>() / address.len().max(1) as f64;
        rise.hinges.push((t_s, hinge));
        let before = rise.hinges.partition_point(|(then_s, _)| *then_s <= t_s - RATE_OVER_S);
        let (then_s, then) = rise.hinges[before.min(rise.hinges.len() - 1)];
        let hinge_rate = if t_s - then_s > 0.5 * RATE_OVER_S { (hinge - then) / (t_s - then_s) } else { 0.0 };
        Look {
            t_s,
            travel: self.travel(rise, i),
            arm_rate: rise.normal.dot(&self.points[i].swing_rate),
            hinge,
            hinge_rate,
            top_s: rise.top_s,
        }
    }
}

/// The wrist, forearm from hand, from the two nodes' orientations, what soft tissue hides given back.
#[must_use]
pub fn pose(
    known: &WristKnowledge,
    forearm: &UnitQuaternion<f64>,
    hand: &UnitQuaternion<f64>,
) -> UnitQuaternion<f64> {
    let axes = &known.axes;
    let seen = axes.forearm_from_sensor() * forearm.inverse() * known.start * hand;
    let seen = seen * axes.hand_from_sensor().inverse();
    UnitQuaternion::from_scaled_axis(bend(&seen) * given_back(known.tissue)) * seen
}
