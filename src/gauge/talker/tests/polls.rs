//! Reading gauges, and everything that can go wrong with an answer.

use super::*;

#[test]
fn a_gauge_is_read_at_its_own_pace() {
    let mut world = World::new(rtu(vec![u16_gauge(1, 1, 100), u16_gauge(2, 2, 250)], vec![]), honest);
    world.run(11_000);
    let count = |id| world.count(|heard| *heard == Heard::Reading { gauge: GaugeId(id), raw: 321.0 });
    assert!((99..=101).contains(&count(1)), "{}", count(1));
    assert!((40..=41).contains(&count(2)), "{}", count(2));
    assert_eq!(world.readings().len(), world.heard.len());
}

#[test]
fn the_first_request_waits_for_silence_and_asks_whether_anything_is_owed() {
    let mut world = World::new(one_gauge(), honest);
    world.run(1_500);
    assert_eq!(world.sent[0].0, millis(1_020));
    assert_eq!(world.sent[0].1[1], 8);
    assert!(world.sent[1..].iter().all(|(_, frame, _)| is_read(frame)));
}

#[test]
fn between_two_requests_lies_the_silent_interval() {
    let mut world = World::new(rtu((1..=8).map(|unit| u16_gauge(unit.into(), unit, 20)).collect(), vec![]), honest);
    world.run(3_000);
    let silent = crate::modbus::silent_interval(&line(Protocol::ModbusRtu));
    for pair in world.sent.windows(2) {
        assert!(pair[1].0 >= pair[0].0.plus(Span::from_millis(10)).plus(silent));
    }
    assert!(world.sent.len() > 100);
}

/// Every kind of number, word order, unit and convention: a level of 25 kPa in a room of 100 kPa comes out as that.
#[test]
fn every_way_of_writing_a_level_comes_out_as_the_same_level() {
    let room = AbsolutePressure::from_pascals(100_000.0);
    for kind in [NumberKind::U16, NumberKind::I16, NumberKind::U32, NumberKind::I32, NumberKind::F32] {
        for word_order in [WordOrder::HighFirst, WordOrder::LowFirst] {
            for unit in PressureUnit::ALL {
                for (convention, pascals) in [
                    (PressureConvention::Absolute, 75_000.0),
                    (PressureConvention::Gauge, -25_000.0),
                    (PressureConvention::Vacuum, 25_000.0),
                ] {
                    let unsigned = matches!(kind, NumberKind::U16 | NumberKind::U32);
                    let value = pascals / unit.pascals();
                    let scale = value / if unsigned { 20_000.0 } else { 20_000.0_f64.copysign(value) };
                    let settings = GaugeSettings {
                        scale,
                        unit,
                        convention,
                        range: (-110_000.0 / unit.pascals(), 110_000.0 / unit.pascals()),
                        ..gauge_at(UNIT, register(UNIT, kind, word_order), 100)
                    };
                    let registers = kind.write(word_order, value / scale);
                    let talker = rtu(vec![(GAUGE, settings.clone())], vec![]);
                    let mut world = World::new(talker, |_: Steady, frame: &[u8]| {
                        let asked = asked(frame);
                        let reply = if is_read(frame) { Reply::Registers(registers.clone()) } else { Reply::Done };
                        soon(asked.reply(&reply))
                    });
                    world.run(1_090);
                    let mut health = Health::new(settings.clone(), HealthLimits::of(&settings));
                    let judged = health.judge(world.now, world.readings()[0], room, Motion::Unknown);
                    assert!((judged.vacuum.unwrap().pascals() - 25_000.0).abs() < 1e-6, "{kind:?} {unit} {judged:?}");
                    assert_eq!(judged.quality, Quality::Good);
                }
            }
        }
    }
}

#[test]
fn both_register_tables_are_asked_by_their_own_function() {
    for (table, function) in [(RegisterTable::Holding, 3), (RegisterTable::Input, 4)] {
        let (kind, word_order) = (NumberKind::F32, WordOrder::HighFirst);
        let talk = Talk::Register(RegisterTalk { unit: UNIT, table, address: 0x1234, kind, word_order });
        let mut world = World::new(rtu(vec![(GAUGE, gauge_at(UNIT, talk, 100))], vec![]), honest);
        world.run(1_200);
        assert_eq!(world.sent[1].1[..6], [UNIT, function, 0x12, 0x34, 0, 2]);
        assert!(!world.readings().is_empty());
    }
}

