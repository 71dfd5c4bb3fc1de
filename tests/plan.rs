//! From the cut program to the parts: areas by plane geometry, tabs and skins as they were written, times by hand.

use std::f64::consts::PI;
use std::io::Cursor;

use holdwatch::job::Progress;
use holdwatch::job::plan::{
    Helix, Hold, Kind, Leaves, Machine, Neighbour, Obstacle, ObstacleKind, OpenOutline, Piece, PieceId, Plan, Stock,
    Tip, Told, Tool, Warning, ZeroHeight,
};
use holdwatch::job::program::{Reading, Refusal, read};
use holdwatch::moment::Span;
use holdwatch::table::{Point, Rect};
use holdwatch::units::{Density, Length};
use proptest::prelude::*;

const SHEET: (f64, f64, f64) = (1200.0, 800.0, 18.0);

fn mm(value: f64) -> Length {
    Length::from_millimetres(value)
}

fn stock() -> Stock {
    let sheet = Rect::from_metres(0.1, 0.05, 0.1 + SHEET.0 / 1000.0, 0.05 + SHEET.1 / 1000.0);
    Stock::new(sheet, mm(SHEET.2), Density::from_kg_per_m3(720.0))
}

fn tool(number: u32, diameter: f64) -> Tool {
    Tool { number, diameter: mm(diameter), tip: Tip::Flat, flutes: 2, helix: Helix::STRAIGHT }
}

fn try_plan(text: &str, stock: &Stock, tools: &[Tool]) -> Result<Plan, Vec<Refusal>> {
    Plan::of(read(Cursor::new(text), &Reading::default()), stock, tools, &Machine::default())
}

fn plan(body: &str) -> Plan {
    plan_on(body, &stock())
}

fn plan_on(body: &str, stock: &Stock) -> Plan {
    let text = format!("G21 G90 G17\nT1 M6\nS18000 M3\nG0 Z25\n{body}\nG0 Z25\nM5\nM30\n");
    try_plan(&text, stock, &[tool(1, 6.0), tool(2, 10.0)]).unwrap_or_else(|refusals| panic!("{refusals:?}"))
}

/// A rectangle's outside cut at one depth, the cutter's radius outside.
fn rectangle(x: f64, y: f64, width: f64, height: f64, depth: f64) -> String {
    let (x0, y0, x1, y1) = (x - 3.0, y - 3.0, x + width + 3.0, y + height + 3.0);
    format!("G0 X{x0} Y{y0}\nG1 Z{:.3} F2000\nG1 X{x1} F6000\nY{y1}\nX{x0}\nY{y0}\nG0 Z25\n", -depth)
}

/// A circle's cut with the path's radius.
fn circle(x: f64, y: f64, radius: f64, depth: f64) -> String {
    format!("G0 X{} Y{y}\nG1 Z{:.3} F2000\nG2 I{} J0 F6000\nG0 Z25\n", x - radius, -depth, radius)
}

fn of_kind(plan: &Plan, kind: Kind) -> Vec<&Piece> {
    plan.pieces.iter().filter(|piece| piece.kind == kind).collect()
}

#[track_caller]
fn assert_area(piece: &Piece, expected_mm2: f64) {
    let found = piece.area.square_metres() * 1e6;
    // Half a per cent, our choice.
    assert!((found / expected_mm2 - 1.0).abs() < 0.005, "{found} mm², by hand {expected_mm2} mm²");
}

const THROUGH: f64 = 18.3;

#[test]
fn a_rectangle_cut_all_round_is_a_part_of_its_area_weight_and_place() {
    let plan = plan(&rectangle(100.0, 200.0, 400.0, 300.0, THROUGH));
    let parts = of_kind(&plan, Kind::Part);
    assert_eq!(parts.len(), 1);
    let part = parts[0];
    assert_area(part, 400.0 * 300.0);
    // 0.12 m² · 18 mm · 720 kg/m³.
    assert!((part.mass.kilograms() - 1.5552).abs() < 0.008, "{:?}", part.mass);
    // The sheet lies 100 mm and 50 mm in on the table.
    assert!((part.centroid.x.millimetres() - 400.0).abs() < 0.1 && (part.centroid.y.millimetres() - 400.0).abs() < 0.1);
    assert!(part.holds.is_empty() && part.freed.is_some() && part.freed == part.parted);
    let skeleton = of_kind(&plan, Kind::Skeleton);
    assert_area(skeleton[0], SHEET.0 * SHEET.1 - 406.0 * 306.0 - 2.0 * 3.0 * (406.0 + 306.0) - PI * 9.0 + 0.0);
    assert_eq!(plan.pieces.len(), 2);
}

