//! The loop: what can happen is one [`Event`], and what follows from each stands here.

use super::bucket::Bucket;
use super::control::Control;
use super::detector::Detector;
use super::ended::BucketEnd;
use super::event::Event;
use super::metrics;
use super::recovery::Recovery;
use super::requests::{Request, Requests};
use super::sound_tap::Tap;
use super::sources::Sources;
use super::status::Status;
use super::together::measured;
use super::understanding::Brought;
use super::view::terminal::{Screen, Watched, knows_utf8};
use super::watch::Watch;
use super::{analysis_params, player_name, rules, sound_choice, volume};
use crate::device::host_clock::HostClock;
use crate::device::session;
use crate::device::{LinkEvent, LinkParams, MetGlove};
use crate::record::feedback_settings::FeedbackMode;
use crate::record::glove_settings::remember;
use crate::record::keeper::Keeper;
use crate::record::recorder::Recorder;
use crate::record::session::SessionInfo;
use crate::record::settings::Settings;
use crate::record::storage::FileDisk;
use crate::review::live::LiveStatus;
use crate::review::serve::Site;
use crate::review::serve::bench::{Bench, OwnFile};
use crate::review::serve::sharing::Sharing;
use crate::tone::{SoundChoice, open as open_sound};
use crate::units::{HostTime, WallTime};
use anyhow::{Context, bail};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::runtime::Handle;
use tokio::sync::{Notify, mpsc, oneshot, watch};
use tokio::task::JoinHandle;
use tracing::Instrument;

/// Pieces that may wait for the loop; then the port is read more slowly.
const LINK_QUEUE: usize = 4096;
/// Pieces that may wait for the disk: minutes of them. When it is full the alarm is raised.
const RECORDER_QUEUE: usize = 65_536;
/// Commands that may wait for the link; what it has no room for is asked for later.
const COMMAND_QUEUE: usize = 16;
/// So long the link may take to let go of the glove.
const FAREWELL: Duration = Duration::from_secs(2);
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
    /// Where the recording goes on should that folder fail.
    pub fallback: Option<PathBuf>,
    /// The player and what counts as early and late.
    pub settings: Settings,
    /// Where the cues go.
    pub sound: SoundChoice,
    /// Where the page is served, if anywhere.
    pub page: Option<TcpListener>,
    /// Other devices may be paired with the page.
    pub sharing: Option<Sharing>,
    /// Show the live view on the terminal; its keys go in here, the other end of the controls.
    pub view: Option<mpsc::Sender<Control>>,
    /// End when the link, once up, goes down, instead of waiting for it to come back.
    pub end_with_link: bool,
    /// The clock of the host.
    pub clock: HostClock,
    /// Wall time at the start.
    pub started: WallTime,
}

/// Runs a bucket until it is stopped, and measures all its swings together. `controls` are what is typed; the first of
/// the `requests` ends the bucket, a second one does not wait for that measurement.
///
/// # Errors
/// The recording cannot be created, or the system gives no thread.
pub async fn run(
    options: Options,
    controls: mpsc::Receiver<Control>,
    requests: Requests,
    status: Status,
) -> anyhow::Result<BucketEnd> {
    let (path, recorder) = start_recorder(&options)?;
    let player = player_name(&options.settings).map_or_else(String::new, |name| format!(", player {name}"));
    status.line(&format!("recording to {}{player}", path.display()));
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned());
    let span = tracing::info_span!("bucket", recording = name);
    let pages = Handle::current();
    let rules = rules(&options.settings);
    let bucket = fill(options, controls, requests, status.clone(), (path, recorder), pages).instrument(span);
    let (end, asked, mut requests) = on_own_thread(bucket).await?;
    Ok(measured(end, asked, requests.next(), rules, &status).await)
}

/// The link and the loop have a thread and a runtime of their own. So a piece goes from the port to the detector
/// without another thread being woken, the page's work never holds it up, and while nothing can be decided the
/// thread may sleep ([`Sources::next`]).
async fn on_own_thread<T: Send + 'static>(
    bucket: impl Future<Output = anyhow::Result<T>> + Send + 'static,
) -> anyhow::Result<T> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.context("the bucket's runtime cannot start")?;
    let (say, over) = oneshot::channel();
    let body = move || drop(say.send(runtime.block_on(bucket)));
    let thread = std::thread::Builder::new().name("bucket".to_owned()).spawn(body);
    let thread = thread.context("the bucket's thread cannot start")?;
    match over.await {
        Ok(end) => end,
        // It said nothing, so it panicked.
        Err(_) => match thread.join() {
            Err(panic) => std::panic::resume_unwind(panic),
            Ok(()) => bail!("the bucket's thread stopped"),
        },
    }
}

