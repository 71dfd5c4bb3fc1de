//! The forms of the journal's tables, the same numbers for both databases; they only grow.

use sqlx::SqlSafeStr;
use sqlx::migrate::{MigrateError, Migration, MigrationType, Migrator};

use super::link::Link;

/// A step from one form to the next.
struct Step {
    version: i64,
    name: &'static str,
    sqlite: &'static str,
    postgres: &'static str,
}

macro_rules! step {
    ($version:literal, $name:literal) => {
        Step {
            version: $version,
            name: $name,
            sqlite: include_str!(concat!("migrations/sqlite/", $name, ".sql")),
            postgres: include_str!(concat!("migrations/postgres/", $name, ".sql")),
        }
    };
}

const STEPS: [Step; 1] = [step!(1, "0001_first_form")];

/// The newest form known.
pub(super) const NEWEST: i64 = STEPS[STEPS.len() - 1].version;

/// Brings the tables to the newest form, each step whole or not at all.
pub(super) async fn bring_up(link: &mut Link) -> Result<(), MigrateError> {
    match link {
        Link::Sqlite(link) => migrator(|step| step.sqlite).run_direct(None, link, false).await,
        Link::Postgres(link) => migrator(|step| step.postgres).run_direct(None, link, false).await,
    }
}

fn migrator(text: impl Fn(&Step) -> &'static str) -> Migrator {
    let migration = |step: &Step| {
        let sql = text(step).into_sql_str();
        Migration::new(step.version, step.name.into(), MigrationType::Simple, sql, false)
    };
    Migrator::with_migrations(STEPS.iter().map(migration).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_form_in_the_folders_is_known_and_numbered_without_a_gap() {
        for folder in ["sqlite", "postgres"] {
            let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("src/journal/migrations").join(folder);
            let mut found: Vec<String> =
                std::fs::read_dir(path).unwrap().map(|f| f.unwrap().file_name().into_string().unwrap()).collect();
            found.sort();
            let known: Vec<String> = STEPS.iter().map(|step| format!("{}.sql", step.name)).collect();
            assert_eq!(found, known);
        }
        for (step, number) in STEPS.iter().zip(1..) {
            assert_eq!(step.version, number);
            assert!(step.name.starts_with(&format!("{number:04}_")));
            assert!(step.sqlite.contains(&format!("PRAGMA user_version = {number};")), "{}", step.name);
        }
    }
}
