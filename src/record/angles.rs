//! Whether pictures look as their stated angles say, as the record keeps it.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The angle at which a tilt's picture seems to have been recorded.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TiltAngle {
    /// By how much the stated angle is off at least; 0 where nothing speaks against it; null where nothing tells.
    pub off_at_least_deg: Option<f64>,
    /// The angle that the picture agrees with best, where the stated one is off and one is known.
    pub seems_deg: Option<f64>,
    /// What tells it: `pictures` (it resembles those of other angles more) or `tracks` (places lie as at another angle).
    pub by: Option<String>,
}
