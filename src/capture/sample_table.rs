//! The samples of one video track of an MP4 or MOV file: where they lie, when they are shown.
//!
//! The atoms are read by mp4-atom, each from a slice that lies wholly in the file; the walk over the
//! boxes, the limits and the sums are ours (ISO/IEC 14496-12, clauses 4.2, 8.6, 8.7 and 8.8).

use mp4_atom::{
    Atom, Co64, Ctts, Elst, Mdhd, Stco, Stsc, Stss, Stsz, StszSamples, Stts, Tfdt, Tfhd, Tkhd,
    Trex, Trun,
};

use super::h26x::Coding;
use super::orientation::Orientation;

/// One sample in decoding order.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sample {
    pub(super) offset: u64,
    pub(super) size: u32,
    /// Composition time in units of the track.
    pub(super) time: i64,
    pub(super) sync: bool,
}

/// A video track.
#[derive(Debug, Default)]
pub(super) struct Track {
    pub(super) id: u32,
    pub(super) is_video: bool,
    pub(super) timescale: u32,
    pub(super) orientation: Orientation,
    pub(super) odd_matrix: bool,
    pub(super) edits: Vec<Edit>,
    pub(super) coding: Option<Coding>,
    /// Four letters of the sample entry.
    pub(super) code: [u8; 4],
    /// Width and height that the sample entry says.
    pub(super) stated_size: (usize, usize),
    /// Full range and transfer from the box `colr`.
    pub(super) colour: (Option<bool>, Option<u8>),
    pub(super) samples: Vec<Sample>,
    /// Why the embedded reader must not read it, as the rest of a sentence.
    pub(super) unsuited: Option<String>,
    defaults: Trex,
    decode_time: i64,
    /// Samples of any track that the fragments have named so far.
    named: u64,
}

/// A part of the media that is shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Edit {
    /// Length in units of the movie; 0 is to the end.
    pub(super) duration: u64,
    /// Start in units of the track; `None` shows nothing.
    pub(super) start: Option<u64>,
    /// Speed, 1 being normal.
    pub(super) normal_speed: bool,
}

/// Bytes of a box, and what is wrong with it if it is cut.
#[derive(Clone, Copy)]
pub(super) struct Item<'a> {
    pub(super) kind: [u8; 4],
    pub(super) body: &'a [u8],
}

/// The boxes in a slice. A box of size 0 reaches to its end, one that is too long or too short ends the walk.
pub(super) fn items(data: &[u8]) -> impl Iterator<Item = Item<'_>> {
    let mut rest = data;
    std::iter::from_fn(move || {
        let size = u32::from_be_bytes(rest.get(..4)?.try_into().ok()?);
        let kind: [u8; 4] = rest.get(4..8)?.try_into().ok()?;
        let (head, size) = match size {
            0 => (8, rest.len()),
            1 => (
                16,
                usize::try_from(u64::from_be_bytes(rest.get(8..16)?.try_into().ok()?)).ok()?,
            ),
            n => (8, n as usize),
        };
        let body = rest.get(head..size)?;
        rest = rest.get(size..)?;
        Some(Item { kind, body })
    })
}

fn atom<A: Atom>(body: &[u8]) -> Result<A, String> {
    let mut rest = body;
    A::decode_body(&mut rest).map_err(|e| format!("the box {} is damaged ({e})", A::KIND))
}

/// What `moov` says.
#[derive(Debug, Default)]
pub(super) struct Movie {
    pub(super) timescale: u32,
    pub(super) track: Option<Track>,
    /// Samples may follow in fragments.
    pub(super) fragmented: bool,
    /// Codings of tracks that cannot be used.
    pub(super) others: Vec<String>,
}

