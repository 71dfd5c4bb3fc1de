//! A survey as it is shown: steps and readings as keys, and of the numbers only those that the readings carry.

use super::run::{Read, Step, Taken, What};
use super::{SurveyRun, cover_word};
use crate::board::sealing::Bead;
use crate::board::survey::{Assumed, Estimate, Finding, Place as Reads, Side, Subject, Trial};
use crate::minder::Minder;
use crate::minder::guided::{SHUT_FOR, is_shut};
use crate::moment::Utc;
use crate::table::{Table, ValveLaw, ZoneId, ZoneSet};
use crate::view::{
    EstimateView, FrictionView, Message, ProposalView, ReadingView, ResultView, SealingView, SetupLine, StepKind,
    StepState, StepView, SurveyView,
};

impl Minder {
    pub(in crate::minder) fn survey_view(&self) -> Option<SurveyView> {
        let survey = self.guided.survey.as_ref()?;
        let table = &self.setup.table;
        let room = survey.room();
        let steps = survey.steps.iter().zip(0..).map(|(step, id)| survey.step_view(id, step, table));
        let friction = survey.friction();
        Some(SurveyView {
            revision: self.guided.revision(),
            running: survey.running,
            began: survey.began.civil.map(Utc::rfc3339),
            wanted: survey.wanted,
            room_absolute_pa: room.unwrap_or(table.air.room).pascals(),
            room_read: room.is_some(),
            steps: steps.collect(),
            next: survey.next(),
            computing: self.guided.awaited.is_some() || self.guided.stale,
            failed: self.guided.failed.clone(),
            result: survey.finding.as_ref().map(|(_, finding)| survey.result_view(finding, table)),
            friction: friction.map(|found| FrictionView {
                value: found.value,
                low: found.interval.0,
                high: found.interval.1,
                pulls: found.pulls,
            }),
        })
    }
}

impl SurveyRun {
    fn step_view(&self, id: u16, step: &Step, table: &Table) -> StepView {
        let trial = match step.what {
            What::Level { trial, .. } => Some(trial),
            What::Barometer | What::Drag => None,
        };
        let kind = match step.what {
            What::Barometer => StepKind::Barometer,
            What::Drag => StepKind::Drag,
            What::Level { trial: Trial { place: Reads::FilterDrop, .. }, measured: true } => StepKind::FilterDrop,
            What::Level { trial: Trial { place: Reads::FilterDrop, .. }, measured: false } => StepKind::FilterDropTyped,
            What::Level { .. } => StepKind::Level,
        };
        let all = ZoneSet::first(table.plenum.zones.len());
        let shut = trial.is_some_and(|trial| is_shut(trial.open, trial.hole));
        StepView {
            id,
            kind,
            // Of a table with every valve shut it does not matter what lies on it.
            cover: trial.filter(|trial| !trial.open.is_empty()).map(|trial| cover_word(trial.cover).to_owned()),
            open: trial.map(|trial| trial.open.iter().map(|zone| zone_name(zone, table)).collect()).unwrap_or_default(),
            all_open: trial.is_some_and(|trial| trial.open == all),
            hole_mm: trial.map(|trial| hundredths(trial.hole.millimetres())).filter(|hole| *hole > 0.0),
            read: trial.and_then(|trial| place_word(trial.place)).map(str::to_owned),
            limit_s: shut.then_some(SHUT_FOR.secs_f64()),
            state: self.step_state(id, step),
            proposed: step.proposed,
            readings: self.of_step(id).map(|(number, taken)| self.reading_view(number, taken)).collect(),
        }
    }

    fn step_state(&self, id: u16, step: &Step) -> StepState {
        if self.wants_again(id) {
            StepState::Again
        } else if self.counting(id).next().is_some() {
            StepState::Done
        } else if step.skipped {
            StepState::Skipped
        } else {
            StepState::Open
        }
    }

