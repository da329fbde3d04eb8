//! `run`: the daemon. A glove on a serial port or on the air, cues, a recording, a page.

use super::Outcome;
use super::input::{settings, with_player};
use super::logs::Logs;
use super::output::{print, say};
use crate::daemon::control::{CONTROLS, Control, parse};
use crate::daemon::ended::BucketEnd;
use crate::daemon::requests::Requests;
use crate::daemon::run::{Options, run as run_bucket};
use crate::daemon::status::Status;
use crate::device::LinkParams;
use crate::device::ble::{BleParams, choice::Seen, choice::Wanted, look_around};
use crate::device::host_clock::HostClock;
use crate::device::serial::{SerialParams, candidate_ports};
use crate::record::feedback_settings::{FeedbackMode, Speak};
use crate::record::settings::Settings;
use crate::review::serve::sharing::Sharing;
use crate::review::table;
use crate::tone::SoundChoice;
use anyhow::{Context, bail};
use std::io::{self, BufRead, IsTerminal, Read};
use std::path::PathBuf;
use tokio::net::TcpListener;
use tokio::sync::mpsc;

/// The settings file of a glove on the air, unless another is named.
const USUAL_SETTINGS: &str = "hingeclock.toml";
/// Things said that may wait for the bucket.
pub const CONTROLS_MAX: usize = 16;
/// So much of a typed line is read, bytes.
const LONGEST_LINE: u64 = 4096;

/// Listen to a glove: sound, record, show.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "On a terminal a live view shows the bucket and its keys. Elsewhere, or with --plain, type while it \
runs: club NAME, calibrate, mark TEXT, mute, stop; e, o or l to guess. Ctrl-C ends the bucket, too.

Examples:
  hingeclock run --port /dev/ttyACM0
  hingeclock run --port /dev/ttyACM0 --sound wav:cues.wav --folder buckets
  hingeclock run --ble                                 the gloves within reach, or the remembered one
  hingeclock run --ble --glove \"Kestrel 7\"            that one, and remember it
  hingeclock run --settings robin.toml"
)]
pub struct Args {
    /// The glove's serial port; without it, the only one there is.
    #[arg(long, value_name = "PATH")]
    port: Option<PathBuf>,
    /// Speed of the serial port, bits a second; on USB ports it makes no difference.
    #[arg(long, value_name = "BITS", default_value_t = SerialParams::USUAL_BAUD, conflicts_with = "ble", value_parser = clap::value_parser!(u32).range(1200..=12_000_000))]
    baud: u32,
    /// The glove is on the air. The one in the settings file is taken, and no other.
    #[arg(long, conflicts_with = "port")]
    ble: bool,
    /// The glove on the air, by its name or address; it is remembered in the settings file.
    #[arg(long, value_name = "NAME-OR-ADDRESS", requires = "ble", value_parser = super::input::name)]
    glove: Option<String>,
    #[command(flatten)]
    bucket: BucketArgs,
    /// End when the glove goes away, instead of waiting for it; without a glove it has failed.
    #[arg(long)]
    once: bool,
    /// Print a systemd user unit that runs this at login, and end. What it runs stands in its ExecStart; add --port
    /// and the like there.
    #[arg(long, conflicts_with_all = ADDED_IN_THE_UNIT)]
    print_unit: bool,
}

/// What the printed unit does not take over.
const ADDED_IN_THE_UNIT: [&str; 14] = [
    "port",
    "baud",
    "ble",
    "glove",
    "once",
    "fallback",
    "settings",
    "sound",
    "page_port",
    "no_page",
    "share",
    "feedback",
    "speak",
    "plain",
];

/// The unit that `--print-unit` prints.
const UNIT: &str = include_str!("../daemon/hingeclock.service");

