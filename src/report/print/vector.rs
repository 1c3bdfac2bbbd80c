//! The page's own SVG drawings as operators of a PDF: lines, outlines, text, clipping.
//!
//! Path data use the letters M, L, H, V, h, v, a and z, arcs only as half circles; classes say what a thing is, and the
//! colours of paper stand here. Nothing becomes a picture: plots stay sharp at any size, and their text can be copied.

use std::collections::BTreeMap;

use pdf_writer::types::{LineCapStyle, LineJoinStyle};
use pdf_writer::{Content, Name, Str};

use super::inline::{BLACK, Ink, RULE, SOFT};
use super::markup::Element;
use super::typeface::{Face, Typefaces};

/// Name of the state in which bands let what is under them be seen.
pub(super) const THIN: Name<'static> = Name(b"Thin");
/// Name of the state in which nothing is seen through.
pub(super) const FULL: Name<'static> = Name(b"Full");
/// How much of what is under a band it covers.
pub(super) const THIN_ALPHA: f32 = 0.16;

const MARK: Ink = (0.043, 0.353, 0.42);
const OTHER: Ink = (0.604, 0.29, 0.07);
const THREAD: Ink = (0.54, 0.56, 0.6);
const HATCH: Ink = (0.725, 0.706, 0.65);
const PAPER: Ink = (1.0, 1.0, 1.0);

/// How an outline looks.
#[derive(Clone, Copy)]
struct Look {
    stroke: Option<(Ink, f32)>,
    dash: &'static [f32],
    fill: Option<Ink>,
    thin: bool,
}

fn look(element: &Element) -> Look {
    let line = |ink, width| Look {
        stroke: Some((ink, width)),
        dash: &[],
        fill: None,
        thin: false,
    };
    let area = |ink| Look {
        stroke: None,
        dash: &[],
        fill: Some(ink),
        thin: false,
    };
    match element.attribute("class") {
        "grid" | "rail" => line(RULE, 0.8),
        "curve" => line(MARK, 1.6),
        "band" => Look {
            thin: true,
            ..area(MARK)
        },
        "thread" => line(THREAD, 0.7),
        "dots" => line(BLACK, 2.0),
        "disc" => area(BLACK),
        "diamond" => Look {
            fill: Some(MARK),
            ..line(PAPER, 1.0)
        },
        "crossed" => Look {
            fill: Some(PAPER),
            ..line(OTHER, 1.5)
        },
        "level" => Look {
            dash: &[7.0, 3.0],
            ..line(MARK, 1.2)
        },
        "leader" => line(SOFT, 0.8),
        "guide" => Look {
            dash: &[1.0, 4.0],
            ..line(SOFT, 1.0)
        },
        "fill" => area(MARK),
        _ => line(BLACK, 1.0),
    }
}

/// Width and height of an SVG element in its own units.
pub(super) fn size(svg: &Element) -> (f64, f64) {
    let numbers: Vec<f64> = svg
        .attribute("viewBox")
        .split_whitespace()
        .filter_map(|word| word.parse().ok())
        .collect();
    match numbers.as_slice() {
        [_, _, width, height] if *width > 0.0 && *height > 0.0 => (*width, *height),
        _ => (1.0, 1.0),
    }
}

/// Draws an SVG element with its upper left corner at (x, y), points from the lower left corner of the page, so wide.
pub(super) fn draw(
    content: &mut Content,
    faces: &mut Typefaces,
    svg: &Element,
    (x, y): (f64, f64),
    width: f64,
) {
    let scale = width / size(svg).0;
    content.save_state();
    content.transform([scale as f32, 0.0, 0.0, -scale as f32, x as f32, y as f32]);
    content.set_line_join(LineJoinStyle::RoundJoin);
    let font = svg.attribute("font-size").parse().unwrap_or(12.0);
    let mut pen = Pen {
        content,
        faces,
        font,
        clips: BTreeMap::new(),
    };
    pen.all(svg);
    content.restore_state();
}

struct Pen<'a> {
    content: &'a mut Content,
    faces: &'a mut Typefaces,
    font: f64,
    /// Rectangles by the reference that names them.
    clips: BTreeMap<String, [f32; 4]>,
}

