//! Clips made and read by another decoder: order, count, times and luma must agree, sample by sample.
//!
//! The references in `tests/fixtures/video` are ffmpeg's and ffprobe's (see `make.sh` there).

#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::path::{Path, PathBuf};
use std::sync::mpsc::channel;
use std::time::Duration;

use proptest::prelude::*;

use super::*;

const OWN: OpenOptions = OpenOptions {
    fps: None,
    without_ffmpeg: true,
    camera: CameraWish::NONE,
    certificate: None,
};

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/fixtures/video")
        .join(name)
}

fn open_own(path: &Path) -> Result<Box<dyn FrameSource>, CaptureError> {
    open(&Source::Path(path.to_owned()), &OWN)
}

/// CRC-32 of IEEE 802.3, bit by bit.
fn crc32(data: &[u8]) -> u32 {
    !data.iter().fold(u32::MAX, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |c, _| {
            if c & 1 == 1 {
                c >> 1 ^ 0xedb8_8320
            } else {
                c >> 1
            }
        })
    })
}

fn plane(frame: &Frame, wide: bool) -> Vec<u8> {
    if wide {
        frame.levels.iter().flat_map(|l| l.to_le_bytes()).collect()
    } else {
        frame
            .levels
            .iter()
            .map(|&l| u8::try_from(l).unwrap())
            .collect()
    }
}

struct Seen {
    frames: Vec<(f64, String, u64)>,
    lost: u64,
    error: Option<String>,
    range: (u16, u16),
}

fn watch(mut source: Box<dyn FrameSource>, wide: bool) -> Seen {
    let mut frame = Frame::empty();
    let mut seen = Seen {
        frames: Vec::new(),
        lost: 0,
        error: None,
        range: (0, 0),
    };
    loop {
        match source.next_into(&mut frame) {
            Ok(Next::Frame) => {
                assert_eq!(
                    (frame.width(), frame.height()),
                    (source.info().width, source.info().height)
                );
                seen.range = (frame.black, frame.full_scale);
                seen.frames.push((
                    frame.time_s,
                    format!("{:08x}", crc32(&plane(&frame, wide))),
                    frame.number,
                ));
            }
            Ok(Next::Lost { frames, why }) => {
                assert!(!why.is_empty());
                seen.lost += frames;
            }
            Ok(Next::End) => return seen,
            Ok(live) => panic!("{live:?} of recorded footage"),
            Err(error) => {
                seen.error = Some(error.to_string());
                assert_eq!(
                    source.next_into(&mut frame).unwrap(),
                    Next::End,
                    "after a failure comes the end"
                );
                return seen;
            }
        }
    }
}

fn reference(name: &str) -> Vec<(f64, String)> {
    let text = std::fs::read_to_string(fixture(&format!("{name}.frames.csv"))).unwrap();
    text.lines()
        .map(|l| {
            let (time, hash) = l.split_once(',').unwrap();
            (time.parse().unwrap(), hash.to_owned())
        })
        .collect()
}

/// ffprobe prints microseconds, so two roundings of half of one.
const TIME_TOLERANCE_S: f64 = 1.1e-6;

#[test]
fn checksum_is_the_standard_one() {
    // The check value of CRC-32 for "123456789" (from memory).
    assert_eq!(crc32(b"123456789"), 0xcbf4_3926);
}

