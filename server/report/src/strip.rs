//! The fault strip: a roll's web from its outer end, which the line meets first, to its core, with every fault of the tag
//! at its place. A pure function of what it shows, so that page, tag and paper draw the same picture.
//!
//! Each kind of fault has a shape and a letter of its own; colour only repeats them. Places are reckoned in whole numbers.

use std::fmt::Write as _;

use tallyseal_schema::kinds::{FaultKind, Mark};

use crate::mark::{letter, mark, shape};
use crate::{picture, words};

/// How wide the picture is. Its height follows from how many marks lie close together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Width {
    /// A page or a sheet of paper.
    Wide,
    /// A small screen.
    Narrow,
    /// A tag of the size of a hand.
    Tag,
}

/// A strip is drawn in units of which a letter is so high.
const LETTER: u32 = 13;
/// Space that a mark takes beside the next one.
const MARK: u32 = 24;
/// Height of one row.
const ROW: u32 = 28;
/// Height of the web.
const WEB: u32 = 20;
/// Free at either end.
const EDGE: u32 = 20;
/// Fewest labels between two figures of the scale, times what a figure needs.
const FIGURE: u32 = 76;

/// Every kind that may lie on a roll, in the order of the legend.
const KINDS: [FaultKind; 7] = [
    FaultKind::Missing,
    FaultKind::Splice,
    FaultKind::Unread,
    FaultKind::WrongCode,
    FaultKind::Overlap,
    FaultKind::VisionReject,
    FaultKind::WebBreak,
];

impl Width {
    const fn units(self) -> u32 {
        match self {
            Self::Wide => 960,
            Self::Narrow => 330,
            Self::Tag => 480,
        }
    }

    /// Rows of marks above the web at most; what finds no room is counted beside the picture.
    const fn rows(self) -> usize {
        match self {
            Self::Wide | Self::Narrow => 6,
            Self::Tag => 2,
        }
    }
}

/// A drawn strip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Strip {
    /// Kinds that occur: the mark as SVG, its letter, its name, how many there are.
    pub legend: Vec<(String, char, String, usize)>,
    /// Marks that found no room; the table beside the picture has them all.
    pub left_out: usize,
    /// The picture as inline SVG, without any style of its own.
    pub svg: String,
}

/// Where a fault lies, in words.
pub fn place(mark: &Mark) -> String {
    let position = words::number(mark.position);
    match mark.last.filter(|last| *last != mark.position) {
        Some(last) => format!("labels {position} to {}", words::number(last)),
        None if mark.fault.between_labels() => format!("after {position} labels"),
        None => format!("label {position}"),
    }
}

/// Draws the web of a roll with `labels` labels on it.
pub fn strip(labels: u32, marks: &[Mark], width: Width) -> Strip {
    let units = width.units();
    let mut placed: Vec<(u32, &Mark)> = marks.iter().map(|mark| (along(mark.position, labels, units), mark)).collect();
    placed.sort_by_key(|(x, mark)| (*x, mark.position));
    let rows = rows(&placed, width.rows());
    let left_out = rows.iter().filter(|row| row.is_none()).count();
    let used = rows.iter().flatten().max().map_or(1, |row| row + 1);
    let web = 8 + u32::try_from(used).unwrap_or(1) * ROW;
    let height = web + WEB + 2 * LETTER + 14;
    let mut svg = String::new();
    let title = title(labels, marks);
    let _ = write!(
        svg,
        "<svg class=\"strip\" viewBox=\"0 0 {units} {height}\" role=\"img\" aria-label=\"{title}\" focusable=\"false\">\
         <rect class=\"web\" x=\"{EDGE}\" y=\"{web}\" width=\"{}\" height=\"{WEB}\"/>",
        units - 2 * EDGE
    );
    core(&mut svg, units - EDGE, web);
    for ((x, mark), row) in placed.iter().zip(&rows) {
        if let Some(last) = mark.last.filter(|last| *last > mark.position) {
            let to = along(last, labels, units).max(x + 3);
            let class = kind_class(mark.fault);
            let _ = write!(
                svg,
                "<rect class=\"run {class}\" x=\"{x}\" y=\"{}\" width=\"{}\" height=\"{}\"/>",
                web + 5,
                to - x,
                WEB - 10
            );
        }
        let missed = if mark.missed { " missed" } else { "" };
        let top = match row {
            Some(row) => web - 4 - u32::try_from(*row).unwrap_or(0) * ROW - MARK / 2 + 8,
            None => web,
        };
        let _ = write!(svg, "<line class=\"stem{missed}\" x1=\"{x}\" y1=\"{top}\" x2=\"{x}\" y2=\"{}\"/>", web + WEB);
        if row.is_some() {
            placed_mark(&mut svg, mark.fault, *x, top - 6);
        }
    }
    scale(&mut svg, labels, units, web + WEB);
    svg.push_str("</svg>");
    Strip { legend: legend(marks), left_out, svg }
}