#[test]
fn a_disc_a_ring_and_its_drop_have_the_areas_of_their_circles() {
    // Outside path 103 (part of radius 100), inside path 47 (opening of radius 50, slug of radius 44).
    let plan = plan(&(circle(300.0, 300.0, 47.0, THROUGH) + &circle(300.0, 300.0, 103.0, THROUGH)));
    let (parts, drops) = (of_kind(&plan, Kind::Part), of_kind(&plan, Kind::Drop));
    assert_eq!((parts.len(), drops.len()), (1, 1));
    assert_area(parts[0], PI * (100.0 * 100.0 - 50.0 * 50.0));
    assert_area(drops[0], PI * 44.0 * 44.0);
    let part = plan.pieces.iter().position(|piece| piece.kind == Kind::Part).unwrap();
    assert_eq!(drops[0].within, Some(PieceId(part as u32)));
    assert!(drops[0].freed.unwrap().elapsed < parts[0].freed.unwrap().elapsed, "the drop falls first");
    assert!(!drops[0].under_cutter);
}

#[test]
fn a_part_in_the_drop_of_a_window_is_a_part() {
    // A frame, its window's drop, and a disc that is cut out of the drop.
    let disc = circle(300.0, 300.0, 43.0, THROUGH);
    let window = rectangle(206.0, 206.0, 188.0, 188.0, THROUGH);
    let plan = plan(&(disc + &window + &rectangle(150.0, 150.0, 300.0, 300.0, THROUGH)));
    let (parts, drops) = (plan.parts(), of_kind(&plan, Kind::Drop));
    assert_eq!((parts.len(), drops.len()), (2, 1));
    assert_area(parts[0], PI * 40.0 * 40.0);
    assert_area(parts[1], 300.0 * 300.0 - 200.0 * 200.0);
    assert_area(drops[0], 188.0 * 188.0 - PI * 46.0 * 46.0);
    assert_eq!(parts[1].openings.len(), 1);
}

/// Nothing tells a great part with windows from a skeleton whose rim was trimmed off: then all is judged.
#[test]
fn parts_of_a_sheet_that_is_trimmed_all_round_are_parts() {
    let trim = rectangle(10.0, 10.0, SHEET.0 - 20.0, SHEET.1 - 20.0, THROUGH);
    let two = rectangle(100.0, 100.0, 94.0, 94.0, THROUGH) + &rectangle(400.0, 400.0, 44.0, 44.0, THROUGH);
    let plan = plan(&(trim + &two));
    let areas: Vec<f64> = plan.parts().iter().map(|piece| (piece.area.square_metres() * 1e6).round()).collect();
    assert_eq!(plan.parts().len(), 3, "{areas:?}");
    assert!(areas.contains(&(94.0 * 94.0)) && areas.contains(&(44.0 * 44.0)), "{areas:?}");
    assert!(of_kind(&plan, Kind::Drop).is_empty());
}

/// A strip that is cut off first is the first part, though it reaches to the sheet's edge.
#[test]
fn parts_come_in_the_order_in_which_they_are_parted() {
    let strip = format!("G0 X-10 Y20\nG1 Z{:.3} F2000\nG1 X{} F6000\nG0 Z25\n", -THROUGH, SHEET.0 + 10.0);
    let plan = plan(&(strip + &rectangle(100.0, 200.0, 200.0, 200.0, THROUGH)));
    let parts = plan.parts();
    // The strip is 20 mm less half a cutter.
    let strip = parts.iter().position(|piece| piece.kind == Kind::Edge && piece.area.square_metres() < 0.03).unwrap();
    let part = parts.iter().position(|piece| piece.kind == Kind::Part).unwrap();
    assert!(strip < part);
    let when: Vec<_> = parts.iter().map(|piece| piece.parted.unwrap().elapsed).collect();
    assert!(when.is_sorted(), "{when:?}");
}

#[test]
fn a_slug_smaller_than_the_cutter_is_flagged() {
    // Path of radius 5 with a 6 mm cutter: a slug of radius 2.
    let plan = plan(&(circle(300.0, 300.0, 5.0, THROUGH) + &rectangle(200.0, 200.0, 200.0, 200.0, THROUGH)));
    let drops = of_kind(&plan, Kind::Drop);
    assert_eq!(drops.len(), 1);
    assert_area(drops[0], PI * 4.0);
    assert!(drops[0].under_cutter);
}

#[test]
fn parts_come_free_in_the_order_of_the_cut_at_the_lines_that_close_them() {
    let body = rectangle(700.0, 100.0, 200.0, 200.0, THROUGH) + &rectangle(100.0, 100.0, 300.0, 200.0, THROUGH);
    let plan = plan(&body);
    let areas: Vec<f64> =
        of_kind(&plan, Kind::Part).iter().map(|part| (part.area.square_metres() * 1e4).round()).collect();
    assert_eq!(areas, [400.0, 600.0]);
    // Four lines of beginning, then six lines of an outline and its retract: the last side closes it.
    let lines: Vec<u64> = of_kind(&plan, Kind::Part).iter().map(|part| part.freed.unwrap().line).collect();
    assert_eq!(lines, [10, 17]);
}

