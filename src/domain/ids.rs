//! Typed identifiers: one newtype a kind of thing, so that a room's id can
//! never be handed in where a person's is meant.
//!
//! Ids are `UUIDv7`; minting them needs a clock and randomness and happens
//! outside the domain.

use serde::{Deserialize, Serialize};
use std::{fmt, str::FromStr};
use uuid::Uuid;

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(Uuid);

        impl $name {
            /// The id as a plain UUID.
            pub const fn uuid(self) -> Uuid {
                self.0
            }
        }

        impl From<Uuid> for $name {
            fn from(uuid: Uuid) -> Self {
                Self(uuid)
            }
        }

        impl From<$name> for Uuid {
            fn from(id: $name) -> Self {
                id.0
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        impl FromStr for $name {
            type Err = uuid::Error;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                Uuid::parse_str(text).map(Self)
            }
        }
    )*};
}

ids! {
    /// Anything in the register of things that can be pointed at: the common
    /// supertype of the ids below, used where any kind will do.
    ThingId,
    /// A room in which gloveboxes stand.
    RoomId,
    /// A glovebox.
    GloveboxId,
    /// A working place at a glovebox: one or more pairs of glove ports.
    StationId,
    /// An antechamber of a glovebox.
    AntechamberId,
    /// An instrument inside a glovebox.
    InstrumentId,
    /// A purifier and its circulation loop.
    PurifierId,
    /// A gas supply: the cylinders behind one regulator or changeover panel.
    GasSupplyId,
    /// One gas cylinder.
    CylinderId,
    /// A person.
    PersonId,
    /// A qualification of a person.
    QualificationId,
    /// A booking.
    BookingId,
    /// A series of bookings made by one request with a recurrence.
    SeriesId,
    /// A claim: one resource occupied over one interval.
    ClaimId,
    /// A recurring maintenance window.
    WindowId,
    /// A hold: something closed to use until released.
    HoldId,
    /// An upkeep rule.
    RuleId,
    /// A record of upkeep that was done.
    ServiceId,
    /// A due item.
    DueItemId,
    /// One run of the nightly computation.
    NightlyRunId,
    /// A consumable kept in stock.
    StockItemId,
    /// A movement of stock.
    MovementId,
    /// A maintenance plan.
    PlanId,
    /// A visit for upkeep.
    VisitId,
    /// A webhook.
    WebhookId,
    /// One message to one receiver.
    DeliveryId,
}

macro_rules! things {
    ($($name:ident),* $(,)?) => {$(
        impl From<$name> for ThingId {
            fn from(id: $name) -> Self {
                Self(id.0)
            }
        }
    )*};
}

things!(
    RoomId,
    GloveboxId,
    StationId,
    AntechamberId,
    InstrumentId,
    PurifierId,
    GasSupplyId,
    CylinderId,
    PersonId,
);
