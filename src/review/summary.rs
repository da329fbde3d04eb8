//! The bucket in a few numbers, by club and over all.

use super::Review;
use super::load::Fatigue;
use super::statistics::{SMALL_SAMPLE, Share, Spread, Trend, median, trend};
use crate::detect::{Swing, Verdict};

/// Some swings of a bucket in a few numbers. Times in ms, arm travel as a fraction of that at the top.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// How many swings.
    pub swings: usize,
    /// In how many of them a set was found.
    pub sets: usize,
    /// The set against the top, ms; negative before the top.
    pub set_to_top_ms: Option<Spread>,
    /// What of that spread the measurement may explain: the middle of the single standard deviations, ms.
    pub measurement_sd_ms: Option<f64>,
    /// Arm travel at the set.
    pub arm_travel_at_set: Option<Spread>,
    /// Share of swings in the window, of those whose club has one; a swing without a set missed it.
    pub in_window: Option<Share>,
    /// Backswing over downswing.
    pub tempo: Option<Spread>,
    /// How long the pelvis starts back before the top, ms, where a node on the belt tells it.
    pub pelvis_lead_to_top_ms: Option<Spread>,
    /// And before the set, ms.
    pub pelvis_lead_to_set_ms: Option<Spread>,
    /// The drift of the set against the top, ms per swing with a set. Only within one club: a change of club
    /// would pass for a drift.
    pub set_trend_ms: Option<Trend>,
    /// How release and set went through them. Only within one club.
    pub fatigue: Option<Fatigue>,
}

/// The bucket by club, in the order in which the clubs were first used, and over all.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    /// Each club with its numbers; `None` where the club was not said.
    pub clubs: Vec<(Option<String>, Group)>,
    /// All swings together.
    pub all: Group,
}

impl Summary {
    /// Works the numbers out.
    #[must_use]
    pub fn of(review: &Review) -> Summary {
        let swings: Vec<&Swing> = review.counted().map(|(_, swing)| swing).collect();
        let clubs = in_order(swings.iter().map(|swing| swing.club.clone()))
            .into_iter()
            .map(|club| {
                let of_club: Vec<&Swing> =
                    swings.iter().copied().filter(|swing| swing.club == club).collect();
                (club, Group::of(review, &of_club))
            })
            .collect();
        let mut summary = Summary { clubs, all: Group::of(review, &swings) };
        if summary.mixes_clubs() {
            summary.all.set_trend_ms = None;
            summary.all.fatigue = None;
        }
        summary
    }

    /// More than one club was used, so that numbers over all swings mix different swings.
    #[must_use]
    pub fn mixes_clubs(&self) -> bool {
        self.clubs.len() > 1
    }

    /// A node on the belt told when the pelvis starts back.
    #[must_use]
    pub fn tells_pelvis(&self) -> bool {
        self.all.pelvis_lead_to_top_ms.is_some()
    }
}

impl Group {
    fn of(review: &Review, swings: &[&Swing]) -> Group {
        let sets: Vec<_> = swings.iter().filter_map(|swing| swing.set).collect();
        let set_ms: Vec<f64> = sets.iter().map(|set| set.set_to_top_ms.value).collect();
        let set_sds: Vec<f64> = sets.iter().map(|set| set.set_to_top_ms.sd).collect();
        let travel: Vec<f64> = sets.iter().map(|set| set.arm_travel_at_set.value).collect();
        let starts = || swings.iter().filter_map(|swing| swing.pelvis_start());
        let lead_to_top: Vec<f64> = starts().map(|start| start.lead_to_top_ms.value).collect();
        let lead_to_set: Vec<f64> =
            starts().filter_map(|start| start.lead_to_set_ms).map(|lead| lead.value).collect();
        let tempo: Vec<f64> = swings.iter().map(|swing| swing.tempo.value).collect();
        Group {
            swings: swings.len(),
            sets: sets.len(),
            set_to_top_ms: Spread::of(&set_ms),
            measurement_sd_ms: median(&set_sds),
            arm_travel_at_set: Spread::of(&travel),
            in_window: share_in_window(review, swings),
            tempo: Spread::of(&tempo),
            pelvis_lead_to_top_ms: Spread::of(&lead_to_top),
            pelvis_lead_to_set_ms: Spread::of(&lead_to_set),
            set_trend_ms: trend(&set_ms),
            fatigue: Some(Fatigue::of(swings)),
        }
    }
}

impl Group {
    /// Too few swings to lean on.
    #[must_use]
    pub fn is_small(&self) -> bool {
        self.swings < SMALL_SAMPLE
    }
}

fn share_in_window(review: &Review, swings: &[&Swing]) -> Option<Share> {
    let judged: Vec<Verdict> =
        swings.iter().filter_map(|swing| review.verdict(swing)).map(|judged| judged.verdict).collect();
    let hits = judged.iter().filter(|verdict| **verdict == Verdict::InWindow).count();
    Share::of(hits, judged.len())
}

/// Each club once, in the order of first use.
pub fn in_order<C: PartialEq>(clubs: impl IntoIterator<Item = C>) -> Vec<C> {
    let mut found = Vec::new();
    for club in clubs {
        if !found.contains(&club) {
            found.push(club);
        }
    }
    found
}
