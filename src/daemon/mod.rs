//! One visible loop that wires link, recorder, detector and tone.
//!
//! [`run`] holds the loop; everything that can wake it is one [`event::Event`]. The detector runs on a
//! thread of its own, so that a failure there never stops the recording.

pub mod bucket;
mod bucket_frames;
mod bucket_status;
mod bucket_swings;
pub mod control;
pub mod detector;
mod disk_alarm;
pub mod ended;
pub mod event;
pub mod feedback;
pub mod guide;
mod guided;
mod lately;
pub mod metrics;
pub mod recovery;
pub mod requests;
pub mod run;
mod silence;
pub mod sound_tap;
pub mod sources;
pub mod spoken;
pub mod status;
mod together;
mod understanding;
pub mod view;
pub mod watch;

use crate::detect::{AnalysisParams, TargetWindow, Verdict};
use crate::record::library::analysis::Rules;
use crate::record::settings::Settings;
use crate::review::Windows;
use crate::tone::{Cue, SoundChoice, Volume};

/// The cue that tells a player this verdict.
#[must_use]
pub fn cue_of(verdict: Verdict) -> Cue {
    match verdict {
        Verdict::Early => Cue::Early,
        Verdict::InWindow => Cue::InWindow,
        Verdict::Late => Cue::Late,
        Verdict::NoSet => Cue::NoSet,
    }
}

/// What the settings mean for the analysis.
#[must_use]
pub fn analysis_params(settings: &Settings) -> AnalysisParams {
    let mut params = AnalysisParams {
        bands: settings.bands,
        grip_deg: settings.grip_angle_deg,
        ..AnalysisParams::default()
    };
    params.episodes.orientation = settings.orientation;
    params
}

/// What the analysis of a whole recording goes by.
#[must_use]
pub fn rules(settings: &Settings) -> Rules {
    Rules { params: analysis_params(settings), hand: settings.player.hand }
}

/// The player's windows for review and cues. A club without a window of its own has the middle class.
#[must_use]
pub fn windows(settings: &Settings) -> Windows {
    let middle = TargetWindow { from: settings.bands.early_below, to: settings.bands.late_from };
    Windows { by_club: settings.targets.clone(), otherwise: Some(middle) }
}

/// The player's name, if the settings give one.
#[must_use]
pub fn player_name(settings: &Settings) -> Option<String> {
    Some(settings.player.name.clone()).filter(|name| !name.is_empty())
}

/// The volume that the settings ask for, 0 to 1, as a share of the loudest that is allowed; none for silence.
#[must_use]
pub fn volume(settings: &Settings) -> Option<Volume> {
    let dbfs = 20.0 * settings.tone_volume.log10() + Volume::MOST_DBFS;
    (settings.tone_volume > 0.0).then(|| Volume::from_dbfs(dbfs.max(Volume::LEAST_DBFS)).unwrap_or_default())
}

/// The way out for cues, silent where the settings turn the volume to nothing.
#[must_use]
pub fn sound_choice(settings: &Settings, asked: &SoundChoice) -> SoundChoice {
    if volume(settings).is_some() { asked.clone() } else { SoundChoice::Silent }
}
