//! Servers on this machine that serve well, oddly and badly.

#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, channel};
use std::thread::sleep;
use std::time::{Duration, Instant};

use image::codecs::jpeg::JpegEncoder;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, PrivatePkcs8KeyDer};
use rustls::{RootCertStore, ServerConfig, ServerConnection, StreamOwned};

use super::*;

const HURRY: Patience = Patience {
    first: Duration::from_secs(4),
    silence: Duration::from_secs(3),
};

/// Whom a browser trusts.
fn anyone() -> Trust {
    Trust::of_the_public(None)
}

fn jpeg(level: u8, width: u32) -> Vec<u8> {
    let picture = image::GrayImage::from_pixel(width, 16, image::Luma([level]));
    let mut data = Vec::new();
    JpegEncoder::new(&mut data).encode_image(&picture).unwrap();
    data
}

/// A server that answers the n-th connection by `answer(n, stream)`; gives its address and what it was asked.
fn serve(
    mut answer: impl FnMut(usize, &mut TcpStream) -> std::io::Result<()> + Send + 'static,
) -> (String, Receiver<String>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let place = listener.local_addr().unwrap();
    let (give, asked) = channel();
    std::thread::spawn(move || {
        for (n, stream) in listener.incoming().enumerate() {
            let mut stream = stream.unwrap();
            let mut question = Vec::new();
            let mut byte = [0];
            while !question.ends_with(b"\r\n\r\n") && stream.read(&mut byte).unwrap_or(0) > 0 {
                question.push(byte[0]);
            }
            let _ = give.send(String::from_utf8(question).unwrap());
            // Whoever was asked may have hung up: that is what is tested.
            let _ = answer(n, &mut stream);
        }
    });
    (format!("http://{place}/video"), asked)
}

const OK: &str =
    "HTTP/1.1 200 OK\r\nContent-Type: multipart/x-mixed-replace; boundary=frame\r\n\r\n";

/// A part as most cameras write it.
fn part(level: u8) -> Vec<u8> {
    let picture = jpeg(level, 24);
    let mut part = format!(
        "--frame\r\nContent-Type: image/jpeg\r\nContent-Length: {}\r\n\r\n",
        picture.len()
    )
    .into_bytes();
    part.extend(picture);
    part.extend(b"\r\n");
    part
}

/// What came, as short words, until `most` words, an end or an error; no call may take longer than a second.
fn words(source: &mut Network, most: usize) -> Vec<String> {
    let mut frame = Frame::empty();
    let mut words: Vec<String> = Vec::new();
    let begun = Instant::now();
    while words.len() < most && begun.elapsed() < Duration::from_secs(12) {
        let asked = Instant::now();
        let word = match source.next_into(&mut frame) {
            Ok(Next::Frame) => format!("frame {}", frame.levels[[8, 8]]),
            Ok(Next::Lost { frames, .. }) => format!("lost {frames}"),
            Ok(Next::Skipped { frames }) => format!("skipped {frames}"),
            Ok(Next::Note { code, .. }) if code == "times-of-arrival" => continue,
            Ok(Next::Note { code, .. }) => code,
            Ok(Next::Waiting { why: None }) => continue,
            Ok(Next::Waiting { why: Some(_) }) => "waiting".to_owned(),
            Ok(Next::End) => "end".to_owned(),
            Err(error) => format!("error: {error}"),
        };
        assert!(
            asked.elapsed() < Duration::from_secs(1),
            "{word} took too long"
        );
        let over = word == "end" || word.starts_with("error");
        if word != "waiting" || words.last().is_none_or(|last| last != "waiting") {
            words.push(word);
        }
        if over {
            break;
        }
    }
    words
}

fn refused(address: &str) -> String {
    refused_by(address, anyone())
}

fn refused_by(address: &str, trust: Trust) -> String {
    let begun = Instant::now();
    let Err(error) = open_patiently(address, trust, HURRY) else {
        panic!("it opened");
    };
    assert!(
        begun.elapsed() < Duration::from_secs(9),
        "{error} took too long"
    );
    let said = error.to_string();
    assert_eq!(said.lines().count(), 1, "{said}");
    said
}