impl Movie {
    /// Reads the body of a `moov` of a file of `length` bytes.
    pub(super) fn parse(moov: &[u8], length: u64) -> Result<Self, String> {
        let mut movie = Self::default();
        for item in items(moov) {
            match &item.kind {
                b"mvhd" => {
                    // Version 1 has two 64-bit dates before the timescale, version 0 two of 32 bits.
                    let at = if item.body.first() == Some(&1) {
                        20
                    } else {
                        12
                    };
                    movie.timescale = word(item.body, at);
                }
                b"trak" if movie.track.is_none() => {
                    let track = Track::parse(item.body, length)?;
                    if track.is_video {
                        movie.track = Some(track);
                    } else {
                        movie.others.push(match &track.code {
                            b"soun" => "sound".to_owned(),
                            code => String::from_utf8_lossy(code).into_owned(),
                        });
                    }
                }
                b"mvex" => movie.fragmented = true,
                _ => {}
            }
        }
        for extends in items(moov)
            .filter(|i| &i.kind == b"mvex")
            .flat_map(|i| items(i.body))
        {
            if let (b"trex", Some(track)) = (&extends.kind, &mut movie.track) {
                let trex: Trex = atom(extends.body)?;
                if trex.track_id == track.id {
                    track.defaults = trex;
                }
            }
        }
        Ok(movie)
    }
}

impl Track {
    fn parse(trak: &[u8], length: u64) -> Result<Self, String> {
        let mut track = Self {
            defaults: Trex::default(),
            ..Self::default()
        };
        let mut tables = None;
        // What is wrong with a track of sound is no concern of the picture's.
        let handler = items(trak)
            .filter(|i| &i.kind == b"mdia")
            .flat_map(|i| items(i.body))
            .find(|i| &i.kind == b"hdlr");
        if handler.is_some_and(|h| h.body.get(8..12) != Some(b"vide")) {
            track.code = handler
                .and_then(|h| h.body.get(8..12)?.try_into().ok())
                .unwrap_or_default();
            return Ok(track);
        }
        for item in items(trak) {
            match &item.kind {
                b"tkhd" => {
                    let head: Tkhd = atom(item.body)?;
                    track.id = head.track_id;
                    let m = &head.matrix;
                    match Orientation::from_matrix(m.a, m.b, m.c, m.d) {
                        Some(o) => track.orientation = o,
                        None => track.odd_matrix = true,
                    }
                }
                b"edts" => {
                    for list in items(item.body).filter(|i| &i.kind == b"elst") {
                        let elst: Elst = atom(list.body)?;
                        track.edits = elst
                            .entries
                            .iter()
                            .map(|e| Edit {
                                duration: e.segment_duration,
                                start: e.media_time,
                                normal_speed: e.media_rate == 1.into(),
                            })
                            .collect();
                    }
                }
                b"mdia" => {
                    for media in items(item.body) {
                        match &media.kind {
                            b"mdhd" => {
                                let head: Mdhd = atom(media.body)?;
                                track.timescale = head.timescale;
                            }
                            b"hdlr" => track.is_video = media.body.get(8..12) == Some(b"vide"),
                            b"minf" => {
                                tables = items(media.body)
                                    .find(|i| &i.kind == b"stbl")
                                    .map(|i| i.body)
                            }
                            _ => {}
                        }
                    }
                }
                _ => {}
            }
        }
        let Some(tables) = tables else {
            return Ok(track);
        };
        if let Some(stsd) = items(tables).find(|i| &i.kind == b"stsd") {
            track.description(stsd.body)?;
        }
        if track.is_video {
            if track.timescale == 0 {
                return Err("the timescale of the video is 0".to_owned());
            }
            track.tables(tables, length)?;
        }
        Ok(track)
    }

