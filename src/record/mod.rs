//! Everything that reaches the disk: raw frames before any interpretation, raw CSV, settings, salvage.

pub mod asked;
pub mod count_grid;
pub mod csv_row;
pub mod csv_writer;
pub mod device_file;
pub mod error;
pub mod export;
pub mod feedback_settings;
pub mod glove_settings;
pub mod input;
pub mod keeper;
pub mod late;
pub mod latency;
pub mod library;
pub mod lines;
pub mod lock;
pub mod marker_file;
pub mod marker_merge;
pub mod mcap_bytes;
pub mod measures;
pub mod mend;
pub mod node_clock;
#[cfg(feature = "parquet")]
pub mod parquet_samples;
#[cfg(feature = "parquet")]
pub mod parquet_table;
pub mod raw_csv;
pub mod recorded;
pub mod recorder;
pub mod recording_input;
pub mod recording_reader;
pub mod recording_writer;
pub mod salvage;
pub mod session;
pub mod settings;
pub mod storage;
pub mod tally;
pub mod unused;
pub mod window;

pub use crate::device::RawPiece;
pub use csv_writer::CsvWriter;
pub use error::{InputError, quoted};
pub use export::{ExportError, Exported, Names, export_csv};
pub use input::{Input, open_input};
pub use keeper::{Keeper, News, StartError};
pub use lock::LockError;
pub use raw_csv::RawCsv;
pub use recorded::Recorded;
pub use recorder::{Ended, Recorder, RefusedError};
pub use recording_reader::RecordingReader;
pub use recording_writer::{RecordError, RecordingWriter};
pub use salvage::{Loss, SalvageReport};
pub use session::SessionInfo;
pub use settings::Settings;
pub use storage::{Disk, FileDisk, FileStorage, Made, Storage, create_recording};
pub use tally::Tally;
