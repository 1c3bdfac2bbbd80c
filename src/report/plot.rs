//! Plots as inline SVG: axes with tidy ticks, points with bars, curves, bands and labels that do not collide.
//!
//! A [`Figure`] is drawn twice, for a page of laptop or paper width and for a phone, so that its text keeps
//! its size; the style sheet shows the one that fits. Colours live in the style sheet, shapes and words here:
//! nothing is told by colour alone. Data that are not finite are never drawn, and a panel without data says so.

use std::fmt::Write as _;

/// Width that a plot is drawn for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// For laptop screens and paper: 720 units wide.
    Wide,
    /// For phones and for two plots side by side: 340 units wide.
    Narrow,
}

/// Shape of a point; shapes differ without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shape {
    /// Filled circle: a measured value.
    Disc,
    /// Filled diamond: a turning point that counts.
    Diamond,
    /// Open square with a diagonal cross: a turning point that does not count.
    CrossedSquare,
}

/// One point of a plot.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Abscissa in the unit of the axis.
    pub x: f64,
    /// Ordinate in the unit of the axis.
    pub y: f64,
    /// Half the length of its vertical bar, in the unit of the ordinate; none where the uncertainty is not known.
    pub bar: Option<f64>,
    /// What is written beside it; empty for nothing.
    pub label: String,
}

/// Something drawn in a panel; later ones lie on top.
#[derive(Clone, Debug, PartialEq)]
pub enum Item {
    /// Smooth line through (x, y).
    Curve(Vec<(f64, f64)>),
    /// Region between two ordinates: (x, low, high).
    Band(Vec<(f64, f64, f64)>),
    /// Many small dots in the order of x, joined where the step in x is at most `longest_step`.
    Trace {
        /// Dots (x, y).
        dots: Vec<(f64, f64)>,
        /// Longest step in x that still counts as uninterrupted.
        longest_step: f64,
    },
    /// Points with bars and labels.
    Points {
        /// Shape of all of them.
        shape: Shape,
        /// The points.
        points: Vec<Point>,
    },
    /// Horizontal line over the whole width, with a band of ± `half_width`.
    Level {
        /// Ordinate.
        y: f64,
        /// Half the height of the band; none for a bare line.
        half_width: Option<f64>,
        /// What is written at it.
        label: String,
    },
    /// Stretch of the abscissa in which nothing was recorded.
    Gap {
        /// Start.
        from: f64,
        /// End.
        to: f64,
        /// What is written in it.
        label: String,
    },
    /// Dotted vertical line with a name at its top.
    Guide {
        /// Abscissa.
        x: f64,
        /// Name.
        label: String,
    },
}

/// One pair of axes; the panels of a figure share the abscissa.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Name and unit of the ordinate, written above the panel.
    pub y_label: String,
    /// Height of the drawing area in units of the drawing.
    pub height: f64,
    /// Range of the ordinate; none to fit the data.
    pub y_range: Option<(f64, f64)>,
    /// What is drawn.
    pub items: Vec<Item>,
    /// Sentence that stands in the panel when it has no data.
    pub when_empty: String,
}

/// A figure: one or more panels above a common abscissa.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// Identifier in the page: letters, digits and hyphens.
    pub id: String,
    /// Short title, read out by screen readers.
    pub title: String,
    /// What is to be seen, in a sentence, read out by screen readers.
    pub description: String,
    /// Name and unit of the abscissa.
    pub x_label: String,
    /// Range of the abscissa; none to fit the data.
    pub x_range: Option<(f64, f64)>,
    /// The abscissa counts things, so that ticks stand at whole numbers only.
    pub x_whole: bool,
    /// Panels from top to bottom.
    pub panels: Vec<Panel>,
}

/// A tick of an axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Tick {
    /// Where, in the unit of the axis.
    pub value: f64,
    /// What is written, in units of ten to the power of the axis' exponent.
    pub text: String,
}

/// Ticks of one axis.
#[derive(Clone, Debug, PartialEq)]
pub struct Ticks {
    /// From low to high.
    pub ticks: Vec<Tick>,
    /// The texts are in units of ten to this power.
    pub exponent: i32,
}

/// Those of [`ticks`] that are whole numbers, written as such.
fn whole_ticks(lo: f64, hi: f64, about: usize) -> Ticks {
    let mut all = ticks(lo, hi, about);
    if all.exponent == 0 {
        all.ticks
            .retain(|tick| (tick.value - tick.value.round()).abs() < 1e-9);
        for tick in &mut all.ticks {
            tick.text = typographic(&format!("{:.0}", tick.value));
        }
    }
    all
}

/// Characters that are markup become references, control characters become spaces.
#[must_use]
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c if (c.is_control() && c != '\n') || matches!(c, '\u{fffe}' | '\u{ffff}') => {
                out.push(' ');
            }
            c => out.push(c),
        }
    }
    out
}

