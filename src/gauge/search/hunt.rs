//! Who answers on a line: speeds, parities, units and languages, the common ones first.
//!
//! A try on a unit asks for one register; any answer with a sound check word, a refusal among them, finds the unit. It lasts
//! for the characters of question and answer and [`TURNAROUND`] for the device; an answer that comes later still counts while the
//! line keeps its form. Speeds and parities: MODBUS over Serial Line V1.02, 2.5.1 and 3.2 (from memory); their order is common
//! practice, no source.

use std::collections::VecDeque;

use super::text::{Ear, is_complaint};
use super::{Conversation, Form, Step};
use crate::gauge::RegisterTable;
use crate::line::{DataBits, Parity};
use crate::modbus::{Received, Refusal, Reply, ReplyReceiver, Request};
use crate::moment::{Span, Steady};

/// What a device and an adapter may take from the end of a question to the start of the answer.
const TURNAROUND: Span = Span::from_millis(70);
/// Characters of the shortest question and answer.
const CHARACTERS: f64 = 8.0 + 5.0;
/// How long to listen for a talker that sends by itself.
const LISTENING: Span = Span::from_millis(1_200);
/// The same where text was heard.
const LONG_LISTENING: Span = Span::from_millis(3_000);
/// How long a talker may take to answer a request.
const TALKER_TURNAROUND: Span = Span::from_millis(120);
/// The longest that a try goes on because bytes keep coming.
const LONGEST: Span = Span::from_millis(300);
/// Bytes of noise at one form that are worth a word.
const WORTH_A_WORD: usize = 3;

/// What is tried.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HuntPlan {
    /// Speeds, the likeliest first.
    pub speeds: Vec<u32>,
    /// Check bits.
    pub parities: Vec<Parity>,
    /// Units, the likeliest first; none to leave Modbus out.
    pub units: Vec<u8>,
    /// What a talker may want to be sent.
    pub requests: Vec<Vec<u8>>,
    /// Whether talkers are looked for.
    pub text: bool,
}

impl Default for HuntPlan {
    /// Eight speeds, three parities, units 1 to 20, and requests of the usual sort (common practice, no source).
    fn default() -> Self {
        let requests: [&[u8]; 7] = [b"\r", b"?\r", b"P\r", b"R\r", b"READ?\r\n", b"MEAS?\r\n", b"D\r\n"];
        HuntPlan {
            speeds: vec![9_600, 19_200, 38_400, 115_200, 57_600, 4_800, 2_400, 1_200],
            parities: vec![Parity::None, Parity::Even, Parity::Odd],
            units: (1..=20).collect(),
            requests: requests.map(<[u8]>::to_vec).to_vec(),
            text: true,
        }
    }
}

impl HuntPlan {
    fn forms(&self) -> Vec<Form> {
        let each = |baud: &u32| {
            let baud = *baud;
            self.parities.iter().map(move |parity| Form { baud, data_bits: DataBits::Eight, parity: *parity })
        };
        let mut forms: Vec<Form> = self.speeds.iter().flat_map(each).collect();
        // The default of the guide is tried second.
        if let Some(place) = forms.iter().position(|form| (form.baud, form.parity) == (19_200, Parity::Even)) {
            let usual = forms.remove(place);
            forms.insert(forms.len().min(1), usual);
        }
        forms
    }

    fn text_forms(&self) -> Vec<Form> {
        let plain = self.speeds.iter().map(|baud| (*baud, DataBits::Eight, Parity::None));
        let seven = self.speeds.iter().map(|baud| (*baud, DataBits::Seven, Parity::Even));
        plain.chain(seven).map(|(baud, data_bits, parity)| Form { baud, data_bits, parity }).collect()
    }

    fn tries(&self) -> VecDeque<Try> {
        let unit = |form, unit, table| Try { form, aim: Aim::Unit(unit, table) };
        let forms = self.forms();
        let first = self.units.first().copied();
        let mut tries: VecDeque<Try> = first
            .into_iter()
            .flat_map(|id| forms.iter().map(move |form| unit(*form, id, RegisterTable::Input)))
            .collect();
        let all = |table| {
            let units = self.units.clone();
            forms
                .clone()
                .into_iter()
                .flat_map(move |form| units.clone().into_iter().map(move |id| unit(form, id, table)))
        };
        tries.extend(all(RegisterTable::Holding));
        if self.text {
            tries.extend(self.text_forms().into_iter().flat_map(|form| self.talker_tries(form, LISTENING)));
        }
        // A unit that keeps silent about a function that it does not have.
        tries.extend(all(RegisterTable::Input));
        tries
    }

