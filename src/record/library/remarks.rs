//! What people add to a recording: notes, tags, marks, the right club, a swing left out and why. Pure.
//!
//! They stand in NAME.remarks.jsonl, one JSON object a line, the first of which names the recording. Lines are
//! only ever added; a later one takes back an earlier. A swing is named by its takeaway on the hand node's clock,
//! which every version finds again within a few samples; its place in the bucket helps where a clock that has
//! started anew shows a time twice.

use super::moved::{Moved, SwingEvent};
use crate::record::error::quoted;
use crate::units::{DeviceTime, WallTime};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// A takeaway this near is that of the same swing, µs.
const SAME_SWING_US: i64 = 500_000;
/// Longest text of a remark, characters.
pub const LONGEST_TEXT: usize = 4000;

/// What is said.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "text", rename_all = "lowercase")]
pub enum Said {
    /// A text.
    Note(String),
    /// A word to find it by.
    Tag(String),
    /// That word no longer.
    Untag(String),
    /// Something to come back to.
    Mark(String),
    /// The club that was really used.
    Club(String),
    /// Left out of statistics, and why.
    Exclude(String),
    /// No longer left out.
    Include,
    /// An event of the swing as a person sees it, in the words of [`Moved`]; what was computed stays as it is.
    Event(String),
    /// What this recording was made from has been laid aside: the operation is over.
    Finished,
}

impl Said {
    /// Its kind and its text.
    #[must_use]
    pub fn fields(&self) -> (&'static str, &str) {
        match self {
            Said::Note(text) => ("note", text),
            Said::Tag(text) => ("tag", text),
            Said::Untag(text) => ("untag", text),
            Said::Mark(text) => ("mark", text),
            Said::Club(text) => ("club", text),
            Said::Exclude(text) => ("exclude", text),
            Said::Include => ("include", ""),
            Said::Event(text) => ("event", text),
            Said::Finished => ("finished", ""),
        }
    }

    /// Why its text cannot be kept: what was expected, and what was found.
    #[must_use]
    pub fn wrong_text(&self) -> Option<(String, String)> {
        let text = self.fields().1;
        let length = text.chars().count();
        let found = match length {
            _ if matches!(self, Said::Include) => return None,
            0 => "none".to_owned(),
            _ if text.trim().is_empty() => "blanks alone".to_owned(),
            length if length > LONGEST_TEXT => format!("{length} characters"),
            _ => return None,
        };
        Some((format!("a text of 1 to {LONGEST_TEXT} characters"), found))
    }
}

/// Which swing is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SwingName {
    /// Its takeaway on the hand node's clock.
    pub takeaway_us: DeviceTime,
    /// Its place in the bucket when this was said, from 1.
    pub place: usize,
}

/// One remark.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Remark {
    /// When it was made, ms since the Unix epoch.
    pub at_unix_ms: WallTime,
    /// The swing; none for the bucket as a whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub swing: Option<SwingName>,
    /// What is said.
    #[serde(flatten)]
    pub said: Said,
}

/// The first line.
#[derive(Debug, Serialize, Deserialize)]
struct Head {
    recording: Uuid,
    /// The recordings that it was made from, if it was: so that a file can be told for whom it was written even
    /// where the recording was never made.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    made_from: Vec<Uuid>,
}

/// The first line of a file of this recording, made from these.
///
/// # Errors
/// It cannot be put as JSON, which its type does not allow for.
pub fn head(recording: Uuid, made_from: &[Uuid]) -> Result<String, serde_json::Error> {
    serde_json::to_string(&Head { recording, made_from: made_from.to_vec() })
}

/// The recording that the first line of a file beside it names, and the ones that it was made from.
#[must_use]
pub fn recording_named(bytes: &[u8]) -> Option<(Uuid, Vec<Uuid>)> {
    let line = bytes.split(|byte| *byte == b'\n').next()?;
    serde_json::from_slice::<Head>(line).ok().map(|head| (head.recording, head.made_from))
}

/// What a remarks file holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Remarks {
    /// In the order in which they were made.
    pub remarks: Vec<Remark>,
    /// Lines that could not be read.
    pub problems: Vec<String>,
}

