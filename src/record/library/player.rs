//! `players/NAME.toml`: who plays, with which measures and clubs, and where the set is wanted. Every key but the
//! name may be left out; every mistake is named with its line.
//!
//! What the file says goes before the settings, key by key and club by club; what it does not say is theirs. It counts
//! for every recording of the library with that player's name, whichever command reads it.

use super::files::{self, PLAYERS};
use super::open::INDEX;
use crate::detect::TargetWindow;
use crate::record::error::{InputError, quoted};
use crate::record::measures::{ArmSection, ClubSaid, ClubSections, MeasuresSaid, judged_measures};
use crate::record::settings::{Settings, Wrong, judged_window, named_club, parse_toml};
use crate::units::PlayerHand;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use toml::Spanned;

/// A player.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Player {
    /// The name, as it stands in recordings.
    pub name: String,
    /// The side played from, where that was said.
    pub hand: Option<PlayerHand>,
    /// What was said of arm and clubs.
    #[serde(flatten)]
    pub said: MeasuresSaid,
    /// Where the set is wanted, for the clubs of which that was said.
    pub targets: BTreeMap<String, TargetWindow>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PlayerFile {
    name: Spanned<String>,
    hand: Option<PlayerHand>,
    arm_length_m: Option<Spanned<f64>>,
    hand_length_m: Option<Spanned<f64>>,
    #[serde(default)]
    clubs: ClubSections,
    #[serde(default)]
    targets: BTreeMap<String, Spanned<TargetWindow>>,
}

impl Player {
    /// A player of whom only the name is known.
    #[must_use]
    pub fn named(name: &str) -> Player {
        Player { name: name.to_owned(), hand: None, said: MeasuresSaid::default(), targets: BTreeMap::new() }
    }

    /// Reads the text of a player's file; `path` only names it in errors.
    ///
    /// # Errors
    /// Something in it is wrong: named with its line.
    pub fn parse(text: &str, path: &Path) -> Result<Player, InputError> {
        parse_toml(text, path, PlayerFile::judged)
    }

    /// The text of a file with everything that is known of a player.
    #[must_use]
    pub fn text(&self) -> String {
        let quoted = |text: &str| toml::Value::from(text).to_string();
        let hand = match self.hand {
            Some(hand) => format!("hand = \"{}\"", hand.word()),
            None => "# hand = \"left\"".to_owned(),
        };
        let key = |name: &str, value: &Option<f64>| value.map(|value| format!("{name} = {value:?}"));
        let length = |name: &str, value: &Option<f64>, example: &str| {
            key(name, value).unwrap_or_else(|| format!("# {name} = {example}"))
        };
        let arm = &self.said.arm;
        let mut text = format!(
            "# A player. Every key but the name may be left out; then it is that of the settings.\nname = {}\n\
             # The side played from: right or left.\n{hand}\n\
             # Shoulder to wrist, and wrist to knuckles, metres, as measured.\n{}\n{}\n\n\
             # Where the set is wanted, as arm travel, club by club.\n[targets]\n",
            quoted(&self.name),
            length("arm_length_m", &arm.arm_length_m, "0.58"),
            length("hand_length_m", &arm.hand_length_m, "0.10"),
        );
        for (club, window) in &self.targets {
            text.push_str(&format!(
                "{} = {{ from = {:?}, to = {:?} }}\n",
                quoted(club),
                window.from,
                window.to
            ));
        }
        text.push_str(
            "\n# The clubs: length (end of the grip to the sole) in metres, mass in kilograms, centre of mass from the \
             end\n# of the grip, inertia about it across the shaft, mass of the head; what is left out is that of the \
             settings, or\n# of its kind.\n[clubs]\n# driver = { length_m = 1.143, mass_kg = 0.31, balance_m = 0.89, \
             inertia_kgm2 = 0.043, head_kg = 0.2 }\n",
        );
        for (club, ClubSaid { length_m, mass_kg, balance_m, inertia_kgm2, head_kg }) in &self.said.clubs {
            let keys = [
                key("length_m", length_m),
                key("mass_kg", mass_kg),
                key("balance_m", balance_m),
                key("inertia_kgm2", inertia_kgm2),
                key("head_kg", head_kg),
            ];
            let inside: Vec<String> = keys.into_iter().flatten().collect();
            text.push_str(&format!("{} = {{ {} }}\n", quoted(club), inside.join(", ")));
        }
        text
    }
}

