//! Where the loop's events come from, and which is next.
//!
//! What is rare comes first, so that what is plenty, the link's pieces, cannot starve it: a request to end, the
//! tick, the detector's words, what was typed, the link. What was typed keeps its place among what was received,
//! though: it waits until what had come before it is through.

use super::control::Control;
use super::detector::Detector;
use super::event::Event;
use crate::device::LinkEvent;
use crate::device::host_clock::HostClock;
use crate::units::HostTime;
use std::collections::VecDeque;
use std::pin::Pin;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::time::{Interval, MissedTickBehavior};

/// How often the loop looks after what has no event of its own.
const TICK: Duration = Duration::from_millis(50);
/// Things typed that may wait for what was received before them.
const TYPED_MAX: usize = 16;
/// So long the link waits for a detector that is behind; then its pieces are recorded without being looked at.
/// Less than the link's queue can hold.
const PATIENCE_US: i64 = 2_000_000;
/// So long the loop's thread sleeps after the link's last piece while nothing can be decided. What comes meanwhile is
/// read in one: being woken by every piece would cost more than the work. Short against the time from the first fast
/// motion of a swing to its set, before which the detector asks for every piece at once; and in step with no usual
/// rhythm of frames (2.5, 5, 10 ms), so that of each node some are read as soon as they come, which shows its clock.
const REST: Duration = Duration::from_millis(17);
/// So many of the link's pieces that wait are taken one after the other before it is looked for what is rare: looking
/// everywhere costs more than a piece.
const IN_A_ROW: usize = 8;
/// A link that brought more pieces than this in one go is behind, and not made to wait. In its own time a glove sends
/// some seven in that rest, and twice as many with nodes on the trunk.
const RESTED_PIECES_MAX: usize = 24;
/// When the bucket ends, a link that brings nothing for so long has brought all that it had received.
const LAST_PIECES: Duration = Duration::from_millis(50);

/// Where events come from.
pub struct Sources {
    link: mpsc::Receiver<LinkEvent>,
    controls: mpsc::Receiver<Control>,
    tick: Interval,
    clock: HostClock,
    /// What was typed and when, not yet done.
    typed: VecDeque<(HostTime, Control)>,
    /// What was received up to here was handed on.
    heard_until: HostTime,
    /// Since when the detector has no room.
    behind_since: Option<HostTime>,
    /// Events of the link since it last had no more.
    in_one_go: usize,
    /// So many more may be taken in a row.
    left_in_a_row: usize,
}

impl Sources {
    /// These two; must be called inside a runtime.
    #[must_use]
    pub fn new(
        link: mpsc::Receiver<LinkEvent>,
        controls: mpsc::Receiver<Control>,
        clock: HostClock,
    ) -> Sources {
        let mut tick = tokio::time::interval(TICK);
        // After a long turn one tick is enough.
        tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
        Sources {
            link,
            controls,
            tick,
            clock,
            typed: VecDeque::new(),
            heard_until: HostTime(i64::MIN),
            behind_since: None,
            in_one_go: 0,
            left_in_a_row: 0,
        }
    }

    /// What happens next. `stop` resolves when the bucket is asked to end. Sleeps now and then: the thread must be
    /// the loop's and the link's alone.
    pub async fn next(
        &mut self,
        detector: &mut Detector,
        mut stop: Pin<&mut impl Future<Output = ()>>,
    ) -> Event {
        if self.may_rest() && detector.is_calm() {
            std::thread::sleep(REST);
        }
        loop {
            if let Some(control) = self.ripe() {
                return Event::Control(control);
            }
            let takes_pieces = self.takes_pieces(detector.has_room());
            if takes_pieces && let Some(event) = self.next_in_a_row() {
                return event;
            }
            tokio::select! {
                biased;
                () = stop.as_mut() => return Event::Stop,
                _ = self.tick.tick() => return Event::Tick,
                Some(said) = detector.next() => return Event::Detector(said),
                Some(control) = self.controls.recv(), if self.typed.len() < TYPED_MAX => match control {
                    // Not part of the data, so it has no place to keep.
                    Control::Mute => return Event::Control(control),
                    _ => self.typed.push_back((self.clock.now(), control)),
                },
                event = self.link.recv(), if takes_pieces => {
                    self.left_in_a_row = IN_A_ROW;
                    return self.note_link(event);
                }
            }
        }
    }

    /// What the link brought with what was taken last.
    fn next_in_a_row(&mut self) -> Option<Event> {
        self.left_in_a_row = self.left_in_a_row.checked_sub(1)?;
        let event = self.link.try_recv().ok()?;
        Some(self.note_link(Some(event)))
    }

    /// Whether the link has just brought what it had, and no more than a glove sends in its own time.
    fn may_rest(&mut self) -> bool {
        self.link.is_empty() && (1..=RESTED_PIECES_MAX).contains(&std::mem::take(&mut self.in_one_go))
    }

    /// The next thing typed, once all that was received before it is through.
    fn ripe(&mut self) -> Option<Control> {
        let (typed_at, _) = self.typed.front()?;
        let through = self.link.is_empty() || self.heard_until >= *typed_at;
        if through { self.typed.pop_front().map(|(_, control)| control) } else { None }
    }

    /// Whether the detector keeps up, or was waited for long enough.
    fn takes_pieces(&mut self, has_room: bool) -> bool {
        if has_room {
            self.behind_since = None;
            return true;
        }
        let now = self.clock.now();
        now.0 - self.behind_since.get_or_insert(now).0 > PATIENCE_US
    }

