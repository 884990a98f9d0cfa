//! The description of the JSON API, OpenAPI 3.1: made from the table of authority and the types of the commands, so that
//! it cannot say anything else than the server does. The server gives it out at `/api/openapi.json`.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};
use tallyseal_control::{AUTHORITY, Authority, Command};
use tallyseal_schema::kinds::Role;

/// What the tests expect not to be given by its name: people reach it by pages of their own.
pub const MADE_HERE: &[&str] = &[
    "enrol_key",
    "change_password",
    "end_session",
    "unlock_session",
    "refuse_password",
    "note_refusal",
    "draft_plugin",
    "note_export",
];

/// The rows of the table of authority that are acts of people at `/api/acts/{name}`.
pub fn acts() -> impl Iterator<Item = &'static Authority> {
    AUTHORITY.iter().filter(|row| row.is_given_by_name())
}

/// The whole description.
pub fn description() -> Value {
    let mut schemas = Map::new();
    let mut paths = Map::new();
    for (name, schema) in commands(&mut schemas) {
        if let Some(row) = acts().find(|row| row.command == name) {
            paths.insert(format!("/api/acts/{name}"), act_path(row, &schema));
        }
    }
    paths.extend(pages());
    with_receipts(&mut paths);
    schemas.extend(answers());
    json!({
        "openapi": "3.1.0",
        "jsonSchemaDialect": "https://json-schema.org/draft/2020-12/schema",
        "info": {
            "title": "Tallyseal",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Every act is recorded, or nothing is: the answer comes once its entries are durable. \
                An act carries its own key; asked again with it, the answer is the first one's.",
            "license": { "name": "Apache-2.0", "identifier": "Apache-2.0" },
        },
        "servers": [{ "url": "/" }],
        "security": [{ "session": [] }],
        "paths": paths,
        "components": {
            "schemas": schemas,
            "responses": { "problem": problem_response() },
            "parameters": { "receipt": {
                "name": "Tallyseal-Receipt", "in": "header", "required": false, "description": RECEIPT,
                "schema": { "type": "string", "maxLength": 4000 },
            } },
            "headers": { "receipt": { "description": RECEIPT, "schema": { "type": "string" } } },
            "securitySchemes": {
                "session": { "type": "http", "scheme": "bearer", "description": "The token of POST /api/session." },
            },
        },
    })
}

/// What clients are told of receipts.
const RECEIPT: &str = "The client's last receipt: book=NAME&n=N&leaf=HEX&checkpoint=BASE64, nothing escaped; the checkpoint, \
    base64 of the whole note, may be left away. Each answer to a change carries the next one in a header of the same name; \
    show it with the next call. Where the book contradicts it, the book was set back or is a second copy: the call is refused \
    (409, book-set-back), and that is recorded. A receipt of a book of another name is not judged.";

/// Each call of a session takes a receipt, and each answer to a change gives one.
fn with_receipts(paths: &mut Map<String, Value>) {
    for (path, item) in paths {
        if matches!(path.as_str(), "/api/health" | "/api/openapi.json") {
            continue;
        }
        for (method, operation) in item.as_object_mut().expect("a path has methods") {
            let mut parameters = operation["parameters"].as_array().cloned().unwrap_or_default();
            parameters.push(json!({ "$ref": "#/components/parameters/receipt" }));
            operation["parameters"] = parameters.into();
            if method != "get" {
                operation["responses"]["200"]["headers"] =
                    json!({ "Tallyseal-Receipt": { "$ref": "#/components/headers/receipt" } });
            }
        }
    }
}

/// Each command's name and the schema of its fields; what they share goes to `schemas`.
fn commands(schemas: &mut Map<String, Value>) -> BTreeMap<String, Value> {
    let settings = schemars::generate::SchemaSettings::draft2020_12().with(|settings| {
        settings.definitions_path = "/components/schemas".into();
        settings.meta_schema = None;
    });
    let mut generator = settings.into_generator();
    let whole = generator.root_schema_for::<Command>().to_value();
    schemas.extend(generator.take_definitions(true));
    let mut commands = BTreeMap::new();
    for variant in whole["oneOf"].as_array().expect("a command is one of many") {
        let mut variant = variant.clone();
        let fields = variant["properties"].as_object_mut().expect("a command has fields");
        let name = fields.remove("do").expect("a command has a name")["const"].clone();
        if let Some(required) = variant["required"].as_array_mut() {
            required.retain(|field| field != "do");
        }
        commands.insert(name.as_str().expect("a name is a text").to_owned(), variant);
    }
    commands
}

