//! Due items, upkeep rules and services.
