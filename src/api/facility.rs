//! `/facility`.

use super::Api;
use super::auth::Caller;
use super::body::Body;
use super::conditional::IfMatch;
use super::crud::{self, Form};
use super::fields::{at_most, count, distinct, interval, refer, rfc3339};
use super::planning_policies::PlanningForm;
use super::problem::Problem;
use crate::domain::calendar::opening_hours::WeeklyHoursText;
use crate::domain::calendar::zone::parse_zone;
use crate::domain::calendar::{Length, WeeklyHours};
use crate::domain::facility::site::{MOST_CLOSURES, SiteClosure};
use crate::domain::facility::{GroupQuota, ParseContext, Policies, Site, Stored, ThingKind};
use crate::domain::ids::GloveboxId;
use crate::domain::names::{Name, Remark};
use crate::domain::physics::tightness::TightnessClass;
use crate::domain::quantity::{Hours, Percent};
use crate::domain::upkeep::rules::MOST_DILUTION;
use crate::domain::violations::{Check, Violations};
use crate::usecases::site;
use actix_web::{HttpRequest, HttpResponse, get, patch};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::ops::RangeInclusive;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// Most quotas kept.
const MOST_QUOTAS: usize = 500;
/// Where a site's least oxygen may lie, per cent: from the lowest that
/// sites set (common practice, no source) to just below that of air.
const OXYGEN_DEFICIENCY: RangeInclusive<f64> = 18.0..=20.9;

/// The facility as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "name": "Inert-gas suite", "timezone": "Europe/Berlin", "contact": "Keeper on duty, extension 100",
    "opening_hours": {"monday": [{"from": "08:00", "to": "18:00"}], "friday": [{"from": "08:00", "to": "14:00"}]},
    "closures": [{"start": "2026-12-24T00:00:00Z", "end": "2027-01-02T00:00:00Z", "reason": "Winter break"}],
    "policies": {"longest_booking": "PT10H", "horizon": "P60D", "no_show_grace": "PT30M"}
}))]
pub(crate) struct FacilityForm {
    /// Name.
    name: String,
    /// IANA time zone that all local times are in, such as `Europe/Berlin`.
    timezone: String,
    /// Whom to call; may be empty.
    #[serde(default)]
    contact: String,
    /// Hours of each day of the week on the wall in the facility's zone; a day
    /// left out is closed. Null for open day and night.
    #[serde(default)]
    #[schema(value_type = Option<OpeningHours>)]
    opening_hours: Option<WeeklyHoursText>,
    /// Times during which the facility, or one box, is closed whatever its hours.
    #[serde(default)]
    closures: Vec<ClosureForm>,
    /// The rules that bookings are checked against.
    #[serde(default)]
    policies: PoliciesForm,
}

/// Opening hours, by day.
#[derive(ToSchema)]
#[expect(dead_code, reason = "describes the domain's text form, which knows nothing of this contract")]
pub(super) struct OpeningHours {
    monday: Option<Vec<OpeningSpan>>,
    tuesday: Option<Vec<OpeningSpan>>,
    wednesday: Option<Vec<OpeningSpan>>,
    thursday: Option<Vec<OpeningSpan>>,
    friday: Option<Vec<OpeningSpan>>,
    saturday: Option<Vec<OpeningSpan>>,
    sunday: Option<Vec<OpeningSpan>>,
}

/// One stretch of a day; hours that pass midnight are split at it.
#[derive(ToSchema)]
#[expect(dead_code, reason = "describes the domain's text form, which knows nothing of this contract")]
#[schema(example = json!({"from": "08:00", "to": "18:00"}))]
struct OpeningSpan {
    /// When it opens, `HH:MM`.
    from: String,
    /// When it closes, `HH:MM` up to `24:00`.
    to: String,
}

/// A closure as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "start": "2026-12-24T00:00:00Z", "end": "2027-01-02T00:00:00Z", "reason": "Winter break"
}))]
pub(crate) struct ClosureForm {
    /// From when on (RFC 3339).
    #[schema(format = DateTime)]
    start: String,
    /// Until when, exclusive (RFC 3339).
    #[schema(format = DateTime)]
    end: String,
    /// Why, as shown to people.
    reason: String,
    /// Id or tag of the one box meant; all unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    glovebox: Option<String>,
}