impl Remarks {
    /// Reads a file. What cannot be read is passed over and told.
    #[must_use]
    pub fn parse(bytes: &[u8]) -> Remarks {
        let mut read = Remarks::default();
        let whole = bytes.is_empty() || bytes.ends_with(b"\n");
        let lines: Vec<&[u8]> = bytes.split(|byte| *byte == b'\n').collect();
        for (at, line) in lines.iter().enumerate().filter(|(_, line)| !line.is_empty()) {
            match serde_json::from_slice::<Remark>(line) {
                Ok(remark) => read.remarks.push(remark),
                Err(_) if at == 0 && recording_named(line).is_some() => {}
                Err(_) if at + 1 == lines.len() && !whole => read.problems.push(format!(
                    "remarks, line {}: expected a whole line, found its first {} bytes and the end of the file",
                    at + 1,
                    line.len()
                )),
                Err(error) => read.problems.push(format!(
                    "remarks, line {}: expected a remark, found {}: {error}",
                    at + 1,
                    quoted(&String::from_utf8_lossy(line))
                )),
            }
        }
        read
    }

    /// The text of a file that holds these remarks of a recording made from others.
    ///
    /// # Errors
    /// One cannot be put as JSON, which their type does not allow for.
    pub fn text(
        recording: Uuid,
        made_from: &[Uuid],
        remarks: &[Remark],
    ) -> Result<String, serde_json::Error> {
        let mut text = head(recording, made_from)? + "\n";
        for remark in remarks {
            text.push_str(&serde_json::to_string(remark)?);
            text.push('\n');
        }
        Ok(text)
    }

    /// Whether the recording, made from others, has taken their place.
    #[must_use]
    pub fn finished(&self) -> bool {
        self.remarks.iter().any(|remark| remark.said == Said::Finished)
    }
}

/// Which of the swings that begin at `takeaways` is meant, from 0.
#[must_use]
pub fn find(takeaways: &[DeviceTime], name: SwingName) -> Option<usize> {
    let away = |at: &usize| {
        takeaways.get(*at).map_or(i64::MAX, |t| t.0.saturating_sub(name.takeaway_us.0).saturating_abs())
    };
    let near: Vec<usize> = (0..takeaways.len()).filter(|at| away(at) <= SAME_SWING_US).collect();
    // Where a clock shows a time twice, the place decides.
    near.into_iter().min_by_key(|at| ((at + 1).abs_diff(name.place), away(at)))
}

/// What holds for a swing, or for a bucket, once all remarks on it are taken together.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Standing {
    /// The club that was really used.
    pub club: Option<String>,
    /// Why it is left out of statistics.
    pub excluded: Option<String>,
    /// Words to find it by.
    pub tags: BTreeSet<String>,
    /// Notes, in the order in which they were made.
    pub notes: Vec<String>,
    /// Events that a person has moved, on the hand node's clock.
    pub moved: BTreeMap<SwingEvent, DeviceTime>,
}

impl Standing {
    /// Takes the next remark.
    pub fn take(&mut self, said: &Said) {
        match said {
            Said::Club(club) => self.club = Some(club.clone()),
            Said::Exclude(reason) => self.excluded = Some(reason.clone()),
            Said::Include => self.excluded = None,
            Said::Tag(word) => drop(self.tags.insert(word.clone())),
            Said::Untag(word) => drop(self.tags.remove(word)),
            Said::Note(text) => self.notes.push(text.clone()),
            Said::Event(text) => match Moved::parse(text) {
                Some(Moved { event, at: Some(at) }) => drop(self.moved.insert(event, at)),
                Some(Moved { event, at: None }) => drop(self.moved.remove(&event)),
                None => {}
            },
            Said::Mark(_) | Said::Finished => {}
        }
    }
}

