//! A whole job's forecast, through the front.

#[cfg(test)]
mod reference;

use holdwatch::expectation::{Question, Spread, forecast, zones_under};
use holdwatch::job::*;
use holdwatch::table::*;
use holdwatch::units::*;

#[test]
fn show() {
    let mut case = reference::case4();
    case.table.pump.count = 2;
    let parts: Vec<CardPart> = reference::parts(4)
        .iter()
        .map(|part| CardPart {
            name: part.shape.name.clone(),
            rect: Rect { low: part.shape.outline[0], high: part.shape.outline[2] },
            held: HowHeld::Vacuum,
        })
        .collect();
    let card = Card {
        name: "x".into(),
        sheet: CardSheet {
            rect: Rect::from_metres(0.01, 0.01, 2.43, 1.21),
            thickness: Length::from_millimetres(18.0),
            material: Material {
                name: "m".into(),
                density: Density::from_kg_per_m3(720.0),
                friction: 0.3,
                cutting_force_n_mm2: 35.0,
                permeability_m2: 0.0,
            },
            gap: Length::from_millimetres(0.03),
        },
        cutter: Cutter {
            diameter: Length::from_millimetres(6.0),
            flutes: 2,
            spindle_rpm: 18000.0,
            feed_m_min: 6.0,
            last_pass: Length::from_millimetres(3.0),
            axial_share: 0.3,
        },
        parts,
        zones: vec![],
        required_margin: 2.0,
        side_force: None,
    };
    let sets: Vec<ZoneSet> =
        std::iter::once(ZoneSet::first(4)).chain((0..4).map(|z| ZoneSet::first(4).without(ZoneId(z)))).collect();
    println!("{:?}", zones_under(&case.table, &card.sheet.rect));
    let q = Question {
        table: &case.table,
        tap: Tap::Manifold,
        card: Some(&card),
        sets: &sets,
        spread: &Spread::SURVEYED,
        points: 65,
    };
    let t = std::time::Instant::now();
    let f = forecast(&q, ClosedForm::condense).unwrap();
    println!("forecast {:?}", t.elapsed());
    for (x, e) in f.courses[0].points.iter().step_by(8) {
        println!(
            "{x:.2} {:.0} {:.0} {:.0} {:?} leak {:.1} flow {:.0}",
            e.low.pascals(),
            e.mid.pascals(),
            e.high.pascals(),
            e.weakest,
            e.smallest_visible_leak.m3_per_h(),
            e.flow.m3_per_h()
        );
    }
    println!("{:?} {:?} unseen {}", f.courses[0].sealed, f.courses[0].bare, f.unseen.len());
    let form = ClosedForm::condense(&case.table, &reference::load(4));
    let t = std::time::Instant::now();
    for _ in 0..100 {
        std::hint::black_box(operating_point(&case.table, case.open, form.zones()));
    }
    println!("op {:?}", t.elapsed() / 100);
    let t = std::time::Instant::now();
    let l = reference::load(4);
    for _ in 0..10 {
        std::hint::black_box(ClosedForm::condense(&case.table, &l));
    }
    println!("condense {:?}", t.elapsed() / 10);
    let c5 = reference::case5();
    let t = std::time::Instant::now();
    for _ in 0..100 {
        std::hint::black_box(operating_point(&c5.table, c5.open, &c5.matrix));
    }
    println!("op5 {:?}", t.elapsed() / 100);
}
