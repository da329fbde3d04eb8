//! The normal equations of the joint estimate: an arrow of the shared unknowns and each window's own.

use super::relative::{NodeAt, Pair};
use super::{
    AXES, CLOCK, Coupling, GloveEvidence, JOINT, JointParams, JointWindow, OWN, SHARED, SharedMatrix,
    SharedVector, State, TISSUE, UNKNOWNS, instants, tangents,
};
use crate::fusion::clock_bends::{BENDS, coefficients_sd_s};
use crate::fusion::errors::{GYRO, NODE};
use crate::fusion::soft_tissue::SoftTissue;
use crate::fusion::track::Track;
use crate::fusion::wrist::WristAxes;
use nalgebra::{Cholesky, Const, DMatrix, Matrix3, Matrix3x2, SVector, Vector3};

/// A step: of the shared unknowns, and of each window's own.
pub(super) type Step = (SharedVector, Vec<Vector3<f64>>);

/// Numbers in a row: its derivatives, and the residual.
const TERMS: usize = UNKNOWNS + 1;

/// So often the spread of the gyros' matrices is bettered before the windows are looked at anew.
const LEARNING_STEPS: usize = 3;

/// One window's part of the normal equations.
struct WindowPart {
    own: Matrix3<f64>,
    coupling: Coupling,
    vector: Vector3<f64>,
}

/// One window, with what does not change while the estimate goes on.
pub(super) struct Looked<'a> {
    forearm: &'a Track,
    /// The instants at which residuals are taken, hand clock, s, and the hand then.
    at: Vec<(f64, NodeAt)>,
}

impl<'a> Looked<'a> {
    pub fn at(window: &'a JointWindow, params: &JointParams) -> Looked<'a> {
        let instants = instants(window, params.spacing, params.spacing_s);
        let at = instants.into_iter().map(|t_s| (t_s, NodeAt::of(&window.hand, t_s))).collect();
        Looked { forearm: &window.forearm, at }
    }
}

/// The normal equations where the estimate stands.
pub(super) struct Normal {
    shared: SharedMatrix,
    vector: SharedVector,
    parts: Vec<WindowPart>,
    /// Root mean square residual, rad.
    pub rms: f64,
    /// Standard deviation of the residuals, from what is new in each; outliers do not move it.
    pub robust_sd: f64,
    /// Number of residuals.
    count: f64,
}

/// What is known before any window was looked at: information, and its vector where the unknowns are zero.
pub(super) struct Prior {
    shared: SharedMatrix,
    vector: SharedVector,
    own: Vector3<f64>,
    gyro_matrix_sd: f64,
}

impl Prior {
    /// The clock may bend over `half_span_s` on either side of its reference.
    pub fn new(
        tissue: &SoftTissue,
        half_span_s: f64,
        evidence: &GloveEvidence,
        params: &JointParams,
    ) -> Prior {
        let JointParams { axes_sd, offset_sd_s, skew_sd, level_sd, .. } = *params;
        let mut sd = SharedVector::zeros();
        sd.fixed_rows_mut::<AXES>(0).fill(axes_sd);
        sd.fixed_rows_mut::<2>(CLOCK).copy_from_slice(&[offset_sd_s, skew_sd]);
        sd.fixed_rows_mut::<BENDS>(CLOCK + 2).copy_from_slice(&coefficients_sd_s(half_span_s));
        sd[TISSUE] = tissue.sd;
        for first in [JOINT, JOINT + NODE] {
            sd.fixed_rows_mut::<NODE>(first).copy_from(&params.node_sd.as_vector());
        }
        let mut shared = SharedMatrix::from_diagonal(&sd.map(|sd| 1.0 / (sd * sd)));
        let mut vector = SharedVector::zeros();
        for (first, evidence) in [(JOINT, &evidence.hand), (JOINT + NODE, &evidence.forearm)] {
            let (information, from_rest) = evidence.of_node();
            let mut block = shared.fixed_view_mut::<NODE, NODE>(first, first);
            block += information;
            vector.fixed_rows_mut::<NODE>(first).copy_from(&from_rest);
        }
        // The heading between two nodes is free; their levels are not.
        let own = Vector3::new(level_sd, level_sd, 10.0).map(|sd| 1.0 / (sd * sd));
        Prior { shared, vector, own, gyro_matrix_sd: params.node_sd.gyro_matrix.max() }
    }

