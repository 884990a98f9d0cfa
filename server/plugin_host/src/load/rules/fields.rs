//! The `[rule.field.NAME]` and `[rule.extra.NAME]` tables of one rule.

use std::collections::{BTreeMap, BTreeSet};

use regex::bytes::Regex;
use tallyseal_schema::Labels;

use crate::declaration::{self, Encoding, Field, FieldType, Rule, Scalar};
use crate::field::{Digits, Groups, Number, Text};
use crate::load::LoadError;

/// The largest count, total or ordinal.
pub const LABELS_MAX: u32 = Labels::MAX;
/// The largest lane.
pub const LANE_MAX: u32 = 255;
/// The best grade in tenths.
pub const GRADE_MAX: u32 = 40;
/// The largest speed. Unit: labels a minute.
pub const SPEED_MAX: u32 = 1_000_000;

/// The longest text, and what it is where nothing is declared. Unit: characters.
const TEXT_MAX: usize = 1024;
const TEXT_USUAL: usize = 128;

/// How many extra texts a ticket may have.
const EXTRA_MAX: usize = 32;

/// The fields of one rule, handed out by name; what nobody asked for is an error at the end.
pub struct Fields<'a> {
    place: &'a str,
    regex: &'a Regex,
    encoding: Encoding,
    declared: &'a Rule,
    asked: Vec<&'static str>,
    extra_asked: bool,
    groups_used: BTreeSet<&'a str>,
}

impl<'a> Fields<'a> {
    pub fn new(place: &'a str, regex: &'a Regex, encoding: Encoding, declared: &'a Rule) -> Self {
        Self { place, regex, encoding, declared, asked: vec![], extra_asked: false, groups_used: BTreeSet::new() }
    }

    /// The ordinal that nearly every observation has.
    pub fn ordinal(&mut self) -> Result<Number, LoadError> {
        self.number("ordinal", LABELS_MAX)
    }

    /// A number that must be declared. Its range is 0 to `most`.
    pub fn number(&mut self, name: &'static str, most: u32) -> Result<Number, LoadError> {
        self.optional_number(name, most)?.ok_or_else(|| self.lacks(name))
    }

    /// A number that may be left out.
    pub fn optional_number(&mut self, name: &'static str, most: u32) -> Result<Option<Number>, LoadError> {
        self.asked.push(name);
        let declared = self.declared;
        declared.field.get(name).map(|field| self.build_number(&format!("field.{name}"), name, field, most)).transpose()
    }

    /// A text that must be declared.
    pub fn text(&mut self, name: &'static str) -> Result<Text, LoadError> {
        self.optional_text(name)?.ok_or_else(|| self.lacks(name))
    }

    /// A text that may be left out.
    pub fn optional_text(&mut self, name: &'static str) -> Result<Option<Text>, LoadError> {
        self.asked.push(name);
        let declared = self.declared;
        declared.field.get(name).map(|field| self.build_text(&format!("field.{name}"), name, field, false)).transpose()
    }

    /// What else stands on a ticket.
    pub fn extra(&mut self) -> Result<BTreeMap<String, Text>, LoadError> {
        self.extra_asked = true;
        let declared = self.declared;
        if declared.extra.len() > EXTRA_MAX {
            return Err(LoadError::wrong(self.place, format!("it has more than {EXTRA_MAX} tables [rule.extra.NAME]")));
        }
        let mut extra = BTreeMap::new();
        for (name, field) in &declared.extra {
            let shape = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_';
            if !(1..=32).contains(&name.len()) || !name.bytes().all(shape) {
                let what = format!("the name `{name}` must be 1 to 32 of a-z, 0-9 and '_'");
                return Err(LoadError::wrong(self.place, what));
            }
            extra.insert(name.clone(), self.build_text(&format!("extra.{name}"), name, field, true)?);
        }
        Ok(extra)
    }

    /// The number of a group that a check names.
    pub fn check_group(&mut self, key: &str, name: &'a str) -> Result<usize, LoadError> {
        let place = format!("{}, check.{key}", self.place);
        self.group(&place, name)
    }

    /// Refuses fields and groups that nothing uses: they are a misspelling, or say something that is not done.
    pub fn finish(self) -> Result<(), LoadError> {
        let known = |asked: &[&str]| if asked.is_empty() { "none".to_owned() } else { asked.join(", ") };
        let what = self.declared.emits.as_deref().map_or("an ignored frame".to_owned(), |name| format!("`{name}`"));
        if let Some(name) = self.declared.field.keys().find(|name| !self.asked.contains(&name.as_str())) {
            let what = format!("{what} has no field `{name}`; its fields: {}", known(&self.asked));
            return Err(LoadError::wrong(self.place, what));
        }
        if !self.extra_asked && !self.declared.extra.is_empty() {
            return Err(LoadError::wrong(self.place, format!("{what} has no [rule.extra]; only `ticket` has")));
        }
        match self.regex.capture_names().flatten().find(|name| !self.groups_used.contains(name)) {
            Some(name) => Err(LoadError::wrong(
                self.place,
                format!(
                    "its pattern names the group `{name}`, which no field and no check uses; write (?:...) instead"
                ),
            )),
            None => Ok(()),
        }
    }

