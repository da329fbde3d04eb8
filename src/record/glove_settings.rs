//! The glove in the settings file: written there once it was chosen, everything else in the file left as it is.

use super::input::name_of;
use crate::device::KnownGlove;
use serde::Deserialize;
use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use thiserror::Error;
use toml_edit::{DocumentMut, Item, Table, value};

/// The `glove` section as it stands in the file.
#[derive(Clone, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct GloveSection {
    /// Address.
    pub address: String,
    /// Serial number; empty where it has none.
    pub serial: String,
    /// Name; empty where it has none.
    pub name: String,
}

impl GloveSection {
    /// The glove; none where the address is empty.
    #[must_use]
    pub fn glove(self) -> Option<KnownGlove> {
        let known = |text: String| Some(text).filter(|text| !text.is_empty());
        let (serial, name) = (known(self.serial), known(self.name));
        known(self.address).map(|address| KnownGlove { address, serial, name })
    }
}

/// Why a glove could not be remembered.
#[derive(Debug, Error)]
pub enum RememberError {
    /// The file cannot be read or written.
    #[error("{path}: {source}", path = path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// The file is no settings file.
    #[error("{path}: expected a settings file, found {cause}", path = path.display())]
    Form {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        cause: String,
    },
}

/// Writes the glove into the settings file, which is made where there is none. The file is replaced in one
/// step, and only where that changes something.
///
/// # Errors
/// The file cannot be read or written, or is no settings file; it is left as it was.
pub fn remember(path: &Path, glove: &KnownGlove) -> Result<(), RememberError> {
    let failed = |source| RememberError::File { path: path.to_owned(), source };
    let text = match fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
        Err(error) => return Err(failed(error)),
    };
    let form = |cause: String| RememberError::Form { path: path.to_owned(), cause };
    let new = with_glove(&text, glove).map_err(form)?;
    if new == text { Ok(()) } else { replace(path, &new).map_err(failed) }
}

/// The text of a settings file with this glove in it.
fn with_glove(text: &str, glove: &KnownGlove) -> Result<String, String> {
    let mut file: DocumentMut =
        text.parse().map_err(|error: toml_edit::TomlError| error.message().to_owned())?;
    let section = file.entry("glove").or_insert(Item::Table(Table::new()));
    let section = section.as_table_like_mut().ok_or("a glove that is no section")?;
    let known = |text: &Option<String>| text.clone().unwrap_or_default();
    let fields =
        [("address", glove.address.clone()), ("serial", known(&glove.serial)), ("name", known(&glove.name))];
    for (key, text) in fields {
        if section.get(key).and_then(Item::as_str) != Some(&text) {
            section.insert(key, value(text));
        }
    }
    Ok(file.to_string())
}

/// Writes a new file beside it and puts it in its place.
fn replace(path: &Path, text: &str) -> io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let name = name_of(path);
    let beside = folder.join(format!(".{name}.{}", std::process::id()));
    let mut options = fs::OpenOptions::new();
    options.write(true).create(true).truncate(true).mode(0o600);
    let written = options.open(&beside).and_then(|mut file| {
        // A file that was there keeps its rights; a new one is its owner's alone.
        if let Ok(before) = fs::metadata(path) {
            file.set_permissions(before.permissions())?;
        }
        file.write_all(text.as_bytes())?;
        file.sync_all()
    });
    let placed = written.and_then(|()| fs::rename(&beside, path));
    if placed.is_err() {
        let _ = fs::remove_file(&beside);
    }
    placed
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::settings::Settings;

    fn glove(serial: &str) -> KnownGlove {
        KnownGlove {
            address: "C0:00:00:00:00:01".to_owned(),
            serial: Some(serial.to_owned()),
            name: Some("Kestrel \"7\"".to_owned()),
        }
    }

    #[test]
    fn a_glove_is_remembered_and_all_else_is_left_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("robin.toml");
        let before = "# Robin's own\ntone_volume = 0.25 # quiet\n\n[player]\nname = \"Robin\"\n";
        fs::write(&path, before).unwrap();
        for serial in ["KP-0007", "KP-0008"] {
            remember(&path, &glove(serial)).unwrap();
            let text = fs::read_to_string(&path).unwrap();
            assert!(text.starts_with(before), "{text}");
            let settings = Settings::load(&path).unwrap();
            assert_eq!(settings.glove, Some(glove(serial)));
            assert_eq!((settings.tone_volume, settings.player.name.as_str()), (0.25, "Robin"));
        }
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "nothing is left beside it");
    }

    #[test]
    fn a_file_is_made_where_there_is_none_and_one_that_is_none_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new.toml");
        remember(&path, &glove("KP-0007")).unwrap();
        assert_eq!(Settings::load(&path).unwrap().glove, Some(glove("KP-0007")));
        for text in ["glove = 3\n", "[player\n"] {
            fs::write(&path, text).unwrap();
            assert!(remember(&path, &glove("KP-0007")).is_err());
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
    }
}
