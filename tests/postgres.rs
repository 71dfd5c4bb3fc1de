//! The same journal in PostgreSQL: a server of the tests' own, in a temporary folder, on a free port of this computer only.

#![expect(clippy::unwrap_used, clippy::print_stdout, reason = "a test fails by panicking and says what it leaves out")]

mod records;

use std::net::TcpListener;
use std::path::PathBuf;

use holdwatch::event::{Fact, GapCause, GaugeId, Record, Seq};
use holdwatch::journal::{self, Check, Journal, JournalError, Keep, Played, Settings, Where, Window, Write};
use holdwatch::moment::{Moment, Span};
use records::{
    ALWAYS, WRITE_TO, WriterProcess, all_readings, at_millis, brisk, check_history, command, reading, record, run, utc,
    write_for_ever,
};
use sqlx::{Connection, Row};

/// A server and its files, for as long as this lives.
struct Server {
    folder: tempfile::TempDir,
    programs: PathBuf,
    port: u16,
}

impl Server {
    /// Starts one; `None`, with the reason printed, where there is none to start.
    fn start() -> Option<Self> {
        let Some(programs) = programs() else {
            println!("left out: no PostgreSQL server is installed here");
            return None;
        };
        let folder = tempfile::tempdir().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let server = Server { folder, programs, port };
        if rustix::process::geteuid().is_root() {
            command("chown", &["postgres", &server.folder.path().to_string_lossy()]).unwrap();
        }
        let data = server.data();
        let made = server.run("initdb", &["-D", &data, "-A", "trust", "-U", "postgres", "-E", "UTF8", "--no-sync"]);
        if let Err(why) = made.and_then(|()| server.up()) {
            println!("left out: no PostgreSQL server can be started here: {why}");
            return None;
        }
        Some(server)
    }

    fn data(&self) -> String {
        self.folder.path().join("data").to_string_lossy().into_owned()
    }

    fn address(&self) -> String {
        format!("postgres://postgres@127.0.0.1:{}/postgres", self.port)
    }

    fn place(&self) -> Where {
        Where::from_text(&self.address())
    }

    fn up(&self) -> Result<(), String> {
        let options = format!("-p {} -c listen_addresses=127.0.0.1 -k {}", self.port, self.folder.path().display());
        let log = self.folder.path().join("log").to_string_lossy().into_owned();
        self.run("pg_ctl", &["-D", &self.data(), "-o", &options, "-l", &log, "-w", "start"])
    }

    /// Stops it as a crash does.
    fn crash(&self) -> Result<(), String> {
        self.run("pg_ctl", &["-D", &self.data(), "-m", "immediate", "-w", "stop"])
    }

    /// Runs one of its programs, as its own user where this one is root.
    fn run(&self, program: &str, arguments: &[&str]) -> Result<(), String> {
        let program = self.programs.join(program).to_string_lossy().into_owned();
        if !rustix::process::geteuid().is_root() {
            return command(&program, arguments);
        }
        let mut all = vec!["-u", "postgres", "--", program.as_str()];
        all.extend(arguments);
        command("runuser", &all)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let _ = self.crash();
    }
}

/// The folder of a server's programs.
fn programs() -> Option<PathBuf> {
    let installed =
        std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten().map(|v| v.path().join("bin"));
    let path = std::env::var_os("PATH").unwrap_or_default();
    let mut folders: Vec<PathBuf> = installed.chain(std::env::split_paths(&path)).collect();
    folders.sort();
    folders.into_iter().rfind(|folder| folder.join("initdb").exists() && folder.join("pg_ctl").exists())
}

#[tokio::test]
async fn a_writer_process() {
    if let Ok(place) = std::env::var(WRITE_TO) {
        write_for_ever(Where::from_text(&place)).await;
    }
    let Some(server) = Server::start() else { return };
    let mut running = run(&server.place(), brisk(), at_millis(0)).await;
    assert_eq!(running.opened.check, Check::Served);
    for seq in 1..=500 {
        running.keep(record(seq)).await;
    }
    running.stored(500).await;
    assert_eq!(check_history(&running.journal).await, 500);
    running.close().await;
}

