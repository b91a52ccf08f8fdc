//! The ledger in an SQLite file: no server, many writers.

use super::LedgerError;
use super::store::{Cell, Dialect, Store};
use rusqlite::types::{ToSqlOutput, Value, ValueRef};
use rusqlite::{Connection, ErrorCode, OpenFlags, ToSql};
use std::path::Path;
use std::time::{Duration, Instant};

/// Marks a file as a ledger of ours (SQLite's `application_id`): "twld".
const APPLICATION_ID: i64 = 0x7477_6c64;
/// A writer waits this long for the others.
const PATIENCE: Duration = Duration::from_secs(60);

/// An SQLite file.
pub struct Sqlite {
    connection: Connection,
    name: String,
}

impl Sqlite {
    /// Opens a ledger's file; `create` makes one where there is none.
    ///
    /// # Errors
    /// No such file; no database; a database of another program.
    pub fn open(path: &Path, create: bool) -> Result<Self, LedgerError> {
        let name = path.display().to_string();
        if !create && !path.exists() {
            return Err(LedgerError::missing(&name));
        }
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX
            | if create { OpenFlags::SQLITE_OPEN_CREATE } else { OpenFlags::empty() };
        let connection = Connection::open_with_flags(path, flags).map_err(|error| told(&name, &error))?;
        let mut store = Self { connection, name };
        store.connection.busy_timeout(PATIENCE).map_err(|error| told(&store.name, &error))?;
        store.own(create)?;
        store.write_ahead()?;
        // A ledger entry that was reported as written must outlast a power cut.
        store.script("PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON")?;
        Ok(store)
    }

    fn number(&mut self, sql: &str) -> Result<i64, LedgerError> {
        let rows = self.rows(sql, &[])?;
        Ok(rows.first().and_then(|row| row.first()).and_then(Cell::int).unwrap_or(0))
    }

    /// An empty database becomes ours; a foreign one is left alone.
    fn own(&mut self, create: bool) -> Result<(), LedgerError> {
        if self.number("PRAGMA application_id")? == APPLICATION_ID {
            return Ok(());
        }
        let tables = self.number("SELECT COUNT(*) FROM sqlite_master")?;
        let marked = self.number("PRAGMA application_id")?;
        // Asked again: another writer may have made the ledger between the two questions.
        if marked != APPLICATION_ID && (tables > 0 || marked != 0) {
            return Err(LedgerError::new(
                &self.name,
                "it is an SQLite database of another program",
                "name another file; nothing was changed",
            ));
        }
        if !create && marked != APPLICATION_ID {
            return Err(LedgerError::missing(&self.name));
        }
        self.script(&format!("PRAGMA application_id = {APPLICATION_ID}"))
    }

    /// Switches to write-ahead logging, which many writers share. The switch itself does not wait for others, so it is
    /// tried until they let go.
    fn write_ahead(&mut self) -> Result<(), LedgerError> {
        let begun = Instant::now();
        loop {
            let mode = self.connection.query_row("PRAGMA journal_mode = WAL", [], |row| row.get::<_, String>(0));
            match mode {
                Ok(mode) if mode == "wal" => return Ok(()),
                Ok(_) => {
                    return Err(LedgerError::new(
                        &self.name,
                        "its disk does not bear write-ahead logging",
                        "put the ledger on a disk of this machine, or use PostgreSQL",
                    ));
                }
                Err(error) if is_busy(&error) && begun.elapsed() < PATIENCE => {
                    std::thread::sleep(Duration::from_millis(5));
                }
                Err(error) => return Err(told(&self.name, &error)),
            }
        }
    }

    /// A statement with our marks for values in SQLite's.
    fn prepared(&self, sql: &str) -> Result<rusqlite::CachedStatement<'_>, LedgerError> {
        self.connection.prepare_cached(&sql.replace('$', "?")).map_err(|error| told(&self.name, &error))
    }
}

impl Store for Sqlite {
    fn dialect(&self) -> Dialect {
        // A transaction that began as a writer's shuts all others out.
        Dialect { key: "INTEGER PRIMARY KEY", for_update: "", lock_schema: "" }
    }

    fn version(&mut self) -> Result<i64, LedgerError> {
        match self.number("SELECT COUNT(*) FROM sqlite_master WHERE name = 'ledger_version'")? {
            0 => Ok(0),
            _ => self.number("SELECT version FROM ledger_version"),
        }
    }

    fn script(&mut self, sql: &str) -> Result<(), LedgerError> {
        self.connection.execute_batch(sql).map_err(|error| told(&self.name, &error))
    }

    fn run(&mut self, sql: &str, cells: &[Cell]) -> Result<u64, LedgerError> {
        let changed = self.prepared(sql)?.execute(rusqlite::params_from_iter(cells));
        changed.map(|rows| rows as u64).map_err(|error| told(&self.name, &error))
    }

    fn each(
        &mut self,
        sql: &str,
        cells: &[Cell],
        each: &mut dyn FnMut(Vec<Cell>) -> Result<(), LedgerError>,
    ) -> Result<(), LedgerError> {
        let wrong = |error: rusqlite::Error| told(&self.name, &error);
        let mut statement = self.prepared(sql)?;
        let columns = statement.column_count();
        let mut rows = statement.query(rusqlite::params_from_iter(cells)).map_err(wrong)?;
        while let Some(row) = rows.next().map_err(wrong)? {
            let cells: Result<Vec<Cell>, rusqlite::Error> = (0..columns).map(|at| row.get_ref(at).map(cell)).collect();
            each(cells.map_err(wrong)?)?;
        }
        Ok(())
    }

    fn begin(&mut self) -> Result<(), LedgerError> {
        self.script("BEGIN IMMEDIATE")
    }
}

impl ToSql for Cell {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(match self {
            Self::Null => ToSqlOutput::Owned(Value::Null),
            Self::Int(value) => ToSqlOutput::Owned(Value::Integer(*value)),
            Self::Real(value) => ToSqlOutput::Owned(Value::Real(*value)),
            Self::Text(text) => ToSqlOutput::Borrowed(ValueRef::Text(text.as_bytes())),
        })
    }
}

fn cell(value: ValueRef<'_>) -> Cell {
    match value {
        ValueRef::Null => Cell::Null,
        ValueRef::Integer(value) => Cell::Int(value),
        ValueRef::Real(value) => Cell::Real(value),
        ValueRef::Text(bytes) | ValueRef::Blob(bytes) => Cell::Text(String::from_utf8_lossy(bytes).into_owned()),
    }
}

fn is_busy(error: &rusqlite::Error) -> bool {
    matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked))
}

fn told(name: &str, error: &rusqlite::Error) -> LedgerError {
    let remedy = match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "another program has held it for a minute: see which, and try again"
        }
        Some(ErrorCode::NotADatabase) => "name another file; nothing was changed",
        Some(ErrorCode::DiskFull) => "make room on the disk; the ledger is as it was",
        Some(ErrorCode::DatabaseCorrupt) => "fetch it back from a backup",
        _ => "check that its folder exists and may be written",
    };
    LedgerError::new(name, &error.to_string(), remedy)
}
