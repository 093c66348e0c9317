//! Who may do what.

use crate::domain::facility::Scope;
use std::collections::BTreeSet;

/// Whoever makes a request, as far as their token tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Actor {
    /// The token's subject.
    pub subject: String,
    /// What the token allows.
    pub scopes: BTreeSet<Scope>,
}

/// The actor's token lacks a scope that the action needs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Missing {
    /// Any one of these would do.
    pub any_of: Vec<Scope>,
}

impl Actor {
    /// The program itself, acting from the command line of the machine it runs on.
    pub fn operator() -> Self {
        Self { subject: "operator".to_owned(), scopes: Scope::ALL.iter().copied().collect() }
    }

    /// Whether the token carries the scope.
    pub fn has(&self, scope: Scope) -> bool {
        self.scopes.contains(&scope)
    }

    /// Passes when the token carries any of the scopes.
    pub fn needs_any(&self, scopes: &[Scope]) -> Result<(), Missing> {
        if scopes.iter().any(|scope| self.has(*scope)) {
            Ok(())
        } else {
            Err(Missing { any_of: scopes.to_vec() })
        }
    }

    /// Passes when the token carries the scope.
    pub fn needs(&self, scope: Scope) -> Result<(), Missing> {
        self.needs_any(&[scope])
    }
}
