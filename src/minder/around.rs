//! The other gauges: a barometer for the room, both sides of the filter, the zones' own.

use serde::{Deserialize, Serialize};

use super::Minder;
use crate::event::Action;
use crate::gauge::{GaugeId, Judged, Place, Quality};
use crate::modbus::{ExceptionCode, Refusal};
use crate::moment::{Moment, Span, Steady};
use crate::table::ZoneId;
use crate::units::{AbsolutePressure, Vacuum};
use crate::view::{FilterView, GaugeView};

/// The room's pressure: by the setup, or by a barometer.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Room {
    /// As it is now, smoothed: weather is slow, a door that slams is not weather.
    pub(super) now: AbsolutePressure,
    /// What the forecasts asked for last stand on.
    forecast: AbsolutePressure,
    /// When a barometer was last believed.
    measured_at: Option<Steady>,
}

/// What the gauges about the filter say.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Filter {
    /// Its resistance over that of a clean one, smoothed; `None` until the pump has moved air through it.
    times_clean: Option<f64>,
    at: Option<Steady>,
}

/// The pressures that rooms have (the records of weather at sea level and the highest towns, from memory).
const ROOMS: (f64, f64) = (50_000.0, 110_000.0);

/// How long the room's pressure is smoothed over.
const WEATHER: Span = Span::from_secs(30);

/// A room that is so many pascals off what the forecasts stand on wants new ones: 0.15 % of what holds a sheet.
const ROOM_STEP: f64 = 150.0;

/// How long the filter's resistance is smoothed over.
const FILTERED: Span = Span::from_secs(60);

/// A filter with so many times its clean resistance wants care (a choice of ours; makers name two to four times the clean drop, from
/// memory), if it takes at least so much.
const LOADED: (f64, Vacuum) = (3.0, Vacuum::from_pascals(1_000.0));

/// A zone told open whose own gauge shows less than this share of the level for so long is not open.
const FLAT: (f64, Span) = (0.25, Span::from_secs(10));

/// Levels below this say nothing about zones or filters.
const LEAST_LEVEL: Vacuum = Vacuum::from_pascals(5_000.0);

/// What comes from a gauge that gives no number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) enum Trouble {
    /// Nothing.
    Silent,
    /// Bytes without a sound check.
    Garbled,
    /// A refusal: it does not have what it is asked for.
    Unfit,
    /// A refusal: it is broken.
    Faulty,
    /// A refusal: it is busy.
    Busy,
    /// A gateway's refusal: it is not reached.
    Unreached,
    /// A refusal that no standard knows.
    Refusing,
}

/// The trouble with one gauge.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Troubles {
    /// What came since the last number, the newest.
    pub(super) last: Option<Trouble>,
    /// What is said of it.
    said: Option<Trouble>,
}

impl Trouble {
    pub(super) fn of(code: ExceptionCode) -> Self {
        match code.refusal() {
            Refusal::Configuration => Trouble::Unfit,
            Refusal::Failure => Trouble::Faulty,
            Refusal::Busy => Trouble::Busy,
            Refusal::Gateway => Trouble::Unreached,
            Refusal::Unknown => Trouble::Refusing,
        }
    }

    fn word(self) -> &'static str {
        match self {
            Trouble::Silent => "silent",
            Trouble::Garbled => "garbled",
            Trouble::Unfit => "unfit",
            Trouble::Faulty => "faulty",
            Trouble::Busy => "busy",
            Trouble::Unreached => "unreached",
            Trouble::Refusing => "refusing",
        }
    }
}

impl Room {
    pub(super) fn of_setup(room: AbsolutePressure) -> Self {
        Room { now: room, forecast: room, measured_at: None }
    }

    /// What a forecast is to stand on; `None` for the setup's own.
    pub(super) fn to_forecast(self) -> Option<AbsolutePressure> {
        self.measured_at.map(|_| self.forecast)
    }

    fn take(&mut self, at: Steady, measured: AbsolutePressure) {
        let share = self.measured_at.map_or(1.0, |before| (at.since(before).secs_f64() / WEATHER.secs_f64()).min(1.0));
        let pascals = self.now.pascals() + share * (measured.pascals() - self.now.pascals());
        self.now = AbsolutePressure::from_pascals(pascals);
        self.measured_at = Some(at);
    }
}

