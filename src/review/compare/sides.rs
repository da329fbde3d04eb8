//! The two sides of a comparison, put together from what the index knows of recordings: one or several buckets each,
//! with one club or all. Pure; the command and the page ask the same.

use super::{Basis, Cluster, Comparison, Incomparable, Quantity, compare, sentences};
use super::{SHARES, share_difference, share_sentences};
use crate::detect::{Class, Verdict};
use crate::record::library::index::{Bucket, KnownSwing};
use crate::review::Windows;
use crate::review::statistics::Share;
use crate::review::wording::{clean, club_name};
use crate::units::Measured;
use std::path::Path;

/// What is compared, in the order in which it is told.
const QUANTITIES: [Quantity; 3] = [Quantity::SetToTop, Quantity::ArmTravel, Quantity::InWindow];
/// Buckets of before that a new one is held against: the newest of them (judgement: some weeks of practice; a player
/// of a year ago is no measure).
const EARLIER: usize = 10;

/// One side: its recordings, in order of time, with their swings that count.
#[derive(Clone, Debug, PartialEq)]
pub struct Chosen {
    /// Each recording with its swings.
    pub buckets: Vec<(Bucket, Vec<KnownSwing>)>,
    /// The club; none for all clubs.
    pub club: Option<String>,
}

/// Why two sides make no comparison.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoSides {
    /// A recording, or a copy of it, stands twice on one side.
    #[error("{0}: expected each recording once on a side, found it twice")]
    Twice(String),
    /// The same swings stand on both sides.
    #[error("{0}: expected each swing on one side, found some on both")]
    Shared(String),
    /// A player is compared with himself alone.
    #[error("expected recordings of one player, found {0}")]
    Players(String),
}

impl NoSides {
    fn twice(one: &Bucket, two: &Bucket) -> NoSides {
        let [one, two] = [one, two].map(|bucket| bucket.path.display().to_string());
        NoSides::Twice(if one == two { one } else { format!("{one} and {two}") })
    }
}

/// One recording, or a copy of it. One that cannot be read has no number to tell it by.
fn is_same(one: &Bucket, two: &Bucket) -> bool {
    one.id == two.id || (one.facts.uuid == two.facts.uuid && !one.facts.uuid.is_nil())
}

impl Chosen {
    /// Takes of these recordings the swings with the club that are not left out.
    ///
    /// # Errors
    /// A recording is there twice.
    pub fn of(mut buckets: Vec<(Bucket, Vec<KnownSwing>)>, club: Option<&str>) -> Result<Chosen, NoSides> {
        buckets.sort_by(|(one, _), (two, _)| one.in_time().cmp(&two.in_time()));
        for (place, (bucket, _)) in buckets.iter().enumerate() {
            if let Some((before, _)) = buckets[..place].iter().find(|(before, _)| is_same(before, bucket)) {
                return Err(NoSides::twice(before, bucket));
            }
        }
        for (_, swings) in &mut buckets {
            swings.retain(|swing| {
                swing.excluded.is_none() && club.is_none_or(|club| swing.club.as_deref() == Some(club))
            });
        }
        Ok(Chosen { buckets, club: club.map(str::to_owned) })
    }

    /// The recordings and the club in a line.
    #[must_use]
    pub fn name(&self) -> String {
        let name = |path: &Path| clean(path.display().to_string().trim_end_matches(".mcap"));
        let paths: Vec<String> = self.buckets.iter().map(|(bucket, _)| name(&bucket.path)).collect();
        let club = self.club.as_ref().map_or_else(|| "all clubs".to_owned(), |club| club_name(Some(club)));
        format!("{}; {club}", paths.join(", "))
    }

    /// The values of a quantity, bucket by bucket.
    #[must_use]
    pub fn clusters(&self, quantity: Quantity, windows: &Windows) -> Vec<Cluster> {
        let values =
            |swings: &[KnownSwing]| swings.iter().filter_map(|s| value(s, quantity, windows)).collect();
        let cluster = |(bucket, swings): &(Bucket, Vec<KnownSwing>)| Cluster {
            bucket: bucket.id,
            values: values(swings),
        };
        self.buckets.iter().map(cluster).collect()
    }
}

fn value(swing: &KnownSwing, quantity: Quantity, windows: &Windows) -> Option<Measured> {
    match quantity {
        Quantity::SetToTop => swing.numbers.set_to_top_ms,
        Quantity::ArmTravel => swing.numbers.arm_travel_at_set,
        Quantity::InWindow => in_window(swing, windows),
    }
}

fn in_window(swing: &KnownSwing, windows: &Windows) -> Option<Measured> {
    // A wrist that nobody saw was not set outside the window.
    swing.numbers.hinge_deg.top?;
    let window = windows.for_club(swing.club.as_deref())?;
    let travel = swing.numbers.arm_travel_at_set.map(|travel| travel.value);
    let after_top = swing.numbers.class == Class::AfterTop.word();
    let inside = window.verdict(travel, after_top) == Verdict::InWindow;
    Some(Measured::new(f64::from(u8::from(inside)), 0.0))
}

