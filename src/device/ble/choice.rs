//! Which of the gloves within reach is taken: the one that was named, or the one that is remembered, and
//! never another. Pure.

use crate::device::link::{KnownGlove, LinkError};

/// A glove within reach.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// Its address.
    pub address: String,
    /// The name by which it announces itself.
    pub name: Option<String>,
    /// How strongly it is received, dBm.
    pub rssi_dbm: Option<i16>,
}

impl Seen {
    /// Name and address in one line.
    #[must_use]
    pub fn line(&self) -> String {
        let name = self.name.as_deref().unwrap_or("(no name)");
        let strength = self.rssi_dbm.map_or_else(String::new, |dbm| format!(", {dbm} dBm"));
        format!("{name} ({}{strength})", self.address)
    }
}

/// The glove that is wanted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Wanted {
    /// The player names it: by its name or its address.
    Named(String),
    /// The one that was chosen before.
    Known(KnownGlove),
}

impl Wanted {
    /// Whether this glove is it. The serial number is compared once it can be read.
    fn is(&self, seen: &Seen) -> bool {
        match self {
            Wanted::Named(word) => {
                seen.address.eq_ignore_ascii_case(word)
                    || seen.name.as_ref().is_some_and(|name| name.eq_ignore_ascii_case(word))
            }
            Wanted::Known(known) => seen.address.eq_ignore_ascii_case(&known.address),
        }
    }

    /// Whether more than one glove could be meant: then all have to be seen before one is taken.
    #[must_use]
    pub fn is_ambiguous(&self, seen: &Seen) -> bool {
        matches!(self, Wanted::Named(word) if !seen.address.eq_ignore_ascii_case(word))
    }

    /// The word for it.
    #[must_use]
    pub fn word(&self) -> String {
        match self {
            Wanted::Named(word) => word.clone(),
            Wanted::Known(KnownGlove { address, name: Some(name), .. }) => format!("{name} ({address})"),
            Wanted::Known(known) => known.address.clone(),
        }
    }
}

/// The glove to take.
///
/// # Errors
/// It is not within reach, or several bear its name.
pub fn choose<'a>(seen: &'a [Seen], wanted: &Wanted) -> Result<&'a Seen, LinkError> {
    let found: Vec<&Seen> = seen.iter().filter(|seen| wanted.is(seen)).collect();
    match found[..] {
        [one] => Ok(one),
        [] => {
            let found = seen.iter().map(Seen::line).collect();
            Err(LinkError::NoGlove { wanted: wanted.word(), found })
        }
        _ => {
            let addresses = found.iter().map(|seen| seen.address.clone()).collect();
            Err(LinkError::SeveralGloves { name: wanted.word(), addresses })
        }
    }
}

/// Whether the glove that answers is the remembered one.
///
/// # Errors
/// Its serial number is another.
pub fn check_serial(wanted: &Wanted, found: Option<&str>) -> Result<(), LinkError> {
    match wanted {
        Wanted::Known(KnownGlove { serial: Some(expected), .. }) if found != Some(expected) => {
            Err(LinkError::Stranger { expected: expected.clone(), found: found.map(str::to_owned) })
        }
        Wanted::Known(_) | Wanted::Named(_) => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn glove(address: &str, name: &str) -> Seen {
        Seen { address: address.to_owned(), name: Some(name.to_owned()), rssi_dbm: Some(-60) }
    }

    fn known(address: &str, serial: Option<&str>) -> Wanted {
        Wanted::Known(KnownGlove {
            address: address.to_owned(),
            serial: serial.map(str::to_owned),
            name: Some("Kestrel 7".to_owned()),
        })
    }

    fn check(wanted: &Wanted, expected: Result<&str, &str>) {
        let seen = [
            glove("C0:00:00:00:00:01", "Kestrel 7"),
            glove("C0:00:00:00:00:02", "Plover"),
            glove("C0:00:00:00:00:03", "plover"),
        ];
        let chosen =
            choose(&seen, wanted).map(|seen| seen.address.clone()).map_err(|error| error.to_string());
        assert_eq!(chosen.as_deref().map_err(String::as_str), expected);
    }

    #[test]
    fn a_glove_is_named_by_name_or_address() {
        check(&Wanted::Named("kestrel 7".to_owned()), Ok("C0:00:00:00:00:01"));
        check(&Wanted::Named("c0:00:00:00:00:02".to_owned()), Ok("C0:00:00:00:00:02"));
        check(
            &Wanted::Named("Plover".to_owned()),
            Err(
                "expected one glove named Plover, found C0:00:00:00:00:02, C0:00:00:00:00:03: choose one by \
                 its address",
            ),
        );
    }

    #[test]
    fn a_stranger_is_never_taken_for_the_remembered_one() {
        check(&known("C0:00:00:00:00:01", None), Ok("C0:00:00:00:00:01"));
        check(
            &known("C0:00:00:00:00:09", None),
            Err("expected the glove Kestrel 7 (C0:00:00:00:00:09) within reach, found Kestrel 7 \
                 (C0:00:00:00:00:01, -60 dBm), Plover (C0:00:00:00:00:02, -60 dBm), plover \
                 (C0:00:00:00:00:03, -60 dBm)"),
        );
    }

    #[test]
    fn the_same_address_with_another_serial_number_is_a_stranger() {
        let wanted = known("C0:00:00:00:00:01", Some("KP-0007"));
        assert!(check_serial(&wanted, Some("KP-0007")).is_ok());
        assert_eq!(
            check_serial(&wanted, Some("KP-0008")).unwrap_err().to_string(),
            "expected the glove with serial number KP-0007, found KP-0008: choose it with --glove if it is yours"
        );
        assert!(check_serial(&wanted, None).is_err());
        assert!(check_serial(&known("C0:00:00:00:00:01", None), Some("KP-0008")).is_ok());
    }
}
