//! What was done and read at the bench, as the journal's records tell it.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::basics::units::{CircleReading, Wavelength};
use crate::logbook::journal::{ChosenLine, Entry, ReadingEntry, Record, SweptLine, SweptTurn};
use crate::logbook::table::{ReadingRow, Target};
use crate::prism::lamps::LampTable;
use crate::session::Watched;

/// What a reading is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ReadingKind {
    /// The slit at a place of the field, for the camera's scale.
    Scale,
    /// The slit reflected from a face of the prism.
    Face,
    /// A line at its turning point.
    Line,
    /// The slit seen straight.
    Central,
}

impl ReadingKind {
    /// All kinds.
    pub const ALL: [Self; 4] = [Self::Scale, Self::Face, Self::Line, Self::Central];

    /// The word in the journal.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Scale => "scale",
            Self::Face => "face",
            Self::Line => "line",
            Self::Central => "central",
        }
    }

    /// The kind of a word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// A reading that was kept.
#[derive(Clone, Debug)]
pub struct KeptReading {
    /// Number of its record.
    pub id: u64,
    /// When it was kept, in universal time.
    pub at: String,
    /// What it is of.
    pub kind: ReadingKind,
    /// First window.
    pub window_1: CircleReading,
    /// Second window.
    pub window_2: Option<CircleReading>,
    /// As it stands in the journal.
    pub entry: ReadingEntry,
    /// Why it no longer counts.
    pub struck: Option<String>,
}

impl KeptReading {
    /// Offset from the cross-hairs with its standard uncertainty, px.
    #[must_use]
    pub fn offset_px(&self) -> Option<(f64, f64)> {
        Some((self.entry.offset_px?, self.entry.u_px?))
    }
}

/// A sweep that was measured.
#[derive(Clone, Debug)]
pub struct KeptSweep {
    /// Number of the record of its beginning.
    pub id: u64,
    /// When it was kept, in universal time.
    pub at: String,
    /// First and last time of the source, s.
    pub times_s: (f64, f64),
    /// Frames looked at.
    pub frames: u64,
    /// Its lines.
    pub lines: Vec<SweptLine>,
    /// Reversals in it.
    pub turns: Vec<SweptTurn>,
    /// Frames as received, below the logbook's folder.
    pub recording: Option<String>,
    /// Every line in every frame, a table below the logbook's folder.
    pub track: Option<String>,
    /// What a report and a drawing show of it, for the newest sweeps.
    pub watched: Option<Arc<Watched>>,
    /// Whether it was measured in this run of the program, to which the numbers of lines belong.
    pub of_this_run: bool,
}

/// How the experiment is set up.
#[derive(Clone, Debug, Default)]
pub struct Setup {
    /// Lamp; none before it was chosen.
    pub lamp: Option<String>,
    /// Its lines that are to be measured.
    pub lines: Vec<ChosenLine>,
    /// Refracting angle as typed, where it is known from elsewhere.
    pub refracting_angle: Option<String>,
    /// Its standard uncertainty, seconds of arc; none where none was typed.
    pub u_refracting_angle_arcsec: Option<f64>,
}

/// All of it.
#[derive(Clone, Debug, Default)]
pub struct Book {
    /// How the experiment is set up.
    pub setup: Setup,
    /// Readings, the oldest first.
    pub readings: Vec<KeptReading>,
    /// Sweeps, the oldest first.
    pub sweeps: Vec<KeptSweep>,
    /// Remarks.
    pub notes: Vec<String>,
    /// Records in the journal.
    pub records: usize,
    /// A sweep that was begun and not ended so far.
    begun: Option<u64>,
    /// A sweep that was never ended, since the program was; none once another is begun.
    pub(super) cut_off: Option<u64>,
}

