use holdwatch::table::case::{Case, answer};
use holdwatch::table::field::{Field, Precision, Resolution};
use holdwatch::table::{Condensed, ZoneId};
#[test]
fn dev() {
    for name in [
        "bare_table_4_zones",
        "film_covered_6_zones_unsealed",
        "half_sheet_12_parts_2_closed",
        "blower_128_small_parts",
        "every_field_once",
    ] {
        let case = Case::read(&std::fs::read_to_string(format!("tests/cases/{name}.json")).unwrap()).unwrap();
        let r: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(format!("tests/cases/{name}.result.json")).unwrap()).unwrap();
        let mut rs = vec![Resolution::Preview, Resolution::Standard];
        if std::env::var("FINE").is_ok() {
            rs.push(Resolution::Fine);
        }
        for res in rs {
            let t = std::time::Instant::now();
            let f = Field::solve_to(&case.table, &case.load, res, Precision::Working).unwrap();
            let el = t.elapsed();
            let a = serde_json::to_value(answer(&case, &f)).unwrap();
            let a = &a["result"];
            let b = &r["reference"];
            let d = |k: &str| a[k].as_f64().unwrap() - b[k].as_f64().unwrap();
            let rel = |k: &str| 100.0 * d(k) / b[k].as_f64().unwrap().max(1e-9);
            let zs: f64 = (0..f.zones().count())
                .map(|i| a["zone_Pa"][i].as_f64().unwrap() - b["zone_Pa"][i].as_f64().unwrap())
                .fold(0.0, |m: f64, x| if x.abs() > m.abs() { x } else { m });
            let mut fs: Vec<(f64, String)> = b["part_force_N"]
                .as_object()
                .unwrap()
                .iter()
                .filter(|(_, v)| v.as_f64().unwrap() > 0.0)
                .map(|(k, v)| (100.0 * (a["part_force_N"][k].as_f64().unwrap() / v.as_f64().unwrap() - 1.0), k.clone()))
                .collect();
            fs.sort_by(|a, b| a.0.total_cmp(&b.0));
            let rms = (fs.iter().map(|x| x.0 * x.0).sum::<f64>() / fs.len().max(1) as f64).sqrt();
            println!(
                "{name} {res:?} man {:+.0} inlet {:+.0} flow% {:+.3} total% {:+.3} zone {:+.0} part rms {:.2} min {:?} max {:?} {:?} unk {}",
                d("manifold_Pa"),
                d("pump_inlet_Pa"),
                rel("flow_free_air_m3_h"),
                rel("total_cover_force_N"),
                zs,
                rms,
                fs.first(),
                fs.last(),
                el,
                f.unknowns()
            );
        }
    }
}
