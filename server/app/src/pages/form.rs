//! Forms of acts, made from the description of the API: every command that a person gives by name has one, and none can
//! be forgotten or differ from what the server takes.
//!
//! A field is walked once, both to show what was typed and to read it; whatever is wrong is said at its field, and all of
//! it at once.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use askama::Template;
use serde_json::{Map, Value, json};

use super::words;
use crate::api::DESCRIPTION;

/// What was typed, or what a link fills in: name of the field to its text.
pub(super) type Input = BTreeMap<String, String>;

/// Rows of a list that a form shows at most; the text of a list of IDs takes more.
const ROWS_MAX: usize = 60;

fn description() -> &'static Value {
    static READ: OnceLock<Value> = OnceLock::new();
    READ.get_or_init(|| serde_json::from_str(DESCRIPTION).unwrap_or_default())
}

/// The schema of a command's fields; `None` where no person gives a command of that name.
pub(super) fn schema(command: &str) -> Option<&'static Value> {
    let path = format!("/api/acts/{command}");
    description()["paths"][&path]["post"]["requestBody"]["content"]["application/json"]["schema"]["properties"]
        .get("command")
}

/// What an act is, in a sentence.
pub(super) fn summary(command: &str) -> String {
    plain(description()["paths"][&format!("/api/acts/{command}")]["post"]["summary"].as_str().unwrap_or_default())
}

/// The commands whose fields name a thing of that sort, in the order of their names.
pub(super) fn commands_about(thing: &str) -> Vec<&'static str> {
    tallyseal_control::AUTHORITY
        .iter()
        .filter(|row| row.is_given_by_name())
        .filter(|row| schema(row.command).is_some_and(|schema| schema["properties"].get(thing).is_some()))
        .map(|row| row.command)
        .collect()
}

/// What a field is filled with.
pub(super) enum Kind {
    /// One of a few words.
    Choice(Vec<Choice>),
    /// Several fields that belong together.
    Group(Vec<Field>),
    /// IDs or words, one on each line.
    Lines(String),
    /// A moment in the plant's time.
    Moment(String),
    /// The same fields again and again.
    Rows(Vec<Vec<Field>>),
    /// A fraction, or so many of a hundred.
    Share(String),
    /// Several of a few words.
    Ticks(Vec<Choice>),
    /// Words.
    Text {
        /// Several lines of them.
        long: bool,
        /// What others of the kind are called.
        known: Vec<String>,
        /// As typed.
        text: String,
    },
    /// One of several shapes, each with fields of its own.
    Variants(Vec<Variant>),
    /// A whole number.
    Whole(String),
    /// Yes or no; neither is taken for granted.
    YesNo {
        /// "Yes" was chosen.
        yes: bool,
        /// "No" was chosen.
        no: bool,
    },
}

/// One word that may be chosen.
pub(super) struct Choice {
    pub(super) chosen: bool,
    pub(super) hint: String,
    pub(super) label: String,
    pub(super) value: String,
}

/// One of several shapes. Which one it is, is said by a field of its own.
pub(super) struct Variant {
    pub(super) choice: Choice,
    pub(super) fields: Vec<Field>,
    /// The field that says which.
    pub(super) tag: String,
}

/// One field of a form.
#[derive(Template)]
#[template(path = "field.html")]
pub(super) struct Field {
    /// What is wrong with it.
    pub(super) fault: Option<String>,
    /// A sentence about it.
    pub(super) hint: String,
    pub(super) kind: Kind,
    pub(super) label: String,
    /// The browser holds the form back while it is empty. Not in a row or a shape that may not be meant.
    pub(super) must: bool,
    /// Its name in the form, parts joined by dots.
    pub(super) path: String,
    pub(super) required: bool,
}

impl Field {
    /// Its name as an ID in the page.
    pub(super) fn id(&self) -> String {
        format!("f-{}", self.path.replace('.', "-"))
    }

    /// True in a list of rows, where there is little room.
    pub(super) fn in_row(&self) -> bool {
        self.path.split('.').any(|part| part.parse::<usize>().is_ok())
    }