    /// How good these gyros are shows in their own matrices: one step of expectation and maximisation for the
    /// spread of their entries, told where the unknowns lie from where the search started. It begins at what data
    /// sheets give and never rises above it: more would be soft tissue that passes for a bad gyro. Gives by how
    /// much the information on each entry has changed.
    fn learn_gyro_matrix_sd(&mut self, moved: &SharedVector, variances: &SharedVector) -> f64 {
        let square = |i: usize| moved[i].powi(2) + variances[i];
        let sum: f64 = gyro_matrices().map(square).sum::<f64>() + MATRIX_LEAN * self.gyro_matrix_sd.powi(2);
        let sd = (sum / (gyro_matrices().count() as f64 + MATRIX_LEAN)).sqrt().min(self.gyro_matrix_sd);
        let change = 1.0 / (sd * sd) - 1.0 / self.gyro_matrix_sd.powi(2);
        gyro_matrices().for_each(|i| self.shared[(i, i)] += change);
        self.gyro_matrix_sd = sd;
        change
    }
}

/// Where the entries of the gyros' matrices stand among the shared unknowns.
fn gyro_matrices() -> impl Iterator<Item = usize> {
    [JOINT, JOINT + NODE].into_iter().flat_map(|first| first + 3..first + GYRO)
}

/// The diagonal of the inverse, from the factor's own inverse: half the work of the whole.
fn variances(factor: &Cholesky<f64, Const<SHARED>>) -> Option<SharedVector> {
    let root = factor.l_dirty().solve_lower_triangular(&SharedMatrix::identity())?;
    Some(SharedVector::from_fn(|i, _| root.column(i).norm_squared()))
}

/// Rows with less news than this say nothing about the residuals' spread.
const LEAST_NEWS: f64 = 0.02;

/// Where what had to be mended may be off by more, nothing is said of the axes: no linear step reaches so far, rad².
const MENDED_MAX: f64 = 0.0076;

/// Residuals count as no more than so many standard deviations where their spread is judged.
const OUTLYING: f64 = 3.0;

/// The spread of gyro matrices leans on its value so far as if so many entries had been seen.
const MATRIX_LEAN: f64 = 2.0;

/// Beyond so many standard deviations a residual pulls no harder (judgement, from study buckets with seeds under 100). Far
/// fewer than usual: a wrist that gives about its third axis does so in every downswing, so what is no two-axis joint is no
/// rare outlier.
const PULLS_NO_HARDER: f64 = 0.5;

/// At this rate of the hand a residual is twice as unsure as in a wrist that hardly moves, rad/s (judgement, from study
/// buckets with seeds under 100): a wrist gives and tissue swings under load, clocks and gyros are off by more.
const TWICE_AS_UNSURE_AT: f64 = 10.0;

/// Weight that keeps outliers from ruling (Huber 1964).
fn robust(residual: f64, sd: f64) -> f64 {
    (PULLS_NO_HARDER * sd / residual.abs().max(1e-12)).min(1.0)
}

impl Normal {
    /// Priors and residuals.
    pub fn at(
        windows: &[Looked],
        state: &State,
        residual_sd: f64,
        prior: &Prior,
        params: &JointParams,
    ) -> Normal {
        let mut normal = Normal::of_prior(state, prior);
        let by_axes = ByAxes::of(&state.axes);
        let (mut scores, mut scored) = (0.0, 0.0);
        let (mut squares, mut count) = (0.0, 0.0);
        for (k, window) in windows.iter().enumerate() {
            let State { axes, clock, errors, starts, .. } = state;
            let pair = Pair::new(axes, clock, state.tissue, errors, &starts[k]);
            let mut before: Option<Row> = None;
            let mut rows: Vec<f64> = Vec::with_capacity(TERMS * window.at.len());
            for hand in &window.at {
                let row = joint_row(&pair, window.forearm, hand, &by_axes);
                if row.mended > MENDED_MAX {
                    continue;
                }
                squares += row.residual() * row.residual();
                count += 1.0;
                let News { row: news, share, variance } = before
                    .as_ref()
                    .map_or_else(|| row.first(residual_sd), |b| row.news(b, residual_sd, params));
                let sd = variance.sqrt().hypot(residual_sd * params.white_share) * row.unsure();
                if share > LEAST_NEWS {
                    scores += (news.residual() / sd).abs().min(OUTLYING).powi(2);
                    scored += 1.0;
                }
                let weight = robust(news.residual(), sd).sqrt() / sd;
                rows.extend(news.terms.iter().map(|term| term * weight));
                before = Some(row);
            }
            normal.add(k, &DMatrix::from_vec(TERMS, rows.len() / TERMS, rows));
        }
        normal.rms = (squares / f64::max(count, 1.0)).sqrt();
        normal.count = count;
        normal.robust_sd = residual_sd * (scores / f64::max(scored, 1.0)).sqrt();
        normal
    }

