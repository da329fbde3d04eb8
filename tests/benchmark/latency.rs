//! How long the player waits for a cue, and what the live path costs: `cargo bench --bench latency`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a benchmark fails by panicking")]

mod latency_cost;
mod latency_wire;
use hingeclock::detect::*;
use hingeclock::daemon::analysis_params;
use hingeclock::record::settings::Settings;

fn cpu() -> i64 { let t = std::fs::read_to_string("/proc/thread-self/schedstat").unwrap(); t.split_whitespace().next().unwrap().parse::<i64>().unwrap() / 1000 }
fn main() {
    
    for rate in [500.0, 1000.0] {
        let bucket = latency_wire::bucket(20, rate);
        let mut live = LiveAnalysis::new(&bucket.device, analysis_params(&Settings::default()));
        let mut slow = vec![];
        let mut n = 0;
        let (mut total, mut slow_total, mut deciding) = (0, 0, 0);
        for (i, a) in bucket.arrivals.iter().enumerate() {
            let t0 = cpu();
            let found = live.push(a).is_some();
            let dt = cpu() - t0;
            let call = !live.take_calls().is_empty();
            total += dt;
            if dt > 300 && !found { slow_total += dt; }
            if found { deciding += dt; }
            if dt > 300 || found || call { slow.push((i, dt, found, call)); }
            n += 1;
        }
        println!("{rate}: {n} total {total} us, deciding {deciding}, other slow {slow_total}");
        for s in slow.iter().rev().take(60) { println!("{s:?}"); }
    }
}
