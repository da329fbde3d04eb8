//! One swing: arm and club under a cursor, its angles over time with the events as handles, its numbers with how
//! certain they are, and why they deserve less trust. What moves is drawn by `assets/swing.js` from [`motion`].

use super::chart::{Scale, path, px, ticks};
use super::shell::{Shell, bucket_address, ways};
use super::{Kind, body, film, key_mark, set_sentence, speed, title};
use crate::detect::{AnglesFrom, Swing};
use crate::record::library::moved::SwingEvent;
use crate::record::library::remarks::Standing;
use crate::review::Review;
use crate::review::motion::{Motion, at, computed, event_name};
use crate::review::raw::{RawSignals, RawTrack};
use crate::review::serve::bench::Shown;
use crate::review::wording::{self, measured, number};
use crate::units::{DeviceTime, Measured};
use maud::{Markup, html};

/// The page of a swing, counted from 1; none where there is none.
#[must_use]
pub fn page(shown: &Shown, number: usize) -> Option<String> {
    let review = &shown.model.review;
    let place = review.place(number)?;
    let swing = review.analysis.swings.get(place)?;
    let name = format!("Swing {number}, {}", wording::club_name(swing.club.as_deref()));
    let said = review.said_of(place);
    let kind = Kind::of(review, swing);
    let content = html! {
        header {
            p.program { (title(review)) }
            h1 { (name) }
            p.headline {
                (key_mark(kind)) " " strong { (kind.words()) } (window(review, swing)) ". " (set_sentence(swing))
                @if let Some(pelvis) = wording::pelvis_sentence(swing) { " " (pelvis) }
            }
            @if let Some(said) = said { (said_of(said)) }
            (neighbours(shown, number))
        }
        main #main {
            div #swing data-bucket=(shown.key) data-number=(number) data-takeaway=(swing.takeaway.0)
                data-remarks[shown.takes_remarks] data-why=[shown.says_nothing()] {
                (stage(swing))
                (events(swing, said, shown.says_nothing()))
            }
            (certainty(swing))
            (speed::panel(shown, number, swing))
            (body::panel(swing))
            (doubts(swing))
            (raw_place(shown, number))
        }
    };
    let scripts = &["swing.js", speed::SCRIPT];
    let head = html! {
        link rel="stylesheet" href="/assets/film.css";
        (speed::head())
    };
    Some(Shell { title: &name, scripts, head, ways: ways(shown), body: content }.text())
}

/// What the swing was judged by.
fn window(review: &Review, swing: &Swing) -> String {
    let window = review.windows.for_club(swing.club.as_deref());
    window.map_or_else(String::new, |window| {
        format!(" (window {} to {} %)", wording::percent(window.from), wording::percent(window.to))
    })
}

/// The data that the cursor runs over, as JSON; none where there is no such swing, counted from 1.
#[must_use]
pub fn motion(shown: &Shown, number: usize) -> Option<String> {
    let review = &shown.model.review;
    let motion = Motion::of(review, review.place(number)?, shown.hand)?;
    serde_json::to_string(&motion).ok()
}

fn said_of(said: &Standing) -> Markup {
    html! {
        p.said {
            @if let Some(why) = &said.excluded { span.why { "Left out of statistics: " (wording::clean(why)) } " " }
            @for tag in &said.tags { span.tag { (wording::clean(tag)) } " " }
            @for note in &said.notes { span.note { (wording::clean(note)) } " " }
        }
    }
}

fn neighbours(shown: &Shown, number: usize) -> Markup {
    let review = &shown.model.review;
    let address = |number: usize| format!("/bucket/{}/swing/{number}", shown.key);
    html! {
        nav.pages aria-label="Swings" {
            @if number > review.first_number { a rel="prev" href=(address(number - 1)) { "Swing " (number - 1) } }
            a href=(bucket_address(&shown.key)) rel="up" { "The whole bucket" }
            @if number < review.newest_number() { a rel="next" href=(address(number + 1)) { "Swing " (number + 1) } }
        }
    }
}

/// What of the drawing is known, and what is not.
fn drawn_from(swing: &Swing) -> &'static str {
    match swing.angles_from() {
        Some(AnglesFrom::BothNodes) => "Angles are measured; shoulder, plane and lengths are assumed. ",
        Some(AnglesFrom::HandPath) => {
            "Angles are not measured but worked out from the hand's path, through a model of arm and shoulder; \
             plane and lengths are assumed. "
        }
        None => {
            "The wrist's angles are not known: it is drawn as at address; shoulder, plane and lengths are assumed. "
        }
    }
}

