//! What a bucket leaves when it has ended.

use crate::record::library::remarks::Remarks;
use crate::review::Review;
use crate::review::together::KnownLive;
use std::path::{Path, PathBuf};

/// How a bucket ended.
#[derive(Debug)]
pub struct BucketEnd {
    /// The recording's files: more than one where a disk failed.
    pub recordings: Vec<PathBuf>,
    /// The bucket with all its swings measured together; where that could not be, as it was known live.
    pub review: Review,
    /// What people said of it while it ran.
    pub said: Remarks,
    /// Why data was lost on this machine, if it was.
    pub lost: Vec<String>,
}

impl BucketEnd {
    /// The bucket with what people said of it.
    #[must_use]
    pub fn shown(&self) -> Review {
        self.review.clone().with_said(&self.said)
    }

    /// The file that holds all of the bucket; none where several hold it, or it is gone.
    #[must_use]
    pub fn only_file(&self) -> Option<&Path> {
        match self.recordings.as_slice() {
            [file] if self.lost.is_empty() && file.exists() => Some(file),
            _ => None,
        }
    }

    /// The bucket stays as it was known live, and says so.
    #[must_use]
    pub fn known_live(mut self, why: &KnownLive) -> BucketEnd {
        self.review.analysis.notes.push(why.to_string());
        self
    }
}
