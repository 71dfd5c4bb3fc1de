//! How much the alarms ask of one person: how many, floods, chatter, the worst, the fleeting, the standing.
//!
//! The figures are those of ANSI/ISA-18.2-2016 section 16.4 as restated in public: about one alarm in ten minutes is a fair
//! load, more than ten in ten minutes is the start of a flood, fewer than five its end; an alarm that is active for more
//! than a day is stale. Three or more in a minute is chatter (common practice). An alarm that is over within ten seconds and does
//! not come again within a minute is fleeting (the choice of that restatement). Nothing here says who was at the machine.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::{Move, Priority, Rule, State, Tag};
use crate::moment::{Span, Steady};

pub(super) const INTERVAL: Span = Span::from_secs(600);
pub(super) const MORE_THAN_BEGINS_A_FLOOD: usize = 10;
pub(super) const FEWER_THAN_ENDS_A_FLOOD: usize = 5;
const MOST_FREQUENT: usize = 10;
const FLEETING_WITHIN: Span = Span::from_secs(10);
const NOT_AGAIN_WITHIN: Span = Span::from_secs(60);
const STALE_AFTER: Span = Span::from_secs(24 * 3600);

/// What the alarms asked of one person in a span of time, a shift say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Load {
    /// How many alarms called, an alarm that called again counted again.
    pub alarms: usize,
    /// How many that is in ten minutes, on average.
    pub per_ten_minutes: f64,
    /// The most in an interval of ten minutes.
    pub most_in_ten_minutes: usize,
    /// The share of those intervals that had more than ten, 0 to 1.
    pub crowded_share: f64,
    /// How many floods there were.
    pub floods: usize,
    /// The share of the time that was in flood, 0 to 1.
    pub flood_share: f64,
    /// The ten alarms that called most often, the worst first.
    pub most_frequent: Vec<(Tag, usize)>,
    /// The alarms that chattered.
    pub chattering: Vec<Tag>,
    /// How often an alarm was over at once and did not come again.
    pub fleeting: usize,
    /// The alarms that were active for more than a day at some time in the span.
    pub stale: Vec<Tag>,
    /// How many were of each priority, the most pressing first.
    pub priorities: [usize; 3],
    /// How often an alarm was shelved.
    pub shelved: usize,
    /// How often an alarm was taken out of service.
    pub out_of_service: usize,
}

impl Load {
    /// The load from `from` up to `to` by the roll's moves in order of time. Those before `from` are needed only as far as they tell what
    /// was active then.
    pub fn of(moves: &[Move], from: Steady, to: Steady) -> Self {
        let within = |at: Steady| at >= from && at < to;
        let calls = |step: &&Move| step.to == State::Unacknowledged;
        let onsets: Vec<(Tag, Steady)> =
            moves.iter().filter(calls).map(|step| (step.tag, step.at)).filter(|(_, at)| within(*at)).collect();
        let times: Vec<Steady> = onsets.iter().map(|(_, at)| *at).collect();
        let of = |tag: Tag| onsets.iter().filter(move |(of, _)| *of == tag).map(|(_, at)| *at).collect::<Vec<_>>();
        let intervals = per_ten_minutes(&times, from, to);
        let crowded = intervals.iter().filter(|count| **count > MORE_THAN_BEGINS_A_FLOOD).count();
        let floods = floods(&times, from, to);
        let in_flood: f64 = floods.iter().map(|(began, ended)| ended.since(*began).secs_f64()).sum();
        let (span, share) = (to.since(from).secs_f64(), |part: f64, of: f64| if of > 0.0 { part / of } else { 0.0 });
        let moved = |state: State| {
            moves.iter().filter(|step| within(step.at) && step.to == state && step.from != state).count()
        };
        Load {
            alarms: onsets.len(),
            per_ten_minutes: share(onsets.len() as f64, span / INTERVAL.secs_f64()),
            most_in_ten_minutes: intervals.iter().copied().max().unwrap_or_default(),
            crowded_share: share(crowded as f64, intervals.len() as f64),
            floods: floods.len(),
            flood_share: share(in_flood, span),
            most_frequent: worst(&onsets, MOST_FREQUENT),
            chattering: Tag::ALL.into_iter().filter(|tag| chattering(&of(*tag))).collect(),
            fleeting: turns(moves).iter().filter(|turn| within(turn.from) && turn.is_fleeting(&onsets)).count(),
            stale: stale_tags(moves, from, to),
            priorities: Priority::ALL
                .map(|priority| onsets.iter().filter(|(tag, _)| Rule::standard(*tag).priority == priority).count()),
            shelved: moved(State::Shelved),
            out_of_service: moved(State::OutOfService),
        }
    }

