//! One node's sensors: mounting, errors, low-pass filter, clipping and counts.

use super::body::SegmentMotion;
use super::trunk::{self, Segment};
use super::vector::{IDENTITY, Mat3, Vec3, add, apply, apply_transposed, multiply, rotation_about, scale};
use crate::sample::{NodeDescription, NodeRole, nominal_mounting};
use crate::units::GRAVITY_MPS2;
use crate::units::PlayerHand;
use rand::Rng;
use rand::rngs::StdRng;
use rand_distr::StandardNormal;

/// The kind of sensor. Sizes marked `_sd` are standard deviations from which each node draws its own.
/// The defaults are of the order of common MEMS parts (common practice, not one data sheet).
#[derive(Clone, Debug, PartialEq)]
pub struct SensorSettings {
    /// Sampling rate, Hz. 500.
    pub rate_hz: f64,
    /// Inner samples per sample, where there is a filter. 4.
    pub oversampling: u32,
    /// Corner of the second-order Butterworth low-pass, Hz; none without. 200.
    pub bandwidth_hz: Option<f64>,
    /// Angular rate at which it clips, °/s. 4000.
    pub gyro_full_scale_dps: f64,
    /// Specific force at which it clips, g. 32.
    pub acc_full_scale_g: f64,
    /// Noise of a gyro sample, °/s. 0.08.
    pub gyro_noise_dps: f64,
    /// Noise of an accelerometer sample, g. 0.002.
    pub acc_noise_g: f64,
    /// Gyro bias per axis, °/s. 0.4.
    pub gyro_bias_sd_dps: f64,
    /// Slow drift of the gyro bias, °/s in amplitude. 0.03.
    pub gyro_drift_dps: f64,
    /// How far the gyro bias moves while the node warms up, per axis, °/s. 0.
    pub warm_up_sd_dps: f64,
    /// Time constant of the warming, s. 240.
    pub warm_up_s: f64,
    /// Accelerometer bias per axis, g. 0.004.
    pub acc_bias_sd_g: f64,
    /// Scale error of the gyro per axis, a fraction. 0.002.
    pub scale_sd: f64,
    /// Cross-axis error of the gyro per pair, a fraction. 0.003.
    pub cross_axis_sd: f64,
    /// Scale error of the accelerometer per axis, a fraction. 0.002.
    pub acc_scale_sd: f64,
    /// Cross-axis error of the accelerometer per pair, a fraction. 0.003.
    pub acc_cross_axis_sd: f64,
    /// Largest deviation of the real corner of the low-pass from the stated one, a fraction. 0.
    pub bandwidth_error: f64,
    /// Gyro reading per specific force, (°/s)/g. 0.01.
    pub g_sensitivity_sd_dps: f64,
    /// Largest turn of the mounting off nominal, about each axis, degrees. 6.
    pub misalignment_deg: f64,
}

impl Default for SensorSettings {
    fn default() -> SensorSettings {
        SensorSettings {
            rate_hz: 500.0,
            oversampling: 4,
            bandwidth_hz: Some(200.0),
            gyro_full_scale_dps: 4000.0,
            acc_full_scale_g: 32.0,
            gyro_noise_dps: 0.08,
            acc_noise_g: 0.002,
            gyro_bias_sd_dps: 0.4,
            gyro_drift_dps: 0.03,
            warm_up_sd_dps: 0.0,
            warm_up_s: 240.0,
            acc_bias_sd_g: 0.004,
            scale_sd: 0.002,
            cross_axis_sd: 0.003,
            acc_scale_sd: 0.002,
            acc_cross_axis_sd: 0.003,
            bandwidth_error: 0.0,
            g_sensitivity_sd_dps: 0.01,
            misalignment_deg: 6.0,
        }
    }
}