#[test]
fn passes_at_several_depths_free_the_part_in_the_last() {
    let passes: String =
        [6.0, 12.0, THROUGH].iter().map(|depth| rectangle(100.0, 100.0, 300.0, 200.0, *depth)).collect();
    let plan = plan(&passes);
    let part = of_kind(&plan, Kind::Part)[0];
    assert_area(part, 60_000.0);
    assert_eq!(part.freed.unwrap().line, 4 + 7 + 7 + 6);
}

/// A 300 by 200 outline whose lower and upper side lift to a height for a stretch.
fn with_tabs(lift: f64) -> String {
    let over = lift - SHEET.2;
    format!(
        "G0 X97 Y97\nG1 Z-18.3 F2000\nG1 X240 F6000\nZ{over}\nX256\nZ-18.3\nX403\nY303\nX256\nZ{over}\nX240\nZ-18.3\nX97\nY97\nG0 Z25\n"
    )
}

#[test]
fn tabs_hold_a_part_to_the_skeleton_until_the_end() {
    for lift in [3.0, 0.8, 18.0] {
        let plan = plan(&with_tabs(lift));
        let parts = of_kind(&plan, Kind::Part);
        assert_eq!(parts.len(), 1, "lift {lift}");
        let part = parts[0];
        assert_area(part, 60_000.0);
        assert_eq!(part.holds.len(), 2, "lift {lift}: {:?}", part.holds);
        assert!(part.freed.is_none() && part.parted.is_some());
        for hold in &part.holds {
            assert_eq!((hold.leaves, hold.to), (Leaves::Tab, Neighbour::Sheet), "lift {lift}");
            assert!((hold.thickness.millimetres() - lift).abs() < 0.1, "{hold:?}");
            // 16 mm of path lifted; the round ends of the cutter take half of themselves where they touch the rim: 16 mm of
            // rim are not swept, give or take the slack of the rim.
            assert!((hold.length.millimetres() - 16.0).abs() < 1.6, "{hold:?}");
        }
        let xs: Vec<f64> = part.holds.iter().map(|hold| hold.at.x.millimetres()).collect();
        assert!(xs.iter().all(|x| (x - 348.0).abs() < 2.0), "{xs:?}");
    }
}

#[test]
fn ramped_tabs_are_tabs_too() {
    let body = "G0 X97 Y97\nG1 Z-18.3 F2000\nG1 X240 F6000\nX248 Z-14\nX256 Z-18.3\nX403\nY303\nX97\nY97\nG0 Z25\n";
    let plan = plan(body);
    let part = of_kind(&plan, Kind::Part)[0];
    assert_eq!(part.holds.len(), 1, "{:?}", part.holds);
    assert_eq!(part.holds[0].leaves, Leaves::Tab);
}

#[test]
fn tabs_that_the_cutter_hops_over_at_the_rapid_are_tabs_of_the_whole_thickness() {
    let hop = |x: f64, on: f64| format!("G0 Z5\nX{x}\nG1 Z-18.3 F2000\nX{on} F6000\n");
    let body =
        format!("G0 X97 Y97\nG1 Z-18.3 F2000\nX240 F6000\n{}Y303\nX300\n{}Y97\n", hop(256.0, 403.0), hop(284.0, 97.0));
    let plan = plan(&body);
    let part = of_kind(&plan, Kind::Part)[0];
    assert_area(part, 60_000.0);
    assert_eq!(part.holds.len(), 2, "{:?}", part.holds);
    assert!(
        part.holds.iter().all(|hold| (hold.thickness.millimetres() - 18.0).abs() < 1e-3 && hold.leaves == Leaves::Tab)
    );
}

#[test]
fn a_hop_from_outline_to_outline_is_no_tab() {
    let row: String =
        (0..6).map(|place| rectangle(100.0 + 40.0 * f64::from(place), 100.0, 30.0, 30.0, THROUGH)).collect();
    let plan = plan(&row);
    assert_eq!(of_kind(&plan, Kind::Part).len(), 6);
    assert!(plan.pieces.iter().all(|piece| piece.holds.is_empty()));
    assert_eq!(plan.pieces.len(), 7);
}

#[test]
fn a_part_on_a_skin_rests_on_it_until_the_skin_is_cut() {
    let on_skin = plan(&rectangle(100.0, 100.0, 300.0, 200.0, 17.5));
    let part = of_kind(&on_skin, Kind::Part)[0];
    assert!(part.rests_on_a_skin() && part.freed.is_none());
    assert_area(part, 60_000.0);
    let skin: f64 = part.holds.iter().map(|hold| hold.length.millimetres()).sum();
    assert!((skin - 1000.0).abs() < 5.0, "{skin}");
    assert!((part.holds[0].thickness.millimetres() - 0.5).abs() < 1e-6);
    let cut_last =
        plan(&(rectangle(100.0, 100.0, 300.0, 200.0, 17.5) + &rectangle(100.0, 100.0, 300.0, 200.0, THROUGH)));
    let part = of_kind(&cut_last, Kind::Part)[0];
    assert!(part.holds.is_empty());
    assert_eq!(part.freed.unwrap().line, 4 + 7 + 6);
}

