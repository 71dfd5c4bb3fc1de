//! Where rows are written: the open connection, and how it is opened, checked and opened anew.

use std::path::Path;
use std::time::Duration;

use sqlx::SqliteConnection;
use tokio::time::timeout;

use super::file::{self, Ballast, Identity, Lock, Looks};
use super::link::{self, Link, Value, Wire};
use super::migrations;
use super::pending::{BLACK_BOX, Batch, ChunkRow, Counters, GapRow, Rolled};
use super::tallies;
use super::tally::{HOUR, MINUTE, Minute, Roller};
use super::{Check, JournalError, KeptEntry, Last, Where, codec};
use crate::event::{GapCause, GaugeId, Seq};
use crate::moment::{BootId, Moment, Steady, Utc};

/// Steps of the check of the file at the start, in thousands, before it is broken off: about 100 MB are looked at then, in
/// half a second from memory and in some seconds from a slow card.
const CHECK_LIMIT: u32 = 2500;
/// How long a database server may take over one batch before it is given up.
const SERVER_LIMIT: Duration = Duration::from_secs(10);
/// The advisory lock that says that a daemon writes to this database.
const LOCK_NUMBER: i64 = APPLICATION;
/// "HdJ1", by which an SQLite file is known as a journal.
const APPLICATION: i64 = 0x4864_4A31;

/// An open journal to write to.
pub(super) struct Desk {
    place: Where,
    link: Option<Link>,
    _lock: Option<Lock>,
    ballast: Option<Ballast>,
    identity: Option<Identity>,
    /// The next numbers of rows.
    pub(super) counters: Counters,
}

impl Desk {
    /// Opens the journal; what was found of its file.
    pub(super) async fn open(place: &Where) -> Result<(Self, Check), JournalError> {
        let (lock, ballast) = match place {
            Where::Sqlite(path) => (Some(file::apart(path, Lock::take).await??), Some(Ballast::of(path))),
            Where::Postgres(_) => (None, None),
        };
        let counters = Counters { chunk: 1, gap: 1 };
        let mut desk = Desk { place: place.clone(), link: None, _lock: lock, ballast, identity: None, counters };
        let check = desk.connect().await?;
        desk.take_ballast().await;
        Ok((desk, check))
    }

    /// Closes what is open and opens the journal anew; the file is checked as on the first opening.
    pub(super) async fn reopen(&mut self) -> Result<Check, JournalError> {
        // It is closed because it failed, or because its file is gone: that closing fails as well says nothing new.
        let _ = self.close().await;
        self.connect().await
    }

    /// Closes the journal in order.
    pub(super) async fn close(&mut self) -> Result<(), JournalError> {
        match self.link.take() {
            Some(link @ Link::Sqlite(_)) => Ok(link.close().await?),
            // A server that is gone would not hear a farewell.
            Some(Link::Postgres(_)) | None => Ok(()),
        }
    }

    /// Whether there is a connection.
    pub(super) fn is_open(&self) -> bool {
        self.link.is_some()
    }

    /// Whether the file that is written to is no longer the one at its path.
    pub(super) async fn is_gone(&self) -> bool {
        match &self.place {
            Where::Sqlite(path) => {
                file::apart(path, file::identity).await.is_ok_and(|identity| identity != self.identity)
            }
            Where::Postgres(_) => false,
        }
    }

    /// Frees the space kept back for a full disk.
    pub(super) async fn drop_ballast(&self) {
        if let (Some(ballast), Where::Sqlite(path)) = (self.ballast.clone(), &self.place) {
            // Nothing waits for the space while the program ends.
            let _ = file::apart(path, move |_| ballast.drop_it()).await;
        }
    }

    /// Keeps space back again; whether there was room.
    pub(super) async fn take_ballast(&self) -> bool {
        match (self.ballast.clone(), &self.place) {
            (Some(ballast), Where::Sqlite(path)) => {
                file::apart(path, move |_| ballast.take_aboard()).await.unwrap_or(false)
            }
            (_, _) => true,
        }
    }

