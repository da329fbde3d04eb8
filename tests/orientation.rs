//! The orientation filter against optical truth, against known synthetic motion, and its state saved and taken up.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

#[path = "support/broad.rs"]
mod broad;

use hingeclock::fusion::orientation::{InertialFilter, InertialParams, OrientationFilter, Step, smooth};
use nalgebra::{UnitQuaternion, Vector3};
use proptest::prelude::*;
use rand::{Rng, SeedableRng, rngs::StdRng};

const RATE_HZ: f64 = 500.0;
const GRAVITY: f64 = 9.806_65;

/// Inclination RMSE of the full VQF with six axes, degrees (README of the open data).
const VQF_DEG: [(&str, f64); 4] =
    [("broad-07", 1.02), ("broad-16", 0.54), ("broad-21", 1.72), ("broad-24", 0.61)];

#[test]
fn real_motion_is_followed_at_least_as_well_as_by_the_full_vqf() {
    let Some(folder) = broad::folder() else { return };
    for trial in broad::trials(&folder) {
        let Some((_, vqf)) = VQF_DEG.iter().find(|(name, _)| *name == trial.name) else { continue };
        let both: Vec<_> = smooth(&trial.steps, &InertialParams::default())
            .iter()
            .map(|instant| instant.level_from_sensor)
            .collect();
        let both_deg = broad::inclination_rmse_deg(&trial, &both);
        let mut filter = InertialFilter::new(InertialParams::default());
        let causal_deg = broad::inclination_rmse_deg(&trial, &broad::run(&mut filter, &trial));
        println!("{}: two-sided {both_deg:.3}, causal {causal_deg:.3}, VQF {vqf}", trial.name);
        assert!(both_deg <= *vqf, "{}: {both_deg}", trial.name);
        assert!(causal_deg <= 1.1 * vqf, "{}: {causal_deg}", trial.name);
    }
}

/// Motion with known truth: a hand that sways and turns within reach, with stretches of rest.
struct Motion {
    steps: Vec<Step>,
    truth: Vec<UnitQuaternion<f64>>,
    bias: Vector3<f64>,
}

/// A part of the motion: turn, way, and how fast it goes.
type Wave = (Vector3<f64>, Vector3<f64>, f64);

/// `strength` scales turns (rad) and ways (m); the readings have bias, noise and an accelerometer offset.
fn motion(seed: u64, strength: f64, length_s: f64) -> Motion {
    let mut random = StdRng::seed_from_u64(seed);
    let mut one = |scale: f64| scale * (random.random::<f64>() * 2.0 - 1.0);
    let mut three = |scale: f64| Vector3::new(one(scale), one(scale), one(scale));
    let bias = three(0.6_f64.to_radians());
    let force_bias = three(0.005);
    let waves: Vec<Wave> = (0..4).map(|i| (three(0.5), three(0.1), 0.4 + 0.9 * f64::from(i))).collect();
    let (amount, tilt) = (strength, three(0.7));
    // Eight seconds of motion, four of rest.
    let swell = move |t_s: f64| {
        let phase = t_s.rem_euclid(12.0);
        if phase < 4.0 { 0.0 } else { amount * (std::f64::consts::PI * (phase - 4.0) / 8.0).sin().powi(2) }
    };
    let sum = |t_s: f64, which: fn(&Wave) -> Vector3<f64>| {
        waves.iter().map(|wave| which(wave) * (wave.2 * 3.0 * t_s).sin()).sum::<Vector3<f64>>() * swell(t_s)
    };
    let pose = |t_s: f64| {
        UnitQuaternion::from_scaled_axis(tilt) * UnitQuaternion::from_scaled_axis(sum(t_s, |w| w.0))
    };
    let place = |t_s: f64| sum(t_s, |w| w.1);
    let dt_s = 1.0 / RATE_HZ;
    let count = (length_s * RATE_HZ) as usize;
    let mut noise = StdRng::seed_from_u64(seed + 1);
    let mut jitter = |sd: f64| {
        Vector3::from_fn(|_, _| sd * (0..12).map(|_| noise.random::<f64>()).sum::<f64>() - 6.0 * sd)
    };
    let (mut steps, mut truth) = (Vec::new(), Vec::new());
    for i in 0..count {
        let t_s = i as f64 * dt_s;
        let turned = (pose(t_s - dt_s).inverse() * pose(t_s)).scaled_axis() / dt_s;
        let h = 1e-3;
        let acceleration = (place(t_s + h) - place(t_s) * 2.0 + place(t_s - h)) / (h * h);
        let force_g = pose(t_s).inverse() * (acceleration / GRAVITY + Vector3::z());
        steps.push(Step {
            rate: turned + bias + jitter(0.1_f64.to_radians()),
            force_g: force_g + force_bias + jitter(0.003),
            dt_s,
        });
        truth.push(pose(t_s));
    }
    Motion { steps, truth, bias }
}

fn tilt_deg(a: &UnitQuaternion<f64>, b: &UnitQuaternion<f64>) -> f64 {
    (a.inverse() * Vector3::z()).angle(&(b.inverse() * Vector3::z())).to_degrees()
}

