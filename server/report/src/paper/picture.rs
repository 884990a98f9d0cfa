//! Pictures as blocks.

use tallyseal_schema::kinds::Mark;

use super::Block;
use crate::flow::{self, Flow};
use crate::strip;

/// What became of labels. `id`: begins every ID in it, of its own within the paper.
pub(crate) fn flow(flow: &Flow, id: &str, caption: &str) -> Block {
    Block::Picture { alt: flow::said(flow), caption: caption.to_owned(), percent: 80, svg: flow::printed(flow, id) }
}

/// The web of a roll with `labels` labels on it and its faults.
#[allow(dead_code, reason = "the steps of the work draw it")]
pub(crate) fn strip(labels: u32, marks: &[Mark], caption: &str) -> Block {
    let drawn = strip::printed(labels, marks);
    let mut said: Vec<String> =
        drawn.legend.iter().map(|(_, letter, name, many)| format!("{letter} {name}: {many}")).collect();
    if drawn.left_out > 0 {
        said.push(format!("{} more find no room in the picture", drawn.left_out));
    }
    let caption = [caption.to_owned(), said.join("; ")].into_iter().filter(|part| !part.is_empty());
    Block::Picture {
        alt: strip::title(labels, marks),
        caption: caption.collect::<Vec<_>>().join(". "),
        percent: 100,
        svg: drawn.svg,
    }
}
