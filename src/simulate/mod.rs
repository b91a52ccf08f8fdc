//! Series with known truth: phantom, image formation, planted faults.
