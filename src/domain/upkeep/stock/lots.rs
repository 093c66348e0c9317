//! What lies on the shelf, lot by lot, and what is taken from which.

use super::quantity::Quantity;
use chrono::{DateTime, Utc};

/// Some of an item that keeps equally long.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lot {
    /// Until when it may be used; not known to go off where absent.
    pub expires: Option<DateTime<Utc>>,
    /// How much of it there is; above nought.
    pub quantity: Quantity,
}

impl Lot {
    /// Whether it may be used at a moment: before it expires.
    pub fn keeps_at(&self, at: DateTime<Utc>) -> bool {
        self.expires.is_none_or(|expires| at < expires)
    }

    /// Where it stands in the order of use: by its date, undated ones last.
    fn rank(&self) -> DateTime<Utc> {
        self.expires.unwrap_or(DateTime::<Utc>::MAX_UTC)
    }
}

/// The lots of an item, and what was taken beyond them.
///
/// At most one of both is there: what comes makes good first for what was
/// taken too much.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Lots {
    /// In the order of use.
    lots: Vec<Lot>,
    missing: Quantity,
}

impl Lots {
    /// The lots, those that expire first in front.
    pub fn as_slice(&self) -> &[Lot] {
        &self.lots
    }

    /// What there is by the record, whatever its age; below nought where more
    /// was taken than there was.
    pub fn total(&self) -> Quantity {
        self.lots.iter().map(|lot| lot.quantity).sum::<Quantity>() - self.missing
    }

    /// What there is that keeps beyond a moment; below nought as [`Self::total`].
    pub fn usable(&self, at: DateTime<Utc>) -> Quantity {
        self.lots.iter().filter(|lot| lot.keeps_at(at)).map(|lot| lot.quantity).sum::<Quantity>()
            - self.missing
    }

    /// Puts some there.
    pub fn add(&mut self, quantity: Quantity, expires: Option<DateTime<Utc>>) {
        let made_good = quantity.min(self.missing);
        self.missing -= made_good;
        let quantity = quantity - made_good;
        if quantity == Quantity::ZERO {
            return;
        }
        match self.lots.iter_mut().find(|lot| lot.expires == expires) {
            Some(lot) => lot.quantity += quantity,
            None => {
                let lot = Lot { expires, quantity };
                let place = self.lots.partition_point(|other| other.rank() <= lot.rank());
                self.lots.insert(place, lot);
            }
        }
    }

    /// Takes some from the lots that keep beyond a moment, those that expire
    /// first in front; tells what was lacking, which is not taken.
    #[must_use]
    pub fn take_usable(&mut self, quantity: Quantity, at: DateTime<Utc>) -> Quantity {
        self.take(quantity, |lot| lot.keeps_at(at))
    }

    /// Takes some from the lot of that date; tells what was lacking.
    #[must_use]
    pub fn take_dated(&mut self, quantity: Quantity, expires: DateTime<Utc>) -> Quantity {
        self.take(quantity, |lot| lot.expires == Some(expires))
    }

    /// Takes some from any lot, those that expire first in front; what is
    /// lacking is missing from then on. Tells what that was.
    pub fn take_any(&mut self, quantity: Quantity) -> Quantity {
        let lacking = self.take(quantity, |_| true);
        self.missing += lacking;
        lacking
    }

    fn take(&mut self, quantity: Quantity, from: impl Fn(&Lot) -> bool) -> Quantity {
        let mut left = quantity;
        for lot in self.lots.iter_mut().filter(|lot| from(lot)) {
            let taken = left.min(lot.quantity);
            lot.quantity -= taken;
            left -= taken;
        }
        self.lots.retain(|lot| lot.quantity > Quantity::ZERO);
        left
    }

    /// Takes off the lots that are past their date at a moment, and tells them.
    pub fn take_expired(&mut self, at: DateTime<Utc>) -> Vec<Lot> {
        let (kept, expired) = self.lots.iter().partition(|lot| lot.keeps_at(at));
        self.lots = kept;
        expired
    }

    /// Makes the whole so much, as a count found it: what is too little by
    /// the record is added without a date, what is too much goes from the
    /// lots that expire first.
    pub fn set_total(&mut self, counted: Quantity) {
        let difference = counted - self.total();
        if difference.is_negative() {
            // Counts are not below nought, so nothing is lacking.
            self.take_any(-difference);
        } else {
            self.add(difference, None);
        }
    }
}
