//! The alarm state model, seen through the front of the roll.
//!
//! States and traces: IEC 62682 / ANSI/ISA-18.2 as restated by public automation libraries; latching, silence and shelving as in OPC
//! 10000-9; figures of load as in a public restatement of ISA-18.2-2016, section 16.4.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

use holdwatch::alarm::{
    Move, Priority, Refusal, Roll, Rule, State, Tag, chattering, floods, per_ten_minutes, stale, worst,
};
use holdwatch::moment::{Span, Steady};

const TAG: Tag = Tag::LevelLow;

fn at(secs: u64) -> Steady {
    Steady::from_nanos(secs * 1_000_000_000)
}

fn plain(tag: Tag) -> Rule {
    Rule {
        tag,
        priority: Priority::Medium,
        latches: false,
        on_delay: Span::ZERO,
        off_delay: Span::ZERO,
        call_again_after: None,
        shelve_limit: Span::from_secs(3_600),
        follows_from: Vec::new(),
        first_out: true,
    }
}

/// Plays a trace of events, one a second, and gives the state after each.
fn trace(rule: Rule, events: &[&str]) -> Vec<&'static str> {
    let tag = rule.tag;
    let mut roll = Roll::new(vec![rule]);
    let after = |(second, event): (usize, &&str)| {
        let now = at(second as u64 + 1);
        match *event {
            "T" => roll.set(tag, now, true),
            "F" => roll.set(tag, now, false),
            "ACK" => roll.acknowledge(tag, now).unwrap(),
            "SHELVE" => roll.shelve(tag, now, Span::from_secs(600)).unwrap(),
            "UNSHELVE" => roll.unshelve(tag, now).unwrap(),
            "OOS" => roll.out_of_service(tag, now).unwrap(),
            "RTS" => roll.return_to_service(tag, now).unwrap(),
            "SUPPRESS" => roll.suppress(tag, now).unwrap(),
            "UNSUPPRESS" => roll.unsuppress(tag, now).unwrap(),
            "RESET" => roll.reset(tag, now).unwrap(),
            other => panic!("no such event: {other}"),
        }
        roll.status(tag).unwrap().state.short()
    };
    events.iter().enumerate().map(after).collect()
}

#[test]
fn the_published_traces_come_out_state_by_state() {
    for (events, states) in [
        ("T F T ACK F", "UNACK RTNUN UNACK ACKED NORM"),
        ("T ACK F T F ACK", "UNACK ACKED NORM UNACK RTNUN NORM"),
        ("T SHELVE F UNSHELVE", "UNACK SHLVD SHLVD NORM"),
        ("T ACK OOS RTS", "UNACK ACKED OOSRV UNACK"),
        ("SHELVE T UNSHELVE", "SHLVD SHLVD UNACK"),
        ("T SUPPRESS UNSUPPRESS ACK", "UNACK DSUPR UNACK ACKED"),
        ("SUPPRESS T F UNSUPPRESS", "DSUPR DSUPR DSUPR NORM"),
        ("T F SHELVE UNSHELVE", "UNACK RTNUN SHLVD NORM"),
    ] {
        let events: Vec<&str> = events.split(' ').collect();
        assert_eq!(trace(plain(TAG), &events).join(" "), states);
    }
}

#[test]
fn a_latched_alarm_stays_until_it_is_reset() {
    for (events, states) in [
        ("T ACK F RESET", "UNACK ACKED LACKED NORM"),
        ("T F ACK RESET", "UNACK RTNUN LACKED NORM"),
        ("T ACK F T ACK F RESET", "UNACK ACKED LACKED UNACK ACKED LACKED NORM"),
        ("T SHELVE F UNSHELVE ACK RESET", "UNACK SHLVD SHLVD RTNUN LACKED NORM"),
    ] {
        let events: Vec<&str> = events.split(' ').collect();
        assert_eq!(trace(Rule { latches: true, ..plain(TAG) }, &events).join(" "), states);
    }
}

