use holdwatch::table::case::Case;
use holdwatch::table::field::{Field, Resolution, Precision};
use holdwatch::table::{Condensed, ZoneId};
#[test]
fn dev() {
    for name in ["bare_table_4_zones","film_covered_6_zones_unsealed","half_sheet_12_parts_2_closed","blower_128_small_parts","every_field_once"] {
        let case = Case::read(&std::fs::read_to_string(format!("tests/cases/{name}.json")).unwrap()).unwrap();
        let r: serde_json::Value = serde_json::from_str(&std::fs::read_to_string(format!("tests/cases/{name}.result.json")).unwrap()).unwrap();
        for res in [Resolution::Preview, Resolution::Standard, Resolution::Fine] {
            let t = std::time::Instant::now();
            let f = Field::solve_to(&case.table, &case.load, res, Precision::Working).unwrap();
            let n = f.zones().count();
            let s: Vec<String> = (0..n).map(|i| { let a=f.zones().get(ZoneId(i as u8),ZoneId(i as u8)); let b=r["zone_matrix_m3_at_2_mm"][i][i].as_f64().unwrap(); format!("{:+.3}", 100.0*(a/b-1.0)) }).collect();
            let o: Vec<String> = (1..n).map(|i| { let a=f.zones().get(ZoneId(0),ZoneId(i as u8)); let b=r["zone_matrix_m3_at_2_mm"][0][i].as_f64().unwrap(); format!("{:+.2}", 100.0*(a/b-1.0)) }).collect();
            println!("{name} {res:?} diag% {} off% {} {:?}", s.join(" "), o.join(" "), t.elapsed());
        }
    }
}
