//! What a person does at the desk: setting up, going on, sweeping, reading, striking out.

use std::sync::mpsc::channel;
use std::sync::{Arc, OnceLock};
use std::time::Duration;

use super::book::{Book, KeptReading, KeptSweep, ReadingKind};
use super::doubts::doubt;
use super::guide::{Place, Step};
use super::keep;
use super::player::{Command, EndedSweep, SourceKind, held};
use super::results::{Results, U_TYPED_PRISM_ANGLE_ARCSEC, in_readings, results};
use super::sight::{SeenFrame, SightedLine};
use super::tracks;
use super::{Desk, Refused};
use crate::basics::uncertainty::{Cause, Measured, Shape};
use crate::basics::units::{Angle, CircleReading};
use crate::logbook::journal::{ChosenLine, Entry, ReadingEntry, Record, SweptLine, SweptTurn};
use crate::logbook::scale::Calibration;
use crate::prism::lamps::LampTable;
use crate::session::{LineAngle, Watched};

/// How long the end of a sweep is waited for.
const SWEEP_ENDS_WITHIN: Duration = Duration::from_secs(30);
/// A line that moves faster than this is not read, px/s.
const STANDS_PX_S: f64 = 3.0;
/// Longest text of a remark or a reason, characters.
const LONGEST_TEXT: usize = 2000;
/// Lines that an experiment may have.
const MOST_LINES: usize = 40;
/// A swept line this near to one that the page numbered is that one, px.
const SAME_LINE_PX: f64 = 4.0;
/// Numbers of repeated centrals that only a preview has.
const PREVIEW: u64 = u64::MAX - 1;
/// Standard uncertainty of a central image that stands in for one that is still to come, seconds of arc: within some minutes it is
/// found again (common practice, no source).
const U_STAND_IN_ARCSEC: f64 = 120.0;

/// A reading as somebody types it.
#[derive(Clone, Debug)]
pub struct Typed {
    /// What it is of.
    pub kind: ReadingKind,
    /// Name of the line.
    pub line: Option<String>,
    /// First window.
    pub window_1: String,
    /// Second window; empty where only one was read.
    pub window_2: Option<String>,
}

/// How a reading was understood, and what would follow from it.
#[derive(Clone, Debug)]
pub struct Understood {
    /// First window.
    pub window_1: CircleReading,
    /// Second window.
    pub window_2: Option<CircleReading>,
    /// Offset that would be kept with it, px.
    pub offset_px: Option<(f64, f64)>,
    /// Minimum deviation of the line, degrees.
    pub deviation_deg: Option<Measured>,
    /// Its index.
    pub index: Option<Measured>,
    /// The reading whose central image stands in for the line's own, which is still to come.
    pub stand_in: Option<u64>,
    /// Why it is doubtful.
    pub doubt: Option<String>,
}

/// The offset that goes with a reading, and where it is from.
#[derive(Default)]
struct Offset {
    px: Option<(f64, f64)>,
    sweep: Option<u64>,
    frames: Vec<Arc<SeenFrame>>,
    height_px: Option<f64>,
    doubt: Option<String>,
}

impl Desk {
    pub(super) fn append(&self, entry: Entry) -> Result<Record, Refused> {
        let at = jiff::Timestamp::now()
            .strftime("%Y-%m-%dT%H:%M:%SZ")
            .to_string();
        // Held until the book knows it, so that the book has the order of the journal.
        let mut journal = held(&self.journal);
        let record = journal
            .append(at, entry)
            .map_err(|error| Refused(error.0))?;
        Arc::make_mut(&mut held(&self.book)).take(&record);
        drop(journal);
        self.wake_results();
        self.shared.changed();
        Ok(record)
    }

