//! Reading tables: the columns of `reduce` and of `scale`, with every refusal naming file, row and column.
//!
//! Fields may be separated by commas, semicolons or tabs, with or without a byte order mark; with
//! semicolons and tabs a decimal comma is read as a point. Rows are numbered as an editor numbers lines.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use crate::basics::fault::said;
use crate::basics::units::{CircleReading, Wavelength};

/// Why a table of readings is refused: one sentence with file, row, column and what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct TableError(pub String);

/// At what the telescope was pointed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Target {
    /// A spectral line at minimum deviation.
    Line,
    /// The slit seen straight.
    Central,
    /// The slit reflected from the first face.
    Face1,
    /// The slit reflected from the second face.
    Face2,
}

impl Target {
    /// The word in the table.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Line => "line",
            Self::Central => "central",
            Self::Face1 => "face-1",
            Self::Face2 => "face-2",
        }
    }
}

/// One pointing of the telescope.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingRow {
    /// Row of the file, the header being row 1.
    pub row: usize,
    /// Rows of one set belong together.
    pub set: String,
    /// At what the telescope was pointed.
    pub target: Target,
    /// Name of the line.
    pub line: Option<String>,
    /// Its wavelength.
    pub wavelength: Option<Wavelength>,
    /// Standard uncertainty of the wavelength by the digits with which it is written, nm: half a step of the last one to
    /// either side (JCGM 100, 4.3.7); 0 without a wavelength.
    pub u_wavelength_nm: f64,
    /// First window.
    pub window_1: CircleReading,
    /// Second window.
    pub window_2: Option<CircleReading>,
    /// The windows as they were typed, one or two.
    pub windows_typed: Vec<String>,
    /// Offset of the line from the cross-hairs, seconds of arc.
    pub offset_arcsec: Option<f64>,
    /// Its standard uncertainty.
    pub u_offset_arcsec: Option<f64>,
    /// Clip, folder or picture from which the offset is measured; path beside the table, as written.
    pub footage: Option<String>,
    /// Which line of the footage, numbered from the left.
    pub pick: Option<usize>,
    /// Remark.
    pub note: Option<String>,
}

/// Largest standard uncertainty of an offset that is believed, seconds of arc: a degree.
const LARGEST_U_OFFSET_ARCSEC: f64 = 3600.0;

/// What a row of a scale table gives for the position.
#[derive(Clone, Debug, PartialEq)]
pub enum ScaleOffset {
    /// A picture, path beside the table, as written.
    Frame(String),
    /// Offset of the slit image from the cross-hairs, px.
    Px(f64),
}

/// One picture of the slit at a known circle reading.
#[derive(Clone, Debug, PartialEq)]
pub struct ScaleRow {
    /// Row of the file, the header being row 1.
    pub row: usize,
    /// First window.
    pub window_1: CircleReading,
    /// Second window.
    pub window_2: Option<CircleReading>,
    /// Where the slit image was.
    pub offset: ScaleOffset,
}

const READING_COLUMNS: [&str; 11] = [
    "set",
    "target",
    "line",
    "wavelength_nm",
    "window_1",
    "window_2",
    "offset_arcsec",
    "u_offset_arcsec",
    "footage",
    "pick",
    "note",
];

const SCALE_COLUMNS: [&str; 4] = ["window_1", "window_2", "frame", "offset_px"];

/// Reads a `reduce` table from a file.
///
/// # Errors
/// One sentence that names file, row and column.
pub fn read_readings(path: &Path) -> Result<Vec<ReadingRow>, TableError> {
    readings_from_bytes(&bytes_of(path)?, &path.display().to_string())
}

/// Reads a `reduce` table from bytes; `name` is the file's name for messages.
///
/// # Errors
/// One sentence that names file, row and column.
pub fn readings_from_bytes(bytes: &[u8], name: &str) -> Result<Vec<ReadingRow>, TableError> {
    let table = Cells::read(
        bytes,
        name,
        &READING_COLUMNS,
        &["set", "target", "window_1"],
    )?;
    let rows = table
        .rows
        .iter()
        .map(|cells| reading_row(&table, cells))
        .collect::<Result<Vec<_>, _>>()?;
    check_sets(&rows, name)?;
    Ok(rows)
}

