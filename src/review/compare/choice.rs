//! What a reader asks to be compared, and which recordings that means. Pure.

use super::sides::earlier;
use crate::record::error::quoted;
use crate::record::library::index::Bucket;
use crate::units::WallTime;

/// What is asked. Empty fields ask for nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Asked {
    /// The player.
    pub player: String,
    /// Only swings with this club.
    pub club: String,
    /// Another club for the second side.
    pub second_club: String,
    /// Numbers of the recordings of the first side.
    pub first: Vec<String>,
    /// Numbers of those of the second.
    pub second: Vec<String>,
    /// A day in place of both: before it, and from it on. As 2026-04-12, UTC.
    pub since: String,
    /// The number of a recording in place of all: it, and the player's earlier ones.
    pub bucket: String,
}

/// The recordings that are meant.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Choice {
    /// The player.
    pub player: String,
    /// Every recording of his, the newest first.
    pub of_player: Vec<Bucket>,
    /// The first side.
    pub first: Vec<Bucket>,
    /// The second.
    pub second: Vec<Bucket>,
    /// What was asked and cannot be.
    pub wrong: Option<String>,
}

impl Choice {
    /// Finds them among all recordings. Without a player it is that of the newest one.
    #[must_use]
    pub fn of(all: &[Bucket], asked: &Asked) -> Choice {
        let mut sorted: Vec<&Bucket> = all.iter().collect();
        sorted.sort_by(|one, two| two.in_time().cmp(&one.in_time()));
        let asked_for = sorted.iter().find(|bucket| numbered(bucket, &asked.bucket));
        let known =
            sorted.iter().find(|bucket| bucket.facts.player == asked.player && !asked.player.is_empty());
        let Some(chosen) = asked_for.or(known).or(sorted.first()) else { return Choice::default() };
        let player = chosen.facts.player.clone();
        let of_player: Vec<Bucket> = sorted
            .iter()
            .filter(|bucket| bucket.facts.player == player)
            .map(|bucket| (*bucket).clone())
            .collect();
        let mut choice = Choice { player, of_player, ..Choice::default() };
        choice.choose(asked, asked_for.copied());
        choice
    }

    fn choose(&mut self, asked: &Asked, bucket: Option<&Bucket>) {
        let picked = |keys: &[String]| -> Vec<Bucket> {
            let is_picked = |bucket: &&Bucket| keys.iter().any(|key| numbered(bucket, key));
            self.of_player.iter().filter(is_picked).cloned().collect()
        };
        if let Some(bucket) = bucket {
            self.first = earlier(&self.of_player, bucket);
            self.second = vec![bucket.clone()];
            if self.first.is_empty() {
                self.wrong = Some("no earlier bucket of this player is known".to_owned());
            }
        } else if asked.since.is_empty() {
            (self.first, self.second) = (picked(&asked.first), picked(&asked.second));
            if self.second.is_empty() && !asked.second_club.is_empty() {
                // Two clubs of the same buckets.
                self.second = self.first.clone();
            }
        } else {
            match day(&asked.since) {
                Some(day) => {
                    let dated = self.of_player.iter().filter(|bucket| bucket.facts.started.is_some());
                    (self.second, self.first) =
                        dated.cloned().partition(|bucket| bucket.facts.started >= Some(day));
                }
                None => {
                    self.wrong = Some(format!("expected a day as 2026-04-12, found {}", quoted(&asked.since)))
                }
            }
        }
    }
}

fn numbered(bucket: &Bucket, key: &str) -> bool {
    bucket.facts.uuid.to_string() == key
}

/// The beginning of a day, UTC.
fn day(text: &str) -> Option<WallTime> {
    let day: jiff::civil::Date = text.trim().parse().ok()?;
    let start = day.to_zoned(jiff::tz::TimeZone::UTC).ok()?;
    Some(WallTime(start.timestamp().as_millisecond()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::library::analysis::BucketFacts;
    use crate::record::library::files::Stamp;
    use std::path::PathBuf;
    use uuid::Uuid;

    /// 2026-04-12 00:00 UTC, ms: 20 555 days after the epoch.
    const APRIL_12: i64 = 20_555 * 86_400_000;

    fn bucket(id: u128, player: &str, days: i64) -> Bucket {
        let facts = BucketFacts {
            uuid: Uuid::from_u128(id),
            player: player.to_owned(),
            hand: None,
            started: Some(WallTime(APRIL_12 + days * 86_400_000)),
            software: None,
            made_from: None,
            samples: 0,
            losses: Vec::new(),
            node_losses: Vec::new(),
            unfinished: false,
            notes: Vec::new(),
            unreadable: None,
        };
        Bucket {
            id: id as i64,
            path: PathBuf::from(format!("{id}.mcap")),
            stamp: Stamp::default(),
            beside: [None, None],
            finished: true,
            facts,
            problems: Vec::new(),
            swings: 0,
        }
    }

    fn ids(buckets: &[Bucket]) -> Vec<i64> {
        buckets.iter().map(|bucket| bucket.id).collect()
    }

    fn all() -> Vec<Bucket> {
        vec![bucket(1, "Robin", -3), bucket(2, "Robin", -1), bucket(3, "Robin", 0), bucket(4, "Ann", 2)]
    }

    fn key(id: u128) -> String {
        Uuid::from_u128(id).to_string()
    }

    #[test]
    fn a_day_divides_a_players_recordings() {
        let asked = Asked { player: "Robin".to_owned(), since: "2026-04-12".to_owned(), ..Asked::default() };
        let choice = Choice::of(&all(), &asked);
        assert_eq!((ids(&choice.first), ids(&choice.second)), (vec![2, 1], vec![3]));
        let wrong = Choice::of(&all(), &Asked { since: "12 April".to_owned(), ..asked });
        assert_eq!(wrong.wrong.as_deref(), Some("expected a day as 2026-04-12, found \"12 April\""));
    }

    #[test]
    fn one_bucket_is_held_against_the_earlier_ones_of_its_player() {
        let asked = Asked { bucket: key(2), player: "Ann".to_owned(), ..Asked::default() };
        let choice = Choice::of(&all(), &asked);
        assert_eq!(
            (choice.player.as_str(), ids(&choice.first), ids(&choice.second)),
            ("Robin", vec![1], vec![2])
        );
        let first = Choice::of(&all(), &Asked { bucket: key(1), ..Asked::default() });
        assert!(first.first.is_empty() && first.wrong.is_some());
    }

    #[test]
    fn what_is_picked_of_another_player_is_passed_over() {
        let asked = Asked {
            player: "Robin".to_owned(),
            first: vec![key(1), key(4)],
            second: vec![key(3)],
            ..Asked::default()
        };
        let choice = Choice::of(&all(), &asked);
        assert_eq!((ids(&choice.first), ids(&choice.second)), (vec![1], vec![3]));
        let clubs = Asked { second: vec![], second_club: "driver".to_owned(), ..asked };
        let choice = Choice::of(&all(), &clubs);
        assert_eq!((ids(&choice.first), ids(&choice.second)), (vec![1], vec![1]));
        assert_eq!(Choice::of(&all(), &Asked::default()).player, "Ann");
        assert_eq!(Choice::of(&[], &Asked::default()), Choice::default());
    }
}
