//! Readings lost beside the top and the ball, for a moment or for longer than a bridge carries: a number may be missing
//! or have a wide bar, but is never wrong by more than that without a word. Live and offline, with every node.
//!
//! `SEEDS=6 FIRST=100 cargo test --test gaps -- --nocapture` prints what is off by more than four bars or missing.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test fails by panicking")]

mod support {
    pub mod analysis;
    pub mod bars;
    pub mod environment;
    pub mod lost;
}

use hingeclock::detect::Flag;
use hingeclock::device::virtual_glove::{Profile, Scenario, SwingTruth, VirtualBucket};
use hingeclock::sample::NodeRole;
use hingeclock::units::DeviceTime;
use support::analysis::{live, offline};
use support::bars::{found, wrong};
use support::environment::number;
use support::lost::without;

/// Where readings are missing.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Place {
    Top,
    BeforeBall,
    OnBall,
    AfterBall,
}

const PLACES: [Place; 4] = [Place::Top, Place::BeforeBall, Place::OnBall, Place::AfterBall];
const LENGTHS_S: [f64; 5] = [0.02, 0.04, 0.08, 0.15, 0.25];
const NODES: [&[NodeRole]; 3] =
    [&[NodeRole::Hand], &[NodeRole::Forearm], &[NodeRole::Hand, NodeRole::Forearm]];

#[derive(Clone, Copy, Debug)]
struct Gap {
    place: Place,
    lasts_s: f64,
    nodes: &'static [NodeRole],
}

impl Gap {
    /// Every kind in turn.
    fn nth(n: usize) -> Gap {
        let place = PLACES[n % PLACES.len()];
        let nodes = NODES[n / PLACES.len() % NODES.len()];
        Gap { place, lasts_s: LENGTHS_S[n % LENGTHS_S.len()], nodes }
    }

    /// It lies within the swing for sure: when the forearm's readings were taken is known by their arrival only.
    fn is_within(&self) -> bool {
        self.nodes.contains(&NodeRole::Hand) || (self.place != Place::AfterBall && self.lasts_s >= 0.04)
    }

    /// Nothing is left of the downswing, so it may well pass for no swing.
    fn hides_downswing(&self) -> bool {
        self.place == Place::BeforeBall && self.lasts_s >= 0.25
    }

    fn begins(&self, truth: &SwingTruth) -> DeviceTime {
        let ball = truth.impact.unwrap_or(truth.arm_back);
        match self.place {
            Place::Top => truth.top.plus_seconds(-0.5 * self.lasts_s),
            Place::BeforeBall => ball.plus_seconds(-0.004 - self.lasts_s),
            Place::OnBall => ball.plus_seconds(-0.5 * self.lasts_s),
            Place::AfterBall => ball.plus_seconds(0.004),
        }
    }
}

/// The bucket with such gaps, one a swing.
fn with_gaps(bucket: &VirtualBucket, gaps: &[Gap]) -> VirtualBucket {
    without(bucket, |role, hand| {
        bucket.truth.iter().zip(gaps).any(|(truth, gap)| {
            let since_s = hand.seconds_since(gap.begins(truth));
            gap.nodes.contains(&role) && (0.0..gap.lasts_s).contains(&since_s)
        })
    })
}

/// The first swings of study buckets, each with a gap of another kind.
#[test]
fn what_a_gap_spoils_is_told() {
    // Without being asked, a seed that chose how it is done and two that did not.
    let seeds = match number("SEEDS", 0) {
        0 => vec![1, 100, 102],
        seeds => (number("FIRST", 1)..number("FIRST", 1) + seeds).collect(),
    };
    let profiles = [Profile::Clean, Profile::Typical].into_iter().enumerate();
    let (mut swings, mut lost) = (0, 0);
    for (place, profile, seed) in
        profiles.flat_map(|(place, profile)| seeds.iter().map(move |seed| (place as u64, profile, *seed)))
    {
        let bucket = VirtualBucket::play(&Scenario::study(profile, seed), seed);
        let first = (8 * (seed % 100) + 48 * place) as usize;
        let gaps: Vec<Gap> = (first..).take(bucket.truth.len()).map(Gap::nth).collect();
        let torn = with_gaps(&bucket, &gaps);
        let paths = [("offline", offline(&torn), offline(&bucket)), ("live", live(&torn), live(&bucket))];
        for (path, torn, sound) in paths {
            for (truth, gap) in bucket.truth.iter().zip(&gaps) {
                let here = format!("{} {seed} {path} {gap:?}", profile.word());
                let Some(swing) = found(&torn, truth) else {
                    assert!(gap.hides_downswing(), "{here}: not found");
                    println!("{here}: not found");
                    continue;
                };
                let wrong = wrong(swing, found(&sound, truth).unwrap(), truth);
                let is_lost = swing.impact.is_none() && truth.impact.is_some();
                if is_lost || !wrong.is_empty() {
                    println!("{here}: {wrong:?}, impact lost: {is_lost}");
                }
                assert!(
                    wrong.is_empty() && (!gap.is_within() || swing.flags.contains(&Flag::DataGap)),
                    "{here}: {wrong:?}"
                );
                assert!(!is_lost || gap.place != Place::AfterBall, "{here}: the shock was there");
                (swings, lost) = (swings + 1, lost + usize::from(is_lost));
            }
        }
    }
    println!("{swings} swings, of {lost} the shock was lost");
}