/// A column: table, name, kind, whether it may be null.
type Column = (String, String, &'static str, bool);

#[tokio::test]
async fn both_databases_have_the_same_tables() {
    let Some(server) = Server::start() else { return };
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("journal.db");
    run(&Where::Sqlite(path.clone()), brisk(), at_millis(0)).await.close().await;
    run(&server.place(), brisk(), at_millis(0)).await.close().await;
    let kind = |word: &str| match word {
        "INTEGER" | "bigint" => "integer",
        "TEXT" | "text" => "text",
        "BLOB" | "bytea" => "bytes",
        other => panic!("{other}"),
    };
    let mut link = sqlx::SqliteConnection::connect(&format!("sqlite://{}", path.display())).await.unwrap();
    let in_file = "SELECT m.name, p.name, p.type, p.\"notnull\" FROM sqlite_schema m, pragma_table_info(m.name) p
        WHERE m.type = 'table' AND m.name <> '_sqlx_migrations' ORDER BY m.name, p.cid";
    let rows = sqlx::query(in_file).fetch_all(&mut link).await.unwrap();
    let file: Vec<Column> =
        rows.iter().map(|r| (r.get(0), r.get(1), kind(r.get(2)), r.get::<i64, _>(3) == 0)).collect();
    let indices = "SELECT name FROM sqlite_schema WHERE type = 'index' AND sql IS NOT NULL ORDER BY name";
    let file_indices: Vec<(String,)> = sqlx::query_as(indices).fetch_all(&mut link).await.unwrap();

    let mut link = sqlx::PgConnection::connect(&server.address()).await.unwrap();
    let in_server = "SELECT table_name::TEXT, column_name::TEXT, data_type::TEXT, is_nullable = 'YES'
        FROM information_schema.columns WHERE table_schema = 'public' AND table_name <> '_sqlx_migrations'
        ORDER BY table_name, ordinal_position";
    let rows = sqlx::query(in_server).fetch_all(&mut link).await.unwrap();
    let served: Vec<Column> =
        rows.iter().map(|r| (r.get(0), r.get(1), kind(r.get::<String, _>(2).as_str()), r.get(3))).collect();
    let indices = "SELECT indexname::TEXT FROM pg_indexes WHERE schemaname = 'public'
        AND indexname NOT LIKE '%_pkey' ORDER BY indexname";
    let served_indices: Vec<(String,)> = sqlx::query_as(indices).fetch_all(&mut link).await.unwrap();
    assert_eq!(file, served);
    assert_eq!(file_indices, served_indices);
    assert!(file.len() > 30 && file_indices.len() == 3);
}

#[tokio::test]
async fn both_databases_answer_alike() {
    let Some(server) = Server::start() else { return };
    let folder = tempfile::tempdir().unwrap();
    let keep = Keep { readings: Span::from_secs(1800), snapshots: 2, ..Keep::default() };
    // Only what is asked for is committed, so that both sweep at the same record.
    let settings = Settings { keep, commit_every: std::time::Duration::from_secs(3600), ..Settings::default() };
    let mut answers = Vec::new();
    for place in [Where::Sqlite(folder.path().join("journal.db")), server.place()] {
        for part in 0..3_u64 {
            let mut running = run(&place, settings, at_millis(part * 1_300_000)).await;
            for seq in part * 1200 + 1..=part * 1200 + 1200 {
                let mut record = record(seq);
                record.at = Moment { synced: true, ..at_millis(seq * 1000) };
                running.keep(record).await;
                running.send(Write::BlackBox(seq.to_le_bytes().to_vec())).await;
                if seq % 400 == 0 {
                    let bytes = seq.to_be_bytes().to_vec();
                    running.send(Write::Snapshot { seq: Seq(seq), at: at_millis(seq * 1000), bytes }).await;
                }
            }
            let gap = Fact::Gap { gauge: GaugeId(4), from: at_millis(5).steady, cause: GapCause::NoReply };
            running.stored(part * 1200 + 1200).await;
            if part == 2 {
                running.keep(Record { seq: Seq(3601), at: at_millis(3_601_000), fact: gap }).await;
                running.stored(3601).await;
                answers.push(answers_of(&running.journal).await);
            }
            running.close().await;
        }
    }
    for (file, served) in answers[0].iter().zip(&answers[1]) {
        assert_eq!(file, served);
    }
}

/// Everything that can be asked, as text.
async fn answers_of(journal: &Journal) -> Vec<String> {
    let hour = Window { from: utc(0), to: utc(3_600_000_000) };
    let mut answers = Vec::new();
    for points in [1, 10, 100, 3600] {
        answers.push(format!("{:?}", journal.history(GaugeId(0), hour, points).await.unwrap()));
    }
    answers.push(format!("{:?}", journal.entries(Some("verdict"), hour, 20).await.unwrap()));
    answers.push(format!("{:?}", journal.entries(None, ALWAYS, 1000).await.unwrap()));
    answers.push(format!("{:?}", journal.last_entry("verdict").await.unwrap()));
    answers.push(format!("{:?}", journal.gaps(ALWAYS, 100).await.unwrap()));
    answers.push(format!("{:?}", all_readings(journal).await));
    let mut found = journal.black_box(None).await.unwrap().unwrap();
    answers.push(format!("{:?}", found.snapshot));
    let mut played: Vec<Played> = Vec::new();
    while let Some(page) = found.next().await.unwrap() {
        played.extend(page);
    }
    answers.push(format!("{played:?}"));
    answers
}

#[tokio::test]
async fn nothing_stored_is_lost_when_the_writer_or_the_server_dies() {
    let Some(server) = Server::start() else { return };
    let mut stored = 0;
    for round in 0..4 {
        let mut process = WriterProcess::start("a_writer_process", &server.address());
        process.wait_for_more_than(stored);
        if round % 2 == 1 {
            server.crash().unwrap();
            let before = process.stored();
            server.up().unwrap();
            process.wait_for_more_than(before);
            assert!(process.stored() > before, "the writer did not go on");
        }
        let said = process.kill();
        let journal = Journal::look(&server.place()).await.unwrap();
        let found = check_history(&journal).await;
        assert!(found >= said, "{said} was said to be stored, {found} was found in round {round}");
        journal.close().await;
        stored = found;
    }
}

#[tokio::test]
async fn a_second_daemon_and_an_older_program_are_refused() {
    let Some(server) = Server::start() else { return };
    let mut running = run(&server.place(), brisk(), at_millis(0)).await;
    let refused = journal::open(&server.place(), brisk(), at_millis(0)).await.err().unwrap();
    assert!(matches!(refused, JournalError::InUse(_)), "{refused}");
    running.keep(reading(1, at_millis(1), 1.0)).await;
    running.stored(1).await;
    running.close().await;
    let mut link = sqlx::PgConnection::connect(&server.address()).await.unwrap();
    let newer = "INSERT INTO _sqlx_migrations (version, description, success, checksum, execution_time)
        VALUES (99, 'later', TRUE, '', 0)";
    sqlx::query(newer).execute(&mut link).await.unwrap();
    let refused = journal::open(&server.place(), brisk(), at_millis(0)).await.err().unwrap();
    assert!(matches!(refused, JournalError::Newer { found: 99, .. }), "{refused}");
    let rows: (i64,) = sqlx::query_as("SELECT count(*) FROM gap").fetch_one(&mut link).await.unwrap();
    assert_eq!(rows, (0,), "nothing was written");
}
