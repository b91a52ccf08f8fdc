//! One measurement a file.
