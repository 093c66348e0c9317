//! `drykeep contract`: prints the OpenAPI document.

use super::{Failure, say};
use crate::api::contract_document;
use std::process::ExitCode;

pub(super) fn run() -> Result<ExitCode, Failure> {
    say(&contract_document())?;
    Ok(ExitCode::SUCCESS)
}