    /// Sets up the experiment: lamp, the lines that are to be measured, and the refracting angle where it is known, with its standard
    /// uncertainty in seconds of arc; where that is not given [`U_TYPED_PRISM_ANGLE_ARCSEC`] is taken.
    ///
    /// # Errors
    /// A lamp or a line that is not in the table, an angle or an uncertainty that is none, or the disk.
    pub fn start_experiment(
        &self,
        lamp: &str,
        lines: &[String],
        refracting_angle: Option<&str>,
        u_refracting_angle: Option<&str>,
    ) -> Result<String, Refused> {
        let table = LampTable::embedded().map_err(|error| Refused(error.0))?;
        let Some(known) = Lamp::of(lamp) else {
            return Err(Refused(format!(
                "\"{lamp}\" is no lamp of the table: give one of {}",
                Lamp::ALL.map(|lamp| lamp.name).join(", ")
            )));
        };
        if lines.is_empty() || lines.len() > MOST_LINES {
            return Err(Refused(format!(
                "choose 1 to {MOST_LINES} lines to measure"
            )));
        }
        let mut chosen: Vec<ChosenLine> = Vec::with_capacity(lines.len());
        for name in lines {
            let Some(line) = table.named(name) else {
                return Err(Refused(format!(
                    "\"{name}\" is no line of the lamp table: write it as in \"Hg 546.1\""
                )));
            };
            if chosen.iter().any(|other| other.name == *name) {
                return Err(Refused(format!("{name} was chosen twice; choose it once")));
            }
            chosen.push(ChosenLine {
                name: name.clone(),
                wavelength_nm: line.wavelength.in_air_nm(),
            });
        }
        let refracting_angle = refracting_angle
            .map(str::trim)
            .filter(|typed| !typed.is_empty());
        if let Some(typed) = refracting_angle {
            let angle = Angle::parse(typed)
                .map_err(|error| Refused(format!("the refracting angle: {error}")))?;
            if !(1.0..=120.0).contains(&angle.degrees()) {
                return Err(Refused(format!(
                    "a refracting angle of {angle} is none of a prism; give 1 to 120 degrees"
                )));
            }
        }
        let u_refracting_angle_arcsec = refracting_angle
            .and(u_refracting_angle)
            .map(str::trim)
            .filter(|typed| !typed.is_empty())
            .map(seconds_of_arc)
            .transpose()?;
        self.append(Entry::Experiment {
            lamp: known.name.to_owned(),
            lines: chosen,
            refracting_angle: refracting_angle.map(str::to_owned),
            u_refracting_angle_arcsec,
            bench: self.bench_name(),
        })?;
        Ok(format!("{} lines of the {} lamp.", lines.len(), known.name))
    }

    /// Goes to a step, whatever was done before.
    ///
    /// # Errors
    /// A line that is not of the experiment.
    pub fn go(&self, step: Step, line: Option<&str>) -> Result<String, Refused> {
        let book = held(&self.book);
        if let Some(name) = line.filter(|_| step.is_of_a_line()) {
            known_line(&book, name)?;
        }
        drop(book);
        let mut chosen = held(&self.chosen);
        chosen.past_aids |= step != Step::Aids;
        chosen.step = Some((
            step,
            line.filter(|_| step.is_of_a_line()).map(str::to_owned),
        ));
        drop(chosen);
        self.shared.changed();
        Ok("There.".to_owned())
    }

    /// Chooses the line that figures are shown of, and gives it a name.
    ///
    /// # Errors
    /// No such line is in view, the name is not of the experiment, or the disk.
    pub fn select_line(&self, id: u64, name: Option<&str>) -> Result<String, Refused> {
        if let Some(name) = name {
            known_line(&held(&self.book), name)?;
        }
        let in_view = self
            .newest()
            .is_some_and(|seen| seen.sight.line(id).is_some());
        self.shared.with(|live| {
            if !in_view && !live.names.contains_key(&id) && live.selected != Some(id) {
                return Err(Refused(format!(
                    "line {id} is not in view any more; choose one of those that are drawn"
                )));
            }
            live.selected = Some(id);
            if let Some(name) = name {
                live.names.retain(|_, other| other != name);
                live.names.insert(id, name.to_owned());
            }
            Ok(())
        })?;
        // A sweep that was measured before its line had a name. Numbers are those of this run of the program.
        let sweep = held(&self.book)
            .sweeps
            .last()
            .filter(|sweep| sweep.of_this_run)
            .filter(|sweep| sweep.names_anew(id, name))
            .map(|sweep| sweep.id);
        if let (Some(sweep), Some(name)) = (sweep, name) {
            self.append(Entry::LineNamed {
                sweep,
                line_id: id,
                name: name.to_owned(),
            })?;
        }
        self.shared.show_again();
        Ok(name.map_or_else(|| "Chosen.".to_owned(), |name| format!("That is {name}.")))
    }

    /// Says what a reading would mean; keeps nothing.
    ///
    /// # Errors
    /// It is no angle, or of a line that is not of the experiment.
    pub fn understand(&self, typed: &Typed) -> Result<Understood, Refused> {
        self.looked_at(typed).map(|(understood, _)| understood)
    }