fn act_path(row: &Authority, command: &Value) -> Value {
    let roles: Vec<&str> = row.roles.iter().copied().map(Role::as_str).collect();
    let required = if command["properties"].as_object().is_some_and(Map::is_empty) {
        json!(["act", "role"])
    } else {
        json!(["act", "command", "role"])
    };
    json!({
        "post": {
            "operationId": row.command,
            "summary": command["description"],
            "tags": ["acts"],
            "requestBody": { "required": true, "content": { "application/json": { "schema": {
                "type": "object",
                "additionalProperties": false,
                "required": required,
                "properties": {
                    "act": { "$ref": "#/components/schemas/ActKey" },
                    "command": command,
                    "expected": { "$ref": "#/components/schemas/Expected" },
                    "password": { "type": ["string", "null"], "description": "Where the act is a signature." },
                    "role": { "enum": roles, "description": "The role acted in." },
                },
            } } } },
            "responses": responses("Receipt"),
        },
    })
}

fn responses(schema: &str) -> Value {
    json!({
        "200": {
            "description": "Done.",
            "content": { "application/json": { "schema": { "$ref": format!("#/components/schemas/{schema}") } } },
        },
        "default": { "$ref": "#/components/responses/problem" },
    })
}

fn problem_response() -> Value {
    json!({
        "description": "Not done; why, and what to do (RFC 9457).",
        "content": { "application/problem+json": { "schema": { "$ref": "#/components/schemas/Problem" } } },
    })
}

fn get(id: &str, summary: &str, parameters: &[Value], schema: &str) -> Value {
    json!({
        "operationId": id, "summary": summary, "tags": ["reading"], "parameters": parameters, "responses": responses(schema),
    })
}

fn get_text(id: &str, summary: &str, parameters: &[Value], media: &str) -> Value {
    let mut operation = get(id, summary, parameters, "Receipt");
    operation["responses"]["200"]["content"] = json!({ media: { "schema": { "type": "string" } } });
    operation
}

fn post(id: &str, summary: &str, body: &Value, schema: &str) -> Value {
    json!({
        "operationId": id, "summary": summary, "tags": ["desk"],
        "requestBody": { "required": true, "content": { "application/json": { "schema": body } } },
        "responses": responses(schema),
    })
}

fn object(fields: &Value, required: &[&str]) -> Value {
    json!({ "type": "object", "additionalProperties": false, "properties": fields, "required": required })
}

fn path_parameter(name: &str, schema: &Value) -> Value {
    json!({ "name": name, "in": "path", "required": true, "schema": schema })
}

fn query_parameter(name: &str, schema: &Value, what: &str) -> Value {
    json!({ "name": name, "in": "query", "required": false, "schema": schema, "description": what })
}

/// Every page that is not an act. A test holds the list against the server's own.
fn pages() -> Map<String, Value> {
    let text = json!({ "type": "string" });
    let number = json!({ "type": "integer", "minimum": 0 });
    let secret = json!({ "type": "string", "format": "password" });
    let role = json!({ "$ref": "#/components/schemas/Role" });
    let key = json!({ "$ref": "#/components/schemas/ActKey" });
    let stream = json!({ "$ref": "#/components/schemas/Stream" });
    let id = json!({ "$ref": "#/components/schemas/Id" });
    let mut sign_in = post(
        "sign_in",
        "Signs a person in at a device.",
        &object(&json!({ "account": text, "device": id, "password": secret }), &["account", "device", "password"]),
        "SignedIn",
    );
    sign_in["security"] = json!([]);
    let mut health = get("health", "Whether the book is served.", &[], "Health");
    health["security"] = json!([]);
    let mut openapi = get("openapi", "This description.", &[], "OpenApi");
    openapi["security"] = json!([]);
    let sheet =
        json!({ "enum": ["a4", "letter"], "description": "The sheets of its pages; A4 where it is left away." });
    let mut export = post(
        "export",
        "Takes the sealed record of a thing; that it was taken is an entry.",
        &object(&json!({ "record": stream, "role": role, "sheet": sheet }), &["record", "role"]),
        "Receipt",
    );
    export["responses"]["200"]["content"] =
        json!({ "application/zip": { "schema": { "type": "string", "contentMediaType": "application/zip" } } });
    let files = json!({ "type": "object", "additionalProperties": { "type": "string", "contentEncoding": "base64" } });
    let pages = json!({
        "/api/health": { "get": health },
        "/api/openapi.json": { "get": openapi },
        "/api/session": {
            "post": sign_in,
            "get": get("who", "Who is signed in.", &[], "Seat"),
            "delete": { "operationId": "sign_out", "summary": "Ends the session.", "tags": ["desk"], "responses": responses("Receipt") },
        },
        "/api/session/unlock": { "post": post(
            "unlock",
            "Opens a session again that was locked because nobody used it.",
            &object(&json!({ "account": text, "password": secret }), &["account", "password"]),
            "Receipt",
        ) },
        "/api/password": { "post": post(
            "set_password",
            "Sets one's own password; the first one makes the signing key.",
            &object(&json!({ "current": secret, "new": secret }), &["current", "new"]),
            "Receipt",
        ) },
        "/api/plugins": { "post": post(
            "draft_plugin",
            "Loads a version of a plugin as a draft.",
            &object(&json!({ "act": key, "files": files, "role": role }), &["act", "files", "role"]),
            "Receipt",
        ) },
        "/api/things/{thing}": { "get": get(
            "things",
            "Things of a kind, by a key or all, a page at a time.",
            &[
                path_parameter("thing", &text),
                query_parameter("key", &text, "PROPERTY=VALUE; absent: all"),
                query_parameter("after", &text, "The last stream of the page before."),
            ],
            "Things",
        ) },
        "/api/things/{thing}/{id}": { "get": get(
            "thing",
            "One thing as it stands now.",
            &[path_parameter("thing", &text), path_parameter("id", &id)],
            "Thing",
        ) },
        "/api/entries": { "get": get_text(
            "entries",
            "The exact bytes of entries, one a line.",
            &[
                query_parameter("from", &number, "The first entry."),
                query_parameter("to", &number, "The last entry."),
                query_parameter("stream", &stream, "Only the entries of this stream."),
            ],
            "application/jsonl",
        ) },
        "/api/checkpoint": { "get": get_text("checkpoint", "A signed checkpoint of the book as it stands.", &[], "text/plain") },
        "/api/proofs/{n}": { "get": get(
            "proof",
            "The inclusion proof of an entry.",
            &[path_parameter("n", &number)],
            "Proof",
        ) },
        "/api/exports": { "post": export },
    });
    match pages {
        Value::Object(pages) => pages,
        _ => Map::new(),
    }
}

