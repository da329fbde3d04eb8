//! C3D (c3d.org, user guide; layout from memory, checked with two independent readers): a header block, a
//! parameter section, and frames of floating-point values. The angles are analog channels in degrees, the
//! swing's events stand in the group EVENT. There are no markers: two nodes know no positions.

use super::Frames;
use thiserror::Error;

/// Bytes of a block; every section begins at one.
const BLOCK: usize = 512;
/// Marks a C3D file, and its parameter section.
const KEY: u8 = 0x50;
/// Little-endian integers, IEEE floats.
const PROCESSOR: u8 = 84;
/// Frame numbers are 16 bits wide.
const FRAMES_MAX: usize = 65_535;

/// Why there is no C3D of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum C3dError {
    /// Too many or too few frames.
    #[error("expected 1 to {FRAMES_MAX} frames for C3D, found {0}")]
    Frames(usize),
}

/// The file's bytes.
///
/// # Errors
/// The swing has no frames, or more than the format can number.
pub fn bytes(frames: &Frames) -> Result<Vec<u8>, C3dError> {
    let count = frames.len();
    let last = u16::try_from(count).map_err(|_| C3dError::Frames(count))?;
    if last == 0 {
        return Err(C3dError::Frames(count));
    }
    // The length of the parameters does not hang on where the data begin, which is one of them.
    let blocks = parameters(frames, last, 0).len() / BLOCK;
    let data_start = (2 + blocks) as u16;
    let mut bytes = header(frames, last, data_start);
    bytes.extend(parameters(frames, last, data_start));
    for frame in 0..count {
        for channel in &frames.channels {
            bytes.extend((channel.values_deg[frame] as f32).to_le_bytes());
        }
    }
    bytes.resize(bytes.len().next_multiple_of(BLOCK), 0);
    Ok(bytes)
}

/// The header block, word by word.
fn header(frames: &Frames, last_frame: u16, data_start: u16) -> Vec<u8> {
    let mut header = vec![2, KEY];
    let words = [0, frames.channels.len() as u16, 1, last_frame, 0];
    words.iter().for_each(|word| header.extend(word.to_le_bytes()));
    header.extend((-1.0_f32).to_le_bytes());
    header.extend(data_start.to_le_bytes());
    header.extend(1_u16.to_le_bytes());
    header.extend((frames.rate_hz as f32).to_le_bytes());
    header.resize(BLOCK, 0);
    header
}

