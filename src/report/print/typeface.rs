//! The three fonts of the printed report: widths of text, glyphs, and how they go into the file.
//!
//! Noto Sans, cut down (see `fonts/make.sh`). Text is written as glyph numbers of two bytes; the file also says which
//! letter each glyph is, so that it can be searched and copied. Lengths are in points.

use std::collections::BTreeMap;

use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Filter, Finish, Name, Pdf, Rect, Ref, Str};

/// A font of the report.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Face {
    /// Upright.
    #[default]
    Regular,
    /// Bold.
    Bold,
    /// Italic, for symbols of quantities.
    Italic,
}

impl Face {
    /// All, in the order of [`Typefaces`].
    pub(super) const ALL: [Self; 3] = [Self::Regular, Self::Bold, Self::Italic];

    /// Name in a page's list of fonts.
    pub(super) fn resource(self) -> Name<'static> {
        Name(match self {
            Self::Regular => b"Regular",
            Self::Bold => b"Bold",
            Self::Italic => b"Italic",
        })
    }

    fn bytes(self) -> &'static [u8] {
        match self {
            Self::Regular => include_bytes!("fonts/sheet-regular.ttf"),
            Self::Bold => include_bytes!("fonts/sheet-bold.ttf"),
            Self::Italic => include_bytes!("fonts/sheet-italic.ttf"),
        }
    }

    fn name(self) -> Name<'static> {
        Name(match self {
            Self::Regular => b"SHEETR+NotoSans-Regular",
            Self::Bold => b"SHEETB+NotoSans-Bold",
            Self::Italic => b"SHEETI+NotoSans-Italic",
        })
    }
}

/// One font, with the glyphs that were used so far.
struct Typeface {
    face: Face,
    parsed: ttf_parser::Face<'static>,
    used: BTreeMap<u16, char>,
}

/// The fonts of a report.
pub(super) struct Typefaces(Vec<Typeface>);

/// Says where the letters of the text come from: plain glyph numbers.
const IDENTITY: SystemInfo<'static> = SystemInfo {
    registry: Str(b"Adobe"),
    ordering: Str(b"Identity"),
    supplement: 0,
};

impl Typefaces {
    /// Reads the fonts that come with the program.
    ///
    /// # Errors
    /// A font cannot be read; a test reads all.
    pub(super) fn load() -> Result<Self, String> {
        Face::ALL
            .into_iter()
            .map(|face| {
                ttf_parser::Face::parse(face.bytes(), 0)
                    .map(|parsed| Typeface {
                        face,
                        parsed,
                        used: BTreeMap::new(),
                    })
                    .map_err(|error| format!("the font {face:?} of the report: {error}"))
            })
            .collect::<Result<Vec<_>, _>>()
            .map(Self)
    }

    fn of(&self, face: Face) -> Option<&Typeface> {
        self.0.iter().find(|one| one.face == face)
    }

    /// Width of a text, points.
    pub(super) fn width(&self, face: Face, size: f64, text: &str) -> f64 {
        let Some(face) = self.of(face) else {
            return 0.0;
        };
        let units: f64 = text
            .chars()
            .map(|letter| face.advance(face.glyph(letter).0))
            .sum();
        units * size
    }

    /// The text as glyph numbers, two bytes each; remembers which were used.
    pub(super) fn encoded(&mut self, face: Face, text: &str) -> Vec<u8> {
        let Some(face) = self.0.iter_mut().find(|one| one.face == face) else {
            return Vec::new();
        };
        let mut bytes = Vec::with_capacity(2 * text.len());
        for letter in text.chars() {
            let (glyph, shown) = face.glyph(letter);
            face.used.entry(glyph).or_insert(shown);
            bytes.extend(glyph.to_be_bytes());
        }
        bytes
    }

    /// Writes the fonts; `next` gives numbers for new objects. Gives each font's number.
    pub(super) fn embed(&self, pdf: &mut Pdf, next: &mut Ref) -> Vec<(Face, Ref)> {
        self.0
            .iter()
            .map(|face| (face.face, face.embed(pdf, next)))
            .collect()
    }
}

impl Typeface {
    /// Glyph of a letter and the letter that it shows: that of a stand-in where the font lacks it.
    fn glyph(&self, letter: char) -> (u16, char) {
        // Spaces of every width are one here; a space without a break is still a space.
        let wanted = match letter {
            '\u{a0}' | '\u{2000}'..='\u{200a}' | '\u{202f}' | '\t' | '\n' => ' ',
            other => other,
        };
        for shown in [wanted, '\u{fffd}', '?'] {
            if let Some(glyph) = self.parsed.glyph_index(shown) {
                return (glyph.0, shown);
            }
        }
        (0, '\u{fffd}')
    }

