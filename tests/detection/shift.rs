use crate::bay::{Bay, Shop};
use holdwatch::plant::{Opening, Scene, Truth};

#[test]
fn probe() {
    let shop = Shop::new();
    for opening in [Opening::Eighths, Opening::Outlines] {
        for scene in Scene::ALL {
            for seed in 1..=4 {
                let truth = Truth { opening, ..Truth::drawn(&shop.setup.table, seed) };
                let mut bay = Bay::new(&shop, scene, truth, seed);
                let main = scene.main_part();
                let mut words: Vec<(f64, String, f64, f64)> = vec![];
                let mut wrong = 0;
                while !bay.ended() {
                    let view = bay.advance();
                    let word = format!("{:?}/{:?}", view.verdict, view.why.key);
                    let t = bay.now.secs_f64();
                    if std::env::var("TRACE").is_ok() && seed == 1 && (t * 10.0).round() as i64 % 20 == 0 {
                        println!(
                            "{scene} {opening:?} {t:.1} {:.0} {:?} {word}",
                            view.vacuum_pa.unwrap_or(0.0),
                            view.expected.as_ref().map(|e| (e.low_pa as i64, e.mid_pa as i64, e.high_pa as i64))
                        );
                    }
                    if words.last().is_none_or(|(_, last, _, _)| *last != word) {
                        words.push((
                            t,
                            word.clone(),
                            view.vacuum_pa.unwrap_or(0.0),
                            view.expected.as_ref().map_or(0.0, |e| e.mid_pa),
                        ));
                    }
                    if t > main.from.secs_f64()
                        && t < main.until.secs_f64()
                        && format!("{:?}", view.verdict).to_lowercase() != main.word
                    {
                        wrong += 1;
                    }
                }
                println!("{opening:?} {scene} {seed}: wrong {wrong} {words:?}");
            }
        }
    }
}
