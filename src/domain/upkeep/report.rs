//! The report of a night: what is due, and which cylinder empties when, as
//! data and as text for the terminal.

use super::contents::GasForecast;
use super::due::{DueItem, DueState};
use super::evidence::{DueDates, digits};
use super::observations::{Observation, in_order};
use super::report_visit::ReportVisit;
use super::stock::{Projection, Quantity, StockItem};
use crate::domain::facility::SuppliedGas;
use crate::domain::ids::{DueItemId, GasSupplyId, StockItemId, ThingId};
use crate::domain::names::{Name, Tag, Word};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use std::fmt::Write as _;

/// The states in the order in which a report shows them, each with its heading.
const SECTIONS: [(DueState, &str); 4] = [
    (DueState::Overdue, "Overdue"),
    (DueState::Due, "Due today"),
    (DueState::Approaching, "Approaching"),
    (DueState::Unknown, "Unknown: the data do not tell"),
];

/// How many items stand where.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Counts {
    /// Overdue.
    pub overdue: usize,
    /// Due today.
    pub due: usize,
    /// Approaching.
    pub approaching: usize,
    /// Unknown.
    pub unknown: usize,
    /// Current.
    pub current: usize,
}

/// An item as the report lists it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReportItem {
    /// The due item.
    pub id: DueItemId,
    /// Where it stands.
    pub state: DueState,
    /// The task.
    pub task: Word,
    /// The part.
    pub subject: ThingId,
    /// Its tag.
    pub subject_tag: String,
    /// When it is due.
    pub due: Option<DueDates>,
    /// The date to have acted by.
    pub act_by: Option<DateTime<Utc>>,
    /// Whether people's safety depends on it.
    pub safety: bool,
    /// The kind of trigger that governs.
    pub governing_trigger: Option<String>,
    /// Why, in a few words.
    pub why: String,
}

impl ReportItem {
    /// An item of that id as the report lists it.
    pub fn of(id: DueItemId, item: &DueItem) -> Self {
        Self {
            id,
            state: item.state,
            task: item.task.clone(),
            subject: item.subject,
            subject_tag: item.subject_tag.clone(),
            due: item.due,
            act_by: item.act_by,
            safety: item.safety,
            governing_trigger: item.governing_trigger.clone(),
            why: item.summary().to_owned(),
        }
    }
}

/// A gas supply as the report lists it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReportSupply {
    /// The supply.
    pub id: GasSupplyId,
    /// Its tag.
    pub tag: Tag,
    /// What it holds.
    pub gas: SuppliedGas,
    /// Its connected cylinders.
    pub connected: Vec<Tag>,
    /// The gauge pressure at which they are changed.
    pub changeover_bar: f64,
    /// What can be used before that, mol.
    pub usable_mol: Option<f64>,
    /// What is drawn in a day, m³ at 15 °C and 1 bar.
    pub daily_use_m3: Option<f64>,
    /// When the connected cylinders are down to changeover.
    pub empty: Option<DueDates>,
    /// When those on standby are too.
    pub exhausted: Option<DueDates>,
    /// Why there are no dates.
    pub reason: Option<String>,
}

impl ReportSupply {
    /// A forecast as the report lists it.
    pub fn of(id: GasSupplyId, supply: &crate::domain::facility::GasSupply, forecast: &GasForecast) -> Self {
        let connected = |cylinder: &&crate::domain::facility::Cylinder| {
            cylinder.state == crate::domain::facility::CylinderState::Connected
        };
        Self {
            id,
            tag: supply.tag.clone(),
            gas: supply.gas,
            connected: supply.cylinders.iter().filter(connected).map(|one| one.tag.clone()).collect(),
            changeover_bar: supply.changeover.get(),
            usable_mol: forecast.usable_mol,
            daily_use_m3: forecast.daily_use_m3,
            empty: forecast.empty,
            exhausted: forecast.exhausted,
            reason: forecast.reason.clone(),
        }
    }
}

