//! `players/NAME.toml`: who plays, with which measures and clubs, and where the set is wanted. Every key but the
//! name may be left out; every mistake is named with its line.

use super::files::{self, PLAYERS};
use crate::detect::TargetWindow;
use crate::record::error::InputError;
use crate::record::settings::{Settings, Wrong, judged_window, parse_toml, within};
use crate::units::PlayerHand;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;
use toml::Spanned;

/// A player.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Player {
    /// The name, as it stands in recordings.
    pub name: String,
    /// The side played from.
    pub hand: PlayerHand,
    /// Shoulder to wrist, m.
    pub arm_length_m: f64,
    /// Wrist to knuckles, m.
    pub hand_length_m: f64,
    /// The clubs, by name.
    pub clubs: BTreeMap<String, Club>,
    /// Where each club's set is wanted.
    pub targets: BTreeMap<String, TargetWindow>,
}

/// A club's measures, where known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Club {
    /// From the end of the grip to the sole, m.
    pub length_m: Option<f64>,
    /// Its mass, kg.
    pub mass_kg: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PlayerFile {
    name: Spanned<String>,
    hand: Option<PlayerHand>,
    arm_length_m: Option<Spanned<f64>>,
    hand_length_m: Option<Spanned<f64>>,
    #[serde(default)]
    clubs: BTreeMap<String, Spanned<Club>>,
    #[serde(default)]
    targets: BTreeMap<String, Spanned<TargetWindow>>,
}

impl Player {
    /// A player of whom only the name is known: the defaults of the settings, and a middling adult's measures
    /// (common practice, no source).
    #[must_use]
    pub fn named(name: &str) -> Player {
        Player {
            name: name.to_owned(),
            hand: PlayerHand::Right,
            arm_length_m: 0.58,
            hand_length_m: 0.10,
            clubs: BTreeMap::new(),
            targets: Settings::default().targets,
        }
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
        let hand = if self.hand == PlayerHand::Right { "right" } else { "left" };
        let mut text = format!(
            "# A player. Every key but the name may be left out.\nname = {}\n# The side played from: right or left.\n\
             hand = \"{hand}\"\n# Shoulder to wrist, and wrist to knuckles, metres.\narm_length_m = {:?}\n\
             hand_length_m = {:?}\n\n# Where the set is wanted, as arm travel, club by club.\n[targets]\n",
            quoted(&self.name),
            self.arm_length_m,
            self.hand_length_m
        );
        for (club, window) in &self.targets {
            text.push_str(&format!(
                "{} = {{ from = {:?}, to = {:?} }}\n",
                quoted(club),
                window.from,
                window.to
            ));
        }
        text.push_str("\n# Length in metres and mass in kilograms, club by club.\n[clubs]\n");
        for (club, Club { length_m, mass_kg }) in &self.clubs {
            let key = |name: &str, value: &Option<f64>| value.map(|value| format!("{name} = {value:?}"));
            let inside: Vec<String> =
                [key("length_m", length_m), key("mass_kg", mass_kg)].into_iter().flatten().collect();
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
        player.hand = self.hand.unwrap_or(player.hand);
        if let Some(length) = self.arm_length_m {
            player.arm_length_m = within(&length, 0.2, 1.2, "arm_length_m")?;
        }
        if let Some(length) = self.hand_length_m {
            player.hand_length_m = within(&length, 0.03, 0.3, "hand_length_m")?;
        }
        for (name, window) in self.targets {
            player.targets.insert(name, judged_window(&window)?);
        }
        for (name, club) in self.clubs {
            let found = *club.get_ref();
            for (key, value, least, most) in
                [("length_m", found.length_m, 0.3, 1.5), ("mass_kg", found.mass_kg, 0.1, 1.0)]
            {
                if let Some(value) = value.filter(|value| !(least..=most).contains(value)) {
                    return Err(Wrong(
                        club.span(),
                        format!("{key} from {least} to {most}"),
                        value.to_string(),
                    ));
                }
            }
            player.clubs.insert(name, found);
        }
        Ok(player)
    }
}

/// The players of a library, in order of their files; each file that is wrong as its error.
///
/// # Errors
/// The folder cannot be read.
pub fn players(library: &Path) -> std::io::Result<Vec<Result<Player, InputError>>> {
    let folder = library.join(PLAYERS);
    let mut paths = Vec::new();
    match std::fs::read_dir(&folder) {
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
    Ok(paths.iter().map(|path| read(path)).collect())
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
        robin.hand = PlayerHand::Left;
        robin.clubs.insert("iron 7".to_owned(), Club { length_m: Some(0.94), mass_kg: None });
        assert_eq!(Player::parse(&robin.text(), Path::new("p.toml")).unwrap(), robin);
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
            "p.toml, line 3, column 8: expected mass_kg from 0.1 to 1, found 0.01",
        );
        check_error(
            "name = \"A\"\n[targets]\niron = { from = 1.0, to = 0.5 }\n",
            "p.toml, line 3, column 8: expected a window with 0 <= from < to <= 2, found from 1 to 0.5",
        );
    }
}