/// Ticks at multiples of 1, 2 or 5 times a power of ten, all inside `lo..=hi`, at most `about` + 1 of them.
///
/// `about` is raised to 5 at least, which makes sure of two ticks. A range that is empty, reversed or not finite
/// gets none. Large or small numbers are written in units of a power of ten, which `exponent` gives.
#[must_use]
pub fn ticks(lo: f64, hi: f64, about: usize) -> Ticks {
    let none = Ticks {
        ticks: Vec::new(),
        exponent: 0,
    };
    let span = hi - lo;
    if !lo.is_finite() || !hi.is_finite() || !span.is_finite() || span <= 0.0 {
        return none;
    }
    let raw = span / about.clamp(5, 20) as f64;
    let mut decade = raw.log10().floor() as i32;
    let mantissa = raw / 10_f64.powi(decade);
    let mut digit = [1.0, 2.0, 5.0]
        .into_iter()
        .find(|&d| d >= mantissa * (1.0 - 1e-9))
        .unwrap_or(10.0);
    if digit > 5.0 {
        digit = 1.0;
        decade += 1;
    }
    let largest = lo.abs().max(hi.abs());
    let top = largest.log10().floor() as i32;
    let exponent = if top >= 5 || top <= -4 { top } else { 0 };
    let decimals = (exponent - decade).max(0) as usize;
    if decimals > 15 || largest / span > 1e11 {
        return none;
    }
    let step = digit * 10_f64.powi(decade);
    if step <= 0.0 || !step.is_finite() {
        return none;
    }
    let first = (lo / step - 1e-9).ceil();
    let last = (hi / step + 1e-9).floor();
    let count = (last - first).clamp(-1.0, 40.0) as i32 + 1;
    let ticks = (0..count)
        .map(|i| {
            let multiple = first + f64::from(i);
            let value = (multiple * step).clamp(lo, hi);
            let shown = multiple * digit * 10_f64.powi(decade - exponent);
            Tick {
                value,
                text: typographic(&format!("{shown:.decimals$}")),
            }
        })
        .collect();
    Ticks { ticks, exponent }
}

/// The figure for both widths; the style sheet shows one of them.
#[must_use]
pub fn both(figure: &Figure) -> String {
    match x_range(figure) {
        None => nothing(figure),
        Some(_) => format!(
            "<div class=\"plot wide\">{}</div><div class=\"plot narrow\">{}</div>",
            draw(figure, Format::Wide),
            draw(figure, Format::Narrow)
        ),
    }
}

/// The figure as one SVG element, or a paragraph that says why there is none.
#[must_use]
pub fn draw(figure: &Figure, format: Format) -> String {
    match x_range(figure) {
        None => nothing(figure),
        Some(range) => Drawing::new(figure, format, range).finish(),
    }
}

/// A small drawing of a shape for captions and lists.
#[must_use]
pub fn key(shape: Shape) -> String {
    format!(
        "<svg class=\"key\" viewBox=\"0 0 16 16\" width=\"16\" height=\"16\" aria-hidden=\"true\">\
         <path class=\"{}\" d=\"{}\"/></svg>",
        class_of(shape),
        outline(shape, 8.0, 8.0, 5.0)
    )
}

fn nothing(figure: &Figure) -> String {
    let says = figure
        .panels
        .first()
        .map_or("There is nothing to draw.", |p| p.when_empty.as_str());
    format!("<p class=\"nothing\">{}</p>", escape(says))
}

/// A proper minus sign, and no minus before a zero.
pub(super) fn typographic(number: &str) -> String {
    match number.strip_prefix('-') {
        Some(rest) if rest.chars().all(|c| matches!(c, '0' | '.')) => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => number.to_owned(),
    }
}

fn class_of(shape: Shape) -> &'static str {
    match shape {
        Shape::Disc => "disc",
        Shape::Diamond => "diamond",
        Shape::CrossedSquare => "crossed",
    }
}

fn outline(shape: Shape, x: f64, y: f64, r: f64) -> String {
    let (l, t, b, e) = (short(x - r), short(y - r), short(y + r), short(x + r));
    match shape {
        Shape::Disc => {
            let d = short(2.0 * r);
            let r = short(r);
            format!(
                "M{l} {}a{r} {r} 0 1 0 {d} 0a{r} {r} 0 1 0 -{d} 0z",
                short(y)
            )
        }
        Shape::Diamond => {
            let k = 1.3 * r;
            format!(
                "M{} {}L{} {}L{} {}L{} {}z",
                short(x),
                short(y - k),
                short(x + k),
                short(y),
                short(x),
                short(y + k),
                short(x - k),
                short(y)
            )
        }
        Shape::CrossedSquare => {
            format!("M{l} {t}H{e}V{b}H{l}zM{l} {t}L{e} {b}M{l} {b}L{e} {t}")
        }
    }
}

