//! A Modbus line's conversation.

use serde::{Deserialize, Serialize};

use crate::gauge::{Errand, GaugeId, GaugeSettings, Heard, UnfitLine};
use crate::lamp::{LightSettings, Pattern};
use crate::line::LineSettings;
use crate::moment::Steady;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Bus {}

impl Bus {
    pub(super) fn new(
        _: &LineSettings,
        _: Vec<(GaugeId, GaugeSettings)>,
        _: Vec<LightSettings>,
    ) -> Result<Self, UnfitLine> {
        Ok(Bus {})
    }
    pub(super) fn line_up(&mut self, _: Steady) {}
    pub(super) fn line_lost(&mut self, _: Steady) {}
    pub(super) fn bytes(&mut self, _: Steady, _: &[u8], _: &mut Vec<Heard>) {}
    pub(super) fn due(&mut self, _: Steady, _: &mut Vec<Heard>) -> Option<(Vec<u8>, Errand)> {
        None
    }
    pub(super) fn deadline(&self) -> Option<Steady> {
        None
    }
    pub(super) fn show(&mut self, _: Pattern) {}
    pub(super) fn dark_frames(&self) -> Vec<Vec<u8>> {
        Vec::new()
    }
}
