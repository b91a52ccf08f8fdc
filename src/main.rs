//! The `tiltworth` command.

fn main() {}
