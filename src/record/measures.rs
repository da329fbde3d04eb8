//! Measures of a player's arm and of clubs: what speeds are worked out with. Defaults say where they come from.
//!
//! What the player's file says goes before what the settings say, and that before what is usual, value by value: what
//! is not said takes nothing's place.

use super::settings::{Wrong, named_club, within};
use crate::units::Measured;
use serde::{Deserialize, Serialize, Serializer};
use std::collections::BTreeMap;
use thiserror::Error;
use toml::Spanned;

/// Shoulder to wrist, and wrist to knuckles, m: a middling adult's (common practice, no source).
pub const USUAL_ARM_M: f64 = 0.58;
const USUAL_HAND_M: f64 = 0.10;
/// How far a length that nobody measured may be off, and one from the settings, m (judgement).
const GUESSED_SD_M: f64 = 0.03;
const MEASURED_SD_M: f64 = 0.005;
/// Grip and shaft of a club that is built up from its parts (common practice).
const GRIP_LENGTH_M: f64 = 0.26;
const GRIP_KG: f64 = 0.05;
/// The head's middle lies so far before the sole's end of the length, m (judgement).
const HEAD_HEIGHT_M: f64 = 0.02;

/// The player's lead arm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ArmMeasures {
    /// Shoulder to wrist, m.
    pub arm_length_m: f64,
    /// Wrist to knuckles, m.
    pub hand_length_m: f64,
    /// Standard deviation of the arm's length, m.
    pub arm_length_sd_m: f64,
}

impl ArmMeasures {
    /// The arm's length with its standard deviation, m.
    #[must_use]
    pub fn length(&self) -> Measured {
        Measured::new(self.arm_length_m, self.arm_length_sd_m)
    }
}

impl Default for ArmMeasures {
    fn default() -> ArmMeasures {
        ArmMeasures { arm_length_m: USUAL_ARM_M, hand_length_m: USUAL_HAND_M, arm_length_sd_m: GUESSED_SD_M }
    }
}

/// What is worked out has no more digits than what is measured.
fn to_millionths<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_f64((value * 1e6).round() / 1e6)
}

/// A club as a rigid body.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ClubMeasures {
    /// From the end of the grip to the sole, m.
    #[serde(serialize_with = "to_millionths")]
    pub length_m: f64,
    /// Standard deviation of the length, m.
    #[serde(serialize_with = "to_millionths")]
    pub length_sd_m: f64,
    /// Whole mass, kg.
    #[serde(serialize_with = "to_millionths")]
    pub mass_kg: f64,
    /// From the end of the grip to the centre of mass, m.
    #[serde(serialize_with = "to_millionths")]
    pub balance_m: f64,
    /// Moment of inertia about the centre of mass, across the shaft, kg·m².
    #[serde(serialize_with = "to_millionths")]
    pub inertia_kgm2: f64,
    /// Mass of the head, kg.
    #[serde(serialize_with = "to_millionths")]
    pub head_kg: f64,
}

impl ClubMeasures {
    /// A driver: 0.31 kg, 1.143 m, centre of mass 0.89 m from the grip end, 0.043 kg·m² about it (Nesbit 2005,
    /// J Sports Sci Med 4:499-519, second-hand); head 0.200 kg (common practice).
    pub const DRIVER: ClubMeasures = ClubMeasures {
        length_m: 1.143,
        length_sd_m: 0.02,
        mass_kg: 0.31,
        balance_m: 0.89,
        inertia_kgm2: 0.043,
        head_kg: 0.200,
    };

    /// A club of which length and the masses of head and shaft are known, built up from a head as a point, a
    /// shaft and a grip as even rods.
    #[must_use]
    pub fn from_parts(length_m: f64, head_kg: f64, shaft_kg: f64) -> ClubMeasures {
        let head_m = length_m - HEAD_HEIGHT_M;
        let parts = [
            (GRIP_KG, 0.5 * GRIP_LENGTH_M, GRIP_LENGTH_M),
            (shaft_kg, 0.5 * length_m, length_m),
            (head_kg, head_m, 0.0),
        ];
        let mass_kg = parts.iter().map(|(mass, _, _)| mass).sum::<f64>();
        let balance_m = parts.iter().map(|(mass, at, _)| mass * at).sum::<f64>() / mass_kg;
        let about =
            |(mass, at, long): &(f64, f64, f64)| mass * ((at - balance_m).powi(2) + long * long / 12.0);
        ClubMeasures {
            length_m,
            length_sd_m: GUESSED_SD_M,
            mass_kg,
            balance_m,
            inertia_kgm2: parts.iter().map(about).sum(),
            head_kg,
        }
    }

