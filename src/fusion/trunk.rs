//! One segment of the trunk over a swing, from the node that is strapped to it: how far it has turned about its own
//! long axis since address, how fast it turns, how far it leans.
//!
//! Segment axes as ISB (x forwards, y up along the segment, z to the player's right; Wu et al. 2002, 2005 [M]). A
//! node is strapped on anyhow, so the long axis is found, not assumed: it is what was vertical while the player
//! stood upright. Forwards is where the long axis leans at address, since a player bends towards the ball.

use super::errors::NodeErrors;
use super::polynomial;
use super::series::Reading;
use super::track::Track;
use nalgebra::{Unit, UnitQuaternion, Vector1, Vector3};

/// A node on a strap is a mass on a damped spring: under an angular acceleration α it lags by α over the square of its
/// own (angular) frequency, its rate by the jerk over that. The frequency lies between 9 Hz (a slack belt) and 25 Hz
/// (from where on the lag hardly matters), evenly in its logarithm (judgement). The mean of the square's inverse is
/// given back, s² …
const STRAP_S2: f64 = 1.33e-4;
/// … and its standard deviation is unsure, s².
pub const STRAP_SD_S2: f64 = 0.76e-4;
/// The spring's damping makes it answer later by twice its share of the critical one (0.45; judgement) over the
/// frequency, s.
const STRAP_LATE_S: f64 = 0.010;
/// A local fit takes the readings within this of an instant, s: short against a transition, long against noise.
const FIT_S: f64 = 0.012;
/// A long axis nearer to the vertical than this at address does not show where forwards is, rad.
const LEAST_BEND: f64 = 10.0 * std::f64::consts::PI / 180.0;

/// How a node sits on its segment, in the sensor's frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seat {
    /// The segment's long axis, up.
    pub long: Unit<Vector3<f64>>,
    /// Forwards by the nominal mounting; used where the address does not show it.
    pub forwards: Vector3<f64>,
    /// How far the long axis may be off, per axis, rad (standard deviation).
    pub long_sd: f64,
}

/// A segment over a swing. Instants on the node's own clock, s; turns away from the target are positive.
#[derive(Clone, Debug)]
pub struct SegmentTrack {
    track: Track,
    seat: Seat,
    /// Seen from above a right-handed player turns back clockwise, about the long axis negatively.
    away_sign: f64,
    address: UnitQuaternion<f64>,
    /// Level, away from the target, in the track's level frame.
    away: Vector3<f64>,
    forwards_from_bend: bool,
    /// Turning rate away from the target at the track's instants, rad/s.
    turning: Vec<f64>,
}

/// The turning rate near an instant: a parabola through the readings around it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Local {
    /// rad/s.
    pub rate: f64,
    /// rad/s².
    pub accel: f64,
    /// rad/s³.
    pub jerk: f64,
    /// What the readings scatter about the parabola, rad/s.
    pub scatter: f64,
    /// Readings that were fitted.
    pub count: usize,
}

impl SegmentTrack {
    /// Integrates from the stillest stretch between two instants at address. `None` where the readings do not hold
    /// one, or do not go on.
    #[must_use]
    pub fn new(
        readings: &[Reading],
        errors: &NodeErrors,
        seat: Seat,
        away_sign: f64,
        (from_s, to_s): (f64, f64),
    ) -> Option<SegmentTrack> {
        let track = Track::from_stillest(readings, errors, from_s, to_s)?;
        let address = track.still_level_from_sensor;
        let turning = track.rate.iter().map(|rate| away_sign * rate.dot(&seat.long)).collect();
        let long = address * *seat.long;
        let bent = Vector3::new(long.x, long.y, 0.0);
        let forwards_from_bend = bent.norm() > LEAST_BEND.sin();
        let forwards = if forwards_from_bend { bent } else { address * seat.forwards };
        let right = Vector3::new(forwards.y, -forwards.x, 0.0).try_normalize(1e-6)?;
        let away = right * -away_sign;
        Some(SegmentTrack { track, seat, away_sign, address, away, forwards_from_bend, turning })
    }

    /// First and last instant, s.
    #[must_use]
    pub fn span_s(&self) -> Option<(f64, f64)> {
        self.track.t_s.first().copied().zip(self.track.t_s.last().copied())
    }

    /// How still the node was at address, rad/s.
    #[must_use]
    pub fn still_rms(&self) -> f64 {
        self.track.still_rms
    }

    /// The long axis showed at address where forwards is.
    #[must_use]
    pub fn forwards_from_bend(&self) -> bool {
        self.forwards_from_bend
    }

    /// Turn since address: the part about the long axis of the rotation since (swing and twist), what the strap
    /// gives way to given back, rad.
    #[must_use]
    pub fn turn(&self, t_s: f64) -> f64 {
        self.node_turn(t_s) + STRAP_S2 * self.strap_answers_to(t_s).accel
    }

