//! The program carried out line by line.

use std::collections::{BTreeMap, VecDeque};
use std::io::{BufRead, Seek};

use super::block::{self, Block};
use super::expression::Cursor;
use super::flow::{self, Kind, Label, Open, Says};
use super::parameters::{Key, Parameters};
use super::refusal::{Flaw, Refusal, flaw, flaw_of_line};
use super::settings::Reading;
use super::state::{Orders, State, Then};
use super::step::{Deed, Note, Spot, Step};
use super::text::{Lines, Place};

/// The most labels that a program may have.
const MOST_LABELS: usize = 100_000;

/// The steps of a program, in the order in which they happen.
#[derive(Debug)]
pub struct Steps<R> {
    lines: Lines<R>,
    reading: Reading,
    parameters: Parameters,
    state: State,
    block: Block,
    orders: Orders,
    open: Vec<Open>,
    labels: Option<BTreeMap<Label, Target>>,
    /// The farthest line reached, and how many have been read again.
    farthest: u64,
    repeated: u64,
    begun_by_percent: bool,
    any_words: bool,
    done: bool,
    pending: VecDeque<Deed>,
    /// Where the line last read begins.
    begun_at: Place,
    line: u64,
    number: Option<u32>,
}

/// Where a label stands.
#[derive(Clone, Copy, Debug)]
struct Target {
    /// The line behind it.
    after: Place,
    says: Says,
    twice: bool,
}

/// Whether the reading can go on behind a flaw.
enum Stop {
    Here(Flaw),
    GoOn(Flaw),
}

impl From<Flaw> for Stop {
    fn from(flaw: Flaw) -> Self {
        Stop::GoOn(flaw)
    }
}

impl<R: BufRead + Seek> Iterator for Steps<R> {
    type Item = Result<Step, Refusal>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(deed) = self.pending.pop_front() {
                return Some(Ok(Step { line: self.line, number: self.number, deed }));
            }
            if self.done {
                return None;
            }
            match self.advance() {
                Ok(()) => {}
                Err(Stop::GoOn(flaw)) => {
                    return Some(Err(flaw.in_line(self.line)));
                }
                Err(Stop::Here(flaw)) => {
                    self.done = true;
                    return Some(Err(flaw.in_line(self.line)));
                }
            }
        }
    }
}

impl<R: BufRead + Seek> Steps<R> {
    pub(super) fn new(source: R, reading: &Reading, start: Spot) -> Self {
        Steps {
            lines: Lines::new(source),
            reading: reading.clone(),
            parameters: Parameters::default(),
            state: State::at(start),
            block: Block::default(),
            orders: Orders::default(),
            open: Vec::new(),
            labels: None,
            farthest: 0,
            repeated: 0,
            begun_by_percent: false,
            any_words: false,
            done: false,
            pending: VecDeque::new(),
            begun_at: Place::START,
            line: 0,
            number: None,
        }
    }

    /// How many bytes of the source have been read, loops and subprograms apart.
    pub fn bytes_read(&self) -> u64 {
        self.lines.here().offset
    }

    /// Reads a line into `self.lines`, within the limit of lines read again; false at the end.
    fn read_line(&mut self) -> Result<bool, Stop> {
        self.begun_at = self.lines.here();
        let read = self.lines.read();
        let line = self.lines.here().lines;
        self.line = line;
        if line > self.farthest {
            self.farthest = line;
        } else {
            self.repeated += 1;
            if self.repeated > self.reading.limits.repeated_lines {
                let what =
                    format!("loops and subprograms have read {} lines again", self.reading.limits.repeated_lines);
                return Err(Stop::Here(flaw_of_line(what, "look for a loop that does not end")));
            }
        }
        // A source that fails would fail for ever.
        read.map_err(|flaw| if self.lines.here() == self.begun_at { Stop::Here(flaw) } else { Stop::GoOn(flaw) })
    }

    fn advance(&mut self) -> Result<(), Stop> {
        if !self.read_line()? {
            return self.at_the_end_of_the_file();
        }
        self.number = None;
        let kind = self.block.read(self.lines.line(), self.reading.block_delete, &mut self.parameters)?;
        self.number = self.block.number;
        if self.block.deleted {
            let note = if self.reading.block_delete { Note::BlockDeleted } else { Note::BlockDeleteOff };
            self.pending.push_back(Deed::Note(note));
        }
        match kind {
            block::Kind::Percent => self.at_percent(),
            block::Kind::Flow(at) => self.at_label(at),
            block::Kind::Words => self.at_words(),
        }
    }