/// What the picture looks like in print. The marks are told apart by their shapes and letters.
const PRINT: &str = "\
.web,.core{fill:#fff;stroke:#000;stroke-width:1.5}.stem{stroke:#000;stroke-width:1.5}\
.stem.missed{stroke-dasharray:3 3}.tick{stroke:#000;stroke-width:1}.run{fill:#999}.run.grave{fill:#000}\
text{fill:#000;font-family:'Atkinson Hyperlegible';font-size:13px}.mark{fill:#fff;stroke:#000;stroke-width:2}\
.mark text{fill:#000;stroke:none;text-anchor:middle;font-weight:700}.mark .full{fill:#000}\
.mark-wrong_code text,.mark-web_break text{fill:#fff}";

/// The wide strip by itself, with the style that paper needs.
pub fn printed(labels: u32, marks: &[Mark]) -> Strip {
    let drawn = strip(labels, marks, Width::Wide);
    Strip { svg: picture::standalone(&drawn.svg, PRINT), ..drawn }
}

/// What the picture says to those who do not see it; the table beside it says it mark by mark.
pub fn title(labels: u32, marks: &[Mark]) -> String {
    let labels = words::number(labels);
    match marks.len() {
        0 => format!("Web of {labels} labels, no fault left on it"),
        1 => format!("Web of {labels} labels with 1 fault, from the outer end to the core"),
        more => format!("Web of {labels} labels with {more} faults, from the outer end to the core"),
    }
}

/// How far along the picture a label lies.
fn along(position: u32, labels: u32, units: u32) -> u32 {
    let room = u64::from(units - 2 * EDGE);
    let part = u64::from(position.min(labels)) * room / u64::from(labels.max(1));
    EDGE + u32::try_from(part).unwrap_or(0)
}

/// In which row each mark stands, so that none covers another.
fn rows(placed: &[(u32, &Mark)], most: usize) -> Vec<Option<usize>> {
    let mut ends: Vec<u32> = Vec::new();
    let mut rows = Vec::new();
    for (x, _) in placed {
        let free = ends.iter().position(|end| *end <= *x).or_else(|| {
            (ends.len() < most).then(|| {
                ends.push(0);
                ends.len() - 1
            })
        });
        if let Some(end) = free.and_then(|row| ends.get_mut(row)) {
            *end = x + MARK;
        }
        rows.push(free);
    }
    rows
}

/// The core, on which the web is wound.
fn core(svg: &mut String, x: u32, web: u32) {
    let middle = web + WEB / 2;
    let _ = write!(
        svg,
        "<circle class=\"core\" cx=\"{x}\" cy=\"{middle}\" r=\"14\"/><circle class=\"core\" cx=\"{x}\" cy=\"{middle}\" r=\"5\"/>"
    );
}

/// Figures below the web, at even numbers of labels.
fn scale(svg: &mut String, labels: u32, units: u32, under: u32) {
    let figures = ((units - 2 * EDGE) / FIGURE).max(1);
    let step = step(labels, figures);
    let base = under + LETTER + 8;
    let mut at = 0;
    // The last figure is the roll's own; one right before it would run into it.
    while at < labels {
        let x = along(at, labels, units);
        if at == 0 || along(labels, labels, units) - x > FIGURE * 2 / 3 {
            let anchor = if at == 0 { "start" } else { "middle" };
            let from = if at == 0 { 2 } else { x };
            let _ = write!(
                svg,
                "<line class=\"tick\" x1=\"{x}\" y1=\"{under}\" x2=\"{x}\" y2=\"{}\"/>\
                 <text x=\"{from}\" y=\"{base}\" text-anchor=\"{anchor}\">{}</text>",
                under + 5,
                if at == 0 { "outer end".to_owned() } else { words::number(at) }
            );
        }
        at = at.saturating_add(step);
    }
    let end = units - EDGE;
    let _ = write!(
        svg,
        "<line class=\"tick\" x1=\"{end}\" y1=\"{under}\" x2=\"{end}\" y2=\"{}\"/>\
         <text class=\"end\" x=\"{}\" y=\"{base}\" text-anchor=\"end\">{}</text>",
        under + 5,
        units - 2,
        words::number(labels)
    );
}

