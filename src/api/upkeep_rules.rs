//! `/upkeep-rules`.

use super::Api;
use super::auth::Caller;
use super::crud::Form;
use super::paging::Listing;
use super::problem::Problem;
use crate::domain::calendar::{Length, Span};
use crate::domain::facility::{MeasuredQuantity, ParseContext, Stored, ThingKind};
use crate::domain::ids::ThingId;
use crate::domain::names::{Name, Reference, Word};
use crate::domain::quantity::Fraction;
use crate::domain::upkeep::rules::{
    AppliesTo, Calendar, Closes, Consumable, Limit, Meter, PartKind, RecurringDates, RecurringDatesText,
    Species, Trigger, UpkeepRule,
};
use crate::domain::violations::{Check, Violation, Violations};
use crate::usecases::upkeep;
use actix_web::{HttpResponse, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// What a rule is about.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(untagged)]
enum AppliesToForm {
    /// Every part of a kind, by the kind alone.
    Kind(String),
    /// Every part of a kind, or some of them.
    Parts(PartsForm),
}

/// The parts a rule is about.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "kind": "station", "only": ["LYNX/S1"] }))]
struct PartsForm {
    /// `glovebox`, `station`, `antechamber`, `purifier`, `gas_supply` or `room`.
    kind: String,
    /// Only these, by id or tag; all of the kind when empty.
    #[serde(default)]
    only: Vec<String>,
}

/// What makes the task due. Which fields it has depends on its kind.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "kind": "usage", "meter": "station_hours", "limit": 500.0 }))]
struct TriggerForm {
    /// `calendar`, `usage`, `condition`, `uptake`, `contents` or `finding`.
    kind: String,
    /// Calendar: due so long after the last service, an ISO 8601 duration such as `P12M`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    every: Option<String>,
    /// Calendar, instead of `every`: an RFC 5545 rule; the first date after the last service counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rrule: Option<String>,
    /// Calendar with `rrule`: its start on the wall; the last service unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    dtstart: Option<String>,
    /// Calendar with `rrule`: IANA zone; the facility's unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    timezone: Option<String>,
    /// Usage: `station_hours`, `solvent_hours`, `pump_hours` or `antechamber_cycles`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    meter: Option<String>,
    /// Usage, condition: due when the meter has counted so far since the last
    /// service, or the reading is above it; in the unit of the meter or quantity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    limit: Option<f64>,
    /// Condition: what is read, such as `oxygen_ppm`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    quantity: Option<String>,
    /// Condition: how long it must stay above; one reading is enough unless given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    sustained: Option<String>,
    /// Uptake: `oxygen` or `water`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    species: Option<String>,
    /// Uptake: share of the rated capacity, above 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    fraction: Option<f64>,
    /// Finding: tasks after which this one is due, besides failed tests and services that ask for it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    after: Vec<String>,
}

/// Something the task uses up.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({ "stock_item": "glove pair", "quantity": 1.0 }))]
struct ConsumableForm {
    /// The stock item, as the site calls it.
    stock_item: String,
    /// How much, in the item's unit; more than zero.
    quantity: f64,
}

/// An upkeep rule as callers write it.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(example = json!({
    "task": "glove_change", "applies_to": { "kind": "station", "only": [] },
    "triggers": [
        { "kind": "usage", "meter": "station_hours", "limit": 500.0 },
        { "kind": "calendar", "every": "P12M" }, { "kind": "finding" }
    ],
    "duration": "PT1H", "closes": "station", "people": 1,
    "consumables": [{ "stock_item": "glove pair", "quantity": 1.0 }], "approach": "P30D", "safety": false
}))]
pub(crate) struct RuleForm {
    /// The task: a usual one such as `glove_change`, or a word of the site's own.
    task: String,
    /// The parts it is done on.
    applies_to: AppliesToForm,
    /// What makes it due; whichever comes first governs.
    triggers: Vec<TriggerForm>,
    /// How long people work at it, an ISO 8601 duration; with what runs by
    /// itself 21 days at most.
    duration: String,
    /// How long it then runs by itself.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    unattended: Option<String>,
    /// How much of `duration` comes after that, to finish it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    finish: Option<String>,
    /// For work that lets air into the box: the box is purged afterwards until
    /// that is diluted this many times, 1 or more, and closed to use meanwhile.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    purge_dilution: Option<f64>,
    /// What is closed to use meanwhile: `nothing`, `station`, `antechambers`,
    /// `circulation`, `whole_box` or `supplied_boxes`.
    #[serde(default = "nothing")]
    closes: String,
    /// How many people it takes, 1 to 20.
    #[serde(default = "one")]
    people: u8,
    /// The qualification it takes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    competence: Option<String>,
    /// What it uses up.
    #[serde(default)]
    consumables: Vec<ConsumableForm>,
    /// How long before the date to act by it counts as approaching.
    #[serde(default = "fortnight")]
    approach: String,
    /// Whether people's safety depends on it: it is then to be done by its earliest date.
    #[serde(default)]
    safety: bool,
}

