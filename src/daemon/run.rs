//! The loop: what can happen is one [`Event`], and what follows from each stands here.

use super::bucket::Bucket;
use super::control::Control;
use super::detector::Detector;
use super::ended::BucketEnd;
use super::event::Event;
use super::metrics;
use super::recovery::Recovery;
use super::sound_tap::Tap;
use super::status::Status;
use super::view::terminal::{Screen, Watched};
use super::{analysis_params, sound_choice, volume};
use crate::device::host_clock::HostClock;
use crate::device::session;
use crate::device::{LinkEvent, LinkParams, MetGlove};
use crate::record::glove_settings::remember;
use crate::record::recorder::Recorder;
use crate::record::recording_writer::RecordingWriter;
use crate::record::session::SessionInfo;
use crate::record::settings::Settings;
use crate::record::storage::create_recording;
use crate::review::live::LiveStatus;
use crate::review::serve::Site;
use crate::tone::{SoundChoice, open as open_sound};
use crate::units::{HostTime, WallTime};
use anyhow::Context;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Notify, mpsc, watch};
use tracing::Instrument;

/// Pieces that may wait for the loop; then the port is read more slowly.
const LINK_QUEUE: usize = 4096;
/// Pieces that may wait for the disk: minutes of them. When it is full the alarm is raised.
const RECORDER_QUEUE: usize = 65_536;
/// Commands that may wait for the link; what it has no room for is asked for later.
const COMMAND_QUEUE: usize = 16;
/// So long the link may take to let go of the glove.
const FAREWELL: Duration = Duration::from_secs(2);
/// How often the loop looks after what has no event of its own.
const TICK: Duration = Duration::from_millis(50);
/// How often at most the live view, the page and the metrics learn how the bucket fares, µs.
const LOOK_EVERY_US: i64 = 250_000;

/// What a bucket needs to be told.
pub struct Options {
    /// Where the glove is.
    pub link: LinkParams,
    /// The settings file in which a glove that was met on the air is remembered.
    pub remember: Option<PathBuf>,
    /// Where recordings go.
    pub folder: PathBuf,
    /// The player and what counts as early and late.
    pub settings: Settings,
    /// Where the cues go.
    pub sound: SoundChoice,
    /// Where the page is served, if anywhere.
    pub page: Option<TcpListener>,
    /// Show the live view on the terminal; its keys go in here, the other end of the controls.
    pub view: Option<mpsc::Sender<Control>>,
    /// End when the link, once up, goes down, instead of waiting for it to come back.
    pub end_with_link: bool,
    /// The clock of the host.
    pub clock: HostClock,
    /// Wall time at the start.
    pub started: WallTime,
}

/// Runs a bucket until it is stopped. `controls` are what is typed; `stop` resolves when the process is asked
/// to end.
///
/// # Errors
/// The recording cannot be created, or the system gives no thread.
pub async fn run(
    options: Options,
    controls: mpsc::Receiver<Control>,
    stop: impl Future<Output = ()>,
    status: Status,
) -> anyhow::Result<BucketEnd> {
    let (path, recorder) = start_recorder(&options)?;
    status.line(&format!("recording to {}", path.display()));
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned());
    let span = tracing::info_span!("bucket", recording = name);
    fill(options, controls, stop, status, (path, recorder)).instrument(span).await
}

/// The bucket from its first event to its end.
async fn fill(
    options: Options,
    controls: mpsc::Receiver<Control>,
    stop: impl Future<Output = ()>,
    status: Status,
    (path, recorder): (PathBuf, Recorder),
) -> anyhow::Result<BucketEnd> {
    let clock = options.clock;
    tracing::info!("bucket begins");
    let choice = sound_choice(&options.settings, &options.sound);
    let (sound, warning) = open_sound(&choice, volume(&options.settings).unwrap_or_default(), clock.now());
    if let Some(warning) = warning {
        status.line(&format!("sound: {warning}"));
    }
    let detector =
        Detector::start(analysis_params(&options.settings)).context("the detector cannot start")?;
    let (commands, for_glove) = mpsc::channel(COMMAND_QUEUE);
    let recovery = Recovery::new(commands);
    let tap = Tap::default();
    let sound = tap.on(sound);
    let mut bucket =
        Bucket::new(path, recorder, sound, detector, recovery, &options.settings, status.clone());
    let mut look = Look::new();
    let site = Site::new(bucket.page(), Some(look.told.subscribe()));
    let (page_stop, page_task) = start_page(options.page, site, look.told.subscribe());
    let end = Arc::new(Notify::new());
    let screen = options.view.and_then(|controls| {
        let clubs = options.settings.targets.keys().cloned().collect();
        let said = status.clone();
        let (page, status, end) = (bucket.page(), look.told.subscribe(), Arc::clone(&end));
        open_screen(Watched { page, status, said, clubs, controls, end })
    });
    let (events, link) = mpsc::channel(LINK_QUEUE);
    let link_task = session::run(options.link, clock, events, for_glove);
    let mut link_task = tokio::spawn(link_task.instrument(tracing::info_span!("link")));
    let mut sources = Sources { link, controls, tick: tokio::time::interval(TICK) };
    let mut failed = None;
    // A key that ends the bucket is as urgent as a signal: it does not wait for what was received before it.
    let stop = async {
        tokio::select! { () = stop => {}, () = end.notified() => {} }
    };
    tokio::pin!(stop);
    loop {
        let event = sources.next(&mut bucket, stop.as_mut()).await;
        let now = clock.now();
        match event {
            Event::Link(LinkEvent::Raw(piece)) => bucket.piece(piece).await,
            Event::Link(LinkEvent::Opened { at }) => bucket.link_opened(at),
            Event::Link(LinkEvent::Met(met)) => {
                bucket.met(&met, now);
                keep_in_mind(options.remember.as_deref(), &met, &mut bucket);
            }
            Event::Link(LinkEvent::Silent { at, quiet_us }) => bucket.link_silent(at, quiet_us),
            Event::Link(LinkEvent::Down { at, error, .. }) => {
                let was_up = bucket.link_down(at, &error, options.end_with_link);
                if options.end_with_link && !was_up {
                    failed = Some(error);
                }
                if options.end_with_link {
                    break;
                }
            }
            Event::Detector(said) => bucket.said(said, now),
            Event::Control(Control::Stop) | Event::Stop | Event::LinkOver => break,
            Event::Control(Control::Mute) => {
                status.line(if tap.toggle() { "sound muted" } else { "sound on" });
                look.now(&bucket, &tap, now);
            }
            Event::Control(control) => bucket.control(control, now).await,
            Event::Tick => bucket.tick(now).await,
        }
        look.after_event(&bucket, &tap, now);
    }
    sources.drain(&mut bucket).await;
    // The link lets go of the glove, so that the next program can take it.
    if tokio::time::timeout(FAREWELL, &mut link_task).await.is_err() {
        link_task.abort();
    }
    look.now(&bucket, &tap, clock.now());
    let end = bucket.end(clock).await;
    tracing::info!(swings = end.review.analysis.swings.len(), lost = end.lost.len(), "bucket over");
    drop(screen);
    let _ = page_stop.send(());
    let _ = page_task.await;
    failed.map_or(Ok(end), |error| Err(error.into()))
}

