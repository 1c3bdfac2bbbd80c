//! The blocks of a page (headings, paragraphs, lists, figures, results) as rows that are not broken across sheets.
//!
//! Lengths are in points, from the upper left corner of a row downwards.

use std::rc::Rc;

use super::inline::{BLACK, Ink, Line, Piece, RULE, SOFT, Style, lines, pieces};
use super::markup::Element;
use super::typeface::{Face, Typefaces};
use super::{table, vector};

/// Size of the text of paragraphs.
const TEXT: f64 = 9.5;
/// Size of rules of reading and captions.
const SMALL: f64 = 8.3;
/// Distance of base lines in sizes of the letters.
const LEADING: f64 = 1.38;
/// Height of letters above the base line in their sizes, with room for accents.
pub(super) const ASCENT: f64 = 1.0;
const MARK: Ink = (0.043, 0.353, 0.42);
const OTHER: Ink = (0.604, 0.29, 0.07);
const BOX: Ink = (0.957, 0.957, 0.957);

/// Something in a row.
#[derive(Clone, Debug)]
pub(super) enum Item {
    /// Text, by the left end of its base line.
    Text(f64, f64, String, Style),
    /// A filled rectangle: x, y, width, height.
    Area([f64; 4], Ink),
    /// A drawing with its upper left corner at (x, y), so wide.
    Drawing(f64, f64, f64, Rc<Element>),
}

/// What stays together on one sheet.
#[derive(Clone, Debug, Default)]
pub(super) struct Row {
    /// Its height.
    pub(super) height: f64,
    /// Room in front of it, none at the top of a sheet.
    pub(super) above: f64,
    /// Whether the next row must be on the same sheet.
    pub(super) keep: bool,
    /// What is in it.
    pub(super) items: Vec<Item>,
    /// Rows that are said again at the top of a new sheet: the head of its table.
    pub(super) head: Option<Rc<Vec<Row>>>,
    /// The section that begins here.
    pub(super) section: Option<String>,
}

impl Row {
    /// Moves all that is in it.
    pub(super) fn moved(mut self, dx: f64, dy: f64) -> Self {
        for item in &mut self.items {
            match item {
                Item::Text(x, y, ..) | Item::Drawing(x, y, ..) | Item::Area([x, y, ..], _) => {
                    *x += dx;
                    *y += dy;
                }
            }
        }
        self
    }
}

/// Where a block lies: its left edge and width.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    /// Left edge.
    pub(super) x: f64,
    /// Width.
    pub(super) width: f64,
}

impl Frame {
    /// The same without a strip at its left side.
    pub(super) fn indented(self, by: f64) -> Self {
        Self {
            x: self.x + by,
            width: self.width - by,
        }
    }
}

/// The rows of a page's body.
pub(super) fn rows(body: &Element, width: f64, faces: &Typefaces) -> Vec<Row> {
    let mut setter = Setter {
        faces,
        rows: Vec::new(),
    };
    setter.children(body, Frame { x: 0.0, width });
    setter.rows
}

/// Height of a line of text.
pub(super) fn line_height(size: f64) -> f64 {
    LEADING * size
}

/// A line's pieces as items; `base` is the height of its base line.
pub(super) fn items_of(line: Line, x: f64, base: f64) -> Vec<Item> {
    line.pieces
        .into_iter()
        .filter_map(|(at, piece)| match piece {
            Piece::Text(text, style) => Some(Item::Text(x + at, base - style.rise, text, style)),
            Piece::Drawing(svg, width, height) => {
                // It stands on the base line and a tenth below it.
                Some(Item::Drawing(x + at, base - 0.88 * height, width, svg))
            }
            Piece::Break => None,
        })
        .collect()
}

struct Setter<'a> {
    faces: &'a Typefaces,
    rows: Vec<Row>,
}

