//! Turns from one still pose to the next: the gyro must turn gravity from where the accelerometer saw it first to
//! where it sees it then. Still is what the accelerometer takes for still, since the gyro is what is doubted.

use super::{Doubt, Sure};
use crate::fusion::series::middle;
use nalgebra::{Matrix3, UnitQuaternion, Vector3};

/// Length of a slice that may be a pose, s.
const SLICE_S: f64 = 0.3;
/// How far its readings may scatter, and two slices in a row differ, as a share of what they read.
const SPREAD: f64 = 0.12;
const STEP: f64 = 0.015;
/// A turn takes no longer than this, s, and turns kept are no more than this.
const LONGEST_S: f64 = 8.0;
const KEPT: usize = 24;
/// Poses kept.
const POSES: usize = 2000;
/// Rates are kept as means over so long, s.
const BLOCK_S: f64 = 0.004;
/// A gap longer than this ends a turn: what came in it is not known, s.
const GAP_S: f64 = 0.03;
/// Gravity has to turn so far by one of the two sensors for a turn to tell something, rad …
const LEAST_TURN: f64 = 0.7;
/// … and so many turns have to tell it.
pub(super) const LEAST_TURNS: usize = 5;
/// Up to this error of them all, rad, nothing is doubted: poses sway, gyros are off by a hundredth or two.
const GOOD: f64 = 0.06;
/// A single turn is off by no more than this, rad: a pose may have been none.
const MOST: f64 = 0.3;
/// For the same reason one turn in so many may be left unexplained, the same one where errors are compared: a pose that
/// was none is far off by every reading of the gyro, and would hide that one of them explains all other turns.
const ONE_IN: usize = 6;
/// Another reading of the gyro has to be so many times as near …
const BETTER: f64 = 3.0;
/// … and of ways for its axes to lie, the next best so many times as far off where there are only as many turns as have to
/// tell it, or they do not tell the two apart. The more turns there are, the nearer it may be: with errors like noise the
/// odds go by the ratio to the power of the turns' number.
const APART: f64 = 2.0;
/// Scales tried, to each side of 1: the factor between two, and how many.
const SCALE_STEP: f64 = 1.02;
const SCALES: i32 = 48;
/// Scales this near 1 are no mistake.
const SCALE_GOOD: f64 = 0.05;

/// How the gyro's axes lie to the accelerometer's: for each of the accelerometer's, which of the gyro's, and its sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Axes(pub [(usize, i8); 3]);

impl Axes {
    const SAME: Axes = Axes([(0, 1), (1, 1), (2, 1)]);

    /// All 48 ways.
    fn all() -> impl Iterator<Item = Axes> {
        const ORDERS: [[usize; 3]; 6] = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
        let sign = |bits: u8, axis: u8| if (bits >> axis) & 1 == 0 { 1 } else { -1 };
        ORDERS.iter().flat_map(move |[x, y, z]| {
            (0..8).map(move |bits| Axes([(*x, sign(bits, 0)), (*y, sign(bits, 1)), (*z, sign(bits, 2))]))
        })
    }

    fn matrix(self) -> Matrix3<f64> {
        let mut matrix = Matrix3::zeros();
        for (row, (column, sign)) in self.0.into_iter().enumerate() {
            matrix[(row, column)] = f64::from(sign);
        }
        matrix
    }

    /// What may be the cause, in words.
    pub(super) fn words(self) -> String {
        let name = |axis: usize| ["x", "y", "z"].get(axis).copied().unwrap_or("?");
        let Axes(rows) = self;
        let in_order = rows.iter().enumerate().all(|(row, (column, _))| row == *column);
        let turned: Vec<_> = rows.iter().filter(|(_, sign)| *sign < 0).map(|(axis, _)| name(*axis)).collect();
        match (in_order, turned.len()) {
            (true, 3) => {
                "every turn goes the other way round; the gyro's signs are wrong, or the axes of both are \
                          left-handed (one of them mirrored, or two swapped)"
                    .to_owned()
            }
            (true, _) => format!("the sign of one of them is wrong about {}", turned.join(" and ")),
            (false, _) => {
                let said = |(axis, sign): &(usize, i8)| {
                    format!("{}{}", if *sign < 0 { "−" } else { "" }, name(*axis))
                };
                let all: Vec<_> = rows.iter().map(said).collect();
                format!("along the accelerometer's x, y, z lie the gyro's {}", all.join(", "))
            }
        }
    }
}

