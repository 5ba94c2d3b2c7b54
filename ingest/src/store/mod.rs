//! The store on disk: snapshots of Parquet files, written so that a reader sees the old one or the new one, never a mix.

mod index;
mod reading;
mod snapshot;
mod supersede;
mod table_writer;

pub use index::{RecordIndex, Seen};
pub use reading::{
    IntegerColumn, TextColumn, for_each_batch, quarantine_hashes, read_brands, read_catalogue, read_job_categories, read_known_files,
    read_superseded_contents,
};
pub use snapshot::{SnapshotState, Store};
pub use supersede::{Replacement, Replacements, move_out_superseded};
pub use table_writer::TableWriter;
