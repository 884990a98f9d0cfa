//! Lists as files for a spreadsheet.
//!
//! Rule: RFC 4180.

use actix_web::HttpResponse;

/// A file of rows under that name.
pub(crate) fn file(name: &str, header: &[&str], rows: impl IntoIterator<Item = Vec<String>>) -> HttpResponse {
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

/// A cell. What a spreadsheet would take for a formula is made text: what a person typed must not run at a reader's desk.
fn quoted(cell: &str) -> String {
    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
    format!("\"{}{}\"", if formula { "'" } else { "" }, cell.replace('"', "\"\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quotes_are_doubled_and_formulas_are_text() {
        let cells = ["plain", "say \"no\"", "=1+1", "a\nb"].map(str::to_owned);
        assert_eq!(line(&cells), "\"plain\",\"say \"\"no\"\"\",\"'=1+1\",\"a\nb\"\r\n");
    }
}