#[test]
fn a_reply_cut_anywhere_costs_one_reading_and_no_more() {
    for kept in 0..7 {
        let mut world = World::new(one_gauge(), at_read(2, |frame| soon(answer(frame, 999)[..kept].to_vec())));
        world.run(3_000);
        assert!(world.readings().iter().all(|raw| *raw == 321.0), "{kept}");
        assert!(world.readings().len() > 14, "{kept}: {}", world.readings().len());
        let (cut, none) = (Heard::BadCheck { gauge: GAUGE }, Heard::NoReply { gauge: GAUGE });
        assert_eq!(world.count(|heard| *heard == cut), usize::from(kept > 0), "{kept}");
        assert_eq!(world.count(|heard| *heard == none), usize::from(kept == 0), "{kept}");
    }
}

#[test]
fn a_wrong_bit_anywhere_is_never_a_value() {
    for bit in 0..7 * 8 {
        let mut world = World::new(
            one_gauge(),
            at_read(2, |frame| {
                let mut reply = answer(frame, 321);
                reply[bit / 8] ^= 1 << (bit % 8);
                soon(reply)
            }),
        );
        world.run(3_000);
        assert!(world.readings().iter().all(|raw| *raw == 321.0), "bit {bit}");
        assert_eq!(world.count(|heard| *heard == Heard::BadCheck { gauge: GAUGE }), 1, "bit {bit}");
        assert!(world.readings().len() > 14, "bit {bit}");
    }
}

/// One bad check word in a hundred, one in five, and nothing else: no value ever, the rest right.
#[test]
fn bad_check_words_are_counted_and_the_rest_is_read() {
    for every in [100, 5, 1] {
        let mut reads = 0;
        let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
            let mut reply = answer(frame, 321);
            reads += usize::from(is_read(frame));
            if is_read(frame) && reads % every == 0 {
                reply[3] ^= 0x40;
            }
            soon(reply)
        });
        world.run(60_000);
        let (good, bad) = (world.readings().len(), world.count(|heard| *heard == Heard::BadCheck { gauge: GAUGE }));
        assert!(world.readings().iter().all(|raw| *raw == 321.0));
        assert_eq!(bad, (good + bad) / every, "{every}");
        assert!(bad > 3 && (every == 1 || good > 100), "{every}: {good} {bad}");
    }
}

#[test]
fn bytes_may_come_one_at_a_time_with_gaps() {
    for gap in [1, 2, 5, 10, 20, 25] {
        let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
            let reply = answer(frame, 321).into_iter().zip(1..);
            reply.map(|(byte, n)| (Span::from_millis(n * gap), vec![byte])).collect()
        });
        world.run(5_000);
        assert_eq!(world.readings().len(), world.heard.len(), "{gap}");
        assert!(world.readings().len() > 15, "{gap}");
    }
}

#[test]
fn what_answers_something_else_is_foreign_and_no_value() {
    let read = |unit, function: u8, count| {
        let request = match function {
            3 => Request::ReadHolding { address: 40, count },
            _ => Request::ReadInput { address: 40, count },
        };
        request.reply_frame(unit, &Reply::Registers(vec![999; usize::from(count)]))
    };
    for (foreign, unit, function) in [
        (read(UNIT + 1, 3, 1), UNIT + 1, 3),
        (read(UNIT, 4, 1), UNIT, 4),
        (read(UNIT, 3, 2), UNIT, 3),
        (read(UNIT, 3, 120), UNIT, 3),
        (Request::WriteCoil { address: 0, on: true }.reply_frame(UNIT, &Reply::Done), UNIT, 5),
        (
            Request::ReadInput { address: 0, count: 1 }.reply_frame(UNIT, &Reply::Exception(ExceptionCode(2))),
            UNIT,
            0x84,
        ),
    ] {
        for instead in [true, false] {
            let mut world = World::new(
                one_gauge(),
                at_read(2, |frame| {
                    let honest = if instead { vec![] } else { answer(frame, 321) };
                    soon([foreign.clone(), honest].concat())
                }),
            );
            world.run(3_000);
            assert!(world.readings().iter().all(|raw| *raw == 321.0), "{foreign:?}");
            assert_eq!(world.count(|heard| *heard == Heard::Foreign { unit, function }), 1);
            assert_eq!(world.count(|heard| *heard == Heard::NoReply { gauge: GAUGE }), usize::from(instead));
            assert!(world.readings().len() > 14);
        }
    }
}

