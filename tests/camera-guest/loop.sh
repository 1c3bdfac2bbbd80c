# Runs in the guest: v4l2loopback, which gives byte for byte what it is fed.
now() { cut -d' ' -f1 /proc/uptime; }
stamped() { while read -r line; do echo "$(now) $line"; done >"$1"; }
watch() { # watch NAME ARGUMENTS...
    name=$1; shift
    { lineturn watch "$@" --json >"$name.json"; echo "rc $?" >&2; } 2>&1 | stamped "$name.log"
}
task='{"Stream":{"camera":"0","wish":{"size":null,"fps":null,"format":null,"values":[],"automatic":false},"again":null,"through_nokhwa":false}}'

feeder_start
{ sleep 4; } | lineturn camera-process "$task" >/run/loop.dump 2>loop.err
mv /run/loop.dump .
LINETURN_CAMERA_THROUGH_NOKHWA=1 watch nokhwa camera:0 --seconds 3
# A device whose name nokhwa's finding does not expect.
mknod /dev/video-odd c 1 3
lineturn cameras --json >odd-name.json 2>odd-name.log
rm /dev/video-odd
feeder_stop
