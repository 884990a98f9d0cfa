//! What pages load: styles, scripts, fonts. All of it is in the binary.

use std::sync::OnceLock;

use actix_web::HttpResponse;
use actix_web::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use actix_web::web::Path;
use tallyseal_schema::Hash;

use super::PageError;
use crate::error::DeskError;

macro_rules! assets {
    ($($name:literal, $path:literal, $kind:literal;)*) => {
        /// Name, content type, bytes.
        const ASSETS: &[(&str, &str, &[u8])] = &[$(($name, $kind, include_bytes!(concat!("../../assets/", $path)))),*];
    };
}

macro_rules! styles {
    ($($here:literal, $path:literal;)*) => {
        /// The styles: the house's, then those of its parts, each for its own pages only.
        const STYLES: &str = concat!(
            include_str!("../../assets/tallyseal.css"),
            $(":where(body:is(", $here, ")) {\n", include_str!(concat!("../../assets/", $path)), "\n}\n"),*
        );
    };
}

// Each with the parts of the house that it is for: `Frame::here`.
styles! {
    "[data-here='bench']", "bench.css";
    "[data-here='rolls'], [data-here='deliveries'], [data-here='things'], [data-here='act'], [data-here='find']", "stock.css";
    "[data-here='today'], [data-here='exceptions'], [data-here='deviations']", "review.css";
    "[data-here='trail'], [data-here='integrity']", "trail.css";
    "[data-here='orders'], [data-here='lines']", "orders.css";
}

assets! {
    "tallyseal.js", "tallyseal.js", "text/javascript; charset=utf-8";
    "forms.js", "forms.js", "text/javascript; charset=utf-8";
    "bench.js", "bench.js", "text/javascript; charset=utf-8";
    "htmx.js", "vendor/htmx.min.js", "text/javascript; charset=utf-8";
    "mark.svg", "mark.svg", "image/svg+xml";
    "text.woff2", "fonts/atkinson-hyperlegible-next-latin-400-normal.woff2", "font/woff2";
    "text-ext.woff2", "fonts/atkinson-hyperlegible-next-latin-ext-400-normal.woff2", "font/woff2";
    "text-italic.woff2", "fonts/atkinson-hyperlegible-next-latin-400-italic.woff2", "font/woff2";
    "text-italic-ext.woff2", "fonts/atkinson-hyperlegible-next-latin-ext-400-italic.woff2", "font/woff2";
    "text-bold.woff2", "fonts/atkinson-hyperlegible-next-latin-700-normal.woff2", "font/woff2";
    "text-bold-ext.woff2", "fonts/atkinson-hyperlegible-next-latin-ext-700-normal.woff2", "font/woff2";
    "code.woff2", "fonts/atkinson-hyperlegible-mono-latin-400-normal.woff2", "font/woff2";
    "code-bold.woff2", "fonts/atkinson-hyperlegible-mono-latin-700-normal.woff2", "font/woff2";
}

/// The version of all of it: a part of the hash of what is in it.
pub(super) fn version() -> &'static str {
    static VERSION: OnceLock<String> = OnceLock::new();
    VERSION.get_or_init(|| {
        let others = ASSETS.iter().flat_map(|(_, _, bytes)| bytes.iter().copied());
        let all: Vec<u8> = STYLES.bytes().chain(others).collect();
        Hash::of(&all).to_string().chars().take(12).collect()
    })
}

pub(super) async fn asset(name: Path<String>) -> Result<HttpResponse, PageError> {
    let found = match name.as_str() {
        "tallyseal.css" => Some(&("", "text/css; charset=utf-8", STYLES.as_bytes())),
        name => ASSETS.iter().find(|(one, _, _)| *one == name),
    };
    let (_, kind, bytes) = found.ok_or_else(|| DeskError::NotFound(format!("file {name}")))?;
    // Its name carries its version, so that it may be kept.
    let keep = (CACHE_CONTROL, "public, max-age=31536000, immutable");
    Ok(HttpResponse::Ok().insert_header((CONTENT_TYPE, *kind)).insert_header(keep).body(*bytes))
}