    /// Its length with its standard deviation, m.
    #[must_use]
    pub fn length(&self) -> Measured {
        Measured::new(self.length_m, self.length_sd_m)
    }

    /// The same club with a longer or shorter shaft, and mass added to its head or taken off it.
    #[must_use]
    pub fn changed(&self, longer_m: f64, heavier_head_kg: f64) -> ClubMeasures {
        // What is added sits at the head's end; the rest stays where it was, the head moves out with the shaft.
        let head_m = self.length_m - HEAD_HEIGHT_M;
        let rest_kg = self.mass_kg - self.head_kg;
        let rest_m = (self.mass_kg * self.balance_m - self.head_kg * head_m) / rest_kg;
        let rest_inertia = self.inertia_kgm2
            - self.head_kg * (head_m - self.balance_m).powi(2)
            - rest_kg * (rest_m - self.balance_m).powi(2);
        let (head_kg, head_m) = (self.head_kg + heavier_head_kg, head_m + longer_m);
        let mass_kg = rest_kg + head_kg;
        let balance_m = (rest_kg * rest_m + head_kg * head_m) / mass_kg;
        ClubMeasures {
            length_m: self.length_m + longer_m,
            mass_kg,
            balance_m,
            inertia_kgm2: rest_inertia
                + rest_kg * (rest_m - balance_m).powi(2)
                + head_kg * (head_m - balance_m).powi(2),
            head_kg,
            ..*self
        }
    }

    /// Refuses what no rigid club can have.
    ///
    /// # Errors
    /// Which value is impossible, and why.
    pub fn checked(self) -> Result<ClubMeasures, Impossible> {
        let ClubMeasures { length_m, mass_kg, balance_m, inertia_kgm2, head_kg, .. } = self;
        if !(balance_m > 0.0 && balance_m < length_m) {
            let expected = format!("a centre of mass within the club's {length_m} m");
            return Err(Impossible::new(expected, "balance_m", balance_m));
        }
        if !(head_kg > 0.0 && head_kg < mass_kg) {
            let expected = format!("a head lighter than the club's {mass_kg} kg");
            return Err(Impossible::new(expected, "head_kg", head_kg));
        }
        // About the grip's end that is S²/M and this: less than nothing about the centre of mass is impossible.
        if inertia_kgm2.is_nan() || inertia_kgm2 <= 0.0 {
            let expected = "an inertia over S²/M, the least that mass at that distance has, so over 0 about the \
                            centre of mass";
            return Err(Impossible::new(expected.to_owned(), "inertia_kgm2", inertia_kgm2));
        }
        let most = mass_kg * balance_m * (length_m - balance_m);
        if inertia_kgm2 > most {
            let expected = format!("an inertia of at most {most:.4} kg·m² (all mass at the two ends)");
            return Err(Impossible::new(expected, "inertia_kgm2", inertia_kgm2));
        }
        Ok(self)
    }
}

/// A measure that cannot be.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("expected {expected}, found {found}")]
pub struct Impossible {
    /// What can be.
    pub expected: String,
    /// The key, and what it has.
    pub found: String,
}

impl Impossible {
    fn new(expected: String, key: &str, found: f64) -> Impossible {
        Impossible { expected, found: format!("{key} {found}") }
    }
}

/// The clubs that are known without being measured, by kind. All but the driver are built up from parts of
/// common practice (no source).
fn usual_clubs() -> BTreeMap<String, ClubMeasures> {
    let part =
        |kind: &str, length, head, shaft| (kind.to_owned(), ClubMeasures::from_parts(length, head, shaft));
    [
        ("driver".to_owned(), ClubMeasures::DRIVER),
        part("wood", 1.08, 0.215, 0.065),
        part("hybrid", 1.02, 0.235, 0.075),
        part("iron", 0.94, 0.270, 0.105),
        part("wedge", 0.895, 0.300, 0.115),
    ]
    .into()
}

/// Arm and clubs.
#[derive(Clone, Debug, PartialEq)]
pub struct Measures {
    /// The lead arm.
    pub arm: ArmMeasures,
    /// The clubs, by name or kind.
    pub clubs: BTreeMap<String, ClubMeasures>,
}

impl Default for Measures {
    fn default() -> Measures {
        Measures { arm: ArmMeasures::default(), clubs: usual_clubs() }
    }
}

impl Measures {
    /// The club of this name, in whatever case, as [`of_club`] finds it.
    #[must_use]
    pub fn club(&self, name: &str) -> Option<ClubMeasures> {
        of_club(&self.clubs, &name.to_lowercase()).copied()
    }
}

