//! Everything that happened at the bench, as it happened: a text file with one JSON record a line.
//!
//! A record is on the disk before anybody is told that it is kept: appended, and synced with the folder. Every line ends in a
//! checksum (CRC-32 of ISO/IEC 8802-3) of what stands before it, so a line that a power cut tore is known; it is set aside into
//! a file of its own, with a message, and the rest stands. Nothing is ever rewritten: a correction is a record that names the old one.
//! Records hold what was read and seen, never what was computed from it.

use std::fs::{File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::basics::fault::said;

/// Name of the file in its folder.
pub const FILE: &str = "journal.jsonl";
/// Name of the file that says that the folder is in use.
const LOCK: &str = "lock";
/// Start of the last member of a line, behind which come eight hexadecimal digits.
const CHECK: &str = ",\"check\":\"";
const CHECK_DIGITS: usize = 8;

/// Why the journal can't be opened or written: one sentence.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct JournalError(pub String);

/// A line of the experiment, by name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChosenLine {
    /// Its name.
    pub name: String,
    /// Wavelength in air, nm.
    pub wavelength_nm: f64,
}

/// A line of a sweep, as it was measured.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweptLine {
    /// Its name, where somebody gave it one.
    pub name: Option<String>,
    /// Number that the page showed.
    pub line_id: Option<u64>,
    /// Whether it reached minimum deviation.
    pub turned: bool,
    /// Turning points that the answer rests on.
    pub passes: usize,
    /// Position, px.
    pub x_px: f64,
    /// Offset from the cross-hairs, px.
    pub offset_px: Option<f64>,
    /// Standard uncertainty, px.
    pub u_px: f64,
}

/// A reversal in a sweep.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SweptTurn {
    /// Number that the page showed.
    pub line_id: Option<u64>,
    /// Number of its line among those of the sweep, from 1 on the left.
    #[serde(default)]
    pub line: Option<usize>,
    /// Time of the source, s.
    pub time_s: f64,
    /// Position, px.
    #[serde(default)]
    pub x_px: Option<f64>,
    /// Offset from the cross-hairs, px.
    pub offset_px: Option<f64>,
    /// Standard uncertainty, px.
    pub u_px: f64,
    /// Whether it was taken for minimum deviation.
    pub counted: bool,
    /// Why or why not.
    pub why: String,
}

/// A circle reading with the offset that was measured at the moment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ReadingEntry {
    /// `scale`, `face`, `line` or `central`.
    pub kind: String,
    /// Name of the line.
    pub line: Option<String>,
    /// First window, as typed.
    pub window_1: String,
    /// Second window, as typed.
    pub window_2: Option<String>,
    /// Offset from the cross-hairs, px; none where the hair was set by eye.
    pub offset_px: Option<f64>,
    /// Its standard uncertainty, px.
    pub u_px: Option<f64>,
    /// Record of the sweep that the offset is from.
    pub sweep: Option<u64>,
    /// Frames that it rests on, below the folder.
    #[serde(default)]
    pub frames: Vec<String>,
    /// Middle of the slit image above the cross-hairs, px.
    pub height_px: Option<f64>,
    /// Levels of no light and of clipping in the frames.
    pub levels: Option<(u16, u16)>,
    /// The doubt in spite of which it was kept.
    pub doubt: Option<String>,
}

