//! The `[framing]` table.

use crate::declaration::{Framing, FramingKind, LengthCounts, Order};
use crate::escape::escaped;
use crate::framing::{Shape, Tail};
use crate::load::LoadError;

/// The longest frame that may be declared. Unit: bytes.
const MAX_MAX: u64 = 65_536;

/// The longest start or end of a frame. Unit: bytes.
const MARK_MAX: usize = 8;

fn wrong(what: impl Into<String>) -> LoadError {
    LoadError::wrong("framing", what)
}

/// How frames lie in the stream, and the same in words.
pub fn shape(declared: &Framing) -> Result<(Shape, String), LoadError> {
    only_keys_of_its_kind(declared)?;
    let start = optional_mark("start", declared.start.as_deref())?;
    let between = optional_mark("between", declared.between.as_deref())?;
    if start.is_empty() && !between.is_empty() {
        return Err(wrong("`between` needs a `start`: without one, every byte belongs to a frame"));
    }
    let after = within("after", declared.after.unwrap_or(0), 0, MARK_MAX as u64)?;
    let encoding = declared.encoding.name();
    let begun = if start.is_empty() { String::new() } else { format!("begun by {}, ", quoted(&start)) };
    let (tail, max, words) = match declared.kind {
        FramingKind::Line => {
            let (end, max) = (mark("end", declared.end.as_deref())?, most(declared)?);
            let words = format!("{encoding} lines of at most {max} bytes, ended by {}", quoted(&end));
            (Tail::Line { end }, max, words)
        }
        FramingKind::Delimited => {
            let (end, max) = (mark("end", declared.end.as_deref())?, most(declared)?);
            if start.is_empty() {
                return Err(wrong("kind `delimited` needs `start`"));
            }
            let more = if after == 0 { String::new() } else { format!(" and {after} bytes more") };
            let words =
                format!("{encoding} frames {begun}ended by {}{more}, at most {max} bytes between", quoted(&end));
            (Tail::Until { end, after }, max, words)
        }
        FramingKind::Fixed => {
            let size = declared.size.ok_or_else(|| wrong("kind `fixed` needs `size`"))?;
            let size = within("size", size, 1 + start.len() as u64, MAX_MAX)?;
            (Tail::Size(size), size, format!("{encoding} frames {begun}of {size} bytes"))
        }
        FramingKind::LengthPrefixed => {
            let max = most(declared)?;
            let bytes = match declared.length_bytes {
                Some(1) => 1,
                Some(2) => 2,
                Some(4) => 4,
                _ => return Err(wrong("kind `length-prefixed` needs `length_bytes` = 1, 2 or 4")),
            };
            let order = match (declared.order, bytes) {
                (Some(order), _) => order,
                (None, 1) => Order::HighFirst,
                (None, _) => {
                    return Err(wrong("a length of several bytes needs `order` = \"high-first\" or \"low-first\""));
                }
            };
            let counts = declared.length_counts.unwrap_or(LengthCounts::Rest);
            let words =
                format!("{encoding} frames {begun}of a length in {bytes} bytes and at most {max} bytes after it");
            (Tail::Length { bytes, order, counts }, max, words)
        }
        FramingKind::Whole => {
            let max = most(declared)?;
            (Tail::Stream, max, format!("the whole {encoding} stream as one frame of at most {max} bytes"))
        }
    };
    Ok((Shape { start, between, tail, max }, words))
}

fn only_keys_of_its_kind(declared: &Framing) -> Result<(), LoadError> {
    let known: &[&str] = match declared.kind {
        FramingKind::Line => &["end", "max"],
        FramingKind::Delimited => &["start", "end", "after", "between", "max"],
        FramingKind::Fixed => &["size", "start", "between"],
        FramingKind::LengthPrefixed => &["length_bytes", "length_counts", "order", "start", "between", "max"],
        FramingKind::Whole => &["max"],
    };
    let given = [
        ("max", declared.max.is_some()),
        ("start", declared.start.is_some()),
        ("end", declared.end.is_some()),
        ("after", declared.after.is_some()),
        ("between", declared.between.is_some()),
        ("size", declared.size.is_some()),
        ("length_bytes", declared.length_bytes.is_some()),
        ("length_counts", declared.length_counts.is_some()),
        ("order", declared.order.is_some()),
    ];
    match given.iter().find(|(key, given)| *given && !known.contains(key)) {
        Some((key, _)) => Err(wrong(format!(
            "`{key}` does not go with kind `{}`, which knows: kind, encoding, {}",
            declared.kind.name(),
            known.join(", ")
        ))),
        None => Ok(()),
    }
}

fn most(declared: &Framing) -> Result<usize, LoadError> {
    let max = declared.max.ok_or_else(|| wrong(format!("kind `{}` needs `max`", declared.kind.name())))?;
    within("max", max, 1, MAX_MAX)
}

fn within(key: &str, value: u64, least: u64, most: u64) -> Result<usize, LoadError> {
    let range = || wrong(format!("`{key}` is {value}; it must be {least} to {most}"));
    if (least..=most).contains(&value) { usize::try_from(value).map_err(|_| range()) } else { Err(range()) }
}

fn mark(key: &str, text: Option<&str>) -> Result<Vec<u8>, LoadError> {
    let text = text.ok_or_else(|| wrong(format!("this kind needs `{key}`")))?;
    let bytes: Option<Vec<u8>> = text.chars().map(|c| u8::try_from(u32::from(c)).ok()).collect();
    bytes.filter(|bytes| (1..=MARK_MAX).contains(&bytes.len())).ok_or_else(|| {
        wrong(format!("`{key}` must be 1 to {MARK_MAX} bytes, each written as one character up to \\u00FF"))
    })
}

fn optional_mark(key: &str, text: Option<&str>) -> Result<Vec<u8>, LoadError> {
    text.map_or(Ok(Vec::new()), |text| mark(key, Some(text)))
}

fn quoted(bytes: &[u8]) -> String {
    format!("\"{}\"", escaped(bytes, 16))
}
