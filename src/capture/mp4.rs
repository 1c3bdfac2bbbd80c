//! H.264, HEVC and motion JPEG in MP4 and MOV: samples decoded one by one, shown in the order of their times.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};

use super::h26x::{Coding, Decoder, GAVE_UP, Luma, Picture, Role, decoder, sequence_in};
use super::parameter_sets::{self, Sequence};
use super::sample_table::{Edit, Movie, Sample, Track};
use super::y4m::range;
use super::{CaptureError, FrameSource, Next, SourceInfo};
use crate::basics::frame::Frame;

/// Largest index that is read into memory.
const MOST_INDEX_BYTES: u64 = 1 << 28;

/// Most boxes side by side: with a fragment for every frame, five hours at 30 frames per second.
const MOST_BOXES: u64 = 1 << 20;

/// Pictures that may wait for earlier ones; the standards allow 16.
const MOST_WAITING: usize = 20;

/// A video in MP4 or MOV.
pub(super) struct Mp4 {
    info: SourceInfo,
    name: String,
    file: File,
    track: Track,
    sequence: Option<Sequence>,
    decoder: Box<dyn Decoder>,
    /// For each sample in decoding order: its number among the shown frames and its time.
    shown: Vec<Option<(u64, f64)>>,
    /// For each sample: the lowest number that this or a later sample has.
    lowest_to_come: Vec<u64>,
    next: usize,
    waiting: BinaryHeap<Reverse<Waiting>>,
    /// Decoding went wrong; nothing is believed before the next key frame.
    broken: Option<String>,
    /// The key frame that decoding passed last.
    entry: Entry,
    /// A frame shown before the last key frame was lost, and why; others of its kind may lean on it.
    leading_lost: Option<String>,
    /// Number of the last frame that was shown or told as lost.
    last_number: Option<u64>,
    data: Vec<u8>,
    /// Where and why the frames end before the index does.
    cut: Option<CaptureError>,
    over: bool,
}

/// A key frame.
#[derive(Clone, Copy)]
struct Entry {
    /// Its composition time.
    time: i64,
    /// Decoding began at it, so that what lies before it is not known.
    fresh: bool,
    /// It forgets all pictures before it, or the headings of those that lean on them say so; otherwise
    /// only their times tell (H.264 with open groups of pictures).
    clean: bool,
}

/// A frame that was decoded, or lost, and waits for its turn.
struct Waiting {
    number: u64,
    time_s: f64,
    picture: Result<Picture, String>,
}

impl PartialEq for Waiting {
    fn eq(&self, other: &Self) -> bool {
        self.number == other.number
    }
}

impl Eq for Waiting {}

impl PartialOrd for Waiting {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Waiting {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.number.cmp(&other.number)
    }
}