    fn looked_at(&self, typed: &Typed) -> Result<(Understood, Offset), Refused> {
        let parsed = |which: &str, text: &str| {
            CircleReading::parse(text).map_err(|error| Refused(format!("{which}: {error}")))
        };
        let window_1 = parsed("window 1", &typed.window_1)?;
        let window_2 = typed
            .window_2
            .as_deref()
            .map(str::trim)
            .filter(|text| !text.is_empty())
            .map(|text| parsed("window 2", text))
            .transpose()?;
        let book = held(&self.book).clone();
        match (typed.kind, typed.line.as_deref()) {
            (ReadingKind::Line, None) => {
                return Err(Refused(
                    "say which line it is: choose it in the picture or in the list of lines"
                        .to_owned(),
                ));
            }
            (ReadingKind::Line | ReadingKind::Central, Some(name)) => known_line(&book, name)?,
            _ => {}
        }
        let offset = self.offset_for(typed, &book);
        let id = held(&self.journal).next_number();
        let candidate = KeptReading {
            id,
            at: String::new(),
            kind: typed.kind,
            window_1,
            window_2,
            entry: entry_of(typed, window_2.is_some(), &offset, Vec::new(), None),
            struck: None,
        };
        let before = results(&book, &self.options.profile, &self.options.logbook);
        let mut with_it = Book::clone(&book);
        with_it.readings.push(candidate.clone());
        let per_px = before.scale.as_ref().map(Calibration::arcsec_per_px);
        let stand_in = preview_central(&mut with_it, &candidate, &book, per_px);
        let with = results(&with_it, &self.options.profile, &self.options.logbook);
        let of = with.experiment.as_ref().and_then(|experiment| {
            let row = usize::try_from(id).ok()?;
            experiment
                .reduction
                .lines
                .iter()
                .find(|line| line.rows.contains(&row))
                .map(|line| (line.deviation_deg.clone(), line.index.clone()))
        });
        let (deviation_deg, index) = of.unzip();
        let understood = Understood {
            window_1,
            window_2,
            offset_px: offset.px,
            deviation_deg,
            index,
            stand_in,
            doubt: doubt(&book, &candidate, &before, &with)
                .map(|doubt| in_readings_and_own(&doubt, id))
                .or_else(|| offset.doubt.clone()),
        };
        Ok((understood, offset))
    }

    /// Keeps a reading with the offset of this moment, or of the turning point for a line; when this returns it is on the disk.
    ///
    /// # Errors
    /// As [`Desk::understand`]; a doubt, unless it is to be kept in spite of it; the disk.
    pub fn keep(&self, typed: &Typed, despite_doubt: bool) -> Result<String, Refused> {
        // Two browsers that keep at once are served one after the other, so that each is held against the other's reading.
        let _one = held(&self.keeping);
        let (understood, offset) = self.looked_at(typed)?;
        if let Some(doubt) = understood.doubt.as_ref().filter(|_| !despite_doubt) {
            return Err(Refused(format!("not kept yet: {doubt}")));
        }
        let number = held(&self.journal).next_number();
        let frames =
            keep::keep_frames(&self.options.logbook, number, &offset.frames).map_err(Refused)?;
        let entry = entry_of(
            typed,
            understood.window_2.is_some(),
            &offset,
            frames,
            understood.doubt,
        );
        let stood = held(&self.chosen).step.clone();
        let record = self.append(Entry::Reading(entry))?;
        self.after_reading(typed, stood.as_ref());
        Ok(format!("Reading {} is kept.", record.n))
    }

    /// Where the guide goes when a reading was kept. How many readings make the scale, or pairs the refracting angle, is for the person to
    /// say, so those steps stay until somebody goes on: else the sixth point of the scale would be taken for a face. Who went elsewhere
    /// as soon as it was kept, from where the guide `stood`, stays there.
    fn after_reading(&self, typed: &Typed, stood: Option<&Place>) {
        let step = match typed.kind {
            ReadingKind::Scale => Some((Step::Scale, None)),
            ReadingKind::Face => Some((Step::Prism, None)),
            ReadingKind::Line => after_line(&held(&self.book), typed.line.as_deref()),
            ReadingKind::Central => None,
        };
        held(&self.chosen).go_on(stood, step);
        self.shared.changed();
    }

    /// Strikes a reading out: it stays in the logbook and counts no more.
    ///
    /// # Errors
    /// No such reading, one that is struck out already, no reason, or the disk.
    pub fn strike(&self, id: u64, reason: &str) -> Result<String, Refused> {
        let reason = checked_text("the reason", reason)?;
        self.reading_that_is(id, false)?;
        self.append(Entry::Strike { id, reason })?;
        Ok(format!(
            "Reading {id} is struck out; it stays in the logbook."
        ))
    }

    /// Lets a reading count again.
    ///
    /// # Errors
    /// No such reading, one that counts, or the disk.
    pub fn unstrike(&self, id: u64) -> Result<String, Refused> {
        self.reading_that_is(id, true)?;
        self.append(Entry::Unstrike { id })?;
        Ok(format!("Reading {id} counts again."))
    }

