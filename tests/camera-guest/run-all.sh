#!/bin/bash
# Cameras against the kernel's own drivers: boots small guests (no disk, no network, software emulation) and judges what the program did in them.
#   run-all.sh PROGRAM [FOLDER]
# PROGRAM  lineturn built with --features webcam
# FOLDER   where the guest is built and kept (default: target/camera-guest); results in FOLDER/out
# The guests' clock counts instructions, so that what happens in them does not depend on how busy this machine is, nor on how fast.
# Takes some 7 minutes on two cores that have nothing else to do, of which 20 s for building the guest the first time.
# Needs what build.sh names, and Python 3.
set -euo pipefail
[ $# -ge 1 ] || { sed -n 2,8p "$0"; exit 2; }
here=$(cd "$(dirname "$0")" && pwd)
program=$(realpath "$1")
mkdir -p "${2:-$here/../../target/camera-guest}"
folder=$(cd "${2:-$here/../../target/camera-guest}" && pwd)
[ -e "$folder/guest/initrd.cpio" ] || "$here/build.sh" "$folder/guest" >"$folder/build.log" 2>&1 || { tail -5 "$folder/build.log"; exit 1; }

rm -rf "$folder/feed" "$folder/out"
mkdir -p "$folder/feed"
"$program" practice "$folder/feed/y4m" --scenario two-passes --format y4m >/dev/null
"$program" practice "$folder/feed/avi" --scenario two-passes --format mjpeg >/dev/null
python3 "$here/feed.py" "$folder/feed/y4m/clip.y4m" "$folder/feed/avi/clip.avi" "$folder/feed"
rm -r "$folder/feed/y4m" "$folder/feed/avi"

guest() { # guest NAME OPTIONS...
    name=$1; shift
    "$here/run.sh" "$folder/guest" --driver "$name" --script "$here/$name.sh" --program "$program" --mem 1024 --icount 1 \
        --out "$folder/out/$name" --timeout 3600 --size 320x240 --fps 25 "$@"
}
guest uvc --feed "$folder/feed/lines.yuyv" --source "MJPG:640x480:$folder/feed/bad.avi" \
    --source "GREY:320x240:$folder/feed/lines.grey" --rates 25,12.5 &
uvc=$!
status=0
for name in none vivid; do guest $name || status=$?; done
guest loop --feed "$folder/feed/lines.yuyv" || status=$?
wait $uvc || status=$?
[ "$status" = 0 ] || { echo "a guest ended with status $status" >&2; exit "$status"; }
python3 "$here/check.py" "$folder/feed" "$folder/out" "$program"
