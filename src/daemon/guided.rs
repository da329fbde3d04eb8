//! A bucket and its guide through the calibration: what the guide hears, and what follows from what it says.

use super::bucket::Bucket;
use super::guide::{Guide, INTRODUCTION, Say};
use crate::detect::episode::{CALIBRATION_DONE, CALIBRATION_NOTE, CALIBRATION_STOPPED};
use crate::device::Heard;
use crate::sample::{Arrival, Marker, NodeRole};
use crate::units::HostTime;
use std::panic::{AssertUnwindSafe, catch_unwind};

/// What of a frame's arrivals belongs to the present: readings that came late, or twice, do not.
pub(super) fn live_part<'a>(arrivals: &'a [Arrival], what: Option<&Heard>) -> &'a [Arrival] {
    match what {
        Some(Heard::Samples { live, .. }) => &arrivals[arrivals.len().saturating_sub(*live)..],
        _ => arrivals,
    }
}

impl Bucket {
    /// What the guide has to say to these arrivals. It ends with the first prompt that the glove gives itself.
    pub(super) fn guided(&mut self, arrivals: &[Arrival]) -> Vec<Say> {
        let Some(guide) = &mut self.guide else { return Vec::new() };
        let prompts =
            |arrival: &Arrival| matches!(arrival, Arrival::Marker { marker: Marker::Prompt(_), .. });
        if arrivals.iter().any(prompts) {
            self.status.line("the glove leads through the calibration itself");
            self.guide = None;
            return Vec::new();
        }
        let samples = arrivals.iter().filter_map(|arrival| match arrival {
            Arrival::Sample(sample) => Some(sample),
            Arrival::Marker { .. } => None,
        });
        // A guide that fails costs the calibration in hand, never the recording.
        let said = catch_unwind(AssertUnwindSafe(|| samples.flat_map(|sample| guide.hear(sample)).collect()));
        said.unwrap_or_else(|_| {
            self.status.line("the calibration failed; the recording goes on");
            vec![Say::Stopped]
        })
    }

    /// A glove that was not calibrated yet: begins with it, or says how to.
    pub(super) fn meet_glove(&mut self) {
        if self.guide.as_ref().is_some_and(Guide::is_waiting) {
            self.guide = Some(Guide::start(self.assembler.description()));
        } else if !self.calibrated && self.guide.is_none() {
            if self.calibrates_on_connect {
                self.start_guide();
            } else {
                let how = if self.status.is_in_view() { "press k" } else { "type calibrate" };
                self.status.line(&format!("not calibrated yet: {how} (half a minute)"));
            }
        }
    }

    pub(super) fn start_guide(&mut self) {
        self.status.line(INTRODUCTION);
        self.guide = Some(Guide::start(self.assembler.description()));
    }

    pub(super) async fn say_all(&mut self, said: Vec<Say>, now: HostTime) {
        for say in said {
            match say {
                Say::Prompt(part, words) => {
                    self.status.line(words);
                    self.keep_marker(Marker::Prompt(part), now).await;
                }
                Say::Words(words) => self.status.line(&words),
                Say::Sound(cue) => self.sound.play(cue, now),
                Say::Done => self.end_guide(CALIBRATION_DONE, now).await,
                Say::Stopped => self.end_guide(CALIBRATION_STOPPED, now).await,
            }
        }
    }

    async fn end_guide(&mut self, how: &str, now: HostTime) {
        self.guide = None;
        let has_forearm = self.assembler.description().node(NodeRole::Forearm).is_some();
        // Of the hand node alone no quality is told that would say so.
        self.calibrated |= how == CALIBRATION_DONE && !has_forearm;
        let marker = Marker::Note { kind: CALIBRATION_NOTE.to_owned(), value: how.to_owned() };
        self.keep_marker(marker, now).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_came_late_does_not_belong_to_the_present() {
        let mark = |value: u8| {
            let marker = Marker::Note { kind: "mark".to_owned(), value: value.to_string() };
            Arrival::Marker { received: None, marker }
        };
        let arrivals: Vec<Arrival> = (0..5).map(mark).collect();
        let samples = |live| {
            let (role, node, gaps, restarts) = (NodeRole::Hand, 0, Vec::new(), 0);
            Heard::Samples { role, node, gaps, live, restarts }
        };
        assert_eq!(live_part(&arrivals, Some(&samples(2))), &arrivals[3..]);
        assert_eq!(live_part(&arrivals, Some(&samples(0))), &[]);
        assert_eq!(live_part(&arrivals, Some(&Heard::Marker)), &arrivals[..]);
    }
}
