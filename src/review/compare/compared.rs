//! What a comparison shows: the two sides, and the player over the weeks. Pure.

use super::choice::{Asked, Choice};
use super::sides::{Chosen, Contrast};
use super::{BucketMean, Quantity};
use crate::record::library::index::{Bucket, KnownSwing};
use crate::review::Windows;
use crate::review::over_buckets::ClubOverTime;
use crate::review::summary::in_order;
use crate::units::WallTime;
use std::collections::BTreeMap;

/// A comparison with what is around it.
#[derive(Clone, Debug, PartialEq)]
pub struct Compared {
    /// What was asked.
    pub asked: Asked,
    /// The recordings that this means.
    pub choice: Choice,
    /// Every player of the library.
    pub players: Vec<String>,
    /// Every club of the player's recordings, by recording.
    pub clubs: BTreeMap<i64, Vec<String>>,
    /// What came of it; none where a side is empty, and why where it cannot be.
    pub outcome: Option<Result<Contrast, String>>,
    /// Each bucket with a set, in order of time.
    pub weeks: Vec<Week>,
    /// The clubs over all buckets, as `library trend` tells them.
    pub over_time: Vec<ClubOverTime>,
    /// What counts as early and late.
    pub windows: Windows,
}

/// On which side a bucket is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OnSide {
    /// On none.
    Neither,
    /// On the first.
    First,
    /// On the second.
    Second,
    /// On both, with two clubs.
    Both,
}

/// A bucket of the player.
#[derive(Clone, Debug, PartialEq)]
pub struct Week {
    /// When it was begun.
    pub started: WallTime,
    /// Its path in the library.
    pub name: String,
    /// Where it counts.
    pub side: OnSide,
    /// Arm travel at the set.
    pub travel: BucketMean,
}

impl Compared {
    /// Compares; `swings` has those of every recording of the player.
    #[must_use]
    pub fn of(
        asked: Asked,
        choice: Choice,
        players: Vec<String>,
        swings: &BTreeMap<i64, Vec<KnownSwing>>,
        windows: Windows,
        over_time: Vec<ClubOverTime>,
    ) -> Compared {
        let of = |buckets: &[Bucket]| -> Vec<(Bucket, Vec<KnownSwing>)> {
            let swings = |bucket: &Bucket| swings.get(&bucket.id).cloned().unwrap_or_default();
            buckets.iter().map(|bucket| (bucket.clone(), swings(bucket))).collect()
        };
        let club = Some(asked.club.as_str()).filter(|club| !club.is_empty());
        let second_club = Some(asked.second_club.as_str()).filter(|club| !club.is_empty()).or(club);
        let sides = || {
            let first = Chosen::of(of(&choice.first), club)?;
            let second = Chosen::of(of(&choice.second), second_club)?;
            Contrast::of(first, second, &windows)
        };
        let outcome = match &choice.wrong {
            Some(wrong) => Some(Err(wrong.clone())),
            None if choice.first.is_empty() || choice.second.is_empty() => None,
            None => Some(sides().map_err(|why| why.to_string())),
        };
        let clubs = swings
            .iter()
            .map(|(bucket, swings)| (*bucket, in_order(swings.iter().filter_map(|swing| swing.club.clone()))))
            .collect();
        let weeks = match Chosen::of(of(&choice.of_player), club) {
            Ok(all) => weeks(&all, &choice, &windows),
            Err(_) => Vec::new(),
        };
        let over_time = over_time.into_iter().filter(|one| club.is_none() || one.club.as_deref() == club);
        let over_time = over_time.collect();
        Compared { asked, choice, players, clubs, outcome, weeks, over_time, windows }
    }
}

fn weeks(all: &Chosen, choice: &Choice, windows: &Windows) -> Vec<Week> {
    let is_in = |side: &[Bucket], id: i64| side.iter().any(|bucket| bucket.id == id);
    let side = |id: i64| match (is_in(&choice.first, id), is_in(&choice.second, id)) {
        (true, true) => OnSide::Both,
        (true, false) => OnSide::First,
        (false, true) => OnSide::Second,
        (false, false) => OnSide::Neither,
    };
    let clusters = all.clusters(Quantity::ArmTravel, windows);
    let week = |((bucket, _), cluster): (&(Bucket, Vec<KnownSwing>), &super::Cluster)| {
        Some(Week {
            started: bucket.facts.started?,
            name: bucket.path.display().to_string(),
            side: side(bucket.id),
            travel: BucketMean::of(cluster)?,
        })
    };
    all.buckets.iter().zip(&clusters).filter_map(week).collect()
}