/// A stock item of which more must be ordered, as the report lists it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReportOrder {
    /// The item.
    pub id: StockItemId,
    /// Its tag.
    pub tag: Tag,
    /// Its name.
    pub name: Name,
    /// What it is counted in.
    pub unit: Name,
    /// What there is that may still be used.
    pub usable: Quantity,
    /// What is on order.
    pub on_order: Quantity,
    /// By when to have ordered.
    pub order_by: Option<DateTime<Utc>>,
    /// When something is short for the first time.
    pub first_shortfall: Option<DateTime<Utc>>,
    /// How much is short then.
    pub quantity_short: Option<Quantity>,
    /// Whether to order now.
    pub order_now: bool,
    /// The reorder point that has been reached.
    pub reorder_point: Option<f64>,
    /// What to look into.
    pub cautions: Vec<String>,
}

impl ReportOrder {
    /// An outlook as the report lists it.
    pub fn of(id: StockItemId, item: &StockItem, outlook: &Projection) -> Self {
        Self {
            id,
            tag: item.tag.clone(),
            name: item.name.clone(),
            unit: item.unit.clone(),
            usable: outlook.usable,
            on_order: outlook.on_order,
            order_by: outlook.order_by,
            first_shortfall: outlook.first_shortfall,
            quantity_short: outlook.quantity_short,
            order_now: outlook.order_now || outlook.reorder_reached,
            reorder_point: outlook.reorder.point.filter(|_| outlook.reorder_reached),
            cautions: outlook.cautions.clone(),
        }
    }

    fn line(&self, zone: Tz) -> String {
        let when = match self.order_by.filter(|_| !self.order_now) {
            Some(at) => format!("by {}", day(at, zone)),
            None => "now".to_owned(),
        };
        let mut text = format!("{when:<19} {:<12} {}", self.tag.as_str(), self.name);
        write!(text, ": {} {} usable", digits(self.usable.get()), self.unit).unwrap_or_default();
        if self.on_order > Quantity::ZERO {
            write!(text, ", {} on order", digits(self.on_order.get())).unwrap_or_default();
        }
        if let Some((at, short)) = self.first_shortfall.zip(self.quantity_short) {
            write!(text, "; {} short on {}", digits(short.get()), day(at, zone)).unwrap_or_default();
        }
        if let Some(at) = self.order_by.filter(|_| self.order_now) {
            write!(text, ", to be ordered by {}", day(at, zone)).unwrap_or_default();
        }
        if let Some(point) = self.reorder_point {
            write!(text, "; at or below its reorder point of {}", digits(point)).unwrap_or_default();
        }
        for caution in &self.cautions {
            write!(text, "; {caution}").unwrap_or_default();
        }
        text
    }
}

/// The report of a night. The same data give the same report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NightlyReport {
    /// The moment it was computed for.
    pub as_of: DateTime<Utc>,
    /// The facility's zone.
    pub timezone: String,
    /// How many items stand where.
    pub counts: Counts,
    /// Whether something that people's safety depends on is overdue.
    pub safety_overdue: bool,
    /// The items, the most pressing first.
    pub items: Vec<ReportItem>,
    /// The gas supplies.
    pub gas_supplies: Vec<ReportSupply>,
    /// What to order, the most pressing first.
    #[serde(default)]
    pub orders: Vec<ReportOrder>,
    /// What the readings point out besides, in a fixed order.
    #[serde(default)]
    pub observations: Vec<Observation>,
    /// Visits of the next week, and those that were missed, by start.
    #[serde(default)]
    pub visits: Vec<ReportVisit>,
    /// The whole as text.
    pub text: String,
}

