//! Single readings that no motion makes: a register that is read while it is written, a bit that slips on the bus.

use super::series::Reading;
use nalgebra::Vector3;

/// A rate farther than this outside what its neighbours span may be one, rad/s (100 °/s: smaller ones turn an arm by
/// less than half a degree) …
const LEAST_RATE: f64 = 1.75;
/// … and a force, g, along one axis alone: a shock, which may be as short, is seen by all three.
const LEAST_FORCE_G: f64 = 4.0;
/// Share of what one axis is off that the others may be.
const OTHER_AXES: f64 = 0.05;
/// It lies so many times as far outside as what the neighbours span. What rings, clips or trembles spans more.
const TIMES_SPAN: f64 = 6.0;
/// Neighbours on either side.
const BESIDE: usize = 2;

/// Whether the middle one of five readings, in order of time, is none.
#[must_use]
pub fn is_glitch(five: [&Reading; 2 * BESIDE + 1]) -> bool {
    // What lies so far outside is as far from each neighbour. Nearly all readings are done with by this.
    let (before, middle) = (five[BESIDE - 1], five[BESIDE]);
    let (rate_step, force_step) = (middle.rate - before.rate, middle.force_g - before.force_g);
    if rate_step.norm_squared() < LEAST_RATE.powi(2) && force_step.norm_squared() < LEAST_FORCE_G.powi(2) {
        return false;
    }
    let rates = off_and_span(&five, |reading| reading.rate);
    let forces = off_and_span(&five, |reading| reading.force_g);
    let stands_out = |(off, span): &(Vector3<f64>, Vector3<f64>), least: f64| {
        off.norm() > least && off.norm() > TIMES_SPAN * span.norm()
    };
    let along_one_axis = |off: &Vector3<f64>| off.norm() < off.amax() * (1.0 + OTHER_AXES * OTHER_AXES);
    stands_out(&rates, LEAST_RATE) || (stands_out(&forces, LEAST_FORCE_G) && along_one_axis(&forces.0))
}

/// How far the middle one lies outside what the others span, and what they span, axis by axis.
fn off_and_span(five: &[&Reading], of: impl Fn(&Reading) -> Vector3<f64>) -> (Vector3<f64>, Vector3<f64>) {
    let middle = of(five[BESIDE]);
    let mut neighbours =
        five.iter().enumerate().filter(|(i, _)| *i != BESIDE).map(|(_, reading)| of(reading));
    let first = neighbours.next().unwrap_or(middle);
    let (least, most) =
        neighbours.fold((first, first), |(least, most), next| (least.inf(&next), most.sup(&next)));
    ((middle - most).sup(&(least - middle)).sup(&Vector3::zeros()), most - least)
}

/// Readings in order of time without those that are none.
#[must_use]
pub fn without_glitches(readings: Vec<Reading>) -> Vec<Reading> {
    let of_five = |five: &[Reading]| is_glitch(std::array::from_fn(|i| &five[i]));
    let is_one: Vec<bool> = readings.windows(2 * BESIDE + 1).map(of_five).collect();
    if !is_one.contains(&true) {
        return readings;
    }
    let one_at = |i: usize| i.checked_sub(BESIDE).and_then(|at| is_one.get(at)).is_some_and(|is_one| *is_one);
    readings.into_iter().enumerate().filter(|(i, _)| !one_at(*i)).map(|(_, reading)| reading).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fast turn with a shock of three readings in it.
    fn swing() -> Vec<Reading> {
        let reading = |i: i32| {
            let t_s = f64::from(i) * 0.002;
            let turn = 20.0 * (6.0 * t_s).sin();
            let shock = if i == 60 { [9.0, -4.0, 2.0] } else { [0.0; 3] };
            Reading {
                t_s,
                rate: Vector3::new(turn, 0.4 * turn, -0.2 * turn),
                force_g: Vector3::new(0.2 * turn, 1.0, 0.0) + Vector3::from(shock),
                clipped: false,
            }
        };
        (0..120).map(reading).collect()
    }

    #[test]
    fn a_swing_and_its_shock_stay() {
        assert_eq!(without_glitches(swing()), swing());
    }

    #[test]
    fn a_single_reading_far_off_goes() {
        let spoilt: [fn(&mut Reading); 4] = [
            |reading| reading.rate.y = 35.0,
            |reading| reading.rate.z = -12.0,
            |reading| reading.rate = Vector3::zeros(),
            |reading| reading.force_g.z = -16.0,
        ];
        for spoil in spoilt {
            let mut readings = swing();
            spoil(&mut readings[40]);
            let mut expected = swing();
            expected.remove(40);
            assert_eq!(without_glitches(readings), expected);
        }
    }

    #[test]
    fn where_the_neighbours_cannot_tell_all_stays() {
        let mut readings = swing();
        for at in [0, 1, 118, 119] {
            readings[at].rate.y = 35.0;
        }
        assert_eq!(without_glitches(readings.clone()), readings);
    }
}
