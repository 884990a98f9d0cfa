//! What a measure prints: a table for people, and one line of JSON for programs.

use serde_json::json;

/// One line of the table.
pub fn row(what: &str, value: impl std::fmt::Display) {
    println!("  {what:<58} {value}");
}

/// The heading of a measure, with the machine that it ran on.
pub fn heading(what: &str) {
    println!("{what}");
    row(
        "cores; load of the machine in the last minute",
        format!("{}; {}", crate::machine::cores(), crate::machine::load()),
    );
}

/// The last line. `ratios`: ours by the reference, round by round; the one in the middle counts.
pub fn result(measure: &str, ours: f64, reference: Option<(f64, Vec<f64>)>, unit: &str) {
    let number = |number: f64| json!((number * 1_000.0).round() / 1_000.0);
    let (reference, ratio) = match reference {
        Some((reference, ratios)) => (number(reference), number(median(ratios))),
        None => (json!(null), json!(null)),
    };
    row("load of the machine at the end", crate::machine::load());
    let (measure, ours, unit) = (json!(measure), number(ours), json!(unit));
    println!("{{\"measure\":{measure},\"ours\":{ours},\"reference\":{reference},\"ratio\":{ratio},\"unit\":{unit}}}");
}

/// The one in the middle.
pub fn median(mut numbers: Vec<f64>) -> f64 {
    numbers.sort_by(f64::total_cmp);
    numbers[numbers.len() / 2]
}

/// A number with a comma every three digits.
pub fn thousands(number: f64) -> String {
    let digits = format!("{number:.0}");
    let mut out = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i) % 3 == 0 {
            out.push(',');
        }
        out.push(digit);
    }
    out
}