    /// Whether it stands beside others or takes a line of its own.
    pub(super) fn size(&self) -> &'static str {
        match &self.kind {
            Kind::Text { long: true, .. } | Kind::Lines(_) => "long",
            _ => "short",
        }
    }

    /// The IDs of what describes it.
    pub(super) fn described(&self) -> String {
        let mut ids = Vec::new();
        if !self.hint.is_empty() {
            ids.push(format!("{}-hint", self.id()));
        }
        if self.fault.is_some() {
            ids.push(format!("{}-fault", self.id()));
        }
        ids.join(" ")
    }

    /// What was said in it and below, as the form sends it: names and texts. Shapes that were not chosen say nothing.
    pub(super) fn said(&self, said: &mut Vec<(String, String)>) {
        let mut say = |name: String, text: &str| {
            if !text.is_empty() {
                said.push((name, text.to_owned()));
            }
        };
        match &self.kind {
            Kind::Lines(text)
            | Kind::Moment(text)
            | Kind::Share(text)
            | Kind::Text { text, .. }
            | Kind::Whole(text) => say(self.path.clone(), text),
            Kind::Choice(choices) => {
                let chosen = choices.iter().find(|choice| choice.chosen);
                say(self.path.clone(), chosen.map_or("", |choice| choice.value.as_str()));
            }
            Kind::Ticks(choices) => {
                for choice in choices.iter().filter(|choice| choice.chosen) {
                    say(format!("{}.{}", self.path, choice.value), "yes");
                }
            }
            Kind::YesNo { yes, no } => {
                let text = if *yes { "yes" } else { "no" };
                say(self.path.clone(), if *yes || *no { text } else { "" });
            }
            Kind::Group(fields) => fields.iter().for_each(|field| field.said(said)),
            Kind::Rows(rows) => rows.iter().flatten().for_each(|field| field.said(said)),
            Kind::Variants(variants) => {
                for variant in variants.iter().filter(|variant| variant.choice.chosen) {
                    say(format!("{}.{}", self.path, variant.tag), &variant.choice.value);
                }
                let chosen = variants.iter().filter(|variant| variant.choice.chosen);
                chosen.flat_map(|variant| &variant.fields).for_each(|field| field.said(said));
            }
        }
    }

    /// Every fault in it and below, with the ID of its field.
    fn faults(&self, found: &mut Vec<(String, String)>) {
        if let Some(fault) = &self.fault {
            found.push((self.id(), format!("{}: {fault}", self.label)));
        }
        match &self.kind {
            Kind::Group(fields) => fields.iter().for_each(|field| field.faults(found)),
            Kind::Rows(rows) => rows.iter().flatten().for_each(|field| field.faults(found)),
            Kind::Variants(variants) => {
                let chosen = variants.iter().filter(|variant| variant.choice.chosen);
                chosen.flat_map(|variant| &variant.fields).for_each(|field| field.faults(found));
            }
            _ => {}
        }
    }
}

/// What the forms must look up.
pub(super) trait Known {
    /// What things of a sort are called.
    fn names(&self, thing: &str) -> Vec<String>;
    /// The streams of that ID.
    fn streams(&self, id: &str) -> Vec<String>;
    /// A moment in the plant's time as records have it; `None` where it is none.
    fn moment(&self, text: &str) -> Option<String>;
}

/// A form as shown, and what it says where nothing is wrong.
pub(super) struct Form {
    /// Where and what is wrong, in the order of the fields.
    pub(super) faults: Vec<(String, String)>,
    pub(super) fields: Vec<Field>,
    /// The command's fields, as the API takes them.
    pub(super) values: Map<String, Value>,
}

/// The form of a command with what was typed. `judge`: whether what is wrong is said.
pub(super) fn form(command: &str, input: &Input, judge: bool, known: &dyn Known) -> Form {
    let walk = Walk { input, judge, known, lenient: false };
    let (fields, values) = match schema(command) {
        Some(schema) => walk.object(schema, ""),
        None => (Vec::new(), Map::new()),
    };
    let mut faults = Vec::new();
    fields.iter().for_each(|field| field.faults(&mut faults));
    Form { faults, fields, values }
}

/// The schema that is meant, without references and without "or nothing".
fn resolved(schema: &'static Value) -> (&'static Value, bool) {
    if let Some(name) = schema["$ref"].as_str().and_then(|path| path.rsplit('/').next()) {
        return resolved(&description()["components"]["schemas"][name]);
    }
    if let Some(either) = schema["anyOf"].as_array() {
        let some = either.iter().find(|one| one["type"] != "null").unwrap_or(&Value::Null);
        return (resolved(some).0, true);
    }
    let nullable = schema["type"].as_array().is_some_and(|types| types.iter().any(|one| one == "null"));
    (schema, nullable)
}