#[test]
fn swapped_replies_of_two_units_are_no_values() {
    let mut world =
        World::new(rtu(vec![u16_gauge(1, 1, 100), u16_gauge(2, 2, 100)], vec![]), |_: Steady, frame: &[u8]| {
            let mut swapped = asked(frame);
            swapped.unit = 3 - swapped.unit;
            soon(swapped.reply(&if is_read(frame) { Reply::Registers(vec![321]) } else { Reply::Done }))
        });
    world.run(10_000);
    assert!(world.readings().is_empty());
    assert!(world.count(|heard| matches!(heard, Heard::Foreign { .. })) > 5);
}

#[test]
fn a_stray_byte_before_the_reply_hides_nothing() {
    for stray in 0..=255 {
        let mut world =
            World::new(one_gauge(), |_: Steady, frame: &[u8]| soon([vec![stray], answer(frame, 321)].concat()));
        world.run(3_000);
        assert_eq!(world.readings().len(), world.heard.len(), "{stray}");
        assert!(world.readings().len() > 18, "{stray}");
    }
}

#[test]
fn an_adapter_that_echoes_every_request_does_no_harm() {
    let mut world =
        World::new(one_gauge(), |_: Steady, frame: &[u8]| soon([frame.to_vec(), answer(frame, 321)].concat()));
    world.run(3_000);
    assert!(world.readings().len() > 18);
    assert!(world.readings().iter().all(|raw| *raw == 321.0));
}

#[test]
fn a_unit_that_answers_twice_is_still_read() {
    let mut world =
        World::new(one_gauge(), |_: Steady, frame: &[u8]| soon([answer(frame, 321), answer(frame, 321)].concat()));
    world.run(3_000);
    assert!(world.readings().len() > 15, "{}", world.readings().len());
}

#[test]
fn exceptions_are_told_and_heeded() {
    for (code, least, most) in [
        (1, 1, 3),
        (2, 1, 3),
        (3, 1, 3),
        (4, 9, 11),
        (5, 30, 40),
        (6, 30, 40),
        (8, 9, 11),
        (10, 9, 11),
        (11, 9, 11),
        (99, 9, 11),
    ] {
        let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
            let code = ExceptionCode(code);
            soon(if is_read(frame) { asked(frame).refusal(code) } else { answer(frame, 0) })
        });
        world.run(11_000);
        let told = world.count(|heard| *heard == Heard::Exception { gauge: GAUGE, code: ExceptionCode(code) });
        assert_eq!(told, world.heard.len());
        assert!((least..=most).contains(&told), "{code}: {told}");
    }
}

#[test]
fn a_unit_without_loopback_that_says_so_is_read_all_the_same() {
    let mut world = World::new(one_gauge(), |_: Steady, frame: &[u8]| {
        soon(if is_read(frame) { answer(frame, 321) } else { asked(frame).refusal(ExceptionCode::ILLEGAL_FUNCTION) })
    });
    world.run(2_000);
    assert!(world.readings().len() > 8);
    assert_eq!(world.readings().len(), world.heard.len());
}

#[test]
fn a_unit_that_was_dead_for_long_is_back_within_five_seconds() {
    for silent_for in [300, 1_000, 5_000, 60_000] {
        for ignores in [false, true] {
            let mut world = World::new(one_gauge(), |at: Steady, frame: &[u8]| {
                let dead = (millis(2_000)..millis(2_000 + silent_for)).contains(&at);
                if dead || (ignores && !is_read(frame)) { vec![] } else { soon(answer(frame, 321)) }
            });
            world.run(2_000 + silent_for);
            let before = world.readings().len();
            world.run(2_000 + silent_for + 5_000);
            assert!(world.readings().len() > before + 10, "{silent_for} {ignores}");
        }
    }
}