    /// Writes a batch and returns when it is on disk.
    ///
    /// # Cancellation
    /// Not to be dropped: an SQLite connection would be left within the transaction.
    pub(super) async fn commit(&mut self, batch: &Batch) -> Result<(), JournalError> {
        let served = matches!(self.place, Where::Postgres(_));
        let link = self.link()?;
        if !served {
            return Ok(write(link, batch).await?);
        }
        // The connection is thrown away afterwards, so that nothing hangs on how far this came.
        match timeout(SERVER_LIMIT, write(link, batch)).await {
            Ok(done) => Ok(done?),
            Err(_) => {
                self.link = None;
                let silent = std::io::Error::new(std::io::ErrorKind::TimedOut, "the database server does not answer");
                Err(sqlx::Error::Io(silent).into())
            }
        }
    }

    /// The open connection.
    pub(super) fn link(&mut self) -> Result<&mut Link, JournalError> {
        let closed = || std::io::Error::new(std::io::ErrorKind::NotConnected, "the journal is not open");
        self.link.as_mut().ok_or_else(|| sqlx::Error::Io(closed()).into())
    }

    async fn connect(&mut self) -> Result<Check, JournalError> {
        let (link, check) = match &self.place {
            Where::Sqlite(path) => connect_file(path).await?,
            Where::Postgres(address) => {
                let limit = |_| sqlx::Error::PoolTimedOut;
                (timeout(SERVER_LIMIT, connect_server(address)).await.map_err(limit)??, Check::Served)
            }
        };
        let link = self.link.insert(link);
        let found = Counters { chunk: next_chunk(&mut link.wire()).await?, gap: next_gap(&mut link.wire()).await? };
        self.counters.chunk = self.counters.chunk.max(found.chunk);
        self.counters.gap = self.counters.gap.max(found.gap);
        if let Where::Sqlite(path) = &self.place {
            self.identity = file::apart(path, file::identity).await?;
        }
        Ok(check)
    }
}

/// Opens a file that may be new, older, newer, damaged or something else.
async fn connect_file(path: &Path) -> Result<(Link, Check), JournalError> {
    let form = match file::apart(path, file::look).await?? {
        Looks::New => 0,
        // A journal has its ballast, its lock and perhaps a copy beside it: those say whose a file without a beginning is.
        Looks::Garbage if file::beside(path, ".ballast").exists() => {
            return replace(path, "it does not begin as a database does".to_owned()).await;
        }
        Looks::Garbage => return Err(JournalError::Stranger(path.display().to_string())),
        Looks::Database => match form_of(path).await {
            Ok(form) => form,
            Err(JournalError::Database(e)) if link::is_damage(&e) => return replace(path, e.to_string()).await,
            Err(e) => return Err(e),
        },
    };
    match connect_sound(path, form).await {
        Ok(Ok(link_and_check)) => Ok(link_and_check),
        Ok(Err(damage)) => replace(path, damage).await,
        Err(JournalError::Database(e)) if link::is_damage(&e) => replace(path, e.to_string()).await,
        Err(e) => Err(e),
    }
}

/// The form of a journal's tables, 0 for none yet; the file is not changed, and what stands in its log is looked at too.
///
/// # Errors
/// [`JournalError::Stranger`] and [`JournalError::Newer`] for what may not be written to.
pub(super) async fn form_of(path: &Path) -> Result<i64, JournalError> {
    let mut looking = Link::sqlite_to_look(path).await?;
    let mut wire = looking.wire();
    let application = wire.number("PRAGMA application_id", &[]).await?.unwrap_or(0);
    let form = wire.number("PRAGMA user_version", &[]).await?.unwrap_or(0);
    // The migrations' own table is made before the first form is.
    let tables = "SELECT count(*) FROM sqlite_schema WHERE tbl_name <> '_sqlx_migrations'";
    let tables = wire.number(tables, &[]).await?.unwrap_or(0);
    looking.close().await?;
    if application != APPLICATION && (application != 0 || form != 0 || tables != 0) {
        return Err(JournalError::Stranger(path.display().to_string()));
    }
    refuse_newer(path.display(), form)?;
    Ok(form)
}

