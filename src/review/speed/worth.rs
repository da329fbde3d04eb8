//! What changes are worth for a player and a club, over the swings of a bucket, beside the player's own spread.

use super::SwingSpeed;
use super::plane::PlaneSwing;
use super::what_if::{Change, Outcome, Same, changed};
use crate::detect::Swing;
use crate::record::measures::{ClubMeasures, Measures};
use crate::review::Review;
use crate::review::statistics::{Spread, median};
use crate::review::summary::in_order;

/// So many swings of a club are looked at, spread over the bucket.
const SWINGS_MAX: usize = 6;
/// A wrist that has to hold by so much more than this player's did is outside what was seen of it, N·m (judgement).
const HOLD_MORE_NM: f64 = 5.0;
/// Two ways of keeping the effort that differ by more than this, and by more than half of the effect, tell nothing, m/s.
const DISAGREE_MPS: f64 = 0.3;

/// A change of the head's speed by more than this share is none of the small ones that the model is good for (judgement).
const SMALL_SHARE: f64 = 0.1;

/// Swings of one size have head speeds within this factor of each other (judgement): full swings do, chips among them do
/// not, and what lies between the two is no habit.
const ONE_SIZE: f64 = 1.3;
/// Why a swing of another size is left out.
const OTHER_SIZE: &str = "a swing whose head speed is far from that of most swings with this club";

/// Said with every such number.
pub const VALIDITY: &str = "A planar double pendulum with a stiff club, driven by torques fitted to each swing; \
    a change leaves the arm's torque as it was, and the body does not answer to it. Good for small changes of \
    this player's own swing: it ranks what matters, and is no promise of metres per second. What the wrist bears \
    it does not know: nothing here is advice to force it, and pain is a reason to stop.";

/// One value of a change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Worth {
    /// How much is changed, in the change's unit.
    pub by: f64,
    /// Head speed that it gives: the club's own and the change, m/s; missing where the model has no such swing.
    pub head_mps: Option<f64>,
    /// By how much it changes, middle of the swings, m/s.
    pub change_mps: Option<f64>,
    /// Lowest and highest change over the swings and over both ways of keeping the effort, m/s.
    pub range_mps: Option<(f64, f64)>,
    /// Outside what the model can be trusted with for this player.
    pub beyond: bool,
}

/// A change over its values.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// What is changed.
    pub change: Change,
    /// How many of the swings that were looked at have what is changed.
    pub swings: usize,
    /// In order of `by`.
    pub points: Vec<Worth>,
    /// How much this player differs from swing to swing in it, one standard deviation, in the change's unit; none for
    /// what is no habit, and for a single swing.
    pub own_sd: Option<f64>,
    /// What one of these is worth: head speed for the value that much larger, m/s; none where that is no small change, or
    /// none that the model can be trusted with.
    pub per_own_sd_mps: Option<f64>,
}

/// A club of a bucket.
#[derive(Clone, Debug, PartialEq)]
pub struct ClubWorth {
    /// The club's name.
    pub club: String,
    /// Numbers of the swings that were looked at.
    pub swings: Vec<usize>,
    /// Their measured head speed, m/s.
    pub head_mps: Option<Spread>,
    /// How far the fitted pendulum is from the measured wrist, middle, mm, and from the measured head speed, share.
    pub fit: Option<(f64, f64)>,
    /// The changes.
    pub curves: Vec<Curve>,
    /// Why swings were left out, each reason once.
    pub left_out: Vec<&'static str>,
}

struct Looked<'a> {
    place: usize,
    swing: &'a Swing,
    club: ClubMeasures,
    plane: PlaneSwing,
    head_mps: f64,
    released: bool,
}

/// A swing with what the model makes of it as it is, by angle and by time.
struct Unchanged<'a> {
    looked: &'a Looked<'a>,
    usual: [Option<Outcome>; 2],
}

/// Both ways to keep the arm's effort the same.
const BOTH: [Same; 2] = [Same::ByAngle, Same::ByTime];

impl<'a> Unchanged<'a> {
    fn of(looked: &'a Looked<'a>, measures: &Measures) -> Unchanged<'a> {
        // A change of nothing is the same whatever would have changed.
        let usual = BOTH.map(|same| looked.changed(measures, (Change::Effort, 0.0), same));
        Unchanged { looked, usual }
    }
}

impl Looked<'_> {
    /// Whether the swing has what is changed: there is nothing to release later where no release was found.
    fn has(&self, change: Change) -> bool {
        match change {
            Change::Release => self.released,
            Change::Set => self.swing.set.is_some(),
            Change::Length | Change::HeadMass | Change::Effort => true,
        }
    }

    fn changed(&self, measures: &Measures, change: (Change, f64), same: Same) -> Option<Outcome> {
        changed(&self.plane, (&self.swing.motion, &measures.arm, &self.club), change, same)
    }
}

