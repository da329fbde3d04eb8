//! Orientation on real motion: trials of BROAD beside other filters, and bat swings beside the detector.

use super::baseline::readings;
use super::broad::{self, Trial};
use super::support_analysis;
use super::table::Row;
use flate2::read::GzDecoder;
use hingeclock::fusion::errors::NodeErrors;
use hingeclock::fusion::orientation::{
    InertialFilter, InertialParams, OrientationFilter, OrientationMethod, Step, smooth,
};
use hingeclock::fusion::series::{Reading, stillest};
use hingeclock::fusion::strapdown;
use hingeclock::record::input::open_input;
use hingeclock::sample::{Arrival, NodeRole};
use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use std::fs::File;
use std::path::Path;
use std::time::Duration;

type Orientations = Vec<UnitQuaternion<f64>>;
/// Readings of a node and its still start to orientations.
type Method = fn(&[Reading], std::ops::Range<usize>) -> Orientations;

/// Rows of every trial in a folder, then of the bat swings if they are there.
pub fn rows(folder: &Path, short_form: bool) -> Vec<Row> {
    let mut trials = broad::trials(folder);
    if short_form {
        trials.truncate(1);
    }
    let mut rows: Vec<Row> = trials.iter().flat_map(of_trial).collect();
    let bat = folder.join("bat-swings.csv.gz");
    if bat.is_file() {
        rows.extend(of_bat_swings(&bat, &folder.join("bat-swings.truth.csv.gz")));
    }
    rows
}

/// What the full VQF reaches on trials with six axes, degrees, as published values give it (computed with the
/// authors' own program).
const VQF_DEG: [(&str, f64); 7] = [
    ("broad-01", 0.60),
    ("broad-06", 0.80),
    ("broad-07", 1.02),
    ("broad-15", 0.47),
    ("broad-16", 0.54),
    ("broad-21", 1.72),
    ("broad-24", 0.61),
];

fn of_trial(trial: &Trial) -> Vec<Row> {
    let error = |orientations: &Orientations| broad::inclination_rmse_deg(trial, orientations);
    let crate_deg = error(&vqf(trial));
    let authors = VQF_DEG.iter().find(|(name, _)| *name == trial.name).map(|(_, deg)| *deg);
    let vqf_deg = authors.map_or(crate_deg, |deg| deg.min(crate_deg));
    let params = InertialParams::default();
    let two_sided: Orientations =
        smooth(&trial.steps, &params).iter().map(|instant| instant.level_from_sensor).collect();
    let causal = |method: OrientationMethod| error(&broad::run(&mut *method.filter(), trial));
    let row = |method: &str, error_deg: f64, judged: bool| {
        let over = judged && error_deg > vqf_deg;
        let short = over.then(|| format!("inclination {error_deg:.3} > VQF {vqf_deg:.3}"));
        Row::of_orientation(&trial.name, method, &format!("{error_deg:.3}"), short)
    };
    let mut rows = vec![
        row("hingeclock, two-sided", error(&two_sided), true),
        row("hingeclock, causal", causal(OrientationMethod::Own), true),
        row("VQF, causal (crate vqf)", crate_deg, false),
        row("Madgwick, causal (crate ahrs)", causal(OrientationMethod::Madgwick), false),
        row("Mahony, causal (crate ahrs)", causal(OrientationMethod::Mahony), false),
    ];
    rows.extend(authors.map(|deg| row("VQF, causal (its authors')", deg, false)));
    rows
}

/// The full filter of the crate `vqf`, with its defaults. It works on an older nalgebra and in single precision.
fn vqf(trial: &Trial) -> Orientations {
    let dt_s = trial.steps.iter().skip(1).map(|step| step.dt_s).sum::<f64>() / (trial.steps.len() - 1) as f64;
    let step = Duration::from_secs_f64(dt_s);
    let mut filter = vqf::Vqf::new(step, step, vqf::VqfParameters::default());
    let after = |step: &Step| {
        let single = |v: Vector3<f64>| <[f32; 3]>::from(v.map(|x| x as f32));
        filter.update(single(step.rate).into(), single(step.force_g * 9.806_65).into());
        let q = filter.orientation();
        let [w, x, y, z] = [q.w, q.i, q.j, q.k].map(f64::from);
        UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z))
    };
    trial.steps.iter().map(after).collect()
}

/// Truth of the bat swings: level from sensor of hand and forearm, and when, s.
struct BatTruth {
    t_s: Vec<f64>,
    segments: [Orientations; 2],
}

