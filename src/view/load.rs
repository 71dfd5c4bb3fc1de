//! How much the alarms asked of whoever was at the machine, without saying who that was.

use serde::{Deserialize, Serialize};

use crate::alarm::{Load, Tag};
use crate::moment::Utc;

/// The figures of one shift.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlarmLoadView {
    /// When it begins, RFC 3339.
    pub from: String,
    /// When it ends, or for the present one the time of these figures, RFC 3339.
    pub to: String,
    /// How many alarms called.
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
    pub most_frequent: Vec<TagCount>,
    /// The share of all alarms that these make up, 0 to 1.
    pub most_frequent_share: f64,
    /// Alarms that came three times or more within a minute.
    pub chattering: Vec<Tag>,
    /// How often an alarm was over within ten seconds and did not come again within a minute.
    pub fleeting: usize,
    /// Alarms that were active for more than a day.
    pub stale: Vec<Tag>,
    /// How many were of each priority.
    pub priorities: PriorityCounts,
    /// How often an alarm was shelved.
    pub shelved: usize,
    /// How often an alarm was taken out of service.
    pub out_of_service: usize,
}

/// How often an alarm called.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TagCount {
    /// Which.
    pub tag: Tag,
    /// How often.
    pub count: usize,
}

/// How many alarms were of each priority.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PriorityCounts {
    /// To be seen to now.
    pub high: usize,
    /// Soon.
    pub medium: usize,
    /// Today.
    pub low: usize,
}

impl AlarmLoadView {
    /// The figures of the shift from `from` to `to`.
    pub fn of(load: &Load, from: Utc, to: Utc) -> Self {
        let [high, medium, low] = load.priorities;
        AlarmLoadView {
            from: from.rfc3339(),
            to: to.rfc3339(),
            alarms: load.alarms,
            per_ten_minutes: load.per_ten_minutes,
            most_in_ten_minutes: load.most_in_ten_minutes,
            crowded_share: load.crowded_share,
            floods: load.floods,
            flood_share: load.flood_share,
            most_frequent: load
                .most_frequent
                .iter()
                .map(|(tag, count)| TagCount { tag: *tag, count: *count })
                .collect(),
            most_frequent_share: load.most_frequent_share(),
            chattering: load.chattering.clone(),
            fleeting: load.fleeting,
            stale: load.stale.clone(),
            priorities: PriorityCounts { high, medium, low },
            shelved: load.shelved,
            out_of_service: load.out_of_service,
        }
    }
}
