//! Movements of stock: lines that are only ever added. A wrong one is undone
//! by another that names it.

use super::StockItem;
use super::level::{Level, effective};
use super::quantity::Quantity;
use crate::domain::ids::{MovementId, ServiceId};
use crate::domain::names::{Name, Remark};
use crate::domain::upkeep::rules::words;
use crate::domain::violations::{Check, Violation, Violations};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

words! {
    /// The kinds of movement.
    Kind {
        /// Some came in.
        Received = "received",
        /// Some was used.
        Used = "used",
        /// Some was ordered.
        Ordered = "ordered",
        /// What is left of an order will not come.
        OrderWithdrawn = "order_withdrawn",
        /// What is there was counted.
        Counted = "counted",
        /// Some was thrown away or lost.
        Discarded = "discarded",
        /// Another movement was wrong and is undone.
        Reversed = "reversed",
    }
}

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// So much came in.
    Received {
        /// How much.
        quantity: Quantity,
        /// Until when it may be used.
        expires: Option<DateTime<Utc>>,
        /// The order it fulfils, as far as it goes.
        order: Option<MovementId>,
    },
    /// So much was used.
    Used {
        /// How much.
        quantity: Quantity,
        /// The service that used it.
        service: Option<ServiceId>,
    },
    /// So much was ordered.
    Ordered {
        /// How much.
        quantity: Quantity,
        /// When it is expected.
        expected: Option<DateTime<Utc>>,
        /// What the order is called.
        number: Option<Name>,
    },
    /// So much of an order will not come.
    OrderWithdrawn {
        /// How much.
        quantity: Quantity,
        /// The order.
        order: MovementId,
    },
    /// So much was found to be there in all.
    Counted {
        /// How much.
        quantity: Quantity,
    },
    /// So much was thrown away or lost.
    Discarded {
        /// How much.
        quantity: Quantity,
        /// The date of the lot it was of.
        expires: Option<DateTime<Utc>>,
    },
    /// Another movement is undone.
    Reversed {
        /// The wrong one.
        movement: MovementId,
    },
}

impl What {
    /// Its kind.
    pub const fn kind(&self) -> Kind {
        match self {
            Self::Received { .. } => Kind::Received,
            Self::Used { .. } => Kind::Used,
            Self::Ordered { .. } => Kind::Ordered,
            Self::OrderWithdrawn { .. } => Kind::OrderWithdrawn,
            Self::Counted { .. } => Kind::Counted,
            Self::Discarded { .. } => Kind::Discarded,
            Self::Reversed { .. } => Kind::Reversed,
        }
    }

    /// How much it is about; none for one that undoes another.
    pub const fn quantity(&self) -> Option<Quantity> {
        match self {
            Self::Received { quantity, .. }
            | Self::Used { quantity, .. }
            | Self::Ordered { quantity, .. }
            | Self::OrderWithdrawn { quantity, .. }
            | Self::Counted { quantity }
            | Self::Discarded { quantity, .. } => Some(*quantity),
            Self::Reversed { .. } => None,
        }
    }
}

/// A movement on record.
#[derive(Debug, Clone, PartialEq)]
pub struct Movement {
    /// Its id; ids minted later sort later.
    pub id: MovementId,
    /// What happened.
    pub what: What,
    /// When.
    pub at: DateTime<Utc>,
    /// A remark.
    pub remark: Remark,
    /// Who recorded it.
    pub recorded_by: String,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
}

/// A movement as somebody reports it, before it is held against what is on record.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// Its kind.
    pub kind: Kind,
    /// How much, as written.
    pub quantity: Option<f64>,
    /// When it happened.
    pub at: DateTime<Utc>,
    /// Until when the lot may be used.
    pub expires: Option<DateTime<Utc>>,
    /// When an order is expected.
    pub expected: Option<DateTime<Utc>>,
    /// What an order is called.
    pub number: Option<Name>,
    /// The order that it fulfils or withdraws: its id or its number.
    pub order: Option<String>,
    /// The movement that it undoes.
    pub reverses: Option<Uuid>,
    /// A remark.
    pub remark: Remark,
}

/// The fields that a movement of a kind may have besides those of every movement.
const fn fields(kind: Kind) -> &'static [&'static str] {
    match kind {
        Kind::Received => &["quantity", "expires", "order"],
        Kind::Used | Kind::Counted => &["quantity"],
        Kind::Ordered => &["quantity", "expected", "number"],
        Kind::OrderWithdrawn => &["quantity", "order"],
        Kind::Discarded => &["quantity", "expires"],
        Kind::Reversed => &["reverses"],
    }
}

impl Draft {
    /// What happened, held against the item and all its movements on record
    /// (`present`); everything wrong is told at once. Days added are days of `zone`.
    pub fn judge(&self, item: &StockItem, present: &[Movement], zone: Tz) -> Result<What, Violations> {
        let mut check = Check::default();
        self.refuse_foreign_fields(&mut check);
        let what = match self.kind {
            Kind::Received => self.received(&mut check, item, present, zone),
            Kind::Used => self.positive(&mut check).map(|quantity| What::Used { quantity, service: None }),
            Kind::Ordered => self.ordered(&mut check, item, present),
            Kind::OrderWithdrawn => self.withdrawn(&mut check, present),
            Kind::Counted => self.counted(&mut check),
            Kind::Discarded => self.discarded(&mut check, present),
            Kind::Reversed => self.reversed(&mut check, present),
        };
        check.build(what, |what| what)
    }