    fn node_turn(&self, t_s: f64) -> f64 {
        let since = self.address.inverse() * self.track.at(t_s).0;
        let q = since.quaternion();
        let (q, w) = if q.w < 0.0 { (-q.imag(), -q.w) } else { (q.imag(), q.w) };
        self.away_sign * 2.0 * q.dot(&self.seat.long).atan2(w)
    }

    /// How far the long axis has gone from where it was at address, rad.
    #[must_use]
    pub fn swung(&self, t_s: f64) -> f64 {
        (self.track.at(t_s).0 * *self.seat.long).angle(&(self.address * *self.seat.long))
    }

    /// Lean away from the target since address: the long axis in the plane of the vertical and the player's
    /// sideways axis at address, rad.
    #[must_use]
    pub fn tilt(&self, t_s: f64) -> f64 {
        let lean = |level_from_sensor: UnitQuaternion<f64>| {
            let long = level_from_sensor * *self.seat.long;
            long.dot(&self.away).atan2(long.z)
        };
        lean(self.track.at(t_s).0) - lean(self.address)
    }

    /// How far the long axis has come up or gone down in the plane across, as a share of 1: what a wrong
    /// sideways axis lets into the tilt.
    #[must_use]
    pub fn bend_change(&self, t_s: f64) -> f64 {
        let ahead = self.away.cross(&Vector3::z());
        let of = |level_from_sensor: UnitQuaternion<f64>| (level_from_sensor * *self.seat.long).dot(&ahead);
        (of(self.track.at(t_s).0) - of(self.address)).abs()
    }

    /// Rate across the long axis at an instant, rad/s: what a wrong long axis lets into the turning rate.
    #[must_use]
    pub fn rate_across(&self, t_s: f64) -> f64 {
        let rate = self.track.at(t_s).1;
        (rate - *self.seat.long * rate.dot(&self.seat.long)).norm()
    }

    /// The segment's turning rate at an instant, noise smoothed out and the strap's lag given back, rad/s.
    #[must_use]
    pub fn turning(&self, t_s: f64) -> f64 {
        self.local(t_s).rate + STRAP_S2 * self.strap_answers_to(t_s).jerk
    }

    /// The motion a little earlier to which the strap gives way at an instant.
    #[must_use]
    pub fn strap_answers_to(&self, t_s: f64) -> Local {
        self.local(t_s - STRAP_LATE_S)
    }

    /// The node's turning rate around an instant.
    #[must_use]
    pub fn local(&self, t_s: f64) -> Local {
        let t = &self.track.t_s;
        let from = t.partition_point(|t| *t < t_s - FIT_S);
        let to = t.partition_point(|t| *t <= t_s + FIT_S);
        // At low rates the window is widened to five readings.
        let middle = t.partition_point(|t| *t < t_s);
        let (from, to) = (from.min(middle.saturating_sub(2)), to.max(middle + 3).min(t.len()));
        parabola(&t[from..to], &self.turning[from..to], t_s)
    }

    /// The fastest turning towards the target between two instants: when, and how fast (positive), rad/s.
    #[must_use]
    pub fn fastest_down(&self, from_s: f64, to_s: f64) -> Option<(f64, f64)> {
        let t = &self.track.t_s;
        let range = t.partition_point(|t| *t < from_s)..t.partition_point(|t| *t <= to_s);
        let slowest = range.min_by(|a, b| self.turning[*a].total_cmp(&self.turning[*b]))?;
        let at_s = t[slowest];
        Some((at_s, -self.turning(at_s)))
    }

    /// The last instant before `before_s`, and after `from_s`, at which the turning rate falls through `level`
    /// (rad/s, away from the target positive), noise smoothed out.
    #[must_use]
    pub fn last_fall_through(&self, level: f64, from_s: f64, before_s: f64) -> Option<f64> {
        let t = &self.track.t_s;
        let (first, last) = (t.partition_point(|t| *t < from_s), t.partition_point(|t| *t <= before_s));
        let mut after: Option<(f64, f64)> = None;
        for i in (first..last).rev() {
            let here = (t[i], self.turning(t[i]) - level);
            if let Some((after_s, below)) = after.filter(|(_, below)| *below < 0.0 && here.1 >= 0.0) {
                return Some(here.0 + (after_s - here.0) * here.1 / (here.1 - below));
            }
            after = Some(here);
        }
        None
    }
}

