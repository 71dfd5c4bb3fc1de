//! Gauges that speak in lines of text.

use super::*;

#[test]
fn a_talker_that_is_asked_gives_its_number() {
    let mut world = World::new(talker_of_text(b"PR1\r", 1), |_: Steady, _: &[u8]| {
        vec![(Span::from_millis(5), b"ch 1: ".to_vec()), (Span::from_millis(9), b"-0.812 bar\r\nOK\r\n".to_vec())]
    });
    world.run(2_200);
    assert!(world.sent.iter().all(|(_, request, errand)| request == b"PR1\r" && *errand == Errand::Poll));
    assert!(world.readings().len() >= 9);
    assert!(world.readings().iter().all(|raw| *raw == -0.812));
    assert_eq!(world.readings().len(), world.heard.len());
}

#[test]
fn a_line_of_text_cut_anywhere_is_never_a_wrong_value() {
    let whole = b"812.5 mbar\n";
    for kept in 0..whole.len() {
        let mut asked = 0;
        let mut world = World::new(talker_of_text(b"?", 0), |_: Steady, _: &[u8]| {
            asked += 1;
            soon(if asked == 3 { whole[..kept].to_vec() } else { whole.to_vec() })
        });
        world.run(4_000);
        assert!(world.readings().iter().all(|raw| *raw == 812.5), "{kept}");
        assert_eq!(world.heard.len() - world.readings().len(), 1, "{kept}");
        assert!(world.readings().len() > 10, "{kept}");
    }
}

#[test]
fn a_late_line_never_becomes_a_value() {
    for late in 1..1_150 {
        let (mut asked, mut free) = (0, Steady::default());
        let mut world = World::new(talker_of_text(b"?", 0), |at: Steady, _: &[u8]| {
            asked += 1;
            free = free.max(at.plus(Span::from_millis(if asked == 4 { late } else { 10 })));
            vec![(free.since(at), format!("{asked} mbar\n").into_bytes())]
        });
        world.run(6_000);
        for (at, heard) in &world.heard {
            if let Some(raw) = reading(heard) {
                let asked = world.sent.iter().filter(|(sent, ..)| sent < at).count();
                assert_eq!(raw, asked as f64, "late by {late} ms");
            }
        }
        assert!(world.readings().len() > 20, "late by {late} ms");
    }
}

#[test]
fn a_talker_that_sends_by_itself_is_heard_and_missed() {
    let mut world = World::new(talker_of_text(b"", 0), |_: Steady, _: &[u8]| vec![]);
    for n in 0..20 {
        world.arrive(millis(1_040 + 50 * n), format!("{}", 700 + n).into_bytes());
        world.arrive(millis(1_045 + 50 * n), b" mbar\r\n".to_vec());
    }
    world.run(2_050);
    assert!(world.sent.is_empty());
    assert_eq!(world.readings(), (701..720).map(f64::from).collect::<Vec<f64>>(), "the first may be half a line");
    assert_eq!(world.heard.len(), 19);
    world.run(4_000);
    assert_eq!(world.count(|heard| *heard == Heard::NoReply { gauge: GAUGE }), 10);
}

#[test]
fn lines_without_the_number_and_lines_without_end_are_bad_checks() {
    let mut world = World::new(talker_of_text(b"", 0), |_: Steady, _: &[u8]| vec![]);
    for n in 0..200 {
        world.arrive(millis(1_000 + 10 * n), vec![b'7'; 97]);
    }
    world.run(3_000);
    assert!(serde_json::to_vec(&world.talker).unwrap().len() < 3_000);
    assert!(world.readings().is_empty());
    assert_eq!(
        world.count(|heard| *heard == Heard::NoReply { gauge: GAUGE }),
        10,
        "nothing to read before a first end"
    );
    world.arrive(millis(3_001), b"\n".to_vec());
    for n in 0..10 {
        world.arrive(millis(3_010 + 100 * n), b"-- ERR --\n".to_vec());
    }
    world.arrive(millis(4_020), [vec![b'9'; 5_000], b"\n123.5\n".to_vec()].concat());
    world.run(4_030);
    assert_eq!(world.readings(), [123.5]);
    assert!(world.count(|heard| *heard == Heard::BadCheck { gauge: GAUGE }) >= 4);
}

#[test]
fn after_a_line_that_nobody_waited_for_the_talker_is_left_alone() {
    let mut world = World::new(talker_of_text(b"?", 0), |_: Steady, _: &[u8]| soon(b"812.5\n".to_vec()));
    world.run(2_050);
    let sent = world.sent.len();
    for stray in 0..40 {
        world.arrive(millis(2_060 + 10 * stray), b"999 mbar\n".to_vec());
    }
    world.run(5_000);
    assert_eq!(world.sent[sent].0, millis(3_060), "a second after the first stray line, however many follow");
    assert!(world.readings().iter().all(|raw| *raw == 812.5));
}
