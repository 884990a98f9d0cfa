//! The mark of a fault: the same shape and letter wherever a web is drawn or a fault is listed.

use tallyseal_schema::kinds::FaultKind;

/// The letter of a fault, for where its name has no room.
pub const fn letter(fault: FaultKind) -> char {
    match fault {
        FaultKind::Missing => 'M',
        FaultKind::Splice => 'S',
        FaultKind::Unread => 'U',
        FaultKind::WrongCode => 'W',
        FaultKind::Overlap => 'O',
        FaultKind::VisionReject => 'V',
        FaultKind::WebBreak => 'B',
    }
}

/// The shape of a fault, around 0,0 and within 18 of it: each kind has its own, so that neither colour nor letter is needed
/// to tell them.
pub const fn shape(fault: FaultKind) -> &'static str {
    match fault {
        FaultKind::Missing => r#"<rect x="-12" y="-12" width="24" height="24" stroke-dasharray="5 3"/>"#,
        FaultKind::Splice => r#"<path d="M-8,-12H16L8,12H-16Z"/>"#,
        FaultKind::Unread => r#"<circle r="13"/>"#,
        FaultKind::WrongCode => r#"<path class="full" d="M-6,-14H6L14,-6V6L6,14H-6L-14,6V-6Z"/>"#,
        FaultKind::Overlap => {
            r#"<rect x="-8" y="-14" width="22" height="22"/><rect x="-14" y="-9" width="22" height="23"/>"#
        }
        FaultKind::VisionReject => r#"<path d="M-13,-12H13V2L0,14L-13,2Z"/>"#,
        FaultKind::WebBreak => r#"<path class="full" d="M0,-15L15,0L0,15L-15,0Z"/>"#,
    }
}

/// A mark by itself, for legends, lists and tables.
pub fn mark(fault: FaultKind) -> String {
    format!(
        r#"<svg class="key" viewBox="-18 -18 36 36" aria-hidden="true" focusable="false"><g class="mark mark-{}">{}<text y="5">{}</text></g></svg>"#,
        fault.as_str(),
        shape(fault),
        letter(fault)
    )
}
