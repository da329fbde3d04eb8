//! Measures of a player's arm and of clubs: what speeds are worked out with. Defaults say where they come from.

use super::settings::{Wrong, within};
use serde::{Deserialize, Serialize, Serializer};
use std::collections::BTreeMap;
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

    /// What no rigid club can have.
    ///
    /// # Errors
    /// Says which value is impossible, and why.
    pub fn checked(self) -> Result<ClubMeasures, String> {
        let ClubMeasures { length_m, mass_kg, balance_m, inertia_kgm2, head_kg, .. } = self;
        if !(balance_m > 0.0 && balance_m < length_m) {
            return Err(format!(
                "a centre of mass within the club's {length_m} m, found balance_m {balance_m}"
            ));
        }
        if !(head_kg > 0.0 && head_kg < mass_kg) {
            return Err(format!("a head lighter than the club's {mass_kg} kg, found head_kg {head_kg}"));
        }
        // About the grip's end that is S²/M and this: less than nothing about the centre of mass is impossible.
        if inertia_kgm2.is_nan() || inertia_kgm2 <= 0.0 {
            return Err(format!(
                "an inertia over S²/M, the least that mass at that distance has, so over 0 about the centre of \
                 mass; found inertia_kgm2 {inertia_kgm2}"
            ));
        }
        let most = mass_kg * balance_m * (length_m - balance_m);
        if inertia_kgm2 > most {
            return Err(format!(
                "an inertia of at most {most:.4} kg·m² (all mass at the two ends), found inertia_kgm2 {inertia_kgm2}"
            ));
        }
        Ok(self)
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
    /// The club of this name, or of the kind that a word of it tells (`7 iron` is an iron).
    #[must_use]
    pub fn club(&self, name: &str) -> Option<ClubMeasures> {
        let by_word = || name.split_whitespace().find_map(|word| self.clubs.get(&word.to_lowercase()));
        self.clubs.get(name).or_else(by_word).copied()
    }
}

/// `[arm]` as it is written.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(in crate::record) struct ArmSection {
    arm_length_m: Option<Spanned<f64>>,
    hand_length_m: Option<Spanned<f64>>,
}

impl ArmSection {
    pub(in crate::record) fn judged(&self) -> Result<ArmMeasures, Wrong> {
        let mut arm = ArmMeasures::default();
        if let Some(length) = &self.arm_length_m {
            arm.arm_length_m = within(length, 0.2, 1.2, "arm_length_m")?;
            arm.arm_length_sd_m = MEASURED_SD_M;
        }
        if let Some(length) = &self.hand_length_m {
            arm.hand_length_m = within(length, 0.03, 0.3, "hand_length_m")?;
        }
        Ok(arm)
    }
}

/// A club under `[clubs]` as it is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(in crate::record) struct ClubSection {
    length_m: Option<f64>,
    mass_kg: Option<f64>,
    balance_m: Option<f64>,
    inertia_kgm2: Option<f64>,
    head_kg: Option<f64>,
}

/// The club with what was said of it in place of what is usual for its kind.
pub(in crate::record) fn judged_club(
    known: &Measures,
    name: &str,
    section: &Spanned<ClubSection>,
) -> Result<ClubMeasures, Wrong> {
    let said = section.get_ref();
    let usual = known.club(name).unwrap_or(ClubMeasures::DRIVER);
    let wrong = |expected: String, found: String| Wrong(section.span(), expected, found);
    let value = |said: Option<f64>, usual: f64, (least, most): (f64, f64), key: &str| match said {
        Some(value) if !(least..=most).contains(&value) => {
            Err(wrong(format!("{key} from {least} to {most}"), value.to_string()))
        }
        said => Ok(said.unwrap_or(usual)),
    };
    let length_m = value(said.length_m, usual.length_m, (0.3, 1.5), "length_m")?;
    let mass_kg = value(said.mass_kg, usual.mass_kg, (0.1, 1.0), "mass_kg")?;
    // What is not said keeps its share of the length and of the mass.
    let (longer, heavier) = (length_m / usual.length_m, mass_kg / usual.mass_kg);
    let club = ClubMeasures {
        length_m,
        length_sd_m: if said.length_m.is_some() { MEASURED_SD_M } else { usual.length_sd_m },
        mass_kg,
        balance_m: said.balance_m.unwrap_or(usual.balance_m * longer),
        inertia_kgm2: said.inertia_kgm2.unwrap_or(usual.inertia_kgm2 * heavier * longer * longer),
        head_kg: said.head_kg.unwrap_or(usual.head_kg * heavier),
    };
    club.checked().map_err(|reason| {
        let (expected, found) = reason.split_once("found ").unwrap_or((&reason, "another"));
        wrong(expected.trim_end_matches([' ', ',', ';']).to_owned(), found.to_owned())
    })
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
            let reason = club.checked().unwrap_err();
            assert!(reason.contains(expected), "{reason}");
        };
        let driver = ClubMeasures::DRIVER;
        check(ClubMeasures { inertia_kgm2: -0.001, ..driver }, "over S²/M");
        check(ClubMeasures { inertia_kgm2: f64::NAN, ..driver }, "over S²/M");
        check(ClubMeasures { inertia_kgm2: 0.0699, ..driver }, "at most 0.0698");
        check(ClubMeasures { balance_m: 1.2, ..driver }, "within the club's 1.143 m");
        check(ClubMeasures { head_kg: 0.4, ..driver }, "lighter than the club's 0.31 kg");
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
