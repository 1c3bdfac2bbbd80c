//! The files of the page, inside the program, and QR codes of its address.

use axum::http::header;
use axum::response::{IntoResponse, Response};
use qrcode::{Color, EcLevel, QrCode};
use rust_embed::RustEmbed;

#[derive(RustEmbed)]
#[folder = "src/serve/page"]
struct Page;

/// Light modules around a code (ISO/IEC 18004, 9.1).
const QUIET: usize = 4;

/// A file of the page; only files that were built in are found, whatever the name says.
pub(super) fn file(name: &str) -> Option<Response> {
    let file = Page::get(name)?;
    let kind = match name.rsplit_once('.').map(|(_, ending)| ending) {
        Some("html") => "text/html; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("js" | "mjs") => "text/javascript; charset=utf-8",
        Some("svg") => "image/svg+xml",
        Some("woff2") => "font/woff2",
        _ => "application/octet-stream",
    };
    Some(([(header::CONTENT_TYPE, kind)], file.data.into_owned()).into_response())
}

fn modules(text: &str) -> Option<(usize, Vec<bool>)> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).ok()?;
    let dark = code
        .to_colors()
        .into_iter()
        .map(|color| color == Color::Dark)
        .collect();
    Some((code.width(), dark))
}

/// A code as SVG, a unit a module.
pub(super) fn code_as_svg(text: &str) -> Option<String> {
    let (width, dark) = modules(text)?;
    let side = width + 2 * QUIET;
    let path: String = dark
        .iter()
        .enumerate()
        .filter(|(_, dark)| **dark)
        .map(|(at, _)| format!("M{} {}h1v1h-1z", at % width + QUIET, at / width + QUIET))
        .collect();
    Some(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\"><rect width=\"{side}\" height=\"{side}\" fill=\"#fff\"/><path d=\"{path}\" fill=\"#000\"/></svg>"
    ))
}

/// A code in half blocks, light on dark as terminals mostly are.
pub(super) fn code_for_terminal(text: &str) -> Option<String> {
    let (width, dark) = modules(text)?;
    let light = |x: usize, y: usize| {
        let inside = (QUIET..width + QUIET).contains(&x) && (QUIET..width + QUIET).contains(&y);
        !inside
            || dark
                .get((y - QUIET) * width + x - QUIET)
                .is_some_and(|dark| !dark)
    };
    let side = width + 2 * QUIET;
    let rows: Vec<String> = (0..side)
        .step_by(2)
        .map(|y| {
            (0..side)
                .map(|x| match (light(x, y), y + 1 < side && light(x, y + 1)) {
                    (true, true) => '█',
                    (true, false) => '▀',
                    (false, true) => '▄',
                    (false, false) => ' ',
                })
                .collect()
        })
        .collect();
    Some(rows.join("\n"))
}