impl Mp4 {
    /// Reads the index and makes the decoder ready.
    pub(super) fn open(mut file: File, name: String, short: String) -> Result<Self, CaptureError> {
        let length = file
            .metadata()
            .map_err(|error| CaptureError::io(&name, error))?
            .len();
        let (movie, cut_index) = read_index(&mut file, &name, length)?;
        let Some(mut track) = movie.track else {
            let heard = if movie.others.is_empty() {
                String::new()
            } else {
                format!(" (it has {})", movie.others.join(", "))
            };
            return Err(CaptureError::refused(
                &name,
                format!("holds no video track{heard}"),
                "give the file with the video",
            ));
        };
        let Some(coding) = track.coding.clone() else {
            let code = String::from_utf8_lossy(&track.code).trim().to_owned();
            return Err(CaptureError::not_embedded(
                &name,
                format!("holds video of the coding \"{code}\""),
            ));
        };
        if let Some(what) = track.unsuited {
            return Err(CaptureError::not_embedded(&name, what));
        }
        if track.odd_matrix {
            return Err(CaptureError::not_embedded(
                &name,
                "is to be shown sheared or turned by no quarter",
            ));
        }
        let (mut shown, frames) = schedule(&track, movie.timescale)
            .map_err(|what| CaptureError::not_embedded(&name, what))?;
        let mut cut = cut_index;
        // The frames keep the numbers that the whole file would give them.
        drop_beyond(&mut track, length, &name, &mut cut);
        shown.truncate(track.samples.len());
        if overlaps(&track.samples, length) {
            return Err(CaptureError::damaged(
                &name,
                0,
                "its frames together are several times as large as the file",
            ));
        }
        let (kind, mut sequence) = describe(&coding);
        let broken_sets = matches!(&coding, Coding::H264(sets, _) | Coding::Hevc(sets, _) if !sets.is_empty())
            && sequence.is_none();
        if broken_sets {
            return Err(CaptureError::refused(
                &name,
                format!("has damaged parameter sets of {kind}"),
                "copy it again from the camera",
            ));
        }
        if let (None, Some(first)) = (&sequence, track.samples.first()) {
            let mut data = Vec::new();
            read_sample(&mut file, *first, &mut data)
                .map_err(|error| CaptureError::io(&name, error))?;
            sequence = sequence_in(&coding, &data);
            if sequence.is_none() && !matches!(coding, Coding::Jpeg) {
                return Err(CaptureError::not_embedded(
                    &name,
                    format!("holds {kind} without parameter sets in its first frame"),
                ));
            }
        }
        if let Some(s) = &sequence {
            let transfer = s.transfer.or(track.colour.1);
            if let Some(hdr @ (16 | 18)) = transfer {
                let which = if hdr == 16 { "PQ" } else { "HLG" };
                return Err(CaptureError::refused(
                    &name,
                    format!(
                        "is a recording of high dynamic range ({which}), whose levels are not proportional to what the others use"
                    ),
                    "switch HDR off in the camera and record again",
                ));
            }
            let readable = match &coding {
                Coding::H264(..) => s.chroma <= 2 && matches!(s.bits, 8 | 10),
                Coding::Hevc(..) => matches!(s.chroma, 1 | 3) && matches!(s.bits, 8 | 10 | 12),
                Coding::Jpeg => true,
            };
            if !readable {
                return Err(CaptureError::not_embedded(
                    &name,
                    format!(
                        "holds {kind} with {} bits and chroma format {}",
                        s.bits, s.chroma
                    ),
                ));
            }
        }
        if shown.iter().all(Option::is_none) {
            return Err(cut.unwrap_or_else(|| {
                CaptureError::refused(
                    &name,
                    "holds no frame that is to be shown",
                    "copy it again from the camera",
                )
            }));
        }
        let lowest_to_come = lowest(&shown);
        let stored = sequence
            .as_ref()
            .map_or(track.stated_size, |s| (s.width, s.height));
        let (width, height) = track.orientation.shown(stored.0, stored.1);
        let interlaced = if sequence.as_ref().is_some_and(|s| s.interlaced) {
            ", interlaced"
        } else {
            ""
        };
        let info = SourceInfo {
            description: format!("{short} (MP4, {kind}{interlaced})"),
            width,
            height,
            frames: Some(frames),
        };
        let decoder = decoder(&coding, sequence.as_ref());
        Ok(Self {
            info,
            name,
            file,
            track,
            sequence,
            decoder,
            shown,
            lowest_to_come,
            next: 0,
            waiting: BinaryHeap::new(),
            broken: None,
            entry: Entry {
                time: i64::MIN,
                fresh: true,
                clean: true,
            },
            leading_lost: None,
            last_number: None,
            data: Vec::new(),
            cut,
            over: false,
        })
    }

