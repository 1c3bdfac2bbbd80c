//! Cuts a stream into its JPEG pictures by their own markers (ITU-T T.81, annex B), and reads the words between them.
//!
//! Boundaries and lengths of the multipart form (RFC 2046) are written in every odd way; the pictures' own structure is not, so it alone
//! decides where a picture ends. A picture that stops within itself ends where the next one starts, and is handed over as it is: a strict decoder refuses it.

use std::time::Duration;

/// Longest picture that is believed.
const LONGEST_PICTURE: usize = 24 << 20;
/// Bytes between two pictures that are kept for their words.
const LONGEST_WORDS: usize = 2048;

/// Where in a picture the next byte stands.
#[derive(Clone, Copy, Debug, PartialEq)]
enum State {
    /// Between pictures; so many bytes of the start marks were seen.
    Between(u8),
    /// A marker is due.
    Marker,
    /// Behind 0xff of a marker.
    Kind,
    /// First byte of a segment's length, with its marker.
    LengthHigh(u8),
    /// Second byte.
    LengthLow(u8, u8),
    /// Within a segment, so many bytes more; with its marker.
    Segment(u8, u16),
    /// Within the coded samples.
    Samples,
    /// Behind 0xff within the coded samples.
    SamplesMark,
}

/// What a byte completed.
#[derive(Debug, PartialEq)]
pub(super) enum Cut {
    /// A whole picture, or one that broke off where another starts.
    Picture(Vec<u8>),
    /// A picture that grew beyond all measure.
    TooLong,
}

/// Whoever takes what was cut, with its stamp, and gives an empty buffer for it.
pub(super) type Found<'a> = dyn FnMut(Cut, Option<Duration>) -> Vec<u8> + 'a;

/// Cuts a stream; holds one picture at most.
pub(super) struct Splitter {
    state: State,
    picture: Vec<u8>,
    words: Vec<u8>,
}

impl Splitter {
    pub(super) fn new() -> Self {
        Self {
            state: State::Between(0),
            picture: Vec::new(),
            words: Vec::new(),
        }
    }

    /// Takes the next bytes and gives each picture that they complete to `found`, with the stamp that the words before it held;
    /// `found` gives a buffer for the next one.
    pub(super) fn take(&mut self, bytes: &[u8], found: &mut Found<'_>) {
        let mut rest = bytes;
        while let Some((&byte, behind)) = rest.split_first() {
            // Nearly all of a picture is coded samples: they are taken in one piece, up to the next mark.
            if self.state == State::Samples && byte != 0xff {
                let mark = rest.iter().position(|&b| b == 0xff).unwrap_or(rest.len());
                let (samples, from_mark) = rest.split_at(mark);
                rest = from_mark;
                if self.picture.len() + samples.len() > LONGEST_PICTURE {
                    self.restart();
                    self.picture = found(Cut::TooLong, None);
                } else {
                    self.picture.extend_from_slice(samples);
                }
                continue;
            }
            rest = behind;
            if !matches!(self.state, State::Between(_)) {
                self.picture.push(byte);
                if self.picture.len() > LONGEST_PICTURE {
                    self.restart();
                    self.picture = found(Cut::TooLong, None);
                    continue;
                }
            }
            self.state = match (self.state, byte) {
                (State::Between(0), 0xff) => State::Between(1),
                (State::Between(1), 0xd8) => State::Between(2),
                (State::Between(1), 0xff) => State::Between(1),
                (State::Between(2), 0xff) => {
                    self.picture.clear();
                    self.picture.extend_from_slice(&[0xff, 0xd8, 0xff]);
                    State::Kind
                }
                (State::Between(_), byte) => {
                    if self.words.len() >= LONGEST_WORDS {
                        self.words.drain(..LONGEST_WORDS / 2);
                    }
                    self.words.push(byte);
                    State::Between(0)
                }
                (State::Marker, 0xff) | (State::Kind, 0xff) => State::Kind,
                // A segment ended where no marker is: the picture is broken, the next one is waited for.
                (State::Marker, _) => {
                    self.finish(found);
                    State::Between(0)
                }
                (State::Kind, 0xd9) => {
                    self.finish(found);
                    State::Between(0)
                }
                // The start of another picture within this one.
                (State::Kind | State::SamplesMark, 0xd8) => {
                    let kept = self.picture.len().saturating_sub(2);
                    self.picture.truncate(kept);
                    self.finish(found);
                    self.picture.extend_from_slice(&[0xff, 0xd8]);
                    State::Marker
                }
                (State::Kind, 0x01 | 0xd0..=0xd7) => State::Marker,
                (State::Kind, kind) => State::LengthHigh(kind),
                (State::LengthHigh(kind), high) => State::LengthLow(kind, high),
                (State::LengthLow(kind, high), low) => {
                    match u16::from_be_bytes([high, low]).saturating_sub(2) {
                        0 => behind_segment(kind),
                        left => State::Segment(kind, left),
                    }
                }
                (State::Segment(kind, 1), _) => behind_segment(kind),
                (State::Segment(kind, left), _) => State::Segment(kind, left - 1),
                (State::Samples, 0xff) | (State::SamplesMark, 0xff) => State::SamplesMark,
                (State::Samples, _) | (State::SamplesMark, 0 | 0xd0..=0xd7) => State::Samples,
                (State::SamplesMark, 0xd9) => {
                    self.finish(found);
                    State::Between(0)
                }
                (State::SamplesMark, kind) => State::LengthHigh(kind),
            };
        }
    }

