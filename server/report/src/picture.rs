//! What every picture needs: people's words as text, and a style of its own where it leaves its page.

/// Text within SVG. What XML cannot hold is replaced.
///
/// Rule: XML 1.0 (fifth edition), 2.2 and 2.4.
pub(crate) fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\t' | '\n' | '\r' => out.push(' '),
            '\0'..='\u{1f}' | '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            other => out.push(other),
        }
    }
    out
}

/// A picture that stands by itself: its name space is declared, and its style is in it.
pub(crate) fn standalone(svg: &str, style: &str) -> String {
    let (head, rest) = svg.split_once('>').unwrap_or((svg, ""));
    let head = head.replacen("<svg ", "<svg xmlns=\"http://www.w3.org/2000/svg\" ", 1);
    format!("{head}><style>{style}</style>{rest}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_people_are_text_and_what_xml_cannot_hold_is_replaced() {
        assert_eq!(escaped("<b> & \"x\"\u{7}\n"), "&lt;b&gt; &amp; &quot;x&quot;\u{fffd} ");
    }

    #[test]
    fn a_picture_by_itself_has_its_name_space_and_one_style() {
        let drawn = standalone("<svg class=\"a\"><rect/></svg>", "rect{fill:#fff}");
        assert_eq!(
            drawn,
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"a\"><style>rect{fill:#fff}</style><rect/></svg>"
        );
    }
}