/// Writes down which glove it is, so that it alone is taken from now on.
fn keep_in_mind(file: Option<&Path>, met: &MetGlove, bucket: &mut Bucket) {
    if let Some(Err(error)) = file.map(|file| remember(file, &met.glove)) {
        bucket.tell(&format!("the glove could not be remembered: {error}"));
    }
}

fn start_recorder(options: &Options) -> anyhow::Result<(PathBuf, Recorder)> {
    let folder = &options.folder;
    let created = create_recording(folder, options.started);
    let (path, storage) =
        created.with_context(|| format!("no recording can be made in {}", folder.display()))?;
    let player = &options.settings.player;
    let session = SessionInfo {
        player: player.name.clone(),
        player_hand: player.hand,
        clubs: options.settings.targets.keys().cloned().collect(),
        software: format!("hingeclock {}", env!("CARGO_PKG_VERSION")),
        started: options.started,
        host_at_start: options.clock.now(),
    };
    let writer = RecordingWriter::new(storage, &session).context("the recording cannot be started")?;
    let recorder = Recorder::start_timed(writer, RECORDER_QUEUE, Some(options.clock));
    Ok((path, recorder.context("the recorder cannot start")?))
}

/// A terminal that cannot be taken costs the view, never the bucket.
fn open_screen(watched: Watched) -> Option<Screen> {
    let said = watched.said.clone();
    let opened = Screen::open(watched);
    opened.inspect_err(|error| said.line(&format!("no live view: {error}"))).ok()
}

/// Tells how the bucket fares, not too often.
struct Look {
    told: watch::Sender<Arc<LiveStatus>>,
    last: Option<HostTime>,
}

impl Look {
    fn new() -> Look {
        Look { told: watch::channel(Arc::default()).0, last: None }
    }

    /// Something happened.
    fn after_event(&mut self, bucket: &Bucket, tap: &Tap, now: HostTime) {
        if self.last.is_none_or(|last| now.0 - last.0 >= LOOK_EVERY_US) {
            self.now(bucket, tap, now);
        }
    }

    fn now(&mut self, bucket: &Bucket, tap: &Tap, now: HostTime) {
        self.last = Some(now);
        self.told.send_replace(Arc::new(bucket.live_status(tap, now)));
    }
}

type PageTask = tokio::task::JoinHandle<()>;

fn start_page(
    listener: Option<TcpListener>,
    site: Site,
    status: watch::Receiver<Arc<LiveStatus>>,
) -> (tokio::sync::oneshot::Sender<()>, PageTask) {
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let task = tokio::spawn(async move {
        let Some(listener) = listener else { return };
        let stopped = async move { drop(stopped.await) };
        if let Err(error) = site.serve(listener, metrics::router(status), stopped).await {
            tracing::warn!(%error, "the page is gone");
        }
    });
    (stop, task)
}

/// Where events come from.
struct Sources {
    link: mpsc::Receiver<LinkEvent>,
    controls: mpsc::Receiver<Control>,
    tick: tokio::time::Interval,
}

impl Sources {
    async fn next(
        &mut self,
        bucket: &mut Bucket,
        stop: std::pin::Pin<&mut impl Future<Output = ()>>,
    ) -> Event {
        tokio::select! {
            biased;
            () = stop => Event::Stop,
            Some(said) = bucket.detector.next() => Event::Detector(said),
            // What was received comes before what was typed after it, so that both keep their order.
            event = self.link.recv() => event.map_or(Event::LinkOver, Event::Link),
            Some(control) = self.controls.recv() => Event::Control(control),
            _ = self.tick.tick() => Event::Tick,
        }
    }

    /// What the link had received when the bucket was ended is kept, too.
    async fn drain(&mut self, bucket: &mut Bucket) {
        self.link.close();
        while let Ok(event) = self.link.try_recv() {
            if let LinkEvent::Raw(piece) = event {
                bucket.piece(piece).await;
            }
        }
    }
}
