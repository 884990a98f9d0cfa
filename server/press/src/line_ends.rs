//! The end of streams. A stream whose last byte happens to be a carriage return, followed by the line feed that the library
//! writes before `endstream`, reads as if one line's end of two bytes stood there and the stream were a byte shorter than it
//! says: validators refuse that. One carriage return more makes it plain.
//!
//! Rule: ISO 19005-3 section 6.1.7.1; ISO 32000-1 section 7.3.8.1.

/// What stands where an object ends whose stream ends in a carriage return.
const DOUBTFUL: &[u8] = b"\r\nendstream\nendobj";
/// Length of a line of the table of objects. Rule: ISO 32000-1 section 7.5.4.
const LINE: usize = 20;

/// Makes the end of each stream plain. What is not of the form that the library writes is left as it is.
pub(crate) fn streams_end_plainly(pdf: Vec<u8>) -> Vec<u8> {
    mended(&pdf).unwrap_or(pdf)
}

/// The file with what was put in; `None` where nothing has to be.
fn mended(pdf: &[u8]) -> Option<Vec<u8>> {
    let table = number_behind(pdf, b"startxref\n")?;
    let (first, lines) = table_of(pdf, table)?;
    let mut offsets: Vec<usize> = lines.iter().filter_map(|line| offset(line)).collect();
    offsets.sort_unstable();
    offsets.push(table);
    let mut places = Vec::new();
    for pair in offsets.windows(2) {
        let [from, to] = pair else { continue };
        let object = pdf.get(*from..*to)?;
        // Some objects are followed by an empty line, some are not.
        let object = object.trim_ascii_end();
        if object.ends_with(DOUBTFUL) {
            places.push(from + object.len() - DOUBTFUL.len() + 1);
        }
    }
    if places.is_empty() {
        return None;
    }
    let moved = |at: usize| at + places.partition_point(|place| *place < at);
    let mut out = Vec::with_capacity(pdf.len() + places.len());
    let mut at = 0;
    for place in &places {
        out.extend_from_slice(pdf.get(at..*place)?);
        out.push(b'\r');
        at = *place;
    }
    out.extend_from_slice(pdf.get(at..first)?);
    for line in &lines {
        match offset(line) {
            Some(at) => out.extend(format!("{:010}", moved(at)).bytes().chain(line.get(10..)?.iter().copied())),
            None => out.extend_from_slice(line),
        }
    }
    let rest = pdf.get(first + lines.len() * LINE..)?;
    let start = rest.windows(9).rposition(|window| window == b"startxref")?;
    out.extend_from_slice(rest.get(..start)?);
    out.extend(format!("startxref\n{}\n%%EOF", moved(table)).bytes());
    Some(out)
}

/// Where the first line of the table stands, and its lines.
fn table_of(pdf: &[u8], table: usize) -> Option<(usize, Vec<&[u8]>)> {
    let rest = pdf.get(table..)?.strip_prefix(b"xref\n0 ")?;
    let digits = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
    let count: usize = std::str::from_utf8(rest.get(..digits)?).ok()?.parse().ok()?;
    let ends = rest.get(digits..)?.iter().take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
    let first = table + b"xref\n0 ".len() + digits + ends;
    let lines: Vec<&[u8]> = pdf.get(first..)?.chunks_exact(LINE).take(count).collect();
    (lines.len() == count).then_some((first, lines))
}

/// Where an object stands; `None`: its number is free.
fn offset(line: &[u8]) -> Option<usize> {
    let is_used = line.get(17) == Some(&b'n');
    let digits = line.get(..10).filter(|_| is_used)?;
    std::str::from_utf8(digits).ok()?.parse().ok()
}

fn number_behind(pdf: &[u8], word: &[u8]) -> Option<usize> {
    let at = pdf.windows(word.len()).rposition(|window| window == word)? + word.len();
    let digits = pdf.get(at..)?.iter().take_while(|byte| byte.is_ascii_digit()).count();
    std::str::from_utf8(pdf.get(at..at + digits)?).ok()?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A file as the library writes it, with streams of these bytes.
    fn file(streams: &[&[u8]]) -> Vec<u8> {
        let mut out = b"%PDF-1.7\n%\x80\x80\x80\x80\n\n".to_vec();
        let mut table = String::from("0000000000 65535 f\r\n");
        for (number, bytes) in (1_usize..).zip(streams) {
            table.push_str(&format!("{:010} 00000 n\r\n", out.len()));
            out.extend(format!("{number} 0 obj\n<</Length {}>>\nstream\n", bytes.len()).bytes());
            out.extend_from_slice(bytes);
            out.extend_from_slice(b"\nendstream\nendobj\n");
            // The library writes an empty line behind some objects, and none behind others.
            out.extend(vec![b'\n'; number % 2]);
        }
        let (at, size) = (out.len(), streams.len() + 1);
        out.extend(format!("xref\n0 {size}\n{table}trailer\n<</Size {size}>>\nstartxref\n{at}\n%%EOF").bytes());
        out
    }

    #[test]
    fn a_stream_that_ends_in_a_carriage_return_gets_one_more_and_all_offsets_follow() {
        let before = file(&[b"ab\r", b"ef\r", b"cd", b"\r\nendstream\nendobj\n\r", b"\n"]);
        let after = streams_end_plainly(before.clone());
        assert_eq!(after.len(), before.len() + 3);
        let (table, text) =
            (number_behind(&after, b"startxref\n").unwrap(), String::from_utf8_lossy(&after).into_owned());
        assert!(after[table..].starts_with(b"xref\n0 6\n"), "{text}");
        let (_, lines) = table_of(&after, table).unwrap();
        for (number, line) in (1..).zip(&lines[1..]) {
            assert!(after[offset(line).unwrap()..].starts_with(format!("{number} 0 obj").as_bytes()), "{text}");
        }
        assert!(
            text.contains("ab\r\r\nendstream") && text.contains("ef\r\r\nendstream") && text.contains("cd\nendstream"),
            "{text}"
        );
        assert!(after.ends_with(b"%%EOF"));
    }

    #[test]
    fn any_other_file_is_left_as_it_is() {
        for bytes in [file(&[b"ab", b"c\n"]), b"%PDF-1.7".to_vec(), Vec::new(), b"startxref\n99\n%%EOF".to_vec()] {
            assert_eq!(streams_end_plainly(bytes.clone()), bytes);
        }
    }
}