    /// The sample entry: the coding and its parameter sets.
    fn description(&mut self, stsd: &[u8]) -> Result<(), String> {
        let mut entries = items(stsd.get(8..).unwrap_or_default());
        let Some(entry) = entries.next() else {
            return Ok(());
        };
        self.code = entry.kind;
        if !self.is_video {
            return Ok(());
        }
        if let Some(second) = entries.next() {
            self.unsuited = Some(format!(
                "changes its coding midway, to {}",
                String::from_utf8_lossy(&second.kind).trim()
            ));
        }
        let half = |at: usize| {
            usize::from(entry.body.get(at).copied().unwrap_or(0)) << 8
                | usize::from(entry.body.get(at + 1).copied().unwrap_or(0))
        };
        self.stated_size = (half(24), half(26));
        let inner = entry.body.get(78..).unwrap_or_default();
        let find = |kind: &[u8; 4]| items(inner).find(|i| &i.kind == kind).map(|i| i.body);
        // There may be another `colr` beside it, with a profile.
        let colours = items(inner).filter(|i| &i.kind == b"colr").map(|i| i.body);
        for colr in colours {
            let nclx = colr.get(..4) == Some(b"nclx");
            if nclx || colr.get(..4) == Some(b"nclc") {
                let transfer = colr.get(7).copied();
                let full = if nclx {
                    colr.get(10).map(|b| b & 0x80 != 0)
                } else {
                    None
                };
                self.colour = (full, transfer);
            }
        }
        self.coding = match &entry.kind {
            b"avc1" | b"avc3" => Some(
                avc_sets(find(b"avcC").ok_or("the box avcC is missing")?)
                    .ok_or("the box avcC is damaged")?,
            ),
            b"hvc1" | b"hev1" => Some(
                hevc_sets(find(b"hvcC").ok_or("the box hvcC is missing")?)
                    .ok_or("the box hvcC is damaged")?,
            ),
            b"jpeg" | b"mjpg" | b"MJPG" => Some(Coding::Jpeg),
            _ => None,
        };
        Ok(())
    }

    /// Sums the tables of `stbl` up to a list of samples.
    fn tables(&mut self, stbl: &[u8], length: u64) -> Result<(), String> {
        let find = |kind: &[u8; 4]| items(stbl).find(|i| &i.kind == kind).map(|i| i.body);
        let sizes: Stsz = match find(b"stsz") {
            Some(body) => atom(body)?,
            None => return Ok(()),
        };
        let count = match &sizes.samples {
            StszSamples::Identical { count, .. } => *count as usize,
            StszSamples::Different { sizes } => sizes.len(),
        };
        if count == 0 {
            return Ok(());
        }
        if count as u64 > most_samples(length) {
            return Err(format!(
                "its index names {count} frames, more than the file can hold"
            ));
        }
        let chunks: Vec<u64> = match (find(b"stco"), find(b"co64")) {
            (Some(body), _) => atom::<Stco>(body)?
                .entries
                .into_iter()
                .map(u64::from)
                .collect(),
            (None, Some(body)) => atom::<Co64>(body)?.entries,
            (None, None) => return Err("the index lacks the places of the frames".to_owned()),
        };
        let runs = atom::<Stsc>(find(b"stsc").ok_or("the box stsc is missing")?)?.entries;
        let times = atom::<Stts>(find(b"stts").ok_or("the box stts is missing")?)?.entries;
        let offsets = find(b"ctts")
            .map(atom::<Ctts>)
            .transpose()?
            .map_or_else(Vec::new, |c| c.entries);
        let syncs = find(b"stss")
            .map(atom::<Stss>)
            .transpose()?
            .map(|s| s.entries);
        let mut durations = times
            .iter()
            .flat_map(|e| std::iter::repeat_n(i64::from(e.sample_delta), e.sample_count as usize));
        let mut shifts = offsets
            .iter()
            .flat_map(|e| std::iter::repeat_n(e.sample_offset, e.sample_count as usize));
        let mut places = Places::new(&chunks, &runs);
        let mut syncs_left = syncs.as_deref().unwrap_or_default().iter().peekable();
        self.samples.reserve_exact(count);
        let mut time = 0_i64;
        for index in 0..count {
            let size = match &sizes.samples {
                StszSamples::Identical { size, .. } => *size,
                StszSamples::Different { sizes } => sizes.get(index).copied().unwrap_or(0),
            };
            let Some(offset) = places.next(size) else {
                return Err(format!(
                    "the index says where {index} of {count} frames are"
                ));
            };
            let number = index as u64 + 1;
            while syncs_left.peek().is_some_and(|&&s| u64::from(s) < number) {
                syncs_left.next();
            }
            let sync =
                syncs.is_none() || syncs_left.peek().is_some_and(|&&s| u64::from(s) == number);
            self.samples.push(Sample {
                offset,
                size,
                time: time.saturating_add(shifts.next().unwrap_or(0)),
                sync,
            });
            let Some(duration) = durations.next() else {
                return Err(format!(
                    "the index gives times for {index} of {count} frames"
                ));
            };
            time = time.saturating_add(duration);
        }
        self.decode_time = time;
        Ok(())
    }

