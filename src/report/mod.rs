//! The page: drawn from a record and its evidence alone.

use crate::record::Record;
use crate::record::evidence::Evidence;
use std::path::Path;

/// x
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct ReportError(pub String);

/// x
pub fn render(_r: &Record, _e: &Evidence, _t: Option<&Path>) -> Result<String, ReportError> {
    Ok(String::new())
}
