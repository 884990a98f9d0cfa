//! A record's PDF taken apart into its objects and put together again by somebody who has no key, so that its form is as it
//! should be. Its own reader, by `FORMAT.md` section 6: the one that is attacked is not asked.

use std::io::{Read as _, Write as _};

use flate2::Compression;
use flate2::read::ZlibDecoder;
use flate2::write::ZlibEncoder;

/// A PDF as its objects.
pub struct Pdf {
    /// What stands before the first object.
    head: Vec<u8>,
    /// Each from its number to `endobj` and the white space after it, in the order of the file, with its number.
    objects: Vec<(usize, Vec<u8>)>,
    /// From `trailer` to before `startxref`.
    trailer: Vec<u8>,
}

fn find(bytes: &[u8], text: &str) -> Option<usize> {
    bytes.windows(text.len()).position(|part| part == text.as_bytes())
}

fn rfind(bytes: &[u8], text: &str) -> Option<usize> {
    bytes.windows(text.len()).rposition(|part| part == text.as_bytes())
}

/// The number that the digits at the beginning say.
fn number(bytes: &[u8]) -> usize {
    let digits = bytes.iter().take_while(|byte| byte.is_ascii_digit()).count();
    std::str::from_utf8(&bytes[..digits]).unwrap().parse().unwrap()
}

fn replaced(bytes: &[u8], from: &str, to: &str) -> Vec<u8> {
    let at = find(bytes, from).unwrap_or_else(|| panic!("there is no {from}"));
    [&bytes[..at], to.as_bytes(), &bytes[at + from.len()..]].concat()
}

impl Pdf {
    pub fn of(bytes: &[u8]) -> Self {
        let starts = rfind(bytes, "startxref\n").unwrap();
        let table = number(&bytes[starts + 10..]);
        let trailer = table + find(&bytes[table..], "trailer").unwrap();
        // `xref`, the range, then a line of 20 bytes for each object; the first is no object.
        let lines = table + 5 + find(&bytes[table + 5..], "\n").unwrap() + 1;
        let offset = |line: &[u8]| number(&line[..10]);
        let mut offsets: Vec<(usize, usize)> =
            bytes[lines..trailer].chunks_exact(20).map(offset).enumerate().skip(1).map(|(n, at)| (at, n)).collect();
        offsets.sort_unstable();
        let ends = offsets.iter().skip(1).map(|(at, _)| *at).chain([table]);
        let objects = offsets.iter().zip(ends).map(|((at, n), end)| (*n, bytes[*at..end].to_vec())).collect();
        Self { head: bytes[..offsets[0].0].to_vec(), objects, trailer: bytes[trailer..starts].to_vec() }
    }

    pub fn bytes(&self) -> Vec<u8> {
        let mut out = self.head.clone();
        let mut offsets = vec![0; self.objects.len() + 1];
        for (n, object) in &self.objects {
            offsets[*n] = out.len();
            out.extend_from_slice(object);
        }
        let table = out.len();
        out.extend(format!("xref\n0 {}\n0000000000 65535 f\r\n", offsets.len()).bytes());
        for offset in &offsets[1..] {
            out.extend(format!("{offset:010} 00000 n\r\n").bytes());
        }
        out.extend_from_slice(&self.trailer);
        out.extend(format!("startxref\n{table}\n%%EOF").bytes());
        out
    }

    /// The attached file that has that text in it: its place among the objects, and its bytes.
    fn attached(&self, text: &str) -> (usize, Vec<u8>) {
        let opened = self.objects.iter().enumerate().filter(|(_, (_, object))| {
            find(object, "stream\n").is_some_and(|at| find(&object[..at], "/EmbeddedFile").is_some())
        });
        let opened = opened.map(|(place, (_, object))| {
            let from = find(object, "stream\n").unwrap() + 7;
            let mut bytes = Vec::new();
            ZlibDecoder::new(&object[from..]).read_to_end(&mut bytes).unwrap();
            (place, bytes)
        });
        let mut found = opened.filter(|(_, bytes)| find(bytes, text).is_some());
        found.next().unwrap_or_else(|| panic!("nothing that is attached says {text}"))
    }

    /// Changes the first such text in an attached file, and packs it again.
    pub fn change_attached(&mut self, from: &str, to: &str) {
        let (place, bytes) = self.attached(from);
        let mut packed = ZlibEncoder::new(Vec::new(), Compression::default());
        packed.write_all(&replaced(&bytes, from, to)).unwrap();
        let packed = packed.finish().unwrap();
        let object = &mut self.objects[place].1;
        let stream = find(object, "stream\n").unwrap();
        let length = find(&object[..stream], "/Length ").unwrap() + 8;
        let said = number(&object[length..]);
        let end = &object[stream + 7 + said..];
        let head = replaced(&object[..stream], &format!("/Length {said}"), &format!("/Length {}", packed.len()));
        *object = [&head, &b"stream\n"[..], &packed, end].concat();
    }

    /// Changes one bit of the packed bytes of the attached file that has that text in it.
    pub fn flip_attached(&mut self, text: &str) {
        let (place, _) = self.attached(text);
        let object = &mut self.objects[place].1;
        let at = find(object, "stream\n").unwrap() + 7 + 200;
        object[at] ^= 1;
    }

    /// Exchanges the first two pages.
    pub fn exchange_pages(&mut self) {
        let tree =
            self.objects.iter().position(|(_, object)| find(object, "/Kids").is_some()).expect("a tree of pages");
        let object = &mut self.objects[tree].1;
        let list = find(object, "[").unwrap() + 1;
        let [first, second] = {
            let end = list + find(&object[list..], "]").unwrap();
            let text = std::str::from_utf8(&object[list..end]).unwrap();
            let references: Vec<&str> = text.split_inclusive('R').take(2).map(str::trim).collect();
            [references[0].to_owned(), references[1].to_owned()]
        };
        let swapped = replaced(&object[list..], &first, "FIRST");
        let swapped = replaced(&swapped, &second, &first);
        *object = [&object[..list], &replaced(&swapped, "FIRST", &second)].concat();
    }
}