/// One decimal is a tenth of a screen pixel.
fn short(v: f64) -> String {
    let text = format!("{v:.1}");
    let text = text.strip_suffix(".0").unwrap_or(&text);
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

pub(super) fn superscript(exponent: i32) -> String {
    exponent
        .to_string()
        .chars()
        .map(|c| match c {
            '-' => '\u{207b}',
            '1' => '\u{b9}',
            '2' => '\u{b2}',
            '3' => '\u{b3}',
            c => c
                .to_digit(10)
                .and_then(|d| char::from_u32(0x2070 + d))
                .unwrap_or(c),
        })
        .collect()
}

fn with_exponent(label: &str, exponent: i32) -> String {
    if exponent == 0 {
        label.to_owned()
    } else {
        format!("{label}, in 10{}", superscript(exponent))
    }
}

/// Low and high of finite numbers; none if there are none.
#[derive(Clone, Copy, Default)]
struct Span(Option<(f64, f64)>);

impl Span {
    fn take(&mut self, v: f64) {
        if v.is_finite() {
            self.0 = Some(
                self.0
                    .map_or((v, v), |(lo, hi): (f64, f64)| (lo.min(v), hi.max(v))),
            );
        }
    }

    /// With a margin on both sides, and never empty.
    fn padded(self, share: f64) -> Option<(f64, f64)> {
        self.0.and_then(|(lo, hi)| widened(lo, hi, share))
    }
}

fn widened(lo: f64, hi: f64, share: f64) -> Option<(f64, f64)> {
    let largest = lo.abs().max(hi.abs());
    let span = hi - lo;
    let pad = if span > largest * 1e-9 {
        span * share
    } else if largest > 1e-290 {
        largest * 1e-2
    } else {
        1.0
    };
    let (lo, hi) = (lo - pad, hi + pad);
    (lo.is_finite() && hi.is_finite() && (hi - lo).is_finite()).then_some((lo, hi))
}

fn given(range: Option<(f64, f64)>) -> Option<(f64, f64)> {
    range.filter(|(lo, hi)| lo.is_finite() && hi.is_finite() && lo < hi)
}

/// Whether an item is data and not a mere guide.
fn abscissae(item: &Item, span: &mut Span) {
    match item {
        Item::Curve(xy) | Item::Trace { dots: xy, .. } => {
            for &(x, y) in xy {
                if y.is_finite() {
                    span.take(x);
                }
            }
        }
        Item::Band(rows) => {
            for &(x, lo, hi) in rows {
                if lo.is_finite() && hi.is_finite() {
                    span.take(x);
                }
            }
        }
        Item::Points { points, .. } => {
            for p in points {
                if p.y.is_finite() {
                    span.take(p.x);
                }
            }
        }
        Item::Level { .. } | Item::Gap { .. } | Item::Guide { .. } => {}
    }
}

fn x_range(figure: &Figure) -> Option<(f64, f64)> {
    let mut span = Span::default();
    for item in figure.panels.iter().flat_map(|p| &p.items) {
        abscissae(item, &mut span);
    }
    let fitted = span.padded(0.04)?;
    Some(given(figure.x_range).unwrap_or(fitted))
}

fn y_range(panel: &Panel, (x_lo, x_hi): (f64, f64)) -> Option<(f64, f64)> {
    let mut span = Span::default();
    let inside = |x: f64| x.is_finite() && x >= x_lo && x <= x_hi;
    for item in &panel.items {
        match item {
            Item::Curve(xy) | Item::Trace { dots: xy, .. } => xy
                .iter()
                .filter(|p| inside(p.0))
                .for_each(|p| span.take(p.1)),
            Item::Band(rows) => {
                for &(_, lo, hi) in rows.iter().filter(|r| inside(r.0)) {
                    span.take(lo);
                    span.take(hi);
                }
            }
            Item::Points { points, .. } => {
                for p in points.iter().filter(|p| inside(p.x)) {
                    span.take(p.y);
                    if let Some(bar) = p.bar.filter(|b| b.is_finite() && *b > 0.0) {
                        span.take(p.y - bar);
                        span.take(p.y + bar);
                    }
                }
            }
            Item::Level { .. } | Item::Gap { .. } | Item::Guide { .. } => {}
        }
    }
    span.0?;
    for item in &panel.items {
        if let Item::Level { y, half_width, .. } = item {
            span.take(*y);
            span.take(y - half_width.unwrap_or(0.0));
            span.take(y + half_width.unwrap_or(0.0));
        }
    }
    let fitted = span.padded(0.07)?;
    Some(given(panel.y_range).unwrap_or(fitted))
}

#[derive(Clone, Copy)]
struct Scale {
    lo: f64,
    hi: f64,
    at_lo: f64,
    at_hi: f64,
}

impl Scale {
    /// Position in the drawing; none where the number is not finite or outside.
    fn at(&self, v: f64) -> Option<f64> {
        (v.is_finite() && v >= self.lo && v <= self.hi).then(|| self.place(v))
    }

    /// Position of a finite number, held to within one panel of the panel.
    fn held(&self, v: f64) -> f64 {
        let span = self.hi - self.lo;
        self.place(v.clamp(self.lo - span, self.hi + span))
    }

    fn place(&self, v: f64) -> f64 {
        self.at_lo + (v - self.lo) / (self.hi - self.lo) * (self.at_hi - self.at_lo)
    }
}

#[derive(Clone, Copy, Debug)]
struct Rect {
    x: f64,
    y: f64,
    w: f64,
    h: f64,
}

impl Rect {
    fn about(x: f64, y: f64, r: f64) -> Self {
        Self {
            x: x - r,
            y: y - r,
            w: 2.0 * r,
            h: 2.0 * r,
        }
    }

    fn overlap(&self, other: &Self) -> f64 {
        let w = (self.x + self.w).min(other.x + other.w) - self.x.max(other.x);
        let h = (self.y + self.h).min(other.y + other.h) - self.y.max(other.y);
        w.max(0.0) * h.max(0.0)
    }
}

/// A label that looks for a place.
struct Wish {
    x: f64,
    y: f64,
    /// How far from (x, y) the text keeps.
    clear: f64,
    text: String,
    class: &'static str,
    /// Stays centred on x and may stand at any height of the frame.
    any_height: bool,
}

struct Drawing<'a> {
    figure: &'a Figure,
    name: String,
    font: f64,
    width: f64,
    left: f64,
    right: f64,
    x: Scale,
    x_ticks: Ticks,
    top: f64,
    body: String,
}