/// Opens a file that is not known to be damaged; the inner error is what is wrong with it if it is.
async fn connect_sound(path: &Path, form: i64) -> Result<Result<(Link, Check), String>, JournalError> {
    let mut opened = Link::sqlite(path).await?;
    let check = match &mut opened {
        Link::Sqlite(connection) => quick_check(connection).await?,
        Link::Postgres(_) => Ok(Check::Served),
    };
    let check = match check {
        Ok(check) => check,
        Err(damage) => {
            // What cannot be closed in order is let go.
            let _ = opened.close().await;
            return Ok(Err(damage));
        }
    };
    if (1..migrations::NEWEST).contains(&form) {
        copy(&mut opened.wire(), &file::beside(path, ".before")).await?;
    }
    migrations::bring_up(&mut opened).await?;
    Ok(Ok((opened, check)))
}

/// Moves a damaged file aside and opens the newest sound copy of it, or a new one.
async fn replace(path: &Path, damage: String) -> Result<(Link, Check), JournalError> {
    let aside = file::apart(path, file::move_aside).await??;
    let mut restored = file::apart(path, file::restore_copy).await??;
    let mut link = Link::sqlite(path).await?;
    if let (true, Link::Sqlite(connection)) = (restored, &mut link) {
        restored = matches!(quick_check(connection).await, Ok(Ok(_)));
        if !restored {
            // A copy that is damaged too is of no use, and lies under its own name still.
            let _ = link.close().await;
            file::apart(path, file::remove).await??;
            link = Link::sqlite(path).await?;
        }
    }
    migrations::bring_up(&mut link).await?;
    Ok((link, Check::Replaced { damage, aside, restored }))
}

/// SQLite's quick check, broken off when it takes too long; the inner error is what is wrong.
async fn quick_check(connection: &mut SqliteConnection) -> Result<Result<Check, String>, sqlx::Error> {
    let mut left = CHECK_LIMIT;
    let go_on = move || {
        left = left.saturating_sub(1);
        left > 0
    };
    connection.lock_handle().await?.set_progress_handler(1000, go_on);
    let found = Wire::Sqlite(connection).row::<(String,)>("PRAGMA quick_check(1)", &[]).await;
    connection.lock_handle().await?.remove_progress_handler();
    match found {
        Ok(Some((text,))) if text == "ok" => Ok(Ok(Check::Sound)),
        Ok(Some((text,))) => Ok(Err(text)),
        Ok(None) => Ok(Ok(Check::Sound)),
        Err(e) if link::is_interrupt(&e) => Ok(Ok(Check::Unfinished)),
        Err(e) if link::is_damage(&e) => Ok(Err(e.to_string())),
        Err(e) => Err(e),
    }
}

/// Writes a copy of the file that a connection is open on, checks it, and puts it at `path`.
pub(super) async fn copy(wire: &mut Wire<'_>, path: &Path) -> Result<(), JournalError> {
    let half = file::beside(path, ".half");
    file::apart(&half, file::remove).await??;
    let text = half.to_string_lossy();
    wire.run("VACUUM INTO $1", &[Value::Text(&text)]).await?;
    if let Link::Sqlite(mut copied) = Link::sqlite_to_look(&half).await? {
        let found = Wire::Sqlite(&mut copied).row::<(String,)>("PRAGMA integrity_check(1)", &[]).await?;
        if found.as_ref().is_none_or(|(text,)| text != "ok") {
            let what = found.map_or_else(String::new, |(text,)| text);
            return Err(JournalError::Damaged { table: "of the copy", row: 0, what });
        }
        Link::Sqlite(copied).close().await?;
    }
    let path = path.to_owned();
    file::apart(&half, move |half| file::put_in_place(half, &path)).await?
}

