//! A bucket as it was known while it ran, beside the same bucket with all its swings measured together: which swing is
//! which, and what has changed, in sentences. Pure.

use super::Review;
use super::page::Kind;
use crate::detect::BucketAnalysis;
use crate::record::library::remarks::{Remarks, SwingName, find};
use crate::units::DeviceTime;
use std::collections::BTreeSet;
use thiserror::Error;

/// Why a bucket is shown as it was known while it ran.
#[derive(Clone, Debug, Error, PartialEq, Eq)]
pub enum KnownLive {
    /// Nobody waited for more.
    #[error(
        "These numbers are as they were known while the bucket ran; `hingeclock review` has them with all swings \
         measured together."
    )]
    NotWaitedFor,
    /// More swings than the memory of a running bucket is meant for.
    #[error(
        "These numbers are as they were known while the bucket ran, since it has so many swings; `hingeclock review` \
         has them measured together."
    )]
    TooMany,
    /// It went to several files, or what it went to is gone.
    #[error("These numbers are as they were known while the bucket ran: no single file holds all of it.")]
    NotInOneFile,
    /// Measuring failed.
    #[error(
        "These numbers are as they were known while the bucket ran: all swings could not be measured together ({0})."
    )]
    Failed(&'static str),
}

impl Review {
    /// The bucket as it was known live, with its swings as they are measured together. What else is known of it stays,
    /// each swing keeps its cue, and what has changed is told among the notes: verdicts by what was said of the swings.
    #[must_use]
    pub fn measured_together(mut self, analysis: BucketAnalysis, said: &Remarks) -> Review {
        let places = places(&self, &analysis);
        let before = kinds(&self, said);
        let first_number = self.first_number;
        let mut cues = vec![None; analysis.swings.len()];
        for (cue, place) in self.cues.drain(..).zip(&places) {
            if let Some(kept) = place.and_then(|place| cues.get_mut(place)) {
                *kept = cue;
            }
        }
        let mut together = Review { analysis, cues, first_number: 1, ..self };
        let after = kinds(&together, said);
        let changed = verdicts(&before, &after, &places).into_iter();
        let numbered = numbers(first_number, &places, after.len());
        together.analysis.notes.extend(changed.chain(numbered));
        together
    }
}

/// Where each swing that was known live stands among those measured together, counted from 0; none where it is not
/// among them. They are found as the swing of a remark is.
fn places(live: &Review, together: &BucketAnalysis) -> Vec<Option<usize>> {
    let takeaways: Vec<DeviceTime> = together.swings.iter().map(|swing| swing.takeaway).collect();
    let mut taken = BTreeSet::new();
    let mut place_of = |(place, takeaway_us)| {
        let name = SwingName { takeaway_us, place: live.number(place) };
        find(&takeaways, name).filter(|place| taken.insert(*place))
    };
    live.analysis.swings.iter().map(|swing| swing.takeaway).enumerate().map(&mut place_of).collect()
}

/// How each swing came out, with what people said of it.
fn kinds(review: &Review, said: &Remarks) -> Vec<Kind> {
    let review = review.clone().with_said(said);
    review.analysis.swings.iter().map(|swing| Kind::of(&review, swing)).collect()
}

/// Which verdicts have changed, a sentence for each way in which they have.
fn verdicts(before: &[Kind], after: &[Kind], places: &[Option<usize>]) -> Vec<String> {
    let pairs = before.iter().zip(places).filter_map(|(before, place)| {
        let place = (*place)?;
        Some(((*before, *after.get(place)?), place + 1))
    });
    let changed = grouped(pairs.filter(|((before, after), _)| before != after));
    let sentence = |((before, after), numbers): ((Kind, Kind), Vec<usize>)| {
        let (before, after) = (before.words(), after.words());
        let swings = named("Swing", &numbers);
        format!("{swings}: {before} while the bucket ran, {after} with all swings measured together.")
    };
    changed.into_iter().map(sentence).collect()
}

/// Which swings are there in one of the two only, and which have another number. `first` is that of the first swing
/// that was known live, `all` how many there are together.
fn numbers(first: usize, places: &[Option<usize>], all: usize) -> Vec<String> {
    let numbered = || places.iter().enumerate().map(|(place, together)| (first + place, *together));
    let gone: Vec<usize> =
        numbered().filter(|(_, place)| place.is_none()).map(|(number, _)| number).collect();
    let found: BTreeSet<usize> = places.iter().flatten().copied().collect();
    // Of a very long bucket the first ones were known, but not kept.
    let known_from = if first > 1 { found.first().copied().unwrap_or(all) } else { 0 };
    let new: Vec<usize> =
        (known_from..all).filter(|place| !found.contains(place)).map(|place| place + 1).collect();
    let moved = numbered().filter_map(|(number, place)| {
        let now = place? + 1;
        Some((now.checked_signed_diff(number)?, (number, now)))
    });
    let moved = grouped(moved.filter(|(by, _)| *by != 0));
    let mut told = Vec::new();
    if !gone.is_empty() {
        let were = if gone.len() == 1 { "was" } else { "were" };
        let swings = named("swing", &gone);
        told.push(format!(
            "Not found with all swings measured together: what {were} {swings} while the bucket ran."
        ));
    }
    if !new.is_empty() {
        told.push(format!("Found only with all swings measured together: {}.", named("swing", &new)));
    }
    told.extend(moved.into_iter().map(|(_, numbers)| {
        let (before, now): (Vec<usize>, Vec<usize>) = numbers.into_iter().unzip();
        let was = if now.len() == 1 { "was" } else { "were" };
        format!("Numbered anew: {} {was} {} while the bucket ran.", named("swing", &now), listed(&before))
    }));
    told
}

