//! A calibration that is going on: the readings of each of its parts.

use super::episode::{CalibrationEpisodes, Episode};
use crate::fusion::calibration::Biases;
use crate::fusion::glitch::without_glitches;
use crate::fusion::series::Reading;
use crate::sample::CalibrationPart;

/// More readings of a node than this are no part of a calibration: a minute at 1000 Hz.
const PART_READINGS_MAX: usize = 60_000;

/// The calibration so far.
pub(super) struct CalibrationInHand {
    parts: Vec<(CalibrationPart, Episode)>,
    /// When the last prompt came, hand clock, s; unknown until the hand is heard.
    pub last_prompt_s: Option<f64>,
}

impl CalibrationInHand {
    /// Begun at an instant of the hand clock, s, if that is known.
    pub fn begun(now_s: Option<f64>) -> CalibrationInHand {
        CalibrationInHand { parts: Vec::new(), last_prompt_s: now_s }
    }

    /// A part is asked for, and begins as this episode. The last part of each kind counts.
    pub fn prompt(&mut self, part: CalibrationPart, episode: Episode, now_s: Option<f64>) {
        self.last_prompt_s = now_s;
        self.parts.retain(|(before, _)| *before != part);
        self.parts.push((part, episode));
    }

    /// The part that is going on.
    pub fn part(&self) -> Option<CalibrationPart> {
        self.parts.last().map(|(part, _)| *part)
    }

    /// The parts that the axes come from are all there.
    pub fn is_whole(&self) -> bool {
        let moving = [CalibrationPart::Flex, CalibrationPart::Hinge, CalibrationPart::Roll];
        moving.iter().all(|part| self.parts.iter().any(|(of, _)| of == part))
    }

    /// Takes a reading of the hand or of the forearm.
    pub fn collect(&mut self, reading: Reading, of_hand: bool) {
        if let Some(readings) = self.collected(of_hand)
            && readings.len() < PART_READINGS_MAX
        {
            readings.push(reading);
        }
    }

    /// Counts the times of the part that is going on anew: of so many newest readings of a node by the second, of the
    /// others by the first, s.
    pub fn retime(&mut self, of_hand: bool, newest: usize, (before_s, from_s): (f64, f64)) {
        let Some(readings) = self.collected(of_hand) else { return };
        let before = readings.len().saturating_sub(newest);
        for (at, reading) in readings.iter_mut().enumerate() {
            reading.t_s += if at < before { before_s } else { from_s };
        }
    }

    fn collected(&mut self, of_hand: bool) -> Option<&mut Vec<Reading>> {
        let (_, episode) = self.parts.last_mut()?;
        Some(if of_hand { &mut episode.hand } else { &mut episode.forearm })
    }

    /// The parts with their readings in order of time, and what is known of the glove by now; none without readings.
    pub fn close(mut self, biases: Biases, clock_guess_s: f64) -> Option<CalibrationEpisodes> {
        for (_, episode) in &mut self.parts {
            for readings in [&mut episode.hand, &mut episode.forearm] {
                readings.sort_by(|a, b| a.t_s.total_cmp(&b.t_s));
                *readings = without_glitches(std::mem::take(readings));
            }
            episode.biases = biases;
            episode.clock_guess_s = clock_guess_s;
        }
        self.parts.retain(|(_, episode)| !episode.hand.is_empty());
        (!self.parts.is_empty()).then_some(CalibrationEpisodes { parts: self.parts })
    }
}
