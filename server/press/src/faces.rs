//! The typefaces that are in the binary: ours first, then those of the library for what ours lack.

use typst::foundations::Bytes;
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;

/// Atkinson Hyperlegible, as on the pages; see `fonts/readme.md`.
const OURS: [&[u8]; 8] = [
    include_bytes!("../fonts/atkinson-hyperlegible-next-latin-400-normal.ttf"),
    include_bytes!("../fonts/atkinson-hyperlegible-next-latin-700-normal.ttf"),
    include_bytes!("../fonts/atkinson-hyperlegible-next-latin-400-italic.ttf"),
    include_bytes!("../fonts/atkinson-hyperlegible-next-latin-ext-400-normal.ttf"),
    include_bytes!("../fonts/atkinson-hyperlegible-next-latin-ext-700-normal.ttf"),
    include_bytes!("../fonts/atkinson-hyperlegible-next-latin-ext-400-italic.ttf"),
    include_bytes!("../fonts/atkinson-hyperlegible-mono-latin-400-normal.ttf"),
    include_bytes!("../fonts/atkinson-hyperlegible-mono-latin-700-normal.ttf"),
];

/// All faces with their index.
pub(crate) struct Faces {
    pub(crate) book: LazyHash<FontBook>,
    fonts: Vec<Font>,
}

impl Faces {
    pub(crate) fn new() -> Self {
        let files = OURS.into_iter().chain(typst_assets::fonts());
        let fonts: Vec<Font> = files.flat_map(|data| Font::iter(Bytes::new(data))).collect();
        Self { book: LazyHash::new(FontBook::from_fonts(&fonts)), fonts }
    }

    pub(crate) fn get(&self, index: usize) -> Option<Font> {
        self.fonts.get(index).cloned()
    }

    /// True where some face has the character.
    pub(crate) fn have(&self, c: char) -> bool {
        self.fonts.iter().any(|font| font.info().coverage.contains(c.into()))
    }
}