/// Rows as a `reduce` table, CSV, with readings as they were typed and offsets to a thousandth of a second of arc; where a row has no
/// note its number stands there.
///
/// # Errors
/// What the writer says.
pub fn readings_to_bytes(rows: &[ReadingRow]) -> Result<Vec<u8>, csv::Error> {
    let mut out = csv::Writer::from_writer(Vec::new());
    out.write_record(READING_COLUMNS)?;
    for row in rows {
        let number = |value: Option<f64>| value.map_or_else(String::new, |v| format!("{v:.3}"));
        let typed = |at: usize| row.windows_typed.get(at).cloned().unwrap_or_default();
        let cells: [String; READING_COLUMNS.len()] = [
            row.set.clone(),
            row.target.word().to_owned(),
            row.line.clone().unwrap_or_default(),
            row.wavelength
                .map_or_else(String::new, |w| format!("{:.4}", w.in_air_nm())),
            typed(0),
            typed(1),
            number(row.offset_arcsec),
            number(row.u_offset_arcsec),
            row.footage.clone().unwrap_or_default(),
            row.pick.map_or_else(String::new, |pick| pick.to_string()),
            row.note
                .clone()
                .unwrap_or_else(|| format!("reading {}", row.row)),
        ];
        out.write_record(cells)?;
    }
    out.into_inner().map_err(|error| error.into_error().into())
}

/// Reads a `scale` table from a file.
///
/// # Errors
/// One sentence that names file, row and column.
pub fn read_scale(path: &Path) -> Result<Vec<ScaleRow>, TableError> {
    scale_from_bytes(&bytes_of(path)?, &path.display().to_string())
}

/// Reads a `scale` table from bytes; `name` is the file's name for messages.
///
/// # Errors
/// One sentence that names file, row and column.
pub fn scale_from_bytes(bytes: &[u8], name: &str) -> Result<Vec<ScaleRow>, TableError> {
    let table = Cells::read(bytes, name, &SCALE_COLUMNS, &["window_1"])?;
    if !table.has("frame") && !table.has("offset_px") {
        return Err(TableError(format!(
            "{name}, row 1: a scale table needs a column frame (a picture) or offset_px; add one of them"
        )));
    }
    table
        .rows
        .iter()
        .map(|cells| {
            let frame = table.text(cells, "frame");
            let px = table.number(cells, "offset_px")?;
            let offset = match (frame, px) {
                (Some(frame), None) => ScaleOffset::Frame(frame),
                (None, Some(px)) => ScaleOffset::Px(px),
                (Some(_), Some(_)) => {
                    return Err(table.wrong(
                        cells,
                        "frame",
                        "there is a frame and an offset_px too; keep one of them",
                    ));
                }
                (None, None) => {
                    return Err(table.wrong(
                        cells,
                        if table.has("frame") {
                            "frame"
                        } else {
                            "offset_px"
                        },
                        "it is empty; give the picture or the offset, or delete the row",
                    ));
                }
            };
            Ok(ScaleRow {
                row: cells.row,
                window_1: table.required_reading(cells, "window_1")?,
                window_2: table.reading(cells, "window_2")?,
                offset,
            })
        })
        .collect()
}

fn bytes_of(path: &Path) -> Result<Vec<u8>, TableError> {
    std::fs::read(path).map_err(|error| {
        TableError(format!(
            "{} cannot be read: {error}; check the path",
            path.display(),
            error = said(&error)
        ))
    })
}