fn bat_truth(path: &Path) -> BatTruth {
    let mut truth = BatTruth { t_s: Vec::new(), segments: [Vec::new(), Vec::new()] };
    // The cameras' world has y up: turned so that z is.
    let level_from_world = UnitQuaternion::from_axis_angle(&Vector3::x_axis(), std::f64::consts::FRAC_PI_2);
    for row in csv::Reader::from_reader(GzDecoder::new(File::open(path).unwrap())).records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().unwrap();
        truth.t_s.push(number(0) * 1e-6);
        for (segment, from) in [(0, 1), (1, 5)] {
            let [w, x, y, z] = [0, 1, 2, 3].map(|i| number(from + i));
            let world_from_sensor = UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z));
            truth.segments[segment].push(level_from_world * world_from_sensor);
        }
    }
    truth
}

fn of_bat_swings(path: &Path, truth: &Path) -> Vec<Row> {
    let truth = bat_truth(truth);
    let mut input = open_input(path).unwrap();
    let arrivals: Vec<Arrival> = input.arrivals.by_ref().map(|arrival| arrival.unwrap()).collect();
    let nodes = [NodeRole::Hand, NodeRole::Forearm].map(|role| readings(&input.device, &arrivals, role));
    // The two nodes share a clock here: the hand's stillest 0.3 s are the start of both.
    let still = stillest(&nodes[0], &Vector3::zeros(), 0.3).unwrap().0;
    let start = (still.start + still.end) / 2;
    let methods: [(&str, Method); 3] = [
        ("hingeclock, strapdown", |readings, still| {
            strapdown::integrate(readings, &NodeErrors::default(), still)
        }),
        ("hingeclock, two-sided", |readings, _| {
            smooth(&steps(readings), &glove_params())
                .iter()
                .map(|instant| instant.level_from_sensor)
                .collect()
        }),
        ("hingeclock, causal", |readings, _| {
            let mut filter = InertialFilter::new(glove_params());
            let after = |step: &Step| {
                filter.step(step);
                filter.level_from_sensor()
            };
            steps(readings).iter().map(after).collect()
        }),
    ];
    let mut rows: Vec<Row> = methods
        .iter()
        .map(|(name, method)| {
            let found = [0, 1].map(|i| method(&nodes[i], still.clone()));
            bat_row(name, &truth, &nodes[0], &found, start)
        })
        .collect();
    let swings = support_analysis::offline_of(&input.device, &arrivals);
    let says = format!("the detector sees {} golf swings in two bat swings", swings.len());
    rows.push(Row::of_orientation("bat-swings", "detector", &says, None));
    rows
}

fn glove_params() -> InertialParams {
    InertialParams { rate_over_step: false, ..InertialParams::default() }
}

fn steps(readings: &[Reading]) -> Vec<Step> {
    let mut last_s = None;
    let step = |reading: &Reading| Step {
        rate: reading.rate,
        force_g: reading.force_g,
        dt_s: reading.t_s - last_s.replace(reading.t_s).unwrap_or(reading.t_s),
    };
    readings.iter().map(step).collect()
}

/// Errors from the still start on, the free heading of each node taken from the truth at the start.
fn bat_row(name: &str, truth: &BatTruth, hand: &[Reading], found: &[Orientations; 2], start: usize) -> Row {
    let at = |i: usize| truth.t_s.partition_point(|t_s| *t_s < hand[i].t_s - 1e-6);
    let aligned = [0, 1].map(|segment| {
        let off = truth.segments[segment][at(start)] * found[segment][start].inverse();
        let yaw = 2.0 * off.k.atan2(off.w);
        let turn = UnitQuaternion::from_axis_angle(&Vector3::z_axis(), yaw);
        found[segment].iter().map(|q| turn * q).collect::<Orientations>()
    });
    let error = |i: usize| {
        let true_at = [0, 1].map(|segment| truth.segments[segment][at(i)]);
        let own = [0, 1].map(|segment| aligned[segment][i].angle_to(&true_at[segment]).to_degrees());
        let relative =
            (aligned[1][i].inverse() * aligned[0][i]).angle_to(&(true_at[1].inverse() * true_at[0]));
        [own[0], own[1], relative.to_degrees()]
    };
    let errors: Vec<[f64; 3]> = (start..hand.len()).map(error).collect();
    let told = [0, 1, 2].map(|which| {
        let squares: f64 = errors.iter().map(|error| error[which].powi(2)).sum();
        let largest = errors.iter().map(|error| error[which]).fold(0.0, f64::max);
        ((squares / errors.len() as f64).sqrt(), largest)
    });
    let text = ["hand", "forearm", "relative"]
        .iter()
        .zip(told)
        .map(|(what, (rms, largest))| format!("{what} rms {rms:.3} max {largest:.3}"))
        .collect::<Vec<_>>()
        .join(", ");
    let most = told.iter().map(|(_, largest)| *largest).fold(0.0, f64::max);
    Row::of_orientation("bat-swings", name, &text, (most > 1.0).then(|| format!("{most:.2}° > 1°")))
}