/// Two sides beside each other.
#[derive(Clone, Debug, PartialEq)]
pub struct Contrast {
    /// The player.
    pub player: String,
    /// Before.
    pub first: Chosen,
    /// After.
    pub second: Chosen,
    /// Each quantity with what came of it.
    pub rows: Vec<(Quantity, Result<Row, Incomparable>)>,
}

/// The player of all these recordings.
///
/// # Errors
/// There are several.
pub fn one_player(first: &Chosen, second: &Chosen) -> Result<String, NoSides> {
    let mut names: Vec<&str> =
        first.buckets.iter().chain(&second.buckets).map(|(bucket, _)| bucket.facts.player.as_str()).collect();
    names.sort_unstable();
    names.dedup();
    match names[..] {
        [name] => Ok(name.to_owned()),
        _ => Err(NoSides::Players(names.join(", "))),
    }
}

impl Contrast {
    /// Lays two sides of one player beside each other.
    ///
    /// # Errors
    /// They are not of one player, or share swings.
    pub fn of(first: Chosen, mut second: Chosen, windows: &Windows) -> Result<Contrast, NoSides> {
        let player = one_player(&first, &second)?;
        // A copy is the bucket that it was copied from, and no other day.
        for (bucket, swings) in &mut second.buckets {
            if let Some((same, others)) = first.buckets.iter().find(|(one, _)| is_same(one, bucket)) {
                bucket.id = same.id;
                let is_shared =
                    |swing: &KnownSwing| others.iter().any(|other| other.numbers == swing.numbers);
                if swings.iter().any(is_shared) {
                    return Err(NoSides::Shared(bucket.path.display().to_string()));
                }
            }
        }
        let compared = |quantity: Quantity| {
            let [one, two] = [&first, &second].map(|side| side.clusters(quantity, windows));
            (quantity, Row::of(quantity, &one, &two))
        };
        let rows = QUANTITIES.map(compared).into();
        Ok(Contrast { player, first, second, rows })
    }
}

/// A quantity on both sides, with the difference.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// What is compared.
    pub quantity: Quantity,
    /// Which kind of evidence the interval rests on.
    pub basis: &'static str,
    /// How the interval was worked out, with the source.
    pub method: &'static str,
    /// What is compared of the first side, in the quantity's own unit.
    pub first: f64,
    /// The same of the second.
    pub second: f64,
    /// How many swings a side.
    pub swings: (usize, usize),
    /// Second less first.
    pub difference: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end of its 95 % interval.
    pub high: f64,
    /// What it says, and what it cannot say.
    pub sentences: Vec<String>,
    /// The whole comparison; none where two shares of one bucket each were compared.
    pub whole: Option<Comparison>,
}

impl Row {
    /// Compares one quantity.
    ///
    /// # Errors
    /// There is too little to compare.
    pub fn of(quantity: Quantity, first: &[Cluster], second: &[Cluster]) -> Result<Row, Incomparable> {
        if let (Quantity::InWindow, [one], [two]) = (quantity, first, second) {
            return Row::of_shares(one, two);
        }
        let whole = compare(first, second)?;
        Ok(Row {
            quantity,
            basis: whole.basis.word(),
            method: whole.basis.method(),
            first: whole.before.mean,
            second: whole.after.mean,
            swings: (whole.before.swings, whole.after.swings),
            difference: whole.difference,
            low: whole.low,
            high: whole.high,
            sentences: sentences(&whole, quantity),
            whole: Some(whole),
        })
    }

    /// A share has an interval also where all or none are inside, which a spread has not.
    fn of_shares(first: &Cluster, second: &Cluster) -> Result<Row, Incomparable> {
        let share = |side: &Cluster| {
            let hits = side.values.iter().filter(|inside| inside.value > 0.5).count();
            Share::of(hits, side.values.len()).ok_or(Incomparable::Empty)
        };
        let (one, two) = (share(first)?, share(second)?);
        let (difference, low, high) = share_difference(one, two);
        Ok(Row {
            quantity: Quantity::InWindow,
            basis: "shares-of-one-bucket-each",
            method: SHARES,
            first: one.share,
            second: two.share,
            swings: (one.n, two.n),
            difference,
            low,
            high,
            sentences: share_sentences(one, two),
            whole: None,
        })
    }

    /// The interval leaves no difference out of account: what is seen is more than chance explains (5 %).
    #[must_use]
    pub fn is_larger_than_noise(&self) -> bool {
        self.low > 0.0 || self.high < 0.0
    }

    /// One bucket a side that is not the same: a day cannot be told from a change.
    #[must_use]
    pub fn is_of_two_days(&self) -> bool {
        self.whole.is_some_and(|whole| whole.basis == Basis::OneBucketEach)
    }
}

/// The buckets of a player that came before one of his, the newest first, as many as it is held against.
#[must_use]
pub fn earlier(all: &[Bucket], than: &Bucket) -> Vec<Bucket> {
    let before = |bucket: &&Bucket| {
        bucket.facts.player == than.facts.player
            && bucket.facts.started.is_some()
            && bucket.facts.started < than.facts.started
    };
    let mut found: Vec<Bucket> = all.iter().filter(before).cloned().collect();
    if than.facts.player.is_empty() {
        // Recordings without a name may be of anybody.
        found.clear();
    }
    found.sort_by(|one, two| two.in_time().cmp(&one.in_time()));
    found.truncate(EARLIER);
    found
}
