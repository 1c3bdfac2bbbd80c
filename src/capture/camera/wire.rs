//! How the camera's own process speaks to the measuring one: messages of a fixed head and a body, through a pipe.
//!
//! Head, 32 bytes, little-endian: four marks, kind (u8), three zero bytes, length of the body (u32), frames known to be lost before this one
//! (u32), the driver's number of the frame (u64), its time stamp in nanoseconds of a steady clock (u64, 0 where it has none).

#[cfg(any(feature = "webcam", not(target_os = "linux"), test))]
use std::io::Write;
use std::io::{self, Read};

use serde::{Deserialize, Serialize};

use super::pixels::Layout;
use super::{CameraDescription, ControlName};

const MARKS: [u8; 4] = *b"ltCm";
const HEAD: usize = 32;
/// Longest body that is believed: a frame of the largest size that is read, with two bytes a pixel, and as much again.
const LONGEST_BODY: usize = 1 << 28;

/// How a control was locked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Locked {
    pub(super) control: ControlName,
    /// Value asked for; none where it was to stay as it was.
    pub(super) asked: Option<i64>,
    /// Value that the camera had before.
    pub(super) found: Option<i64>,
    /// Value that the camera says it has now.
    pub(super) value: Option<i64>,
    /// Whether the camera leaves it alone now.
    pub(super) locked: bool,
    /// Whether the camera has such a control at all.
    pub(super) there: bool,
}

/// What a camera says when it starts to stream.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Hello {
    pub(super) index: u32,
    pub(super) name: String,
    pub(super) identity: String,
    pub(super) layout: Layout,
    pub(super) locked: Vec<Locked>,
}

/// What came through the pipe.
#[derive(Debug, PartialEq)]
pub(super) enum Message {
    /// The stream starts, or starts anew.
    Hello(Box<Hello>),
    /// All cameras.
    List(Vec<CameraDescription>),
    /// A frame as the driver gave it; the body lies in the buffer given to [`receive`].
    Frame {
        /// Frames that the driver counted since the last and did not give.
        lost_before: u32,
        /// Time stamp, ns; 0 for none.
        stamp_ns: u64,
    },
    /// A frame that is of no use, and why.
    Faulty {
        /// As for a frame.
        lost_before: u32,
        /// The rest of a sentence.
        why: String,
    },
    /// Nothing to tell but that the process is alive.
    Alive,
    /// A short code and a sentence that the user should see; the stream goes on.
    Note(String, String),
    /// The camera is gone for now; why.
    Gone(String),
    /// It is over: one sentence for the user.
    Failed(String),
}

#[cfg(any(feature = "webcam", not(target_os = "linux"), test))]
fn head(kind: u8, body: usize, lost: u32, number: u64, stamp_ns: u64) -> [u8; HEAD] {
    let mut head = [0; HEAD];
    let length = u32::try_from(body).unwrap_or(u32::MAX);
    let parts: [(usize, &[u8]); 6] = [
        (0, &MARKS),
        (4, &[kind]),
        (8, &length.to_le_bytes()),
        (12, &lost.to_le_bytes()),
        (16, &number.to_le_bytes()),
        (24, &stamp_ns.to_le_bytes()),
    ];
    for (at, bytes) in parts {
        for (to, &from) in head.iter_mut().skip(at).zip(bytes) {
            *to = from;
        }
    }
    head
}

/// Sends a frame.
#[cfg(any(feature = "webcam", not(target_os = "linux"), test))]
pub(super) fn send_frame(
    to: &mut dyn Write,
    lost_before: u32,
    number: u64,
    stamp_ns: u64,
    data: &[u8],
) -> io::Result<()> {
    to.write_all(&head(b'F', data.len(), lost_before, number, stamp_ns))?;
    to.write_all(data)?;
    to.flush()
}

/// Sends anything but a frame.
#[cfg(any(feature = "webcam", not(target_os = "linux"), test))]
pub(super) fn send(to: &mut dyn Write, message: &Message) -> io::Result<()> {
    let json = |body: serde_json::Result<Vec<u8>>| body.map_err(io::Error::other);
    let (kind, lost, body) = match message {
        Message::Hello(hello) => (b'H', 0, json(serde_json::to_vec(hello))?),
        Message::List(cameras) => (b'L', 0, json(serde_json::to_vec(cameras))?),
        Message::Faulty { lost_before, why } => (b'X', *lost_before, why.clone().into_bytes()),
        Message::Alive => (b'A', 0, Vec::new()),
        Message::Note(code, text) => (b'N', 0, format!("{code}\n{text}").into_bytes()),
        Message::Gone(text) => (b'G', 0, text.clone().into_bytes()),
        Message::Failed(text) => (b'E', 0, text.clone().into_bytes()),
        Message::Frame {
            lost_before,
            stamp_ns,
        } => return send_frame(to, *lost_before, 0, *stamp_ns, &[]),
    };
    to.write_all(&head(kind, body.len(), lost, 0, 0))?;
    to.write_all(&body)?;
    to.flush()
}