/// What stands for the club of this name, or for the kind that a word of it tells (`7 iron` is an iron).
#[must_use]
pub fn of_club<'a, T>(by_club: &'a BTreeMap<String, T>, name: &str) -> Option<&'a T> {
    let by_word = || name.to_lowercase().split_whitespace().find_map(|word| by_club.get(word));
    by_club.get(name).or_else(by_word)
}

/// What was said of an arm and of clubs.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct MeasuresSaid {
    /// The arm.
    #[serde(flatten)]
    pub arm: ArmSaid,
    /// The clubs, by name.
    pub clubs: BTreeMap<String, ClubSaid>,
}

impl MeasuresSaid {
    /// What was known of arm and clubs, with what was said in its place. Of a club that nothing is known of, what was
    /// not said is that of its kind, or of a driver.
    ///
    /// # Errors
    /// Something impossible was said: the club, and what.
    pub fn over(&self, known: &Measures) -> Result<Measures, (String, Impossible)> {
        let mut all = Measures { arm: self.arm.over(known.arm), clubs: known.clubs.clone() };
        for (name, said) in &self.clubs {
            let of_kind = known.club(name).unwrap_or(ClubMeasures::DRIVER);
            let club = said.over(of_kind).map_err(|wrong| (name.clone(), wrong))?;
            all.clubs.insert(name.to_lowercase(), club);
        }
        Ok(all)
    }
}

/// What was said of an arm.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct ArmSaid {
    /// Shoulder to wrist, m.
    pub arm_length_m: Option<f64>,
    /// Wrist to knuckles, m.
    pub hand_length_m: Option<f64>,
}

impl ArmSaid {
    fn over(&self, known: ArmMeasures) -> ArmMeasures {
        ArmMeasures {
            arm_length_m: self.arm_length_m.unwrap_or(known.arm_length_m),
            hand_length_m: self.hand_length_m.unwrap_or(known.hand_length_m),
            arm_length_sd_m: self.arm_length_m.map_or(known.arm_length_sd_m, |_| MEASURED_SD_M),
        }
    }
}

/// What was said of a club.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ClubSaid {
    /// From the end of the grip to the sole, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub length_m: Option<f64>,
    /// Whole mass, kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mass_kg: Option<f64>,
    /// From the end of the grip to the centre of mass, m.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub balance_m: Option<f64>,
    /// Moment of inertia about the centre of mass, across the shaft, kg·m².
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inertia_kgm2: Option<f64>,
    /// Mass of the head, kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub head_kg: Option<f64>,
}

impl ClubSaid {
    fn over(&self, known: ClubMeasures) -> Result<ClubMeasures, Impossible> {
        let value = |said: Option<f64>, known: f64, (least, most): (f64, f64), key: &str| match said {
            Some(value) if !(least..=most).contains(&value) => {
                Err(Impossible::new(format!("{key} from {least} to {most}"), key, value))
            }
            said => Ok(said.unwrap_or(known)),
        };
        let length_m = value(self.length_m, known.length_m, (0.3, 1.5), "length_m")?;
        let mass_kg = value(self.mass_kg, known.mass_kg, (0.1, 1.0), "mass_kg")?;
        // What is not said keeps its share of the length and of the mass.
        let (longer, heavier) = (length_m / known.length_m, mass_kg / known.mass_kg);
        let club = ClubMeasures {
            length_m,
            length_sd_m: self.length_m.map_or(known.length_sd_m, |_| MEASURED_SD_M),
            mass_kg,
            balance_m: self.balance_m.unwrap_or(known.balance_m * longer),
            inertia_kgm2: self.inertia_kgm2.unwrap_or(known.inertia_kgm2 * heavier * longer * longer),
            head_kg: self.head_kg.unwrap_or(known.head_kg * heavier),
        };
        club.checked()
    }
}

/// The arm as it is written in a file.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(in crate::record) struct ArmSection {
    pub(in crate::record) arm_length_m: Option<Spanned<f64>>,
    pub(in crate::record) hand_length_m: Option<Spanned<f64>>,
}

/// The clubs as they are written in a file.
pub(in crate::record) type ClubSections = BTreeMap<String, Spanned<ClubSaid>>;

