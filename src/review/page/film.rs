//! Where a phone clip of a swing is shown and laid beside the curves. The clip never leaves the browser; all of its
//! moving parts are in `assets/film.js`.

use maud::{Markup, html};

/// The clip's place beside the figure: the film, and below it a way to choose one.
pub(super) fn place() -> Markup {
    html! {
        div #film {
            figure #film-figure hidden {
                figcaption { "Film " span #film-time {} }
                video #film-video muted playsinline preload="auto" aria-label="The clip of this swing" {}
                div.film-steps {
                    button type="button" #film-back aria-label="Film one frame back" { "◀" }
                    input type="range" #film-at step="any" aria-label="Film";
                    button type="button" #film-on aria-label="Film one frame on" { "▶" }
                }
            }
            div.film-choose {
                label for="film-file" { "A phone clip of this swing" }
                input type="file" #film-file accept="video/*,.mp4,.mov";
                p.about { "Choose it, or drop it on the page. It stays on this device: nothing is sent." }
            }
        }
    }
}

/// How the clip is laid, and how well.
pub(super) fn laying() -> Markup {
    html! {
        output #laid role="status" {}
        div #laying hidden {
            div.transport {
                button type="button" #film-impact aria-keyshortcuts="i" { "This frame is impact " kbd { "i" } }
                button type="button" #film-top aria-keyshortcuts="t" { "This frame is the top " kbd { "t" } }
                button type="button" #film-next aria-keyshortcuts="k" { "Next click " kbd { "k" } }
                button type="button" #film-earlier aria-keyshortcuts="[" { "Film a frame earlier " kbd { "[" } }
                button type="button" #film-later aria-keyshortcuts="]" { "Film a frame later " kbd { "]" } }
                label { "Recorded at " input type="number" #film-recorded min="1" max="2000" step="any" value="30"; " frames/s" }
                label { "Phone " input type="number" #film-distance min="0" max="100" step="any" value="3"; " m from the ball" }
                button type="button" #film-away { "Take the clip away" }
            }
            p.about {
                "Sound takes 3 ms a metre, which is taken off. For slow motion, say how fast it was recorded. "
                "How well the phone keeps its sound to its picture, nobody sees: where the ball moves in another frame, put it right."
            }
        }
    }
}
