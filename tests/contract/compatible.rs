//! Whether what was written against an older contract works with a newer one.
//!
//! The promise is in `openapi/README.md`. What clients send must go on being
//! accepted: every value that fitted the old schema fits the new one. What they
//! are answered must go on being understood: every value that fits the new schema
//! fits the old one, but for members and words that are new, which the promise
//! asks clients to pass over.

use serde_json::{Map, Value};
use std::collections::{BTreeMap, BTreeSet};

/// Which way a value travels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Way {
    Sent,
    Answered,
}

/// A schema with the contract whose components it names.
#[derive(Clone, Copy)]
struct Schema<'a> {
    contract: &'a Value,
    value: &'a Value,
}

/// What clients written against `old` would miss in `new`.
pub(crate) fn broken(old: &Value, new: &Value) -> Vec<String> {
    let mut check = Check { old, new, compared: BTreeSet::new(), faults: Vec::new() };
    let known = operations(new);
    for (at, operation) in operations(old) {
        match known.get(&at) {
            None => check.fault(&at, "is gone"),
            Some(now) => check.operation(&at, operation, now),
        }
    }
    check.faults
}

fn operations(contract: &Value) -> BTreeMap<String, &Value> {
    let paths = members(&contract["paths"]);
    let all = paths.flat_map(|(path, item)| {
        members(item).map(move |(method, operation)| (format!("{method} {path}"), operation))
    });
    all.collect()
}

fn members(value: &Value) -> impl Iterator<Item = (&String, &Value)> {
    value.as_object().into_iter().flat_map(Map::iter)
}

fn texts(value: &Value) -> BTreeSet<&str> {
    value.as_array().into_iter().flatten().filter_map(Value::as_str).collect()
}

struct Check<'a> {
    old: &'a Value,
    new: &'a Value,
    /// Pairs of named schemas that were compared, or are being compared.
    compared: BTreeSet<(Way, &'a str, &'a str)>,
    faults: Vec<String>,
}

impl<'a> Check<'a> {
    fn fault(&mut self, at: &str, what: &str) {
        self.faults.push(format!("{at} {what}"));
    }

    fn operation(&mut self, at: &str, old: &'a Value, new: &'a Value) {
        if old["operationId"] != new["operationId"] {
            self.fault(at, "has another operationId, after which generated clients name it");
        }
        self.access(at, &old["security"], &new["security"]);
        self.parameters(at, &old["parameters"], &new["parameters"]);
        self.request(at, &old["requestBody"], &new["requestBody"]);
        let (before, now) = (&old["responses"], &new["responses"]);
        for (status, answer) in members(before) {
            let at = format!("{at} answer {status}");
            match now.get(status) {
                Some(other) => self.answer(&at, answer, other),
                None if succeeds(status) => self.fault(&at, "is gone"),
                None => {}
            }
        }
        for (status, _) in
            members(now).filter(|(status, _)| succeeds(status) && before.get(*status).is_none())
        {
            self.fault(at, &format!("succeeds with {status}, which is new"));
        }
    }

    /// A token that opened it must go on doing so.
    fn access(&mut self, at: &str, old: &Value, new: &Value) {
        let open = |security: &Value| security.as_array().is_none_or(Vec::is_empty);
        if open(new) {
            return;
        }
        if open(old) {
            return self.fault(at, "needs a token now");
        }
        for requirement in old.as_array().into_iter().flatten() {
            if !new.as_array().is_some_and(|all| all.contains(requirement)) {
                self.fault(at, &format!("is no longer opened by {requirement}"));
            }
        }
    }

    fn parameters(&mut self, at: &str, old: &'a Value, new: &'a Value) {
        let name = |one: &Value| format!("{} parameter {}", one["in"].as_str().unwrap_or(""), one["name"]);
        let list = |all: &'a Value| all.as_array().into_iter().flatten().map(|one| (name(one), one));
        let (before, now): (BTreeMap<_, _>, BTreeMap<_, _>) = (list(old).collect(), list(new).collect());
        for (name, one) in &now {
            let required = |one: &Value| one["required"] == true;
            if required(one) && !before.get(name).is_some_and(|one| required(one)) {
                self.fault(at, &format!("needs the {name}"));
            }
        }
        for (name, one) in before {
            match now.get(&name) {
                Some(other) => {
                    self.schema(Way::Sent, &format!("{at} {name}"), &one["schema"], &other["schema"]);
                }
                None => self.fault(at, &format!("no longer takes the {name}")),
            }
        }
    }

