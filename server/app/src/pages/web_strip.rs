//! The web drawn as a strip: what ran over the table, every fault at its place, and how far the web has come.
//!
//! While a roll runs the strip is as long as the next round number: how long the roll is said to be stays hidden.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use tallyseal_schema::kinds::FaultKind;

use super::mark::{letter, shape};
use super::words;

/// Space beside the web, on each side.
const MARGIN: u32 = 18;
/// Width that a mark takes with the number of its kind beside it.
const COLUMN: u32 = 46;
/// Height that a row of marks takes.
const ROW: u32 = 32;
/// Width that a number of the scale takes, with the space beside it.
const NUMBER: u32 = 86;
/// Height of the web.
const WEB: u32 = 30;
/// Rows of marks over one place; further kinds there are told as a number.
const ROWS_MAX: usize = 4;
/// The shortest strip of a roll that runs. Unit: labels.
const SHORTEST: u32 = 200;

/// One fault on the strip.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) fault: FaultKind,
    /// Its label, or the label before it.
    pub(super) first: u32,
    /// Last label of a run that shares it.
    pub(super) last: u32,
    /// Nobody has said yet what is done about it.
    pub(super) waits: bool,
}

/// A strip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Strip {
    /// Labels that have passed.
    pub(super) passed: u32,
    /// The roll has ended: the strip is as long as what passed.
    pub(super) whole: bool,
    pub(super) places: Vec<Place>,
}

/// The next round number: 1, 2 or 4 with noughts, so that a quarter of it is whole.
fn round_up(labels: u32) -> u32 {
    let mut unit: u32 = 100;
    loop {
        for step in [1, 2, 4] {
            let round = unit.saturating_mul(step);
            if round >= labels && round >= SHORTEST {
                return round;
            }
        }
        match unit.checked_mul(10) {
            Some(next) => unit = next,
            None => return u32::MAX,
        }
    }
}

/// The round number of labels that is at least one of so many `parts`: 1, 2 or 5 with noughts.
fn step_of(labels: u32, parts: u32) -> u32 {
    let part = labels.div_ceil(parts.max(1)).max(1);
    let mut unit: u32 = 1;
    loop {
        for step in [1, 2, 5] {
            let round = unit.saturating_mul(step);
            if round >= part {
                return round;
            }
        }
        unit = unit.saturating_mul(10);
    }
}

impl Strip {
    /// How many labels the strip is long.
    fn length(&self) -> u32 {
        let seen = self.places.iter().map(|place| place.last).max().unwrap_or(0).max(self.passed);
        // Room ahead, so that the web is seen to move on.
        if self.whole { seen.max(1) } else { round_up(seen.saturating_add(seen / 10)) }
    }

    /// Where that many labels end, in a picture of that width.
    fn x(&self, labels: u32, width: u32) -> u32 {
        let inner = u64::from(width.saturating_sub(2 * MARGIN));
        let at = u64::from(labels).saturating_mul(inner) / u64::from(self.length());
        MARGIN.saturating_add(u32::try_from(at.min(inner)).unwrap_or(0))
    }

    /// The middle of a fault's place.
    fn middle(&self, place: &Place, width: u32) -> u32 {
        let from = if place.fault.between_labels() { place.first } else { place.first.saturating_sub(1) };
        (self.x(from, width) + self.x(place.last.max(from), width)) / 2
    }

    /// Marks gathered where they would lie over each other: where the first of them lies, then kind to how many and whether
    /// one waits.
    fn columns(&self, width: u32) -> BTreeMap<u32, BTreeMap<FaultKind, (u32, bool)>> {
        let mut columns: BTreeMap<u32, BTreeMap<FaultKind, (u32, bool)>> = BTreeMap::new();
        let mut places: Vec<(u32, &Place)> =
            self.places.iter().map(|place| (self.middle(place, width), place)).collect();
        places.sort_by_key(|(at, _)| *at);
        let mut column = 0;
        for (at, place) in places {
            if columns.is_empty() || at - column >= COLUMN {
                column = at;
            }
            let (many, waits) = columns.entry(column).or_default().entry(place.fault).or_default();
            *many = many.saturating_add(place.last.saturating_sub(place.first).saturating_add(1));
            *waits |= place.waits;
        }
        columns
    }

    /// What it shows, in words.
    pub(super) fn said(&self) -> String {
        let faults = match self.places.len() {
            0 => "no fault seen".to_owned(),
            1 => "1 fault seen".to_owned(),
            many => format!("{} faults seen", words::number(u64::try_from(many).unwrap_or(u64::MAX))),
        };
        let passed = words::number(self.passed);
        match self.whole {
            true => format!("The web from the end that ran first: {passed} labels, {faults}; they are listed below."),
            false => format!("The web so far: at label {passed}, {faults}; they are listed below."),
        }
    }