/// What `run` and `demo` share.
#[derive(Clone, Debug, clap::Args)]
pub struct BucketArgs {
    /// Folder of the recordings; that of the settings (buckets) unless another is given.
    #[arg(long, value_name = "DIR")]
    pub folder: Option<PathBuf>,
    /// Where the recording goes on should that folder fail: full, pulled out, broken. Without it, a folder of
    /// your user's state.
    #[arg(long, value_name = "DIR")]
    pub fallback: Option<PathBuf>,
    /// Settings file with bands, windows and the player.
    #[arg(long, value_name = "FILE.toml")]
    pub settings: Option<PathBuf>,
    /// Where cues go: auto, server, silent, or wav:FILE.
    #[arg(long, default_value = "auto", value_parser = sound)]
    pub sound: SoundChoice,
    /// Port of the page on this machine; 0 takes any free one. Without it 8627, or a free one where that is taken.
    #[arg(long, value_name = "PORT")]
    pub page_port: Option<u16>,
    /// No page.
    #[arg(long)]
    pub no_page: bool,
    /// Let other devices on the local network see the page, each once it was paired with a code. Plain http: on a
    /// network that you trust.
    #[arg(long, conflicts_with_all = ["no_page", "quiet"])]
    pub share: bool,
    /// When cues are heard: at-set, after-swing, outside-band, fading or guess-first. In place of the settings
    /// file's.
    #[arg(long, value_name = "MODE")]
    pub feedback: Option<FeedbackMode>,
    /// The number that a speech program says after the cue: nothing, set or travel. In place of the settings
    /// file's.
    #[arg(long, value_name = "NUMBER")]
    pub speak: Option<Speak>,
    /// Plain lines instead of the live view.
    #[arg(long)]
    pub plain: bool,
    /// Say nothing while it runs.
    #[arg(long)]
    pub quiet: bool,
}

impl BucketArgs {
    /// Whether the live view is shown: it needs a terminal to draw on and one to hear keys from.
    #[must_use]
    pub fn wants_view(&self) -> bool {
        let dumb = std::env::var("TERM").map_or(true, |kind| kind.is_empty() || kind == "dumb");
        let terminals = std::io::stdin().is_terminal() && std::io::stdout().is_terminal();
        terminals && !dumb && !self.plain && !self.quiet
    }
}

fn sound(text: &str) -> Result<SoundChoice, String> {
    match text {
        "auto" => Ok(SoundChoice::Auto),
        "server" => Ok(SoundChoice::Server),
        "silent" => Ok(SoundChoice::Silent),
        _ => match text.strip_prefix("wav:") {
            Some(path) if !path.is_empty() => Ok(SoundChoice::Wav(path.into())),
            _ => Err(format!("expected auto, server, silent or wav:FILE, found {text:?}")),
        },
    }
}

/// Runs the command.
///
/// # Errors
/// No port, no recording, no page.
pub fn run(args: &Args, logs: &Logs) -> anyhow::Result<Outcome> {
    if args.print_unit {
        print(UNIT)?;
        return Ok(Outcome::Done);
    }
    super::runtime()?.block_on(async {
        let status = Status::new(args.bucket.quiet);
        let mut options = options(&on_the_air(args), link(args).await?, args.once, &status).await?;
        options.remember = glove_file(args);
        let (sender, controls) = mpsc::channel(CONTROLS_MAX);
        if args.bucket.wants_view() {
            options.view = Some(sender);
        } else {
            if std::io::stdin().is_terminal() {
                status.line(&format!("type: {CONTROLS}"));
            }
            type_lines(status.clone(), sender).context("typed lines cannot be read")?;
        }
        let logs = args.bucket.wants_view().then_some(logs);
        let end = shown(logs, run_bucket(options, controls, Requests::listen()?, status)).await?;
        tell(&end)
    })
}

/// The bucket's options. On the air the settings are the file in which the glove is remembered, which the first time
/// is not there yet.
fn on_the_air(args: &Args) -> BucketArgs {
    let mut bucket = args.bucket.clone();
    if let Some(file) = glove_file(args) {
        bucket.settings = Some(file).filter(|file| file.exists());
    }
    bucket
}

