//! What an operation that was cut off has left, and what is to be done about it. Pure: from what lies in the
//! folder to steps.
//!
//! No journal is kept; the files themselves tell. A file that was never made ready is removed. A recording made
//! from others counts as an operation under way until its remarks say that it is finished: with all its parts
//! there, the recordings it was made from go to the trash; with a part missing, the parts that are there do. A file
//! of remarks or results without its recording is brought to the one it names, wherever that is now.

use super::files::{Beside, Listing};
use super::made_from::MadeFrom;
use super::steps::{Step, laid_aside};
use crate::units::WallTime;
use std::collections::BTreeMap;
use std::path::PathBuf;
use uuid::Uuid;

/// A recording that was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// Where.
    pub path: PathBuf,
    /// Its number.
    pub uuid: Uuid,
    /// From what it was made.
    pub made_from: Option<MadeFrom>,
    /// Its remarks say that it has taken the others' place.
    pub finished: bool,
    /// Which files lie beside it.
    pub beside: [bool; 2],
}

/// A file without its recording, and the number of the recording that it names.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Alone {
    /// Where.
    pub path: PathBuf,
    /// Of which kind.
    pub kind: Beside,
    /// The recording's number, where it can be read.
    pub names: Option<Uuid>,
    /// It was made ready for a recording that is made from these.
    pub made_for: Vec<Uuid>,
}

/// What is to be done, and what is told of it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Plan {
    /// Steps, in order.
    pub steps: Vec<Step>,
    /// What is told.
    pub told: Vec<String>,
}

/// What else a plan hangs on.
#[derive(Clone, Copy, Debug)]
pub struct Now {
    /// The wall time.
    pub at: WallTime,
    /// The first number in the trash that is free.
    pub trash_number: u32,
}

/// Works out what is to be done. `in_trash` has to be complete only where a file is alone.
#[must_use]
pub fn plan(listing: &Listing, found: &[Found], alone: &[Alone], in_trash: &[Found], now: Now) -> Plan {
    let mut plan = Plan::default();
    for path in &listing.unready {
        plan.told.push(format!("{}: was never made ready; removed", path.display()));
        plan.steps.push(Step::Remove { path: path.clone() });
    }
    operations(found, now, &mut plan);
    for file in alone {
        reunite(file, found, in_trash, &mut plan);
    }
    plan
}

/// Finishes or undoes what was made from others.
fn operations(found: &[Found], mut now: Now, plan: &mut Plan) {
    let mut sets: BTreeMap<&[Uuid], Vec<&Found>> = BTreeMap::new();
    for part in found {
        if let Some(made_from) = &part.made_from {
            sets.entry(&made_from.sources).or_default().push(part);
        }
    }
    for (sources, parts) in sets {
        let sources: Vec<&Found> = found.iter().filter(|other| sources.contains(&other.uuid)).collect();
        let unfinished: Vec<&Found> = parts.iter().copied().filter(|part| !part.finished).collect();
        // The finishing words are only written when all was done, so one part that has them speaks for all.
        let complete = is_complete(&parts) || unfinished.len() < parts.len();
        let (going, why): (&[&Found], &str) = match (unfinished.is_empty(), complete) {
            (true, _) => continue,
            (false, true) if unfinished.len() == parts.len() => {
                (&sources, "what was made from it is complete; laid in the trash")
            }
            (false, true) => (&[], ""),
            (false, false) if sources.is_empty() => continue,
            (false, false) => (&unfinished, "one part of an operation that was cut off; laid in the trash"),
        };
        for recording in going {
            plan.told.push(format!("{}: {why}", recording.path.display()));
            plan.steps.extend(laid_aside(recording, now.trash_number));
            now.trash_number += 1;
        }
        if complete {
            let finished =
                |part: &&Found| Step::Finished { recording: part.path.clone(), uuid: part.uuid, at: now.at };
            plan.steps.extend(unfinished.iter().map(finished));
        }
    }
}

/// Whether every part is there.
fn is_complete(parts: &[&Found]) -> bool {
    let of = parts.first().and_then(|part| part.made_from.as_ref()).map_or(0, |made| made.of);
    (1..=of).all(|number| {
        parts.iter().any(|part| part.made_from.as_ref().is_some_and(|made| made.part == number))
    })
}

