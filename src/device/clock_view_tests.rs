//! Tests of the host's view of a node's clock, against clocks whose truth is known.

use super::*;
use proptest::prelude::*;
use rand::rngs::StdRng;
use rand::{Rng, SeedableRng};

/// A node and its link. Times in s of true time, which the host's clock shows but for its jumps.
struct World {
    rng: StdRng,
    true_s: f64,
    /// What the node's clock shows is (true time − begun) · (1 + skew) + shows.
    begun_s: f64,
    shows_s: f64,
    skew: f64,
    /// What the host's clock shows is true time + this.
    host_s: f64,
    least_latency_s: f64,
    /// Mean of what comes on top.
    spread_s: f64,
    /// A radio hands on what has gathered so often, s; 0 for a cable.
    interval_s: f64,
}

impl World {
    fn new(seed: u64, skew_ppm: f64, interval_s: f64) -> World {
        World {
            rng: StdRng::seed_from_u64(seed),
            true_s: 500.0,
            begun_s: 500.0,
            shows_s: 36.0,
            skew: skew_ppm * 1e-6,
            host_s: 1000.0,
            least_latency_s: 0.004,
            spread_s: 0.002,
            interval_s,
        }
    }

    fn node(&self, true_s: f64) -> DeviceTime {
        DeviceTime(0).plus_seconds(self.shows_s + (true_s - self.begun_s) * (1.0 + self.skew))
    }

    fn host(&self, true_s: f64) -> HostTime {
        HostTime(((true_s + self.host_s) * 1e6).round() as i64)
    }

    /// A frame every 10 ms for so long.
    fn play(&mut self, view: &mut ClockView, seconds: f64) {
        let mut latest_s = f64::MIN;
        for _ in 0..(seconds * 100.0) as usize {
            self.true_s += 0.01;
            let sent_s = if self.interval_s > 0.0 {
                (self.true_s / self.interval_s).ceil() * self.interval_s
            } else {
                self.true_s
            };
            let spread_s = -self.spread_s * (1.0 - self.rng.random::<f64>()).ln();
            latest_s = latest_s.max(sent_s + self.least_latency_s + spread_s);
            view.hear(self.node(self.true_s), self.host(latest_s));
        }
    }

    /// Readings of so long ago come again, as many a second as asked for.
    fn late_burst(&self, view: &mut ClockView, ago_s: f64, count: usize) {
        for index in 0..count {
            let taken_s = self.true_s - ago_s + index as f64 * 0.002;
            view.hear(self.node(taken_s), self.host(self.true_s + index as f64 * 0.0005));
        }
    }

    /// The node is switched off and on.
    fn restart(&mut self) {
        self.true_s += 3.0;
        (self.begun_s, self.shows_s) = (self.true_s, 0.001);
    }

    /// Offset and skew are as they are in truth: within so many standard deviations, and the offset within what
    /// the quickest readings may have taken on top.
    fn check(&self, view: &ClockView) {
        let stand = view.stand().unwrap();
        let skew_error = stand.skew.value - self.skew;
        assert!(skew_error.abs() < 5.0 * stand.skew.sd, "skew off by {:.2} ppm, {stand:?}", skew_error * 1e6);
        let apart_s = (self.host(self.true_s).0 - self.node(self.true_s).0) as f64 * 1e-6;
        let offset_error_s = stand.offset_s.value - apart_s - self.least_latency_s;
        let most_s = 0.002 + 5.0 * stand.offset_s.sd;
        assert!(offset_error_s.abs() < most_s, "offset off by {offset_error_s} s, {stand:?}");
    }
}

fn view() -> ClockView {
    ClockView::new(ClockViewParams::default())
}

#[test]
fn ten_minutes_give_the_skew_to_a_part_per_million() {
    for interval_s in [0.0, 0.0075, 0.03, 0.05] {
        let (mut world, mut view) = (World::new(4, 23.0, interval_s), view());
        world.play(&mut view, 600.0);
        world.check(&view);
        let stand = view.stand().unwrap();
        println!(
            "interval {interval_s} s: skew {:.2} ppm ± {:.2}",
            stand.skew.value * 1e6,
            stand.skew.sd * 1e6
        );
        assert!((stand.skew.value - 23e-6).abs() < 1e-6, "{stand:?}");
        assert!(stand.latency_s > 0.5 * interval_s * 0.5 && stand.latency_s < 0.01 + interval_s, "{stand:?}");
    }
}