#[test]
fn a_tab_between_two_parts_is_flagged() {
    // Two parts with one kerf between them; the common side lifts over a tab, the rest is cut through.
    let body = "G0 X97 Y97\nG1 Z-18.3 F2000\nX503 F6000\nY303\nX97\nY97\nG0 Z25\n\
                G0 X300 Y97\nG1 Z-18.3 F2000\nY195 F6000\nZ-12\nY205\nZ-18.3\nY303\nG0 Z25\n";
    let plan = plan(body);
    let parts = of_kind(&plan, Kind::Part);
    assert_eq!(parts.len(), 2);
    for (place, part) in parts.iter().enumerate() {
        assert_area(part, 197.0 * 200.0);
        let holds: Vec<Neighbour> = part.holds.iter().map(|hold: &Hold| hold.to).collect();
        assert_eq!(holds, [Neighbour::Piece(PieceId(1 - place as u32))]);
        assert!(part.held_by_parts_only());
    }
}

#[test]
fn a_groove_across_a_part_is_no_tab_and_no_cut() {
    let groove = "G0 X80 Y200\nG1 Z-6 F2000\nX420 F6000\nG0 Z25\n";
    let plan = plan(&(groove.to_owned() + &rectangle(100.0, 100.0, 300.0, 200.0, THROUGH)));
    let parts = of_kind(&plan, Kind::Part);
    assert_eq!(parts.len(), 1);
    assert!(parts[0].holds.is_empty());
}

#[test]
fn drilled_holes_are_openings_without_a_drop() {
    let holes = "G99 G81 X150 Y150 Z-19 R3 F2000\nX250\nX350\nG80\n";
    let plan = plan(&(holes.to_owned() + &rectangle(100.0, 100.0, 300.0, 200.0, THROUGH)));
    let part = of_kind(&plan, Kind::Part)[0];
    assert_eq!(part.openings.len(), 3);
    assert_area(part, 60_000.0 - 3.0 * PI * 9.0);
    assert!(of_kind(&plan, Kind::Drop).is_empty());
}

#[test]
fn a_sheet_ripped_into_strips_has_edge_pieces_and_no_skeleton() {
    let rip = |y: f64| format!("G0 X-10 Y{y}\nG1 Z-18.3 F2000\nX1210 F6000\nG0 Z25\n");
    let plan = plan(&(rip(203.0) + &rip(409.0)));
    assert!(of_kind(&plan, Kind::Skeleton).is_empty());
    let strips = of_kind(&plan, Kind::Edge);
    assert_eq!(strips.len(), 3);
    let mut areas: Vec<f64> = strips.iter().map(|strip| (strip.area.square_metres() * 1e4).round()).collect();
    areas.sort_by(f64::total_cmp);
    // 200, 200 and 388 mm by 1200 mm.
    assert_eq!(areas, [2400.0, 2400.0, 4656.0]);
}

#[test]
fn a_helix_into_a_full_circle_parts_a_disc() {
    let body = "G0 X197 Y300\nZ1 \nG2 X197 Y300 Z-9 I103 J0 F6000\nG2 Z-18.3 I103\nG2 I103\nG0 Z25\n";
    let plan = plan(body);
    let part = of_kind(&plan, Kind::Part)[0];
    assert_area(part, PI * 100.0 * 100.0);
    assert_eq!(part.freed.unwrap().line, 9);
}

#[test]
fn a_pointed_cutter_parts_with_the_width_it_has_at_the_board() {
    let cone = Tip::Taper { end: mm(0.2), half_angle_deg: 45.0 };
    let tools = [Tool { number: 1, diameter: mm(20.0), tip: cone, flutes: 2, helix: Helix::STRAIGHT }];
    let stock = stock();
    // 1 mm into the board: 2.2 mm wide there; the path of 306 by 206 leaves 303.8 by 203.8.
    let text = format!("G21 G90 T1 M6 S9000 M3\nG0 Z25\n{}M30", rectangle(100.0, 100.0, 300.0, 200.0, 19.0));
    let plan = try_plan(&text, &stock, &tools).unwrap();
    assert_area(of_kind(&plan, Kind::Part)[0], 303.8 * 203.8);
}