fn reading_row(table: &Cells, cells: &RowCells) -> Result<ReadingRow, TableError> {
    let target_text = table.text(cells, "target").ok_or_else(|| {
        table.wrong(
            cells,
            "target",
            "it is empty; write line, central, face-1 or face-2",
        )
    })?;
    let target = match target_text.to_ascii_lowercase().as_str() {
        "line" => Target::Line,
        "central" => Target::Central,
        "face-1" => Target::Face1,
        "face-2" => Target::Face2,
        _ => {
            return Err(table.wrong(
                cells,
                "target",
                &format!("\"{target_text}\" is no target; write line, central, face-1 or face-2"),
            ));
        }
    };
    // The two faces belong together whatever stands there; a line needs its central image.
    let set = match (table.text(cells, "set"), target) {
        (Some(set), _) => set,
        (None, Target::Face1 | Target::Face2) => String::new(),
        (None, Target::Line | Target::Central) => {
            return Err(table.wrong(
                cells,
                "set",
                "it is empty; give lines and their central image the same set",
            ));
        }
    };
    let wavelength = table
        .number(cells, "wavelength_nm")?
        .map(|nm| checked_wavelength(nm).map_err(|what| table.wrong(cells, "wavelength_nm", &what)))
        .transpose()?;
    let u_wavelength_nm = table
        .numeric_text(cells, "wavelength_nm")
        .map_or(0.0, |text| half_a_digit(&text) / 3f64.sqrt());
    let line = table.text(cells, "line");
    if target == Target::Line && line.is_none() && wavelength.is_none() {
        return Err(table.wrong(
            cells,
            "line",
            "a line needs a name or a wavelength; fill in line or wavelength_nm",
        ));
    }
    let offset_arcsec = table.number(cells, "offset_arcsec")?;
    let u_offset_arcsec = table.number(cells, "u_offset_arcsec")?;
    if let Some(u) = u_offset_arcsec {
        if u < 0.0 {
            return Err(table.wrong(
                cells,
                "u_offset_arcsec",
                "an uncertainty cannot be negative; drop the sign",
            ));
        }
        if u > LARGEST_U_OFFSET_ARCSEC {
            return Err(table.wrong(
                cells,
                "u_offset_arcsec",
                &format!("{u} seconds of arc are more than a degree, and no measurement; give the standard uncertainty in seconds of arc"),
            ));
        }
        if offset_arcsec.is_none() {
            return Err(table.wrong(
                cells,
                "u_offset_arcsec",
                "there is an uncertainty but no offset; fill in offset_arcsec (0 where the cross-hair was set on the line)",
            ));
        }
    }
    if offset_arcsec.is_some_and(|offset| offset.abs() > 36_000.0) {
        return Err(table.wrong(
            cells,
            "offset_arcsec",
            "the offset is more than ten degrees, wider than any eyepiece; it is meant in seconds of arc",
        ));
    }
    let footage = table.text(cells, "footage");
    if footage.is_some() && offset_arcsec.is_some() {
        return Err(table.wrong(
            cells,
            "footage",
            "there is footage and an offset_arcsec too; keep one of them",
        ));
    }
    let pick = table
        .text(cells, "pick")
        .map(|text| {
            text.parse::<usize>()
                .ok()
                .filter(|pick| *pick > 0)
                .ok_or_else(|| {
                    table.wrong(
                        cells,
                        "pick",
                        &format!(
                            "\"{text}\" is no line number; count the lines from the left, from 1"
                        ),
                    )
                })
        })
        .transpose()?;
    if pick.is_some() && footage.is_none() {
        return Err(table.wrong(
            cells,
            "pick",
            "there is no footage to pick from; fill in footage or clear pick",
        ));
    }
    Ok(ReadingRow {
        row: cells.row,
        set,
        target,
        line,
        wavelength,
        u_wavelength_nm,
        window_1: table.required_reading(cells, "window_1")?,
        window_2: table.reading(cells, "window_2")?,
        windows_typed: ["window_1", "window_2"]
            .into_iter()
            .filter_map(|window| table.text(cells, window))
            .collect(),
        offset_arcsec,
        u_offset_arcsec,
        footage,
        pick,
        note: table.text(cells, "note"),
    })
}

/// Half a step of the last digit of a number as it is written.
fn half_a_digit(text: &str) -> f64 {
    let (digits, exponent) = text
        .split_once(['e', 'E'])
        .map_or((text, 0), |(digits, power)| {
            (digits, power.trim_start_matches('+').parse().unwrap_or(0))
        });
    let decimals = digits.split_once('.').map_or(0, |(_, d)| d.trim().len());
    0.5 * 10f64.powi(exponent - i32::try_from(decimals.min(12)).unwrap_or(12))
}

/// A wavelength in air from nanometres, with a hint where another unit was meant.
fn checked_wavelength(nm: f64) -> Result<Wavelength, String> {
    if (0.2..=2.5).contains(&nm) {
        return Err(format!(
            "{nm} looks like micrometres; write nanometres: {}",
            nm * 1000.0
        ));
    }
    if (2000.0..=25_000.0).contains(&nm) {
        return Err(format!(
            "{nm} looks like ångström; write nanometres: {}",
            nm / 10.0
        ));
    }
    if !(200.0..2000.0).contains(&nm) {
        return Err(format!(
            "{nm} is no wavelength in nanometres; the program takes 200 to 2000"
        ));
    }
    Ok(Wavelength::air_nm(nm))
}

/// Name of a row's line, or its wavelength.
fn name_of(row: &ReadingRow) -> String {
    row.line.clone().unwrap_or_else(|| {
        row.wavelength
            .map_or_else(String::new, |w| w.in_air_nm().to_string())
    })
}