/// Opens and takes words.
fn opened(
    answer: impl FnMut(usize, &mut TcpStream) -> std::io::Result<()> + Send + 'static,
    most: usize,
) -> Vec<String> {
    let (address, _) = serve(answer);
    let mut source = open_patiently(&address, anyone(), HURRY).unwrap();
    words(&mut source, most)
}

#[test]
fn boundaries_of_every_odd_kind() {
    let kinds: [(&str, &str, &str); 7] = [
        (
            "multipart/x-mixed-replace;boundary=frame",
            "--frame\r\n",
            "\r\n\r\n",
        ),
        (
            "multipart/x-mixed-replace; boundary=\"a b\"",
            "--a b\r\n",
            "\r\n\r\n",
        ),
        (
            "multipart/x-mixed-replace; boundary=--x",
            "--x\r\n",
            "\r\n\r\n",
        ),
        (
            "multipart/x-mixed-replace; boundary=one",
            "--another\r\n",
            "\r\n\r\n",
        ),
        ("Multipart/X-Mixed-Replace", "\n--b\n", "\n\n"),
        ("application/octet-stream", "", ""),
        ("", "--x\r\nContent-Length: 3\r\n", "\r\n\r\n"),
    ];
    for (kind, before, behind) in kinds {
        let head = format!("HTTP/1.0 200 OK\nContent-Type: {kind}\n\n");
        let (before, behind) = (before.to_owned(), behind.to_owned());
        let said = opened(
            move |_, stream| {
                stream.write_all(head.as_bytes())?;
                for level in [10, 20] {
                    stream.write_all(before.as_bytes())?;
                    stream.write_all(behind.as_bytes())?;
                    stream.write_all(&jpeg(level, 24))?;
                }
                sleep(Duration::from_secs(2));
                Ok(())
            },
            2,
        );
        assert_eq!(said, ["frame 10", "frame 20"], "{kind}");
    }
}

#[test]
fn chunks_that_cut_anywhere() {
    let said = opened(
        |_, stream| {
            stream.write_all(
                b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\nContent-Type: multipart/x-mixed-replace\r\n\r\n",
            )?;
            let body = [part(1), part(2), part(3)].concat();
            for (n, piece) in body.chunks(37).enumerate() {
                let mark = if n % 2 == 0 { ";x=1" } else { "" };
                stream.write_all(format!("{:X}{mark}\r\n", piece.len()).as_bytes())?;
                stream.write_all(piece)?;
                stream.write_all(b"\r\n")?;
            }
            stream.write_all(b"b\r\n--frame--\r\n\r\n0\r\n\r\n")?;
            Ok(())
        },
        9,
    );
    assert_eq!(said, ["frame 1", "frame 2", "frame 3", "end"]);
}