    fn talker_tries(&self, form: Form, listening: Span) -> Vec<Try> {
        let asked = self.requests.iter().map(|request| Try { form, aim: Aim::Request(request.clone()) });
        [Try { form, aim: Aim::Silence(listening) }].into_iter().chain(asked).collect()
    }

    /// How many tries find a unit that answers holding registers or says that it has none, and how long they take together at
    /// the most.
    pub fn units_take(&self) -> (usize, Span) {
        let spans: Vec<Span> = self
            .tries()
            .iter()
            .take(self.forms().len() * (self.units.len() + usize::from(!self.units.is_empty())))
            .map(Try::span)
            .collect();
        (spans.len(), spans.iter().fold(Span::ZERO, |sum, span| sum.and(*span)))
    }
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Try {
    form: Form,
    aim: Aim,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Aim {
    Unit(u8, RegisterTable),
    Request(Vec<u8>),
    Silence(Span),
}

impl Try {
    fn span(&self) -> Span {
        match &self.aim {
            Aim::Unit(..) => self.form.characters(CHARACTERS).and(TURNAROUND),
            Aim::Request(request) => self.form.characters(request.len() as f64 + 2.0).and(TALKER_TURNAROUND),
            Aim::Silence(span) => *span,
        }
    }

    fn frame(&self) -> Option<Vec<u8>> {
        match &self.aim {
            Aim::Unit(unit, table) => Some(asked(*table).frame(*unit)),
            Aim::Request(request) => Some(request.clone()),
            Aim::Silence(_) => None,
        }
    }
}

fn asked(table: RegisterTable) -> Request {
    match table {
        RegisterTable::Holding => Request::ReadHolding { address: 0, count: 1 },
        RegisterTable::Input => Request::ReadInput { address: 0, count: 1 },
    }
}

/// A talker that was found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TalkerFound {
    /// What it wants to be sent; empty if it sends by itself.
    pub request: Vec<u8>,
    /// One of its lines.
    pub line: String,
}

/// What a hunt found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// The line's form, once something is found.
    pub form: Option<Form>,
    /// The Modbus units that answer, in rising order.
    pub units: Vec<u8>,
    /// A talker.
    pub talker: Option<TalkerFound>,
    /// Tries made.
    pub tries: usize,
    /// Forms at which bytes came that nothing could be made of, and how many.
    pub noise: Vec<(Form, usize)>,
    /// Whether the line sends back what is sent.
    pub echo: bool,
}

/// The hunt itself.
#[derive(Clone, Debug)]
pub struct Hunt {
    plan: HuntPlan,
    tries: VecDeque<Try>,
    stage: Stage,
    form: Option<Form>,
    /// Units asked since the line has this form.
    asked: Vec<u8>,
    receiver: ReplyReceiver,
    ear: Ear,
    /// Lines of text since the line has this form, of a talker that was not asked, and in this try.
    lines: (usize, usize),
    /// What came since the last question.
    came: Vec<u8>,
    found: Found,
}

#[derive(Clone, Debug)]
enum Stage {
    Idle,
    Formed(Try),
    Listening { of: Try, from: Steady, until: Steady },
}

impl Hunt {
    /// A hunt that tries what the plan says.
    pub fn new(plan: HuntPlan) -> Self {
        Hunt {
            tries: plan.tries(),
            plan,
            stage: Stage::Idle,
            form: None,
            asked: Vec::new(),
            receiver: ReplyReceiver::default(),
            ear: Ear::anew(),
            lines: (0, 0),
            came: Vec::new(),
            found: Found::default(),
        }
    }

    /// What is found so far.
    pub fn found(&self) -> &Found {
        &self.found
    }

    /// The form that is being tried.
    pub fn form(&self) -> Option<Form> {
        self.form
    }

    fn take_form(&mut self, form: Form) {
        self.note_noise();
        self.form = Some(form);
        self.asked.clear();
        self.receiver.clear();
        self.ear = Ear::anew();
        self.lines = (0, 0);
    }

    fn note_noise(&mut self) {
        if let Some(form) = self.form
            && self.ear.noise >= WORTH_A_WORD
            && self.found.form != Some(form)
        {
            match self.found.noise.iter_mut().find(|(known, _)| *known == form) {
                Some((_, count)) => *count += self.ear.noise,
                None => self.found.noise.push((form, self.ear.noise)),
            }
        }
        self.ear.noise = 0;
    }