impl<'a> Drawing<'a> {
    fn new(figure: &'a Figure, format: Format, (x_lo, x_hi): (f64, f64)) -> Self {
        let (width, font, suffix) = match format {
            Format::Wide => (720.0, 13.0, "w"),
            Format::Narrow => (340.0, 12.0, "n"),
        };
        let left = figure
            .panels
            .iter()
            .filter_map(|p| y_range(p, (x_lo, x_hi)).map(|r| (p, r)))
            .flat_map(|(p, (lo, hi))| ticks(lo, hi, rows_for(p.height, font)).ticks)
            .map(|t| text_width(&t.text, font))
            .fold(2.0 * font, f64::max)
            + 12.0;
        let x_ticks = |about| {
            if figure.x_whole {
                whole_ticks(x_lo, x_hi, about)
            } else {
                ticks(x_lo, x_hi, about)
            }
        };
        let widest = |about| {
            x_ticks(about)
                .ticks
                .iter()
                .map(|t| text_width(&t.text, font))
                .fold(font, f64::max)
        };
        let right = widest(5) / 2.0 + 6.0;
        let room = width - left - right;
        let about = (room / (widest(8) + 2.0 * font)).floor().max(2.0) as usize;
        let mut x_ticks = x_ticks(about);
        // Fewer than five are not offered by `ticks`: where even they would touch, every other one stays.
        let needed: f64 = x_ticks
            .ticks
            .iter()
            .map(|t| text_width(&t.text, font) + font)
            .sum();
        if needed > room {
            let mut keep = false;
            x_ticks.ticks.retain(|_| {
                keep = !keep;
                keep
            });
        }
        let mut name: String = figure
            .id
            .chars()
            .filter(|c| c.is_ascii_alphanumeric() || *c == '-')
            .collect();
        name.push('-');
        name.push_str(suffix);
        Self {
            figure,
            name,
            font,
            width,
            left,
            right,
            x: Scale {
                lo: x_lo,
                hi: x_hi,
                at_lo: left,
                at_hi: width - right,
            },
            x_ticks,
            top: 0.0,
            body: String::new(),
        }
    }

    fn finish(mut self) -> String {
        let count = self.figure.panels.len();
        for i in 0..count {
            self.panel(i, i + 1 == count);
        }
        let label = with_exponent(&self.figure.x_label, self.x_ticks.exponent);
        let y = self.top + 2.0 * self.font + 10.0;
        let x = self.width - self.right;
        self.text(x, y, "end", "name", &label);
        let height = short(y + 0.5 * self.font);
        let (name, width) = (&self.name, short(self.width));
        format!(
            "<svg viewBox=\"0 0 {width} {height}\" role=\"img\" aria-labelledby=\"{name}-t {name}-d\" \
             font-size=\"{}\"><title id=\"{name}-t\">{}</title><desc id=\"{name}-d\">{}</desc>\
             <defs><pattern id=\"{name}-h\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">\
             <path class=\"hatch\" d=\"M-1 7L7 -1\"/></pattern></defs>{}</svg>",
            short(self.font),
            escape(&self.figure.title),
            escape(&self.figure.description),
            self.body
        )
    }

    fn text(&mut self, x: f64, y: f64, anchor: &str, class: &str, text: &str) {
        let _ = write!(
            self.body,
            "<text x=\"{}\" y=\"{}\" text-anchor=\"{anchor}\" class=\"{class}\">{}</text>",
            short(x),
            short(y),
            escape(text)
        );
    }

    fn path(&mut self, class: &str, d: &str) {
        if !d.is_empty() {
            let _ = write!(self.body, "<path class=\"{class}\" d=\"{d}\"/>");
        }
    }

