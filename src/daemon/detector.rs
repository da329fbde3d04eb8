//! Edge: the live analysis on a thread of its own, with bounded queues. A panic in it costs the swing in
//! hand and what the detector had learnt, never the recording.

use crate::detect::{AnalysisParams, CalibrationQuality, LiveAnalysis, LiveCall, LiveSwing, NodeLoss};
use crate::fusion::clock::ClockMap;
use crate::fusion::sensor_doubts::News;
use crate::sample::{Arrival, DeviceDescription};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;
use tokio::sync::mpsc;

/// Batches of arrivals that may wait for the detector: some seconds of them.
const QUEUE: usize = 1024;

/// So long what is rare waits for room in that queue.
const PATIENCE: Duration = Duration::from_secs(2);

/// So long the thread sleeps while the hand is in no fast motion: a wake for every piece would cost more than the work.
/// Short against the time from the first fast motion of a swing to its set.
const STILL_REST: Duration = Duration::from_millis(60);
/// The same in a fast motion, while nothing can be decided.
const REST: Duration = Duration::from_millis(30);
/// The same where a swing may be found soon, whose measurement takes most of the time until it is told.
const SHORT_REST: Duration = Duration::from_millis(5);

/// What the detector is told.
enum Told {
    Device(DeviceDescription),
    Arrivals(Vec<Arrival>),
}

/// What the detector says.
#[derive(Debug)]
pub enum Said {
    /// The set of a swing that is still going on, as soon as it can be told.
    Set(Box<LiveCall>),
    /// A swing, as soon as it is known.
    Swing(Box<LiveSwing>),
    /// A calibration is over: how good it was. The sentences follow.
    Calibration(Box<CalibrationQuality>),
    /// How the two nodes' clocks stand to each other, whenever that is known anew.
    Clocks(ClockMap),
    /// A sentence for the player.
    Note(String),
    /// Something that the glove's readings contradict, or no longer do.
    Doubt(News),
    /// The queue is empty and the input over; what was lost.
    Over(Vec<NodeLoss>),
}

/// What the thread shows of how soon something may be decided.
#[derive(Default)]
struct Outlook {
    /// By the next arrival.
    urgent: AtomicBool,
    /// In some tenths of a second.
    soon: AtomicBool,
}

impl Outlook {
    fn show(&self, urgent: bool, soon: bool) {
        self.soon.store(urgent || soon, Ordering::Release);
        self.urgent.store(urgent, Ordering::Release);
    }
}

/// The detector's thread, seen from the loop.
pub struct Detector {
    told: Option<mpsc::Sender<Told>>,
    said: mpsc::Receiver<Said>,
    outlook: Arc<Outlook>,
    thread: Option<JoinHandle<()>>,
}

impl Detector {
    /// Starts the thread. A set that is near is urgent only where somebody is told of it then (`at_set`).
    ///
    /// # Errors
    /// The system gives no thread.
    pub fn start(params: AnalysisParams, at_set: bool) -> std::io::Result<Detector> {
        let (told, told_rx) = mpsc::channel(QUEUE);
        let (said_tx, said) = mpsc::channel(4 * QUEUE);
        let outlook = Arc::new(Outlook::default());
        let shown = Arc::clone(&outlook);
        let body = move || work(params, at_set, told_rx, &said_tx, &shown);
        let thread = std::thread::Builder::new().name("detector".to_owned()).spawn(body)?;
        Ok(Detector { told: Some(told), said, outlook, thread: Some(thread) })
    }

    /// Whether the next arrival may decide something.
    #[must_use]
    pub fn is_urgent(&self) -> bool {
        self.outlook.urgent.load(Ordering::Acquire)
    }

    /// Whether something may be decided within some tenths of a second.
    #[must_use]
    pub fn may_decide_soon(&self) -> bool {
        self.outlook.soon.load(Ordering::Acquire)
    }

    /// Whether nothing waits to be heard, and the next arrival will decide nothing.
    #[must_use]
    pub fn is_calm(&self) -> bool {
        // In this order: what was said before the thread became calm is seen.
        !self.is_urgent() && self.said.is_empty()
    }

    /// The glove has described itself, or described itself anew. False when the detector is too far behind
    /// to be told.
    #[must_use]
    pub async fn device(&self, device: &DeviceDescription) -> bool {
        self.tell(Told::Device(device.clone())).await
    }

