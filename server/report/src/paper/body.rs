//! The body of an entry in words, field by field, with nothing left out.

use serde_json::{Map, Value};
use tallyseal_schema::Entry;
use tallyseal_schema::ids::Stream;
use tallyseal_schema::kinds::SCHEMAS;

use super::Gathered;
use super::say::short;
use crate::words;

/// Fields whose text is a key or a signature in base64.
const CODES: &[&str] = &["proof", "public_key", "sig"];

/// Every field of the entry's body: its name and what it says. A list of single values is one field.
pub(crate) fn fields(gathered: &Gathered, entry: &Entry) -> Vec<(String, String)> {
    let body = serde_json::to_value(&entry.body).unwrap_or_default();
    let file = format!("{}.v{}.json", entry.header.kind, entry.header.v);
    let schema = SCHEMAS.iter().find(|(name, _)| *name == file).map_or("", |(_, text)| *text);
    let mut teller = Teller { gathered, schema, told: Vec::new() };
    if let Value::Object(fields) = &body {
        teller.object(&entry.header.kind, "", fields);
    }
    teller.told
}

/// The same in one line.
pub(crate) fn line(gathered: &Gathered, entry: &Entry) -> String {
    let fields = fields(gathered, entry);
    fields.iter().map(|(name, value)| format!("{name}: {value}")).collect::<Vec<_>>().join("; ")
}

struct Teller<'a> {
    gathered: &'a Gathered,
    /// The JSON Schema of the kind, which tells the record's own words from what people wrote.
    schema: &'a str,
    told: Vec<(String, String)>,
}

impl Teller<'_> {
    /// `path`: names down to here; `label`: the same in words.
    fn object(&mut self, path: &str, label: &str, fields: &Map<String, Value>) {
        let mut names: Vec<&String> = fields.keys().collect();
        names.sort_by_key(|name| words::order_of(name));
        for name in names {
            let inner = format!("{path}.{name}");
            let own = match name.parse::<Stream>() {
                // A map from things: its keys are values too.
                Ok(stream) if name.contains('/') => words::named(&stream),
                _ => words::told_label(&inner, name),
            };
            let label = if label.is_empty() { own } else { format!("{label}, {}", lower(&own)) };
            if let Some(value) = fields.get(name) {
                self.value(&inner, &label, value);
            }
        }
    }

    fn value(&mut self, path: &str, label: &str, value: &Value) {
        match value {
            Value::Object(fields) => match ratio(fields) {
                Some(text) => self.say(label, text),
                None if fields.is_empty() => self.say(label, "none".to_owned()),
                None => self.object(path, label, fields),
            },
            Value::Array(items) if items.is_empty() => self.say(label, "none".to_owned()),
            Value::Array(items) if items.iter().all(|item| !item.is_object() && !item.is_array()) => {
                let texts: Vec<String> = items.iter().map(|item| self.text(path, item)).collect();
                self.say(label, texts.join(", "));
            }
            Value::Array(items) => {
                for (index, item) in items.iter().enumerate() {
                    self.value(path, &format!("{label} {}", index.saturating_add(1)), item);
                }
            }
            other => {
                let text = self.text(path, other);
                self.say(label, text);
            }
        }
    }

    fn say(&mut self, label: &str, text: String) {
        let text = if text.is_empty() { "nothing".to_owned() } else { text };
        self.told.push((label.to_owned(), text));
    }

    fn text(&self, path: &str, value: &Value) -> String {
        let name = path.rsplit('.').next().unwrap_or(path);
        match value {
            Value::Null => "none".to_owned(),
            Value::Bool(true) => "yes".to_owned(),
            Value::Bool(false) => "no".to_owned(),
            Value::Number(number) => {
                number.as_u64().map_or_else(|| number.to_string(), |number| words::with_unit(name, number))
            }
            Value::String(text) => self.string(name, text),
            other => other.to_string(),
        }
    }

    fn string(&self, name: &str, text: &str) -> String {
        if CODES.contains(&name) || is_hash(text) {
            return short(text);
        }
        if let Ok(at) = text.parse() {
            return self.gathered.at(at);
        }
        match text.parse::<Stream>() {
            Ok(stream) if text.contains('/') => words::named(&stream),
            // Only a word that the schema knows is put into words; what people wrote stays as they wrote it.
            _ if text.contains('_') && self.schema.contains(&format!("\"{text}\"")) => words::record_word(text),
            _ => text.to_owned(),
        }
    }
}

/// With a small letter, but for what is an abbreviation or a name.
fn lower(text: &str) -> String {
    let mut chars = text.chars();
    match (chars.next(), chars.next()) {
        (Some(first), Some(second)) if first.is_uppercase() && second.is_lowercase() => {
            first.to_lowercase().chain(text.chars().skip(1)).collect()
        }
        _ => text.to_owned(),
    }
}

fn is_hash(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|byte| byte.is_ascii_digit() || (b'a'..=b'f').contains(&byte))
}

fn ratio(fields: &Map<String, Value>) -> Option<String> {
    match (fields.len(), fields.get("num"), fields.get("den")) {
        (2, Some(num), Some(den)) => Some(format!("{num}/{den}")),
        _ => None,
    }
}