    fn note_link(&mut self, event: Option<LinkEvent>) -> Event {
        self.in_one_go += 1;
        match event {
            None => return Event::LinkOver,
            Some(LinkEvent::Raw(ref piece)) => self.heard_until = piece.received,
            Some(LinkEvent::Opened { at } | LinkEvent::Silent { at, .. } | LinkEvent::Down { at, .. }) => {
                self.heard_until = at;
            }
            Some(LinkEvent::Met(_)) => {}
        }
        event.map_or(Event::LinkOver, Event::Link)
    }

    /// The time up to which the link was heard: now, unless something still waits.
    #[must_use]
    pub fn heard_until(&self, now: HostTime) -> HostTime {
        if self.link.is_empty() { now } else { self.heard_until.min(now) }
    }

    /// The last events of a link that is to end: what it had received by now is kept, too.
    pub async fn last(&mut self, asked_at: HostTime) -> Option<LinkEvent> {
        if self.heard_until <= asked_at
            && let Ok(event) = tokio::time::timeout(LAST_PIECES, self.link.recv()).await
        {
            if let Some(LinkEvent::Raw(piece)) = &event {
                self.heard_until = piece.received;
            }
            return event;
        }
        self.link.close();
        self.link.try_recv().ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::detect::AnalysisParams;
    use crate::device::RawPiece;

    struct Bench {
        sources: Sources,
        detector: Detector,
        link: mpsc::Sender<LinkEvent>,
        controls: mpsc::Sender<Control>,
    }

    fn bench() -> Bench {
        let (link, pieces) = mpsc::channel(4096);
        let (controls, typed) = mpsc::channel(256);
        let sources = Sources::new(pieces, typed, HostClock::start());
        Bench {
            sources,
            detector: Detector::start(AnalysisParams::default(), false).unwrap(),
            link,
            controls,
        }
    }

    impl Bench {
        fn pieces(&self, count: usize, received: HostTime) {
            for _ in 0..count {
                let piece = RawPiece { received, bytes: vec![0], whole: true };
                self.link.try_send(LinkEvent::Raw(piece)).unwrap();
            }
        }

        async fn next(&mut self) -> Event {
            let stop = std::pin::pin!(std::future::pending());
            self.sources.next(&mut self.detector, stop).await
        }

        /// How many pieces come before the next control.
        async fn pieces_before_a_control(&mut self) -> usize {
            let mut pieces = 0;
            loop {
                match self.next().await {
                    Event::Link(_) => pieces += 1,
                    Event::Control(_) => return pieces,
                    _ => {}
                }
            }
        }
    }

    const LATER: HostTime = HostTime(i64::MAX / 2);

    #[tokio::test]
    async fn what_is_typed_comes_after_what_was_received_before_it_and_no_later() {
        let mut bench = bench();
        bench.pieces(10, HostTime(0));
        bench.pieces(4000, LATER);
        bench.controls.try_send(Control::Mark("now".to_owned())).unwrap();
        assert_eq!(bench.pieces_before_a_control().await, 11);
    }

    #[tokio::test]
    async fn what_is_no_part_of_the_data_does_not_wait() {
        let mut bench = bench();
        bench.pieces(1000, HostTime(0));
        bench.controls.try_send(Control::Mute).unwrap();
        assert_eq!(bench.pieces_before_a_control().await, 0);
    }

    #[tokio::test]
    async fn the_tick_comes_though_the_link_always_has_something() {
        let mut bench = bench();
        let (mut pieces, mut ticks) = (0, 0);
        while ticks < 3 {
            if bench.link.capacity() == 4096 {
                bench.pieces(100, HostTime(0));
            }
            match bench.next().await {
                Event::Link(_) => pieces += 1,
                Event::Tick => ticks += 1,
                _ => {}
            }
        }
        assert!(pieces > 100, "{pieces}");
    }

    #[tokio::test]
    async fn a_flood_of_controls_does_not_keep_the_link_waiting() {
        let mut bench = bench();
        bench.pieces(100, HostTime(0));
        for _ in 0..200 {
            bench.controls.try_send(Control::Mark(String::new())).unwrap();
        }
        assert_eq!(bench.pieces_before_a_control().await, 100);
    }

    #[tokio::test]
    async fn a_detector_that_is_behind_is_waited_for_but_not_for_ever() {
        let mut bench = bench();
        assert!(bench.sources.takes_pieces(true));
        assert!(!bench.sources.takes_pieces(false));
        bench.sources.behind_since = bench.sources.behind_since.map(|at| HostTime(at.0 - PATIENCE_US - 1));
        assert!(bench.sources.takes_pieces(false));
        assert!(bench.sources.takes_pieces(true) && !bench.sources.takes_pieces(false), "patient anew");
    }

    #[tokio::test]
    async fn it_rests_after_what_a_glove_sends_and_hurries_after_more() {
        let mut bench = bench();
        assert!(!bench.sources.may_rest(), "nothing came");
        for (pieces, rests) in [(8, true), (100, false), (1, true)] {
            bench.pieces(pieces, HostTime(0));
            for _ in 0..pieces {
                assert!(!bench.sources.may_rest(), "some wait");
                // The tick comes in between.
                while !matches!(bench.next().await, Event::Link(_)) {}
            }
            assert_eq!(bench.sources.may_rest(), rests, "after {pieces}");
            assert!(!bench.sources.may_rest(), "once");
        }
    }

    #[tokio::test]
    async fn what_was_received_before_the_end_is_kept() {
        let mut bench = bench();
        bench.pieces(50, HostTime(0));
        bench.pieces(50, LATER);
        let mut pieces = 0;
        while bench.sources.last(HostTime(1)).await.is_some() {
            pieces += 1;
        }
        assert_eq!(pieces, 100, "what waits already is taken, too");
        assert!(bench.link.is_closed());
    }
}
