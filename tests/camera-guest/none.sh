# Runs in the guest: no camera at all.
lineturn cameras --json >list.json; echo "rc $?" >list.log
lineturn cameras >list.txt
lineturn watch camera:0 >watch.txt 2>watch.log; echo "rc $?" >>watch.log