    /// Reads and decodes the next sample in decoding order.
    fn advance(&mut self, sample: Sample) -> Result<(), CaptureError> {
        let index = self.next;
        self.next += 1;
        let shown = self.shown.get(index).copied().flatten();
        read_sample(&mut self.file, sample, &mut self.data)
            .map_err(|error| CaptureError::io(&self.name, error))?;
        let role = self.decoder.role(&self.data);
        if role == Role::Key || sample.sync || index == 0 {
            let fresh = self.broken.take().is_some();
            if fresh {
                self.decoder.reset();
            }
            self.entry = Entry {
                time: sample.time,
                fresh: fresh || index == 0,
                clean: role == Role::Key,
            };
        }
        let leading = role == Role::Leading || (!self.entry.clean && sample.time < self.entry.time);
        if !leading {
            self.leading_lost = None;
        }
        let decoded = match &self.broken {
            Some(why) => Err(format!("it leans on a frame that was lost ({why})")),
            None => self.decoder.decode(&self.data),
        };
        let failure = decoded.as_ref().err().cloned();
        let picture = if leading && self.entry.fresh {
            // Whatever the decoder made of it, what it leans on is not there.
            Err("it leans on frames before the key frame at which decoding began".to_owned())
        } else if let (true, Some(why)) = (leading, &self.leading_lost) {
            Err(format!("it may lean on a frame that was lost ({why})"))
        } else {
            decoded
        };
        if let (Some(why), None) = (failure, &self.broken) {
            if why == GAVE_UP {
                // It panicked: it is dropped here and now, and so is all that it knew.
                self.decoder.reset();
                self.broken = Some(why);
            } else if leading {
                self.leading_lost = Some(why);
            } else if role != Role::Disposable {
                self.broken = Some(why);
            }
        }
        let Some((number, time_s)) = shown else {
            return Ok(());
        };
        self.waiting.push(Reverse(Waiting {
            number,
            time_s,
            picture,
        }));
        Ok(())
    }

    /// Whether the first of the waiting frames has nothing before it still to be decoded.
    fn ready(&self) -> bool {
        let Some(Reverse(first)) = self.waiting.peek() else {
            return false;
        };
        self.waiting.len() > MOST_WAITING
            || self
                .lowest_to_come
                .get(self.next)
                .is_none_or(|&lowest| first.number <= lowest)
    }

    /// Frames that are to be shown before the next one but lie behind the end of a file that is cut short.
    fn gap(&mut self) -> Option<Next> {
        let Reverse(first) = self.waiting.peek()?;
        let expected = self.last_number.map_or(0, |last| last + 1);
        let frames = first.number.checked_sub(expected).filter(|n| *n > 0)?;
        // A frame that is forced out of its turn has its forerunners still to come.
        self.cut
            .as_ref()
            .filter(|_| self.next >= self.track.samples.len())?;
        let why = format!(
            "{}, frames from {expected} on, {frames} in number: they lie behind the end of the file, which is cut short",
            self.name
        );
        self.last_number = Some(first.number - 1);
        Some(Next::Lost { frames, why })
    }

    fn show(&self, waiting: Waiting, frame: &mut Frame) -> Result<Next, CaptureError> {
        let picture = match waiting.picture {
            Ok(picture) => picture,
            Err(what) => {
                let why = format!(
                    "{}, frame {} at {:.3} s could not be decoded: {what}",
                    self.name, waiting.number, waiting.time_s
                );
                return Ok(Next::Lost { frames: 1, why });
            }
        };
        let (width, height) = self.track.orientation.shown(picture.width, picture.height);
        if (width, height) != (self.info.width, self.info.height) {
            return Err(CaptureError::SizeChanged {
                name: format!("{}, frame {},", self.name, waiting.number),
                width,
                height,
                first_width: self.info.width,
                first_height: self.info.height,
            });
        }
        let (w, h) = (picture.width, picture.height);
        let orientation = self.track.orientation;
        match picture.luma {
            Luma::Bytes(l) => orientation.write(&l, u16::from, w, h, frame),
            Luma::Pairs(l) => {
                orientation.write(l.as_chunks::<2>().0, u16::from_le_bytes, w, h, frame);
            }
            Luma::Words(l) => orientation.write(&l, |level| level, w, h, frame),
        }
        let (bits, full) = self.sequence.as_ref().map_or((8, Some(true)), |s| {
            (s.bits, s.full_range.or(self.track.colour.0))
        });
        (frame.black, frame.full_scale) = range(bits, full.unwrap_or(false));
        frame.time_s = waiting.time_s;
        frame.number = waiting.number;
        Ok(Next::Frame)
    }
}

impl FrameSource for Mp4 {
    fn info(&self) -> &SourceInfo {
        &self.info
    }

