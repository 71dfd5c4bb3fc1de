//! Holds the house together: which room may use which, and what may be done only in one place.
//!
//! Read from the sources with a parser, tests left out. The table is the one in DEVELOPERS.md.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use syn::visit::{self, Visit};

/// Each room, and the rooms of ours that it may use.
const ROOMS: &[(&str, &[&str])] = &[
    ("moment", &[]),
    ("stats", &[]),
    ("units", &[]),
    ("line", &["moment"]),
    ("modbus", &["moment", "line"]),
    ("alarm", &["moment"]),
    ("gauge", &["moment", "units", "stats", "line", "modbus", "lamp"]),
    ("job", &["moment", "units", "table"]),
    ("table", &["units"]),
    ("board", &["moment", "units", "stats", "table"]),
    ("expectation", &["units", "table", "job", "gauge"]),
    ("lamp", &["moment", "alarm", "line", "modbus"]),
    ("watch", &["moment", "units", "stats", "gauge", "table", "job", "expectation", "board"]),
    (
        "setup",
        &[
            "moment",
            "units",
            "stats",
            "line",
            "modbus",
            "gauge",
            "alarm",
            "table",
            "job",
            "expectation",
            "board",
            "lamp",
            "watch",
        ],
    ),
    (
        "view",
        &[
            "moment",
            "units",
            "stats",
            "line",
            "modbus",
            "gauge",
            "alarm",
            "table",
            "job",
            "expectation",
            "board",
            "lamp",
            "watch",
        ],
    ),
    (
        "event",
        &[
            "moment",
            "units",
            "stats",
            "line",
            "modbus",
            "gauge",
            "alarm",
            "table",
            "job",
            "expectation",
            "board",
            "lamp",
            "watch",
            "setup",
            "view",
        ],
    ),
    (
        "minder",
        &[
            "moment",
            "units",
            "stats",
            "line",
            "modbus",
            "gauge",
            "alarm",
            "table",
            "job",
            "expectation",
            "board",
            "lamp",
            "watch",
            "setup",
            "view",
            "event",
        ],
    ),
    ("journal", &["moment", "units", "stats", "line", "modbus", "event", "view", "gauge"]),
    ("page", &["event", "view"]),
    ("plant", &["moment", "units", "line", "modbus", "gauge", "lamp", "table", "job"]),
    (
        "daemon",
        &[
            "moment",
            "units",
            "stats",
            "line",
            "modbus",
            "gauge",
            "alarm",
            "table",
            "job",
            "expectation",
            "board",
            "lamp",
            "watch",
            "setup",
            "view",
            "event",
            "minder",
            "journal",
            "page",
        ],
    ),
    (
        "cli",
        &[
            "moment",
            "units",
            "stats",
            "line",
            "modbus",
            "gauge",
            "alarm",
            "table",
            "job",
            "expectation",
            "board",
            "lamp",
            "watch",
            "setup",
            "view",
            "event",
            "minder",
            "journal",
            "page",
            "plant",
            "daemon",
        ],
    ),
];

/// Something that only some rooms may do, recognised by the paths that do it.
struct Deed {
    what: &'static str,
    paths: &'static [&'static [&'static str]],
    rooms: &'static [&'static str],
}

const DEEDS: &[Deed] = &[
    Deed { what: "speaks SQL", paths: &[&["sqlx"]], rooms: &["journal"] },
    Deed { what: "speaks HTTP", paths: &[&["axum"], &["tower_http"], &["hyper"], &["http"]], rooms: &["page"] },
    Deed {
        what: "reads a clock",
        paths: &[
            &["Instant", "now"],
            &["SystemTime", "now"],
            &["Timestamp", "now"],
            &["Zoned", "now"],
            &["clock_gettime"],
        ],
        rooms: &["daemon"],
    },
    Deed {
        what: "starts a task, thread or process",
        paths: &[&["tokio", "spawn"], &["thread", "spawn"], &["Command", "new"], &["TaskTracker"], &["JoinSet"]],
        rooms: &["daemon", "cli"],
    },
    // A call that may hang in the kernel, awaited where it is made: argued for in `src/journal/file.rs`.
    Deed {
        what: "waits for a device in a thread of its own",
        paths: &[&["spawn_blocking"]],
        rooms: &["journal", "daemon", "cli"],
    },
    // Threads that end with the call and change nothing in its answer: argued for in `src/table/field/threads.rs`.
    Deed { what: "shares work between threads", paths: &[&["thread", "scope"], &["spawn_scoped"]], rooms: &["table"] },
    Deed { what: "opens a serial port", paths: &[&["serialport"], &["tokio_serial"]], rooms: &["daemon"] },
];

