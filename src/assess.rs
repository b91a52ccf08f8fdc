//! The one streaming pass.
