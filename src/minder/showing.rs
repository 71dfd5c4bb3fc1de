//! What is shown: the view, and when it is sent.

use std::cmp::Reverse;

use super::Minder;
use super::keeping::SetAside;
use crate::alarm::{State, Status, Tag};
use crate::event::Action;
use crate::gauge::Quality;
use crate::job::plan::{ObstacleKind, Warning};
use crate::job::{Card, Progress};
use crate::moment::{Moment, Span, Steady, Utc};
use crate::table::PartId;
use crate::units::Vacuum;
use crate::view::{
    AlarmView, Degraded, ExpectedView, FloodView, Guide, JobView, MarginView, Message, SetAsideView, View, ZoneView,
};
use crate::watch::{Assessment, Basis, Cause, CuttingKnown, Phase, Verdict};

/// The shortest time between two views, unless the word changes.
const SHORTEST: Span = Span::from_millis(250);

/// The most things to look at that are shown of a job.
const MOST_LOOKS: usize = 5;

/// The longest time between two views.
const LONGEST: Span = Span::from_secs(1);

impl Minder {
    /// When the next view is due if nothing changes.
    pub(super) fn next_show(&self) -> Steady {
        self.shown_at.map_or(self.started.steady, |shown| shown.plus(LONGEST))
    }

    pub(super) fn show_if_due(&mut self, at: Moment, out: &mut Vec<Action>) {
        let age = self.shown_at.map_or(LONGEST, |shown| at.steady.since(shown));
        if self.changed || age >= SHORTEST {
            self.forget_clock_step(at);
            self.look_around(at);
            self.shown_at = Some(at.steady);
            self.changed = false;
            out.push(Action::Show(Box::new(self.view_at(at))));
        }
    }

    /// Everything that is shown at a moment.
    pub fn view_at(&self, at: Moment) -> View {
        let newest = self.newest_main();
        let live = self.live(at.steady);
        let vacuum = live.and_then(|newest| newest.vacuum);
        let room = self.room.now;
        let (verdict, why) = self.assessment.map_or_else(
            || (Verdict::Blind, Message::new("starting")),
            |assessment| (assessment.verdict, self.why(&assessment)),
        );
        View {
            table: self.setup.table_name.clone(),
            verdict,
            why,
            shadow_sheets_left: self.memory.shadow_left,
            source: self.setup.source,
            at: at.civil.map(Utc::rfc3339),
            age_s: newest.map(|newest| at.steady.since(newest.at).secs_f64()),
            stale_after_s: self.setup.watch.stale_after.secs_f64(),
            quality: live.map_or(Quality::Failure, |newest| newest.quality),
            vacuum_pa: vacuum.map(Vacuum::pascals),
            absolute_pa: vacuum.map(|vacuum| vacuum.below(room).pascals()),
            room_absolute_pa: room.pascals(),
            full_scale_vacuum_pa: self.setup.full_scale.pascals(),
            expected: self.expected_view().filter(|_| !self.is_quiet()),
            // A margin is that of a sheet that lies as the forecast takes it to lie.
            margin: vacuum
                .filter(|_| verdict != Verdict::Loose && !self.is_quiet())
                .and_then(|vacuum| self.margin_view(vacuum)),
            light: self.light,
            zones: self.zone_views(at.steady),
            gauges: self.gauge_views(at.steady),
            lines: self.lines.clone(),
            filter: self.filter_view(at.steady),
            hold: self.hold_view(at.steady),
            cutting: self.assessment.map_or(CuttingKnown::No, |assessment| assessment.cutting),
            job: self.job_view(at.steady),
            ends: self.end_views(),
            cards: self.cards.clone(),
            programs: self.programs.clone(),
            materials: self.material_names(),
            alarms: self.alarm_views(at),
            flood: self.flood_view(at.steady),
            board: self.board_view(at.steady),
            degraded: self.degraded_views(at),
            acked: self.acked.0,
            newest: self.next_seq.0.saturating_sub(1),
            watching_s: at.since(self.started).map_or(0.0, Span::secs_f64),
            sheet: self.memory.sheet,
            version: env!("CARGO_PKG_VERSION").to_owned(),
            guide: self.guide_live(at.steady),
            ask_outcome: self
                .memory
                .last_sheet
                .as_ref()
                .filter(|sheet| sheet.outcome.is_none())
                .map(|sheet| sheet.sheet),
        }
    }