impl Pen<'_> {
    fn all(&mut self, parent: &Element) {
        for element in parent.elements() {
            match element.name.as_str() {
                "path" if element.is("gap") => self.hatched(element.attribute("d")),
                "path" => self.outline(element),
                "text" => self.text(element),
                "clipPath" => {
                    if let Some(rect) = element.find("rect") {
                        let side = |name: &str| rect.attribute(name).parse().unwrap_or(0.0);
                        self.clips.insert(
                            format!("url(#{})", element.attribute("id")),
                            [side("x"), side("y"), side("width"), side("height")],
                        );
                    }
                }
                "g" => {
                    self.content.save_state();
                    if let Some([x, y, w, h]) = self.clips.get(element.attribute("clip-path")) {
                        self.content.rect(*x, *y, *w, *h).clip_nonzero().end_path();
                    }
                    self.all(element);
                    self.content.restore_state();
                }
                // Titles are for screen readers, patterns for browsers.
                _ => {}
            }
        }
    }

    fn outline(&mut self, element: &Element) {
        let look = look(element);
        let dots = element.is("dots");
        if let Some((r, g, b)) = look.fill {
            self.content.set_fill_rgb(r, g, b);
        }
        if let Some(((r, g, b), width)) = look.stroke {
            self.content.set_stroke_rgb(r, g, b).set_line_width(width);
            self.content
                .set_dash_pattern(look.dash.iter().copied(), 0.0);
            self.content.set_line_cap(if dots {
                LineCapStyle::RoundCap
            } else {
                LineCapStyle::ButtCap
            });
        }
        if look.thin {
            self.content.set_parameters(THIN);
        }
        trace(self.content, element.attribute("d"));
        match (look.fill, look.stroke) {
            (Some(_), Some(_)) => self.content.fill_nonzero_and_stroke(),
            (Some(_), None) => self.content.fill_nonzero(),
            _ => self.content.stroke(),
        };
        if look.thin {
            self.content.set_parameters(FULL);
        }
    }

    /// Slanting lines inside an outline.
    fn hatched(&mut self, d: &str) {
        const STEP: f32 = 6.0;
        let (mut low, mut high) = ((f32::MAX, f32::MAX), (f32::MIN, f32::MIN));
        for (x, y) in corners(d) {
            low = (low.0.min(x), low.1.min(y));
            high = (high.0.max(x), high.1.max(y));
        }
        let (width, height) = (high.0 - low.0, high.1 - low.1);
        if !(width > 0.0 && height > 0.0 && width < 1e5 && height < 1e5) {
            return;
        }
        self.content.save_state();
        trace(self.content, d);
        self.content.clip_nonzero().end_path();
        let (r, g, b) = HATCH;
        self.content
            .set_stroke_rgb(r, g, b)
            .set_line_width(0.8)
            .set_dash_pattern([], 0.0);
        let mut at = low.0 - height;
        while at < high.0 {
            self.content
                .move_to(at, high.1)
                .line_to(at + height, low.1)
                .stroke();
            at += STEP;
        }
        self.content.restore_state();
    }

    fn text(&mut self, element: &Element) {
        let text = element.text();
        let number = |name: &str| element.attribute(name).parse::<f64>().unwrap_or(0.0);
        let width = self.faces.width(Face::Regular, self.font, &text);
        let x = number("x")
            - match element.attribute("text-anchor") {
                "middle" => 0.5 * width,
                "end" => width,
                _ => 0.0,
            };
        let y = number("y");
        if element.is("label") {
            // What lies under a label steps back.
            let (r, g, b) = PAPER;
            self.content.set_fill_rgb(r, g, b);
            self.content.rect(
                (x - 1.5) as f32,
                (y - 0.82 * self.font) as f32,
                (width + 3.0) as f32,
                (1.05 * self.font) as f32,
            );
            self.content.fill_nonzero();
        }
        let soft = ["tick", "quiet", "nothing"];
        let (r, g, b) = if soft.iter().any(|class| element.is(class)) {
            SOFT
        } else {
            BLACK
        };
        let glyphs = self.faces.encoded(Face::Regular, &text);
        self.content
            .begin_text()
            .set_fill_rgb(r, g, b)
            .set_font(Face::Regular.resource(), self.font as f32)
            .set_text_matrix([1.0, 0.0, 0.0, -1.0, x as f32, y as f32])
            .show(Str(&glyphs))
            .end_text();
    }
}