/// The bucket from its first event to its end, with the request that ended it, if one did, and where others come from.
/// Its pages are served by `pages`.
async fn fill(
    mut options: Options,
    controls: mpsc::Receiver<Control>,
    mut requests: Requests,
    status: Status,
    recording: (PathBuf, Recorder),
    pages: Handle,
) -> anyhow::Result<(BucketEnd, Option<Request>, Requests)> {
    tracing::info!("bucket begins");
    let clock = options.clock;
    let (commands, for_glove) = mpsc::channel(COMMAND_QUEUE);
    let bench = bench(&options, &recording.0);
    let mut desk = Desk::new(&options, recording, commands, status)?;
    let page = Page::start(&pages, options.page.take(), options.sharing.take(), bench, &desk);
    let end = Arc::new(Notify::new());
    let view = options.view.take();
    let screen = view.and_then(|keys| open_screen(desk.watched(keys, &options.settings, &end)));
    let (events, link) = mpsc::channel(LINK_QUEUE);
    let link_task = session::run(options.link, clock, events, for_glove);
    let mut link_task = tokio::spawn(link_task.instrument(tracing::info_span!("link")));
    // A key that ends the bucket is as urgent as a signal: it does not wait for what was received before it.
    let mut asked = None;
    let stop = async {
        tokio::select! { request = requests.next() => asked = Some(request), () = end.notified() => {} }
    };
    let failed = desk.serve(Sources::new(link, controls, clock), std::pin::pin!(stop)).await;
    // The link lets go of the glove, so that the next program can take it.
    if tokio::time::timeout(FAREWELL, &mut link_task).await.is_err() {
        link_task.abort();
    }
    desk.look.now(&desk.bucket, &desk.tap, clock.now());
    let end = desk.bucket.end(clock).await;
    tracing::info!(swings = end.review.analysis.swings.len(), lost = end.lost.len(), "bucket over");
    drop(screen);
    page.end().await;
    failed.map_or(Ok((end, asked, requests)), Err)
}

/// Whether the bucket goes on after an event.
enum Next {
    GoOn,
    End,
    /// The link was never there, or brought no glove, and the bucket was to end with it.
    Failed(anyhow::Error),
}

/// How a bucket ends with its link, by what that has brought.
fn end_of(brought: Brought) -> Next {
    let error = match brought {
        Brought::Glove => return Next::End,
        Brought::Bytes => NoGlove::Foreign,
        Brought::Nothing => NoGlove::Mute,
    };
    Next::Failed(error.into())
}

/// Why a link that was there did not serve.
#[derive(Debug, thiserror::Error)]
enum NoGlove {
    #[error("expected a glove, found a link that brought nothing: is the glove switched on?")]
    Mute,
    #[error(
        "expected a glove, found a link that brought nothing a glove says: is this the glove's port, and the speed \
         right?"
    )]
    Foreign,
}

/// A running bucket and those who look on.
struct Desk {
    clock: HostClock,
    bucket: Bucket,
    tap: Tap,
    look: Look,
    status: Status,
    remember: Option<PathBuf>,
    end_with_link: bool,
}

impl Desk {
    fn new(
        options: &Options,
        (path, recorder): (PathBuf, Recorder),
        commands: mpsc::Sender<Vec<u8>>,
        status: Status,
    ) -> anyhow::Result<Desk> {
        let settings = &options.settings;
        let choice = sound_choice(settings, &options.sound);
        let volume = volume(settings).unwrap_or_default();
        let (sound, warning) = open_sound(&choice, volume, options.clock.now());
        if let Some(warning) = warning {
            status.line(&format!("sound: {warning}"));
        }
        let at_set = settings.feedback.mode == FeedbackMode::AtSet;
        let detector = Detector::start(analysis_params(settings), at_set);
        let detector = detector.context("the detector cannot start")?;
        let tap = Tap::default();
        let (sound, recovery) = (tap.on(sound), Recovery::new(commands));
        let mut bucket = Bucket::new(&path, recorder, sound, detector, recovery, settings, status.clone());
        bucket.watch = Watch::through(&options.link);
        Ok(Desk {
            clock: options.clock,
            bucket,
            tap,
            look: Look::new(),
            status,
            remember: options.remember.clone(),
            end_with_link: options.end_with_link,
        })
    }

    /// What the live view is shown; its keys go into `controls`, and `end` is told when they end the bucket.
    fn watched(&self, controls: mpsc::Sender<Control>, settings: &Settings, end: &Arc<Notify>) -> Watched {
        Watched {
            page: self.bucket.page(),
            status: self.look.told.subscribe(),
            said: self.status.clone(),
            clubs: settings.targets.keys().cloned().collect(),
            controls,
            end: Arc::clone(end),
            knows_utf8: knows_utf8(|name| std::env::var(name).ok()),
        }
    }

    /// The loop. Gives why there was no glove, where that ends the bucket.
    async fn serve(
        &mut self,
        mut sources: Sources,
        mut stop: Pin<&mut impl Future<Output = ()>>,
    ) -> Option<anyhow::Error> {
        let failed = loop {
            let event = sources.next(&mut self.bucket.detector, stop.as_mut()).await;
            let now = self.clock.now();
            match self.handle(event, sources.heard_until(now), now).await {
                Next::GoOn => {
                    self.bucket.expect_cues();
                    self.look.after_event(&self.bucket, &self.tap, now);
                }
                Next::End => break None,
                Next::Failed(error) => break Some(error),
            }
        };
        let asked_at = self.clock.now();
        while let Some(event) = sources.last(asked_at).await {
            if let LinkEvent::Raw(piece) = event {
                self.bucket.piece(piece, self.clock.now()).await;
            }
        }
        failed
    }