fn nothing() -> String {
    Closes::Nothing.word().to_owned()
}

const fn one() -> u8 {
    1
}

fn fortnight() -> String {
    "P14D".to_owned()
}

/// An upkeep rule.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(example = json!({
    "id": "0199c5a0-0000-7000-8000-000000000001",
    "task": "room_monitor_test", "applies_to": { "kind": "room", "only": [] },
    "triggers": [{ "kind": "calendar", "every": "P3M" }], "duration": "PT30M", "closes": "nothing",
    "people": 1, "consumables": [], "approach": "P14D", "safety": true,
    "created_at": "2026-03-02T08:00:00Z", "updated_at": "2026-03-02T08:00:00Z"
}))]
pub(crate) struct RuleBody {
    /// Its id.
    id: Uuid,
    #[serde(flatten)]
    rule: RuleForm,
    /// When it was created.
    created_at: DateTime<Utc>,
    /// When it was last changed.
    updated_at: DateTime<Utc>,
}

impl From<&Stored<UpkeepRule>> for RuleBody {
    fn from(stored: &Stored<UpkeepRule>) -> Self {
        Self {
            id: stored.id,
            rule: RuleForm::of(&stored.value),
            created_at: stored.created_at,
            updated_at: stored.updated_at,
        }
    }
}

/// The thing that a word stands for, or a violation that lists the words.
fn one_of<T>(check: &mut Check, field: &str, found: Option<T>, words: &[&str]) -> Option<T> {
    let detail = || format!("must be one of {}", words.join(", "));
    check.require(found.is_some(), field, "unknown_word", detail());
    found
}

