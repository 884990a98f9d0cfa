//! What a scanner reads on a tag: a Data Matrix with the ID alone, as SVG. No application identifiers: the ID is the
//! plant's own and no trade item.
//!
//! Rule: ISO/IEC 16022 (ECC 200), with a quiet zone of one module and a second one for careless cutting.

use std::fmt::Write as _;

use datamatrix::{DataMatrix, SymbolList};

/// Free modules around the symbol.
const QUIET: usize = 2;

/// The symbol of a text. `None`: it is too long for one.
pub(super) fn data_matrix(text: &str) -> Option<String> {
    let code = DataMatrix::encode(text.as_bytes(), SymbolList::default().enforce_square()).ok()?;
    let bitmap = code.bitmap();
    let (width, height) = (bitmap.width() + 2 * QUIET, bitmap.height() + 2 * QUIET);
    let mut path = String::new();
    for (x, y) in bitmap.pixels() {
        let _ = write!(path, "M{} {}h1v1h-1z", x + QUIET, y + QUIET);
    }
    Some(format!(
        "<svg class=\"symbol\" viewBox=\"0 0 {width} {height}\" shape-rendering=\"crispEdges\" role=\"img\" \
         aria-label=\"Data Matrix of {text}\" focusable=\"false\"><rect class=\"paper\" width=\"{width}\" height=\"{height}\"/><path class=\"ink\" d=\"{path}\"/></svg>"
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reads the modules back from the picture.
    fn modules(svg: &str) -> (Vec<bool>, usize) {
        let size: usize = svg.split("viewBox=\"0 0 ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
        let inside = size - 2 * QUIET;
        let mut modules = vec![false; inside * inside];
        let path = svg.split(" d=\"").nth(1).unwrap().split('"').next().unwrap();
        for module in path.split('M').filter(|one| !one.is_empty()) {
            let (x, y) = module.trim_end_matches("h1v1h-1z").split_once(' ').unwrap();
            let (x, y): (usize, usize) = (x.parse().unwrap(), y.parse().unwrap());
            modules[(y - QUIET) * inside + x - QUIET] = true;
        }
        (modules, inside)
    }

    #[test]
    fn what_is_printed_reads_back() {
        for id in ["R-000101", "X", "ABCDEFGHIJ-0123456789-ABCDEFGHIJ"] {
            let (modules, width) = modules(&data_matrix(id).unwrap());
            assert_eq!(DataMatrix::decode(&modules, width).unwrap(), id.as_bytes(), "{id}");
        }
    }
}