    fn reading_view(&self, number: u16, taken: &Taken) -> ReadingView {
        let (value, spread) = match taken.read {
            Read::Level { level, spread, .. } => (level.pascals(), Some(spread.pascals())),
            Read::Room(room) => (room.pascals(), None),
            Read::Pull { pull, .. } => (pull.newtons(), None),
        };
        let fitted = taken.aside.is_none().then_some(self.finding.as_ref()).flatten().and_then(|(of, finding)| {
            let place = of.iter().position(|other| *other == number)?;
            finding.residuals.get(place)
        });
        ReadingView {
            id: number,
            at: taken.at.civil.map(Utc::rfc3339),
            value,
            spread,
            aside: taken.aside.map(|aside| aside.word().to_owned()),
            fitted_pa: fitted.map(|residual| residual.fitted.pascals()),
            errors: fitted.map(|residual| residual.errors),
            weight: fitted.map(|residual| residual.weight),
            alone: taken.aside.is_none() && self.stands_alone(number),
        }
    }

    fn result_view(&self, finding: &Finding, table: &Table) -> ResultView {
        let told = finding.estimates.iter().filter(|estimate| estimate.told);
        // The first two are sums of the others, and have no correlation of their own.
        let single = finding.estimates.iter().skip(2).enumerate();
        let related: Vec<(usize, Subject)> =
            single.filter(|(_, estimate)| estimate.told).map(|(place, estimate)| (place, estimate.of)).collect();
        let between = |row: usize, column: usize| {
            finding.correlation.get(row).and_then(|row| row.get(column)).copied().unwrap_or(0.0)
        };
        let correlation =
            |(row, _): &(usize, Subject)| related.iter().map(|(column, _)| between(*row, *column)).collect();
        let names = |of: &[Subject]| of.iter().map(|of| subject(*of, table)).collect();
        ResultView {
            level_pa: finding.level.pascals(),
            enough: finding.enough,
            estimates: told.map(|estimate| estimate_view(estimate, table)).collect(),
            correlation: related.iter().map(correlation).collect(),
            related: related.iter().map(|(_, of)| subject(*of, table)).collect(),
            untold: finding.untold.iter().map(|untold| names(&untold.of)).collect(),
            widened: finding.widened,
            proposals: self.proposal_views(finding, table),
            sealing: sealing_views(finding),
            setup: finding.setup.iter().flat_map(setup_lines).collect(),
        }
    }

    /// A trial's step was made when the numbers came; one that somebody has left out is not proposed again.
    fn proposal_views(&self, finding: &Finding, table: &Table) -> Vec<ProposalView> {
        let step_of = |trial: &Trial| {
            let same = |of: &Trial| {
                let place = of.place == trial.place || (of.place == Reads::PumpInlet && trial.place == Reads::Manifold);
                place && Trial { place: trial.place, ..*of } == *trial
            };
            self.steps.iter().position(|step| matches!(&step.what, What::Level { trial, .. } if same(trial)))
        };
        let each = finding.next.iter().filter_map(|proposal| {
            let place = step_of(&proposal.trial)?;
            let open = !self.steps.get(place)?.skipped;
            let step = u16::try_from(place).ok().filter(|_| open)?;
            Some(ProposalView { step, narrows: subject(proposal.of, table), gain: proposal.gain })
        });
        each.collect()
    }
}

fn sealing_views(finding: &Finding) -> Vec<SealingView> {
    let each = finding.sealing.iter().map(|gain| SealingView {
        of: match gain.of {
            Bead::Side(side) => Message::new("subject-rim").with_text("side", side_word(side)),
            Bead::Seam(seam) => Message::new("subject-seam").with_number("count", seam as f64 + 1.0),
            Bead::All => Message::new("subject-all-rims"),
        },
        level_pa: gain.level.pascals(),
        margin: gain.margin,
    });
    each.collect()
}

