//! Text with symbols, indices and small drawings in it, broken into lines. Lengths are in points.

use std::rc::Rc;

use super::markup::{Element, Node};
use super::typeface::{Face, Typefaces};

/// Red, green, blue, 0 to 1.
pub(super) type Ink = (f32, f32, f32);

/// Text and axes.
pub(super) const BLACK: Ink = (0.0, 0.0, 0.0);
/// What stands back: names, captions, notes.
pub(super) const SOFT: Ink = (0.27, 0.27, 0.27);
/// Rules between rows.
pub(super) const RULE: Ink = (0.73, 0.73, 0.73);

/// How a run of text looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Style {
    /// Font.
    pub(super) face: Face,
    /// Size of the letters, points.
    pub(super) size: f64,
    /// Colour.
    pub(super) ink: Ink,
    /// How far the base line is raised, points.
    pub(super) rise: f64,
}

impl Style {
    /// Upright text of a size.
    pub(super) fn plain(size: f64) -> Self {
        Self {
            face: Face::Regular,
            size,
            ink: BLACK,
            rise: 0.0,
        }
    }

    /// The same, standing back.
    pub(super) fn soft(self) -> Self {
        Self { ink: SOFT, ..self }
    }

    /// The same in bold letters.
    pub(super) fn bold(self) -> Self {
        Self {
            face: Face::Bold,
            ..self
        }
    }

    /// What an element of this name and class does to it.
    fn inside(self, element: &Element) -> Self {
        let scaled = |by: f64| Self {
            size: by * self.size,
            ..self
        };
        match element.name.as_str() {
            "b" | "th" => self.bold(),
            "i" => Self {
                face: Face::Italic,
                ..self
            },
            "sub" => Self {
                rise: self.rise - 0.16 * self.size,
                ..scaled(0.72)
            },
            "code" => scaled(0.85).soft(),
            _ if element.is("source") => Self {
                face: Face::Regular,
                ..scaled(0.85).soft()
            },
            _ if element.is("understood") => scaled(0.9).soft(),
            _ => self,
        }
    }
}

/// A piece of running text.
#[derive(Clone, Debug)]
pub(super) enum Piece {
    /// Letters of one style.
    Text(String, Style),
    /// A small drawing in the line: the SVG element, its width and height.
    Drawing(Rc<Element>, f64, f64),
    /// A new line begins.
    Break,
}

impl Piece {
    fn width(&self, faces: &Typefaces) -> f64 {
        match self {
            Self::Text(text, style) => faces.width(style.face, style.size, text),
            Self::Drawing(_, width, _) => *width,
            Self::Break => 0.0,
        }
    }
}

/// The text of an element as pieces.
pub(super) fn pieces(element: &Element, style: Style) -> Vec<Piece> {
    let mut all = Vec::new();
    gather(element, style, &mut all);
    all
}

fn gather(element: &Element, style: Style, all: &mut Vec<Piece>) {
    for child in &element.children {
        match child {
            Node::Text(text) => {
                let text = text.replace(['\n', '\t'], " ");
                if !text.is_empty() {
                    all.push(Piece::Text(text, style));
                }
            }
            Node::Element(inner) if inner.name == "svg" => {
                // A key is as high as a letter, a bar of a budget as its cell.
                let (width, height) = if inner.is("share") {
                    (58.0, 7.0)
                } else {
                    (0.9 * style.size, 0.9 * style.size)
                };
                all.push(Piece::Drawing(Rc::new(inner.clone()), width, height));
            }
            Node::Element(inner) if inner.is("unseen") => {}
            Node::Element(inner) => {
                let own_line = inner.is("typed") || inner.is("understood") || inner.is("note");
                if own_line && !all.is_empty() {
                    all.push(Piece::Break);
                }
                gather(inner, style.inside(inner), all);
            }
        }
    }
}

/// A line of pieces with their distance from its start.
#[derive(Clone, Debug, Default)]
pub(super) struct Line {
    /// The pieces.
    pub(super) pieces: Vec<(f64, Piece)>,
    /// Where the last one ends.
    pub(super) width: f64,
}

/// Letters without a space between them, in one or several styles.
#[derive(Default)]
struct Word {
    pieces: Vec<Piece>,
    width: f64,
    /// The space in front of it.
    space: Option<Style>,
    new_line: bool,
}

/// Width of the longest word and of the longest line without breaks.
pub(super) fn widths(pieces: &[Piece], faces: &Typefaces) -> (f64, f64) {
    let (mut longest_word, mut longest_line, mut line) = (0.0_f64, 0.0_f64, 0.0);
    for word in words(pieces, faces) {
        longest_word = longest_word.max(word.width);
        line = if word.new_line {
            word.width
        } else {
            line + space_width(&word, faces) + word.width
        };
        longest_line = longest_line.max(line);
    }
    (longest_word, longest_line)
}

fn space_width(word: &Word, faces: &Typefaces) -> f64 {
    word.space
        .map_or(0.0, |style| faces.width(style.face, style.size, " "))
}

