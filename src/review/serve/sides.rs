//! Edge: what the library knows of a player besides one bucket: his earlier ones, two sides to compare, the weeks.

use super::bench::{Bench, OfPlayerNamed, Refused, Shown, failed};
use crate::record::library::index::{Bucket, KnownSwing};
use crate::record::library::made_from::about;
use crate::record::library::{Library, LibraryError};
use crate::review::Windows;
use crate::review::compare::choice::{Asked, Choice};
use crate::review::compare::compared::Compared;
use crate::review::compare::sides::{Chosen, Contrast, earlier};
use crate::review::over_buckets::{ClubOverTime, clubs_over_time};
use crate::review::report::{Change, Report};
use crate::review::summary::in_order;
use crate::units::WallTime;
use std::collections::BTreeMap;

/// A bucket's clubs against the player's earlier buckets, as far as the library knows of any.
///
/// # Errors
/// The index cannot be read.
pub fn changes(library: &Library, bucket: &Bucket, windows: &Windows) -> Result<Vec<Change>, LibraryError> {
    let index = library.index();
    let swings = index.swings(bucket.id)?;
    let mut before = Vec::new();
    for bucket in earlier(&index.counted_buckets()?, bucket) {
        let swings = index.swings(bucket.id)?;
        before.push((bucket, swings));
    }
    let change = |club: String| {
        let first = Chosen::of(before.clone(), Some(&club)).ok()?;
        let second = Chosen::of(vec![(bucket.clone(), swings.clone())], Some(&club)).ok()?;
        Change::of(&Contrast::of(first, second, windows).ok()?)
    };
    Ok(in_order(swings.iter().filter_map(|swing| swing.club.clone()))
        .into_iter()
        .filter_map(change)
        .collect())
}

impl Bench {
    /// What is asked to be compared, with what comes of it.
    ///
    /// # Errors
    /// There is no library, or it cannot be read.
    pub fn compared(&self, asked: &Asked) -> Result<Compared, Refused> {
        let known = {
            let shelf = self.held()?;
            Known::of(&shelf.library, asked, &shelf.of_player).map_err(failed)?
        };
        let Known { choice, players, swings, windows, over_time } = known;
        Ok(Compared::of(asked.clone(), choice, players, &swings, windows, over_time))
    }

    /// The report of a bucket.
    ///
    /// # Errors
    /// The library cannot be read.
    pub fn report(&self, shown: &Shown) -> Result<Report, Refused> {
        let review = &shown.model.review;
        let (started, changes) = if shown.in_library {
            let shelf = self.held()?;
            let bucket = shelf.bucket(&shown.key)?;
            let changes = changes(&shelf.library, &bucket, &review.windows).map_err(failed)?;
            (bucket.facts.started, changes)
        } else {
            (started(shown), Vec::new())
        };
        Ok(Report { running: shown.model.live, changes, ..Report::of(review.clone(), started) })
    }
}

/// What a comparison needs of the library, which nobody waits for while it is worked out.
struct Known {
    choice: Choice,
    players: Vec<String>,
    swings: BTreeMap<i64, Vec<KnownSwing>>,
    windows: Windows,
    over_time: Vec<ClubOverTime>,
}

impl Known {
    fn of(library: &Library, asked: &Asked, of_player: &OfPlayerNamed) -> Result<Known, LibraryError> {
        let index = library.index();
        let all = index.counted_buckets()?;
        let choice = Choice::of(&all, asked);
        let windows = of_player(&choice.player).windows;
        let mut swings = BTreeMap::new();
        for bucket in &choice.of_player {
            swings.insert(bucket.id, index.swings(bucket.id)?);
        }
        let mut players: Vec<String> = all.into_iter().map(|bucket| bucket.facts.player).collect();
        players.sort_unstable();
        players.dedup();
        let over_time = clubs_over_time(&index.counted(&choice.player)?, &windows);
        Ok(Known { choice, players, swings, windows, over_time })
    }
}

/// When the own bucket was begun, as its recording says.
fn started(shown: &Shown) -> Option<WallTime> {
    about(shown.path.as_ref()?).ok()?.session.map(|session| session.started)
}