/// Every club of the bucket, in order of first use.
#[must_use]
pub fn worth(review: &Review, measures: &Measures) -> Vec<ClubWorth> {
    let clubs = in_order(review.counted().filter_map(|(_, swing)| swing.club.as_deref()));
    clubs.into_iter().map(|club| club_worth(review, measures, club)).collect()
}

/// The swings of a club that count, each with its place from 0.
pub fn swings_of<'a>(review: &'a Review, club: &'a str) -> impl Iterator<Item = (usize, &'a Swing)> {
    review.counted().filter(move |(_, swing)| swing.club.as_deref() == Some(club))
}

/// One club of the bucket: the swings that count for statistics.
#[must_use]
pub fn club_worth(review: &Review, measures: &Measures, club: &str) -> ClubWorth {
    let (mut looked, mut left_out) = (Vec::new(), Vec::new());
    for (place, swing) in swings_of(review, club) {
        match look(place, swing, measures) {
            Ok(found) => looked.push(found),
            Err(reason) if !left_out.contains(&reason) => left_out.push(reason),
            Err(_) => {}
        }
    }
    if keep_one_size(&mut looked) {
        left_out.push(OTHER_SIZE);
    }
    let spreads = |change: Change| own_sd(change, &looked);
    let own: Vec<Option<f64>> = Change::ALL.iter().map(|(change, _)| spreads(*change)).collect();
    let speeds: Vec<f64> = looked.iter().map(|looked| looked.head_mps).collect();
    let head_mps = Spread::of(&speeds);
    let every = looked.len().div_ceil(SWINGS_MAX).max(1);
    let chosen: Vec<Unchanged> =
        looked.iter().step_by(every).map(|looked| Unchanged::of(looked, measures)).collect();
    let curves = Change::ALL.iter().zip(own).map(|((change, values), own_sd)| {
        let own_mps = head_mps.map(|spread| spread.median);
        let concerned: Vec<&Unchanged> = chosen.iter().filter(|chosen| chosen.looked.has(*change)).collect();
        let points: Vec<Worth> =
            values.iter().map(|by| point(&concerned, own_mps, measures, (*change, *by))).collect();
        let small = |change: &f64| own_mps.is_some_and(|own| change.abs() <= SMALL_SHARE * own);
        let per_own_sd_mps = own_sd.and_then(|sd| Some(sd * slope(&points)?)).filter(small);
        Curve { change: *change, swings: concerned.len(), points, own_sd, per_own_sd_mps }
    });
    let of = |value: fn(&Looked) -> f64| median(&looked.iter().map(value).collect::<Vec<f64>>());
    let fit = of(|l| l.plane.wrist_rms_mm).zip(of(|l| (l.plane.head_mps / l.head_mps - 1.0).abs()));
    ClubWorth {
        club: club.to_owned(),
        swings: chosen.iter().map(|chosen| review.number(chosen.looked.place)).collect(),
        head_mps,
        fit,
        curves: if chosen.is_empty() { Vec::new() } else { curves.collect() },
        left_out,
    }
}

fn look<'a>(place: usize, swing: &'a Swing, measures: &Measures) -> Result<Looked<'a>, &'static str> {
    let SwingSpeed { club, head, plane, release, .. } = SwingSpeed::of(swing, measures)?;
    let released = release.release_before_ball_ms.is_ok();
    Ok(Looked { place, swing, club, plane: plane?, head_mps: head.head_mps?.value, released })
}

/// Keeps the swings of the size that most have. True where there were others.
fn keep_one_size(looked: &mut Vec<Looked<'_>>) -> bool {
    let speeds: Vec<f64> = looked.iter().map(|looked| looked.head_mps).collect();
    let all = looked.len();
    if let Some(slowest) = slowest_of_most(&speeds) {
        looked.retain(|looked| is_of_size(slowest, looked.head_mps));
    }
    looked.len() < all
}

/// The slowest of the largest group of one size; of groups as large as each other the faster one counts.
fn slowest_of_most(speeds: &[f64]) -> Option<f64> {
    let size = |slowest: f64| speeds.iter().filter(|speed| is_of_size(slowest, **speed)).count();
    let larger = |a: &f64, b: &f64| size(*a).cmp(&size(*b)).then(a.total_cmp(b));
    speeds.iter().copied().max_by(larger)
}

fn is_of_size(slowest: f64, speed: f64) -> bool {
    (slowest..=ONE_SIZE * slowest).contains(&speed)
}

