//! Small tables drawn at random (`tests/independent/own_cases.py`), answered by an independent program on meshes that have a node on
//! every line of the case, extrapolated (`tests/independent/table.py`; a third mesh moves parts by 0.3 % at most).

use super::*;

const OWN: [&str; 5] = [
    "own_narrow_kerfs_sonic_valves",
    "own_permeable_lost_relief",
    "own_bare_seam_entry",
    "own_dense_board_small_parts",
    "own_half_covered_board_of_ratio_20",
];

#[test]
fn tables_of_every_kind_come_out_as_on_ever_finer_meshes() {
    for name in OWN {
        let case = Case::read(&text(name)).unwrap();
        let reference = &value(&format!("{name}.result"))["reference"];
        for (resolution, allowed) in [(Resolution::Standard, &STANDARD), (Resolution::Fine, &FINE)] {
            let field = Field::solve(&case.table, &case.load, resolution).unwrap();
            check_against_reference(&case, &answer(&case, &field), reference, allowed);
        }
    }
}