#[test]
fn chunks_without_a_length_break_the_connection_only() {
    let said = opened(
        |n, stream| {
            stream.write_all(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")?;
            let piece = part(n as u8);
            stream.write_all(format!("{:x}\r\n", piece.len()).as_bytes())?;
            stream.write_all(&piece)?;
            let junk: &[u8] = if n == 0 {
                b"\r\nzzzz\r\n"
            } else {
                &[b'7'; 5000]
            };
            stream.write_all(junk)?;
            sleep(Duration::from_millis(500));
            Ok(())
        },
        5,
    );
    let at = |word: &str| said.iter().position(|said| said == word);
    assert!(at("network-gone") < at("network-back"), "{said:?}");
    assert!(at("frame 0") < at("frame 1"), "{said:?}");
}

#[test]
fn chunks_that_pause_within_their_marks_go_on() {
    let said = opened(
        |_, stream| {
            stream.write_all(b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n")?;
            let piece = |level| {
                let body = part(level);
                let mut piece = format!("{:x}\r\n", body.len()).into_bytes();
                piece.extend(body);
                piece.extend(b"\r\n");
                piece
            };
            // A pause between two chunks, and one within the number of the next; each is longer than a read waits.
            stream.write_all(&piece(1))?;
            sleep(Duration::from_millis(2200));
            let third = piece(3);
            stream.write_all(&piece(2))?;
            stream.write_all(&third[..2])?;
            sleep(Duration::from_millis(2200));
            stream.write_all(&third[2..])?;
            sleep(Duration::from_secs(1));
            Ok(())
        },
        5,
    );
    assert_eq!(
        said,
        ["frame 1", "waiting", "frame 2", "waiting", "frame 3"]
    );
}

#[test]
fn slow_servers_are_waited_for() {
    let said = opened(
        |_, stream| {
            for byte in OK.as_bytes() {
                stream.write_all(&[*byte])?;
                sleep(Duration::from_millis(5));
            }
            for piece in [part(5), part(6)].concat().chunks(20) {
                stream.write_all(piece)?;
                sleep(Duration::from_millis(10));
            }
            sleep(Duration::from_secs(2));
            Ok(())
        },
        2,
    );
    assert_eq!(said, ["frame 5", "frame 6"]);
}

#[test]
fn a_dropped_connection_is_dialled_again() {
    let said = opened(
        |n, stream| {
            stream.write_all(OK.as_bytes())?;
            stream.write_all(&part(n as u8))?;
            let half = part(77);
            stream.write_all(&half[..half.len() / 2])?;
            Ok(())
        },
        6,
    );
    assert!(said.contains(&"frame 0".to_owned()), "{said:?}");
    assert!(said.contains(&"network-gone".to_owned()), "{said:?}");
    assert!(said.contains(&"frame 1".to_owned()), "{said:?}");
}

#[test]
fn a_server_that_stays_away_ends_the_stream_in_a_sentence() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("http://{}/", listener.local_addr().unwrap());
    std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        stream.write_all(OK.as_bytes()).unwrap();
        stream.write_all(&part(3)).unwrap();
    });
    let mut source = open_patiently(&address, anyone(), HURRY).unwrap();
    let said = words(&mut source, 20);
    let mut first: Vec<&str> = said.iter().take(3).map(String::as_str).collect();
    first.sort_unstable();
    assert_eq!(first, ["frame 3", "network-gone", "waiting"]);
    assert!(
        said.last().unwrap().contains("delivered nothing for 3 s"),
        "{said:?}"
    );
    assert_eq!(source.next_into(&mut Frame::empty()).unwrap(), Next::End);
}

#[test]
fn a_stream_that_falls_silent_is_told_and_goes_on() {
    let said = opened(
        |_, stream| {
            stream.write_all(OK.as_bytes())?;
            stream.write_all(&part(1))?;
            sleep(Duration::from_millis(2300));
            stream.write_all(&part(2))?;
            sleep(Duration::from_secs(2));
            Ok(())
        },
        3,
    );
    assert_eq!(said, ["frame 1", "waiting", "frame 2"]);
}

#[test]
fn damaged_frames_are_lost_alone() {
    let said = opened(
        |_, stream| {
            stream.write_all(OK.as_bytes())?;
            stream.write_all(&part(1))?;
            // Frame by frame, so that none is passed over.
            sleep(Duration::from_millis(100));
            // Cut off in the middle, with its full length announced; then one that is no JPEG inside.
            let cut = part(2);
            stream.write_all(&cut[..cut.len() - 30])?;
            stream.write_all(&part(3))?;
            sleep(Duration::from_millis(100));
            stream.write_all(b"--frame\r\n\r\n\xff\xd8\xff\xe0\x00\x04ab\xff\xd9\r\n")?;
            stream.write_all(&part(4))?;
            stream.write_all(b"--frame--\r\n")?;
            Ok(())
        },
        9,
    );
    assert_eq!(
        said,
        ["frame 1", "lost 1", "frame 3", "lost 1", "frame 4", "end"]
            .map(str::to_owned)
            .as_slice()
    );
}

#[test]
fn a_change_of_size_ends_the_stream() {
    let said = opened(
        |_, stream| {
            stream.write_all(OK.as_bytes())?;
            stream.write_all(&part(1))?;
            stream.write_all(b"--frame\r\n\r\n")?;
            stream.write_all(&jpeg(2, 32))?;
            sleep(Duration::from_secs(2));
            Ok(())
        },
        9,
    );
    assert_eq!(said[0], "frame 1");
    assert!(said[1].contains("32 x 16"), "{said:?}");
}

