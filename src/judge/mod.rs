//! Limits held up to figures: the profile, the checks, what to leave out, the verdict.

pub mod alternatives;
pub mod checks;
pub mod exclusion;
pub mod grading;
pub mod house;
pub mod inherit;
pub mod left;
pub mod next_focus;
pub mod next_time;
pub mod pair;
pub mod precedence;
pub mod profile;
pub mod thick;
pub mod verdict;
pub mod watch;
pub mod what_if;

pub use grading::judge;
pub use profile::{Profile, ProfileError};