#[test]
fn every_move_tells_what_when_and_between_which_states() {
    let mut roll = Roll::new(vec![plain(TAG)]);
    roll.set(TAG, at(5), true);
    roll.set(TAG, at(6), true);
    roll.acknowledge(TAG, at(7)).unwrap();
    let moves = [
        Move { tag: TAG, from: State::Normal, to: State::Unacknowledged, at: at(5) },
        Move { tag: TAG, from: State::Unacknowledged, to: State::Acknowledged, at: at(7) },
    ];
    assert_eq!(roll.drain(), moves);
    assert_eq!(roll.drain(), []);
    assert_eq!(roll.status(TAG).unwrap().since, Some(at(5)));
}

#[test]
fn a_condition_must_last_and_must_be_gone_for_its_delay() {
    let rule = Rule { on_delay: Span::from_secs(2), off_delay: Span::from_secs(5), ..plain(TAG) };
    let mut roll = Roll::new(vec![rule]);
    roll.set(TAG, at(10), true);
    assert_eq!(roll.deadline(), Some(at(12)));
    roll.set(TAG, at(11), false);
    roll.tick(at(20));
    assert_eq!((roll.drain(), roll.deadline()), (vec![], None));
    roll.set(TAG, at(30), true);
    // However late the roll is woken, the move bears the time at which it fell due.
    roll.set(TAG, at(40), false);
    assert_eq!(roll.drain(), [Move { tag: TAG, from: State::Normal, to: State::Unacknowledged, at: at(32) }]);
    roll.set(TAG, at(44), true);
    roll.tick(at(60));
    assert_eq!(roll.status(TAG).unwrap().state, State::Unacknowledged);
    roll.set(TAG, at(61), false);
    assert_eq!(roll.deadline(), Some(at(66)));
    roll.tick(at(66));
    assert_eq!(roll.status(TAG).unwrap().state, State::ReturnedUnacknowledged);
}

/// n exceedances in a row, each of probability p, take (1 − pⁿ)/((1 − p)pⁿ) readings on average: 1110 for three of one in ten. One
/// reading a second with a delay that three in a row just outlast.
#[test]
fn an_on_delay_of_three_readings_quiets_noise_as_the_formula_says() {
    let mut state = 12_345_u64;
    let mut exceeds = move || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) as f64 / f64::from(1_u32 << 31) < 0.1
    };
    let runs = 2_000;
    let mut readings = 0_u64;
    for _ in 0..runs {
        let mut roll = Roll::new(vec![Rule { on_delay: Span::from_millis(2_500), ..plain(TAG) }]);
        let mut second = 0;
        while roll.status(TAG).unwrap().state == State::Normal {
            second += 1;
            roll.set(TAG, at(second), exceeds());
        }
        readings += second;
    }
    // The standard error of the mean over 2000 runs is 2.2 %.
    let mean = readings as f64 / f64::from(runs);
    assert!((mean / 1110.0 - 1.0).abs() < 0.07, "{mean}");
}

#[test]
fn shelving_ends_by_itself_and_is_refused_where_it_would_hide_a_loss_too_long() {
    let mut roll = Roll::new(Rule::standard_set());
    roll.set(Tag::SuddenLoss, at(1), true);
    let refused = roll.shelve(Tag::SuddenLoss, at(2), Span::from_secs(601));
    assert_eq!(refused, Err(Refusal::ShelvedTooLong(Span::from_secs(600))));
    assert_eq!(refused.unwrap_err().to_string(), "this alarm may be shelved for at most 10 minutes at once");
    assert_eq!(
        roll.shelve(Tag::PumpLost, at(2), Span::from_secs(3_600)),
        Err(Refusal::ShelvedTooLong(Span::from_secs(600)))
    );
    assert_eq!(roll.shelve(Tag::SuddenLoss, at(2), Span::ZERO), Err(Refusal::ShelvedForNothing));
    roll.shelve(Tag::SuddenLoss, at(2), Span::from_secs(600)).unwrap();
    assert_eq!(roll.status(Tag::SuddenLoss).unwrap().shelved_until, Some(at(602)));
    assert_eq!(roll.deadline(), Some(at(602)));
    roll.tick(at(700));
    let status = roll.status(Tag::SuddenLoss).unwrap();
    assert_eq!((status.state, status.since, status.shelved_until), (State::Unacknowledged, Some(at(1)), None));
    roll.shelve(Tag::MarginLow, at(701), Span::from_secs(8 * 3_600)).unwrap();
}