    fn of_prior(state: &State, prior: &Prior) -> Normal {
        let part = |moved: &Vector3<f64>| WindowPart {
            own: Matrix3::from_diagonal(&prior.own),
            coupling: Coupling::zeros(),
            vector: -prior.own.component_mul(moved),
        };
        Normal {
            shared: prior.shared,
            vector: prior.vector - prior.shared * state.shared_moved,
            parts: state.window_moved.iter().map(part).collect(),
            rms: 0.0,
            robust_sd: 0.0,
            count: 0.0,
        }
    }

    /// Adds a window's weighted rows, one a column, all in one product of matrices.
    fn add(&mut self, window: usize, rows: &DMatrix<f64>) {
        let sums = rows * rows.transpose();
        self.shared += sums.fixed_view::<SHARED, SHARED>(0, 0);
        self.vector += sums.fixed_view::<SHARED, 1>(0, UNKNOWNS);
        let part = &mut self.parts[window];
        part.own += sums.fixed_view::<OWN, OWN>(SHARED, SHARED);
        part.coupling += sums.fixed_view::<SHARED, OWN>(0, SHARED);
        part.vector += sums.fixed_view::<OWN, 1>(SHARED, UNKNOWNS);
    }

    /// Lets the gyros' matrices show how good the gyros are, without looking at the windows anew; gives the step
    /// that follows from it, `moved` being how far the unknowns lie from where the search started.
    pub fn learn(&mut self, prior: &mut Prior, moved: &SharedVector) -> Option<Step> {
        let eliminated = self.eliminated();
        let (mut matrix, mut vector) = self.reduced(&eliminated);
        for _ in 0..LEARNING_STEPS {
            let factor = matrix.cholesky()?;
            let change = prior.learn_gyro_matrix_sd(&(moved + factor.solve(&vector)), &variances(&factor)?);
            for i in gyro_matrices() {
                for matrix in [&mut matrix, &mut self.shared] {
                    matrix[(i, i)] += change;
                }
                for vector in [&mut vector, &mut self.vector] {
                    vector[i] -= change * moved[i];
                }
            }
        }
        Some(self.step(&eliminated, matrix.cholesky()?.solve(&vector)))
    }

    /// Each window's own inverse, and its coupling times that.
    fn eliminated(&self) -> Vec<(Matrix3<f64>, Coupling)> {
        let of = |part: &WindowPart| {
            let inverse = part.own.try_inverse().unwrap_or_else(Matrix3::zeros);
            (inverse, part.coupling * inverse)
        };
        self.parts.iter().map(of).collect()
    }

    /// What is left for the shared unknowns when each window's own are eliminated (Schur complement).
    fn reduced(&self, eliminated: &[(Matrix3<f64>, Coupling)]) -> (SharedMatrix, SharedVector) {
        let (mut matrix, mut vector) = (self.shared, self.vector);
        for (part, (_, through)) in self.parts.iter().zip(eliminated) {
            for own in 0..OWN {
                let through = through.column(own);
                matrix.ger(-1.0, &through, &part.coupling.column(own), 1.0);
                vector.axpy(-part.vector[own], &through, 1.0);
            }
        }
        (matrix, vector)
    }

    /// The step: of the shared unknowns, and of each window's own.
    pub fn solve(&self) -> Option<Step> {
        let eliminated = self.eliminated();
        let (matrix, vector) = self.reduced(&eliminated);
        Some(self.step(&eliminated, matrix.cholesky()?.solve(&vector)))
    }

    /// The step that goes with this one of the shared unknowns.
    fn step(&self, eliminated: &[(Matrix3<f64>, Coupling)], shared: SharedVector) -> Step {
        let own = |(part, (inverse, _)): (&WindowPart, &(Matrix3<f64>, Coupling))| {
            inverse * (part.vector - part.coupling.tr_mul(&shared))
        };
        (shared, self.parts.iter().zip(eliminated).map(own).collect())
    }

    /// What the unknowns have taken from the residuals: the factor by which their spread has to be widened,
    /// √(n / (n − p)) with p the number of unknowns that the residuals, not the priors, have determined.
    pub fn freedom_lost(
        &self,
        prior: &Prior,
        (shared, windows): &(SharedMatrix, Vec<(Matrix3<f64>, Coupling)>),
    ) -> f64 {
        let determined = SHARED as f64 - shared.component_mul(&prior.shared).sum();
        let own = |(own, _): &(Matrix3<f64>, Coupling)| OWN as f64 - own.diagonal().dot(&prior.own);
        let determined = determined + windows.iter().map(own).sum::<f64>();
        (self.count / (self.count - determined).max(0.1 * self.count)).max(1.0).sqrt()
    }