    fn next_into(&mut self, frame: &mut Frame) -> Result<Next, CaptureError> {
        while !self.over {
            if self.ready()
                && let Some(lost) = self.gap()
            {
                return Ok(lost);
            }
            if self.ready()
                && let Some(Reverse(first)) = self.waiting.pop()
            {
                if self.last_number.is_some_and(|last| first.number < last) {
                    let why = format!(
                        "{}, frame {} at {:.3} s came more than {MOST_WAITING} frames too late to be shown in its turn",
                        self.name, first.number, first.time_s
                    );
                    return Ok(Next::Lost { frames: 1, why });
                }
                self.last_number = Some(first.number);
                return self.show(first, frame).inspect_err(|_| self.over = true);
            }
            match self.track.samples.get(self.next).copied() {
                Some(sample) => self.advance(sample).inspect_err(|_| self.over = true)?,
                None => {
                    self.over = true;
                    if let Some(cut) = self.cut.take() {
                        return Err(cut);
                    }
                }
            }
        }
        Ok(Next::End)
    }
}

/// Walks the boxes of the file, reads `moov` and every `moof`, and says where the file breaks off.
fn read_index(
    file: &mut File,
    name: &str,
    length: u64,
) -> Result<(Movie, Option<CaptureError>), CaptureError> {
    let mut movie: Option<Movie> = None;
    let mut at = 0_u64;
    let mut cut = None;
    let mut saw_data = false;
    let mut boxes = 0_u64;
    while length - at >= 8 {
        boxes += 1;
        if boxes > MOST_BOXES {
            let what = format!("it has more than {MOST_BOXES} boxes");
            return Err(CaptureError::damaged(name, at, what));
        }
        file.seek(SeekFrom::Start(at))
            .map_err(|error| CaptureError::io(name, error))?;
        let mut head = [0; 16];
        let have = usize::try_from((length - at).min(16)).unwrap_or(8);
        let (part, _) = head.split_at_mut(have);
        file.read_exact(part)
            .map_err(|error| CaptureError::io(name, error))?;
        let [a, b, c, d, kind @ .., _, _, _, _, _, _, _, _] = head;
        let [.., s0, s1, s2, s3, s4, s5, s6, s7] = head;
        let (header, size) = match u32::from_be_bytes([a, b, c, d]) {
            0 => (8, length - at),
            1 if have == 16 => (16, u64::from_be_bytes([s0, s1, s2, s3, s4, s5, s6, s7])),
            n => (8, u64::from(n)),
        };
        if size < header {
            let what = format!("a box says that it is {size} bytes long");
            if movie
                .as_ref()
                .is_none_or(|m| m.track.as_ref().is_none_or(|t| t.samples.is_empty()))
            {
                return Err(CaptureError::damaged(name, at, what));
            }
            cut = Some(CaptureError::damaged(name, at, what));
            break;
        }
        let whole = size <= length - at;
        saw_data |= &kind == b"mdat";
        if matches!(&kind, b"moov" | b"moof") {
            if !whole {
                cut = Some(ends_early(name, length, "in the index of the frames"));
                break;
            }
            if size > MOST_INDEX_BYTES {
                return Err(CaptureError::damaged(
                    name,
                    at,
                    "the index is larger than 256 MB",
                ));
            }
            let mut body = vec![0; usize::try_from(size - header).unwrap_or(0)];
            file.seek(SeekFrom::Start(at + header))
                .map_err(|error| CaptureError::io(name, error))?;
            file.read_exact(&mut body)
                .map_err(|error| CaptureError::io(name, error))?;
            if &kind == b"moov" {
                if movie.is_none() {
                    movie = Some(
                        Movie::parse(&body, length)
                            .map_err(|what| CaptureError::damaged(name, at, what))?,
                    );
                }
            } else if let Some(track) = movie.as_mut().and_then(|m| m.track.as_mut())
                && let Err(what) = track.fragment(&body, at, length)
            {
                cut = Some(CaptureError::damaged(name, at, what));
                break;
            }
        }
        if !whole {
            cut = Some(ends_early(name, length, "among the frames"));
            break;
        }
        at += size;
    }
    match movie {
        Some(movie) => Ok((movie, cut)),
        None if saw_data || cut.is_some() => Err(CaptureError::refused(
            name,
            format!(
                "is cut short at byte {length}, before the index of its frames (moov): the recording was not closed or the copy broke off, and nothing can be decoded"
            ),
            "copy it again, or record it again and stop the camera before it is switched off",
        )),
        None => Err(CaptureError::refused(
            name,
            "is an MP4 without video",
            "give the file with the video",
        )),
    }
}

