//! What a recording holds: the items, and their bytes within the container.
//!
//! A recording is an MCAP file (container version 0) with profile `hingeclock`, chunks without
//! compression, and four channels of fixed numbers. Chunks carry check sums. The numbers are fixed so that
//! a message can be read even where the record that names its channel was lost. Behind each chunk stands a mark
//! (private record 0x90) that tells how much the recording holds by then ([`super::tally`]).

use crate::device::RawPiece;
use crate::sample::Marker;
use crate::units::HostTime;
use serde::{Deserialize, Serialize};

/// Profile in the container's header.
pub const PROFILE: &str = "hingeclock";
/// Version of what the channels hold. Another major change gets another number.
pub const FORMAT_VERSION: &str = "1";
/// Kind of a link event: what was lost of the file that a recording was imported from, or should be known of it.
/// It stands in the recording, since the file may be gone later.
pub const IMPORTED: &str = "imported";
/// Longest payload of a message, bytes. A raw piece takes at most some 530.
pub const LONGEST_PAYLOAD: usize = 1 << 20;

/// A channel of a recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Channel {
    /// Raw pieces from the glove: the truth.
    Raw = 1,
    /// Markers set on the host.
    Markers = 2,
    /// What happened to the link.
    Link = 3,
    /// What the program made of it at the time; can be worked out again.
    Derived = 4,
}

impl Channel {
    /// Every channel.
    pub const ALL: [Channel; 4] = [Channel::Raw, Channel::Markers, Channel::Link, Channel::Derived];

    /// Its number in the file.
    #[must_use]
    pub fn number(self) -> u16 {
        self as u16
    }

    /// The channel with this number, if there is one.
    #[must_use]
    pub fn from_number(number: u16) -> Option<Channel> {
        Channel::ALL.into_iter().find(|channel| channel.number() == number)
    }

    /// Its topic.
    #[must_use]
    pub fn topic(self) -> &'static str {
        match self {
            Channel::Raw => "glove/raw",
            Channel::Markers => "host/markers",
            Channel::Link => "host/link",
            Channel::Derived => "derived/events",
        }
    }

    /// Encoding of its messages.
    #[must_use]
    pub fn encoding(self) -> &'static str {
        if self == Channel::Raw { "hingeclock-piece" } else { "json" }
    }

    /// Name and text of its schema: how to read it, in words.
    #[must_use]
    pub fn schema(self) -> (&'static str, &'static str) {
        match self {
            Channel::Raw => (
                "hingeclock.RawPiece",
                "One piece of the glove's byte stream, just as it came, valid or not. Byte 0 to 7: arrival on the \
                 host's monotonic clock in microseconds, signed, little-endian. Byte 8: 1 where the piece is whole \
                 (it starts behind one delimiter 0x00 and ends with the next, itself included), 0 where it is a \
                 part of something longer than any frame or was cut off by the end of the link. Byte 9 on: the \
                 bytes. All pieces one after the other are the stream. Frames are read as firmware-protocol/SPEC.md \
                 says; the frames themselves tell its version (Hello).",
            ),
            Channel::Markers => (
                "hingeclock.Marker",
                "JSON: host_us (host's monotonic clock, microseconds), kind and value as in a markers file.",
            ),
            Channel::Link => (
                "hingeclock.LinkEvent",
                "JSON: host_us (host's monotonic clock, microseconds), kind (opened, lost ...) and value.",
            ),
            Channel::Derived => (
                "hingeclock.DerivedEvent",
                "JSON: host_us (host's monotonic clock, microseconds), kind, by (the program's version that \
                 derived it) and value. All of it can be worked out again from glove/raw and host/markers.",
            ),
        }
    }
}

/// One thing in a recording.
#[derive(Clone, Debug, PartialEq)]
pub enum Recorded {
    /// Bytes from the glove.
    Piece(RawPiece),
    /// Something said on the host.
    Marker {
        /// When.
        received: HostTime,
        /// What.
        marker: Marker,
    },
    /// Something that happened to the link.
    Link {
        /// When.
        received: HostTime,
        /// What: `opened`, `lost` …
        kind: String,
        /// More about it.
        value: String,
    },
    /// What the program made of it.
    Derived {
        /// When it was known.
        received: HostTime,
        /// What: `swing`, `cue` …
        kind: String,
        /// The version that derived it.
        by: String,
        /// What was derived.
        value: serde_json::Value,
    },
}

/// Text event in its JSON form.
#[derive(Serialize, Deserialize)]
struct TextEvent<V> {
    host_us: i64,
    kind: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    by: Option<String>,
    value: V,
}

impl Recorded {
    /// When it reached the host.
    #[must_use]
    pub fn received(&self) -> HostTime {
        match self {
            Recorded::Piece(piece) => piece.received,
            Recorded::Marker { received, .. }
            | Recorded::Link { received, .. }
            | Recorded::Derived { received, .. } => *received,
        }
    }

    /// Its time in the container: the same in nanoseconds, not before 0.
    #[must_use]
    pub fn log_time(&self) -> u64 {
        u64::try_from(self.received().0).unwrap_or(0).saturating_mul(1000)
    }

