//! Due items.