/// Breaks text into lines of a width; a word that is wider than a line is broken between letters.
pub(super) fn lines(pieces: &[Piece], width: f64, faces: &Typefaces) -> Vec<Line> {
    let mut all: Vec<Line> = Vec::new();
    let mut line = Line::default();
    for word in words(pieces, faces) {
        let space = space_width(&word, faces);
        let starts = line.pieces.is_empty();
        if !starts && (word.new_line || line.width + space + word.width > width + 1e-6) {
            all.push(std::mem::take(&mut line));
        } else if let Some(style) = word.space.filter(|_| !starts) {
            put(&mut line, Piece::Text(" ".to_owned(), style), faces);
        }
        for piece in word.pieces {
            for part in fitting(piece, width, faces) {
                let part_width = part.width(faces);
                if !line.pieces.is_empty() && line.width + part_width > width + 1e-6 {
                    all.push(std::mem::take(&mut line));
                }
                put(&mut line, part, faces);
            }
        }
    }
    if !line.pieces.is_empty() {
        all.push(line);
    }
    all
}

/// Puts a piece at the end of a line; text of the style before it becomes one piece with that, spaces and all.
fn put(line: &mut Line, piece: Piece, faces: &Typefaces) {
    let at = line.width;
    line.width += piece.width(faces);
    if let Piece::Text(text, style) = &piece
        && let Some((_, Piece::Text(before, same))) = line.pieces.last_mut()
        && same == style
    {
        before.push_str(text);
        return;
    }
    line.pieces.push((at, piece));
}

/// A piece in parts that each fit a width.
fn fitting(piece: Piece, width: f64, faces: &Typefaces) -> Vec<Piece> {
    let Piece::Text(text, style) = &piece else {
        return vec![piece];
    };
    if piece.width(faces) <= width {
        return vec![piece];
    }
    let mut parts = Vec::new();
    let mut part = String::new();
    for letter in text.chars() {
        part.push(letter);
        if faces.width(style.face, style.size, &part) > width && part.chars().count() > 1 {
            part.pop();
            parts.push(Piece::Text(std::mem::take(&mut part), *style));
            part.push(letter);
        }
    }
    parts.push(Piece::Text(part, *style));
    parts
}

fn words(pieces: &[Piece], faces: &Typefaces) -> Vec<Word> {
    let mut all: Vec<Word> = Vec::new();
    let mut word = Word::default();
    let finish = |word: &mut Word, all: &mut Vec<Word>| {
        if !word.pieces.is_empty() {
            all.push(std::mem::take(word));
        }
    };
    for piece in pieces {
        match piece {
            Piece::Text(text, style) => {
                for (k, part) in text.split(' ').enumerate() {
                    if k > 0 {
                        finish(&mut word, &mut all);
                        word.space = Some(*style);
                    }
                    if !part.is_empty() {
                        word.width += faces.width(style.face, style.size, part);
                        word.pieces.push(Piece::Text(part.to_owned(), *style));
                    }
                }
            }
            Piece::Drawing(..) => {
                word.width += piece.width(faces);
                word.pieces.push(piece.clone());
            }
            Piece::Break => {
                finish(&mut word, &mut all);
                word.new_line = true;
                word.space = None;
            }
        }
    }
    finish(&mut word, &mut all);
    all
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::super::markup::tree;
    use super::*;

    fn shown(lines: &[Line]) -> Vec<String> {
        lines
            .iter()
            .map(|line| {
                line.pieces
                    .iter()
                    .map(|(_, piece)| match piece {
                        Piece::Text(text, _) => text.as_str(),
                        Piece::Drawing(..) => "*",
                        Piece::Break => "",
                    })
                    .collect()
            })
            .collect()
    }

    #[test]
    fn text_is_broken_at_spaces_and_long_words_anywhere() {
        let faces = Typefaces::load().unwrap();
        let root = tree(
            "<p>The index <i>n</i><sub>d</sub> of a prism, /a/very/long/path/that/never/ends.csv</p>",
        );
        let all = pieces(root.find("p").unwrap(), Style::plain(10.0));
        for width in [30.0, 60.0, 100.0, 1000.0] {
            let found = lines(&all, width, &faces);
            for line in &found {
                assert!(line.width <= width + 1e-6, "{} in {width}", line.width);
            }
            let text = shown(&found).join(" ");
            assert!(text.starts_with("The index nd of"), "{text}");
            // Nothing is lost but spaces.
            let letters = |text: &str| text.replace(' ', "");
            assert_eq!(letters(&text), letters(&root.text()));
        }
        assert_eq!(shown(&lines(&all, 1000.0, &faces)).len(), 1);
    }

    #[test]
    fn what_has_its_own_line_gets_it() {
        let faces = Typefaces::load().unwrap();
        let root = tree(
            "<td><span class=\"typed\">12°30'</span><span class=\"understood\">12.5</span></td>",
        );
        let all = pieces(root.find("td").unwrap(), Style::plain(8.0));
        assert_eq!(shown(&lines(&all, 500.0, &faces)), ["12°30'", "12.5"]);
    }
}
