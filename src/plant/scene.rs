//! The scenes that the simulated table can play, and the word that is true of each.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::gauge::Place;
use crate::moment::Span;

/// A sheet's stay on the table, with one fault or none.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scene {
    /// A sheet that is seated well and cut without loss.
    GoodCut,
    /// The sheet lies on a chip: along one end it does not touch the board. It is cut all the same, until the chip is found.
    BadlySeated,
    /// The valve of a zone under bare board stands open though it was told shut, until it is found in the middle of the cut.
    ZoneLeftOpen,
    /// One end of the sheet comes up in the middle of the cut.
    SheetLifts,
    /// The smallest part that is cut free is swept off the table; the level hardly moves.
    SmallPartLost,
    /// A hose works loose little by little once the sheet is seated, until it is found in the middle of the cut.
    SlowLeak,
    /// The pump runs down in the middle of the cut.
    PumpFailing,
    /// The filter plugs while the sheet is cut: seen behind it, at the pump's inlet, as too much vacuum.
    FilterPlugging,
    /// The gauge's cable is pulled in the middle of the cut and put back.
    CablePulled,
}

/// The word and the alarms that are true in the main part of a scene, by their names in the program's answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MainPart {
    /// When it begins, counted from the scene's start; what the monitor needs to find out is allowed for.
    pub from: Span,
    /// When it ends.
    pub until: Span,
    /// The word.
    pub word: &'static str,
    /// At least one of these alarms is active; none for a scene in which none may be.
    pub alarms: &'static [&'static str],
}

impl Scene {
    /// Every scene.
    pub const ALL: [Scene; 9] = [
        Scene::GoodCut,
        Scene::BadlySeated,
        Scene::ZoneLeftOpen,
        Scene::SheetLifts,
        Scene::SmallPartLost,
        Scene::SlowLeak,
        Scene::PumpFailing,
        Scene::FilterPlugging,
        Scene::CablePulled,
    ];

    /// A shift with a gauge at the manifold: every scene that such a gauge can tell, a good cut first.
    pub const SHIFT: [Scene; 8] = [
        Scene::GoodCut,
        Scene::SmallPartLost,
        Scene::BadlySeated,
        Scene::SlowLeak,
        Scene::CablePulled,
        Scene::ZoneLeftOpen,
        Scene::SheetLifts,
        Scene::PumpFailing,
    ];

    /// Its name on the command line.
    pub const fn name(self) -> &'static str {
        match self {
            Scene::GoodCut => "good-cut",
            Scene::BadlySeated => "badly-seated",
            Scene::ZoneLeftOpen => "zone-left-open",
            Scene::SheetLifts => "sheet-lifts",
            Scene::SmallPartLost => "small-part-lost",
            Scene::SlowLeak => "slow-leak",
            Scene::PumpFailing => "pump-failing",
            Scene::FilterPlugging => "filter-plugging",
            Scene::CablePulled => "cable-pulled",
        }
    }

    /// Where the gauge has to sit for the scene to be told.
    pub const fn gauge_place(self) -> Place {
        match self {
            Scene::FilterPlugging => Place::PumpInlet,
            Scene::GoodCut
            | Scene::BadlySeated
            | Scene::ZoneLeftOpen
            | Scene::SheetLifts
            | Scene::SmallPartLost
            | Scene::SlowLeak
            | Scene::PumpFailing
            | Scene::CablePulled => Place::Manifold,
        }
    }

    /// What is true in its main part.
    pub const fn main_part(self) -> MainPart {
        let (from, until, word, alarms): (_, _, _, &'static [&'static str]) = match self {
            Scene::GoodCut => (35, 145, "tight", &[]),
            Scene::BadlySeated => (52, 98, "weak", &["level-low"]),
            Scene::ZoneLeftOpen => (52, 98, "weak", &["level-low"]),
            Scene::SheetLifts => (100, 139, "loose", &["sudden-loss"]),
            Scene::SmallPartLost => (115, 145, "tight", &[]),
            Scene::SlowLeak => (108, 144, "weak", &["level-low"]),
            Scene::PumpFailing => (105, 139, "loose", &["pump-lost", "sudden-loss"]),
            Scene::FilterPlugging => (122, 148, "high", &["level-high"]),
            Scene::CablePulled => (90, 104, "blind", &["no-reading"]),
        };
        MainPart { from: Span::from_secs(from), until: Span::from_secs(until), word, alarms }
    }
}

impl fmt::Display for Scene {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A name that no scene has.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("scene {name:?} is not known; use one of {known}")]
pub struct UnknownScene {
    name: String,
    known: String,
}

impl FromStr for Scene {
    type Err = UnknownScene;

    fn from_str(text: &str) -> Result<Self, UnknownScene> {
        Scene::ALL
            .into_iter()
            .find(|scene| scene.name() == text)
            .ok_or_else(|| UnknownScene { name: text.to_owned(), known: Scene::ALL.map(Scene::name).join(", ") })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scene_is_found_by_the_name_it_is_sent_with() {
        for scene in Scene::ALL {
            assert_eq!(scene.name().parse(), Ok(scene));
            assert_eq!(serde_json::to_string(&scene).unwrap(), format!("{:?}", scene.name()));
        }
        let stranger = "quiet-day".parse::<Scene>().unwrap_err().to_string();
        assert!(stranger.contains("quiet-day") && stranger.contains("good-cut"), "{stranger}");
    }
}
