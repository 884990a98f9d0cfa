//! What became of labels, drawn: from those issued on the left to each fate on the right, in proportion, with what is
//! unaccounted for in plain sight. One pure function, for page and paper alike.
//!
//! Drawing coordinates are whole numbers: tenths of a unit of the picture.

use std::fmt::Write as _;

use crate::{picture, words};

/// Height that all labels together take. Unit: tenths.
const HEIGHT: u64 = 3_000;
/// What is there at all is drawn at least so thick where it ends. Unit: tenths.
const THIN: u64 = 30;
/// A fate needs so much height for its two lines of words. Unit: tenths.
const WORDS: u64 = 460;
/// Between two fates. Unit: tenths.
const GAP: u64 = 120;
/// Above and below. Unit: tenths.
const EDGE: u64 = 60;
/// Above the bar on the left, for what was issued in words. Unit: tenths.
const TITLE: u64 = 520;

/// What a part is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sort {
    /// It went onto a unit, into a bin, or came back.
    Known,
    /// Nobody has said yet what became of it: the account is not made.
    Pending,
    /// Nobody knows what became of it.
    Unaccounted,
}

/// One fate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part {
    /// What it is called.
    pub label: String,
    /// How many.
    pub labels: u64,
    /// Where it is now, in a few words.
    pub note: String,
    /// What it is.
    pub sort: Sort,
}

impl Part {
    /// How many, in words. What waits to be counted has no number: nobody counts towards one.
    pub fn figure(&self) -> String {
        match self.sort {
            Sort::Pending => words::NO_NUMBER_YET.to_owned(),
            Sort::Known | Sort::Unaccounted => words::number(self.labels),
        }
    }
}

/// What became of the labels of one material line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Flow {
    /// So many were issued.
    pub issued: u64,
    /// More was found than issued: so many.
    pub over: u64,
    /// Every fate, those with no label too.
    pub parts: Vec<Part>,
}

/// How wide the picture is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// For a screen in the hand.
    Narrow,
    /// For a page.
    Wide,
}

impl Shape {
    /// Width of the picture, of the bar on the left, and where words begin. Unit: tenths.
    fn measures(self) -> (u64, u64, u64) {
        match self {
            Self::Narrow => (3_300, 160, 1_250),
            Self::Wide => (6_600, 240, 3_700),
        }
    }
}

/// Where one fate lies: its span on the left, and on the right. Unit: tenths.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Band {
    left: (u64, u64),
    right: (u64, u64),
    /// Middle of its words.
    words: u64,
}

/// Where everything lies.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Plan {
    bands: Vec<Band>,
    height: u64,
    /// Span of what was issued.
    issued: (u64, u64),
    /// Span of what is more than was issued.
    over: (u64, u64),
}

/// A part of the height, exactly rounded down.
fn share(part: u64, whole: u64, height: u64) -> u64 {
    let scaled = u128::from(part).saturating_mul(u128::from(height)).checked_div(u128::from(whole));
    scaled.and_then(|scaled| u64::try_from(scaled).ok()).unwrap_or(0)
}