    /// The channel it belongs on.
    #[must_use]
    pub fn channel(&self) -> Channel {
        match self {
            Recorded::Piece(_) => Channel::Raw,
            Recorded::Marker { .. } => Channel::Markers,
            Recorded::Link { .. } => Channel::Link,
            Recorded::Derived { .. } => Channel::Derived,
        }
    }

    /// Its bytes in the file.
    ///
    /// # Errors
    /// A derived value cannot be put as JSON.
    pub fn payload(&self) -> Result<Vec<u8>, serde_json::Error> {
        let host_us = self.received().0;
        match self {
            Recorded::Piece(piece) => {
                let mut payload = Vec::with_capacity(9 + piece.bytes.len());
                payload.extend(host_us.to_le_bytes());
                payload.push(u8::from(piece.whole));
                payload.extend(&piece.bytes);
                Ok(payload)
            }
            Recorded::Marker { marker, .. } => {
                let (kind, value) = marker.fields();
                serde_json::to_vec(&TextEvent { host_us, kind: kind.to_owned(), by: None, value })
            }
            Recorded::Link { kind, value, .. } => {
                serde_json::to_vec(&TextEvent { host_us, kind: kind.clone(), by: None, value })
            }
            Recorded::Derived { kind, by, value, .. } => {
                serde_json::to_vec(&TextEvent { host_us, kind: kind.clone(), by: Some(by.clone()), value })
            }
        }
    }

    /// Reads the bytes of a message on a channel.
    ///
    /// # Errors
    /// They are not what the channel holds; the text says what was expected and found.
    pub fn from_payload(channel: Channel, payload: &[u8]) -> Result<Recorded, String> {
        if channel == Channel::Raw {
            return piece_from(payload).map(Recorded::Piece);
        }
        let text = |payload| {
            serde_json::from_slice::<TextEvent<String>>(payload).map_err(|error| wrong_json(channel, &error))
        };
        Ok(match channel {
            Channel::Raw | Channel::Markers => {
                let event = text(payload)?;
                let marker = Marker::from_fields(&event.kind, &event.value);
                Recorded::Marker { received: HostTime(event.host_us), marker }
            }
            Channel::Link => {
                let event = text(payload)?;
                Recorded::Link { received: HostTime(event.host_us), kind: event.kind, value: event.value }
            }
            Channel::Derived => {
                let event: TextEvent<serde_json::Value> =
                    serde_json::from_slice(payload).map_err(|error| wrong_json(channel, &error))?;
                Recorded::Derived {
                    received: HostTime(event.host_us),
                    kind: event.kind,
                    by: event.by.unwrap_or_default(),
                    value: event.value,
                }
            }
        })
    }
}

fn piece_from(payload: &[u8]) -> Result<RawPiece, String> {
    let wrong = || format!("expected a raw piece with 9 bytes before it, found {} bytes", payload.len());
    let (host, rest) = payload.split_first_chunk::<8>().ok_or_else(wrong)?;
    let (whole, bytes) = rest.split_first().ok_or_else(wrong)?;
    let received = HostTime(i64::from_le_bytes(*host));
    Ok(RawPiece { received, whole: *whole != 0, bytes: bytes.to_vec() })
}

fn wrong_json(channel: Channel, error: &serde_json::Error) -> String {
    format!("expected JSON as {} holds it, found: {error}", channel.topic())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(recorded: &Recorded) {
        let payload = recorded.payload().unwrap();
        assert_eq!(&Recorded::from_payload(recorded.channel(), &payload).unwrap(), recorded);
    }

    #[test]
    fn every_kind_survives_its_bytes() {
        let received = HostTime(-5);
        for bytes in [&b""[..], b"\x00", b"\xff\x01\x00"] {
            check(&Recorded::Piece(RawPiece { received, whole: bytes.len() == 3, bytes: bytes.to_vec() }));
        }
        check(&Recorded::Marker { received, marker: Marker::Club("wedge \"52\"".to_owned()) });
        check(&Recorded::Link { received, kind: "lost".to_owned(), value: "no byte for 2 s".to_owned() });
        let value = serde_json::json!({"set_us": 12, "class": "late"});
        let (kind, by) = ("swing".to_owned(), "hingeclock 0.1.0".to_owned());
        check(&Recorded::Derived { received, kind, by, value });
    }

    #[test]
    fn channels_survive_their_number() {
        for channel in Channel::ALL {
            assert_eq!(Channel::from_number(channel.number()), Some(channel));
        }
        assert_eq!(Channel::from_number(0), None);
    }

    #[test]
    fn wrong_bytes_say_what_was_expected() {
        assert_eq!(
            Recorded::from_payload(Channel::Raw, b"short").unwrap_err(),
            "expected a raw piece with 9 bytes before it, found 5 bytes"
        );
        let error = Recorded::from_payload(Channel::Link, b"{}").unwrap_err();
        assert!(error.starts_with("expected JSON as host/link holds it, found: missing field"), "{error}");
    }
}