/// Where the script draws.
fn stage(swing: &Swing) -> Markup {
    html! {
        noscript { p { "The moving part of this page needs scripts; the numbers below do not." } }
        section.stage aria-labelledby="cursor-title" hidden #stage {
            h2 #cursor-title { "Arm and club" }
            div.views {
                figure { figcaption { "Face-on" } svg #face-on role="img" aria-label="Lead arm and club, face-on" {} }
                figure { figcaption { "Down the line" } svg #down-the-line role="img" aria-label="Lead arm and club, down the line" {} }
                (film::place())
                dl.now #now aria-label="At the cursor" {}
            }
            p.about {
                (drawn_from(swing))
                span #mirrored hidden { "Drawn for a left-handed player." }
            }
            div.transport {
                button type="button" #back-frame aria-keyshortcuts="," { "◀ frame " kbd { "," } }
                button type="button" #play aria-pressed="false" aria-keyshortcuts="Space" { "Play " kbd { "space" } }
                button type="button" #on-frame aria-keyshortcuts="." { "frame ▶ " kbd { "." } }
                label { "Speed " select #speed { option value="0.05" { "1/20" } option value="0.125" selected { "1/8" } option value="0.25" { "1/4" } option value="1" { "1" } } }
                label.wide { "Cursor, ms against the top " input type="range" #cursor step="any"; }
            }
            (film::laying())
            h2 { "Over time" }
            p.about { "Drag a handle, or step it with the arrow keys (with Shift by ten); Delete puts it back. What was computed stays." }
            div #lanes {}
            @if swing.body.is_some() {
                p.about { "Turn and lean of pelvis and chest count from address, away from the target positive." }
            }
            output.told #told role="status" {}
        }
    }
}

fn events(swing: &Swing, said: Option<&Standing>, nothing: Option<&str>) -> Markup {
    let ms = |t: Option<DeviceTime>| {
        t.map_or_else(wording::nothing, |t| number(t.seconds_since(swing.top) * 1e3, 0))
    };
    html! {
        section aria-labelledby="events-title" {
            h2 #events-title { "Events" }
            div.scroll tabindex="0" role="region" aria-labelledby="events-title" {
                table.events {
                    caption { "ms against the top; negative is before it" }
                    thead { tr { th scope="col" { "Event" } th.n scope="col" { "Computed" } th.n scope="col" { "Yours" } th scope="col" { "Move" } } }
                    tbody {
                        @for (event, word) in SwingEvent::ALL {
                            tr data-event=(word) {
                                th scope="row" { (event_name(event)) }
                                td.n { (ms(computed(swing, event))) }
                                td.n.yours { (ms(said.and_then(|said| said.moved.get(&event).copied()))) }
                                td {
                                    button type="button" data-to-cursor disabled[nothing.is_some()] aria-label=(format!("{} to the cursor", event_name(event))) { "to the cursor" }
                                    " "
                                    button type="button" data-back disabled[nothing.is_some()] aria-label=(format!("{} back to the computed", event_name(event))) { "back to the computed" }
                                }
                            }
                        }
                    }
                }
            }
            @if let Some(sentence) = said.and_then(|said| by_moved(swing, said)) { p.by-moved { (sentence) } }
            @if let Some(why) = nothing { p.about { (why) } }
        }
    }
}

/// Set and travel by the events as a person has put them.
fn by_moved(swing: &Swing, said: &Standing) -> Option<String> {
    let of = |event| said.moved.get(&event).copied().or_else(|| computed(swing, event));
    if said.moved.is_empty() {
        return None;
    }
    let (set, top, takeaway) = (of(SwingEvent::Set)?, of(SwingEvent::Top)?, of(SwingEvent::Takeaway)?);
    let travel = |t| at(&swing.curve, t, |point| point.arm_travel_deg);
    let share = (travel(set)? - travel(takeaway)?) / (travel(top)? - travel(takeaway)?);
    Some(format!(
        "By the events as you put them: set {}, at {} % of the arm's travel.",
        wording::against_top(set.seconds_since(top) * 1e3),
        wording::percent(share)
    ))
}

fn certainty(swing: &Swing) -> Markup {
    let angles = [
        ("Hinge, °", &swing.hinge_deg),
        ("Flexion, °", &swing.flexion_deg),
        ("Arm and shaft, °", &swing.arm_shaft_deg),
    ];
    let set = swing.set.map(|set| set.set_to_top_ms);
    let travel = swing.set.map(|set| set.arm_travel_at_set);
    html! {
        section aria-labelledby="numbers-title" {
            h2 #numbers-title { "Numbers, and how certain they are" }
            dl.facts {
                div { dt { "Set to top" } dd.num { (measured(set, 1.0, "\u{a0}ms")) } }
                div { dt { "Arm travel" } dd.num { (measured(travel, 100.0, "\u{a0}%")) } }
                div { dt { "Tempo" } dd.num { (number(swing.tempo.value, 2)) "\u{a0}±\u{a0}" (number(swing.tempo.sd, 2)) } }
            }
            div.scroll tabindex="0" role="region" aria-labelledby="numbers-title" {
                table {
                    caption { "Angles at the events, ± one standard deviation" }
                    thead { tr { th scope="col" { "Angle" } @for name in ["at address", "at set", "at top", "largest", "arm horizontal", "at impact"] { th.n scope="col" { (name) } } } }
                    tbody {
                        @for (name, at) in angles {
                            tr {
                                th scope="row" { (name) }
                                @for value in [at.address, at.set, at.top, at.max, at.arm_horizontal_down, at.impact] { td.n { (degrees(value)) } }
                            }
                        }
                    }
                }
            }
            p.about {
                "Hinge and flexion count from the address pose, but at address itself from the best zero there is. "
                "Arm and shaft: the angle between them; 180° is a straight line. "
                @if swing.angles_from() == Some(AnglesFrom::HandPath) { (wording::WORKED_OUT) }
            }
        }
    }
}

fn degrees(angle: Option<Measured>) -> String {
    angle.map_or_else(wording::nothing, |angle| wording::with_decimals(angle, 1))
}

fn doubts(swing: &Swing) -> Markup {
    html! {
        section aria-labelledby="doubts-title" {
            h2 #doubts-title { "What deserves less trust" }
            @if swing.flags.is_empty() { p { "Nothing speaks against the numbers of wrist and arm." } }
            @else { ul { @for flag in &swing.flags { li { (flag.explanation()) "." } } } }
        }
    }
}

fn raw_place(shown: &Shown, number: usize) -> Markup {
    html! {
        @if shown.path.is_some() {
            details #raw data-from=(format!("/bucket/{}/swing/{number}/raw", shown.key)) {
                summary { "Raw signals" }
                div #raw-signals { p { "Reading the recording …" } }
            }
        }
    }
}

/// The raw signals as a piece of a page.
#[must_use]
pub fn raw(signals: &RawSignals) -> String {
    let markup = html! {
        ul.doubts { @for sentence in &signals.sentences { li { (sentence) } } }
        div.figures {
            @for track in &signals.tracks {
                (signal(track, "angular rate", "°/s", &track.rate_dps))
                (signal(track, "specific force", "g", &track.force_g))
            }
        }
        p.about { "As the sensors sent them, in their own axes x, y, z (solid, dashed, dotted). The other nodes are laid under the hand by their arrival." }
    };
    markup.into_string()
}

fn signal(track: &RawTrack, what: &str, unit: &str, values: &[[f64; 3]]) -> Markup {
    let (width, left, right, upper, lower) = (520.0, 58.0, 510.0, 10.0, 170.0);
    let most = values.iter().flatten().fold(1.0_f64, |most, value| most.max(value.abs()));
    let ends = track.t_ms.first().copied().zip(track.t_ms.last().copied()).unwrap_or((0.0, 1.0));
    let time = Scale { from: ends, to: (left, right) };
    let value = Scale { from: (-most, most), to: (lower, upper) };
    let node = track.role.word();
    let step = if ends.1 - ends.0 > 3000.0 { 1000.0 } else { 400.0 };
    html! {
        figure {
            figcaption { (node) ", " (what) ", " (unit) }
            svg.chart role="img" viewBox=(format!("0 0 {width} 200")) aria-label=(format!("{node}, {what}, largest {most:.0} {unit}")) {
                path.grid d=(format!("M{left} {upper}H{right}M{left} {lower}H{right}")) {}
                path.line d=(format!("M{left} {:.1}H{right}M{:.1} {upper}V{lower}", value.pixel(0.0), time.pixel(0.0))) {}
                text x=(px(left - 6.0)) y=(px(upper + 10.0)) text-anchor="end" { (number(most, 0)) }
                text x=(px(left - 6.0)) y=(px(lower)) text-anchor="end" { (number(-most, 0)) }
                @for ms in ticks(ends.0, ends.1, step) { text x=(px(time.pixel(ms))) y="190" text-anchor="middle" { (number(ms, 0)) } }
                @for axis in 0..3 {
                    path class={ "raw axis-" (axis) } d=(path(track.t_ms.iter().zip(values).map(|(ms, v)| (time.pixel(*ms), value.pixel(v[axis]))))) {}
                }
            }
        }
    }
}
