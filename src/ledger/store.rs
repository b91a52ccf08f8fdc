//! What the ledger asks of a database: the same statements run on every store.
//!
//! Statements are written in the SQL that SQLite and PostgreSQL share, with `$1`, `$2`… for values; the few words in
//! which the two differ stand in [`Dialect`].

use super::LedgerError;

/// A value in a table.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Nothing.
    Null,
    /// A whole number.
    Int(i64),
    /// A number.
    Real(f64),
    /// A text.
    Text(String),
}

impl Cell {
    /// The whole number that stands here.
    pub fn int(&self) -> Option<i64> {
        match self {
            Self::Int(value) => Some(*value),
            _ => None,
        }
    }

    /// The number that stands here.
    pub fn real(&self) -> Option<f64> {
        match self {
            Self::Real(value) => Some(*value),
            Self::Int(value) => Some(*value as f64),
            _ => None,
        }
    }

    /// The text that stands here.
    pub fn text(self) -> Option<String> {
        match self {
            Self::Text(value) => Some(value),
            _ => None,
        }
    }
}

impl From<&str> for Cell {
    fn from(value: &str) -> Self {
        Self::Text(value.to_owned())
    }
}

impl From<String> for Cell {
    fn from(value: String) -> Self {
        Self::Text(value)
    }
}

impl From<f64> for Cell {
    fn from(value: f64) -> Self {
        Self::Real(value)
    }
}

impl From<i64> for Cell {
    fn from(value: i64) -> Self {
        Self::Int(value)
    }
}

impl From<usize> for Cell {
    fn from(value: usize) -> Self {
        // No count of ours comes near the end of 63 bits.
        Self::Int(i64::try_from(value).unwrap_or(i64::MAX))
    }
}

impl<T: Into<Cell>> From<Option<T>> for Cell {
    fn from(value: Option<T>) -> Self {
        value.map_or(Self::Null, Into::into)
    }
}

/// Words in which the stores differ.
#[derive(Debug, Clone, Copy)]
pub struct Dialect {
    /// Type of a key that the store counts up.
    pub key: &'static str,
    /// Ends a SELECT whose rows no other writer may change before the transaction ends.
    pub for_update: &'static str,
    /// Run first in a transaction that changes the schema: nobody else may do so meanwhile.
    pub lock_schema: &'static str,
}

/// A database that holds a ledger.
pub trait Store {
    /// Its words.
    fn dialect(&self) -> Dialect;

    /// Version of the schema; 0 where there is none.
    ///
    /// # Errors
    /// What the database says.
    fn version(&mut self) -> Result<i64, LedgerError>;

    /// Runs statements without values.
    ///
    /// # Errors
    /// What the database says.
    fn script(&mut self, sql: &str) -> Result<(), LedgerError>;

    /// Runs one statement; gives how many rows it changed.
    ///
    /// # Errors
    /// What the database says.
    fn run(&mut self, sql: &str, cells: &[Cell]) -> Result<u64, LedgerError>;

    /// Hands each row of an answer to `each`, none kept in memory longer than that.
    ///
    /// # Errors
    /// What the database, or `each`, says.
    fn each(
        &mut self,
        sql: &str,
        cells: &[Cell],
        each: &mut dyn FnMut(Vec<Cell>) -> Result<(), LedgerError>,
    ) -> Result<(), LedgerError>;

    /// Begins a transaction in which this writer will write.
    ///
    /// # Errors
    /// What the database says.
    fn begin(&mut self) -> Result<(), LedgerError>;

    /// All rows of an answer.
    ///
    /// # Errors
    /// What the database says.
    fn rows(&mut self, sql: &str, cells: &[Cell]) -> Result<Vec<Vec<Cell>>, LedgerError> {
        let mut rows = Vec::new();
        self.each(sql, cells, &mut |row| {
            rows.push(row);
            Ok(())
        })?;
        Ok(rows)
    }
}

/// Does `work` in one transaction: all of it or nothing.
///
/// # Errors
/// What `work` or the database says; then nothing was changed.
pub fn whole<T>(
    store: &mut dyn Store,
    work: impl FnOnce(&mut dyn Store) -> Result<T, LedgerError>,
) -> Result<T, LedgerError> {
    store.begin()?;
    let done = work(store);
    let end = if done.is_ok() { "COMMIT" } else { "ROLLBACK" };
    match (done, store.script(end)) {
        (Ok(done), Ok(())) => Ok(done),
        (Ok(_), Err(error)) => {
            let _ = store.script("ROLLBACK");
            Err(error)
        }
        // A connection that is gone cannot roll back; its server does.
        (Err(error), _) => Err(error),
    }
}

/// Values of one statement, well under what either database takes (SQLite 32,766, PostgreSQL 65,535).
const MOST_VALUES: usize = 30_000;

/// Inserts many rows, many to a statement.
///
/// # Errors
/// What the database says.
pub fn insert(store: &mut dyn Store, table: &str, columns: &[&str], rows: Vec<Vec<Cell>>) -> Result<(), LedgerError> {
    for part in rows.chunks((MOST_VALUES / columns.len().max(1)).max(1)) {
        let mut number = 0;
        let mut row = || {
            let marks: Vec<String> = columns
                .iter()
                .map(|_| {
                    number += 1;
                    format!("${number}")
                })
                .collect();
            format!("({})", marks.join(","))
        };
        let rows: Vec<String> = part.iter().map(|_| row()).collect();
        let sql = format!("INSERT INTO {table} ({}) VALUES {}", columns.join(","), rows.join(","));
        store.run(&sql, &part.concat())?;
    }
    Ok(())
}
