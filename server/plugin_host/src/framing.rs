//! Cuts a byte stream into frames.
//!
//! The cut depends on the bytes alone, never on the pieces in which a link delivered them, and every byte belongs to
//! exactly one cut or to the silence that a declaration allows between frames. Memory is bounded by the longest frame.

use std::ops::Range;

use crate::declaration::{LengthCounts, Order};

/// How frames of one plugin lie in the stream.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shape {
    /// Every frame begins with these bytes; may be empty.
    pub start: Vec<u8>,
    /// Bytes that may stand between two frames without being an error. Only with a start.
    pub between: Vec<u8>,
    /// How a frame ends.
    pub tail: Tail,
    /// The most bytes of a frame without its start and end. Unit: bytes.
    pub max: usize,
}

/// How a frame ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Tail {
    /// A line: its pattern sees it without the end.
    Line { end: Vec<u8> },
    /// At these bytes and so many more after them: its pattern sees all of it.
    Until { end: Vec<u8>, after: usize },
    /// After so many bytes, the start included.
    Size(usize),
    /// After as many bytes as a number after the start says.
    Length { bytes: usize, order: Order, counts: LengthCounts },
    /// With the stream.
    Stream,
}

/// One piece of the stream.
#[derive(Debug)]
pub struct Cut<'a> {
    /// First byte in the stream.
    pub from: u64,
    /// First byte after it.
    pub to: u64,
    /// Its bytes.
    pub bytes: &'a [u8],
    /// What the rules see, or why it is no frame.
    pub frame: Result<&'a [u8], String>,
}

/// Why a stream, or a stretch of it, ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum End {
    /// The count was closed.
    Finished,
    /// The link was lost: bytes may be missing here.
    Lost,
}

/// Of bytes before the start of a frame.
const OUTSIDE: &str = "stands outside any frame";
/// Of more bytes of a frame that was too long already.
const GOES_ON: &str = "goes on, still without its end";

/// Of a frame that is too long.
fn no_end_within(max: usize) -> String {
    format!("no end within {max} bytes")
}

/// Takes bytes as they come and gives cuts.
#[derive(Debug)]
pub struct Framer {
    shape: Shape,
    /// What is not cut yet.
    held: Vec<u8>,
    /// Place of the first held byte in the stream.
    at: u64,
    /// How much of what is held was searched in vain for the next mark.
    searched: usize,
    /// The frame in work was already too long.
    overrun: bool,
}

/// What to do with the bytes held.
enum Step {
    Wait,
    Frame { len: usize, shown: Range<usize> },
    Broken { len: usize, why: String, overrun: bool },
    Silent { len: usize },
}

/// Bytes taken at a time, so that one large piece from a link is not held twice. Unit: bytes.
const PORTION: usize = 4096;

impl Framer {
    pub fn new(shape: Shape) -> Self {
        Self { shape, held: Vec::new(), at: 0, searched: 0, overrun: false }
    }

    /// First byte that belongs to no cut yet.
    pub fn cut_to(&self) -> u64 {
        self.at
    }

    /// First byte that has not come yet.
    pub fn fed_to(&self) -> u64 {
        self.at + self.held.len() as u64
    }

    /// What bytes that are cut off now would be called, had those after them come: which of these, only they tell.
    pub fn told_by_later(&self) -> [String; 3] {
        [OUTSIDE.to_owned(), no_end_within(self.shape.max), GOES_ON.to_owned()]
    }