/// Receives the next message, its body in `body`; none at the end of the stream.
///
/// # Errors
/// The pipe failed, or what came is no message.
pub(super) fn receive(from: &mut dyn Read, body: &mut Vec<u8>) -> io::Result<Option<Message>> {
    let mut head = [0; HEAD];
    let mut have = 0;
    while have < HEAD {
        match from.read(head.get_mut(have..).unwrap_or_default()) {
            Ok(0) if have == 0 => return Ok(None),
            Ok(0) => return Err(io::ErrorKind::UnexpectedEof.into()),
            Ok(n) => have += n,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    let (head4, _) = head.as_chunks::<4>();
    let word = |at: usize| head4.get(at).map_or(0, |&four| u32::from_le_bytes(four));
    let garbled = || io::Error::new(io::ErrorKind::InvalidData, "garbled message");
    let length = word(2) as usize;
    if !head.starts_with(&MARKS) || length > LONGEST_BODY {
        return Err(garbled());
    }
    body.clear();
    if from.take(length as u64).read_to_end(body)? != length {
        return Err(io::ErrorKind::UnexpectedEof.into());
    }
    let text = || String::from_utf8_lossy(body).into_owned();
    let lost_before = word(3);
    Ok(Some(match head.get(4) {
        Some(b'F') => Message::Frame {
            lost_before,
            stamp_ns: u64::from(word(7)) << 32 | u64::from(word(6)),
        },
        Some(b'X') => Message::Faulty {
            lost_before,
            why: text(),
        },
        Some(b'H') => Message::Hello(serde_json::from_slice(body).map_err(|_| garbled())?),
        Some(b'L') => Message::List(serde_json::from_slice(body).map_err(|_| garbled())?),
        Some(b'A') => Message::Alive,
        Some(b'N') => {
            let text = text();
            let (code, sentence) = text.split_once('\n').ok_or_else(garbled)?;
            Message::Note(code.to_owned(), sentence.to_owned())
        }
        Some(b'G') => Message::Gone(text()),
        Some(b'E') => Message::Failed(text()),
        _ => return Err(garbled()),
    }))
}

#[cfg(test)]
#[allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
mod tests {
    use super::super::{Mode, PixelFormat};
    use super::*;

    #[test]
    fn messages_arrive_as_they_were_sent() {
        let mode = Mode {
            format: PixelFormat::Grey,
            width: 4,
            height: 2,
            interval: (1, 30),
        };
        let messages = [
            Message::Hello(Box::new(Hello {
                index: 3,
                name: "a camera".to_owned(),
                identity: "usb-1".to_owned(),
                layout: Layout::packed(mode, true),
                locked: Vec::new(),
            })),
            Message::List(Vec::new()),
            Message::Faulty {
                lost_before: 7,
                why: "was cut off".to_owned(),
            },
            Message::Alive,
            Message::Note("a-code".to_owned(), "a note".to_owned()),
            Message::Gone("gone".to_owned()),
            Message::Failed("over".to_owned()),
        ];
        let mut pipe = Vec::new();
        for message in &messages {
            send(&mut pipe, message).unwrap();
        }
        send_frame(&mut pipe, 2, 5, 0x0123_4567_89ab_cdef, b"pixels").unwrap();
        let (mut from, mut body) = (pipe.as_slice(), Vec::new());
        for message in messages {
            assert_eq!(receive(&mut from, &mut body).unwrap(), Some(message));
        }
        let frame = Message::Frame {
            lost_before: 2,
            stamp_ns: 0x0123_4567_89ab_cdef,
        };
        assert_eq!(receive(&mut from, &mut body).unwrap(), Some(frame));
        assert_eq!(body, b"pixels");
        assert_eq!(receive(&mut from, &mut body).unwrap(), None);
    }

    #[test]
    fn garbage_and_cut_messages_are_errors_and_take_no_memory() {
        let mut body = Vec::new();
        assert!(receive(&mut [0_u8; 64].as_slice(), &mut body).is_err());
        let mut long = Vec::new();
        send_frame(&mut long, 0, 0, 0, &[1; 100]).unwrap();
        assert!(receive(&mut &long[..80], &mut body).is_err());
        assert!(receive(&mut &long[..20], &mut body).is_err());
        for byte in long.iter_mut().skip(8).take(4) {
            *byte = 0xff;
        }
        assert!(receive(&mut long.as_slice(), &mut body).is_err());
        assert!(body.capacity() < 1000);
    }
}
