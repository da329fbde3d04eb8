//! `emulate`: a glove that does not exist, on a real serial line, for firmware authors, demos and tests.

use super::output::{print, say};
use super::{Outcome, WrongUsage};
use crate::device::faults::Faults;
use crate::device::host_clock::HostClock;
use crate::device::pty::PtyLine;
use crate::device::virtual_glove::{GloveStream, Scenario};
use crate::device::{Pace, Peer, PeerScript};
use crate::record::input::{Input, open_input};
use crate::sample::{Arrival, DeviceDescription, NodeRole};
use anyhow::Context;
use clap::ValueEnum;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// Play a glove's firmware on a pseudo-terminal.
#[derive(Debug, clap::Args)]
#[command(after_help = "Prints the path of the serial port, then waits for a host to start it.

Examples:
  hingeclock emulate
  hingeclock emulate --bucket left-handed --speed 4
  hingeclock emulate --nodes hand,forearm,chest,belt
  hingeclock emulate bucket.csv.gz --unpaced
  hingeclock emulate --loss 0.05 --corruption 0.01 --seed 7")]
pub struct Args {
    /// Play this raw CSV or recording instead of a scripted bucket.
    input: Option<PathBuf>,
    /// The scripted bucket.
    #[arg(long, value_enum, default_value_t = Script::Demo, conflicts_with = "input")]
    bucket: Script,
    /// Where the player wears nodes: those of the glove, and any of chest and belt.
    #[arg(long, value_delimiter = ',', default_value = "hand,forearm", conflicts_with = "input", value_parser = node)]
    nodes: Vec<NodeRole>,
    /// Hours of the range day; 1 unless given.
    #[arg(long, value_parser = hours, conflicts_with = "input")]
    hours: Option<f64>,
    /// Times as fast as it was.
    #[arg(long, default_value_t = 1.0, value_parser = speed, conflicts_with = "unpaced")]
    speed: f64,
    /// As fast as the host reads.
    #[arg(long)]
    unpaced: bool,
    /// Readings that it keeps, so that they can be sent again.
    #[arg(long, default_value_t = 8192, value_parser = clap::value_parser!(u32).range(..=1_000_000))]
    kept: u32,
    /// Seconds for which it goes on answering when the bucket is over.
    #[arg(long, default_value_t = 0.0, value_parser = positive_or_zero)]
    linger_s: f64,
    #[command(flatten)]
    faults: FaultArgs,
}

/// The scripted buckets.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Script {
    /// Robin's bucket: calibration, then wedge, iron and driver.
    Demo,
    /// A smaller one of a left-handed player.
    LeftHanded,
    /// A player who goes through the calibration unprompted, for the host to lead, and two swings.
    Guided,
    /// Hours of swings.
    RangeDay,
}

/// What goes wrong on the line.
#[derive(Debug, clap::Args)]
struct FaultArgs {
    /// Share of frames that are lost, 0 to 1.
    #[arg(long, default_value_t = 0.0, value_parser = share)]
    loss: f64,
    /// Share of frames that come twice, 0 to 1.
    #[arg(long, default_value_t = 0.0, value_parser = share)]
    duplicate: f64,
    /// Share of frames with a flipped bit, 0 to 1.
    #[arg(long, default_value_t = 0.0, value_parser = share)]
    corruption: f64,
    /// Longest extra delay of a frame, ms.
    #[arg(long, default_value_t = 0.0, value_parser = positive_or_zero, allow_negative_numbers = true)]
    jitter_ms: f64,
    /// How much faster the other nodes' clocks run than the hand's, ppm.
    #[arg(long, default_value_t = 0.0, value_parser = skew, allow_negative_numbers = true)]
    skew_ppm: f64,
    /// The same seed gives the same bucket and the same faults.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Runs the command.
///
/// # Errors
/// The input cannot be read or said in frames, or the system has no pseudo-terminal.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    if args.hours.is_some() && args.bucket != Script::RangeDay {
        let expected =
            "expected --hours with --bucket range-day only, found another bucket, which is as long as it is";
        return Err(WrongUsage(expected.to_owned()).into());
    }
    let pace = pace(args.speed, args.unpaced);
    let (device, arrivals) = match &args.input {
        Some(path) => read(path)?,
        None => script(args),
    };
    let script = PeerScript::from_arrivals(device, arrivals)?;
    let mut peer = Peer::new(script, faults(&args.faults)).with_kept(args.kept as usize);
    super::runtime()?.block_on(async {
        let line = PtyLine::open().context("the system gives no pseudo-terminal")?;
        let line = line.with_linger(Duration::from_secs_f64(args.linger_s));
        print(&format!("{}\n", line.path().display()))?;
        line.run(&mut peer, pace, HostClock::start()).await.context("the pseudo-terminal failed")
    })?;
    let counts = peer.counts();
    say(&format!(
        "{} frames sent, {} lost, {} twice, {} damaged",
        counts.frames, counts.lost, counts.doubled, counts.damaged
    ));
    Ok(Outcome::Done)
}