    fn lacks(&self, name: &str) -> LoadError {
        let emits = self.declared.emits.as_deref().unwrap_or_default();
        LoadError::wrong(self.place, format!("`{emits}` needs [rule.field.{name}]"))
    }

    fn group(&mut self, place: &str, name: &'a str) -> Result<usize, LoadError> {
        match self.regex.capture_names().position(|group| group == Some(name)) {
            Some(number) => {
                self.groups_used.insert(name);
                Ok(number)
            }
            None => {
                let known: Vec<&str> = self.regex.capture_names().flatten().collect();
                let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
                Err(LoadError::wrong(place, format!("the pattern has no group `{name}`; its groups: {known}")))
            }
        }
    }

    fn groups(&mut self, place: &str, name: &'a str, field: &'a Field) -> Result<Groups, LoadError> {
        let names: Vec<&'a str> = match &field.group {
            None => vec![name],
            Some(declaration::Groups::One(group)) => vec![group],
            Some(declaration::Groups::Several(groups)) if (1..=8).contains(&groups.len()) => {
                groups.iter().map(String::as_str).collect()
            }
            Some(declaration::Groups::Several(_)) => {
                return Err(LoadError::wrong(place, "`group` must name 1 to 8 groups"));
            }
        };
        let numbers: Result<Vec<usize>, LoadError> = names.into_iter().map(|name| self.group(place, name)).collect();
        numbers.map(Groups)
    }

    fn build_number(&mut self, key: &str, name: &'a str, field: &'a Field, most: u32) -> Result<Number, LoadError> {
        let place = format!("{}, {key}", self.place);
        let wrong = |what: String| LoadError::wrong(&*place, what);
        let in_range = |what: &str, number: i64| match u32::try_from(number) {
            Ok(number) if number <= most => Ok(number),
            _ => Err(wrong(format!("{what} is {number}; it must be 0 to {most}"))),
        };
        match kind(field).map_err(wrong)? {
            Kind::Constant(Scalar::Number(number)) => Ok(Number::Constant(in_range("`constant`", *number)?)),
            Kind::Constant(Scalar::Text(_)) => Err(wrong("`constant` must be a whole number here".to_owned())),
            Kind::Type(FieldType::Integer) => {
                let min = in_range("`min`", field.min.unwrap_or(0))?;
                let max = in_range("`max`", field.max.unwrap_or(i64::from(most)))?;
                if min > max {
                    return Err(wrong(format!("`min` is {min}, more than `max`, which is {max}")));
                }
                let digits = match (field.order, field.radix) {
                    (Some(_), Some(_)) => {
                        return Err(wrong(
                            "`order` is for the bytes of a number, `radix` for digits; not both".to_owned(),
                        ));
                    }
                    (Some(order), None) => Digits::Raw(order),
                    (None, radix) => {
                        let radix = radix.unwrap_or(10);
                        if !(2..=36).contains(&radix) {
                            return Err(wrong(format!("`radix` is {radix}; it must be 2 to 36")));
                        }
                        Digits::Radix(radix)
                    }
                };
                Ok(Number::Integer { groups: self.groups(&place, name, field)?, min, max, digits })
            }
            Kind::Type(FieldType::Enum) => {
                let map = field
                    .map
                    .as_ref()
                    .ok_or_else(|| wrong("type `enum` makes a number by `map`, such as map = { A = 40 }".to_owned()))?;
                let mut numbers = BTreeMap::new();
                for (word, value) in map {
                    let Scalar::Number(number) = value else {
                        return Err(wrong(format!("`map` must give a whole number for `{word}`")));
                    };
                    numbers.insert(self.word(&place, word)?, in_range("a value of `map`", *number)?);
                }
                Ok(Number::Map { groups: self.groups(&place, name, field)?, map: numbers })
            }
            Kind::Type(FieldType::Text | FieldType::Flag) => {
                Err(wrong("this is a number: use type `integer` or `enum`, or `constant`".to_owned()))
            }
        }
    }

    fn build_text(&mut self, key: &str, name: &'a str, field: &'a Field, extra: bool) -> Result<Text, LoadError> {
        let place = format!("{}, {key}", self.place);
        let wrong = |what: String| LoadError::wrong(&*place, what);
        let fits = |text: &str| match text.chars().count() {
            length @ 0..=TEXT_MAX => Ok(length),
            length => Err(wrong(format!("a text of {length} characters; the most is {TEXT_MAX}"))),
        };
        match kind(field).map_err(wrong)? {
            Kind::Constant(Scalar::Text(text)) => fits(text).map(|_| Text::Constant(text.clone())),
            Kind::Constant(Scalar::Number(_)) => Err(wrong("`constant` must be a text here".to_owned())),
            Kind::Type(FieldType::Text) => {
                let max = match usize::try_from(field.max.unwrap_or(TEXT_USUAL as i64)) {
                    Ok(max @ 1..=TEXT_MAX) => max,
                    _ => return Err(wrong(format!("`max` must be 1 to {TEXT_MAX} characters"))),
                };
                let mut replace = BTreeMap::new();
                for (from, to) in field.replace.iter().flatten() {
                    let mut chars = from.chars();
                    match (chars.next(), chars.next()) {
                        (Some(one), None) if to.chars().count() <= 8 => replace.insert(one, to.clone()),
                        _ => {
                            let what = "`replace` takes one character to at most 8, such as { \"^\" = \"\\u001D\" }";
                            return Err(wrong(what.to_owned()));
                        }
                    };
                }
                let groups = self.groups(&place, name, field)?;
                Ok(Text::Taken { groups, max, trim: field.trim.unwrap_or(false), replace })
            }
            Kind::Type(FieldType::Enum) => {
                let mut map = BTreeMap::new();
                match (&field.values, &field.map) {
                    (Some(values), None) => {
                        for value in values {
                            fits(value)?;
                            map.insert(self.word(&place, value)?, value.clone());
                        }
                    }
                    (None, Some(words)) => {
                        for (word, value) in words {
                            let Scalar::Text(text) = value else {
                                return Err(wrong(format!("`map` must give a text for `{word}`")));
                            };
                            fits(text)?;
                            map.insert(self.word(&place, word)?, text.clone());
                        }
                    }
                    _ => return Err(wrong("type `enum` needs either `values` or `map`".to_owned())),
                }
                Ok(Text::Map { groups: self.groups(&place, name, field)?, map })
            }
            Kind::Type(FieldType::Integer) if extra => {
                Ok(Text::Number(self.build_number(key, name, field, LABELS_MAX)?))
            }
            Kind::Type(FieldType::Flag) if extra => {
                let yes = field.true_when.as_ref().ok_or_else(|| wrong("type `flag` needs `true_when`".to_owned()))?;
                let true_when = self.word(&place, yes)?;
                let false_when = field.false_when.as_ref().map(|no| self.word(&place, no)).transpose()?;
                Ok(Text::Flag { groups: self.groups(&place, name, field)?, true_when, false_when })
            }
            Kind::Type(FieldType::Integer | FieldType::Flag) => {
                Err(wrong("this is a text: use type `text` or `enum`, or `constant`".to_owned()))
            }
        }
    }

    /// The bytes that a word of the declaration has in a frame.
    fn word(&self, place: &str, word: &str) -> Result<Vec<u8>, LoadError> {
        let bytes = match self.encoding {
            Encoding::Utf8 => Some(word.as_bytes().to_vec()),
            Encoding::Ascii if word.is_ascii() => Some(word.as_bytes().to_vec()),
            Encoding::Ascii => None,
            Encoding::Latin1 | Encoding::Bytes => word.chars().map(|c| u8::try_from(u32::from(c)).ok()).collect(),
        };
        bytes.ok_or_else(|| LoadError::wrong(place, format!("`{word}` cannot stand in a frame of this encoding")))
    }
}