async fn connect_server(address: &str) -> Result<Link, JournalError> {
    let mut link = Link::postgres(address).await?;
    let shown = shown_address(address);
    let lock = "SELECT CASE WHEN pg_try_advisory_lock($1) THEN 1::BIGINT ELSE 0::BIGINT END";
    if link.wire().number(lock, &[Value::Int(LOCK_NUMBER)]).await? != Some(1) {
        return Err(JournalError::InUse(shown));
    }
    let applied = "SELECT to_regclass('_sqlx_migrations')::oid::BIGINT";
    if link.wire().number(applied, &[]).await?.is_some() {
        let form = link.wire().number("SELECT max(version) FROM _sqlx_migrations", &[]).await?;
        refuse_newer(shown, form.unwrap_or(0))?;
    }
    migrations::bring_up(&mut link).await?;
    Ok(link)
}

/// An address without its password.
fn shown_address(address: &str) -> String {
    match (address.find("://"), address.rfind('@')) {
        (Some(scheme), Some(at)) => match address[scheme + 3..at].find(':') {
            Some(colon) => format!("{}:***{}", &address[..scheme + 3 + colon], &address[at..]),
            None => address.to_owned(),
        },
        _ => address.to_owned(),
    }
}

/// Refuses a form that is newer than the newest known.
pub(super) fn refuse_newer(place: impl ToString, form: i64) -> Result<(), JournalError> {
    if form <= migrations::NEWEST {
        return Ok(());
    }
    Err(JournalError::Newer { place: place.to_string(), found: form, known: migrations::NEWEST })
}

async fn next_chunk(wire: &mut Wire<'_>) -> Result<i64, sqlx::Error> {
    Ok(wire.number("SELECT max(id) FROM chunk", &[]).await?.unwrap_or(0).saturating_add(1))
}

async fn next_gap(wire: &mut Wire<'_>) -> Result<i64, sqlx::Error> {
    Ok(wire.number("SELECT max(id) FROM gap", &[]).await?.unwrap_or(0).saturating_add(1))
}

/// Writes a batch as one transaction.
async fn write(link: &mut Link, batch: &Batch) -> Result<(), sqlx::Error> {
    let mut wire = link.begin().await?;
    for chunk in &batch.chunks {
        insert_chunk(&mut wire, chunk).await?;
    }
    for entry in &batch.entries {
        insert_entry(&mut wire, entry).await?;
    }
    for gap in &batch.gaps {
        insert_gap(&mut wire, gap).await?;
    }
    for snapshot in &batch.snapshots {
        let sql = "INSERT INTO snapshot (chunk, seq, civil, bytes) VALUES ($1, $2, $3, $4)
            ON CONFLICT (chunk) DO UPDATE SET seq = excluded.seq, civil = excluded.civil, bytes = excluded.bytes";
        let seq = snapshot.seq.0.cast_signed();
        let values =
            [Value::Int(snapshot.chunk), Value::Int(seq), Value::Maybe(snapshot.civil), Value::Bytes(&snapshot.bytes)];
        wire.run(sql, &values).await?;
    }
    if let Some(rolled) = &batch.rolled {
        roll(&mut wire, rolled).await?;
    }
    link.commit().await
}

async fn insert_chunk(wire: &mut Wire<'_>, chunk: &ChunkRow) -> Result<(), sqlx::Error> {
    let sql = "INSERT INTO chunk (id, channel, last_seq, bytes) VALUES ($1, $2, $3, $4) ON CONFLICT (id) DO NOTHING";
    let last_seq = chunk.last_seq.0.cast_signed();
    let values = [Value::Int(chunk.id), Value::Int(chunk.channel), Value::Int(last_seq), Value::Bytes(&chunk.bytes)];
    wire.run(sql, &values).await?;
    Ok(())
}