    fn panel(&mut self, index: usize, last: bool) {
        let figure = self.figure;
        let Some(panel) = figure.panels.get(index) else {
            return;
        };
        let font = self.font;
        let guides = panel
            .items
            .iter()
            .any(|i| matches!(i, Item::Guide { label, .. } if !label.is_empty()));
        let name_at = self.top + 1.2 * font;
        let top = name_at + 0.6 * font + if guides { 1.4 * font } else { 0.0 };
        let bottom = top + panel.height;
        let (l, r) = (short(self.left), short(self.width - self.right));
        let range = y_range(panel, (self.x.lo, self.x.hi));
        let y_ticks = range.map(|(lo, hi)| ticks(lo, hi, rows_for(panel.height, font)));
        let exponent = y_ticks.as_ref().map_or(0, |t| t.exponent);
        let y_name = with_exponent(&panel.y_label, exponent);
        self.text(2.0, name_at, "start", "name", &y_name);

        let mut d = String::new();
        for t in self.x_ticks.ticks.clone() {
            let x = short(self.x.place(t.value));
            let _ = write!(d, "M{x} {}v5", short(bottom));
            if last {
                self.text(
                    self.x.place(t.value),
                    bottom + 6.0 + font,
                    "middle",
                    "tick",
                    &t.text,
                );
            }
        }
        let mut grid = String::new();
        if let (Some((lo, hi)), Some(found)) = (range, &y_ticks) {
            let y = Scale {
                lo,
                hi,
                at_lo: bottom,
                at_hi: top,
            };
            for t in &found.ticks {
                let at = y.place(t.value);
                let _ = write!(grid, "M{l} {}H{r}", short(at));
                self.text(self.left - 7.0, at + 0.35 * font, "end", "tick", &t.text);
            }
            self.path("grid", &grid);
            self.items(panel, index, y);
        } else {
            let lines = wrapped(
                &panel.when_empty,
                self.width - self.left - self.right - 16.0,
                font,
            );
            let first = (top + bottom) / 2.0 - 0.65 * font * lines.len() as f64;
            for (i, line) in lines.iter().enumerate() {
                let y = first + font + 1.3 * font * i as f64;
                self.text(
                    (self.left + self.width - self.right) / 2.0,
                    y,
                    "middle",
                    "nothing",
                    line,
                );
            }
        }
        let _ = write!(d, "M{l} {}V{}H{r}", short(top), short(bottom));
        self.path("axis", &d);
        self.top = bottom + if last { 0.0 } else { 0.8 * font };
    }

    fn items(&mut self, panel: &Panel, index: usize, y: Scale) {
        let font = self.font;
        let frame = Rect {
            x: self.left,
            y: y.at_hi,
            w: self.width - self.left - self.right,
            h: y.at_lo - y.at_hi,
        };
        let clip = format!("{}-c{index}", self.name);
        let _ = write!(
            self.body,
            "<clipPath id=\"{clip}\"><rect x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"/></clipPath>",
            short(frame.x),
            short(frame.y),
            short(frame.w),
            short(frame.h)
        );
        let _ = write!(self.body, "<g clip-path=\"url(#{clip})\">");
        let mut taken: Vec<Rect> = Vec::new();
        let mut wishes: Vec<Wish> = Vec::new();
        let mut guides: Vec<(f64, String)> = Vec::new();
        for item in &panel.items {
            match item {
                Item::Curve(xy) => self.curve(xy, y, &mut taken),
                Item::Band(rows) => self.band(rows, y),
                Item::Trace { dots, longest_step } => {
                    self.trace(dots, *longest_step, y, &mut taken);
                }
                Item::Points { shape, points } => {
                    self.points(*shape, points, y, &mut taken, &mut wishes);
                }
                Item::Level {
                    y: level,
                    half_width,
                    label,
                } => {
                    self.level(*level, *half_width, label, y, &mut wishes);
                    if let Some(at) = y.at(*level) {
                        taken.push(Rect {
                            x: frame.x,
                            y: at - 1.0,
                            w: frame.w,
                            h: 2.0,
                        });
                    }
                }
                Item::Gap { from, to, label } => self.gap(*from, *to, label, y, &mut wishes),
                Item::Guide { x, label } => {
                    if let Some(at) = self.x.at(*x) {
                        let d = format!("M{} {}V{}", short(at), short(y.at_hi), short(y.at_lo));
                        self.path("guide", &d);
                        if !label.is_empty() {
                            guides.push((at, label.clone()));
                        }
                    }
                }
            }
        }
        self.body.push_str("</g>");
        guides.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut free_from = 0.0;
        for (at, label) in guides {
            let half = text_width(&label, font) / 2.0;
            if at - half >= free_from && at + half <= self.width {
                self.text(at, y.at_hi - 0.4 * font, "middle", "label", &label);
                free_from = at + half + 0.4 * font;
            }
        }
        for wish in wishes {
            self.label(&wish, &frame, &mut taken);
        }
    }

    fn curve(&mut self, xy: &[(f64, f64)], y: Scale, taken: &mut Vec<Rect>) {
        let mut d = String::new();
        let mut pen = 'M';
        for &(px, py) in xy {
            if !px.is_finite() || !py.is_finite() {
                pen = 'M';
                continue;
            }
            let (cx, cy) = (self.x.held(px), y.held(py));
            let _ = write!(d, "{pen}{} {}", short(cx), short(cy));
            taken.push(Rect::about(cx, cy, 2.0));
            pen = 'L';
        }
        self.path("curve", &d);
    }

    fn band(&mut self, rows: &[(f64, f64, f64)], y: Scale) {
        let rows: Vec<_> = rows
            .iter()
            .filter(|r| r.0.is_finite() && r.1.is_finite() && r.2.is_finite())
            .collect();
        if rows.len() < 2 {
            return;
        }
        let mut d = String::new();
        let upper = rows.iter().map(|r| (r.0, r.2));
        let lower = rows.iter().rev().map(|r| (r.0, r.1));
        for (i, (px, py)) in upper.chain(lower).enumerate() {
            let pen = if i == 0 { 'M' } else { 'L' };
            let _ = write!(d, "{pen}{} {}", short(self.x.held(px)), short(y.held(py)));
        }
        d.push('z');
        self.path("band", &d);
    }