/// The pace that speed and flag ask for.
pub fn pace(speed: f64, unpaced: bool) -> Pace {
    if unpaced { Pace::Unpaced } else { Pace::Times(speed) }
}

/// A number within bounds, for the command line.
fn within(text: &str, least: f64, most: f64) -> Result<f64, String> {
    let number = text.parse().ok().filter(|number| (least..=most).contains(number));
    number.ok_or_else(|| format!("expected a number from {least} to {most}, found {text:?}"))
}

/// A place for a node, for the command line.
pub fn node(text: &str) -> Result<NodeRole, String> {
    let named = NodeRole::ALL.into_iter().find(|role| role.word() == text);
    named.ok_or_else(|| format!("expected hand, forearm, chest or belt, found {text:?}"))
}

fn share(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1.0)
}

fn positive_or_zero(text: &str) -> Result<f64, String> {
    within(text, 0.0, 10_000.0)
}

fn skew(text: &str) -> Result<f64, String> {
    within(text, -1000.0, 1000.0)
}

fn hours(text: &str) -> Result<f64, String> {
    within(text, 0.01, 24.0)
}

/// Times as fast as it was.
pub fn speed(text: &str) -> Result<f64, String> {
    within(text, 0.01, 1000.0)
}

fn read(path: &Path) -> anyhow::Result<(DeviceDescription, Vec<Arrival>)> {
    let Input { device, arrivals, .. } = open_input(path)?;
    Ok((device, arrivals.collect::<Result<_, _>>()?))
}

fn script(args: &Args) -> (DeviceDescription, Vec<Arrival>) {
    let scenario = match args.bucket {
        Script::Demo => Scenario::demo_bucket(),
        Script::LeftHanded => Scenario::left_handed_bucket(),
        Script::Guided => Scenario::guided_bucket(),
        Script::RangeDay => Scenario::range_day(args.hours.unwrap_or(1.0)),
    };
    let mut stream = GloveStream::new(&worn(scenario, &args.nodes), args.faults.seed);
    let device = stream.device().clone();
    let mut arrivals = Vec::new();
    while let Some(arrival) = stream.next() {
        arrivals.push(arrival);
        stream.take_truth();
    }
    (device, arrivals)
}

/// The same with nodes at these places, each once.
pub fn worn(scenario: Scenario, nodes: &[NodeRole]) -> Scenario {
    let roles = NodeRole::ALL.into_iter().filter(|role| nodes.contains(role)).collect();
    Scenario { roles, ..scenario }
}

fn faults(args: &FaultArgs) -> Faults {
    Faults {
        seed: args.seed,
        loss: args.loss,
        duplicate: args.duplicate,
        corruption: args.corruption,
        jitter_us: (args.jitter_ms * 1e3) as i64,
        skew_ppm: args.skew_ppm,
    }
}
