//! A setup or a card as written: names, values and the lines that they stand on, from TOML or from JSON.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::mistakes::Mistake;

/// A value and the line it stands on.
#[derive(Debug)]
pub(super) struct Node {
    pub(super) line: Option<usize>,
    pub(super) value: Written,
}

/// What may stand behind a key.
#[derive(Debug)]
pub(super) enum Written {
    Text(String),
    Number(f64),
    Flag(bool),
    List(Vec<Node>),
    Section(Vec<(String, Node)>),
    /// What no key here takes, by its name.
    Stranger(&'static str),
}

impl Written {
    /// The value as a message shows it; texts are cut short and never break the line.
    pub(super) fn shown(&self) -> String {
        match self {
            Written::Text(text) => quoted(text),
            Written::Number(number) => number.to_string(),
            Written::Flag(flag) => flag.to_string(),
            Written::List(_) => "a list".to_owned(),
            Written::Section(_) => "a section".to_owned(),
            Written::Stranger(name) => format!("a {name}"),
        }
    }
}

/// A text in quotation marks, at most sixty characters of it.
pub(super) fn quoted(text: &str) -> String {
    let mut shown: String = text.chars().take(60).collect();
    if shown.len() < text.len() {
        shown.push('…');
    }
    format!("{shown:?}")
}

/// The tree of a TOML text; with whatever of it can be read beside the mistakes of its grammar.
///
/// Both line ends are taken, and a byte order mark at the start is passed over.
pub(super) fn from_toml(text: &str, file: &str) -> (Node, Vec<Mistake>) {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let lines = Lines::of(text);
    let (root, errors) = DeTable::parse_recoverable(text);
    let mut mistakes: Vec<Mistake> = errors
        .into_iter()
        .map(|error| Mistake {
            file: file.to_owned(),
            line: error.span().map(|span| lines.at(span.start)),
            key: String::new(),
            wrong: format!("cannot be read as TOML: {}", error.message()),
            limit: "the grammar of TOML 1.1".to_owned(),
            remedy: "mend this line".to_owned(),
        })
        .collect();
    mistakes.dedup_by_key(|mistake| mistake.line);
    let entries = entries(root.get_ref(), &lines);
    (Node { line: Some(1), value: Written::Section(entries) }, mistakes)
}

/// The tree of a JSON value, which has no lines.
pub(super) fn from_json(value: &serde_json::Value) -> Node {
    let value = match value {
        serde_json::Value::Null => Written::Stranger("null"),
        serde_json::Value::Bool(flag) => Written::Flag(*flag),
        serde_json::Value::Number(number) => Written::Number(number.as_f64().unwrap_or(f64::NAN)),
        serde_json::Value::String(text) => Written::Text(text.clone()),
        serde_json::Value::Array(items) => Written::List(items.iter().map(from_json).collect()),
        serde_json::Value::Object(entries) => {
            Written::Section(entries.iter().map(|(key, value)| (key.clone(), from_json(value))).collect())
        }
    };
    Node { line: None, value }
}

fn entries(table: &DeTable<'_>, lines: &Lines) -> Vec<(String, Node)> {
    table
        .iter()
        .map(|(key, value)| {
            let line = lines.at(key.span().start);
            (key.get_ref().to_string(), node(value, Some(line), lines))
        })
        .collect()
}

/// A value; `line` is that of its key, if it has one.
fn node(value: &Spanned<DeValue<'_>>, line: Option<usize>, lines: &Lines) -> Node {
    let written = match value.get_ref() {
        DeValue::String(text) => Written::Text(text.to_string()),
        DeValue::Integer(integer) => Written::Number(
            i64::from_str_radix(integer.as_str(), integer.radix()).map_or(f64::NAN, |whole| whole as f64),
        ),
        DeValue::Float(float) => Written::Number(float.as_str().parse().unwrap_or(f64::NAN)),
        DeValue::Boolean(flag) => Written::Flag(*flag),
        DeValue::Datetime(_) => Written::Stranger("date"),
        DeValue::Array(items) => Written::List(items.iter().map(|item| node(item, None, lines)).collect()),
        DeValue::Table(table) => Written::Section(entries(table, lines)),
    };
    Node { line: Some(line.unwrap_or_else(|| lines.at(value.span().start))), value: written }
}

/// Where the lines of a text begin.
struct Lines(Vec<usize>);

impl Lines {
    fn of(text: &str) -> Self {
        Lines(text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n').map(|(at, _)| at + 1).collect())
    }

    /// The line of a byte's place, counted from 1.
    fn at(&self, place: usize) -> usize {
        self.0.partition_point(|start| *start <= place) + 1
    }
}