impl NightlyReport {
    /// Puts the report together.
    pub fn new(
        as_of: DateTime<Utc>,
        zone: Tz,
        mut items: Vec<ReportItem>,
        mut gas_supplies: Vec<ReportSupply>,
    ) -> Self {
        items.sort_by(|a, b| {
            let key = |item: &ReportItem| {
                (item.act_by.unwrap_or(DateTime::<Utc>::MAX_UTC), item.subject_tag.clone())
            };
            (b.state.cmp(&a.state))
                .then(b.safety.cmp(&a.safety))
                .then_with(|| key(a).cmp(&key(b)))
                .then_with(|| a.task.cmp(&b.task))
                .then(a.id.cmp(&b.id))
        });
        gas_supplies.sort_by(|a, b| a.tag.cmp(&b.tag));
        let count = |state| items.iter().filter(|item| item.state == state).count();
        let counts = Counts {
            overdue: count(DueState::Overdue),
            due: count(DueState::Due),
            approaching: count(DueState::Approaching),
            unknown: count(DueState::Unknown),
            current: count(DueState::Current),
        };
        let safety_overdue = items.iter().any(|item| item.safety && item.state == DueState::Overdue);
        let mut report = Self {
            as_of,
            timezone: zone.name().to_owned(),
            counts,
            safety_overdue,
            items,
            gas_supplies,
            orders: Vec::new(),
            observations: Vec::new(),
            visits: Vec::new(),
            text: String::new(),
        };
        report.text = report.written(zone);
        report
    }

    /// With what must be ordered.
    #[must_use]
    pub fn ordering(mut self, zone: Tz, mut orders: Vec<ReportOrder>) -> Self {
        orders.sort_by(|a, b| (!a.order_now, a.order_by, &a.tag).cmp(&(!b.order_now, b.order_by, &b.tag)));
        self.orders = orders;
        self.text = self.written(zone);
        self
    }

    /// With what the readings point out besides.
    #[must_use]
    pub fn noticing(mut self, zone: Tz, observations: Vec<Observation>) -> Self {
        self.observations = in_order(observations);
        self.text = self.written(zone);
        self
    }

    /// With the visits on the calendar.
    #[must_use]
    pub fn visiting(mut self, zone: Tz, mut visits: Vec<ReportVisit>) -> Self {
        visits.sort_by(|a, b| (a.start, &a.place_tag, a.id).cmp(&(b.start, &b.place_tag, b.id)));
        self.visits = visits;
        self.text = self.written(zone);
        self
    }

    fn written(&self, zone: Tz) -> String {
        let mut text = format!("What is due, as of {} ({})\n", moment(self.as_of, zone), self.timezone);
        for (state, heading) in SECTIONS {
            let listed: Vec<&ReportItem> = self.items.iter().filter(|item| item.state == state).collect();
            if listed.is_empty() {
                continue;
            }
            line(&mut text, format_args!("\n{heading} ({})", listed.len()));
            for item in listed {
                line(&mut text, format_args!("  {}", item.line(zone)));
            }
        }
        if self.counts.current > 0 {
            line(&mut text, format_args!("\nCurrent: {}", self.counts.current));
        }
        if self.items.is_empty() {
            line(
                &mut text,
                format_args!("\nNothing to compute: no upkeep rule matches a part of the facility."),
            );
        }
        for (missed, heading) in
            [(true, "Planned and not done, to be planned anew"), (false, "Planned for the week")]
        {
            let listed: Vec<&ReportVisit> = self.visits.iter().filter(|one| one.missed == missed).collect();
            if !listed.is_empty() {
                line(&mut text, format_args!("\n{heading} ({})", listed.len()));
            }
            for visit in listed {
                line(&mut text, format_args!("  {}", visit.line(zone)));
            }
        }
        if !self.gas_supplies.is_empty() {
            line(&mut text, format_args!("\nGas (forecasts; look at the gauge before relying on one)"));
        }
        for supply in &self.gas_supplies {
            line(&mut text, format_args!("  {}", supply.line(zone)));
        }
        if !self.orders.is_empty() {
            line(&mut text, format_args!("\nOrder ({})", self.orders.len()));
        }
        for order in &self.orders {
            line(&mut text, format_args!("  {}", order.line(zone)));
        }
        if !self.observations.is_empty() {
            line(&mut text, format_args!("\nNoticed ({}; pointers, no diagnoses)", self.observations.len()));
        }
        for noticed in &self.observations {
            line(&mut text, format_args!("  {:<16} {}", noticed.subject_tag, noticed.text));
        }
        text
    }
}

fn line(text: &mut String, content: std::fmt::Arguments<'_>) {
    // Writing to a string cannot fail.
    writeln!(text, "{content}").unwrap_or_default();
}

