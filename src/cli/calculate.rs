//! `drykeep calculate`: the physics at the terminal. Asks the same questions
//! as the service does and gives the same answers; nothing is stored.

mod readable;

use super::{Failure, say};
use crate::api::calculations;
use crate::api::problem::Problem;
use clap::Args;
use clap::builder::PossibleValuesParser;
use readable::readable;
use serde_json::{Map, Value};
use std::io::{IsTerminal as _, Read as _};
use std::path::PathBuf;
use std::process::ExitCode;

const EXAMPLES: &str = "\
Fields are those of POST /api/v1/calculations/NAME in the published contract; `drykeep contract` prints it.
They are given, the later ones winning, as
  a file                --input FILE
  a JSON object         '{\"gas\":\"argon\"}'
  pairs                 gas=argon start.pressure_pa=102325
  flags                 --gas argon --water_volume_l 50
or, when none is given, as a JSON object on standard input.

Examples:
  drykeep calculate cylinder-content gas=argon water_volume_l=50 gauge_bar=200 temperature_c=15
  drykeep calculate moisture --json ppmv=1
  drykeep calculate purge --json '{\"volume_l\":1000,\"flow_l_min\":50,\"from_ppm\":209500,\"to_ppm\":100}'
  drykeep calculate air-ingress --json < readings.json

The exit code is 2 when the input is wrong; every fault is named.";

/// The question, as arguments.
#[derive(Debug, Args)]
#[command(after_help = EXAMPLES)]
pub(super) struct Calculate {
    /// Which calculation.
    #[arg(value_parser = PossibleValuesParser::new(calculations::NAMES))]
    name: String,
    /// Answer in JSON; faults as problem details.
    #[arg(long)]
    json: bool,
    /// Read the question from a JSON file; `-` for standard input.
    #[arg(long, value_name = "FILE")]
    input: Option<PathBuf>,
    /// One field; may be repeated.
    #[arg(long, value_name = "FIELD=VALUE")]
    set: Vec<String>,
    /// Fields, as pairs, flags or a JSON object.
    #[arg(value_name = "FIELDS", trailing_var_arg = true, allow_hyphen_values = true)]
    fields: Vec<String>,
}

/// The arguments that belong to the command itself although they stand among
/// the fields, and the fields.
#[derive(Debug, Default)]
struct Fields {
    json: bool,
    input: Option<PathBuf>,
    given: Map<String, Value>,
    /// Whether a question was given at all, be it an empty one.
    asked: bool,
}

impl Calculate {
    pub(super) fn run(&self) -> Result<ExitCode, Failure> {
        let mut fields = Fields { json: self.json, input: self.input.clone(), ..Fields::default() };
        for pair in &self.set {
            fields.pair(pair)?;
        }
        fields.read(&self.fields)?;
        match calculations::calculate(&self.name, &fields.question()?) {
            Ok(answer) if fields.json => say(&format!("{answer:#}\n"))?,
            Ok(answer) => say(&readable(&answer))?,
            Err(problem) => {
                if fields.json {
                    say(&format!("{:#}\n", serde_json::to_value(&problem)?))?;
                }
                return Err(refusal(problem));
            }
        }
        Ok(ExitCode::SUCCESS)
    }
}

fn refusal(problem: Problem) -> Failure {
    Box::new(problem)
}

impl Fields {
    fn read(&mut self, arguments: &[String]) -> Result<(), Failure> {
        let mut rest = arguments.iter();
        while let Some(argument) = rest.next() {
            let Some(flag) = argument.strip_prefix("--") else {
                if argument.trim_start().starts_with('{') {
                    self.object(argument)?;
                } else {
                    self.pair(argument)?;
                }
                continue;
            };
            let (name, given) = match flag.split_once('=') {
                Some((name, value)) => (name, Some(value.to_owned())),
                None => (flag, None),
            };
            if name == "json" && given.is_none() {
                self.json = true;
                continue;
            }
            let missing = || format!("--{name} needs a value");
            let value = given.or_else(|| rest.next().cloned()).ok_or_else(missing)?;
            match name {
                "input" => self.input = Some(value.into()),
                "set" => self.pair(&value)?,
                _ => self.field(&name.replace('-', "_"), &value)?,
            }
        }
        Ok(())
    }

