//! A bound from prices on what the places share (Lagrangian relaxation).
//!
//! Every limit of [`Rows`] gets a price a slot in its stead. At given prices
//! each place finds its cheapest way alone, and the sum of these, less the
//! price of all there is, is a bound for any prices that are not negative.
//! Prices and bounds are whole thousandths of a cost unit, so that the bound
//! is exact wherever the prices come from.

use super::model::{Model, does_two};
use super::rows::Rows;
use std::collections::BTreeMap;

/// Thousandths in a unit of cost.
pub(super) const THOUSANDTHS: i64 = 1000;

/// Thousandths in whole units: costs are whole, so that a fraction above one
/// means the next.
pub(super) const fn whole_units(thousandths: i64) -> i64 {
    -(-thousandths).div_euclid(THOUSANDTHS)
}

/// The most tasks of a place for which every way to join them is weighed.
const MOST_WEIGHED: usize = 10;

/// What a place costs at least at the prices, for any subset of its tasks.
#[derive(Debug)]
enum Least {
    /// By subset, and the set to do first.
    Table(Vec<(i64, Option<usize>)>),
    /// By task a share, and prices for doing two of three tasks, such that no
    /// visit with what it pays so costs less than its tasks' shares. As one
    /// visit at most does two of three, the shares less those prices are a bound.
    Shares(Vec<i64>, Vec<(u32, i64)>),
}

impl Least {
    /// The least without those tasks.
    fn without(&self, set: u32) -> i64 {
        match self {
            Self::Table(table) => table[(table.len() - 1) & !(set as usize)].0,
            Self::Shares(shares, threes) => {
                let rest = shares.iter().enumerate();
                let rest = rest.filter(|(bit, _)| *bit >= 32 || set >> bit & 1 == 0);
                let paid = threes.iter().filter(|(three, _)| !does_two(set, *three));
                rest.map(|(_, share)| share).sum::<i64>() - paid.map(|(_, price)| price).sum::<i64>()
            }
        }
    }
}

/// A candidate with its set and its cost at the prices, in thousandths.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Offer {
    pub(super) set: u32,
    pub(super) priced: i64,
    pub(super) candidate: usize,
}

/// The bound at the prices, with what makes it.
#[derive(Debug)]
pub(super) struct Valued {
    /// In thousandths.
    pub(super) value: i64,
    /// By place, the cheapest candidate of each set.
    pub(super) offers: Vec<Vec<Offer>>,
    least: Vec<Least>,
}

/// Prices on rows.
#[derive(Debug)]
pub(super) struct Prices<'m, 'a> {
    pub(super) model: &'m Model<'a>,
    pub(super) rows: &'m Rows,
    price: Vec<Vec<i64>>,
    /// By row, prices added up to each slot.
    before: Vec<Vec<i64>>,
    /// By task of the model, the share suggested for places with many.
    shares: Vec<i64>,
    /// By place, what doing two of three tasks costs, for places with many.
    threes: Vec<Vec<(u32, i64)>>,
}

/// Prices as they are suggested, in thousandths.
#[derive(Debug, Clone, Default)]
pub(super) struct Suggested {
    /// By row and slot; all others are nought.
    pub(super) cells: Vec<(usize, usize, i64)>,
    /// By task, its share.
    pub(super) shares: BTreeMap<usize, i64>,
    /// By place and three of its tasks, the price for doing two of them.
    pub(super) threes: Vec<(usize, u32, i64)>,
}

impl<'m, 'a> Prices<'m, 'a> {
    /// Everything for nothing.
    pub(super) fn nought(model: &'m Model<'a>, rows: &'m Rows) -> Self {
        let price: Vec<Vec<i64>> = rows.room.iter().map(|room| vec![0; room.len()]).collect();
        let before = rows.room.iter().map(|room| vec![0; room.len() + 1]).collect();
        let shares = model.left_out.iter().map(|cost| cost * THOUSANDTHS).collect();
        let threes = vec![Vec::new(); model.places.len()];
        Self { model, rows, price, before, shares, threes }
    }

    /// Sets prices.
    pub(super) fn set(&mut self, suggested: &Suggested) {
        for price in &mut self.price {
            price.fill(0);
        }
        for (row, slot, price) in &suggested.cells {
            self.price[*row][*slot] = (*price).max(0);
        }
        for (price, before) in self.price.iter().zip(&mut self.before) {
            let mut sum = 0;
            for (price, before) in price.iter().zip(&mut before[1..]) {
                sum += price;
                *before = sum;
            }
        }
        for (task, share) in &suggested.shares {
            self.shares[*task] = *share;
        }
        self.threes.iter_mut().for_each(Vec::clear);
        for (place, three, price) in suggested.threes.iter().filter(|(_, _, price)| *price > 0) {
            self.threes[*place].push((*three, *price));
        }
    }

