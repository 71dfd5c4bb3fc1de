//! The alarm state model, seen through the front of the roll.
//!
//! States and traces: IEC 62682 / ANSI/ISA-18.2 as restated by public automation libraries; latching, silence and shelving as in OPC
//! 10000-9; figures of load as in a public restatement of ISA-18.2-2016, section 16.4.

#![expect(clippy::unwrap_used, clippy::panic, reason = "a test fails by a panic")]

use holdwatch::alarm::{
    Flood, Load, Move, Priority, Refusal, Roll, Rule, State, Tag, chattering, floods, per_ten_minutes, stale, worst,
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

/// Moves as a roll gives them, from a line such as `level-low 0 T, level-low 20 F`: T the condition begins, F it ends, A somebody sees it.
fn moves(said: &str) -> Vec<Move> {
    let mut roll = Roll::new(Tag::ALL.map(plain).into());
    for event in said.split(", ") {
        let words: Vec<&str> = event.split(' ').collect();
        let tag: Tag = serde_json::from_value(words[0].into()).unwrap();
        let now = at(words[1].parse().unwrap());
        match words[2] {
            "A" => roll.acknowledge(tag, now).unwrap(),
            "S" => roll.shelve(tag, now, Span::from_secs(3_600)).unwrap(),
            "O" => roll.out_of_service(tag, now).unwrap(),
            condition => roll.set(tag, now, condition == "T"),
        }
    }
    roll.drain()
}

/// By hand from the measures of ISA-18.2-2016, 16.4, as restated in public: alarms, their average in ten minutes, the most frequent, the
/// priorities (high, medium, low by the standard rules), fleeting by that restatement's own choice of 10 s and 60 s.
#[test]
fn the_load_of_a_shift_by_hand() {
    let told = moves(
        "level-low 100 T, level-low 105 F, level-low 150 T, level-low 190 F, sudden-loss 700 T, sudden-loss 760 A, sudden-loss 900 F, \
         not-saving 1000 T, not-saving 1009 F, no-reading 1300 T, no-reading 1310 F, level-low 1500 T, level-low 1501 S, \
         level-high 1600 O",
    );
    let load = Load::of(&told, at(0), at(3_600));
    assert_eq!(load.alarms, 6);
    assert!((load.per_ten_minutes - 1.0).abs() < 1e-12, "six in an hour is one in ten minutes");
    assert_eq!(load.most_in_ten_minutes, 2);
    assert_eq!(load.priorities, [1, 4, 1]);
    assert_eq!(load.most_frequent[0], (Tag::LevelLow, 3));
    assert!((load.most_frequent_share() - 1.0).abs() < 1e-12);
    // level-low at 100 came again within a minute, no-reading lasted ten seconds, level-low at 1500 was shelved and is not over.
    assert_eq!(load.fleeting, 1);
    assert_eq!((load.shelved, load.out_of_service, load.floods), (1, 1, 0));
    assert!(load.chattering.is_empty() && load.stale.is_empty());
    // A shift counts what came in it.
    assert_eq!(Load::of(&told, at(600), at(1_200)).alarms, 2);
    let quiet = Load::of(&[], at(0), at(3_600));
    assert_eq!((quiet.alarms, quiet.most_frequent_share(), quiet.flood_share), (0, 0.0, 0.0));
}

/// Intervals of 12, 7, 2 and no alarms: one flood of two intervals (begins above ten, ends below five), half of the forty minutes; one
/// interval of the four had more than ten.
#[test]
fn the_share_of_time_in_flood_and_of_crowded_intervals() {
    let said: Vec<String> = [(0, 12), (1, 7), (2, 2)]
        .into_iter()
        .flat_map(|(interval, count)| (0..count).map(move |n| interval * 600 + n * 40))
        .map(|second| format!("level-low {second} T, level-low {} F", second + 20))
        .collect();
    let load = Load::of(&moves(&said.join(", ")), at(0), at(2_400));
    assert_eq!((load.alarms, load.most_in_ten_minutes, load.floods), (21, 12, 1));
    assert!((load.flood_share - 0.5).abs() < 1e-12 && (load.crowded_share - 0.25).abs() < 1e-12);
    // 40 s apart no three fall into a minute.
    assert!(load.chattering.is_empty());
    let told = moves("level-low 0 T, level-low 1 F, level-low 20 T, level-low 21 F, level-low 55 T");
    assert_eq!(Load::of(&told, at(0), at(600)).chattering, [Tag::LevelLow]);
}

#[test]
fn an_alarm_that_stands_for_more_than_a_day_is_stale_in_every_shift_that_it_reaches_into() {
    let day = 24 * 3_600;
    let told = moves(&format!("no-reading 0 T, no-reading 60 A, no-reading {} F, level-low {day} T", day + 3_600));
    assert_eq!(Load::of(&told, at(0), at(day)).stale, []);
    assert_eq!(Load::of(&told, at(day), at(2 * day)).stale, [Tag::NoReading]);
    assert_eq!(Load::of(&told, at(2 * day), at(3 * day)).stale, [Tag::LevelLow]);
    // After another start of the program nobody knows how long it lasted: it does not stand for ever.
    let restarted = [moves("no-reading 0 T"), moves(&format!("no-reading {} T", 3 * day))].concat();
    assert_eq!(Load::of(&restarted, at(0), at(3 * day + 60)).stale, []);
}

/// The live flood goes by the last ten minutes, whatever the clock's tens are.
#[test]
fn a_flood_begins_with_the_eleventh_alarm_in_ten_minutes_and_ends_with_fewer_than_five() {
    let mut flood = Flood::default();
    let onset = |second| Move { tag: TAG, from: State::Normal, to: State::Unacknowledged, at: at(second) };
    for n in 0..10 {
        assert!(!flood.count(&onset(300 + n * 50)));
    }
    assert_eq!((flood.since(), flood.deadline()), (None, None));
    assert!(flood.count(&onset(800)));
    assert_eq!((flood.since(), flood.alarms()), (Some(at(800)), 11));
    // Seven go with their ten minutes, the first at 900 s and the seventh at 1200 s; four are left.
    assert!(!flood.pass(at(1_200)));
    assert_eq!(flood.deadline(), Some(at(1_200).plus(Span::from_nanos(1))));
    assert!(flood.pass(flood.deadline().unwrap()));
    assert_eq!((flood.since(), flood.alarms()), (None, 4));
    // What is seen, or goes, is no alarm.
    let seen = Move { to: State::Acknowledged, from: State::Unacknowledged, ..onset(1_210) };
    assert!(!flood.count(&seen));
    assert_eq!(flood.alarms(), 4);
}

#[test]
fn what_is_closed_returns_to_normal_by_rule_but_a_latched_alarm_waits_to_be_seen() {
    let short = |roll: &Roll, tag| roll.status(tag).unwrap().state.short();
    for (latches, events, closed) in [
        (false, "T", "NORM"),
        (false, "T ACK", "NORM"),
        (false, "T F", "NORM"),
        (false, "T SHELVE", "NORM"),
        (false, "F", "NORM"),
        (false, "T SUPPRESS", "DSUPR"),
        (false, "T OOS", "OOSRV"),
        (true, "T", "RTNUN"),
        (true, "T ACK", "LACKED"),
        (true, "T SHELVE", "RTNUN"),
        (true, "SHELVE", "NORM"),
        (true, "F", "NORM"),
    ] {
        // An off-delay does not hold it.
        let mut roll = Roll::new(vec![Rule { latches, off_delay: Span::from_secs(15), ..plain(TAG) }]);
        for event in events.split(' ') {
            match event {
                "ACK" => roll.acknowledge(TAG, at(2)).unwrap(),
                "SHELVE" => roll.shelve(TAG, at(2), Span::from_secs(600)).unwrap(),
                "SUPPRESS" => roll.suppress(TAG, at(2)).unwrap(),
                "OOS" => roll.out_of_service(TAG, at(2)).unwrap(),
                condition => roll.set(TAG, at(1), condition == "T"),
            }
        }
        roll.close(TAG, at(3));
        assert_eq!(short(&roll, TAG), closed, "{latches} {events}");
        assert!(!roll.status(TAG).unwrap().condition);
        roll.tick(at(1_000));
        assert_eq!(short(&roll, TAG), closed, "{latches} {events}: nothing comes back by itself");
    }
}

/// What the pump's loss explained, and what is over with it, does not call for the rest of its off-delay.
#[test]
fn a_loss_that_went_with_the_pumps_is_not_called_after_it() {
    for gone_after in [0, 1] {
        let mut roll = Roll::new(Rule::standard_set());
        roll.set(Tag::PumpLost, at(10), true);
        roll.set(Tag::SuddenLoss, at(10), true);
        roll.acknowledge(Tag::PumpLost, at(12)).unwrap();
        roll.drain();
        roll.set(Tag::PumpLost, at(20), false);
        roll.set(Tag::SuddenLoss, at(20 + gone_after), false);
        roll.tick(at(40));
        let called = roll.drain().into_iter().find(|step| step.to == State::Unacknowledged);
        assert_eq!(called, None, "gone {gone_after} s after it");
        assert_eq!(roll.status(Tag::SuddenLoss).unwrap().state, State::Normal);
    }
    // One that comes again within that time calls for itself.
    let mut roll = Roll::new(Rule::standard_set());
    roll.set(Tag::PumpLost, at(10), true);
    roll.set(Tag::SuddenLoss, at(10), true);
    roll.set(Tag::PumpLost, at(20), false);
    roll.set(Tag::SuddenLoss, at(22), false);
    roll.set(Tag::SuddenLoss, at(26), true);
    assert_eq!(roll.status(Tag::SuddenLoss).unwrap().state, State::Unacknowledged);
}

#[test]
fn when_an_alarm_last_began_to_call_is_told() {
    let mut roll = Roll::new(vec![Rule { call_again_after: Some(Span::from_secs(300)), ..plain(TAG) }]);
    let called = |roll: &Roll| roll.status(TAG).unwrap().called_at;
    assert_eq!(called(&roll), None);
    roll.set(TAG, at(1), true);
    roll.acknowledge(TAG, at(10)).unwrap();
    assert_eq!(called(&roll), Some(at(1)));
    roll.tick(at(400));
    assert_eq!((called(&roll), roll.status(TAG).unwrap().since), (Some(at(310)), Some(at(1))));
    roll.shelve(TAG, at(500), Span::from_secs(60)).unwrap();
    roll.tick(at(600));
    assert_eq!(called(&roll), Some(at(560)));
    roll.set(TAG, at(700), false);
    roll.acknowledge(TAG, at(701)).unwrap();
    assert_eq!(called(&roll), None);
}