    fn reading_that_is(&self, id: u64, struck: bool) -> Result<(), Refused> {
        let book = held(&self.book);
        match book.readings.iter().find(|reading| reading.id == id) {
            None => Err(Refused(format!(
                "there is no reading {id}; look at the list of readings"
            ))),
            Some(reading) if reading.struck.is_some() == struck => Ok(()),
            Some(_) if struck => Err(Refused(format!("reading {id} counts already"))),
            Some(_) => Err(Refused(format!("reading {id} is struck out already"))),
        }
    }

    /// Writes a remark into the logbook.
    ///
    /// # Errors
    /// No text, too long a text, or the disk.
    pub fn note(&self, text: &str) -> Result<String, Refused> {
        let text = checked_text("the note", text)?;
        let record = self.append(Entry::Note { text })?;
        Ok(format!("Note {} is kept.", record.n))
    }

    /// Begins a sweep.
    ///
    /// # Errors
    /// No source, a sweep that is under way, a line that is not of the experiment, or the disk.
    pub fn start_sweep(&self, line: Option<&str>) -> Result<String, Refused> {
        if let Some(name) = line {
            known_line(&held(&self.book), name)?;
        }
        let kind = self.shared.with(|live| live.source.kind);
        if kind == SourceKind::None {
            return Err(Refused("there is no source to see a sweep with: start the program with --source, or hand in a clip".to_owned()));
        }
        // Two browsers that begin at once: the second finds the sweep of the first.
        let _one = held(&self.keeping);
        if held(&self.chosen).in_sweep {
            return Err(Refused("a sweep is under way; end it first".to_owned()));
        }
        let record = self.append(Entry::SweepBegan {
            line: line.map(str::to_owned),
        })?;
        let mut chosen = held(&self.chosen);
        chosen.in_sweep = true;
        if let Some(name) = line {
            chosen.step = Some((Step::Sweep, Some(name.to_owned())));
        }
        drop(chosen);
        *held(&self.sweep) = Some(record.n);
        let folder = self.options.logbook.join(keep::FRAMES);
        let path = (kind != SourceKind::Clip && std::fs::create_dir_all(&folder).is_ok())
            .then(|| folder.join(format!("{:05}-sweep", record.n)));
        self.shared.with(|live| live.alarms.begin_sweep());
        self.tell(Command::BeginSweep(path));
        self.shared.changed();
        Ok("The sweep is measured: free the table and turn it slowly.".to_owned())
    }

    /// Ends the sweep and keeps what it showed. Where the disk refuses that, nothing of it is lost: it can be ended once more.
    ///
    /// # Errors
    /// No sweep is under way, no frame came, or the disk.
    pub fn end_sweep(&self, line: Option<&str>) -> Result<String, Refused> {
        if let Some(name) = line {
            known_line(&held(&self.book), name)?;
        }
        let _one = held(&self.keeping);
        let Some(id) = *held(&self.sweep) else {
            return Err(Refused("no sweep is under way; begin one".to_owned()));
        };
        let waiting = held(&self.unkept).take();
        let Some(ended) = waiting.or_else(|| self.ended_sweep()) else {
            self.sweep_is_over();
            return Err(Refused(
                "no frame came during the sweep; look at the source and sweep again".to_owned(),
            ));
        };
        let (said, next) = match self.keep_sweep(id, line, &ended) {
            Ok(kept) => kept,
            Err(refused) => {
                *held(&self.unkept) = Some(ended);
                return Err(refused);
            }
        };
        self.sweep_is_over();
        held(&self.chosen).step = next.or_else(|| Some((Step::Sweep, Some(line?.to_owned()))));
        self.shared.changed();
        Ok(said)
    }

    fn ended_sweep(&self) -> Option<EndedSweep> {
        let (reply, take) = channel();
        self.tell(Command::EndSweep(reply));
        take.recv_timeout(SWEEP_ENDS_WITHIN).ok().flatten()
    }

    /// No sweep is under way any more, and none waits to be kept.
    pub(super) fn sweep_is_over(&self) {
        *held(&self.sweep) = None;
        *held(&self.unkept) = None;
        held(&self.chosen).in_sweep = false;
        self.shared.changed();
    }