/// The name of the shape that a schema refers to.
fn shape(schema: &Value) -> &str {
    let direct = schema["$ref"].as_str();
    let either = || schema["anyOf"].as_array().into_iter().flatten().find_map(|one| one["$ref"].as_str());
    direct.or_else(either).and_then(|path| path.rsplit('/').next()).unwrap_or_default()
}

fn kind_of(schema: &Value) -> &str {
    match &schema["type"] {
        Value::String(one) => one,
        Value::Array(types) => types.iter().filter_map(Value::as_str).find(|one| *one != "null").unwrap_or_default(),
        _ => "",
    }
}

/// The first paragraph of a description; rules and sources are for those who read the record's form, and so are sentences
/// that speak of its fields and streams.
fn hint(schema: &Value) -> String {
    plain(schema["description"].as_str().unwrap_or_default())
}

/// A description as people read it in a form.
fn plain(text: &str) -> String {
    let text = text.split("\n\n").next().unwrap_or_default().replace('\n', " ");
    // A unit stands in the label of its field.
    let for_people = |one: &&str| !one.starts_with(['`']) && !one.starts_with("Unit:") && !one.contains("stream");
    let sentences = text.split_inclusive(". ").filter(for_people);
    sentences.collect::<String>().replace('`', "").trim().to_owned()
}

/// A whole number as people type it: digits, perhaps in groups.
pub(super) fn whole(text: &str) -> Option<u64> {
    let digits: String =
        text.chars().filter(|c| !matches!(c, ' ' | '\u{a0}' | '\u{2009}' | '\u{202f}' | '\'')).collect();
    if digits.is_empty() || !digits.chars().all(|c| c.is_ascii_digit()) {
        return None;
    }
    digits.parse().ok()
}

/// A share as people type it: `1/24`, `2`, `0.5 %`. Exact: a decimal becomes a fraction.
pub(super) fn share(text: &str) -> Option<(u64, u64)> {
    let text = text.trim();
    if let Some((num, den)) = text.split_once('/') {
        return Some((whole(num)?, whole(den).filter(|den| *den > 0)?));
    }
    let (number, mut den) = match text.strip_suffix('%') {
        Some(number) => (number.trim(), 100_u64),
        None => (text, 1),
    };
    let (units, decimals) = number.split_once(['.', ',']).unwrap_or((number, ""));
    if decimals.len() > 6 {
        return None;
    }
    let mut num = whole(units)?;
    for digit in decimals.chars() {
        num = num.checked_mul(10)?.checked_add(u64::from(digit.to_digit(10)?))?;
        den = den.checked_mul(10)?;
    }
    let common = common_divisor(num, den);
    Some((num / common, den / common))
}

fn common_divisor(a: u64, b: u64) -> u64 {
    if b == 0 { a.max(1) } else { common_divisor(b, a % b) }
}

struct Walk<'a> {
    input: &'a Input,
    judge: bool,
    known: &'a dyn Known,
    /// What is here may be left out as a whole.
    lenient: bool,
}

