//! The lines that the simulated table prints. What each means stands in `plugins/ticket-line/readme.md`.

/// What ends an element of variable length in a GS1 element string. The table prints `^` for it.
pub const GROUP_SEPARATOR: u8 = 0x1d;

/// One line with its check value and its end.
pub fn line(body: &str) -> Vec<u8> {
    let mut bytes = body.as_bytes().to_vec();
    let check = bytes.iter().fold(0, |check, byte| check ^ byte);
    bytes.extend_from_slice(format!(";{check:02X}\r\n").as_bytes());
    bytes
}

/// A label that was read.
pub fn label(ordinal: u32, code: &str) -> Vec<u8> {
    line(&format!("L;{ordinal:06};{}", printed(code)))
}

/// A label whose code is not the one that the table was taught.
pub fn mismatch(ordinal: u32, code: &str) -> Vec<u8> {
    line(&format!("W;{ordinal:06};{}", printed(code)))
}

/// An event with nothing but an ordinal or a total.
pub fn at(letter: char, number: u32) -> Vec<u8> {
    line(&format!("{letter};{number:06}"))
}

fn printed(code: &str) -> String {
    code.replace(char::from(GROUP_SEPARATOR), "^")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lines of the plugin's documentation.
    #[test]
    fn lines_are_printed_as_documented() {
        assert_eq!(line("S"), b"S;53\r\n");
        assert_eq!(at('U', 3), b"U;000003;6D\r\n");
        assert_eq!(label(1, "0109521234567899"), b"L;000001;0109521234567899;4A\r\n");
        assert_eq!(label(1, "010952123456789910A1;B\u{1d}21X"), b"L;000001;010952123456789910A1;B^21X;47\r\n");
    }
}
