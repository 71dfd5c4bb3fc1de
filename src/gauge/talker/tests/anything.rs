//! Whatever comes in.

use proptest::prelude::*;

use super::*;

fn any_bytes() -> impl Strategy<Value = Vec<(u64, Vec<u8>)>> {
    let piece = (0..400_u64, prop::collection::vec(any::<u8>(), 0..40));
    let reply = (0..400_u64, (1..4_u8, 0..3_u16)).prop_map(|(gap, (unit, count))| {
        let request = Request::ReadHolding { address: 40, count };
        (gap, request.reply_frame(unit, &Reply::Registers(vec![60_000; usize::from(count)])))
    });
    prop::collection::vec(prop_oneof![piece, reply], 0..60)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever comes in: no panic, no endless loop, little memory, and to a gauge only reads and loopbacks.
    #[test]
    fn whatever_comes_in_a_gauge_is_only_ever_read(pieces in any_bytes(), lost in any::<bool>()) {
        let talker = rtu(vec![u16_gauge(1, 1, 50), u16_gauge(2, 2, 130)], vec![light()]);
        let mut world = World::new(talker, |_: Steady, frame: &[u8]| {
            if frame[0] == 2 || frame[0] == LIGHT_UNIT { soon(answer(frame, 321)) } else { vec![] }
        });
        let mut at = 1_000;
        for (gap, bytes) in pieces {
            at += gap;
            world.arrive(millis(at), bytes);
        }
        world.run(at / 2 + 500);
        if lost {
            world.talker.line_lost(world.now);
            world.talker.line_up(world.now);
        }
        world.run(at + 100);
        for (_, frame, errand) in &world.sent {
            let reads = matches!(frame[1], 3 | 8);
            let expected = if frame[0] == LIGHT_UNIT { Errand::Light } else { Errand::Poll };
            prop_assert_eq!(*errand, expected);
            prop_assert!(reads || frame[0] == LIGHT_UNIT);
        }
        prop_assert!(serde_json::to_vec(&world.talker).unwrap().len() < 6_000);
    }

    /// A talker written down and read back at any moment goes on as if nothing had been.
    #[test]
    fn a_talker_can_be_put_away_and_taken_up_again(pieces in any_bytes(), every in 1..9_u64) {
        let run = |put_away: bool| {
            let talker = rtu(vec![u16_gauge(1, 1, 50)], vec![light()]);
            let mut world = World::new(talker, honest);
            let mut at = 1_000;
            for (gap, bytes) in &pieces {
                at += gap;
                world.arrive(millis(at), bytes.clone());
            }
            for step in 0..40 {
                world.run(1_000 + step * every * 7);
                if put_away {
                    let kept = postcard::to_stdvec(&world.talker).unwrap();
                    world.talker = postcard::from_bytes(&kept).unwrap();
                }
            }
            (world.sent, world.heard)
        };
        prop_assert_eq!(run(true), run(false));
    }

    /// Sound readings between any junk: what comes out was sent.
    #[test]
    fn a_line_of_text_gives_only_numbers_that_were_sent(levels in prop::collection::vec(-1_000..1_000_i32, 1..30), cut in 1..20_usize) {
        let mut world = World::new(talker_of_text(b"", 0), |_: Steady, _: &[u8]| vec![]);
        let text: String = levels.iter().map(|level| format!(">p {level}.25 mbar\r\n")).collect();
        let stream = [b"5\n".to_vec(), text.into_bytes()].concat();
        for (n, piece) in stream.chunks(cut).enumerate() {
            world.arrive(Steady::from_nanos(1_001_000_000 + n as u64 * 1_000_000), piece.to_vec());
        }
        world.run(3_000);
        let expected: Vec<f64> = levels.iter().map(|level| format!("{level}.25").parse().unwrap()).collect();
        prop_assert_eq!(world.readings(), expected);
    }
}
