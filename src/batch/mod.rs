//! Many series shared out among the machines of a cluster: a manifest that says once what is to be done, and the share of
//! it that falls to one of N workers. Nothing is kept of who did what: the records written say what is done.

pub mod manifest;
pub mod shard;

pub use manifest::{Manifest, ManifestError};
pub use shard::{Shard, ShardError};