#[test]
fn zero_on_the_board_shifts_every_height() {
    let stock = Stock { height: ZeroHeight::BoardTop, ..stock() };
    let plan = plan_on(&rectangle(100.0, 100.0, 300.0, 200.0, 0.3), &stock);
    assert_eq!(of_kind(&plan, Kind::Part).len(), 1);
    let plan = plan_on(&rectangle(100.0, 100.0, 300.0, 200.0, -0.3), &stock);
    assert!(of_kind(&plan, Kind::Part)[0].rests_on_a_skin());
}

#[test]
fn the_board_is_told_what_it_gets() {
    let stock = Stock { board_left: Some(mm(2.0)), ..stock() };
    let plan = plan_on(&rectangle(100.0, 100.0, 300.0, 200.0, THROUGH), &stock);
    // The outline of the path: 2·(306 + 206).
    assert!((plan.scar.length.metres() - 1.024).abs() < 1e-6, "{:?}", plan.scar.length);
    assert!((plan.scar.deepest.millimetres() - 0.3).abs() < 1e-6);
    let touched = plan.scar.map.touched().square_metres();
    assert!(touched > 0.006 && touched < 0.025, "{touched}");
    assert!(plan.warnings.is_empty(), "{:?}", plan.warnings);
    let deep = plan_on(&rectangle(100.0, 100.0, 300.0, 200.0, 21.0), &stock);
    assert!(matches!(deep.warnings[..], [Warning::ThroughBoard { line: 6, .. }]), "{:?}", deep.warnings);
}

#[test]
fn what_should_be_looked_at_before_the_cut_is_told_at_its_line() {
    let rapid = plan("G0 X100 Y100\nG0 Z-5\nG1 X200 F6000\n");
    assert!(rapid.warnings.contains(&Warning::RapidThroughSheet { line: 6 }), "{:?}", rapid.warnings);
    assert!(rapid.warnings.contains(&Warning::NothingThrough));
    let text = "G21 G0 X0 Y0 Z5\nT1\nG1 Z-2 F500\nM30";
    let still = try_plan(text, &stock(), &[tool(1, 6.0)]).unwrap();
    assert!(still.warnings.contains(&Warning::SpindleStands { line: 3 }));
}

#[test]
fn what_the_card_does_not_know_is_refused_at_its_line() {
    let line = |text: &str| try_plan(text, &stock(), &[tool(1, 6.0), tool(2, 8.0)]).unwrap_err()[0].line;
    assert_eq!(line("G21\nG0 X0 Y0 Z5\nT7 M6\nM30"), 3);
    assert_eq!(line("G21\nG0 X0 Y0 Z5\nG1 Z-5 F100\nM30"), 3);
    assert_eq!(line("G21\nT1 M6\nG0 Z5\nG1 Z-5 F100\nM30"), 4);
}

#[test]
fn kerf_opens_as_the_cut_goes_on() {
    let plan = plan(&rectangle(100.0, 100.0, 300.0, 200.0, THROUGH));
    let length = |elapsed: Span| -> f64 {
        let kerfs = plan.kerfs(elapsed);
        let between = |ends: &[Point]| (ends[1].x - ends[0].x).metres().hypot((ends[1].y - ends[0].y).metres());
        kerfs.iter().flat_map(|kerf| kerf.path.windows(2)).map(between).sum()
    };
    let whole = plan.course.duration();
    assert!(length(Span::ZERO) < 1e-9);
    assert!((length(whole) - 1.024).abs() < 1e-6);
    for tenth in 0..=10 {
        let elapsed = whole.times(f64::from(tenth) / 10.0);
        let opened = plan.course.at(elapsed).fraction() * 1.024;
        // Marks stand at the lines; within a line both go evenly.
        assert!((length(elapsed) - opened).abs() < 0.002, "at {tenth}: {} {opened}", length(elapsed));
    }
}

#[test]
fn a_place_in_the_program_follows_from_whatever_the_machine_tells() {
    let body = rectangle(100.0, 100.0, 300.0, 200.0, THROUGH) + &rectangle(600.0, 100.0, 300.0, 200.0, THROUGH);
    let plan = plan(&body);
    let course = &plan.course;
    let freed = plan.pieces[0].freed.unwrap();
    let place = course.place(Told::Line(freed.line)).unwrap();
    assert!(place.earliest <= place.likely && place.likely <= place.latest);
    // The last of four sides, 206 of 1024 mm, of the first of two outlines.
    assert!(
        (place.latest.fraction() - 0.5).abs() < 1e-6 && (place.earliest.fraction() - 0.5 * 818.0 / 1024.0).abs() < 1e-6
    );
    let by_time = course.place(Told::Elapsed(freed.elapsed)).unwrap();
    // The last 3 mm of the outline are swept by its first: the part is free that much before the line ends.
    assert!((by_time.likely.fraction() - 0.5).abs() < 3.0 / 1024.0);
    assert!(by_time.earliest < by_time.likely && by_time.likely <= by_time.latest);
    let by_share = course.place(Told::Share(freed.line as f64 / course.lines() as f64)).unwrap();
    assert!(by_share.earliest.fraction() <= 0.5 && by_share.latest.fraction() >= 0.4);
    assert_eq!(course.place(Told::Line(9999)), None);
    assert_eq!(course.place(Told::Number(10)), None);
    let half = course.when(Progress::from_fraction(0.5));
    assert!((half.secs_f64() - freed.elapsed.secs_f64()).abs() < 0.5);
}

