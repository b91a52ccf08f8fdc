//! Limits held up to figures: the profile, the checks, what to leave out, the verdict.

pub mod checks;
pub mod exclusion;
pub mod grading;
pub mod inherit;
pub mod next_focus;
pub mod next_time;
pub mod pair;
pub mod profile;
pub mod verdict;
pub mod watch;

pub use grading::judge;
pub use profile::{Profile, ProfileError};