/// How much a player differs from swing to swing.
fn own_sd(change: Change, looked: &[Looked]) -> Option<f64> {
    let values: Vec<f64> = looked
        .iter()
        .filter(|looked| looked.has(change))
        .filter_map(|looked| match change {
            Change::Release => Some(looked.plane.release_s() * 1e3),
            Change::Set => looked.swing.set.map(|set| set.set_to_top_ms.value),
            Change::Effort => Some(looked.plane.arm_work_j()),
            Change::Length | Change::HeadMass => None,
        })
        .collect();
    let spread = Spread::of(&values)?;
    let sd = spread.robust_sd?;
    Some(if change == Change::Effort { 100.0 * sd / spread.median } else { sd })
}

/// What a change does to the club's own head speed: by how much the model of each swing that has what is changed
/// changes, as a share of the speed that was measured.
fn point(
    concerned: &[&Unchanged],
    own_mps: Option<f64>,
    measures: &Measures,
    (change, by): (Change, f64),
) -> Worth {
    let mut all = Vec::new();
    let mut middles = Vec::new();
    let (mut beyond, mut missing) = (0, 0);
    for Unchanged { looked, usual } in concerned {
        let gain =
            |outcome: &Outcome, usual: &Outcome| looked.head_mps * (outcome.head_mps / usual.head_mps - 1.0);
        let both = BOTH.map(|same| looked.changed(measures, (change, by), same));
        let ([Some(angle), Some(time)], [Some(usual), Some(usual_by_time)]) = (&both, usual) else {
            missing += 1;
            continue;
        };
        let gains = [gain(angle, usual), gain(time, usual_by_time)];
        let middle = 0.5 * (gains[0] + gains[1]);
        let apart = (gains[0] - gains[1]).abs();
        let disagree = apart > DISAGREE_MPS && apart > 0.5 * middle.abs();
        let holds = angle.hold_nm.max(time.hold_nm) > usual.hold_nm.max(usual_by_time.hold_nm) + HOLD_MORE_NM;
        let large = middle.abs() > SMALL_SHARE * looked.head_mps;
        beyond += usize::from(disagree || holds || large);
        middles.push(middle);
        all.extend(gains);
    }
    let low = all.iter().copied().fold(f64::INFINITY, f64::min);
    let high = all.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let change_mps = median(&middles);
    Worth {
        by,
        head_mps: own_mps.zip(change_mps).map(|(own, change)| own + change),
        change_mps,
        range_mps: (!all.is_empty()).then_some((low, high)),
        beyond: 2 * (beyond + missing) >= concerned.len().max(1),
    }
}

/// Slope around no change, m/s for one of the change's unit; from one side where the other has no swing, or none that can
/// be trusted.
fn slope(points: &[Worth]) -> Option<f64> {
    let middle = points.iter().position(|point| point.by == 0.0)?;
    let known = |i: usize| {
        points.get(i).filter(|point| !point.beyond).and_then(|point| Some((point.by, point.head_mps?)))
    };
    let here = known(middle)?;
    let before = middle.checked_sub(1).and_then(known).unwrap_or(here);
    let after = known(middle + 1).unwrap_or(here);
    (after.0 > before.0).then(|| (after.1 - before.1) / (after.0 - before.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chips_do_not_count_among_full_swings() {
        assert_eq!(slowest_of_most(&[14.6, 5.6, 13.9, 20.2]), Some(13.9));
        assert_eq!(slowest_of_most(&[6.0, 20.0, 6.2, 21.0]), Some(20.0), "of two groups the faster one");
        assert_eq!(slowest_of_most(&[38.0, 42.0, 45.0]), Some(38.0), "a beginner's swings are of one size");
        assert_eq!(slowest_of_most(&[]), None);
        assert!(is_of_size(13.9, 14.6) && !is_of_size(13.9, 20.2) && !is_of_size(13.9, 5.6));
    }

    #[test]
    fn what_cannot_be_trusted_is_worth_nothing() {
        let point = |by: f64, head_mps: f64, beyond| Worth {
            by,
            head_mps: Some(head_mps),
            change_mps: None,
            range_mps: None,
            beyond,
        };
        let trusted = [point(-2.0, 19.0, false), point(0.0, 20.0, false), point(2.0, 22.0, false)];
        assert_eq!(slope(&trusted), Some(0.75));
        let one_side = [point(-2.0, 19.0, false), point(0.0, 20.0, false), point(2.0, 22.0, true)];
        assert_eq!(slope(&one_side), Some(0.5));
        let none = [point(-2.0, 19.0, true), point(0.0, 20.0, false), point(2.0, 22.0, true)];
        assert_eq!(slope(&none), None);
    }
}