/// The booking policies as callers write them; a field left out has its
/// default, which is of drykeep's own choosing.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
#[schema(example = json!({
    "minimum_notice": "PT2H", "cancellation_notice": "PT12H", "longest_booking": "PT10H", "horizon": "P60D",
    "no_show_grace": "PT30M", "group_hours_per_week": 40.0,
    "group_quotas": [{"group": "Batteries", "hours_per_week": 60.0}],
    "porous_cycle_factor": 3, "purge_dilution": 1000.0,
    "required_tightness_class": 3, "hold_on_failed_leak_test": true
}))]
pub(crate) struct PoliciesForm {
    /// A booking begins at least this long after it is made (ISO 8601); none unless given.
    minimum_notice: Option<String>,
    /// A booking is cancelled or moved at least this long before it begins; none unless given.
    cancellation_notice: Option<String>,
    /// No booking is longer; `PT12H` unless given.
    longest_booking: Option<String>,
    /// No booking begins later than this from now; `P90D` unless given.
    horizon: Option<String>,
    /// A booking not started this long after its start is released; `PT30M` unless given.
    no_show_grace: Option<String>,
    /// Hours a week that any group may book, unless named in `group_quotas`; no limit unless given.
    group_hours_per_week: Option<f64>,
    /// Groups with a quota of their own.
    group_quotas: Vec<QuotaForm>,
    /// Porous samples take this many times the cycles of compact ones: 1 to 10, 3 unless given.
    porous_cycle_factor: Option<u32>,
    /// After work with the circulation off, the box is purged until solvent
    /// vapour is diluted this many times: 1 or more, 1000 unless given.
    purge_dilution: Option<f64>,
    /// The tightness class after ISO 10648-2 (limits from memory) that a box
    /// must reach to pass its leak test: 1 (the tightest) to 4, 3 unless given
    /// (common practice, no source).
    required_tightness_class: Option<u32>,
    /// Whether a leak test that was not passed closes the box to use until a
    /// person releases it; true unless given.
    hold_on_failed_leak_test: Option<bool>,
    /// Oxygen below which a room counts as deficient, per cent: 18 to 20.9,
    /// 19.5 unless given (OSHA 29 CFR 1910.134).
    oxygen_deficiency_percent: Option<f64>,
    /// What is asked of maintenance plans.
    planning: PlanningForm,
}

/// Hours a week that one group may book.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({"group": "Batteries", "hours_per_week": 60.0}))]
pub(crate) struct QuotaForm {
    /// The group.
    group: String,
    /// Hours in any week, Monday to Sunday in the facility's zone.
    hours_per_week: f64,
}

/// The facility.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub(crate) struct FacilityBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    facility: FacilityForm,
    /// When it was set up.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl Form for FacilityForm {
    type Value = Site;
    type View = FacilityBody;
    const PATH: &'static str = "facility";

    fn parse(&self, context: &mut dyn ParseContext, current: Option<&Site>) -> Result<Site, Violations> {
        let mut check = Check::default();
        let name = check.field("name", Name::parse(&self.name));
        let timezone = check.field("timezone", parse_zone(&self.timezone));
        let contact = check.field("contact", Remark::parse(&self.contact));
        let opening_hours = match &self.opening_hours {
            None => Some(WeeklyHours::always()),
            Some(text) => check.part("opening_hours", WeeklyHours::parse(text)),
        };
        at_most(&mut check, "closures", &self.closures, MOST_CLOSURES);
        let kept: Vec<GloveboxId> =
            current.iter().flat_map(|site| &site.closures).filter_map(|closure| closure.glovebox).collect();
        let closures = check.each("closures", &self.closures, |closure| closure.parse(context, &kept));
        let policies = check.part("policies", self.policies.parse());
        let site = (|| {
            Some(Site {
                name: name?,
                timezone: timezone?,
                contact: contact?,
                opening_hours: opening_hours?,
                closures,
                policies: policies?,
            })
        })();
        check.build(site, |site| site)
    }

    fn of(site: &Site) -> Self {
        let always = site.opening_hours == WeeklyHours::always();
        Self {
            name: site.name.to_string(),
            timezone: site.timezone.name().to_owned(),
            contact: site.contact.to_string(),
            opening_hours: (!always).then(|| site.opening_hours.clone().into()),
            closures: site.closures.iter().map(ClosureForm::of).collect(),
            policies: PoliciesForm::of(&site.policies),
        }
    }
}