    /// The share of all alarms that the ten most frequent make up, 0 to 1.
    pub fn most_frequent_share(&self) -> f64 {
        let frequent: usize = self.most_frequent.iter().map(|(_, count)| count).sum();
        if self.alarms == 0 { 0.0 } else { frequent as f64 / self.alarms as f64 }
    }
}

/// A time in which an alarm was active, seen or not.
struct Turn {
    tag: Tag,
    from: Steady,
    /// When its condition ended; none while it lasts, or where it was set aside instead.
    over: Option<Steady>,
    /// When it was no longer announced as active.
    until: Option<Steady>,
}

impl Turn {
    fn is_fleeting(&self, onsets: &[(Tag, Steady)]) -> bool {
        let Some(over) = self.over else { return false };
        let again =
            |(tag, at): &&(Tag, Steady)| *tag == self.tag && *at > self.from && at.since(self.from) <= NOT_AGAIN_WITHIN;
        over.since(self.from) < FLEETING_WITHIN && onsets.iter().find(again).is_none()
    }
}

/// The times in which alarms were active, by the roll's moves in order of time.
fn turns(moves: &[Move]) -> Vec<Turn> {
    let mut turns: Vec<Turn> = Vec::new();
    let mut last = Steady::default();
    for step in moves {
        let mut open = turns.iter_mut().rev().find(|turn| turn.tag == step.tag && turn.until.is_none());
        if step.from == State::Normal {
            // The program started anew meanwhile: how long it was active is known up to the last move before.
            open.take().into_iter().for_each(|turn| turn.until = Some(last.max(turn.from)));
        }
        last = step.at;
        match (open, step.to.is_active()) {
            (None, true) => turns.push(Turn { tag: step.tag, from: step.at, over: None, until: None }),
            (Some(turn), false) => {
                turn.until = Some(step.at);
                turn.over = Some(step.at).filter(|_| !step.to.is_set_aside());
            }
            (Some(_), true) | (None, false) => {}
        }
    }
    turns
}

fn stale_tags(moves: &[Move], from: Steady, to: Steady) -> Vec<Tag> {
    let standing = |turn: &Turn| {
        let end = turn.until.unwrap_or(to).min(to);
        end > from && stale(turn.from, end)
    };
    let tags: BTreeSet<Tag> = turns(moves).iter().filter(|turn| standing(turn)).map(|turn| turn.tag).collect();
    tags.into_iter().collect()
}

/// Whether an alarm with these onsets, in order of time, came three times or more within some minute.
pub fn chattering(onsets: &[Steady]) -> bool {
    onsets.windows(3).any(|three| three[2].since(three[0]) <= Span::from_secs(60))
}

/// How many of these onsets fall into each interval of ten minutes from `from` up to `to`, which may cut the last short.
pub fn per_ten_minutes(onsets: &[Steady], from: Steady, to: Steady) -> Vec<usize> {
    let count = to.since(from).nanos().div_ceil(INTERVAL.nanos()) as usize;
    let mut counts = vec![0; count];
    for onset in onsets.iter().filter(|onset| **onset >= from && **onset < to) {
        counts[(onset.since(from).nanos() / INTERVAL.nanos()) as usize] += 1;
    }
    counts
}

/// The floods among these onsets, each from the start of the interval that begins it to the start of the one that ends it.
pub fn floods(onsets: &[Steady], from: Steady, to: Steady) -> Vec<(Steady, Steady)> {
    let mut floods = Vec::new();
    let mut began = None;
    for (start, count) in
        (0..).map(|n| from.plus(Span::from_nanos(INTERVAL.nanos() * n))).zip(per_ten_minutes(onsets, from, to))
    {
        match began {
            None if count > MORE_THAN_BEGINS_A_FLOOD => began = Some(start),
            Some(first) if count < FEWER_THAN_ENDS_A_FLOOD => {
                floods.push((first, start));
                began = None;
            }
            None | Some(_) => {}
        }
    }
    floods.extend(began.map(|first| (first, to)));
    floods
}

/// The alarms that came most often, the worst first, at most `most` of them.
pub fn worst(onsets: &[(Tag, Steady)], most: usize) -> Vec<(Tag, usize)> {
    let mut counts: BTreeMap<Tag, usize> = BTreeMap::new();
    for (tag, _) in onsets {
        *counts.entry(*tag).or_default() += 1;
    }
    let mut counts: Vec<_> = counts.into_iter().collect();
    counts.sort_by_key(|(tag, count)| (std::cmp::Reverse(*count), *tag));
    counts.truncate(most);
    counts
}

/// Whether an alarm that has been active since `since` is stale.
pub fn stale(since: Steady, now: Steady) -> bool {
    now.since(since) > STALE_AFTER
}