impl Book {
    /// Takes a record.
    pub(super) fn take(&mut self, record: &Record) {
        self.records += 1;
        match &record.entry {
            Entry::Experiment {
                lamp,
                lines,
                refracting_angle,
                u_refracting_angle_arcsec,
                ..
            } => {
                self.setup = Setup {
                    lamp: Some(lamp.clone()),
                    lines: lines.clone(),
                    refracting_angle: refracting_angle.clone(),
                    u_refracting_angle_arcsec: *u_refracting_angle_arcsec,
                };
            }
            Entry::Reading(entry) => self.readings.extend(kept(record, entry)),
            Entry::SweepBegan { .. } => {
                self.begun = Some(record.n);
                self.cut_off = None;
            }
            Entry::SweepEnded {
                sweep,
                times_s,
                frames,
                lines,
                turns,
                recording,
                track,
                ..
            } => {
                self.begun = None;
                self.sweeps.push(KeptSweep {
                    id: *sweep,
                    at: record.at.clone(),
                    times_s: *times_s,
                    frames: *frames,
                    lines: lines.clone(),
                    turns: turns.clone(),
                    recording: recording.clone(),
                    track: track.clone(),
                    watched: None,
                    of_this_run: false,
                });
            }
            Entry::LineNamed {
                sweep,
                line_id,
                name,
            } => self.name_line(*sweep, *line_id, name),
            Entry::Strike { id, reason } => self.set_struck(*id, Some(reason.clone())),
            Entry::Unstrike { id } => self.set_struck(*id, None),
            Entry::Note { text } => self.notes.push(text.clone()),
            Entry::Opened { .. } => self.cut_off = self.cut_off.or(self.begun.take()),
            Entry::Source { .. } | Entry::Unknown => {}
        }
    }

    /// A name is that of one line of a sweep only.
    fn name_line(&mut self, sweep: u64, line_id: u64, name: &str) {
        let lines = self
            .sweeps
            .iter_mut()
            .filter(|kept| kept.id == sweep)
            .flat_map(|kept| &mut kept.lines);
        for line in lines {
            if line.line_id == Some(line_id) {
                line.name = Some(name.to_owned());
            } else if line.name.as_deref() == Some(name) {
                line.name = None;
            }
        }
    }

    fn set_struck(&mut self, id: u64, struck: Option<String>) {
        if let Some(reading) = self.readings.iter_mut().find(|reading| reading.id == id) {
            reading.struck = struck;
        }
    }

    /// Readings that count.
    pub(super) fn that_count(&self) -> impl DoubleEndedIterator<Item = &KeptReading> {
        self.readings
            .iter()
            .filter(|reading| reading.struck.is_none())
    }

    /// Readings that count, of one kind.
    pub(super) fn counted(
        &self,
        kind: ReadingKind,
    ) -> impl DoubleEndedIterator<Item = &KeptReading> {
        self.that_count()
            .filter(move |reading| reading.kind == kind)
    }

    /// Rows of the faces, in pairs, and of lines with their central image: what the calculator takes. The row is the reading's number.
    pub(super) fn rows(&self, lamps: &LampTable) -> Vec<ReadingRow> {
        let mut rows = Vec::new();
        let faces: Vec<&KeptReading> = self.counted(ReadingKind::Face).collect();
        for (pair, set) in faces.chunks_exact(2).zip('A'..='Z') {
            for (face, target) in pair.iter().zip([Target::Face1, Target::Face2]) {
                rows.push(self.row(face, set.to_string(), target, lamps));
            }
        }
        for (group, set) in self.groups().iter().zip(1..) {
            let Some(central) = group.central else {
                continue;
            };
            if group.lines.is_empty() {
                continue;
            }
            rows.push(self.row(central, set.to_string(), Target::Central, lamps));
            for line in &group.lines {
                rows.push(self.row(line, set.to_string(), Target::Line, lamps));
            }
        }
        rows
    }

    fn row(
        &self,
        reading: &KeptReading,
        set: String,
        target: Target,
        lamps: &LampTable,
    ) -> ReadingRow {
        let line = (target == Target::Line)
            .then(|| reading.entry.line.clone())
            .flatten();
        ReadingRow {
            row: usize::try_from(reading.id).unwrap_or(usize::MAX),
            set,
            target,
            wavelength: line
                .as_deref()
                .and_then(|name| self.wavelength_nm(name, lamps))
                .map(Wavelength::air_nm),
            line,
            u_wavelength_nm: 0.0,
            window_1: reading.window_1,
            window_2: reading.window_2,
            windows_typed: std::iter::once(reading.entry.window_1.clone())
                .chain(reading.entry.window_2.clone())
                .collect(),
            offset_arcsec: None,
            u_offset_arcsec: None,
            footage: None,
            pick: None,
            note: None,
        }
    }