fn ends_early(name: &str, byte: u64, what: &str) -> CaptureError {
    CaptureError::EndsEarly {
        name: name.to_owned(),
        byte,
        what: what.to_owned(),
    }
}

/// Reads the bytes of a sample, whose place was held against the length of the file before.
fn read_sample(file: &mut File, sample: Sample, data: &mut Vec<u8>) -> std::io::Result<()> {
    data.resize(sample.size as usize, 0);
    file.seek(SeekFrom::Start(sample.offset))?;
    file.read_exact(data)
}

/// The coding for people, and the first sequence parameter set that can be read.
fn describe(coding: &Coding) -> (&'static str, Option<Sequence>) {
    match coding {
        Coding::H264(sets, _) => {
            let find = |s: &Vec<u8>| {
                if s.first()? & 31 == 7 {
                    parameter_sets::h264(s)
                } else {
                    None
                }
            };
            ("H.264", sets.iter().find_map(find))
        }
        Coding::Hevc(sets, _) => {
            let find = |s: &Vec<u8>| {
                if s.first()? >> 1 & 63 == 33 {
                    parameter_sets::hevc(s)
                } else {
                    None
                }
            };
            ("HEVC", sets.iter().find_map(find))
        }
        Coding::Jpeg => ("motion JPEG", None),
    }
}

/// Samples that lie beyond the end of the file cannot be read; those before the first of them stand.
fn drop_beyond(track: &mut Track, length: u64, name: &str, cut: &mut Option<CaptureError>) {
    let whole = |s: &Sample| {
        s.offset
            .checked_add(u64::from(s.size))
            .is_some_and(|end| end <= length)
    };
    if let Some(first) = track.samples.iter().position(|s| !whole(s)) {
        let missing = track.samples.len() - first;
        *cut = Some(ends_early(
            name,
            length,
            &format!("with {missing} of {} frames missing", track.samples.len()),
        ));
        track.samples.truncate(first);
    }
}

/// Whether the samples must lie over one another many times, so that reading them might take for ever.
/// One size that is damaged does not make it so.
fn overlaps(samples: &[Sample], length: u64) -> bool {
    let total = samples
        .iter()
        .fold(0_u64, |sum, s| sum.saturating_add(u64::from(s.size)));
    total / 4 > length
}

/// For each sample its number among the shown frames and its time in seconds; and how many are shown.
type Schedule = (Vec<Option<(u64, f64)>>, u64);

/// Applies the edit list (ISO/IEC 14496-12, 8.6.6): what lies outside is decoded but not shown.
fn schedule(track: &Track, movie_timescale: u32) -> Result<Schedule, String> {
    let scale = f64::from(track.timescale);
    let place = |time: i64| place_in_edits(&track.edits, time, track.timescale, movie_timescale);
    check_edits(&track.edits, track.timescale, movie_timescale)?;
    let mut order: Vec<(f64, usize)> = Vec::new();
    for (index, sample) in track.samples.iter().enumerate() {
        let seconds = if track.edits.iter().any(|e| e.start.is_some()) {
            place(sample.time)
        } else {
            Some(sample.time as f64 / scale)
        };
        if let Some(seconds) = seconds {
            order.push((seconds, index));
        }
    }
    let reordered = order.windows(2).any(|w| matches!(w, [a, b] if b.0 < a.0));
    order.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let twins = order
        .windows(2)
        .position(|w| matches!(w, [a, b] if b.0 <= a.0));
    if let (true, Some(n)) = (reordered, twins) {
        return Err(format!(
            "gives frames {n} and {} the same time, so that their order is not known",
            n + 1
        ));
    }
    let first = order.first().map_or(0.0, |o| o.0);
    let mut shown = vec![None; track.samples.len()];
    for (number, &(seconds, index)) in order.iter().enumerate() {
        if let Some(slot) = shown.get_mut(index) {
            *slot = Some((number as u64, seconds - first));
        }
    }
    Ok((shown, order.len() as u64))
}