/// One step of path data: its letter and its numbers.
fn steps(d: &str) -> Vec<(char, Vec<f32>)> {
    let mut all: Vec<(char, Vec<f32>)> = Vec::new();
    let mut digits = String::new();
    let finish = |digits: &mut String, all: &mut Vec<(char, Vec<f32>)>| {
        if let (Ok(number), Some((_, numbers))) = (digits.parse(), all.last_mut()) {
            numbers.push(number);
        }
        digits.clear();
    };
    for letter in d.chars() {
        match letter {
            '0'..='9' | '.' => digits.push(letter),
            '-' => {
                finish(&mut digits, &mut all);
                digits.push(letter);
            }
            ' ' | ',' => finish(&mut digits, &mut all),
            letter => {
                finish(&mut digits, &mut all);
                all.push((letter, Vec::new()));
            }
        }
    }
    finish(&mut digits, &mut all);
    all
}

/// The corners of an outline of straight lines.
fn corners(d: &str) -> Vec<(f32, f32)> {
    let (mut x, mut y) = (0.0, 0.0);
    let mut all = Vec::new();
    for (letter, numbers) in steps(d) {
        match (letter, numbers.as_slice()) {
            ('M' | 'L', [to_x, to_y]) => (x, y) = (*to_x, *to_y),
            ('H', [to_x]) => x = *to_x,
            ('V', [to_y]) => y = *to_y,
            _ => {}
        }
        all.push((x, y));
    }
    all
}

/// Path data as a path of the content, neither stroked nor filled.
fn trace(content: &mut Content, d: &str) {
    let (mut x, mut y) = (0.0_f32, 0.0_f32);
    for (letter, numbers) in steps(d) {
        match (letter, numbers.as_slice()) {
            ('M', [to_x, to_y]) => {
                (x, y) = (*to_x, *to_y);
                content.move_to(x, y);
                continue;
            }
            ('L', [to_x, to_y]) => (x, y) = (*to_x, *to_y),
            ('H', [to_x]) => x = *to_x,
            ('V', [to_y]) => y = *to_y,
            ('h', [by]) => x += by,
            ('v', [by]) => y += by,
            ('a', [r, _, _, _, _, by, _]) => {
                half_circle(content, (x, y), *r, *by);
                x += by;
                continue;
            }
            ('z', _) => {
                content.close_path();
                continue;
            }
            _ => continue,
        }
        content.line_to(x, y);
    }
}

/// Half a circle from a point to the one `by` beside it: below on the way right, above on the way left.
fn half_circle(content: &mut Content, (x, y): (f32, f32), r: f32, by: f32) {
    /// Distance of the handles of a quarter circle, in radii: 4 (√2 − 1)/3.
    const HANDLE: f32 = 0.552_284_8;
    let side = if by > 0.0 { r } else { -r };
    let k = HANDLE * side;
    content
        .cubic_to(x, y + k, x + side - k, y + side, x + side, y + side)
        .cubic_to(x + side + k, y + side, x + by, y + k, x + by, y);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn path_data_are_read() {
        assert_eq!(
            steps("M1 2.5L-3-4h6z"),
            [
                ('M', vec![1.0, 2.5]),
                ('L', vec![-3.0, -4.0]),
                ('h', vec![6.0]),
                ('z', vec![]),
            ]
        );
        assert_eq!(
            corners("M1 2H5V6z"),
            [(1.0, 2.0), (5.0, 2.0), (5.0, 6.0), (5.0, 6.0)]
        );
        for bad in ["", "M", "Mx", "1 2", "M1e9 2", "--", "a1 2"] {
            let mut content = Content::new();
            trace(&mut content, bad);
            let _ = corners(bad);
        }
    }

    #[test]
    fn a_disc_is_a_closed_circle() {
        let mut content = Content::new();
        trace(&mut content, "M10 20a5 5 0 1 0 10 0a5 5 0 1 0 -10 0z");
        let text = String::from_utf8_lossy(content.finish().as_slice()).into_owned();
        // Through the lowest and the highest point and back to the start.
        assert!(
            text.contains(" 15 25 c") && text.contains(" 20 20 c"),
            "{text}"
        );
        assert!(
            text.contains(" 15 15 c") && text.contains(" 10 20 c"),
            "{text}"
        );
    }
}
