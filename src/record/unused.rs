//! A recording in which nothing was received and nothing was said is litter: it is taken away when its bucket ends.
//! It is read before, since what holds anything at all is never deleted.

use super::library::files::Beside;
use super::recorded::Recorded;
use super::recording_reader::RecordingReader;
use std::fs::File;
use std::io::BufReader;
use std::path::{Path, PathBuf};

/// Takes away the files of a recording where none of them holds anything; true when they are gone.
pub fn discard(files: &[PathBuf]) -> bool {
    let gone = |path: &&PathBuf| std::fs::remove_file(path).is_ok();
    files.iter().all(|path| is_unused(path)) && files.iter().filter(gone).count() == files.len()
}

/// Nothing but how the link fared stands in it, it is whole, and nothing lies beside it.
fn is_unused(path: &Path) -> bool {
    let alone = Beside::ALL.into_iter().all(|kind| !kind.of(path).exists());
    let reader = File::open(path).ok().and_then(|file| RecordingReader::new(path, BufReader::new(file)).ok());
    let Some(mut reader) = reader.filter(|_| alone) else { return false };
    let of_the_link = |item| matches!(item, Ok(Recorded::Link { .. }));
    reader.by_ref().all(of_the_link) && !reader.report().data_was_lost() && !reader.report().unfinished
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::device::RawPiece;
    use crate::record::recording_writer::RecordingWriter;
    use crate::record::session::SessionInfo;
    use crate::record::storage::{FileDisk, create_recording};
    use crate::sample::Marker;
    use crate::units::HostTime;

    fn recording(folder: &Path, holds: Option<Recorded>, ends: bool) -> PathBuf {
        let session = SessionInfo::of_nobody();
        let (path, file) = create_recording(&mut FileDisk, folder, session.started).unwrap();
        let mut writer = RecordingWriter::new(file, &session).unwrap();
        let (received, value) = (HostTime(1), String::new());
        let opened = Recorded::Link { received, kind: "opened".to_owned(), value };
        [Some(opened), holds].iter().flatten().for_each(|item| writer.write(item).unwrap());
        writer.commit(HostTime(2)).unwrap();
        if ends {
            writer.finish().unwrap();
        }
        path
    }

    #[test]
    fn only_what_holds_nothing_is_taken_away() {
        let folder = tempfile::tempdir().unwrap();
        let received = HostTime(1);
        let piece = Recorded::Piece(RawPiece { received, bytes: vec![7], whole: false });
        let said = Recorded::Marker { received, marker: Marker::Club("iron".to_owned()) };
        let kept = [Some(piece), Some(said)].map(|holds| recording(folder.path(), holds, true));
        let torn = recording(folder.path(), None, false);
        let remarked = recording(folder.path(), None, true);
        std::fs::write(Beside::Remarks.of(&remarked), "{}\n").unwrap();
        for path in kept.into_iter().chain([torn, remarked]) {
            assert!(!discard(std::slice::from_ref(&path)) && path.exists(), "{}", path.display());
        }
        let (empty, full) = (recording(folder.path(), None, true), folder.path().join("none.mcap"));
        assert!(!discard(&[empty.clone(), full]) && empty.exists(), "one file that cannot be read keeps all");
        assert!(discard(std::slice::from_ref(&empty)) && !empty.exists());
    }
}