    fn trace(&mut self, dots: &[(f64, f64)], longest_step: f64, y: Scale, taken: &mut Vec<Rect>) {
        let (mut line, mut marks) = (String::new(), String::new());
        let mut before: Option<(f64, f64, f64)> = None;
        for &(px, py) in dots {
            let (Some(cx), Some(cy)) = (self.x.at(px), y.at(py)) else {
                before = None;
                continue;
            };
            let joined = before.is_some_and(|(t, _, _)| px - t <= longest_step);
            // What falls on the same half unit as the dot before would not be seen.
            let same = joined
                && before.is_some_and(|(_, ox, oy)| (cx - ox).abs() < 0.5 && (cy - oy).abs() < 0.5);
            if same {
                if let Some(b) = before.as_mut() {
                    b.0 = px;
                }
                continue;
            }
            let (sx, sy) = (short(cx), short(cy));
            let _ = write!(line, "{}{sx} {sy}", if joined { 'L' } else { 'M' });
            let _ = write!(marks, "M{sx} {sy}h0");
            taken.push(Rect::about(cx, cy, 2.0));
            before = Some((px, cx, cy));
        }
        self.path("thread", &line);
        self.path("dots", &marks);
    }

    fn points(
        &mut self,
        shape: Shape,
        points: &[Point],
        y: Scale,
        taken: &mut Vec<Rect>,
        wishes: &mut Vec<Wish>,
    ) {
        let radius = if points.len() > 30 { 2.0 } else { 3.6 };
        let (mut bars, mut marks) = (String::new(), String::new());
        for p in points {
            let (Some(cx), Some(cy)) = (self.x.at(p.x), y.at(p.y)) else {
                continue;
            };
            if let Some(bar) = p.bar.filter(|b| b.is_finite() && *b > 0.0) {
                let (a, b) = (y.held(p.y + bar), y.held(p.y - bar));
                taken.push(Rect {
                    x: cx - 2.0,
                    y: a,
                    w: 4.0,
                    h: b - a,
                });
                let (a, b, x) = (short(a), short(b), short(cx));
                let _ = write!(bars, "M{x} {a}V{b}");
                if radius > 3.0 {
                    let x = short(cx - 3.0);
                    let _ = write!(bars, "M{x} {a}h6M{x} {b}h6");
                }
            }
            marks.push_str(&outline(shape, cx, cy, radius));
            taken.push(Rect::about(cx, cy, radius + 1.0));
            if !p.label.is_empty() {
                wishes.push(Wish {
                    x: cx,
                    y: cy,
                    clear: radius + 4.0,
                    text: p.label.clone(),
                    class: "label",
                    any_height: false,
                });
            }
        }
        self.path("bar", &bars);
        self.path(class_of(shape), &marks);
    }

    fn level(
        &mut self,
        at: f64,
        half_width: Option<f64>,
        label: &str,
        y: Scale,
        wishes: &mut Vec<Wish>,
    ) {
        let Some(cy) = y.at(at) else { return };
        let (l, r) = (short(self.left), short(self.width - self.right));
        if let Some(h) = half_width.filter(|h| h.is_finite() && *h > 0.0) {
            let (a, b) = (short(y.held(at + h)), short(y.held(at - h)));
            self.path("band", &format!("M{l} {a}H{r}V{b}H{l}z"));
        }
        self.path("level", &format!("M{l} {}H{r}", short(cy)));
        if !label.is_empty() {
            wishes.push(Wish {
                x: self.width - self.right - text_width(label, self.font) / 2.0 - 4.0,
                y: cy,
                clear: 4.0,
                text: label.to_owned(),
                class: "label level",
                any_height: false,
            });
        }
    }

    fn gap(&mut self, from: f64, to: f64, label: &str, y: Scale, wishes: &mut Vec<Wish>) {
        let visible = from.is_finite() && to.is_finite() && from < self.x.hi && to > self.x.lo;
        if !visible || from >= to {
            return;
        }
        let a = self.x.place(from.max(self.x.lo));
        let b = self.x.place(to.min(self.x.hi));
        let (top, bottom) = (short(y.at_hi), short(y.at_lo));
        let d = format!(
            "M{} {top}H{}V{bottom}H{}z",
            short(a),
            short(b.max(a + 1.0)),
            short(a)
        );
        let _ = write!(
            self.body,
            "<path class=\"gap\" style=\"fill:url(#{}-h)\" d=\"{d}\"/>",
            self.name
        );
        if !label.is_empty() {
            wishes.push(Wish {
                x: (a + b) / 2.0,
                y: y.at_hi,
                clear: 0.0,
                text: label.to_owned(),
                class: "label quiet",
                any_height: true,
            });
        }
    }