    fn refuse_foreign_fields(&self, check: &mut Check) {
        let given = [
            ("quantity", self.quantity.is_some()),
            ("expires", self.expires.is_some()),
            ("expected", self.expected.is_some()),
            ("number", self.number.is_some()),
            ("order", self.order.is_some()),
            ("reverses", self.reverses.is_some()),
        ];
        for (field, given) in given {
            let detail = format!("a movement {:?} has no such field", self.kind.word());
            check.require(!given || fields(self.kind).contains(&field), field, "does_not_belong", detail);
        }
    }

    fn positive(&self, check: &mut Check) -> Option<Quantity> {
        let Some(quantity) = self.quantity else {
            check.note(Violation::new("quantity", "missing_field", "how much is missing"));
            return None;
        };
        check.field("quantity", Quantity::positive(quantity))
    }

    fn counted(&self, check: &mut Check) -> Option<What> {
        let Some(quantity) = self.quantity else {
            check.note(Violation::new("quantity", "missing_field", "how much there is, is missing"));
            return None;
        };
        check.field("quantity", Quantity::not_negative(quantity)).map(|quantity| What::Counted { quantity })
    }

    fn received(&self, check: &mut Check, item: &StockItem, present: &[Movement], zone: Tz) -> Option<What> {
        let quantity = self.positive(check);
        let keeps_until = item.shelf_life.and_then(|life| life.add_to(self.at, zone).ok());
        let expires = self.expires.or(keeps_until);
        let fresh = expires.is_none_or(|expires| expires > self.at);
        check.require(fresh, "expires", "expired_before", "it is past its date when it comes in");
        let order = match &self.order {
            Some(named) => self.order_called(check, present, named).map(|order| Some(order.id)),
            None => Some(None),
        };
        Some(What::Received { quantity: quantity?, expires, order: order? })
    }

    fn ordered(&self, check: &mut Check, item: &StockItem, present: &[Movement]) -> Option<What> {
        let quantity = self.positive(check);
        let comes = item.lead_time.and_then(|lead| self.at.checked_add_signed(lead.delta()));
        let expected = self.expected.or(comes);
        let later = expected.is_none_or(|expected| expected >= self.at);
        check.require(later, "expected", "before_order", "it cannot come before it was ordered");
        let taken = self.number.as_ref().is_some_and(|number| {
            effective(present).into_iter().any(|other| number_of(other) == Some(number))
        });
        check.require(!taken, "number", "taken", "another order of this item has this number");
        Some(What::Ordered { quantity: quantity?, expected, number: self.number.clone() })
    }

    fn withdrawn(&self, check: &mut Check, present: &[Movement]) -> Option<What> {
        let Some(named) = &self.order else {
            check.note(Violation::new("order", "missing_field", "which order is missing"));
            return None;
        };
        let order = self.order_called(check, present, named)?.id;
        let level = Level::of(present, DateTime::<Utc>::MAX_UTC);
        let open = level.orders.iter().find(|open| open.id == order).map(|open| open.outstanding);
        let Some(open) = open else {
            check.note(Violation::new(
                "order",
                "nothing_outstanding",
                "nothing of this order is outstanding",
            ));
            return None;
        };
        let quantity = match self.quantity {
            Some(_) => self.positive(check)?,
            None => open,
        };
        let detail = format!("only {open} of this order is outstanding");
        check.require(quantity <= open, "quantity", "too_large", detail);
        Some(What::OrderWithdrawn { quantity, order })
    }

    fn discarded(&self, check: &mut Check, present: &[Movement]) -> Option<What> {
        let level = Level::of(present, self.at);
        let known = self
            .expires
            .is_none_or(|expires| level.lots.as_slice().iter().any(|lot| lot.expires == Some(expires)));
        check.require(known, "expires", "unknown_lot", "there is none with this date on record at that time");
        let quantity = self.positive(check)?;
        Some(What::Discarded { quantity, expires: self.expires })
    }

    fn reversed(&self, check: &mut Check, present: &[Movement]) -> Option<What> {
        let Some(id) = self.reverses.map(MovementId::from) else {
            check.note(Violation::new("reverses", "missing_field", "which movement is missing"));
            return None;
        };
        let Some(wrong) = present.iter().find(|other| other.id == id) else {
            check.note(Violation::new("reverses", "unknown_reference", "this item has no such movement"));
            return None;
        };
        let undoes = wrong.what.kind() == Kind::Reversed;
        check.require(!undoes, "reverses", "is_reversal", "it undoes another itself; record that one again");
        let undone = present.iter().any(|other| other.what == What::Reversed { movement: id });
        check.require(!undone, "reverses", "reversed_already", "it has been undone already");
        Some(What::Reversed { movement: id })
    }

    /// The order on record of that id or number, made before.
    fn order_called<'a>(
        &self,
        check: &mut Check,
        present: &'a [Movement],
        named: &str,
    ) -> Option<&'a Movement> {
        let id = Uuid::parse_str(named).ok().map(MovementId::from);
        let found = effective(present).into_iter().find(|movement| {
            let called = number_of(movement).is_some_and(|number| number.as_str() == named.trim());
            movement.what.kind() == Kind::Ordered && (Some(movement.id) == id || called)
        });
        let Some(order) = found else {
            let detail = format!("this item has no order {named:?}");
            check.note(Violation::new("order", "unknown_reference", detail));
            return None;
        };
        check.require(order.at <= self.at, "at", "before_order", "the order was made later");
        Some(order)
    }
}

fn number_of(movement: &Movement) -> Option<&Name> {
    match &movement.what {
        What::Ordered { number, .. } => number.as_ref(),
        What::Received { .. }
        | What::Used { .. }
        | What::OrderWithdrawn { .. }
        | What::Counted { .. }
        | What::Discarded { .. }
        | What::Reversed { .. } => None,
    }
}