impl SensorSettings {
    /// A sensor that reads the truth at `rate_hz`, but for clipping and counts.
    #[must_use]
    pub fn ideal(rate_hz: f64) -> SensorSettings {
        SensorSettings {
            rate_hz,
            bandwidth_hz: None,
            gyro_noise_dps: 0.0,
            acc_noise_g: 0.0,
            gyro_bias_sd_dps: 0.0,
            gyro_drift_dps: 0.0,
            acc_bias_sd_g: 0.0,
            scale_sd: 0.0,
            cross_axis_sd: 0.0,
            acc_scale_sd: 0.0,
            acc_cross_axis_sd: 0.0,
            g_sensitivity_sd_dps: 0.0,
            misalignment_deg: 0.0,
            ..SensorSettings::default()
        }
    }

    /// What the glove says of such a node.
    #[must_use]
    pub fn describe(&self, role: NodeRole) -> NodeDescription {
        NodeDescription {
            role,
            rate_hz: self.rate_hz,
            gyro_full_scale_dps: self.gyro_full_scale_dps,
            acc_full_scale_g: self.acc_full_scale_g,
            bandwidth_hz: self.bandwidth_hz,
            segment_from_sensor_nominal: nominal_mounting(role),
        }
    }
}

/// What is particular to one node: drawn once, then fixed. It is part of the truth.
#[derive(Clone, Debug, PartialEq)]
pub struct SensorTruth {
    /// Its real mounting as the glove was first put on: `v_segment = R v_sensor`.
    pub segment_from_sensor: Mat3,
    /// Where it sits in its segment, from the segment's origin, m.
    pub position_m: Vec3,
    /// Scale and cross-axis errors of the gyro.
    pub gyro_matrix: Mat3,
    /// Gyro bias, °/s.
    pub gyro_bias_dps: Vec3,
    /// By how much the gyro bias has moved once the node is warm, °/s.
    pub warm_up_dps: Vec3,
    /// Real corner of the low-pass over the stated one.
    pub bandwidth_factor: f64,
    /// Gyro reading per specific force, (°/s)/g.
    pub gyro_from_force: Mat3,
    /// Scale and cross-axis errors of the accelerometer.
    pub acc_matrix: Mat3,
    /// Accelerometer bias, g.
    pub acc_bias_g: Vec3,
}

fn normal(rng: &mut StdRng) -> f64 {
    rng.sample(StandardNormal)
}

fn normals(rng: &mut StdRng, sd: f64) -> Vec3 {
    [normal(rng) * sd, normal(rng) * sd, normal(rng) * sd]
}

fn error_matrix(scale_sd: f64, cross_axis_sd: f64, rng: &mut StdRng) -> Mat3 {
    let mut matrix = IDENTITY;
    for (i, row) in matrix.iter_mut().enumerate() {
        for (j, entry) in row.iter_mut().enumerate() {
            *entry += normal(rng) * if i == j { scale_sd } else { cross_axis_sd };
        }
    }
    matrix
}

/// The nominal mounting, turned a little about each axis as a glove is when it is put on.
fn mounting(role: NodeRole, misalignment_deg: f64, rng: &mut StdRng) -> Mat3 {
    (0..3).fold(nominal_mounting(role), |mounting, axis| {
        let angle_deg = misalignment_deg * rng.random_range(-1.0..=1.0);
        multiply(&mounting, &rotation_about(axis, f64::to_radians(angle_deg)))
    })
}

/// The middle of a node's sensor in its segment, m: on the back of the hand 55 mm below the wrist, on the
/// cuff 50 mm above it; on the trunk [`trunk::node_position_m`].
#[must_use]
pub fn node_position_m(role: NodeRole, player_hand: PlayerHand) -> Vec3 {
    let mirror = -player_hand.lead_arm_sign();
    if let Some(segment) = Segment::under(role) {
        return trunk::node_position_m(segment);
    }
    match role {
        NodeRole::Hand => [-0.021, -0.055, 0.004 * mirror],
        _ => [-0.028, -0.210, -0.003 * mirror],
    }
}

