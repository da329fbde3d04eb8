//! What a bucket leaves when it has ended.

use crate::review::Review;
use std::path::PathBuf;

/// How a bucket ended.
#[derive(Debug)]
pub struct BucketEnd {
    /// The recording's files: more than one where a disk failed.
    pub recordings: Vec<PathBuf>,
    /// The bucket as it was known live.
    pub review: Review,
    /// Why data was lost on this machine, if it was.
    pub lost: Vec<String>,
}