/// Means over a stretch.
#[derive(Clone, Copy, Debug, Default)]
struct Slice {
    lasted_s: f64,
    count: f64,
    rate: Vector3<f64>,
    force: Vector3<f64>,
    force_squared: f64,
}

/// Mean rate and length of a block, °/s as read, and s.
type Step = (Vector3<f64>, f64);

impl Slice {
    fn add(&mut self, more: &Slice) {
        self.lasted_s += more.lasted_s;
        self.count += more.count;
        self.rate += more.rate;
        self.force += more.force;
        self.force_squared += more.force_squared;
    }

    fn mean_force(&self) -> Vector3<f64> {
        self.force / self.count
    }

    fn is_calm(&self) -> bool {
        let mean = self.mean_force().norm();
        let variance = self.force_squared / self.count - mean * mean;
        mean > 0.0 && variance.max(0.0).sqrt() < SPREAD * mean
    }
}

/// A pose and the way to the next one.
#[derive(Clone, Debug)]
struct Turn {
    from: Vector3<f64>,
    /// The blocks on the way.
    steps: Vec<Step>,
    lasted_s: f64,
    to: Vector3<f64>,
}

impl Turn {
    /// How far gravity lies from where the gyro turns it, rad, where the gyro's readings mean this.
    fn error(&self, meaning: &Matrix3<f64>, offset: &Vector3<f64>) -> f64 {
        let turn = self.steps.iter().fold(UnitQuaternion::identity(), |turn, (rate, lasted_s)| {
            let by = meaning * (rate - offset).map(f64::to_radians) * *lasted_s;
            turn * UnitQuaternion::from_scaled_axis(by)
        });
        (turn * self.to).angle(&self.from)
    }

    fn tells(&self, offset: &Vector3<f64>) -> bool {
        let turned: f64 = self.steps.iter().map(|(rate, lasted_s)| (rate - offset).norm() * lasted_s).sum();
        self.from.angle(&self.to) > LEAST_TURN || turned.to_radians() > LEAST_TURN
    }
}

/// What was gathered of one node.
#[derive(Clone, Debug, Default)]
pub(super) struct Turns {
    slice: Slice,
    /// The blocks of the slice.
    steps: Vec<Step>,
    block: Slice,
    before: Option<Vector3<f64>>,
    way: Option<Turn>,
    turns: Vec<Turn>,
    /// Mean rate and force at each pose.
    poses: Vec<(Vector3<f64>, Vector3<f64>)>,
}

impl Turns {
    /// Takes a reading, °/s and g, `dt_s` after the one before; none where something lies between them.
    pub(super) fn push(&mut self, dt_s: Option<f64>, rate: Vector3<f64>, force: Vector3<f64>) {
        let Some(dt_s) = dt_s.filter(|dt_s| (0.0..GAP_S).contains(dt_s)) else {
            (self.slice, self.steps, self.block, self.before, self.way) = Default::default();
            return;
        };
        let force_squared = force.norm_squared();
        self.block.add(&Slice { lasted_s: dt_s, count: 1.0, rate, force, force_squared });
        if self.block.lasted_s >= BLOCK_S {
            self.follow();
            if self.slice.lasted_s >= SLICE_S {
                self.close();
            }
        }
    }

    /// A block more in the slice.
    fn follow(&mut self) {
        let block = std::mem::take(&mut self.block);
        self.slice.add(&block);
        self.steps.push((block.rate / block.count, block.lasted_s));
    }

    /// So many of the slice's blocks, from its first one on, are on the way.
    fn go_on(&mut self, blocks: usize) {
        let steps = self.steps.drain(..blocks);
        let Some(way) = &mut self.way else { return };
        for step in steps {
            way.lasted_s += step.1;
            way.steps.push(step);
        }
        self.way.take_if(|way| way.lasted_s > LONGEST_S);
    }

    /// A slice is full: where it is a pose, the way ends in its middle, and a new one begins there. It is where the mean
    /// force was read, also where the next turn began before the slice was over.
    fn close(&mut self) {
        let slice = std::mem::take(&mut self.slice);
        let force = slice.mean_force();
        let before = self.before.replace(force);
        let still =
            slice.is_calm() && before.is_some_and(|before| (force - before).norm() < STEP * force.norm());
        if !still {
            self.go_on(self.steps.len());
            return;
        }
        self.go_on(self.steps.len() / 2);
        if self.poses.len() < POSES {
            self.poses.push((slice.rate / slice.count, force));
        }
        if let Some(way) = self.way.take() {
            let turn = Turn { to: force, ..way };
            // A pose is no turn; what only stood is not kept.
            if turn.tells(&(slice.rate / slice.count)) {
                self.turns.push(turn);
            }
        }
        let begins = || Turn { from: force, steps: Vec::new(), lasted_s: 0.0, to: force };
        self.way = (self.turns.len() < KEPT).then(begins);
        self.go_on(self.steps.len());
    }