/// What a record says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case")]
pub enum Entry {
    /// The folder was opened.
    Opened {
        /// Version of the program.
        lineturn: String,
    },
    /// The experiment was set up.
    Experiment {
        /// Lamp.
        lamp: String,
        /// Its lines that are to be measured.
        lines: Vec<ChosenLine>,
        /// Refracting angle as typed, where it is known from elsewhere.
        refracting_angle: Option<String>,
        /// Its standard uncertainty as typed, seconds of arc.
        #[serde(default)]
        u_refracting_angle_arcsec: Option<f64>,
        /// Bench profile.
        bench: Option<String>,
    },
    /// Another source of frames.
    Source {
        /// What it says of itself.
        name: String,
    },
    /// A sweep began; its number is that of this record.
    SweepBegan {
        /// Name of the line.
        line: Option<String>,
    },
    /// A sweep was measured.
    SweepEnded {
        /// Record of its beginning.
        sweep: u64,
        /// Name of the line.
        line: Option<String>,
        /// First and last time of the source, s.
        times_s: (f64, f64),
        /// Frames looked at.
        frames: u64,
        /// Lines in it.
        lines: Vec<SweptLine>,
        /// Reversals in it.
        turns: Vec<SweptTurn>,
        /// Frames as received, below the folder.
        recording: Option<String>,
        /// Every line in every frame, a table below the folder.
        #[serde(default)]
        track: Option<String>,
    },
    /// A line of a sweep that was measured got its name.
    LineNamed {
        /// Record of the sweep's beginning.
        sweep: u64,
        /// Number of the line in it.
        line_id: u64,
        /// Its name.
        name: String,
    },
    /// A reading was kept; its number is that of this record.
    Reading(ReadingEntry),
    /// A reading no longer counts.
    Strike {
        /// Record of the reading.
        id: u64,
        /// Why.
        reason: String,
    },
    /// It counts again.
    Unstrike {
        /// Record of the reading.
        id: u64,
    },
    /// A remark.
    Note {
        /// Its text.
        text: String,
    },
    /// A record of a later version of the program, left as it is.
    #[serde(other)]
    Unknown,
}

/// One line of the journal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Record {
    /// Number, from 1.
    pub n: u64,
    /// When, in universal time.
    pub at: String,
    /// What happened.
    #[serde(flatten)]
    pub entry: Entry,
}

/// An open journal; nobody else can open it until this one is dropped or its process ends, however it ends.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    folder: PathBuf,
    file: File,
    /// The system lets go of it when the process ends.
    _lock: File,
    /// Length of the file behind the last whole record.
    good: u64,
    next: u64,
    trouble: Option<String>,
}

impl Journal {
    /// Opens the journal of a folder, which is made where it is not there; gives what stands in it.
    ///
    /// # Errors
    /// The folder is in use or can't be written: one sentence.
    pub fn open(folder: &Path) -> Result<(Self, Vec<Record>), JournalError> {
        let shown = folder.display();
        let failed = |what: &str, error: &io::Error| {
            JournalError(format!(
                "{shown} {what} ({error}); give a folder that can be written with --logbook",
                error = said(error)
            ))
        };
        make_synced(folder).map_err(|error| failed("cannot be made", &error))?;
        let lock = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(folder.join(LOCK))
            .map_err(|error| failed("cannot be written", &error))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(JournalError(format!(
                    "{shown} is in use by another bench page; use that one, end it, or give another folder with --logbook"
                )));
            }
            Err(TryLockError::Error(error)) => return Err(failed("cannot be locked", &error)),
        }
        let path = folder.join(FILE);
        let mut file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .open(&path)
            .map_err(|error| failed("holds a journal that cannot be opened", &error))?;
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes)
            .map_err(|error| failed("holds a journal that cannot be read", &error))?;
        let found = read(&bytes);
        let mut trouble = found.trouble(&path);
        let good = found.good as u64;
        if let Some(torn) = bytes.get(found.good..).filter(|torn| !torn.is_empty()) {
            let aside = set_aside(folder, torn).map_err(|error| {
                failed(
                    "holds a journal whose torn last line cannot be set aside",
                    &error,
                )
            })?;
            file.set_len(good)
                .and_then(|()| file.sync_all())
                .map_err(|error| failed("holds a journal that cannot be written", &error))?;
            let said = format!(
                "the last line of {} was half written and was set aside as {}; everything that was acknowledged is there",
                path.display(),
                aside.display()
            );
            trouble =
                Some(trouble.map_or_else(|| said.clone(), |other| format!("{said}; {other}")));
        }
        file.seek(SeekFrom::Start(good))
            .and_then(|_| file.sync_all())
            .and_then(|()| sync_folder(folder))
            .map_err(|error| failed("cannot be written to the disk", &error))?;
        let next = found
            .records
            .iter()
            .map(|record| record.n)
            .max()
            .unwrap_or(0)
            + 1;
        let journal = Self {
            path,
            folder: folder.to_owned(),
            file,
            _lock: lock,
            good,
            next,
            trouble,
        };
        Ok((journal, found.records))
    }

    /// Number of the record that will be appended next.
    #[must_use]
    pub fn next_number(&self) -> u64 {
        self.next
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// What was wrong with the file when it was opened.
    #[must_use]
    pub fn trouble(&self) -> Option<&str> {
        self.trouble.as_deref()
    }

    /// Appends a record; when this returns it is on the disk.
    ///
    /// # Errors
    /// It could not be written, and is not in the journal: one sentence.
    pub fn append(&mut self, at: String, entry: Entry) -> Result<Record, JournalError> {
        let record = Record {
            n: self.next,
            at,
            entry,
        };
        let line = line_of(&record).map_err(|error| {
            JournalError(format!(
                "the record cannot be written as text ({error}); nothing was kept"
            ))
        })?;
        let written = self
            .file
            .write_all(line.as_bytes())
            .and_then(|()| self.file.sync_data());
        if let Err(error) = written {
            // What stands there of it must not stand before the next record.
            let _ = self.file.set_len(self.good);
            let _ = self.file.seek(SeekFrom::Start(self.good));
            return Err(JournalError(format!(
                "{} cannot be written ({error}), so nothing was kept; make room on the disk and keep the reading again",
                self.path.display(),
                error = said(&error)
            )));
        }
        self.good += line.len() as u64;
        self.next += 1;
        Ok(record)
    }
}