    fn at_words(&mut self) -> Result<(), Stop> {
        self.any_words |= !self.block.is_empty();
        let then = self.state.carry_out(&mut self.block, &mut self.orders, &self.reading, &mut self.pending);
        if then.is_err() {
            // A line counts whole or not at all.
            self.pending.clear();
            self.state.assume(&self.block, &self.reading);
        }
        if self.line < self.farthest {
            // A line that drills many holes counts as many.
            self.repeated += self.pending.len() as u64 / 16;
        }
        match then? {
            Then::Next => Ok(()),
            Then::End => self.finish(),
            Then::Call { label, times } => self.call_program(label, times),
            Then::Return => self.return_from_program(),
        }
    }

    fn at_percent(&mut self) -> Result<(), Stop> {
        if self.any_words || self.begun_by_percent {
            return self.finish();
        }
        self.begun_by_percent = true;
        Ok(())
    }

    fn at_the_end_of_the_file(&mut self) -> Result<(), Stop> {
        self.refuse_unclosed()?;
        self.pending.push_back(Deed::Note(Note::EndMissing));
        self.pending.push_back(Deed::End);
        self.done = true;
        Ok(())
    }

    fn refuse_unclosed(&mut self) -> Result<(), Stop> {
        let Some(open) = self.open.last() else { return Ok(()) };
        let what = format!("{} is not closed where the program ends", open.label);
        Err(Stop::Here(flaw_of_line(what, format!("write {} {:?} at its end", open.label, open.kind.end()))))
    }

    /// The end as the program tells it; a subprogram may tell it too.
    fn finish(&mut self) -> Result<(), Stop> {
        self.done = true;
        let line = self.line;
        let mut after = false;
        let mut labelled = false;
        // What follows may be subprograms, which have had their turn, and the closing %.
        while !after && !labelled && self.lines.read().unwrap_or(false) {
            let mut rest = Cursor::new(self.lines.line());
            labelled = flow::glance(self.lines.line()).is_some();
            after = !labelled && !matches!(block::skip_comments(&mut rest), Ok(false)) && rest.peek() != Some(b'%');
        }
        self.line = line;
        if after {
            self.pending.push_back(Deed::Note(Note::TextAfterEnd));
        }
        self.pending.push_back(Deed::End);
        Ok(())
    }

    fn at_label(&mut self, at: usize) -> Result<(), Stop> {
        let line = self.lines.line().to_vec();
        let mut cursor = Cursor::new(&line);
        cursor.at = at;
        let (label, says) = flow::read(&mut cursor)?;
        match says {
            Says::Here => self.pass_label(label),
            Says::Sub => {
                flow::nothing_more(&mut cursor)?;
                self.skip_to(&label, &[Says::EndSub]).map(|_| ())
            }
            Says::Call => self.call(label, &mut cursor),
            Says::Return | Says::EndSub => self.leave_sub(&label, says, &mut cursor),
            Says::If => self.begin_if(label, &mut cursor),
            Says::Repeat => self.begin_repeat(label, &mut cursor),
            Says::While => self.at_while(label, &mut cursor),
            Says::Do => {
                flow::nothing_more(&mut cursor)?;
                let at = self.lines.here();
                self.enter(label, Kind::Do { at })
            }
            Says::Break | Says::Continue => {
                flow::nothing_more(&mut cursor)?;
                self.leave_loop(&label, says)
            }
            // The branch before it was taken; its condition does not matter any more.
            Says::ElseIf => self.close(&label, says),
            Says::Else | Says::EndIf | Says::EndWhile | Says::EndRepeat => {
                flow::nothing_more(&mut cursor)?;
                self.close(&label, says)
            }
        }
    }

    fn enter(&mut self, label: Label, kind: Kind) -> Result<(), Stop> {
        let most = self.reading.limits.depth;
        if self.open.len() >= most {
            let what = format!("subprograms and loops stand more than {most} deep in each other");
            return Err(Stop::Here(flaw_of_line(what, "look for a subprogram that calls itself")));
        }
        self.open.push(Open { label, kind });
        Ok(())
    }

    fn go(&mut self, to: Place) -> Result<(), Stop> {
        self.lines.go(to).map_err(Stop::Here)
    }

    /// A bare label: the program's name, or where its subprograms begin.
    fn pass_label(&mut self, label: Label) -> Result<(), Stop> {
        if self.open.is_empty() && self.state.has_moved() {
            let what = format!("the program runs on into {label}");
            return Err(Stop::Here(flaw_of_line(what, "end the program above with M2, M30 or M99")));
        }
        Ok(())
    }

