//! Two sides of a player beside each other, in numbers, words and pictures; and the player over the weeks. Numbers and
//! words are those of `library contrast` and `library trend`.

use super::shell::{Shell, ways_of_library};
use super::{overlaid, weeks};
use crate::record::library::index::Bucket;
use crate::review::compare::compared::Compared;
use crate::review::compare::sides::{Chosen, Contrast};
use crate::review::compare::{Quantity, cells, methods, said};
use crate::review::over_buckets::trend_words;
use crate::review::summary::in_order;
use crate::review::wording::{self, nothing};
use crate::units::counted;
use maud::{Markup, html};

/// The page where there is no library.
#[must_use]
pub fn without_library() -> String {
    let body = html! {
        header { h1 { "Compare" } }
        main #main {
            p {
                "Comparing takes a library, and one bucket is open here. Start "
                code { "hingeclock review FOLDER --page" }
                " with the folder of the recordings."
            }
        }
    };
    let ways = vec![("/".to_owned(), "Bucket".to_owned()), ("/compare".to_owned(), "Compare".to_owned())];
    Shell { title: "Compare", scripts: &[], head: html! {}, ways, body }.text()
}

/// The page.
#[must_use]
pub fn page(compared: &Compared) -> String {
    let body = html! {
        header { h1 { "Compare" } p.headline { (headline(compared)) } }
        main #main {
            (form(compared))
            (outcome(compared))
            (over_the_weeks(compared))
        }
    };
    Shell { title: "Compare", scripts: &[], head: html! {}, ways: ways_of_library(), body }.text()
}

fn player_name(name: &str) -> String {
    if name.is_empty() { "no player said".to_owned() } else { wording::clean(name) }
}

fn headline(compared: &Compared) -> String {
    match compared.choice.of_player.len() {
        0 => "The library has no recording yet.".to_owned(),
        n => format!("{}: {}", player_name(&compared.choice.player), counted(n, "recording")),
    }
}

fn form(compared: &Compared) -> Markup {
    let asked = &compared.asked;
    // What is no day a browser would not take.
    let day = Some(&asked.since).filter(|_| compared.choice.wrong.is_none());
    let clubs = in_order(compared.clubs.values().flatten().cloned());
    let choice = |name: &str, label: &str, none: &str, now: &str| {
        html! {
            label {
                (label) " "
                select name=(name) {
                    option value="" { (none) }
                    @for club in &clubs { option value=(club) selected[club == now] { (wording::clean(club)) } }
                }
            }
        }
    };
    html! {
        form #sides method="get" action="/compare" {
            div.filter {
                label {
                    "Player "
                    select name="player" {
                        @for player in &compared.players {
                            option value=(player) selected[*player == compared.choice.player] { (player_name(player)) }
                        }
                    }
                }
                (choice("club", "Club", "all clubs", &asked.club))
                (choice("second_club", "Second side", "the same club", &asked.second_club))
                label { "Before and from " input type="date" name="since" value=[day]; }
                button { "Compare" }
            }
            p.about {
                "Pick recordings for each side, or give a day: all before it against all from it on. With another club \
                 on the second side, the same recordings do."
            }
            (recordings(compared))
        }
    }
}