fn reunite(file: &Alone, found: &[Found], in_trash: &[Found], plan: &mut Plan) {
    let at = |recordings: &[Found]| {
        let free = |other: &&Found| {
            !other.uuid.is_nil() && Some(other.uuid) == file.names && !other.beside[file.kind as usize]
        };
        recordings.iter().find(free).map(|other| file.kind.of(&other.path))
    };
    let for_none = found.iter().any(|source| file.made_for.contains(&source.uuid));
    match at(found).or_else(|| at(in_trash)) {
        Some(to) => {
            plan.told.push(format!("{}: brought to its recording as {}", file.path.display(), to.display()));
            plan.steps.push(Step::Carry { from: file.path.clone(), to });
        }
        None if for_none => {
            plan.told.push(format!(
                "{}: written for a recording that was never made; removed",
                file.path.display()
            ));
            plan.steps.push(Step::Remove { path: file.path.clone() });
        }
        None => plan.told.push(format!(
            "{}: expected its recording {} in the library, found none; left as it is",
            file.path.display(),
            file.names.map_or_else(|| "(its first line names none)".to_owned(), |uuid| uuid.to_string())
        )),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Now = Now { at: WallTime(5), trash_number: 3 };

    fn found(number: u128, made_from: Option<(&[u128], u32, u32)>, finished: bool) -> Found {
        let made_from = made_from.map(|(sources, part, of)| MadeFrom {
            sources: sources.iter().map(|n| Uuid::from_u128(*n)).collect(),
            part,
            of,
        });
        let path = PathBuf::from(format!("{number}.mcap"));
        Found { path, uuid: Uuid::from_u128(number), made_from, finished, beside: [true, false] }
    }

    fn check(found: &[Found], expected: &[&str]) {
        let steps = plan(&Listing::default(), found, &[], &[], NOW).steps;
        let told: Vec<String> = steps
            .iter()
            .map(|step| match step {
                Step::Carry { from, to } => format!("{} > {}", from.display(), to.display()),
                Step::Finished { recording, .. } => format!("finished {}", recording.display()),
                other => format!("{other:?}"),
            })
            .collect();
        assert_eq!(told, expected);
    }

    #[test]
    fn a_complete_set_takes_the_place_of_its_sources() {
        let set =
            [found(1, None, false), found(7, Some((&[1], 1, 2)), false), found(8, Some((&[1], 2, 2)), false)];
        check(
            &set,
            &[
                "1.mcap > trash/3/1.mcap",
                "1.remarks.jsonl > trash/3/1.remarks.jsonl",
                "finished 7.mcap",
                "finished 8.mcap",
            ],
        );
        check(&set[1..], &["finished 7.mcap", "finished 8.mcap"]);
    }

    #[test]
    fn an_incomplete_set_is_undone_only_where_its_source_is_there() {
        let set = [found(1, None, false), found(7, Some((&[1], 1, 2)), false)];
        check(&set, &["7.mcap > trash/3/7.mcap", "7.remarks.jsonl > trash/3/7.remarks.jsonl"]);
        check(&set[1..], &[]);
    }

    #[test]
    fn a_finished_set_is_left_alone_when_a_source_is_brought_back_or_a_part_deleted() {
        check(&[found(1, None, false), found(7, Some((&[1], 1, 2)), true)], &[]);
        let half =
            [found(1, None, false), found(7, Some((&[1], 1, 2)), true), found(8, Some((&[1], 2, 2)), false)];
        check(&half, &["finished 8.mcap"]);
    }

    #[test]
    fn a_file_alone_follows_its_recording_also_into_the_trash() {
        let file = |names| Alone {
            path: PathBuf::from("x.results.jsonl"),
            kind: Beside::Results,
            names: Some(Uuid::from_u128(names)),
            made_for: Vec::new(),
        };
        let (here, gone) = ([found(1, None, false)], [found(2, None, false)]);
        let go = |names| plan(&Listing::default(), &here, &[file(names)], &gone, NOW);
        let to =
            |to: &str| vec![Step::Carry { from: PathBuf::from("x.results.jsonl"), to: PathBuf::from(to) }];
        assert_eq!(go(1).steps, to("1.results.jsonl"));
        assert_eq!(go(2).steps, to("2.results.jsonl"));
        assert!(go(3).steps.is_empty());
        assert!(go(3).told[0].contains("found none; left as it is"), "{:?}", go(3).told);
    }
}