    /// A candidate's cost in thousandths, with what it uses paid for.
    pub(super) fn priced(&self, candidate: usize) -> i64 {
        let paid = self.rows.uses(candidate).iter().map(|used| {
            let before = &self.before[used.row];
            used.amount * (before[used.range.to] - before[used.range.from])
        });
        self.model.candidates[candidate].cost.total() * THOUSANDTHS + paid.sum::<i64>()
    }

    /// The price of all there is.
    fn of_everything(&self) -> i64 {
        let rows = self.price.iter().zip(&self.rows.room);
        rows.map(|(price, room)| price.iter().zip(room).map(|(price, room)| price * room).sum::<i64>()).sum()
    }

    fn offers(&self, place: usize) -> Vec<Offer> {
        let sets = self.model.places[place].sets.iter();
        sets.filter_map(|set| {
            let priced = set.candidates.iter().map(|candidate| (self.priced(*candidate), *candidate));
            let (priced, candidate) = priced.min()?;
            Some(Offer { set: set.set, priced, candidate })
        })
        .collect()
    }

    fn least(&self, place: usize, offers: &[Offer]) -> Least {
        let tasks = &self.model.places[place].tasks;
        if tasks.len() > MOST_WEIGHED {
            let threes = self.threes[place].clone();
            return Least::Shares(self.shares_of(tasks, &threes, offers), threes);
        }
        let mut table = vec![(0, None); 1 << tasks.len()];
        for subset in 1_usize..table.len() {
            let bit = subset.trailing_zeros() as usize;
            let out = self.model.left_out[tasks[bit]] * THOUSANDTHS;
            let mut least = (table[subset & (subset - 1)].0 + out, None);
            for (number, offer) in offers.iter().enumerate() {
                let set = offer.set as usize;
                if set >> bit & 1 == 1 && set & !subset == 0 {
                    let cost = table[subset & !set].0 + offer.priced;
                    if cost < least.0 {
                        least = (cost, Some(number));
                    }
                }
            }
            table[subset] = least;
        }
        Least::Table(table)
    }

    /// The suggested shares, lowered until no visit costs less than its own.
    fn shares_of(&self, tasks: &[usize], threes: &[(u32, i64)], offers: &[Offer]) -> Vec<i64> {
        let mut shares: Vec<i64> = tasks
            .iter()
            .map(|task| self.shares[*task].min(self.model.left_out[*task] * THOUSANDTHS))
            .collect();
        for offer in offers {
            let bits: Vec<usize> = (0..tasks.len().min(32)).filter(|bit| offer.set >> bit & 1 == 1).collect();
            let paid = threes.iter().filter(|(three, _)| does_two(offer.set, *three));
            let costs = offer.priced + paid.map(|(_, price)| price).sum::<i64>();
            let over = bits.iter().map(|bit| shares[*bit]).sum::<i64>() - costs;
            if let (true, Some(first)) = (over > 0, bits.first()) {
                shares[*first] -= over;
            }
        }
        shares
    }

    /// The bound at the prices.
    pub(super) fn valued(&self) -> Valued {
        let places = 0..self.model.places.len();
        let offers: Vec<Vec<Offer>> = places.map(|place| self.offers(place)).collect();
        let least: Vec<Least> =
            offers.iter().enumerate().map(|(place, offers)| self.least(place, offers)).collect();
        let value = least.iter().map(|least| least.without(0)).sum::<i64>() - self.of_everything();
        Valued { value, offers, least }
    }

    /// By candidate, the least in thousandths that a choice with it can cost;
    /// `i64::MAX` for those not listed.
    pub(super) fn with_each(&self, valued: &Valued) -> Vec<i64> {
        let mut with = vec![i64::MAX; self.model.candidates.len()];
        for (least, at) in valued.least.iter().zip(&self.model.places) {
            let others = valued.value - least.without(0);
            for set in &at.sets {
                let rest = others + least.without(set.set);
                for candidate in &set.candidates {
                    with[*candidate] = self.priced(*candidate) + rest;
                }
            }
        }
        with
    }
}

impl Valued {
    /// The bound in whole units.
    pub(super) const fn bound(&self) -> i64 {
        whole_units(self.value)
    }

    /// For each place the candidates that make the bound, where they are known.
    pub(super) fn picked(&self) -> Vec<usize> {
        let mut picked = Vec::new();
        for (least, offers) in self.least.iter().zip(&self.offers) {
            let Least::Table(table) = least else { continue };
            let mut left = table.len() - 1;
            while left != 0 {
                match table[left].1 {
                    Some(number) => {
                        picked.push(offers[number].candidate);
                        left &= !(offers[number].set as usize);
                    }
                    None => left &= left - 1,
                }
            }
        }
        picked
    }
}
