//! Which pose a swing's angles are counted from: where the player stood still before it or, where he never
//! did, where the swing began.

use crate::fusion::track::Track;
use nalgebra::Vector3;

/// Length of the stretch that the address value is taken over, s.
pub(super) const ADDRESS_S: f64 = 0.3;
/// Length of the stretch where nobody stood still, s.
const MOVING_S: f64 = 0.1;
/// It is looked for so long before the takeaway, s.
const JUST_BEFORE_S: f64 = 0.5;
/// A stillness is the address if the arm turned no farther than this until the takeaway, rad: after a forward press,
/// after waggles, and where the wrist is set first it is near to where it was, after a walk to the ball it is not
/// (judgement).
const SAME_POSE: f64 = 14.0 * std::f64::consts::PI / 180.0;

/// Who stopped for a moment so long after that stillness, s, …
const CAME_S: f64 = 0.8;
/// … with the arm turned farther than this from where it was then, rad, has come from elsewhere: a press is quick, and a
/// wrist that is set first leaves the arm where it is (both judgement).
const NEAR_POSE: f64 = 5.0 * std::f64::consts::PI / 180.0;

/// Who has turned the arm farther than this since then, rad, has done something else in between: another swing, say
/// (judgement: waggles and presses turn it half as far).
const WENT: f64 = 30.0 * std::f64::consts::PI / 180.0;
/// That is looked at so often, s.
const LOOK_S: f64 = 0.05;

/// Stretches before a swing, hand clock, s.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Address {
    /// The last stillness.
    pub still_s: (f64, f64),
    /// What the angles count from.
    pub zero_s: (f64, f64),
}

impl Address {
    /// Before a takeaway, as the hand shows it; `arm_turned` tells how far the forearm turned between two instants,
    /// rad.
    pub fn before(hand: &Track, arm_turned: impl Fn(f64, f64) -> f64, takeaway_s: f64) -> Address {
        let stood_s = quiet_before(hand, takeaway_s, ADDRESS_S);
        let still_s = stillness(hand, stood_s, takeaway_s);
        let stopped_s =
            quiet_before(hand, takeaway_s, MOVING_S).filter(|at_s| *at_s > takeaway_s - JUST_BEFORE_S);
        let stopped_s = stopped_s.filter(|at_s| *at_s > still_s.1 + CAME_S);
        let came = stopped_s.is_some_and(|at_s| arm_turned(still_s.1, at_s) > NEAR_POSE);
        let looks =
            (0..((takeaway_s - still_s.1) / LOOK_S) as u32).map(|i| still_s.1 + LOOK_S * f64::from(i));
        let went = looks.map(|at_s| arm_turned(still_s.1, at_s)).fold(0.0, f64::max) > WENT;
        let held = stood_s.is_some() && !came && !went && arm_turned(still_s.1, takeaway_s) < SAME_POSE;
        Address { still_s, zero_s: if held { still_s } else { slowest_before(hand, takeaway_s) } }
    }
}

/// The last stillness before a takeaway, s. Where the hand shows none, it ends with the last quiet instant.
pub(super) fn stillness_before(hand: &Track, takeaway_s: f64) -> (f64, f64) {
    stillness(hand, quiet_before(hand, takeaway_s, ADDRESS_S), takeaway_s)
}

fn stillness(hand: &Track, stood_s: Option<f64>, takeaway_s: f64) -> (f64, f64) {
    let last_quiet_s = || quiet_before(hand, takeaway_s, 0.0).unwrap_or(takeaway_s);
    let quiet_s = stood_s.unwrap_or_else(last_quiet_s);
    (quiet_s - ADDRESS_S, quiet_s)
}

/// The last instant before any deliberate movement, a forward press included: the end of the last stretch before the
/// takeaway that is so long, s, and as quiet throughout as the hand was at its quietest, with some margin.
fn quiet_before(hand: &Track, takeaway_s: f64, for_s: f64) -> Option<f64> {
    let limit = 2.0 * hand.still_rms + 2.5_f64.to_radians();
    let end = hand.t_s.partition_point(|t_s| *t_s < takeaway_s);
    let is_quiet = |i: usize| {
        let around = i.saturating_sub(10)..(i + 11).min(hand.rate.len());
        let mean = hand.rate[around.clone()].iter().sum::<Vector3<f64>>() / around.len() as f64;
        mean.norm() < limit
    };
    let mut stretch_end = None;
    for i in (0..end).rev() {
        if !is_quiet(i) {
            stretch_end = None;
            continue;
        }
        let stretch_end_s = *stretch_end.get_or_insert(hand.t_s[i]);
        if stretch_end_s - hand.t_s[i] >= for_s {
            return Some(stretch_end_s);
        }
    }
    None
}

