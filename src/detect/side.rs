//! Whether the glove is on the hand that it is said to be on: a lead wrist hinges to the thumb on the way back.

use super::swing::Swing;

/// Fewer swings tell nothing.
const LEAST_SWINGS: usize = 3;
/// A wrist that is this far to the little finger's side at the top, against address, went the wrong way, degrees.
const WRONG_DEG: f64 = -15.0;
/// Share of the swings that have to tell it.
const MOSTLY: f64 = 0.8;

/// A sentence where the swings tell of the other hand.
#[must_use]
pub(super) fn note(swings: &[Swing]) -> Option<String> {
    let tops: Vec<f64> = swings.iter().filter_map(|swing| swing.hinge_deg.top).map(|top| top.value).collect();
    let wrong = tops.iter().filter(|top| **top < WRONG_DEG).count();
    let told = tops.len() >= LEAST_SWINGS && wrong as f64 >= MOSTLY * tops.len() as f64;
    told.then(|| {
        format!(
            "in {wrong} of {} swings the wrist goes to the little finger's side on the way back: the player's hand is \
             told wrong, or the glove is on upside down or its mounting told so; calibrate to see",
            tops.len()
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{DeviceTime, Measured};

    fn swings(tops_deg: &[f64]) -> Vec<Swing> {
        let swing = |top_deg: &f64| {
            let mut swing = Swing::bare(DeviceTime(0), DeviceTime(800_000));
            swing.hinge_deg.top = Some(Measured::new(*top_deg, 1.0));
            swing
        };
        tops_deg.iter().map(swing).collect()
    }

    #[test]
    fn only_swings_that_mostly_hinge_the_wrong_way_tell_of_the_other_hand() {
        assert!(note(&swings(&[-50.0, -48.0, -52.0, -47.0, 3.0])).is_some());
        assert_eq!(note(&swings(&[-50.0, -48.0])), None);
        assert_eq!(note(&swings(&[-50.0, 48.0, 52.0, -40.0])), None);
        assert_eq!(note(&swings(&[-5.0, -8.0, 0.0, -3.0])), None, "a wrist that is kept still");
    }
}
