//! Connections, and the few ways in which statements are sent over them.
//!
//! Both databases read the same texts: the parameters are `$1`, `$2`, … and every number is a 64-bit integer. What differs
//! is said here and in `migrations` only.

use std::path::Path;
use std::time::Duration;

use sqlx::postgres::{PgConnectOptions, PgPoolOptions, PgRow};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteRow, SqliteSynchronous};
use sqlx::{Connection, FromRow, PgConnection, PgPool, Postgres, Sqlite, SqliteConnection, SqlitePool, Transaction};

use super::Where;

/// The size of a page of the file. A commit writes whole pages to the log, so small ones spare the card.
const PAGE_BYTES: u32 = 512;
/// Pages in the log before they are moved to the file.
const PAGES_BEFORE_CHECKPOINT: &str = "8000";
/// What the log is cut back to if it has grown beyond; below that it is written over again and again, so that a commit
/// does not have to record a new length.
const LOG_BYTES: &str = "8388608";
/// How long a reader waits for a connection.
const READER_WAIT: Duration = Duration::from_secs(2);
/// How many readers look at once.
const READERS: u32 = 4;

/// A parameter of a statement.
#[derive(Clone, Copy, Debug)]
pub(super) enum Value<'a> {
    Int(i64),
    Maybe(Option<i64>),
    Text(&'a str),
    Bytes(&'a [u8]),
}

/// A row that can be read from both databases.
pub(super) trait Row: for<'r> FromRow<'r, SqliteRow> + for<'r> FromRow<'r, PgRow> + Send + Unpin {}

impl<T: for<'r> FromRow<'r, SqliteRow> + for<'r> FromRow<'r, PgRow> + Send + Unpin> Row for T {}

/// The connection of the one that writes.
pub(super) enum Link {
    Sqlite(SqliteConnection),
    Postgres(PgConnection),
}

/// Connections of those that look.
#[derive(Clone)]
pub(super) enum Pool {
    Sqlite(SqlitePool),
    Postgres(PgPool),
}

/// A look at one state of the journal, ended by dropping it.
pub(super) enum Look {
    Sqlite(Transaction<'static, Sqlite>),
    Postgres(Transaction<'static, Postgres>),
}

/// A borrowed connection of either kind.
pub(super) enum Wire<'c> {
    Sqlite(&'c mut SqliteConnection),
    Postgres(&'c mut PgConnection),
}

macro_rules! bound {
    ($query:expr, $values:expr) => {
        $values.iter().fold($query, |query, value| match *value {
            Value::Int(number) => query.bind(number),
            Value::Maybe(number) => query.bind(number),
            Value::Text(text) => query.bind(text.to_owned()),
            Value::Bytes(bytes) => query.bind(bytes.to_owned()),
        })
    };
}

impl Wire<'_> {
    /// Sends a statement that gives no rows; how many rows it changed.
    pub(super) async fn run(&mut self, sql: &'static str, values: &[Value<'_>]) -> Result<u64, sqlx::Error> {
        Ok(match self {
            Wire::Sqlite(link) => bound!(sqlx::query(sql), values).execute(&mut **link).await?.rows_affected(),
            Wire::Postgres(link) => bound!(sqlx::query(sql), values).execute(&mut **link).await?.rows_affected(),
        })
    }

    /// All rows of a statement.
    pub(super) async fn rows<T: Row>(
        &mut self,
        sql: &'static str,
        values: &[Value<'_>],
    ) -> Result<Vec<T>, sqlx::Error> {
        match self {
            Wire::Sqlite(link) => bound!(sqlx::query_as(sql), values).fetch_all(&mut **link).await,
            Wire::Postgres(link) => bound!(sqlx::query_as(sql), values).fetch_all(&mut **link).await,
        }
    }

    /// The first row of a statement.
    pub(super) async fn row<T: Row>(
        &mut self,
        sql: &'static str,
        values: &[Value<'_>],
    ) -> Result<Option<T>, sqlx::Error> {
        match self {
            Wire::Sqlite(link) => bound!(sqlx::query_as(sql), values).fetch_optional(&mut **link).await,
            Wire::Postgres(link) => bound!(sqlx::query_as(sql), values).fetch_optional(&mut **link).await,
        }
    }

    /// The one number that a statement gives; `None` for no row or a null.
    pub(super) async fn number(&mut self, sql: &'static str, values: &[Value<'_>]) -> Result<Option<i64>, sqlx::Error> {
        Ok(self.row::<(Option<i64>,)>(sql, values).await?.and_then(|(number,)| number))
    }
}

impl Link {
    /// Opens the file for writing, with every setting that durability hangs on, creating it if it is not there.
    pub(super) async fn sqlite(path: &Path) -> Result<Self, sqlx::Error> {
        let options = SqliteConnectOptions::new()
            .filename(path)
            .create_if_missing(true)
            .page_size(PAGE_BYTES)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .pragma("wal_autocheckpoint", PAGES_BEFORE_CHECKPOINT)
            .pragma("journal_size_limit", LOG_BYTES)
            .pragma("trusted_schema", "OFF")
            .pragma("cell_size_check", "ON");
        Ok(Link::Sqlite(SqliteConnection::connect_with(&options).await?))
    }

    /// Opens the file only to look.
    pub(super) async fn sqlite_to_look(path: &Path) -> Result<Self, sqlx::Error> {
        Ok(Link::Sqlite(SqliteConnection::connect_with(&options_to_look(path)).await?))
    }

    /// Connects to the server.
    pub(super) async fn postgres(address: &str) -> Result<Self, sqlx::Error> {
        Ok(Link::Postgres(PgConnection::connect_with(&postgres_options(address)?).await?))
    }

    /// The connection to send a statement over.
    pub(super) fn wire(&mut self) -> Wire<'_> {
        match self {
            Link::Sqlite(link) => Wire::Sqlite(link),
            Link::Postgres(link) => Wire::Postgres(link),
        }
    }

    /// Begins to write; until [`Link::commit`] nothing is kept.
    pub(super) async fn begin(&mut self) -> Result<Wire<'_>, sqlx::Error> {
        let begin = match self {
            Link::Sqlite(_) => "BEGIN IMMEDIATE",
            Link::Postgres(_) => "BEGIN",
        };
        self.wire().run(begin, &[]).await?;
        Ok(self.wire())
    }

    /// Returns when everything since [`Link::begin`] is on disk.
    pub(super) async fn commit(&mut self) -> Result<(), sqlx::Error> {
        self.wire().run("COMMIT", &[]).await.map(|_| ())
    }

    /// Closes it in order.
    pub(super) async fn close(self) -> Result<(), sqlx::Error> {
        match self {
            Link::Sqlite(link) => link.close().await,
            Link::Postgres(link) => link.close().await,
        }
    }
}

impl Pool {
    /// Readers of a place; none is connected before it is needed.
    pub(super) fn of(place: &Where) -> Result<Self, sqlx::Error> {
        Ok(match place {
            Where::Sqlite(path) => {
                let pool = SqlitePoolOptions::new().max_connections(READERS).acquire_timeout(READER_WAIT);
                Pool::Sqlite(pool.connect_lazy_with(options_to_look(path)))
            }
            Where::Postgres(address) => {
                let pool = PgPoolOptions::new().max_connections(READERS).acquire_timeout(READER_WAIT);
                Pool::Postgres(pool.connect_lazy_with(postgres_options(address)?))
            }
        })
    }

    /// Looks at the journal as it is now.
    pub(super) async fn look(&self) -> Result<Look, sqlx::Error> {
        Ok(match self {
            Pool::Sqlite(pool) => Look::Sqlite(pool.begin().await?),
            Pool::Postgres(pool) => {
                Look::Postgres(pool.begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY").await?)
            }
        })
    }

    /// Closes every connection.
    pub(super) async fn close(&self) {
        match self {
            Pool::Sqlite(pool) => pool.close().await,
            Pool::Postgres(pool) => pool.close().await,
        }
    }
}

impl Look {
    /// The connection to send a statement over.
    pub(super) fn wire(&mut self) -> Wire<'_> {
        match self {
            Look::Sqlite(look) => Wire::Sqlite(look),
            Look::Postgres(look) => Wire::Postgres(look),
        }
    }
}

/// Whether the disk, or what the database may use of it, is full.
pub(super) fn is_disk_full(error: &sqlx::Error) -> bool {
    const SQLITE_FULL: i32 = 13;
    const POSTGRES_DISK_FULL: &str = "53100";
    let code = error.as_database_error().and_then(|e| e.code());
    code.is_some_and(|code| code == POSTGRES_DISK_FULL || primary_code(&code) == Some(SQLITE_FULL))
}

/// Whether an SQLite file is damaged or no database at all.
pub(super) fn is_damage(error: &sqlx::Error) -> bool {
    const SQLITE_CORRUPT: i32 = 11;
    const SQLITE_NOTADB: i32 = 26;
    let code = error.as_database_error().and_then(|e| e.code());
    code.is_some_and(|code| matches!(primary_code(&code), Some(SQLITE_CORRUPT | SQLITE_NOTADB)))
}

/// Whether a statement was broken off by this program.
pub(super) fn is_interrupt(error: &sqlx::Error) -> bool {
    const SQLITE_INTERRUPT: i32 = 9;
    let code = error.as_database_error().and_then(|e| e.code());
    code.is_some_and(|code| primary_code(&code) == Some(SQLITE_INTERRUPT))
}

/// The low byte of an SQLite code, which names the kind; PostgreSQL's codes have five characters, all SQLite's fewer.
fn primary_code(code: &str) -> Option<i32> {
    let number: i32 = code.parse().ok().filter(|_| code.len() < 5)?;
    Some(number & 0xff)
}

fn options_to_look(path: &Path) -> SqliteConnectOptions {
    SqliteConnectOptions::new().filename(path).read_only(true).pragma("trusted_schema", "OFF")
}

fn postgres_options(address: &str) -> Result<PgConnectOptions, sqlx::Error> {
    let options: PgConnectOptions = address.parse()?;
    Ok(options.application_name("holdwatch").options([("synchronous_commit", "on")]))
}
