//! `drykeep contract`: prints the OpenAPI document.

use super::{Failure, say};
use crate::api::contract::document;
use std::process::ExitCode;

pub(super) fn run() -> Result<ExitCode, Failure> {
    say(&format!("{}\n", document().to_pretty_json()?))?;
    Ok(ExitCode::SUCCESS)
}
