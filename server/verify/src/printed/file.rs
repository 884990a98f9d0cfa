//! A PDF taken apart so that every byte belongs to one thing, and the three files that a record's PDF has attached.
//!
//! Rule: `FORMAT.md` section 6.

use std::collections::BTreeMap;
use std::io::Read as _;

use flate2::read::ZlibDecoder;

use super::object::{Broken, Dict, Reader, Value};

/// The names of the attached files.
pub(crate) const ATTACHED: [&str; 3] = ["checkpoint.txt", "entries.jsonl", "proofs.jsonl"];

/// The attached files together are at most so long, a hundred thousand entries and more: a file of a megabyte must not take
/// a machine's memory. Unit: bytes.
const MOST: u64 = 256 << 20;

/// Why a file is not a record's PDF.
pub(crate) type PdfFault = String;

/// An object with the bytes behind it, where it is a stream.
struct Object<'a> {
    value: Value,
    stream: Option<&'a [u8]>,
}

/// A PDF of the strict form.
pub(crate) struct Pdf<'a> {
    objects: BTreeMap<u64, Object<'a>>,
    root: u64,
}

impl<'a> Pdf<'a> {
    /// Takes it apart. Errors: what is not of the form, in a sentence.
    pub(crate) fn open(bytes: &'a [u8]) -> Result<Self, PdfFault> {
        layout(bytes).map_err(|Broken(at, what)| format!("at byte {at}: {what}"))
    }

    /// The attached files by name: exactly those of a record, each once, and no other anywhere in the file.
    ///
    /// Errors: in a sentence.
    pub(crate) fn attached(&self) -> Result<BTreeMap<String, Vec<u8>>, PdfFault> {
        let root = Value::Reference(self.root);
        let catalog = self.dict(&root).ok_or("the catalog is no dictionary")?;
        let names = catalog.get(&b"Names"[..]).and_then(|names| self.dict(names)).ok_or("nothing is attached")?;
        let tree = names.get(&b"EmbeddedFiles"[..]).and_then(|tree| self.dict(tree)).ok_or("nothing is attached")?;
        if tree.contains_key(&b"Kids"[..]) {
            return Err("the attachments are listed in more than one place".to_owned());
        }
        let Some(Value::List(list)) = tree.get(&b"Names"[..]).map(|list| self.value(list)) else {
            return Err("the attachments are not listed".to_owned());
        };
        let mut files = BTreeMap::new();
        let mut streams = Vec::new();
        let mut left = MOST;
        for pair in list.chunks(2) {
            let [Value::Text(name), specification] = pair else {
                return Err("the attachments are not listed as names and files".to_owned());
            };
            let name = String::from_utf8_lossy(name).into_owned();
            if !ATTACHED.contains(&name.as_str()) {
                return Err(format!("{name:?} is attached, which no record has"));
            }
            let Value::Reference(number) = specification else {
                return Err(format!("{name} is not an object of its own"));
            };
            let (stream, data) = self.file(&name, specification, left)?;
            left = left.saturating_sub(data.len() as u64);
            streams.push((*number, stream));
            if files.insert(name.clone(), data).is_some() {
                return Err(format!("{name} is attached twice"));
            }
        }
        if let Some(name) = ATTACHED.into_iter().find(|name| !files.contains_key(*name)) {
            return Err(format!("{name} is not attached"));
        }
        self.nothing_else(&streams)?;
        Ok(files)
    }

    /// The number of a file's stream, and its bytes.
    fn file(&self, name: &str, specification: &Value, most: u64) -> Result<(u64, Vec<u8>), PdfFault> {
        let wrong = |what: &str| format!("{name}: {what}");
        let specification = self.dict(specification).ok_or_else(|| wrong("its specification is no dictionary"))?;
        for key in [&b"F"[..], b"UF"] {
            let Some(Value::Text(said)) = specification.get(key) else { return Err(wrong("it has no name")) };
            if plain(said).as_deref() != Some(name) {
                return Err(wrong("it is listed under another name than its own"));
            }
        }
        let embedded = specification.get(&b"EF"[..]).and_then(|embedded| self.dict(embedded));
        let embedded = embedded.ok_or_else(|| wrong("it has no bytes"))?;
        let Some(Value::Reference(number)) = embedded.get(&b"F"[..]) else { return Err(wrong("it has no bytes")) };
        if embedded.iter().any(|(key, value)| key != b"F" && (key != b"UF" || *value != Value::Reference(*number))) {
            return Err(wrong("it has more than one content"));
        }
        let object = self.objects.get(number).ok_or_else(|| wrong("it has no bytes"))?;
        let (Value::Dict(dict), Some(raw)) = (&object.value, object.stream) else {
            return Err(wrong("it has no bytes"));
        };
        if dict.get(&b"Type"[..]) != Some(&Value::Name(b"EmbeddedFile".to_vec())) {
            return Err(wrong("its stream is no embedded file"));
        }
        let deflated = match dict.get(&b"Filter"[..]) {
            None => false,
            Some(Value::Name(name)) if name == b"FlateDecode" => true,
            Some(_) => return Err(wrong("it is packed in another way than by deflate")),
        };
        if dict.contains_key(&b"DecodeParms"[..]) || dict.contains_key(&b"DP"[..]) {
            return Err(wrong("it is packed with parameters"));
        }
        let data = if deflated { inflated(raw, most).map_err(wrong)? } else { raw.to_vec() };
        Ok((*number, data))
    }