#[test]
fn a_programs_own_line_numbers_lead_to_the_same_place() {
    let text = "N10 G21 G90 T1 M6 S9000 M3\nN20 G0 X0 Y0 Z5\nN30 G1 Z-19 F2000\nN40 G1 X500\nN50 M30\n";
    let plan = try_plan(text, &stock(), &[tool(1, 6.0)]).unwrap();
    let (line, number) = (plan.course.place(Told::Line(4)), plan.course.place(Told::Number(40)));
    assert!(line.is_some());
    assert_eq!(line, number);
}

#[test]
fn the_time_of_a_straight_cut_is_that_of_its_ramps_and_its_even_part() {
    // By hand: 1000 mm at 100 mm/s and 2000 mm/s²: 0.05 s up, 0.05 s down, 2.5 mm each, 995 mm evenly.
    let text = "G21 G90 G0 X0 Y100 Z5\nT1\nG4 P0\nG1 X1000 F6000\nG4 P3\nM30\n";
    let plan = try_plan(text, &stock(), &[tool(1, 6.0)]).unwrap();
    assert!((plan.course.duration().secs_f64() - (0.1 + 9.95 + 3.0)).abs() < 1e-6, "{:?}", plan.course.duration());
}

/// The widest gap of an open outline in mm, its line, and the outline's area in mm².
fn gap(open: &OpenOutline) -> (f64, u64, f64) {
    (open.gaps[0].length.millimetres(), open.gaps[0].line, open.area.square_metres() * 1e6)
}

#[test]
fn an_outline_that_stops_short_of_its_beginning_is_told_with_line_and_gap() {
    // 18 mm from middle line to middle line are left, of which the cutter's two half widths are cut.
    let plan = plan("G0 X97 Y97\nG1 Z-18.3 F2000\nX403 F6000\nY303\nX97\nY115\nG0 Z25\n");
    assert!(of_kind(&plan, Kind::Part).is_empty());
    assert_eq!(plan.open.len(), 1);
    let (wide, line, area) = gap(&plan.open[0]);
    assert!((wide - 12.0).abs() < 1e-6 && line == 10, "{wide} {line}");
    assert!((area / 60_000.0 - 1.0).abs() < 0.01, "{area}");
    let at = plan.open[0].gaps[0].at;
    // The sheet lies 100 mm and 50 mm in on the table.
    assert!((at.x.millimetres() - 197.0).abs() < 0.1 && (at.y.millimetres() - 156.0).abs() < 0.1, "{at:?}");
    assert!(matches!(plan.warnings[..], [Warning::OpenOutline { line: 10, .. }]), "{:?}", plan.warnings);
}

#[test]
fn a_side_that_is_not_cut_through_opens_the_outline() {
    let plan = plan("G0 X97 Y97\nG1 Z-18.3 F2000\nX403 F6000\nY303\nX97\nZ-10\nY97\nG0 Z25\n");
    assert!(of_kind(&plan, Kind::Part).is_empty());
    assert_eq!(plan.open.len(), 1);
    let (wide, _, area) = gap(&plan.open[0]);
    assert!((wide - 200.0).abs() < 0.1 && (area / 60_000.0 - 1.0).abs() < 0.01, "{wide} {area}");
}

#[test]
fn an_outline_in_two_halves_has_two_gaps() {
    let halves = "G0 X97 Y97\nG1 Z-18.3 F2000\nX403 F6000\nY195\nG0 Z25\n\
                  G0 X97 Y115\nG1 Z-18.3 F2000\nY303 F6000\nX403\nY210\nG0 Z25\n";
    let plan = plan(halves);
    assert_eq!(plan.open.len(), 1, "{:?}", plan.open);
    let gaps: Vec<f64> = plan.open[0].gaps.iter().map(|gap| gap.length.millimetres().round()).collect();
    assert!(gaps.len() >= 2 && (gaps[0] - 12.0).abs() < 0.1 && gaps.contains(&9.0), "{gaps:?}");
}

#[test]
fn a_rip_that_ends_before_the_sheets_edge_is_told() {
    let plan = plan("G0 X-10 Y203\nG1 Z-18.3 F2000\nX1192 F6000\nG0 Z25\n");
    assert_eq!(plan.open.len(), 1);
    let (wide, line, area) = gap(&plan.open[0]);
    assert!((wide - 5.0).abs() < 1e-6 && line == 7, "{wide} {line}");
    assert!((area / 240_000.0 - 1.0).abs() < 0.01, "{area}");
}