#[test]
fn a_slow_beginning_does_not_spoil_the_rest() {
    let (mut world, mut view) = (World::new(5, -15.0, 0.0), view());
    world.least_latency_s = 0.080;
    world.play(&mut view, 20.0);
    world.least_latency_s = 0.004;
    world.play(&mut view, 300.0);
    world.check(&view);
    assert_eq!(view.stand().unwrap().anew, 0, "the clock is the same");
}

#[test]
fn a_crowded_minute_is_told_as_latency() {
    let (mut world, mut view) = (World::new(6, 10.0, 0.0), view());
    world.play(&mut view, 120.0);
    world.spread_s = 0.1;
    world.play(&mut view, 5.0);
    assert!(view.stand().unwrap().latency_s > 0.05, "{:?}", view.stand());
    world.spread_s = 0.002;
    world.play(&mut view, 60.0);
    world.check(&view);
    assert!(view.stand().unwrap().latency_s < 0.01, "{:?}", view.stand());
}

#[test]
fn a_clock_that_wanders_is_followed() {
    let (mut world, mut view) = (World::new(7, 0.0, 0.0), view());
    for step in 0..20 {
        // The offset stays where it is when the skew changes.
        (world.shows_s, world.begun_s) = (world.node(world.true_s).0 as f64 * 1e-6, world.true_s);
        world.skew = f64::from(step) * 0.5e-6;
        world.play(&mut view, 120.0);
    }
    let stand = view.stand().unwrap();
    assert!((stand.skew.value - 8e-6).abs() < 3e-6, "the mean of the last ten minutes: {stand:?}");
}

#[test]
fn extreme_times_do_no_harm() {
    let mut view = view();
    for (t, h) in [(0, 0), (i64::MAX, i64::MIN), (i64::MIN, i64::MAX), (1, 1), (i64::MAX, i64::MAX)] {
        view.hear(DeviceTime(t), HostTime(h));
    }
    assert!(view.stand().is_some());
    assert!(view.quickest.len() <= view.params.stretches);
}

#[derive(Clone, Copy, Debug)]
enum Trouble {
    Restart,
    /// The host sleeps: its clock stands still while the node goes on, s.
    HostSleeps(f64),
    /// The host's clock jumps ahead, s.
    HostJumps(f64),
    /// The node's clock goes over the end of its 32-bit counter, which was unwrapped, or is set ahead, s.
    NodeJumps(f64),
    /// The link is down, s.
    Break(f64),
    /// What was lost comes when asked for again: how old, s, and how many.
    Late(f64, usize),
}

fn trouble() -> impl Strategy<Value = Trouble> {
    prop_oneof![
        Just(Trouble::Restart),
        (0.5..5000.0_f64).prop_map(Trouble::HostSleeps),
        (0.5..5000.0_f64).prop_map(Trouble::HostJumps),
        (0.5..5000.0_f64).prop_map(Trouble::NodeJumps),
        (0.1..300.0_f64).prop_map(Trouble::Break),
        (0.1..30.0_f64, 1usize..3000).prop_map(|(ago_s, count)| Trouble::Late(ago_s, count)),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]
    /// Whatever happens: two minutes later the clock is seen as it is.
    #[test]
    fn the_view_survives(
        seed in any::<u64>(),
        skew_ppm in -100.0..100.0_f64,
        interval_s in prop_oneof![Just(0.0), 0.0075..0.05_f64],
        troubles in prop::collection::vec(trouble(), 0..4),
    ) {
        let (mut world, mut view) = (World::new(seed, skew_ppm, interval_s), view());
        world.play(&mut view, 60.0);
        for trouble in troubles {
            match trouble {
                Trouble::Restart => world.restart(),
                Trouble::HostSleeps(seconds) => {
                    world.true_s += seconds;
                    world.host_s -= seconds;
                }
                Trouble::HostJumps(seconds) => world.host_s += seconds,
                Trouble::NodeJumps(seconds) => world.shows_s += seconds,
                Trouble::Break(seconds) => world.true_s += seconds,
                Trouble::Late(ago_s, count) => world.late_burst(&mut view, ago_s, count),
            }
            world.play(&mut view, 120.0);
            world.check(&view);
        }
    }

    /// Late ones change nothing.
    #[test]
    fn what_comes_late_changes_nothing(ago_s in 0.1..30.0_f64, count in 1usize..2000) {
        let (mut world, mut view) = (World::new(8, 12.0, 0.01), view());
        world.play(&mut view, 60.0);
        let before = view.stand();
        world.late_burst(&mut view, ago_s, count.min((ago_s / 0.002) as usize));
        prop_assert_eq!(view.stand(), before);
    }
}