    /// Wavelength in air of a line by its name, nm.
    pub(super) fn wavelength_nm(&self, name: &str, lamps: &LampTable) -> Option<f64> {
        self.setup
            .lines
            .iter()
            .find(|line| line.name == name)
            .map(|line| line.wavelength_nm)
            .or_else(|| lamps.named(name).map(|line| line.wavelength.in_air_nm()))
    }

    /// Lines with the central image that belongs to them: lines of one sweep share it, since the table was not touched between them.
    pub(super) fn groups(&self) -> Vec<Group<'_>> {
        let mut groups: Vec<Group<'_>> = Vec::new();
        for reading in self.that_count() {
            let name = reading.entry.line.as_deref();
            match reading.kind {
                ReadingKind::Line => {
                    let joined = groups.iter_mut().rev().find(|group| {
                        group.awaits(name) || group.shares_sweep(reading) && !group.holds(name)
                    });
                    match joined {
                        Some(group) => group.lines.push(reading),
                        None => groups.push(Group {
                            lines: vec![reading],
                            central: None,
                        }),
                    }
                }
                ReadingKind::Central => {
                    let open = groups.iter_mut().rev().find(|group| {
                        group.central.is_none() && (name.is_none() || group.holds(name))
                    });
                    match open {
                        Some(group) => group.central = Some(reading),
                        None => groups.push(Group {
                            lines: Vec::new(),
                            central: Some(reading),
                        }),
                    }
                }
                ReadingKind::Scale | ReadingKind::Face => {}
            }
        }
        groups
    }

    /// The newest sweep in which a line of this name turned, and the line.
    pub(super) fn swept(&self, name: &str) -> Option<(&KeptSweep, &SweptLine)> {
        self.sweeps.iter().rev().find_map(|sweep| {
            let line = sweep
                .lines
                .iter()
                .find(|line| line.turned && line.name.as_deref() == Some(name))?;
            Some((sweep, line))
        })
    }

    /// Numbers of the lines of each group, for what belongs to one.
    pub(super) fn lines_without_central(&self) -> Vec<&str> {
        self.groups()
            .iter()
            .filter(|group| group.central.is_none())
            .flat_map(|group| group.lines.iter())
            .filter_map(|line| line.entry.line.as_deref())
            .collect()
    }

    /// How often each line was read.
    pub(super) fn times_read(&self) -> BTreeMap<&str, usize> {
        let mut times = BTreeMap::new();
        for name in self
            .counted(ReadingKind::Line)
            .filter_map(|reading| reading.entry.line.as_deref())
        {
            *times.entry(name).or_insert(0) += 1;
        }
        times
    }
}

/// Lines with one central image.
pub(super) struct Group<'a> {
    pub(super) lines: Vec<&'a KeptReading>,
    pub(super) central: Option<&'a KeptReading>,
}

impl Group<'_> {
    pub(super) fn holds(&self, name: Option<&str>) -> bool {
        self.lines
            .iter()
            .any(|line| line.entry.line.as_deref() == name)
    }

    /// A central image that was read before its line.
    fn awaits(&self, name: Option<&str>) -> bool {
        self.lines.is_empty()
            && self.central.is_some_and(|central| {
                central.entry.line.is_none() || central.entry.line.as_deref() == name
            })
    }

    fn shares_sweep(&self, reading: &KeptReading) -> bool {
        reading.entry.sweep.is_some()
            && self
                .lines
                .iter()
                .any(|line| line.entry.sweep == reading.entry.sweep)
    }
}

/// A reading of a record; one that cannot be read, which only another program can have written, does not count.
fn kept(record: &Record, entry: &ReadingEntry) -> Option<KeptReading> {
    let parsed = |text: &str| CircleReading::parse(text).ok();
    Some(KeptReading {
        id: record.n,
        at: record.at.clone(),
        kind: ReadingKind::of(&entry.kind)?,
        window_1: parsed(&entry.window_1)?,
        window_2: match entry.window_2.as_deref() {
            Some(text) => Some(parsed(text)?),
            None => None,
        },
        entry: entry.clone(),
        struck: None,
    })
}
