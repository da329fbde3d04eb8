//! What takes long to work out is kept: what changes are worth with a club of a bucket.

use crate::record::measures::Measures;
use crate::review::Review;
use crate::review::speed::worth::{ClubWorth, club_worth, swings_of};
use crate::units::DeviceTime;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

/// Clubs that are kept.
const KEPT: usize = 12;

/// What a club's worth was worked out from. A swing that was measured anew has other instants.
#[derive(PartialEq)]
struct Basis {
    bucket: String,
    club: String,
    measures: Measures,
    swings: Vec<(usize, [Option<DeviceTime>; 4])>,
}

/// The clubs that were asked for last.
#[derive(Default)]
pub struct WorkedOut(Mutex<VecDeque<(Basis, Arc<ClubWorth>)>>);

impl WorkedOut {
    /// What changes are worth with a club of the bucket of this key. Takes seconds the first time; whoever asks
    /// meanwhile waits, so that nothing is worked out twice at once.
    pub fn worth(&self, bucket: &str, review: &Review, measures: &Measures, club: &str) -> Arc<ClubWorth> {
        let swings = swings_of(review, club).map(|(place, swing)| {
            let set = swing.set.map(|set| set.set);
            (place, [Some(swing.takeaway), Some(swing.top), swing.motion.ball, set])
        });
        let basis = Basis {
            bucket: bucket.to_owned(),
            club: club.to_owned(),
            measures: measures.clone(),
            swings: swings.collect(),
        };
        // Whatever failed while it was held left what was kept as it was.
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((_, worth)) = kept.iter().find(|(known, _)| *known == basis) {
            return Arc::clone(worth);
        }
        let worth = Arc::new(club_worth(review, measures, club));
        // The newest is the last.
        if kept.len() == KEPT {
            kept.pop_front();
        }
        kept.push_back((basis, Arc::clone(&worth)));
        worth
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::BucketAnalysis;

    #[test]
    fn what_was_worked_out_is_kept_until_it_rests_on_something_else() {
        let analysis =
            BucketAnalysis { swings: Vec::new(), losses: Vec::new(), notes: Vec::new(), calibration: None };
        let review = Review::new("bucket", analysis);
        let kept = WorkedOut::default();
        let mut measures = Measures::default();
        let first = kept.worth("now", &review, &measures, "iron");
        assert!(Arc::ptr_eq(&first, &kept.worth("now", &review, &measures, "iron")));
        assert!(!Arc::ptr_eq(&first, &kept.worth("now", &review, &measures, "driver")));
        assert!(!Arc::ptr_eq(&first, &kept.worth("other", &review, &measures, "iron")));
        measures.arm.arm_length_m += 0.01;
        assert!(!Arc::ptr_eq(&first, &kept.worth("now", &review, &measures, "iron")));
        for club in 0..KEPT {
            kept.worth("now", &review, &measures, &club.to_string());
        }
        assert_eq!(kept.0.lock().unwrap().len(), KEPT);
    }
}