/// Lines need their central image (or to be read on either side of it), faces their partner, and nothing may come twice.
fn check_sets(rows: &[ReadingRow], name: &str) -> Result<(), TableError> {
    if rows.is_empty() {
        return Err(TableError(format!(
            "{name} has a header but no readings; add a row for each pointing"
        )));
    }
    let mut first_of: BTreeMap<(&str, Target, String), usize> = BTreeMap::new();
    let mut either_side: BTreeSet<(&str, Target, String)> = BTreeSet::new();
    for row in rows {
        let what = if row.target == Target::Line {
            name_of(row)
        } else {
            String::new()
        };
        let described = if row.target == Target::Line {
            format!("line {what}")
        } else {
            row.target.word().to_owned()
        };
        let key = (row.set.as_str(), row.target, what);
        if let Some(first) = first_of.insert(key.clone(), row.row) {
            // A line read on either side of a central image that was not read: the two places make one deviation.
            let double = row.target == Target::Line
                && !rows
                    .iter()
                    .any(|other| other.set == row.set && other.target == Target::Central)
                && either_side.insert(key);
            if double {
                continue;
            }
            return Err(TableError(format!(
                "{name}, row {}, column target: {described} comes twice in set {} (first in row {first}); give a repeat a set of its own, with its own central image",
                row.row, row.set
            )));
        }
    }
    let has = |set: &str, target: Target| {
        rows.iter()
            .any(|row| row.set == set && row.target == target)
    };
    for row in rows {
        let needed = match row.target {
            Target::Line => Target::Central,
            Target::Face1 => Target::Face2,
            Target::Face2 => Target::Face1,
            Target::Central => continue,
        };
        let on_either_side = row.target == Target::Line
            && either_side
                .iter()
                .any(|(set, _, what)| *set == row.set && (*what == name_of(row)));
        if !has(&row.set, needed) && !on_either_side {
            return Err(TableError(format!(
                "{name}, row {}, column set: set {} has a {} but no {}; add that row with the same set",
                row.row,
                row.set,
                row.target.word(),
                needed.word()
            )));
        }
    }
    Ok(())
}

/// The cells of one row and its number.
struct RowCells {
    row: usize,
    cells: Vec<String>,
}

/// A table as text, with its columns known.
struct Cells<'a> {
    name: &'a str,
    columns: BTreeMap<&'static str, usize>,
    decimal_comma: bool,
    rows: Vec<RowCells>,
}