/// The value of a parameter.
enum Value<'a> {
    Text(Vec<&'a str>),
    OneText(&'a str),
    Integers(Vec<i16>),
    Integer(i16),
    Floats(Vec<f32>, Vec<u8>),
    Float(f32),
}

/// The parameter section, filled up to whole blocks.
fn parameters(frames: &Frames, last_frame: u16, data_start: u16) -> Vec<u8> {
    use Value::{Float, Floats, Integer, Integers, OneText, Text};
    let channels = &frames.channels;
    let count = channels.len();
    let rate_hz = frames.rate_hz as f32;
    let [labels, descriptions]: [Vec<&str>; 2] = [
        channels.iter().map(|channel| channel.label).collect(),
        channels.iter().map(|channel| channel.description.as_str()).collect(),
    ];
    let events = &frames.events;
    // Minutes, then seconds.
    let times = events.iter().flat_map(|(_, at_s)| [(at_s / 60.0).floor() as f32, (at_s % 60.0) as f32]);
    let signed = |word: u16| i16::from_le_bytes(word.to_le_bytes());
    let mut section = Section::default();
    section.group(1, "POINT");
    section.parameter(1, "USED", &Integer(0));
    section.parameter(1, "SCALE", &Float(-1.0));
    section.parameter(1, "RATE", &Float(rate_hz));
    section.parameter(1, "DATA_START", &Integer(signed(data_start)));
    section.parameter(1, "FRAMES", &Integer(signed(last_frame)));
    section.parameter(1, "LABELS", &Text(Vec::new()));
    section.parameter(1, "DESCRIPTIONS", &Text(Vec::new()));
    section.parameter(1, "UNITS", &OneText("mm"));
    section.group(2, "ANALOG");
    section.parameter(2, "USED", &Integer(count as i16));
    section.parameter(2, "LABELS", &Text(labels));
    section.parameter(2, "DESCRIPTIONS", &Text(descriptions));
    section.parameter(2, "UNITS", &Text(vec!["deg"; count]));
    section.parameter(2, "GEN_SCALE", &Float(1.0));
    section.parameter(2, "SCALE", &Floats(vec![1.0; count], vec![count as u8]));
    section.parameter(2, "OFFSET", &Integers(vec![0; count]));
    section.parameter(2, "RATE", &Float(rate_hz));
    section.group(3, "EVENT");
    section.parameter(3, "USED", &Integer(events.len() as i16));
    section.parameter(3, "CONTEXTS", &Text(vec!["General"; events.len()]));
    section.parameter(3, "LABELS", &Text(events.iter().map(|(name, _)| *name).collect()));
    section.parameter(3, "TIMES", &Floats(times.collect(), vec![2, events.len() as u8]));
    section.finish()
}

#[derive(Default)]
struct Section {
    bytes: Vec<u8>,
    /// Where the offset to the next entry stands in the last one.
    last_offset: Option<usize>,
}

impl Section {
    fn group(&mut self, number: i8, name: &str) {
        self.named(-number, name);
        let at = self.offset_to_come();
        self.bytes.push(0);
        self.close(at);
    }

    fn parameter(&mut self, group: i8, name: &str, value: &Value) {
        self.named(group, name);
        let at = self.offset_to_come();
        match value {
            Value::Integer(value) => self.value(2, &[], value.to_le_bytes()),
            Value::Integers(values) => {
                self.value(2, &[values.len() as u8], values.iter().flat_map(|value| value.to_le_bytes()));
            }
            Value::Float(value) => self.value(4, &[], value.to_le_bytes()),
            Value::Floats(values, dimensions) => {
                self.value(4, dimensions, values.iter().flat_map(|value| value.to_le_bytes()));
            }
            Value::OneText(text) => self.value(-1, &[text.len() as u8], text.bytes()),
            Value::Text(texts) => {
                let width = texts.iter().map(|text| text.len()).max().unwrap_or(0);
                let padded = texts
                    .iter()
                    .flat_map(|text| text.bytes().chain(std::iter::repeat_n(b' ', width - text.len())));
                self.value(-1, &[width as u8, texts.len() as u8], padded);
            }
        }
        self.bytes.push(0);
        self.close(at);
    }

    fn named(&mut self, group: i8, name: &str) {
        self.bytes.push(name.len() as u8);
        self.bytes.push(group.to_le_bytes()[0]);
        self.bytes.extend(name.bytes());
    }

    fn offset_to_come(&mut self) -> usize {
        self.bytes.extend([0, 0]);
        self.bytes.len() - 2
    }

    fn value(&mut self, kind: i8, dimensions: &[u8], data: impl IntoIterator<Item = u8>) {
        self.bytes.push(kind.to_le_bytes()[0]);
        self.bytes.push(dimensions.len() as u8);
        self.bytes.extend(dimensions);
        self.bytes.extend(data);
    }

    /// The offset counts from where it stands itself.
    fn close(&mut self, at: usize) {
        let offset = (self.bytes.len() - at) as u16;
        self.bytes[at..at + 2].copy_from_slice(&offset.to_le_bytes());
        self.last_offset = Some(at);
    }

    fn finish(mut self) -> Vec<u8> {
        // The last entry has no next.
        if let Some(at) = self.last_offset {
            self.bytes[at..at + 2].fill(0);
        }
        let blocks = (4 + self.bytes.len()).div_ceil(BLOCK);
        let mut section = vec![1, KEY, blocks as u8, PROCESSOR];
        section.append(&mut self.bytes);
        section.resize(blocks * BLOCK, 0);
        section
    }
}
