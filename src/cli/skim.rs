//! `skim`: how to skim the board, and the program that does it.

use std::io::{BufRead, Write};
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::{Context, Result, bail};
use clap::Args;
use serde_json::json;

use super::files;
use crate::board::skim::{BareHold, Bound, Caution, Floor, Motion, Skim, SkimPlan, Surfacer};
use crate::moment::Span;
use crate::setup::Setup;
use crate::table::{Board, Point, Rect, ZoneSet};
use crate::units::{Acceleration, Density, Length, Speed};

/// Plan a skim of the board: depth, passes, time, what is left, whether the bare board stays down, and the program.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  holdwatch skim --setup table.toml --scar-mm 0.4 --cutter-mm 63.5 --screws-mm 6 --program skim.ngc\n\n\
                  What --scar-mm and --cutter-mm leave out is asked for. Exit codes: 0 planned, 1 refused, 2 wrong usage."
)]
pub(super) struct Plan {
    /// The setup file.
    #[arg(long, value_name = "FILE")]
    setup: PathBuf,
    /// The depth of the worst scar, in millimetres.
    #[arg(long, value_name = "MM")]
    scar_mm: Option<f64>,
    /// The cutter's diameter, in millimetres.
    #[arg(long, value_name = "MM")]
    cutter_mm: Option<f64>,
    /// The cutter's edges.
    #[arg(long, value_name = "COUNT", default_value_t = 3)]
    flutes: u32,
    /// Turns of the spindle in a minute.
    #[arg(long, value_name = "RPM", default_value_t = 17_000.0)]
    rpm: f64,
    /// The most turns in a minute that stand on the cutter.
    #[arg(long, value_name = "RPM")]
    rated_rpm: Option<f64>,
    /// The feed, in metres a minute.
    #[arg(long, value_name = "M/MIN", default_value_t = 25.4)]
    feed_m_min: f64,
    /// From pass to pass, as a share of the diameter.
    #[arg(long, value_name = "SHARE", default_value_t = 0.75)]
    stepover: f64,
    /// The machine's acceleration, in m/s²; a usual one if left out.
    #[arg(long, value_name = "M/S2", default_value_t = 0.5)]
    acceleration: f64,
    /// The safe height over the face, in millimetres.
    #[arg(long, value_name = "MM", default_value_t = 20.0)]
    safe_mm: f64,
    /// The least thickness at which the board is used, in millimetres.
    #[arg(long, value_name = "MM", default_value_t = 9.0)]
    least_mm: f64,
    /// The top of the highest screw or pin over the board's underside, in millimetres.
    #[arg(long, value_name = "MM")]
    screws_mm: Option<f64>,
    /// The depth of grooves in the board's underside, in millimetres.
    #[arg(long, value_name = "MM")]
    grooves_mm: Option<f64>,
    /// The board's density, for the weight of the dust.
    #[arg(long, value_name = "KG/M3", default_value_t = 600.0)]
    density_kg_m3: f64,
    /// The area to skim instead of the whole face: x, y, length and width in millimetres.
    #[arg(long, value_name = "MM", num_args = 4, value_names = ["X", "Y", "LENGTH", "WIDTH"])]
    area_mm: Option<Vec<f64>>,
    /// Where the cutter's middle can go, in the board's coordinates: least x and y, greatest x and y, in millimetres.
    #[arg(long, num_args = 4, value_names = ["X0", "Y0", "X1", "Y1"], allow_negative_numbers = true)]
    travel_mm: Option<Vec<f64>>,
    /// Write the surfacing program here.
    #[arg(long, value_name = "FILE")]
    program: Option<PathBuf>,
    /// Write the plan as JSON.
    #[arg(long)]
    json: bool,
}