    /// No other object has a file in it: not one that is named nowhere, nor one that a picture or a note carries.
    fn nothing_else(&self, known: &[(u64, u64)]) -> Result<(), PdfFault> {
        for (number, object) in &self.objects {
            let is_specification = known.iter().any(|(specification, _)| specification == number);
            let is_file = known.iter().any(|(_, stream)| stream == number);
            let most = usize::from(is_specification);
            if carriers(&object.value) > most {
                return Err(format!("object {number} carries a file that is not attached to the record"));
            }
            if let Value::Dict(dict) = &object.value
                && !is_file
                && dict.get(&b"Type"[..]) == Some(&Value::Name(b"EmbeddedFile".to_vec()))
            {
                return Err(format!("object {number} is a file that nothing names"));
            }
        }
        Ok(())
    }

    /// What a reference leads to, one step far.
    fn value<'v>(&'v self, value: &'v Value) -> &'v Value {
        match value {
            Value::Reference(number) => self.objects.get(number).map_or(&Value::Null, |object| &object.value),
            value => value,
        }
    }

    fn dict<'v>(&'v self, value: &'v Value) -> Option<&'v Dict> {
        match self.value(value) {
            Value::Dict(dict) => Some(dict),
            _ => None,
        }
    }
}

/// How many dictionaries in it have the entry that file specifications have.
fn carriers(value: &Value) -> usize {
    match value {
        Value::List(list) => list.iter().map(carriers).sum(),
        Value::Dict(dict) => usize::from(dict.contains_key(&b"EF"[..])) + dict.values().map(carriers).sum::<usize>(),
        _ => 0,
    }
}

/// A name as text: PDFDocEncoding of ASCII, or UTF-16 with its mark.
fn plain(text: &[u8]) -> Option<String> {
    match text {
        [0xfe, 0xff, rest @ ..] if rest.len() % 2 == 0 => {
            let units = rest.chunks_exact(2).filter_map(|pair| Some(u16::from_be_bytes(pair.try_into().ok()?)));
            String::from_utf16(&units.collect::<Vec<u16>>()).ok()
        }
        text if text.is_ascii() => String::from_utf8(text.to_vec()).ok(),
        _ => None,
    }
}

fn inflated(raw: &[u8], most: u64) -> Result<Vec<u8>, &'static str> {
    let mut data = Vec::new();
    let mut decoder = ZlibDecoder::new(raw);
    decoder.by_ref().take(most.saturating_add(1)).read_to_end(&mut data).map_err(|_| "its packed bytes are broken")?;
    if data.len() as u64 > most {
        return Err("it is larger than any record");
    }
    // Deflate ends by itself: what stands behind it would be read by nobody.
    if decoder.total_in() != raw.len() as u64 {
        return Err("bytes stand behind its packed bytes");
    }
    Ok(data)
}

/// Every byte of the file, accounted for.
fn layout(bytes: &[u8]) -> Result<Pdf<'_>, Broken> {
    let tail = tail(bytes)?;
    let mut table = Reader::new(bytes, tail.table);
    let offsets = offsets(&mut table)?;
    table.space();
    table.want(b"trailer", "the trailer is wanted")?;
    table.space();
    let trailer = table.dict(0)?;
    table.space();
    if table.at != tail.start {
        return table.broken("something stands between the trailer and startxref");
    }
    for key in [&b"Prev"[..], b"Encrypt", b"XRefStm"] {
        if trailer.contains_key(key) {
            return table.broken("the trailer points to an older revision, or the file is encrypted");
        }
    }
    if trailer.get(&b"Size"[..]) != Some(&Value::Number(Some(offsets.len() as u64))) {
        return table.broken("the trailer tells another number of objects than the table");
    }
    let Some(Value::Reference(root)) = trailer.get(&b"Root"[..]) else {
        return table.broken("the trailer names no catalog");
    };
    let mut order: Vec<(u64, u64)> =
        offsets.iter().zip(0..).filter_map(|(at, number)| Some(((*at)?, number))).collect();
    order.sort_unstable();
    let mut reader = Reader::new(bytes, header(bytes)?);
    let mut objects = BTreeMap::new();
    for (at, number) in order {
        reader.space();
        if reader.at as u64 != at {
            return reader.broken("something stands here that is no object of the table");
        }
        let object = object(bytes, &mut reader, number)?;
        objects.insert(number, object);
    }
    reader.space();
    if reader.at != tail.table {
        return reader.broken("something stands between the objects and the table");
    }
    Ok(Pdf { objects, root: *root })
}