    fn request(&mut self, at: &str, old: &'a Value, new: &'a Value) {
        if new["required"] == true && old["required"] != true {
            self.fault(at, "needs a body");
        }
        for (kind, content) in members(&old["content"]) {
            let at = format!("{at} request {kind}");
            match new["content"].get(kind) {
                Some(other) => self.schema(Way::Sent, &at, &content["schema"], &other["schema"]),
                None => self.fault(&at, "is no longer taken"),
            }
        }
    }

    fn answer(&mut self, at: &str, old: &'a Value, new: &'a Value) {
        for (kind, content) in members(&old["content"]) {
            let at = format!("{at} {kind}");
            match new["content"].get(kind) {
                Some(other) => self.schema(Way::Answered, &at, &content["schema"], &other["schema"]),
                None => self.fault(&at, "is gone"),
            }
        }
        for (name, header) in members(&old["headers"]) {
            let at = format!("{at} header {name}");
            match new["headers"].get(name) {
                Some(other) => self.schema(Way::Answered, &at, &header["schema"], &other["schema"]),
                None => self.fault(&at, "is gone"),
            }
        }
    }

    fn schema(&mut self, way: Way, at: &str, old: &'a Value, new: &'a Value) {
        let old = Schema { contract: self.old, value: old };
        let new = Schema { contract: self.new, value: new };
        if let (Some(one), Some(other)) = (old.name(), new.name())
            && !self.compared.insert((way, one, other))
        {
            return;
        }
        let (narrow, wide) = match way {
            Way::Sent => (old, new),
            Way::Answered => (new, old),
        };
        let (narrow, wide) = (narrow.variants(), wide.variants());
        for one in &narrow {
            let mut reasons = Vec::new();
            let fits = wide.iter().any(|other| {
                let faults = std::mem::take(&mut self.faults);
                // Schemas named within a variant that does not fit were not compared for good.
                let compared = self.compared.clone();
                self.variant(way, at, one, other);
                let found = std::mem::replace(&mut self.faults, faults);
                if !found.is_empty() {
                    self.compared = compared;
                }
                // The variant that comes nearest explains best what is amiss.
                if reasons.is_empty() || found.len() < reasons.len() {
                    reasons.clone_from(&found);
                }
                found.is_empty()
            });
            if !fits {
                self.faults.append(&mut reasons);
            }
        }
    }

    /// Whether whatever fits `narrow` fits `wide`.
    fn variant(&mut self, way: Way, at: &str, narrow: &Variant<'a>, wide: &Variant<'a>) {
        if wide.words.keys().all(|word| ANNOTATIONS.contains(word)) && wide.kind.is_none() {
            return;
        }
        if !wide.takes(narrow.kind) {
            return self.fault(at, &format!("is of another type: {:?}, not {:?}", narrow.kind, wide.kind));
        }
        for (word, limit) in &wide.words {
            if !keeps_to(way, word, narrow.words.get(word).copied(), limit) {
                self.fault(at, &format!("differs in `{word}`: {limit}"));
            }
        }
        self.object(way, at, narrow, wide);
        for word in ["items", "additionalProperties", "propertyNames"] {
            if let (Some(one), Some(other)) = (narrow.words.get(word), wide.words.get(word))
                && one.is_object()
                && other.is_object()
            {
                let (old, new) = if way == Way::Sent { (*one, *other) } else { (*other, *one) };
                self.schema(way, &format!("{at}/{word}"), old, new);
            }
        }
    }

    fn object(&mut self, way: Way, at: &str, narrow: &Variant<'a>, wide: &Variant<'a>) {
        let always = &narrow.required;
        for name in wide.required.iter().filter(|name| !always.contains(*name)) {
            self.fault(at, &format!("has `{name}` not always, or asks for it"));
        }
        let (old, new) = if way == Way::Sent { (narrow, wide) } else { (wide, narrow) };
        for (name, one) in &old.properties {
            match new.properties.get(name) {
                Some(other) => self.schema(way, &format!("{at}/{name}"), one, other),
                None => self.fault(at, &format!("no longer knows `{name}`")),
            }
        }
    }
}