    /// Takes the next bytes of the stream.
    pub fn feed(&mut self, bytes: &[u8], sink: &mut impl FnMut(Cut<'_>)) {
        for portion in bytes.chunks(PORTION) {
            self.held.extend_from_slice(portion);
            self.cut(sink);
        }
    }

    /// Ends the stretch: what is held is cut off, and the next byte begins anew.
    pub fn end(&mut self, end: End, sink: &mut impl FnMut(Cut<'_>)) {
        let held = std::mem::take(&mut self.held);
        let (from, to) = (self.at, self.at + held.len() as u64);
        let silent = !self.overrun && !self.shape.start.is_empty() && self.shape.may_stand_between(&held);
        if !silent && !held.is_empty() {
            let frame = if self.shape.tail == Tail::Stream && !self.overrun {
                Ok(held.as_slice())
            } else {
                Err(match end {
                    End::Finished => "the bytes ended in the middle of this frame".to_owned(),
                    End::Lost => "the link was lost in the middle of this frame".to_owned(),
                })
            };
            sink(Cut { from, to, bytes: &held, frame });
        }
        self.at = to;
        self.searched = 0;
        self.overrun = false;
    }

    fn cut(&mut self, sink: &mut impl FnMut(Cut<'_>)) {
        let held = std::mem::take(&mut self.held);
        let mut done = 0;
        loop {
            let view = held.get(done..).unwrap_or_default();
            let look = Look { shape: &self.shape, overrun: self.overrun, searched: &mut self.searched, view };
            let (len, frame) = match look.next() {
                Step::Wait => break,
                Step::Silent { len } => (len, None),
                Step::Frame { len, shown } => (len, Some(Ok(view.get(shown).unwrap_or_default()))),
                Step::Broken { len, why, overrun } => {
                    self.overrun = overrun;
                    (len, Some(Err(why)))
                }
            };
            let from = self.at;
            self.at += len as u64;
            self.searched = 0;
            done += len;
            if let Some(frame) = frame {
                sink(Cut { from, to: self.at, bytes: view.get(..len).unwrap_or_default(), frame });
            }
        }
        self.held = held;
        self.held.drain(..done);
    }
}

/// Looks at what is held. A frame that was already too long is only looked through for its end.
struct Look<'a> {
    shape: &'a Shape,
    overrun: bool,
    searched: &'a mut usize,
    view: &'a [u8],
}

impl Look<'_> {
    /// The next thing to cut. Every answer but `Wait` has a length above 0, and none of them changes when more bytes
    /// follow: that is what makes the cuts independent of the pieces.
    fn next(self) -> Step {
        let Self { shape, view, .. } = self;
        if view.is_empty() {
            return Step::Wait;
        }
        let head = if self.overrun { 0 } else { shape.start.len() };
        if head > 0 && !view.starts_with(&shape.start) {
            return self.stray();
        }
        match &shape.tail {
            Tail::Line { end } => self.until(head, end, 0, true),
            Tail::Until { end, after } => self.until(head, end, *after, false),
            Tail::Size(size) if view.len() >= *size => Step::Frame { len: *size, shown: 0..*size },
            Tail::Size(_) => Step::Wait,
            Tail::Length { bytes, order, counts } => self.by_length(head, head + bytes, *order, *counts),
            Tail::Stream if view.len() > shape.max => self.too_long(shape.max),
            Tail::Stream => Step::Wait,
        }
    }

    /// Bytes before the start of a frame.
    fn stray(self) -> Step {
        let Self { shape, view, searched, .. } = self;
        let begin = searched.saturating_sub(shape.start.len() - 1);
        let len = match find(view, begin, &shape.start) {
            Some(at) if at <= shape.max => at,
            _ if view.len() >= shape.max + shape.start.len() => shape.max,
            _ => {
                *searched = view.len();
                return Step::Wait;
            }
        };
        if shape.may_stand_between(view.get(..len).unwrap_or_default()) {
            Step::Silent { len }
        } else {
            Step::Broken { len, why: OUTSIDE.to_owned(), overrun: false }
        }
    }

    /// A frame that ends with a mark.
    fn until(self, head: usize, end: &[u8], after: usize, line: bool) -> Step {
        let max = self.shape.max;
        let begin = head.max(self.searched.saturating_sub(end.len() - 1));
        match find(self.view, begin, end) {
            Some(at) if at - head <= max => {
                let len = at + end.len() + after;
                if self.view.len() < len {
                    // Bytes after the mark are still to come; the next search finds the same mark first.
                    *self.searched = at;
                    Step::Wait
                } else if self.overrun {
                    let why = "the end of a frame that is too long".to_owned();
                    Step::Broken { len, why, overrun: false }
                } else {
                    Step::Frame { len, shown: if line { 0..at } else { 0..len } }
                }
            }
            _ if self.view.len() >= head + max + end.len() => self.too_long(head + max),
            _ => {
                *self.searched = self.view.len();
                Step::Wait
            }
        }
    }

    /// A frame that says its length.
    fn by_length(self, head: usize, header: usize, order: Order, counts: LengthCounts) -> Step {
        let max = self.shape.max;
        let Some(number) = self.view.get(head..header) else { return Step::Wait };
        // At most four bytes, so the number fits everywhere.
        let said = usize::try_from(order.number(number)).unwrap_or(usize::MAX);
        let rest = match counts {
            LengthCounts::Rest => Some(said),
            LengthCounts::Frame => said.checked_sub(header),
        };
        // Only the header of a wrong length is given up: the next frame may begin right behind it.
        let broken = |why| Step::Broken { len: header, why, overrun: false };
        match rest {
            None => broken(format!("its length says {said}, less than the {header} bytes that stand before the rest")),
            Some(rest) if rest > max => {
                broken(format!("its length says {said}, and the most is {max} after the length"))
            }
            Some(rest) if self.view.len() >= header + rest => {
                Step::Frame { len: header + rest, shown: 0..header + rest }
            }
            Some(_) => Step::Wait,
        }
    }

    fn too_long(self, len: usize) -> Step {
        let why = if self.overrun { GOES_ON.to_owned() } else { no_end_within(self.shape.max) };
        Step::Broken { len, why, overrun: true }
    }
}

impl Shape {
    fn may_stand_between(&self, bytes: &[u8]) -> bool {
        bytes.iter().all(|byte| self.between.contains(byte))
    }
}

/// Where `mark` first stands in `bytes`, from `begin` on.
fn find(bytes: &[u8], begin: usize, mark: &[u8]) -> Option<usize> {
    let (first, rest) = mark.split_first()?;
    let mut at = begin;
    loop {
        at += bytes.get(at..)?.iter().position(|byte| byte == first)?;
        if bytes.get(at + 1..)?.starts_with(rest) {
            return Some(at);
        }
        at += 1;
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn line(max: usize) -> Shape {
        Shape { start: vec![], between: vec![], tail: Tail::Line { end: b"\r\n".to_vec() }, max }
    }

    fn stx(after: usize) -> Shape {
        Shape { start: vec![2], between: b"\r\n".to_vec(), tail: Tail::Until { end: vec![3], after }, max: 8 }
    }

    /// The cuts of `pieces`, each as text: `from-to shown` or `from-to ! why`.
    fn cuts(shape: &Shape, pieces: &[&[u8]], end: End) -> Vec<String> {
        let mut framer = Framer::new(shape.clone());
        let mut seen = Vec::new();
        let mut sink = |cut: Cut<'_>| {
            assert_eq!(cut.bytes.len() as u64, cut.to - cut.from);
            seen.push(match cut.frame {
                Ok(shown) => format!("{}-{} {}", cut.from, cut.to, crate::escaped(shown, 80)),
                Err(why) => format!("{}-{} ! {why}", cut.from, cut.to),
            });
        };
        for piece in pieces {
            framer.feed(piece, &mut sink);
        }
        framer.end(end, &mut sink);
        assert_eq!(framer.cut_to(), framer.fed_to());
        seen
    }

    fn check(shape: &Shape, bytes: &[u8], expected: &[&str]) {
        assert_eq!(cuts(shape, &[bytes], End::Finished), expected);
        let one_by_one: Vec<&[u8]> = bytes.chunks(1).collect();
        assert_eq!(cuts(shape, &one_by_one, End::Finished), expected);
    }

    #[test]
    fn lines_end_at_both_bytes_of_their_end_and_not_at_one() {
        check(&line(8), b"a\r\nb\rc\n\r\n\r\n", &["0-3 a", "3-9 b\\rc\\n", "9-11 "]);
        check(&line(8), b"a\r\nbc", &["0-3 a", "3-5 ! the bytes ended in the middle of this frame"]);
    }

    #[test]
    fn a_line_of_the_most_bytes_is_a_line_and_one_more_is_not() {
        check(&line(4), b"abcd\r\n", &["0-6 abcd"]);
        check(
            &line(4),
            b"abcde\r\nf\r\n",
            &["0-4 ! no end within 4 bytes", "4-7 ! the end of a frame that is too long", "7-10 f"],
        );
    }

    #[test]
    fn an_endless_line_is_given_up_in_pieces_and_the_next_line_is_read() {
        check(
            &line(4),
            b"abcdefgh\r\nok\r\n",
            &["0-4 ! no end within 4 bytes", "4-10 ! the end of a frame that is too long", "10-14 ok"],
        );
        check(
            &line(4),
            b"abcdefghijk\r\n",
            &[
                "0-4 ! no end within 4 bytes",
                "4-8 ! goes on, still without its end",
                "8-13 ! the end of a frame that is too long",
            ],
        );
    }

    #[test]
    fn a_framer_holds_no_more_than_its_longest_frame() {
        let mut framer = Framer::new(line(64));
        for _ in 0..100 {
            framer.feed(&[b'x'; 10_000], &mut |_| {});
            assert!(framer.held.len() < 64 + 2, "{}", framer.held.len());
        }
        assert!(framer.held.capacity() < 16 * 1024, "{}", framer.held.capacity());
    }

    #[test]
    fn delimited_frames_show_all_their_bytes_and_say_what_stands_outside() {
        check(&stx(0), b"\x02A\x03\r\n\x02B\x03", &["0-3 \\x02A\\x03", "5-8 \\x02B\\x03"]);
        check(&stx(0), b"x\r\x02A\x03", &["0-2 ! stands outside any frame", "2-5 \\x02A\\x03"]);
        check(&stx(1), b"\x02A\x03\x03\x02B\x03\x02", &["0-4 \\x02A\\x03\\x03", "4-8 \\x02B\\x03\\x02"]);
        check(&stx(1), b"\x02A\x03", &["0-3 ! the bytes ended in the middle of this frame"]);
        check(&stx(0), b"\r\n", &[]);
        check(
            &stx(0),
            b"0123456789\x02A\x03",
            &["0-8 ! stands outside any frame", "8-10 ! stands outside any frame", "10-13 \\x02A\\x03"],
        );
    }

    #[test]
    fn a_start_of_several_bytes_is_found_across_pieces() {
        let shape = Shape { start: b"<<".to_vec(), between: vec![], tail: Tail::Size(4), max: 4 };
        check(&shape, b"<<ab<x<<cd", &["0-4 <<ab", "4-6 ! stands outside any frame", "6-10 <<cd"]);
    }

    #[test]
    fn a_length_that_cannot_be_gives_up_its_header_only() {
        let tail = |counts| Tail::Length { bytes: 2, order: Order::HighFirst, counts };
        let rest = Shape { start: vec![], between: vec![], tail: tail(LengthCounts::Rest), max: 4 };
        check(&rest, b"\0\x04abcd\0\0\0\x01c", &["0-6 \\x00\\x04abcd", "6-8 \\x00\\x00", "8-11 \\x00\\x01c"]);
        check(
            &rest,
            b"\0\x05\0\x01c",
            &["0-2 ! its length says 5, and the most is 4 after the length", "2-5 \\x00\\x01c"],
        );
        let frame = Shape { tail: tail(LengthCounts::Frame), ..rest };
        check(
            &frame,
            b"\0\x04ab\0\x01",
            &["0-4 \\x00\\x04ab", "4-6 ! its length says 1, less than the 2 bytes that stand before the rest"],
        );
        let low = Tail::Length { bytes: 2, order: Order::LowFirst, counts: LengthCounts::Rest };
        check(&Shape { tail: low, ..frame }, b"\x01\0z", &["0-3 \\x01\\x00z"]);
    }

    #[test]
    fn a_whole_stream_is_one_frame_unless_it_is_too_long() {
        let shape = Shape { start: vec![], between: vec![], tail: Tail::Stream, max: 4 };
        check(&shape, b"abcd", &["0-4 abcd"]);
        check(&shape, b"abcde", &["0-4 ! no end within 4 bytes", "4-5 ! the bytes ended in the middle of this frame"]);
        check(&shape, b"", &[]);
    }

    #[test]
    fn a_lost_link_cuts_the_frame_off_and_the_next_byte_begins_anew() {
        let mut framer = Framer::new(line(8));
        let mut seen = Vec::new();
        let mut sink = |cut: Cut<'_>| seen.push((cut.from, cut.to, cut.frame.map(<[u8]>::to_vec)));
        framer.feed(b"ab", &mut sink);
        framer.end(End::Lost, &mut sink);
        framer.feed(b"c\r\n0123456789", &mut sink);
        framer.end(End::Lost, &mut sink);
        // Also one that was already given up as too long: what follows is no longer the rest of it.
        framer.feed(b"d\r\n", &mut sink);
        assert_eq!(
            seen,
            [
                (0, 2, Err("the link was lost in the middle of this frame".to_owned())),
                (2, 5, Ok(b"c".to_vec())),
                (5, 13, Err("no end within 8 bytes".to_owned())),
                (13, 15, Err("the link was lost in the middle of this frame".to_owned())),
                (15, 18, Ok(b"d".to_vec())),
            ]
        );
    }

    fn any_shape() -> impl Strategy<Value = Shape> {
        let mark = || prop::collection::vec(prop::sample::select(b"ab\r\n".to_vec()), 1..3);
        let order = prop_oneof![Just(Order::HighFirst), Just(Order::LowFirst)];
        let counts = prop_oneof![Just(LengthCounts::Rest), Just(LengthCounts::Frame)];
        let tail = prop_oneof![
            mark().prop_map(|end| Tail::Line { end }),
            (mark(), 0..3_usize).prop_map(|(end, after)| Tail::Until { end, after }),
            (2..6_usize).prop_map(Tail::Size),
            (1..5_usize, order, counts).prop_map(|(bytes, order, counts)| Tail::Length { bytes, order, counts }),
            Just(Tail::Stream),
        ];
        (prop::option::of(mark()), prop::option::of(mark()), tail, 1..9_usize).prop_map(
            |(start, between, tail, max)| {
                let line = matches!(tail, Tail::Line { .. });
                let start = if line { vec![] } else { start.unwrap_or_default() };
                Shape { start, between: between.unwrap_or_default(), tail, max }
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(2_000))]

        /// Any shape, any bytes, any pieces: the same cuts, in order, without overlap, and nothing left over.
        #[test]
        fn cuts_do_not_depend_on_the_pieces(
            shape in any_shape(),
            bytes in prop::collection::vec(prop_oneof![prop::sample::select(b"ab\r\n\0\x01\x02".to_vec()), any::<u8>()], 0..120),
            sizes in prop::collection::vec(1..20_usize, 1..60),
        ) {
            let run = |pieces: &[&[u8]]| {
                let mut framer = Framer::new(shape.clone());
                let mut seen = Vec::new();
                let mut end = 0;
                let mut sink = |cut: Cut<'_>| {
                    assert!(cut.from >= end && cut.to > cut.from);
                    assert_eq!(cut.bytes, &bytes[cut.from as usize..cut.to as usize]);
                    // What is skipped in silence was declared.
                    assert!(bytes[end as usize..cut.from as usize].iter().all(|b| shape.between.contains(b)));
                    end = cut.to;
                    seen.push((cut.from, cut.to, cut.frame.map(<[u8]>::to_vec)));
                };
                for piece in pieces {
                    framer.feed(piece, &mut sink);
                    assert!(framer.held.len() <= 2 * shape.max + 16 + 4 + 6);
                }
                framer.end(End::Finished, &mut sink);
                assert_eq!(framer.cut_to(), bytes.len() as u64);
                seen
            };
            let mut pieces = Vec::new();
            let mut rest = bytes.as_slice();
            for size in sizes.iter().cycle() {
                if rest.is_empty() { break }
                let (piece, more) = rest.split_at((*size).min(rest.len()));
                pieces.push(piece);
                rest = more;
            }
            prop_assert_eq!(run(&[bytes.as_slice()]), run(&pieces));
        }
    }
}