/// What has the same key, together, in the order in which the keys come first.
fn grouped<K: PartialEq, V>(pairs: impl Iterator<Item = (K, V)>) -> Vec<(K, Vec<V>)> {
    let mut groups: Vec<(K, Vec<V>)> = Vec::new();
    for (key, value) in pairs {
        match groups.iter_mut().find(|(known, _)| *known == key) {
            Some((_, values)) => values.push(value),
            None => groups.push((key, vec![value])),
        }
    }
    groups
}

/// `Swing 2`, `Swings 2, 5 and 7 to 9`.
fn named(noun: &str, numbers: &[usize]) -> String {
    let ending = if numbers.len() == 1 { "" } else { "s" };
    format!("{noun}{ending} {}", listed(numbers))
}

/// Numbers in rising order; three and more in a row by their ends.
fn listed(numbers: &[usize]) -> String {
    let runs = numbers.chunk_by(|a, b| a + 1 == *b);
    let mut words: Vec<String> = runs
        .flat_map(|run| match run {
            [first, _, .., last] => vec![format!("{first} to {last}")],
            few => few.iter().map(usize::to_string).collect(),
        })
        .collect();
    let last = words.pop().unwrap_or_default();
    if words.is_empty() { last } else { format!("{} and {last}", words.join(", ")) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::{AtEvents, Class, SetTimes, Swing, TargetWindow};
    use crate::record::library::remarks::{Remark, Said};
    use crate::review::{LiveCue, Windows};
    use crate::units::{Measured, WallTime};

    /// A swing that begins in this second and is set at this share of the arm's travel.
    fn swing(second: i64, travel: f64) -> Swing {
        let takeaway = DeviceTime(second * 1_000_000);
        let at = |us| DeviceTime(takeaway.0 + us);
        let set = SetTimes {
            onset: at(200_000),
            half: at(400_000),
            set: at(600_000),
            nearly_full: at(650_000),
            sds_ms: [2.0; 4],
            set_to_top_ms: Measured::new(-300.0, 2.0),
            arm_travel_at_set: Measured::new(travel, 0.01),
        };
        let hinge_deg = AtEvents { top: Some(Measured::new(60.0, 1.0)), ..AtEvents::default() };
        Swing { set: Some(set), class: Class::Middle, hinge_deg, ..Swing::bare(takeaway, at(900_000)) }
    }

    fn analysis(swings: &[(i64, f64)]) -> BucketAnalysis {
        let swings = swings.iter().map(|(second, travel)| swing(*second, *travel)).collect();
        BucketAnalysis { swings, losses: Vec::new(), notes: Vec::new(), calibration: None }
    }

    /// A bucket as it was known live; each swing's cue tells in which second it began.
    fn live(swings: &[(i64, f64)]) -> Review {
        let window = |from, to| TargetWindow { from, to };
        let by_club = [("driver".to_owned(), window(0.7, 1.0))].into();
        let cue = |(second, _): &(i64, f64)| Some(LiveCue::after(&second.to_string(), DeviceTime(0)));
        Review {
            windows: Windows { by_club, otherwise: Some(window(0.4, 0.6)) },
            cues: swings.iter().map(cue).collect(),
            ..Review::new("kestrel-1.mcap", analysis(swings))
        }
    }

    fn cues(review: &Review) -> Vec<&str> {
        review.cues.iter().map(|cue| cue.as_ref().map_or("none", |cue| &cue.cue)).collect()
    }

    fn unsaid() -> Remarks {
        Remarks::default()
    }

    #[test]
    fn where_no_verdict_has_changed_nothing_is_told_and_numbers_are_the_better_ones() {
        let mut known = live(&[(10, 0.50), (20, 0.30)]);
        known.player = Some("Robin".to_owned());
        known.analysis.notes.push("as it was known live".to_owned());
        let better = analysis(&[(10, 0.52), (20, 0.31)]);
        let together = known.clone().measured_together(better.clone(), &unsaid());
        assert_eq!(together, Review { analysis: better, ..known });
    }

    #[test]
    fn verdicts_that_have_changed_are_told_by_the_way_they_have() {
        let known = live(&[(10, 0.61), (20, 0.50), (30, 0.62), (40, 0.41), (50, 0.50)]);
        let mut better = analysis(&[(10, 0.59), (20, 0.50), (30, 0.58), (40, 0.39), (50, 0.50)]);
        better.swings[4].set = None;
        let told = known.measured_together(better, &unsaid()).analysis.notes;
        let expected = [
            "Swings 1 and 3: late while the bucket ran, in the window with all swings measured together.",
            "Swing 4: in the window while the bucket ran, early with all swings measured together.",
            "Swing 5: in the window while the bucket ran, no set with all swings measured together.",
        ];
        assert_eq!(told, expected);
    }

    #[test]
    fn a_swing_that_one_of_both_lacks_is_told_and_each_other_keeps_its_cue() {
        // A takeaway may lie elsewhere by half a second and is the same swing's.
        let known = live(&[(10, 0.50), (30, 0.61), (40, 0.50), (50, 0.50), (60, 0.50)]);
        let mut better = analysis(&[(10, 0.50), (20, 0.50), (30, 0.59), (40, 0.50), (60, 0.50)]);
        better.swings[2].takeaway.0 += 400_000;
        let together = known.measured_together(better, &unsaid());
        assert_eq!(cues(&together), ["10", "none", "30", "40", "60"]);
        let expected = [
            "Swing 3: late while the bucket ran, in the window with all swings measured together.",
            "Not found with all swings measured together: what was swing 4 while the bucket ran.",
            "Found only with all swings measured together: swing 2.",
            "Numbered anew: swings 3 and 4 were 2 and 3 while the bucket ran.",
        ];
        assert_eq!(together.analysis.notes, expected);
    }

    #[test]
    fn a_clock_that_shows_a_time_twice_mixes_no_swings_up() {
        let known = live(&[(10, 0.50), (20, 0.61), (10, 0.30)]);
        let together = known.measured_together(analysis(&[(10, 0.50), (20, 0.59), (10, 0.30)]), &unsaid());
        assert_eq!(cues(&together), ["10", "20", "10"]);
        assert_eq!(together.analysis.notes.len(), 1, "{:?}", together.analysis.notes);
        let one_is_gone = live(&[(10, 0.5), (10, 0.5)]).measured_together(analysis(&[(10, 0.5)]), &unsaid());
        assert_eq!(one_is_gone.cues.len(), 1);
        let gone = "Not found with all swings measured together: what was swing 2 while the bucket ran.";
        assert_eq!(one_is_gone.analysis.notes, [gone]);
    }

    /// With the driver both are early; with no club, as it was told while it ran, one was and is not.
    #[test]
    fn a_verdict_is_that_for_the_club_as_it_was_put_right() {
        let (known, better) = (live(&[(10, 0.39)]), analysis(&[(10, 0.41)]));
        let name = SwingName { takeaway_us: DeviceTime(10_000_000), place: 1 };
        let driver = Said::Club("driver".to_owned());
        let remark = Remark { at_unix_ms: WallTime(7), swing: Some(name), said: driver };
        let said = Remarks { remarks: vec![remark], problems: Vec::new() };
        let together = known.clone().measured_together(better.clone(), &said);
        assert_eq!((together.analysis.notes.len(), &together.standing[..]), (0, &[][..]));
        assert_eq!(known.measured_together(better, &unsaid()).analysis.notes.len(), 1);
    }

    /// Of a very long bucket the newest swings are kept while it runs: the others are no news.
    #[test]
    fn swings_that_were_not_kept_are_neither_found_nor_numbered_anew() {
        let mut known = live(&[(30, 0.50), (40, 0.61), (60, 0.50)]);
        known.first_number = 3;
        let better = analysis(&[(10, 0.5), (20, 0.5), (30, 0.5), (40, 0.59), (50, 0.5), (60, 0.5)]);
        let together = known.measured_together(better, &unsaid());
        assert_eq!((together.first_number, together.newest_number()), (1, 6));
        assert_eq!(cues(&together), ["none", "none", "30", "40", "none", "60"]);
        let expected = [
            "Swing 4: late while the bucket ran, in the window with all swings measured together.",
            "Found only with all swings measured together: swing 5.",
            "Numbered anew: swing 6 was 5 while the bucket ran.",
        ];
        assert_eq!(together.analysis.notes, expected);
    }

    #[test]
    fn numbers_in_a_row_are_told_by_their_ends() {
        for (numbers, expected) in [
            (&[2][..], "Swing 2"),
            (&[2, 3], "Swings 2 and 3"),
            (&[2, 3, 4], "Swings 2 to 4"),
            (&[1, 3, 4, 7, 8, 9, 12], "Swings 1, 3, 4, 7 to 9 and 12"),
        ] {
            assert_eq!(named("Swing", numbers), expected);
        }
    }
}
