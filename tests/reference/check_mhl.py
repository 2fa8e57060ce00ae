"""Checks hash lists in the ASC MHL form with the standard's own reference tool, both ways.

    python3 tests/reference/check_mhl.py PROGRAM FRAMES

PROGRAM is hushframe, FRAMES the folder test-frames/music-box. Needs ascmhl. Checked: the
reference tool finds a folder to be as hushframe's list says, and finds a flipped bit; hushframe
finds a folder to be as a list of the reference tool says, with every kind of hash that the tool
writes, and finds the same bit; nothing was written into the folder.
"""

import pathlib
import shutil
import subprocess
import sys
import tempfile

KINDS = ["md5", "sha1", "c4", "xxh64", "xxh3", "xxh128"]


def run(*words):
    words = [str(w) for w in words]
    done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, text=True)
    return done.returncode, done.stdout + done.stderr


def expect(code, words, *command):
    found, text = run(*command)
    if found != code or not all(w in text for w in words):
        sys.exit(f"{command}: exit code {found}, not {code}, or none of {words}:\n{text}")


def main():
    program, frames = (pathlib.Path(a).resolve() for a in sys.argv[1:3])
    tools = pathlib.Path(sys.executable).parent
    with tempfile.TemporaryDirectory() as work:
        work = pathlib.Path(work)
        folder, mhl = work / "the night's \"first\" <card> & more", work / "card.mhl"
        folder.mkdir()
        for name in ("comb-pluck", "black"):
            shutil.copytree(frames / name, folder / name)
        (folder / "comb-pluck" / "\u00fc\u97f3 a b.txt").write_text("a name of the world")
        before = sorted(folder.rglob("*"))
        expect(0, [], program, "checksum", folder, "--to", mhl)
        assert sorted(folder.rglob("*")) == before, "something was written into the folder"
        packing = [tools / "ascmhl-debug", "verify", "-pl", mhl, folder]
        expect(0, [], *packing)
        lists = {}
        for kind in KINDS:
            copy = work / kind / folder.name
            shutil.copytree(folder, copy)
            expect(0, [], tools / "ascmhl", "create", "-h", kind, copy)
            (lists[copy],) = (copy / "ascmhl").glob("*.mhl")
            expect(0, [], program, "checksum", copy, "--verify", lists[copy])
        for place in [folder, *lists]:
            path = place / "black" / "0002.tif"
            data = bytearray(path.read_bytes())
            data[-9] ^= 4
            path.write_bytes(data)
        expect(1, ["black/0002.tif differs"], program, "checksum", folder, "--verify", mhl)
        found, text = run(*packing)
        assert found != 0 and "0002.tif" in text, (found, text)
        for copy, one in lists.items():
            expect(1, ["black/0002.tif differs"], program, "checksum", copy, "--verify", one)
        files = sum(p.is_file() for p in before)
        print(f"ASC MHL: {files} files as the reference tool says; its {len(KINDS)} hashes are read")


main()