#[test]
fn cuts_that_are_no_outline_are_not_told() {
    // Slots side by side, an outline with a lead in and one out, one cut over its beginning, a slot towards the edge.
    let slots: String = (0..6)
        .map(|row| format!("G0 X100 Y{}\nG1 Z-18.3 F2000\nX200 F6000\nG0 Z25\n", 100.0 + 16.0 * f64::from(row)))
        .collect();
    let leads = "G0 X380 Y87\nG1 Z-18.3 F2000\nX400 Y97 F6000\nX603\nY303\nX297\nY97\nX400\nX420 Y87\nG0 Z25\n";
    let over = "G0 X700 Y97\nG1 Z-18.3 F2000\nX903 F6000\nY303\nX697\nY97\nX710\nG0 Z25\n";
    let edge = "G0 X1000 Y500\nG1 Z-18.3 F2000\nY790 F6000\nG0 Z25\n";
    let plan = plan(&format!("{slots}{leads}{over}{edge}"));
    assert_eq!(of_kind(&plan, Kind::Part).len(), 2);
    assert!(plan.open.is_empty(), "{:?}", plan.open.iter().map(gap).collect::<Vec<_>>());
}

#[test]
fn a_cut_into_screws_and_grooves_of_the_board_is_told_once_each() {
    let place = |x: f64, y: f64| Point { x: mm(x), y: mm(y) };
    let screw = |x: f64, y: f64, below: f64| Obstacle {
        kind: ObstacleKind::Screw,
        from: place(x, y),
        to: place(x, y),
        width: mm(10.0),
        below: mm(below),
    };
    let groove = Obstacle {
        kind: ObstacleKind::Groove,
        from: place(300.0, 0.0),
        to: place(300.0, 700.0),
        width: mm(8.0),
        below: mm(4.0),
    };
    // On the table the outline's lower side runs from 197,147 to 503,147, 3 mm deep into the board; the middle of the part is whole.
    let obstacles = vec![
        screw(400.0, 150.0, 2.0),
        screw(450.0, 147.0, 3.5),
        screw(350.0, 250.0, 0.0),
        groove,
        screw(420.0, 156.0, 2.0),
    ];
    let stock = Stock { obstacles, ..stock() };
    let cut = plan_on(&rectangle(100.0, 100.0, 300.0, 200.0, 21.0), &stock);
    let met: Vec<(u64, f64, f64)> = cut
        .warnings
        .iter()
        .filter_map(|warning| match warning {
            Warning::IntoObstacle { line, at, depth, kind: ObstacleKind::Screw, .. } => {
                Some((*line, at.x.millimetres().round(), (depth.millimetres() * 10.0).round()))
            }
            _ => None,
        })
        .collect();
    assert_eq!(met, [(7, 400.0, 30.0)], "{:?}", cut.warnings);
    let deep = plan_on(&rectangle(100.0, 100.0, 300.0, 200.0, 22.5), &stock);
    let grooves = deep
        .warnings
        .iter()
        .filter(|warning| matches!(warning, Warning::IntoObstacle { kind: ObstacleKind::Groove, line: 7, .. }));
    assert_eq!(grooves.count(), 1, "{:?}", deep.warnings);
}

#[test]
fn the_tool_that_cuts_through_is_told_with_its_feed_speed_and_last_pass() {
    let passes: String =
        [6.0, 12.0, THROUGH].iter().map(|depth| rectangle(100.0, 100.0, 300.0, 200.0, *depth)).collect();
    let one = plan(&passes);
    assert_eq!(one.through.len(), 1);
    let through = &one.through[0];
    assert!(through.tool == 1 && (through.rpm.unwrap() - 18_000.0).abs() < 1e-6, "{through:?}");
    assert!((through.feed.metres_per_second() - 0.1).abs() < 1e-9, "{through:?}");
    // 18 mm in passes to 6, 12 and through.
    assert!((through.last_pass.millimetres() - 6.0).abs() < 0.3, "{through:?}");
    assert!((through.length.metres() - 1.024).abs() < 0.001, "{through:?}");
    let at_once = plan(&rectangle(100.0, 100.0, 300.0, 200.0, THROUGH));
    assert!((at_once.through[0].last_pass.millimetres() - 18.0).abs() < 0.3, "{:?}", at_once.through);
    let skin = plan(&(rectangle(100.0, 100.0, 300.0, 200.0, 17.5) + &rectangle(100.0, 100.0, 300.0, 200.0, THROUGH)));
    assert!((skin.through[0].last_pass.millimetres() - 0.5).abs() < 0.3, "{:?}", skin.through);
    let two =
        plan("T2 M6\nG0 X300 Y300\nG1 Z-19 F2000\nX310 F3000\nG0 Z25\nT1 M6\nG0 X97 Y97\nG1 Z-19 F2000\nX503 F6000\n");
    assert_eq!(two.through.iter().map(|through| through.tool).collect::<Vec<_>>(), [1, 2]);
}