/// What holds for each swing, and for the bucket; and remarks whose swing is not there.
#[must_use]
pub fn standings(takeaways: &[DeviceTime], remarks: &[Remark]) -> (Standing, Vec<Standing>, Vec<String>) {
    let (mut bucket, mut lost) = (Standing::default(), Vec::new());
    let mut swings = vec![Standing::default(); takeaways.len()];
    for remark in remarks {
        match remark.swing {
            None => bucket.take(&remark.said),
            Some(name) => match find(takeaways, name).and_then(|at| swings.get_mut(at)) {
                Some(swing) => swing.take(&remark.said),
                None => lost.push(format!(
                    "expected a swing that begins at {} µs for the remark {}, found none",
                    name.takeaway_us.0,
                    quoted(remark.said.fields().1)
                )),
            },
        }
    }
    (bucket, swings, lost)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn remark(swing: Option<(i64, usize)>, said: Said) -> Remark {
        let swing = swing.map(|(t, place)| SwingName { takeaway_us: DeviceTime(t), place });
        Remark { at_unix_ms: WallTime(7), swing, said }
    }

    #[test]
    fn remarks_survive_their_lines() {
        let remarks = vec![
            remark(None, Said::Note("wind, \"left\"\nto right".to_owned())),
            remark(Some((-5, 2)), Said::Exclude("topped".to_owned())),
            remark(Some((9, 1)), Said::Include),
        ];
        let text = Remarks::text(Uuid::from_u128(3), &[Uuid::nil()], &remarks).unwrap();
        assert_eq!(recording_named(text.as_bytes()), Some((Uuid::from_u128(3), vec![Uuid::nil()])));
        assert_eq!(Remarks::parse(text.as_bytes()), Remarks { remarks, problems: Vec::new() });
        assert!(
            text.contains(
                r#"{"at_unix_ms":7,"swing":{"takeaway_us":-5,"place":2},"kind":"exclude","text":"topped"}"#
            ),
            "{text}"
        );
    }

    #[test]
    fn a_torn_last_line_and_a_foreign_one_cost_themselves_only() {
        let whole = Remarks::text(Uuid::nil(), &[], &[remark(None, Said::Mark("a".to_owned()))]).unwrap();
        let torn = format!("{whole}{{\"kind\":\"dance\"}}\n{{\"at_un");
        let read = Remarks::parse(torn.as_bytes());
        assert_eq!(read.remarks.len(), 1);
        assert_eq!(read.problems.len(), 2);
        assert!(
            read.problems[0].starts_with("remarks, line 3: expected a remark, found "),
            "{:?}",
            read.problems
        );
        assert_eq!(
            read.problems[1],
            "remarks, line 4: expected a whole line, found its first 7 bytes and the end of the file"
        );
    }

    #[test]
    fn the_swing_is_the_nearest_and_a_time_shown_twice_goes_by_place() {
        let at = |t: &[i64]| t.iter().map(|t| DeviceTime(*t)).collect::<Vec<_>>();
        let name = |t, place| SwingName { takeaway_us: DeviceTime(t), place };
        let once = at(&[1_000_000, 9_000_000]);
        assert_eq!(find(&once, name(9_100_000, 1)), Some(1));
        assert_eq!(find(&once, name(5_000_000, 1)), None);
        let twice = at(&[1_000_000, 9_000_000, 1_100_000]);
        assert_eq!(find(&twice, name(1_050_000, 3)), Some(2));
        assert_eq!(find(&twice, name(1_050_000, 1)), Some(0));
    }

    #[test]
    fn later_remarks_take_back_earlier_ones() {
        let times = [DeviceTime(0)];
        let on = Some((100, 1));
        let remarks = [
            remark(on, Said::Exclude("cold".to_owned())),
            remark(on, Said::Tag("slow".to_owned())),
            remark(on, Said::Include),
            remark(on, Said::Club("iron 7".to_owned())),
            remark(on, Said::Event("set 800".to_owned())),
            remark(on, Said::Event("top 900".to_owned())),
            remark(on, Said::Event("set computed".to_owned())),
            remark(Some((9_000_000, 4)), Said::Tag("x".to_owned())),
        ];
        let (_, swings, lost) = standings(&times, &remarks);
        assert_eq!((swings[0].excluded.as_deref(), swings[0].club.as_deref()), (None, Some("iron 7")));
        assert!(swings[0].tags.contains("slow"));
        assert_eq!(swings[0].moved, BTreeMap::from([(SwingEvent::Top, DeviceTime(900))]));
        assert_eq!(lost, ["expected a swing that begins at 9000000 µs for the remark \"x\", found none"]);
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = (Remarks::parse(&bytes), recording_named(&bytes));
        }
    }
}
