# Runs in the guest: the kernel's test driver, told to hand over faulty frames, to drop some, and to fail.
now() { cut -d' ' -f1 /proc/uptime; }
stamped() { while read -r line; do echo "$(now) $line"; done >"$1"; }
watch() { # watch NAME ARGUMENTS...
    name=$1; shift
    { echo "begun $*"; lineturn watch "$@" --json 2>&1 >"$name.json"; echo "rc $?"; } | stamped "$name.log"
}
dump() { # dump NAME SECONDS
    task='{"Stream":{"camera":"0","wish":{"size":[320,180],"fps":null,"format":"grey","values":[],"automatic":true},"again":null,"through_nokhwa":false}}'
    { sleep "$2"; } | lineturn camera-process "$task" >"/run/$1.dump" 2>"$1.err"
    mv "/run/$1.dump" .
}
lineturn cameras --json >list.json
camtool list /dev/video0 >controls.txt
dump flagged 5 &
sleep 3
for i in 1 2 3; do camtool set /dev/video0 "Inject V4L2_BUF_FLAG_ERROR" 1; usleep 300000; done
wait $!
camtool set /dev/video0 "Percentage of Dropped Buffers" 30
dump dropped 5
camtool set /dev/video0 "Percentage of Dropped Buffers" 0
watch fatal camera:0 --seconds 6 --mode 320x180:GREY &
sleep 3; camtool set /dev/video0 "Inject Fatal Streaming Error" 1; echo "$(now) failed" >fatal.times
wait $!
watch gone camera:0 --seconds 6 --mode 320x180:GREY &
sleep 3; camtool set /dev/video0 "Disconnect" 1; echo "$(now) disconnected" >gone.times
wait $!
