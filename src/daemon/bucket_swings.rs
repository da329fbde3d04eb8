//! What a measured swing does to a running bucket: what is heard, shown and told of it, and when.

use super::bucket::Bucket;
use super::feedback::{Finished, Heard};
use crate::detect::{LiveSwing, Silence, Swing};
use crate::record::recorded::Recorded;
use crate::review::page::PageModel;
use crate::review::{LiveCue, table};
use crate::units::HostTime;
use std::sync::Arc;

/// So many swings are kept for page and table while a bucket runs, so that its memory stays flat.
const SWINGS_KEPT: usize = 300;
/// And so many points of each one's curves beside the downswing: what a page can show.
const CURVE_POINTS: usize = 160;

impl Bucket {
    /// A swing is over and measured.
    pub(super) fn swing(&mut self, live: &LiveSwing, now: HostTime) {
        if self.feedback.waits() {
            // The one before was never guessed: it is told now.
            self.tell_newest();
        }
        let number = self.review.newest_number() + 1;
        let _span = tracing::info_span!("swing", number, club = live.swing.club).entered();
        let silence = live.told.at_set.err().map(Silence::sentence);
        let heard = self.feedback.after_swing(&Finished::of(&self.review, &live.swing), silence);
        let cue = heard.cue.map(|cue| LiveCue::after(cue.word(), live.decided_at));
        let cue = self.cue_at_set.take().filter(|_| live.told.at_set.is_ok()).or(cue);
        // The player waits for the sound; all else comes after it.
        self.spoken.swing(&live.swing);
        self.hear(heard, now);
        if cue.is_some() {
            self.spoken.cue_was_heard();
        }
        let guessed_first = self.feedback.waits();
        tracing::info!(
            class = (!guessed_first).then(|| live.swing.class.word()),
            cue = cue.as_ref().map(|cue| cue.cue.as_str()),
            set_to_top_ms = live.swing.set.filter(|_| !guessed_first).map(|set| set.set_to_top_ms.value),
            "swing measured"
        );
        self.keep(live.swing.clone(), cue);
        if !guessed_first {
            self.tell_newest();
        }
        if let Some(value) = self.derived() {
            let by = env!("CARGO_PKG_VERSION").to_owned();
            self.record(Recorded::Derived { received: now, kind: "swing".to_owned(), by, value });
        }
    }

    pub(super) fn tell_newest(&self) {
        self.status.line(&table::newest(&self.review));
    }

    /// What was heard of a guess; what the swing was may be seen from then on.
    pub(super) fn answered(&mut self, waited: bool, heard: Heard, now: HostTime) {
        self.hear(heard, now);
        if waited && !self.feedback.waits() {
            self.tell_newest();
            self.show(true);
        }
    }

    /// Keeps a swing for page and table, its curves thinned but for the downswing, whose rates are told; of a very
    /// long bucket the newest ones only. All of them are in the recording.
    fn keep(&mut self, mut swing: Swing, cue: Option<LiveCue>) {
        let down = swing.top..=swing.impact.unwrap_or(swing.top);
        swing.curve = thinned(swing.curve, |point| down.contains(&point.t));
        if let Some(body) = &mut swing.body {
            for segment in [&mut body.pelvis, &mut body.chest].into_iter().flatten() {
                segment.curve = thinned(std::mem::take(&mut segment.curve), |_| false);
            }
        }
        self.review.keep(swing, cue, SWINGS_KEPT);
        if self.review.first_number > 1 {
            self.note(format!("only the newest {SWINGS_KEPT} swings are shown; all are in the recording"));
        }
    }

    /// Shows the bucket. While it runs, a swing that waits for a guess is not shown.
    pub(super) fn show(&self, live: bool) {
        let mut review = self.review.clone();
        if live && self.feedback.waits() {
            review.analysis.swings.pop();
            review.cues.pop();
        }
        self.page.send_replace(Arc::new(PageModel { review, live }));
    }
}

/// Points at even steps, and those that are to be kept in any case.
fn thinned<T>(curve: Vec<T>, keep: impl Fn(&T) -> bool) -> Vec<T> {
    let step = curve.len().div_ceil(CURVE_POINTS).max(1);
    let kept = |(place, point): (usize, T)| (place % step == 0 || keep(&point)).then_some(point);
    curve.into_iter().enumerate().filter_map(kept).collect()
}
