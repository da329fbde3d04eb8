//! Trials of one real sensor beside optical truth (see the README of the open data), and their metric.
#![allow(dead_code, reason = "each test file uses a part of it")]

use flate2::read::GzDecoder;
use hingeclock::fusion::orientation::{OrientationFilter, Step};
use nalgebra::{Quaternion, UnitQuaternion, Vector3};
use std::fs::File;
use std::path::{Path, PathBuf};

/// One trial.
pub struct Trial {
    pub name: String,
    pub steps: Vec<Step>,
    /// World from sensor, where the cameras saw it and the authors count the instant as moving.
    pub truth: Vec<Option<UnitQuaternion<f64>>>,
}

/// The folder with the open data: `BROAD`, or the one beside the project.
pub fn folder() -> Option<PathBuf> {
    if let Some(folder) = std::env::var_os("BROAD") {
        return Some(folder.into());
    }
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data/open");
    if !folder.is_dir() {
        eprintln!("skipped: no open data beside the project");
        return None;
    }
    Some(folder)
}

/// Every `broad-*.csv.gz` of a folder, by name.
pub fn trials(folder: &Path) -> Vec<Trial> {
    let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let is_trial = |path: &PathBuf| {
        let name = path.file_name().unwrap().to_string_lossy();
        name.starts_with("broad-") && name.ends_with(".csv.gz")
    };
    let mut paths: Vec<PathBuf> = entries.filter(is_trial).collect();
    paths.sort();
    paths.iter().map(|path| read(path)).collect()
}

fn read(path: &Path) -> Trial {
    let name = path.file_name().unwrap().to_string_lossy().trim_end_matches(".csv.gz").to_owned();
    let mut trial = Trial { name, steps: Vec::new(), truth: Vec::new() };
    let mut last_us = None;
    for row in csv::Reader::from_reader(GzDecoder::new(File::open(path).unwrap())).records() {
        let row = row.unwrap();
        let number = |i: usize| row[i].parse::<f64>().ok();
        let triple =
            |i: usize| Vector3::new(number(i).unwrap(), number(i + 1).unwrap(), number(i + 2).unwrap());
        let t_us = number(0).unwrap();
        let dt_s = (t_us - last_us.replace(t_us).unwrap_or(t_us)) * 1e-6;
        trial.steps.push(Step { rate: triple(1).map(f64::to_radians), force_g: triple(4), dt_s });
        let quaternion = number(7).zip(number(8)).zip(number(9).zip(number(10)));
        let moving = number(11) == Some(1.0);
        trial.truth.push(
            quaternion
                .filter(|_| moving)
                .map(|((w, x), (y, z))| UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z))),
        );
    }
    trial
}

/// Root mean square angle between estimated and true vertical, degrees.
pub fn inclination_rmse_deg(trial: &Trial, estimate: &[UnitQuaternion<f64>]) -> f64 {
    let up_in_sensor = |q: &UnitQuaternion<f64>| q.inverse() * Vector3::z();
    let squares: Vec<f64> = std::iter::zip(&trial.truth, estimate)
        .filter_map(|(truth, estimate)| {
            let truth = truth.as_ref()?;
            Some(up_in_sensor(truth).angle(&up_in_sensor(estimate)).to_degrees().powi(2))
        })
        .collect();
    assert!(!squares.is_empty(), "{}: nothing to compare", trial.name);
    (squares.iter().sum::<f64>() / squares.len() as f64).sqrt()
}

/// A causal filter over the whole trial.
pub fn run(filter: &mut dyn OrientationFilter, trial: &Trial) -> Vec<UnitQuaternion<f64>> {
    let after = |step| {
        filter.step(step);
        filter.level_from_sensor()
    };
    trial.steps.iter().map(after).collect()
}
