//! Due items: when each task falls due, how sure that is, and why.
