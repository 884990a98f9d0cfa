//! Text that can be printed: what no face has is shown as its code point, so that nobody's words stop an export and
//! nothing that was written is lost.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::faces::Faces;

/// Goes through all text of `value`.
pub(crate) fn make_readable(value: &mut Value, faces: &Faces) {
    walk(value, faces, &mut BTreeMap::new());
}

fn walk(value: &mut Value, faces: &Faces, known: &mut BTreeMap<char, bool>) {
    match value {
        Value::String(text) => {
            let mut bad =
                |c: char| !c.is_ascii_graphic() && c != ' ' && !*known.entry(c).or_insert_with(|| can(c, faces));
            if text.chars().any(&mut bad) {
                *text = text.chars().map(|c| if bad(c) { code_point(c) } else { c.to_string() }).collect();
            }
        }
        Value::Array(values) => values.iter_mut().for_each(|value| walk(value, faces, known)),
        Value::Object(values) => values.values_mut().for_each(|value| walk(value, faces, known)),
        Value::Null | Value::Bool(_) | Value::Number(_) => {}
    }
}

/// It shows as itself: a face has it, and it is not one of those that change how others are read or are not seen.
fn can(c: char, faces: &Faces) -> bool {
    match c {
        '\n' => true,
        // Marks of direction, joiners and invisible operators would let text look other than it is.
        '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{ad}' => false,
        c if c.is_control() => false,
        c => faces.have(c),
    }
}

fn code_point(c: char) -> String {
    format!("[U+{:04X}]", u32::from(c))
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    #[test]
    fn what_no_face_has_is_shown_as_its_code_point() {
        let faces = Faces::new();
        let mut value = json!({"a": ["Šípková ěř, 1\u{2009}000 µm ≤ 5 → x", "测试 \u{1F600}", "a\u{202e}b\u{0}\tc"]});
        make_readable(&mut value, &faces);
        assert_eq!(value["a"][0], "Šípková ěř, 1\u{2009}000 µm ≤ 5 → x");
        assert_eq!(value["a"][1], "[U+6D4B][U+8BD5] [U+1F600]");
        assert_eq!(value["a"][2], "a[U+202E]b[U+0000][U+0009]c");
    }
}
