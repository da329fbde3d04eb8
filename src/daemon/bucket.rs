//! One running bucket: what each event does to recording, detector, tone and page.

use super::bucket_status::hand_words;
use super::control::Control;
use super::detector::{Detector, Said};
use super::disk_alarm::DiskAlarm;
use super::ended::BucketEnd;
use super::feedback::{Feedback, Foretold, Heard, is_press};
use super::guide::Guide;
use super::guided::live_part;
use super::recovery::Recovery;
use super::spoken::Spoken;
use super::status::Status;
use super::understanding::{Brought, Understanding};
use super::watch::Watch;
use super::{player_name, volume, windows};
use crate::detect::{BucketAnalysis, CalibrationQuality, Grade, LiveCall};
use crate::device::host_clock::HostClock;
use crate::device::{Assembler, Heard as Understood, LinkError, MetGlove, RawPiece};
use crate::fusion::sensor_doubts::StandingDoubts;
use crate::record::asked::START_AGAIN;
use crate::record::input::name_of;
use crate::record::library::remarks::Remarks;
use crate::record::recorded::Recorded;
use crate::record::recorder::Recorder;
use crate::record::salvage::missing_nodes;
use crate::record::settings::Settings;
use crate::review::live::at_set_sentence;
use crate::review::page::PageModel;
use crate::review::{LiveCue, Review};
use crate::sample::{Arrival, Marker, NodeRole};
use crate::tone::CueSink;
use crate::units::{HostTime, PlayerHand, counted};
use std::path::Path;
use std::sync::Arc;
use tokio::sync::watch;

/// The state of a running bucket.
pub struct Bucket {
    pub(super) detector: Detector,
    pub(super) recorder: Option<Recorder>,
    pub(super) disk_alarm: DiskAlarm,
    pub(super) sound: Box<dyn CueSink>,
    pub(super) assembler: Assembler,
    pub(super) recovery: Recovery,
    pub(super) review: Review,
    pub(super) page: watch::Sender<Arc<PageModel>>,
    pub(super) guide: Option<Guide>,
    pub(super) feedback: Feedback,
    pub(super) spoken: Spoken,
    /// The cue of the swing in hand, where it went out at the set.
    pub(super) cue_at_set: Option<LiveCue>,
    /// A calibration has come out well enough.
    pub(super) calibrated: bool,
    pub(super) calibrates_on_connect: bool,
    /// The glove has described itself, or described itself anew, and was not yet spoken of.
    met_anew: bool,
    /// The side the player plays from, as the settings have it.
    hand: PlayerHand,
    /// It had been heard, and was gone or silent since.
    was_away: bool,
    pub(super) status: Status,
    pub(super) watch: Watch,
    /// What is doubted of the glove.
    pub(super) doubts: StandingDoubts,
    pub(super) understanding: Understanding,
    pub(super) link_up: bool,
    pub(super) damaged: u64,
    pub(super) lost: Vec<String>,
}

impl Bucket {
    /// A bucket with nothing in it.
    pub fn new(
        recording: &Path,
        recorder: Recorder,
        sound: Box<dyn CueSink>,
        detector: Detector,
        recovery: Recovery,
        settings: &Settings,
        status: Status,
    ) -> Bucket {
        let name = name_of(recording);
        let analysis =
            BucketAnalysis { swings: Vec::new(), losses: Vec::new(), notes: Vec::new(), calibration: None };
        let review = Review {
            player: player_name(settings),
            windows: windows(settings),
            measures: Ok(settings.measures.clone()),
            ..Review::new(&name, analysis)
        };
        let (page, _) = watch::channel(Arc::new(PageModel { review: review.clone(), live: true }));
        Bucket {
            detector,
            recorder: Some(recorder),
            disk_alarm: DiskAlarm::default(),
            sound,
            assembler: Assembler::for_player(settings.player.hand),
            recovery,
            review,
            page,
            guide: None,
            feedback: Feedback::new(settings.feedback),
            spoken: Spoken::start(settings.feedback.speak, volume(settings), &status),
            cue_at_set: None,
            calibrated: false,
            calibrates_on_connect: settings.calibrate_on_connect,
            met_anew: false,
            hand: settings.player.hand,
            was_away: false,
            status,
            watch: Watch::default(),
            doubts: StandingDoubts::default(),
            understanding: Understanding::default(),
            link_up: false,
            damaged: 0,
            lost: Vec::new(),
        }
    }