/// Lays the fates out. On the left they lie without gaps, each where the sum of those before it ends, so that no
/// rounding adds up; on the right each has room for its words.
fn plan(flow: &Flow) -> Plan {
    let found = flow.parts.iter().map(|part| part.labels).fold(0, u64::saturating_add);
    let whole = found.max(flow.issued);
    let needs = |height: u64| height.max(WORDS).saturating_add(GAP);
    let spans: Vec<(u64, u64)> = flow
        .parts
        .iter()
        .scan(0_u64, |before, part| {
            let from = share(*before, whole, HEIGHT);
            *before = before.saturating_add(part.labels);
            Some((from, share(*before, whole, HEIGHT)))
        })
        .collect();
    let thick = |part: &Part, span: &(u64, u64)| match part.labels {
        0 => 0,
        _ => span.1.saturating_sub(span.0).max(THIN),
    };
    let right: u64 = flow.parts.iter().zip(&spans).map(|(part, span)| needs(thick(part, span))).sum();
    let height = right.saturating_sub(GAP).max(HEIGHT + TITLE).saturating_add(2 * EDGE);
    // The bar on the left stands in the middle of the picture's height, below its words.
    let top = (height.saturating_sub(HEIGHT) / 2).max(EDGE + TITLE);
    let mut cursor = EDGE;
    let mut bands = Vec::new();
    for (part, span) in flow.parts.iter().zip(&spans) {
        let thick = thick(part, span);
        let room = thick.max(WORDS);
        let from = cursor.saturating_add((room - thick) / 2);
        bands.push(Band {
            left: (top.saturating_add(span.0), top.saturating_add(span.1)),
            right: (from, from.saturating_add(thick)),
            words: cursor.saturating_add(room / 2),
        });
        cursor = cursor.saturating_add(needs(thick));
    }
    let end = top.saturating_add(share(flow.issued, whole, HEIGHT));
    Plan { bands, height, issued: (top, end), over: (end, top.saturating_add(share(whole, whole, HEIGHT)).max(end)) }
}

/// Tenths as a number of the picture.
fn tenths(value: u64) -> String {
    format!("{}.{}", value / 10, value % 10)
}

fn class(sort: Sort) -> &'static str {
    match sort {
        Sort::Known => "known",
        Sort::Pending => "pending",
        Sort::Unaccounted => "unaccounted",
    }
}

/// What the picture looks like in print: grey and patterns, so that black and white say it all.
const PRINT: &str = "\
.bar{fill:#000}.band{stroke:#000;stroke-width:0.6}.band.known{fill:#d6d6d6}.band.unaccounted{stroke-width:1.5}\
.band.pending{stroke-dasharray:4 3}.over{stroke:#000;stroke-width:1.5}.ground,.paper{fill:#fff}.line,.dot{fill:#000}\
text{fill:#000;font-family:'Atkinson Hyperlegible';font-size:15px}.count{font-size:19px;font-weight:700}\
.note{font-size:14px}text.unaccounted{font-weight:700}";

/// The wide picture by itself, with the style that paper needs. `id` as in [`svg`].
pub fn printed(flow: &Flow, id: &str) -> String {
    picture::standalone(&svg(flow, id, Shape::Wide), PRINT)
}

/// The picture. `id`: begins every ID in it; one page may have several.
pub fn svg(flow: &Flow, id: &str, shape: Shape) -> String {
    let plan = plan(flow);
    let (width, bar, words_at) = shape.measures();
    let id = picture::escaped(id);
    let name = match shape {
        Shape::Narrow => "narrow",
        Shape::Wide => "wide",
    };
    let mut out = String::new();
    // Writing into a string does not fail.
    let _ = write!(
        out,
        "<svg class=\"flow {name}\" viewBox=\"0 0 {} {}\" width=\"{}\" height=\"{}\" role=\"img\" aria-labelledby=\"{id}-title\">\
         <title id=\"{id}-title\">{}</title>\
         <defs><pattern id=\"{id}-hatch\" width=\"8\" height=\"8\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
         <rect class=\"ground\" width=\"8\" height=\"8\"/><rect class=\"line\" width=\"3\" height=\"8\"/></pattern>\
         <pattern id=\"{id}-dots\" width=\"7\" height=\"7\" patternUnits=\"userSpaceOnUse\">\
         <rect class=\"paper\" width=\"7\" height=\"7\"/><circle class=\"dot\" cx=\"3\" cy=\"3\" r=\"1.2\"/></pattern></defs>",
        tenths(width),
        tenths(plan.height),
        tenths(width),
        tenths(plan.height),
        picture::escaped(&said(flow)),
    );
    for (part, band) in flow.parts.iter().zip(&plan.bands) {
        draw(&mut out, part, band, &id, (bar, words_at));
    }
    let (from, to) = plan.issued;
    let _ = write!(
        out,
        "<rect class=\"bar\" x=\"0\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
        tenths(from),
        tenths(bar),
        tenths(to.saturating_sub(from).max(if flow.issued > 0 { THIN } else { 0 })),
    );
    let _ = write!(
        out,
        "<text x=\"0\" y=\"{}\">Issued</text><text x=\"0\" y=\"{}\"><tspan class=\"count\">{}</tspan></text>",
        tenths(from.saturating_sub(330)),
        tenths(from.saturating_sub(110)),
        words::number(flow.issued),
    );
    if flow.over > 0 {
        let (from, to) = plan.over;
        let _ = write!(
            out,
            "<rect class=\"over\" fill=\"url(#{id}-hatch)\" x=\"0\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
            tenths(from),
            tenths(bar),
            tenths(to.saturating_sub(from).max(THIN)),
        );
    }
    out.push_str("</svg>");
    out
}

