//! Contacts: zones, *cutting now* and the wired *Seen it*, as bits that are read.

use super::Minder;
use crate::event::{Action, Inputs};
use crate::gauge::InputId;
use crate::moment::Moment;
use crate::setup::ContactMeans;
use crate::table::ZoneId;

impl Minder {
    /// Takes the bits of an input, and heeds what the contacts among them say.
    pub(super) fn take_bits(&mut self, at: Moment, input: InputId, bits: u64, out: &mut Vec<Action>) {
        let mut said = Inputs::default();
        let mut open = self.open;
        for (place, contact) in self.setup.contacts.iter().enumerate().filter(|(_, contact)| contact.input == input) {
            let says = (bits >> contact.bit & 1 == 1) != contact.inverted;
            let before = self.contacts[place].replace(says);
            match contact.means {
                ContactMeans::ZoneOpen(zone) => {
                    open = if says { open.with(ZoneId(zone)) } else { open.without(ZoneId(zone)) };
                }
                ContactMeans::Cutting => said.cutting = Some(says),
                ContactMeans::Seen => said.seen |= says && before == Some(false),
            }
        }
        said.open = Some(open).filter(|open| *open != self.open);
        said.cutting = said.cutting.filter(|cutting| Some(*cutting) != self.cutting);
        self.inputs_at[usize::from(input.0)] = Some(at.steady);
        if said != Inputs::default() {
            self.heed_inputs(at, &said, out);
        }
    }

    /// Forgets what contacts said that are not read any more: then whether the machine cuts is guessed, and zones are as they were.
    pub(super) fn notice_lost_contacts(&mut self, at: Moment) {
        for place in 0..self.setup.contacts.len() {
            let contact = &self.setup.contacts[place];
            let input = usize::from(contact.input.0);
            let patience = self.setup.watch.stale_after.max(self.setup.inputs[input].every.times(3.0));
            let heard = self.inputs_at[input].map_or(self.awake_since, |heard| heard.max(self.awake_since));
            let (lost, means) = (at.steady.since(heard) > patience, contact.means);
            let name = format!("contact-{}-silent", contact.name);
            self.say_whether(at, lost, &name);
            if lost && self.contacts[place].take().is_some() && means == ContactMeans::Cutting {
                self.set_cutting(at, None);
            }
        }
    }
}
