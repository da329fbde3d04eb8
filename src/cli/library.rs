//! `library`: the recordings of a folder, what was said of them, and what became of a player over time.

mod change;
mod compare;
mod contrast;
mod data_set;
mod load;
mod pack;
mod players;
mod show;
mod trend;

use super::Outcome;
use super::input::settings;
use super::output::say;
use crate::daemon::rules;
use crate::record::library::{Library, Opened};
use crate::record::settings::Settings;
use crate::units::counted;
use std::path::PathBuf;

/// Keep recordings in order: list, remark, import, pack, move, merge, split, delete, verify.
#[derive(Debug, clap::Args)]
#[command(
    after_help = "BUCKET is a recording's path in the library, its name alone, or the start of its number.

Examples:
  hingeclock library list
  hingeclock library show kestrel-1 4
  hingeclock library remark kestrel-1 4 --exclude \"topped\"
  hingeclock library trend Robin
  hingeclock library load Robin
  hingeclock library import old.csv.gz --player Robin
  hingeclock library pack kestrel-1 kestrel-1.zip
  hingeclock library import kestrel-1.zip
  hingeclock library merge morning noon --as day
  hingeclock library verify"
)]
pub struct Args {
    /// The folder; that of the settings (buckets) unless another is given.
    #[arg(long, value_name = "FOLDER", global = true)]
    folder: Option<PathBuf>,
    /// Settings file with bands and windows.
    #[arg(long, value_name = "FILE.toml", global = true)]
    settings: Option<PathBuf>,
    /// Print JSON instead of a table.
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    /// The recordings, in order of time.
    List(show::ListArgs),
    /// One recording, or one of its swings, with everything that is known of it.
    Show(show::ShowArgs),
    /// A player's set over all buckets, club by club.
    Trend(trend::TrendArgs),
    /// How much a player has swung in a day and a week, against what is usual.
    Load(load::LoadArgs),
    /// The players, or a file to begin one with.
    Players(players::PlayersArgs),
    /// What was deleted.
    Trash,
    /// The numbers of earlier versions, and those shown live, beside those of this version.
    Compare(compare::CompareArgs),
    /// A player against himself: before and after, two weeks, two clubs; is the difference more than the noise?
    Contrast(contrast::ContrastArgs),
    /// Add a note, a tag, a mark, the right club, or leave a swing out of statistics.
    Remark(change::RemarkArgs),
    /// Take in a packed session, another library's recording, or a raw CSV.
    Import(pack::ImportArgs),
    /// Write a session with all that belongs to it into one file, to be mailed.
    Pack(pack::PackArgs),
    /// Write all swings, and samples if wanted, as a data set for data programs: Parquet, by player and date.
    ExportParquet(data_set::ExportArgs),
    /// The recordings and their numbers as JSON, found without analysing them.
    ListFiles,
    /// Print a job that analyses the whole library anew on many cores (Apache Spark).
    Job,
    /// Give a recording another name; it stays in its folder.
    Rename(change::RenameArgs),
    /// Bring a recording to another folder of the library.
    Move(change::MoveArgs),
    /// Make one recording of several; they go to the trash.
    Merge(change::MergeArgs),
    /// Make two recordings of one, which goes to the trash.
    Split(change::SplitArgs),
    /// Lay a recording in the trash.
    Delete(change::DeleteArgs),
    /// Bring a recording back from the trash.
    Restore(change::RestoreArgs),
    /// Read every recording wholly and check it.
    Verify(change::VerifyArgs),
    /// Throw the index away and build it anew.
    Rebuild,
}

/// Runs the command.
///
/// # Errors
/// The library cannot be opened, or what was asked for cannot be done.
pub fn run(args: &Args) -> anyhow::Result<Outcome> {
    let settings = settings(args.settings.as_ref())?;
    let folder = args.folder.clone().unwrap_or_else(|| settings.recordings.clone());
    let rules = rules(&settings);
    let context = |opened| Context::of(opened, &settings, args.json);
    let opened = || super::opening::open(&folder, rules).map(context);
    match &args.command {
        // These need no library, or must not wait until one is up to date.
        Command::Players(players::PlayersArgs { example: Some(name) }) => players::example(&settings, name),
        Command::ListFiles => data_set::list_files(&folder, &rules),
        Command::Job => data_set::job(),
        Command::List(args) => show::list(&opened()?, args),
        Command::Show(args) => show::show(&opened()?, args),
        Command::Trend(args) => trend::trend(&opened()?, args),
        Command::Load(args) => load::load(&opened()?, args),
        Command::Players(_) => players::players(&opened()?),
        Command::Trash => show::trash(&opened()?),
        Command::Compare(args) => compare::compare(&opened()?, args),
        Command::Contrast(args) => contrast::contrast(&opened()?, args),
        Command::Remark(args) => change::remark(opened()?, args),
        Command::Import(args) => {
            // The first recording may be an imported one.
            crate::record::library::files::make_folder(&folder)?;
            pack::import(context(super::opening::open_or_begin(&folder, rules)?), args)
        }
        Command::Pack(args) => pack::pack(&opened()?, args),
        Command::ExportParquet(args) => data_set::export(&opened()?, args),
        Command::Rename(args) => change::rename(opened()?, args),
        Command::Move(args) => change::move_to(opened()?, args),
        Command::Merge(args) => change::merge(opened()?, args),
        Command::Split(args) => change::split(opened()?, args),
        Command::Delete(args) => change::delete(opened()?, args),
        Command::Restore(args) => change::restore(opened()?, args),
        Command::Verify(args) => change::verify(opened()?, args),
        Command::Rebuild => change::rebuild(opened()?),
    }
}

/// What every command needs.
struct Context {
    library: Library,
    settings: Settings,
    json: bool,
}

impl Context {
    /// What every command needs of a library that was opened; says what that took.
    fn of((library, opened): (Library, Opened), settings: &Settings, json: bool) -> Context {
        tell(&opened);
        Context { library, settings: settings.clone(), json }
    }
}

fn tell_notes(told: &[String]) {
    told.iter().for_each(|told| say(&format!("note: {told}")));
}

fn tell(opened: &Opened) {
    tell_notes(&opened.told);
    match (opened.rebuilt, opened.analysed) {
        (_, 0) => {}
        (true, count) => say(&format!("index built anew: {} analysed", counted(count, "recording"))),
        (false, count) => say(&format!("{} analysed", counted(count, "recording"))),
    }
}
