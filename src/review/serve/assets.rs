//! The scripts and styles that come with the build. An asset is added by a line of [`ASSETS`] and nothing else.

/// Name in `/assets/`, type, content.
const ASSETS: [(&str, &str, &str); 18] = [
    ("page.css", "text/css", include_str!("../page/assets/page.css")),
    ("bench.css", "text/css", include_str!("../page/assets/bench.css")),
    ("live.js", SCRIPT, include_str!("../page/assets/live.js")),
    ("bench.js", SCRIPT, include_str!("../page/assets/bench.js")),
    ("numbers.js", SCRIPT, include_str!("../page/assets/numbers.js")),
    ("swing.js", SCRIPT, include_str!("../page/assets/swing.js")),
    ("figure.js", SCRIPT, include_str!("../page/assets/figure.js")),
    ("lanes.js", SCRIPT, include_str!("../page/assets/lanes.js")),
    ("worth.js", SCRIPT, include_str!("../page/assets/worth.js")),
    ("speed.css", "text/css", include_str!("../page/assets/speed.css")),
    ("film.css", "text/css", include_str!("../page/assets/film.css")),
    ("film.js", SCRIPT, include_str!("../page/assets/film.js")),
    ("film-player.js", SCRIPT, include_str!("../page/assets/film-player.js")),
    ("film-times.js", SCRIPT, include_str!("../page/assets/film-times.js")),
    ("click.js", SCRIPT, include_str!("../page/assets/click.js")),
    ("report.css", "text/css", include_str!("../page/assets/report.css")),
    ("report.js", SCRIPT, include_str!("../page/assets/report.js")),
    ("library.js", SCRIPT, include_str!("../page/assets/library.js")),
];

const SCRIPT: &str = "text/javascript";

/// The type and content of an asset; none where there is no such name.
#[must_use]
pub fn asset(name: &str) -> Option<(&'static str, &'static str)> {
    ASSETS.iter().find(|(known, ..)| *known == name).map(|(_, kind, content)| (*kind, *content))
}