async fn insert_entry(wire: &mut Wire<'_>, entry: &KeptEntry) -> Result<(), sqlx::Error> {
    let sql = "INSERT INTO entry (seq, kind, version, boot, steady, civil, synced, body)
        VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT (seq) DO NOTHING";
    let values = [
        Value::Int(entry.seq.0.cast_signed()),
        Value::Text(&entry.kind),
        Value::Int(entry.version.into()),
        Value::Int(entry.at.boot.0.cast_signed()),
        Value::Int(entry.at.steady.nanos().cast_signed()),
        Value::Maybe(entry.at.civil.map(Utc::micros)),
        Value::Int(entry.at.synced.into()),
        Value::Text(&entry.body),
    ];
    wire.run(sql, &values).await?;
    Ok(())
}

async fn insert_gap(wire: &mut Wire<'_>, gap: &GapRow) -> Result<(), sqlx::Error> {
    let sql = "INSERT INTO gap
            (id, seq, gauge, cause, boot, steady_from, steady_to, civil_from, civil_to, synced)
        VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
        ON CONFLICT (id) DO UPDATE SET steady_to = excluded.steady_to, civil_to = excluded.civil_to";
    let values = [
        Value::Int(gap.id),
        Value::Maybe(gap.seq.map(|seq| seq.0.cast_signed())),
        Value::Maybe(gap.gauge.map(|gauge| gauge.0.into())),
        Value::Text(cause_word(gap.cause)),
        Value::Int(gap.to.boot.0.cast_signed()),
        Value::Maybe(gap.steady_from.map(|steady| steady.nanos().cast_signed())),
        Value::Int(gap.to.steady.nanos().cast_signed()),
        Value::Maybe(gap.civil_from),
        Value::Maybe(gap.to.civil.map(Utc::micros)),
        Value::Int(gap.to.synced.into()),
    ];
    wire.run(sql, &values).await?;
    Ok(())
}

/// Adds minutes to those that are kept, and to their hours, unless that was done before.
async fn roll(wire: &mut Wire<'_>, rolled: &Rolled) -> Result<(), sqlx::Error> {
    let seq = rolled.seq.0.cast_signed();
    if mark(wire, "rolled_seq").await?.is_some_and(|done| done >= seq) {
        return Ok(());
    }
    for minute in &rolled.minutes {
        tallies::add(wire, MINUTE, *minute).await?;
        let start = minute.start.div_euclid(HOUR).saturating_mul(HOUR);
        tallies::add(wire, HOUR, Minute { start, ..*minute }).await?;
    }
    set_mark(wire, "rolled_seq", seq).await?;
    set_mark(wire, "rolled_chunk", rolled.chunk).await
}

/// A number kept under a name.
pub(super) async fn mark(wire: &mut Wire<'_>, name: &str) -> Result<Option<i64>, sqlx::Error> {
    wire.number("SELECT value FROM mark WHERE name = $1", &[Value::Text(name)]).await
}

/// Keeps a number under a name.
pub(super) async fn set_mark(wire: &mut Wire<'_>, name: &str, value: i64) -> Result<(), sqlx::Error> {
    let sql = "INSERT INTO mark (name, value) VALUES ($1, $2) ON CONFLICT (name) DO UPDATE SET value = excluded.value";
    wire.run(sql, &[Value::Text(name), Value::Int(value)]).await?;
    Ok(())
}

/// The word that a cause is kept as.
pub(super) fn cause_word(cause: GapCause) -> &'static str {
    match cause {
        GapCause::NoReply => "no-reply",
        GapCause::BadCheck => "bad-check",
        GapCause::Refused => "refused",
        GapCause::LineGone => "line-gone",
        GapCause::NotRunning => "not-running",
        GapCause::NotSaved => "not-saved",
    }
}