impl ReportItem {
    fn line(&self, zone: Tz) -> String {
        let when = match (self.due, self.state) {
            (None, _) => String::new(),
            (Some(due), DueState::Overdue) => {
                format!("since {}", day(self.act_by.unwrap_or(due.likely), zone))
            }
            (Some(due), _) => range(due, zone),
        };
        let safety = if self.safety { "SAFETY " } else { "" };
        let task = self.task.as_str();
        let kind = self.governing_trigger.as_ref().map_or_else(String::new, |kind| format!("{kind}: "));
        format!("{task:<24} {:<16} {when:<40} {safety}{kind}{}", self.subject_tag, self.why)
    }
}

impl ReportSupply {
    fn line(&self, zone: Tz) -> String {
        let gas = self.gas.word();
        let head = format!("{:<12} {gas:<24}", self.tag.as_str());
        let Some(empty) = self.empty else {
            return format!("{head} {}", self.reason.as_deref().unwrap_or("no forecast"));
        };
        let cylinders: Vec<&str> = self.connected.iter().map(Tag::as_str).collect();
        let mut text = format!(
            "{head} {} down to {} bar {}",
            cylinders.join(" and "),
            digits(self.changeover_bar),
            range(empty, zone),
        );
        if let Some(daily) = self.daily_use_m3 {
            write!(text, "; {} m³ a day (15 °C, 1 bar)", digits(daily)).unwrap_or_default();
        }
        if let Some(exhausted) = self.exhausted.filter(|exhausted| *exhausted != empty) {
            write!(text, "; standby too {}", day(exhausted.likely, zone)).unwrap_or_default();
        }
        text
    }
}

/// A date with its uncertainty, where that is more than the day itself.
fn range(due: DueDates, zone: Tz) -> String {
    let likely = day(due.likely, zone);
    let early = due.earliest.map_or_else(|| "?".to_owned(), |early| day(early, zone));
    let late = due.latest.map(|late| day(late, zone));
    match late {
        Some(late) if late == likely && early == likely => likely,
        Some(late) => format!("{likely} ({early} to {late})"),
        None => format!("{likely} ({early} or later)"),
    }
}

/// A day in the facility's zone.
pub fn day(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%a %-d %b %Y").to_string()
}

