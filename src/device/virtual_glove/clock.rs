//! The clock of one node against true time.

use crate::units::DeviceTime;

/// How a node's clock runs. Node time is what the node's own counter shows, less its offset.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NodeClock {
    /// Reading at true time 0, s.
    pub offset_s: f64,
    /// How much too fast it runs, parts per million.
    pub skew_ppm: f64,
    /// Amplitude of its slow wander (temperature), µs.
    pub wander_us: f64,
    /// Period of the wander, s.
    pub wander_period_s: f64,
    /// Standard deviation of the time stamps about the instants of sampling, µs.
    pub jitter_us: f64,
}

impl NodeClock {
    /// A clock that shows true time.
    #[must_use]
    pub fn ideal() -> NodeClock {
        NodeClock { offset_s: 0.0, skew_ppm: 0.0, wander_us: 0.0, wander_period_s: 600.0, jitter_us: 0.0 }
    }

    fn wander_s(&self, node_s: f64) -> f64 {
        self.wander_us * 1e-6 * (std::f64::consts::TAU * node_s / self.wander_period_s).sin()
    }

    /// True time when this much node time has passed, s.
    #[must_use]
    pub fn true_s(&self, node_s: f64) -> f64 {
        (node_s - self.wander_s(node_s)) / (1.0 + self.skew_ppm * 1e-6)
    }

    /// Node time passed at a true instant, s.
    #[must_use]
    pub fn node_s(&self, true_s: f64) -> f64 {
        let straight = true_s * (1.0 + self.skew_ppm * 1e-6);
        // The wander changes by parts per million of its argument's change, so one round is exact enough.
        straight + self.wander_s(straight + self.wander_s(straight))
    }

    /// What the clock shows at a true instant, without jitter.
    #[must_use]
    pub fn stamp(&self, true_s: f64) -> DeviceTime {
        DeviceTime(0).plus_seconds(self.offset_s + self.node_s(true_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn node_time_and_true_time_undo_each_other() {
        let clock = NodeClock {
            offset_s: 12.0,
            skew_ppm: -18.0,
            wander_us: 300.0,
            wander_period_s: 90.0,
            jitter_us: 5.0,
        };
        for true_s in [0.0, 17.3, 3600.0, 28_800.0] {
            let back = clock.true_s(clock.node_s(true_s));
            assert!((back - true_s).abs() < 1e-9, "{true_s} came back as {back}");
        }
        assert_eq!(clock.stamp(0.0), DeviceTime(12_000_000));
    }
}
