//! A session as one file: a zip with the recording, what was said of it, what was found in it, and who played. What
//! it holds are the very files of a library, so that unpacking it into one by hand does as well.

use super::files::{self, Beside, PLAYERS, RECORDING};
use super::import::file_stem;
use super::index::Bucket;
use super::made_from::{About, about_of};
use super::nameless;
use super::open::{Library, LibraryError};
use super::player::{Player, players};
use super::steps::StepError;
use crate::record::error::InputError;
use crate::record::export::Names;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek, Write};
use std::path::{Path, PathBuf};
use uuid::Uuid;
use zip::read::ZipFile;
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

/// First bytes of a zip.
pub const ZIP_MAGIC: [u8; 4] = *b"PK\x03\x04";
/// Longest recording that is unpacked, bytes: some days.
const LONGEST_RECORDING: u64 = 8 << 30;
/// So many times its packed length a recording may have at most, so that a small file cannot fill a disk: one shrinks
/// to a half or so.
const MOST_SHRUNK: u64 = 100;
/// And this much however short it is, bytes.
const ALWAYS: u64 = 1 << 20;
/// Longest text that is unpacked, bytes.
const LONGEST_TEXT: u64 = 16 << 20;
/// So much of a recording is packed at once, bytes.
const AT_ONCE: usize = 1 << 16;
/// Bytes at its start by which a recording is known.
const START: u64 = 4 << 20;

/// A packed session that was received.
pub struct Package {
    path: PathBuf,
    archive: ZipArchive<BufReader<File>>,
    /// The recording's name in it.
    recording: PathBuf,
}

impl Package {
    /// Opens a package.
    ///
    /// # Errors
    /// It cannot be read, or does not hold just one recording.
    pub fn open(path: &Path) -> Result<Package, LibraryError> {
        let failed = |source| LibraryError::File { path: path.to_owned(), source };
        let file = File::open(path).map_err(failed)?;
        let archive = ZipArchive::new(BufReader::new(file)).map_err(|error| failed(error.into()))?;
        // A name that is no text is none of ours.
        let names = archive.file_names().flatten();
        let recordings: Vec<PathBuf> = names
            .filter(|name| !name.contains('/') && name.ends_with(RECORDING))
            .map(|name| PathBuf::from(name.as_ref()))
            .collect();
        let [recording] = recordings.as_slice() else {
            let expected = "a package with one recording in it";
            return Err(LibraryError::asked(expected, recordings.len().to_string()));
        };
        let recording = recording.clone();
        Ok(Package { path: path.to_owned(), archive, recording })
    }

    /// The recording's name.
    #[must_use]
    pub fn name(&self) -> &Path {
        &self.recording
    }

    /// What the recording says at its start.
    ///
    /// # Errors
    /// It cannot be read, or is no recording.
    pub fn about(&mut self) -> Result<About, LibraryError> {
        let mut start = Vec::new();
        let name = self.recording.clone();
        self.read(&name, START, &mut start)?;
        let path = self.path.join(&name);
        let about = about_of(&path, start.as_slice(), || Ok::<_, InputError>(start.clone()));
        Ok(about.map_err(StepError::from)?)
    }

    /// What lies beside the recording.
    ///
    /// # Errors
    /// It cannot be read, or is too long.
    pub fn beside(&mut self, kind: Beside) -> Result<Option<Vec<u8>>, LibraryError> {
        let name = kind.of(&self.recording);
        self.text(&name)
    }

    /// Who played.
    ///
    /// # Errors
    /// The player's file cannot be read, or is not as expected.
    pub fn player(&mut self) -> Result<Option<Player>, LibraryError> {
        let inside = format!("{PLAYERS}/");
        // Whoever zips it anew may have the folder itself in it.
        let is_player = |name: &str| name.starts_with(&inside) && name.ends_with(".toml");
        let name = self.archive.file_names().flatten().find(|name| is_player(name));
        let Some(name) = name.map(|name| PathBuf::from(name.as_ref())) else { return Ok(None) };
        let Some(bytes) = self.text(&name)? else { return Ok(None) };
        let path = self.path.join(&name);
        let player = Player::parse(&String::from_utf8_lossy(&bytes), &path).map_err(StepError::from)?;
        Ok(Some(player))
    }

    /// Unpacks the recording into a new file.
    ///
    /// # Errors
    /// It cannot be read, is damaged, or the file cannot be written.
    pub fn unpack(&mut self, mut to: impl Write) -> Result<(), LibraryError> {
        let name = self.recording.clone();
        let packed = self.entry(&name)?.compressed_size();
        let at_most = packed.saturating_mul(MOST_SHRUNK).saturating_add(ALWAYS).min(LONGEST_RECORDING);
        if self.read(&name, at_most + 1, &mut to)? > at_most {
            let expected = format!("a recording of at most {at_most} bytes in {packed} packed ones");
            return Err(LibraryError::asked(expected, "more"));
        }
        Ok(())
    }

    fn text(&mut self, name: &Path) -> Result<Option<Vec<u8>>, LibraryError> {
        if self.archive.index_for_path(name).is_none() {
            return Ok(None);
        }
        let mut bytes = Vec::new();
        if self.read(name, LONGEST_TEXT + 1, &mut bytes)? > LONGEST_TEXT {
            let expected = format!("at most {LONGEST_TEXT} bytes as {}", name.display());
            return Err(LibraryError::asked(expected, "more"));
        }
        Ok(Some(bytes))
    }

