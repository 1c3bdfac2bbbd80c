# Runs in the guest: an emulated USB camera behind the kernel's own driver. Every section writes files that check.py judges.
now() { cut -d' ' -f1 /proc/uptime; }
# stamped FILE: standard input line by line with the guest's time, so that delays can be judged
stamped() { while read -r line; do echo "$(now) $line"; done >"$1"; }
dump() { # dump NAME MODE-JSON SECONDS: what the camera process sends, as it is
    task='{"Stream":{"camera":"0","wish":{"size":null,"fps":null,"format":"'$2'","values":[],"automatic":false},"again":null,"through_nokhwa":false}}'
    { sleep "$3"; } | lineturn camera-process "$task" >"/run/$1.dump" 2>"$1.err"
}
watch() { # watch NAME ARGUMENTS...
    name=$1; shift
    { echo "begun $*"; lineturn watch "$@" --json 2>&1 >"$name.json"; echo "rc $?"; } | stamped "$name.log"
}

# camera_process: the process id of the camera's own process
camera_process() { for p in /proc/[0-9]*; do tr '\0' ' ' <$p/cmdline 2>/dev/null | grep -q '^[^ ]*lineturn camera-process' && echo ${p#/proc/}; done; }

feeder_start
lineturn cameras --json >list.json
lineturn cameras >list.txt
dump yuyv yuyv 4
dump grey grey 4
camtool list /dev/video0 >controls-locked.txt
mv /run/*.dump .

watch lock camera:0 --mode :YUYV --seconds 3 --exposure 80 --gain 55 --focus 20
camtool list /dev/video0 >controls-asked.txt
watch range camera:0 --mode :YUYV --seconds 1 --exposure 999999
watch identity "camera:$(sed -n 's/.*"identity": "\(.*\)".*/\1/p' list.json)" --seconds 1 --mode :GREY --exposure 100 --gain 50
watch jpeg camera:0 --mode :MJPG --seconds 12
watch record camera:0 --mode 640x480@12.5:MJPG --seconds 12 --record /run/record.avi --track record.csv
mv /run/record.avi* .
watch metadata camera:1
watch missing camera:7
watch mode camera:0 --mode 800x600

# busy: a second one while the first streams
watch first camera:0 --seconds 6 --mode :GREY &
sleep 4
watch busy camera:0 --seconds 1
wait $!

# left by another program as cameras must not be left: grey, at an odd rate
camtool fmt /dev/video0 320 240 GREY 25 2 >left.txt
watch odd camera:0 --seconds 2

# another program changes the exposure while lines are measured
watch changed camera:0 --seconds 9 --mode :GREY --exposure 100 &
sleep 5; camtool set /dev/video0 "Exposure Time, Absolute" 333 2>set.txt
wait $!

# the camera stalls for 4 s
watch stall camera:0 --seconds 9 --mode :GREY &
sleep 4; kill -USR2 $FEEDER; echo "$(now) stalled" >stall.times
sleep 4; kill -USR2 $FEEDER; echo "$(now) resumed" >>stall.times
wait $!

# stalled for ever: the end comes nevertheless
watch forever camera:0 --seconds 5 --mode :GREY &
sleep 3; kill -USR2 $FEEDER; echo "$(now) stalled" >forever.times
wait $!
echo "$(now) ended" >>forever.times
kill -USR2 $FEEDER

# the camera's own process is killed, then another is stopped as if it hung
watch killed camera:0 --seconds 18 --mode :GREY &
sleep 4; kill -9 "$(camera_process)"; echo "$(now) killed" >killed.times
sleep 3; kill -STOP "$(camera_process)"; echo "$(now) stopped" >>killed.times
wait $!

# Ctrl-C
lineturn watch camera:0 --mode :GREY --json >interrupted.json 2>interrupted.log & W=$!
sleep 5; echo "$(now) interrupted" >interrupted.times; kill -INT $W; wait $W; echo "rc $?" >>interrupted.log; echo "$(now) ended" >>interrupted.times
sleep 1; camera_process >orphans.txt

# no permission
chmod 600 /dev/video0
echo 'somebody:x:1000:1000::/run:/bin/sh' >/etc/passwd; chmod 755 /run/lineturn
su -s /bin/sh somebody -c 'LD_LIBRARY_PATH=/lib64 /run/lineturn watch camera:0' >permission.txt 2>permission.log; echo "rc $?" >>permission.log
chmod 660 /dev/video0
feeder_stop

# every tenth frame ends in its middle
feeder_start short_at=-10
watch short camera:0 --mode :YUYV --seconds 4
dump short yuyv 4
mv /run/short.dump .
feeder_stop

# the cable is pulled and plugged in again
feeder_start replug_ms=2500
watch replug camera:0 --seconds 14 --mode :GREY --exposure 120 &
sleep 5; kill -USR1 $FEEDER; echo "$(now) pulled" >replug.times
wait $!
camtool list /dev/video0 >controls-replug.txt
feeder_stop