impl PlayerFile {
    fn judged(self) -> Result<Player, Wrong> {
        let name = self.name.get_ref().trim().to_owned();
        if name.is_empty() {
            return Err(Wrong(self.name.span(), "a name".to_owned(), "none".to_owned()));
        }
        let mut player = Player::named(&name);
        player.hand = self.hand;
        let arm = ArmSection { arm_length_m: self.arm_length_m, hand_length_m: self.hand_length_m };
        (player.said, _) = judged_measures(&arm, &self.clubs)?;
        for (name, window) in self.targets {
            player.targets.insert(named_club(name, &window)?, judged_window(&window)?);
        }
        Ok(player)
    }
}

/// A player's file of a library.
#[derive(Clone, Debug, PartialEq)]
pub struct PlayersFile {
    /// Where it is.
    pub path: PathBuf,
    /// What it says.
    pub player: Player,
}

impl PlayersFile {
    /// The settings with what this file says in their place.
    ///
    /// # Errors
    /// The file's club, with what the settings say of it besides, is no club.
    pub fn over(&self, settings: &Settings) -> Result<Settings, InputError> {
        let measures =
            self.player.said.over(&settings.measures).map_err(|(club, wrong)| InputError::Format {
                path: self.path.clone(),
                expected: format!(
                    "of club {}, with what the settings say of it besides, {}",
                    quoted(&club),
                    wrong.expected
                ),
                found: wrong.found,
            })?;
        let mut all = Settings { measures, ..settings.clone() };
        all.targets.extend(self.player.targets.clone());
        all.player.hand = self.player.hand.unwrap_or(all.player.hand);
        Ok(all)
    }
}

/// The library that a file lies in: the nearest folder above it that keeps players or an index.
#[must_use]
pub fn library_of(recording: &Path) -> Option<PathBuf> {
    let whole = recording.canonicalize().ok()?;
    let is_library = |folder: &&Path| folder.join(PLAYERS).is_dir() || folder.join(INDEX).is_file();
    whole.ancestors().skip(1).find(is_library).map(Path::to_owned)
}

/// The file of the player of this name; none where he has none.
///
/// # Errors
/// His file is wrong, he has two, or one of which it cannot be told whose it is cannot be read.
pub fn players_file(library: &Path, name: &str) -> Result<Option<PlayersFile>, InputError> {
    if name.is_empty() {
        return Ok(None);
    }
    let folder = library.join(PLAYERS);
    let paths = paths(library).map_err(|source| InputError::Open { path: folder, source })?;
    let (mut own, mut nobodys): (Option<PlayersFile>, Option<InputError>) = (None, None);
    for path in paths {
        match read(&path) {
            Ok(player) if player.name == name => match &own {
                Some(PlayersFile { path: first, .. }) => {
                    return Err(InputError::Format {
                        path,
                        expected: "one file for each player".to_owned(),
                        found: format!("a second one of {} beside {}", quoted(name), first.display()),
                    });
                }
                None => own = Some(PlayersFile { path, player }),
            },
            Ok(_) => {}
            Err(error) => match named_in(&path) {
                Some(other) if other == name => return Err(error),
                Some(_) => {}
                None => nobodys = nobodys.or(Some(error)),
            },
        }
    }
    match (own, nobodys) {
        (Some(own), _) => Ok(Some(own)),
        // It may be his.
        (None, Some(error)) => Err(error),
        (None, None) => Ok(None),
    }
}

/// The name in a file that is wrong in something else.
fn named_in(path: &Path) -> Option<String> {
    let text = String::from_utf8(files::read(path).ok()??).ok()?;
    let table: toml::Table = text.parse().ok()?;
    Some(table.get("name")?.as_str()?.trim().to_owned())
}