#[test]
fn fixtures_agree_with_the_reference() {
    let limited = (16, 235);
    for (name, kind, range) in [
        ("b-frames.mp4", "(MP4, H.264)", limited),
        ("variable-rate.mp4", "(MP4, H.264)", limited),
        ("edit-list.mp4", "(MP4, H.264)", limited),
        ("turned-90.mp4", "(MP4, H.264)", limited),
        ("turned-180.mp4", "(MP4, H.264)", limited),
        ("turned-270.mp4", "(MP4, H.264)", limited),
        ("full-range.mov", "(MP4, H.264)", (0, 255)),
        ("odd-size.mp4", "(MP4, H.264)", limited),
        ("fragmented.mp4", "(MP4, H.264)", limited),
        ("fragmented-plain.mp4", "(MP4, H.264)", limited),
        ("with-sound.mp4", "(MP4, H.264)", limited),
        ("hevc.mp4", "(MP4, HEVC)", limited),
        ("hevc-10.mov", "(MP4, HEVC)", (64, 940)),
        ("ten-bits.mp4", "(MP4, H.264)", (64, 940)),
        ("chroma-422.mp4", "(MP4, H.264)", limited),
        ("interlaced.mp4", "(MP4, H.264, interlaced)", limited),
        ("open-groups.mp4", "(MP4, H.264)", limited),
        ("open-groups-cut.mp4", "(MP4, H.264)", limited),
        ("hevc-open-groups.mp4", "(MP4, HEVC)", limited),
        ("hevc-open-groups-cut.mp4", "(MP4, HEVC)", limited),
        ("grey.mp4", "(MP4, H.264)", (0, 255)),
    ] {
        let source = open_own(&fixture(name)).unwrap_or_else(|e| panic!("{e}"));
        assert!(
            source.info().description.ends_with(kind),
            "{}",
            source.info().description
        );
        let announced = source.info().frames;
        let seen = watch(source, range.1 > 255);
        let expected = reference(name);
        assert_eq!((seen.lost, &seen.error), (0, &None), "{name}");
        assert_eq!(seen.frames.len(), expected.len(), "{name}: count");
        assert_eq!(announced, Some(expected.len() as u64), "{name}: announced");
        assert_eq!(seen.range, range, "{name}: range");
        for (n, ((time, hash, number), (time_r, hash_r))) in
            seen.frames.iter().zip(&expected).enumerate()
        {
            assert!(
                (time - time_r).abs() < TIME_TOLERANCE_S,
                "{name}: frame {n} at {time} s, not {time_r} s"
            );
            assert_eq!(hash, hash_r, "{name}: luma of frame {n}");
            assert_eq!(*number, n as u64);
        }
    }
}

/// Two decoders may round the cosine transform differently by one level, in few pixels.
#[test]
fn motion_jpeg_agrees_with_the_reference() {
    let mut source = open_own(&fixture("motion.avi")).unwrap();
    assert_eq!((source.info().frames, source.info().width), (Some(6), 64));
    let planes = std::fs::read(fixture("motion.avi.luma")).unwrap();
    let mut frame = Frame::empty();
    for (plane, (time_s, _)) in planes.chunks_exact(64 * 48).zip(reference("motion.avi")) {
        assert_eq!(source.next_into(&mut frame).unwrap(), Next::Frame);
        assert!((frame.time_s - time_s).abs() < TIME_TOLERANCE_S);
        let worst = frame
            .levels
            .iter()
            .zip(plane)
            .map(|(&a, &b)| a.abs_diff(u16::from(b)))
            .max()
            .unwrap();
        let unequal = frame
            .levels
            .iter()
            .zip(plane)
            .filter(|&(&a, &b)| a != u16::from(b))
            .count();
        assert!(
            worst <= 1 && unequal < 64 * 48 / 20,
            "worst {worst}, {unequal} unequal"
        );
    }
    assert_eq!(source.next_into(&mut frame).unwrap(), Next::End);
}

#[test]
fn other_codings_need_ffmpeg_and_agree() {
    let error = open_own(&fixture("other.mkv")).err().unwrap().to_string();
    assert!(
        error.contains("install ffmpeg") && error.contains("convert"),
        "{error}"
    );
    if ffmpeg::program().is_none() {
        return;
    }
    let source = open(&Source::Path(fixture("other.mkv")), &OpenOptions::default()).unwrap();
    let seen = watch(source, false);
    let expected = reference("other.mkv");
    assert_eq!(
        (seen.frames.len(), seen.error, seen.range),
        (expected.len(), None, (16, 235))
    );
    for ((time, hash, _), (time_r, hash_r)) in seen.frames.iter().zip(&expected) {
        assert!((time - time_r).abs() < TIME_TOLERANCE_S && hash == hash_r);
    }
}

