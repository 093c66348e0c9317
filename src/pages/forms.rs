//! Forms: read once, checked to be ours, shown again with what is wrong. A field's
//! name is its `id`, so that the summary of faults can lead to it.

mod times;

use times::is_local;
pub(super) use times::{Instant, Twice, instant};

use super::fault::Fault;
use super::say;
use super::session::{self, Visitor};
use crate::domain::violations::Violation;
use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest, web};
use maud::{Markup, html};
use std::pin::Pin;

/// The name of the field with the stamp.
const STAMP: &str = "stamp";
/// The longest form, in bytes.
const LONGEST: usize = 64 * 1024;

/// What somebody filled in.
#[derive(Debug, Clone, Default)]
pub(super) struct Filled(Vec<(String, String)>);

impl Filled {
    /// What stands in an address behind the question mark.
    pub(super) fn of_query(request: &HttpRequest) -> Self {
        Self::parse(request.query_string().as_bytes())
    }

    fn parse(text: &[u8]) -> Self {
        Self(url::form_urlencoded::parse(text).into_owned().collect())
    }

    /// The first value of a field, without the space around it; empty where there is none.
    pub(super) fn get(&self, name: &str) -> &str {
        self.0.iter().find(|(known, _)| known == name).map_or("", |(_, value)| value.trim())
    }

    /// Every value of a field.
    pub(super) fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        self.0.iter().filter(move |(known, _)| known == name).map(|(_, value)| value.trim())
    }

    /// The same with a value for a field that has none.
    #[must_use]
    pub(super) fn or(mut self, name: &str, value: impl Into<String>) -> Self {
        if self.get(name).is_empty() {
            self.0.retain(|(known, _)| known != name);
            self.0.push((name.to_owned(), value.into()));
        }
        self
    }
}

impl Filled {
    /// Whether a key sent the form, and none of its buttons.
    pub(super) fn is_by_key(&self) -> bool {
        !self.get(BY_KEY).is_empty()
    }

    /// The same with this value for a field, whatever it had.
    #[must_use]
    pub(super) fn with(mut self, name: &str, value: impl Into<String>) -> Self {
        self.0.retain(|(known, _)| known != name);
        self.0.push((name.to_owned(), value.into()));
        self
    }
}

/// Reads a form that came from a page of ours, whoever sent it.
pub(super) async fn read(request: &HttpRequest, payload: &mut Payload) -> Result<Filled, Fault> {
    if !session::is_from_here(request) {
        return Err(Fault::strange_form());
    }
    let body = web::Bytes::from_request(request, payload).await.map_err(|_| Fault::unreadable_form())?;
    if body.len() > LONGEST {
        return Err(Fault::unreadable_form());
    }
    Ok(Filled::parse(&body))
}

/// A form that somebody sent who is signed in, with the stamp of their own pages.
#[derive(Debug)]
pub(super) struct Posted {
    /// Who sent it.
    pub(super) visitor: Visitor,
    /// What it says.
    pub(super) filled: Filled,
}

impl FromRequest for Posted {
    type Error = Fault;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Fault>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, mut payload) = (request.clone(), payload.take());
        Box::pin(async move {
            let filled = read(&request, &mut payload).await?;
            let visitor = session::visitor(&request).await?;
            if !session::is_stamped(&request, filled.get(STAMP)) {
                return Err(Fault::strange_form());
            }
            Ok(Self { visitor, filled })
        })
    }
}

/// The hidden field that shows a form to be ours; each form has it.
pub(super) fn stamp(visitor: &Visitor) -> Markup {
    html! { input type="hidden" name=(STAMP) value=(visitor.stamp); }
}

/// The field by which [`only_by_button`] tells.
const BY_KEY: &str = "by_key";

/// The first button of a form whose others do more than whoever presses "enter" in a
/// field may mean: browsers press the first one then (HTML Living Standard, implicit
/// submission), a disabled one excepted, and [`Filled::is_by_key`] tells.
pub(super) fn only_by_button() -> Markup {
    html! { button.no-enter type="submit" name=(BY_KEY) value="yes" hidden {} }
}

/// A form as it is shown: what was filled in, and what is wrong with it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Form<'a> {
    /// What was filled in.
    pub(super) filled: &'a Filled,
    /// What is wrong.
    pub(super) faults: &'a [Violation],
}

/// A field of a form.
#[derive(Debug, Clone, Copy)]
pub(super) struct Field<'a> {
    /// Its name, and its `id`.
    pub(super) name: &'a str,
    /// What it is called.
    pub(super) label: &'a str,
    /// What to know before filling it in; may be empty.
    pub(super) hint: &'a str,
}

