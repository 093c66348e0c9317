//! What is asked of the service, by whom, and what it answers.

use serde_json::Value;

/// Who asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Who {
    /// A person who works in the boxes.
    Ada,
    /// Another.
    Ben,
    /// A third.
    Cleo,
    /// The keeper of the facility, who may do everything.
    Keeper,
    /// A program that sends what sensors read.
    Gateway,
    /// A program that copies the feed.
    Portal,
}

impl Who {
    /// Everybody.
    pub(crate) const ALL: [Self; 6] =
        [Self::Ada, Self::Ben, Self::Cleo, Self::Keeper, Self::Gateway, Self::Portal];
    /// Those who work in the boxes.
    pub(crate) const RESEARCHERS: [Self; 3] = [Self::Ada, Self::Ben, Self::Cleo];

    /// The subject of the token.
    pub(crate) const fn subject(self) -> &'static str {
        match self {
            Self::Ada => "ada",
            Self::Ben => "ben",
            Self::Cleo => "cleo",
            Self::Keeper => "keeper",
            Self::Gateway => "gateway",
            Self::Portal => "portal",
        }
    }

    /// What the token allows.
    pub(crate) const fn scope(self) -> &'static str {
        match self {
            Self::Ada | Self::Ben | Self::Cleo => "facility:read bookings:write",
            Self::Keeper => {
                "facility:read facility:manage bookings:write bookings:manage readings:write \
                 upkeep:manage plans:manage usage:read nightly:run"
            }
            Self::Gateway => "readings:write",
            Self::Portal => "facility:read usage:read",
        }
    }
}

/// What a call is meant to bring about, as far as the model follows it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Intent {
    /// One booking, or several of a series.
    Book,
    /// To a booking: another time, its start, its end, or calling it off.
    OnBooking(String, Change),
    /// Closing a box or a part of it.
    OpenHold,
    /// Opening it again.
    ReleaseHold(String),
    /// Readings: part, quantity, time and value.
    Readings(Vec<Reading>),
    /// Withdrawing one.
    WithdrawReading(Reading),
    /// A night.
    Night,
    /// What the service does by itself every minute.
    KeepHouse,
    /// Closing a month, such as `2030-03`.
    CloseMonth(String),
    /// A plan, to be adopted or left.
    Plan,
    /// Whatever else is changed; its event must follow.
    Keep,
    /// Only looking.
    Look,
}

/// What becomes of a booking.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Change {
    /// Moved.
    Moved,
    /// Begun.
    Started,
    /// Closed out.
    ClosedOut,
    /// Called off.
    Cancelled,
}

impl Change {
    /// The event that tells of it.
    pub(crate) const fn event(self) -> &'static str {
        match self {
            Self::Moved => "booking.changed",
            Self::Started => "booking.started",
            Self::ClosedOut => "booking.closed_out",
            Self::Cancelled => "booking.cancelled",
        }
    }
}

/// A reading as it is sent.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Reading {
    /// Tag of the part.
    pub(crate) subject: &'static str,
    /// What is read.
    pub(crate) quantity: &'static str,
    /// Microseconds since 1970.
    pub(crate) at: i64,
    /// In the quantity's own unit.
    pub(crate) value: f64,
}

/// A request.
#[derive(Debug, Clone)]
pub(crate) struct Call {
    /// By whom.
    pub(crate) who: Who,
    /// HTTP method.
    pub(crate) method: &'static str,
    /// Path under the base path, with its query.
    pub(crate) path: String,
    /// JSON.
    pub(crate) body: Option<Value>,
    /// Idempotency-Key.
    pub(crate) key: Option<String>,
    /// Whether any version may be changed.
    pub(crate) any_version: bool,
    /// What it is for.
    pub(crate) intent: Intent,
}

impl Call {
    /// A request that asks to look at something.
    pub(crate) fn get(who: Who, path: impl Into<String>) -> Self {
        Self {
            who,
            method: "GET",
            path: path.into(),
            body: None,
            key: None,
            any_version: false,
            intent: Intent::Look,
        }
    }

    /// A request that creates something or asks for something to be done.
    pub(crate) fn post(who: Who, path: impl Into<String>, body: Value, intent: Intent) -> Self {
        Self { method: "POST", body: Some(body), intent, ..Self::get(who, path) }
    }

    /// A request that changes whatever version there is.
    pub(crate) fn patch(who: Who, path: impl Into<String>, body: Value, intent: Intent) -> Self {
        Self { method: "PATCH", any_version: true, ..Self::post(who, path, body, intent) }
    }

    /// A request that removes whatever version there is.
    pub(crate) fn delete(who: Who, path: impl Into<String>, intent: Intent) -> Self {
        Self { method: "DELETE", any_version: true, intent, ..Self::get(who, path) }
    }

    /// The same under a key, so that it takes effect once however often it is sent.
    pub(crate) fn once(self, key: String) -> Self {
        Self { key: Some(key), ..self }
    }
}

/// An answer.
#[derive(Debug, Clone)]
pub(crate) struct Reply {
    /// HTTP status.
    pub(crate) status: u16,
    /// JSON; null where there is none.
    pub(crate) body: Value,
}

impl Reply {
    /// Whether what was asked for was done.
    pub(crate) const fn is_done(&self) -> bool {
        self.status >= 200 && self.status < 300
    }

    /// Whether the service could not say how it went, or that it could not be done now.
    pub(crate) const fn is_unavailable(&self) -> bool {
        self.status == 503
    }

    /// Text at a member.
    pub(crate) fn text(&self, name: &str) -> &str {
        self.body[name].as_str().unwrap_or_else(|| panic!("no {name} in {}", self.body))
    }
}