/// What is answered.
fn answers() -> Map<String, Value> {
    let text = json!({ "type": "string" });
    let number = json!({ "type": "integer", "minimum": 0 });
    let hash = json!({ "type": "string", "pattern": "^[0-9a-f]{64}$" });
    let seat = json!({
        "account": text, "device": text, "must_change_password": { "type": "boolean" }, "name": text,
        "grants": {
            "type": "array", "items": { "$ref": "#/components/schemas/Grant" },
            "description": "All that was granted to the person, also what has ended.",
        },
        "roles": {
            "type": "array", "items": { "$ref": "#/components/schemas/Role" },
            "description": "What the person may act as now.",
        },
        "session": text,
    });
    let mut signed_in = seat.clone();
    signed_in["expires"] = text.clone();
    signed_in["token"] = text.clone();
    let open =
        |fields: &Value, required: &[&str]| json!({ "type": "object", "properties": fields, "required": required });
    let answers = json!({
        "ActKey": {
            "type": "string", "format": "uuid", "description": "The act's own key (RFC 9562), made by the client.",
            "pattern": "^[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}$",
        },
        "Expected": {
            "type": "object", "additionalProperties": { "type": "integer", "minimum": 0 },
            "description": "For each stream that was shown: the rev that was shown. Another one is a conflict.",
        },
        "Health": open(&json!({ "book": text, "entries": number, "status": { "const": "serving" } }), &["book", "entries", "status"]),
        "OpenApi": { "type": "object" },
        "Problem": open(
            &json!({
                "type": text, "title": text, "status": number, "detail": text, "code": text,
                "remedy": { "type": "string", "description": "What to do." },
            }),
            &["type", "title", "status", "detail", "code", "remedy"],
        ),
        "Proof": open(
            &json!({ "n": number, "size": number, "leaf": hash, "path": { "type": "array", "items": hash } }),
            &["n", "size", "leaf", "path"],
        ),
        "Receipt": open(
            &json!({
                "act": { "$ref": "#/components/schemas/ActKey" },
                "checkpoint": { "type": "string", "description": "A signed checkpoint that holds the entries; keep it." },
                "entries": { "type": "array", "items": open(
                    &json!({ "n": number, "stream": text, "kind": text }), &["n", "stream", "kind"],
                ) },
                "leaf": hash, "n": number,
                "one_time_secret": { "type": "string", "description": "Shown this once." },
                "repeated": { "type": "boolean", "description": "It was done before; nothing was done now." },
            }),
            &["act", "checkpoint", "entries", "repeated"],
        ),
        "Seat": open(&seat, &["account", "device", "grants", "name", "roles", "session"]),
        "SignedIn": open(&signed_in, &["account", "device", "grants", "name", "roles", "session", "expires", "token"]),
        "Thing": open(&json!({ "facts": { "type": "object" }, "rev": number, "state": { "type": "object" }, "stream": text }), &["rev", "state", "stream"]),
        "Things": open(
            &json!({ "things": { "type": "array", "items": { "$ref": "#/components/schemas/Thing" } }, "more": { "type": "boolean" } }),
            &["things", "more"],
        ),
    });
    match answers {
        Value::Object(answers) => answers,
        _ => Map::new(),
    }
}