    /// Goes on behind the next line of this label that says one of these.
    fn skip_to(&mut self, label: &Label, says: &[Says]) -> Result<(Says, usize), Stop> {
        let from = self.line;
        while self.read_line()? {
            if let Some((found, said, after)) = flow::glance(self.lines.line())
                && found == *label
                && says.contains(&said)
            {
                return Ok((said, after));
            }
        }
        self.line = from;
        let what = format!("{label} is not closed");
        Err(Stop::Here(flaw_of_line(what, format!("write a line {label} {:?} at its end", says[says.len() - 1]))))
    }

    fn begin_if(&mut self, label: Label, cursor: &mut Cursor<'_>) -> Result<(), Stop> {
        let mut holds = cursor.bracketed(&self.parameters)? != 0.0;
        flow::nothing_more(cursor)?;
        while !holds {
            let (says, after) = self.skip_to(&label, &[Says::ElseIf, Says::Else, Says::EndIf])?;
            if says == Says::EndIf {
                return Ok(());
            }
            holds = says == Says::Else || {
                let mut cursor = Cursor::new(self.lines.line());
                cursor.at = after;
                let holds = cursor.bracketed(&self.parameters)? != 0.0;
                flow::nothing_more(&mut cursor)?;
                holds
            };
        }
        self.enter(label, Kind::If)
    }

    fn begin_repeat(&mut self, label: Label, cursor: &mut Cursor<'_>) -> Result<(), Stop> {
        let times = cursor.bracketed(&self.parameters)?;
        flow::nothing_more(cursor)?;
        if times < 1.0 {
            return self.skip_to(&label, &[Says::EndRepeat]).map(|_| ());
        }
        let at = self.lines.here();
        self.enter(label, Kind::Repeat { at, left: times.round() as u64 - 1 })
    }

    /// Either opens a loop, or closes one that `DO` has opened.
    fn at_while(&mut self, label: Label, cursor: &mut Cursor<'_>) -> Result<(), Stop> {
        let holds = cursor.bracketed(&self.parameters)? != 0.0;
        flow::nothing_more(cursor)?;
        if let Some(Open { kind: Kind::Do { at }, .. }) = self.open.last().filter(|open| open.label == label) {
            let at = *at;
            if holds {
                return self.go(at);
            }
            self.open.pop();
            return Ok(());
        }
        if !holds {
            return self.skip_to(&label, &[Says::EndWhile]).map(|_| ());
        }
        let at = self.begun_at;
        self.enter(label, Kind::While { at })
    }

    /// The end of a block, or the end of the branch of an `IF` that was taken.
    fn close(&mut self, label: &Label, says: Says) -> Result<(), Stop> {
        let Some(open) = self.open.pop() else { return Err(unopened(label, says)) };
        match (open.kind, says) {
            (Kind::If, Says::EndIf) if open.label == *label => Ok(()),
            (Kind::If, Says::Else | Says::ElseIf) if open.label == *label => {
                self.skip_to(label, &[Says::EndIf]).map(|_| ())
            }
            (Kind::While { at }, Says::EndWhile) if open.label == *label => self.go(at),
            (Kind::Repeat { at, left }, Says::EndRepeat) if open.label == *label => {
                if left == 0 {
                    return Ok(());
                }
                self.open.push(Open { label: label.clone(), kind: Kind::Repeat { at, left: left - 1 } });
                self.go(at)
            }
            _ => Err(unopened(label, says)),
        }
    }

    fn leave_loop(&mut self, label: &Label, says: Says) -> Result<(), Stop> {
        while let Some(open) = self.open.pop_if(|open| matches!(open.kind, Kind::If) || open.kind.is_loop()) {
            if open.label != *label || !open.kind.is_loop() {
                continue;
            }
            let end = open.kind.end();
            let Kind::Repeat { at, left } = open.kind else {
                return self.leave_other_loop(open, label, says, end);
            };
            if says == Says::Continue && left > 0 {
                self.open.push(Open { label: open.label, kind: Kind::Repeat { at, left: left - 1 } });
                return self.go(at);
            }
            return self.skip_to(label, &[end]).map(|_| ());
        }
        Err(unopened(label, says))
    }