impl SensorTruth {
    /// Draws a node's own errors and mounting; `more` is a second source, for what was added later.
    #[must_use]
    pub fn draw(
        settings: &SensorSettings,
        role: NodeRole,
        player_hand: PlayerHand,
        rng: &mut StdRng,
        more: &mut StdRng,
    ) -> SensorTruth {
        SensorTruth {
            segment_from_sensor: mounting(role, settings.misalignment_deg, rng),
            position_m: node_position_m(role, player_hand),
            gyro_matrix: error_matrix(settings.scale_sd, settings.cross_axis_sd, rng),
            gyro_bias_dps: normals(rng, settings.gyro_bias_sd_dps),
            gyro_from_force: [0; 3].map(|_| normals(rng, settings.g_sensitivity_sd_dps)),
            acc_matrix: error_matrix(settings.acc_scale_sd, settings.acc_cross_axis_sd, rng),
            acc_bias_g: normals(rng, settings.acc_bias_sd_g),
            warm_up_dps: normals(more, settings.warm_up_sd_dps),
            bandwidth_factor: 1.0 + settings.bandwidth_error * more.random_range(-1.0..=1.0),
        }
    }

    /// Rate (°/s) and specific force (g) at the sensor, in its own axes, free of errors.
    /// `mounting` is `segment from sensor` in the seat of the moment; `shock_g` comes on top, in the segment's
    /// axes.
    #[must_use]
    pub fn ideal_reading(&self, motion: &SegmentMotion, mounting: &Mat3, shock_g: Vec3) -> (Vec3, Vec3) {
        let rate_dps = motion.rate_rps.map(f64::to_degrees);
        let force_g = scale(motion.specific_force_at(self.position_m), 1.0 / GRAVITY_MPS2);
        let to_sensor = |v| apply_transposed(mounting, v);
        (to_sensor(rate_dps), to_sensor(add(force_g, shock_g)))
    }
}

/// The low-pass filter of one channel: second-order Butterworth by the bilinear transform, prewarped.
#[derive(Clone, Copy, Debug, Default)]
struct Channel {
    s1: f64,
    s2: f64,
}

/// Coefficients of the filter; `b` of the numerator are `b0, 2·b0, b0`.
#[derive(Clone, Copy, Debug)]
struct LowPass {
    b0: f64,
    a1: f64,
    a2: f64,
}

impl LowPass {
    fn new(bandwidth_hz: f64, rate_hz: f64) -> LowPass {
        let k = (std::f64::consts::PI * bandwidth_hz / rate_hz).tan();
        let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
        LowPass {
            b0: k * k * norm,
            a1: 2.0 * (k * k - 1.0) * norm,
            a2: (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm,
        }
    }

    /// The state in which a constant input comes out unchanged.
    fn settled(&self, x: f64) -> Channel {
        let s2 = (self.b0 - self.a2) * x;
        Channel { s1: (2.0 * self.b0 - self.a1) * x + s2, s2 }
    }

    fn step(&self, channel: &mut Channel, x: f64) -> f64 {
        let y = self.b0 * x + channel.s1;
        channel.s1 = 2.0 * self.b0 * x - self.a1 * y + channel.s2;
        channel.s2 = self.b0 * x - self.a2 * y;
        y
    }
}

/// A node's sensors at work: takes ideal readings at the inner rate and gives counts at the outer rate.
#[derive(Clone, Debug)]
pub struct Sensor {
    settings: SensorSettings,
    truth: SensorTruth,
    low_pass: Option<LowPass>,
    channels: Option<[Channel; 6]>,
    filtered: [f64; 6],
    rng: StdRng,
}

impl Sensor {
    /// A sensor with these errors; `rng` is used for its noise.
    #[must_use]
    pub fn new(settings: SensorSettings, truth: SensorTruth, rng: StdRng) -> Sensor {
        let inner_hz = settings.rate_hz * f64::from(settings.oversampling.max(1));
        let low_pass = settings
            .bandwidth_hz
            .map(|bandwidth_hz| LowPass::new(bandwidth_hz * truth.bandwidth_factor, inner_hz));
        Sensor { settings, truth, low_pass, channels: None, filtered: [0.0; 6], rng }
    }

