//! A table of the page as rows: widths of its columns, broken cells, rules. Lengths are in points.

use std::rc::Rc;

use super::blocks::{ASCENT, Frame, Item, Row, head_style, items_of, line_height};
use super::inline::{BLACK, Line, Piece, RULE, Style, lines, pieces, widths};
use super::markup::Element;
use super::typeface::Typefaces;

/// Room between two columns.
const GAP: f64 = 9.0;
/// Sizes of the letters that are tried until the table fits the sheet.
const SIZES: [f64; 4] = [8.3, 7.6, 7.0, 6.4];
/// Tables of up to so many rows stay on one sheet.
const TOGETHER: usize = 14;

/// One cell as it is set.
struct Cell {
    pieces: Vec<Piece>,
    right: bool,
}

/// The rows of a table.
pub(super) fn rows(table: &Element, frame: Frame, faces: &Typefaces) -> Vec<Row> {
    let mut chosen = None;
    for size in SIZES {
        let parts = parts_of(table, size);
        let columns = columns(&parts, frame.width, faces);
        let fits = columns.fits;
        chosen = Some((size, parts, columns));
        if fits {
            break;
        }
    }
    let Some((size, parts, columns)) = chosen else {
        return Vec::new();
    };
    let mut head = Vec::new();
    if let Some(caption) = table.find("caption") {
        for line in lines(&pieces(caption, head_style(8.3)), frame.width, faces) {
            head.push(Row {
                height: line_height(8.3) + 2.0,
                keep: true,
                items: items_of(line, frame.x, ASCENT * 8.3),
                ..Row::default()
            });
        }
    }
    let mut body = Vec::new();
    let bodies = parts.iter().filter(|part| part.0 != "thead").count();
    let total = columns.total;
    for (part, cells) in parts {
        let mut row = set(cells, &columns, frame, size, faces);
        let (thick, ink) = if part == "thead" {
            (1.0, BLACK)
        } else {
            (0.5, RULE)
        };
        if part == "tfoot" {
            row.items
                .push(Item::Area([frame.x, 0.0, total, 1.0], BLACK));
        } else {
            row.items
                .push(Item::Area([frame.x, row.height - thick, total, thick], ink));
        }
        if part == "thead" {
            row.keep = true;
            head.push(row);
        } else {
            body.push(row);
        }
    }
    // The caption is not said again, the head is.
    let again: Vec<Row> = head
        .iter()
        .skip(head.len().saturating_sub(1))
        .cloned()
        .collect();
    let again = Rc::new(again);
    for (k, row) in body.iter_mut().enumerate() {
        row.keep = k + 1 < bodies && (bodies <= TOGETHER || k < 2 || k + 3 > bodies);
        row.head = Some(Rc::clone(&again));
    }
    head.append(&mut body);
    head
}

/// All rows of a table with the part in which they stand.
fn parts_of(table: &Element, size: f64) -> Vec<(String, Vec<Cell>)> {
    let mut all = Vec::new();
    for part in table
        .elements()
        .filter(|part| matches!(part.name.as_str(), "thead" | "tbody" | "tfoot"))
    {
        for row in part.elements() {
            let cells = row
                .elements()
                .map(|cell| {
                    let style = if part.name == "thead" {
                        head_style(size)
                    } else if cell.name == "th" {
                        Style::plain(size).bold()
                    } else {
                        Style::plain(size)
                    };
                    Cell {
                        pieces: pieces(cell, style),
                        right: cell.is("num"),
                    }
                })
                .collect();
            all.push((part.name.clone(), cells));
        }
    }
    all
}

/// Widths of the columns.
struct Columns {
    /// Left edge and width of each.
    places: Vec<(f64, f64)>,
    /// Width of the table.
    total: f64,
    /// Whether no word had to be broken.
    fits: bool,
}

fn columns(parts: &[(String, Vec<Cell>)], width: f64, faces: &Typefaces) -> Columns {
    /// Wider than this a column of words is not made on its own account.
    const WIDE: f64 = 150.0;
    let count = parts
        .iter()
        .map(|(_, cells)| cells.len())
        .max()
        .unwrap_or(0);
    let (mut least, mut wanted) = (vec![0.0_f64; count], vec![0.0_f64; count]);
    for (part, cells) in parts {
        for (k, cell) in cells.iter().enumerate() {
            let (word, line) = widths(&cell.pieces, faces);
            // Numbers are not broken, words of the head are.
            let whole = cell.right && part != "thead";
            if let (Some(least), Some(wanted)) = (least.get_mut(k), wanted.get_mut(k)) {
                *least = least.max(if whole { line } else { word });
                *wanted = wanted.max(if part == "thead" { word } else { line });
            }
        }
    }
    for (least, wanted) in least.iter_mut().zip(&mut wanted) {
        // A path without spaces is broken where it must be.
        *least = least.min(WIDE.max(0.2 * width));
        *wanted = wanted.max(*least);
    }
    let room = (width - GAP * count.saturating_sub(1) as f64).max(1.0);
    let (sum_least, sum_wanted): (f64, f64) = (least.iter().sum(), wanted.iter().sum());
    let fits = sum_least <= room;
    let widths: Vec<f64> = if sum_wanted <= room {
        // What is left goes to all alike, but not so much that rows fall apart.
        let more = ((room - sum_wanted) / count.max(1) as f64).min(22.0);
        wanted.iter().map(|w| w + more).collect()
    } else if fits {
        let share = (room - sum_least) / (sum_wanted - sum_least).max(1e-9);
        least
            .iter()
            .zip(&wanted)
            .map(|(least, wanted)| least + share * (wanted - least))
            .collect()
    } else {
        least.iter().map(|w| w * room / sum_least).collect()
    };
    let mut x = 0.0;
    let mut places = Vec::with_capacity(count);
    for width in widths {
        places.push((x, width));
        x += width + GAP;
    }
    Columns {
        places,
        total: (x - GAP).max(0.0),
        fits,
    }
}

fn set(cells: Vec<Cell>, columns: &Columns, frame: Frame, size: f64, faces: &Typefaces) -> Row {
    const ABOVE: f64 = 2.2;
    const BELOW: f64 = 2.6;
    let step = line_height(size) - 0.8;
    let mut row = Row::default();
    let mut most = 1;
    for (cell, (x, width)) in cells.into_iter().zip(&columns.places) {
        let broken: Vec<Line> = lines(&cell.pieces, *width, faces);
        most = most.max(broken.len());
        for (k, line) in broken.into_iter().enumerate() {
            let left = if cell.right { width - line.width } else { 0.0 };
            let base = ABOVE + ASCENT * size + k as f64 * step;
            row.items.extend(items_of(line, frame.x + x + left, base));
        }
    }
    row.height = ABOVE + ASCENT * size + (most - 1) as f64 * step + 0.3 * size + BELOW;
    row
}