    /// Keeps a sweep; gives what to say of it, and the step that comes next where a line with a name turned.
    fn keep_sweep(
        &self,
        id: u64,
        line: Option<&str>,
        ended: &EndedSweep,
    ) -> Result<(String, Option<Place>), Refused> {
        let (entry, watched) = self.swept(id, line, ended)?;
        let (mut said, mut next) = (String::new(), None);
        if let Entry::SweepEnded { lines, .. } = &entry {
            said = sweep_said(lines);
            next = lines
                .iter()
                .find(|swept| swept.turned && swept.name.is_some())
                .map(|swept| (Step::Reading, swept.name.clone()));
        }
        self.append(entry)?;
        let mut book = held(&self.book);
        let book = Arc::make_mut(&mut book);
        if let Some(sweep) = book.sweeps.iter_mut().rfind(|sweep| sweep.id == id) {
            sweep.watched = Some(Arc::new(watched));
            sweep.of_this_run = true;
        }
        tracks::forget_old(book);
        Ok((said, next))
    }

    /// The sweep as it is kept, with its lines named, and as a report shows it.
    ///
    /// # Errors
    /// The disk.
    fn swept(
        &self,
        id: u64,
        line: Option<&str>,
        ended: &EndedSweep,
    ) -> Result<(Entry, Watched), Refused> {
        let (names, chosen, path) = self.shared.with(|live| {
            let newest = self.shared.newest();
            let chosen = newest
                .as_ref()
                .and_then(|seen| live.chosen(&seen.sight))
                .and_then(|line| line.id);
            (live.names.clone(), chosen, live.source.path.clone())
        });
        let number = |x_px: f64| {
            ended
                .last
                .iter()
                .filter(|(_, last_px)| (last_px - x_px).abs() < SAME_LINE_PX)
                .min_by(|a, b| (a.1 - x_px).abs().total_cmp(&(b.1 - x_px).abs()))
                .map(|(id, _)| *id)
        };
        let mut lines: Vec<SweptLine> = ended
            .sweep
            .lines
            .iter()
            .map(|followed| {
                let line_id = followed
                    .track
                    .last()
                    .filter(|last| (last.time_s - ended.ended_s).abs() < 0.5)
                    .and_then(|last| number(last.x_px));
                SweptLine {
                    name: line_id.and_then(|id| names.get(&id).cloned()),
                    line_id,
                    turned: followed.turned,
                    passes: followed.passes,
                    x_px: followed.x_px,
                    offset_px: followed.offset_px,
                    u_px: followed.u_px,
                }
            })
            .collect();
        if let Some(name) = line
            && !lines.iter().any(|l| l.name.as_deref() == Some(name))
        {
            name_one(&mut lines, name, chosen);
        }
        let ids: Vec<(usize, Option<u64>)> = ended
            .sweep
            .lines
            .iter()
            .zip(&lines)
            .map(|(followed, line)| (followed.line, line.line_id))
            .collect();
        let turns = ended
            .sweep
            .turning_points
            .iter()
            .map(|turn| SweptTurn {
                line_id: ids
                    .iter()
                    .find(|(number, _)| *number == turn.line)
                    .and_then(|(_, id)| *id),
                line: Some(turn.line),
                time_s: turn.time_s,
                x_px: Some(turn.x_px),
                offset_px: turn.offset_px,
                u_px: turn.u_px,
                counted: turn.counted,
                why: turn.why.clone(),
            })
            .collect();
        let folder = &self.options.logbook;
        let track = tracks::keep(folder, id, &ended.sweep).map_err(Refused)?;
        let recording = match (&ended.recording, path) {
            (Some(recording), _) => match keep::keep_recording(folder, recording) {
                Ok(name) => Some(name),
                Err(why) => {
                    // What was measured counts all the same.
                    self.shared.with(|live| live.note = Some(why));
                    None
                }
            },
            (None, Some(clip)) => Some(keep::keep_clip(folder, &clip)),
            (None, None) => None,
        };
        let angles = self.angles(ended);
        let entry = Entry::SweepEnded {
            sweep: id,
            line: line.map(str::to_owned),
            times_s: (ended.began_s, ended.ended_s),
            frames: ended.frames,
            lines,
            turns,
            recording,
            track: Some(track),
        };
        let watched = Watched {
            description: ended.description.clone(),
            size_px: ended.size_px,
            frames: ended.frames,
            dropped: 0,
            skipped: 0,
            losses: Vec::new(),
            duration_s: ended.ended_s - ended.began_s,
            sweep: tracks::thinned(ended.sweep.clone()),
            angles,
            notes: Vec::new(),
            failure: None,
        };
        Ok((entry, watched))
    }

    fn angles(&self, ended: &EndedSweep) -> Vec<Option<LineAngle>> {
        let results = self.results();
        let scale = results.scale.as_ref().and_then(|scale| scale.ready().ok());
        let cause = Cause::type_b("line against cross-hairs", Shape::Normal);
        ended
            .sweep
            .lines
            .iter()
            .map(|line| {
                let angle = scale
                    .as_ref()?
                    .angle_arcsec(line.offset_px?, line.u_px, &cause);
                Some(LineAngle {
                    offset_arcsec: angle.value(),
                    u_arcsec: angle.u(),
                })
            })
            .collect()
    }