#[test]
fn a_fast_server_costs_no_memory_and_the_newest_frames_come() {
    let (address, _) = serve(|_, stream| {
        stream.write_all(OK.as_bytes())?;
        for level in 0..200 {
            stream.write_all(&part(level))?;
        }
        stream.write_all(b"--frame--\r\n")
    });
    let mut source = open_patiently(&address, anyone(), HURRY).unwrap();
    sleep(Duration::from_millis(700));
    let said = words(&mut source, 20);
    assert_eq!(said.last().unwrap(), "end");
    assert!(said.contains(&"frame 199".to_owned()), "{said:?}");
    let frames = said.iter().filter(|word| word.starts_with("frame")).count();
    assert!(frames < 12, "{said:?}");
}

#[test]
fn endless_noise_is_given_up() {
    let (address, _) = serve(|_, stream| {
        stream.write_all(OK.as_bytes())?;
        loop {
            stream.write_all(&[0x55; 65536])?;
            sleep(Duration::from_millis(1));
        }
    });
    assert!(refused(&address).contains("delivered nothing"));
}

#[test]
fn server_times_are_used_where_they_are_written() {
    let (address, _) = serve(|_, stream| {
        stream.write_all(OK.as_bytes())?;
        for (n, level) in [10_u8, 20, 30].into_iter().enumerate() {
            let stamp = 1000.0 + 0.04 * n as f64;
            stream.write_all(format!("--frame\r\nX-Timestamp: {stamp:.6}\r\n\r\n").as_bytes())?;
            stream.write_all(&jpeg(level, 24))?;
            sleep(Duration::from_millis(90));
        }
        sleep(Duration::from_secs(1));
        Ok(())
    });
    let mut source = open_patiently(&address, anyone(), HURRY).unwrap();
    let mut frame = Frame::empty();
    let mut times = Vec::new();
    while times.len() < 3 {
        if source.next_into(&mut frame).unwrap() == Next::Frame {
            times.push(frame.time_s);
        }
    }
    for (time, truth) in times.iter().zip([0.0, 0.04, 0.08]) {
        assert!((time - truth).abs() < 1e-6, "{times:?}");
    }
}

#[test]
fn passwords_are_used_and_never_shown() {
    let (address, asked) = serve(|_, stream| {
        stream.write_all(OK.as_bytes())?;
        stream.write_all(&part(1))?;
        sleep(Duration::from_secs(1));
        Ok(())
    });
    let address = address.replace("http://", "http://me:pa%3Ass@") + "?token=hidden";
    let mut source = open_patiently(&address, anyone(), HURRY).unwrap();
    let question = asked.recv().unwrap();
    // RFC 7617: base 64 of `me:pa:ss`.
    assert!(
        question.contains("Authorization: Basic bWU6cGE6c3M="),
        "{question}"
    );
    assert!(
        question.starts_with("GET /video?token=hidden HTTP/1.1\r\n"),
        "{question}"
    );
    let shown = source.info().description.clone() + &words(&mut source, 2).join(" ");
    for secret in ["pa%3Ass", "pa:ss", "hidden", "me:"] {
        assert!(!shown.contains(secret), "{shown}");
    }
}

