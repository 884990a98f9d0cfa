//! The smallest command that has the form which the description of the API gives it. It is about nothing that exists.

use serde_json::{Map, Value, json};

/// The fields of that command.
///
/// Panics where the description has no such command, or a form that is not known here.
pub fn command(description: &Value, name: &str) -> Value {
    let act = &description["paths"][format!("/api/acts/{name}")]["post"]["requestBody"]["content"];
    let command = &act["application/json"]["schema"]["properties"]["command"];
    assert!(command.is_object(), "the description has no command {name}");
    of(description, command)
}

/// The smallest instance of a schema.
fn of(description: &Value, schema: &Value) -> Value {
    if let Some(at) = schema["$ref"].as_str() {
        let name = at.rsplit('/').next().expect("a reference names something");
        return match name {
            // Patterns say the form and not the sense; these are well-formed and name nothing.
            "AccountId" => json!("U-9001"),
            "Id" => json!("X-1"),
            "Stream" => json!("roll/X-1"),
            "Time" => json!("2099-01-01T00:00:00.000000Z"),
            "Hash" => json!("0".repeat(64)),
            _ => of(description, &description["components"]["schemas"][name]),
        };
    }
    for choice in ["oneOf", "anyOf"] {
        if let Some(first) = schema[choice].get(0) {
            return of(description, first);
        }
    }
    if let Some(value) = schema.get("const") {
        return value.clone();
    }
    if let Some(first) = schema["enum"].get(0) {
        return first.clone();
    }
    let kind = schema["type"].as_str().or_else(|| schema["type"][0].as_str());
    match kind {
        Some("object") => {
            let required = schema["required"].as_array().into_iter().flatten();
            let fields = required.map(|field| {
                let field = field.as_str().expect("a field has a name");
                (field.to_owned(), of(description, &schema["properties"][field]))
            });
            Value::Object(fields.collect::<Map<_, _>>())
        }
        Some("array") => json!([]),
        Some("string") => json!("some words"),
        // One, for nothing is counted from nothing.
        Some("integer") => json!(schema["minimum"].as_u64().unwrap_or(0).max(1)),
        Some("boolean") => json!(false),
        _ => panic!("no instance is known of {schema}"),
    }
}