#[test]
fn known_motion_is_followed_and_the_bias_found() {
    for (seed, strength) in [(1, 0.3), (2, 1.0), (3, 2.0), (4, 4.0)] {
        let motion = motion(seed, strength, 60.0);
        let mut filter = InertialFilter::new(InertialParams::default());
        let (mut causal, mut both) = (Vec::new(), Vec::new());
        let smoothed = smooth(&motion.steps, &InertialParams::default());
        for (i, step) in motion.steps.iter().enumerate() {
            filter.step(step);
            causal.push(tilt_deg(&filter.level_from_sensor(), &motion.truth[i]));
            both.push(tilt_deg(&smoothed[i].level_from_sensor, &motion.truth[i]));
        }
        let rms = |all: &[f64]| (all.iter().map(|x| x * x).sum::<f64>() / all.len() as f64).sqrt();
        let bias_off_dps = (filter.bias() - motion.bias).norm().to_degrees();
        println!(
            "strength {strength}: causal {:.3}°, two-sided {:.3}°, bias off by {bias_off_dps:.4} °/s",
            rms(&causal),
            rms(&both)
        );
        // The accelerometer's offset alone is up to 0.005·√3 g, half a degree.
        assert!(rms(&causal) < 0.8, "strength {strength}: {}", rms(&causal));
        assert!(rms(&both) < 0.6, "strength {strength}: {}", rms(&both));
        assert!(bias_off_dps < 0.05, "strength {strength}: {bias_off_dps}");
    }
}

#[test]
fn any_parameter_may_be_half_or_twice_as_large() {
    type Change = (&'static str, fn(&mut InertialParams) -> &mut f64);
    const CHANGES: [Change; 16] = [
        ("gyro_noise", |p| &mut p.gyro_noise),
        ("gyro_scale", |p| &mut p.gyro_scale),
        ("gyro_unsteady", |p| &mut p.gyro_unsteady),
        ("turn_s", |p| &mut p.turn_s),
        ("bias_walk", |p| &mut p.bias_walk),
        ("bias_sd", |p| &mut p.bias_sd),
        ("rest_sd", |p| &mut p.rest_sd),
        ("force_noise_g", |p| &mut p.force_noise_g),
        ("force_bias_sd_g", |p| &mut p.force_bias_sd_g),
        ("force_bias_walk_g", |p| &mut p.force_bias_walk_g),
        ("missed", |p| &mut p.missed),
        ("reach_m", |p| &mut p.reach_m),
        ("speed_m_s", |p| &mut p.speed_m_s),
        ("reach_s", |p| &mut p.reach_s),
        ("stroll_m", |p| &mut p.stroll_m),
        ("block_s", |p| &mut p.block_s),
    ];
    // With `SENSITIVITY=1` the real trials as well: two minutes.
    let wanted = std::env::var_os("SENSITIVITY").and_then(|_| broad::folder());
    let trials = wanted.map_or_else(Vec::new, |folder| broad::trials(&folder));
    let synthetic = motion(5, 2.0, 60.0);
    for (name, parameter) in CHANGES {
        for factor in [0.5, 2.0] {
            let mut params = InertialParams::default();
            *parameter(&mut params) *= factor;
            let errors: Vec<String> = trials
                .iter()
                .map(|trial| {
                    let both: Vec<_> =
                        smooth(&trial.steps, &params).iter().map(|x| x.level_from_sensor).collect();
                    let causal = broad::run(&mut InertialFilter::new(params), trial);
                    format!(
                        "{:.2}/{:.2}",
                        broad::inclination_rmse_deg(trial, &both),
                        broad::inclination_rmse_deg(trial, &causal)
                    )
                })
                .collect();
            let mut filter = InertialFilter::new(params);
            let off = |(step, truth)| {
                filter.step(step);
                tilt_deg(&filter.level_from_sensor(), truth).powi(2)
            };
            let squares: f64 = std::iter::zip(&synthetic.steps, &synthetic.truth).map(off).sum();
            let rms_deg = (squares / synthetic.steps.len() as f64).sqrt();
            println!("{name:18} x{factor}: two-sided/causal {}, synthetic {rms_deg:.3}", errors.join("  "));
            assert!(rms_deg < 1.0, "{name} x{factor}: {rms_deg}");
        }
    }
}

#[test]
fn nonsense_is_passed_over_and_a_gap_levels_anew() {
    let still = |dt_s| Step { rate: Vector3::zeros(), force_g: Vector3::y(), dt_s };
    let mut filter = InertialFilter::new(InertialParams::default());
    filter.step(&Step { rate: Vector3::new(f64::NAN, 0.0, 0.0), ..still(0.01) });
    for _ in 0..500 {
        filter.step(&still(0.002));
        filter.step(&Step { rate: Vector3::new(f64::INFINITY, 0.0, 0.0), ..still(0.002) });
        filter.step(&still(0.0));
        filter.step(&still(-1.0));
    }
    assert!((filter.level_from_sensor() * Vector3::y()).angle(&Vector3::z()).to_degrees() < 0.01);
    filter.step(&Step { force_g: Vector3::x(), ..still(10.0) });
    assert!((filter.level_from_sensor() * Vector3::x()).angle(&Vector3::z()) < 1e-6);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    /// Saved as text at any reading and taken up again, the filter goes on bit for bit.
    #[test]
    fn save_and_resume_equals_uninterrupted(seed in 0_u64..1000, strength in 0.0..3.0_f64, at in 0_usize..3000) {
        let motion = motion(seed, strength, 6.0);
        let mut whole = InertialFilter::new(InertialParams::default());
        let mut resumed = whole.clone();
        for (i, step) in motion.steps.iter().enumerate() {
            if i == at {
                resumed = serde_json::from_str(&serde_json::to_string(&resumed).unwrap()).unwrap();
            }
            whole.step(step);
            resumed.step(step);
        }
        prop_assert_eq!(whole, resumed);
    }
}