impl<'a> Cells<'a> {
    fn read(
        bytes: &[u8],
        name: &'a str,
        known: &[&'static str],
        required: &[&str],
    ) -> Result<Self, TableError> {
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let text = std::str::from_utf8(bytes).map_err(|error| {
            let byte = error.valid_up_to();
            let row = 1 + bytes.iter().take(byte).filter(|b| **b == b'\n').count();
            TableError(format!(
                "{name}, row {row}: byte {} is not UTF-8; save the table as UTF-8",
                byte + 1
            ))
        })?;
        if text.contains('\0') {
            return Err(TableError(format!(
                "{name} holds zero bytes, so it is no text table; save it as CSV in UTF-8"
            )));
        }
        let header = text
            .lines()
            .find(|line| !line.trim().is_empty())
            .ok_or_else(|| {
                TableError(format!(
                    "{name} is empty; it needs a header row; the columns are {}",
                    known.join(", ")
                ))
            })?;
        let separator = [b',', b';', b'\t']
            .into_iter()
            .max_by_key(|separator| header.bytes().filter(|b| b == separator).count())
            .unwrap_or(b',');
        // On a tie of zeros the last wins above; a single column is the same with any separator.
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(separator)
            .has_headers(false)
            .flexible(true)
            .from_reader(text.as_bytes());
        let mut records = Vec::new();
        for record in reader.records() {
            let record = record.map_err(|error| {
                TableError(format!("{name}: {error}; save the table as CSV again"))
            })?;
            let row = record
                .position()
                .map_or(0, |position| usize::try_from(position.line()).unwrap_or(0));
            let cells: Vec<String> = record.iter().map(|cell| cell.trim().to_owned()).collect();
            if cells.iter().any(|cell| !cell.is_empty()) {
                records.push(RowCells { row, cells });
            }
        }
        let mut records = records.into_iter();
        let header = records.next().map(|row| row.cells).unwrap_or_default();
        let columns = columns_of(&header, name, known)?;
        for column in required {
            if !columns.contains_key(column) {
                return Err(TableError(format!(
                    "{name}, row 1: the column {column} is missing; the columns are {}",
                    known.join(", ")
                )));
            }
        }
        let rows: Vec<RowCells> = records.collect();
        if let Some(long) = rows.iter().find(|row| {
            row.cells
                .iter()
                .skip(header.len())
                .any(|cell| !cell.is_empty())
        }) {
            return Err(TableError(format!(
                "{name}, row {}: it has more cells than the header has columns; put quotes around text that holds the separator",
                long.row
            )));
        }
        Ok(Self {
            name,
            columns,
            decimal_comma: separator != b',',
            rows,
        })
    }

    fn has(&self, column: &str) -> bool {
        self.columns.contains_key(column)
    }

    fn wrong(&self, cells: &RowCells, column: &str, what: &str) -> TableError {
        TableError(format!(
            "{}, row {}, column {column}: {what}",
            self.name, cells.row
        ))
    }

    fn text(&self, cells: &RowCells, column: &str) -> Option<String> {
        self.columns
            .get(column)
            .and_then(|index| cells.cells.get(*index))
            .filter(|text| !text.is_empty())
            .cloned()
    }

    /// Text of a number or an angle, with a decimal point.
    fn numeric_text(&self, cells: &RowCells, column: &str) -> Option<String> {
        let text = self.text(cells, column)?;
        Some(if self.decimal_comma {
            text.replace(',', ".")
        } else {
            text
        })
    }

    fn number(&self, cells: &RowCells, column: &str) -> Result<Option<f64>, TableError> {
        self.numeric_text(cells, column)
            .map(|text| {
                text.replace('\u{2212}', "-")
                    .parse::<f64>()
                    .ok()
                    .filter(|number| number.is_finite())
                    .ok_or_else(|| {
                        self.wrong(
                            cells,
                            column,
                            &format!(
                                "\"{text}\" is no number; write it like 546.075, or leave it empty"
                            ),
                        )
                    })
            })
            .transpose()
    }

    fn reading(&self, cells: &RowCells, column: &str) -> Result<Option<CircleReading>, TableError> {
        self.numeric_text(cells, column)
            .map(|text| {
                CircleReading::parse(&text).map_err(|error| self.wrong(cells, column, &error.0))
            })
            .transpose()
    }

    fn required_reading(
        &self,
        cells: &RowCells,
        column: &str,
    ) -> Result<CircleReading, TableError> {
        self.reading(cells, column)?.ok_or_else(|| {
            self.wrong(
                cells,
                column,
                "it is empty; every pointing needs a circle reading",
            )
        })
    }
}

/// Finds the known columns; a near miss of a known name is refused, other columns are left alone.
fn columns_of(
    header: &[String],
    name: &str,
    known: &[&'static str],
) -> Result<BTreeMap<&'static str, usize>, TableError> {
    let mut columns = BTreeMap::new();
    for (index, title) in header.iter().enumerate() {
        let title = title.to_lowercase();
        if let Some(column) = known.iter().find(|column| **column == title) {
            if columns.insert(*column, index).is_some() {
                return Err(TableError(format!(
                    "{name}, row 1: the column {column} comes twice; keep one"
                )));
            }
        } else if let Some(meant) = known.iter().find(|column| near_miss(&title, column)) {
            return Err(TableError(format!(
                "{name}, row 1: there is no column \"{title}\"; if {meant} is meant, write it so"
            )));
        }
    }
    Ok(columns)
}

/// Whether a title was probably meant as a column: the same letters without marks, a known name
/// without its unit, or one or two slips of the pen.
fn near_miss(title: &str, column: &str) -> bool {
    let letters = |text: &str| -> String { text.chars().filter(|c| c.is_alphanumeric()).collect() };
    let (title, column) = (letters(title), letters(column));
    if title.is_empty() {
        return false;
    }
    if title == column || (title.len() >= 6 && column.starts_with(&title)) {
        return true;
    }
    let allowed = if column.len() >= 7 {
        2
    } else {
        usize::from(column.len() >= 5)
    };
    edit_distance(&title, &column) <= allowed
}

/// Number of letters to insert, delete or change.
fn edit_distance(one: &str, other: &str) -> usize {
    let other: Vec<char> = other.chars().collect();
    let mut previous: Vec<usize> = (0..=other.len()).collect();
    for (i, a) in one.chars().enumerate() {
        let mut current = vec![i + 1];
        for (j, b) in other.iter().enumerate() {
            let changed = previous[j] + usize::from(a != *b);
            current.push(changed.min(previous[j + 1] + 1).min(current[j] + 1));
        }
        previous = current;
    }
    previous[other.len()]
}
