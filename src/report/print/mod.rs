//! A page of this program in, the same as a PDF out: A4 or letter sheets, vector drawings, text that can be searched and copied.
//!
//! The PDF is set from the page itself, so that both say the same by construction: the page's elements become rows, rows
//! are put on sheets (a heading never stands alone, the head of a table is said again), drawings become lines and
//! outlines. Fonts are embedded (`fonts/OFL.txt`). Lengths are in points of 1/72 inch, from the upper left corner of a
//! sheet but for the operators of the file itself, which count from its lower left corner.
//!
//! Refuses nothing that the page can hold; letters that the fonts lack (Chinese, say) become a stand-in.
//!
//! Numbers and words are the page's: none are made here.
//!
//! Checked in `tests` below (form, text of the whole sample report in order, both papers) and by `.ci/run`, which reads the
//! demonstration's report with another program.

mod blocks;
mod inline;
mod markup;
mod table;
mod typeface;
mod vector;

use pdf_writer::{Content, Filter, Finish, Pdf, Rect, Ref, Str, TextStr};

use self::blocks::{Item, Row, rows};
use self::inline::Style;
use self::typeface::{Typefaces, packed};

/// Size of the sheets.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// 210 mm by 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 inches by 11 inches (ANSI A).
    Letter,
}

impl Paper {
    /// Width and height, points.
    fn size(self) -> (f64, f64) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }
}

/// Margin at the sides.
const SIDE: f64 = 42.5;
/// Margin at the top.
const TOP: f64 = 42.0;
/// Margin at the bottom; the number of the sheet stands in it.
const BOTTOM: f64 = 50.0;

/// One sheet: its content, and the sections that begin on it with their height above its lower edge.
struct Sheet {
    content: Content,
    sections: Vec<(String, f64)>,
}

/// A page, as the report makes it, as a PDF.
///
/// # Errors
/// The fonts in the program cannot be read: a sentence.
pub fn pdf(page: &str, paper: Paper) -> Result<Vec<u8>, String> {
    let mut faces = Typefaces::load()?;
    let root = markup::tree(page);
    let body = root.find("body").cloned().unwrap_or_default();
    let title = root.find("title").map(markup::Element::text);
    let title = title.unwrap_or_default();
    let (width, height) = paper.size();
    let set = rows(&body, width - 2.0 * SIDE, &faces);
    let mut sheets = sheets(set, paper, &mut faces);
    let count = sheets.len();
    for (k, sheet) in sheets.iter_mut().enumerate() {
        let style = Style::plain(7.5).soft();
        let number = format!("{} / {count}", k + 1);
        let right = width - SIDE - faces.width(style.face, style.size, &number);
        for (x, text) in [(SIDE, shortened(&title)), (right, number)] {
            text_at(&mut sheet.content, &mut faces, (x, 28.0), &text, style);
        }
    }
    Ok(file(sheets, &faces, &title, (width, height)))
}

/// A title that fits beside the number of the sheet.
fn shortened(title: &str) -> String {
    const LETTERS: usize = 90;
    if title.chars().count() <= LETTERS {
        title.to_owned()
    } else {
        title.chars().take(LETTERS).chain(['\u{2026}']).collect()
    }
}

/// Puts rows on sheets.
fn sheets(set: Vec<Row>, paper: Paper, faces: &mut Typefaces) -> Vec<Sheet> {
    let room = paper.size().1 - TOP - BOTTOM;
    let set: Vec<Row> = set.into_iter().flat_map(|row| cut(row, room)).collect();
    let mut done: Vec<Sheet> = Vec::new();
    let mut y = f64::INFINITY;
    let mut at = 0;
    while at < set.len() {
        // What must stay together, as far as one sheet holds it.
        let mut together = 0;
        let mut needed = 0.0;
        for row in set.iter().skip(at) {
            let more = row.height + if together == 0 { 0.0 } else { row.above };
            if together > 0 && needed + more > room {
                break;
            }
            needed += more;
            together += 1;
            if !row.keep {
                break;
            }
        }
        let above = set.get(at).map_or(0.0, |row| row.above);
        if y + above + needed > room {
            done.push(Sheet {
                content: Content::new(),
                sections: Vec::new(),
            });
            y = 0.0;
            // A table goes on: its head is said again, unless the table begins here.
            let goes_on = at > 0 && set.get(at - 1).is_some_and(|before| before.head.is_some());
            if let Some(head) = set.get(at).and_then(|row| row.head.clone())
                && goes_on
            {
                for row in head.iter() {
                    put(&mut done, row, y, paper, faces);
                    y += row.height;
                }
            }
        } else {
            y += above;
        }
        for (k, row) in set.iter().skip(at).take(together).enumerate() {
            if k > 0 {
                y += row.above;
            }
            put(&mut done, row, y, paper, faces);
            y += row.height;
        }
        at += together.max(1);
    }
    if done.is_empty() {
        done.push(Sheet {
            content: Content::new(),
            sections: Vec::new(),
        });
    }
    done
}

