# Runs in the guest: v4l2loopback, which gives byte for byte what it is fed.
now() { cut -d' ' -f1 /proc/uptime; }
stamped() { while read -r line; do echo "$(now) $line"; done >"$1"; }
watch() { # watch NAME ARGUMENTS...
    name=$1; shift
    { echo "begun $*"; lineturn watch "$@" --json 2>&1 >"$name.json"; echo "rc $?"; } | stamped "$name.log"
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

# Slowly, so that the emulated processor can measure every frame: measured and recorded at once, once to the end, once killed, once on a full disk.
camtool feed /dev/video0 /run/feed.bin 320 240 YUYV 2 1 log=/run/feed_times.txt 2>>feeder.log & FEEDER=$!
sleep 1
watch record camera:0 --seconds 20 --record /run/record.y4m --track record.csv
lineturn watch camera:0 --record /run/killed.y4m >killed.txt 2>killed.log & W=$!
sleep 12; kill -9 $W
mkdir -p /run/small; mount -t tmpfs -o size=120k none /run/small
watch full camera:0 --seconds 15 --record /run/small/full.y4m
kill $FEEDER
mv /run/record.y4m* /run/killed.y4m* /run/small/full.y4m* .
