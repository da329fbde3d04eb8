//! What a bucket does about its disk: tells a person at once, and sounds until it is well again. The live path
//! goes on whatever the disk does.

use super::bucket::Bucket;
use super::understanding::Brought;
use crate::record::keeper::News;
use crate::record::recorder::{Ended, Recorder, SLOW_AFTER_US};
use crate::record::unused::discard;
use crate::tone::Cue;
use crate::units::HostTime;
use std::path::PathBuf;

/// A slow disk that has caught up to this is called well again, µs.
const WELL_UNDER_US: i64 = 200_000;
/// So often the alarm sounds while the trouble lasts, µs.
const SOUND_EVERY_US: i64 = 30_000_000;

/// So many sentences are remembered: on what went wrong, so that the log has each once, and on what was lost, for the
/// bucket's end.
const TOLD_AT_MOST: usize = 100;

/// How the recorder stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Standing {
    recording: bool,
    lag_us: i64,
    waiting: usize,
    capacity: usize,
}

/// Follows the disk.
#[derive(Debug, Default)]
pub struct DiskAlarm {
    slow: bool,
    /// Something went wrong since the last sound, or still is.
    due: bool,
    last_sound: Option<HostTime>,
    /// What went wrong so far.
    told: Vec<String>,
}

impl DiskAlarm {
    /// What there is to say of a disk that became slow, or well again. Slow is loud, but nothing is lost yet.
    fn look(&mut self, standing: Standing) -> Option<String> {
        let Standing { recording, lag_us, waiting, capacity } = standing;
        self.due |= !recording || self.slow;
        if !self.slow && recording && lag_us >= SLOW_AFTER_US {
            (self.slow, self.due) = (true, true);
            let seconds = lag_us as f64 / 1e6;
            return Some(format!(
                "THE DISK IS SLOW: nothing has reached it for {seconds:.1} s; {waiting} pieces wait, {} more can",
                capacity.saturating_sub(waiting)
            ));
        }
        if self.slow && recording && lag_us < WELL_UNDER_US {
            (self.slow, self.due) = (false, false);
            return Some("the disk keeps up again: all that waited is on it".to_owned());
        }
        None
    }

    /// Something went wrong; whether that is new.
    fn wrong(&mut self, sentence: &str) -> bool {
        self.due = true;
        keep_new(&mut self.told, sentence)
    }

    /// Whether to sound now.
    fn sounds(&mut self, now: HostTime) -> bool {
        let rested = self.last_sound.is_none_or(|last| now.0.saturating_sub(last.0) >= SOUND_EVERY_US);
        let sounds = rested && std::mem::take(&mut self.due);
        if sounds {
            self.last_sound = Some(now);
        }
        sounds
    }
}

/// Keeps a sentence that is new while there is room; says whether it was kept.
fn keep_new(told: &mut Vec<String>, sentence: &str) -> bool {
    let new = told.len() < TOLD_AT_MOST && !told.iter().any(|before| before == sentence);
    if new {
        told.push(sentence.to_owned());
    }
    new
}

impl Bucket {
    /// Tells what the recorder has to say, and whether the disk keeps up.
    pub(super) fn look_after_disk(&mut self, now: HostTime) {
        let Some(recorder) = &mut self.recorder else { return };
        let standing = Standing {
            recording: recorder.is_recording(),
            lag_us: recorder.lag_us(now),
            waiting: recorder.waiting(),
            capacity: recorder.capacity(),
        };
        let said = self.disk_alarm.look(standing);
        let news = recorder.take_news();
        news.into_iter().for_each(|news| self.disk_news(news));
        if let Some(sentence) = said {
            if self.disk_alarm.slow { self.status.alarm(&sentence) } else { self.tell(&sentence) }
        }
        if self.disk_alarm.sounds(now) {
            self.sound.play(Cue::Alarm, now);
        }
    }

    fn disk_news(&mut self, news: News) {
        match news {
            News::Note(sentence) => self.tell(&sentence),
            News::Trouble(sentence) => self.alarm(&sentence),
            News::Lost(sentence) => self.lose(&sentence),
        }
    }

    /// Something went wrong with the recording: told loudly.
    fn alarm(&mut self, sentence: &str) {
        if self.disk_alarm.wrong(sentence) { self.status.alarm(sentence) } else { self.tell_once(sentence) }
    }

    /// Something is lost: told loudly, and again at the bucket's end.
    pub(super) fn lose(&mut self, sentence: &str) {
        keep_new(&mut self.lost, sentence);
        self.alarm(sentence);
    }

    /// Ends the recording; gives its files.
    pub(super) fn end_recording(&mut self) -> Vec<PathBuf> {
        let Some(Ended { result, news, paths }) = self.recorder.take().map(Recorder::finish) else {
            return Vec::new();
        };
        news.into_iter().for_each(|news| self.disk_news(news));
        if let Err(error) = result {
            self.lose(&format!("NOT RECORDED: {error}"));
            return paths;
        }
        if self.brought() == Brought::Nothing && discard(&paths) {
            self.tell("nothing was received and nothing said: no recording is kept");
            return Vec::new();
        }
        paths
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WELL: Standing = Standing { recording: true, lag_us: 60_000, waiting: 0, capacity: 100 };

    #[test]
    fn a_slow_disk_is_told_once_and_so_is_its_recovery() {
        let mut alarm = DiskAlarm::default();
        assert_eq!(alarm.look(WELL), None);
        assert!(!alarm.sounds(HostTime(0)));
        let slow = Standing { lag_us: 1_200_000, waiting: 40, ..WELL };
        let said = "THE DISK IS SLOW: nothing has reached it for 1.2 s; 40 pieces wait, 60 more can";
        assert_eq!(alarm.look(slow), Some(said.to_owned()));
        assert!(alarm.sounds(HostTime(1)));
        assert_eq!(alarm.look(Standing { lag_us: 500_000, ..slow }), None);
        assert!(alarm.look(WELL).is_some_and(|said| said.contains("keeps up again")));
        assert_eq!(alarm.look(WELL), None);
        assert!(!alarm.sounds(HostTime(60_000_000)), "it is well");
    }

    #[test]
    fn while_nothing_is_recorded_it_sounds_again_and_again() {
        let mut alarm = DiskAlarm::default();
        let broken = Standing { recording: false, ..WELL };
        let sounds: Vec<i64> = (0..100)
            .filter(|second| {
                alarm.look(broken);
                alarm.sounds(HostTime(second * 1_000_000))
            })
            .collect();
        assert_eq!(sounds, [0, 30, 60, 90]);
    }
}
