//! A reply that comes too late is never taken for the answer to a later request.

use super::*;

#[test]
fn a_reply_cut_anywhere_and_the_rest_late_is_no_value() {
    for kept in 0..7 {
        for late in [1, 150, 195, 205, 215, 230, 300] {
            let mut world = World::new(
                one_gauge(),
                at_read(2, |frame| {
                    let whole = answer(frame, 321);
                    vec![(Span::ZERO, whole[..kept].to_vec()), (Span::from_millis(late), whole[kept..].to_vec())]
                }),
            );
            world.run(3_000);
            let lost = world.count(|heard| matches!(heard, Heard::NoReply { .. } | Heard::BadCheck { .. }));
            assert_eq!(lost, usize::from(late > LIMIT), "{kept} {late}");
            assert!(world.readings().len() > 14);
        }
    }
}

/// A unit that answers in order, each answer `late` behind its request but those before it first; the value is the
/// number of the read request. It may ignore functions that it does not know.
fn slow_unit(late: impl Fn(u16) -> Span, ignores_loopback: bool) -> impl Units {
    let (mut reads, mut free) = (0_u16, Steady::default());
    move |at, frame: &[u8]| {
        reads += u16::from(is_read(frame));
        if !is_read(frame) && ignores_loopback {
            return vec![];
        }
        free = free.max(at.plus(late(reads)));
        vec![(free.since(at), answer(frame, reads))]
    }
}

/// The longest that one missed answer may silence a gauge beyond the answer's own lateness: the answer and the loopback are
/// waited for, a second of settling follows, and the same wait once more for what else the late answer spoiled; then a poll.
const RECOVERY: u64 = 4 * LIMIT + 1_000 + 100;

fn check_no_late_value<U: Units>(mut world: World<U>, end: u64, most_silent: u64) {
    world.run(end);
    let mut last = millis(1_000);
    for (at, heard) in &world.heard {
        if let Some(raw) = reading(heard) {
            let asked = world.sent.iter().filter(|(sent, frame, _)| sent <= at && is_read(frame)).count();
            assert_eq!(raw, asked as f64, "a reply to request {raw} was taken for the answer to {asked}");
            assert!(at.since(last) <= Span::from_millis(most_silent), "silent from {last:?} to {at:?}");
            last = *at;
        }
    }
    assert!(millis(end).since(last) <= Span::from_millis(most_silent), "silent from {last:?} to the end");
}

#[test]
fn one_late_reply_never_becomes_a_value_whatever_its_lateness() {
    for late in 0..1_300 {
        let delay = |n| Span::from_millis(if n == 5 { late } else { 10 });
        check_no_late_value(World::new(one_gauge(), slow_unit(delay, false)), 8_000, late + RECOVERY);
        check_no_late_value(World::new(one_gauge(), slow_unit(delay, true)), 8_000, late + RECOVERY);
    }
}

#[test]
fn many_late_replies_never_become_values() {
    for late in (0..1_200).step_by(7) {
        for every in [2, 3, 5] {
            let delay = |n| Span::from_millis(if n % every == 0 { late } else { 10 });
            check_no_late_value(World::new(one_gauge(), slow_unit(delay, false)), 20_000, 2 * (late + RECOVERY));
            check_no_late_value(World::new(one_gauge(), slow_unit(delay, true)), 20_000, 2 * (late + RECOVERY));
        }
    }
}

#[test]
fn a_unit_that_is_always_too_late_gives_no_value_at_all() {
    for late in (205..900).step_by(13) {
        let mut world = World::new(one_gauge(), slow_unit(|_| Span::from_millis(late), false));
        world.run(20_000);
        assert!(world.readings().is_empty(), "{late}");
        assert!(world.count(|heard| matches!(heard, Heard::NoReply { .. } | Heard::BadCheck { .. })) > 8);
    }
}

