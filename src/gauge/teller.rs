//! A talker's conversation in lines of text.

use serde::{Deserialize, Serialize};

use crate::gauge::{GaugeId, GaugeSettings, Heard, UnfitLine};
use crate::lamp::LightSettings;
use crate::line::LineSettings;
use crate::moment::Steady;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Teller {}

impl Teller {
    pub(super) fn new(
        _: &LineSettings,
        _: Vec<(GaugeId, GaugeSettings)>,
        _: &[LightSettings],
    ) -> Result<Self, UnfitLine> {
        Ok(Teller {})
    }
    pub(super) fn line_up(&mut self, _: Steady) {}
    pub(super) fn line_lost(&mut self, _: Steady) {}
    pub(super) fn bytes(&mut self, _: Steady, _: &[u8], _: &mut Vec<Heard>) {}
    pub(super) fn due(&mut self, _: Steady, _: &mut Vec<Heard>) -> Option<Vec<u8>> {
        None
    }
    pub(super) fn deadline(&self) -> Option<Steady> {
        None
    }
}
