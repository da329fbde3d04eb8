//! Pelvis and chest on the page of a swing, where the player wears nodes there.

use crate::detect::{BodyTurn, SegmentTurn, StartBack, Swing};
use crate::review::wording::{NOTHING, number};
use crate::units::Measured;
use maud::{Markup, html};

/// The panel of a swing; nothing without nodes on the trunk.
pub fn panel(swing: &Swing) -> Markup {
    let Some(body) = &swing.body else { return html! {} };
    html! {
        section aria-labelledby="body-title" {
            h2 #body-title { "Pelvis and chest" }
            @if let Some(sentence) = sentence(body) { p { (sentence) } }
            div.scroll tabindex="0" role="region" aria-labelledby="body-title" {
                table {
                    caption { "± one standard deviation; turns and leans count from address, away from the target positive" }
                    thead { tr { th scope="col" { "What" } th.n scope="col" { "Pelvis" } th.n scope="col" { "Chest" } } }
                    tbody {
                        @for (what, of) in ROWS {
                            tr {
                                th scope="row" { (what) }
                                @for segment in [&body.pelvis, &body.chest] { td.n { (segment.as_ref().map_or_else(nothing, of)) } }
                            }
                        }
                    }
                }
            }
            @for (name, segment) in [("Pelvis", &body.pelvis), ("Chest", &body.chest)] {
                @if let Some(segment) = segment {
                    @for flag in &segment.flags { p.about { (name) ": " (flag.explanation()) "." } }
                }
            }
            p.about {
                "Turned: about the segment's own long axis. Leans: sideways, in the plane of the vertical and the line to the target. "
                "Starts back: the last change of direction of its turning before it is fastest on the way down; negative is after the top or the set."
            }
        }
    }
}

/// A line of the table: what it is, and how it is written for a segment.
type Row = (&'static str, fn(&SegmentTurn) -> String);

const ROWS: [Row; 5] = [
    ("Turned at the top, °", |segment| measured(segment.turn_at_top_deg, 1)),
    ("Leans away from the target at impact, °", |segment| measured(segment.tilt_at_impact_deg, 1)),
    ("Starts back before the top, ms", |segment| lead(segment, |start| Some(start.lead_to_top_ms))),
    ("Starts back before the set, ms", |segment| lead(segment, |start| start.lead_to_set_ms)),
    ("Fastest on the way down, °/s", |segment| number(segment.peak_dps, 0)),
];

fn nothing() -> String {
    NOTHING.to_owned()
}

fn measured(value: Measured, decimals: usize) -> String {
    format!("{}\u{a0}±\u{a0}{}", number(value.value, decimals), number(value.sd, decimals))
}

fn lead(segment: &SegmentTurn, of: fn(&StartBack) -> Option<Measured>) -> String {
    segment.start_back.as_ref().and_then(of).map_or_else(nothing, |lead| measured(lead, 0))
}

/// Which starts back first, where the bars let that be said.
fn sentence(body: &BodyTurn) -> Option<String> {
    let pelvis = body.pelvis.as_ref()?.start_back?.lead_to_top_ms;
    let clear = pelvis.value.abs() > 2.0 * pelvis.sd;
    let ms = number(pelvis.value.abs(), 0);
    Some(match (clear, pelvis.value > 0.0) {
        (false, _) => "Pelvis and arm start back together, as far as can be told.".to_owned(),
        (true, true) => format!("The pelvis starts back {ms} ms before the arm does."),
        (true, false) => format!("The pelvis starts back {ms} ms after the arm does."),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::DeviceTime;

    fn body(lead_ms: f64, sd_ms: f64) -> BodyTurn {
        let start_back = Some(StartBack {
            at: DeviceTime(0),
            lead_to_top_ms: Measured::new(lead_ms, sd_ms),
            lead_to_set_ms: None,
        });
        let pelvis = SegmentTurn {
            turn_at_top_deg: Measured::new(44.0, 1.0),
            tilt_at_impact_deg: Measured::new(7.0, 1.0),
            start_back,
            peak_dps: 480.0,
            peak: DeviceTime(0),
            flags: Vec::new(),
        };
        BodyTurn { pelvis: Some(pelvis), chest: None }
    }

    #[test]
    fn what_the_bar_does_not_carry_is_not_said() {
        let said = |lead_ms, sd_ms| sentence(&body(lead_ms, sd_ms)).unwrap();
        assert_eq!(said(72.0, 4.0), "The pelvis starts back 72 ms before the arm does.");
        assert_eq!(said(-31.0, 4.0), "The pelvis starts back 31 ms after the arm does.");
        assert_eq!(said(7.0, 4.0), "Pelvis and arm start back together, as far as can be told.");
    }
}
