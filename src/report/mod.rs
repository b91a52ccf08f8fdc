//! The page: drawn from a record and its evidence alone.
