//! What a recording says about itself: who played, with what, and how the host's clock pairs with wall time.

use super::recorded::FORMAT_VERSION;
use crate::units::{HostTime, PlayerHand, WallTime};
use flate2::Crc;
use std::collections::BTreeMap;

/// Name of the metadata record.
pub const SESSION_RECORD: &str = "hingeclock.session";
/// Key of the check sum: the container has none on this record.
const CHECK_KEY: &str = "check_crc32";

/// Who and what, written at the start of a recording.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SessionInfo {
    /// The player's name.
    pub player: String,
    /// The side the player plays from.
    pub player_hand: PlayerHand,
    /// The clubs at hand.
    pub clubs: Vec<String>,
    /// Name and version of the program that recorded.
    pub software: String,
    /// Wall time at the start …
    pub started: WallTime,
    /// … and the host's monotonic clock at the same instant.
    pub host_at_start: HostTime,
}

impl SessionInfo {
    /// A session of which nothing is said, for tests.
    #[cfg(test)]
    pub(super) fn of_nobody() -> SessionInfo {
        SessionInfo {
            player: String::new(),
            player_hand: PlayerHand::Right,
            clubs: Vec::new(),
            software: String::new(),
            started: WallTime(0),
            host_at_start: HostTime(0),
        }
    }

    /// The fields of the metadata record, with a check sum over them.
    #[must_use]
    pub fn to_fields(&self) -> BTreeMap<String, String> {
        let clubs = serde_json::Value::from(self.clubs.clone()).to_string();
        let fields = [
            ("format", FORMAT_VERSION.to_owned()),
            ("player", self.player.clone()),
            ("player_hand", self.player_hand.word().to_owned()),
            ("clubs", clubs),
            ("software", self.software.clone()),
            ("started_unix_ms", self.started.0.to_string()),
            ("host_at_start_us", self.host_at_start.0.to_string()),
        ];
        let mut fields: BTreeMap<String, String> =
            fields.into_iter().map(|(key, value)| (key.to_owned(), value)).collect();
        let check = check_sum(&fields);
        fields.insert(CHECK_KEY.to_owned(), check);
        fields
    }

    /// Reads the fields back.
    ///
    /// # Errors
    /// The text says what was expected and found.
    pub fn from_fields(fields: &BTreeMap<String, String>) -> Result<SessionInfo, SessionError> {
        let (expected, found) = (check_sum(fields), fields.get(CHECK_KEY).cloned().unwrap_or_default());
        if expected != found {
            return Err(SessionError::Damaged(format!("expected check sum {expected}, found {found}")));
        }
        let text = |key: &str| {
            fields
                .get(key)
                .cloned()
                .ok_or_else(|| SessionError::Damaged(format!("expected a field {key}, found none")))
        };
        let number = |key: &str| {
            let text = text(key)?;
            text.parse()
                .map_err(|_| SessionError::Damaged(format!("expected a number as {key}, found {text}")))
        };
        let format = text("format")?;
        if format != FORMAT_VERSION {
            return Err(SessionError::Version { found: format });
        }
        let hand = text("player_hand")?;
        let player_hand =
            [PlayerHand::Right, PlayerHand::Left].into_iter().find(|known| known.word() == hand).ok_or_else(
                || SessionError::Damaged(format!("expected right or left as player_hand, found {hand}")),
            )?;
        Ok(SessionInfo {
            player: text("player")?,
            player_hand,
            clubs: serde_json::from_str(&text("clubs")?).map_err(|error| {
                SessionError::Damaged(format!("expected a list as clubs, found: {error}"))
            })?,
            software: text("software")?,
            started: WallTime(number("started_unix_ms")?),
            host_at_start: HostTime(number("host_at_start_us")?),
        })
    }
}

/// Why the session record cannot be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SessionError {
    /// Another version of the program wrote it.
    Version {
        /// The version it says.
        found: String,
    },
    /// It was damaged.
    Damaged(String),
}

/// CRC-32 over all other fields, each as `key=value` and a line end, in order of their keys.
fn check_sum(fields: &BTreeMap<String, String>) -> String {
    let mut crc = Crc::new();
    for (key, value) in fields.iter().filter(|(key, _)| *key != CHECK_KEY) {
        crc.update(format!("{key}={value}\n").as_bytes());
    }
    format!("{:08x}", crc.sum())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn session() -> SessionInfo {
        SessionInfo {
            player: "Robin".to_owned(),
            player_hand: PlayerHand::Left,
            clubs: vec!["wedge".to_owned(), "7, bent \"iron\"".to_owned()],
            software: "hingeclock 0.1.0".to_owned(),
            started: WallTime(1_700_000_000_000),
            host_at_start: HostTime(-7),
        }
    }

    #[test]
    fn a_session_survives_its_fields() {
        assert_eq!(SessionInfo::from_fields(&session().to_fields()), Ok(session()));
    }

    #[test]
    fn a_changed_letter_is_noticed() {
        let mut fields = session().to_fields();
        fields.insert("player".to_owned(), "Rocin".to_owned());
        assert!(matches!(SessionInfo::from_fields(&fields), Err(SessionError::Damaged(_))));
    }

    #[test]
    fn another_version_is_named() {
        let mut fields = session().to_fields();
        fields.insert("format".to_owned(), "2".to_owned());
        let check = check_sum(&fields);
        fields.insert(CHECK_KEY.to_owned(), check);
        let found = "2".to_owned();
        assert_eq!(SessionInfo::from_fields(&fields), Err(SessionError::Version { found }));
    }
}
