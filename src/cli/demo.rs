//! `demo`: the main job without hardware. A virtual glove on a real pseudo-terminal, heard by the daemon.

use super::Outcome;
use super::emulate::{node, pace, speed, worn};
use super::logs::Logs;
use super::run::{BucketArgs, CONTROLS_MAX, options, shown, tell};
use crate::daemon::requests::Requests;
use crate::daemon::run::run as run_bucket;
use crate::daemon::status::Status;
use crate::device::faults::Faults;
use crate::device::pty::PtyLine;
use crate::device::serial::SerialParams;
use crate::device::virtual_glove::{Scenario, VirtualBucket};
use crate::device::{Peer, PeerScript};
use crate::review::serve::bench::{Bench, OwnFile};
use crate::sample::NodeRole;
use crate::units::PlayerHand;
use anyhow::Context;
use tokio::sync::mpsc;

/// Play Robin's bucket (invented) through a real pseudo-terminal: tones, recording, page.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock demo
  hingeclock demo --speed 1
  hingeclock demo --nodes hand,forearm
  hingeclock demo --sound wav:cues.wav --keep-page")]
pub struct Args {
    /// Times as fast as real swings; up to about 4 the cues do not run into each other.
    #[arg(long, default_value_t = 4.0, value_parser = speed)]
    speed: f64,
    /// The same seed gives the same bucket.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Where Robin wears nodes: those of the glove, and any of chest and belt.
    #[arg(long, value_delimiter = ',', default_value = "hand,forearm,chest,belt", value_parser = node)]
    nodes: Vec<NodeRole>,
    /// Go on serving the page until Ctrl-C when the bucket is over.
    #[arg(long, conflicts_with = "no_page")]
    keep_page: bool,
    #[command(flatten)]
    bucket: BucketArgs,
}

/// Runs the command.
///
/// # Errors
/// No pseudo-terminal, no recording, no page.
pub fn run(args: &Args, logs: &Logs) -> anyhow::Result<Outcome> {
    let pace = pace(args.speed, false);
    let status = Status::new(args.bucket.quiet);
    status
        .line("Robin, Kestrel Point practice ground (both invented): calibration, then wedge, iron, driver.");
    let VirtualBucket { device, arrivals, .. } =
        VirtualBucket::play(&worn(Scenario::demo_bucket(), &args.nodes), args.seed);
    let mut peer = Peer::new(PeerScript::from_arrivals(device, arrivals)?, Faults::default());
    super::runtime()?.block_on(async {
        let line = PtyLine::open().context("the system gives no pseudo-terminal")?;
        let port = SerialParams::new(line.path()).into();
        let mut options = options(&args.bucket, port, true, &status).await?;
        let clock = options.clock;
        if args.bucket.settings.is_none() {
            options.settings.player.name = "Robin (invented)".to_owned();
        }
        let glove = tokio::spawn(async move { line.run(&mut peer, pace, clock).await });
        let (sender, controls) = mpsc::channel(CONTROLS_MAX);
        options.view = args.bucket.wants_view().then_some(sender);
        let logs = args.bucket.wants_view().then_some(logs);
        let end = shown(logs, run_bucket(options, controls, Requests::listen()?, status.clone())).await?;
        glove.abort();
        let outcome = tell(&end)?;
        if args.keep_page {
            let own =
                end.recordings.first().map(|path| OwnFile { path: path.clone(), hand: PlayerHand::Right });
            let bench = own.map_or_else(Bench::bare, |own| Bench::of_file(own, Box::new(super::wall_time)));
            super::review::show(end.review, bench, args.bucket.page_port, args.bucket.share).await?;
        }
        Ok(outcome)
    })
}