    /// The page's newest model.
    pub fn page(&self) -> watch::Receiver<Arc<PageModel>> {
        self.page.subscribe()
    }

    /// Bytes came: to disk first, then to the detector.
    pub async fn piece(&mut self, piece: RawPiece, now: HostTime) {
        self.record(Recorded::Piece(piece.clone()));
        // Not at the tick alone: while pieces come without a pause there is none.
        self.look_after_disk(piece.received);
        if let Some(asked) = self.understanding.doubts(piece.received) {
            self.status.line(asked);
        }
        let mut arrivals = Vec::new();
        let what = self.interpret(&piece, &mut arrivals);
        self.ask(piece.received, now);
        if what == Some(Understood::DescriptionChanged) {
            self.met_anew = true;
            let heard = self.detector.device(self.assembler.description()).await;
            self.detector_keeps_up(heard);
        }
        if arrivals.is_empty() {
            return;
        }
        let presses = arrivals.iter().filter(|arrival| is_press(arrival)).count();
        (0..presses).for_each(|_| self.feedback.pressed(piece.received));
        self.watch.hear(&arrivals, piece.received);
        // With its first readings the glove has said all of itself that it has to say.
        if matches!(what, Some(Understood::Samples { .. })) {
            self.glove_sends();
        }
        let live = live_part(&arrivals, what.as_ref());
        self.watch.live(live);
        let guided = self.guided(live);
        let heard = self.detector.arrivals(arrivals);
        self.detector_keeps_up(heard);
        self.say_all(guided, piece.received).await;
    }

    fn glove_sends(&mut self) {
        if std::mem::take(&mut self.was_away) {
            self.status.line("the glove sends again");
        }
        if std::mem::take(&mut self.met_anew) {
            self.tell_glove();
            self.meet_glove();
        }
    }

    fn detector_keeps_up(&mut self, heard: bool) {
        if !heard {
            self.status.once("the detector is too slow: swings may be missed; the recording goes on");
        }
    }

    /// Who the glove is, as it describes itself.
    fn tell_glove(&self) {
        let device = self.assembler.description();
        let nodes: Vec<NodeRole> = device.nodes.iter().map(|node| node.role).collect();
        let words: Vec<&str> = nodes.iter().map(|role| role.word()).collect();
        let serial = device.serial.as_deref().map_or_else(String::new, |serial| format!(" {serial}"));
        self.status.once(&format!("glove{serial} with the nodes {}", words.join(", ")));
        missing_nodes(&nodes).into_iter().for_each(|told| self.status.once(&told));
        hand_words(self.hand, device.player_hand).into_iter().for_each(|told| self.status.once(told));
        self.assembler.oddities().for_each(|told| self.status.once(&told));
    }

    /// Asks again for what is missing, and to start. What was asked for is recorded, so that a reader knows what came
    /// late because of it, or was never answered. The link was heard up to `heard_until`.
    fn ask(&mut self, heard_until: HostTime, now: HostTime) {
        if self.recovery.start_again(now) {
            let (kind, value) = START_AGAIN;
            self.record(Recorded::Link { received: now, kind: kind.to_owned(), value: value.to_owned() });
        }
        while let Some(asked) = self.recovery.ask(heard_until, now) {
            let (kind, value) = asked.fields();
            self.record(Recorded::Link { received: now, kind: kind.to_owned(), value });
        }
    }

    /// Hands something to the recorder. What it refuses is lost, and that is told loudly; the bucket goes on.
    pub(super) fn record(&mut self, recorded: Recorded) {
        let Some(recorder) = &mut self.recorder else { return };
        if let Err(refused) = recorder.record(recorded) {
            self.lose(&format!("NOT RECORDED: {refused}"));
        }
    }

