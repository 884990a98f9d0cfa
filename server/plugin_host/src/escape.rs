//! Machine bytes as a person reads them.

use std::fmt::Write as _;

/// The bytes as printable ASCII: control characters and bytes above 0x7E as `\r`, `\n`, `\t` or `\xHH`, a backslash
/// doubled, and what is beyond `most` bytes as a count.
pub fn escaped(bytes: &[u8], most: usize) -> String {
    let mut text = String::with_capacity(bytes.len().min(most) + 16);
    for byte in bytes.iter().take(most) {
        match byte {
            b'\r' => text.push_str("\\r"),
            b'\n' => text.push_str("\\n"),
            b'\t' => text.push_str("\\t"),
            b'\\' => text.push_str("\\\\"),
            0x20..=0x7e => text.push(char::from(*byte)),
            other => {
                // Writing to a String cannot fail.
                let _ = write!(text, "\\x{other:02X}");
            }
        }
    }
    if let Some(more @ 1..) = bytes.len().checked_sub(most) {
        let _ = write!(text, "... and {more} bytes more");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::escaped;

    #[test]
    fn bytes_are_shown_so_that_none_hides() {
        assert_eq!(escaped(b"A;\x1d\\\xff\r\n\t", 64), r"A;\x1D\\\xFF\r\n\t");
        assert_eq!(escaped(b"abcdef", 4), "abcd... and 2 bytes more");
        assert_eq!(escaped(b"abcd", 4), "abcd");
    }
}