    /// How many turns tell something.
    pub(super) fn kept(&self) -> usize {
        self.turns.len()
    }

    /// How many poses were seen.
    pub(super) fn poses(&self) -> usize {
        self.poses.len()
    }

    /// The middle size of the force at rest, g, and that of the middle rate, °/s.
    pub(super) fn at_rest(&self) -> (f64, f64) {
        let force = middle(self.poses.iter().map(|(_, force)| force.norm()));
        (force.unwrap_or(1.0), self.offset().norm())
    }

    /// How far this axis of the sensor points up at rest: the middle sine.
    pub(super) fn up(&self, axis: &Vector3<f64>) -> Option<f64> {
        middle(self.poses.iter().map(|(_, force)| force.normalize().dot(axis)))
    }

    /// The middle rate at rest, axis by axis, °/s.
    fn offset(&self) -> Vector3<f64> {
        Vector3::from_fn(|axis, _| middle(self.poses.iter().map(|(rate, _)| rate[axis])).unwrap_or(0.0))
    }

    /// The error of each turn where the gyro's readings mean this, rad.
    fn errors(&self, meaning: &Matrix3<f64>, offset: &Vector3<f64>) -> Vec<f64> {
        self.turns.iter().map(|turn| turn.error(meaning, offset).min(MOST)).collect()
    }

    /// The meaning of the gyro's readings that fits best, where they do not fit as they are said to be meant. Many are
    /// tried then, which takes a moment.
    pub(super) fn fit(&self) -> Option<Fit> {
        let offset = self.offset();
        if self.turns.len() < LEAST_TURNS {
            return None;
        }
        let as_said = self.errors(&Matrix3::identity(), &offset);
        if mean_of(&as_said, &Vec::from_iter(0..as_said.len())) < GOOD {
            return None;
        }
        let scales = (-SCALES..=SCALES)
            .map(|power| SCALE_STEP.powi(power))
            .chain([1f64.to_degrees(), 1f64.to_radians()]);
        let scales = scales.map(|scale| (Doubt::GyroScale(scale), Matrix3::identity() * scale));
        let axes = Axes::all().filter(|axes| *axes != Axes::SAME);
        let axes = axes.map(|axes| (Doubt::GyroAxes(axes), axes.matrix()));
        let tried = scales.chain(axes).map(|(doubt, meaning)| (doubt, self.errors(&meaning, &offset)));
        let tried: Vec<(Doubt, Vec<f64>)> = tried.collect();
        let rated = tried.iter().map(|(doubt, errors)| {
            let explained = explained(errors);
            (doubt, mean_of(errors, &explained), explained)
        });
        let (doubt, error, explained) = rated.min_by(|(_, a, _), (_, b, _)| a.total_cmp(b))?;
        let rivals = tried.iter().filter(|(other, _)| are_two_ways(doubt, other));
        let next = rivals.map(|(_, errors)| mean_of(errors, &explained)).reduce(f64::min);
        let as_said = mean_of(&as_said, &explained);
        Some(Fit { doubt: *doubt, as_said, error, next, turns: self.turns.len() })
    }
}

/// A meaning of the gyro's readings that fits better than what was said.
#[derive(Clone, Debug)]
pub(super) struct Fit {
    doubt: Doubt,
    /// Errors of what was said, of this one, and of the next best of its kind, where they are to be told apart, rad, over
    /// the turns that this one explains.
    as_said: f64,
    error: f64,
    next: Option<f64>,
    turns: usize,
}

impl Fit {
    /// The doubt, where it fits that much better.
    pub(super) fn doubt(&self, sure: Sure) -> Option<Doubt> {
        let beyond = sure.beyond();
        let bad = self.as_said >= GOOD * beyond;
        let better = self.error * BETTER * beyond < self.as_said;
        let apart = (APART * beyond).powf(LEAST_TURNS as f64 / self.turns as f64);
        let alone = self.next.is_none_or(|next| next >= apart * self.error);
        let is_mistake = !matches!(self.doubt, Doubt::GyroScale(scale) if (scale - 1.0).abs() <= SCALE_GOOD);
        (bad && better && alone && is_mistake).then_some(self.doubt)
    }
}