/// A row that is higher than a sheet, such as a list of hundreds of files, in parts that are not; text is cut between its lines.
fn cut(row: Row, room: f64) -> Vec<Row> {
    /// Room above the first line of a part, for its letters.
    const LETTERS: f64 = 14.0;
    if row.height <= room {
        return vec![row];
    }
    let step = room - 2.0 * LETTERS;
    let count = (row.height / step).ceil().max(1.0) as usize;
    (0..count)
        .map(|part| {
            let (from, to) = (part as f64 * step, (part + 1) as f64 * step);
            let down = if part > 0 { LETTERS - from } else { 0.0 };
            let items = row
                .items
                .iter()
                .filter_map(|item| match item {
                    Item::Area([x, y, width, height], ink) => {
                        let (top, low) = (y.max(from), (y + height).min(to));
                        (low > top).then_some(Item::Area([*x, top + down, *width, low - top], *ink))
                    }
                    Item::Text(x, y, text, style) => (*y >= from && *y < to)
                        .then(|| Item::Text(*x, y + down, text.clone(), *style)),
                    Item::Drawing(x, y, width, svg) => (*y >= from && *y < to)
                        .then(|| Item::Drawing(*x, y + down, *width, svg.clone())),
                })
                .collect();
            Row {
                height: (row.height.min(to) + down).min(room),
                above: if part == 0 { row.above } else { 0.0 },
                keep: row.keep && part + 1 == count,
                items,
                head: row.head.clone(),
                section: row.section.clone().filter(|_| part == 0),
            }
        })
        .collect()
}

/// Draws a row at a height below the upper margin.
fn put(done: &mut [Sheet], row: &Row, y: f64, paper: Paper, faces: &mut Typefaces) {
    let Some(sheet) = done.last_mut() else { return };
    let top = paper.size().1 - TOP - y;
    if let Some(section) = &row.section {
        sheet.sections.push((section.clone(), top + 12.0));
    }
    for item in &row.items {
        match item {
            Item::Text(x, base, text, style) => {
                text_at(
                    &mut sheet.content,
                    faces,
                    (SIDE + x, top - base),
                    text,
                    *style,
                );
            }
            Item::Area([x, down, width, height], (r, g, b)) => {
                sheet.content.set_fill_rgb(*r, *g, *b).rect(
                    (SIDE + x) as f32,
                    (top - down - height) as f32,
                    *width as f32,
                    *height as f32,
                );
                sheet.content.fill_nonzero();
            }
            Item::Drawing(x, down, width, svg) => {
                vector::draw(
                    &mut sheet.content,
                    faces,
                    svg,
                    (SIDE + x, top - down),
                    *width,
                );
            }
        }
    }
}

fn text_at(
    content: &mut Content,
    faces: &mut Typefaces,
    (x, y): (f64, f64),
    text: &str,
    style: Style,
) {
    let glyphs = faces.encoded(style.face, text);
    let (r, g, b) = style.ink;
    content
        .begin_text()
        .set_fill_rgb(r, g, b)
        .set_font(style.face.resource(), style.size as f32)
        .set_text_matrix([1.0, 0.0, 0.0, 1.0, x as f32, y as f32])
        .show(Str(&glyphs))
        .end_text();
}

