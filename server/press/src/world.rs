//! What the setting sees: one template, one paper, three attachments, all under fixed names. It cannot see anything else.

use std::collections::HashMap;

use qrcode::QrCode;
use qrcode::render::svg;
use tallyseal_report::paper::Paper;
use typst::diag::{FileError, FileResult};
use typst::foundations::{Bytes, Datetime, Duration};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Library, LibraryExt as _};

use crate::faces::Faces;
use crate::readable::make_readable;
use crate::{Attached, PressError};

/// How all of it looks.
const TEMPLATE: &str = include_str!("record.typ");

pub(crate) struct World {
    faces: Faces,
    files: HashMap<FileId, Bytes>,
    library: LazyHash<Library>,
    source: Source,
}

impl World {
    pub(crate) fn new(paper: &Paper, attached: &Attached) -> Result<Self, PressError> {
        let faces = Faces::new();
        let mut told = serde_json::to_value(paper).map_err(|error| PressError(error.to_string()))?;
        make_readable(&mut told, &faces);
        let told = serde_json::to_vec(&told).map_err(|error| PressError(error.to_string()))?;
        let code = QrCode::new(&paper.anchor.code).map_err(|error| PressError(error.to_string()))?;
        let code = code.render::<svg::Color<'_>>().quiet_zone(true).build();
        // Names are kept by the library for the life of the process: these few, and never one of a record.
        let files = HashMap::from([
            (named("/paper.json")?, Bytes::new(told)),
            (named("/code.svg")?, Bytes::from_string(code)),
            (named("/entries.jsonl")?, Bytes::new(attached.entries.clone())),
            (named("/proofs.jsonl")?, Bytes::new(attached.proofs.clone())),
            (named("/checkpoint.txt")?, Bytes::new(attached.checkpoint.clone())),
        ]);
        let source = Source::new(named("/record.typ")?, TEMPLATE.to_owned());
        Ok(Self { faces, files, library: LazyHash::new(Library::default()), source })
    }
}

fn named(path: &str) -> Result<FileId, PressError> {
    let path = VirtualPath::new(path).map_err(|_| PressError(format!("{path} is no path")))?;
    Ok(RootedPath::new(VirtualRoot::Project, path).intern())
}

impl typst::World for World {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        &self.faces.book
    }

    fn main(&self) -> FileId {
        self.source.id()
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == self.source.id() { Ok(self.source.clone()) } else { Err(FileError::AccessDenied) }
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        self.files.get(&id).cloned().ok_or(FileError::AccessDenied)
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.faces.get(index)
    }

    /// No clock: the same entries give the same bytes.
    fn today(&self, _: Option<Duration>) -> Option<Datetime> {
        None
    }
}
