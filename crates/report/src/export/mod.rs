//! Everything that people carry away in open formats: JSON, CSV, Parquet, C3D and the methods in words.
//!
//! All exports are functions from values to bytes or text; the command writes the files. Tables are built
//! once ([`shots_table`], [`samples_table`], [`faults_table`]) and written as CSV or Parquet.

mod c3d;
mod c3d_parameters;
mod csv;
mod error;
mod json;
mod methods;
mod parquet_file;
mod provenance;
mod shot_c3d;
mod table;
mod tables;

pub use c3d::{C3dEvent, C3dPoint, C3dSample, C3dTrial};
pub use csv::csv;
pub use error::ExportError;
pub use json::{SHEET_FORMAT, SHEET_SCHEMA, SheetFile};
pub use methods::methods;
pub use parquet_file::parquet;
pub use provenance::{InputFile, Provenance, Source};
pub use shot_c3d::c3d_of_shot;
pub use table::{Column, Table, Values};
pub use tables::{faults_table, samples_table, shots_table};