    /// The offset that goes with a reading: of the turning point for a line that was swept, else the mean of the newest frames.
    fn offset_for(&self, typed: &Typed, book: &Book) -> Offset {
        if let (ReadingKind::Line, Some(name)) = (typed.kind, typed.line.as_deref())
            && let Some((sweep, line)) = book.swept(name)
            && let Some(offset_px) = line.offset_px
        {
            let used = book.counted(ReadingKind::Line).find(|reading| {
                reading.entry.sweep == Some(sweep.id) && reading.entry.line.as_deref() == Some(name)
            });
            return Offset {
                px: Some((offset_px, line.u_px)),
                sweep: Some(sweep.id),
                doubt: used.map(|reading| {
                    format!("reading {} of {name} rests on this sweep already; sweep the line again for another reading", reading.id)
                }),
                ..Offset::default()
            };
        }
        let recent = self.shared.recent();
        let mut offset = self.offset_now(&recent);
        if offset.px.is_none() && offset.doubt.is_none() {
            offset.doubt = Some(if recent.is_empty() {
                "no frame is there, so the hair counts as set on the line by eye".to_owned()
            } else {
                "no line with cross-hairs is seen now, so the hair counts as set on the line by eye"
                    .to_owned()
            });
        } else if typed.kind == ReadingKind::Line && offset.doubt.is_none() {
            offset.doubt = Some(format!(
                "no sweep shows where {} turned, so that it stands at minimum deviation now is taken on trust",
                typed.line.as_deref().unwrap_or("the line")
            ));
        }
        offset
    }

    fn offset_now(&self, recent: &[Arc<SeenFrame>]) -> Offset {
        let Some(newest) = recent.last() else {
            return Offset::default();
        };
        let Some(chosen) = self.shared.with(|live| live.chosen(&newest.sight).cloned()) else {
            return Offset::default();
        };
        let same: Vec<(&Arc<SeenFrame>, &SightedLine)> = recent
            .iter()
            .filter_map(|seen| Some((seen, seen.sight.line(chosen.id?)?)))
            .filter(|(_, line)| line.offset_px.is_some())
            .collect();
        let px = mean_offset(&same);
        let doubt = if chosen.velocity_px_s.abs() > STANDS_PX_S {
            Some(format!(
                "the line moves by {:.0} px a second; wait until it stands",
                chosen.velocity_px_s.abs()
            ))
        } else if chosen.line.saturated {
            Some("the line is clipped, so its place is uncertain; shorten the exposure or narrow the slit first".to_owned())
        } else {
            None
        };
        let height_px = newest.sight.cross_hairs.as_ref().map(|hairs| {
            let (top, bottom) = chosen.line.rows;
            hairs.y_px - 0.5 * (top as f64 + bottom as f64)
        });
        Offset {
            px,
            sweep: None,
            frames: if px.is_some() {
                same.iter().map(|(seen, _)| Arc::clone(seen)).collect()
            } else {
                Vec::new()
            },
            height_px,
            doubt,
        }
    }
}

/// Mean of a line's offsets in the newest frames. Its standard uncertainty is that of one of them: coded video repeats its noise from frame
/// to frame, so that the mean of a few is not known to be better.
fn mean_offset(same: &[(&Arc<SeenFrame>, &SightedLine)]) -> Option<(f64, f64)> {
    let offsets: Vec<(f64, f64)> = same.iter().filter_map(|(_, line)| line.offset_px).collect();
    let count = offsets.len() as f64;
    let mean = |of: &dyn Fn(&(f64, f64)) -> f64| offsets.iter().map(of).sum::<f64>() / count;
    let u_px = mean(&|(_, u_px)| u_px * u_px).sqrt();
    (!offsets.is_empty()).then(|| (mean(&|(offset_px, _)| *offset_px), u_px))
}

/// After a line its central image, but first the other lines of the same sweep, whose reading is the same; none where it was read before.
fn after_line(book: &Book, name: Option<&str>) -> Option<Place> {
    let last = book.counted(ReadingKind::Line).next_back()?;
    let sweep = book
        .sweeps
        .iter()
        .find(|sweep| Some(sweep.id) == last.entry.sweep);
    let read = |name: &str| {
        book.counted(ReadingKind::Line).any(|reading| {
            reading.entry.sweep == last.entry.sweep && reading.entry.line.as_deref() == Some(name)
        })
    };
    let other = sweep
        .into_iter()
        .flat_map(|sweep| &sweep.lines)
        .filter(|line| line.turned)
        .filter_map(|line| line.name.as_deref())
        .find(|name| !read(name));
    if let Some(other) = other {
        return Some((Step::Reading, Some(other.to_owned())));
    }
    let has_central = book
        .groups()
        .iter()
        .any(|group| group.central.is_some() && group.lines.iter().any(|line| line.id == last.id));
    (!has_central).then(|| (Step::Central, name.map(str::to_owned)))
}