    /// Why the word is what it is.
    pub(super) fn why(&self, assessment: &Assessment) -> Message {
        let message = Message::new(self.why_key(assessment));
        let message = match (assessment.residual, self.compared.as_ref()) {
            (Some(residual), Some(compared)) => message
                .with_number("below_pa", residual.pascals())
                .with_number("above_pa", -residual.pascals())
                .with_number("low_pa", compared.expected.low.pascals())
                .with_number("high_pa", compared.expected.high.pascals()),
            (_, _) => message,
        };
        match self.compared.as_ref().and_then(|compared| self.margin_at(compared.expected.mid)) {
            Some((_, part)) => {
                message.with_text("part", self.part_name(part)).with_number("required", self.required_margin())
            }
            None => message,
        }
    }

    fn has_begun(&self) -> bool {
        self.loaded.as_ref().is_some_and(|loaded| loaded.progress > Progress::START)
    }

    fn why_key(&self, assessment: &Assessment) -> &'static str {
        let conditions = assessment.conditions;
        match assessment.verdict {
            Verdict::Blind if self.newest_main().is_none() => "no-reading",
            Verdict::Blind if self.degraded.keys().any(|name| name.starts_with("line-")) => "line-gone",
            Verdict::Blind => "stale",
            Verdict::Loose if conditions.pump_lost => "pump-lost",
            Verdict::Loose => "sudden-loss",
            Verdict::Weak if conditions.margin_low => "margin-below-required",
            // A sheet that was cut before the machine stopped had seated.
            Verdict::Weak if !conditions.level_low && !self.has_begun() => match assessment.phase {
                Phase::PullingDown => "pulling-down",
                Phase::Off | Phase::Handling | Phase::Seated | Phase::Cutting | Phase::SuspectedLoss => "not-seated",
            },
            Verdict::Weak if self.sees_leaks == Some(true) => "drive-works-hard",
            Verdict::Weak => "level-below-band",
            Verdict::High => "level-above-band",
            Verdict::Off if self.is_held_otherwise() => "held-otherwise",
            Verdict::Off => "pump-off",
            Verdict::NoJob if self.guided.quiet => match self.guided.running() {
                Some(Guide::Check) => "checking",
                Some(Guide::Survey) | None => "surveying",
            },
            Verdict::NoJob if self.is_held_otherwise() => "held-otherwise",
            Verdict::NoJob => match assessment.phase {
                Phase::PullingDown => "pulling-down",
                Phase::Handling => "handling",
                Phase::Off | Phase::Seated | Phase::Cutting | Phase::SuspectedLoss if assessment.residual.is_some() => {
                    "not-judged-yet"
                }
                // A forecast that has come is held against the next reading.
                Phase::Off | Phase::Seated | Phase::Cutting | Phase::SuspectedLoss
                    if self.is_computing() || self.held_against().is_some() =>
                {
                    "forecast-awaited"
                }
                Phase::Off | Phase::Seated | Phase::Cutting | Phase::SuspectedLoss => "nothing-to-compare",
            },
            Verdict::Tight => "tight-in-band",
        }
    }

    fn part_name(&self, part: PartId) -> String {
        let forecast = self.loaded.as_ref().and_then(|loaded| loaded.forecast.as_ref());
        forecast.and_then(|forecast| forecast.parts.get(part.0 as usize)).cloned().unwrap_or_default()
    }

    fn expected_view(&self) -> Option<ExpectedView> {
        let compared = self.held_against()?;
        let held = |level: Vacuum| self.setup.hold.map_or(level, |hold| level.min(hold.level)).pascals();
        let leak = compared.expected.smallest_visible_leak.m3_per_h();
        Some(ExpectedView {
            low_pa: held(compared.expected.low),
            mid_pa: held(compared.expected.mid),
            high_pa: compared.expected.high.pascals(),
            basis: compared.basis,
            smallest_visible_leak_m3_h: (compared.basis != Basis::Taught).then_some(leak),
        })
    }

    fn margin_view(&self, vacuum: Vacuum) -> Option<MarginView> {
        let (least, part) = self.margin_at(vacuum)?;
        let (least_ahead, part_ahead) = self.margin_ahead()?;
        Some(MarginView {
            least,
            part: self.part_name(part),
            required: self.required_margin(),
            least_ahead,
            part_ahead: self.part_name(part_ahead),
        })
    }

    fn zone_views(&self, at: Steady) -> Vec<ZoneView> {
        let corners = |rect: &crate::table::Rect| {
            [rect.low.x.metres(), rect.low.y.metres(), rect.high.x.metres(), rect.high.y.metres()]
        };
        let zones = self.setup.table.plenum.zones.iter().zip(0..);
        zones
            .map(|(zone, id)| ZoneView {
                id: zone.name.clone(),
                told_open: self.open.contains(crate::table::ZoneId(id)),
                vacuum_pa: self.zone_level(at, id).map(Vacuum::pascals),
                rects_m: zone.rects.iter().map(corners).collect(),
            })
            .collect()
    }

    fn job_view(&self, at: Steady) -> Option<JobView> {
        let loaded = self.loaded.as_ref()?;
        let unseen = loaded.forecast.as_ref().map(|forecast| forecast.unseen.clone()).unwrap_or_default();
        Some(JobView {
            card: loaded.card.name.clone(),
            end: self.end_name(loaded.end),
            fraction: loaded.progress.fraction(),
            between: self.place(at).map(|place| (place.earliest.fraction(), place.latest.fraction())),
            cutting: self.cutting == Some(true),
            parts: loaded.card.parts.len(),
            unseen: unseen.into_iter().map(|part| self.part_name(part)).collect(),
            computing: self.is_computing(),
            look_at: self.look_at(&loaded.card),
        })
    }

    /// What someone should look at before this card is cut.
    fn look_at(&self, card: &Card) -> Vec<Message> {
        let rezero = card.is_zeroed_before(self.memory.skimmed_on).then(|| Message::new("look-rezero"));
        let route = card.program.as_ref().and_then(|program| program.route.as_ref());
        let told = route.into_iter().flat_map(|route| &route.warnings).take(MOST_LOOKS).map(look);
        rezero.into_iter().chain(told).collect()
    }

    fn alarm_views(&self, at: Moment) -> Vec<AlarmView> {
        let mut shown: Vec<Status> = self.roll.statuses().filter(|status| status.state != State::Normal).collect();
        if self.flood.since().is_some() {
            // In a flood the one that came first stays on top, and what is put aside goes below what calls.
            shown.sort_by_key(|status| (!status.first, status.state.is_set_aside(), Reverse(status.priority)));
        }
        shown.into_iter().map(|status| self.alarm_view(at, status)).collect()
    }

    fn flood_view(&self, at: Steady) -> Option<FloodView> {
        let since_s = at.since(self.flood.since()?).secs_f64();
        Some(FloodView { since_s, alarms: self.flood.alarms() })
    }

    fn set_aside_view(&self, at: Moment, status: &Status) -> Option<SetAsideView> {
        let aside = matches!(status.state, State::Shelved | State::OutOfService);
        let SetAside { by, why, at: began } = self.memory.set_aside.get(&status.tag).filter(|_| aside)?;
        let civil = || Some((at.civil?.micros() - began.civil?.micros()) as f64 / 1e6);
        Some(SetAsideView {
            by: by.clone(),
            why: why.clone(),
            since: began.civil.map(Utc::rfc3339),
            since_s: at.since(*began).map(Span::secs_f64).or_else(civil),
        })
    }

    fn alarm_view(&self, at: Moment, status: Status) -> AlarmView {
        let age = status.since.map(|since| at.steady.since(since));
        let civil = age.and_then(|age| Some(at.civil?.micros() - i64::try_from(age.nanos() / 1000).ok()?));
        AlarmView {
            tag: status.tag,
            state: status.state,
            priority: status.priority,
            since_s: age.map(Span::secs_f64),
            since: civil.map(|micros| Utc::from_micros(micros).rfc3339()),
            first: status.first,
            cause: self.cause_of(status.tag),
            action: Some(Message::new(action_key(status.tag))),
            shelved_for_s: status.shelved_until.map(|until| until.since(at.steady).secs_f64()),
            shelve_limit_s: status.shelve_limit.secs_f64(),
            set_aside: self.set_aside_view(at, &status),
        }
    }

    fn cause_of(&self, tag: Tag) -> Option<Message> {
        let cause = match tag {
            Tag::NotSaving => return None,
            Tag::PumpLost | Tag::SuddenLoss | Tag::MarginLow | Tag::LevelLow | Tag::LevelHigh | Tag::NoReading => {
                self.assessment?.cause?
            }
        };
        Some(Message::new(cause_key(cause)))
    }

    fn degraded_views(&self, at: Moment) -> Vec<Degraded> {
        let view = |(name, since): (&String, &Moment)| Degraded {
            name: name.clone(),
            since_s: at.since(*since).map_or(0.0, Span::secs_f64),
            since: since.civil.map(Utc::rfc3339),
        };
        self.degraded.iter().map(view).collect()
    }
}

