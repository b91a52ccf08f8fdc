//! The ledger in a PostgreSQL database, for a facility: tables in a schema of their own, `tiltworth`.

use super::LedgerError;
use super::store::{Cell, Dialect, Store};
use bytes::BytesMut;
use postgres::fallible_iterator::FallibleIterator;
use postgres::types::{IsNull, ToSql, Type, to_sql_checked};
use postgres::{Client, Config, NoTls, Row};
use std::error::Error;

/// A connection to a server.
pub struct Server {
    client: Client,
    name: String,
}

impl Server {
    /// Connects; `name` is the address without its password, for messages.
    ///
    /// # Errors
    /// What the server, or the way to it, says.
    pub fn open(config: &Config, name: String) -> Result<Self, LedgerError> {
        let client = config.connect(NoTls).map_err(|error| told(&name, &error))?;
        let mut server = Self { client, name };
        // A notice that a table is there already is none of the user's business.
        server.script("SET client_min_messages TO warning; SET search_path TO tiltworth")?;
        Ok(server)
    }
}

impl Store for Server {
    fn dialect(&self) -> Dialect {
        Dialect {
            key: "BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY",
            for_update: " FOR UPDATE",
            // The number is arbitrary ("twld") and the same for every writer.
            lock_schema: "SELECT pg_advisory_xact_lock(1953983588); CREATE SCHEMA IF NOT EXISTS tiltworth",
        }
    }

    fn version(&mut self) -> Result<i64, LedgerError> {
        let number = |rows: Vec<Vec<Cell>>| rows.first().and_then(|row| row.first()).and_then(Cell::int).unwrap_or(0);
        let there = self.rows("SELECT CAST(to_regclass('tiltworth.ledger_version') IS NOT NULL AS INTEGER)", &[])?;
        if number(there) == 0 { Ok(0) } else { self.rows("SELECT version FROM ledger_version", &[]).map(number) }
    }

    fn script(&mut self, sql: &str) -> Result<(), LedgerError> {
        self.client.batch_execute(sql).map_err(|error| told(&self.name, &error))
    }

    fn run(&mut self, sql: &str, cells: &[Cell]) -> Result<u64, LedgerError> {
        let values: Vec<&(dyn ToSql + Sync)> = cells.iter().map(|cell| cell as &(dyn ToSql + Sync)).collect();
        self.client.execute(sql, &values).map_err(|error| told(&self.name, &error))
    }

    fn each(
        &mut self,
        sql: &str,
        cells: &[Cell],
        each: &mut dyn FnMut(Vec<Cell>) -> Result<(), LedgerError>,
    ) -> Result<(), LedgerError> {
        let name = self.name.clone();
        let mut rows = self.client.query_raw(sql, cells).map_err(|error| told(&name, &error))?;
        while let Some(row) = rows.next().map_err(|error| told(&name, &error))? {
            let cells: Result<Vec<Cell>, postgres::Error> = (0..row.len()).map(|at| cell(&row, at)).collect();
            each(cells.map_err(|error| told(&name, &error))?)?;
        }
        Ok(())
    }

    fn begin(&mut self) -> Result<(), LedgerError> {
        self.script("BEGIN")
    }
}

impl ToSql for Cell {
    fn to_sql(&self, kind: &Type, out: &mut BytesMut) -> Result<IsNull, Box<dyn Error + Sync + Send>> {
        match self {
            Self::Null => Ok(IsNull::Yes),
            Self::Int(value) if *kind == Type::FLOAT8 => (*value as f64).to_sql(kind, out),
            Self::Int(value) if *kind == Type::INT4 => i32::try_from(*value)?.to_sql(kind, out),
            Self::Int(value) => value.to_sql(kind, out),
            Self::Real(value) => value.to_sql(kind, out),
            Self::Text(text) => text.to_sql(kind, out),
        }
    }

    fn accepts(kind: &Type) -> bool {
        [Type::INT4, Type::INT8, Type::FLOAT8, Type::TEXT, Type::VARCHAR].contains(kind)
    }

    to_sql_checked!();
}

fn cell(row: &Row, at: usize) -> Result<Cell, postgres::Error> {
    let kind = row.columns()[at].type_();
    Ok(if *kind == Type::INT8 {
        row.try_get::<_, Option<i64>>(at)?.into()
    } else if *kind == Type::INT4 {
        row.try_get::<_, Option<i32>>(at)?.map(i64::from).into()
    } else if *kind == Type::FLOAT8 {
        row.try_get::<_, Option<f64>>(at)?.into()
    } else {
        row.try_get::<_, Option<String>>(at)?.into()
    })
}

fn told(name: &str, error: &postgres::Error) -> LedgerError {
    let fault = match error.as_db_error() {
        Some(error) => error.message().to_owned(),
        None => {
            let cause = error.source().map(|cause| format!(" ({cause})")).unwrap_or_default();
            let text = error.to_string();
            if text.ends_with(cause.trim_start_matches(" (").trim_end_matches(')')) { text } else { text + &cause }
        }
    };
    let code = error.code().map_or("", |code| code.code());
    let remedy = match code {
        "28P01" | "28000" => "check user and password (PGPASSWORD)",
        "3D000" => "ask for the database to be made",
        "42501" => "ask for the right to write, or to create the schema tiltworth, in this database",
        "" if fault.contains("password") => "give the password in PGPASSWORD",
        "" if fault.contains("TLS") => "tiltworth speaks no TLS: leave sslmode out, within a trusted network",
        "" => "check that the server runs and can be reached from here",
        _ => "nothing was changed",
    };
    LedgerError::new(name, &fault, remedy)
}
