//! The library: a folder of recordings, what people added to them, and an index that answers quickly.
//!
//! What counts are the recordings (`*.mcap`, anywhere in the folder) and the remarks beside them
//! (`NAME.remarks.jsonl`). `index.sqlite` is worked out from these and may be thrown away. `NAME.results.jsonl`
//! keeps what each version of the program found: a newer one cannot work that out again.
//!
//! Pure are [`remarks`], [`moved`], [`numbers`], [`results`], [`recovery`], [`cutting`], [`framing`]; the edge to the folder
//! is [`files`], [`rewrite`] and [`made_from`], to SQLite [`index`].

pub mod analysis;
pub mod cutting;
#[cfg(feature = "parquet")]
mod data_set;
pub mod files;
pub mod framing;
mod import;
pub mod index;
pub mod made_from;
pub mod moved;
pub mod nameless;
pub mod numbers;
mod open;
mod operations;
pub mod package;
pub mod player;
pub mod progress;
pub mod recovery;
pub mod remarks;
pub mod results;
pub mod rewrite;
pub mod search;
pub mod steps;
mod update;
mod verify;

#[cfg(feature = "parquet")]
pub use data_set::Exported;
pub use import::{Import, Received};
pub use open::{Library, LibraryError, Opened, expect_library};
pub use operations::Operation;
pub use verify::{Checked, Verified};