impl Walk<'_> {
    fn typed(&self, path: &str) -> &str {
        self.input.get(path).map_or("", |text| text.trim())
    }

    /// True where anything below that name was typed.
    fn any_below(&self, path: &str) -> bool {
        let inside = format!("{path}.");
        self.input
            .range(inside.clone()..)
            .take_while(|(name, _)| name.starts_with(&inside))
            .any(|(_, text)| !text.trim().is_empty())
    }

    fn object(&self, schema: &'static Value, path: &str) -> (Vec<Field>, Map<String, Value>) {
        let mut fields = Vec::new();
        let mut values = Map::new();
        let required: Vec<&str> =
            schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        let Some(properties) = schema["properties"].as_object() else { return (fields, values) };
        let mut names: Vec<&String> = properties.keys().collect();
        names.sort_by_key(|name| words::order_of(name));
        for name in names {
            let Some(property) = properties.get(name).filter(|property| property.get("const").is_none()) else {
                continue;
            };
            let inner = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
            let (field, value) = self.field(name, property, inner, required.contains(&name.as_str()));
            if let Some(value) = value {
                values.insert(name.clone(), value);
            }
            fields.push(field);
        }
        (fields, values)
    }

    fn field(&self, name: &str, schema: &'static Value, path: String, required: bool) -> (Field, Option<Value>) {
        let (resolved, nullable) = resolved(schema);
        let required = required && !nullable;
        let said = match hint(schema) {
            text if text.is_empty() => hint(resolved),
            text => text,
        };
        let read = self.read(name, shape(schema), resolved, &path, required);
        let missing = self.judge && required && read.value.is_none() && read.fault.is_none();
        let fault = read.fault.filter(|_| self.judge).or_else(|| missing.then(|| words::MISSING.to_owned()));
        let hint = match words::hint(name) {
            Some(hint) if said.is_empty() => hint.to_owned(),
            _ if words::says_nothing_new(name, &said) => String::new(),
            _ => said,
        };
        let label = match read.kind {
            Kind::Group(_) => words::capital(&words::group(&path, name)),
            _ => words::label_at(&path, name),
        };
        let hint =
            if words::says_nothing_new(&label, &hint) || words::OWN.contains(&name) { String::new() } else { hint };
        let must = required && !self.lenient;
        (Field { fault, hint, kind: read.kind, label, must, path, required }, read.value)
    }

    fn read(&self, name: &str, shape: &str, schema: &'static Value, path: &str, required: bool) -> Read {
        match shape {
            "Ratio" => return self.share(path),
            "Time" => return self.moment(path),
            "Stream" => return self.stream(name, path),
            _ => {}
        }
        if let Some(choices) = schema["oneOf"].as_array() {
            return match choices.iter().all(|choice| choice["const"].is_string()) {
                true => self.choice(choices, path),
                false => self.variants(choices, path),
            };
        }
        if let Some(choices) = schema["enum"].as_array() {
            return self.choice(choices, path);
        }
        match kind_of(schema) {
            "integer" => self.whole(schema, path),
            "boolean" => self.yes_no(path),
            "array" => self.list(name, schema, path),
            "object" if schema["properties"].is_object() => {
                // What may be left out is left out as a whole, where nothing of it was typed.
                if !required && !self.any_below(path) {
                    let silent = Walk { judge: false, lenient: true, ..*self };
                    return Read::good(Kind::Group(silent.object(schema, path).0), None);
                }
                let (fields, values) = self.object(schema, path);
                Read::good(Kind::Group(fields), Some(Value::Object(values)))
            }
            "object" if name == "faults" => self.fault_numbers(path),
            "object" => self.numbers(path),
            _ => self.text(name, shape, schema, path),
        }
    }

    fn text(&self, name: &str, shape: &str, schema: &Value, path: &str) -> Read {
        let typed = self.typed(path).to_owned();
        let id = shape == "Id" || shape == "AccountId";
        let known = if id { self.known.names(words::thing_of(name)) } else { Vec::new() };
        // The text of a code is one line, whatever it is called.
        let long = !id && words::is_long(name) && !path.contains("expected_code");
        // IDs are in capitals, however they are typed.
        let value = if id { typed.to_uppercase() } else { typed.clone() };
        let pattern = resolved_pattern(schema, id);
        let fault = (pattern && !value.is_empty() && !is_id(&value)).then(|| words::NO_ID.to_owned());
        let given = (!value.is_empty()).then_some(Value::String(value));
        Read { fault, kind: Kind::Text { long, known, text: typed }, value: given }
    }

    fn stream(&self, name: &str, path: &str) -> Read {
        let typed = self.typed(path).to_owned();
        let known = self.known.names(words::thing_of(name));
        let kind = Kind::Text { long: false, known, text: typed.clone() };
        if typed.is_empty() {
            return Read { fault: None, kind, value: None };
        }
        match self.stream_of(name, &typed) {
            Ok(stream) => Read::good(kind, Some(Value::String(stream))),
            Err(fault) => Read { fault: Some(fault), kind, value: None },
        }
    }

    /// The stream that a scanned or typed ID means.
    fn stream_of(&self, name: &str, typed: &str) -> Result<String, String> {
        if let Some((thing, id)) = typed.split_once('/') {
            return Ok(format!("{}/{}", thing.to_lowercase().replace(' ', "_"), id.to_uppercase()));
        }
        let id = typed.to_uppercase();
        let all = self.known.streams(&id);
        let expected = words::thing_of(name);
        let meant: Vec<&String> = all.iter().filter(|stream| stream.starts_with(&format!("{expected}/"))).collect();
        match (meant.as_slice(), all.as_slice()) {
            ([one], _) => Ok((*one).clone()),
            ([], [one]) => Ok(one.clone()),
            ([], []) => Err(format!("{id} is unknown. Scan it again, or look it up first.")),
            _ => Err(format!("{id} may be any of {}. Type one of them whole.", all.join(", "))),
        }
    }

    fn whole(&self, schema: &Value, path: &str) -> Read {
        let typed = self.typed(path).to_owned();
        let max = schema["maximum"].as_u64().unwrap_or(9_007_199_254_740_991);
        let min = schema["minimum"].as_u64().unwrap_or(0);
        let number = whole(&typed);
        let fault = match number {
            _ if typed.is_empty() => None,
            None => Some(words::NO_WHOLE_NUMBER.to_owned()),
            Some(number) if number < min || number > max => {
                Some(format!("Give a number from {} to {}.", words::number(min), words::number(max)))
            }
            Some(_) => None,
        };
        Read { fault, kind: Kind::Whole(typed), value: number.map(|number| json!(number)) }
    }

    fn share(&self, path: &str) -> Read {
        // A link or a test may give the two parts by themselves.
        let parts = [format!("{path}.num"), format!("{path}.den")];
        let typed = match (self.typed(path), parts.each_ref().map(|part| self.typed(part))) {
            ("", [num, den]) if !num.is_empty() => format!("{num}/{den}"),
            (typed, _) => typed.to_owned(),
        };
        let value = share(&typed);
        let fault = (!typed.is_empty() && value.is_none()).then(|| words::NO_SHARE.to_owned());
        Read { fault, kind: Kind::Share(typed), value: value.map(|(num, den)| json!({ "num": num, "den": den })) }
    }

    fn moment(&self, path: &str) -> Read {
        let typed = self.typed(path).to_owned();
        let value = self.known.moment(&typed);
        let fault = (!typed.is_empty() && value.is_none()).then(|| words::NO_MOMENT.to_owned());
        Read { fault, kind: Kind::Moment(typed), value: value.map(Value::String) }
    }

    fn yes_no(&self, path: &str) -> Read {
        let (yes, no) = (self.typed(path) == "yes", self.typed(path) == "no");
        Read::good(Kind::YesNo { yes, no }, (yes || no).then_some(Value::Bool(yes)))
    }

    fn choice(&self, choices: &[Value], path: &str) -> Read {
        let typed = self.typed(path);
        let choices: Vec<Choice> = choices
            .iter()
            .filter_map(|choice| choice["const"].as_str().or(choice.as_str()).map(|value| (value, hint(choice))))
            .map(|(value, hint)| Choice {
                chosen: value == typed,
                hint,
                label: words::word(value),
                value: value.to_owned(),
            })
            .collect();
        let value = choices.iter().find(|choice| choice.chosen).map(|choice| Value::String(choice.value.clone()));
        let fault = (!typed.is_empty() && value.is_none()).then(|| words::NO_CHOICE.to_owned());
        Read { fault, kind: Kind::Choice(choices), value }
    }

    fn variants(&self, shapes: &'static [Value], path: &str) -> Read {
        let mut variants = Vec::new();
        let mut value = None;
        for shape in shapes {
            let (shape, _) = resolved(shape);
            let tag = shape["properties"].as_object().into_iter().flatten().find(|(_, one)| one["const"].is_string());
            let Some((tag, word)) = tag.and_then(|(tag, one)| one["const"].as_str().map(|word| (tag, word))) else {
                continue;
            };
            let chosen = self.typed(&format!("{path}.{tag}")) == word;
            let walk = Walk { judge: self.judge && chosen, lenient: true, ..*self };
            let (fields, mut values) = walk.object(shape, &format!("{path}.{word}"));
            values.insert(tag.clone(), Value::String(word.to_owned()));
            if chosen {
                value = Some(Value::Object(values));
            }
            let choice = Choice { chosen, hint: hint(shape), label: words::word(word), value: word.to_owned() };
            variants.push(Variant { choice, fields, tag: tag.clone() });
        }
        Read::good(Kind::Variants(variants), value)
    }

    fn list(&self, name: &str, schema: &'static Value, path: &str) -> Read {
        let (items, _) = resolved(&schema["items"]);
        if items["properties"].is_object() {
            return self.rows(items, path);
        }
        if let Some(choices) = items["oneOf"].as_array().or(items["enum"].as_array()) {
            return self.ticks(choices, path);
        }
        let typed = self.typed(path).to_owned();
        let mut values = Vec::new();
        let mut faults = Vec::new();
        // Places and the like are words with spaces; IDs are scanned one after the other.
        let words_only = shape(&schema["items"]).is_empty() && items["enum"].is_null() && items["oneOf"].is_null();
        let parts: Vec<&str> = match words_only {
            true => typed.lines().collect(),
            false => typed.split(|c: char| c.is_whitespace() || c == ',' || c == ';').collect(),
        };
        for part in parts.into_iter().map(str::trim).filter(|part| !part.is_empty()) {
            match shape(&schema["items"]) {
                "Stream" => match self.stream_of(words::one_of(name), part) {
                    Ok(stream) => values.push(Value::String(stream)),
                    Err(fault) => faults.push(fault),
                },
                "Id" | "AccountId" if !is_id(&part.to_uppercase()) => {
                    faults.push(format!("{part} is no ID. {}", words::NO_ID));
                }
                "Id" | "AccountId" => values.push(Value::String(part.to_uppercase())),
                _ if words_only => values.push(Value::String(part.to_owned())),
                _ => values.push(Value::String(part.to_lowercase())),
            }
        }
        let fault = (!faults.is_empty()).then(|| faults.join(" "));
        // An empty list is said by leaving the field empty; whether it may be is the rules' to say.
        Read { fault, kind: Kind::Lines(typed), value: Some(Value::Array(values)) }
    }

    /// Several of a few words, each ticked by itself; a link may give them in one text.
    fn ticks(&self, choices: &[Value], path: &str) -> Read {
        let given: Vec<&str> = self.typed(path).split(|c: char| c.is_whitespace() || c == ',').collect();
        let ticked = |value: &str| given.contains(&value) || self.typed(&format!("{path}.{value}")) == "yes";
        let choices: Vec<Choice> = choices
            .iter()
            .filter_map(|choice| choice["const"].as_str().or(choice.as_str()).map(|value| (value, hint(choice))))
            .map(|(value, hint)| Choice {
                chosen: ticked(value),
                hint,
                label: words::word(value),
                value: value.to_owned(),
            })
            .collect();
        let chosen = choices.iter().filter(|choice| choice.chosen);
        let value = chosen.map(|choice| Value::String(choice.value.clone())).collect();
        Read::good(Kind::Ticks(choices), Some(Value::Array(value)))
    }

    /// How many faults of each kind: one number each, those that are none left empty.
    fn fault_numbers(&self, path: &str) -> Read {
        let kinds = description()["components"]["schemas"]["FaultKind"]["oneOf"].as_array();
        let mut fields = Vec::new();
        let mut values = Map::new();
        for kind in kinds.into_iter().flatten().filter_map(|kind| kind["const"].as_str()) {
            let inner = format!("{path}.{kind}");
            let read = self.whole(&Value::Null, &inner);
            let label = words::capital(&words::word(kind));
            let fault = read.fault.filter(|_| self.judge);
            fields.push(Field {
                fault,
                hint: String::new(),
                kind: read.kind,
                label,
                must: false,
                path: inner,
                required: false,
            });
            if let Some(value) = read.value.filter(|value| value.as_u64() != Some(0)) {
                values.insert(kind.to_owned(), value);
            }
        }
        Read::good(Kind::Group(fields), Some(Value::Object(values)))
    }

    fn rows(&self, items: &'static Value, path: &str) -> Read {
        let inside = format!("{path}.");
        let last = self
            .input
            .range(inside.clone()..)
            .take_while(|(name, _)| name.starts_with(&inside))
            .filter_map(|(name, _)| {
                name[inside.len()..].split('.').next().and_then(|index| index.parse::<usize>().ok())
            })
            .max();
        let more = self.typed("_more") == path;
        let shown = (last.map_or(1, |last| last + 1) + usize::from(more)).min(ROWS_MAX);
        let mut rows = Vec::new();
        let mut values = Vec::new();
        for index in 0..shown {
            let row = format!("{path}.{index}");
            let filled = self.any_below(&row);
            let walk = Walk { judge: self.judge && filled, lenient: true, ..*self };
            let (fields, row_values) = walk.object(items, &row);
            rows.push(fields);
            if filled {
                values.push(Value::Object(row_values));
            }
        }
        Read::good(Kind::Rows(rows), Some(Value::Array(values)))
    }

    /// Words with a number each, as `missing = 2` on a line.
    fn numbers(&self, path: &str) -> Read {
        let typed = self.typed(path).to_owned();
        let mut values = Map::new();
        let mut fault = None;
        for line in typed.lines().map(str::trim).filter(|line| !line.is_empty()) {
            let pair = line.split_once(['=', ':']).or_else(|| line.rsplit_once(' '));
            match pair.and_then(|(word, number)| Some((word.trim(), whole(number)?))) {
                Some((word, number)) => {
                    values.insert(word.to_lowercase().replace(' ', "_"), json!(number));
                }
                None => fault = Some(words::NO_NUMBERS.to_owned()),
            }
        }
        Read { fault, kind: Kind::Lines(typed), value: Some(Value::Object(values)) }
    }
}