fn recordings(compared: &Compared) -> Markup {
    let is_on = |side: &[Bucket], bucket: &Bucket| side.iter().any(|one| one.id == bucket.id);
    let choice = &compared.choice;
    html! {
        @if !choice.of_player.is_empty() {
            div.scroll.picks tabindex="0" role="region" aria-labelledby="picks" {
                table {
                    caption #picks { "Recordings, the newest first" }
                    thead {
                        tr {
                            th scope="col" { "First" }
                            th scope="col" { "Second" }
                            th scope="col" { "Begun (UTC)" }
                            th scope="col" { "Recording" }
                            th.n scope="col" { "Swings" }
                            th scope="col" { "Clubs" }
                        }
                    }
                    tbody {
                        @for bucket in &choice.of_player {
                            @let name = wording::clean(&bucket.path.with_extension("").display().to_string());
                            @let key = bucket.facts.uuid.to_string();
                            tr {
                                td {
                                    input type="checkbox" name="first" value=(key)
                                        aria-label=(format!("{name} on the first side"))
                                        checked[is_on(&choice.first, bucket)];
                                }
                                td {
                                    input type="checkbox" name="second" value=(key)
                                        aria-label=(format!("{name} on the second side"))
                                        checked[is_on(&choice.second, bucket)];
                                }
                                td { (begun(bucket)) }
                                th scope="row" { a href=(format!("/bucket/{key}")) { (name) } }
                                td.n { (bucket.swings) }
                                td { (clubs_of(compared, bucket)) }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn begun(bucket: &Bucket) -> String {
    bucket.facts.started.map_or_else(nothing, |at| at.minute())
}

fn clubs_of(compared: &Compared, bucket: &Bucket) -> String {
    let clubs = compared.clubs.get(&bucket.id).map(Vec::as_slice).unwrap_or_default();
    clubs.iter().map(|club| wording::clean(club)).collect::<Vec<_>>().join(", ")
}

fn outcome(compared: &Compared) -> Markup {
    html! {
        section aria-labelledby="outcome" {
            h2 #outcome { "More than the noise?" }
            @match &compared.outcome {
                None => p role="status" { "Pick at least one recording for each side." },
                Some(Err(why)) => p role="status" { "Nothing to compare: " (why) "." },
                Some(Ok(contrast)) => (contrast_of(compared, contrast)),
            }
        }
    }
}

fn contrast_of(compared: &Compared, contrast: &Contrast) -> Markup {
    html! {
        ul.sides {
            li { (side_mark("first")) " First: " (name(&contrast.first)) }
            li { (side_mark("second")) " Second: " (name(&contrast.second)) }
        }
        div.scroll tabindex="0" role="region" aria-labelledby="rows-caption" {
            table #contrast {
                caption #rows-caption { "Means of both sides" }
                thead {
                    tr {
                        th scope="col" { "" span.away { "What is compared" } }
                        th.n scope="col" { "Swings" }
                        th.n scope="col" { "First" }
                        th.n scope="col" { "Second" }
                        th.n scope="col" { "Difference" }
                        th.n scope="col" { "95 % interval" }
                    }
                }
                tbody {
                    @for row in contrast.rows.iter().filter_map(|(_, row)| row.as_ref().ok()) {
                        @let [name, rest @ ..] = cells(row);
                        tr { th scope="row" { (name) } @for cell in rest { td.n { (cell) } } }
                    }
                }
            }
        }
        dl.said-of-rows {
            @for (quantity, row) in &contrast.rows {
                div { dt { (quantity.name()) } dd.num data-quantity=(quantity.key()) { (said(row)) } }
            }
        }
        div.figures {
            @for (place, quantity) in [Quantity::SetToTop, Quantity::ArmTravel].into_iter().enumerate() {
                (overlaid::figure(contrast, quantity, &compared.windows, place))
            }
        }
        p.about {
            "Steps: how large a part of a side's swings lies where; the marks below are the swings, the upright lines \
             the means that are compared."
        }
        ul.about.methods { @for method in methods(&contrast.rows) { li { "Interval: " (method) "." } } }
    }
}

/// A long row of recordings is told by their number.
fn name(side: &Chosen) -> String {
    const NAMED: usize = 4;
    if side.buckets.len() <= NAMED {
        return side.name();
    }
    let club =
        side.club.as_deref().map_or_else(|| "all clubs".to_owned(), |club| wording::club_name(Some(club)));
    format!("{} recordings; {club}", side.buckets.len())
}

fn side_mark(class: &str) -> Markup {
    html! {
        svg viewBox="0 0 30 16" width="30" height="16" aria-hidden="true" {
            g.side.(class) { path.outline d="M2 14V4H28V14" {} }
        }
    }
}

fn over_the_weeks(compared: &Compared) -> Markup {
    let club = Some(compared.asked.club.as_str()).filter(|club| !club.is_empty());
    let window = club.and_then(|club| compared.windows.for_club(Some(club)));
    html! {
        @if !compared.weeks.is_empty() {
            section aria-labelledby="weeks" {
                h2 #weeks {
                    "Over the weeks, " (club.map_or_else(|| "all clubs".to_owned(), |club| wording::club_name(Some(club))))
                }
                figure.wide { (weeks::figure(&compared.weeks, window)) }
                p.about {
                    "A point is a bucket's mean, its bar the 95 % interval of that mean: Student's t over its swings \
                     (Student 1908, Biometrika 6:1), the measurement added whole. A bucket of one swing has none. "
                    @if club.is_none() && compared.over_time.len() > 1 { "All clubs are mixed: choose one to see it alone." }
                }
                ul.trends {
                    @for one in &compared.over_time {
                        li.num {
                            (wording::club_name(one.club.as_deref())) ", " (counted(one.buckets.len(), "bucket"))
                            ", trend of their middles in ms a bucket: " span data-trend { (trend_words(one.set_trend_ms)) }
                        }
                    }
                }
            }
        }
    }
}
