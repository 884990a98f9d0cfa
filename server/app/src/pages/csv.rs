//! Lists as files for a spreadsheet.
//!
//! Rule: RFC 4180.

use actix_web::HttpResponse;

/// A file of rows under that name.
pub(super) fn file(name: &str, header: &[&str], rows: impl IntoIterator<Item = Vec<String>>) -> HttpResponse {
    let header = header.iter().map(|cell| (*cell).to_owned()).collect();
    let lines: Vec<String> = std::iter::once(header).chain(rows).map(|row: Vec<String>| line(&row)).collect();
    HttpResponse::Ok()
        .content_type("text/csv; charset=utf-8")
        .insert_header(("Content-Disposition", format!("attachment; filename=\"{name}.csv\"")))
        .body(lines.concat())
}

fn line(cells: &[String]) -> String {
    let mut line = cells.iter().map(|cell| quoted(cell)).collect::<Vec<_>>().join(",");
    line.push_str("\r\n");
    line
}

/// What stands before a cell that a spreadsheet would take for a formula, so that it is text: what a person typed must not
/// run at a reader's desk.
pub(super) fn guard(cell: &str) -> &'static str {
    if cell.starts_with(['=', '+', '-', '@', '\t', '\r']) { "'" } else { "" }
}

/// A cell that is quoted whatever is in it.
fn quoted(cell: &str) -> String {
    format!("\"{}{}\"", guard(cell), cell.replace('"', "\"\""))
}

/// Adds a row whose cells are quoted where they must be.
pub(super) fn row<'a>(text: &mut String, cells: impl Iterator<Item = &'a str>) {
    for (index, cell) in cells.enumerate() {
        if index > 0 {
            text.push(',');
        }
        if cell.contains(['"', ',', '\n', '\r']) || !guard(cell).is_empty() {
            text.push_str(&quoted(cell));
        } else {
            text.push_str(cell);
        }
    }
    text.push_str("\r\n");
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_keeps_commas_quotes_and_lines_and_starts_no_formula() {
        let mut text = String::new();
        row(&mut text, ["R-1", "cage, left", "say \"when\"", "=1+1", "-4", "a\nb"].into_iter());
        assert_eq!(text, "R-1,\"cage, left\",\"say \"\"when\"\"\",\"'=1+1\",\"'-4\",\"a\nb\"\r\n");
    }

    #[test]
    fn quotes_are_doubled_and_formulas_are_text() {
        let cells = ["plain", "say \"no\"", "=1+1", "a\nb"].map(str::to_owned);
        assert_eq!(line(&cells), "\"plain\",\"say \"\"no\"\"\",\"'=1+1\",\"a\nb\"\r\n");
    }
}