impl Minder {
    /// What a gauge says that the table is not judged by.
    pub(super) fn take_other(&mut self, at: Moment, gauge: GaugeId, judged: &Judged) {
        let Some(settings) = self.setup.gauges.get(usize::from(gauge.0)) else { return };
        match (settings.place, judged.absolute) {
            (Place::Barometer, Some(room)) if judged.quality < Quality::FunctionCheck => {
                if (ROOMS.0..=ROOMS.1).contains(&room.pascals()) {
                    self.room.take(at.steady, room);
                }
            }
            (Place::Manifold | Place::PumpInlet | Place::BeforeFilter | Place::AfterFilter, Some(_)) => {
                self.follow_filter(at.steady);
            }
            (Place::Zone | Place::Barometer, _) | (_, None) => {}
        }
    }

    /// Asks for new forecasts once the room's air is another than what the last ones stand on.
    pub(super) fn follow_room(&mut self, out: &mut Vec<Action>) {
        let apart = (self.room.now.pascals() - self.room.forecast.pascals()).abs();
        if apart < ROOM_STEP || !self.awaited.is_empty() || self.degraded.contains_key("no-forecast") {
            return;
        }
        self.room.forecast = self.room.now;
        self.ask(false, out);
        if self.loaded.is_some() {
            self.ask(true, out);
        }
    }

    /// The pressure above nothing that a fresh gauge at one of these places shows.
    fn pressure_at(&self, at: Steady, places: [Place; 2]) -> Option<AbsolutePressure> {
        let gauges = self.setup.gauges.iter().zip(&self.newest);
        let fresh = gauges.filter(|(gauge, _)| places.contains(&gauge.place)).filter_map(|(_, newest)| *newest);
        let fresh = fresh.filter(|newest| self.is_fresh(at, newest.at) && newest.quality < Quality::FunctionCheck);
        fresh.filter_map(|newest| newest.vacuum).next().map(|vacuum| vacuum.below(self.room.now))
    }

    fn is_fresh(&self, now: Steady, read: Steady) -> bool {
        now.since(read) <= self.setup.watch.stale_after
    }

    /// Both sides of the filter, the table's first, if a gauge shows each.
    fn filter_sides(&self, at: Steady) -> Option<(AbsolutePressure, AbsolutePressure)> {
        let table_side = self.pressure_at(at, [Place::BeforeFilter, Place::Manifold])?;
        let pump_side = self.pressure_at(at, [Place::AfterFilter, Place::PumpInlet])?;
        Some((table_side, pump_side))
    }

    /// The pump's curve says what flows at its inlet; the law of the filter, p_u² − p_d² = r·Q², then gives its resistance.
    fn follow_filter(&mut self, at: Steady) {
        let Some((upstream, downstream)) = self.filter_sides(at) else { return };
        let table = &self.setup.table;
        let flow = table.pump.throughput(downstream).pa_m3_per_s();
        let clean = table.filter.s2_per_m6();
        let pulls = downstream.vacuum_below(self.room.now) > LEAST_LEVEL;
        if !pulls || flow <= 0.0 || clean <= 0.0 {
            return;
        }
        let squares = upstream.pascals().powi(2) - downstream.pascals().powi(2);
        let now = (squares / flow.powi(2) / clean).max(0.0);
        let elapsed = self.filter.at.map_or(Span::ZERO, |before| at.since(before));
        let share = (elapsed.secs_f64() / FILTERED.secs_f64()).min(1.0);
        let before = self.filter.times_clean.unwrap_or(now);
        self.filter = Filter { times_clean: Some(before + share * (now - before)), at: Some(at) };
    }

    /// Whether the filter wants care.
    pub(super) fn filter_is_loaded(&self, at: Steady) -> bool {
        let drop = self.filter_view(at).map(|filter| filter.drop_pa);
        self.filter.times_clean.is_some_and(|times| times >= LOADED.0)
            && drop.is_some_and(|drop| drop >= LOADED.1.pascals())
    }