fn words<T: Copy>(all: &[T], word: impl Fn(T) -> &'static str) -> Vec<&'static str> {
    all.iter().map(|one| word(*one)).collect()
}

impl AppliesToForm {
    fn parse(&self, context: &mut dyn ParseContext) -> Result<AppliesTo, Violations> {
        let (kind, only): (&str, &[String]) = match self {
            Self::Kind(kind) => (kind, &[]),
            Self::Parts(parts) => (&parts.kind, &parts.only),
        };
        let mut check = Check::default();
        let known = words(PartKind::ALL, PartKind::word);
        let kind = one_of(&mut check, "kind", PartKind::from_word(kind), &known);
        let only = kind
            .map_or_else(Vec::new, |kind| check.each("only", only, |text| part(context, kind.thing(), text)));
        check.build(kind, |kind| AppliesTo { kind, only })
    }
}

/// The thing of a kind that a reference names.
fn part(context: &mut dyn ParseContext, kind: ThingKind, text: &str) -> Result<ThingId, Violations> {
    let found = text.parse::<Reference>().ok().and_then(|reference| context.find(kind, None, &reference));
    found.map(ThingId::from).ok_or_else(|| {
        let detail = format!("there is no {} {text:?}", kind.word());
        Violation::new("", "unknown_reference", detail).into()
    })
}

impl TriggerForm {
    /// The fields that were given besides the kind.
    fn given(&self) -> Vec<&'static str> {
        let fields = [
            ("every", self.every.is_some()),
            ("rrule", self.rrule.is_some()),
            ("dtstart", self.dtstart.is_some()),
            ("timezone", self.timezone.is_some()),
            ("meter", self.meter.is_some()),
            ("limit", self.limit.is_some()),
            ("quantity", self.quantity.is_some()),
            ("sustained", self.sustained.is_some()),
            ("species", self.species.is_some()),
            ("fraction", self.fraction.is_some()),
            ("after", !self.after.is_empty()),
        ];
        fields.into_iter().filter(|(_, given)| *given).map(|(field, _)| field).collect()
    }

    fn parse(&self) -> Result<Trigger, Violations> {
        let mut check = Check::default();
        let fields: &[&str] = match self.kind.as_str() {
            "calendar" => &["every", "rrule", "dtstart", "timezone"],
            "usage" => &["meter", "limit"],
            "condition" => &["quantity", "limit", "sustained"],
            "uptake" => &["species", "fraction"],
            "contents" => &[],
            "finding" => &["after"],
            _ => {
                let kinds = ["calendar", "usage", "condition", "uptake", "contents", "finding"];
                one_of::<()>(&mut check, "kind", None, &kinds);
                return check.build(None, |trigger| trigger);
            }
        };
        for field in self.given() {
            let detail = format!("a {} trigger has no {field}", self.kind);
            check.require(fields.contains(&field), field, "unknown_field", detail);
        }
        let trigger = match self.kind.as_str() {
            "calendar" => check.part("", self.calendar()),
            "usage" => {
                let meter = self.word(&mut check, "meter", self.meter.as_deref(), |word| {
                    (Meter::from_word(word), words(Meter::ALL, Meter::word))
                });
                let limit = self.limit(&mut check);
                meter.zip(limit).map(|(meter, limit)| Trigger::Usage { meter, limit })
            }
            "condition" => {
                let quantity = self.word(&mut check, "quantity", self.quantity.as_deref(), |word| {
                    (MeasuredQuantity::from_word(word), words(&MeasuredQuantity::ALL, MeasuredQuantity::word))
                });
                let limit = self.limit(&mut check);
                let sustained =
                    check.field("sustained", self.sustained.as_deref().map(Length::parse).transpose());
                quantity.zip(limit).zip(sustained).map(|((quantity, limit), sustained)| Trigger::Condition {
                    quantity,
                    limit,
                    sustained,
                })
            }
            "uptake" => self.uptake(&mut check),
            "finding" => {
                let after = check.each("after", &self.after, |task| {
                    Word::parse(task).map_err(|e| Violation::new("", "bad_word", e.to_string()).into())
                });
                Some(Trigger::Finding { after })
            }
            _ => Some(Trigger::Contents),
        };
        check.build(trigger, |trigger| trigger)
    }

    /// A word that the kind of trigger needs.
    fn word<T>(
        &self,
        check: &mut Check,
        field: &str,
        given: Option<&str>,
        known: impl Fn(&str) -> (Option<T>, Vec<&'static str>),
    ) -> Option<T> {
        check.require(given.is_some(), field, "missing_field", format!("a {} trigger needs it", self.kind));
        let (found, words) = known(given?);
        one_of(check, field, found, &words)
    }

    fn limit(&self, check: &mut Check) -> Option<Limit> {
        let detail = format!("a {} trigger needs it", self.kind);
        check.require(self.limit.is_some(), "limit", "missing_field", detail);
        check.field("limit", Limit::new(self.limit?))
    }

    fn uptake(&self, check: &mut Check) -> Option<Trigger> {
        let species = self.word(check, "species", self.species.as_deref(), |word| {
            (Species::from_word(word), words(Species::ALL, Species::word))
        });
        let missing = "an uptake trigger needs it";
        check.require(self.fraction.is_some(), "fraction", "missing_field", missing);
        let fraction = check.field("fraction", Fraction::new(self.fraction?))?;
        check.require(fraction.get() > 0.0, "fraction", "too_small", "must be more than nought");
        Some(Trigger::Uptake { species: species?, fraction })
    }

    fn calendar(&self) -> Result<Trigger, Violations> {
        let mut check = Check::default();
        let calendar = match (&self.every, &self.rrule) {
            (Some(every), None) => {
                let lone = self.dtstart.is_none() && self.timezone.is_none();
                check.require(lone, "every", "contradiction", "dtstart and timezone belong to an rrule");
                check.field("every", Span::parse(every)).map(|every| Calendar::Every { every })
            }
            (None, Some(rrule)) => {
                let text = RecurringDatesText {
                    rrule: rrule.clone(),
                    dtstart: self.dtstart.clone(),
                    timezone: self.timezone.clone(),
                };
                check.part("", RecurringDates::parse(&text)).map(Calendar::Dates)
            }
            (Some(_), Some(_)) => {
                check.note(Violation::new("rrule", "contradiction", "give either every or rrule"));
                None
            }
            (None, None) => {
                check.note(Violation::new(
                    "every",
                    "missing_field",
                    "a calendar trigger needs every or rrule",
                ));
                None
            }
        };
        check.build(calendar, Trigger::Calendar)
    }

    fn of(trigger: &Trigger) -> Self {
        let form = Self { kind: trigger.kind().to_owned(), ..Self::default() };
        match trigger {
            Trigger::Calendar(Calendar::Every { every }) => Self { every: Some(every.to_string()), ..form },
            Trigger::Calendar(Calendar::Dates(dates)) => {
                let text = RecurringDatesText::from(dates.clone());
                Self { rrule: Some(text.rrule), dtstart: text.dtstart, timezone: text.timezone, ..form }
            }
            Trigger::Usage { meter, limit } => {
                Self { meter: Some(meter.word().to_owned()), limit: Some(limit.get()), ..form }
            }
            Trigger::Condition { quantity, limit, sustained } => Self {
                quantity: Some(quantity.word().to_owned()),
                limit: Some(limit.get()),
                sustained: sustained.map(|length| length.to_string()),
                ..form
            },
            Trigger::Uptake { species, fraction } => {
                Self { species: Some(species.word().to_owned()), fraction: Some(fraction.get()), ..form }
            }
            Trigger::Contents => form,
            Trigger::Finding { after } => {
                Self { after: after.iter().map(ToString::to_string).collect(), ..form }
            }
        }
    }
}

impl ConsumableForm {
    fn parse(&self) -> Result<Consumable, Violations> {
        let mut check = Check::default();
        let stock_item = check.field("stock_item", Name::parse(&self.stock_item));
        let quantity = check.field("quantity", Limit::new(self.quantity));
        check.build(stock_item.zip(quantity), |(stock_item, quantity)| Consumable { stock_item, quantity })
    }
}

impl Form for RuleForm {
    type Value = UpkeepRule;
    type View = RuleBody;
    const PATH: &'static str = "upkeep-rules";

    fn parse(
        &self,
        context: &mut dyn ParseContext,
        _: Option<&UpkeepRule>,
    ) -> Result<UpkeepRule, Violations> {
        let mut check = Check::default();
        let task = check.field("task", Word::parse(&self.task));
        let applies_to = check.part("applies_to", self.applies_to.parse(context));
        let triggers = check.each("triggers", &self.triggers, TriggerForm::parse);
        let duration = check.field("duration", Length::parse(&self.duration));
        let unattended = check.field("unattended", self.unattended.as_deref().map(Length::parse).transpose());
        let finish = check.field("finish", self.finish.as_deref().map(Length::parse).transpose());
        let known = words(Closes::ALL, Closes::word);
        let closes = one_of(&mut check, "closes", Closes::from_word(&self.closes), &known);
        let competence = check.field("competence", self.competence.as_deref().map(Word::parse).transpose());
        let consumables = check.each("consumables", &self.consumables, ConsumableForm::parse);
        let approach = check.field("approach", Length::parse(&self.approach));
        let whole = triggers.len() == self.triggers.len();
        if let Some(kind) = applies_to.as_ref().map(|applies_to| applies_to.kind).filter(|_| !whole) {
            // The rule as a whole cannot be checked; what can be said of the sound triggers is.
            for (index, form) in self.triggers.iter().enumerate() {
                if let Ok(trigger) = form.parse() {
                    check.part(&format!("triggers[{index}]"), trigger.fits(kind).map_err(Violations::from));
                }
            }
        }
        let rule = (|| {
            Some(UpkeepRule {
                task: task?,
                applies_to: applies_to?,
                triggers,
                duration: duration?,
                unattended: unattended?,
                finish: finish?,
                purge_dilution: self.purge_dilution,
                closes: closes?,
                people: self.people,
                competence: competence?,
                consumables,
                approach: approach?,
                safety: self.safety,
            })
        })();
        if let Some(rule) = rule.as_ref().filter(|_| whole) {
            check.part("", rule.check());
        }
        check.build(rule, |rule| rule)
    }

    fn of(rule: &UpkeepRule) -> Self {
        Self {
            task: rule.task.to_string(),
            applies_to: AppliesToForm::Parts(PartsForm {
                kind: rule.applies_to.kind.word().to_owned(),
                only: rule.applies_to.only.iter().map(ToString::to_string).collect(),
            }),
            triggers: rule.triggers.iter().map(TriggerForm::of).collect(),
            duration: rule.duration.to_string(),
            unattended: rule.unattended.map(|length| length.to_string()),
            finish: rule.finish.map(|length| length.to_string()),
            purge_dilution: rule.purge_dilution,
            closes: rule.closes.word().to_owned(),
            people: rule.people,
            competence: rule.competence.as_ref().map(ToString::to_string),
            consumables: rule
                .consumables
                .iter()
                .map(|one| ConsumableForm {
                    stock_item: one.stock_item.to_string(),
                    quantity: one.quantity.get(),
                })
                .collect(),
            approach: rule.approach.to_string(),
            safety: rule.safety,
        }
    }
}

mod collection {
    use super::{RuleBody, RuleForm};
    use crate::api::crud::crud_routes;

    crud_routes! {
        RuleForm, RuleBody, tag "upkeep", path "/upkeep-rules", item "/upkeep-rules/{id}",
        see "facility:read", change "upkeep:manage",
        create_upkeep_rule "Add an upkeep rule; its items appear with the next nightly run.",
        list_upkeep_rules "List the upkeep rules.",
        get_upkeep_rule "Show an upkeep rule.",
        patch_upkeep_rule "Change an upkeep rule by a JSON merge patch (RFC 7396).",
        delete_upkeep_rule "Remove an upkeep rule and its due items.",
    }
}

/// Add the rules to start from, for the usual tasks that have none yet.
///
/// Their figures are starting values without a source: a site changes them to
/// what its makers' manuals and its own experience say. Answers with those added.
#[utoipa::path(tag = "upkeep", security(("token" = ["upkeep:manage"])),
    responses((status = 200, description = "Those added", body = Listing<RuleBody>)))]
#[post("/upkeep-rules/defaults")]
async fn install_default_upkeep_rules(app: Api, caller: Caller) -> Result<HttpResponse, Problem> {
    let added = app.command(move |tx, now| upkeep::install_default_rules(tx, &caller.0, now)).await?;
    Ok(HttpResponse::Ok().json(Listing::whole(added.iter().map(RuleBody::from).collect())))
}

/// Puts the routes on a scope.
pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
    config.service(install_default_upkeep_rules);
    collection::routes(config);
}
