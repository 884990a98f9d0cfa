//! A sealed record as bytes: which byte belongs to what, and how somebody without any key puts one together again.

use serde_json::{Value, json};
use tallyseal_schema::Hash;
use tallyseal_schema::canonical::write_value;
use tallyseal_schema::sealed::{read_zip, write_zip};

/// What a byte of the archive is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Part {
    /// Of a member's local header.
    Local,
    /// Of a name.
    Name,
    /// Of a member's bytes.
    Bytes,
    /// Of a member's central header, with a meaning.
    Central,
    /// Of a central header, without a meaning: who made it, and attributes. Rule: `FORMAT.md` section 6.
    Meaningless,
    /// Of the end record.
    End,
}

/// Says of every byte of a good archive what it is. Its own reader, by `FORMAT.md` section 6: the one that is attacked is
/// not asked.
pub fn parts(zip: &[u8]) -> Vec<Part> {
    let two = |at: usize| usize::from(u16::from_le_bytes(zip[at..at + 2].try_into().unwrap()));
    let four = |at: usize| u32::from_le_bytes(zip[at..at + 4].try_into().unwrap()) as usize;
    let mut parts = Vec::with_capacity(zip.len());
    let mut fill = |part: Part, length: usize| parts.extend(vec![part; length]);
    let end = zip.len() - 22;
    let central = four(end + 16);
    let mut at = 0;
    while at < central {
        let (length, name) = (four(at + 18), two(at + 26));
        fill(Part::Local, 30);
        fill(Part::Name, name);
        fill(Part::Bytes, length);
        at += 30 + name + length;
    }
    assert_eq!(at, central);
    while at < end {
        let name = two(at + 28);
        // Signature, made by, version to lengths, comment and disk, attributes, offset.
        fill(Part::Central, 4);
        fill(Part::Meaningless, 2);
        fill(Part::Central, 30);
        fill(Part::Meaningless, 6);
        fill(Part::Central, 4);
        fill(Part::Name, name);
        at += 46 + name;
    }
    fill(Part::End, 22);
    assert_eq!(parts.len(), zip.len());
    parts
}

/// The members of a sealed record, to be changed and put together again.
#[derive(Clone)]
pub struct Members(pub Vec<(String, Vec<u8>)>);

impl Members {
    pub fn of(zip: &[u8]) -> Self {
        Self(read_zip(zip).unwrap().iter().map(|member| (member.name.clone(), member.bytes(zip).to_vec())).collect())
    }

    /// The archive, with right checksums and offsets.
    pub fn zip(&self) -> Vec<u8> {
        write_zip(&self.0).unwrap()
    }

    pub fn get(&self, name: &str) -> &[u8] {
        &self.0.iter().find(|(member, _)| member == name).unwrap_or_else(|| panic!("there is no {name}")).1
    }

    pub fn text(&self, name: &str) -> String {
        String::from_utf8(self.get(name).to_vec()).unwrap()
    }

    pub fn put(&mut self, name: &str, bytes: impl Into<Vec<u8>>) {
        let bytes = bytes.into();
        match self.0.iter_mut().find(|(member, _)| member == name) {
            Some((_, old)) => *old = bytes,
            None => self.0.push((name.to_owned(), bytes)),
        }
    }

    pub fn remove(&mut self, name: &str) {
        self.0.retain(|(member, _)| member != name);
    }

    /// The first member whose name begins so.
    pub fn first(&self, beginning: &str) -> String {
        self.0.iter().find(|(name, _)| name.starts_with(beginning)).unwrap().0.clone()
    }

    /// The lines of a member.
    pub fn lines(&self, name: &str) -> Vec<Vec<u8>> {
        let bytes = self.get(name).strip_suffix(b"\n").unwrap();
        bytes.split(|byte| *byte == b'\n').map(<[u8]>::to_vec).collect()
    }

    pub fn put_lines(&mut self, name: &str, lines: &[Vec<u8>]) {
        self.put(name, crate::stock::lines(lines));
    }

    pub fn manifest(&self) -> Value {
        serde_json::from_slice(self.get("manifest.json")).unwrap()
    }

    /// Makes the manifest fit what is there, and say what `change` makes it say.
    pub fn mend_manifest(&mut self, change: impl FnOnce(&mut Value)) {
        let mut manifest = self.manifest();
        let outside = ["manifest.json", "seal.jsonl", "seal.txt"];
        let named = self.0.iter().filter(|(name, _)| !outside.contains(&name.as_str()));
        manifest["files"] = named.map(|(name, bytes)| (name.clone(), json!(Hash::of(bytes)))).collect();
        change(&mut manifest);
        self.put("manifest.json", write_value(&manifest).unwrap());
    }
}
