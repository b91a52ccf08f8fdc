//! A figure that may be missing: a value, or the reason why there is none.

/// A value, or why it could not be measured (a clause that completes "not measured: …").
pub type Measured<T> = Result<T, NotMeasured>;

/// Why a figure could not be measured, in words for the reader of the report.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NotMeasured(pub String);

impl NotMeasured {
    /// A reason.
    pub fn because(reason: impl Into<String>) -> Self {
        Self(reason.into())
    }
}

/// Parts a measured figure into the value and the reason why it is missing, as the record stores them.
pub fn parted<T>(figure: Measured<T>) -> (Option<T>, Option<String>) {
    match figure {
        Ok(value) => (Some(value), None),
        Err(NotMeasured(why)) => (None, Some(why)),
    }
}