    /// Adds the samples of a fragment: the body of a `moof` that starts at byte `start`.
    pub(super) fn fragment(&mut self, moof: &[u8], start: u64, length: u64) -> Result<(), String> {
        let mut data_end = start;
        for part in items(moof).filter(|i| &i.kind == b"traf") {
            let Some(head) = items(part.body).find(|i| &i.kind == b"tfhd") else {
                continue;
            };
            let head: Tfhd = atom(head.body)?;
            let base = head
                .base_data_offset
                .unwrap_or(if head.default_base_is_moof {
                    start
                } else {
                    data_end
                });
            let ours = head.track_id == self.id;
            if ours && let Some(time) = items(part.body).find(|i| &i.kind == b"tfdt") {
                self.decode_time = i64::try_from(atom::<Tfdt>(time.body)?.base_media_decode_time)
                    .map_err(|_| "a time is impossible")?;
            }
            let mut place = base;
            for run in items(part.body).filter(|i| &i.kind == b"trun") {
                let run: Trun = atom(run.body)?;
                if let Some(offset) = run.data_offset {
                    place = base
                        .checked_add_signed(i64::from(offset))
                        .ok_or("a place lies before the file")?;
                }
                self.named = self.named.saturating_add(run.samples.len() as u64);
                if (self.samples.len() + run.samples.len()) as u64 > most_samples(length)
                    || self.named > length
                {
                    return Err("its fragments name more frames than the file can hold".to_owned());
                }
                for entry in &run.samples {
                    let size = entry
                        .size
                        .or(head.default_sample_size)
                        .unwrap_or(self.defaults.default_sample_size);
                    let duration = entry
                        .duration
                        .or(head.default_sample_duration)
                        .unwrap_or(self.defaults.default_sample_duration);
                    let flags = entry
                        .flags
                        .or(head.default_sample_flags)
                        .unwrap_or(self.defaults.default_sample_flags);
                    if ours {
                        let time = self.decode_time.saturating_add(entry.cts.unwrap_or(0));
                        // Bit 16 of the flags: the sample is no sync sample (8.8.3.1).
                        self.samples.push(Sample {
                            offset: place,
                            size,
                            time,
                            sync: flags >> 16 & 1 == 0,
                        });
                        self.decode_time = self.decode_time.saturating_add(i64::from(duration));
                    }
                    place = place.saturating_add(u64::from(size));
                }
            }
            data_end = place;
        }
        Ok(())
    }
}

/// No coded frame is smaller than a few bytes, so this many fit at most.
fn most_samples(length: u64) -> u64 {
    (length / 4 + 16).min(1 << 26)
}

fn word(data: &[u8], at: usize) -> u32 {
    data.get(at..at + 4)
        .and_then(|s| s.try_into().ok())
        .map_or(0, u32::from_be_bytes)
}

/// Walks the samples of the chunks (8.7.4).
struct Places<'a> {
    chunks: &'a [u64],
    runs: &'a [mp4_atom::StscEntry],
    run: usize,
    chunk: usize,
    left: u32,
    at: u64,
}

impl<'a> Places<'a> {
    fn new(chunks: &'a [u64], runs: &'a [mp4_atom::StscEntry]) -> Self {
        Self {
            chunks,
            runs,
            run: 0,
            chunk: 0,
            left: 0,
            at: 0,
        }
    }

    fn next(&mut self, size: u32) -> Option<u64> {
        while self.left == 0 {
            let at = *self.chunks.get(self.chunk)?;
            while self
                .runs
                .get(self.run + 1)
                .is_some_and(|r| r.first_chunk as usize <= self.chunk + 1)
            {
                self.run += 1;
            }
            self.left = self.runs.get(self.run)?.samples_per_chunk;
            self.at = at;
            self.chunk += 1;
        }
        self.left -= 1;
        let here = self.at;
        self.at = self.at.checked_add(u64::from(size))?;
        Some(here)
    }
}

/// `avcC` (ISO/IEC 14496-15, 5.3.3.1).
fn avc_sets(body: &[u8]) -> Option<Coding> {
    let length = usize::from(body.get(4)? & 3) + 1;
    let mut sets = Vec::new();
    let mut rest = body.get(5..)?;
    for mask in [31, 255] {
        let (&count, mut tail) = rest.split_first()?;
        for _ in 0..count & mask {
            let size = usize::from(*tail.first()?) << 8 | usize::from(*tail.get(1)?);
            sets.push(tail.get(2..2 + size)?.to_vec());
            tail = tail.get(2 + size..)?;
        }
        rest = tail;
    }
    (length != 3).then_some(Coding::H264(sets, length))
}