enum Kind<'a> {
    Constant(&'a Scalar),
    Type(FieldType),
}

/// Whether a field is a constant or of a type, with only the keys that go with that.
fn kind(field: &Field) -> Result<Kind<'_>, String> {
    let (kind, words, known): (Kind<'_>, &str, &[&str]) = match (&field.constant, field.kind) {
        (Some(_), Some(_)) => return Err("`constant` and `type` do not go together".to_owned()),
        (None, None) => return Err("it needs `type` (integer, text, flag, enum) or `constant`".to_owned()),
        (Some(value), None) => (Kind::Constant(value), "`constant`", &[]),
        (None, Some(kind)) => match kind {
            FieldType::Integer => (Kind::Type(kind), "type `integer`", &["group", "min", "max", "radix", "order"]),
            FieldType::Text => (Kind::Type(kind), "type `text`", &["group", "max", "trim", "replace"]),
            FieldType::Flag => (Kind::Type(kind), "type `flag`", &["group", "true_when", "false_when"]),
            FieldType::Enum => (Kind::Type(kind), "type `enum`", &["group", "values", "map"]),
        },
    };
    let given = [
        ("group", field.group.is_some()),
        ("min", field.min.is_some()),
        ("max", field.max.is_some()),
        ("radix", field.radix.is_some()),
        ("order", field.order.is_some()),
        ("trim", field.trim.is_some()),
        ("replace", field.replace.is_some()),
        ("true_when", field.true_when.is_some()),
        ("false_when", field.false_when.is_some()),
        ("values", field.values.is_some()),
        ("map", field.map.is_some()),
    ];
    match given.iter().find(|(key, given)| *given && !known.contains(key)) {
        Some((key, _)) if known.is_empty() => Err(format!("`{key}` does not go with {words}, which stands alone")),
        Some((key, _)) => Err(format!("`{key}` does not go with {words}, which knows: {}", known.join(", "))),
        None => Ok(kind),
    }
}
