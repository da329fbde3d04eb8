//! `review`: a bucket for the coach, as a table and as a local page; or a whole library as a page.

use super::input::{Fed, analysed, not_the_input, of_player, review_of, settings, tell};
use super::output::{print, private_file, say};
use super::{Outcome, WITHOUT_NAMES, WrongUsage};
use crate::daemon::requests::Requests;
use crate::daemon::rules;
use crate::record::export::Names;
use crate::record::library::made_from::about;
use crate::record::settings::Settings;
use crate::review::page::report::file as report_file;
use crate::review::page::{PageModel, page};
use crate::review::report::Report;
use crate::review::serve::Site;
use crate::review::serve::bench::{Bench, OwnFile, Shelf};
use crate::review::serve::sides::changes;
use crate::review::{Review, table};
use anyhow::{Context, bail};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::sync::watch;

/// Show a bucket: a table here, and a page in the browser of this machine.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock review bucket.mcap
  hingeclock review bucket.mcap --page
  hingeclock review buckets --page              the library: every swing, and each bucket on the bench
  hingeclock review bucket.mcap --page --share  for the tablet, too
  hingeclock review bucket.mcap --html bucket.html
  hingeclock review bucket.mcap --report report.html     one sheet for the player, to print or to mail
  hingeclock review buckets/bucket.mcap --report report.html --library buckets")]
pub struct Args {
    /// A recording, a raw CSV (plain or gzipped), or, with --page, the folder of a library.
    input: PathBuf,
    /// Serve the page on this machine until Ctrl-C.
    #[arg(long)]
    page: bool,
    /// Port of the page; 0 takes any free one. Without it 8627, or a free one where that is taken.
    #[arg(long, value_name = "PORT")]
    page_port: Option<u16>,
    /// Let other devices on the local network see the page, each once it was paired with a code. Plain http: on a
    /// network that you trust.
    #[arg(long, requires = "page")]
    share: bool,
    /// Write the page to a file that stands by itself.
    #[arg(long, value_name = "FILE.html")]
    html: Option<PathBuf>,
    /// Write the report to a file that stands by itself: one sheet for the player, with your words, to print or to mail.
    #[arg(long, value_name = "FILE.html")]
    report: Option<PathBuf>,
    // The page as a file has all names.
    #[arg(long, requires = "report", conflicts_with = "html", help = WITHOUT_NAMES)]
    without_names: bool,
    /// The library that the recording is of: the report then tells what changed against the player's earlier buckets.
    #[arg(long, value_name = "FOLDER", requires = "report")]
    library: Option<PathBuf>,
    /// Settings file with bands, windows and the player.
    #[arg(long, value_name = "FILE.toml")]
    settings: Option<PathBuf>,
}

/// Runs the command.
///
/// # Errors
/// The input or the settings cannot be read, the file cannot be written, or the port is taken.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let settings = settings(args.settings.as_ref())?;
    if args.input.is_dir() {
        return library(args, settings);
    }
    for written in args.html.iter().chain(&args.report) {
        not_the_input(&args.input, written)?;
    }
    let Fed { state, player, hand, report } = analysed(&args.input, &settings)?;
    let bare = review_of(&args.input, player, state, &settings);
    let bench = Bench::of_file(OwnFile { path: args.input.clone(), hand }, Box::new(super::wall_time));
    let said = bench.own(&Arc::new(PageModel { review: bare.clone(), live: false }));
    print(&table::text(&said.review, super::terminal_width()))?;
    let outcome = tell(&report);
    if let Some(path) = &args.html {
        write(path, &page(&said))?;
    }
    if let Some(path) = &args.report {
        write(path, &report_of(args, &settings, &said.review)?)?;
    }
    if args.page {
        super::runtime()?.block_on(show(bare, bench, args.page_port, args.share))?;
    }
    Ok(outcome)
}

fn write(path: &Path, text: &str) -> anyhow::Result<()> {
    let written = private_file(path)?.write_all(text.as_bytes());
    written.with_context(|| format!("{} cannot be written", path.display()))
}

/// The report as a file's text.
fn report_of(args: &Args, settings: &Settings, review: &Review) -> anyhow::Result<String> {
    // A CSV does not say when it was recorded.
    let known = about(&args.input).ok();
    let started = known.as_ref().and_then(|about| about.session.as_ref()).map(|session| session.started);
    let mut report = Report::of(review.clone(), started);
    if let Some(folder) = &args.library {
        let (library, opened) = super::opening::open(folder, rules(settings))?;
        opened.told.iter().for_each(|told| say(&format!("note: {told}")));
        let found = known.map_or(Ok(None), |about| library.index().numbered(about.uuid))?;
        let Some(bucket) = &found else {
            bail!("{}: expected a recording of the library {}", args.input.display(), folder.display());
        };
        let known = of_player(settings, Some(folder), &bucket.facts.player);
        (report.review.windows, report.review.measures) = (known.windows, known.measures);
        report.changes = changes(&library, bucket, &report.review.windows)?;
    }
    let names = if args.without_names { Names::Drop } else { Names::Keep };
    Ok(report_file(&report.told(names)))
}

/// The page of a library.
fn library(args: &Args, settings: Settings) -> anyhow::Result<Outcome> {
    if !args.page || args.html.is_some() || args.report.is_some() {
        let folder = args.input.display();
        return Err(WrongUsage(format!(
            "{folder}: expected a recording, found a folder: name one in it, or show all with --page alone"
        ))
        .into());
    }
    let (library, opened) = super::opening::open(&args.input, rules(&settings))?;
    opened.told.iter().for_each(|told| say(&format!("note: {told}")));
    let folder = args.input.clone();
    let of_player = Box::new(move |name: &str| of_player(&settings, Some(&folder), name));
    let tell = Box::new(|told: &str| say(&format!("note: {told}")));
    let bench = Bench::of_library(Shelf { library, of_player, tell }, Box::new(super::wall_time));
    super::runtime()?.block_on(serve_site(Site::of_library(bench), args.page_port, args.share))?;
    Ok(Outcome::Done)
}

/// Serves the page of a finished bucket until Ctrl-C.
///
/// # Errors
/// The port is taken.
pub async fn show(review: Review, bench: Bench, port: Option<u16>, share: bool) -> anyhow::Result<()> {
    let (_keep, model) = watch::channel(Arc::new(PageModel { review, live: false }));
    serve_site(Site::new(model, None).with_bench(bench), port, share).await
}

async fn serve_site(site: Site, port: Option<u16>, share: bool) -> anyhow::Result<()> {
    let listener = super::page::listen(port, share).await?;
    say(&format!("page at {} until Ctrl-C", super::page::where_it_is(&listener)?));
    let sharing = super::page::sharing(share, say)?;
    let mut requests = Requests::listen()?;
    let asked_to_end = async move {
        requests.next().await;
    };
    site.shared(sharing).serve(listener, axum::Router::new(), asked_to_end).await;
    Ok(())
}
