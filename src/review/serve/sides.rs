//! Edge: what the library knows of a player besides one bucket: his earlier ones.

use super::bench::{Bench, Refused, Shown, failed};
use crate::record::library::index::Bucket;
use crate::record::library::made_from::about;
use crate::record::library::{Library, LibraryError};
use crate::review::Windows;
use crate::review::compare::sides::{Chosen, Contrast, earlier};
use crate::review::report::{Change, Report};
use crate::review::summary::in_order;
use crate::units::WallTime;

/// A bucket's clubs against the player's earlier buckets, as far as the library knows of any.
///
/// # Errors
/// The index cannot be read.
pub fn changes(library: &Library, bucket: &Bucket, windows: &Windows) -> Result<Vec<Change>, LibraryError> {
    let index = library.index();
    let swings = index.swings(bucket.id)?;
    let mut before = Vec::new();
    for bucket in earlier(&index.buckets()?, bucket) {
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
    /// The report of a bucket.
    ///
    /// # Errors
    /// The library cannot be read.
    pub fn report(&self, shown: &Shown) -> Result<Report, Refused> {
        let report = Report::of(shown.model.review.clone(), started(shown));
        let changes = if shown.in_library {
            let shelf = self.held()?;
            let bucket = shelf.bucket(&shown.key)?;
            changes(&shelf.library, &bucket, &(shelf.windows)(&bucket.facts.player)).map_err(failed)?
        } else {
            Vec::new()
        };
        Ok(Report { running: shown.model.live, changes, ..report })
    }
}

/// When a bucket was begun, as its recording says.
fn started(shown: &Shown) -> Option<WallTime> {
    about(shown.path.as_ref()?).ok()?.session.map(|session| session.started)
}
