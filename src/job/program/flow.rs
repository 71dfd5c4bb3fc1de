//! Subprograms and loops: lines that begin with `O` or `:`, and what they open.
//!
//! Two ways are in use (common practice, no source). A bare `O1000` or `:1000` is a label that `M98 P1000 L3` calls and `M99` returns
//! from. `O100 SUB` … `O100 ENDSUB`, `CALL`, `IF`, `ELSEIF`, `ELSE`, `ENDIF`, `WHILE`, `ENDWHILE`, `DO`, `REPEAT`, `ENDREPEAT`, `BREAK`,
//! `CONTINUE` and `RETURN` are blocks.

use super::expression::{Cursor, whole};
use super::parameters::Parameters;
use super::refusal::{Flaw, flaw};
use super::text::Place;

/// The greatest number of a label.
const HIGHEST_LABEL: i64 = 999_999_999;

/// The name of a subprogram or loop.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Label {
    Number(u32),
    Name(String),
}

impl std::fmt::Display for Label {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Label::Number(number) => write!(f, "O{number}"),
            Label::Name(name) => write!(f, "O<{name}>"),
        }
    }
}

/// What a line with a label says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Says {
    /// Nothing: it is the label of a program.
    Here,
    Sub,
    EndSub,
    Return,
    Call,
    If,
    ElseIf,
    Else,
    EndIf,
    While,
    EndWhile,
    Do,
    Repeat,
    EndRepeat,
    Break,
    Continue,
}

/// The longer of two words that begin alike stands first.
const SAYINGS: [(&str, Says); 15] = [
    ("SUB", Says::Sub),
    ("ENDSUB", Says::EndSub),
    ("RETURN", Says::Return),
    ("CALL", Says::Call),
    ("IF", Says::If),
    ("ELSEIF", Says::ElseIf),
    ("ELSE", Says::Else),
    ("ENDIF", Says::EndIf),
    ("WHILE", Says::While),
    ("ENDWHILE", Says::EndWhile),
    ("DO", Says::Do),
    ("REPEAT", Says::Repeat),
    ("ENDREPEAT", Says::EndRepeat),
    ("BREAK", Says::Break),
    ("CONTINUE", Says::Continue),
];

/// A block that has been entered.
#[derive(Clone, Debug)]
pub(super) struct Open {
    pub(super) label: Label,
    pub(super) kind: Kind,
}

/// What kind of block, and where to go on.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Kind {
    If,
    While { at: Place },
    Do { at: Place },
    Repeat { at: Place, left: u64 },
    Call { back: Place },
    Program { back: Place, at: Place, left: u32 },
}

impl Kind {
    pub(super) fn is_loop(&self) -> bool {
        match self {
            Kind::While { .. } | Kind::Do { .. } | Kind::Repeat { .. } => true,
            Kind::If | Kind::Call { .. } | Kind::Program { .. } => false,
        }
    }

    /// What closes it.
    pub(super) fn end(&self) -> Says {
        match self {
            Kind::If => Says::EndIf,
            Kind::While { .. } => Says::EndWhile,
            Kind::Do { .. } => Says::While,
            Kind::Repeat { .. } => Says::EndRepeat,
            Kind::Call { .. } => Says::EndSub,
            Kind::Program { .. } => Says::Return,
        }
    }
}

/// The label and the saying at a cursor on `O` or `:`; the cursor is left behind them.
pub(super) fn read(cursor: &mut Cursor<'_>) -> Result<(Label, Says), Flaw> {
    cursor.peek();
    let from = cursor.at;
    let label = label(cursor)?;
    if !super::block::skip_comments(cursor)? {
        return Ok((label, Says::Here));
    }
    let said = SAYINGS.iter().find_map(|(word, says)| Some((*says, cursor.after(word)?)));
    let Some((says, after)) = said else {
        let what = format!("{label} is followed by something that is not known");
        return Err(flaw(
            from..cursor.at + 1,
            what,
            "a label stands alone, or before SUB, CALL, IF, WHILE, DO or REPEAT",
        ));
    };
    cursor.at = after;
    Ok((label, says))
}

fn label(cursor: &mut Cursor<'_>) -> Result<Label, Flaw> {
    let from = cursor.at;
    if !cursor.take(b':') {
        cursor.take(b'O');
    }
    if cursor.take(b'<') {
        return cursor.name(from).map(Label::Name);
    }
    if !cursor.peek().is_some_and(|byte| byte.is_ascii_digit()) {
        let what = "a label that is computed, or missing";
        return Err(flaw(from..cursor.at + 1, what, "write O and a number or <name>"));
    }
    let value = cursor.number()?;
    let number = whole(value).filter(|number| (0..=HIGHEST_LABEL).contains(number));
    let number = number.and_then(|number| u32::try_from(number).ok());
    number.map(Label::Number).ok_or_else(|| {
        flaw(from..cursor.at, format!("O{value} is not a whole number up to {HIGHEST_LABEL}"), "correct it")
    })
}

/// The values in brackets that follow.
pub(super) fn arguments(cursor: &mut Cursor<'_>, parameters: &Parameters) -> Result<Vec<f64>, Flaw> {
    let mut arguments = Vec::new();
    while super::block::skip_comments(cursor)? && cursor.peek() == Some(b'[') {
        if arguments.len() >= 30 {
            return Err(flaw(cursor.spot(), "more than 30 values are handed on", "hand fewer on"));
        }
        arguments.push(cursor.bracketed(parameters)?);
    }
    Ok(arguments)
}

/// Refuses anything more on the line.
pub(super) fn nothing_more(cursor: &mut Cursor<'_>) -> Result<(), Flaw> {
    if super::block::skip_comments(cursor)? {
        return Err(flaw(cursor.spot(), "something stands behind it", "give it a line of its own"));
    }
    Ok(())
}

/// The label that a line begins with, what it says and where that ends; for lines that are passed over.
pub(super) fn glance(line: &[u8]) -> Option<(Label, Says, usize)> {
    let mut cursor = Cursor::new(line);
    if cursor.take(b'/') {
        cursor.at += usize::from(matches!(line.get(cursor.at), Some(b'1'..=b'9')));
    }
    super::block::skip_comments(&mut cursor).ok()?;
    if cursor.take(b'N') {
        cursor.number().ok()?;
        super::block::skip_comments(&mut cursor).ok()?;
    }
    if !matches!(cursor.peek(), Some(b'O' | b':')) {
        return None;
    }
    let (label, says) = read(&mut cursor).ok()?;
    Some((label, says, cursor.at))
}
