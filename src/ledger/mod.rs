//! The ledger: the quality of many series in one database, for questions over weeks.
//!
//! One [`store::Store`] trait, SQLite and PostgreSQL behind it, chosen by [`address::Address`]; everything else is
//! written once. A series is known by the SHA-256 of its stack together with its `series_id`: the hash says which
//! pixels, whatever folder they lie in; the id tells apart series that were cut out of one stack, and keeps them from
//! being taken for revisions of each other. Each record of a series is a revision; none is ever changed.

pub mod add;
pub mod address;
pub mod figures;
pub mod read;
pub mod schema;
pub mod server;
pub mod sqlite;
pub mod store;
pub mod summary;

pub use add::Added;
pub use address::Address;
pub use read::{Filter, SeriesName};
pub use summary::Summary;

use store::Store;

/// Something that the ledger could not do: where, fault and remedy. Never holds a password.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{text}")]
pub struct LedgerError {
    text: String,
}

impl LedgerError {
    /// An error in three parts.
    pub fn new(place: &str, fault: &str, remedy: &str) -> Self {
        Self { text: format!("{place}: {fault}; {remedy}") }
    }

    /// Another stage's message.
    pub fn passed(error: &impl std::fmt::Display) -> Self {
        Self { text: error.to_string() }
    }

    fn missing(place: &str) -> Self {
        Self::new(place, "there is no ledger", "check --ledger; `tiltworth ledger add` makes one")
    }
}

/// An open ledger.
pub struct Ledger {
    store: Box<dyn Store>,
}

impl Ledger {
    /// Opens a ledger and brings its tables to the current version; `create` makes one where there is none.
    ///
    /// # Errors
    /// It cannot be reached, is not there, belongs to another program, or was written by a later tiltworth.
    pub fn open(address: &Address, create: bool) -> Result<Self, LedgerError> {
        let mut store: Box<dyn Store> = match address {
            Address::Sqlite(path) => Box::new(sqlite::Sqlite::open(path, create)?),
            Address::Postgres(config) => Box::new(server::Server::open(config, address.to_string())?),
        };
        if !create && store.version()? == 0 {
            return Err(LedgerError::missing(&address.to_string()));
        }
        schema::migrate(store.as_mut())?;
        Ok(Self { store })
    }

    /// The database, for questions of one's own.
    pub fn store(&mut self) -> &mut dyn Store {
        self.store.as_mut()
    }
}
