//! Contacts: zones, *cutting now* and the wired *Seen it*, as bits that are read of units and of wires; and the wires that are switched.

use serde::{Deserialize, Serialize};

use super::Minder;
use super::ends::EndId;
use crate::event::{Action, Inputs, LineCause};
use crate::gauge::InputId;
use crate::lamp::next_turn;
use crate::line::WiresId;
use crate::moment::{Moment, Span, Steady};
use crate::setup::{ContactAt, ContactMeans, ContactSettings};
use crate::table::ZoneId;

/// The longest time after which the levels of wires that have not changed are told again.
const TOLD_AGAIN: Span = Span::from_secs(1);

/// One contact as it was last read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Contact {
    /// What it says, if it is read.
    says: Option<bool>,
    /// What a wire says that has not held for long enough, and since when.
    turning: Option<(bool, Steady)>,
}

/// One device's wires.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Wires {
    /// When they were last read.
    heard: Option<Steady>,
    /// The levels that those that are switched were last set to.
    set: Option<u64>,
}

impl Minder {
    /// Takes the bits of an input, and heeds what the contacts among them say.
    pub(super) fn take_bits(&mut self, at: Moment, input: InputId, bits: u64, out: &mut Vec<Action>) {
        let said: Vec<(usize, bool)> =
            self.contacts_at(ContactAt::Input(input)).map(|(place, of)| (place, is_on(bits, of))).collect();
        self.inputs_at[usize::from(input.0)] = Some(at.steady);
        self.take_contacts(at, &said, out);
    }

    /// Takes the levels of a device's wires; a contact counts once it has held.
    pub(super) fn take_wires(&mut self, at: Moment, id: WiresId, levels: u64, out: &mut Vec<Action>) {
        let Some(wires) = self.wires.get_mut(usize::from(id.0)) else { return };
        let back = wires.heard.is_none();
        wires.heard = Some(at.steady);
        if back {
            self.restore_from(&self.wires_gone(id));
        }
        let says: Vec<(usize, bool)> =
            self.contacts_at(ContactAt::Wires(id)).map(|(place, of)| (place, is_on(levels, of))).collect();
        for (place, says) in says {
            let contact = &mut self.contacts[place];
            contact.turning = match contact.turning {
                _ if contact.says == Some(says) => None,
                Some((turning, since)) if turning == says => Some((says, since)),
                Some(_) | None => Some((says, at.steady)),
            };
        }
        self.heed_wires(at, out);
        // What has held is said again each time, as by a unit that is polled: somebody else may have told otherwise meanwhile.
        let held = |(place, _): (usize, &ContactSettings)| {
            let contact = self.contacts[place];
            Some((place, contact.says.filter(|_| contact.turning.is_none())?))
        };
        let held: Vec<(usize, bool)> = self.contacts_at(ContactAt::Wires(id)).filter_map(held).collect();
        self.take_contacts(at, &held, out);
    }

    /// Heeds the contacts on wires that have held for long enough.
    pub(super) fn heed_wires(&mut self, at: Moment, out: &mut Vec<Action>) {
        let contacts = self.contacts.iter().zip(&self.setup.contacts).enumerate();
        let held = contacts.filter_map(|(place, (contact, settings))| {
            let (says, since) = contact.turning?;
            // The first that is heard of it holds at once: nothing is known that it could bounce from.
            (contact.says.is_none() || at.steady.since(since) >= settings.debounce).then_some((place, says))
        });
        let held: Vec<(usize, bool)> = held.collect();
        for (place, _) in &held {
            self.contacts[*place].turning = None;
        }
        self.take_contacts(at, &held, out);
    }

    /// When [`Minder::heed_wires`] next has something to do, or a wire that is switched changes by itself.
    pub(super) fn wires_deadline(&self, at: Steady) -> Option<Steady> {
        let contacts = self.contacts.iter().zip(&self.setup.contacts);
        let held = contacts.filter_map(|(contact, settings)| Some(contact.turning?.1.plus(settings.debounce)));
        let turns = self.setup.wired_lights.iter().any(|light| light.turns(&self.light)).then(|| next_turn(at));
        held.chain(turns).min()
    }

    /// Sets the wires that are switched where their levels have changed.
    pub(super) fn switch_wires(&mut self, at: Steady, out: &mut Vec<Action>) {
        for (id, settings) in (0..).zip(&self.setup.wires) {
            let Some(wires) = self.wires.get_mut(usize::from(id)).filter(|_| !settings.outputs.is_empty()) else {
                continue;
            };
            let levels = self.setup.wire_levels(WiresId(id), &self.light, at);
            if wires.set != Some(levels) {
                wires.set = Some(levels);
                out.push(Action::Switch(WiresId(id), levels));
            }
        }
    }