/// The smallest of 1, 2, 5, 10, 20, 50 ... that leaves no more than so many figures.
fn step(labels: u32, figures: u32) -> u32 {
    let mut unit = 1_u32;
    loop {
        for by in [1, 2, 5] {
            let step = unit.saturating_mul(by);
            if labels / step.max(1) <= figures {
                return step;
            }
        }
        unit = unit.saturating_mul(10);
    }
}

const fn kind_class(kind: FaultKind) -> &'static str {
    match kind {
        FaultKind::WrongCode => "grave",
        FaultKind::WebBreak | FaultKind::Splice => "joint",
        FaultKind::Missing | FaultKind::Unread | FaultKind::Overlap | FaultKind::VisionReject => "plain",
    }
}

/// A mark with its letter, around a point. Shapes are drawn for a bench, where marks have more room.
fn placed_mark(svg: &mut String, kind: FaultKind, x: u32, y: u32) {
    let _ = write!(
        svg,
        r#"<g class="mark mark-{}" transform="translate({x} {y})"><g transform="scale(.75)">{}</g><text y="5">{}</text></g>"#,
        kind.as_str(),
        shape(kind),
        letter(kind)
    );
}

fn legend(marks: &[Mark]) -> Vec<(String, char, String, usize)> {
    let of = |kind: FaultKind| marks.iter().filter(|mark| mark.fault == kind).count();
    let there = KINDS.into_iter().map(|kind| (kind, of(kind))).filter(|(_, count)| *count > 0);
    there.map(|(kind, count)| (mark(kind), letter(kind), words::fault(kind), count)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(fault: FaultKind, position: u32) -> Mark {
        Mark { fault, last: None, missed: false, position }
    }

    #[test]
    fn a_place_is_drawn_in_proportion_and_never_beyond_the_web() {
        // 920 units of web between two edges of 20.
        assert_eq!(along(0, 2_500, 960), 20);
        assert_eq!(along(1_250, 2_500, 960), 480);
        assert_eq!(along(2_500, 2_500, 960), 940);
        assert_eq!(along(9_999, 2_500, 960), 940);
        assert_eq!(along(5, 0, 960), 20);
        assert_eq!(along(10_000_000, 10_000_000, 960), 940);
    }

    #[test]
    fn marks_that_lie_close_stand_one_above_the_other_and_none_is_drawn_over_another() {
        let marks = [at(FaultKind::Splice, 1), at(FaultKind::Missing, 1), at(FaultKind::Unread, 2_000)];
        let placed: Vec<_> = marks.iter().map(|mark| (along(mark.position, 2_500, 960), mark)).collect();
        assert_eq!(rows(&placed, 6), [Some(0), Some(1), Some(0)]);
    }

    #[test]
    fn what_finds_no_room_is_counted_and_not_lost_in_silence() {
        let many: Vec<Mark> = (0..20).map(|_| at(FaultKind::Unread, 700)).collect();
        let drawn = strip(2_500, &many, Width::Narrow);
        assert_eq!(drawn.left_out, 20 - 6);
        assert_eq!(drawn.legend.iter().map(|one| one.3).collect::<Vec<_>>(), [20]);
        assert_eq!(drawn.svg.matches("class=\"mark").count(), 6);
        // Each has at least its line on the web.
        assert_eq!(drawn.svg.matches("class=\"stem").count(), 20);
    }

    #[test]
    fn the_scale_has_round_figures_and_not_too_many() {
        for (labels, figures, expected) in
            [(2_500, 12, 200), (2_500, 3, 1_000), (10, 12, 1), (0, 5, 1), (10_000_000, 12, 1_000_000), (997, 4, 200)]
        {
            assert_eq!(step(labels, figures), expected, "{labels} {figures}");
        }
    }

    #[test]
    fn every_kind_has_a_letter_and_a_picture_of_its_own_and_no_style() {
        let letters: std::collections::BTreeSet<char> = KINDS.map(letter).into();
        let pictures: std::collections::BTreeSet<String> = KINDS.map(mark).into();
        assert_eq!((letters.len(), pictures.len()), (KINDS.len(), KINDS.len()));
        assert!(pictures.iter().all(|picture| !picture.contains("style=")));
    }

    #[test]
    fn places_are_said_as_the_tag_means_them() {
        assert_eq!(place(&at(FaultKind::Splice, 40)), "after 40 labels");
        assert_eq!(place(&at(FaultKind::Unread, 40)), "label 40");
        let run = Mark { last: Some(44), ..at(FaultKind::Unread, 40) };
        assert_eq!(place(&run), "labels 40 to 44");
    }
}