    /// Copies a file of the package up to a length.
    fn read(&mut self, name: &Path, at_most: u64, to: &mut impl Write) -> Result<u64, LibraryError> {
        let path = self.path.join(name);
        let file = self.entry(name)?;
        io::copy(&mut file.take(at_most), to).map_err(|source| LibraryError::File { path, source })
    }

    fn entry(&mut self, name: &Path) -> Result<ZipFile<'_, BufReader<File>>, LibraryError> {
        let path = self.path.join(name);
        let found = self.archive.by_name(&name.to_string_lossy());
        found.map_err(|error| LibraryError::File { path, source: error.into() })
    }
}

/// A zip that is being written. What fails with it is said of it, not of what goes into it.
struct Packing<'a, W: Write + Seek> {
    zip: ZipWriter<W>,
    to: &'a Path,
    options: SimpleFileOptions,
}

impl<W: Write + Seek> Packing<'_, W> {
    fn failed(&self, source: io::Error) -> LibraryError {
        LibraryError::File { path: self.to.to_owned(), source }
    }

    fn begin(&mut self, name: &Path, options: SimpleFileOptions) -> Result<(), LibraryError> {
        self.zip.start_file(name.to_string_lossy(), options).map_err(|error| self.failed(error.into()))
    }

    fn text(&mut self, name: &Path, text: &[u8]) -> Result<(), LibraryError> {
        self.begin(name, self.options)?;
        self.zip.write_all(text).map_err(|source| self.failed(source))
    }

    /// What stands in a file.
    fn copy(&mut self, from: &Path) -> Result<(), LibraryError> {
        let unread = |source| LibraryError::File { path: from.to_owned(), source };
        let mut file = BufReader::with_capacity(AT_ONCE, File::open(from).map_err(unread)?);
        loop {
            let bytes = file.fill_buf().map_err(unread)?;
            if bytes.is_empty() {
                return Ok(());
            }
            let count = bytes.len();
            self.zip.write_all(bytes).map_err(|source| self.failed(source))?;
            file.consume(count);
        }
    }
}

impl Library {
    /// Writes a recording, what was said of it and found in it, and who played, into one zip; `to` is its name in
    /// errors. `further` are texts for whoever opens it without this program, by their names. Without names, what was
    /// typed and the glove's serial number stay out, too, and the recording gets another number.
    ///
    /// # Errors
    /// Something cannot be read, or the zip cannot be written.
    pub fn pack<W: Write + Seek>(
        &self,
        bucket: &Bucket,
        names: Names,
        further: &[(&str, String)],
        (to, out): (&Path, W),
    ) -> Result<W, LibraryError> {
        let options = SimpleFileOptions::default().unix_permissions(0o600);
        let mut packing = Packing { zip: ZipWriter::new(out), to, options };
        let name = match names {
            Names::Keep => bucket.path.file_name().map(PathBuf::from).unwrap_or_default(),
            // A file may bear its player's name.
            Names::Drop => PathBuf::from(format!("session{RECORDING}")),
        };
        let path = self.folder.join(&bucket.path);
        packing.begin(&name, options.large_file(bucket.stamp.size >= i64::from(u32::MAX)))?;
        let uuid = match names {
            Names::Keep => {
                packing.copy(&path)?;
                bucket.facts.uuid
            }
            Names::Drop => nameless::recording(&path, to, &mut packing.zip)?,
        };
        for kind in Beside::ALL {
            if let Some(bytes) = self.packed_beside(bucket, kind, names, uuid)? {
                packing.text(&kind.of(&name), &bytes)?;
            }
        }
        if let Some(player) = self.player_of(bucket).filter(|_| names == Names::Keep) {
            let name = Path::new(PLAYERS).join(format!("{}.toml", file_stem(&player.name)));
            packing.text(&name, player.text().as_bytes())?;
        }
        for (name, text) in further {
            packing.text(Path::new(name), text.as_bytes())?;
        }
        packing.zip.finish().map_err(|error| LibraryError::File { path: to.to_owned(), source: error.into() })
    }

    /// What of a file beside a recording is packed; `uuid` is the packed recording's number.
    fn packed_beside(
        &self,
        bucket: &Bucket,
        kind: Beside,
        names: Names,
        uuid: Uuid,
    ) -> Result<Option<Vec<u8>>, LibraryError> {
        let path = kind.of(&bucket.path);
        let bytes = files::read(&self.folder.join(&path)).map_err(|source| self.failed(&path, source))?;
        match (names, bytes) {
            (Names::Drop, Some(bytes)) => {
                let changed = nameless::beside(kind, &bytes, uuid);
                Ok(Some(changed.map_err(|error| self.failed(&path, error.into()))?))
            }
            (_, bytes) => Ok(bytes),
        }
    }

    /// The player's file of a recording, where there is one.
    fn player_of(&self, bucket: &Bucket) -> Option<Player> {
        let known = players(&self.folder).ok()?;
        known.into_iter().flatten().find(|player| player.name == bucket.facts.player)
    }
}