    fn hear_units(&mut self, of: &Try) {
        let asked = match &of.aim {
            Aim::Unit(unit, table) => Some((*unit, asked(*table))),
            Aim::Request(_) | Aim::Silence(_) => None,
        };
        while let Some(received) = self.receiver.next(asked.as_ref().map(|(unit, request)| (*unit, request))) {
            let unit = match (received, &asked) {
                // A gateway that does not reach a unit answers for it.
                (Received::Answer(Reply::Exception(code)), _) if code.refusal() == Refusal::Gateway => continue,
                (Received::Answer(_), Some((unit, _))) => *unit,
                // An answer to a question before, come late.
                (Received::Foreign { unit, function: 3 | 4 }, _) => unit,
                _ => continue,
            };
            if self.plan.units.contains(&unit) {
                self.settle_on(of.form, unit);
            }
        }
    }

    /// A unit is found: the others are looked for at the same form alone.
    fn settle_on(&mut self, form: Form, unit: u8) {
        if self.found.form.is_none() {
            let left: Vec<u8> = self.plan.units.iter().copied().filter(|unit| !self.asked.contains(unit)).collect();
            let others = left.into_iter().filter(|other| *other != unit);
            self.tries = others.map(|unit| Try { form, aim: Aim::Unit(unit, RegisterTable::Holding) }).collect();
            self.found.form = Some(form);
        }
        if !self.found.units.contains(&unit) {
            self.found.units.push(unit);
            self.found.units.sort_unstable();
        }
    }

    fn hear_text(&mut self, at: Steady, of: &Try, bytes: &[u8]) {
        if !self.plan.text || self.found.form.is_some() {
            return;
        }
        let lines: Vec<_> = self.ear.hear(at, bytes);
        for line in &lines {
            self.lines.0 += 1;
            let request = match &of.aim {
                Aim::Silence(_) => {
                    self.lines.1 += 1;
                    (self.lines.1 >= 2).then(Vec::new)
                }
                Aim::Request(request) => (!is_complaint(line)).then(|| request.clone()),
                Aim::Unit(..) => None,
            };
            if let Some(request) = request {
                self.found.form = Some(of.form);
                self.found.talker = Some(TalkerFound { request, line: line.text.clone() });
                self.tries.clear();
                return;
            }
        }
        if self.lines.0 >= 2 && matches!(of.aim, Aim::Unit(..)) {
            // Somebody talks here; whether asked or not, it is heard out first.
            self.lines.0 = 0;
            for talk in self.plan.talker_tries(of.form, LONG_LISTENING).into_iter().rev() {
                self.tries.push_front(talk);
            }
        }
    }
}

impl Conversation for Hunt {
    fn step(&mut self, at: Steady) -> Step {
        loop {
            match std::mem::replace(&mut self.stage, Stage::Idle) {
                Stage::Listening { of, from, until } if at < until => {
                    self.stage = Stage::Listening { of, from, until };
                    return Step::Listen(until);
                }
                Stage::Listening { .. } => self.receiver.clear(),
                Stage::Idle => {
                    let Some(next) = self.tries.pop_front() else {
                        self.note_noise();
                        return Step::Done;
                    };
                    let form = next.form;
                    let changes = self.form != Some(form);
                    self.stage = Stage::Formed(next);
                    if changes {
                        self.take_form(form);
                        return Step::Form(form);
                    }
                }
                Stage::Formed(of) => {
                    self.found.tries += 1;
                    self.came.clear();
                    self.lines.1 = 0;
                    if let Aim::Unit(unit, _) = of.aim {
                        self.asked.push(unit);
                    }
                    if matches!(of.aim, Aim::Request(_)) {
                        // Its answer is whole.
                        self.ear.start();
                    }
                    let frame = of.frame();
                    self.stage = Stage::Listening { from: at, until: at.plus(of.span()), of };
                    if let Some(frame) = frame {
                        return Step::Send(frame);
                    }
                }
            }
        }
    }

    fn bytes(&mut self, at: Steady, bytes: &[u8]) {
        let Stage::Listening { of, from, until } = std::mem::replace(&mut self.stage, Stage::Idle) else { return };
        self.came.extend(bytes.iter().take(256));
        if of.frame().is_some_and(|frame| self.came.starts_with(&frame)) {
            self.found.echo = true;
        }
        let known = self.found.units.len();
        self.receiver.push(bytes);
        self.hear_units(&of);
        self.hear_text(at, &of, bytes);
        let until = if self.found.units.len() > known || self.found.talker.is_some() {
            at.plus(of.form.silence())
        } else if !self.receiver.is_empty() || self.ear.is_open() {
            until
                .max(at.plus(of.form.characters(12.0)).plus(Span::from_millis(30)))
                .min(from.plus(of.span()).plus(LONGEST))
        } else {
            until
        };
        self.stage = Stage::Listening { of, from, until };
    }
}

#[cfg(test)]
mod tests;
