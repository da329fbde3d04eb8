//! The commands. Each stands in a file of its own and says how it ended; this one parses and dispatches.

mod analyze;
mod check;
mod demo;
mod emulate;
mod export;
mod input;
mod library;
mod logs;
mod opening;
mod output;
mod page;
mod review;
mod run;
mod settings;
mod speed;

use crate::units::WallTime;
use anyhow::Context;
use clap::{Parser, Subcommand};
use logs::{LogForm, Logs};
use std::ffi::OsString;
use std::io::IsTerminal;
use std::os::unix::net::UnixStream;
use std::process::ExitCode;

/// Width of tables where there is no terminal to ask.
const USUAL_WIDTH: u16 = 120;

/// What `--without-names` does, wherever it is offered.
const WITHOUT_NAMES: &str = "Leave out the player's name, the glove's serial number, the input's file name, and what was \
    typed (notes, tags, marks, reasons). Clubs keep their names, typed ones as well";

/// How a command ended, as the exit code tells it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// All done.
    Done,
    /// It failed.
    Failed,
    /// What was asked for makes no sense; mostly the parser tells that itself.
    WrongUsage,
    /// Done, but data was lost or salvaged.
    Salvaged,
}

/// Arguments that do not go with each other, or with the file that they are about.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
struct WrongUsage(String);

impl Outcome {
    fn code(self) -> u8 {
        match self {
            Outcome::Done => 0,
            Outcome::Failed => 1,
            Outcome::WrongUsage => 2,
            Outcome::Salvaged => 3,
        }
    }
}

/// Clocks when a golfer's lead wrist hinge is set against the top of the backswing.
#[derive(Debug, Parser)]
#[command(version, after_help = HELP_END)]
struct Cli {
    /// Form of the log on standard error; RUST_LOG says how much (error by default).
    #[arg(long, global = true, value_name = "FORM", value_enum, default_value_t)]
    log: LogForm,
    #[command(subcommand)]
    command: Command,
}

const HELP_END: &str = "Start here:
  hingeclock check                          what this machine has, and what to do about the rest
  hingeclock demo                           a bucket without hardware
  hingeclock run --port /dev/ttyACM0        a bucket with a glove
  hingeclock review RECORDING --page        look at it afterwards

Exit codes: 0 done; 1 it failed; 2 wrong usage; 3 done, but data was lost or salvaged.";

#[derive(Debug, Subcommand)]
enum Command {
    Run(run::Args),
    Demo(demo::Args),
    Review(review::Args),
    Analyze(analyze::Args),
    Speed(speed::Args),
    Export(export::Args),
    Library(library::Args),
    Emulate(emulate::Args),
    Check(check::Args),
    Settings(settings::Args),
}

/// Parses the command line, runs the command, and gives the process its exit code.
#[must_use]
pub fn main() -> ExitCode {
    let cli = Cli::parse_from(arguments(std::env::args_os().collect()));
    let logs = Logs::start(cli.log);
    let outcome = match cli.command {
        Command::Run(args) => run::run(&args, &logs),
        Command::Demo(args) => demo::run(&args, &logs),
        Command::Review(args) => review::run(&args),
        Command::Analyze(args) => analyze::run(&args),
        Command::Speed(args) => speed::run(&args),
        Command::Export(args) => export::run(&args),
        Command::Library(args) => library::run(&args),
        Command::Emulate(args) => emulate::run(&args),
        Command::Check(args) => check::run(&args),
        Command::Settings(args) => settings::run(&args),
    };
    let outcome = outcome.unwrap_or_else(|error| {
        output::say(&format!("hingeclock: {}", told(&error)));
        if error.is::<WrongUsage>() { Outcome::WrongUsage } else { Outcome::Failed }
    });
    ExitCode::from(outcome.code())
}

/// `help --help` asks for no more than `help`, but the parser takes it for the name of a command.
fn arguments(mut all: Vec<OsString>) -> Vec<OsString> {
    let words: Vec<_> = all.iter().skip(1).map(|word| word.to_string_lossy()).collect();
    let words: Vec<&str> = words.iter().map(AsRef::as_ref).collect();
    if matches!(words[..], ["help", "-h" | "--help"] | ["library", "help", "-h" | "--help"]) {
        all.pop();
    }
    all
}

/// An error and its causes, each that the text before does not tell already.
fn told(error: &anyhow::Error) -> String {
    error.chain().map(ToString::to_string).fold(String::new(), |text, cause| match text.as_str() {
        "" => cause,
        told if told.contains(&cause) => text,
        _ => format!("{text}: {cause}"),
    })
}

fn runtime() -> anyhow::Result<tokio::runtime::Runtime> {
    room_for_runtime().context("the runtime cannot start")?;
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("the runtime cannot start")
}

/// Threads and files that a runtime takes at its start, and some to spare.
const THREADS: usize = 3;
const PAIRS: usize = 4;

/// Where the system gives no thread or file a runtime stops the program with a panic, so both are asked for before.
fn room_for_runtime() -> std::io::Result<()> {
    let _files = (0..PAIRS).map(|_| UnixStream::pair()).collect::<std::io::Result<Vec<_>>>()?;
    let (over, wait) = crossbeam_channel::bounded::<()>(0);
    let trial = |_| {
        let wait = wait.clone();
        std::thread::Builder::new().spawn(move || {
            let _ = wait.recv();
        })
    };
    let threads = (0..THREADS).map(trial).collect::<std::io::Result<Vec<_>>>();
    drop(over);
    threads?.into_iter().for_each(|thread| drop(thread.join()));
    Ok(())
}

/// As COLUMNS says, else as the terminal on standard output has it.
fn terminal_width() -> u16 {
    let told = std::env::var("COLUMNS").ok().and_then(|width| width.parse().ok());
    let terminal = || std::io::stdout().is_terminal().then(ratatui::crossterm::terminal::size)?.ok();
    let found = || terminal().map(|(columns, _)| columns).filter(|columns| *columns > 0);
    told.or_else(found).unwrap_or(USUAL_WIDTH)
}

#[allow(clippy::disallowed_methods, reason = "the command line is the edge that reads the wall clock")]
fn wall_time() -> WallTime {
    let since = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
    WallTime(since.map_or(0, |since| i64::try_from(since.as_millis()).unwrap_or(0)))
}