/// Each of these is cut in passes of 6 mm, though here and there a piece of the path meets more.
#[test]
fn ramps_nicks_and_small_holes_do_not_pass_for_deep_passes() {
    // A square on its corner, its last pass broken by tabs, so that it grazes other corners of any map of cells than those before.
    let slanted = |depth: f64, tabs: bool| {
        let corners = [(400.0, 100.0), (600.0, 300.0), (400.0, 500.0), (200.0, 300.0), (400.0, 100.0)];
        let mut text = format!("G0 X400 Y100\nG1 Z{:.3} F2000\nF6000\n", -depth);
        for ends in corners.windows(2) {
            let at = |share: f64| {
                let along = |from: f64, to: f64| from + (to - from) * share;
                format!("X{:.3} Y{:.3}", along(ends[0].0, ends[1].0), along(ends[0].1, ends[1].1))
            };
            if tabs {
                let (down, up) = (format!("G1 Z{:.3}", -depth), "G1 Z-13");
                text += &format!("G1 {}\n{up}\n{}\n{down}\n", at(0.37), at(0.41));
            }
            text += &format!("G1 {}\n", at(1.0));
        }
        text + "G0 Z25\n"
    };
    // Down 6 mm along the first 60 mm of each lap.
    let ramped = "G0 X97 Y97\nG1 Z0 F6000\nX157 Z-6\nX403\nY303\nX97\nY97\nX157 Z-12\nX403\nY303\nX97\nY97\nX157 Z-18.3\nX403\n\
                  Y303\nX97\nY97\nX160\nG0 Z25\n";
    // Holes of 14 mm, down 3 mm a turn, and once round at the bottom.
    let hole = |x: f64| {
        let turns: String = (1..=6).map(|turn| format!("G2 I4 Z{:.2} F6000\n", -3.05 * f64::from(turn))).collect();
        format!("G0 X{x} Y700\nG1 Z0 F2000\n{turns}G2 I4\nG0 Z25\n")
    };
    let holes: String = (0..40).map(|place| hole(100.0 + 20.0 * f64::from(place))).collect();
    let passes: String =
        [6.0, 12.0, THROUGH].iter().map(|depth| rectangle(700.0, 100.0, 300.0, 200.0, *depth)).collect();
    let slanted = slanted(6.0, false) + &slanted(12.0, false) + &slanted(THROUGH, true);
    for text in [slanted, ramped.to_owned(), holes + &passes] {
        let plan = plan(&text);
        let last_pass = plan.through[0].last_pass.millimetres();
        assert!((5.9..=6.1).contains(&last_pass), "{last_pass} mm: {:?}\n{text}", plan.through);
    }
}

/// Pieces of programs, in and far beyond a sheet.
fn line() -> impl Strategy<Value = String> {
    let far = || prop_oneof![8 => -50.0..1300.0, 1 => -1e5..1e6_f64];
    let depth = prop_oneof![3 => Just(-18.3), 1 => Just(-17.6), 1 => Just(5.0), 2 => -25.0..10.0_f64];
    let xy = (far(), far());
    prop_oneof![
        (xy.clone(), depth.clone()).prop_map(|((x, y), z)| format!("G1 X{x:.2} Y{y:.2} Z{z:.2} F6000")),
        depth.clone().prop_map(|z| format!("G1 Z{z:.2} F2000")),
        xy.clone().prop_map(|(x, y)| format!("G0 Z20\nG0 X{x:.2} Y{y:.2}")),
        (1.0..400.0_f64, any::<bool>()).prop_map(|(i, way)| format!("G{} I{i:.2} F6000", if way { 2 } else { 3 })),
        (xy, depth).prop_map(|((x, y), z)| format!("G81 X{x:.2} Y{y:.2} Z{z:.2} R12 F900\nG80")),
        Just("T2 M6".to_owned()),
        Just("G18".to_owned()),
        Just("G17".to_owned()),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn whatever_is_cut_the_pieces_never_overlap_nor_exceed_the_sheet(lines in proptest::collection::vec(line(), 1..40)) {
        let text = format!("G21 G90 T1 M6 S9000 M3\nG0 X0 Y0 Z20\n{}\nM30\n", lines.join("\n"));
        let Ok(plan) = try_plan(&text, &stock(), &[tool(1, 6.0), tool(2, 10.0)]) else { return Ok(()) };
        let whole: f64 = plan.pieces.iter().map(|piece| piece.area.square_metres()).sum();
        prop_assert!(whole <= 0.96 * (1.0 + 1e-6), "{whole}");
        for piece in &plan.pieces {
            prop_assert!(piece.freed.is_none() || piece.freed == piece.parted);
            prop_assert!(piece.freed.is_none() || piece.holds.is_empty());
        }
    }
}