/// What a file says of arm and clubs, and the usual measures with that in their place.
pub(in crate::record) fn judged_measures(
    arm: &ArmSection,
    clubs: &ClubSections,
) -> Result<(MeasuresSaid, Measures), Wrong> {
    let length = |said: &Option<Spanned<f64>>, least, most, key| {
        said.as_ref().map(|said| within(said, least, most, key)).transpose()
    };
    let arm = ArmSaid {
        arm_length_m: length(&arm.arm_length_m, 0.2, 1.2, "arm_length_m")?,
        hand_length_m: length(&arm.hand_length_m, 0.03, 0.3, "hand_length_m")?,
    };
    let plain = clubs.iter().map(|(name, club)| Ok((named_club(name.clone(), club)?, *club.get_ref())));
    let said = MeasuresSaid { arm, clubs: plain.collect::<Result<_, Wrong>>()? };
    let judged = said.over(&Measures::default());
    let measures = judged.map_err(|(name, Impossible { expected, found })| {
        Wrong(clubs.get(&name).map_or(0..0, Spanned::span), expected, found)
    })?;
    Ok((said, measures))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_club_is_found_by_name_or_by_the_kind_in_it() {
        let mut measures = Measures::default();
        measures.clubs.insert("7 iron".to_owned(), ClubMeasures { length_m: 0.95, ..ClubMeasures::DRIVER });
        let length = |name| measures.club(name).map(|club| club.length_m);
        assert_eq!(length("7 iron"), Some(0.95));
        assert_eq!(length("Iron 9"), Some(0.94));
        assert_eq!(length("9 iron"), Some(0.94));
        assert_eq!(length("broom"), None);
    }

    #[test]
    fn usual_clubs_are_possible() {
        for (name, club) in Measures::default().clubs {
            assert_eq!(club.checked(), Ok(club), "{name}");
        }
    }

    #[test]
    fn impossible_clubs_are_refused_with_the_reason() {
        let check = |club: ClubMeasures, expected: &str| {
            let reason = club.checked().unwrap_err().to_string();
            assert!(reason.contains(expected), "{reason}");
        };
        let driver = ClubMeasures::DRIVER;
        check(ClubMeasures { inertia_kgm2: -0.001, ..driver }, "over S²/M");
        check(ClubMeasures { inertia_kgm2: f64::NAN, ..driver }, "over S²/M");
        check(ClubMeasures { inertia_kgm2: 0.0699, ..driver }, "at most 0.0698");
        check(ClubMeasures { balance_m: 1.2, ..driver }, "within the club's 1.143 m");
        check(ClubMeasures { head_kg: 0.4, ..driver }, "lighter than the club's 0.31 kg");
    }

    fn said(
        arm_length_m: Option<f64>,
        club: &str,
        length_m: Option<f64>,
        mass_kg: Option<f64>,
    ) -> MeasuresSaid {
        let clubs = [(club.to_owned(), ClubSaid { length_m, mass_kg, ..ClubSaid::default() })].into();
        MeasuresSaid { arm: ArmSaid { arm_length_m, hand_length_m: None }, clubs }
    }

    #[test]
    fn what_is_said_takes_the_place_of_what_was_known_and_nothing_else_does() {
        let settings = said(Some(0.6), "driver", Some(1.1), Some(0.3)).over(&Measures::default()).unwrap();
        let player = said(None, "Driver", Some(1.2), None).over(&settings).unwrap();
        assert_eq!((player.arm.arm_length_m, player.arm.arm_length_sd_m), (0.6, MEASURED_SD_M));
        assert_eq!(player.arm.hand_length_m, USUAL_HAND_M);
        let driver = player.club("driver").unwrap();
        assert_eq!((driver.length_m, driver.mass_kg), (1.2, 0.3));
        // What nobody said goes along: the middle lies as far down, the head is as heavy a part.
        assert!((driver.balance_m - 0.89 * 1.2 / 1.143).abs() < 1e-12, "{}", driver.balance_m);
        assert!((driver.head_kg - 0.2 * 0.3 / 0.31).abs() < 1e-12, "{}", driver.head_kg);
        assert_eq!(player.club("iron"), Measures::default().club("iron"));
    }

    #[test]
    fn what_is_impossible_names_its_club() {
        let (club, wrong) = said(None, "iron", None, Some(-0.1)).over(&Measures::default()).unwrap_err();
        assert_eq!(club, "iron");
        assert_eq!(wrong.to_string(), "expected mass_kg from 0.1 to 1, found mass_kg -0.1");
    }

    #[test]
    fn a_change_that_is_none_leaves_the_club() {
        let same = ClubMeasures::DRIVER.changed(0.0, 0.0);
        assert!((same.inertia_kgm2 - 0.043).abs() < 1e-12 && (same.balance_m - 0.89).abs() < 1e-12);
        // Twenty grams at 1.123 m: the first moment grows by just that.
        let heavier = ClubMeasures::DRIVER.changed(0.0, 0.02);
        let first = heavier.mass_kg * heavier.balance_m - 0.31 * 0.89;
        assert!((first - 0.02 * 1.123).abs() < 1e-12, "{first}");
    }
}
