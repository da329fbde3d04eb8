//! The settings file: plain TOML, every key optional, every mistake named with its line.

use super::error::InputError;
use super::feedback_settings::FeedbackSettings;
use super::glove_settings::GloveSection;
use super::measures::{ArmSection, ClubSections, Measures, judged_measures};
use super::toml_words;
use crate::detect::{Bands, TargetWindow};
use crate::device::KnownGlove;
use crate::fusion::orientation::OrientationMethod;
use crate::units::PlayerHand;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read};
use std::ops::Range;
use std::path::{Path, PathBuf};
use toml::Spanned;

/// Longest settings file that is read, bytes.
const LONGEST: u64 = 1 << 20;

/// What the player and the coach can choose.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// The player.
    pub player: PlayerSettings,
    /// Edges between early, middle and late.
    pub bands: Bands,
    /// Where each club's set is wanted.
    pub targets: BTreeMap<String, TargetWindow>,
    /// Angle between the shaft and the hand's long axis in the grip, degrees.
    pub grip_angle_deg: f64,
    /// Volume of the tone, 0 silent to 1 full.
    pub tone_volume: f64,
    /// The folder that recordings are put into.
    pub recordings: PathBuf,
    /// The glove that was chosen on the air.
    pub glove: Option<KnownGlove>,
    /// Begin the calibration by itself when a glove connects that was not calibrated yet.
    pub calibrate_on_connect: bool,
    /// The filter that finds the gyro biases between swings.
    pub orientation: OrientationMethod,
    /// When the player hears a cue.
    pub feedback: FeedbackSettings,
    /// Arm and clubs, for speeds.
    pub measures: Measures,
}

/// Who plays.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct PlayerSettings {
    /// Name, as it stands in recordings.
    pub name: String,
    /// The side played from.
    pub hand: PlayerHand,
}

impl Default for PlayerSettings {
    fn default() -> PlayerSettings {
        PlayerSettings { name: String::new(), hand: PlayerHand::Right }
    }
}

/// The file as it is written, before its values are judged.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct SettingsFile {
    player: Option<PlayerSettings>,
    bands: Option<Spanned<Bands>>,
    targets: Option<BTreeMap<String, Spanned<TargetWindow>>>,
    grip_angle_deg: Option<Spanned<f64>>,
    tone_volume: Option<Spanned<f64>>,
    recordings: Option<Spanned<PathBuf>>,
    glove: Option<GloveSection>,
    calibrate_on_connect: Option<bool>,
    orientation: Option<OrientationMethod>,
    feedback: Option<Spanned<FeedbackSettings>>,
    arm: ArmSection,
    clubs: ClubSections,
}

/// A value that is out of its range: where, what was expected, what was found.
pub(in crate::record) struct Wrong(pub Range<usize>, pub String, pub String);

/// Reads a TOML file's text and has it judged; `path` only names it in errors.
///
/// # Errors
/// Something in it is wrong: named with its line.
pub(in crate::record) fn parse_toml<F: DeserializeOwned, T>(
    text: &str,
    path: &Path,
    judged: impl FnOnce(F) -> Result<T, Wrong>,
) -> Result<T, InputError> {
    let at = |Wrong(span, expected, found): Wrong| {
        let (line, column) = line_and_column(text, span.start);
        InputError::Value { path: path.to_owned(), line, column, expected, found }
    };
    let file: F = toml::from_str(text).map_err(|error| at(toml_words::wrong(text, &error)))?;
    judged(file).map_err(at)
}

impl Default for Settings {
    fn default() -> Settings {
        let window = |from, to| TargetWindow { from, to };
        // Starting points from common practice: early for a chip, about half way for an iron, near the top
        // for a driver. No source gives them as ideal; coaches change them.
        let targets =
            [("wedge", window(0.15, 0.45)), ("iron", window(0.40, 0.65)), ("driver", window(0.60, 1.0))];
        Settings {
            player: PlayerSettings::default(),
            bands: Bands::default(),
            targets: targets.into_iter().map(|(club, window)| (club.to_owned(), window)).collect(),
            grip_angle_deg: 31.0,
            tone_volume: 0.5,
            recordings: PathBuf::from("buckets"),
            glove: None,
            calibrate_on_connect: false,
            orientation: OrientationMethod::default(),
            feedback: FeedbackSettings::default(),
            measures: Measures::default(),
        }
    }
}