/// Macros that print.
const PRINTING: &[&str] = &["print", "println", "eprint", "eprintln", "dbg"];

/// Rooms that may wait.
const ASYNC_ROOMS: &[&str] = &["journal", "page", "daemon"];

struct Walker<'a> {
    room: &'a str,
    file: &'a Path,
    depth: usize,
    complaints: Vec<String>,
}

impl Walker<'_> {
    fn complain(&mut self, span: proc_macro2::Span, text: String) {
        self.complaints.push(format!("{}:{}: {text}", self.file.display(), span.start().line));
    }

    fn see_path(&mut self, segments: &[String], span: proc_macro2::Span) {
        self.see_room(segments, span);
        for deed in DEEDS {
            let done = deed.paths.iter().any(|path| segments.windows(path.len()).any(|window| window == *path));
            if done && !deed.rooms.contains(&self.room) {
                self.complain(span, format!("room {} {}, which only {:?} may", self.room, deed.what, deed.rooms));
            }
        }
    }

    fn see_room(&mut self, segments: &[String], span: proc_macro2::Span) {
        let climbs = segments.iter().take_while(|segment| *segment == "super").count();
        let used = match segments.first().map(String::as_str) {
            Some("crate" | "holdwatch") => segments.get(1),
            _ if climbs >= self.depth && climbs > 0 => segments.get(climbs),
            _ => None,
        };
        let Some(used) = used else { return };
        let allowed = ROOMS.iter().find(|(name, _)| *name == self.room).map_or(&[][..], |(_, allowed)| allowed);
        if used != self.room && !allowed.contains(&used.as_str()) {
            self.complain(span, format!("room {} may not use room {used}", self.room));
        }
    }

    fn see_use(&mut self, tree: &syn::UseTree, prefix: &mut Vec<String>, span: proc_macro2::Span) {
        match tree {
            syn::UseTree::Path(path) => {
                prefix.push(path.ident.to_string());
                self.see_use(&path.tree, prefix, span);
                prefix.pop();
            }
            syn::UseTree::Group(group) => {
                for item in &group.items {
                    self.see_use(item, prefix, span);
                }
            }
            syn::UseTree::Name(name) => self.see_leaf(name.ident.to_string(), prefix, span),
            syn::UseTree::Rename(rename) => self.see_leaf(rename.ident.to_string(), prefix, span),
            syn::UseTree::Glob(_) => self.see_path(&prefix.clone(), span),
        }
    }

    fn see_leaf(&mut self, leaf: String, prefix: &[String], span: proc_macro2::Span) {
        let mut segments = prefix.to_vec();
        segments.push(leaf);
        self.see_path(&segments, span);
    }

    fn see_waiting(&mut self, span: proc_macro2::Span) {
        if !ASYNC_ROOMS.contains(&self.room) {
            self.complain(span, format!("room {} waits, which only {ASYNC_ROOMS:?} may", self.room));
        }
    }
}

fn is_test(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        attribute.path().is_ident("cfg") && attribute.parse_args::<syn::Ident>().is_ok_and(|ident| ident == "test")
    })
}

