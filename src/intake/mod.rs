//! Intake: the sheet, the table or list of angles, and the stack, to a [`Series`] that is checked in itself.

pub mod angles;
pub mod error;
pub mod montage;
pub mod order;
pub mod series;
pub mod sheet;
pub mod stack;
pub mod table;
pub mod text;
pub mod tilts;

pub use error::IntakeError;
pub use series::{Request, Series, load};