/// The players of a library, in order of their files; each file that is wrong as its error.
///
/// # Errors
/// The folder cannot be read.
pub fn players(library: &Path) -> std::io::Result<Vec<Result<Player, InputError>>> {
    Ok(paths(library)?.iter().map(|path| read(path)).collect())
}

/// The players' files of a library, in order.
fn paths(library: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut paths = Vec::new();
    match std::fs::read_dir(library.join(PLAYERS)) {
        Ok(entries) => {
            for entry in entries {
                paths.push(entry?.path());
            }
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
        Err(error) => return Err(error),
    }
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "toml"));
    paths.sort();
    Ok(paths)
}

fn read(path: &Path) -> Result<Player, InputError> {
    let failed = |source| InputError::Open { path: path.to_owned(), source };
    let bytes = files::read(path).map_err(failed)?.unwrap_or_default();
    let text = String::from_utf8(bytes).map_err(|_| InputError::Format {
        path: path.to_owned(),
        expected: "text in UTF-8".to_owned(),
        found: "other bytes".to_owned(),
    })?;
    Player::parse(&text, path)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_error(text: &str, expected: &str) {
        assert_eq!(Player::parse(text, Path::new("p.toml")).unwrap_err().to_string(), expected);
    }

    #[test]
    fn a_player_survives_the_file() {
        let mut robin = Player::named("Robin \"R\"");
        assert_eq!(Player::parse(&robin.text(), Path::new("p.toml")).unwrap(), robin);
        robin.hand = Some(PlayerHand::Left);
        assert_eq!(Player::parse(&robin.text(), Path::new("p.toml")).unwrap(), robin);
        let iron = ClubSaid { length_m: Some(0.94), head_kg: Some(0.28), ..ClubSaid::default() };
        robin.said.clubs.insert("iron 7".to_owned(), iron);
        robin.said.arm.hand_length_m = Some(0.09);
        robin.targets.insert("iron 7".to_owned(), TargetWindow { from: 0.3, to: 0.5 });
        assert_eq!(Player::parse(&robin.text(), Path::new("p.toml")).unwrap(), robin);
    }

    #[test]
    fn the_hand_of_the_file_goes_before_that_of_the_settings() {
        let over = |hand| {
            let player = Player { hand, ..Player::named("Ann") };
            let file = PlayersFile { path: "ann.toml".into(), player };
            let mut settings = Settings::default();
            settings.player.hand = PlayerHand::Left;
            file.over(&settings).unwrap().player.hand
        };
        assert_eq!(over(Some(PlayerHand::Right)), PlayerHand::Right);
        assert_eq!(over(None), PlayerHand::Left);
    }

    #[test]
    fn what_is_missing_has_a_default_and_what_is_wrong_has_a_line() {
        assert_eq!(Player::parse("name = \"Ann\"\n", Path::new("p.toml")).unwrap(), Player::named("Ann"));
        check_error("name = \"\"\n", "p.toml, line 1, column 8: expected a name, found none");
        check_error(
            "name = \"A\"\narm_length_m = 58\n",
            "p.toml, line 2, column 16: expected arm_length_m from 0.2 to 1.2, found 58",
        );
        check_error(
            "name = \"A\"\n[clubs]\niron = { mass_kg = 0.01 }\n",
            "p.toml, line 3, column 8: expected mass_kg from 0.1 to 1, found mass_kg 0.01",
        );
        check_error(
            "name = \"A\"\n[clubs]\niron = { inertia_kgm2 = -0.001 }\n",
            "p.toml, line 3, column 8: expected an inertia over S²/M, the least that mass at that distance has, so over \
             0 about the centre of mass, found inertia_kgm2 -0.001",
        );
        check_error(
            "name = \"A\"\n[targets]\niron = { from = 1.0, to = 0.5 }\n",
            "p.toml, line 3, column 8: expected a window with 0 <= from < to <= 2, found from 1 to 0.5",
        );
    }

    /// A library with these players' files.
    fn library(files: &[(&str, &str)]) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join(PLAYERS)).unwrap();
        for (name, text) in files {
            std::fs::write(folder.path().join(PLAYERS).join(name), text).unwrap();
        }
        folder
    }

    fn found(library: &tempfile::TempDir, name: &str) -> Result<Option<Option<f64>>, String> {
        let found = players_file(library.path(), name).map_err(|error| error.to_string());
        Ok(found?.map(|own| own.player.said.arm.arm_length_m))
    }

    #[test]
    fn a_player_has_one_file_and_anothers_mistake_is_anothers() {
        let robin = "name = \"Robin\"\narm_length_m = 0.6\n";
        let wrong = "name = \"Ann\"\narm_length_m = 6\n";
        let with_both = library(&[("a.toml", wrong), ("r.toml", robin), ("notes.txt", "=")]);
        assert_eq!(found(&with_both, "Robin"), Ok(Some(Some(0.6))));
        assert_eq!(found(&with_both, "Wren"), Ok(None));
        assert_eq!(found(&with_both, ""), Ok(None));
        let error = found(&with_both, "Ann").unwrap_err();
        assert!(error.contains("a.toml, line 2") && error.contains("from 0.2 to 1.2, found 6"), "{error}");
        let twice = library(&[("r.toml", robin), ("robin.toml", robin)]);
        assert!(found(&twice, "Robin").unwrap_err().contains("expected one file for each player"));
    }

    #[test]
    fn a_file_that_may_be_anybodys_is_an_error_for_whoever_has_none() {
        let folder = library(&[("a.toml", "name = \"Ann\"\n"), ("r.toml", "name = Robin\n")]);
        assert_eq!(found(&folder, "Ann"), Ok(Some(None)));
        let error = found(&folder, "Robin").unwrap_err();
        assert!(error.contains("r.toml, line 1"), "{error}");
    }

    #[test]
    fn a_recording_lies_in_the_nearest_library_above_it() {
        let folder = library(&[]);
        let deep = folder.path().join("2026/april");
        std::fs::create_dir_all(&deep).unwrap();
        let recording = deep.join("a.mcap");
        assert_eq!(library_of(&recording), None, "there is no such file");
        std::fs::write(&recording, "").unwrap();
        let whole = folder.path().canonicalize().unwrap();
        assert_eq!(library_of(&recording), Some(whole.clone()));
        std::fs::write(deep.join(INDEX), "").unwrap();
        assert_eq!(library_of(&recording), Some(whole.join("2026/april")));
    }

    #[test]
    fn what_the_file_says_goes_before_the_settings_and_no_further() {
        let text = "name = \"Robin\"\n[targets]\niron = { from = 0.3, to = 0.5 }\n[clubs]\ndriver = { mass_kg = 0.33 }\n";
        let own =
            PlayersFile { path: "p.toml".into(), player: Player::parse(text, Path::new("p.toml")).unwrap() };
        let settings = "[arm]\narm_length_m = 0.61\n[targets]\nputter = { from = 0.1, to = 0.2 }\n\
                        [clubs]\ndriver = { length_m = 1.1 }\n";
        let settings = Settings::parse(settings, Path::new("s.toml")).unwrap();
        let all = own.over(&settings).unwrap();
        assert_eq!(all.measures.arm, settings.measures.arm);
        let driver = all.measures.club("driver").unwrap();
        assert_eq!((driver.length_m, driver.mass_kg), (1.1, 0.33));
        assert_eq!(all.targets["iron"], TargetWindow { from: 0.3, to: 0.5 });
        assert_eq!(all.targets["putter"], settings.targets["putter"]);
        // Each by itself can be; together they cannot.
        let low = "name = \"Robin\"\n[clubs]\ndriver = { balance_m = 0.95 }\n";
        let own =
            PlayersFile { path: "p.toml".into(), player: Player::parse(low, Path::new("p.toml")).unwrap() };
        let heavy =
            Settings::parse("[clubs]\ndriver = { inertia_kgm2 = 0.06 }\n", Path::new("s.toml")).unwrap();
        assert!(own.over(&Settings::default()).is_ok());
        let error = own.over(&heavy).unwrap_err().to_string();
        assert!(
            error.starts_with("p.toml: expected of club \"driver\", with what the settings say"),
            "{error}"
        );
    }
}