impl Plan {
    pub(super) fn run(self) -> Result<ExitCode> {
        let setup = files::setup(&self.setup)?;
        let skim = self.skim(&setup)?;
        let plan = skim.plan().context("no skim is planned")?;
        let all = ZoneSet::first(setup.table.plenum.zones.len());
        let hold = BareHold::of(&setup.table, all, plan.tooth);
        if let Some(path) = &self.program {
            let text = skim.program().context("no program is written")?;
            std::fs::write(path, text).with_context(|| format!("cannot write {}", path.display()))?;
        }
        if self.json {
            println!("{:#}", as_json(&plan, &hold));
        } else {
            tell(&skim, &plan);
            tell_hold(&hold);
            tell_cautions(&plan.cautions);
            if let Some(path) = &self.program {
                println!("\n{} is written. Check it on the machine, above the board, before it cuts.", path.display());
            }
        }
        Ok(ExitCode::SUCCESS)
    }

    fn skim(&self, setup: &Setup) -> Result<Skim> {
        let mm = Length::from_millimetres;
        let board = &setup.table.board;
        let scar = self.scar_mm.map_or_else(|| ask("worst scar, in mm deep"), Ok)?;
        let cutter = self.cutter_mm.map_or_else(|| ask("cutter, in mm of diameter"), Ok)?;
        let motion = Motion {
            acceleration: Acceleration::from_metres_per_second_squared(self.acceleration),
            safe_height: mm(self.safe_mm),
            travel: self.travel_mm.as_deref().map(|corners| rect(corners[0], corners[1], corners[2], corners[3])),
            ..Motion::at_feed(Speed::from_metres_per_minute(self.feed_m_min))
        };
        Ok(Skim {
            face: self.face(board)?,
            thickness: board.thickness(),
            density: Density::from_kg_per_m3(self.density_kg_m3),
            floor: Floor { least: mm(self.least_mm), screws: self.screws_mm.map(mm), grooves: self.grooves_mm.map(mm) },
            scar: mm(scar),
            surfacer: Surfacer {
                diameter: mm(cutter),
                flutes: self.flutes,
                spindle_rpm: self.rpm,
                rated_rpm: self.rated_rpm,
            },
            stepover: self.stepover,
            motion,
        })
    }

    fn face(&self, board: &Board) -> Result<Rect> {
        let (length, width) = (board.length.millimetres(), board.width.millimetres());
        let Some(area) = &self.area_mm else { return Ok(rect(0.0, 0.0, length, width)) };
        let (x, y, x1, y1) = (area[0], area[1], area[0] + area[2], area[1] + area[3]);
        if !(x >= 0.0 && y >= 0.0 && x1 <= length + 1e-6 && y1 <= width + 1e-6) {
            bail!("the area from {x}, {y} to {x1}, {y1} mm does not lie on the board of {length} by {width} mm");
        }
        Ok(rect(x, y, x1, y1))
    }
}

fn rect(x0: f64, y0: f64, x1: f64, y1: f64) -> Rect {
    let point = |x, y| Point { x: Length::from_millimetres(x), y: Length::from_millimetres(y) };
    Rect { low: point(x0, y0), high: point(x1, y1) }
}

/// A number asked of whoever sits at the terminal.
fn ask(what: &str) -> Result<f64> {
    print!("{what}: ");
    std::io::stdout().flush()?;
    let mut line = String::new();
    std::io::stdin().lock().read_line(&mut line)?;
    let text = line.trim();
    text.replace(',', ".").parse().with_context(|| format!("{what}: {text:?} is not a number"))
}

fn minutes(span: Span) -> f64 {
    span.secs_f64() / 60.0
}