/// A moment in the facility's zone, with the zone.
pub fn moment(at: DateTime<Utc>, zone: Tz) -> String {
    at.with_timezone(&zone).format("%a %-d %b %Y %H:%M %Z").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn item(number: u128, state: DueState, safety: bool) -> ReportItem {
        let due = DueDates::certain(utc("2026-03-01T23:30:00Z"));
        ReportItem {
            id: Uuid::from_u128(number).into(),
            state,
            task: Word::parse("leak_test").unwrap(),
            subject: Uuid::from_u128(number).into(),
            subject_tag: format!("BOX-{number}"),
            due: (state != DueState::Unknown).then_some(due),
            act_by: (state != DueState::Unknown).then_some(due.likely),
            safety,
            governing_trigger: Some("calendar".to_owned()),
            why: "P6M after the service of 2 Sep 2025".to_owned(),
        }
    }

    #[test]
    fn the_most_pressing_comes_first_and_days_are_local() {
        let items = vec![
            item(1, DueState::Current, false),
            item(2, DueState::Unknown, false),
            item(3, DueState::Overdue, false),
            item(4, DueState::Overdue, true),
            item(5, DueState::Approaching, false),
        ];
        let report = NightlyReport::new(utc("2026-03-05T23:00:00Z"), Tz::Europe__Berlin, items, Vec::new());
        let order: Vec<&str> = report.items.iter().map(|item| item.subject_tag.as_str()).collect();
        assert_eq!(order, ["BOX-4", "BOX-3", "BOX-5", "BOX-2", "BOX-1"]);
        assert!(report.safety_overdue);
        assert!(report.text.starts_with("What is due, as of Fri 6 Mar 2026 00:00 CET (Europe/Berlin)\n"));
        // Half past eleven at night in UTC is the next day in Berlin.
        assert!(report.text.contains("since Mon 2 Mar 2026"), "{}", report.text);
        assert_eq!((report.counts.overdue, report.counts.current), (2, 1));
    }

    #[test]
    fn overdue_without_safety_is_no_alarm() {
        let items = vec![item(1, DueState::Overdue, false), item(2, DueState::Due, true)];
        let report = NightlyReport::new(utc("2026-03-06T00:00:00Z"), Tz::UTC, items, Vec::new());
        assert!(!report.safety_overdue);
    }

    #[test]
    fn what_is_noticed_stands_at_the_end_and_older_reports_have_none() {
        let at = utc("2026-03-06T00:00:00Z");
        let bare = NightlyReport::new(at, Tz::UTC, Vec::new(), Vec::new());
        assert!(!bare.text.contains("Noticed"));
        let mut stored = serde_json::to_value(&bare).unwrap();
        stored.as_object_mut().unwrap().remove("observations");
        assert_eq!(serde_json::from_value::<NightlyReport>(stored).unwrap(), bare);
        let observation = Observation {
            kind: super::super::observations::ObservationKind::SilentSensor,
            subject: Uuid::from_u128(1).into(),
            subject_tag: "LYNX".to_owned(),
            text: "nothing was read".to_owned(),
            evidence: super::super::evidence::Evidence::default(),
        };
        let report = bare.noticing(Tz::UTC, vec![observation]);
        assert!(report.text.ends_with("  LYNX             nothing was read\n"), "{}", report.text);
        assert!(report.text.contains("Noticed (1; pointers, no diagnoses)"));
    }

    #[test]
    fn what_must_be_ordered_stands_in_the_text_the_most_pressing_first() {
        let order = |number: u128, tag: &str, by: Option<&str>, order_now| ReportOrder {
            id: Uuid::from_u128(number).into(),
            tag: Tag::parse(tag).unwrap(),
            name: Name::parse("glove pair").unwrap(),
            unit: Name::parse("pair").unwrap(),
            usable: Quantity::nearest(2.0),
            on_order: Quantity::ZERO,
            order_by: by.map(utc),
            first_shortfall: by.map(utc),
            quantity_short: by.map(|_| Quantity::nearest(1.0)),
            order_now,
            reorder_point: Some(2.5).filter(|_| order_now),
            cautions: Vec::new(),
        };
        let orders = vec![
            order(1, "LATER", Some("2026-03-10T23:30:00Z"), false),
            order(2, "SOON", Some("2026-03-09T23:30:00Z"), false),
            order(3, "NOW", None, true),
        ];
        let report =
            NightlyReport::new(utc("2026-03-06T00:00:00Z"), Tz::Europe__Berlin, Vec::new(), Vec::new())
                .ordering(Tz::Europe__Berlin, orders);
        let order: Vec<&str> = report.orders.iter().map(|order| order.tag.as_str()).collect();
        assert_eq!(order, ["NOW", "SOON", "LATER"]);
        let (_, listed) = report.text.split_once("\nOrder (3)\n").unwrap();
        let lines: Vec<String> =
            listed.lines().map(|line| line.split_whitespace().collect::<Vec<_>>().join(" ")).collect();
        assert_eq!(lines[0], "now NOW glove pair: 2 pair usable; at or below its reorder point of 2.5");
        assert!(
            lines[1].starts_with("by Tue 10 Mar 2026 SOON glove pair: 2 pair usable; 1 short"),
            "{lines:?}"
        );
        // A report kept before there was stock can still be read.
        let mut kept = serde_json::to_value(&report).unwrap();
        kept.as_object_mut().unwrap().remove("orders");
        assert_eq!(serde_json::from_value::<NightlyReport>(kept).unwrap().orders, []);
    }

    #[test]
    fn uncertain_dates_show_their_range() {
        let due = DueDates {
            earliest: Some(utc("2026-03-01T12:00:00Z")),
            likely: utc("2026-03-04T12:00:00Z"),
            latest: None,
        };
        assert_eq!(range(due, Tz::UTC), "Wed 4 Mar 2026 (Sun 1 Mar 2026 or later)");
    }
}