    /// Whether arrivals find room now.
    #[must_use]
    pub fn has_room(&self) -> bool {
        self.told.as_ref().is_none_or(|told| told.capacity() > 0 || told.is_closed())
    }

    /// Arrivals, in order; false when there is no room, and these are not looked at.
    #[must_use]
    pub fn arrivals(&self, arrivals: Vec<Arrival>) -> bool {
        self.told.as_ref().is_some_and(|told| told.try_send(Told::Arrivals(arrivals)).is_ok())
    }

    /// A marker that was set here. Waits a little where the detector is behind; false when it is too far behind.
    #[must_use]
    pub async fn marker(&self, marker: Arrival) -> bool {
        self.tell(Told::Arrivals(vec![marker])).await
    }

    async fn tell(&self, told: Told) -> bool {
        let Some(sender) = &self.told else { return false };
        sender.send_timeout(told, PATIENCE).await.is_ok()
    }

    /// Nothing more will arrive.
    pub fn input_over(&mut self) {
        self.told = None;
    }

    /// The next thing said; `None` when the thread is done.
    pub async fn next(&mut self) -> Option<Said> {
        self.said.recv().await
    }

    /// Waits for the thread, after [`Detector::next`] has said `None`.
    pub fn join(mut self) {
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn work(
    params: AnalysisParams,
    at_set: bool,
    mut told: mpsc::Receiver<Told>,
    said: &mpsc::Sender<Said>,
    outlook: &Outlook,
) {
    let mut device = DeviceDescription::default();
    let mut live = LiveAnalysis::new(&device, params);
    let mut clocks = None;
    while let Some(message) = next(&mut told) {
        match message {
            Told::Device(description) => {
                device = description;
                live.redescribe(&device);
            }
            Told::Arrivals(arrivals) => {
                let step = catch_unwind(AssertUnwindSafe(|| push_all(&mut live, &arrivals, said)));
                if step.is_err() {
                    live = LiveAnalysis::new(&device, params);
                    let sorry = "the detector failed and starts anew: calibrate and name the club again; \
                                 the recording goes on";
                    say(said, Said::Note(sorry.to_owned()));
                }
            }
        }
        if live.clock() != clocks {
            clocks = live.clock();
            clocks.into_iter().for_each(|clocks| say(said, Said::Clocks(clocks)));
        }
        if let Some(quality) = live.take_calibration() {
            say(said, Said::Calibration(Box::new(quality)));
        }
        tell_notes(&mut live, said);
        let urgent = live.is_swing_near() || (at_set && live.is_set_near());
        let soon = live.may_find_a_swing();
        outlook.show(urgent, soon);
        if told.is_empty() && !urgent {
            std::thread::sleep(rest(soon, live.is_in_motion()));
        }
    }
    let last = catch_unwind(AssertUnwindSafe(|| live.finish())).unwrap_or_default();
    last.into_iter().for_each(|swing| say(said, Said::Swing(Box::new(swing))));
    tell_notes(&mut live, said);
    say(said, Said::Over(live.losses()));
}

/// How long to sleep while nothing can be decided by the next arrival.
fn rest(soon: bool, in_motion: bool) -> Duration {
    if soon {
        SHORT_REST
    } else if in_motion {
        REST
    } else {
        STILL_REST
    }
}

/// What the thread is told next; it waits for that only where nothing is at hand.
fn next(told: &mut mpsc::Receiver<Told>) -> Option<Told> {
    told.try_recv().ok().or_else(|| told.blocking_recv())
}

fn push_all(live: &mut LiveAnalysis, arrivals: &[Arrival], said: &mpsc::Sender<Said>) {
    for arrival in arrivals {
        let swings = live.push(arrival);
        live.take_calls().into_iter().for_each(|call| say(said, Said::Set(Box::new(call))));
        swings.into_iter().for_each(|swing| say(said, Said::Swing(Box::new(swing))));
    }
}

fn tell_notes(live: &mut LiveAnalysis, said: &mpsc::Sender<Said>) {
    live.take_notes().into_iter().for_each(|note| say(said, Said::Note(note)));
    live.take_doubts().into_iter().for_each(|news| say(said, Said::Doubt(news)));
}

fn say(said: &mpsc::Sender<Said>, what: Said) {
    // Only fails when the loop has gone; then nobody listens.
    let _ = said.blocking_send(what);
}
