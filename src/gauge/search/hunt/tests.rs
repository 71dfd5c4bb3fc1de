use super::*;
use crate::gauge::search::Conversation;
use crate::modbus::{ExceptionCode, RequestReceiver};

/// A unit or talker that hears only its own form; what it says comes after `delay`.
struct Device {
    form: Form,
    unit: u8,
    delay: Span,
    talks: Option<(Vec<u8>, Vec<u8>)>,
}

impl Device {
    fn answer(&self, form: Form, sent: &[u8]) -> Option<Vec<u8>> {
        if form != self.form {
            return None;
        }
        if let Some((request, line)) = &self.talks {
            return (request == sent).then(|| line.clone());
        }
        let mut receiver = RequestReceiver::default();
        receiver.push(sent);
        let asked = receiver.next()?;
        (asked.unit == self.unit).then(|| asked.reply(&Reply::Registers(vec![7])))
    }
}

/// Plays a hunt in made time; what was found, and after how long.
fn play(plan: HuntPlan, device: &Device) -> (Found, Span) {
    let mut hunt = Hunt::new(plan);
    let mut at = Steady::default();
    let mut form = device.form;
    let mut coming: VecDeque<(Steady, Form, Vec<u8>)> = VecDeque::new();
    for _ in 0..1_000_000 {
        match hunt.step(at) {
            Step::Form(new) => form = new,
            Step::Send(frame) => {
                if let Some(answer) = device.answer(form, &frame) {
                    coming.push_back((at.plus(device.delay), form, answer));
                }
            }
            Step::Listen(until) => match coming.front() {
                Some((when, _, _)) if *when <= until => {
                    let Some((when, of, bytes)) = coming.pop_front() else { continue };
                    at = at.max(when);
                    if of == form {
                        hunt.bytes(at, &bytes);
                    }
                }
                Some(_) | None => at = at.max(until),
            },
            Step::Done => return (hunt.found().clone(), at.since(Steady::default())),
        }
    }
    panic!("the hunt does not end");
}

fn unit_at(form: Form, unit: u8, delay: u64) -> Device {
    Device { form, unit, delay: Span::from_millis(delay), talks: None }
}

fn form(baud: u32, parity: Parity) -> Form {
    Form { baud, data_bits: DataBits::Eight, parity }
}

/// The promise: 8 speeds, 3 parities, 20 units within 60 s, wherever among them the unit is.
#[test]
fn a_unit_anywhere_among_the_usual_is_found_within_a_minute() {
    let plan = HuntPlan::default();
    let (tries, longest) = plan.units_take();
    assert_eq!(tries, 8 * 3 * 21);
    assert!(longest < Span::from_secs(60), "{longest:?}");
    let forms = plan.forms();
    assert_eq!(forms.len(), 24);
    let mut last = Span::ZERO;
    for place in forms {
        for unit in [1, 2, 20] {
            let (found, took) = play(plan.clone(), &unit_at(place, unit, 10));
            assert_eq!((found.form, found.units), (Some(place), vec![unit]), "{place} unit {unit}");
            assert!(took < Span::from_secs(60), "{place} unit {unit}: {took:?}");
            last = last.max(took);
        }
    }
    // Most of the promise is needed: the last unit of the last form is found late.
    assert!(last > Span::from_secs(40), "{last:?}");
}

#[test]
fn a_slow_answer_counts_while_the_line_keeps_its_form() {
    let (found, _) = play(HuntPlan::default(), &unit_at(form(19_200, Parity::None), 5, 140));
    assert_eq!((found.form, found.units), (Some(form(19_200, Parity::None)), vec![5]));
}

#[test]
fn a_talker_is_found_by_its_request() {
    let place = form(4_800, Parity::None);
    let device = Device {
        form: place,
        unit: 0,
        delay: Span::from_millis(30),
        talks: Some((b"P\r".to_vec(), b"-612.3 mbar\r\n".to_vec())),
    };
    let (found, _) = play(HuntPlan::default(), &device);
    let talker = found.talker.unwrap();
    assert_eq!((found.form, talker.request, talker.line.as_str()), (Some(place), b"P\r".to_vec(), "-612.3 mbar"));
}

#[test]
fn a_complaint_is_no_reading() {
    let place = form(9_600, Parity::None);
    let talks = Some((b"\r".to_vec(), b"ERROR 12\r\n".to_vec()));
    let (found, _) = play(HuntPlan::default(), &Device { form: place, unit: 0, delay: Span::from_millis(30), talks });
    assert_eq!(found.talker, None);
}

#[test]
fn a_dead_line_ends_the_hunt_with_nothing() {
    let (found, _) = play(HuntPlan::default(), &unit_at(form(300, Parity::None), 1, 0));
    assert_eq!((found.form, found.units.len(), found.talker), (None, 0, None));
}

/// Two units on one bus, found together once one of them is.
#[test]
fn the_other_units_of_a_bus_are_found_at_the_same_form() {
    let mut hunt = Hunt::new(HuntPlan::default());
    let mut at = Steady::default();
    loop {
        match hunt.step(at) {
            Step::Form(_) => {}
            Step::Send(frame) => {
                let mut receiver = RequestReceiver::default();
                receiver.push(&frame);
                let asked = receiver.next().unwrap();
                if [3, 9].contains(&asked.unit) {
                    hunt.bytes(at, &asked.reply(&Reply::Registers(vec![0])));
                }
            }
            Step::Listen(until) => at = until,
            Step::Done => break,
        }
    }
    assert_eq!(hunt.found().units, [3, 9]);
}

/// V1.1b3, section 7: 0B says that the target behind a gateway did not respond.
#[test]
fn a_gateway_without_a_unit_behind_it_is_nobody() {
    let mut hunt = Hunt::new(HuntPlan { text: false, ..HuntPlan::default() });
    let mut at = Steady::default();
    loop {
        match hunt.step(at) {
            Step::Form(_) => {}
            Step::Send(frame) => {
                let mut receiver = RequestReceiver::default();
                receiver.push(&frame);
                let asked = receiver.next().unwrap();
                let code = if asked.unit == 4 { ExceptionCode::ILLEGAL_FUNCTION } else { ExceptionCode(11) };
                hunt.bytes(at, &asked.refusal(code));
            }
            Step::Listen(until) => at = until,
            Step::Done => break,
        }
    }
    assert_eq!(hunt.found().units, [4]);
}

#[test]
fn an_adapter_that_sends_back_is_noticed_and_taken_for_nobody() {
    let mut hunt = Hunt::new(HuntPlan { text: false, ..HuntPlan::default() });
    let mut at = Steady::default();
    loop {
        match hunt.step(at) {
            Step::Form(_) => {}
            Step::Send(frame) => hunt.bytes(at, &frame),
            Step::Listen(until) => at = until,
            Step::Done => break,
        }
    }
    assert!(hunt.found().echo);
    assert_eq!(hunt.found().form, None);
}