    /// Bytes of a picture that is not whole yet.
    pub(super) fn pending(&self) -> usize {
        if matches!(self.state, State::Between(_)) {
            0
        } else {
            self.picture.len()
        }
    }

    /// Whether the words at the end close the multipart form: a boundary with two hyphens behind it.
    pub(super) fn closed(&self) -> bool {
        let words = String::from_utf8_lossy(&self.words);
        let last = words.trim_end().lines().last().unwrap_or_default();
        self.pending() == 0 && last.starts_with("--") && last.len() > 4 && last.ends_with("--")
    }

    fn finish(&mut self, found: &mut Found<'_>) {
        let stamp = stamp(&self.words);
        let picture = std::mem::take(&mut self.picture);
        self.words.clear();
        self.picture = found(Cut::Picture(picture), stamp);
    }

    fn restart(&mut self) {
        self.picture = Vec::new();
        self.words.clear();
        self.state = State::Between(0);
    }
}

fn behind_segment(kind: u8) -> State {
    // SOS: the samples follow.
    if kind == 0xda {
        State::Samples
    } else {
        State::Marker
    }
}

/// The time in `X-Timestamp: SECONDS` (common practice, no source) among the words before a picture.
fn stamp(words: &[u8]) -> Option<Duration> {
    let words = String::from_utf8_lossy(words);
    words.lines().find_map(|line| {
        let (name, value) = line.split_once(':')?;
        if !name.trim().eq_ignore_ascii_case("x-timestamp") {
            return None;
        }
        let seconds: f64 = value.trim().parse().ok()?;
        (seconds > 0.0)
            .then(|| Duration::try_from_secs_f64(seconds).ok())
            .flatten()
    })
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::*;
    use image::codecs::jpeg::JpegEncoder;

    fn jpeg(level: u8) -> Vec<u8> {
        let picture = image::GrayImage::from_fn(32, 16, |x, y| {
            image::Luma([level.wrapping_add((x * 7 + y * 13) as u8)])
        });
        let mut data = Vec::new();
        JpegEncoder::new(&mut data).encode_image(&picture).unwrap();
        data
    }

    fn cut(stream: &[u8], step: usize) -> (Vec<Cut>, Vec<Option<Duration>>, Splitter) {
        let mut splitter = Splitter::new();
        let (mut cuts, mut stamps) = (Vec::new(), Vec::new());
        for part in stream.chunks(step) {
            splitter.take(part, &mut |cut, stamp| {
                cuts.push(cut);
                stamps.push(stamp);
                Vec::new()
            });
        }
        (cuts, stamps, splitter)
    }

    #[test]
    fn pictures_are_cut_whatever_stands_between_and_however_they_come() {
        let (a, b) = (jpeg(0), jpeg(99));
        let mut stream = b"--x\r\nContent-Length: 9\r\nX-Timestamp: 12.25\r\n\r\n".to_vec();
        stream.extend(&a);
        stream.extend(b"\xff\xff\n--other--boundary\nfoo\n\n");
        stream.extend(&b);
        stream.extend(&a);
        stream.extend(b"\r\n--x--\r\n");
        for step in [1, 2, 3, 7, 100, 100_000] {
            let (cuts, stamps, splitter) = cut(&stream, step);
            let whole = [&a, &b, &a].map(|p| Cut::Picture(p.clone()));
            assert_eq!(cuts, whole, "step {step}");
            assert_eq!(stamps, [Some(Duration::from_millis(12_250)), None, None]);
            assert!(splitter.closed());
        }
    }

    #[test]
    fn a_thumbnail_within_a_picture_does_not_end_it() {
        let (inner, outer) = (jpeg(5), jpeg(50));
        let mut data = outer[..2].to_vec();
        data.extend([0xff, 0xe1]);
        data.extend(u16::try_from(inner.len() + 2).unwrap().to_be_bytes());
        data.extend(&inner);
        data.extend(&outer[2..]);
        let (cuts, ..) = cut(&data, 11);
        assert_eq!(cuts, [Cut::Picture(data)]);
    }

    #[test]
    fn a_broken_picture_costs_itself_only() {
        let (a, b) = (jpeg(0), jpeg(99));
        let mut stream = a[..a.len() - 40].to_vec();
        stream.extend(b"\r\n--x\r\n\r\n");
        stream.extend(&b);
        let (cuts, ..) = cut(&stream, 13);
        assert_eq!(cuts.len(), 2, "{cuts:?}");
        assert_eq!(cuts[1], Cut::Picture(b));
    }

    #[test]
    fn endless_pictures_and_endless_words_take_bounded_memory() {
        let mut splitter = Splitter::new();
        let mut too_long = 0;
        splitter.take(&[0xff, 0xd8, 0xff, 0xda, 0, 2], &mut |_, _| Vec::new());
        let part = vec![7_u8; 1 << 20];
        for _ in 0..60 {
            splitter.take(&part, &mut |cut, _| {
                too_long += u32::from(cut == Cut::TooLong);
                Vec::new()
            });
        }
        assert_eq!(too_long, 1);
        assert!(splitter.picture.capacity() + splitter.words.capacity() < LONGEST_PICTURE);
    }
}