/// Where the table and where `startxref` stand.
struct Tail {
    start: usize,
    table: usize,
}

fn tail(bytes: &[u8]) -> Result<Tail, Broken> {
    // The last 64 bytes hold it: a word, a number, a word.
    let from = bytes.len().saturating_sub(64);
    let end = bytes.get(from..).unwrap_or_default();
    let Some(start) = end.windows(9).rposition(|window| window == b"startxref") else {
        return Err(Broken(
            bytes.len(),
            "it does not end with startxref, a number and %%EOF: bytes stand behind its end",
        ));
    };
    let mut reader = Reader::new(bytes, from + start);
    reader.want(b"startxref", "startxref is wanted")?;
    reader.space();
    let table = reader.number()?;
    reader.space();
    reader.want(b"%%EOF", "%%EOF is wanted")?;
    reader.eat(b"\n");
    if !reader.rest().is_empty() {
        return reader.broken("bytes stand behind its end");
    }
    let table = usize::try_from(table).ok().filter(|table| *table < from + start);
    table.map(|table| Tail { start: from + start, table }).ok_or(Broken(from + start, "startxref leads nowhere"))
}

/// Behind the first line, and the comment of high bytes that may follow it.
fn header(bytes: &[u8]) -> Result<usize, Broken> {
    let mut reader = Reader::new(bytes, 0);
    reader.want(b"%PDF-1.", "%PDF-1. is wanted")?;
    reader.number()?;
    reader.want(b"\n", "the first line does not end")?;
    if reader.eat(b"%") {
        while reader.rest().first().is_some_and(|byte| *byte >= 0x80) {
            reader.at += 1;
        }
        reader.want(b"\n", "the second line holds more than its mark")?;
    }
    Ok(reader.at)
}

/// Where each object stands; `None`: that number is free.
fn offsets(reader: &mut Reader<'_>) -> Result<Vec<Option<u64>>, Broken> {
    reader.want(b"xref\n0 ", "one table of objects from 0 on is wanted")?;
    let size = reader.number()?;
    reader.eat(b"\r");
    reader.want(b"\n", "the table does not begin")?;
    let mut offsets = Vec::new();
    for number in 0..size {
        let Some(line) = reader.rest().first_chunk::<20>() else { return reader.broken("the table is too short") };
        let mut inside = Reader::new(line, 0);
        let (at, generation) = (inside.number(), inside.eat(b" ").then(|| inside.number()));
        let word = inside.rest();
        let entry = match (at, generation, word) {
            (Ok(at), Some(Ok(0)), b" n\r\n" | b" n \n") if number > 0 => Some(at),
            (Ok(_), Some(Ok(_)), b" f\r\n" | b" f \n") => None,
            _ => return reader.broken("a line of the table is not of the form"),
        };
        offsets.push(entry);
        reader.at += 20;
    }
    Ok(offsets)
}

fn object<'a>(bytes: &'a [u8], reader: &mut Reader<'a>, number: u64) -> Result<Object<'a>, Broken> {
    if reader.number()? != number {
        return reader.broken("another object stands where the table has this one");
    }
    reader.want(b" 0 obj", "an object of generation 0 is wanted")?;
    let value = reader.value()?;
    reader.space();
    let mut stream = None;
    if reader.eat(b"stream") {
        reader.eat(b"\r");
        reader.want(b"\n", "a stream begins on a new line")?;
        let Value::Dict(dict) = &value else { return reader.broken("a stream has a dictionary") };
        let Some(Value::Number(Some(length))) = dict.get(&b"Length"[..]) else {
            return reader.broken("a stream says how long it is");
        };
        if matches!(dict.get(&b"Type"[..]), Some(Value::Name(name)) if name == b"ObjStm" || name == b"XRef") {
            return reader.broken("objects within objects, which no record has");
        }
        let end = usize::try_from(*length).ok().and_then(|length| reader.at.checked_add(length));
        let Some(data) = end.and_then(|end| bytes.get(reader.at..end)) else {
            return reader.broken("a stream is longer than the file");
        };
        stream = Some(data);
        reader.at += data.len();
        reader.space();
        reader.want(b"endstream", "a stream is not as long as it says")?;
        reader.space();
    }
    reader.want(b"endobj", "an object does not end")?;
    Ok(Object { value, stream })
}