/// One fate: its band, and its words.
fn draw(out: &mut String, part: &Part, band: &Band, id: &str, (bar, words_at): (u64, u64)) {
    let class = class(part.sort);
    let end = words_at.saturating_sub(100);
    if part.labels > 0 {
        let bend = bar.saturating_add(end.saturating_sub(bar) / 2);
        let (bar, bend, end) = (tenths(bar), tenths(bend), tenths(end));
        let [left_top, left_end, right_top, right_end] =
            [band.left.0, band.left.1, band.right.0, band.right.1].map(tenths);
        let fill = match part.sort {
            Sort::Known => String::new(),
            Sort::Pending => format!(" fill=\"url(#{id}-dots)\""),
            Sort::Unaccounted => format!(" fill=\"url(#{id}-hatch)\""),
        };
        let _ = write!(
            out,
            "<path class=\"band {class}\"{fill} d=\"M{bar} {left_top}C{bend} {left_top} {bend} {right_top} {end} {right_top}\
             V{right_end}C{bend} {right_end} {bend} {left_end} {bar} {left_end}Z\"/>",
        );
    }
    let (at, above, below) = (tenths(words_at), tenths(band.words.saturating_sub(20)), tenths(band.words + 170));
    let nothing = if part.labels == 0 { " nothing" } else { "" };
    let note = match part.note.is_empty() {
        true => String::new(),
        false => format!("<tspan class=\"note\"> {}</tspan>", picture::escaped(&part.note)),
    };
    let _ = write!(
        out,
        "<text class=\"{class}{nothing}\" x=\"{at}\" y=\"{above}\">{}</text>\
         <text class=\"{class}{nothing}\" x=\"{at}\" y=\"{below}\"><tspan class=\"count\">{}</tspan>{note}</text>",
        picture::escaped(&part.label),
        part.figure(),
    );
}