impl Form<'_> {
    /// What is wrong, on top of the page, each fault leading to its field.
    pub(super) fn summary(&self) -> Markup {
        if self.faults.is_empty() {
            return html! {};
        }
        html! {
            div.faults role="alert" tabindex="-1" id="faults" autofocus {
                h2 { "Please mend " @if self.faults.len() == 1 { "this" } @else { "these" } }
                ul {
                    @for fault in self.faults {
                        li {
                            @if fault.field.is_empty() { (say::name(&fault.detail)) }
                            @else { a href={ "#" (fault.field) } { (say::name(&fault.detail)) } }
                        }
                    }
                }
            }
        }
    }

    fn fault_of(&self, name: &str) -> Option<&str> {
        self.faults.iter().find(|fault| fault.field == name).map(|fault| fault.detail.as_str())
    }

    /// Label, hint and fault around a control.
    fn around(&self, field: Field<'_>, control: &Markup) -> Markup {
        html! {
            div.field {
                label for=(field.name) { (field.label) }
                @if !field.hint.is_empty() { p.hint id={ (field.name) "-hint" } { (field.hint) } }
                @if let Some(fault) = self.fault_of(field.name) {
                    p.fault id={ (field.name) "-fault" } { span.mark aria-hidden="true" { "▲ " } (say::name(fault)) }
                }
                (control)
            }
        }
    }

    /// The ids of what describes a field, where something does.
    fn described(&self, field: Field<'_>) -> Option<String> {
        let hint = (!field.hint.is_empty()).then(|| format!("{}-hint", field.name));
        let fault = self.fault_of(field.name).map(|_| format!("{}-fault", field.name));
        let all: Vec<String> = hint.into_iter().chain(fault).collect();
        (!all.is_empty()).then(|| all.join(" "))
    }

    fn is_wrong(&self, field: Field<'_>) -> Option<&'static str> {
        self.fault_of(field.name).map(|_| "true")
    }

    /// A line to type in, of an HTML type such as `text`, `datetime-local` or `number`.
    pub(super) fn line(&self, field: Field<'_>, kind: &str) -> Markup {
        let step = (kind == "number").then_some("any");
        // A browser shows no other text as a time, and complains of it.
        let value =
            Some(self.filled.get(field.name)).filter(|text| kind != "datetime-local" || is_local(text));
        self.around(field, &html! {
            input type=(kind) id=(field.name) name=(field.name) value=(value.unwrap_or_default()) step=[step]
                aria-describedby=[self.described(field)] aria-invalid=[self.is_wrong(field)] dir="auto";
        })
    }

    /// A number to type in: a phone offers digits, and a comma will do for a point.
    pub(super) fn number(&self, field: Field<'_>) -> Markup {
        self.around(field, &html! {
            input type="text" inputmode="decimal" autocomplete="off" enterkeyhint="next" id=(field.name)
                name=(field.name) value=(self.filled.get(field.name)) aria-describedby=[self.described(field)]
                aria-invalid=[self.is_wrong(field)];
        })
    }

    /// Several of several, each with its value and what it is called; the first has the
    /// field's name as its `id`.
    pub(super) fn ticks(&self, field: Field<'_>, options: &[(String, String)]) -> Markup {
        html! {
            fieldset.field aria-describedby=[self.described(field)] {
                legend { (field.label) }
                @if !field.hint.is_empty() { p.hint id={ (field.name) "-hint" } { (field.hint) } }
                @if let Some(fault) = self.fault_of(field.name) {
                    p.fault id={ (field.name) "-fault" } { span.mark aria-hidden="true" { "▲ " } (say::name(fault)) }
                }
                @for (number, (value, text)) in options.iter().enumerate() {
                    @let id = if number == 0 { field.name.to_owned() } else { format!("{}-{number}", field.name) };
                    div.tick {
                        input type="checkbox" id=(id) name=(field.name) value=(value)
                            checked[self.filled.all(field.name).any(|given| given == value)];
                        label for=(id) { (say::name(text)) }
                    }
                }
            }
        }
    }

    /// A secret to paste, which is never shown again.
    pub(super) fn secret(&self, field: Field<'_>) -> Markup {
        self.around(field, &html! {
            input type="password" id=(field.name) name=(field.name) autocomplete="current-password" spellcheck="false"
                required aria-describedby=[self.described(field)] aria-invalid=[self.is_wrong(field)];
        })
    }

    /// A few lines to type in.
    pub(super) fn lines(&self, field: Field<'_>) -> Markup {
        self.around(
            field,
            &html! {
                textarea id=(field.name) name=(field.name) rows="3" dir="auto"
                    aria-describedby=[self.described(field)] aria-invalid=[self.is_wrong(field)] {
                    (self.filled.get(field.name))
                }
            },
        )
    }

    /// One of several, each with its value and what it is called.
    pub(super) fn choice(&self, field: Field<'_>, options: &[(String, String)]) -> Markup {
        let chosen = self.filled.get(field.name);
        self.around(
            field,
            &html! {
                select id=(field.name) name=(field.name)
                    aria-describedby=[self.described(field)] aria-invalid=[self.is_wrong(field)] {
                    @for (value, text) in options {
                        option value=(value) selected[value == chosen] { (text) }
                    }
                }
            },
        )
    }

    /// Something to tick.
    pub(super) fn tick(&self, field: Field<'_>, value: &str) -> Markup {
        let ticked = self.filled.all(field.name).any(|given| given == value);
        html! {
            div.field.tick {
                input type="checkbox" id=(field.name) name=(field.name) value=(value) checked[ticked]
                    aria-describedby=[self.described(field)] aria-invalid=[self.is_wrong(field)];
                label for=(field.name) { (field.label) }
                @if !field.hint.is_empty() { p.hint id={ (field.name) "-hint" } { (field.hint) } }
                @if let Some(fault) = self.fault_of(field.name) {
                    p.fault id={ (field.name) "-fault" } { span.mark aria-hidden="true" { "▲ " } (say::name(fault)) }
                }
            }
        }
    }
}