    /// The link is up.
    pub fn link_opened(&mut self, at: HostTime) {
        self.link_up = true;
        self.recovery.link(true);
        self.understanding.opened();
        self.was_away = self.brought() == Brought::Glove;
        self.status.line("link open, waiting for the glove");
        self.record(Recorded::Link { received: at, kind: "opened".to_owned(), value: String::new() });
    }

    /// The link is down, or still is. True when it had been up. `ends` says that the bucket ends with it.
    pub fn link_down(&mut self, at: HostTime, error: &LinkError, ends: bool) -> bool {
        let was_up = std::mem::replace(&mut self.link_up, false);
        self.recovery.link(false);
        let ended = was_up && ends;
        self.status.once(&if ended { "the glove has gone".to_owned() } else { format!("glove: {error}") });
        self.record(Recorded::Link { received: at, kind: "down".to_owned(), value: error.to_string() });
        was_up
    }

    /// What the links have brought so far.
    pub fn brought(&self) -> Brought {
        self.understanding.brought()
    }

    /// A glove was met on the air.
    pub fn met(&mut self, met: &MetGlove, now: HostTime) {
        let name = met.glove.name.as_deref().unwrap_or("glove");
        let battery =
            met.battery_percent.map_or_else(String::new, |percent| format!(", battery {percent} %"));
        let value = format!("{name} ({}){battery}", met.glove.address);
        self.status.line(&format!("connected to {value}"));
        self.record(Recorded::Link { received: now, kind: "met".to_owned(), value });
    }

    /// The link is up but brings nothing.
    pub fn link_silent(&mut self, at: HostTime, quiet_us: i64) {
        let value = format!("no byte for {} ms", quiet_us / 1000);
        self.was_away = self.brought() == Brought::Glove;
        // A glove of another version says nothing more, as it should, and was told.
        if !self.understanding.is_refused() {
            self.status.once("the glove is silent: is it switched on?");
        }
        self.record(Recorded::Link { received: at, kind: "silent".to_owned(), value });
    }

    /// Tells the person at the terminal.
    pub fn tell(&self, text: &str) {
        self.status.line(text);
    }

    /// The same, unless it was told last.
    pub(super) fn tell_once(&self, text: &str) {
        self.status.once(text);
    }

    /// The detector said something.
    pub fn said(&mut self, said: Said, now: HostTime) {
        match said {
            Said::Set(told) => self.set(&told, now),
            Said::Swing(live) => self.swing(&live, now),
            Said::Note(note) => {
                self.status.line(&note);
                self.note(note);
            }
            Said::Doubt(news) => self.doubt(&news),
            Said::Calibration(quality) => self.calibration(*quality),
            Said::Clocks(clocks) => return self.watch.clocks(clocks),
            Said::Over(losses) => self.review.analysis.losses = losses,
        }
        self.show(true);
    }

    /// A calibration is over. What was said of the one before no longer holds.
    fn calibration(&mut self, quality: CalibrationQuality) {
        self.calibrated |= quality.grade() != Grade::Poor;
        let before = self.review.analysis.calibration.replace(quality);
        let outdated = before.map_or_else(Vec::new, |before| before.sentences());
        self.review.analysis.notes.retain(|note| !outdated.contains(note));
    }

    /// The set of a swing that is still going on.
    fn set(&mut self, told: &LiveCall, now: HostTime) {
        let Some(foretold) = Foretold::of(&self.review.windows, told) else { return };
        let verdict = foretold.verdict;
        self.spoken.forget();
        if foretold.first {
            self.cue_at_set = None;
        }
        let heard = self.feedback.at_set(foretold);
        if let Some(cue) = heard.cue {
            self.cue_at_set = Some(LiveCue::at_set(cue.word(), &told.call));
            self.status.line(&at_set_sentence(verdict, told));
        }
        let corrected = heard.sentence.is_some();
        if heard != Heard::default() {
            let value = serde_json::json!({
                "set_us": told.call.set, "decided_at_us": told.call.decided_at, "class": told.call.class.word(),
                "arm_travel_at_set": told.call.arm_travel, "verdict": verdict.word(), "corrected": corrected,
            });
            let by = env!("CARGO_PKG_VERSION").to_owned();
            self.record(Recorded::Derived { received: now, kind: "set".to_owned(), by, value });
        }
        self.hear(heard, now);
    }

