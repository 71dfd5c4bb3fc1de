//! How much the alarms ask of one person: floods, chatter, the worst, the standing.
//!
//! The figures are those of ANSI/ISA-18.2-2016 section 16.4 as restated in public: about one alarm in ten minutes is a fair
//! load, more than ten in ten minutes is the start of a flood, fewer than five its end; an alarm that is active for more
//! than a day is stale. Three or more in a minute is chatter (common practice).

use std::collections::BTreeMap;

use super::Tag;
use crate::moment::{Span, Steady};

const INTERVAL: Span = Span::from_secs(600);
const MORE_THAN_BEGINS_A_FLOOD: usize = 10;
const FEWER_THAN_ENDS_A_FLOOD: usize = 5;

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
    now.since(since) > Span::from_secs(24 * 3600)
}