/// Writes a file of the logbook and brings it to the disk, with its folder; a file that no record names yet may be written over.
///
/// # Errors
/// What the system says.
pub fn write_synced(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    path.parent().map_or(Ok(()), sync_folder)
}

/// Makes a folder where it is not there, and brings its name to the disk.
///
/// # Errors
/// What the system says.
pub fn make_synced(folder: &Path) -> io::Result<()> {
    if folder.is_dir() {
        return Ok(());
    }
    std::fs::create_dir_all(folder)?;
    let parent = folder
        .parent()
        .filter(|parent| !parent.as_os_str().is_empty());
    sync_folder(parent.unwrap_or(Path::new(".")))
}

/// Brings a folder's own entries to the disk, where the system can.
///
/// # Errors
/// What the system says.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) {
        File::open(folder)?.sync_all()
    } else {
        Ok(())
    }
}

fn line_of(record: &Record) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string(record)?;
    text.pop();
    let check = crc32(text.as_bytes());
    Ok(format!("{text}{CHECK}{check:08x}\"}}\n"))
}

/// What a file holds.
#[derive(Default)]
struct Found {
    records: Vec<Record>,
    /// Length up to the end of the last whole line.
    good: usize,
    /// Numbers of lines that are damaged.
    damaged: Vec<usize>,
}

impl Found {
    fn trouble(&self, path: &Path) -> Option<String> {
        let first = self.damaged.first()?;
        Some(format!(
            "{}: {} of its lines, the first in line {first}, are damaged and were left out; look at them in the file",
            path.display(),
            self.damaged.len()
        ))
    }
}

fn read(bytes: &[u8]) -> Found {
    let mut found = Found::default();
    let mut from = 0;
    let mut pending: Vec<usize> = Vec::new();
    for (number, line) in bytes.split_inclusive(|byte| *byte == b'\n').enumerate() {
        from += line.len();
        match record_of(line) {
            Some(record) => {
                // Lines that are no records stand between good ones: damage, not a torn end.
                found.damaged.append(&mut pending);
                found.records.push(record);
                found.good = from;
            }
            None => pending.push(number + 1),
        }
    }
    found
}

fn record_of(line: &[u8]) -> Option<Record> {
    let text = std::str::from_utf8(line).ok()?.strip_suffix('\n')?;
    let (body, check) = text.strip_suffix("\"}")?.rsplit_once(CHECK)?;
    if check.len() != CHECK_DIGITS || u32::from_str_radix(check, 16).ok()? != crc32(body.as_bytes())
    {
        return None;
    }
    serde_json::from_str(&format!("{body}}}")).ok()
}