    /// Tells the sound whether a cue may come soon: by what the player does, or while he is led or answers.
    pub fn expect_cues(&self) {
        let soon = self.detector.may_decide_soon() || self.guide.is_some() || self.feedback.waits();
        self.sound.expect(soon);
    }

    pub(super) fn hear(&mut self, heard: Heard, now: HostTime) {
        if let Some(cue) = heard.cue {
            self.sound.play(cue, now);
            self.spoken.cue_was_heard();
        }
        if let Some(sentence) = heard.sentence {
            self.status.line(&sentence);
        }
    }

    /// A sentence for the reader, once.
    pub(super) fn note(&mut self, note: String) {
        if !self.review.analysis.notes.contains(&note) {
            self.review.analysis.notes.push(note);
        }
    }

    /// Something was typed.
    pub async fn control(&mut self, control: Control, now: HostTime) {
        match control {
            Control::Club(club) => self.mark(Marker::Club(club), now).await,
            Control::Mark(value) => self.mark(Marker::Note { kind: "mark".to_owned(), value }, now).await,
            Control::Calibrate => self.start_guide(),
            Control::Guess(verdict) => {
                let waited = self.feedback.waits();
                let heard = self.feedback.guess(verdict);
                self.answered(waited, heard, now);
                let marker = Marker::Note { kind: "guess".to_owned(), value: verdict.word().to_owned() };
                self.keep_marker(marker, now).await;
            }
            // The loop looks after these.
            Control::Mute | Control::Stop => {}
        }
    }

    async fn mark(&mut self, marker: Marker, now: HostTime) {
        let (kind, value) = marker.fields();
        let lacking = if let Marker::Club(club) = &marker { self.review.windows.lacking(club) } else { None };
        let lacking = lacking.map_or_else(String::new, |words| format!(" ({words})"));
        self.status.line(&format!("{kind}: {value}{lacking}"));
        self.keep_marker(marker, now).await;
    }

    pub(super) async fn keep_marker(&mut self, marker: Marker, now: HostTime) {
        self.watch.marker(&marker);
        self.record(Recorded::Marker { received: now, marker: marker.clone() });
        let heard = self.detector.marker(Arrival::Marker { received: Some(now), marker }).await;
        self.detector_keeps_up(heard);
    }

    /// Some time has passed; the link was heard up to `heard_until`.
    pub async fn tick(&mut self, heard_until: HostTime, now: HostTime) {
        self.ask(heard_until, now);
        if let Some(warning) = self.sound.take_warning() {
            self.status.line(&format!("sound: {warning}"));
        }
        self.look_after_disk(now);
        self.look_after_losses(now);
        self.spoken.tick(self.sound.as_mut(), now, &self.status);
        let waited = self.feedback.waits();
        let heard = self.feedback.tick(now);
        self.answered(waited, heard, now);
        let said = self.guide.as_mut().map_or_else(Vec::new, |guide| guide.tick(now));
        self.say_all(said, now).await;
    }

    /// Ends the bucket: the last swing, the recording's end, the sound's.
    pub async fn end(mut self, clock: HostClock) -> BucketEnd {
        self.detector.input_over();
        while let Some(said) = self.detector.next().await {
            self.said(said, clock.now());
        }
        if self.feedback.waits() {
            self.tell_newest();
        }
        let recordings = self.end_recording();
        self.show(false);
        if let Err(error) = self.sound.close() {
            self.status.line(&format!("sound: {error}"));
        }
        if self.damaged > 0 {
            self.status
                .line(&format!("{} could not be read, and kept as received", counted(self.damaged, "frame")));
        }
        if let Some(sentence) = self.recovery.sentence() {
            self.status.line(&sentence);
        }
        self.detector.join();
        BucketEnd { recordings, review: self.review, said: Remarks::default(), lost: self.lost }
    }
}
