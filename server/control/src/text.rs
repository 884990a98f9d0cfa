//! What people type: checked once, with a sentence that says what is missing.

use crate::refusal::Refusal;
use crate::world::Stop;

/// Longest text a person may give in one field. Unit: bytes.
pub(crate) const TEXT_MAX: usize = 4_000;

/// Longest name, place or the like. Unit: bytes.
pub(crate) const LINE_MAX: usize = 200;

/// Longest code that a label is expected to carry. Unit: bytes.
pub(crate) const CODE_MAX: usize = 500;

fn checked(field: &str, text: &str, bytes_max: usize, breaks: bool) -> Result<String, Stop> {
    let text = text.trim();
    if !text.chars().any(char::is_alphanumeric) {
        return Err(Refusal::invalid("empty", format!("\"{field}\" is empty."), format!("Fill in \"{field}\".")).into());
    }
    if text.len() > bytes_max {
        return Err(Refusal::invalid(
            "too-long",
            format!("\"{field}\" is {} bytes long; at most {bytes_max} are kept.", text.len()),
            "Say it more briefly, or put the paper into the file and name it.",
        )
        .into());
    }
    let control = |c: char| c.is_control() && !(breaks && matches!(c, '\n' | '\t'));
    if text.chars().any(|c| control(c) || is_hidden(c)) {
        return Err(Refusal::invalid(
            "control-characters",
            format!("\"{field}\" has characters in it that nobody can see."),
            "Type it again by hand; a scanner or a copy from another page may have brought them.",
        )
        .into());
    }
    Ok(text.to_owned())
}

/// Characters that turn the direction of what follows, break a line without looking like it, take no room or are blank
/// though they count as letters: with them two names look alike and are not. The joiners U+200C and U+200D stay: some
/// scripts cannot be written without them.
fn is_hidden(c: char) -> bool {
    matches!(c,
        '\u{00AD}' | '\u{034F}' | '\u{061C}' | '\u{115F}' | '\u{1160}' | '\u{17B4}' | '\u{17B5}'
        | '\u{180B}'..='\u{180F}' | '\u{200B}' | '\u{200E}' | '\u{200F}' | '\u{2028}'..='\u{202E}'
        | '\u{2060}'..='\u{206F}' | '\u{2800}' | '\u{3164}' | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' | '\u{FFA0}'
        | '\u{FFF9}'..='\u{FFFB}' | '\u{1BCA0}'..='\u{1BCA3}' | '\u{1D173}'..='\u{1D17A}'
        | '\u{E0000}'..='\u{E0FFF}'
    )
}

/// A text that must say something. Errors: empty, too long, or with characters that nobody can see.
pub(crate) fn said(field: &str, text: &str) -> Result<String, Stop> {
    checked(field, text, TEXT_MAX, true)
}

/// A name, a place or the like: one short line. Errors: as [`said`].
pub(crate) fn line(field: &str, text: &str) -> Result<String, Stop> {
    checked(field, text, LINE_MAX, false)
}

/// What a program elsewhere said, as one short line: what nobody can see is left out, and the rest where it is too long. Not
/// refused as what a person types would be: nobody is there to type it again, and that it was said must be recorded.
pub(crate) fn heard(text: &str) -> String {
    let seen: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).filter(|c| !is_hidden(*c)).collect();
    let mut end = seen.len().min(LINE_MAX);
    while !seen.is_char_boundary(end) {
        end -= 1;
    }
    let line = seen.get(..end).unwrap_or_default().trim();
    if line.chars().any(char::is_alphanumeric) { line.to_owned() } else { "not said".to_owned() }
}

/// What a label carries, as a reader gives it: one line. Errors: as [`said`].
pub(crate) fn code(field: &str, text: &str) -> Result<String, Stop> {
    checked(field, text, CODE_MAX, false)
}

/// A reason: a text of at least three letters or digits.
///
/// Rule: 21 CFR 11.10(e) and data-integrity guidance: a change carries its reason.
pub(crate) fn reason(why: &str) -> Result<String, Stop> {
    if why.chars().filter(|c| c.is_alphanumeric()).count() < 3 {
        return Err(Refusal::invalid(
            "no-reason",
            "A reason is missing.",
            "Say in a few words why; it is kept in the record for ever.",
        )
        .into());
    }
    said("why", why)
}

/// How many of them, as a person says it: "no roll", "1 roll", "12 rolls".
pub(crate) fn number(count: usize, one: &str, many: &str) -> String {
    match count {
        0 => format!("no {one}"),
        1 => format!("1 {one}"),
        _ => format!("{count} {many}"),
    }
}