fn setup_lines(of: &crate::board::survey::ForSetup) -> Vec<SetupLine> {
    let line = |(place, line): (usize, &String)| SetupLine {
        section: of.section.clone(),
        line: line.clone(),
        instead_of: if place == 0 { of.instead_of.clone() } else { Vec::new() },
        assumes: if place == 0 {
            of.assumes.iter().map(|assumed| Message::new(assumed_key(*assumed))).collect()
        } else {
            Vec::new()
        },
    };
    of.lines.iter().enumerate().map(line).collect()
}

const fn assumed_key(assumed: Assumed) -> &'static str {
    match assumed {
        Assumed::FilterAsSetUp => "assumed-filter-as-set-up",
        Assumed::DepthAsSetUp => "assumed-depth-as-set-up",
        Assumed::AlongInProportion => "assumed-along-in-proportion",
        Assumed::LayersInProportion => "assumed-layers-in-proportion",
        Assumed::AsItLies => "assumed-as-it-lies",
    }
}

fn estimate_view(estimate: &Estimate, table: &Table) -> EstimateView {
    EstimateView {
        of: subject(estimate.of, table),
        unit: unit(estimate.of, table).to_owned(),
        value: estimate.value,
        low: estimate.interval.0,
        high: estimate.interval.1,
        assumed: estimate.assumed,
    }
}

fn subject(of: Subject, table: &Table) -> Message {
    let zone = |key: &str, zone: ZoneId| Message::new(key).with_text("zone", zone_name(zone, table));
    match of {
        Subject::SuctionCapacity => Message::new("subject-suction-capacity"),
        Subject::CoveredLeak => Message::new("subject-covered-leak"),
        Subject::Pump => Message::new("subject-pump"),
        Subject::Deepest => Message::new("subject-deepest"),
        Subject::Filter => Message::new("subject-filter"),
        Subject::Through => Message::new("subject-through"),
        Subject::Along => Message::new("subject-along"),
        Subject::Face => Message::new("subject-face"),
        Subject::Rim(side) => Message::new("subject-rim").with_text("side", side_word(side)),
        Subject::Seam(seam) => Message::new("subject-seam").with_number("count", seam as f64 + 1.0),
        Subject::Hose => Message::new("subject-hose"),
        Subject::Valve(id) => zone("subject-valve", id),
        Subject::ZoneLeak(id) => zone("subject-zone-leak", id),
    }
}

fn unit(of: Subject, table: &Table) -> &'static str {
    match of {
        Subject::SuctionCapacity | Subject::CoveredLeak => "m3_h",
        Subject::Pump => "share",
        Subject::Deepest => "pa",
        Subject::Filter => "s2_per_m6",
        Subject::Through | Subject::Along | Subject::Seam(_) => "m2",
        Subject::Face | Subject::Rim(_) => "m",
        Subject::Hose | Subject::ZoneLeak(_) => "m3_per_s_pa",
        Subject::Valve(zone) => match table.plenum.zones.get(usize::from(zone.0)).map(|zone| zone.valve) {
            Some(ValveLaw::Iso6358 { .. }) => "m3_per_s_pa",
            Some(ValveLaw::IsothermalPipe(_)) | None => "s2_per_m6",
        },
    }
}

fn zone_name(zone: ZoneId, table: &Table) -> String {
    table.plenum.zones.get(usize::from(zone.0)).map(|zone| zone.name.clone()).unwrap_or_default()
}

/// Millimetres as they were written, without what a conversion to metres and back adds.
fn hundredths(millimetres: f64) -> f64 {
    (millimetres * 100.0).round() / 100.0
}

const fn side_word(side: Side) -> &'static str {
    match side {
        Side::XMin => "x_min",
        Side::XMax => "x_max",
        Side::YMin => "y_min",
        Side::YMax => "y_max",
    }
}

const fn place_word(place: Reads) -> Option<&'static str> {
    match place {
        Reads::Manifold => Some("manifold"),
        Reads::PumpInlet => Some("pump-inlet"),
        Reads::FilterDrop => None,
    }
}
