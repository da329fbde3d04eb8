//! Everything that reaches the disk: raw frames before any interpretation, raw CSV, settings, salvage.

pub mod count_grid;
pub mod csv_row;
pub mod device_file;
pub mod error;
pub mod input;
pub mod lines;
pub mod marker_file;
pub mod marker_merge;
pub mod node_clock;
pub mod raw_csv;
pub mod salvage;

pub use error::{InputError, quoted};
pub use input::{Input, open_input};
pub use raw_csv::RawCsv;
pub use salvage::{Loss, SalvageReport};
