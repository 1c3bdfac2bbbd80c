//! What several test modules need: the built program, and small inputs made on the spot.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::Duration;

use assert_cmd::Command;
use image::{GrayImage, Luma};

/// The built program with these arguments.
pub(crate) fn lineturn(arguments: &[&str]) -> Output {
    Command::cargo_bin("lineturn")
        .expect("the program is built")
        .args(arguments)
        .output()
        .expect("the program runs")
}

/// Standard output as the one JSON document that it must be.
pub(crate) fn document(output: &Output) -> serde_json::Value {
    serde_json::from_slice(&output.stdout).unwrap_or_else(|error| {
        panic!(
            "standard output is no JSON document ({error}): {}",
            String::from_utf8_lossy(&output.stdout)
        )
    })
}

/// Fails, with what the program said, where it did not run to its end.
pub(crate) fn assert_ran(output: &Output) {
    assert_eq!(
        output.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// The document of a command that must run.
pub(crate) fn answer(arguments: &[&str]) -> serde_json::Value {
    let output = lineturn(arguments);
    assert_ran(&output);
    document(&output)
}

/// Asserts that the program refused with status 2, an empty standard output and one sentence that holds all `words`.
pub(crate) fn assert_refused(output: &Output, words: &[&str]) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "status; it said: {said}");
    assert!(
        output.stdout.is_empty(),
        "standard output: {}",
        String::from_utf8_lossy(&output.stdout)
    );
    assert_eq!(
        said.trim_end().lines().count(),
        1,
        "one sentence, not: {said}"
    );
    assert!(said.starts_with("lineturn: "), "{said}");
    assert!(!said.contains("panicked"), "{said}");
    for word in words {
        assert!(said.contains(word), "\"{word}\" is not in: {said}");
    }
}

/// A picture of one bright upright line at column `x`, on a dim field, without cross-hairs.
pub(crate) fn line_picture(width: u32, height: u32, x: f64) -> GrayImage {
    GrayImage::from_fn(width, height, |column, row| {
        let distance = f64::from(column) - x;
        let ripple = f64::from((column * 7919 + row * 104_729) % 13) - 6.0;
        let level = 20.0 + 160.0 * (-distance * distance / (2.0 * 9.0)).exp() + 0.5 * ripple;
        Luma([level.round().clamp(0.0, 255.0) as u8])
    })
}

/// Writes a text file below `folder` and gives its path.
pub(crate) fn write(folder: &Path, name: &str, text: impl AsRef<[u8]>) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, text).expect("the file can be written");
    path
}

/// A path as an argument.
pub(crate) fn argument(path: &Path) -> &str {
    path.to_str().expect("a path of letters")
}

/// Serves pictures as motion JPEG to everybody, one every `pause`, and closes the form behind the last if `closing`.
pub(crate) fn serve_pictures(pictures: Vec<Vec<u8>>, pause: Duration, closing: bool) -> String {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = format!(
        "http://{}/video",
        listener.local_addr().expect("its number")
    );
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let mut stream = stream.expect("a connection");
            let mut question = [0; 1024];
            let _ = stream.read(&mut question);
            // Whoever watches may hang up whenever it likes.
            let _ = (|| -> std::io::Result<()> {
                stream.write_all(
                    b"HTTP/1.1 200 OK\r\nContent-Type: multipart/x-mixed-replace; boundary=b\r\n\r\n",
                )?;
                for picture in &pictures {
                    stream.write_all(b"--b\r\nContent-Type: image/jpeg\r\n\r\n")?;
                    stream.write_all(picture)?;
                    stream.write_all(b"\r\n")?;
                    std::thread::sleep(pause);
                }
                if closing {
                    stream.write_all(b"--b--\r\n")?;
                }
                Ok(())
            })();
        }
    });
    address
}

/// The pictures of a motion JPEG AVI, in order.
fn pictures_of_avi(path: &Path) -> Vec<Vec<u8>> {
    let data = std::fs::read(path).expect("the clip");
    let mut pictures = Vec::new();
    let mut at = data
        .windows(4)
        .position(|w| w == b"movi")
        .expect("a list of frames")
        + 4;
    while at + 8 <= data.len() && &data[at..at + 4] == b"00dc" {
        let size =
            u32::from_le_bytes(data[at + 4..at + 8].try_into().expect("four bytes")) as usize;
        pictures.push(data[at + 8..at + 8 + size].to_vec());
        at += 8 + size + size % 2;
    }
    pictures
}

/// The pictures of the practice scene with one bright line and a calm hand, made below `folder`.
pub(crate) fn practice_pictures(folder: &Path) -> Vec<Vec<u8>> {
    let made = lineturn(&[
        "practice",
        argument(folder),
        "--scenario",
        "steady",
        "--format",
        "mjpeg",
    ]);
    assert_eq!(made.status.code(), Some(0));
    pictures_of_avi(&folder.join("clip.avi"))
}