/// Where a composition time is shown, in seconds; `None` outside all edits.
fn place_in_edits(edits: &[Edit], time: i64, scale: u32, movie_scale: u32) -> Option<f64> {
    let mut begin_s = 0.0;
    for edit in edits {
        let length_s = if movie_scale == 0 {
            0.0
        } else {
            edit.duration as f64 / f64::from(movie_scale)
        };
        if let Some(start) = edit.start {
            let from_start = i128::from(time) - i128::from(start);
            // Compared in whole numbers: time / scale < duration / movie_scale.
            let before_end = edit.duration == 0
                || movie_scale == 0
                || from_start * i128::from(movie_scale)
                    < i128::from(edit.duration) * i128::from(scale);
            if from_start >= 0 && before_end {
                return Some(begin_s + from_start as f64 / f64::from(scale));
            }
        }
        begin_s += length_s;
    }
    None
}

/// Edits must run forwards at normal speed and show nothing twice.
fn check_edits(edits: &[Edit], scale: u32, movie_scale: u32) -> Result<(), String> {
    let mut after = 0_i128;
    for edit in edits {
        let Some(start) = edit.start else { continue };
        if !edit.normal_speed {
            return Err("is edited to play at another speed".to_owned());
        }
        // One unit of the movie of slack, since the durations are rounded to it.
        let start = i128::from(start) * i128::from(movie_scale);
        if start + i128::from(scale) < after {
            return Err("is edited so that parts are shown twice or out of order".to_owned());
        }
        after = start + i128::from(edit.duration) * i128::from(scale);
    }
    Ok(())
}

/// For each sample the lowest number among itself and those behind it.
fn lowest(shown: &[Option<(u64, f64)>]) -> Vec<u64> {
    let mut low = u64::MAX;
    let mut out: Vec<u64> = shown
        .iter()
        .rev()
        .map(|s| {
            low = s.map_or(low, |(number, _)| low.min(number));
            low
        })
        .collect();
    out.reverse();
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn edit(duration: u64, start: Option<u64>) -> Edit {
        Edit {
            duration,
            start,
            normal_speed: true,
        }
    }

    #[test]
    fn edits_place_times() {
        // An empty edit of 1 s, then from tick 200 (of 100 a second) for half a second.
        let edits = [edit(1000, None), edit(500, Some(200))];
        let place = |t| place_in_edits(&edits, t, 100, 1000);
        assert_eq!(
            [place(199), place(200), place(249), place(250)],
            [None, Some(1.0), Some(1.49), None]
        );
        assert_eq!(
            place_in_edits(&[edit(0, Some(5))], 1_000_000, 100, 1000),
            Some(9999.95)
        );
    }

    #[test]
    fn edits_that_repeat_are_refused() {
        assert!(check_edits(&[edit(500, Some(0)), edit(500, Some(50))], 100, 1000).is_ok());
        assert!(check_edits(&[edit(500, Some(0)), edit(500, Some(20))], 100, 1000).is_err());
        let slow = Edit {
            normal_speed: false,
            ..edit(500, Some(0))
        };
        assert!(check_edits(&[slow], 100, 1000).is_err());
    }

    #[test]
    fn equal_times_are_no_order() {
        let clip = |times: &[i64]| {
            let mut track = Track::default();
            track.timescale = 10;
            track.samples = times
                .iter()
                .map(|&time| Sample {
                    offset: 0,
                    size: 9,
                    time,
                    sync: false,
                })
                .collect();
            schedule(&track, 1000)
        };
        assert_eq!(
            clip(&[5, 15, 10]),
            Ok((vec![Some((0, 0.0)), Some((2, 1.0)), Some((1, 0.5))], 3))
        );
        assert!(clip(&[0, 20, 10, 10]).is_err_and(|e| e.contains("frames 1 and 2")));
        // Without B-frames the order of decoding is that of showing.
        assert!(clip(&[0, 10, 10, 20]).is_ok());
    }

    #[test]
    fn samples_over_one_another() {
        let sample = Sample {
            offset: 0,
            size: 1000,
            time: 0,
            sync: true,
        };
        assert!(!overlaps(&[sample; 4], 1000));
        assert!(overlaps(&[sample; 5], 1000));
    }

    #[test]
    fn lowest_number_to_come() {
        let shown = [
            Some((0, 0.0)),
            Some((3, 0.0)),
            None,
            Some((1, 0.0)),
            Some((2, 0.0)),
        ];
        assert_eq!(lowest(&shown), [0, 1, 1, 1, 2]);
    }
}