/// The picture in a sentence; the table beside it says the same.
pub fn said(flow: &Flow) -> String {
    let parts = flow.parts.iter().filter(|part| part.labels > 0);
    let parts: Vec<String> = parts.map(|part| format!("{} {}", part.figure(), part.label.to_lowercase())).collect();
    let over = match flow.over {
        0 => String::new(),
        over => format!("; {} more than were issued", words::number(over)),
    };
    format!("{} labels issued: {}{over}.", words::number(flow.issued), parts.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(labels: u64, sort: Sort) -> Part {
        Part { label: format!("fate {labels}"), labels, note: String::new(), sort }
    }

    fn flow(issued: u64, over: u64, labels: &[u64], unaccounted: u64) -> Flow {
        let mut parts: Vec<Part> = labels.iter().map(|one| part(*one, Sort::Known)).collect();
        parts.push(part(unaccounted, Sort::Unaccounted));
        Flow { issued, over, parts }
    }

    /// On the left: one after the other, from the top of the bar to its end, whatever rounding does.
    fn must_tile(plan: &Plan, to: u64) {
        let mut at = plan.issued.0;
        for band in &plan.bands {
            assert_eq!(band.left.0, at);
            assert!(band.left.1 >= band.left.0);
            at = band.left.1;
        }
        assert_eq!(at, to);
    }

    #[test]
    fn the_fates_fill_what_was_issued_and_no_more() {
        for flow in
            [flow(7_000, 0, &[4_800, 12, 6, 187, 58, 1_935], 2), flow(3, 0, &[1, 1], 1), flow(7, 0, &[2, 2, 2], 1)]
        {
            let plan = plan(&flow);
            must_tile(&plan, plan.issued.1);
            assert_eq!(plan.issued.1 - plan.issued.0, HEIGHT);
            assert_eq!(plan.over.1 - plan.over.0, 0);
        }
    }

    #[test]
    fn widths_are_in_proportion() {
        let plan = plan(&flow(1_000, 0, &[500, 250], 250));
        let widths: Vec<u64> = plan.bands.iter().map(|band| band.left.1 - band.left.0).collect();
        assert_eq!(widths, [1_500, 750, 750]);
    }

    #[test]
    fn what_is_nothing_has_no_band_and_still_its_words() {
        let flow = flow(100, 0, &[100, 0], 0);
        let plan = plan(&flow);
        assert_eq!(plan.bands[1].right.0, plan.bands[1].right.1);
        assert_ne!(plan.bands[1].words, plan.bands[2].words);
        let drawn = svg(&flow, "m1", Shape::Wide);
        assert_eq!(drawn.matches("<path").count(), 1);
        // Three fates, and what was issued.
        assert_eq!(drawn.matches("class=\"count\"").count(), 4);
        assert!(drawn.contains("<text class=\"unaccounted nothing\""), "{drawn}");
    }

    #[test]
    fn a_single_label_of_a_million_is_seen() {
        let flow = flow(1_000_000, 0, &[999_999], 1);
        let plan = plan(&flow);
        assert_eq!(plan.bands[1].right.1 - plan.bands[1].right.0, THIN);
        must_tile(&plan, plan.issued.1);
        let drawn = svg(&flow, "m1", Shape::Narrow);
        assert!(drawn.contains("class=\"band unaccounted\" fill=\"url(#m1-hatch)\""), "{drawn}");
    }

    #[test]
    fn more_than_was_issued_stands_beyond_the_bar() {
        let plan = plan(&flow(90, 10, &[60, 40], 0));
        assert_eq!(plan.issued.1 - plan.issued.0, 2_700);
        assert_eq!(plan.over.1 - plan.over.0, 300);
        must_tile(&plan, plan.over.1);
        let drawn = svg(&flow(90, 10, &[60, 40], 0), "m1", Shape::Wide);
        assert!(drawn.contains("class=\"over\""), "{drawn}");
        assert!(drawn.contains("10 more than were issued"), "{drawn}");
    }

    #[test]
    fn nothing_at_all_and_the_largest_numbers_are_drawn_too() {
        let none = plan(&flow(0, 0, &[0, 0], 0));
        assert_eq!(none.issued.0, none.issued.1);
        let most = flow(u64::MAX, 0, &[u64::MAX - 1], 1);
        must_tile(&plan(&most), plan(&most).issued.1);
        let words: Vec<u64> = plan(&most).bands.iter().map(|band| band.words).collect();
        assert!(words.is_sorted_by(|one, next| one + WORDS <= *next), "{words:?}");
    }

    #[test]
    fn what_waits_to_be_counted_has_no_number() {
        let mut flow = flow(2_432, 0, &[2_000], 0);
        flow.parts[1] = part(432, Sort::Pending);
        flow.parts[1].label = "Not told yet".to_owned();
        let drawn = svg(&flow, "m1", Shape::Wide);
        assert!(drawn.contains("class=\"band pending\" fill=\"url(#m1-dots)\""), "{drawn}");
        assert!(!drawn.contains(">432<") && !drawn.contains("432 not told"), "{drawn}");
    }

    #[test]
    fn words_of_people_are_text() {
        let mut flow = flow(10, 0, &[10], 0);
        flow.parts[0].note = "in <b>CT-1</b> & \"sealed\"".to_owned();
        let drawn = svg(&flow, "m1", Shape::Wide);
        assert!(drawn.contains("in &lt;b&gt;CT-1&lt;/b&gt; &amp; &quot;sealed&quot;"), "{drawn}");
        assert!(!drawn.contains("style="));
    }
}