/// The mean error (root mean square) of these turns. A middle one would not see what only the few turns about one axis
/// show.
fn mean_of(errors: &[f64], turns: &[usize]) -> f64 {
    let squares = turns.iter().map(|turn| errors[*turn].powi(2));
    (squares.sum::<f64>() / turns.len().max(1) as f64).sqrt()
}

/// The turns that are explained where their errors are these: all but the worst of so many.
fn explained(errors: &[f64]) -> Vec<usize> {
    let mut turns = Vec::from_iter(0..errors.len());
    turns.sort_by(|one, other| errors[*one].total_cmp(&errors[*other]));
    turns.truncate(errors.len() - errors.len() / ONE_IN);
    turns
}

/// Two different ways for the axes to lie.
fn are_two_ways(one: &Doubt, other: &Doubt) -> bool {
    matches!((one, other), (Doubt::GyroAxes(one), Doubt::GyroAxes(other)) if one != other)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A turn of a quarter about this axis, of which the gyro tells a share; its last pose is off by so much, rad.
    fn turn(axis: Vector3<f64>, told: f64, pose_off: f64) -> Turn {
        let from = Vector3::new(0.3, 0.5, 0.8).normalize();
        let off = UnitQuaternion::from_scaled_axis(Vector3::x() * pose_off);
        let to =
            off * UnitQuaternion::from_scaled_axis(axis * 90f64.to_radians()).inverse_transform_vector(&from);
        let steps = vec![(axis * 90.0 * told, 0.1); 10];
        Turn { from, steps, lasted_s: 1.0, to }
    }

    fn found(told: f64, poses_off: [f64; 8]) -> Option<Doubt> {
        let axes = [Vector3::x(), Vector3::y(), Vector3::z()].into_iter().cycle();
        let turns = axes.zip(poses_off).map(|(axis, off)| turn(axis, told, off)).collect();
        Turns { turns, ..Turns::default() }.fit()?.doubt(Sure::Clearly)
    }

    #[test]
    fn one_pose_that_was_none_hides_no_mistake_and_makes_none() {
        let mut poses_off = [0.01, 0.0, -0.01, 0.0, 0.01, 0.0, 0.0, 0.01];
        assert_eq!(found(1.0, poses_off), None);
        poses_off[3] = 0.6;
        assert_eq!(found(1.0, poses_off), None);
        let Some(Doubt::GyroScale(scale)) = found(0.86, poses_off) else {
            panic!("{:?}", found(0.86, poses_off))
        };
        assert!((scale * 0.86 - 1.0).abs() < 0.02, "{scale}");
    }

    /// On the bench, 500 readings a second: quarter turns in 0.6 s about ever other axes, 1.2 s of rest between them. The
    /// first one begins `begins_s` after the start.
    fn bench(begins_s: f64) -> Turns {
        let axes = [[1.0, 0.0, 0.0], [0.0, 0.6, 0.8], [0.0, 0.0, 1.0], [0.6, 0.8, 0.0], [0.0, -0.6, 0.8]];
        let (mut turns, mut pose, dt_s) = (Turns::default(), UnitQuaternion::identity(), 0.002);
        for reading in 0..10_000 {
            let t_s = f64::from(reading) * dt_s - begins_s;
            let (at, within_s) = (t_s.div_euclid(1.8), t_s.rem_euclid(1.8));
            let turning = t_s >= 0.0 && within_s < 0.6;
            let share = if turning { 1.0 - (within_s / 0.6 * std::f64::consts::TAU).cos() } else { 0.0 };
            let rate = Vector3::from(axes[at.max(0.0) as usize % axes.len()]) * (90.0 / 0.6 * share);
            pose *= UnitQuaternion::from_scaled_axis(rate.map(f64::to_radians) * dt_s);
            turns.push(Some(dt_s), rate, pose.inverse_transform_vector(&Vector3::z()));
        }
        turns
    }

    #[test]
    fn a_turn_that_begins_while_a_pose_is_read_is_no_mistake() {
        for begins_ms in (0..300).step_by(20) {
            let turns = bench(f64::from(begins_ms) / 1000.0 + 1.2);
            assert!(turns.kept() >= LEAST_TURNS, "{begins_ms} ms: {}", turns.kept());
            let found = turns.fit().and_then(|fit| fit.doubt(Sure::Enough));
            assert_eq!(found, None, "{begins_ms} ms");
        }
    }
}