    fn object(&mut self, text: &str) -> Result<(), Failure> {
        self.asked = true;
        match serde_json::from_str(text) {
            Ok(Value::Object(fields)) => self.given.extend(fields),
            Ok(_) => return Err("the JSON must be an object".into()),
            Err(error) => return Err(format!("the JSON cannot be read: {error}").into()),
        }
        Ok(())
    }

    fn pair(&mut self, text: &str) -> Result<(), Failure> {
        let (name, value) = text.split_once('=').ok_or_else(|| {
            format!("{text:?} is not a field: write field=value, --field value or a JSON object")
        })?;
        self.field(name.trim(), value.trim())
    }

    /// Puts a field in its place; dots lead into objects.
    fn field(&mut self, path: &str, text: &str) -> Result<(), Failure> {
        self.asked = true;
        let mut place = &mut self.given;
        let mut names = path.split('.').peekable();
        while let Some(name) = names.next() {
            if name.is_empty() {
                return Err(format!("{path:?} is not the name of a field").into());
            }
            let slot = place.entry(name);
            if names.peek().is_none() {
                let value = value(text);
                slot.and_modify(|old| *old = value.clone()).or_insert(value);
                return Ok(());
            }
            place = slot
                .or_insert_with(|| Value::Object(Map::new()))
                .as_object_mut()
                .ok_or_else(|| format!("{path}: {name} holds a value already"))?;
        }
        Ok(())
    }

    /// The question as JSON text.
    fn question(&self) -> Result<Vec<u8>, Failure> {
        let mut text = match &self.input {
            Some(path) if path.as_os_str() != "-" => {
                std::fs::read(path).map_err(|error| format!("{}: {error}", path.display()))?
            }
            None if self.asked => return Ok(serde_json::to_vec(&self.given)?),
            Some(_) | None => standard_input()?,
        };
        if !self.given.is_empty() {
            let mut fields: Map<String, Value> =
                serde_json::from_slice(&text).map_err(|error| format!("the JSON cannot be read: {error}"))?;
            fields.extend(self.given.clone());
            text = serde_json::to_vec(&fields)?;
        }
        Ok(text)
    }
}

/// What is JSON stands for itself, everything else for a text.
fn value(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|_| Value::from(text))
}

fn standard_input() -> Result<Vec<u8>, Failure> {
    let mut input = std::io::stdin();
    if input.is_terminal() {
        return Err("no fields are given; see drykeep calculate --help".into());
    }
    let mut text = Vec::new();
    input.read_to_end(&mut text)?;
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn read(arguments: &[&str]) -> Value {
        let mut fields = Fields::default();
        let arguments: Vec<String> = arguments.iter().map(ToString::to_string).collect();
        fields.read(&arguments).unwrap();
        Value::Object(fields.given)
    }

    #[test]
    fn fields_are_read_from_pairs_flags_and_objects() {
        let expected = json!({"gas": "argon", "gauge_bar": -1.5});
        assert_eq!(read(&["gas=argon", "gauge_bar=-1.5"]), expected);
        assert_eq!(read(&["--gas", "argon", "--gauge-bar", "-1.5"]), expected);
        assert_eq!(read(&["--gas=argon", r#"{"gauge_bar": 3}"#, "--set", "gauge_bar=-1.5"]), expected);
    }

    #[test]
    fn dots_lead_into_objects() {
        assert_eq!(
            read(&["start.pressure_pa=1", "start.temperature_c=2"]),
            json!({"start": {"pressure_pa": 1, "temperature_c": 2}})
        );
    }
}
