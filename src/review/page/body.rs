//! Pelvis and chest on the page of a swing, where the player wears nodes there.

use crate::detect::{SegmentTurn, StartBack, Swing};
use crate::review::wording::{nothing, with_decimals};
use crate::units::Measured;
use maud::{Markup, html};

/// The panel of a swing; nothing without nodes on the trunk.
pub fn panel(swing: &Swing) -> Markup {
    let Some(body) = &swing.body else { return html! {} };
    html! {
        section aria-labelledby="body-title" {
            h2 #body-title { "Pelvis and chest" }
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
    ("Turned at the top, °", |segment| with_decimals(segment.turn_at_top_deg, 1)),
    ("Leans away from the target at impact, °", |segment| with_decimals(segment.tilt_at_impact_deg, 1)),
    ("Starts back before the top, ms", |segment| lead(segment, |start| Some(start.lead_to_top_ms))),
    ("Starts back before the set, ms", |segment| lead(segment, |start| start.lead_to_set_ms)),
    ("Fastest on the way down, °/s", |segment| with_decimals(segment.peak_dps, 0)),
];

fn lead(segment: &SegmentTurn, of: fn(&StartBack) -> Option<Measured>) -> String {
    segment.start_back.as_ref().and_then(of).map_or_else(nothing, |lead| with_decimals(lead, 0))
}
