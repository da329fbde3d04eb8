//! The parts of a live page that change while the bucket is filled: in the page at first, over a socket later.

use super::{PageModel, latest, served};
use crate::review::live::{CalibrationStep, Guess, HOW_TO_GUESS, LiveStatus};
use crate::review::serve::bench::OWN;
use crate::tone::Cue;
use maud::{Markup, html};
use serde_json::{Value, json};

/// A browser without scripts asks for the page's successor after so many seconds.
const REFRESH_S: u32 = 3;

/// A browser's sound comes later than the daemon's own, and how much is up to it, the device and the network.
const LATER: &str = "Slower than the daemon's own sound, by tens of ms and more: not for cues at the set.";

/// What a page needs to sound a cue as the daemon does: its pulses (start and length in ms, pitch in Hz) and its
/// level.
#[must_use]
pub fn cue_shape(cue: Cue) -> Value {
    let pulses: Vec<[f64; 3]> =
        cue.pulses().iter().map(|pulse| [pulse.starts_ms, pulse.lasts_ms, pulse.pitch_hz]).collect();
    json!({ "word": cue.word(), "level": cue.level(), "pulses": pulses })
}

/// The parts by name; each stands in the element `live-NAME`.
#[must_use]
pub fn parts(model: &PageModel, status: Option<&LiveStatus>) -> [(&'static str, String); 4] {
    let [heading, newest, glove, bucket] = markups(model, status);
    [
        ("heading", heading.into_string()),
        ("newest", newest.into_string()),
        ("glove", glove.into_string()),
        ("bucket", bucket.into_string()),
    ]
}

fn markups(model: &PageModel, status: Option<&LiveStatus>) -> [Markup; 4] {
    let review = &model.review;
    let heading = served::heading(review, model.live);
    // Once the bucket is over, nothing is sent or recorded any more.
    let glove = html! { @if let Some(status) = status.filter(|_| model.live) { (facts(status)) } };
    let rest = served::bucket(review, OWN);
    let newest = match status.map(|status| (status.calibration, &status.guess)) {
        Some((Some(step), _)) => calibration(step),
        Some((None, Guess::Waits)) => question(),
        Some((None, Guess::Made(sentence))) => html! { (latest(review)) p.guess { (sentence) } },
        _ => latest(review),
    };
    [heading, newest, glove, rest]
}

/// What the calibration asks for.
fn calibration(step: CalibrationStep) -> Markup {
    html! {
        section.latest aria-live="polite" aria-labelledby="latest" {
            h2 #latest { (step.title()) }
            p { (step.words) }
        }
    }
}

/// A swing that the player shall guess first: nothing of it is shown.
fn question() -> Markup {
    html! {
        section.latest aria-live="polite" aria-labelledby="latest" {
            h2 #latest { "What was this swing?" }
            p { "Your guess comes first, in the terminal: " (HOW_TO_GUESS) "." }
        }
    }
}

/// Body of a page that follows its bucket; `tools` are what can be done with it as a whole.
pub fn body(model: &PageModel, status: Option<&LiveStatus>, tools: &Markup) -> Markup {
    let [heading, newest, glove, bucket] = markups(model, status);
    html! {
        header {
            div #live-heading { (heading) }
            (tools)
            p.connection #connection role="status" { "Loaded; not connected yet." }
            p.sound #sound-here hidden {
                button #sound type="button" aria-pressed="false" { "Sound the cues here" }
                " " span.about { (LATER) }
            }
        }
        main #main {
            div #live-newest aria-live="polite" { (newest) }
            div #live-glove { (glove) }
            div #live-bucket { (bucket) }
        }
    }
}

/// What the head of such a page holds beside the usual.
pub fn head() -> Markup {
    html! {
        noscript { meta http-equiv="refresh" content=(REFRESH_S); }
    }
}

fn facts(status: &LiveStatus) -> Markup {
    html! {
        section aria-labelledby="glove" {
            h2 #glove { "Glove and recording" }
            dl.facts {
                @for fact in status.facts() {
                    div.wrong[fact.wrong] { dt { (fact.name) } dd { (fact.words) } }
                }
            }
        }
    }
}