    /// Puts a label where it covers the least of what is there, always inside the frame.
    fn label(&mut self, wish: &Wish, frame: &Rect, taken: &mut Vec<Rect>) {
        let (w, h) = (text_width(&wish.text, self.font), 1.1 * self.font);
        let mut best: Option<(f64, Rect)> = None;
        for ring in 0..6 {
            let far = wish.clear + f64::from(ring) * 0.9 * self.font;
            let down = f64::from(ring) * 0.18 * (frame.h - h);
            let places = if wish.any_height {
                let top = frame.y - wish.y;
                [(-w / 2.0, top + down + 2.0); 8]
            } else {
                [
                    (-w / 2.0, -far - h),
                    (-w / 2.0, far),
                    (far, -h / 2.0),
                    (-far - w, -h / 2.0),
                    (far, -far - h),
                    (-far - w, -far - h),
                    (far, far),
                    (-far - w, far),
                ]
            };
            for (dx, dy) in places {
                let wanted = Rect {
                    x: wish.x + dx,
                    y: wish.y + dy,
                    w,
                    h,
                };
                let rect = Rect {
                    x: wanted.x.min(frame.x + frame.w - w - 2.0).max(frame.x + 2.0),
                    y: wanted.y.min(frame.y + frame.h - h - 1.0).max(frame.y + 1.0),
                    w,
                    h,
                };
                let moved = (rect.x - wanted.x).abs() + (rect.y - wanted.y).abs();
                let covered: f64 = taken.iter().map(|t| t.overlap(&rect)).sum();
                let cost = covered + 0.5 * moved + 1.5 * f64::from(ring);
                if best.as_ref().is_none_or(|(c, _)| cost < *c) {
                    best = Some((cost, rect));
                }
            }
        }
        if let Some((_, rect)) = best {
            if !wish.any_height {
                self.leader(wish, &rect);
            }
            self.text(
                rect.x + w / 2.0,
                rect.y + 0.85 * self.font,
                "middle",
                wish.class,
                &wish.text,
            );
            taken.push(rect);
        }
    }
}

impl Drawing<'_> {
    /// Joins a label to its point where it had to go farther than its neighbourhood.
    fn leader(&mut self, wish: &Wish, rect: &Rect) {
        let x = wish.x.clamp(rect.x, rect.x + rect.w);
        let y = wish.y.clamp(rect.y, rect.y + rect.h);
        let (dx, dy) = (x - wish.x, y - wish.y);
        let far = dx.hypot(dy);
        if far > wish.clear + 0.6 * self.font {
            let start = wish.clear / far;
            let d = format!(
                "M{} {}L{} {}",
                short(wish.x + dx * start),
                short(wish.y + dy * start),
                short(x),
                short(y)
            );
            self.path("leader", &d);
        }
    }
}

/// How many ticks a height has room for.
fn rows_for(height: f64, font: f64) -> usize {
    (height / (2.6 * font)).floor().max(2.0) as usize
}

/// Width of a text in a common sans serif face, on the generous side.
fn text_width(text: &str, font: f64) -> f64 {
    text.chars()
        .map(|c| match c {
            'i' | 'j' | 'l' | '.' | ',' | '\u{2032}' | '\'' | '|' | ' ' | '\u{a0}' | ':' => 0.36,
            'm' | 'w' | 'M' | 'W' | '\u{2212}' | '\u{b1}' | '\u{d7}' | '=' => 0.92,
            c if c as u32 > 0x2e80 => 1.05,
            c if c.is_uppercase() => 0.74,
            _ => 0.64,
        })
        .sum::<f64>()
        * font
}

