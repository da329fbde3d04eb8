//! A review with what people said of its swings: the club put right, swings left out of statistics but still listed.

use super::Review;
use crate::detect::Swing;
use crate::record::library::remarks::{Remark, Remarks, Standing, SwingName, standings};
use crate::units::DeviceTime;

/// The tag of a swing to show again.
pub const BEST: &str = "best";

impl Review {
    /// The same review with all that was said of it. What of that could not be read is told among the notes.
    #[must_use]
    pub fn with_said(self, said: &Remarks) -> Review {
        let mut review = self.with_remarks(&said.remarks);
        let notes = &mut review.analysis.notes;
        for problem in &said.problems {
            if !notes.contains(problem) {
                notes.push(problem.clone());
            }
        }
        review
    }

    /// The same review with these remarks. Those whose swing is not there are told among the notes.
    #[must_use]
    pub fn with_remarks(mut self, remarks: &[Remark]) -> Review {
        let takeaways: Vec<DeviceTime> = self.analysis.swings.iter().map(|swing| swing.takeaway).collect();
        let kept: Vec<Remark> = remarks.iter().filter_map(|remark| self.of_kept(remark)).collect();
        let (of_bucket, standing, lost) = standings(&takeaways, &kept);
        for (swing, said) in self.analysis.swings.iter_mut().zip(&standing) {
            if let Some(club) = &said.club {
                swing.club = Some(club.clone());
            }
        }
        self.analysis.notes.extend(lost);
        self.standing = standing;
        self.of_bucket = of_bucket;
        self
    }

    /// A remark as it counts from the first swing that is kept; none where it is on one before that.
    fn of_kept(&self, remark: &Remark) -> Option<Remark> {
        let before = self.first_number - 1;
        let swing = match remark.swing {
            Some(name) => {
                Some(SwingName { place: name.place.checked_sub(before).filter(|place| *place > 0)?, ..name })
            }
            None => None,
        };
        Some(Remark { swing, ..remark.clone() })
    }

    /// What people said of a swing, counted from 0; nothing where nobody did.
    #[must_use]
    pub fn said_of(&self, place: usize) -> Option<&Standing> {
        self.standing.get(place)
    }

    /// Why a swing, counted from 0, is left out of statistics; none where it counts.
    #[must_use]
    pub fn left_out(&self, place: usize) -> Option<&str> {
        self.said_of(place)?.excluded.as_deref()
    }

    /// Whether somebody marked a swing, counted from 0, as one to show again.
    #[must_use]
    pub fn is_best(&self, place: usize) -> bool {
        self.said_of(place).is_some_and(|said| said.tags.contains(BEST))
    }

    /// The swings that count for statistics, each with its place from 0.
    pub fn counted(&self) -> impl Iterator<Item = (usize, &Swing)> {
        self.analysis.swings.iter().enumerate().filter(|(place, _)| self.left_out(*place).is_none())
    }
}