/// Twenty ways in which a server can misbehave before it streams: each ends in one sentence, soon, and without its secrets.
#[test]
fn servers_that_misbehave() {
    let page = "HTTP/1.1 200 OK\r\nContent-Type: text/html\r\n\r\n<html>";
    let single = "HTTP/1.1 200 OK\r\nContent-Type: image/jpeg\r\n\r\n";
    let film = "HTTP/1.1 200 OK\r\nContent-Type: video/mp4\r\n\r\n";
    let packed = "HTTP/1.1 200 OK\r\nContent-Type: multipart/x-mixed-replace\r\nContent-Encoding: gzip\r\n\r\n";
    let basic = "HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Basic realm=\"x\"\r\n\r\n";
    let digest = "HTTP/1.1 401 Unauthorized\r\nWWW-Authenticate: Digest realm=\"x\"\r\n\r\n";
    let away = "HTTP/1.1 302 Found\r\nLocation: https://127.0.0.1:1/\r\n\r\n";
    let round = "HTTP/1.1 302 Found\r\nLocation: /video\r\n\r\n";
    let nowhere = "HTTP/1.1 302 Found\r\n\r\n";
    let said_at_once: [(&str, &str); 15] = [
        (page, "text/html"),
        (single, "single picture"),
        (film, "video/mp4"),
        (packed, "packed"),
        (basic, "USER:PASSWORD"),
        (digest, "digest"),
        (away, "cannot be reached"),
        (round, "without end"),
        (nowhere, "leads to an address"),
        ("HTTP/1.1 404 Not Found\r\n\r\n", "404"),
        ("HTTP/1.1 503 Busy\r\n\r\n", "busy"),
        ("HTTP/1.1 500 Oh\r\n\r\n", "500"),
        ("SSH-2.0-OpenSSH\r\n\r\n", "does not speak HTTP"),
        ("HTTP/1.1 two hundred\r\n\r\n", "does not speak HTTP"),
        ("", "hangs up"),
    ];
    for (answer, word) in said_at_once {
        let (address, _) = serve(move |_, stream| stream.write_all(answer.as_bytes()));
        let said = refused(&address.replace("http://", "http://me:secret@"));
        assert!(said.contains(word), "{answer:?}: {said}");
        assert!(!said.contains("secret"), "{said}");
    }
    // A head without end; silence; a stream closed at once; a stream without a whole frame; nobody there.
    let (endless, _) = serve(|_, stream| {
        stream.write_all(b"HTTP/1.1 200 OK\r\n")?;
        loop {
            stream.write_all(b"X-Filler: yes yes yes yes yes yes yes yes\r\n")?;
        }
    });
    assert!(refused(&endless).contains("head without end"));
    let (silent, _) = serve(|_, _| {
        sleep(Duration::from_secs(5));
        Ok(())
    });
    assert!(refused(&silent).contains("does not answer"));
    let (closed, _) =
        serve(|_, stream| stream.write_all([OK, "--frame--\r\n"].concat().as_bytes()));
    assert!(refused(&closed).contains("was closed"));
    let (faulty, _) = serve(|_, stream| {
        stream.write_all(OK.as_bytes())?;
        loop {
            stream.write_all(b"--frame\r\n\r\n\xff\xd8\xff\xe0\x00\x04ab\xff\xd9\r\n")?;
            sleep(Duration::from_millis(50));
        }
    });
    assert!(refused(&faulty).contains("no whole frame"));
    let nobody = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    assert!(refused(&format!("http://{nobody}/")).contains("cannot be reached"));
    assert!(refused("ftp://camera/").contains("is no http:// or https://"));
    assert!(refused("http://me:secret@:80/").contains("no host"));
}

/// Certificates made by OpenSSL, see `make.sh` beside them.
macro_rules! certificate {
    ($name:literal) => {
        include_bytes!(concat!("../../../tests/fixtures/tls/", $name)).as_slice()
    };
}

/// A server that shows a certificate and answers the n-th connection on which both agreed.
fn serve_secured(
    certificate: &'static [u8],
    mut answer: impl FnMut(usize, &mut dyn Write) -> std::io::Result<()> + Send + 'static,
) -> String {
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let key = PrivateKeyDer::from(PrivatePkcs8KeyDer::from(certificate!("key.der")));
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![CertificateDer::from(certificate)], key)
        .unwrap();
    let config = Arc::new(config);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let place = listener.local_addr().unwrap();
    std::thread::spawn(move || {
        let mut answered = 0;
        for stream in listener.incoming() {
            let connection = ServerConnection::new(Arc::clone(&config)).unwrap();
            let mut stream = StreamOwned::new(connection, stream.unwrap());
            let (mut question, mut byte) = (Vec::new(), [0]);
            while !question.ends_with(b"\r\n\r\n") && stream.read(&mut byte).unwrap_or(0) > 0 {
                question.push(byte[0]);
            }
            if !question.is_empty() {
                let _ = answer(answered, &mut stream);
                answered += 1;
            }
        }
    });
    format!("https://{place}/video")
}

fn two_frames(_: usize, stream: &mut dyn Write) -> std::io::Result<()> {
    stream.write_all(OK.as_bytes())?;
    for level in [1, 2] {
        stream.write_all(&part(level))?;
        sleep(Duration::from_millis(100));
    }
    // The form is closed, the line is not: that is how most cameras end.
    stream.write_all(b"--frame--\r\n")
}