fn succeeds(status: &str) -> bool {
    status.starts_with(['2', '3'])
}

impl<'a> Schema<'a> {
    fn name(&self) -> Option<&'a str> {
        self.value["$ref"].as_str()
    }

    fn with(&self, value: &'a Value) -> Self {
        Schema { contract: self.contract, value }
    }

    fn resolved(self) -> Self {
        match self.name() {
            Some(name) => {
                let found = self.contract.pointer(name.trim_start_matches('#'));
                self.with(found.unwrap_or_else(|| panic!("{name} is named and not there"))).resolved()
            }
            None => self,
        }
    }

    /// The alternatives it is made of, each of one type.
    fn variants(self) -> Vec<Variant<'a>> {
        let schema = self.resolved();
        for word in ["oneOf", "anyOf"] {
            if let Some(all) = schema.value[word].as_array() {
                return all.iter().flat_map(|one| schema.with(one).variants()).collect();
            }
        }
        let whole = schema.merged();
        let Some(kinds) = schema.value["type"].as_array() else { return vec![whole] };
        kinds.iter().map(|kind| Variant { kind: kind.as_str(), ..whole.clone() }).collect()
    }

    /// Itself with the parts it is made of.
    fn merged(self) -> Variant<'a> {
        let value = self.value;
        let mut whole = Variant {
            kind: value["type"].as_str(),
            required: texts(&value["required"]),
            properties: members(&value["properties"]).map(|(name, one)| (name.as_str(), one)).collect(),
            words: members(value)
                .map(|(word, limit)| (word.as_str(), limit))
                .filter(|(word, _)| !["type", "required", "properties", "allOf"].contains(word))
                .collect(),
        };
        for part in value["allOf"].as_array().into_iter().flatten() {
            let part = self.with(part).resolved().merged();
            whole.kind = whole.kind.or(part.kind);
            whole.required.extend(part.required);
            whole.properties.extend(part.properties);
            whole.words.extend(part.words);
        }
        whole
    }
}

/// A schema of one type, with everything it is made of.
#[derive(Clone)]
struct Variant<'a> {
    kind: Option<&'a str>,
    required: BTreeSet<&'a str>,
    properties: BTreeMap<&'a str, &'a Value>,
    /// What else it says, but for what it is made of.
    words: BTreeMap<&'a str, &'a Value>,
}

impl Variant<'_> {
    fn takes(&self, kind: Option<&str>) -> bool {
        self.kind.is_none() || self.kind == kind || (self.kind == Some("number") && kind == Some("integer"))
    }
}

/// Words of JSON Schema that allow and forbid nothing.
const ANNOTATIONS: [&str; 9] = [
    "description",
    "title",
    "example",
    "examples",
    "default",
    "deprecated",
    "readOnly",
    "writeOnly",
    "$comment",
];

/// Whether a schema that says `own` about `word` allows no more than one that says `limit`.
fn keeps_to(way: Way, word: &str, own: Option<&Value>, limit: &Value) -> bool {
    let number = |value: &Value| value.as_f64();
    match word {
        _ if ANNOTATIONS.contains(&word) => true,
        // What these hold is compared by itself; a closed object is opened by no one but us.
        "items" | "propertyNames" => own.is_some(),
        "additionalProperties" => {
            limit == true
                || own.is_some_and(|own| own.is_object() == limit.is_object())
                || way == Way::Answered
        }
        "minimum" | "exclusiveMinimum" | "minLength" | "minItems" | "minProperties" => {
            own.and_then(number) >= number(limit)
        }
        "maximum" | "exclusiveMaximum" | "maxLength" | "maxItems" | "maxProperties" => {
            own.and_then(number).is_some_and(|own| Some(own) <= number(limit))
        }
        // Words that are new are passed over, as the promise asks.
        "enum" => match own.and_then(Value::as_array) {
            Some(own) => {
                way == Way::Answered
                    || limit.as_array().is_some_and(|all| own.iter().all(|one| all.contains(one)))
            }
            None => false,
        },
        // Whatever else there is has to be the same, until this learns what it means.
        _ => own == Some(limit),
    }
}