    /// Covariances: of the shared unknowns, and of each window's own with them. Where the equations cannot be
    /// solved nothing was learnt, and the priors stand.
    pub fn covariances(&self, prior: &Prior) -> (SharedMatrix, Vec<(Matrix3<f64>, Coupling)>) {
        let eliminated = self.eliminated();
        let (matrix, _) = self.reduced(&eliminated);
        let factor = matrix.cholesky().or_else(|| prior.shared.cholesky());
        let shared = factor.map_or_else(SharedMatrix::identity, |factor| factor.inverse());
        let window = |(inverse, through): &(Matrix3<f64>, Coupling)| {
            let with_shared = -(shared * through);
            (inverse - through.transpose() * with_shared, with_shared)
        };
        let windows = eliminated.iter().map(window).collect();
        (shared, windows)
    }
}

/// One residual: the cosine of the angle between the two axes, with its derivatives.
#[derive(Clone)]
struct Row {
    /// Derivatives by the shared unknowns and by the window's own; then what the unknowns have to make up for,
    /// the residual with its sign turned.
    terms: SVector<f64, TERMS>,
    t_s: f64,
    /// Rate of the hand, rad/s.
    rate: f64,
    /// Variance from what had to be mended since the window's still poses, rad².
    mended: f64,
}

/// What a row says that the row before did not.
struct News {
    row: Row,
    /// Its variance, rad².
    variance: f64,
    /// How much of it is the residuals' own, as a share of their variance; nothing where most of it is not.
    share: f64,
}

impl Row {
    fn residual(&self) -> f64 {
        -self.terms[UNKNOWNS]
    }

    /// How many times as unsure as in a wrist that hardly moves.
    fn unsure(&self) -> f64 {
        1.0 + self.rate / TWICE_AS_UNSURE_AT
    }

    /// Nothing was said before.
    fn first(&self, residual_sd: f64) -> News {
        News { row: self.clone(), variance: residual_sd * residual_sd + self.mended, share: 1.0 }
    }

    /// What is wrong with a residual (soft tissue, sensors) follows the motion: it hangs together over a
    /// stretch of the way turned, and over time where nothing turns (a first-order Markov process along the
    /// way). What a bridge over lost readings got wrong stays from there on.
    fn news(&self, before: &Row, residual_sd: f64, params: &JointParams) -> News {
        let dt_s = self.t_s - before.t_s;
        let way = 0.5 * (self.rate + before.rate) * dt_s;
        let in_common = (-way / params.hangs_together - dt_s / params.hangs_together_s).exp();
        let own = residual_sd * residual_sd;
        let (variance, covariance) = (own + before.mended, own * in_common + before.mended);
        let kept = covariance / variance;
        let row = Row { terms: self.terms - before.terms * kept, ..*self };
        let bridged = (self.mended - before.mended).abs();
        let share = if bridged > own { 0.0 } else { 1.0 - in_common * in_common };
        News { row, variance: (own + self.mended - kept * covariance).max(own * 1e-3), share }
    }
}

/// The two axes, and what each turns by its unknowns.
struct ByAxes {
    flexion: Vector3<f64>,
    deviation: Vector3<f64>,
    of_flexion: Matrix3x2<f64>,
    of_deviation: Matrix3x2<f64>,
}

impl ByAxes {
    fn of(axes: &WristAxes) -> ByAxes {
        ByAxes {
            flexion: axes.flexion_in_forearm.into_inner(),
            deviation: axes.deviation_in_hand.into_inner(),
            of_flexion: tangents(&axes.flexion_in_forearm),
            of_deviation: tangents(&axes.deviation_in_hand),
        }
    }
}

fn joint_row(pair: &Pair, forearm: &Track, (t_s, hand): &(f64, NodeAt), by_axes: &ByAxes) -> Row {
    let relative = pair.at(hand, forearm, *t_s);
    let (flexion, deviation) = (relative.forearm * by_axes.flexion, relative.hand * by_axes.deviation);
    // Turning the hand by a small rotation adds its scalar product with this.
    let by_turn = deviation.cross(&flexion);
    let mut terms = SVector::<f64, TERMS>::zeros();
    terms.fixed_rows_mut::<UNKNOWNS>(0).copy_from(&relative.effect_about(&by_turn));
    let in_forearm = relative.forearm.inverse() * deviation;
    let in_hand = relative.hand.inverse() * flexion;
    terms.fixed_rows_mut::<2>(0).copy_from(&by_axes.of_flexion.tr_mul(&in_forearm));
    terms.fixed_rows_mut::<2>(2).copy_from(&by_axes.of_deviation.tr_mul(&in_hand));
    // A wrist that gives a little about its third axis, as living ones do, looks the same as soft tissue by far
    // more than there can be: the residuals do not judge its share.
    terms[TISSUE] = 0.0;
    terms[UNKNOWNS] = -flexion.dot(&deviation);
    Row { terms, t_s: *t_s, rate: hand.rate.norm(), mended: relative.mended }
}