#[test]
fn what_cannot_be_done_is_refused_with_its_reason() {
    let mut roll = Roll::new(vec![Rule { latches: true, ..plain(TAG) }]);
    assert_eq!(roll.acknowledge(Tag::PumpLost, at(1)), Err(Refusal::NoSuchAlarm));
    assert_eq!(roll.acknowledge(TAG, at(1)), Err(Refusal::NothingToAcknowledge));
    assert_eq!(roll.reset(TAG, at(1)), Err(Refusal::NotLatched));
    assert_eq!(roll.unshelve(TAG, at(1)), Err(Refusal::NotShelved));
    assert_eq!(roll.unsuppress(TAG, at(1)), Err(Refusal::NotSuppressed));
    assert_eq!(roll.return_to_service(TAG, at(1)), Err(Refusal::NotOutOfService));
    roll.set(TAG, at(2), true);
    assert_eq!(roll.reset(TAG, at(2)), Err(Refusal::StillActive));
    roll.set(TAG, at(3), false);
    assert_eq!(roll.reset(TAG, at(3)), Err(Refusal::NotAcknowledged));
    roll.out_of_service(TAG, at(4)).unwrap();
    assert_eq!(roll.shelve(TAG, at(4), Span::from_secs(1)), Err(Refusal::SetAside));
    assert_eq!(roll.suppress(TAG, at(4)), Err(Refusal::SetAside));
    assert!(roll.status(Tag::PumpLost).is_none());
}

#[test]
fn an_alarm_that_is_seen_but_not_mended_calls_again() {
    let mut roll = Roll::new(vec![Rule { call_again_after: Some(Span::from_secs(300)), ..plain(TAG) }]);
    roll.set(TAG, at(0), true);
    roll.acknowledge(TAG, at(10)).unwrap();
    assert_eq!(roll.deadline(), Some(at(310)));
    roll.tick(at(310));
    let status = roll.status(TAG).unwrap();
    assert_eq!((status.state, status.since), (State::Unacknowledged, Some(at(0))));
    roll.acknowledge(TAG, at(320)).unwrap();
    roll.set(TAG, at(330), false);
    assert_eq!((roll.status(TAG).unwrap().state, roll.deadline()), (State::Normal, None));
}

/// One cause, one alarm: while the pump is lost, what follows from it does not call.
#[test]
fn a_lost_pump_explains_the_losses_that_follow_and_keeps_the_mark_of_the_first() {
    let mut roll = Roll::new(Rule::standard_set());
    roll.set(Tag::SuddenLoss, at(10), true);
    assert!(roll.status(Tag::SuddenLoss).unwrap().first);
    roll.set(Tag::PumpLost, at(11), true);
    assert!(!roll.status(Tag::PumpLost).unwrap().first);
    let calling: Vec<Tag> = roll.statuses().filter(|status| status.state.calls()).map(|status| status.tag).collect();
    assert_eq!(calling, [Tag::PumpLost]);
    assert_eq!(roll.status(Tag::SuddenLoss).unwrap().state, State::Suppressed);
    roll.set(Tag::MarginLow, at(12), true);
    assert_eq!(roll.status(Tag::MarginLow).unwrap().state, State::Suppressed);
    // The pump is back, the sheet is not: the loss calls for itself.
    roll.set(Tag::PumpLost, at(20), false);
    roll.tick(at(30));
    assert_eq!(roll.status(Tag::SuddenLoss).unwrap().state, State::Unacknowledged);
    // A margin that is low because of the loss still does not call.
    assert_eq!(roll.status(Tag::MarginLow).unwrap().state, State::Suppressed);
    // Shelving the pump's alarm must not hide what it explained.
    roll.set(Tag::PumpLost, at(40), true);
    roll.shelve(Tag::PumpLost, at(41), Span::from_secs(60)).unwrap();
    assert_eq!(roll.status(Tag::SuddenLoss).unwrap().state, State::Unacknowledged);
}