    /// Says which gauges give no numbers, and why, and which zones are not what was told; looked at whenever something is shown.
    pub(super) fn look_around(&mut self, at: Moment) {
        self.notice_lost_contacts(at);
        let level = self.live(at.steady).and_then(|newest| newest.vacuum).filter(|level| *level > LEAST_LEVEL);
        for place in 0..self.setup.gauges.len() {
            let gauge = &self.setup.gauges[place];
            let patience = self.setup.watch.stale_after.max(gauge.every.times(3.0));
            let newest = self.newest[place];
            let heard = newest.map_or(self.awake_since, |newest| newest.at.max(self.awake_since));
            let silent = at.steady.since(heard) > patience;
            let zone = gauge.zone.filter(|_| gauge.place == Place::Zone);
            self.say_trouble(at, place, silent);
            let own = newest.filter(|_| !silent).and_then(|newest| newest.vacuum);
            let (Some(zone), Some(own)) = (zone, own) else { continue };
            let flat = self.open.contains(ZoneId(zone)) && level.is_some_and(|level| own < level * FLAT.0);
            let since = if flat { Some(self.flat[place].unwrap_or(at.steady)) } else { None };
            self.flat[place] = since;
            let name = format!("zone-{}-flat", self.zone_name(zone));
            self.say_whether(at, since.is_some_and(|since| at.steady.since(since) >= FLAT.1), &name);
        }
    }

    /// Names a gauge that gives no numbers. Of the one that the table is judged by the word is *blind* already, so that its mere
    /// silence is not said again.
    fn say_trouble(&mut self, at: Moment, place: usize, silent: bool) {
        let troubles = &mut self.troubles[place];
        let trouble = silent.then(|| troubles.last.unwrap_or(Trouble::Silent));
        let trouble = trouble.filter(|trouble| *trouble != Trouble::Silent || place != usize::from(self.main.0));
        let before = std::mem::replace(&mut troubles.said, trouble);
        if before == trouble {
            return;
        }
        let name = |trouble: Trouble| format!("gauge-{}-{}", self.setup.gauges[place].name, trouble.word());
        let (before, now) = (before.map(name), trouble.map(name));
        before.into_iter().for_each(|name| self.restore_from(&name));
        now.into_iter().for_each(|name| self.degrade(at, &name));
    }

    pub(super) fn say_whether(&mut self, at: Moment, is_so: bool, name: &str) {
        if is_so { self.degrade(at, name) } else { self.restore_from(name) }
    }

    pub(super) fn zone_name(&self, zone: u8) -> String {
        self.setup.table.plenum.zones.get(usize::from(zone)).map(|zone| zone.name.clone()).unwrap_or_default()
    }

    /// What a zone's own gauge shows, if it has one.
    pub(super) fn zone_level(&self, at: Steady, zone: u8) -> Option<Vacuum> {
        let mut gauges = self.setup.gauges.iter().zip(&self.newest);
        let (_, newest) = gauges.find(|(gauge, _)| gauge.place == Place::Zone && gauge.zone == Some(zone))?;
        newest.filter(|newest| self.is_fresh(at, newest.at)).and_then(|newest| newest.vacuum)
    }

    pub(super) fn filter_view(&self, at: Steady) -> Option<FilterView> {
        let (upstream, downstream) = self.filter_sides(at)?;
        let drop_pa = upstream.pascals() - downstream.pascals();
        Some(FilterView { drop_pa, times_clean: self.filter.times_clean })
    }

    pub(super) fn gauge_views(&self, at: Steady) -> Vec<GaugeView> {
        let gauges = self.setup.gauges.iter().zip(&self.newest).zip(self.doubts.iter().zip(&self.health));
        let view = |((gauge, newest), (doubts, health)): ((&_, &Option<super::Newest>), (&Vec<_>, &_))| {
            let gauge: &crate::gauge::GaugeSettings = gauge;
            let health: &crate::gauge::Health = health;
            let patience = self.setup.watch.stale_after.max(gauge.every.times(3.0));
            let fresh = newest.filter(|newest| at.since(newest.at) <= patience);
            let vacuum = fresh.and_then(|newest| newest.vacuum).filter(|_| gauge.place != Place::Barometer);
            let room = fresh.filter(|_| gauge.place == Place::Barometer).map(|_| self.room.now);
            GaugeView {
                name: gauge.name.clone(),
                place: gauge.place,
                zone: gauge.zone.map(|zone| self.zone_name(zone)),
                age_s: newest.map(|newest| at.since(newest.at).secs_f64()),
                quality: fresh.map_or(Quality::Failure, |newest| newest.quality),
                doubts: doubts.clone(),
                vacuum_pa: vacuum.map(Vacuum::pascals),
                absolute_pa: vacuum.map(|vacuum| vacuum.below(self.room.now)).or(room).map(AbsolutePressure::pascals),
                zero_error_pa: health.zero_error().map(Vacuum::pascals),
            }
        };
        gauges.map(view).collect()
    }
}
