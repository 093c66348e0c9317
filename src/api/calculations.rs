//! `/calculations/*`: the physics as pure questions and answers, the same over
//! HTTP and on the command line. Nothing is stored and nothing looked up.

mod air_ingress;
mod antechamber_cycle;
mod cylinder_content;
mod moisture;
mod numbers;
mod purge;
mod reading;
mod room_oxygen;
mod tightness;

pub(super) use tightness::cautions as cautions_of_tightness;

use super::auth::Caller;
use super::body;
use super::problem::{self, Problem};
use crate::domain::facility::Scope;
use crate::domain::violations::Violations;
use crate::usecases::Error;
use actix_web::web::Payload;
use actix_web::{HttpRequest, HttpResponse, post};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;

/// A question that can be computed without looking anything up.
trait Calculation: DeserializeOwned {
    /// What is answered.
    type Answer: Serialize;

    /// Computes the answer, or names everything wrong with the question.
    fn answer(&self) -> Result<Self::Answer, Violations>;
}

/// Something to know before relying on a number.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct CalculationCaution {
    /// Stable code.
    code: &'static str,
    /// A sentence.
    text: &'static str,
}

/// Answers the question in `json` as a JSON object.
fn answered<Q: Calculation>(json: &[u8]) -> Result<Value, Problem> {
    let question: Q = reading::question(json)?;
    let answer = question.answer().map_err(|faults| Problem::invalid(&faults))?;
    serde_json::to_value(answer)
        .map_err(|_| Problem::new(problem::INTERNAL, "the answer cannot be written as JSON"))
}

/// Reads the body of a request whose caller may ask, and answers it.
async fn asked<Q: Calculation>(
    caller: &Caller,
    request: &HttpRequest,
    payload: Payload,
) -> Result<HttpResponse, Problem> {
    caller.0.needs(Scope::FacilityRead).map_err(Error::from)?;
    let kind = body::content_type(request);
    if kind != "application/json" {
        let why = format!("the body must be application/json, not {kind:?}");
        return Err(Problem::new(problem::UNSUPPORTED, why));
    }
    let bytes = body::read(payload.into_inner(), body::JSON_LIMIT).await?;
    Ok(HttpResponse::Ok().json(answered::<Q>(&bytes)?))
}