/// A sentence of the calculator as in [`in_readings`]; `own` is the reading at hand.
fn in_readings_and_own(sentence: &str, own: u64) -> String {
    let own_row = format!("row {own}");
    let own_told = sentence
        .replace(&format!("{own_row} "), "this reading ")
        .replace(&format!("{own_row},"), "this reading,")
        .replace(&format!("{own_row};"), "this reading;");
    in_readings(&own_told)
}

/// Gives a sweep's line its name, where it can only be that one: the chosen one, or the only one that turned.
fn name_one(lines: &mut [SweptLine], name: &str, chosen: Option<u64>) {
    let free = |line: &SweptLine| line.turned && line.name.is_none();
    let by_choice = lines
        .iter()
        .position(|line| free(line) && chosen.is_some() && line.line_id == chosen);
    let only = (lines.iter().filter(|line| free(line)).count() == 1)
        .then(|| lines.iter().position(free))
        .flatten();
    if let Some(line) = only.or(by_choice).and_then(|at| lines.get_mut(at)) {
        line.name = Some(name.to_owned());
    }
}

fn sweep_said(lines: &[SweptLine]) -> String {
    let turned: Vec<String> = lines
        .iter()
        .filter(|line| line.turned)
        .map(|line| {
            let name = line.name.as_deref().map_or_else(
                || {
                    line.line_id
                        .map_or_else(|| "a line".to_owned(), |id| format!("line {id}"))
                },
                str::to_owned,
            );
            format!(
                "{name} ({} {})",
                line.passes,
                if line.passes == 1 { "pass" } else { "passes" }
            )
        })
        .collect();
    if turned.is_empty() {
        "The sweep is kept, but no line turned in it: sweep again, through the turn and back."
            .to_owned()
    } else {
        format!("The sweep is kept; turned: {}.", turned.join(", "))
    }
}

fn entry_of(
    typed: &Typed,
    two_windows: bool,
    offset: &Offset,
    frames: Vec<String>,
    doubt: Option<String>,
) -> ReadingEntry {
    ReadingEntry {
        kind: typed.kind.word().to_owned(),
        line: typed.line.clone(),
        window_1: typed.window_1.trim().to_owned(),
        window_2: typed
            .window_2
            .as_deref()
            .filter(|_| two_windows)
            .map(|text| text.trim().to_owned()),
        offset_px: offset.px.map(|(offset_px, _)| offset_px),
        u_px: offset.px.map(|(_, u_px)| u_px),
        sweep: offset.sweep,
        levels: offset
            .frames
            .last()
            .map(|seen| (seen.frame.black, seen.frame.full_scale)),
        frames,
        height_px: offset.height_px,
        doubt,
    }
}

/// For showing what follows from a line whose own central image is still to come, the last one stands in for it.
/// It may have moved since, so it counts as known within minutes of arc only.
fn preview_central(
    with_it: &mut Book,
    candidate: &KeptReading,
    book: &Book,
    arcsec_per_px: Option<f64>,
) -> Option<u64> {
    let waits = candidate.kind == ReadingKind::Line
        && with_it.groups().iter().any(|group| {
            group.central.is_none() && group.lines.iter().any(|line| line.id == candidate.id)
        });
    let last = book
        .counted(ReadingKind::Central)
        .next_back()
        .filter(|_| waits)?;
    let mut stand_in = last.clone();
    stand_in.id = PREVIEW;
    stand_in.entry.line.clone_from(&candidate.entry.line);
    if let Some(per_px) = arcsec_per_px.filter(|per_px| per_px.abs() > 0.0) {
        stand_in.entry.offset_px.get_or_insert(0.0);
        stand_in.entry.u_px = Some(U_STAND_IN_ARCSEC / per_px.abs());
    }
    with_it.readings.push(stand_in);
    Some(last.id)
}

/// A standard uncertainty of a refracting angle as typed, seconds of arc.
fn seconds_of_arc(typed: &str) -> Result<f64, Refused> {
    let number = typed
        .trim_end_matches(['"', '\u{2033}', '\u{201d}'])
        .trim()
        .parse::<f64>();
    match number {
        Ok(u) if u > 0.0 && u <= 3600.0 => Ok(u),
        _ => Err(Refused(format!(
            "\"{typed}\" is no uncertainty of the refracting angle: give seconds of arc, above 0 and up to 3600, as in {U_TYPED_PRISM_ANGLE_ARCSEC:.0}"
        ))),
    }
}