impl ClosureForm {
    /// Parses it; a box named by one of the ids `kept` may be gone by now.
    fn parse(&self, context: &mut dyn ParseContext, kept: &[GloveboxId]) -> Result<SiteClosure, Violations> {
        let mut check = Check::default();
        let interval = interval(&mut check, &self.start, &self.end);
        let reason = check.field("reason", Name::parse(&self.reason));
        let glovebox = match &self.glovebox {
            None => Some(None),
            Some(text) => match text.parse::<GloveboxId>() {
                Ok(id) if kept.contains(&id) => Some(Some(id)),
                _ => refer(&mut check, context, ThingKind::Glovebox, "glovebox", text).map(Some),
            },
        };
        let closure = (|| Some(SiteClosure { interval: interval?, reason: reason?, glovebox: glovebox? }))();
        check.build(closure, |closure| closure)
    }

    /// The form that would make it again.
    pub(super) fn of(closure: &SiteClosure) -> Self {
        Self {
            start: rfc3339(closure.interval.start()),
            end: rfc3339(closure.interval.end()),
            reason: closure.reason.to_string(),
            glovebox: closure.glovebox.map(|id| id.to_string()),
        }
    }
}

impl PoliciesForm {
    fn parse(&self) -> Result<Policies, Violations> {
        let mut check = Check::default();
        let default = Policies::default();
        let mut length = |field: &str, text: &Option<String>, otherwise: Option<Length>| match text {
            None => Some(otherwise),
            Some(text) => check.field(field, Length::parse(text)).map(Some),
        };
        let minimum_notice = length("minimum_notice", &self.minimum_notice, default.minimum_notice);
        let cancellation_notice =
            length("cancellation_notice", &self.cancellation_notice, default.cancellation_notice);
        let longest =
            length("longest_booking", &self.longest_booking, Some(default.longest_booking)).flatten();
        let horizon = length("horizon", &self.horizon, Some(default.horizon)).flatten();
        let grace = length("no_show_grace", &self.no_show_grace, Some(default.no_show_grace)).flatten();
        if let (Some(Some(notice)), Some(horizon)) = (minimum_notice, horizon) {
            let detail = "must be shorter than the horizon, or nothing can be booked";
            check.require(notice < horizon, "minimum_notice", "out_of_order", detail);
        }
        let group_hours =
            check.field("group_hours_per_week", self.group_hours_per_week.map(Hours::new).transpose());
        at_most(&mut check, "group_quotas", &self.group_quotas, MOST_QUOTAS);
        let group_quotas = check.each("group_quotas", &self.group_quotas, QuotaForm::parse);
        let groups = self.group_quotas.iter().map(|quota| quota.group.trim());
        distinct(
            &mut check,
            "duplicate",
            groups.enumerate().map(|(i, group)| (format!("group_quotas[{i}].group"), group)),
        );
        let factor = self.porous_cycle_factor.unwrap_or(default.porous_cycle_factor.into());
        let porous_cycle_factor = count(&mut check, "porous_cycle_factor", factor, 1..=10);
        let purge_dilution = self.purge_dilution.unwrap_or(default.purge_dilution);
        let detail = format!("must be 1 to {MOST_DILUTION:e}, not {purge_dilution}");
        check.require(
            (1.0..=MOST_DILUTION).contains(&purge_dilution),
            "purge_dilution",
            "out_of_range",
            detail,
        );
        let class = self.required_tightness_class.unwrap_or(default.required_tightness_class.number().into());
        let class = count(&mut check, "required_tightness_class", class, 1..=4);
        let deficiency = self.oxygen_deficiency_percent.unwrap_or(default.oxygen_deficiency.get());
        let oxygen_deficiency = check.field("oxygen_deficiency_percent", Percent::new(deficiency));
        let detail = format!("must be {} to {} %", OXYGEN_DEFICIENCY.start(), OXYGEN_DEFICIENCY.end());
        let in_range = oxygen_deficiency.is_none_or(|percent| OXYGEN_DEFICIENCY.contains(&percent.get()));
        check.require(in_range, "oxygen_deficiency_percent", "out_of_range", detail);
        let planning = check.part("planning", self.planning.parse());
        let policies = (|| {
            Some(Policies {
                minimum_notice: minimum_notice?,
                cancellation_notice: cancellation_notice?,
                longest_booking: longest?,
                horizon: horizon?,
                no_show_grace: grace?,
                group_hours_per_week: group_hours?,
                group_quotas,
                porous_cycle_factor: porous_cycle_factor?,
                purge_dilution,
                required_tightness_class: TightnessClass::try_from(class?).ok()?,
                hold_on_failed_leak_test: self
                    .hold_on_failed_leak_test
                    .unwrap_or(default.hold_on_failed_leak_test),
                oxygen_deficiency: oxygen_deficiency?,
                planning: planning?,
            })
        })();
        check.build(policies, |policies| policies)
    }