impl<'ast> Visit<'ast> for Walker<'_> {
    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        if is_test(&item.attrs) {
            return;
        }
        self.depth += 1;
        visit::visit_item_mod(self, item);
        self.depth -= 1;
    }

    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        if !is_test(&item.attrs) {
            visit::visit_item_fn(self, item);
        }
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        self.see_use(&item.tree, &mut Vec::new(), item.use_token.span);
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let segments: Vec<String> = path.segments.iter().map(|segment| segment.ident.to_string()).collect();
        if let Some(first) = path.segments.first() {
            self.see_path(&segments, first.ident.span());
        }
        visit::visit_path(self, path);
    }

    fn visit_macro(&mut self, called: &'ast syn::Macro) {
        let name = called.path.segments.last().map(|segment| segment.ident.to_string()).unwrap_or_default();
        if PRINTING.contains(&name.as_str()) && self.room != "cli" {
            self.complain(called.bang_token.span, format!("room {} prints, which only cli may", self.room));
        }
        visit::visit_macro(self, called);
    }

    fn visit_signature(&mut self, signature: &'ast syn::Signature) {
        if let Some(token) = signature.asyncness {
            self.see_waiting(token.span);
        }
        visit::visit_signature(self, signature);
    }

    fn visit_expr_async(&mut self, block: &'ast syn::ExprAsync) {
        self.see_waiting(block.async_token.span);
        visit::visit_expr_async(self, block);
    }

    fn visit_expr_await(&mut self, expression: &'ast syn::ExprAwait) {
        self.see_waiting(expression.await_token.span);
        visit::visit_expr_await(self, expression);
    }
}

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The room a file is in and how many modules deep it lies.
fn place(source: &Path, root: &Path) -> Option<(String, usize)> {
    let inside = source.strip_prefix(root).unwrap().with_extension("");
    let mut parts: Vec<String> = inside.iter().map(|part| part.to_string_lossy().into_owned()).collect();
    if parts.last().is_some_and(|last| last == "mod") {
        parts.pop();
    }
    let room = parts.first()?.clone();
    (room != "lib" && room != "main").then_some((room, parts.len()))
}

fn complaints(room: &str, depth: usize, file: &Path, text: &str) -> Vec<String> {
    let parsed = syn::parse_file(text).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
    let mut walker = Walker { room, file, depth, complaints: Vec::new() };
    walker.visit_file(&parsed);
    walker.complaints
}

#[test]
fn every_room_keeps_to_its_table() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    let mut seen = BTreeSet::new();
    for source in sources(&root) {
        let Some((room, depth)) = place(&source, &root) else { continue };
        assert!(ROOMS.iter().any(|(name, _)| *name == room), "room {room} is not in the table");
        found.extend(complaints(&room, depth, &source, &fs::read_to_string(&source).unwrap()));
        seen.insert(room);
    }
    assert!(found.is_empty(), "\n{}", found.join("\n"));
    assert_eq!(seen.len(), ROOMS.len(), "the table names a room that is not there");
}

#[test]
fn no_two_rooms_use_each_other_in_a_ring() {
    let uses: BTreeMap<&str, &[&str]> = ROOMS.iter().copied().collect();
    let mut done = BTreeSet::new();
    let mut pending: Vec<&str> = uses.keys().copied().collect();
    while !pending.is_empty() {
        let ready: Vec<&str> =
            pending.iter().copied().filter(|room| uses[room].iter().all(|used| done.contains(used))).collect();
        assert!(!ready.is_empty(), "a ring among {pending:?}");
        done.extend(ready.iter().copied());
        pending.retain(|room| !done.contains(room));
    }
}

#[test]
fn the_walker_catches_what_it_is_there_for() {
    let file = Path::new("sample.rs");
    for (room, text) in [
        ("units", "use crate::table::Air;"),
        ("units", "fn f() { crate::minder::go() }"),
        ("units", "use super::table::Air;"),
        ("plant", "use crate::{moment::Span, watch::Verdict};"),
        ("minder", "async fn f() {}"),
        ("minder", "fn f() { let t = std::time::Instant::now(); }"),
        ("minder", "fn f() { println!(\"x\") }"),
        ("page", "fn f() { tokio::spawn(g()); }"),
        ("page", "use sqlx::Row;"),
        ("page", "async fn f() { tokio::task::spawn_blocking(g).await }"),
        ("journal", "fn f() { tokio::spawn(g()); }"),
        ("minder", "fn f() { std::thread::scope(|s| ()) }"),
        ("table", "fn f() { std::thread::spawn(|| ()); }"),
        ("daemon", "use axum::Router;"),
        ("gauge", "use serialport::SerialPort;"),
    ] {
        assert_eq!(complaints(room, 1, file, text).len(), 1, "{room}: {text}");
    }
    for (room, text) in [
        ("table", "use crate::units::Length;"),
        ("table", "mod inner { use super::Table; }"),
        ("journal", "async fn f() { sqlx::query(\"\").await }"),
        ("units", "#[cfg(test)] mod tests { use crate::table::Air; }"),
    ] {
        assert_eq!(complaints(room, 1, file, text), Vec::<String>::new(), "{room}: {text}");
    }
}