    /// The picture. `name` is the beginning of the names of its parts.
    pub(super) fn svg(&self, width: u32, name: &str) -> String {
        let columns = self.columns(width);
        let rows = columns.values().map(|kinds| kinds.len().min(ROWS_MAX)).max().unwrap_or(0);
        let top = u32::try_from(rows).unwrap_or(0) * ROW + 8;
        let height = top + WEB + 46;
        let mut out = String::new();
        // Writing to a string cannot fail.
        let _ = write!(
            out,
            r#"<svg class="strip strip-{name}" viewBox="0 0 {width} {height}" role="img" aria-label="{}">"#,
            self.said()
        );
        self.web(&mut out, width, top, name);
        for (column, kinds) in &columns {
            Self::marks(&mut out, top, *column, kinds);
        }
        self.scale(&mut out, width, top + WEB);
        out.push_str("</svg>");
        out
    }

    /// The labels on their liner, those that have passed full, with a line at each fault's place.
    fn web(&self, out: &mut String, width: u32, top: u32, name: &str) {
        let (left, right) = (MARGIN, width - MARGIN);
        let now = self.x(self.passed, width);
        let _ = write!(
            out,
            r#"<rect class="liner" x="{left}" y="{top}" width="{}" height="{WEB}"/><rect id="{name}-ran" class="ran" x="{left}" y="{top}" width="{}" height="{WEB}"/>"#,
            right - left,
            now.saturating_sub(left)
        );
        let mut at = left + 3;
        while at + 11 <= right {
            let _ = write!(
                out,
                r#"<rect class="label" x="{at}" y="{}" width="11" height="{}" rx="2"/>"#,
                top + 5,
                WEB - 10
            );
            at += 16;
        }
        for place in &self.places {
            let x = self.middle(place, width);
            let waits = if place.waits { " waits" } else { "" };
            let _ = write!(out, r#"<path class="at{waits}" d="M{x},{}V{}"/>"#, top - 4, top + WEB + 4);
        }
        if !self.whole {
            let _ = write!(
                out,
                r#"<g id="{name}-head" class="head" transform="translate({now} 0)"><path d="M0,{}V{}"/><path class="full" d="M0,{}L-9,{}H9Z"/></g>"#,
                top - 6,
                top + WEB + 6,
                top + WEB + 2,
                top + WEB + 16
            );
        }
    }

    fn marks(out: &mut String, top: u32, x: u32, kinds: &BTreeMap<FaultKind, (u32, bool)>) {
        let shown = if kinds.len() > ROWS_MAX { ROWS_MAX - 1 } else { kinds.len() };
        for (row, (fault, (many, waits))) in (0_u32..).zip(kinds.iter().take(shown)) {
            let y = top.saturating_sub(22 + row * ROW);
            let waits = if *waits { " waits" } else { "" };
            let _ = write!(
                out,
                r#"<g class="mark mark-{}{waits}" transform="translate({x} {y})">{}<text y="5">{}</text>"#,
                fault.as_str(),
                shape(*fault),
                letter(*fault)
            );
            if *many > 1 {
                let _ = write!(out, r#"<text class="many" x="17" y="5">{many}</text>"#);
            }
            out.push_str("</g>");
        }
        if kinds.len() > shown {
            let y = top.saturating_sub(17 + (ROWS_MAX as u32 - 1) * ROW);
            let _ = write!(out, r#"<text class="more" x="{x}" y="{y}">+{}</text>"#, kinds.len() - shown);
        }
    }

    fn scale(&self, out: &mut String, width: u32, below: u32) {
        let length = self.length();
        let end = self.x(length, width);
        let mut ticks = vec![0];
        let step = step_of(length, (end - MARGIN) / NUMBER);
        let mut at = step;
        // The last round number is left out where it would run into the end's own.
        while at < length && end - self.x(at, width) >= NUMBER {
            ticks.push(at);
            at = at.saturating_add(step);
        }
        ticks.push(length);
        for (index, labels) in ticks.iter().enumerate() {
            let x = self.x(*labels, width);
            let anchor = match index {
                0 => "start",
                _ if *labels == length => "end",
                _ => "middle",
            };
            let text_x = match anchor {
                "start" => MARGIN,
                "end" => width - MARGIN,
                _ => x,
            };
            let _ = write!(
                out,
                r#"<path class="tick" d="M{x},{below}v6"/><text class="tick" x="{text_x}" y="{}" text-anchor="{anchor}">{}</text>"#,
                below + 40,
                words::number(*labels)
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn place(fault: FaultKind, first: u32, last: u32) -> Place {
        Place { fault, first, last, waits: true }
    }

    #[test]
    fn a_roll_that_runs_is_drawn_on_a_round_length_that_only_what_passed_decides() {
        for (passed, length) in [(0, 200), (182, 200), (183, 400), (364, 400), (365, 1_000), (3_700, 10_000)] {
            let strip = Strip { passed, whole: false, places: Vec::new() };
            assert_eq!(strip.length(), length, "{passed}");
        }
        let whole = Strip { passed: 2_497, whole: true, places: Vec::new() };
        assert_eq!((whole.length(), whole.x(2_497, 1_000), whole.x(0, 1_000)), (2_497, 982, 18));
    }

    #[test]
    fn a_fault_lies_on_its_label_or_after_it() {
        let strip = Strip { passed: 10, whole: true, places: Vec::new() };
        // 1,036 wide: 100 for each label.
        assert_eq!(strip.middle(&place(FaultKind::Unread, 3, 3), 1_036), 18 + 250);
        assert_eq!(strip.middle(&place(FaultKind::Unread, 3, 4), 1_036), 18 + 300);
        assert_eq!(strip.middle(&place(FaultKind::Splice, 3, 3), 1_036), 18 + 300);
        assert_eq!(strip.middle(&place(FaultKind::Missing, 0, 0), 1_036), 18);
        assert_eq!(strip.middle(&place(FaultKind::Missing, 10, 10), 1_036), 1_018);
    }

    #[test]
    fn marks_in_one_place_are_gathered_by_kind_and_none_is_lost() {
        let mut places = vec![place(FaultKind::Missing, 50, 50), place(FaultKind::Missing, 51, 51)];
        places.push(place(FaultKind::Unread, 51, 53));
        places.push(Place { waits: false, ..place(FaultKind::Splice, 900, 900) });
        let strip = Strip { passed: 1_000, whole: true, places };
        let columns = strip.columns(1_036);
        let told: Vec<_> = columns.values().flatten().map(|(kind, (many, waits))| (*kind, *many, *waits)).collect();
        assert_eq!(told, [(FaultKind::Missing, 2, true), (FaultKind::Unread, 3, true), (FaultKind::Splice, 1, false)]);
        let svg = strip.svg(1_036, "wide");
        assert_eq!(svg.matches("class=\"at").count(), 4, "a line for each");
        assert!(!svg.contains("style"), "the page's policy takes no style in a picture");
    }

    #[test]
    fn marks_do_not_lie_over_each_other() {
        let places: Vec<Place> = (0..60).map(|at| place(FaultKind::Unread, 1 + at * 7, 1 + at * 7)).collect();
        let strip = Strip { passed: 500, whole: true, places };
        for width in [420, 1_180] {
            let at: Vec<u32> = strip.columns(width).into_keys().collect();
            assert!(at.windows(2).all(|pair| pair[1] - pair[0] >= COLUMN), "{at:?}");
        }
    }

    #[test]
    fn two_kinds_of_fault_share_neither_shape_nor_letter() {
        let kinds = [
            FaultKind::Missing,
            FaultKind::Splice,
            FaultKind::Unread,
            FaultKind::WrongCode,
            FaultKind::Overlap,
            FaultKind::VisionReject,
            FaultKind::WebBreak,
        ];
        let all: std::collections::BTreeSet<_> = kinds.iter().map(|kind| (letter(*kind), shape(*kind))).collect();
        let letters: std::collections::BTreeSet<_> = kinds.iter().map(|kind| letter(*kind)).collect();
        assert_eq!((all.len(), letters.len()), (7, 7));
    }

    #[test]
    fn the_scale_has_round_numbers() {
        for (labels, parts, step) in
            [(200, 4, 50), (400, 4, 100), (1_000, 4, 500), (2_497, 13, 200), (398, 4, 100), (3, 4, 1)]
        {
            assert_eq!(step_of(labels, parts), step, "{labels} in {parts}");
        }
    }

    #[test]
    fn numbers_of_the_scale_do_not_run_into_each_other() {
        for passed in [1, 7, 398, 2_497, 99_999, 999_999] {
            for width in [420, 1_180] {
                let svg = Strip { passed, whole: true, places: Vec::new() }.svg(width, "n");
                let numbers = svg.split("<text class=\"tick\" x=\"").skip(1);
                let at: Vec<u32> = numbers.filter_map(|text| text.split('"').next()?.parse().ok()).collect();
                assert!(at.windows(2).all(|pair| pair[1] - pair[0] >= NUMBER), "{passed} in {width}: {at:?}");
                assert!(at.len() >= 2, "{passed} in {width}: {at:?}");
            }
        }
    }
}
