//! The facility as a whole: its zone, its hours and its booking policies.

use crate::domain::calendar::Interval;
use crate::domain::calendar::duration::Length;
use crate::domain::calendar::opening_hours::WeeklyHours;
use crate::domain::facility::planning::PlanningPolicies;
use crate::domain::ids::GloveboxId;
use crate::domain::names::{Name, Remark};
use crate::domain::physics::room_oxygen::DEFICIENT_PERCENT;
use crate::domain::physics::tightness::TightnessClass;
use crate::domain::quantity::{Hours, Percent};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};

/// Most closures kept.
pub const MOST_CLOSURES: usize = 500;

/// A time during which the facility, or one box, is closed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SiteClosure {
    /// From when to when.
    pub interval: Interval,
    /// Why.
    pub reason: Name,
    /// The one box meant; `None` for all.
    pub glovebox: Option<GloveboxId>,
}

/// Hours a week that one group may book.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct GroupQuota {
    /// The group.
    pub group: Name,
    /// Hours in any week, Monday to Sunday in the facility's zone.
    pub hours_per_week: Hours,
}

/// The rules bookings are checked against.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Policies {
    /// A booking begins at least this long after it is made.
    pub minimum_notice: Option<Length>,
    /// A booking is cancelled or moved at least this long before it begins.
    pub cancellation_notice: Option<Length>,
    /// No booking is longer.
    pub longest_booking: Length,
    /// No booking begins later than this from now.
    pub horizon: Length,
    /// A booking not started this long after its start is released.
    pub no_show_grace: Length,
    /// Hours a week that any group may book, unless named below.
    pub group_hours_per_week: Option<Hours>,
    /// Groups with a quota of their own.
    pub group_quotas: Vec<GroupQuota>,
    /// Porous samples take this many times the cycles of compact ones.
    pub porous_cycle_factor: u8,
    /// After work with the circulation off, the box is purged until solvent
    /// vapour is diluted this many times.
    pub purge_dilution: f64,
    /// The tightness class that a box must reach to pass its leak test.
    #[serde(default = "usual_class")]
    pub required_tightness_class: TightnessClass,
    /// Whether a leak test that was not passed closes the box to use.
    #[serde(default = "usually")]
    pub hold_on_failed_leak_test: bool,
    /// The least oxygen of a room, below which it counts as deficient.
    #[serde(default = "oxygen_deficiency")]
    pub oxygen_deficiency: Percent,
    /// What is asked of maintenance plans.
    #[serde(default)]
    pub planning: PlanningPolicies,
}

/// Class 3 after ISO 10648-2 for a box of inert gas: common practice, no source.
const fn usual_class() -> TightnessClass {
    TightnessClass::Three
}

const fn usually() -> bool {
    true
}

/// The least oxygen of a room unless a site sets its own: OSHA 29 CFR 1910.134.
fn oxygen_deficiency() -> Percent {
    Percent::new(DEFICIENT_PERCENT).expect("a constant within range")
}

impl Policies {
    /// The quota of a group, hours a week.
    pub fn quota_of(&self, group: &Name) -> Option<Hours> {
        self.group_quotas
            .iter()
            .find(|quota| quota.group == *group)
            .map(|quota| quota.hours_per_week)
            .or(self.group_hours_per_week)
    }
}

impl Default for Policies {
    /// Defaults of our own choosing, for a site to override.
    fn default() -> Self {
        let hours = |n: i64| Length::of_seconds(n * 3600).expect("a constant within range");
        Self {
            minimum_notice: None,
            cancellation_notice: None,
            longest_booking: hours(12),
            horizon: hours(24 * 90),
            no_show_grace: Length::of_seconds(1800).expect("a constant within range"),
            group_hours_per_week: None,
            group_quotas: Vec::new(),
            porous_cycle_factor: 3,
            purge_dilution: 1000.0,
            required_tightness_class: usual_class(),
            hold_on_failed_leak_test: usually(),
            oxygen_deficiency: oxygen_deficiency(),
            planning: PlanningPolicies::default(),
        }
    }
}

/// The facility.
#[derive(Debug, Clone, PartialEq)]
pub struct Site {
    /// Name.
    pub name: Name,
    /// IANA time zone all local times are in.
    pub timezone: Tz,
    /// Whom to call.
    pub contact: Remark,
    /// Weekly hours.
    pub opening_hours: WeeklyHours,
    /// Closures.
    pub closures: Vec<SiteClosure>,
    /// Booking policies.
    pub policies: Policies,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn policies_kept_before_some_were_added_have_their_defaults() {
        let mut kept = serde_json::to_value(Policies::default()).unwrap();
        for added in ["planning", "oxygen_deficiency", "required_tightness_class", "hold_on_failed_leak_test"]
        {
            kept.as_object_mut().unwrap().remove(added).unwrap();
        }
        assert_eq!(serde_json::from_value::<Policies>(kept).unwrap(), Policies::default());
    }
}
