mod reference;
use holdwatch::table::*;
use reference::*;

#[test]
fn show() {
    for (k, case) in [case1(), case2(), case3(), case4(), case5()].into_iter().enumerate() {
        let k = k as u8 + 1;
        let load = load(k);
        let form = ClosedForm::condense(&case.table, &load);
        println!("{}", case.name);
        let n = case.matrix.count() as u8;
        for i in 0..n {
            for j in 0..n {
                print!(
                    "{:10.3e}/{:10.3e} ",
                    form.zones().get(ZoneId(i), ZoneId(j)),
                    case.matrix.get(ZoneId(i), ZoneId(j))
                );
            }
            println!();
        }
        let p = operating_point(&case.table, case.open, form.zones());
        println!(
            "man {:.0} vs {:.0}; q {:.0} vs {:.0}",
            p.manifold.pascals(),
            case.answer.manifold,
            p.throughput.pa_m3_per_s(),
            case.answer.throughput
        );
        for z in 0..n as usize {
            print!("{:.0}/{:.0} ", p.zones[z].pascals(), case.answer.zones[z]);
        }
        let v = p.zone_potentials();
        let room = case.table.air.room;
        println!("cover {:.0}", form.cover_force(&v, room).newtons());
        if k >= 3 {
            let mut worst = (0.0f64, 9.0f64);
            for (i, part) in parts(k).iter().enumerate() {
                let f = form.part_force(PartId(i as u32), &v, room).newtons();
                let r = f / part.force;
                worst = (worst.0.max(r), worst.1.min(r));
                if k != 4 || i < 12 {
                    println!("{} {:.4} f {:.1} ref {:.1} ratio {:.3}", part.shape.name, part.area_m2, f, part.force, r);
                }
            }
            println!("{worst:?}");
        }
    }
}
