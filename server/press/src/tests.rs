//! What is set, looked at from outside: page text, attachments, and that nothing but the paper decides the bytes.

use tallyseal_report::paper::{
    Align, Anchor, Block, Column, Field, Finding, Paper, Row, Section, Sheet, Signature, Tone,
};

use super::*;

pub(crate) fn paper(sheet: Sheet) -> Paper {
    let finding = |n, grade| Finding {
        at: "2026-03-02 07:00:00 CET (06:00:00Z)".to_owned(),
        change: Some(("17 labels".to_owned(), "16 labels".to_owned())),
        grade,
        n,
        record: "count/C-000001".to_owned(),
        sentence: "At label 412: (01)09521234543213; expected (01)09521234543206.".to_owned(),
        sort: "Wrong code".to_owned(),
        standing: "settled".to_owned(),
        trail: vec!["deviation/DV-0001".to_owned()],
        who: "Ines Park (U-0003), label room".to_owned(),
        why: Some("read twice".to_owned()),
    };
    let column = |head: &str, align, share| Column { align, head: head.to_owned(), share };
    let row = |n: u32| Row { cells: vec![n.to_string(), "words ".repeat(8), "9".repeat(64)], tone: Tone::Plain };
    Paper {
        anchor: Anchor {
            book: "label-room.example/plant-1".to_owned(),
            code: "label-room.example/plant-1\n812\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n".to_owned(),
            key: "label-room.example/plant-1+530d903a+AekyeRrm56hApGFkyQR4ZCbV54Id2LKaANYcrnKv3U2k".to_owned(),
            root: "CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=".to_owned(),
            size: 812,
            software: "tallyseal 0.1.0".to_owned(),
        },
        cover: vec![
            Block::Fields {
                fields: vec![
                    Field {
                        clause: "211.188(a)".to_owned(),
                        entries: vec![12, 14],
                        name: "Product".to_owned(),
                        tone: Tone::Plain,
                        value: "测 #strong[not markup] $x$ \\ \"quoted\"".to_owned(),
                    },
                    Field { name: "State".to_owned(), tone: Tone::Grave, value: "held".to_owned(), ..Field::default() },
                ],
            },
            Block::Picture {
                alt: "A bar".to_owned(),
                caption: "One bar".to_owned(),
                percent: 60,
                svg: "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 100 20\"><style>.b{fill:#333}</style>\
                      <rect class=\"b\" width=\"70\" height=\"20\"/><text x=\"2\" y=\"14\" fill=\"#fff\" \
                      font-family=\"Atkinson Hyperlegible Next\" font-size=\"10\">7 000</text></svg>"
                    .to_owned(),
            },
        ],
        newest: "2026-03-02T06:00:00.000000Z".parse().unwrap(),
        record: "order/O-0007".to_owned(),
        sections: vec![Section {
            blocks: vec![
                Block::Exception(finding(55, Some(1))),
                Block::Correction(finding(56, None)),
                Block::Signature(Signature {
                    account: "U-0003".to_owned(),
                    at: "2026-03-02 07:00:00 CET (06:00:00Z)".to_owned(),
                    covers: "count/C-000001 to rev 9".to_owned(),
                    meaning: "counted".to_owned(),
                    n: 60,
                    name: "Ines Park".to_owned(),
                    record: "count/C-000001".to_owned(),
                    role: "label room".to_owned(),
                    void: None,
                }),
                Block::Heading { clause: "211.125(c)".to_owned(), level: 2, text: "Figures".to_owned() },
                Block::Table {
                    caption: "All".to_owned(),
                    clause: String::new(),
                    columns: vec![
                        column("n", Align::Right, 0),
                        column("What", Align::Left, 2),
                        column("Hash", Align::Left, 1),
                    ],
                    rows: (0..120).map(row).collect(),
                    small: true,
                },
            ],
            clause: "211.192".to_owned(),
            own_page: true,
            title: "Exceptions".to_owned(),
        }],
        sheet,
        title: "Label record of order O-0007".to_owned(),
    }
}

pub(crate) fn attached() -> Attached {
    Attached {
        checkpoint: b"label-room.example/plant-1\n812\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=\n\n".to_vec(),
        entries: b"{\"n\":0}\n".repeat(50),
        proofs: b"{\"leaf\":\"\"}\n".repeat(50),
    }
}

#[test]
fn the_same_paper_gives_the_same_bytes_whatever_was_set_before() {
    let first = print(&paper(Sheet::A4), &attached()).unwrap();
    let other = print(&paper(Sheet::Letter), &attached()).unwrap();
    let again = print(&paper(Sheet::A4), &attached()).unwrap();
    assert!(first.starts_with(b"%PDF-1.7") && first == again && first != other);
    if let Ok(folder) = std::env::var("TALLYSEAL_SHOW") {
        std::fs::write(format!("{folder}/a4.pdf"), first).unwrap();
        std::fs::write(format!("{folder}/letter.pdf"), other).unwrap();
    }
}

#[test]
fn a_job_is_read_as_it_was_written_and_no_other_way() {
    let head = Head {
        key: "label-room.example/plant-1+00000000+KEY".to_owned(),
        record: "roll/R-000101".parse().unwrap(),
        sheet: Sheet::Letter,
        software: "tallyseal".to_owned(),
    };
    let job = Job { attached: attached(), head };
    let bytes = job.write().unwrap();
    assert_eq!(Job::read(&bytes).unwrap(), job);
    for bad in [&bytes[..bytes.len() - 1], &bytes[..7], &[&bytes[..], b"x"].concat(), b""] {
        assert!(Job::read(bad).is_err());
    }
}
