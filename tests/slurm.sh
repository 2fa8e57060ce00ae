#!/usr/bin/env bash
# A real Slurm on this one machine runs the script that `hushframe farm slurm` writes; the bytes
# are compared with an unbroken run.
#
#   tests/slurm.sh PROGRAM FRAMES      PROGRAM is hushframe, FRAMES test-frames/music-box
#
# Needs root and the system's packages (Debian): slurmctld slurmd slurm-client
# slurm-wlm-basic-plugins munge; exits with 77 ("skipped") for anybody else, and where they are not
# there. Starts its own munged, slurmctld and slurmd, writes to a temporary
# folder, and stops what it started. The clip is repeated eight times: three blocks, four parts,
# of which one is empty. Then a part's file is taken away, its frames damaged, and the clip
# submitted again.
set -euo pipefail
program=$(realpath "$1")
frames=$(realpath "$2")

skip() {
    echo "skipped: $1"
    exit 77
}
[ "$(id -u)" = 0 ] || skip "not root"
for needed in slurmctld slurmd sbatch munged munge setpriv; do
    PATH=$PATH:/usr/sbin command -v "$needed" >/dev/null || skip "no $needed here"
done

work=$(mktemp -d)
stop() {
    local p
    for p in ctld d munged; do
        if [ -f "$work/run/$p.pid" ]; then kill "$(cat "$work/run/$p.pid")" 2>/dev/null || true; fi
    done
    sleep 1
    rm -rf "$work"
}
trap stop EXIT

mkdir -p "$work"/{state,spool,run,log,munge}
chmod 0755 "$work"
chown munge:munge "$work/munge" "$work/run"
setpriv --reuid=munge --regid=munge --init-groups /usr/sbin/mungekey --create --keyfile="$work/munge/key"
setpriv --reuid=munge --regid=munge --init-groups /usr/sbin/munged --key-file="$work/munge/key" \
    --socket="$work/munge/socket" --pid-file="$work/run/munged.pid" --log-file="$work/munge/log" \
    --seed-file="$work/munge/seed"
chown root:root "$work/run"
munge --socket="$work/munge/socket" -n </dev/null >/dev/null

host=$(hostname -s)
cat >"$work/slurm.conf" <<CONF
ClusterName=one
SlurmctldHost=$host(127.0.0.1)
SlurmUser=root
SlurmdUser=root
AuthType=auth/munge
AuthInfo=socket=$work/munge/socket
CredType=cred/munge
SlurmctldPort=26817
SlurmdPort=26818
StateSaveLocation=$work/state
SlurmdSpoolDir=$work/spool
SlurmctldPidFile=$work/run/ctld.pid
SlurmdPidFile=$work/run/d.pid
SlurmctldLogFile=$work/log/ctld.log
SlurmdLogFile=$work/log/d.log
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
SelectType=select/cons_tres
SelectTypeParameters=CR_Core
SchedulerType=sched/backfill
SchedulerParameters=batch_sched_delay=0,sched_interval=5
MpiDefault=none
SwitchType=switch/none
ReturnToService=2
KillOnBadExit=1
JobRequeue=1
NodeName=$host NodeAddr=127.0.0.1 CPUs=2 RealMemory=2000 State=UNKNOWN
PartitionName=farm Nodes=$host Default=YES MaxTime=INFINITE State=UP OverSubscribe=NO
CONF
export SLURM_CONF=$work/slurm.conf
slurmctld
sleep 1
slurmd -N "$host"
sleep 2
sinfo

# The clip, in a folder whose name wants quoting.
shoot="$work/it's a shoot"
mkdir -p "$shoot/comb-pluck"
cp -r "$frames/black" "$frames/even" "$shoot"
cp "$frames"/comb-pluck/* "$shoot/comb-pluck"
for n in $(seq 25 192); do
    cp "$shoot/comb-pluck/$(printf %06d $(((n - 1) % 24 + 1))).tif" \
        "$shoot/comb-pluck/$(printf %06d "$n").tif"
done
printf 'dark = "black"\nflat = "even"\n\n[[clip]]\nframes = "comb-pluck"\n' >"$shoot/shoot.toml"
"$program" run --quiet "$shoot" --out "$work/whole"
cd "$work/log"
"$program" farm slurm "$shoot" --to "$work/night.sh" --out "$work/out" --parts 4 \
    --program "$program"

finished() {
    local waited=0
    while [ -n "$(squeue -h)" ]; do
        sleep 1
        waited=$((waited + 1))
        if [ $waited -gt 300 ]; then squeue; tail -n 5 "$work"/log/*; exit 1; fi
    done
}

# Not how long a clip took, nor the overview that says so.
compare() {
    diff -r -x lock -x journal.jsonl -x shards -x took.json -x index.html "$work/whole" "$work/out" ||
        { tail -n 5 "$work"/log/*; exit 1; }
    [ -f "$work/out/comb-pluck/complete.json" ]
    echo "$1: $(find "$work/out" -type f -name '*.tif' | wc -l) pictures, table, record and seal" \
        "the same bytes as an unbroken run"
}

bash "$work/night.sh" submit
finished
compare "4 parts"

rm "$work/out/comb-pluck/shards/render-3-of-4.json"
rm "$work/out/comb-pluck/complete.json"
printf x | dd of="$work/out/comb-pluck/frames/000100.tif" bs=1 seek=5000 conv=notrunc status=none
bash "$work/night.sh" submit comb-pluck
finished
compare "submitted again"