#[test]
fn a_thin_margin_calls_even_if_a_low_level_was_seen_before() {
    let mut roll = Roll::new(Rule::standard_set());
    roll.set(Tag::LevelLow, at(0), true);
    roll.tick(at(10));
    roll.acknowledge(Tag::LevelLow, at(11)).unwrap();
    roll.set(Tag::MarginLow, at(12), true);
    assert!(roll.status(Tag::MarginLow).unwrap().state.calls());
}

#[test]
fn the_first_of_several_is_marked_until_all_are_normal() {
    let mut roll = Roll::new(vec![
        plain(Tag::MarginLow),
        plain(Tag::LevelHigh),
        Rule { first_out: false, ..plain(Tag::NotSaving) },
    ]);
    roll.set(Tag::NotSaving, at(0), true);
    roll.set(Tag::LevelHigh, at(1), true);
    roll.set(Tag::MarginLow, at(2), true);
    let firsts =
        |roll: &Roll| roll.statuses().filter(|status| status.first).map(|status| status.tag).collect::<Vec<_>>();
    assert_eq!(firsts(&roll), [Tag::LevelHigh]);
    roll.acknowledge(Tag::LevelHigh, at(3)).unwrap();
    roll.set(Tag::LevelHigh, at(4), false);
    assert_eq!(firsts(&roll), []);
}

#[test]
fn a_roll_that_was_stored_goes_on_where_it_was() {
    let mut roll = Roll::new(Rule::standard_set());
    roll.set(Tag::LevelLow, at(1), true);
    roll.set(Tag::SuddenLoss, at(2), true);
    roll.shelve(Tag::SuddenLoss, at(3), Span::from_secs(60)).unwrap();
    let mut twin: Roll = postcard::from_bytes(&postcard::to_stdvec(&roll).unwrap()).unwrap();
    roll.tick(at(100));
    twin.tick(at(100));
    assert_eq!(roll, twin);
    assert_eq!(roll.drain(), twin.drain());
}

#[test]
fn three_onsets_within_a_minute_are_chatter() {
    assert!(chattering(&[at(0), at(20), at(55)]));
    assert!(!chattering(&[at(0), at(20), at(61)]));
    assert!(!chattering(&[at(0), at(1)]));
}

#[test]
fn a_flood_begins_above_ten_and_ends_below_five() {
    let spread = |interval: u64, count: u64| (0..count).map(move |n| at(interval * 600 + n * 10));
    let onsets: Vec<Steady> = spread(0, 12).chain(spread(1, 7)).chain(spread(2, 2)).collect();
    assert_eq!(per_ten_minutes(&onsets, at(0), at(1_800)), [12, 7, 2]);
    assert_eq!(floods(&onsets, at(0), at(1_800)), [(at(0), at(1_200))]);
    assert_eq!(floods(&onsets, at(0), at(1_200)), [(at(0), at(1_200))]);
    let calm: Vec<Steady> = spread(0, 10).collect();
    assert_eq!(floods(&calm, at(0), at(600)), []);
}

#[test]
fn the_worst_and_the_standing_alarms_are_named() {
    let onsets = [(Tag::MarginLow, at(1)), (Tag::LevelLow, at(2)), (Tag::LevelLow, at(3)), (Tag::NoReading, at(4))];
    assert_eq!(worst(&onsets, 2), [(Tag::LevelLow, 2), (Tag::MarginLow, 1)]);
    assert!(stale(at(0), at(24 * 3_600 + 1)) && !stale(at(0), at(24 * 3_600)));
}
