//! Motion text (`.sto`, `.mot`) as OpenSim's documentation lays it down: a name, `key=value` lines, `endheader`,
//! a row of labels that begins with `time`, and rows of numbers parted by tabs (format rules from memory).

use super::Frames;
use std::fmt::Write;

/// The file's text. Times in s since the first frame, angles in degrees; the events stand in the header, whose
/// further lines readers pass over.
#[must_use]
pub fn text(frames: &Frames, name: &str) -> String {
    let mut text = String::new();
    let one_line = |name: &str| name.replace(|c: char| c.is_control() || c == '=', " ");
    let _ = writeln!(text, "{}", one_line(name));
    let _ = writeln!(text, "version=1\nnRows={}\nnColumns={}", frames.len(), frames.channels.len() + 1);
    let _ = writeln!(text, "inDegrees=yes");
    let _ = writeln!(text, "hand_clock_at_first_row_us={}", frames.start.0);
    if let Some(from) = frames.angles_from {
        let _ = writeln!(text, "angles_from={}", from.word());
    }
    for (event, at_s) in &frames.events {
        let _ = writeln!(text, "{event}_s={at_s:.6}");
    }
    text.push_str("endheader\ntime");
    for channel in &frames.channels {
        let _ = write!(text, "\t{}", channel.label);
    }
    text.push('\n');
    for frame in 0..frames.len() {
        let _ = write!(text, "{:.6}", frames.time_s(frame));
        for channel in &frames.channels {
            let _ = write!(text, "\t{:.5}", channel.values_deg[frame]);
        }
        text.push('\n');
    }
    text
}