/// The link that the arguments ask for.
async fn link(args: &Args) -> anyhow::Result<LinkParams> {
    match &args.port {
        _ if args.ble => Ok(LinkParams::Ble(BleParams::new(wanted(args).await?))),
        Some(port) => Ok(SerialParams { baud: args.baud, ..SerialParams::new(port) }.into()),
        None => Ok(SerialParams { baud: args.baud, ..SerialParams::new(only_port()?) }.into()),
    }
}

/// The settings file in which the glove on the air is remembered.
fn glove_file(args: &Args) -> Option<PathBuf> {
    let usual = || PathBuf::from(USUAL_SETTINGS);
    args.ble.then(|| args.bucket.settings.clone().unwrap_or_else(usual))
}

/// The glove that was named, or the remembered one. Where there is neither, those within reach are told, and
/// none is taken.
async fn wanted(args: &Args) -> anyhow::Result<Wanted> {
    if let Some(name) = &args.glove {
        return Ok(Wanted::Named(name.clone()));
    }
    let file = glove_file(args).unwrap_or_default();
    if let Some(glove) = Settings::load(&file)?.glove {
        return Ok(Wanted::Known(glove));
    }
    let seen = look_around().await?;
    let list: String = seen.iter().map(|seen: &Seen| format!("\n  {}", seen.line())).collect();
    let found = if seen.is_empty() { " none within reach".to_owned() } else { list };
    bail!(
        "expected a glove that was chosen before, found none in {}; choose one with --glove NAME-OR-ADDRESS from:{found}",
        file.display()
    )
}

fn only_port() -> anyhow::Result<PathBuf> {
    let ports = candidate_ports();
    match ports.as_slice() {
        [port] => Ok(port.clone()),
        [] => bail!(
            "expected a glove on a serial port, found no port at all; plug it in, or name one with --port"
        ),
        many => {
            let names: Vec<String> = many.iter().map(|port| port.display().to_string()).collect();
            bail!("expected one serial port, found {}: name the glove's with --port", names.join(", "))
        }
    }
}

/// The options of a bucket; opens the page's port.
pub async fn options(
    args: &BucketArgs,
    link: LinkParams,
    end_with_link: bool,
    status: &Status,
) -> anyhow::Result<Options> {
    let mut settings = settings(args.settings.as_ref())?;
    settings.feedback.mode = args.feedback.unwrap_or(settings.feedback.mode);
    settings.feedback.speak = args.speak.unwrap_or(settings.feedback.speak);
    let folder = args.folder.clone().unwrap_or_else(|| settings.recordings.clone());
    let settings = with_player(&settings, Some(&folder), &settings.player.name)?;
    let (page, sharing) = page(args, status).await?;
    let (clock, started) = (HostClock::start(), super::wall_time());
    Ok(Options {
        link,
        remember: None,
        folder,
        fallback: args.fallback.clone().or_else(usual_fallback),
        settings,
        sound: args.sound.clone(),
        page,
        sharing,
        view: None,
        end_with_link,
        clock,
        started,
    })
}

/// Opens the page's port, unless there shall be no page, and says where it is and who is let in.
async fn page(args: &BucketArgs, status: &Status) -> anyhow::Result<(Option<TcpListener>, Option<Sharing>)> {
    if args.no_page {
        return Ok((None, None));
    }
    let listener = super::page::listen(args.page_port, args.share).await?;
    let place = super::page::where_it_is(&listener)?;
    status.line(&format!("page at {place}"));
    status.keep("Page", &place);
    let lines = status.clone();
    let sharing = super::page::sharing(args.share, move |line| {
        lines.line(line);
        lines.keep("Shared", line);
    })?;
    Ok((Some(listener), sharing))
}

/// The folder for the state of this user's programs, as the XDG base directories say.
fn usual_fallback() -> Option<PathBuf> {
    let set = |name| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let state = set("XDG_STATE_HOME").or_else(|| Some(set("HOME")?.join(".local/state")));
    state.map(|state| state.join("hingeclock"))
}