/// Trust in the authority of the tests.
fn authority() -> Trust {
    let mut roots = RootCertStore::empty();
    roots
        .add(CertificateDer::from(certificate!("authority.der")))
        .unwrap();
    Trust::of(roots)
}

#[test]
fn certificates_decide() {
    let whole = ["frame 1", "frame 2", "end"];
    // One by an authority that is trusted; by one that is not; run out; for another host.
    let good = serve_secured(certificate!("good.der"), two_frames);
    let mut source = open_patiently(&good, authority(), HURRY).unwrap();
    assert_eq!(words(&mut source, 9), whole);
    assert!(refused(&good).contains("no public authority vouches for"));
    let run_out = serve_secured(certificate!("run-out.der"), two_frames);
    assert!(refused_by(&run_out, authority()).contains("has run out"));
    let other = serve_secured(certificate!("other-name.der"), two_frames);
    assert!(refused_by(&other, authority()).contains("another name"));

    // One of the camera's own: refused with its fingerprint, which then opens it, and nothing else does.
    let own = serve_secured(certificate!("own.der"), two_frames);
    let said = refused(&own.replace("https://", "https://me:secret@"));
    let printed = include_str!("../../../tests/fixtures/tls/own.sha256");
    let (_, fingerprint) = printed.trim().split_once('=').unwrap();
    assert!(said.contains(fingerprint), "{said}");
    assert!(said.contains("--certificate"), "{said}");
    assert!(!said.contains("secret"), "{said}");
    let pinned = || Trust::of_the_public(Some(Fingerprint::parse(printed).unwrap()));
    let mut source = open_patiently(&own, pinned(), HURRY).unwrap();
    assert_eq!(words(&mut source, 9), whole);
    let said = refused_by(&good, pinned());
    assert!(
        said.contains("another certificate than the accepted"),
        "{said}"
    );

    // A redirection from an open line to a secured one.
    let head = format!("HTTP/1.1 302 Found\r\nLocation: {own}\r\n\r\n");
    let (open, _) = serve(move |_, stream| stream.write_all(head.as_bytes()));
    let mut source = open_patiently(&open, pinned(), HURRY).unwrap();
    assert_eq!(words(&mut source, 9), whole);
}

#[test]
fn secured_servers_that_misbehave() {
    // No TLS behind https, and TLS behind http.
    let at_once = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("https://{}/", at_once.local_addr().unwrap());
    std::thread::spawn(move || {
        for stream in at_once.incoming() {
            let _ = stream
                .unwrap()
                .write_all(b"HTTP/1.1 400 Bad Request\r\n\r\n");
        }
    });
    assert!(refused(&address).contains("does not speak TLS"));
    let own = serve_secured(certificate!("own.der"), two_frames);
    assert!(refused(&own.replace("https://", "http://")).contains("speaks TLS only"));
    // Hangs up, says nothing, or trickles while both should agree.
    for (answer, word) in [
        (0, "before TLS is agreed upon"),
        (1, "does not answer"),
        (2, "delivered nothing"),
    ] {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = format!("https://{}/", listener.local_addr().unwrap());
        std::thread::spawn(move || {
            for stream in listener.incoming() {
                let mut stream = stream.unwrap();
                if answer == 1 {
                    sleep(Duration::from_secs(5));
                }
                if answer == 2 {
                    // A record of TLS that is announced long and comes byte by byte.
                    let _ = stream.write_all(&[22, 3, 3, 0x40, 0, 2, 0, 0x3f, 0xfc]);
                    while stream.write_all(&[0]).is_ok() {
                        sleep(Duration::from_millis(100));
                    }
                }
            }
        });
        let said = refused(&address);
        assert!(said.contains(word), "{said}");
    }
    // The line breaks within a frame, and is dialled again.
    let torn = serve_secured(certificate!("good.der"), |n, stream| {
        stream.write_all(OK.as_bytes())?;
        stream.write_all(&part(n as u8))?;
        let half = part(77);
        stream.write_all(&half[..half.len() / 2])
    });
    let mut source = open_patiently(&torn, authority(), HURRY).unwrap();
    let said = words(&mut source, 6);
    for word in ["frame 0", "network-gone", "frame 1"] {
        assert!(said.contains(&word.to_owned()), "{said:?}");
    }
}