fn as_json(plan: &SkimPlan, hold: &BareHold) -> serde_json::Value {
    json!({
        "depth_mm": plan.depth.millimetres(),
        "layers": plan.layers,
        "passes": plan.passes,
        "step_mm": plan.step.millimetres(),
        "cutting_s": plan.cutting.secs_f64(),
        "moving_s": plan.moving.secs_f64(),
        "stop_s": [plan.stop.0.secs_f64(), plan.stop.1.secs_f64()],
        "left_mm": plan.left.millimetres(),
        "must_stay_mm": plan.bound.0.millimetres(),
        "must_stay_for": plan.bound.1,
        "skims_left": plan.skims_left,
        "chip_mm": plan.chip.millimetres(),
        "edge_m_s": plan.edge.metres_per_second(),
        "dust_l": plan.dust_litres,
        "dust_kg": plan.dust.kilograms(),
        "removal_cm3_s": plan.removal_cm3_s,
        "power_w": plan.power.watts(),
        "tooth_n": plan.tooth.newtons(),
        "bare_board": {
            "vacuum_pa": hold.level.pascals(),
            "force_n": hold.force.newtons(),
            "margin": hold.margin,
            "flat": hold.flat,
            "stays": hold.stays(),
        },
        "cautions": plan.cautions.iter().map(sentence).collect::<Vec<_>>(),
    })
}

fn tell(skim: &Skim, plan: &SkimPlan) {
    let for_what = match plan.bound.1 {
        Bound::Least => "the least that you use",
        Bound::Screws => "over the screws",
        Bound::Grooves => "over the grooves",
    };
    println!("depth      {:.2} mm in {} layer(s)", plan.depth.millimetres(), plan.layers);
    println!("passes     {} of {:.1} mm", plan.passes, plan.step.millimetres());
    println!(
        "cutting    {:.1} min at full feed, {:.1} min with accelerations",
        minutes(plan.cutting),
        minutes(plan.moving)
    );
    println!("the stop   {:.0} to {:.0} min as a whole", minutes(plan.stop.0), minutes(plan.stop.1));
    println!(
        "left       {:.2} mm of {:.2}; {:.2} must stay ({for_what}); {} more skim(s) like this",
        plan.left.millimetres(),
        skim.thickness.millimetres(),
        plan.bound.0.millimetres(),
        plan.skims_left
    );
    println!(
        "cutter     chip {:.2} mm, edge {:.0} m/s, {:.0} W, {:.1} N at a tooth",
        plan.chip.millimetres(),
        plan.edge.metres_per_second(),
        plan.power.watts(),
        plan.tooth.newtons()
    );
    println!("dust       {:.1} l, {:.1} kg", plan.dust_litres, plan.dust.kilograms());
}

fn tell_hold(hold: &BareHold) {
    println!(
        "bare board {:.1} kPa at the manifold press it down with {:.0} N: friction holds {:.0} times the peak of a tooth; {}",
        hold.level.pascals() / 1e3,
        hold.force.newtons(),
        hold.margin,
        if hold.flat { "a usual warp is pressed flat" } else { "a warped board is not pressed flat" }
    );
    if !hold.stays() {
        println!("           vacuum alone does not keep it down: screw or tape it before skimming");
    }
}

fn sentence(caution: &Caution) -> String {
    match caution {
        Caution::DeepScar => "the scar takes more than one layer; to fill it may be cheaper".to_owned(),
        Caution::ThickChip(chip) => {
            format!(
                "a chip of {:.2} mm is thick for this cutter; more edges, more speed or less feed",
                chip.millimetres()
            )
        }
        Caution::FastEdge(edge) => {
            format!("the edge runs at {:.0} m/s; see what the cutter is rated for", edge.metres_per_second())
        }
        Caution::LastSkim => "no skim like this is left afterwards; order a board".to_owned(),
    }
}

fn tell_cautions(cautions: &[Caution]) {
    println!();
    for caution in cautions {
        println!("mind: {}", sentence(caution));
    }
    println!(
        "mind: no screw, pin or staple in the way; extraction on and a mask: wood dust harms lungs and can burn or explode"
    );
    println!("mind: never let the cutter dwell in the board; embers glow on in the dust, so look again after an hour");
    println!("then: vacuum the face, set Z anew on it, and tell holdwatch that the board was skimmed");
}
