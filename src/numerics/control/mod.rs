//! Control charts: individuals with moving range, exponentially weighted means, run tests, and counts.

pub mod counts;
pub mod false_signals;
pub mod individuals;
pub mod runs;