    /// Its own errors and mounting.
    #[must_use]
    pub fn truth(&self) -> &SensorTruth {
        &self.truth
    }

    /// How many inner readings make one sample: 1 without a filter.
    #[must_use]
    pub fn inner_per_sample(&self) -> u32 {
        if self.low_pass.is_some() { self.settings.oversampling.max(1) } else { 1 }
    }

    /// Takes in one ideal reading at the inner rate.
    pub fn feed(&mut self, (rate_dps, force_g): (Vec3, Vec3)) {
        let [gx, gy, gz] = rate_dps;
        let [ax, ay, az] = force_g;
        let input = [gx, gy, gz, ax, ay, az];
        let Some(low_pass) = self.low_pass else {
            self.filtered = input;
            return;
        };
        let channels = self.channels.get_or_insert_with(|| input.map(|x| low_pass.settled(x)));
        for ((out, channel), x) in self.filtered.iter_mut().zip(channels).zip(input) {
            *out = low_pass.step(channel, x);
        }
    }

    /// The sample at this instant: rate (°/s) and specific force (g) as counts times the step of a count.
    pub fn sample(&mut self, true_s: f64) -> (Vec3, Vec3) {
        let [gx, gy, gz, ax, ay, az] = self.filtered;
        let (truth, settings) = (&self.truth, &self.settings);
        let force_g = [ax, ay, az];
        // One slow wave for all axes: a bias that drifts with the temperature of a practice session.
        let drift_dps = settings.gyro_drift_dps * (true_s / 190.0).sin();
        let mut rate = add(apply(&truth.gyro_matrix, [gx, gy, gz]), apply(&truth.gyro_from_force, force_g));
        rate = add(rate, add(truth.gyro_bias_dps, [drift_dps, -drift_dps, 0.5 * drift_dps]));
        let warmed = 1.0 - (-true_s / settings.warm_up_s).exp();
        rate = add(rate, scale(truth.warm_up_dps, warmed));
        let force = add(apply(&truth.acc_matrix, force_g), truth.acc_bias_g);
        let rate = add(rate, normals(&mut self.rng, settings.gyro_noise_dps));
        let force = add(force, normals(&mut self.rng, settings.acc_noise_g));
        (
            rate.map(|v| counted(v, settings.gyro_full_scale_dps)),
            force.map(|v| counted(v, settings.acc_full_scale_g)),
        )
    }
}

/// Clips at full scale and rounds to a 16-bit count, given back in the unit of `value`.
#[must_use]
pub fn counted(value: f64, full_scale: f64) -> f64 {
    let count = (value * 32768.0 / full_scale).round().clamp(-32768.0, 32767.0);
    count * full_scale / 32768.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_clip_at_full_scale_and_fall_on_counts() {
        assert_eq!(counted(5000.0, 4000.0), 4000.0 * 32767.0 / 32768.0);
        assert_eq!(counted(-5000.0, 4000.0), -4000.0);
        assert_eq!(counted(0.07, 4000.0), 4000.0 / 32768.0);
    }

    #[test]
    fn the_filter_keeps_a_constant_and_halves_the_power_at_its_corner() {
        let low_pass = LowPass::new(200.0, 2000.0);
        let mut channel = low_pass.settled(3.0);
        assert!((low_pass.step(&mut channel, 3.0) - 3.0).abs() < 1e-12);
        let mut power = 0.0;
        let mut channel = Channel::default();
        for i in 0..4000 {
            let y =
                low_pass.step(&mut channel, (std::f64::consts::TAU * 200.0 * f64::from(i) / 2000.0).sin());
            power += if i >= 2000 { y * y } else { 0.0 };
        }
        assert!((power / 2000.0 - 0.25).abs() < 1e-3, "mean power {}", power / 2000.0);
    }
}