/// `hvcC` (ISO/IEC 14496-15, 8.3.3.1).
fn hevc_sets(body: &[u8]) -> Option<Coding> {
    let length = usize::from(body.get(21)? & 3) + 1;
    let arrays = *body.get(22)?;
    let mut rest = body.get(23..)?;
    let mut sets = Vec::new();
    for _ in 0..arrays {
        let count = usize::from(*rest.get(1)?) << 8 | usize::from(*rest.get(2)?);
        rest = rest.get(3..)?;
        for _ in 0..count {
            let size = usize::from(*rest.first()?) << 8 | usize::from(*rest.get(1)?);
            sets.push(rest.get(2..2 + size)?.to_vec());
            rest = rest.get(2 + size..)?;
        }
    }
    (length != 3).then_some(Coding::Hevc(sets, length))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use mp4_atom::StscEntry;

    #[test]
    fn boxes_of_every_size_form() {
        let mut data = vec![0, 0, 0, 9, b'a', b'a', b'a', b'a', 7];
        data.extend([
            0, 0, 0, 1, b'b', b'b', b'b', b'b', 0, 0, 0, 0, 0, 0, 0, 18, 1, 2,
        ]);
        data.extend([0, 0, 0, 0, b'c', b'c', b'c', b'c', 3, 4, 5]);
        let got: Vec<_> = items(&data).map(|i| (i.kind[0], i.body.to_vec())).collect();
        assert_eq!(
            got,
            [(b'a', vec![7]), (b'b', vec![1, 2]), (b'c', vec![3, 4, 5])]
        );
        assert_eq!(items(&[0, 0, 0, 4, b'a', b'a', b'a', b'a']).count(), 0);
        assert_eq!(items(&[0, 0, 0, 99, b'a', b'a', b'a', b'a']).count(), 0);
    }

    /// Fragments of another track that name four thousand million samples each, in a small file.
    #[test]
    fn fragments_that_name_too_much() {
        let boxed = |kind: &[u8; 4], body: &[u8]| {
            let size = u32::try_from(body.len() + 8).unwrap().to_be_bytes();
            [&size[..], kind, body].concat()
        };
        // Track 2, no defaults; a run of u32::MAX samples with nothing said of each.
        let head = boxed(b"tfhd", &[0, 0, 0, 0, 0, 0, 0, 2]);
        let run = boxed(b"trun", &[0, 0, 0, 0, 255, 255, 255, 255]);
        let moof = boxed(b"traf", &[head, run].concat());
        let mut track = Track {
            id: 1,
            ..Track::default()
        };
        let error = track.fragment(&moof, 0, 10_000).unwrap_err();
        assert!(
            error.contains("more frames than the file can hold"),
            "{error}"
        );
        assert!(track.samples.is_empty());
        // Many runs that each stay below the limit are stopped by their sum.
        let run = boxed(b"trun", &[0, 0, 0, 0, 0, 0, 8, 0]);
        let moof = boxed(
            b"traf",
            &[boxed(b"tfhd", &[0, 0, 0, 0, 0, 0, 0, 2]), run.repeat(5)].concat(),
        );
        track.named = 0;
        assert!(track.fragment(&moof, 0, 10_000).is_err());
    }

    #[test]
    fn places_in_chunks() {
        let run = |first_chunk, samples_per_chunk| StscEntry {
            first_chunk,
            samples_per_chunk,
            sample_description_index: 1,
        };
        let runs = [run(1, 2), run(3, 1)];
        let mut places = Places::new(&[100, 200, 300, 400], &runs);
        let got: Vec<_> = [5, 6, 7, 8, 9, 10, 11]
            .iter()
            .map(|&s| places.next(s))
            .collect();
        assert_eq!(
            got,
            [
                Some(100),
                Some(105),
                Some(200),
                Some(207),
                Some(300),
                Some(400),
                None
            ]
        );
    }
}
