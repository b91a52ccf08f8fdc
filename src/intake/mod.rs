//! Intake: the sheet, the facts of each section (table, list of angles, log, records of a header) and the stack, to a
//! [`Series`] that is checked in itself.

pub mod angles;
pub mod draft;
pub mod error;
pub mod grid;
pub mod headings;
pub mod log;
pub mod montage;
pub mod order;
pub mod pages;
pub mod planes;
pub mod rows;
pub mod section_header;
pub mod series;
pub mod sheet;
pub mod stack;
pub mod stamps;
pub mod table;
pub mod text;
pub mod tilts;

pub use error::IntakeError;
pub use series::{Request, Series, load};