impl Setter<'_> {
    fn children(&mut self, parent: &Element, frame: Frame) {
        for element in parent.elements() {
            self.block(element, frame);
        }
    }

    fn block(&mut self, element: &Element, frame: Frame) {
        let is = |class: &str| element.is(class);
        let plain = Style::plain(TEXT);
        match element.name.as_str() {
            "nav" => {}
            "section" => {
                self.section_rule(frame);
                self.children(element, frame);
            }
            "h1" => self.heading(element, frame, 17.0, 2.0),
            "h2" => self.heading(element, frame, 12.5, 0.0),
            "h3" => self.heading(element, frame, 10.2, 9.0),
            "p" if is("by-hand") => self.by_hand(element, frame),
            "p" if is("kind") || is("when") => self.text(element, frame, plain.soft(), 1.0),
            "p" if is("rule") => self.text(element, frame, Style::plain(SMALL).soft(), 4.0),
            "p" if is("nothing") => {
                let italic = Style {
                    face: Face::Italic,
                    ..plain.soft()
                };
                self.text(element, frame, italic, 4.0);
            }
            "p" => self.text(element, frame, plain, 4.0),
            "figcaption" => self.text(element, frame, Style::plain(SMALL).soft(), 4.0),
            "dl" => self.pairs(element, frame, is("results")),
            "ul" | "ol" => self.list(element, frame),
            "div" if is("scroll") => {
                if let Some(found) = element.find("table") {
                    // What is said of a table stands right above it.
                    self.keep();
                    let above = 5.0;
                    let mut rows = table::rows(found, frame, self.faces);
                    if let Some(first) = rows.first_mut() {
                        first.above = above;
                    }
                    self.rows.append(&mut rows);
                }
            }
            "div" if is("improve") => self.boxed(element, frame),
            "figure" => self.figure(element, frame),
            "article" => self.article(element, frame),
            _ => self.children(element, frame),
        }
    }

    /// A heading and what is said of a track stay with its drawing.
    fn article(&mut self, element: &Element, frame: Frame) {
        let first = self.rows.len();
        self.children(element, frame);
        let drawn = |row: &Row| {
            row.items
                .iter()
                .any(|item| matches!(item, Item::Drawing(..)))
        };
        for row in self.rows.iter_mut().skip(first) {
            if drawn(row) {
                break;
            }
            row.keep = true;
        }
    }

    /// The last row keeps the next one.
    fn keep(&mut self) {
        if let Some(last) = self.rows.last_mut() {
            last.keep = true;
        }
    }

    fn section_rule(&mut self, frame: Frame) {
        self.rows.push(Row {
            height: 9.0,
            above: 9.0,
            keep: true,
            items: vec![Item::Area([frame.x, 0.0, frame.width, 0.6], RULE)],
            ..Row::default()
        });
    }

    fn heading(&mut self, element: &Element, frame: Frame, size: f64, above: f64) {
        let first = self.rows.len();
        self.text(element, frame, Style::plain(size).bold(), above);
        for row in self.rows.iter_mut().skip(first) {
            row.keep = true;
        }
        if element.name == "h2"
            && let Some(row) = self.rows.get_mut(first)
        {
            row.section = Some(element.text());
        }
    }

    /// Running text, one row a line; the first two lines and the last two stay together.
    fn text(&mut self, element: &Element, frame: Frame, style: Style, above: f64) {
        let broken = lines(&pieces(element, style), frame.width, self.faces);
        let count = broken.len();
        for (k, line) in broken.into_iter().enumerate() {
            self.rows.push(Row {
                height: line_height(style.size),
                above: if k == 0 { above } else { 0.0 },
                keep: (k == 0 && count > 1) || k + 2 == count,
                items: items_of(line, frame.x, ASCENT * style.size),
                ..Row::default()
            });
        }
    }

    /// Lines to be filled in by hand.
    fn by_hand(&mut self, element: &Element, frame: Frame) {
        const GAP: f64 = 16.0;
        let names: Vec<String> = element.elements().map(Element::text).collect();
        let each = (frame.width + GAP) / names.len().max(1) as f64 - GAP;
        let mut row = Row {
            height: 16.0,
            above: 9.0,
            ..Row::default()
        };
        for (k, name) in names.into_iter().enumerate() {
            let x = frame.x + k as f64 * (each + GAP);
            row.items
                .push(Item::Text(x, 10.0, name, Style::plain(SMALL).soft()));
            row.items.push(Item::Area([x, 13.0, each, 0.5], BLACK));
        }
        self.rows.push(row);
    }

    /// Names with their values beside them: results, and where the report came from.
    fn pairs(&mut self, element: &Element, frame: Frame, results: bool) {
        let left = if results { 0.44 } else { 0.2 } * frame.width;
        for pair in element.elements() {
            let first = pair.is("first");
            let (Some(name), Some(value)) = (pair.find("dt"), pair.find("dd")) else {
                continue;
            };
            let mut row = Row {
                above: if first { 4.0 } else { 0.0 },
                ..Row::default()
            };
            let mut base = if first { 19.0 } else { 12.5 };
            let mut bottom = base;
            if results {
                let symbol_style = Style::plain(if first { 13.0 } else { 10.5 });
                if let Some(symbol) = name.find("span") {
                    for line in lines(&pieces(symbol, symbol_style), left, self.faces) {
                        row.items.extend(items_of(line, frame.x, base));
                    }
                }
                let words = name.elements().nth(1).cloned().unwrap_or_default();
                let indent = if first { 44.0 } else { 38.0 };
                for (k, line) in lines(
                    &pieces(&words, Style::plain(8.6).soft()),
                    left - indent,
                    self.faces,
                )
                .into_iter()
                .enumerate()
                {
                    let at = base + k as f64 * 11.0;
                    bottom = bottom.max(at);
                    row.items.extend(items_of(line, frame.x + indent, at));
                }
            } else {
                for line in lines(
                    &pieces(name, Style::plain(8.6).soft()),
                    left - 8.0,
                    self.faces,
                ) {
                    row.items.extend(items_of(line, frame.x, base));
                    base += 11.0;
                }
                bottom = bottom.max(base - 11.0);
                base = 12.5;
            }
            let value_frame = frame.indented(left);
            if results {
                for (k, part) in value.elements().enumerate() {
                    let style = match (k, first) {
                        (0, true) => Style::plain(16.0).bold(),
                        (0, false) => Style::plain(10.5),
                        _ => Style::plain(SMALL).soft(),
                    };
                    if k > 0 {
                        base += 2.0;
                    }
                    for line in lines(&pieces(part, style), value_frame.width, self.faces) {
                        if k > 0 {
                            base += line_height(style.size) - 1.0;
                        }
                        row.items.extend(items_of(line, value_frame.x, base));
                        bottom = bottom.max(base);
                    }
                }
            } else {
                for line in lines(
                    &pieces(value, Style::plain(8.6)),
                    value_frame.width,
                    self.faces,
                ) {
                    row.items.extend(items_of(line, value_frame.x, base));
                    bottom = bottom.max(base);
                    base += 11.5;
                }
            }
            row.height = bottom + if first { 8.0 } else { 4.5 };
            row.items.push(Item::Area(
                [frame.x, row.height - 0.5, frame.width, 0.5],
                RULE,
            ));
            if first {
                row.items
                    .push(Item::Area([frame.x, 0.0, frame.width, 1.2], BLACK));
            }
            self.rows.push(row);
        }
    }

    fn list(&mut self, element: &Element, frame: Frame) {
        const INDENT: f64 = 15.0;
        let cautions = element.is("cautions");
        for (k, entry) in element.elements().enumerate() {
            let first = self.rows.len();
            self.text(entry, frame.indented(INDENT), Style::plain(TEXT), 3.5);
            let added = self.rows.len() - first;
            for (line, row) in self.rows.iter_mut().skip(first).enumerate() {
                row.keep = line + 1 < added;
                if cautions {
                    for x in [2.0, 5.0] {
                        row.items
                            .push(Item::Area([frame.x + x, 0.5, 1.2, row.height - 0.5], OTHER));
                    }
                } else if line == 0 {
                    let sign = if element.name == "ol" {
                        format!("{}.", k + 1)
                    } else {
                        "\u{2022}".to_owned()
                    };
                    row.items.push(Item::Text(
                        frame.x + 2.0,
                        ASCENT * TEXT,
                        sign,
                        Style::plain(TEXT).soft(),
                    ));
                }
            }
        }
    }

    /// A grey box with a bar at its side.
    fn boxed(&mut self, element: &Element, frame: Frame) {
        const PAD: f64 = 9.0;
        let mut inside = Setter {
            faces: self.faces,
            rows: Vec::new(),
        };
        inside.children(
            element,
            Frame {
                x: frame.x + PAD + 3.0,
                width: frame.width - 2.0 * PAD - 3.0,
            },
        );
        let mut row = Row {
            above: 8.0,
            keep: true,
            ..Row::default()
        };
        let mut y = 5.0;
        let mut items = Vec::new();
        for (k, one) in inside.rows.into_iter().enumerate() {
            y += if k == 0 { 0.0 } else { one.above };
            let height = one.height;
            items.extend(one.moved(0.0, y).items);
            y += height;
        }
        row.height = y + 5.0;
        row.items
            .push(Item::Area([frame.x, 0.0, frame.width, row.height], BOX));
        row.items
            .push(Item::Area([frame.x, 0.0, 3.0, row.height], MARK));
        row.items.append(&mut items);
        self.rows.push(row);
    }

    /// Drawings: one wide one alone, narrow ones two in a row; the page's other width of the same drawing is left out.
    fn figure(&mut self, element: &Element, frame: Frame) {
        const GAP: f64 = 14.0;
        let mut wide: Option<&Element> = None;
        let mut narrow: Vec<&Element> = Vec::new();
        let mut enlarged: Vec<&Element> = Vec::new();
        for part in element.elements().filter(|part| part.name == "div") {
            let svg = part.find("svg");
            if part.is("wide") {
                wide = svg;
            } else if part.is("narrow") {
                narrow.extend(svg);
            } else if part.is("beside") {
                enlarged.extend(part.elements().filter_map(|one| one.find("svg")));
            }
        }
        if enlarged.is_empty() {
            if let Some(svg) = wide {
                let width = frame.width.min(470.0);
                self.drawings(&[svg], frame, width, GAP);
            }
        } else {
            narrow.append(&mut enlarged);
            let width = 0.5 * (frame.width - GAP);
            for pair in narrow.chunks(2) {
                self.drawings(pair, frame, width, GAP);
            }
        }
        for part in element.elements().filter(|part| part.name != "div") {
            self.keep();
            self.block(part, frame);
        }
    }

    fn drawings(&mut self, svgs: &[&Element], frame: Frame, width: f64, gap: f64) {
        let height = |svg: &Element| {
            let (w, h) = vector::size(svg);
            width * h / w
        };
        let tallest = svgs.iter().map(|svg| height(svg)).fold(0.0, f64::max);
        self.rows.push(Row {
            height: tallest + 3.0,
            above: 5.0,
            items: svgs
                .iter()
                .enumerate()
                .map(|(k, svg)| {
                    Item::Drawing(
                        frame.x + k as f64 * (width + gap),
                        tallest - height(svg),
                        width,
                        Rc::new((*svg).clone()),
                    )
                })
                .collect(),
            ..Row::default()
        });
    }
}

/// A soft style for the head of tables.
pub(super) fn head_style(size: f64) -> Style {
    Style {
        ink: SOFT,
        ..Style::plain(size)
    }
}