/// Runs a bucket with the log held back where it would be written across the live view.
///
/// # Errors
/// Those of the bucket.
pub async fn shown(
    logs: Option<&Logs>,
    bucket: impl Future<Output = anyhow::Result<BucketEnd>>,
) -> anyhow::Result<BucketEnd> {
    logs.inspect(|logs| logs.hold());
    let end = bucket.await;
    logs.inspect(|logs| logs.release());
    end
}

/// Lines typed on standard input, on a thread of their own: reading a terminal cannot be cancelled.
///
/// # Errors
/// The system gives no thread.
fn type_lines(status: Status, sender: mpsc::Sender<Control>) -> io::Result<()> {
    let body = move || {
        let mut input = io::stdin().lock();
        while let Ok(Some(line)) = next_line(&mut input) {
            let line = String::from_utf8_lossy(&line);
            match parse(&line) {
                Ok(Some(control)) => {
                    if sender.blocking_send(control).is_err() {
                        return;
                    }
                }
                Ok(None) => {}
                Err(error) => status.line(&error.to_string()),
            }
        }
    };
    std::thread::Builder::new().name("typed".to_owned()).spawn(body).map(drop)
}

/// The next line; of one that does not end, its beginning.
fn next_line(input: &mut impl BufRead) -> io::Result<Option<Vec<u8>>> {
    let mut line = Vec::new();
    input.take(LONGEST_LINE).read_until(b'\n', &mut line)?;
    if line.last().is_some_and(|last| *last != b'\n') {
        input.skip_until(b'\n')?;
    }
    Ok((!line.is_empty()).then_some(line))
}

/// Prints the bucket and where it was recorded.
///
/// # Errors
/// Standard output cannot be written.
pub fn tell(end: &BucketEnd) -> anyhow::Result<Outcome> {
    let nothing = end.recordings.is_empty() && end.review.analysis.swings.is_empty();
    let table = if nothing { String::new() } else { table::text(&end.shown(), super::terminal_width()) };
    let gone: Vec<&PathBuf> = end.recordings.iter().filter(|path| !path.exists()).collect();
    let file = |path: &PathBuf| {
        let gone = if gone.contains(&path) { " (no longer there: moved, or gone)" } else { "" };
        format!("Recording: {}{gone}\n", path.display())
    };
    let files: String = end.recordings.iter().map(file).collect();
    print(&format!("{table}{files}"))?;
    for sentence in &end.lost {
        say(&format!("lost: {sentence}"));
    }
    let all_there = gone.is_empty() && end.lost.is_empty();
    if all_there && end.recordings.len() > 1 {
        say("nothing was lost: where a disk failed the recording went on in the next of these files");
    }
    Ok(if all_there { Outcome::Done } else { Outcome::Salvaged })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(clap::Parser)]
    struct Line {
        #[command(flatten)]
        args: Args,
    }

    fn args(line: &[&str]) -> Args {
        let program = std::iter::once("run");
        <Line as clap::Parser>::try_parse_from(program.chain(line.iter().copied())).unwrap().args
    }

    #[test]
    fn the_file_in_which_a_glove_is_remembered_need_not_be_there_yet() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("ann.toml");
        let named = ["--ble", "--glove", "Kestrel 7", "--settings", file.to_str().unwrap()];
        assert_eq!(on_the_air(&args(&named)).settings, None);
        std::fs::write(&file, "").unwrap();
        assert_eq!(on_the_air(&args(&named)).settings.as_deref(), Some(&*file));
        let on_a_port = on_the_air(&args(&["--port", "/dev/null", "--settings", "none.toml"]));
        assert!(on_a_port.settings.is_some(), "a file that is named for other ends has to be there");
    }

    #[test]
    fn of_a_line_that_is_too_long_the_beginning_is_read_and_the_next_one_is_whole() {
        let text = format!("mark a\n\n{}\nstop", "x".repeat(100_000));
        let mut input = text.as_bytes();
        let lines: Vec<_> = std::iter::from_fn(|| next_line(&mut input).unwrap()).collect();
        let lengths: Vec<_> = lines.iter().map(Vec::len).collect();
        assert_eq!((lengths, &lines[3][..]), (vec![7, 1, 4096, 4], &b"stop"[..]));
    }
}
