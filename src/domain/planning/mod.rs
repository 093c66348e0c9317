//! The plan: due upkeep placed around people.
//!
//! [`propose`] takes everything the planner may know as a [`Snapshot`], and
//! answers with a [`Plan`] or with a [`Refusal`] that names what is in the
//! way. It changes nothing, reads no clock and draws no chance: the present,
//! the seed and the [`Budget`] are arguments. The same arguments, with a
//! budget that counts steps, give the same plan.
//!
//! What is searched is a finite list of candidate visits ([`candidates`]):
//! sets of tasks at one place, each on the grid of starts. What they share is
//! written as rows of limits (`rows`). A first choice is constructed and
//! improved (`improve`); a linear programme that grows as it needs to
//! (`master`, `simplex`) finds prices on the rows, and these a bound for every
//! choice (`prices`). Among the candidates that the prices like best, more of
//! them each time, the best choice is searched exactly (`exact`), until none
//! left out can be part of a better one or the budget is spent (`solve`). Cost
//! and bound are whole numbers of hundredths of a displaced person-hour.
//! [`validate`] checks a plan without using any of that.

pub mod as_good;
pub mod candidates;
pub mod cautions;
pub mod changed;
mod exact;
mod explain;
pub mod facts;
mod improve;
mod master;
mod model;
mod must;
mod part;
pub mod plan;
mod prices;
pub mod record;
mod refuse;
mod rows;
mod simplex;
mod slots;
pub mod snapshot;
pub mod solve;
pub mod validate;
pub mod weights;

pub use plan::{Budget, Plan, Refusal, RuleFamily, Steps, Stopped, Visit};
pub use snapshot::{Place, Request, Snapshot, Task};
pub use solve::propose;
pub use weights::Weights;