/// The sheets as a file, with their fonts, a title and an outline of the sections.
fn file(
    sheets: Vec<Sheet>,
    faces: &Typefaces,
    title: &str,
    (width, height): (f64, f64),
) -> Vec<u8> {
    let mut pdf = Pdf::new();
    let mut next = Ref::new(1);
    let [catalog, tree, outline, thin, full] = [
        next.bump(),
        next.bump(),
        next.bump(),
        next.bump(),
        next.bump(),
    ];
    let fonts = faces.embed(&mut pdf, &mut next);
    pdf.ext_graphics(thin)
        .non_stroking_alpha(vector::THIN_ALPHA);
    pdf.ext_graphics(full).non_stroking_alpha(1.0);
    let mut pages = Vec::new();
    let mut sections: Vec<(String, Ref, f64)> = Vec::new();
    for sheet in sheets {
        let (page, content) = (next.bump(), next.bump());
        pages.push(page);
        sections.extend(
            sheet
                .sections
                .into_iter()
                .map(|(title, y)| (title, page, y)),
        );
        let bytes = packed(sheet.content.finish().as_slice());
        pdf.stream(content, &bytes).filter(Filter::FlateDecode);
        let mut written = pdf.page(page);
        written
            .parent(tree)
            .media_box(Rect::new(0.0, 0.0, width as f32, height as f32))
            .contents(content);
        let mut resources = written.resources();
        resources
            .fonts()
            .pairs(fonts.iter().map(|(face, id)| (face.resource(), *id)));
        resources
            .ext_g_states()
            .pairs([(vector::THIN, thin), (vector::FULL, full)]);
        resources.finish();
    }
    pdf.pages(tree)
        .count(i32::try_from(pages.len()).unwrap_or(i32::MAX))
        .kids(pages);
    let entries: Vec<Ref> = sections.iter().map(|_| next.bump()).collect();
    if let (Some(first), Some(last)) = (entries.first(), entries.last()) {
        pdf.outline(outline)
            .first(*first)
            .last(*last)
            .count(i32::try_from(entries.len()).unwrap_or(i32::MAX));
    } else {
        pdf.outline(outline);
    }
    for (k, (title, page, y)) in sections.iter().enumerate() {
        let Some(entry) = entries.get(k) else {
            continue;
        };
        let mut item = pdf.outline_item(*entry);
        item.title(TextStr(title)).parent(outline);
        if let Some(before) = k.checked_sub(1).and_then(|k| entries.get(k)) {
            item.prev(*before);
        }
        if let Some(after) = entries.get(k + 1) {
            item.next(*after);
        }
        item.dest().page(*page).xyz(0.0, *y as f32, None);
    }
    let mut written = pdf.catalog(catalog);
    written.pages(tree).outlines(outline).lang(TextStr("en"));
    written.viewer_preferences().display_doc_title(true);
    written.finish();
    pdf.document_info(next.bump())
        .title(TextStr(title))
        .creator(TextStr("lineturn"))
        .producer(TextStr(concat!("lineturn ", env!("CARGO_PKG_VERSION"))));
    pdf.finish()
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use crate::report::{page, sample};

    /// The words of a page that shall be printed, in their order: not the ways about the page, not what only screen
    /// readers say, not the second width of a drawing.
    fn words(element: &markup::Element, all: &mut Vec<String>) {
        for child in &element.children {
            match child {
                markup::Node::Text(text) => all.push(text.clone()),
                markup::Node::Element(inner) => {
                    let left_out =
                        ["head", "nav", "svg"].contains(&inner.name.as_str()) || inner.is("unseen");
                    if !left_out {
                        words(inner, all);
                    }
                }
            }
        }
    }

    fn letters(text: &str) -> String {
        text.chars()
            .filter(|letter| !letter.is_whitespace() && *letter != '\u{a0}')
            .collect()
    }

    #[test]
    fn all_that_the_page_says_is_printed() {
        let text = page::page(&sample::full());
        let root = markup::tree(&text);
        let faces = Typefaces::load().unwrap();
        let body = root.find("body").unwrap();
        let set = rows(body, 510.0, &faces);
        let mut printed: Vec<String> = Vec::new();
        for row in &set {
            for item in &row.items {
                if let Item::Text(_, _, text, _) = item {
                    printed.push(letters(text));
                }
            }
        }
        let printed = printed.concat();
        let mut wanted = Vec::new();
        words(body, &mut wanted);
        assert!(wanted.len() > 200, "{}", wanted.len());
        for part in &wanted {
            for word in part.split_whitespace() {
                let word = letters(word);
                assert!(printed.contains(&word), "{word} of {part:?} is not printed");
            }
        }
        // Each drawing once.
        let drawings = set
            .iter()
            .flat_map(|row| &row.items)
            .filter(|item| matches!(item, Item::Drawing(..)))
            .count();
        let wide = text.matches("class=\"plot wide\"").count();
        assert!(drawings > wide, "{drawings} {wide}");
    }

    #[test]
    fn nothing_leaves_the_sheet() {
        let text = page::page(&sample::full());
        let root = markup::tree(&text);
        let faces = Typefaces::load().unwrap();
        for paper in [Paper::A4, Paper::Letter] {
            let (width, height) = paper.size();
            let width = width - 2.0 * SIDE;
            for row in rows(root.find("body").unwrap(), width, &faces) {
                assert!(row.height <= height - TOP - BOTTOM, "{}", row.height);
                for item in &row.items {
                    let (left, right, low) = match item {
                        Item::Text(x, base, text, style) => (
                            *x,
                            x + faces.width(style.face, style.size, text),
                            base + 0.0,
                        ),
                        Item::Area([x, y, w, h], _) => (*x, x + w, y + h),
                        Item::Drawing(x, y, w, svg) => {
                            let (svg_w, svg_h) = vector::size(svg);
                            (*x, x + w, y + w * svg_h / svg_w)
                        }
                    };
                    assert!(left >= -1e-6 && right <= width + 0.5, "{item:?} of {width}");
                    assert!(low <= row.height + 2.0, "{item:?} of {}", row.height);
                }
            }
        }
    }

    /// Long names, hundreds of files, letters of other scripts: nothing is lost, and no part is higher than a sheet.
    #[test]
    fn what_is_longer_than_a_sheet_goes_on_on_the_next() {
        let mut data = sample::full();
        data.title = "prism ".repeat(400);
        data.readings[0].note = "x".repeat(9000);
        data.method[0] = "棱镜 призма مموشور ".repeat(300);
        let files: Vec<String> = (0..900).map(|k| format!("clips/line-{k}.mp4")).collect();
        data.provenance
            .push(("footage".to_owned(), files.join(", ")));
        let text = page::page(&data);
        let root = markup::tree(&text);
        let faces = Typefaces::load().unwrap();
        let room = Paper::Letter.size().1 - TOP - BOTTOM;
        let whole = rows(root.find("body").unwrap(), 527.0, &faces);
        let words = |set: &[Row]| -> usize {
            set.iter()
                .flat_map(|row| &row.items)
                .filter(|item| matches!(item, Item::Text(..)))
                .count()
        };
        assert!(whole.iter().any(|row| row.height > room));
        let before = words(&whole);
        let parts: Vec<Row> = whole.into_iter().flat_map(|row| cut(row, room)).collect();
        assert_eq!(words(&parts), before);
        for row in &parts {
            assert!(row.height <= room, "{}", row.height);
            for item in &row.items {
                if let Item::Text(_, base, text, _) = item {
                    assert!(
                        *base > 0.0 && *base <= row.height + 14.0,
                        "{text} at {base}"
                    );
                }
            }
        }
        assert!(pdf(&text, Paper::Letter).unwrap().starts_with(b"%PDF"));
    }

    #[test]
    fn the_file_has_its_parts() {
        let text = page::page(&sample::full());
        for (paper, size) in [(Paper::A4, "595.276 841.89"), (Paper::Letter, "612 792")] {
            let file = pdf(&text, paper).unwrap();
            assert!(file.starts_with(b"%PDF-1.7") && file.ends_with(b"%%EOF"));
            let said = String::from_utf8_lossy(&file);
            assert!(said.contains(size), "{paper:?}");
            assert_eq!(said.matches("/FontFile2").count(), 3);
            assert!(said.contains("/Outlines") && said.contains("/ToUnicode"));
            // Vector drawings only, nothing fetched, nothing run.
            for bad in ["/Image", "/JavaScript", "/URI", "/Launch", "http"] {
                assert!(!said.contains(bad), "{bad}");
            }
            let pages = said.matches("/Type /Page\n").count();
            assert!((4..40).contains(&pages), "{pages}");
        }
        assert!(pdf("", Paper::A4).unwrap().starts_with(b"%PDF"));
        // For a look: name a file and the report is written there.
        if let Some(path) = std::env::var_os("LINETURN_SAMPLE_PDF") {
            std::fs::write(path, pdf(&text, Paper::A4).unwrap()).unwrap();
        }
    }
}