/// The cause that a word stands for.
pub(super) fn cause(word: &str) -> Option<GapCause> {
    [
        GapCause::NoReply,
        GapCause::BadCheck,
        GapCause::Refused,
        GapCause::LineGone,
        GapCause::NotRunning,
        GapCause::NotSaved,
    ]
    .into_iter()
    .find(|cause| cause_word(*cause) == word)
}

/// The newest record there is.
pub(super) async fn last(wire: &mut Wire<'_>) -> Result<Option<Last>, JournalError> {
    type At = (i64, i64, i64, Option<i64>, i64);
    let entry = "SELECT seq, boot, steady, civil, synced FROM entry ORDER BY seq DESC LIMIT 1";
    let gap = "SELECT coalesce(seq, 0), boot, steady_to, civil_to, synced FROM gap ORDER BY id DESC LIMIT 1";
    let mut newest = last_reading(wire).await?;
    for sql in [entry, gap] {
        let Some((seq, boot, steady, civil, synced)) = wire.row::<At>(sql, &[]).await? else { continue };
        let seq = Seq(seq.cast_unsigned());
        let at = Moment {
            boot: BootId(boot.cast_unsigned()),
            steady: Steady::from_nanos(steady.cast_unsigned()),
            civil: civil.map(Utc::from_micros),
            synced: synced != 0,
        };
        if newest.is_none_or(|newest| newest.seq < seq) {
            newest = Some(Last { seq, at });
        }
    }
    Ok(newest)
}

async fn last_reading(wire: &mut Wire<'_>) -> Result<Option<Last>, JournalError> {
    let sql = "SELECT id, channel, bytes FROM chunk WHERE channel <> $1 ORDER BY id DESC LIMIT 1";
    let Some((row, channel, bytes)) = wire.row::<(i64, i64, Vec<u8>)>(sql, &[Value::Int(BLACK_BOX)]).await? else {
        return Ok(None);
    };
    let readings = decoded(row, channel, &bytes)?;
    Ok(readings.last().map(|kept| Last { seq: kept.seq, at: kept.at }))
}

/// The readings of a chunk.
pub(super) fn decoded(row: i64, channel: i64, bytes: &[u8]) -> Result<Vec<super::KeptReading>, JournalError> {
    let gauge = u16::try_from(channel).map_err(|e| e.to_string());
    let readings = gauge.and_then(|gauge| codec::decode(GaugeId(gauge), bytes));
    readings.map_err(|what| JournalError::Damaged { table: "chunk", row, what })
}

/// Readings that are in no tally yet, in the order of their numbers, each with its chunk.
pub(super) async fn not_rolled(wire: &mut Wire<'_>) -> Result<Vec<(i64, super::KeptReading)>, JournalError> {
    let seq = Seq(mark(wire, "rolled_seq").await?.unwrap_or(0).cast_unsigned());
    let chunk = mark(wire, "rolled_chunk").await?.unwrap_or(0);
    let sql = "SELECT id, channel, bytes FROM chunk WHERE id >= $1 AND channel <> $2 ORDER BY id";
    let mut readings = Vec::new();
    for (row, channel, bytes) in
        wire.rows::<(i64, i64, Vec<u8>)>(sql, &[Value::Int(chunk), Value::Int(BLACK_BOX)]).await?
    {
        let new = decoded(row, channel, &bytes)?.into_iter().filter(|kept| kept.seq > seq);
        readings.extend(new.map(|kept| (row, kept)));
    }
    readings.sort_by_key(|(_, kept)| kept.seq);
    Ok(readings)
}

/// A roller that goes on where the journal ends.
pub(super) async fn roller(wire: &mut Wire<'_>) -> Result<Roller, JournalError> {
    let mut roller = Roller::default();
    for (chunk, kept) in not_rolled(wire).await? {
        roller.count(&kept, (chunk, chunk));
    }
    Ok(roller)
}
