//! Limits held up to figures: profile, checks, verdict.
