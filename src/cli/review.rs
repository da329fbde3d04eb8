//! `review`: a bucket for the coach, as a table and as a local page.

use super::Outcome;
use super::input::{Fed, analysed, not_the_input, review_of, settings, tell};
use super::output::{print, private_file, say};
use super::run::asked_to_end;
use crate::review::page::{PageModel, page};
use crate::review::{Review, serve, table};
use anyhow::Context;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::watch;

/// Show a bucket: a table here, and a page in the browser of this machine.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  hingeclock review bucket.mcap
  hingeclock review bucket.mcap --page
  hingeclock review bucket.mcap --html bucket.html")]
pub struct Args {
    /// A recording or a raw CSV (plain or gzipped).
    input: PathBuf,
    /// Serve the page on this machine until Ctrl-C.
    #[arg(long)]
    page: bool,
    /// Port of the page; 0 takes any free one. Without it 8627, or a free one where that is taken.
    #[arg(long, value_name = "PORT")]
    page_port: Option<u16>,
    /// Write the page to a file that stands by itself.
    #[arg(long, value_name = "FILE.html")]
    html: Option<PathBuf>,
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
    if let Some(html) = &args.html {
        not_the_input(&args.input, html)?;
    }
    let Fed { state, player, report } = analysed(&args.input, &settings)?;
    let review = review_of(&args.input, player, state, &settings);
    print(&table::text(&review, super::terminal_width()))?;
    let outcome = tell(&report);
    if let Some(path) = &args.html {
        let text = page(&PageModel { review: review.clone(), live: false });
        let written = private_file(path)?.write_all(text.as_bytes());
        written.with_context(|| format!("{} cannot be written", path.display()))?;
    }
    if args.page {
        super::runtime()?.block_on(show(review, args.page_port))?;
    }
    Ok(outcome)
}

/// Serves the page of a finished bucket until Ctrl-C.
///
/// # Errors
/// The port is taken.
pub async fn show(review: Review, port: Option<u16>) -> anyhow::Result<()> {
    let listener = super::page::listen(port).await?;
    say(&format!("page at http://{}/ until Ctrl-C", listener.local_addr()?));
    let (_keep, model) = watch::channel(Arc::new(PageModel { review, live: false }));
    serve::serve(listener, model, asked_to_end()?).await.context("the page is gone")
}
