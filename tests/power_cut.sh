#!/usr/bin/env bash
# Cuts the power under a run, again and again: a file system in a file is shut down without writing
# out its log (ioctl FS_IOC_SHUTDOWN, EXT4 and XFS), the program is killed, the file system mounted
# again. Each frame that was called done before the cut must be there, whole; then the run goes on, and
# in the end there are the bytes of an unbroken run.
#
#   tests/power_cut.sh PROGRAM [CUTS] [FILE SYSTEM]      e.g. target/debug/hushframe 20 ext4
#
# Needs root, loop devices, mkfs, python3. Exits with 77 ("skipped") where those are not there.
set -euo pipefail
program=$(realpath "$1")
cuts=${2:-20}
kind=${3:-ext4}
frames=$(cd "$(dirname "$0")/.." && pwd)/test-frames/music-box
work=$(mktemp -d)
mnt=$work/mnt
cleanup() {
    umount -l "$mnt" 2>/dev/null || true
    rm -rf "$work"
}
trap cleanup EXIT
skip() {
    echo "skipped: $1"
    exit 77
}

[ "$(id -u)" = 0 ] || skip "not root"
command -v "mkfs.$kind" >/dev/null || skip "no mkfs.$kind"
mkdir "$mnt" "$work/comb"
# A clip long enough to be cut in the middle.
for n in $(seq 0 239); do
    ln "$frames/comb-pluck/$(printf %06d $((n % 24 + 1))).tif" \
        "$work/comb/$(printf %06d $((n + 1))).tif" 2>/dev/null ||
        cp "$frames/comb-pluck/$(printf %06d $((n % 24 + 1))).tif" \
            "$work/comb/$(printf %06d $((n + 1))).tif"
done
cp "$frames/comb-pluck/clip.toml" "$work/comb/"
arguments=(run "$work/comb" --dark "$frames/black" --flat "$frames/even" --no-preview
    --quiet --wait-for-room 0 --out)
run() { "$program" "${arguments[@]}" "$1"; }
before=$(cat "$work"/comb/* | sha256sum)
from=$(date +%s.%N)
run "$work/whole"
whole=$(python3 -c "import time; print(time.time() - $from)")

truncate -s 400M "$work/img"
case $kind in ext4) mkfs.ext4 -q -F "$work/img" ;; *) "mkfs.$kind" -q "$work/img" ;; esac
mount -o loop "$work/img" "$mnt" 2>/dev/null || skip "no loop mounts"

promised=0
lost=0
broken=0
for cut in $(seq 1 "$cuts"); do
    rm -rf "$mnt/out"
    sync -f "$mnt"
    # Not through the function, so that the process that is killed is the program.
    "$program" "${arguments[@]}" "$mnt/out" 2>/dev/null &
    pid=$!
    # A moment of the unbroken run's time, the same ones each time the script runs.
    sleep "$(python3 -c "import random; random.seed($cut); print(random.uniform(0.1, 1.0) * $whole)")"
    # What is promised at this moment; then the cut. Frames promised in between are not counted.
    cp "$mnt/out/comb/journal.jsonl" "$work/promised" 2>/dev/null || : >"$work/promised"
    python3 - "$mnt" <<'PY' || skip "this file system has no shutdown"
import fcntl, os, struct, sys
# FS_IOC_SHUTDOWN of linux/fs.h with EXT4_GOING_FLAGS_NOLOGFLUSH, XFS's number: 2.
fcntl.ioctl(os.open(sys.argv[1], os.O_RDONLY), 0x8004587D, struct.pack("I", 2))
PY
    kill -9 "$pid" 2>/dev/null || true
    wait "$pid" 2>/dev/null || true
    umount "$mnt"
    mount -o loop "$work/img" "$mnt"
    # A frame is whole where it is that of the unbroken run.
    read -r n bad <<<"$(python3 - "$work" "$mnt" <<'PY'
import json, pathlib, sys
work, mnt = map(pathlib.Path, sys.argv[1:])
n = bad = 0
for line in (work / "promised").read_text().split("\n")[1:-1]:
    name = "comb/frames/%06d.tif" % json.loads(line.rsplit(" ", 1)[0])["frame"]
    n += 1
    try:
        bad += (mnt / "out" / name).read_bytes() != (work / "whole" / name).read_bytes()
    except OSError:
        bad += 1
print(n, bad)
PY
)"
    promised=$((promised + n))
    lost=$((lost + bad))
    [ -e "$mnt/out/comb/complete.json" ] || broken=$((broken + 1))
    run "$mnt/out" || { echo "cut $cut: the run does not go on"; exit 1; }
    # The journal stands in the order in which frames became ready, the lock names a process.
    # Not how long a clip took, nor the overview that says so.
    diff -r -q -x lock -x journal.jsonl -x took.json -x index.html "$mnt/out" "$work/whole" ||
        { echo "cut $cut"; exit 1; }
    [ -z "$(find "$mnt/out" -name '.tmp-*')" ] || { echo "cut $cut: a temporary file"; exit 1; }
done
[ "$(cat "$work"/comb/* | sha256sum)" = "$before" ] || { echo "an original was touched"; exit 1; }
echo "$kind, $cuts cuts within $whole s, $broken before the seal: $promised frames promised, $lost lost"
[ "$lost" = 0 ] && [ "$broken" -gt 0 ]
