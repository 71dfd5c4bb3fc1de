//! How the program serves and watches: the page, the journal, the cards and the watch.

use std::net::SocketAddr;
use std::path::PathBuf;

use super::notes::complaint;
use super::section::{LEVEL, PLAIN, Section};
use super::{PageSettings, StoreSettings, WatchTuning};
use crate::gauge::GaugeSettings;
use crate::moment::Span;
use crate::table::Table;
use crate::units::Vacuum;

/// The page from `[page]`.
pub(super) fn page(page: &Section) -> Option<PageSettings> {
    let spot = page.spot_of_key("listen");
    let listen = page.text("listen").check(|text| match text.parse::<SocketAddr>() {
        Ok(address) if address.port() > 0 => Ok(address),
        Ok(_) => Err(complaint("port 0", "1 to 65535", "write a port, such as 8650")),
        Err(_) => {
            let limit = "an address and a port, such as 127.0.0.1:8650 or [::1]:8650";
            Err(complaint(format!("{text:?} is no address"), limit, "write numbers, not a name"))
        }
    });
    let listen = listen.or(SocketAddr::from(([127, 0, 0, 1], 8650)));
    if let Some(address) = listen.filter(|address| !address.ip().is_loopback()) {
        let wrong =
            format!("everybody on the network can open the page at {address}, and what they send is not enciphered");
        let remedy = "keep it to a network that you trust, or listen on 127.0.0.1";
        page.notes.warn(&spot, complaint(wrong, "127.0.0.1 or [::1]", remedy));
    }
    let hosts = page.texts("hosts", 16).check(|hosts| match hosts.iter().find(|host| !is_host(host)) {
        None => Ok(hosts),
        Some(host) => {
            let limit = "letters, digits, hyphens and dots, without a port";
            Err(complaint(format!("{host:?} is no host name"), limit, "write the name alone"))
        }
    });
    let hosts = hosts.or(Vec::new());
    let changes = page.choice("changes", &[("paired", false), ("anyone", true)]).or(false);
    Some(PageSettings { listen: listen?, hosts: hosts?, changes_by_anyone: changes? })
}

fn is_host(name: &str) -> bool {
    name.len() <= 253
        && name.split('.').all(|label| {
            let plain = label.chars().all(|c| c.is_ascii_alphanumeric() || c == '-');
            (1..=63).contains(&label.len()) && plain && !label.starts_with('-') && !label.ends_with('-')
        })
}

/// The deepest level that a scale shows, from `[page]`: the pump's, rounded up to 100 mbar, unless told otherwise.
pub(super) fn full_scale(page: &Section, table: Option<&Table>) -> Option<Vacuum> {
    let written = page.number("full_scale", LEVEL, (50.0, 1100.0)).optional();
    if let Some(mbar) = written? {
        return Some(Vacuum::from_pascals(mbar * 100.0));
    }
    let table = table?;
    let (deepest, _) = table.pump.curve.first()?;
    let hundreds = (deepest.vacuum_below(table.air.room).pascals() / 1e4).ceil();
    Some(Vacuum::from_pascals(hundreds.max(1.0) * 1e4))
}

/// The store from `[journal]`: a file of SQLite or the address of a PostgreSQL database.
pub(super) fn store(journal: &Section) -> Option<StoreSettings> {
    let path = journal.text("path").optional();
    let spot = journal.spot_of_key("url");
    let url = journal.text("url").check(|url| {
        if url.starts_with("postgres://") || url.starts_with("postgresql://") {
            return Ok(url);
        }
        let remedy = "write postgres://USER@HOST/DATABASE, or path for a file of SQLite";
        Err(complaint("the address is not that of a PostgreSQL database", "postgres://…", remedy))
    });
    match (path?, url.optional()?) {
        (Some(path), None) => Some(StoreSettings::Sqlite { path: PathBuf::from(path) }),
        (None, Some(url)) => {
            if has_password(&url) {
                let remedy = "keep it in a password file, or let only this program read the setup";
                let wrong = "whoever can read this file can read the password";
                journal.notes.warn(&spot, complaint(wrong, "no password in the address", remedy));
            }
            Some(StoreSettings::Postgres { url })
        }
        (None, None) => Some(StoreSettings::Sqlite { path: PathBuf::from("/var/lib/holdwatch/journal.sqlite") }),
        (Some(_), Some(_)) => {
            journal.refuse(complaint("path and url are both given", "one of them", "delete one"));
            None
        }
    }
}

fn has_password(url: &str) -> bool {
    let authority = url.split_once("://").map_or(url, |(_, rest)| rest);
    authority.split_once('@').is_some_and(|(user, _)| user.contains(':')) || url.contains("password=")
}

/// The folder of the cards from `[jobs]`.
pub(super) fn cards_dir(jobs: &Section) -> Option<Option<PathBuf>> {
    jobs.text("cards").map(PathBuf::from).optional()
}

/// The tuning from `[watch]`; `gauges` is none if they are mistaken.
pub(super) fn watch(watch: &Section, gauges: Option<&[GaugeSettings]>) -> Option<WatchTuning> {
    let slowest = gauges.unwrap_or_default().iter().map(|gauge| gauge.every.secs_f64()).fold(0.0, f64::max);
    let usual = (3.0 * slowest).max(2.0);
    let stale_after = watch.number("stale_after_s", PLAIN, (0.2, 600.0)).check(|seconds| {
        if seconds >= 3.0 * slowest {
            return Ok(seconds);
        }
        let wrong = format!("{seconds} s would call good readings stale");
        let limit = format!("at least {:.1} s, three times the slowest gauge's every_ms", 3.0 * slowest);
        Err(complaint(wrong, limit, "raise it, or ask the gauge more often"))
    });
    let stale_after = stale_after.or(usual);
    let shadow_sheets = watch.whole("shadow_sheets", 0, 1000).or(10);
    let hours = watch.number("false_alarm_hours", PLAIN, (1.0, 100_000.0)).or(100.0);
    let ground = "our choice, no source: peak forces and prudent friction are in the margin already";
    let required_margin = watch.number("required_margin", PLAIN, (1.0, 10.0)).or_assumed(1.5, "1.5", ground);
    Some(WatchTuning {
        stale_after: Span::from_secs_f64(stale_after?),
        shadow_sheets: shadow_sheets?,
        false_alarm_every: Span::from_secs_f64(hours? * 3600.0),
        required_margin: required_margin?,
    })
}
