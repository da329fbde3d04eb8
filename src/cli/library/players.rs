//! `library players`: the players, or a file to begin one with.

use super::Context;
use crate::cli::Outcome;
use crate::cli::input::name;
use crate::cli::output::{print, print_json, print_table, say, table};
use crate::record::library::player::{Player, players as read_players};
use crate::record::settings::Settings;
use crate::review::wording::{nothing, number};
use crate::units::PlayerHand;
use serde_json::json;

/// Show the players.
#[derive(Debug, clap::Args)]
pub struct PlayersArgs {
    /// Print a file to begin a player of this name with, to be kept as players/NAME.toml.
    #[arg(long, value_name = "NAME", value_parser = name)]
    pub(super) example: Option<String>,
}

/// `players --example`: needs no library.
pub(super) fn example(settings: &Settings, name: &str) -> anyhow::Result<Outcome> {
    print(&begun(settings, name).text())?;
    Ok(Outcome::Done)
}

/// A player of whom the name is known, with the windows of the settings.
fn begun(settings: &Settings, name: &str) -> Player {
    Player { targets: settings.targets.clone(), hand: Some(settings.player.hand), ..Player::named(name) }
}

/// `players`.
pub(super) fn players(context: &Context) -> anyhow::Result<Outcome> {
    let (known, outcome) = known_players(context)?;
    if context.json {
        print_json(&json!({ "schema": 1, "players": known }))?;
        return Ok(outcome);
    }
    let mut table = table(&["Player", "Hand", "Arm, m", "Hand, m", "Clubs", "Windows"]);
    for player in &known {
        let windows: Vec<String> =
            player.targets.iter().map(|(club, w)| format!("{club} {:.2} to {:.2}", w.from, w.to)).collect();
        table.add_row([
            player.name.clone(),
            player.hand.map_or("", PlayerHand::word).to_owned(),
            metres(player.said.arm.arm_length_m),
            metres(player.said.arm.hand_length_m),
            player.said.clubs.keys().cloned().collect::<Vec<_>>().join(", "),
            windows.join(", "),
        ]);
    }
    print_table(table)?;
    Ok(outcome)
}

/// The players that have a file, then those that the recordings name; failed where a file cannot be read.
fn known_players(context: &Context) -> anyhow::Result<(Vec<Player>, Outcome)> {
    let mut known: Vec<Player> = Vec::new();
    let mut outcome = Outcome::Done;
    for player in read_players(context.library.folder())? {
        match player {
            Ok(player) => {
                let mut targets = context.settings.targets.clone();
                targets.extend(player.targets);
                let hand = player.hand.or(Some(context.settings.player.hand));
                known.push(Player { targets, hand, ..player });
            }
            Err(error) => {
                outcome = Outcome::Failed;
                say(&error.to_string());
            }
        }
    }
    for bucket in context.library.index().buckets()? {
        let name = &bucket.facts.player;
        if !name.is_empty() && !known.iter().any(|player| player.name == *name) {
            let begun = begun(&context.settings, name);
            known.push(Player { hand: bucket.facts.hand.or(begun.hand), ..begun });
        }
    }
    Ok((known, outcome))
}

/// A length that was said.
fn metres(said: Option<f64>) -> String {
    said.map_or_else(nothing, |length_m| number(length_m, 2))
}
