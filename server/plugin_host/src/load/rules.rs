//! The `[[rule]]` tables.

mod fields;

use regex::bytes::{Regex, RegexBuilder};

use self::fields::Fields;
use crate::declaration::{self, Encoding};
use crate::load::LoadError;
use crate::rule::{Check, Make, Rule};

/// How many rules a plugin may have.
const RULES_MAX: usize = 64;

/// The longest pattern. Unit: bytes.
const PATTERN_MAX: usize = 2048;

/// How large a compiled pattern may be. Unit: bytes.
const COMPILED_MAX: usize = 4 * 1024 * 1024;

/// The rules, ready to run. Every declared observation has a rule, and every rule's observation is declared.
pub fn compile(
    declared: &[declaration::Rule],
    encoding: Encoding,
    emits: &[&'static str],
) -> Result<Vec<Rule>, LoadError> {
    if !(1..=RULES_MAX).contains(&declared.len()) {
        return Err(LoadError::wrong("rule", format!("a plugin has 1 to {RULES_MAX} rules, not {}", declared.len())));
    }
    let mut rules = Vec::with_capacity(declared.len());
    for (number, rule) in (1..).zip(declared) {
        rules.push(compile_one(number, rule, encoding, emits)?);
    }
    match emits.iter().find(|name| !rules.iter().any(|rule| rule.make.emits() == Some(**name))) {
        Some(name) => Err(LoadError::wrong("emits", format!("`{name}` is declared, but no rule emits it"))),
        None => Ok(rules),
    }
}

fn compile_one(
    number: usize,
    declared: &declaration::Rule,
    encoding: Encoding,
    emits: &[&'static str],
) -> Result<Rule, LoadError> {
    let place = format!("rule {number}");
    let wrong = |what: String| LoadError::wrong(&*place, what);
    if declared.about.as_ref().is_some_and(|about| about.chars().any(char::is_control) || about.len() > 400) {
        return Err(wrong("`about` must be one line of at most 400 bytes".to_owned()));
    }
    let regex = regex(&declared.pattern, encoding).map_err(wrong)?;
    let mut fields = Fields::new(&place, &regex, encoding, declared);
    let make = if declared.ignore {
        if declared.emits.is_some() {
            return Err(wrong("it has `ignore` and `emits`; a frame says something or nothing".to_owned()));
        }
        if declared.about.is_none() {
            return Err(wrong("a rule that ignores frames needs `about`: why they say nothing".to_owned()));
        }
        Make::Ignore
    } else {
        let Some(emitted) = declared.emits.as_deref() else {
            return Err(wrong("it needs `emits`, or `ignore = true`".to_owned()));
        };
        if !emits.contains(&emitted) {
            return Err(wrong(format!(
                "it emits `{emitted}`, which the plugin does not declare; its `emits` has: {}",
                emits.join(", ")
            )));
        }
        make(emitted, &mut fields)?
    };
    let check = match &declared.check {
        None => None,
        Some(check) => Some(Check {
            kind: check.kind,
            over: fields.check_group("over", &check.over)?,
            equals: fields.check_group("equals", &check.equals)?,
            order: check.order,
        }),
    };
    fields.finish()?;
    Ok(Rule { number, about: declared.about.clone(), pattern: declared.pattern.clone(), regex, check, make })
}

/// Compiles a pattern so that it must match the whole frame.
fn regex(pattern: &str, encoding: Encoding) -> Result<Regex, String> {
    if pattern.len() > PATTERN_MAX {
        return Err(format!("its pattern is longer than {PATTERN_MAX} bytes"));
    }
    if !pattern.starts_with('^') || !pattern.ends_with('$') || pattern.ends_with("\\$") {
        return Err("its pattern must begin with ^ and end with $: it is matched against the whole frame".to_owned());
    }
    if encoding != Encoding::Utf8 && !pattern.is_ascii() {
        return Err(format!(
            "its pattern has a character that is not ASCII; with encoding `{}` write such a byte as \\xHH",
            encoding.name()
        ));
    }
    let build = |pattern: &str| {
        RegexBuilder::new(pattern)
            .unicode(encoding == Encoding::Utf8)
            // A binary frame has no lines, so there `.` is any byte.
            .dot_matches_new_line(encoding == Encoding::Bytes)
            .size_limit(COMPILED_MAX)
            .build()
            .map_err(|error| format!("its pattern cannot be used: {error}"))
    };
    build(pattern)?;
    // ^ and $ alone would leave the branches of `^A|B$` open at one end.
    build(&format!(r"\A(?:{pattern})\z"))
}

/// What a rule makes, with its fields taken out of the declaration.
fn make(emitted: &str, fields: &mut Fields<'_>) -> Result<Make, LoadError> {
    use fields::{GRADE_MAX, LABELS_MAX, LANE_MAX, SPEED_MAX};
    let made = match emitted {
        "started" => Make::Started,
        "total" => Make::Total { value: fields.number("value", LABELS_MAX)? },
        "label" => Make::Label {
            ordinal: fields.ordinal()?,
            code: fields.optional_text("code")?,
            grade_tenths: fields.optional_number("grade_tenths", GRADE_MAX)?,
        },
        "missing" => Make::Missing { ordinal: fields.ordinal()?, lane: fields.optional_number("lane", LANE_MAX)? },
        "splice" => Make::Splice { ordinal: fields.ordinal()?, lane: fields.optional_number("lane", LANE_MAX)? },
        "unread" => Make::Unread { ordinal: fields.ordinal()?, lane: fields.optional_number("lane", LANE_MAX)? },
        "mismatch" => Make::Mismatch {
            ordinal: fields.ordinal()?,
            found: fields.text("found")?,
            lane: fields.optional_number("lane", LANE_MAX)?,
        },
        "overlap" => Make::Overlap { ordinal: fields.ordinal()?, lane: fields.optional_number("lane", LANE_MAX)? },
        "vision_reject" => Make::VisionReject {
            ordinal: fields.ordinal()?,
            cause: fields.text("cause")?,
            lane: fields.optional_number("lane", LANE_MAX)?,
        },
        "web_break" => Make::WebBreak { ordinal: fields.ordinal()? },
        "roll_end" => Make::RollEnd { ordinal: fields.ordinal()? },
        "halted" => Make::Halted { ordinal: fields.ordinal()?, cause: fields.optional_text("cause")? },
        "reset" => Make::Reset,
        "speed" => Make::Speed { labels_per_min: fields.number("labels_per_min", SPEED_MAX)? },
        "alarm" => Make::Alarm { code: fields.text("code")?, text: fields.text("text")? },
        "ticket" => Make::Ticket { total: fields.number("total", LABELS_MAX)?, extra: fields.extra()? },
        // `emits` was judged against the closed set before.
        other => return Err(LoadError::wrong("emits", format!("`{other}` is not an observation"))),
    };
    Ok(made)
}
