"""Checks what `hushframe farm openjd` writes with the standard's own open-source tools, and runs it.

    python3 tests/reference/check_openjd.py PROGRAM FRAMES

PROGRAM is hushframe, FRAMES the folder test-frames/music-box. Needs openjd-cli (and with it
openjd-model) of the Open Job Description project. Checked: the template is valid by the
standard's model; each clip's steps wait for each other; parts are 1 to N, each once; the
standard's own runner, which runs the finish and all it waits for, leaves the same bytes as an
unbroken run of hushframe.
"""

import json
import pathlib
import subprocess
import sys
import tempfile

from openjd.model import (
    ParameterValue,
    ParameterValueType,
    StepParameterSpaceIterator,
    create_job,
    decode_job_template,
)

PARTS = 2
SHOOT = """dark = "{frames}/black"
flat = "{frames}/even"

[[clip]]
frames = "{frames}/comb-pluck"

[[clip]]
frames = "{frames}/comb-pluck"
name = "labelled"
pipeline = "clean-and-label"
"""


def run(*words):
    words = [str(w) for w in words]
    done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"{' '.join(words)}: exit code {done.returncode}\n{done.stdout}{done.stderr}")
    return done.stdout


def results(folder):
    """All results with their bytes; not the lock, the journal, the parts' own files, how long a
    clip took and the overview that says so."""
    return {
        p.relative_to(folder): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
        and p.name not in ("lock", "journal.jsonl", "took.json", "index.html")
        and "shards" not in p.relative_to(folder).parts
    }


def check_model(template, shoot, out):
    job_template = decode_job_template(template=template)
    values = {
        "Shoot": ParameterValue(type=ParameterValueType.PATH, value=str(shoot)),
        "Out": ParameterValue(type=ParameterValueType.PATH, value=str(out)),
        "Program": ParameterValue(type=ParameterValueType.STRING, value="hushframe"),
    }
    job = create_job(job_template=job_template, job_parameter_values=values)
    kinds = {}
    for step in job.steps:
        before = [d.dependsOn for d in step.dependencies or []]
        if step.name == "pages":
            assert before == ["1 finish comb-pluck", "2 finish labelled"], before
            continue
        number, kind, clip = step.name.split(" ", 2)
        kinds.setdefault(clip, []).append(kind)
        chain = ["analyse", "merge", "render", "finish"]
        at = chain.index(kind)
        wanted = [f"{number} {chain[at - 1]} {clip}"] if at else []
        assert before == wanted, (step.name, before)
        tasks = list(StepParameterSpaceIterator(space=step.parameterSpace))
        parts = [t["Part"].value for t in tasks if "Part" in t]
        wanted = [str(k) for k in range(1, PARTS + 1)] if kind in ("analyse", "render") else []
        assert parts == wanted, (step.name, parts)
    assert all(k == ["analyse", "merge", "render", "finish"] for k in kinds.values()), kinds
    print(f"model: {len(job.steps)} steps of {len(kinds)} clips, as they should be")


def main():
    program, frames = (pathlib.Path(a).resolve() for a in sys.argv[1:3])
    openjd = pathlib.Path(sys.executable).parent / "openjd"
    with tempfile.TemporaryDirectory() as work:
        work = pathlib.Path(work)
        folder = work / "it's a \"shoot\" $HOME"
        folder.mkdir()
        shoot, out, template = folder / "shoot.toml", folder / "out", work / "night.json"
        shoot.write_text(SHOOT.format(frames=frames))
        run(program, "farm", "openjd", shoot, "--to", template, "--parts", PARTS)
        run(openjd, "check", template)
        print("openjd check: valid")
        check_model(json.loads(template.read_text()), shoot, out)
        run(openjd, "run", template, "--step", "pages", "--run-dependencies",
            "-p", f"Shoot={shoot}", "-p", f"Out={out}", "-p", f"Program={program}")
        run(program, "run", shoot, "--out", work / "whole")
        made, whole = results(out), results(work / "whole")
        assert made.keys() == whole.keys(), made.keys() ^ whole.keys()
        differ = [str(n) for n in whole if made[n] != whole[n]]
        assert not differ, differ
        print(f"openjd run: {len(whole)} files, the same bytes as an unbroken run")


main()