#[test]
fn a_cut_file_gives_what_is_whole_and_says_so() {
    let whole = reference("with-sound.mp4");
    let seen = watch(open_own(&fixture("truncated.mp4")).unwrap(), false);
    assert!(
        seen.error
            .as_ref()
            .is_some_and(|e| e.contains("cut short at byte")),
        "{:?}",
        seen.error
    );
    assert!(
        seen.frames.len() > 2 && seen.frames.len() < whole.len(),
        "{}",
        seen.frames.len()
    );
    // The cut lies behind a P-frame whose B-frames, shown before it, are missing: its number tells.
    assert!(seen.lost > 0);
    for (time, hash, number) in &seen.frames {
        let (time_r, hash_r) = &whole[usize::try_from(*number).unwrap()];
        assert!((time - time_r).abs() < TIME_TOLERANCE_S && hash == hash_r);
    }
    let last = seen.frames.last().unwrap().2;
    assert_eq!(seen.frames.len() as u64 + seen.lost, last + 1);
    let dir = tempfile::tempdir().unwrap();
    let cut = dir.path().join("cut");
    let bytes = std::fs::read(fixture("b-frames.mp4")).unwrap();
    std::fs::write(&cut, &bytes[..bytes.len() / 2]).unwrap();
    let error = open_own(&cut).err().unwrap().to_string();
    assert!(
        error.contains("was not closed") && error.contains("record it again"),
        "{error}"
    );
    for name in ["b-frames.mp4", "motion.avi"] {
        let bytes = std::fs::read(fixture(name)).unwrap();
        std::fs::write(&cut, &bytes[..bytes.len() / 2]).unwrap();
        let error = match open_own(&cut) {
            Err(e) => e.to_string(),
            Ok(source) => watch(source, false).error.unwrap(),
        };
        assert!(error.contains("cut short at byte"), "{name}: {error}");
    }
}

#[test]
fn refusals_are_sentences() {
    let error = |source: &Source| open(source, &OWN).err().unwrap().to_string();
    assert!(error(&Source::Path(fixture("hdr.mp4"))).contains("high dynamic range (PQ)"));
    // With cameras, it would ask this program, which is the test, for its camera process.
    if !cfg!(any(feature = "webcam", not(target_os = "linux"))) {
        let said = error(&Source::parse("camera:0"));
        assert!(said.contains("camera:0 cannot be opened because this build"));
        assert!(said.contains("--features webcam"));
    }
    assert!(error(&Source::parse("https://bench/stream")).contains("https://"));
    let wrong = open(
        &Source::parse("."),
        &OpenOptions {
            fps: Some(-1.0),
            ..OWN
        },
    )
    .err()
    .unwrap()
    .to_string();
    assert!(wrong.contains("give --fps a positive number"), "{wrong}");
}