fn look(warning: &Warning) -> Message {
    match warning {
        Warning::RapidThroughSheet { line } => Message::new("look-rapid").with_number("line", *line as f64),
        Warning::SpindleStands { line } => Message::new("look-spindle").with_number("line", *line as f64),
        Warning::ThroughBoard { line, depth, left } => Message::new("look-through-board")
            .with_number("line", *line as f64)
            .with_number("depth_m", depth.metres())
            .with_number("left_m", left.metres()),
        Warning::NothingThrough => Message::new("look-nothing-through"),
        Warning::IntoObstacle { line, kind, at, depth, below } => {
            let key = match kind {
                ObstacleKind::Screw => "look-screw",
                ObstacleKind::Groove => "look-groove",
            };
            Message::new(key)
                .with_number("line", *line as f64)
                .with_number("x_m", at.x.metres())
                .with_number("y_m", at.y.metres())
                .with_number("depth_m", depth.metres())
                .with_number("below_m", below.metres())
        }
        Warning::OpenOutline { line, gap, at, area } => Message::new("look-open-outline")
            .with_number("line", *line as f64)
            .with_number("gap_m", gap.metres())
            .with_number("x_m", at.x.metres())
            .with_number("y_m", at.y.metres())
            .with_number("area_m2", area.square_metres()),
    }
}

fn cause_key(cause: Cause) -> &'static str {
    match cause {
        Cause::PumpStopped => "cause-pump-stopped",
        Cause::PumpOrFilter => "cause-pump-or-filter",
        Cause::SheetNotSeated => "cause-sheet-not-seated",
        Cause::SheetLifted => "cause-sheet-lifted",
        Cause::UncoveredZone => "cause-uncovered-zone",
        Cause::Rim => "cause-rim",
        Cause::ShutValveOrPluggedFilter => "cause-shut-valve-or-plugged-filter",
        Cause::GaugeOrLine => "cause-gauge-or-line",
        Cause::MoreKerfThanThought => "cause-more-kerf-than-thought",
        Cause::WeakPart => "cause-weak-part",
    }
}

fn action_key(tag: Tag) -> &'static str {
    match tag {
        Tag::PumpLost => "do-pump-lost",
        Tag::SuddenLoss => "do-sudden-loss",
        Tag::MarginLow => "do-margin-low",
        Tag::LevelLow => "do-level-low",
        Tag::LevelHigh => "do-level-high",
        Tag::NoReading => "do-no-reading",
        Tag::NotSaving => "do-not-saving",
    }
}