    /// What follows from an event. The link was heard up to `heard_until`.
    async fn handle(&mut self, event: Event, heard_until: HostTime, now: HostTime) -> Next {
        let bucket = &mut self.bucket;
        match event {
            Event::Link(LinkEvent::Raw(piece)) => bucket.piece(piece, now).await,
            Event::Link(LinkEvent::Opened { at }) => bucket.link_opened(at),
            Event::Link(LinkEvent::Met(met)) => {
                bucket.met(&met, now);
                keep_in_mind(self.remember.as_deref(), &met, bucket);
            }
            Event::Link(LinkEvent::Silent { at, quiet_us }) => bucket.link_silent(at, quiet_us),
            Event::Link(LinkEvent::Down { at, error, .. }) => {
                let was_up = bucket.link_down(at, &error, self.end_with_link);
                match (self.end_with_link, was_up) {
                    (true, true) => return end_of(bucket.brought()),
                    (true, false) => return Next::Failed(error.into()),
                    (false, _) => {}
                }
            }
            Event::Detector(said) => bucket.said(said, now),
            Event::Control(Control::Stop) | Event::Stop | Event::LinkOver => return Next::End,
            Event::Control(Control::Mute) => {
                self.status.line(if self.tap.toggle() { "sound muted" } else { "sound on" });
                self.look.now(&self.bucket, &self.tap, now);
            }
            Event::Control(control) => bucket.control(control, now).await,
            Event::Tick => bucket.tick(heard_until, now).await,
        }
        Next::GoOn
    }
}

/// Writes down which glove it is, so that it alone is taken from now on.
fn keep_in_mind(file: Option<&Path>, met: &MetGlove, bucket: &mut Bucket) {
    if let Some(Err(error)) = file.map(|file| remember(file, &met.glove)) {
        bucket.tell(&format!("the glove could not be remembered: {error}"));
    }
}

fn start_recorder(options: &Options) -> anyhow::Result<(PathBuf, Recorder)> {
    let player = &options.settings.player;
    let session = SessionInfo {
        player: player.name.clone(),
        player_hand: player.hand,
        clubs: options.settings.targets.keys().cloned().collect(),
        software: format!("hingeclock {}", env!("CARGO_PKG_VERSION")),
        started: options.started,
        host_at_start: options.clock.now(),
    };
    let since = options.started.minute();
    let holder = format!("process {}, since {since} UTC", std::process::id());
    let folders = [options.folder.clone()].into_iter().chain(options.fallback.clone()).collect();
    let keeper = Keeper::start(FileDisk, folders, session, &holder)?;
    let path = keeper.paths().first().cloned().unwrap_or_default();
    let recorder = Recorder::start(keeper, RECORDER_QUEUE, options.clock);
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
    cues: u64,
}

impl Look {
    fn new() -> Look {
        Look { told: watch::channel(Arc::default()).0, last: None, cues: 0 }
    }

    /// Something happened. A cue is told at once: a page may sound it, too.
    fn after_event(&mut self, bucket: &Bucket, tap: &Tap, now: HostTime) {
        let due = self.last.is_none_or(|last| now.0 - last.0 >= LOOK_EVERY_US);
        if due || tap.count() != self.cues {
            self.now(bucket, tap, now);
        }
    }

    fn now(&mut self, bucket: &Bucket, tap: &Tap, now: HostTime) {
        self.last = Some(now);
        self.cues = tap.count();
        self.told.send_replace(Arc::new(bucket.live_status(tap, now)));
    }
}

/// Remarks go beside the recording that is being made.
fn bench(options: &Options, recording: &Path) -> Bench {
    let file = OwnFile { path: recording.to_owned(), hand: options.settings.player.hand };
    let (clock, started) = (options.clock, options.started);
    Bench::of_file(file, Box::new(move || WallTime(started.0 + clock.now().0 / 1000)))
}

/// The page, while it is served.
struct Page {
    stop: oneshot::Sender<()>,
    task: JoinHandle<()>,
}

impl Page {
    fn start(
        pages: &Handle,
        listener: Option<TcpListener>,
        sharing: Option<Sharing>,
        bench: Bench,
        desk: &Desk,
    ) -> Page {
        let site = Site::new(desk.bucket.page(), Some(desk.look.told.subscribe()));
        let site = site.with_bench(bench).shared(sharing);
        let metrics = metrics::router(desk.look.told.subscribe());
        let (stop, stopped) = oneshot::channel::<()>();
        let task = pages.spawn(async move {
            let Some(listener) = listener else { return };
            let stopped = async move { drop(stopped.await) };
            site.serve(listener, metrics, stopped).await;
        });
        Page { stop, task }
    }

    async fn end(self) {
        let _ = self.stop.send(());
        let _ = self.task.await;
    }
}