fn known_line(book: &Book, name: &str) -> Result<(), Refused> {
    if book.setup.lines.iter().any(|line| line.name == name) {
        return Ok(());
    }
    Err(Refused(if book.setup.lines.is_empty() {
        "the experiment has no lines yet: choose lamp and lines first".to_owned()
    } else {
        format!(
            "\"{name}\" is not one of the chosen lines: {}",
            book.setup
                .lines
                .iter()
                .map(|line| line.name.as_str())
                .collect::<Vec<_>>()
                .join(", ")
        )
    }))
}

fn checked_text(what: &str, text: &str) -> Result<String, Refused> {
    let text = text.trim();
    if text.is_empty() {
        return Err(Refused(format!("{what} is empty; write a few words")));
    }
    if text.chars().count() > LONGEST_TEXT {
        return Err(Refused(format!(
            "{what} is longer than {LONGEST_TEXT} characters; shorten it"
        )));
    }
    Ok(text.to_owned())
}

/// A lamp that people have on the bench.
#[derive(Clone, Copy, Debug)]
pub struct Lamp {
    /// Its name.
    pub name: &'static str,
    /// Its mark in the lamp table.
    pub mark: &'static str,
    /// What to mind.
    pub caution: &'static str,
}

const HOT: &str = "The lamp runs hot and is fed by high voltage: keep its housing on, let it cool before you touch it, and follow the rules of your laboratory.";

impl Lamp {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self {
            name: "mercury",
            mark: "Hg",
            caution: "Mercury lamps emit ultraviolet light that harms eyes and skin, run hot, are fed by high voltage and hold mercury: keep the housing on, do not look into the lamp, let it cool, and follow the rules of your laboratory, above all where a lamp breaks.",
        },
        Self {
            name: "sodium",
            mark: "Na",
            caution: HOT,
        },
        Self {
            name: "helium",
            mark: "He",
            caution: HOT,
        },
        Self {
            name: "hydrogen",
            mark: "H",
            caution: HOT,
        },
        Self {
            name: "neon",
            mark: "Ne",
            caution: HOT,
        },
        Self {
            name: "cadmium",
            mark: "Cd",
            caution: "Cadmium lamps emit ultraviolet light, run hot, are fed by high voltage and hold a poisonous metal: keep the housing on, let it cool, and follow the rules of your laboratory, above all where a lamp breaks.",
        },
        Self {
            name: "zinc",
            mark: "Zn",
            caution: "Zinc lamps emit ultraviolet light, run hot and are fed by high voltage: keep the housing on, let it cool, and follow the rules of your laboratory.",
        },
        Self {
            name: "krypton",
            mark: "Kr",
            caution: HOT,
        },
    ];

    /// The lamp of a name or a mark.
    #[must_use]
    pub fn of(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|lamp| {
            lamp.name.eq_ignore_ascii_case(name) || lamp.mark.eq_ignore_ascii_case(name)
        })
    }

    /// Names and wavelengths in air (nm) of its lines in the visible, by wavelength.
    #[must_use]
    pub fn lines(self) -> Vec<(String, f64)> {
        /// Read once: a page asks ten times a second.
        static TABLE: OnceLock<Option<LampTable>> = OnceLock::new();
        let Some(table) = TABLE.get_or_init(|| LampTable::embedded().ok()) else {
            return Vec::new();
        };
        let mut lines: Vec<(String, f64)> = Vec::new();
        for line in table.lines.iter().filter(|line| line.lamp == self.mark) {
            let nm = line.wavelength.in_air_nm();
            let short = format!("{} {nm:.1}", self.mark);
            let meant = table
                .named(&short)
                .is_some_and(|named| (named.wavelength.in_air_nm() - nm).abs() < 1e-6);
            lines.push((if meant { short } else { line.name() }, nm));
        }
        lines
    }
}

/// What the desk computes beside everything else.
pub(super) fn compute(desk: &Desk) -> Results {
    let book = held(&desk.book).clone();
    results(&book, &desk.options.profile, &desk.options.logbook)
}

impl KeptSweep {
    /// Whether any line turned in it.
    #[must_use]
    pub fn turned(&self) -> bool {
        self.lines.iter().any(|line| line.turned)
    }

    /// Whether the line of a number is in it and has another name.
    fn names_anew(&self, line_id: u64, name: Option<&str>) -> bool {
        self.lines
            .iter()
            .any(|line| line.line_id == Some(line_id) && line.name.as_deref() != name)
    }
}
