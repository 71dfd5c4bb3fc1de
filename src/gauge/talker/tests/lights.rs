//! Lights: at once, on time, again within a second, and never at the cost of a reading.

use super::*;

#[test]
fn a_light_is_set_at_once_and_again_within_every_second() {
    let mut world = World::new(rtu(vec![u16_gauge(1, 1, 100)], vec![light()]), honest);
    world.talker.show(Pattern::only(Colour::Green, Lamp::Steady));
    world.run(10_250);
    let coils = |world: &World<_>, since: u64| -> Vec<(Steady, Vec<bool>)> {
        let written =
            world.sent.iter().filter(|(at, frame, _)| frame[..4] == [LIGHT_UNIT, 15, 0, 0] && *at >= millis(since));
        written.map(|(at, frame, _)| (*at, asked(frame).request.unwrap().coils().unwrap())).collect()
    };
    let green = coils(&world, 0);
    assert!(green.iter().all(|(_, on)| on == &[false, false, true, false]));
    assert!(green.windows(2).all(|pair| pair[1].0.since(pair[0].0) < Span::from_secs(1)));
    world.talker.show(Pattern::only(Colour::Red, Lamp::Steady));
    world.run(10_400);
    let red = coils(&world, 10_250);
    assert_eq!(red[0].1, [true, false, false, false]);
    assert!(red[0].0 < millis(10_300), "{:?}", red[0].0);
    assert!(world.count(|heard| *heard == Heard::LightWritten { light: 0 }) > 10);
    assert_eq!(world.count(|heard| matches!(heard, Heard::LightFailed { .. })), 0);
}

#[test]
fn flashing_and_heartbeat_are_driven_by_time() {
    let mut world = World::new(rtu(vec![], vec![light()]), honest);
    world.talker.show(Pattern::only(Colour::Yellow, Lamp::Flashing));
    world.run(21_000);
    let mut yellow = Vec::new();
    let mut beat = Vec::new();
    for (at, frame, _) in &world.sent {
        let Some(on) = asked(frame).request.unwrap().coils() else { continue };
        let row = if frame[3] == 0 { &mut yellow } else { &mut beat };
        let state = on[1];
        if row.last().is_none_or(|(_, before)| *before != state) {
            row.push((*at, state));
        }
    }
    for (changes, expected, period) in [(&yellow, 40, 500), (&beat, 20, 1_000)] {
        assert!((expected - 1..=expected + 1).contains(&changes.len()), "{}", changes.len());
        for pair in changes[1..].windows(2) {
            let gap = pair[1].0.since(pair[0].0).nanos() / 1_000_000;
            assert!(gap.abs_diff(period) <= 30, "{gap} is not {period}");
        }
    }
}

#[test]
fn lights_go_first_and_polls_are_not_starved() {
    let mut lights = vec![];
    for n in 0..6 {
        lights.push(LightSettings { name: format!("light {n}"), unit: 20 + n, red: Some(10), ..light() });
    }
    let mut world = World::new(rtu(vec![u16_gauge(1, 1, 40)], lights), honest);
    world.talker.show(Pattern::only(Colour::Yellow, Lamp::Flashing));
    world.run(11_000);
    let mut since = millis(1_500);
    for (at, heard) in world.heard.iter().filter(|(at, _)| *at > millis(1_500)) {
        if reading(heard).is_some() {
            assert!(at.since(since) < Span::from_millis(120), "no reading from {since:?} to {at:?}");
            since = *at;
        }
    }
    let first = world.sent.iter().position(|(_, _, errand)| *errand == Errand::Light);
    assert_eq!(first, Some(0));
}

#[test]
fn a_light_that_is_gone_is_told_and_does_not_silence_the_gauge() {
    let mut world = World::new(rtu(vec![u16_gauge(1, 1, 100)], vec![light()]), |_: Steady, frame: &[u8]| {
        if frame[0] == LIGHT_UNIT { vec![] } else { soon(answer(frame, 321)) }
    });
    world.run(31_000);
    assert!(world.readings().len() > 200, "{}", world.readings().len());
    assert!(world.count(|heard| *heard == Heard::LightFailed { light: 0 }) > 10);
    assert_eq!(world.count(|heard| matches!(heard, Heard::LightWritten { .. })), 0);
}

#[test]
fn a_light_that_refuses_has_failed() {
    let mut world = World::new(rtu(vec![], vec![light()]), |_: Steady, frame: &[u8]| {
        let asked = asked(frame);
        soon(if frame[1] == 15 { asked.refusal(ExceptionCode::ILLEGAL_ADDRESS) } else { answer(frame, 0) })
    });
    world.run(31_000);
    let failed = world.count(|heard| *heard == Heard::LightFailed { light: 0 });
    assert!((5..=14).contains(&failed), "{failed}");
}

#[test]
fn dark_frames_switch_every_coil_off() {
    let lights = vec![light(), LightSettings { unit: 10, white: Some(4), heartbeat: None, ..light() }];
    let talker = rtu(vec![u16_gauge(1, 1, 100)], lights);
    let off: Vec<(u8, Request)> =
        talker.dark_frames().iter().map(|frame| (frame[0], asked(frame).request.unwrap())).collect();
    assert_eq!(
        off,
        [
            (9, Request::WriteCoils { address: 0, on: vec![false; 4] }),
            (9, Request::WriteCoils { address: 5, on: vec![false; 2] }),
            (10, Request::WriteCoils { address: 0, on: vec![false; 3] }),
            (10, Request::WriteCoils { address: 4, on: vec![false; 2] }),
        ]
    );
}