/// An AVI as careless recorders leave it: sizes never filled in, junk between the frames, no index.
#[test]
fn a_careless_avi() {
    let bytes = std::fs::read(fixture("motion.avi")).unwrap();
    let movi = bytes.windows(4).position(|w| w == b"movi").unwrap();
    let index = bytes.windows(4).position(|w| w == b"idx1").unwrap();
    let mut frames = Vec::new();
    let mut at = movi + 4;
    while at + 8 <= index {
        let size = u32::from_le_bytes(bytes[at + 4..at + 8].try_into().unwrap()) as usize;
        let end = at + 8 + size + size % 2;
        frames.push(bytes[at..end].to_vec());
        at = end;
    }
    let mut out = bytes[..movi + 4].to_vec();
    out[4..8].fill(0);
    out[movi - 4..movi].fill(0);
    for (n, frame) in frames.iter().enumerate() {
        if n == 2 {
            out.extend(b"00dc\0\0\0\0");
        }
        out.extend(b"JUNK\x03\0\0\0abc\0");
        out.extend(b"01wb\x02\0\0\0xy");
        out.extend(frame);
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("careless.avi");
    std::fs::write(&path, out).unwrap();
    let seen = watch(open_own(&path).unwrap(), false);
    let numbers: Vec<u64> = seen.frames.iter().map(|f| f.2).collect();
    assert_eq!(
        (numbers, seen.lost, seen.error),
        (vec![0, 1, 3, 4, 5, 6], 1, None)
    );
    assert!(
        (seen.frames[2].0 - 0.12).abs() < 1e-12,
        "the time goes on through the loss"
    );
}

/// Parameter sets in the frames alone: range and size must come from there.
#[test]
fn parameter_sets_in_the_frames() {
    let mut bytes = std::fs::read(fixture("in-band.mp4")).unwrap();
    let header = bytes.windows(4).position(|w| w == b"avcC").unwrap() + 4;
    // No sequence sets; the high byte of a length, 0, then counts the picture sets.
    bytes[header + 5] &= 0xe0;
    assert_eq!(bytes[header + 6], 0);
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("in-band.mp4");
    std::fs::write(&path, &bytes).unwrap();
    let expected = reference("in-band.mp4");
    for path in [path, fixture("in-band.mp4")] {
        let seen = watch(open_own(&path).unwrap(), false);
        assert_eq!((seen.lost, &seen.error, seen.range), (0, &None, (16, 235)));
        assert_eq!(seen.frames.len(), expected.len());
        assert!(seen.frames.iter().zip(&expected).all(|(s, r)| s.1 == r.1));
    }
}

/// Range, transfer and times long after the start as the container of another kind says them.
#[test]
fn ffmpeg_tells_range_transfer_and_exact_times() {
    if ffmpeg::program().is_none() {
        return;
    }
    let through = |name: &str| ffmpeg::Ffmpeg::open(&fixture(name));
    let seen = watch(Box::new(through("late-full-range.mkv").unwrap()), false);
    let expected = reference("late-full-range.mkv");
    assert_eq!((seen.error, seen.range), (None, (0, 255)));
    assert_eq!(seen.frames.len(), expected.len());
    for ((time, hash, _), (time_r, hash_r)) in seen.frames.iter().zip(&expected) {
        assert!((time - time_r).abs() < TIME_TOLERANCE_S, "{time} {time_r}");
        assert_eq!(hash, hash_r);
    }
    let seen = watch(Box::new(through("hdr.mkv").unwrap()), true);
    let error = seen.error.unwrap();
    assert!(error.contains("high dynamic range"), "{error}");
}

/// A frame whose framing is damaged is lost with all that lean on it; whatever is shown is right.
///
/// Damage inside the coded levels is another matter: the entropy code of H.264 has next to no
/// redundancy, and no decoder notices all of it.
#[test]
fn damage_in_the_frames_is_a_gap() {
    let bytes = std::fs::read(fixture("b-frames.mp4")).unwrap();
    let start = bytes.windows(4).position(|w| w == b"moov").unwrap() + 4;
    let movie = sample_table::Movie::parse(&bytes[start..], bytes.len() as u64).unwrap();
    let samples = movie.track.unwrap().samples;
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("hurt.mp4");
    let whole = reference("b-frames.mp4");
    assert_eq!(samples.len(), whole.len());
    assert!(
        !samples.is_sorted_by_key(|s| s.time),
        "the clip has no frames to reorder"
    );
    let mut most_lost = 0;
    for sample in &samples {
        let at = sample.offset as usize;
        let mut hurt = bytes.clone();
        hurt[at..at + 4].copy_from_slice(&[0xff, 0x55, 0xaa, 0x0f]);
        std::fs::write(&path, &hurt).unwrap();
        let seen = watch(open_own(&path).unwrap(), false);
        assert!(seen.lost >= 1, "the damage at byte {at} was passed over");
        assert_eq!(seen.frames.len() as u64 + seen.lost, whole.len() as u64);
        for (time, hash, number) in &seen.frames {
            let (time_r, hash_r) = &whole[usize::try_from(*number).unwrap()];
            assert!(
                hash == hash_r && (time - time_r).abs() < TIME_TOLERANCE_S,
                "frame {number} is wrong, damage at byte {at}"
            );
        }
        most_lost = most_lost.max(seen.lost);
    }
    // Two groups of 12 frames: a damaged key frame costs its group and the frames that lean over to it.
    assert!(
        (11..=16).contains(&most_lost),
        "{most_lost} frames lost at worst"
    );
}

/// Bytes of the coded frames changed. A decoder can't notice all such damage: of this clip's small frames
/// it notices 3 in 59, of frames of 1280 x 720 it noticed 12 in 16. What is promised: every frame is shown or told as lost, a length that does not fit is
/// always noticed, and the damage ends at the next key frame (12 frames apart here) on both sides.
#[test]
fn damage_in_the_frames_stays_in_its_group() {
    const GROUP: usize = 12;
    let bytes = std::fs::read(fixture("b-frames.mp4")).unwrap();
    let start = bytes.windows(4).position(|w| w == b"mdat").unwrap() + 4;
    let end = bytes.windows(4).position(|w| w == b"moov").unwrap() - 4;
    // Lengths of the NAL units in order; the text of the encoder's settings comes first.
    let mut lengths = Vec::new();
    let mut at = start;
    while at + 4 < end {
        lengths.push(at);
        at += 4 + u32::from_be_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
    }
    assert_eq!(at, end, "the frames lie side by side");
    let disposable = lengths.iter().filter(|&&at| bytes[at + 4] == 1).count();
    assert!(disposable > 4, "the clip has B-frames");
    let second_group = *lengths[1..]
        .iter()
        .filter(|&&at| bytes[at + 4] & 31 == 5)
        .nth(1)
        .unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("hurt.mp4");
    let whole = reference("b-frames.mp4");
    let (mut gaps, mut total) = (0, 0);
    let inside = (lengths[1] + 12..end - 4).step_by(((end - start) / 60).max(1));
    let places = inside.map(|at| (at, false));
    for (at, is_length) in places.chain(lengths[1..].iter().map(|&at| (at, true))) {
        let mut hurt = bytes.clone();
        hurt[at..at + 4].copy_from_slice(&[0xff, 0x55, 0xaa, 0x0f]);
        std::fs::write(&path, &hurt).unwrap();
        let seen = watch(open_own(&path).unwrap(), false);
        assert_eq!(seen.error, None);
        assert_eq!(seen.frames.len() as u64 + seen.lost, whole.len() as u64);
        let hurt_groups = match at {
            at if at + 4 <= second_group => 0..GROUP,
            at if at < second_group => 0..whole.len(),
            _ => GROUP..whole.len(),
        };
        let mut unhurt = 0;
        for (_, hash, number) in &seen.frames {
            let n = usize::try_from(*number).unwrap();
            if !hurt_groups.contains(&n) {
                assert_eq!(*hash, whole[n].1, "frame {n}, byte {at} changed");
                unhurt += 1;
            }
        }
        assert_eq!(unhurt, whole.len() - hurt_groups.len(), "byte {at}");
        assert!(!is_length || seen.lost > 0, "length at {at}");
        if !is_length {
            gaps += u64::from(seen.lost > 0);
            total += 1;
        }
    }
    // Most damage within the coded levels escapes the decoders; some is told.
    assert!(gaps > 0, "{gaps} of {total} damaged clips had gaps");
}

/// Runs in a thread so that a hang is seen.
fn ends(path: &Path) -> Result<(), &'static str> {
    let (give, take) = channel();
    let path = path.to_owned();
    std::thread::spawn(move || {
        let mut said = true;
        match open_own(&path) {
            Err(e) => said = e.to_string().len() > 20,
            Ok(mut source) => {
                let mut frame = Frame::empty();
                loop {
                    match source.next_into(&mut frame) {
                        Ok(Next::End) => break,
                        Ok(_) => {}
                        Err(e) => {
                            said = e.to_string().len() > 20;
                            break;
                        }
                    }
                }
            }
        }
        let _ = give.send(said);
    });
    match take.recv_timeout(Duration::from_secs(10)) {
        Ok(true) => Ok(()),
        Ok(false) => Err("it says nothing"),
        Err(std::sync::mpsc::RecvTimeoutError::Timeout) => Err("it hangs"),
        Err(_) => Err("it panicked"),
    }
}