    pub(super) fn wires_lost(&mut self, at: Moment, id: WiresId, cause: &LineCause, out: &mut Vec<Action>) {
        let Some(wires) = self.wires.get_mut(usize::from(id.0)) else { return };
        wires.heard = None;
        let name = self.wires_gone(id);
        self.degrade(at, &name);
        let path = self.setup.wires[usize::from(id.0)].path.clone();
        self.keep_entry(at, "wires-lost", &(path, cause), out);
    }

    fn wires_gone(&self, id: WiresId) -> String {
        format!("output-{}-gone", self.setup.wires.get(usize::from(id.0)).map_or("", |wires| wires.path.as_str()))
    }

    fn contacts_at(&self, at: ContactAt) -> impl Iterator<Item = (usize, &ContactSettings)> {
        self.setup.contacts.iter().enumerate().filter(move |(_, contact)| contact.at == at)
    }

    /// Heeds what contacts say, each by its place.
    fn take_contacts(&mut self, at: Moment, said: &[(usize, bool)], out: &mut Vec<Action>) {
        let mut told = Inputs::default();
        let mut open = self.open;
        let mut of_cuts = false;
        let knew = self.cutting_said();
        for (place, says) in said.iter().copied() {
            let before = self.contacts[place].says.replace(says);
            match self.setup.contacts[place].means {
                ContactMeans::ZoneOpen(zone) => {
                    open = if says { open.with(ZoneId(zone)) } else { open.without(ZoneId(zone)) };
                }
                ContactMeans::Cutting(_) => of_cuts = true,
                ContactMeans::Seen => told.seen |= says && before == Some(false),
            }
        }
        told.open = Some(open).filter(|open| *open != self.open);
        if of_cuts {
            told.cutting = self.cutting_by_contacts(at, knew, out);
        }
        if told != Inputs::default() {
            self.heed_inputs(at, &told, out);
        }
    }

    /// Whether any contact says that the machine cuts. That it does not is known only if each of them says so: one that is not read may
    /// be the one at the end that is cut.
    fn cutting_said(&self) -> Option<bool> {
        let contacts = self.contacts.iter().zip(&self.setup.contacts);
        let mut said = contacts.filter(|(_, of)| matches!(of.means, ContactMeans::Cutting(_))).map(|(is, _)| is.says);
        let all = said.clone().all(|says| says == Some(false));
        if said.any(|says| says == Some(true)) { Some(true) } else { all.then_some(false) }
    }

    /// The ends whose contacts say that they are cut.
    fn ends_cut(&self) -> Vec<EndId> {
        let contacts = self.contacts.iter().zip(&self.setup.contacts).filter(|(is, _)| is.says == Some(true));
        contacts.filter_map(|(_, of)| if let ContactMeans::Cutting(end) = of.means { end } else { None }).collect()
    }

    /// What all cutting contacts together say that is not known already, the end that is cut being worked at. Contacts that say nothing
    /// overrule nobody; but what they `knew` and no longer do is taken back.
    fn cutting_by_contacts(&mut self, at: Moment, knew: Option<bool>, out: &mut Vec<Action>) -> Option<bool> {
        let ends = self.ends_cut();
        if let Some(end) = ends.first().filter(|_| self.worked_end().is_none_or(|worked| !ends.contains(&worked))) {
            self.cut_at(at, *end, out);
        }
        let said = self.cutting_said();
        if said.is_none() && knew.is_some() {
            self.set_cutting(at, None);
        }
        said.filter(|cutting| Some(*cutting) != self.cutting)
    }

    /// Forgets what contacts said that are not read any more: then whether the machine cuts is guessed, and zones are as they were.
    pub(super) fn notice_lost_contacts(&mut self, at: Moment) {
        for place in 0..self.setup.contacts.len() {
            let contact = &self.setup.contacts[place];
            let (heard, every) = match contact.at {
                ContactAt::Input(input) => {
                    let input = usize::from(input.0);
                    (self.inputs_at[input], self.setup.inputs[input].every)
                }
                ContactAt::Wires(id) => {
                    let id = usize::from(id.0);
                    (self.wires[id].heard, self.setup.wires[id].every.max(TOLD_AGAIN))
                }
            };
            let patience = self.setup.watch.stale_after.max(every.times(3.0));
            let heard = heard.map_or(self.awake_since, |heard| heard.max(self.awake_since));
            let (lost, means) = (at.steady.since(heard) > patience, contact.means);
            let name = format!("contact-{}-silent", contact.name);
            self.say_whether(at, lost, &name);
            if lost
                && std::mem::take(&mut self.contacts[place]).says.is_some()
                && matches!(means, ContactMeans::Cutting(_))
            {
                self.set_cutting(at, self.cutting_said());
            }
        }
    }
}

fn is_on(bits: u64, contact: &ContactSettings) -> bool {
    (bits >> contact.bit & 1 == 1) != contact.inverted
}