    fn of(policies: &Policies) -> Self {
        Self {
            minimum_notice: policies.minimum_notice.map(|length| length.to_string()),
            cancellation_notice: policies.cancellation_notice.map(|length| length.to_string()),
            longest_booking: Some(policies.longest_booking.to_string()),
            horizon: Some(policies.horizon.to_string()),
            no_show_grace: Some(policies.no_show_grace.to_string()),
            group_hours_per_week: policies.group_hours_per_week.map(Hours::get),
            group_quotas: policies.group_quotas.iter().map(QuotaForm::of).collect(),
            porous_cycle_factor: Some(policies.porous_cycle_factor.into()),
            purge_dilution: Some(policies.purge_dilution),
            required_tightness_class: Some(policies.required_tightness_class.number().into()),
            hold_on_failed_leak_test: Some(policies.hold_on_failed_leak_test),
            oxygen_deficiency_percent: Some(policies.oxygen_deficiency.get()),
            planning: PlanningForm::of(&policies.planning),
        }
    }
}

impl QuotaForm {
    fn parse(&self) -> Result<GroupQuota, Violations> {
        let mut check = Check::default();
        let group = check.field("group", Name::parse(&self.group));
        let hours = check.field("hours_per_week", Hours::new(self.hours_per_week));
        check.build(group.zip(hours), |(group, hours_per_week)| GroupQuota { group, hours_per_week })
    }

    fn of(quota: &GroupQuota) -> Self {
        Self { group: quota.group.to_string(), hours_per_week: quota.hours_per_week.get() }
    }
}

impl From<&Stored<Site>> for FacilityBody {
    fn from(stored: &Stored<Site>) -> Self {
        Self {
            id: stored.id,
            facility: FacilityForm::of(&stored.value),
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

/// Show the facility.
#[utoipa::path(tag = "facility",
    security(("token" = ["facility:read"]), ("token" = ["facility:manage"])),
    responses((status = 200, description = "The facility", body = FacilityBody,
        headers(("ETag" = String, description = "Version of the answer, for If-Match.")))))]
#[get("/facility")]
async fn get_facility(app: Api, caller: Caller, request: HttpRequest) -> Result<HttpResponse, Problem> {
    let stored = app.query(move |tx, _| site::get(tx, &caller.0)).await?;
    Ok(crud::shown_unless_known(&request, stored.version, &FacilityBody::from(&stored)))
}

/// Change the facility by a JSON merge patch (RFC 7396).
///
/// Opening hours merge by day: null closes a day, null for the whole opens day and night.
#[utoipa::path(tag = "facility", security(("token" = ["facility:manage"])),
    request_body(content = FacilityForm, description = "The fields to change"),
    responses((status = 200, description = "The facility, changed", body = FacilityBody)))]
#[patch("/facility")]
async fn patch_facility(
    app: Api,
    caller: Caller,
    if_match: IfMatch,
    body: Body<Value>,
) -> Result<HttpResponse, Problem> {
    let patch = body.value;
    let stored = app
        .command(move |tx, now| {
            site::change(tx, &caller.0, now, &if_match.0, |context, current| {
                crud::merged::<FacilityForm>(current, &patch)?.parse(context, Some(current))
            })
        })
        .await?;
    Ok(crud::shown(stored.version, &FacilityBody::from(&stored)))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(get_facility).service(patch_facility);
}