/// Least squares through values around `at_s`; a straight line or a mean where there are too few.
fn parabola(t_s: &[f64], values: &[f64], at_s: f64) -> Local {
    let count = t_s.len();
    let points = || t_s.iter().zip(values).map(|(t_s, value)| (t_s - at_s, Vector1::new(*value)));
    let Some(fit) = polynomial::derivatives::<3, 1>(points(), FIT_S) else { return Local::default() };
    let [rate, accel, jerk] = [fit[0], fit[1], fit[2]];
    let left =
        |(since_s, value): (f64, Vector1<f64>)| value.x - rate - since_s * (accel + 0.5 * jerk * since_s);
    let squares: f64 = points().map(|point| left(point).powi(2)).sum();
    let free = count.saturating_sub(3).max(1) as f64;
    Local { rate, accel, jerk, scatter: (squares / free).sqrt(), count }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A node that is tilted forwards by `bend` at rest, then turns about the long axis with the rate
    /// `peak·sin`, starting back at 1.5 s; its long axis is along the sensor's `long`.
    fn turning(long: Unit<Vector3<f64>>, bend: f64, rate_hz: f64, peak: f64) -> Vec<Reading> {
        let across = long.cross(&Vector3::new(0.3, 0.7, -0.2)).normalize();
        let up_at_address = UnitQuaternion::from_scaled_axis(across * bend) * *long;
        let mut turned = 0.0;
        (0..(3.0 * rate_hz) as i32)
            .map(|i| {
                let t_s = f64::from(i) / rate_hz;
                let rate = if t_s < 0.5 { 0.0 } else { peak * (std::f64::consts::PI * (t_s - 0.5)).sin() };
                turned += rate / rate_hz;
                let force_g = UnitQuaternion::from_scaled_axis(*long * -turned) * up_at_address;
                Reading { t_s, rate: *long * rate, force_g, clipped: false }
            })
            .collect()
    }

    fn seat(long: Unit<Vector3<f64>>) -> Seat {
        Seat { long, forwards: Vector3::x(), long_sd: 0.03 }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]
        #[test]
        fn turn_and_turning_point_are_found_however_the_node_is_strapped_on(
            axis in prop::array::uniform3(-1.0..1.0_f64), bend in 0.2..0.7_f64, rate_hz in 200.0..1000.0_f64,
            peak in 0.5..4.0_f64, sign in prop::sample::select(vec![-1.0, 1.0]),
        ) {
            let axis = Vector3::from(axis);
            prop_assume!(axis.norm() > 0.2);
            let long = Unit::new_normalize(axis);
            prop_assume!(long.cross(&Vector3::new(0.3, 0.7, -0.2)).norm() > 0.1);
            let readings = turning(long, bend, rate_hz, sign * peak);
            let track = SegmentTrack::new(&readings, &NodeErrors::default(), seat(long), sign, (0.0, 0.45)).unwrap();
            let (fastest_s, fastest) = track.fastest_down(0.8, 2.9).unwrap();
            prop_assert!((fastest_s - 2.0).abs() < 0.02 && (fastest / peak - 1.0).abs() < 0.01);
            let back_s = track.last_fall_through(0.0, 0.5, fastest_s).unwrap();
            prop_assert!((back_s - 1.5).abs() < 1e-3, "{back_s}");
            let whole = peak * 2.0 / std::f64::consts::PI;
            let turn = track.turn(1.5);
            if whole < 3.0 { prop_assert!((turn / whole - 1.0).abs() < 0.02, "{turn} {whole}"); }
            // A turn about the long axis itself is no lean and moves that axis nowhere.
            prop_assert!(track.tilt(1.5).abs() < 1e-3 && track.swung(1.5) < 1e-3);
            prop_assert!(track.rate_across(1.2) < 1e-9);
            prop_assert!(track.forwards_from_bend());
        }
    }

    /// Bent forwards about the player's right (−y of this level frame), then leant about forwards (x).
    #[test]
    fn a_lean_away_from_the_target_is_positive_for_both_players() {
        let lean = 0.3;
        for (sign, about_forwards) in [(-1.0, 1.0), (1.0, -1.0)] {
            // Sensor axes as the segment's: x forwards, y up, z right; right of the player is −y.
            let bent = UnitQuaternion::from_matrix(&nalgebra::Matrix3::new(
                1.0, 0.0, 0.0, 0.0, 0.0, -1.0, 0.0, 1.0, 0.0,
            )) * UnitQuaternion::from_scaled_axis(Vector3::z() * -0.5);
            let readings: Vec<Reading> = (0..1000)
                .map(|i| {
                    let t_s = f64::from(i) * 0.002;
                    let speed = if (0.5..1.5).contains(&t_s) { lean * about_forwards } else { 0.0 };
                    let leant = UnitQuaternion::from_scaled_axis(
                        Vector3::x() * (t_s - 0.5).clamp(0.0, 1.0) * lean * about_forwards,
                    );
                    let level_from_sensor = leant * bent;
                    let rate = level_from_sensor.inverse() * (Vector3::x() * speed);
                    Reading { t_s, rate, force_g: level_from_sensor.inverse() * Vector3::z(), clipped: false }
                })
                .collect();
            let long = Unit::new_normalize(Vector3::y());
            let track =
                SegmentTrack::new(&readings, &NodeErrors::default(), seat(long), sign, (0.0, 0.45)).unwrap();
            assert!((track.tilt(1.8) - lean).abs() < 0.01, "{}", track.tilt(1.8));
        }
    }

    /// A segment goes back, and down before it is done, as players do; from above the node on it gives way like a
    /// spring of `frequency_hz` with so much of critical damping. Readings of the node, and when the segment turns.
    fn strapped(frequency_hz: f64, damping: f64) -> (Vec<Reading>, f64) {
        const STEP_S: f64 = 1e-4;
        let bump = |t_s: f64, from_s: f64, lasts_s: f64, turn: f64| {
            let u = ((t_s - from_s) / lasts_s).clamp(0.0, 1.0);
            turn / lasts_s * (1.0 - (std::f64::consts::TAU * u).cos())
        };
        let rate = |t_s: f64| bump(t_s, 0.5, 0.9, 0.8) - bump(t_s, 1.2, 0.55, 2.2);
        let natural = std::f64::consts::TAU * frequency_hz;
        let (mut give, mut give_rate, mut turned) = (0.0, 0.0, 0.0);
        let (mut readings, mut turns_s) = (Vec::new(), f64::NAN);
        for i in 0..20_000_u32 {
            let t_s = f64::from(i) * STEP_S;
            let accel = (rate(t_s + STEP_S) - rate(t_s)) / STEP_S;
            give_rate -= STEP_S * (accel + 2.0 * damping * natural * give_rate + natural * natural * give);
            give += STEP_S * give_rate;
            turned += STEP_S * (rate(t_s) + give_rate);
            if rate(t_s) > 0.0 && rate(t_s + STEP_S) <= 0.0 {
                turns_s = t_s;
            }
            if i % 20 == 0 {
                let force_g =
                    UnitQuaternion::from_scaled_axis(Vector3::y() * -turned) * Vector3::new(0.3, 0.95, 0.0);
                let rate = Vector3::y() * (rate(t_s) + give_rate);
                readings.push(Reading { t_s, rate, force_g, clipped: false });
            }
        }
        (readings, turns_s)
    }

    #[test]
    fn what_a_strap_gives_way_to_is_given_back() {
        let found = |frequency_hz: f64, damping: f64| {
            let (readings, turns_s) = strapped(frequency_hz, damping);
            let long = Unit::new_normalize(Vector3::y());
            let track =
                SegmentTrack::new(&readings, &NodeErrors::default(), seat(long), 1.0, (0.0, 0.45)).unwrap();
            let off_s = track.last_fall_through(0.0, 0.6, 1.5).unwrap() - turns_s;
            let bar_s =
                STRAP_SD_S2 * track.strap_answers_to(turns_s).jerk.abs() / track.local(turns_s).accel.abs();
            (off_s, bar_s, track.local(turns_s).rate / track.local(turns_s).accel)
        };
        // The usual strap: nearly all of its lag.
        let (off_s, _, by_itself_s) = found(13.8, 0.45);
        assert!(by_itself_s.abs() > 0.002 && off_s.abs() < 0.3 * by_itself_s.abs(), "{off_s} {by_itself_s}");
        for (frequency_hz, damping) in
            [(9.0, 0.3), (9.0, 0.6), (12.0, 0.3), (16.0, 0.6), (25.0, 0.45), (60.0, 0.45)]
        {
            let (off_s, bar_s, _) = found(frequency_hz, damping);
            assert!(off_s.abs() < 2.5 * bar_s, "{frequency_hz} Hz, {damping}: {off_s} of {bar_s}");
        }
    }

    #[test]
    fn noise_makes_no_turning_point_and_few_readings_no_panic() {
        let long = Unit::new_normalize(Vector3::y());
        let mut readings = turning(long, 0.4, 500.0, 2.0);
        for (i, reading) in readings.iter_mut().enumerate() {
            // Up to 0.35 °/s: a poor gyro.
            reading.rate += *long * (0.001 * ((i * 7919) % 13) as f64 - 0.006);
        }
        let track =
            SegmentTrack::new(&readings, &NodeErrors::default(), seat(long), 1.0, (0.0, 0.45)).unwrap();
        let back_s = track.last_fall_through(0.0, 0.5, 2.0).unwrap();
        assert!((back_s - 1.5).abs() < 0.002, "{back_s}");
        assert_eq!(track.last_fall_through(0.0, 2.1, 2.0), None);
        assert_eq!(parabola(&[], &[], 0.0).count, 0);
        assert_eq!(parabola(&[0.0], &[3.0], 0.0).rate, 3.0);
    }
}