/// Keeps a torn end in a file of its own.
fn set_aside(folder: &Path, torn: &[u8]) -> io::Result<PathBuf> {
    let mut number = 1;
    loop {
        let path = folder.join(format!("journal-torn-{number}.txt"));
        let made = OpenOptions::new().write(true).create_new(true).open(&path);
        match made {
            Ok(mut file) => {
                file.write_all(torn)?;
                file.sync_all()?;
                return Ok(path);
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => number += 1,
            Err(error) => return Err(error),
        }
    }
}

/// CRC-32 with the polynomial of ISO/IEC 8802-3, reflected.
fn crc32(bytes: &[u8]) -> u32 {
    const POLYNOMIAL: u32 = 0xedb8_8320;
    let crc = bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |crc, _| {
            (crc >> 1) ^ (POLYNOMIAL & (crc & 1).wrapping_neg())
        })
    });
    !crc
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;

    fn note(text: &str) -> Entry {
        Entry::Note {
            text: text.to_owned(),
        }
    }

    fn keep(journal: &mut Journal, text: &str) -> Record {
        journal
            .append("2026-01-02T03:04:05Z".to_owned(), note(text))
            .unwrap()
    }

    #[test]
    fn the_checksum_is_the_usual_one() {
        // The check value of this code in the catalogue of parametrised CRC algorithms (from memory).
        assert_eq!(crc32(b"123456789"), 0xcbf4_3926);
    }

    #[test]
    fn what_was_kept_is_read_again() {
        let folder = tempfile::tempdir().unwrap();
        let (mut journal, before) = Journal::open(folder.path()).unwrap();
        assert!(before.is_empty());
        let first = keep(
            &mut journal,
            "the cloth was off, \"till\" noon\n,\"check\":\"00000000\"}",
        );
        let reading = Entry::Reading(ReadingEntry {
            kind: "central".to_owned(),
            line: Some("Hg 546.1".to_owned()),
            window_1: "251°35'00\"".to_owned(),
            window_2: None,
            offset_px: Some(-12.345_678_9),
            u_px: Some(0.004),
            sweep: None,
            frames: vec!["frames/2-1.png".to_owned()],
            height_px: None,
            levels: Some((16, 235)),
            doubt: None,
        });
        let second = journal.append("t".to_owned(), reading).unwrap();
        drop(journal);
        let (journal, records) = Journal::open(folder.path()).unwrap();
        assert_eq!(records, [first, second]);
        assert_eq!(journal.trouble(), None);
        assert_eq!(journal.next_number(), 3);
    }

    #[test]
    fn wherever_the_last_line_is_torn_the_others_stand() {
        let folder = tempfile::tempdir().unwrap();
        let (mut journal, _) = Journal::open(folder.path()).unwrap();
        let first = keep(&mut journal, "one");
        keep(&mut journal, "two");
        drop(journal);
        let path = folder.path().join(FILE);
        let whole = std::fs::read(&path).unwrap();
        let one = whole.iter().position(|byte| *byte == b'\n').unwrap() + 1;
        for end in one + 1..whole.len() {
            std::fs::write(&path, &whole[..end]).unwrap();
            let (mut journal, records) = Journal::open(folder.path()).unwrap();
            assert_eq!(records, std::slice::from_ref(&first), "torn at {end}");
            assert!(journal.trouble().unwrap().contains("half written"));
            assert_eq!(keep(&mut journal, "three").n, 2);
            drop(journal);
            let (journal, records) = Journal::open(folder.path()).unwrap();
            assert_eq!((records.len(), journal.trouble()), (2, None));
        }
        let aside = std::fs::read(folder.path().join("journal-torn-1.txt")).unwrap();
        assert_eq!(aside, &whole[one..=one]);
    }

    #[test]
    fn damage_in_the_middle_is_told_and_costs_its_line_only() {
        let folder = tempfile::tempdir().unwrap();
        let (mut journal, _) = Journal::open(folder.path()).unwrap();
        keep(&mut journal, "one");
        keep(&mut journal, "two");
        keep(&mut journal, "three");
        drop(journal);
        let path = folder.path().join(FILE);
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, text.replace("two", "too")).unwrap();
        let (journal, records) = Journal::open(folder.path()).unwrap();
        assert_eq!(records.len(), 2);
        assert!(journal.trouble().unwrap().contains("line 2"));
        assert_eq!(journal.next_number(), 4);
    }

    #[test]
    fn one_folder_is_one_bench() {
        let folder = tempfile::tempdir().unwrap();
        let first = Journal::open(folder.path()).unwrap();
        let said = Journal::open(folder.path()).unwrap_err().0;
        assert!(said.contains("in use"), "{said}");
        drop(first);
        assert!(Journal::open(folder.path()).is_ok());
    }
}