/// Peak memory of the process so far, MB; `None` where the system does not tell.
fn peak_mb() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
    Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? / 1024)
}

const DAMAGED: [&str; 11] = [
    "open-groups-cut.mp4",
    "hevc-open-groups-cut.mp4",
    "b-frames.mp4",
    "edit-list.mp4",
    "fragmented.mp4",
    "with-sound.mp4",
    "hevc.mp4",
    "ten-bits.mp4",
    "interlaced.mp4",
    "motion.avi",
    "variable-rate.mp4",
];

#[test]
fn damaged_files_end_in_a_sentence() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("hurt");
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut random = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state
    };
    for name in DAMAGED {
        let bytes = std::fs::read(fixture(name)).unwrap();
        let below = |r: u64, n: usize| (r % n.max(1) as u64) as usize;
        for round in 0..60 {
            let mut hurt = bytes.clone();
            match round % 4 {
                0 => hurt.truncate(below(random(), bytes.len())),
                1 => {
                    // In the index and the headings, where sizes and counts lie.
                    let anchors: [&[u8]; 6] =
                        [b"moov", b"stbl", b"moof", b"hdrl", b"trun", b"stsz"];
                    let near = anchors
                        .iter()
                        .cycle()
                        .skip(round)
                        .take(6)
                        .find_map(|a| bytes.windows(4).position(|w| w == *a))
                        .unwrap_or(0);
                    for _ in 0..3 {
                        let at = (near + below(random(), 400)).min(bytes.len() - 1);
                        hurt[at] = [0, 255, random() as u8, 1][below(random(), 4)];
                    }
                }
                2 => {
                    for _ in 0..8 {
                        let at = below(random(), bytes.len());
                        hurt[at] ^= 1 << (random() % 8);
                    }
                }
                _ => {
                    let at = below(random(), bytes.len());
                    let end = (at + 4).min(bytes.len());
                    hurt[at..end].fill([0, 255][below(random(), 2)]);
                }
            }
            std::fs::write(&path, &hurt).unwrap();
            if let Err(what) = ends(&path) {
                let kept = std::env::temp_dir().join(format!("hurt-{round}-{name}"));
                std::fs::write(&kept, &hurt).unwrap();
                panic!("{name}, round {round}: {what}; kept as {}", kept.display());
            }
        }
    }
    if let Some(mb) = peak_mb() {
        assert!(mb < 1500, "peak memory {mb} MB");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Every byte of the index set to every kind of value ends in a result.
    #[test]
    fn any_byte_of_an_index(at in 0.0_f64..1.0, value in any::<u8>()) {
        let mut bytes = std::fs::read(fixture("b-frames.mp4")).unwrap();
        let moov = bytes.windows(4).position(|w| w == b"moov").unwrap();
        let at = moov + ((bytes.len() - moov - 1) as f64 * at) as usize;
        bytes[at] = value;
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("hurt.mp4");
        std::fs::write(&path, &bytes).unwrap();
        prop_assert_eq!(ends(&path), Ok(()));
    }
}