/// The stretch shortly before the takeaway in which the hand turned least.
fn slowest_before(hand: &Track, takeaway_s: f64) -> (f64, f64) {
    let place = |t_s: f64| hand.t_s.partition_point(|t| *t < t_s);
    let ends = place(takeaway_s - JUST_BEFORE_S + MOVING_S)..place(takeaway_s);
    let turned = |end_s: f64| hand.at(end_s - MOVING_S).0.angle_to(&hand.at(end_s).0);
    let slowest = ends.map(|i| hand.t_s[i]).min_by(|a, b| turned(*a).total_cmp(&turned(*b)));
    let end_s = slowest.unwrap_or(takeaway_s);
    (end_s - MOVING_S, end_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fusion::errors::NodeErrors;
    use crate::fusion::series::Reading;

    /// Still for 2 s, then about x at these rates (duration in s, °/s), then the swing from `takeaway_s` on.
    /// The arm goes along with the hand.
    fn address(moves: &[(f64, f64)]) -> (Address, f64) {
        let takeaway_s = 2.0 + moves.iter().map(|(lasts_s, _)| lasts_s).sum::<f64>();
        let rate_dps = |t_s: f64| {
            let mut until_s = 2.0;
            for (lasts_s, dps) in moves {
                if (until_s..until_s + lasts_s).contains(&t_s) {
                    return *dps;
                }
                until_s += lasts_s;
            }
            if t_s < 2.0 { 0.0 } else { 150.0 }
        };
        let reading = |i: i32| {
            let t_s = f64::from(i) * 0.002;
            let rate = Vector3::new(rate_dps(t_s).to_radians(), 0.0, 0.0);
            Reading { t_s, rate, force_g: Vector3::x(), clipped: false }
        };
        let readings: Vec<Reading> = (0..3000).map(reading).collect();
        let track = Track::from_stillest(&readings, &NodeErrors::default(), 0.0, takeaway_s).unwrap();
        let arm_turned = |from_s, to_s| track.at(from_s).0.angle_to(&track.at(to_s).0);
        (Address::before(&track, arm_turned, takeaway_s), takeaway_s)
    }

    #[test]
    fn the_address_is_the_stillness_before_a_press_or_a_waggle() {
        for moves in [&[][..], &[(0.4, 20.0)], &[(0.5, 40.0), (0.5, -40.0), (0.5, 40.0), (0.5, -40.0)]] {
            let (found, _) = address(moves);
            assert_eq!(found.zero_s, found.still_s, "{moves:?}");
            assert!((found.still_s.1 - 2.0).abs() < 0.03, "{found:?}");
        }
    }

    #[test]
    fn a_stillness_before_another_swing_is_no_address_of_this_one() {
        let (found, takeaway_s) = address(&[(0.5, 100.0), (0.5, -100.0)]);
        assert!(found.zero_s.1 > takeaway_s - 0.5, "{found:?}");
    }

    #[test]
    fn who_comes_to_the_ball_and_stops_for_a_moment_counts_from_there() {
        let (found, takeaway_s) = address(&[(1.2, 9.0), (0.16, 0.0)]);
        assert!(found.zero_s.0 > takeaway_s - 0.17, "{found:?}");
        for press in [[(0.3, 25.0), (0.16, 0.0)], [(1.2, 3.5), (0.16, 0.0)]] {
            let (found, _) = address(&press);
            assert_eq!(found.zero_s, found.still_s, "quick, or hardly elsewhere: {press:?}");
        }
    }

    #[test]
    fn who_swings_out_of_a_walk_to_the_ball_counts_from_where_the_swing_began() {
        let (found, takeaway_s) = address(&[(0.4, 80.0), (0.3, 8.0)]);
        assert!((found.still_s.1 - 2.0).abs() < 0.03, "{found:?}");
        assert!(found.zero_s.1 > takeaway_s - 0.5 && found.zero_s.1 <= takeaway_s, "{found:?}");
        assert!((found.zero_s.1 - found.zero_s.0 - MOVING_S).abs() < 1e-9);
    }
}