/// What one field came to.
struct Read {
    fault: Option<String>,
    kind: Kind,
    value: Option<Value>,
}

impl Read {
    fn good(kind: Kind, value: Option<Value>) -> Self {
        Self { fault: None, kind, value }
    }
}

fn resolved_pattern(schema: &Value, id: bool) -> bool {
    id && schema["pattern"].is_string()
}

/// Shape of an ID: the record format's own.
fn is_id(text: &str) -> bool {
    text.parse::<tallyseal_schema::ids::Id>().is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Plant;

    impl Known for Plant {
        fn names(&self, _: &str) -> Vec<String> {
            Vec::new()
        }

        fn streams(&self, id: &str) -> Vec<String> {
            match id {
                "R-1" => vec!["roll/R-1".to_owned()],
                "X-1" => vec!["order/X-1".to_owned(), "roll/X-1".to_owned()],
                _ => Vec::new(),
            }
        }

        fn moment(&self, text: &str) -> Option<String> {
            (text == "2026-11-26 10:00").then(|| "2026-11-26T09:00:00.000000Z".to_owned())
        }
    }

    fn typed(pairs: &[(&str, &str)]) -> Input {
        pairs.iter().map(|(name, text)| ((*name).to_owned(), (*text).to_owned())).collect()
    }

    #[test]
    fn hints_are_for_people_and_speak_of_no_streams() {
        assert_eq!(plain("A count begins. `roll` is a roll's stream."), "A count begins.");
        assert_eq!(plain("For example `GS1 DataMatrix`.\n\nRule: one."), "For example GS1 DataMatrix.");
        for row in tallyseal_control::AUTHORITY.iter().filter(|row| row.is_given_by_name()) {
            let summary = summary(row.command);
            assert!(!summary.is_empty() && !summary.contains('`') && !summary.contains("stream"), "{summary}");
        }
    }

    #[test]
    fn words_are_ticked_and_faults_are_numbers_by_kind() {
        let input = typed(&[("draft.relies_on.splice", "yes"), ("draft.relies_on", "missing")]);
        let read = form("draft_item", &input, true, &Plant);
        assert_eq!(read.values["draft"]["relies_on"], json!(["missing", "splice"]));
        let input = typed(&[("faults.missing", "2"), ("faults.splice", "0"), ("faults.unread", "x")]);
        let read = form("register_test_roll", &input, true, &Plant);
        assert_eq!(read.values["faults"], json!({ "missing": 2 }));
        assert!(read.faults.iter().any(|(id, _)| id == "f-faults-unread"), "{:?}", read.faults);
    }

    #[test]
    fn a_role_is_granted_with_its_training_and_its_end() {
        let input = typed(&[
            ("account", "U-9"),
            ("roles.0.role", "line"),
            ("roles.0.training", "TR-0007"),
            ("roles.0.until", "2026-11-26 10:00"),
        ]);
        let read = form("enrol_account", &input, true, &Plant);
        let grant = json!({ "role": "line", "training": "TR-0007", "until": "2026-11-26T09:00:00.000000Z" });
        assert_eq!(read.values["roles"], json!([grant]));
    }

    #[test]
    fn a_share_is_exact_however_it_is_typed() {
        let cases = [("1/24", (1, 24)), ("0.5 %", (1, 200)), ("2", (2, 1)), ("0,25%", (1, 400)), ("10 %", (1, 10))];
        for (text, expected) in cases {
            assert_eq!(share(text), Some(expected), "{text}");
        }
        for bad in ["", "1/0", "a", "1/2/3", "-1", "0.1234567", "1e3", "%"] {
            assert_eq!(share(bad), None, "{bad}");
        }
    }

    #[test]
    fn a_number_may_be_typed_in_groups_and_nothing_else_is_one() {
        assert_eq!(whole("12 500"), Some(12_500));
        assert_eq!(whole("12\u{202f}500"), Some(12_500));
        for bad in ["", "12,5", "12.5", "-1", "1e3", "twelve", "99999999999999999999999"] {
            assert_eq!(whole(bad), None, "{bad}");
        }
    }

    #[test]
    fn every_command_of_people_has_a_form() {
        let rows = tallyseal_control::AUTHORITY.iter().filter(|row| row.is_given_by_name());
        let mut seen = 0;
        for row in rows {
            let form = form(row.command, &Input::new(), false, &Plant);
            assert!(!form.fields.is_empty(), "{}", row.command);
            assert!(form.faults.is_empty(), "{}: {:?}", row.command, form.faults);
            seen += 1;
        }
        assert!(seen > 70, "{seen}");
    }

    #[test]
    fn what_is_missing_or_wrong_is_said_at_once_and_at_its_field() {
        let input = typed(&[("delivery", "DL 1"), ("sampled", "many"), ("result", "accept"), ("rolls", "R-1 R_2")]);
        let form = form("examine_delivery", &input, true, &Plant);
        let faults: BTreeMap<_, _> = form.faults.iter().map(|(id, text)| (id.as_str(), text.as_str())).collect();
        for id in ["f-delivery", "f-sampled", "f-rolls", "f-plan", "f-specimen-id", "f-specimen-place", "f-critical"] {
            assert!(faults.contains_key(id), "{id}: {faults:?}");
        }
        assert!(!faults.contains_key("f-result"), "{faults:?}");
    }

    #[test]
    fn lists_rows_shapes_and_streams_become_what_the_api_takes() {
        let input = typed(&[("deviation", "dv-1"), ("about", "r-1, order/x-1"), ("why", "found later on the shelf")]);
        let read = form("extend_scope", &input, true, &Plant);
        assert!(read.faults.is_empty(), "{:?}", read.faults);
        assert_eq!(read.values["about"], json!(["roll/R-1", "order/X-1"]));
        assert_eq!(read.values["deviation"], "DV-1");

        let input = typed(&[
            ("order", "X-1"),
            ("material", "1"),
            ("term", "good"),
            ("source.how", "device"),
            ("source.device.device", "UC-01"),
            ("source.device.start", "10"),
            ("source.device.end", "1 010"),
            ("source.device.wraps", "0"),
        ]);
        let read = form("record_quantity", &input, true, &Plant);
        assert!(read.faults.is_empty(), "{:?}", read.faults);
        let source = json!({ "how": "device", "device": "UC-01", "start": 10, "end": 1010, "wraps": 0 });
        assert_eq!(read.values["source"], source);

        let input = typed(&[
            ("rolls.0.roll", "R-1"),
            ("rolls.0.stated", "2500"),
            ("rolls.1.roll", ""),
            ("rolls.2.stated", "5"),
        ]);
        let read = form("receive_delivery", &input, true, &Plant);
        assert_eq!(read.values["rolls"], json!([{ "roll": "R-1", "stated": 2500 }, { "stated": 5 }]));
        assert!(read.faults.iter().any(|(id, _)| id == "f-rolls-2-roll"), "{:?}", read.faults);
        assert!(!read.faults.iter().any(|(id, _)| id.starts_with("f-rolls-1")), "{:?}", read.faults);
    }

    #[test]
    fn an_id_that_may_be_two_things_is_asked_for_whole() {
        let read = form("remark", &typed(&[("record", "X-1"), ("text", "a remark")]), true, &Plant);
        assert!(
            read.faults.iter().any(|(id, text)| id == "f-record" && text.contains("roll/X-1")),
            "{:?}",
            read.faults
        );
        let read = form("remark", &typed(&[("record", "Z-9"), ("text", "a remark")]), true, &Plant);
        assert!(read.faults.iter().any(|(id, text)| id == "f-record" && text.contains("unknown")), "{:?}", read.faults);
    }
}