#[test]
fn two_gauges_in_one_unit_are_not_taken_for_each_other() {
    let first = u16_gauge(1, UNIT, 100);
    let mut second = u16_gauge(2, UNIT, 100);
    second.1.talk = Talk::Register(RegisterTalk {
        unit: UNIT,
        table: RegisterTable::Holding,
        address: 41,
        kind: NumberKind::U16,
        word_order: WordOrder::HighFirst,
    });
    for late in (0..1_300).step_by(3) {
        let (mut reads, mut free) = (0, Steady::default());
        let units = |at: Steady, frame: &[u8]| {
            reads += usize::from(is_read(frame));
            let delay = if reads == 5 && is_read(frame) { late } else { 5 };
            free = free.max(at.plus(Span::from_millis(delay)));
            vec![(free.since(at), answer(frame, u16::from(frame[3])))]
        };
        let mut world = World::new(rtu(vec![first.clone(), second.clone()], vec![]), units);
        world.run(6_000);
        for (_, heard) in &world.heard {
            if let Heard::Reading { gauge, raw } = heard {
                assert_eq!(*raw, f64::from(39 + gauge.0), "{late}");
            }
        }
        assert!(world.readings().len() > 40);
    }
}

#[test]
fn a_reply_to_the_process_before_is_no_value() {
    for late in 0..400 {
        let mut world = World::new(one_gauge(), honest);
        let before = Request::ReadHolding { address: 40, count: 1 }.reply_frame(UNIT, &Reply::Registers(vec![999]));
        world.arrive(millis(1_000).plus(Span::from_nanos(late * 100_000)), before);
        world.run(1_600);
        if late < 300 {
            assert!(world.readings().iter().all(|raw| *raw == 321.0), "{late}");
            assert!(!world.readings().is_empty());
        }
    }
}

#[test]
fn an_answer_that_nobody_waits_for_puts_its_unit_in_doubt() {
    let mut world = World::new(one_gauge(), honest);
    world.run(1_500);
    let sent = world.sent.len();
    let unasked = Request::ReadHolding { address: 40, count: 1 }.reply_frame(UNIT, &Reply::Registers(vec![999]));
    world.arrive(millis(1_560), unasked);
    world.run(1_700);
    assert_eq!(world.sent[sent].1[1], 8);
    assert!(is_read(&world.sent[sent + 1].1));
    assert!(world.readings().iter().all(|raw| *raw == 321.0));
}

#[test]
fn bytes_that_come_after_the_limit_are_late_even_before_the_time_out_was_called() {
    for (after, value) in [(0, Some(321.0)), (1, None)] {
        let mut talker = one_gauge();
        let mut heard = Vec::new();
        talker.line_up(millis(1_000));
        let (loopback, _) = talker.due(millis(1_020), &mut heard).unwrap();
        talker.bytes(millis(1_030), &answer(&loopback, 0), &mut heard);
        let (read, _) = talker.due(millis(1_100), &mut heard).unwrap();
        let limit = talker.deadline().unwrap();
        talker.bytes(limit.plus(Span::from_nanos(after)), &answer(&read, 321), &mut heard);
        assert_eq!(heard.iter().find_map(reading), value);
    }
}

#[test]
fn a_unit_that_ignores_the_loopback_is_soon_not_asked_it_any_more() {
    let mut reads = 0;
    let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
        reads += usize::from(is_read(frame));
        if !is_read(frame) || reads % 10 == 0 { vec![] } else { soon(answer(frame, 321)) }
    });
    world.run(61_000);
    let loopbacks = world.sent.iter().filter(|(_, frame, _)| !is_read(frame)).count();
    assert_eq!(loopbacks, 2, "one when the line came up, one after the first miss");
    assert!(world.readings().len() > 200);
}

#[test]
fn a_unit_that_was_dead_is_not_held_to_ignore_the_loopback() {
    let mut world = World::new(one_gauge(), |at: Steady, frame: &[u8]| {
        let missed = (millis(40_000)..millis(40_090)).contains(&at);
        let dead = (millis(2_000)..millis(20_000)).contains(&at);
        if dead || missed { vec![] } else { soon(answer(frame, 321)) }
    });
    world.run(50_000);
    let good: Vec<Steady> =
        world.heard.iter().filter(|(_, heard)| reading(heard).is_some()).map(|(at, _)| *at).collect();
    let after: Vec<Steady> = good.into_iter().filter(|at| *at > millis(30_000)).collect();
    assert!(after.windows(2).all(|pair| pair[1].since(pair[0]) < Span::from_millis(500)));
}
