mod reference;

use holdwatch::table::operating_point;
use reference::{case1, case2, case3, case4, case5};

fn assert_close(what: &str, found: f64, expected: f64, relative: f64) {
    let error = (found - expected).abs();
    assert!(error <= relative * expected.abs(), "{what}: {found} instead of {expected}");
}

/// The network on trial alone: with the other program's own condensed board it must give the other program's balance.
/// Both solve the same equations to 1e-7 or better, hence 1e-5.
#[test]
fn the_network_finds_the_balance_of_an_independent_program() {
    for case in [case1(), case2(), case3(), case4(), case5()] {
        let point = operating_point(&case.table, case.open, &case.matrix);
        let answer = &case.answer;
        assert_close(case.name, point.manifold.pascals(), answer.manifold, 1e-5);
        assert_close(case.name, point.pump_inlet.pascals(), answer.pump_inlet, 1e-5);
        assert_close(case.name, point.throughput.pa_m3_per_s(), answer.throughput, 1e-5);
        assert_close(case.name, point.relief.pa_m3_per_s(), answer.relief, 1e-5);
        for (zone, expected) in point.zones.iter().zip(answer.zones) {
            assert_close(case.name, zone.pascals(), *expected, 1e-5);
        }
        for (flow, expected) in point.zone_throughputs.iter().zip(answer.zone_throughputs) {
            let error = (flow.pa_m3_per_s() - expected).abs();
            assert!(error <= 1e-5 * answer.throughput, "{}: {} instead of {expected}", case.name, flow.pa_m3_per_s());
        }
    }
}