fn wrapped(text: &str, width: f64, font: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if text_width(line, font) + text_width(word, font) + font < width => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn figure(points: Vec<(f64, f64, Option<f64>)>) -> Figure {
        Figure {
            id: "f".to_owned(),
            title: "t".to_owned(),
            description: "d".to_owned(),
            x_label: "x".to_owned(),
            x_range: None,
            x_whole: false,
            panels: vec![Panel {
                y_label: "y".to_owned(),
                height: 200.0,
                y_range: None,
                items: vec![Item::Points {
                    shape: Shape::Disc,
                    points: points
                        .into_iter()
                        .map(|(x, y, bar)| Point {
                            x,
                            y,
                            bar,
                            label: "p".to_owned(),
                        })
                        .collect(),
                }],
                when_empty: "Nothing <here>.".to_owned(),
            }],
        }
    }

    /// Every number in the attributes of positions.
    fn coordinates(svg: &str) -> Vec<f64> {
        let attributes: String = svg
            .split('"')
            .skip(1)
            .step_by(2)
            .collect::<Vec<_>>()
            .join(" ");
        attributes
            .split(['"', ' ', 'M', 'L', 'H', 'V', 'h', 'v', 'a', 'z', '>', '<'])
            .filter_map(|t| t.parse().ok())
            .collect()
    }

    #[test]
    fn ticks_of_known_ranges() {
        let texts = |lo, hi| -> Vec<String> {
            ticks(lo, hi, 5).ticks.into_iter().map(|t| t.text).collect()
        };
        assert_eq!(texts(0.0, 10.0), ["0", "2", "4", "6", "8", "10"]);
        assert_eq!(texts(-0.3, 0.3), ["\u{2212}0.2", "0.0", "0.2"]);
        assert_eq!(texts(1.61, 1.65), ["1.61", "1.62", "1.63", "1.64", "1.65"]);
        assert_eq!(texts(400.0, 700.0), ["400", "500", "600", "700"]);
        let small = ticks(0.0, 2e-6, 5);
        assert_eq!(small.exponent, -6);
        assert_eq!(small.ticks.last().unwrap().text, "2.0");
    }

    #[test]
    fn what_is_counted_has_ticks_at_whole_numbers() {
        for (hi, texts) in [(3.5, vec!["1", "2", "3"]), (1.5, vec!["1"])] {
            let found = whole_ticks(0.5, hi, 5);
            let found: Vec<String> = found.ticks.into_iter().map(|t| t.text).collect();
            assert_eq!(found, texts);
        }
    }

    #[test]
    fn ranges_that_are_none_have_no_ticks() {
        for (lo, hi) in [
            (1.0, 1.0),
            (2.0, 1.0),
            (f64::NAN, 1.0),
            (0.0, f64::INFINITY),
            (-f64::MAX, f64::MAX),
            (1e9, 1e9 + 1e-6),
        ] {
            assert!(ticks(lo, hi, 5).ticks.is_empty(), "{lo} {hi}");
        }
    }

    proptest! {
        #[test]
        fn ticks_are_tidy(lo in -1.0_f64..1.0, span in 1e-3_f64..1.0, decade in -12_i32..12, about in 2_usize..12) {
            let unit = 10_f64.powi(decade);
            let (lo, hi) = (lo * unit, (lo + span) * unit);
            let found = ticks(lo, hi, about);
            let values: Vec<f64> = found.ticks.iter().map(|t| t.value).collect();
            prop_assert!(values.len() >= 2 && values.len() <= about.max(5) + 1, "{values:?}");
            prop_assert!(values.iter().all(|v| *v >= lo && *v <= hi));
            let step = (values[values.len() - 1] - values[0]) / (values.len() - 1) as f64;
            let mantissa = step / 10_f64.powi((step.log10() + 1e-9).floor() as i32);
            prop_assert!([1.0, 2.0, 5.0].iter().any(|m| (mantissa - m).abs() < 1e-4), "{mantissa}");
            for (tick, next) in found.ticks.iter().zip(found.ticks.iter().skip(1)) {
                prop_assert!(tick.value < next.value && tick.text != next.text);
            }
            for tick in &found.ticks {
                let read: f64 = tick.text.replace('\u{2212}', "-").parse().unwrap();
                let read = read * 10_f64.powi(found.exponent);
                prop_assert!((read - tick.value).abs() <= 1e-6 * step.abs() + 1e-12 * tick.value.abs(), "{tick:?}");
                prop_assert!(tick.text.chars().count() <= 12, "{tick:?}");
            }
        }

        #[test]
        fn any_points_stay_inside_the_drawing(
            points in prop::collection::vec((prop::num::f64::ANY, prop::num::f64::ANY, prop::option::of(prop::num::f64::ANY)), 0..12),
        ) {
            for format in [Format::Wide, Format::Narrow] {
                let svg = draw(&figure(points.clone()), format);
                prop_assert!(!svg.contains("NaN") && !svg.contains("inf"));
                prop_assert!(coordinates(&svg).iter().all(|v| v.abs() < 2000.0), "{svg}");
            }
        }

        #[test]
        fn no_markup_survives_escaping(text in any::<String>()) {
            let out = escape(&text);
            prop_assert!(!out.contains(['<', '>', '"', '\'']));
        }
    }

    #[test]
    fn no_data_is_said_in_words() {
        for empty in [
            vec![],
            vec![(f64::NAN, 1.0, None)],
            vec![(1.0, f64::INFINITY, None)],
        ] {
            let svg = draw(&figure(empty), Format::Wide);
            assert_eq!(svg, "<p class=\"nothing\">Nothing &lt;here&gt;.</p>");
        }
    }

    #[test]
    fn a_panel_without_data_beside_one_with_data_says_so() {
        let mut two = figure(vec![(1.0, 2.0, None), (2.0, 3.0, None)]);
        two.panels.push(Panel {
            items: Vec::new(),
            ..two.panels[0].clone()
        });
        let svg = draw(&two, Format::Narrow);
        assert!(svg.contains(">Nothing &lt;here&gt;.</text>"));
        assert!(svg.contains("class=\"disc\""));
    }

    #[test]
    fn one_point_is_drawn_in_the_middle() {
        let svg = draw(&figure(vec![(5.0, 5.0, None)]), Format::Wide);
        assert!(svg.contains("class=\"disc\"") && !svg.contains("class=\"bar\""));
        assert!(svg.matches("class=\"tick\"").count() >= 4);
    }

    #[test]
    fn large_offsets_and_tiny_numbers_have_ticks_that_differ() {
        for (a, b) in [
            (1e-12, 3e-12),
            (-4e15, 7e15),
            (1e6, 1e6 + 1.0),
            (123.400_1, 123.400_2),
        ] {
            let svg = draw(&figure(vec![(a, a, None), (b, b, None)]), Format::Narrow);
            assert!(svg.matches("class=\"tick\"").count() >= 4, "{a} {b}: {svg}");
        }
    }

    #[test]
    fn a_gap_breaks_the_thread() {
        let mut f = figure(Vec::new());
        f.panels[0].items = vec![Item::Trace {
            dots: (0..20)
                .filter(|i| !(8..12).contains(i))
                .map(|i| (f64::from(i), f64::from(i * i)))
                .collect(),
            longest_step: 2.0,
        }];
        let svg = draw(&f, Format::Wide);
        let thread = svg.split("class=\"thread\" d=\"").nth(1).unwrap();
        let thread = thread.split('"').next().unwrap();
        assert_eq!(thread.matches('M').count(), 2);
    }
}