macro_rules! calculations {
    ($($(#[$doc:meta])+ $handler:ident, $name:literal, $path:literal, $question:ty, $answer:ty;)*) => {
        /// The name of every calculation.
        pub(crate) const NAMES: &[&str] = &[$($name),*];

        /// Answers a question by its calculation's name; the question is the
        /// JSON text that a request to it would carry.
        pub(crate) fn calculate(name: &str, json: &[u8]) -> Result<Value, Problem> {
            match name {
                $($name => answered::<$question>(json),)*
                _ => Err(Error::unknown("calculation", name).into()),
            }
        }

        $(
            $(#[$doc])+
            #[utoipa::path(tag = "calculations", request_body = $question,
                security(("token" = ["facility:read"])),
                responses((status = 200, description = "The answer", body = $answer)))]
            #[post($path)]
            async fn $handler(
                caller: Caller,
                request: HttpRequest,
                payload: Payload,
            ) -> Result<HttpResponse, Problem> {
                asked::<$question>(&caller, &request, payload).await
            }
        )*

        /// Puts the routes on a scope.
        pub(crate) fn routes(config: &mut ServiceConfig<'_>) {
            $(config.service($handler);)*
        }
    };
}

calculations! {
    /// What a gas cylinder holds.
    ///
    /// Real gas by GERG-2008 (ISO 20765-2), at gauge plus ambient pressure.
    calculate_cylinder_content, "cylinder-content", "/calculations/cylinder-content",
        cylinder_content::CylinderContentQuestion, cylinder_content::CylinderContentAnswer;
    /// How long an antechamber takes and what air it leaves.
    ///
    /// Pump-down at constant speed towards an ultimate pressure; each cycle
    /// leaves the share of the air that its two pressures say.
    calculate_antechamber_cycle, "antechamber-cycle", "/calculations/antechamber-cycle",
        antechamber_cycle::AntechamberCycleQuestion, antechamber_cycle::AntechamberCycleAnswer;
    /// How much flow it takes to purge a box by dilution.
    ///
    /// Sweep-through purging as in the annex of NFPA 69.
    calculate_purge, "purge", "/calculations/purge", purge::PurgeQuestion, purge::PurgeAnswer;
    /// Frost or dew point, vapour pressure and ppmv, each from the other.
    ///
    /// Over ice by IAPWS R14-08(2011), over liquid water by IAPWS SR1-86(1992).
    calculate_moisture, "moisture", "/calculations/moisture",
        moisture::MoistureQuestion, moisture::MoistureAnswer;
    /// The leak rate and class that a pressure-change test shows.
    ///
    /// Absolute pressures, corrected for temperature and barometer; classes
    /// after ISO 10648-2. Conformity needs the standard itself and a
    /// competent tester.
    calculate_tightness, "tightness", "/calculations/tightness",
        tightness::TightnessQuestion, tightness::TightnessAnswer;
    /// The air getting into a closed box, from the rise of its oxygen.
    ///
    /// Least squares over the readings, taken with the purifier off.
    calculate_air_ingress, "air-ingress", "/calculations/air-ingress",
        air_ingress::AirIngressQuestion, air_ingress::AirIngressAnswer;
    /// The oxygen left in a room that gas is let into.
    ///
    /// A screening estimate, not an assessment: local codes and competent
    /// people decide.
    calculate_room_oxygen, "room-oxygen", "/calculations/room-oxygen",
        room_oxygen::RoomOxygenQuestion, room_oxygen::RoomOxygenAnswer;
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn fields_at_fault(name: &str, question: &str) -> Vec<String> {
        let problem = calculate(name, question.as_bytes()).expect_err("it is impossible");
        assert_eq!(problem.code(), 422, "{name} {question}: {problem}");
        let problem = serde_json::to_value(&problem).unwrap();
        let field = |fault: &Value| fault["field"].as_str().unwrap().to_owned();
        problem["violations"].as_array().unwrap().iter().map(field).collect()
    }

    /// Compares the numbers, words and nulls that `stated` holds; sentences may be cut in an example.
    fn agrees(path: &str, stated: &Value, computed: &Value) {
        match (stated, computed) {
            (Value::Number(stated), Value::Number(computed)) => {
                let (stated, computed) = (stated.as_f64().unwrap(), computed.as_f64().unwrap());
                // Six figures are stated; rounding noise around nought is none.
                let off = (stated - computed).abs();
                assert!(
                    off <= 6e-6 * computed.abs() + 1e-12,
                    "{path}: {stated} is stated, {computed} computed"
                );
            }
            (Value::Object(fields), Value::Object(_)) => {
                for (name, field) in fields {
                    agrees(&format!("{path}.{name}"), field, &computed[name]);
                }
            }
            (Value::String(_) | Value::Array(_), _) => assert!(!computed.is_null(), "{path} is not answered"),
            _ => assert_eq!(stated, computed, "{path}"),
        }
    }

    /// The numbers themselves are checked against their sources where the
    /// physics is; this holds the published examples to the computation.
    #[test]
    fn the_examples_in_the_contract_are_what_is_computed() {
        let document = serde_json::to_value(crate::api::contract::document()).unwrap();
        for name in NAMES {
            let stem: String = name.split('-').map(|word| word[..1].to_uppercase() + &word[1..]).collect();
            let example = |kind: &str| {
                let schema = &document["components"]["schemas"][format!("{stem}{kind}")];
                assert!(schema["example"].is_object(), "{stem}{kind} lacks an example");
                schema["example"].clone()
            };
            let computed = calculate(name, example("Question").to_string().as_bytes()).unwrap();
            agrees(name, &example("Answer"), &computed);
        }
    }

    #[test]
    fn every_missing_field_is_named() {
        let cases = [
            ("cylinder-content", vec!["gas", "components", "water_volume_l", "gauge_bar", "temperature_c"]),
            (
                "antechamber-cycle",
                vec![
                    "volume_l",
                    "pump_speed_m3_h",
                    "ultimate_mbar",
                    "evacuate_to_mbar",
                    "refill_minutes",
                    "cycles",
                    "target_oxygen_ppm",
                ],
            ),
            ("purge", vec!["volume_l", "flow_l_min", "from_ppm", "to_ppm"]),
            ("moisture", vec!["frost_point_c", "ppmv"]),
            ("tightness", vec!["duration_min", "start", "end"]),
            ("air-ingress", vec!["volume_l", "readings"]),
            ("room-oxygen", vec!["room_volume_m3", "released_m3", "release_m3_h"]),
        ];
        assert_eq!(cases.len(), NAMES.len());
        for (name, fields) in cases {
            assert_eq!(fields_at_fault(name, "{}"), fields, "{name}");
        }
    }

    #[test]
    fn impossible_input_is_refused_by_field() {
        let cases = [
            ("purge", r#"{"volume_l":NaN,"flow_l_min":1,"from_ppm":10,"to_ppm":1}"#, vec!["volume_l"]),
            (
                "purge",
                r#"{"volume_l":-1,"flow_l_min":0,"from_ppm":10,"to_ppm":1}"#,
                vec!["volume_l", "flow_l_min"],
            ),
            ("purge", r#"{"volume_l":1,"flow_l_min":1e-320,"from_ppm":10,"to_ppm":1}"#, vec!["flow_l_min"]),
            // A supply at 2 ppm never brings the box to 1 ppm.
            (
                "purge",
                r#"{"volume_l":1,"flow_l_min":1,"from_ppm":10,"to_ppm":1,"supply_ppm":2}"#,
                vec!["to_ppm"],
            ),
            ("moisture", r#"{"ppmv":1,"frost_point_c":-80}"#, vec!["frost_point_c", "ppmv"]),
            (
                "moisture",
                r#"{"frost_point_c":-230,"pressure_mbar":0}"#,
                vec!["pressure_mbar", "frost_point_c"],
            ),
            (
                "cylinder-content",
                r#"{"gas":"xenon","water_volume_l":50,"gauge_bar":-1.05,"temperature_c":99}"#,
                vec!["gas", "temperature_c", "gauge_bar"],
            ),
            (
                "cylinder-content",
                r#"{"components":{"argon":0.9,"hydrogen":0.2},"water_volume_l":50,"gauge_bar":1,"temperature_c":9}"#,
                vec!["components"],
            ),
            (
                "antechamber-cycle",
                r#"{"volume_l":50,"pump_speed_m3_h":12,"ultimate_mbar":1,"evacuate_to_mbar":0.5,
                    "refill_minutes":1,"cycles":0}"#,
                vec!["evacuate_to_mbar", "cycles"],
            ),
            (
                "tightness",
                r#"{"duration_min":0,"start":{"pressure_pa":-1},"end":{"pressure_pa":500,"temperature_c":900}}"#,
                vec![
                    "start.pressure_pa",
                    "start.temperature_c",
                    "duration_min",
                    "end.pressure_pa",
                    "end.temperature_c",
                ],
            ),
            (
                "air-ingress",
                r#"{"volume_l":1,"readings":[{"minutes":5,"oxygen_ppm":300000},{"minutes":-1,"oxygen_ppm":1}]}"#,
                vec!["readings[0].oxygen_ppm", "readings[1].minutes"],
            ),
            (
                "air-ingress",
                r#"{"volume_l":1,"readings":[{"minutes":5,"oxygen_ppm":3},{"minutes":5,"oxygen_ppm":1}]}"#,
                vec!["readings"],
            ),
            (
                "room-oxygen",
                r#"{"room_volume_m3":0,"released_m3":-1}"#,
                vec!["room_volume_m3", "released_m3"],
            ),
        ];
        for (name, question, fields) in cases {
            assert_eq!(fields_at_fault(name, question), fields, "{name} {question}");
        }
    }

    /// The command line takes a question of any size. Exact: 10⁶ readings on a
    /// line of 10 ppm an hour in 1 m³ are 0.7955 mL/min of air.
    #[test]
    fn a_million_readings_are_answered_in_a_few_seconds() {
        use std::fmt::Write as _;
        let mut question = "{\"volume_l\":1000,\"readings\":[".to_owned();
        for number in 0..1_000_000_u32 {
            let minutes = f64::from(number) / 1e4;
            let comma = if number == 0 { "" } else { "," };
            write!(question, "{comma}{{\"minutes\":{minutes},\"oxygen_ppm\":{}}}", minutes / 6.0).unwrap();
        }
        question.push_str("]}");
        let begun = std::time::Instant::now();
        let answer = calculate("air-ingress", question.as_bytes()).unwrap();
        assert!((answer["ingress_ml_min"].as_f64().unwrap() - 0.7955).abs() < 1e-4, "{answer}");
        assert!(begun.elapsed() < std::time::Duration::from_secs(60), "{:?}", begun.elapsed());
    }

    #[test]
    fn a_field_that_is_not_known_is_refused_by_name() {
        assert_eq!(fields_at_fault("moisture", &json!({"ppm": 1}).to_string()), ["ppm"]);
    }
}