#[test]
fn a_dead_gauge_does_not_silence_its_neighbour() {
    let gauges = vec![u16_gauge(1, 1, 100), u16_gauge(2, 2, 100)];
    let mut world = World::new(
        rtu(gauges, vec![]),
        |_: Steady, frame: &[u8]| {
            if frame[0] == 1 { vec![] } else { soon(answer(frame, 321)) }
        },
    );
    world.run(61_000);
    assert!(world.readings().len() > 400, "{}", world.readings().len());
    let longest =
        world.heard.iter().filter(|(_, heard)| reading(heard).is_some()).map(|(at, _)| *at).collect::<Vec<_>>();
    assert!(longest.windows(2).all(|pair| pair[1].since(pair[0]) < Span::from_millis(700)));
}

#[test]
fn endless_garbage_is_dropped_in_bounded_memory_and_the_gauge_is_back_after_it() {
    let babble = millis(1_300)..millis(6_300);
    for seed in 0..20_u64 {
        let mut world = World::new(
            one_gauge(),
            |at: Steady, frame: &[u8]| {
                if babble.contains(&at) { vec![] } else { soon(answer(frame, 321)) }
            },
        );
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15).wrapping_add(1);
        for millisecond in 1_300..6_300 {
            let bytes = (0..50).map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                state.to_be_bytes()[1]
            });
            world.arrive(millis(millisecond), bytes.collect());
        }
        for millisecond in (1_300..6_300).step_by(50) {
            world.run(millisecond);
            assert!(serde_json::to_vec(&world.talker).unwrap().len() < 4_000);
        }
        world.run(6_300);
        assert!(world.readings().iter().all(|raw| *raw == 321.0));
        assert!(world.count(|heard| *heard == Heard::BadCheck { gauge: GAUGE }) > 2);
        let before = world.readings().len();
        world.run(8_300);
        assert!(world.readings().len() > before, "seed {seed}");
    }
}

#[test]
fn a_lost_line_is_silent_and_starts_anew() {
    let mut world =
        World::new(one_gauge(), |_: Steady, frame: &[u8]| vec![(Span::from_millis(50), answer(frame, 321))]);
    world.run(1_700);
    let sent = world.sent.len();
    world.talker.line_lost(millis(1_700));
    assert_eq!(world.talker.deadline(), None);
    world.run(5_000);
    assert_eq!(world.sent.len(), sent);
    world.talker.line_up(millis(5_000));
    world.run(6_000);
    assert_eq!(world.sent[sent].1[1], 8);
    assert!(world.sent.len() > sent + 5);
}

#[test]
fn what_cannot_share_a_line_is_refused() {
    let modbus = line(Protocol::ModbusRtu);
    let text = line(Protocol::AsciiTalker);
    let new = |line: &LineSettings, gauges, lights| Talker::new(line.clone(), gauges, lights).unwrap_err();
    let shared = LightSettings { unit: 1, ..light() };
    let ascii = |id| (GaugeId(id), gauge_at(1, ascii_talk(b"?\r", 0), 100));
    assert!(matches!(new(&modbus, vec![u16_gauge(1, 1, 100)], vec![shared]), UnfitLine::SharedUnit { unit: 1, .. }));
    assert!(matches!(new(&modbus, vec![u16_gauge(1, 0, 100)], vec![]), UnfitLine::Unit { unit: 0, .. }));
    assert!(matches!(new(&modbus, vec![u16_gauge(1, 248, 100)], vec![]), UnfitLine::Unit { unit: 248, .. }));
    let nowhere = LightSettings { unit: 0, ..light() };
    assert!(matches!(new(&modbus, vec![], vec![nowhere]), UnfitLine::Unit { unit: 0, .. }));
    assert!(matches!(new(&modbus, vec![ascii(1)], vec![]), UnfitLine::Language(_)));
    assert!(matches!(new(&text, vec![u16_gauge(1, 1, 100)], vec![]), UnfitLine::Language(_)));
    assert!(matches!(new(&text, vec![ascii(1), ascii(2)], vec![]), UnfitLine::OneTalker(2)));
    assert!(matches!(new(&text, vec![ascii(1)], vec![light()]), UnfitLine::LightOnText(_)));
    assert!(matches!(new(&modbus, vec![u16_gauge(1, 1, 0)], vec![]), UnfitLine::NoPause(_)));
}