    /// Advance of a glyph in units of the size of the letters.
    fn advance(&self, glyph: u16) -> f64 {
        let advance = self
            .parsed
            .glyph_hor_advance(ttf_parser::GlyphId(glyph))
            .unwrap_or(500);
        f64::from(advance) / f64::from(self.parsed.units_per_em().max(1))
    }

    fn embed(&self, pdf: &mut Pdf, next: &mut Ref) -> Ref {
        let [font, descendant, descriptor, file, letters] = [
            next.bump(),
            next.bump(),
            next.bump(),
            next.bump(),
            next.bump(),
        ];
        let name = self.face.name();
        let thousandths =
            |units: i16| 1000.0 * f32::from(units) / f32::from(self.parsed.units_per_em().max(1));
        pdf.type0_font(font)
            .base_font(name)
            .encoding_predefined(Name(b"Identity-H"))
            .descendant_font(descendant)
            .to_unicode(letters);
        let mut cid = pdf.cid_font(descendant);
        cid.subtype(CidFontType::Type2)
            .base_font(name)
            .system_info(IDENTITY)
            .font_descriptor(descriptor)
            .default_width(0.0)
            .cid_to_gid_map_predefined(Name(b"Identity"));
        let mut widths = cid.widths();
        for glyph in self.used.keys() {
            widths.consecutive(*glyph, [(1000.0 * self.advance(*glyph)) as f32]);
        }
        widths.finish();
        cid.finish();
        let bounds = self.parsed.global_bounding_box();
        let mut flags = FontFlags::NON_SYMBOLIC;
        if self.face == Face::Italic {
            flags |= FontFlags::ITALIC;
        }
        pdf.font_descriptor(descriptor)
            .name(name)
            .flags(flags)
            .bbox(Rect::new(
                thousandths(bounds.x_min),
                thousandths(bounds.y_min),
                thousandths(bounds.x_max),
                thousandths(bounds.y_max),
            ))
            .italic_angle(self.parsed.italic_angle())
            .ascent(thousandths(self.parsed.ascender()))
            .descent(thousandths(self.parsed.descender()))
            .cap_height(thousandths(self.parsed.capital_height().unwrap_or(700)))
            .stem_v(if self.face == Face::Bold { 140.0 } else { 80.0 })
            .font_file2(file);
        let bytes = self.face.bytes();
        let packed = packed(bytes);
        pdf.stream(file, &packed).filter(Filter::FlateDecode).pair(
            Name(b"Length1"),
            i32::try_from(bytes.len()).unwrap_or(i32::MAX),
        );
        let mut map = UnicodeCmap::<u16>::new(Name(b"Letters"), IDENTITY);
        for (glyph, letter) in &self.used {
            map.pair(*glyph, *letter);
        }
        pdf.cmap(letters, &map.finish());
        font
    }
}

/// A stream, compressed.
pub(super) fn packed(bytes: &[u8]) -> Vec<u8> {
    const LEVEL: u8 = 6;
    miniz_oxide::deflate::compress_to_vec_zlib(bytes, LEVEL)
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    /// All letters that the program's own sentences use, and those of names in Europe's languages.
    #[test]
    fn the_fonts_have_the_letters_of_the_report() {
        let faces = Typefaces::load().unwrap();
        let letters = "The prism of Zażółć, Ærø, Ψυχή, Ёлка: n_d = 1.62004 ± 0.00012 (k = 2) δ λ ν χ² ½ · … — – “x” ‘y’ \
                       60° 00′ 59.98″ − × 10⁻⁵ 10⁻¹² ≤ ≥ ≈ ≠ √ ∞ → ← ∑ ∂ µ μ Å ‰ € № α β γ θ φ Ω ₀₁₂";
        for face in &faces.0 {
            for letter in letters.chars() {
                assert_eq!(
                    face.glyph(letter).1,
                    if letter == '\n' { ' ' } else { letter },
                    "{:?} {letter}",
                    face.face
                );
            }
            assert_eq!(face.glyph('漢').1, '\u{fffd}');
        }
    }

    #[test]
    fn widths_add_up() {
        let faces = Typefaces::load().unwrap();
        let width = |text: &str| faces.width(Face::Regular, 10.0, text);
        assert!((width("ab") - width("a") - width("b")).abs() < 1e-9);
        // Figures are of one width, so that columns of numbers stand right.
        assert!((width("0") - width("7")).abs() < 1e-9);
        assert!((width("0") - 5.72).abs() < 1e-9, "{}", width("0"));
    }
}
