//! Whether somebody whose booking gives way finds an opening as good: on a box
//! of the same gas that they are qualified for, as long, and beginning within
//! a day of what they had booked.

use crate::domain::booking::claims::{Owner, Why};
use crate::domain::booking::decide::{BoxView, openings};
use crate::domain::booking::rules::SiteView;
use crate::domain::booking::{Booking, Busy};
use crate::domain::calendar::Interval;
use crate::domain::facility::people::QualifiedFor;
use crate::domain::facility::{Qualification, Stored};
use crate::domain::ids::ThingId;
use chrono::TimeDelta;

/// How far from the booked start an opening may begin and still be as good.
const AS_GOOD_AS: TimeDelta = TimeDelta::hours(24);

/// The boxes over the whole horizon, each with its claims in order of start.
#[derive(Debug)]
pub struct Openings<'a> {
    boxes: &'a [BoxView],
    site: &'a SiteView,
    qualifications: &'a [Qualification],
}

impl<'a> Openings<'a> {
    /// What openings are looked for in.
    pub const fn new(boxes: &'a [BoxView], site: &'a SiteView, qualifications: &'a [Qualification]) -> Self {
        Self { boxes, site, qualifications }
    }

    /// Whether there is one as good as the booking.
    pub fn one_as_good_as(&self, booking: &Stored<Booking>) -> bool {
        let value = &booking.value;
        let Some(home) = self.boxes.iter().find(|on| on.id == value.glovebox) else { return false };
        let work = value.interval;
        let from = (work.start() - AS_GOOD_AS).max(self.site.now);
        let Ok(range) = Interval::new(from, work.end() + AS_GOOD_AS) else { return false };
        let request = value.asked_anew();
        let mut of_gas = self.boxes.iter().filter(|on| on.glovebox.working_gas == home.glovebox.working_gas);
        of_gas.any(|on| {
            let mut around = around(on, range);
            if on.id == home.id {
                // Where it stood is what the visit takes.
                around.busy.extend(on.glovebox.stations.iter().map(|station| Busy {
                    resource: ThingId::from(station.id),
                    interval: work,
                    why: Why::Work,
                    owner: Owner::Booking(booking.id.into()),
                }));
            }
            self.is_qualified(booking, on)
                && openings(&request, range, self.site, &around, 1)
                    .is_some_and(|(_, starts)| !starts.is_empty())
        })
    }

    fn is_qualified(&self, booking: &Stored<Booking>, on: &BoxView) -> bool {
        self.qualifications.iter().any(|held| {
            held.person == booking.value.person
                && held.qualified_for == QualifiedFor::Glovebox(on.id)
                && held.holds_at(booking.value.interval.end())
        })
    }
}

/// A box with what of its claims and windows touches a range.
fn around(on: &BoxView, range: Interval) -> BoxView {
    // Turns and purges reach beyond the work.
    let wide = Interval::new(range.start() - TimeDelta::days(1), range.end() + TimeDelta::days(1));
    let wide = wide.unwrap_or(range);
    BoxView {
        id: on.id,
        glovebox: on.glovebox.clone(),
        holds: on.holds.clone(),
        windows: on.windows.iter().filter(|window| window.interval.overlaps(&range)).cloned().collect(),
        busy: on.busy.iter().filter(|busy| busy.interval.overlaps(&wide)).cloned().collect(),
    }
}
