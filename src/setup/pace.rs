//! Whether a line can carry what is asked on it.

use super::notes::complaint;
use super::section::Section;
use crate::gauge::{GaugeId, GaugeSettings, InputId, InputSettings, Talker};
use crate::lamp::LightSettings;
use crate::line::{LineId, LineSettings};
use crate::moment::Span;

/// A unit that is given less than this to think may make the next one late: fast ones need some milliseconds (from memory).
const LEAST_SPARE: Span = Span::from_millis(5);

/// Refuses lines that cannot carry what is asked of them, and warns of those that can only if every unit answers at once.
pub(super) fn pace(
    root: &Section,
    lines: &[LineSettings],
    gauges: &[GaugeSettings],
    lights: &[LightSettings],
    inputs: &[InputSettings],
) {
    let sections = root.sections("line", 16);
    sections.iter().for_each(Section::pass_over_all);
    for ((line, section), id) in lines.iter().zip(&sections).zip((0..).map(LineId)) {
        let gauges = gauges.iter().filter(|gauge| gauge.line == id).map(|gauge| (GaugeId(0), gauge.clone()));
        let inputs = inputs.iter().filter(|input| input.line == id).map(|input| (InputId(0), input.clone()));
        let lights = lights.iter().filter(|light| light.line == id).cloned();
        let talker = Talker::with_inputs(line.clone(), gauges.collect(), lights.collect(), inputs.collect());
        // What cannot share a line at all is refused elsewhere.
        let Some(load) = talker.ok().and_then(|talker| talker.load(line)) else { continue };
        let spot = section.spot_of_key("baud");
        let share = 100.0 * load.share;
        match load.spare() {
            None if load.exchanges > 0.0 => {
                let wrong = format!("asking all that is on it in time takes {share:.0} % of {} bit/s", line.baud);
                let remedy = "raise every_ms of what is on it, or baud here and in the units, or use another line";
                section.notes.refuse(&spot, complaint(wrong, "100 %", remedy));
            }
            Some(spare) if spare < LEAST_SPARE => {
                let wrong = format!(
                    "{:.0} requests a second take {share:.0} % of {} bit/s and leave each unit {:.1} ms to answer",
                    load.exchanges,
                    line.baud,
                    1e3 * spare.secs_f64()
                );
                let remedy =
                    "raise every_ms of what is on it, or baud here and in the units, or readings may come late";
                section.notes.warn(&spot, complaint(wrong, "5 ms, which even fast units need", remedy));
            }
            Some(_) | None => {}
        }
    }
}