impl Settings {
    /// Reads a settings file; where there is none, the defaults hold.
    ///
    /// # Errors
    /// The file cannot be read, or something in it is wrong: named with its line.
    pub fn load(path: &Path) -> Result<Settings, InputError> {
        let failed = |source| InputError::Open { path: path.to_owned(), source };
        match File::open(path) {
            Ok(file) => Settings::parse(&text_of(file, path)?, path),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Settings::default()),
            Err(error) => Err(failed(error)),
        }
    }

    /// Reads the text of a settings file; `path` only names it in errors.
    ///
    /// # Errors
    /// Something in it is wrong: named with its line.
    pub fn parse(text: &str, path: &Path) -> Result<Settings, InputError> {
        parse_toml(text, path, SettingsFile::judged)
    }

    /// An example file with every key at its default, explained.
    #[must_use]
    pub fn default_text() -> &'static str {
        DEFAULT_TEXT
    }
}

/// The text of a settings file. What is no plain file may have no end, so its length is not asked for.
fn text_of(file: File, path: &Path) -> Result<String, InputError> {
    let failed = |source| InputError::Open { path: path.to_owned(), source };
    if file.metadata().map_err(failed)?.is_dir() {
        return Err(InputError::NotAFile { path: path.to_owned(), found: "folder" });
    }
    let form = |expected: String, found: &str| InputError::Format {
        path: path.to_owned(),
        expected,
        found: found.to_owned(),
    };
    let mut bytes = Vec::new();
    file.take(LONGEST + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > LONGEST {
        return Err(form(format!("a settings file of at most {LONGEST} bytes"), "a longer one"));
    }
    String::from_utf8(bytes).map_err(|_| form("a settings file: text in UTF-8".to_owned(), "other bytes"))
}

impl SettingsFile {
    fn judged(self) -> Result<Settings, Wrong> {
        let mut settings = Settings::default();
        settings.player = self.player.unwrap_or(settings.player);
        settings.calibrate_on_connect = self.calibrate_on_connect.unwrap_or(settings.calibrate_on_connect);
        if let Some(folder) = self.recordings {
            settings.recordings = judged_folder(folder)?;
        }
        settings.glove = self.glove.and_then(GloveSection::glove);
        settings.orientation = self.orientation.unwrap_or(settings.orientation);
        if let Some(feedback) = self.feedback {
            settings.feedback = judged_feedback(&feedback)?;
        }
        (_, settings.measures) = judged_measures(&self.arm, &self.clubs)?;
        if let Some(bands) = self.bands {
            settings.bands = judged_bands(&bands)?;
        }
        for (club, window) in self.targets.unwrap_or_default() {
            settings.targets.insert(named_club(club, &window)?, judged_window(&window)?);
        }
        if let Some(angle) = self.grip_angle_deg {
            settings.grip_angle_deg = within(&angle, 0.0, 90.0, "grip_angle_deg")?;
        }
        if let Some(volume) = self.tone_volume {
            settings.tone_volume = within(&volume, 0.0, 1.0, "tone_volume")?;
        }
        Ok(settings)
    }
}

pub(in crate::record) fn within(
    value: &Spanned<f64>,
    least: f64,
    most: f64,
    name: &str,
) -> Result<f64, Wrong> {
    let found = *value.get_ref();
    if (least..=most).contains(&found) {
        return Ok(found);
    }
    Err(Wrong(value.span(), format!("{name} from {least} to {most}"), found.to_string()))
}

fn judged_folder(folder: Spanned<PathBuf>) -> Result<PathBuf, Wrong> {
    if folder.get_ref().as_os_str().is_empty() {
        return Err(Wrong(folder.span(), "the name of a folder".to_owned(), "none".to_owned()));
    }
    Ok(folder.into_inner())
}

/// The name of a club of which something is said.
pub(in crate::record) fn named_club<T>(name: String, said: &Spanned<T>) -> Result<String, Wrong> {
    if name.trim().is_empty() {
        return Err(Wrong(said.span(), "the name of a club".to_owned(), "none".to_owned()));
    }
    Ok(name)
}

pub(in crate::record) fn judged_window(window: &Spanned<TargetWindow>) -> Result<TargetWindow, Wrong> {
    let found = *window.get_ref();
    if found.from >= 0.0 && found.from < found.to && found.to <= 2.0 {
        return Ok(found);
    }
    let expected = "a window with 0 <= from < to <= 2".to_owned();
    Err(Wrong(window.span(), expected, format!("from {} to {}", found.from, found.to)))
}

fn judged_feedback(feedback: &Spanned<FeedbackSettings>) -> Result<FeedbackSettings, Wrong> {
    let found = *feedback.get_ref();
    let wrong = |expected: &str, found: String| Err(Wrong(feedback.span(), expected.to_owned(), found));
    if !(found.band >= 0.0 && found.band <= 1.0) {
        return wrong("band from 0 to 1", found.band.to_string());
    }
    if !(found.fade_to >= 0.0 && found.fade_to <= 1.0) {
        return wrong("fade_to from 0 to 1", found.fade_to.to_string());
    }
    if found.fade_over == 0 {
        return wrong("fade_over from 1 on", found.fade_over.to_string());
    }
    Ok(found)
}

fn judged_bands(bands: &Spanned<Bands>) -> Result<Bands, Wrong> {
    let found = *bands.get_ref();
    let wrong = |expected: &str, found: String| Err(Wrong(bands.span(), expected.to_owned(), found));
    if !(found.early_below > 0.0 && found.early_below <= found.late_from && found.late_from <= 1.0) {
        let edges = format!("{} and {}", found.early_below, found.late_from);
        return wrong("bands with 0 < early_below <= late_from <= 1", edges);
    }
    if !(found.at_top_ms >= 0.0 && found.at_top_ms <= 500.0) {
        return wrong("at_top_ms from 0 to 500", found.at_top_ms.to_string());
    }
    if !(found.least_range_deg >= 0.0 && found.least_range_deg <= 90.0) {
        return wrong("least_range_deg from 0 to 90", found.least_range_deg.to_string());
    }
    Ok(found)
}

/// Line and column of a byte in a text, both from 1.
fn line_and_column(text: &str, at: usize) -> (usize, usize) {
    let before = text.get(..at).unwrap_or(text);
    let line_start = before.rfind('\n').map_or(0, |newline| newline + 1);
    (before.matches('\n').count() + 1, before[line_start..].chars().count() + 1)
}

const DEFAULT_TEXT: &str = "\
# Settings of hingeclock. Every key may be left out; what stands here are the defaults.

# Angle between the shaft and the hand's long axis in the grip, degrees. An assumption: 31 suits a
# neutral grip. It moves the arm-shaft angle, never the set.
grip_angle_deg = 31.0
# Volume of the tone, 0 silent to 1 full.
tone_volume = 0.5
# The folder that recordings are put into.
recordings = \"buckets\"
# Begin the calibration by itself when a glove connects that was not calibrated yet in this bucket.
calibrate_on_connect = false
# The filter that finds the gyro biases between swings: own; madgwick and mahony are there for comparison.
orientation = \"own\"

# The glove on the air. `hingeclock run --ble --glove NAME` writes it here; then it alone is taken.
[glove]
address = \"\"
serial = \"\"
name = \"\"

[player]
# As it stands on tables and in recordings; empty for none.
name = \"\"
# The side the player plays from: right or left. A glove that knows it is believed.
hand = \"right\"

# Classes of the set, by arm travel: 0 at takeaway, 1 at the top.
[bands]
early_below = 0.4
late_from = 0.7
# Within so many ms of the top a set is at-top.
at_top_ms = 30.0
# A hinge range under so many degrees has no set.
least_range_deg = 8.0

# When a cue is heard: at-set, after-swing, outside-band, fading or guess-first. The manual says what speaks
# for each.
[feedback]
mode = \"after-swing\"
# outside-band: half-width of the band around the middle of the window, arm travel.
band = 0.15
# fading: the share of swings that is heard falls from all to this one, over so many swings.
fade_to = 0.5
fade_over = 30
# What a speech program says after the cue: nothing, set (ms against the top) or travel (percent at the set).
speak = \"nothing\"

# Where the set is wanted, as arm travel, club by club. Mere starting points from common practice: no
# study calls them ideal. Other clubs may be added.
[targets]
wedge = { from = 0.15, to = 0.45 }
iron = { from = 0.40, to = 0.65 }
driver = { from = 0.60, to = 1.0 }

# The lead arm, for speeds: shoulder to wrist, and wrist to knuckles, metres. Measured ones make the bars narrower:
# [arm]
# arm_length_m = 0.58
# hand_length_m = 0.10

# A club's length (end of the grip to the sole), mass, centre of mass from the end of the grip, inertia about it
# across the shaft, and mass of the head; what is left out is that of its kind. driver, wood, hybrid, iron and
# wedge are known:
# [clubs]
# driver = { length_m = 1.143, mass_kg = 0.31, balance_m = 0.89, inertia_kgm2 = 0.043, head_kg = 0.2 }
";

#[cfg(test)]
mod tests {
    use super::*;

    fn check_error(text: &str, expected: &str) {
        let error = Settings::parse(text, Path::new("s.toml")).unwrap_err().to_string();
        assert_eq!(error, expected);
    }

    #[test]
    fn the_example_file_holds_the_defaults() {
        let parsed = Settings::parse(Settings::default_text(), Path::new("s.toml")).unwrap();
        assert_eq!(parsed, Settings::default());
    }

    #[test]
    fn without_a_file_and_in_an_empty_one_the_defaults_hold() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(Settings::load(&folder.path().join("none.toml")).unwrap(), Settings::default());
        assert_eq!(Settings::parse("", Path::new("s.toml")).unwrap(), Settings::default());
    }

    #[test]
    fn what_is_no_settings_file_is_named_even_where_it_has_no_end() {
        let folder = tempfile::tempdir().unwrap();
        let binary = folder.path().join("b.toml");
        std::fs::write(&binary, [0xff, 0xfe]).unwrap();
        for (path, expected) in [
            (Path::new("/dev/zero"), "expected a settings file of at most 1048576 bytes, found a longer one"),
            (&binary, "expected a settings file: text in UTF-8, found other bytes"),
            (folder.path(), "expected a file, found a folder"),
        ] {
            let error = Settings::load(path).unwrap_err().to_string();
            assert_eq!(error, format!("{}: {expected}", path.display()));
        }
    }

    #[test]
    fn what_is_said_replaces_the_default_and_nothing_else() {
        let text = "[player]\nhand = \"left\"\n[targets]\nputter = { from = 0, to = 0.2 }\n[bands]\nlate_from = 0.8\n";
        let settings = Settings::parse(text, Path::new("s.toml")).unwrap();
        assert_eq!(settings.player, PlayerSettings { name: String::new(), hand: PlayerHand::Left });
        assert_eq!((settings.bands.early_below, settings.bands.late_from), (0.4, 0.8));
        assert_eq!(settings.targets.len(), 4);
        assert_eq!(settings.targets["iron"], TargetWindow { from: 0.40, to: 0.65 });
    }

    #[test]
    fn values_out_of_range_are_named_with_their_line() {
        check_error(
            "[targets]\niron = { from = 0.7, to = 0.4 }\n",
            "s.toml, line 2, column 8: expected a window with 0 <= from < to <= 2, found from 0.7 to 0.4",
        );
        check_error(
            "\ntone_volume = 11\n",
            "s.toml, line 2, column 15: expected tone_volume from 0 to 1, found 11",
        );
        check_error(
            "recordings = \"\"\n",
            "s.toml, line 1, column 14: expected the name of a folder, found none",
        );
        for text in ["[targets]\n\"\" = { from = 0.4, to = 0.7 }\n", "[clubs]\n\" \" = { mass_kg = 0.3 }\n"] {
            let error = Settings::parse(text, Path::new("s.toml")).unwrap_err().to_string();
            assert!(error.ends_with("expected the name of a club, found none"), "{error}");
        }
        check_error(
            "[clubs]\ndriver = { inertia_kgm2 = -0.01 }\n",
            "s.toml, line 2, column 10: expected an inertia over S²/M, the least that mass at that distance has, so \
             over 0 about the centre of mass, found inertia_kgm2 -0.01",
        );
        check_error(
            "[arm]\narm_length_m = 58\n",
            "s.toml, line 2, column 16: expected arm_length_m from 0.2 to 1.2, found 58",
        );
        check_error("[feedback]\nband = 2\n", "s.toml, line 1, column 1: expected band from 0 to 1, found 2");
        check_error(
            "grip_angle_deg = nan\n",
            "s.toml, line 1, column 18: expected grip_angle_deg from 0 to 90, found NaN",
        );
        check_error(
            "[bands]\nearly_below = 0.9\n",
            "s.toml, line 1, column 1: expected bands with 0 < early_below <= late_from <= 1, found 0.9 and 0.7",
        );
    }
}