    fn leave_other_loop(&mut self, open: Open, label: &Label, says: Says, end: Says) -> Result<(), Stop> {
        if says == Says::Continue
            && let Kind::While { at } = open.kind
        {
            return self.go(at);
        }
        let (_, after) = self.skip_to(label, &[end])?;
        if says == Says::Break {
            return Ok(());
        }
        let line = self.lines.line().to_vec();
        let mut cursor = Cursor::new(&line);
        cursor.at = after;
        self.open.push(open);
        self.at_while(label.clone(), &mut cursor)
    }

    fn call(&mut self, label: Label, cursor: &mut Cursor<'_>) -> Result<(), Stop> {
        let arguments = flow::arguments(cursor, &self.parameters)?;
        flow::nothing_more(cursor)?;
        let target = self.find(&label, Says::Sub)?;
        let back = self.lines.here();
        self.enter(label, Kind::Call { back })?;
        self.parameters.enter(&arguments);
        self.go(target)
    }

    fn leave_sub(&mut self, label: &Label, says: Says, cursor: &mut Cursor<'_>) -> Result<(), Stop> {
        let values = flow::arguments(cursor, &self.parameters)?;
        flow::nothing_more(cursor)?;
        while let Some(open) = self.open.pop_if(|open| !matches!(open.kind, Kind::Program { .. })) {
            let Kind::Call { back } = open.kind else { continue };
            if open.label != *label {
                break;
            }
            self.parameters.leave();
            if let Some(value) = values.first() {
                self.parameters.set(Key::Name("_value".to_owned()), *value).map_err(|why| flaw_of_line(why, ""))?;
            }
            return self.go(back);
        }
        Err(unopened(label, says))
    }

    fn call_program(&mut self, number: u32, times: u32) -> Result<(), Stop> {
        if times == 0 {
            return Ok(());
        }
        let label = Label::Number(number);
        let at = self.find(&label, Says::Here)?;
        let back = self.lines.here();
        self.enter(label, Kind::Program { back, at, left: times - 1 })?;
        self.go(at)
    }

    fn return_from_program(&mut self) -> Result<(), Stop> {
        while let Some(open) = self.open.pop_if(|open| !matches!(open.kind, Kind::Call { .. })) {
            let Kind::Program { back, at, left } = open.kind else { continue };
            if left == 0 {
                return self.go(back);
            }
            self.open.push(Open { label: open.label, kind: Kind::Program { back, at, left: left - 1 } });
            return self.go(at);
        }
        let what = "M99 in the main program starts it over without an end";
        Err(Stop::Here(flaw_of_line(what, "write M30; start the program anew for each sheet")))
    }

    /// Where the lines of a subprogram begin.
    fn find(&mut self, label: &Label, says: Says) -> Result<Place, Stop> {
        if self.labels.is_none() {
            self.labels = Some(self.index()?);
        }
        let found = self.labels.as_ref().and_then(|labels| labels.get(label)).copied();
        match found.filter(|target| target.says == says) {
            Some(target) if !target.twice => Ok(target.after),
            Some(_) => {
                let what = format!("{label} is called, but stands twice in the program");
                Err(Stop::Here(flaw_of_line(what, "give each subprogram a number of its own")))
            }
            None => {
                let what = format!("subprogram {label} is called, but is not in the file");
                Err(Stop::Here(flaw_of_line(what, "put it in the same file; write a count as L")))
            }
        }
    }

    /// Every subprogram's label, from one look through the whole file.
    fn index(&mut self) -> Result<BTreeMap<Label, Target>, Stop> {
        let here = self.lines.here();
        let mut labels = BTreeMap::new();
        self.go(Place::START)?;
        loop {
            let before = self.lines.here();
            match self.lines.read() {
                Ok(true) => {}
                Ok(false) => break,
                Err(flaw) if self.lines.here() == before => return Err(Stop::Here(flaw)),
                // A line too long is refused where it is carried out.
                Err(_) => continue,
            }
            let Some((label, says, _)) = flow::glance(self.lines.line()) else { continue };
            if !matches!(says, Says::Here | Says::Sub) {
                continue;
            }
            let target = Target { after: self.lines.here(), says, twice: false };
            labels.entry(label).and_modify(|target: &mut Target| target.twice = true).or_insert(target);
            if labels.len() > MOST_LABELS {
                let what = format!("the program has more than {MOST_LABELS} labels");
                return Err(Stop::Here(flaw_of_line(what, "split it")));
            }
        }
        self.go(here)?;
        Ok(labels)
    }
}

fn unopened(label: &Label, says: Says) -> Stop {
    let what = format!("{label} {says:?} closes nothing that is open here");
    Stop::Here(flaw(0..1, what, "check the labels of the block"))
}
