//! Intake: files to a `Series`.

pub mod error;
pub mod stack;
