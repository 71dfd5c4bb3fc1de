//! The ends of a table on which one sheet is cut while another is loaded.

use super::EndSettings;
use super::devices::{all, refuse_doubles, zone_named};
use super::notes::complaint;
use super::section::Section;
use crate::table::{Table, ZoneId, ZoneSet};

/// The most ends of one table.
const MOST: usize = 4;

/// The ends from every `[[end]]`; none for a table that is loaded as a whole.
pub(super) fn ends(root: &Section, table: Option<&Table>) -> Option<Vec<EndSettings>> {
    let sections = root.sections("end", MOST);
    let ends = all(sections.iter().map(|section| end(section, table)))?;
    refuse_doubles(&sections, &ends, "name", |end| &end.name);
    if let [only] = sections.as_slice() {
        let remedy = "describe the other end, or delete this one: a table loaded as a whole has none";
        only.refuse(complaint("the table has one end alone", "two ends or more", remedy));
    }
    let zones = table.map_or(&[][..], |table| &table.plenum.zones);
    for (zone, id) in zones.iter().zip(0..).filter(|_| !ends.is_empty()) {
        let holders: Vec<&EndSettings> = ends.iter().filter(|end| end.zones.contains(ZoneId(id))).collect();
        let wrong = match holders.as_slice() {
            [_] => continue,
            [] => format!("zone {:?} belongs to no end", zone.name),
            [one, two, ..] => format!("zone {:?} belongs to the ends {:?} and {:?}", zone.name, one.name, two.name),
        };
        let at = sections.first().unwrap_or(root);
        at.refuse(complaint(wrong, "each zone to one end", "correct the zones of the ends"));
    }
    Some(ends)
}

fn end(end: &Section, table: Option<&Table>) -> Option<EndSettings> {
    let name = end.text("name").required();
    let zones = end.texts("zones", ZoneSet::MOST).check(|names| match table {
        Some(table) => names.iter().map(|name| zone_named(name, table).map(ZoneId)).collect(),
        None => Ok(ZoneSet::default()),
    });
    Some(EndSettings { name: name?, zones: zones.required()? })
}
